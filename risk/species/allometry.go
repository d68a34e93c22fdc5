package species

import (
	_ "embed"
	"fmt"
	"math"
	"sort"
	"sync"
)

// allometry.csv holds published equations of open-grown urban trees: crown
// spread and height from trunk diameter, trunk diameter from years since
// planting (PSW-GTR-253, the 365 sets of McPherson, van Doorn & Peper 2016; the
// data set RDS-2016-0005 itself was not at hand, so each row names the public
// transcription it was taken from). Two sets of that transcription are left
// out, because their numbers are those of other species: the crown of Morus
// alba and the age of Malus angustifolia.
//
//go:embed allometry.csv
var allometryCSV string

// equation is one regression on one variable x, in the forms of PSW-GTR-253:
// trunk diameter in cm or years in, m or cm out.
type equation struct {
	name       string
	form       string
	a, b, c, d float64
	min, max   float64 // range of x in which it is used
	bend       float64 // x from which a cubic goes straight on; +Inf for none
	region     string
}

// at evaluates the equation, x held to its range.
func (e *equation) at(x float64) float64 {
	x = math.Min(math.Max(x, e.min), e.max)
	if x > e.bend {
		slope := e.b + 2*e.c*e.bend + 3*e.d*e.bend*e.bend
		return e.fit(e.bend) + slope*(x-e.bend)
	}
	return e.fit(x)
}

// fit is the equation as published.
func (e *equation) fit(x float64) float64 {
	switch e.form {
	case "lin":
		return e.a + e.b*x
	case "quad":
		return e.a + e.b*x + e.c*x*x
	case "cub":
		return e.a + e.b*x + e.c*x*x + e.d*x*x*x
	case "loglogw1":
		// The printed table of forms has mse/2 inside the inner logarithm, for
		// this form alone. Outside, as in the other three, it is the correction
		// for the bias of a logarithmic fit, and gives the published curves;
		// the difference is 1 to 3 %.
		return math.Exp(e.a + e.b*math.Log(math.Log(x+1)) + e.c/2)
	case "loglogw2":
		return math.Exp(e.a + e.b*math.Log(math.Log(x+1)) + math.Sqrt(x)*e.c/2)
	}
	panic("species: no such form of equation: " + e.form)
}

// hold keeps the curve to where it can be believed. The ranges of application
// that the report prints were not seen, so the rule is ours: a curve ends where
// it turns over; a cubic that flattens and then steepens again, as cubics do
// past their data, goes straight on from there, to twice that x at most.
func (e *equation) hold() {
	e.bend = math.Inf(1)
	if e.form == "cub" && e.d > 0 {
		if x := -e.c / (3 * e.d); x > e.min && x < e.max {
			e.bend, e.max = x, math.Min(e.max, 2*x)
		}
	}
	const step = 0.05
	for x := e.min; x+step <= e.max; x += step {
		if x > 0 && e.at(x+step) <= e.at(x) {
			e.max = x
			return
		}
	}
}

const (
	crownM  = "crown_m"
	heightM = "height_m"
	dbhCM   = "dbh_cm"
)

// curve is what is used for a name: one equation, or the mean of several.
type curve struct {
	of []*equation
	by string
}

func (c curve) at(x float64) float64 {
	sum := 0.0
	for _, e := range c.of {
		sum += e.at(x)
	}
	return sum / float64(len(c.of))
}

// curves holds, by what they predict, the curves of species and genera (by
// folded name), of leaf groups (by their word) and of the general tree ("").
var curves = map[string]map[string]curve{crownM: {}, heightM: {}, dbhCM: {}}

// loadCurves reads allometry.csv; the species table must have been read.
func loadCurves() {
	const report = "PSW-GTR-253 "
	var groups []struct {
		predicts, key, by string
		of                []*equation
	}
	into := func(predicts, key, by string, e *equation) {
		for i := range groups {
			if g := &groups[i]; g.predicts == predicts && g.key == key {
				g.of = append(g.of, e)
				return
			}
		}
		groups = append(groups, struct {
			predicts, key, by string
			of                []*equation
		}{predicts, key, by, []*equation{e}})
	}
	for _, r := range mustTable("allometry.csv", allometryCSV, 12) {
		n := make([]float64, 6)
		for i, c := range r[4:10] {
			if c != "" {
				n[i] = mustNumber("allometry.csv", c)
			}
		}
		e := &equation{name: r[0], form: r[3], a: n[0], b: n[1], c: n[2], d: n[3], min: n[4], max: n[5], region: r[10]}
		e.hold()
		i, ok := byName[fold(r[0])]
		if !ok {
			panic("species: allometry.csv: not in species.csv: " + r[0])
		}
		s := list[i]
		curves[r[1]][fold(s.Latin)] = curve{[]*equation{e}, report + e.region + ", " + s.Latin}
		into(r[1], fold(s.Genus), "genus "+s.Genus, e)
		into(r[1], s.Leaf.String(), s.Leaf.String()+" trees", e)
		into(r[1], "", "all trees", e)
	}
	for _, g := range groups {
		by := fmt.Sprintf("%s%s, %s (%s)", report, g.of[0].region, g.by, g.of[0].name)
		if n := len(g.of); n > 1 {
			by = fmt.Sprintf("%s%s (mean of %d species)", report, g.by, n)
		}
		curves[g.predicts][g.key] = curve{g.of, by}
	}
}

