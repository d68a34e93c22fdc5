package soil

import (
	_ "embed"
	"math"
)

// CrownRatioM3M2 is the soil volume per area of crown projection of the general
// estimate in Lindsey & Bassuk 1991: 2 ft3 per ft2 = 0.6096 m3 per m2. It is a
// safety rule: the same paper's own numbers run from 0.70 ft3 per ft2 (Ithaca)
// to 14 (Phoenix).
const CrownRatioM3M2 = 2 * 0.3048

// CrownAreaM2 is the crown projection, m2, of a round crown of spread crownM.
func CrownAreaM2(crownM float64) float64 { return math.Pi / 4 * crownM * crownM }

// NeedCrownM3 is the soil volume, m3, for a crown projection of crownM2 at
// ratio m3 per m2 (CrownRatioM3M2 unless the city has its own).
func NeedCrownM3(crownM2, ratio float64) float64 { return crownM2 * ratio }

// Budget is the published water-use budget, Lindsey & Bassuk 1991.
type Budget struct {
	CrownM2 float64 // crown projection, m2
	LAI     float64 // leaf area index; 4 in the paper
	PanMmD  float64 // class A pan evaporation of the worst month, mm/day
	Ratio   float64 // whole-tree water use over pan evaporation; 0.20 in the paper
	Days    float64 // critical days between rains
	AWC     float64 // available water capacity, m3/m3
}

// PublishedBudget is the budget with the constants of the paper: LAI 4, ratio
// 0.20, and its Ithaca example for the climate and the soil (0.20 in/day, 10
// days, 19 %).
func PublishedBudget(crownM2 float64) Budget {
	return Budget{CrownM2: crownM2, LAI: 4, PanMmD: 5.09, Ratio: 0.20, Days: 10, AWC: 0.19}
}

// DemandMmD is the demand of the budget in mm a day over the crown projection.
func (b Budget) DemandMmD() float64 { return b.LAI * b.PanMmD * b.Ratio }

// NeedWaterM3 is the soil volume, m3, that bridges b.Days without rain:
// V = CP x LAI x Epan x ratio x D / AWHC. It is +Inf for a soil that holds
// nothing. It is the special case, no rain and constant demand, of Balance; a
// test holds the two together.
func NeedWaterM3(b Budget) float64 {
	if !(b.AWC > 0) {
		return math.Inf(1)
	}
	return b.CrownM2 * b.DemandMmD() / 1000 * b.Days / b.AWC
}

// Size is the size of a tree at maturity, as municipal tables class it.
type Size uint8

const (
	Small Size = iota
	Medium
	Large
)

// Standard is a municipality's table of least soil volumes.
type Standard struct {
	Name     string
	SingleM3 [3]float64 // for a tree on its own, by Size
	SharedM3 [3]float64 // per tree where trees share ground; 0: no such rule
	Source   string
	// FromCompilation is set where only a compilation was seen, not the city's
	// own paper: check that before use.
	FromCompilation bool
}

//go:embed standard.csv
var standardCSV string

// Standards are the tables that come with the program. The first is the
// default. They are a help, not the law: the city's own paper counts.
var Standards []Standard

func init() {
	for _, r := range mustTable("standard.csv", standardCSV, 9) {
		n := mustNumbers("standard.csv", r[1:7])
		Standards = append(Standards, Standard{
			Name:            r[0],
			SingleM3:        [3]float64{n[0], n[1], n[2]},
			SharedM3:        [3]float64{n[3], n[4], n[5]},
			FromCompilation: r[7] == "compilation",
			Source:          r[8],
		})
	}
}

// StandardNamed finds one of Standards by its name, whatever the case and
// punctuation.
func StandardNamed(name string) (Standard, bool) {
	for _, s := range Standards {
		if squeeze(s.Name) == squeeze(name) {
			return s, true
		}
	}
	return Standard{}, false
}

// NeedStandardM3 is the least soil volume, m3, that a municipality's table asks
// for a tree of the size, on its own or where it shares ground. A table without
// a rule for shared ground asks the same of both.
func NeedStandardM3(size Size, shared bool, table Standard) float64 {
	i := min(size, Large)
	if shared && table.SharedM3[i] > 0 {
		return table.SharedM3[i]
	}
	return table.SingleM3[i]
}

// Class says how the ground that a tree has compares with what it needs.
type Class uint8

const (
	Severe Class = iota
	Constrained
	Adequate
	Ample
)

// String is the word for the class, in lower case.
func (c Class) String() string {
	return [...]string{"severe", "constrained", "adequate", "ample"}[min(c, Ample)]
}

// Bounds are the least shares of the need for the classes ample, adequate and
// constrained. Common practice, no source.
type Bounds [3]float64

// DefaultBounds are the bounds unless set otherwise.
var DefaultBounds = Bounds{1.0, 0.75, 0.5}

// Classify puts the ground that a tree has, m3, beside its need, m3. A tree
// that needs nothing has ample ground.
func Classify(haveM3, needM3 float64, b Bounds) Class {
	switch {
	case needM3 <= 0 || haveM3 >= b[0]*needM3:
		return Ample
	case haveM3 >= b[1]*needM3:
		return Adequate
	case haveM3 >= b[2]*needM3:
		return Constrained
	}
	return Severe
}
