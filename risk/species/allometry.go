package species

import (
	_ "embed"
	"math"
)

//go:embed allometry.csv
var allometryCSV string

// equation is one published regression on one variable x, in the forms of
// PSW-GTR-253: dbh in cm or age in years in, m or cm out.
type equation struct {
	form       string
	a, b, c, d float64
	min, max   float64 // range of x to which it was fitted
	region     string
	source     string
}

// at evaluates the equation, x held to the fitted range: the polynomials turn
// over beyond it.
func (e equation) at(x float64) float64 {
	x = math.Min(math.Max(x, e.min), e.max)
	switch e.form {
	case "lin":
		return e.a + e.b*x
	case "quad":
		return e.a + e.b*x + e.c*x*x
	case "cub":
		return e.a + e.b*x + e.c*x*x + e.d*x*x*x
	case "loglogw1":
		// The printed table of forms has mse/2 inside the inner logarithm, for
		// this form alone; outside, as in the other three, gives the published
		// curves.
		return math.Exp(e.a + e.b*math.Log(math.Log(x+1)) + e.c/2)
	}
	panic("species: no such form of equation: " + e.form)
}

type equationKey struct{ name, predicts string }

var equations = map[equationKey]equation{}

func init() {
	for _, r := range mustTable("allometry.csv", allometryCSV, 12) {
		n := make([]float64, 6)
		for i, c := range r[4:10] {
			if c != "" {
				n[i] = mustNumber("allometry.csv", c)
			}
		}
		equations[equationKey{fold(r[0]), r[1]}] = equation{
			form: r[3], a: n[0], b: n[1], c: n[2], d: n[3], min: n[4], max: n[5],
			region: r[10], source: r[11],
		}
	}
}

// find returns the equation for the species, else for its genus, else for the
// general tree, and words that say which.
func (s Species) find(predicts string) (equation, string) {
	if e, ok := equations[equationKey{fold(s.Latin), predicts}]; ok {
		return e, "PSW-GTR-253 " + e.region + ", " + s.Latin
	}
	e := equations[equationKey{"platanus acerifolia", predicts}]
	return e, "PSW-GTR-253 " + e.region + ", Platanus acerifolia for want of better"
}

// CrownM is the crown spread, m, that goes with a trunk diameter at breast
// height in cm, and the words for how it was found.
func (s Species) CrownM(dbhCm float64) (m float64, by string) {
	e, by := s.find("crown_m")
	return e.at(dbhCm), by
}

// HeightM is the tree height, m, that goes with a trunk diameter at breast
// height in cm, and the words for how it was found.
func (s Species) HeightM(dbhCm float64) (m float64, by string) {
	e, by := s.find("height_m")
	return e.at(dbhCm), by
}

// DBHFromAge is the trunk diameter, cm, of a tree so many years after it was
// planted, and the words for how it was found.
func (s Species) DBHFromAge(years float64) (cm float64, by string) {
	e, by := s.find("dbh_cm")
	return e.at(years), by
}

// AgeFromDBH is the inverse of DBHFromAge: years since planting, held to the
// fitted range.
func (s Species) AgeFromDBH(dbhCm float64) (years float64, by string) {
	e, by := s.find("dbh_cm")
	lo, hi := e.min, e.max
	for range 60 {
		if mid := (lo + hi) / 2; e.at(mid) < dbhCm {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2, by
}

// GrowDBH is the trunk diameter, cm, that a tree of dbhCm has after so many
// years more: it keeps its distance from the curve of DBHFromAge and never
// shrinks.
func (s Species) GrowDBH(dbhCm, years float64) (cm float64, by string) {
	age, by := s.AgeFromDBH(dbhCm)
	now, _ := s.DBHFromAge(age)
	then, _ := s.DBHFromAge(age + years)
	return dbhCm + math.Max(0, then-now), by
}