// curve is the closest that is published: of the species, else its genus, else
// its kind of leaf, else all trees.
func (s Species) curve(predicts string) curve {
	known := curves[predicts]
	if s.Rank == OfSpecies {
		if c, ok := known[fold(s.Latin)]; ok {
			return c
		}
	}
	if s.Rank != General {
		if c, ok := known[fold(s.Genus)]; ok {
			return c
		}
		if c, ok := known[s.Leaf.String()]; ok {
			return c
		}
	}
	return known[""]
}

// growth is the three curves of a species, and the years at which it has a
// diameter, tabled when first asked for.
type growth struct {
	crown, height, dbh curve

	once sync.Once
	// cm is the diameter by age, agesPerYr to the year, until it no longer grows.
	cm []float64
}

const agesPerYr = 8

func (s Species) growth() *growth {
	if s.grown != nil {
		return s.grown
	}
	return &growth{crown: s.curve(crownM), height: s.curve(heightM), dbh: s.curve(dbhCM)}
}

// age is the years at which the trunk has a diameter; 0 for none and NaN.
func (g *growth) age(dbhCm float64) float64 {
	if !(dbhCm > 0) {
		return 0
	}
	g.once.Do(func() {
		end := g.dbh.at(oldestYr)
		for i := range oldestYr*agesPerYr + 1 {
			cm := g.dbh.at(float64(i) / agesPerYr)
			g.cm = append(g.cm, cm)
			if cm >= end {
				break
			}
		}
	})
	i := sort.SearchFloat64s(g.cm, min(dbhCm, g.cm[len(g.cm)-1]))
	if i == 0 {
		return 0
	}
	return (float64(i-1) + (min(dbhCm, g.cm[i])-g.cm[i-1])/(g.cm[i]-g.cm[i-1])) / agesPerYr
}

// CrownM is the crown spread, m, that goes with a trunk diameter at breast
// height in cm, and the words for how it was found, such as "PSW-GTR-253
// PacfNW, Acer rubrum". Beyond the range of the equation the value at its end
// is given.
func (s Species) CrownM(dbhCm float64) (m float64, by string) {
	c := &s.growth().crown
	return c.at(dbhCm), c.by
}

// HeightM is the tree height, m, that goes with a trunk diameter at breast
// height in cm, and the words for how it was found.
func (s Species) HeightM(dbhCm float64) (m float64, by string) {
	c := &s.growth().height
	return c.at(dbhCm), c.by
}

// DBHFromAge is the trunk diameter, cm, of a tree so many years after it was
// planted, never below 0, and the words for how it was found. Beyond the range
// of the equation the value at its end is given.
func (s Species) DBHFromAge(years float64) (cm float64, by string) {
	c := &s.growth().dbh
	return math.Max(0, c.at(years)), c.by
}

// oldestYr ends the search of AgeFromDBH.
const oldestYr = 200

// AgeFromDBH is the inverse of DBHFromAge, to a tenth of a year: years since
// planting, 0 for a trunk thinner than at planting; for one thicker than the
// equation reaches, the years at which it ends.
func (s Species) AgeFromDBH(dbhCm float64) (years float64, by string) {
	g := s.growth()
	return g.age(dbhCm), g.dbh.by
}

// GrowDBH is the trunk diameter, cm, that a tree of dbhCm has after so many
// years more, and the words for how it was found. It follows the curve of
// DBHFromAge from where the tree now stands on it, and never shrinks; a tree
// beyond the end of its curve keeps its size.
func (s Species) GrowDBH(dbhCm, years float64) (cm float64, by string) {
	age, by := s.AgeFromDBH(dbhCm)
	now, _ := s.DBHFromAge(age)
	then, _ := s.DBHFromAge(age + math.Max(0, years))
	return dbhCm + math.Max(0, then-now), by
}
