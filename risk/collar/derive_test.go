package collar

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat"
)

// The weights that evidence.md says are derived, derived again from what the
// studies printed (fixtures/reference/collar-studies.csv).

// wells are the mean shares encircled and their standard deviations over trees
// of red maple with 0, 15 and 31 cm of soil (Wells et al. 2006).
var wells = [][2]float64{{0.14, 0.19}, {0.48, 0.29}, {0.71, 0.21}}

// precision of the Beta distribution of the share held: mean of m(1-m)/sd^2 - 1.
func precision() float64 {
	sum := 0.0
	for _, w := range wells {
		sum += w[0]*(1-w[0])/(w[1]*w[1]) - 1
	}
	return sum / float64(len(wells))
}

// event is the probability that the share held is a third or more, where its
// mean is m.
func event(m float64) float64 {
	phi := precision()
	return 1 - mathext.RegIncBeta(m*phi, (1-m)*phi, HeldShare)
}

type study struct {
	factor, measure string
	atA, atB, a, b  float64
	n               float64
	note            string
}

func studies(t *testing.T) (all []study) {
	f, err := os.Open("../../fixtures/reference/collar-studies.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range lines[1:] {
		num := func(i int) float64 { v, _ := strconv.ParseFloat(l[i], 64); return v }
		if l[9] == "" {
			t.Errorf("study without a source: %v", l)
		}
		all = append(all, study{l[0], l[1], num(2), num(3), num(4), num(5), num(8), l[10]})
	}
	return all
}

func (e *Evidence) at(t *testing.T, key, level string) Row {
	i := e.row(key, level)
	if i < 0 {
		t.Fatalf("no row %s:%s", key, level)
	}
	return e.rows[i]
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.4g, want %.4g (within %g)", what, got, want, tolerance)
	}
}

func logit(p float64) float64 { return float64(Logit(p)) }

func TestDepthIsDerivedFromItsStudies(t *testing.T) {
	// One slope a survey; the two readings of the first are averaged.
	var slopes, both []float64
	for _, s := range studies(t) {
		switch {
		case s.factor != "flare_cm":
		case s.measure == "none":
			slopes = append(slopes, 0)
		case s.atA == 3:
			both = append(both, (logit(event(s.b))-logit(event(s.a)))/(s.atB-s.atA))
		default:
			slopes = append(slopes, (logit(event(s.b))-logit(event(s.a)))/(s.atB-s.atA))
		}
	}
	slopes = append(slopes, stat.Mean(both, nil))
	if len(slopes) != 4 || len(both) != 2 {
		t.Fatalf("%d surveys, %d readings", len(slopes), len(both))
	}
	mean, sd := stat.MeanStdDev(slopes, nil)
	row := DefaultEvidence().at(t, "flare_cm", "")
	near(t, "weight per cm", row.Weight, mean, 0.006)
	near(t, "spread per cm", row.Spread, sd*math.Sqrt(1+1/float64(len(slopes))), 0.006)
}

// derSimonianLaird pools effects y with variances v: mean, and the standard
// deviation of the effect in a new place (DerSimonian & Laird 1986; Higgins,
// Thompson & Spiegelhalter 2009 for the predictive spread).
func derSimonianLaird(y, v []float64) (mean, spread float64) {
	var w, wy, w2 float64
	for i := range y {
		w += 1 / v[i]
		wy += y[i] / v[i]
		w2 += 1 / (v[i] * v[i])
	}
	q := 0.0
	for i := range y {
		q += (y[i] - wy/w) * (y[i] - wy/w) / v[i]
	}
	tau2 := max(0, (q-float64(len(y)-1))/(w-w2/w))
	w, wy = 0, 0
	for i := range y {
		w += 1 / (v[i] + tau2)
		wy += y[i] / (v[i] + tau2)
	}
	return wy / w, math.Sqrt(tau2 + 1/w)
}

// carried is how much of an effect seen in the nursery or soon after planting
// is still there years later, and its standard deviation (assumption: anything
// from none to all).
const carried, carriedSD = 0.5, 0.3

func TestCorrectionIsDerivedFromItsTrials(t *testing.T) {
	var y, v []float64
	for _, s := range studies(t) {
		if s.factor != "corrected" {
			continue
		}
		a, b := s.a, s.b
		if s.measure == "encircled" {
			a, b = event(a), event(b)
		}
		b = max(b, 0.5/(s.n+0.5)) // none seen of n: half a tree
		y = append(y, logit(b)-logit(a))
		v = append(v, 1/(s.n*a*(1-a))+1/(s.n*b*(1-b)))
	}
	if len(y) != 7 {
		t.Fatalf("%d trials", len(y))
	}
	mean, spread := derSimonianLaird(y, v)
	e := DefaultEvidence()
	yes, no := e.at(t, "corrected", "yes"), e.at(t, "corrected", "no")
	near(t, "yes against no", yes.Weight-no.Weight, carried*mean, 0.05)
	near(t, "spread", math.Hypot(yes.Spread, no.Spread), math.Hypot(carried*spread, carriedSD*mean), 0.05)
}

func TestSolidAgainstPrunedIsDerivedFromItsTrials(t *testing.T) {
	var y []float64
	for _, s := range studies(t) {
		if s.factor == "stock" {
			y = append(y, logit(s.b)-logit(s.a))
		}
	}
	mean := stat.Mean(y, nil)
	e := DefaultEvidence()
	solid, pruned := e.at(t, "stock", "solid container"), e.at(t, "stock", "pruned container")
	near(t, "solid against pruned", solid.Weight-pruned.Weight, carried*mean, 0.05)
	if got, least := math.Hypot(solid.Spread, pruned.Spread), carriedSD*mean; got < least {
		t.Errorf("spread of the contrast %.2f is less than carrying over alone gives (%.2f)", got, least)
	}
}

// A tree of which nothing is known has the rate that the surveys' depths give,
// and its prior's spread is theirs.
func TestPriorIsDerivedFromTheSurveys(t *testing.T) {
	e := DefaultEvidence()
	depth := e.at(t, "flare_cm", "")
	rate := func(mean func(depth float64) float64) float64 {
		sum, n := 0.0, 0.0
		for z := -4.0; z <= 4; z += 0.01 {
			w := math.Exp(-z * z / 2)
			d := min(max(depth.Mean+depth.SD*z, depth.Low), depth.High)
			sum += w * event(max(mean(d), 0.005))
			n += w
		}
		return sum / n
	}
	readings := []float64{
		logit(rate(func(d float64) float64 { return 0.033 * d })), // Hauer & Johnson 2021, encircled
		logit(rate(func(d float64) float64 { return 0.01 * d })),  // the same, girdled
		logit(rate(func(d float64) float64 { // Wells et al. 2006, red maple
			if d < 15 {
				return 0.14 + (0.48-0.14)*d/15
			}
			return 0.48 + (0.71-0.48)*(d-15)/16
		})),
	}
	mean, sd := stat.MeanStdDev(readings, nil)
	near(t, "P of a tree of which nothing is known", e.Girdled(Signs{}).P, logistic(mean), 0.01)
	near(t, "spread of the prior", e.at(t, "prior", "").Spread, sd, 0.06)
}
