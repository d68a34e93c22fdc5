package collar

import (
	"fmt"
	"math"
	"strconv"

	"gonum.org/v1/gonum/integrate/quad"
)

// Posterior is the probability of girdling of one tree, and what it is made of.
type Posterior struct {
	P      float64 // mean
	Lo, Hi float64 // 80 % interval: what the weights and all that is missing leave open
	Mean   LogOdds // mean of the log-odds
	Spread float64 // standard deviation of the log-odds
	// Terms add up: their log-odds to Mean, the squares of their spreads to the
	// square of Spread, but for how learned weights move together. The prior
	// comes first, then what weighs most; what is missing comes last, widest
	// first.
	Terms []Term
	// Missing are the keys of what is not known, in the table's order.
	Missing []string
}

// Term is what one piece of evidence adds to the log-odds.
type Term struct {
	Key     string
	Words   string  // for a reader: "soil over the first main roots"
	Value   Reading // of a factor of degree, as known of the tree, in Unit
	Unit    string
	Level   string  // of a factor of levels or a group
	LogOdds float64 // against the average tree
	Spread  float64
	Source  string
	Missing bool
}

// String is the term as a reason, with its number: "15 cm of soil over the
// first main roots".
func (t Term) String() string {
	k := keyOf(t.Key)
	switch {
	case t.Missing:
		return t.Words + " not known"
	case k < 0:
		return t.Words
	case t.Value.Known && keys[k].with != "":
		v := t.Value.Value
		if k == kSoilShare {
			v *= 100
		}
		return fmt.Sprintf(keys[k].with, strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64))
	case k == kStock || k == kTexture || k == kGenus || keys[k].kind == group:
		return t.Words + ": " + t.Level
	}
	return t.Words
}

// z80 bounds the middle 80 % of a normal distribution.
const z80 = 1.2815515655446004

// Girdled gives the probability that stem girdling roots hold a third or more
// of the stem's circumference.
//
// Log-odds are the prior plus the factors known; each factor not known is
// integrated over its distribution among trees, by its mean (zero: factors
// count against the average tree) and variance. P is the mean of the logistic
// over the normal distribution so matched, Lo and Hi its 10th and 90th
// percentile.
func (e *Evidence) Girdled(s Signs) Posterior { return e.girdled(&s, false) }

// Raised is Girdled with no other terms than those that are known of the tree and
// raise its odds, in their order, and nothing of what is missing: for a whole city,
// of which no more is told.
func (e *Evidence) Raised(s Signs) Posterior { return e.girdled(&s, true) }

func (e *Evidence) girdled(s *Signs, raised bool) Posterior {
	var t tally
	e.weigh(s, &t)
	p := t.posterior()

	// The prior, what is known by weight, what is missing by spread; ties keep
	// the table's order.
	var height [len(keys)]float64
	var order [len(keys)]int
	n, gaps := 0, 0
	for k := range keys {
		q := &t.pieces[k]
		switch {
		case q.is == silent, raised && (k == kPrior || q.is == missing || !(q.effect > 0)):
			continue
		case k == kPrior:
			height[k] = math.Inf(1)
		case q.is == missing:
			height[k] = -1 / (1e-9 + q.vari) // below all that is known
			if keys[k].kind != group {
				gaps++
			}
		default:
			height[k] = math.Abs(q.effect)
		}
		at := n
		for ; at > 0 && height[order[at-1]] < height[k]; at-- {
			order[at] = order[at-1]
		}
		order[at] = k
		n++
	}
	p.Terms = make([]Term, n)
	for i, k := range order[:n] {
		e.term(k, &t.pieces[k], &p.Terms[i])
	}
	if raised {
		return p
	}
	p.Missing = make([]string, 0, gaps)
	for k := range keys {
		if t.pieces[k].is == missing && keys[k].kind != group {
			p.Missing = append(p.Missing, keys[k].name)
		}
	}
	return p
}

// Chance is Girdled without the terms, for a whole city.
func (e *Evidence) Chance(s Signs) (p, lo, hi float64) {
	var t tally
	e.weigh(&s, &t)
	q := t.posterior()
	return q.P, q.Lo, q.Hi
}

// piece is what one factor adds.
type piece struct {
	effect, vari float64
	value        float64
	level        int
	is           uint8
}

const (
	silent  uint8 = iota // says nothing, and misses nothing
	known                // known of the tree
	missing              // not known: its variance is that over trees
)

// tally is a tree's sum of evidence, and its pieces by key.
type tally struct {
	mean, variance float64
	pieces         [len(keys)]piece
}

func (t *tally) posterior() Posterior {
	sd := math.Sqrt(t.variance)
	return Posterior{
		P:      meanLogistic(t.mean, sd),
		Lo:     logistic(t.mean - z80*sd),
		Hi:     logistic(t.mean + z80*sd),
		Mean:   LogOdds(t.mean),
		Spread: sd,
	}
}

// maxColumns bounds the columns of one tree: every level of every factor and
// one member a group. Longer tables spill to the heap.
const maxColumns = 64

// weigh adds up what is known of a tree, and the spread of what is not.
func (e *Evidence) weigh(s *Signs, t *tally) {
	var rowBuf [maxColumns]int
	var xBuf [maxColumns]float64
	rows, x := rowBuf[:0], xBuf[:0]

	for k := range keys {
		f, p := &e.factors[k], &t.pieces[k]
		level, value, ok := e.look(k, s)
		if !ok {
			// A flare seen or not stands in for the depth, and has no spread of
			// its own beside that.
			if k != kFlareSeen {
				p.is, p.vari = missing, e.open(k, s)
				t.variance += p.vari
			}
			continue
		}
		p.is, p.value, p.level = known, value, level
		switch keys[k].kind {
		case degree:
			r := &e.rows[f.rows[0]]
			d := min(max(value, r.Low), r.High) - r.Mean
			p.effect, p.vari = d*r.Weight, d*d*r.Spread*r.Spread
		case levels:
			p.effect, p.vari = f.effect[level], f.vari[level]
		default:
			r := &e.rows[f.rows[level]]
			p.effect, p.vari = r.Weight, r.Spread*r.Spread
		}
		t.mean += p.effect
		t.variance += p.vari
		if e.cov != nil {
			// Add how its weights move with those before; within a factor that
			// is counted.
			first := len(rows)
			rows, x = e.columns(k, level, value, rows, x)
			t.variance += 2 * e.cross(rows, x, first)
		}
	}
	t.variance = max(t.variance, 0)
}

// open is the variance that factor k leaves open while it is not known. A flare
// seen or not has told its part of what the depth would tell.
func (e *Evidence) open(k int, s *Signs) float64 {
	v := e.factors[k].missing
	if k == kFlareCm {
		if _, _, seen := e.look(kFlareSeen, s); seen {
			v = max(0, v-e.factors[kFlareSeen].missing)
		}
	}
	return v
}

// term tells piece k in full.
func (e *Evidence) term(k int, p *piece, out *Term) {
	what, f := &keys[k], &e.factors[k]
	out.Key, out.Unit = what.name, what.unit
	out.LogOdds, out.Spread = p.effect, math.Sqrt(p.vari)
	if p.is == missing {
		out.Missing, out.Words, out.Source = true, what.what, f.source
		return
	}
	r := &e.rows[f.rows[p.level]]
	out.Level, out.Source, out.Words = r.Level, r.Source, what.more
	if p.effect < 0 {
		out.Words = what.less
	}
	if what.kind == degree {
		out.Value = Reading{p.value, true}
	}
}

// columns appends the regression's columns of a factor known at a level or a
// value: what its rows' weights are multiplied by.
func (e *Evidence) columns(k, level int, value float64, rows []int, x []float64) ([]int, []float64) {
	f := &e.factors[k]
	switch keys[k].kind {
	case base:
		return append(rows, f.rows[0]), append(x, 1)
	case degree:
		r := &e.rows[f.rows[0]]
		return append(rows, f.rows[0]), append(x, min(max(value, r.Low), r.High)-r.Mean)
	case group:
		return append(rows, f.rows[level]), append(x, 1)
	}
	for l, i := range f.rows {
		at := -e.rows[i].Share
		if l == level {
			at++
		}
		rows, x = append(rows, i), append(x, at)
	}
	return rows, x
}

// cross is the sum of covariances of the columns from first on with those before.
func (e *Evidence) cross(rows []int, x []float64, first int) float64 {
	n, v := len(e.rows), 0.0
	for k := first; k < len(rows); k++ {
		line, sum := e.cov[rows[k]*n:rows[k]*n+n], 0.0
		for l, j := range rows[:first] {
			sum += x[l] * line[j]
		}
		v += x[k] * sum
	}
	return v
}

// look reads factor k off the signs: its level (place among the factor's rows)
// or its value.
func (e *Evidence) look(k int, s *Signs) (level int, value float64, known bool) {
	answer := func(a Answer) (int, float64, bool) { return e.level(k, int(a)) }
	reading := func(r Reading) (int, float64, bool) {
		return 0, r.Value, r.Known && !math.IsNaN(r.Value) && !math.IsInf(r.Value, 0)
	}
	switch k {
	case kPrior:
		return 0, 0, true
	case kFlareCm:
		return reading(s.FlareCm)
	case kFlareSeen:
		if s.FlareCm.Known {
			return 0, 0, false
		}
		return answer(s.FlareSeen)
	case kFlatSide:
		return answer(s.FlatSide)
	case kStock:
		return e.level(k, int(s.Stock))
	case kCorrected:
		return answer(s.Corrected)
	case kYears:
		return reading(s.YearsSincePlanting)
	case kMulchCm:
		return reading(s.MulchCm)
	case kMulchTouches:
		return answer(s.MulchTouches)
	case kSoilShare:
		return reading(s.SoilShare)
	case kReachM:
		return reading(s.ReachM)
	case kTexture:
		return e.level(k, int(s.Texture))
	case kGenus:
		if s.Genus == "" && s.Species == "" {
			return 0, 0, false
		}
		at := e.factors[k].at
		for _, name := range [...]string{s.Species, s.Genus, elsewhere} {
			if l, ok := at[name]; ok {
				return l, 0, true
			}
		}
	case kOddZ:
		return reading(s.OddZ)
	case kSupplier:
		return e.member(k, s.Supplier)
	case kSpecies:
		return e.member(k, s.Species)
	case kSeason:
		return e.member(k, s.Season)
	case kCrew:
		return e.member(k, s.Crew)
	}
	return 0, 0, false
}

// level finds the row of an enum's value; the enum's zero is unknown.
func (e *Evidence) level(k, enum int) (int, float64, bool) {
	if enum < 1 || enum > len(keys[k].levels) {
		return 0, 0, false
	}
	l, ok := e.factors[k].at[keys[k].levels[enum-1]]
	return l, 0, ok
}

// member finds the learned rate of a member of a group. Of one never dug at,
// nothing is known.
func (e *Evidence) member(k int, name string) (int, float64, bool) {
	if name == "" {
		return 0, 0, false
	}
	l, ok := e.factors[k].at[name]
	return l, 0, ok
}

// Gauss-Hermite nodes and weights for the mean over a standard normal.
var (
	nodes   [hermite]float64
	weights [hermite]float64
)

const hermite = 32

func init() {
	var x, w [hermite]float64
	quad.Hermite{}.FixedLocations(x[:], w[:], math.Inf(-1), math.Inf(1))
	for i := range x {
		nodes[i] = math.Sqrt2 * x[i]
		weights[i] = w[i] / math.Sqrt(math.Pi)
	}
}

// meanLogistic is the mean of logistic(m + sd Z), Z standard normal, by 32-point
// Gauss-Hermite quadrature.
func meanLogistic(m, sd float64) float64 {
	if sd == 0 {
		return logistic(m)
	}
	p := 0.0
	for i, z := range nodes {
		p += weights[i] * logistic(m+sd*z)
	}
	return p
}
