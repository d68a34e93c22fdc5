package collar

import (
	"cmp"
	"errors"
	"fmt"
	"hash/fnv"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Record is one root collar that was excavated and looked at.
type Record struct {
	ID    string
	Signs Signs
	// GirdledShare is the share of the stem's circumference that stem girdling
	// roots hold, 0 to 1.
	GirdledShare float64
}

// Girdled says whether the record is the event of this package.
func (r Record) Girdled() bool { return r.GirdledShare >= HeldShare }

// LearnOptions are the settings of Learn; the zero value is the default.
type LearnOptions struct {
	// Folds is the number of parts for the out-of-sample check: each is foretold
	// from the others. 0 is 5; below 0 leaves the check out.
	Folds int
}

// priorMembers is how many members the table's spread between the members of a
// group is worth when it is learned (assumption): with 10 suppliers dug at, the
// town's own spread counts half.
const priorMembers = 10

// Learn updates the weights of the evidence by excavations.
//
// Bayesian logistic regression: the prior is the table (normal, with its
// weights and spreads, and with how they move together if it was learned
// before), the likelihood that of Girdled, so that a sign missing from a record
// is integrated over as it is there. Rates of suppliers, species, planting
// seasons and crews are deviations from zero with a common spread: few records
// move them little (partial pooling). That spread is learned too, by EM, from
// the table's, which counts as ten members. The posterior is its normal
// approximation at the mode (Laplace).
//
// Trees that were dug up because they looked bad teach about trees that look
// so: the signs that led to a choice must be in the records.
func Learn(prior *Evidence, records []Record, opts LearnOptions) (*Evidence, *Report, error) {
	if len(records) == 0 {
		return nil, nil, errors.New("no excavation records to learn from")
	}
	for i := range records {
		if s := records[i].GirdledShare; !(s >= 0 && s <= 1) {
			return nil, nil, fmt.Errorf("excavation %d (tree %q): share of the circumference girdled is %g; it must be 0 to 1", i+1, records[i].ID, s)
		}
	}
	e, err := learn(prior, records)
	if err != nil {
		return nil, nil, err
	}
	report := newReport(e, records)
	if opts.Folds == 0 {
		opts.Folds = 5
	}
	if err := report.check(prior, records, opts.Folds); err != nil {
		return nil, nil, err
	}
	return e, report, nil
}

func learn(prior *Evidence, records []Record) (*Evidence, error) {
	e := prior.withMembers(records)
	n := len(e.rows)
	observations := make([]observation, len(records))
	for i := range records {
		observations[i] = e.observe(&records[i].Signs, records[i].Girdled())
	}

	mean := make([]float64, n)
	for i := range e.rows {
		mean[i] = e.rows[i].Weight
	}
	// A row of spread 0 is held fast; the rest is learned.
	var free []int
	for i := range e.rows {
		if e.rows[i].Spread > 0 && !(e.rows[i].Level == anyone && keys[keyOf(e.rows[i].Key)].kind == group) {
			free = append(free, i)
		}
	}
	if len(free) == 0 {
		return nil, errors.New("every spread in the evidence table is 0: nothing is left to learn")
	}
	fit := problem{mean: mean, free: free, observations: observations}

	// EM over the spread between the members of each group.
	tau2 := map[string]float64{}
	var members [len(keys)][]int // places of rows in free that started from the group's spread
	for k, what := range keys {
		if what.kind != group {
			continue
		}
		tau2[what.name] = e.factors[k].missing
		for at, i := range free {
			if e.rows[i].Key == what.name && prior.row(what.name, e.rows[i].Level) < 0 {
				members[k] = append(members[k], at)
			}
		}
	}
	start := maps.Clone(tau2)
	for range 6 {
		if err := fit.setPrior(e, members, tau2); err != nil {
			return nil, err
		}
		if err := fit.solve(); err != nil {
			return nil, err
		}
		moved := false
		for k, what := range keys {
			if len(members[k]) == 0 {
				continue
			}
			sum := priorMembers * start[what.name]
			for _, at := range members[k] {
				u := fit.theta[free[at]]
				sum += u*u + fit.cov.At(at, at)
			}
			next := sum / float64(priorMembers+len(members[k]))
			moved = moved || math.Abs(next-tau2[what.name]) > 0.01*tau2[what.name]
			tau2[what.name] = next
		}
		if !moved {
			break
		}
	}

	rows := slices.Clone(e.rows)
	cov := make([]float64, n*n)
	for a, i := range free {
		rows[i].Weight = fit.theta[i]
		rows[i].Spread = math.Sqrt(fit.cov.At(a, a))
		for b, j := range free {
			c := fit.cov.At(a, b)
			if a == b || c*c > 1e-4*fit.cov.At(a, a)*fit.cov.At(b, b) {
				cov[i*n+j] = c
			}
		}
		rows[i].Source = learnedFrom(rows[i].Source, len(records))
	}
	for i := range rows {
		if rows[i].Level == anyone && keys[keyOf(rows[i].Key)].kind == group {
			rows[i].Spread = math.Sqrt(tau2[rows[i].Key])
		}
	}
	learned := &Evidence{rows: rows, cov: cov}
	learned.prepare()
	return learned, nil
}

const learnedMark = "; learned from excavations: "

// learnedFrom adds to a source how many excavations moved the row, those of
// earlier batches included.
func learnedFrom(source string, n int) string {
	source, before, found := strings.Cut(source, learnedMark)
	if earlier, err := strconv.Atoi(before); found && err == nil {
		n += earlier
	}
	return fmt.Sprintf("%s%s%d", source, learnedMark, n)
}

func (e *Evidence) row(key, level string) int {
	return slices.IndexFunc(e.rows, func(r Row) bool { return r.Key == key && r.Level == level })
}

// withMembers adds a row for each supplier, species, season and crew that the
// records name and the table lacks, in the order of their names.
func (e *Evidence) withMembers(records []Record) *Evidence {
	rows := slices.Clone(e.rows)
	for k, what := range keys {
		if what.kind != group {
			continue
		}
		any := e.rows[e.row(what.name, anyone)]
		var names []string
		for i := range records {
			if name := memberName(k, &records[i].Signs); name != "" && name != anyone && e.row(what.name, name) < 0 {
				names = append(names, name)
			}
		}
		slices.Sort(names)
		for _, name := range slices.Compact(names) {
			rows = append(rows, Row{Key: what.name, Level: name, Spread: any.Spread, Source: any.Source})
		}
	}
	order := make([]int, len(rows))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return keyOf(rows[a].Key) - keyOf(rows[b].Key) })
	out := &Evidence{rows: make([]Row, len(rows))}
	for i, from := range order {
		out.rows[i] = rows[from]
	}
	if e.cov != nil {
		n, m := len(rows), len(e.rows)
		out.cov = make([]float64, n*n)
		for i, a := range order {
			for j, b := range order {
				switch {
				case a < m && b < m:
					out.cov[i*n+j] = e.cov[a*m+b]
				case a == b:
					out.cov[i*n+j] = rows[a].Spread * rows[a].Spread
				}
			}
		}
	}
	out.prepare()
	return out
}

func memberName(k int, s *Signs) string {
	switch k {
	case kSupplier:
		return s.Supplier
	case kSpecies:
		return s.Species
	case kSeason:
		return s.Season
	case kCrew:
		return s.Crew
	}
	return ""
}

// observation is one record as the regression sees it: the columns of what is
// known, the standard deviation of the log-odds for what is not, and what was
// found.
type observation struct {
	rows []int
	x    []float64
	sd   float64
	y    bool
}

func (e *Evidence) observe(s *Signs, found bool) observation {
	o := observation{y: found}
	for k := range keys {
		level, value, known := e.look(k, s)
		switch {
		case known:
			o.rows, o.x = e.columns(k, level, value, o.rows, o.x)
		case k != kFlareSeen:
			o.sd += e.open(k, s)
		}
	}
	o.sd = math.Sqrt(o.sd)
	return o
}

// problem is a logistic regression with a normal prior: minus the log posterior
// is (t-mean)' precision (t-mean)/2 - sum log p(y), p the mean of the logistic
// over what is missing. It is convex: the distribution of a logistic plus a
// normal variable is log-concave, and so is its distribution function.
type problem struct {
	mean         []float64 // prior, all rows
	free         []int     // rows that are learned; the others stay at their mean
	precision    *mat.SymDense
	observations []observation

	theta []float64     // mode, all rows
	cov   *mat.SymDense // of the free rows
}

// setPrior inverts the prior's covariance, members of groups at spread tau2.
func (p *problem) setPrior(e *Evidence, members [len(keys)][]int, tau2 map[string]float64) error {
	n, m := len(e.rows), len(p.free)
	p.precision = mat.NewSymDense(m, nil)
	if e.cov == nil {
		for a, i := range p.free {
			p.precision.SetSym(a, a, 1/(e.rows[i].Spread*e.rows[i].Spread))
		}
	} else {
		c := mat.NewSymDense(m, nil)
		for a, i := range p.free {
			for b := a; b < m; b++ {
				c.SetSym(a, b, e.cov[i*n+p.free[b]])
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(c) {
			return errors.New("the covariances (together) in the evidence table fit no set of weights: leave those rows out")
		}
		if err := chol.InverseTo(p.precision); err != nil {
			return fmt.Errorf("evidence table: %w", err)
		}
	}
	for k, what := range keys {
		for _, a := range members[k] { // new here, so nothing moves with them
			p.precision.SetSym(a, a, 1/tau2[what.name])
		}
	}
	return nil
}

// solve finds the mode by Newton's method with halved steps, and the inverse of
// the curvature there.
func (p *problem) solve() error {
	m := len(p.free)
	place := make([]int, len(p.mean)) // row -> place in free, -1 if held fast
	for i := range place {
		place[i] = -1
	}
	for a, i := range p.free {
		place[i] = a
	}
	if p.theta == nil {
		p.theta = slices.Clone(p.mean)
	}
	gradient := mat.NewVecDense(m, nil)
	step := mat.NewVecDense(m, nil)
	hessian := mat.NewSymDense(m, nil)
	dev := mat.NewVecDense(m, nil)

	value := func(theta []float64) float64 {
		for a, i := range p.free {
			dev.SetVec(a, theta[i]-p.mean[i])
		}
		v := mat.Inner(dev, p.precision, dev) / 2
		for i := range p.observations {
			l, _, _ := p.observations[i].logLikelihood(theta)
			v -= l
		}
		return v
	}

	now := value(p.theta)
	for iteration := 0; ; iteration++ {
		for a, i := range p.free {
			dev.SetVec(a, p.theta[i]-p.mean[i])
		}
		gradient.MulVec(p.precision, dev)
		hessian.CopySym(p.precision)
		slope, upper := gradient.RawVector().Data, hessian.RawSymmetric().Data
		for i := range p.observations {
			o := &p.observations[i]
			_, d1, d2 := o.logLikelihood(p.theta)
			for k, r := range o.rows {
				a := place[r]
				if a < 0 {
					continue
				}
				slope[a] -= d1 * o.x[k]
				scale := d2 * o.x[k]
				for l, q := range o.rows[:k+1] {
					if b := place[q]; b >= a {
						upper[a*m+b] -= scale * o.x[l]
					} else if b >= 0 {
						upper[b*m+a] -= scale * o.x[l]
					}
				}
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(hessian) {
			return errors.New("learning: the evidence and the excavations leave the weights undetermined; give the table larger spreads than 0 and smaller than infinity")
		}
		if err := chol.SolveVecTo(step, gradient); err != nil {
			return fmt.Errorf("learning: %w", err)
		}
		decrement := mat.Dot(gradient, step)
		if decrement < 1e-18 || iteration == 100 {
			if decrement > 1e-6 {
				return errors.New("learning: no mode was found in 100 steps; look for extreme values in the excavations or the evidence table")
			}
			p.cov = mat.NewSymDense(m, nil)
			return chol.InverseTo(p.cov)
		}
		next := slices.Clone(p.theta)
		for t := 1.0; ; t /= 2 {
			for a, i := range p.free {
				next[i] = p.theta[i] - t*step.AtVec(a)
			}
			if v := value(next); v <= now-1e-4*t*decrement || t < 1e-6 || decrement < 1e-12 {
				now = v
				break
			}
		}
		p.theta = next
	}
}

// logLikelihood is log p(y) and its first and second derivative by the log-odds.
func (o *observation) logLikelihood(theta []float64) (l, d1, d2 float64) {
	eta := 0.0
	for k, r := range o.rows {
		eta += o.x[k] * theta[r]
	}
	sign := 1.0
	if !o.y {
		sign = -1
	}
	// p(no) at eta is p(yes) at -eta.
	p, p1, p2 := 0.0, 0.0, 0.0
	if o.sd == 0 {
		p = logistic(sign * eta)
		p1 = p * (1 - p)
		p2 = p1 * (1 - 2*p)
	} else {
		for i, z := range nodes {
			q := logistic(sign*eta + o.sd*z)
			d := weights[i] * q * (1 - q)
			p += weights[i] * q
			p1 += d
			p2 += d * (1 - 2*q)
		}
	}
	p = max(p, math.SmallestNonzeroFloat64)
	return math.Log(p), sign * p1 / p, min(p2/p-(p1/p)*(p1/p), 0)
}

// Report says what was learned and how far it can be relied on.
type Report struct {
	Records int
	Girdled int // of the records

	// Out of sample: each record foretold from the other folds. Brier scores are
	// mean squared errors: 0 is perfect, lower is better. Brier is that of the
	// learned evidence, BrierBefore that of the evidence as it was, BrierRate
	// that of the other folds' share of girdled trees, told for every tree.
	Folds                         int // 0: too few records, or left out
	Brier, BrierBefore, BrierRate Reading
	Bins                          []Bin

	Stocks, Suppliers, Species, Seasons, Crews []Rate
	// Lots are suppliers and stock together, as far as both were known of a
	// record, the likeliest to be girdled first.
	Lots []Rate
}

// Bin is one line of the reliability table: of N trees foretold between From and
// To, the mean foretold and the share found, with the 80 % Jeffreys interval of
// that share.
type Bin struct {
	From, To        float64
	N, Girdled      int
	Foretold, Found float64
	FoundLo         float64
	FoundHi         float64
}

// Rate is what excavations say of one stock, supplier, species, season or crew:
// the counts as dug, and the probability for a tree of it that is average in
// everything else, with its 80 % interval. P is shrunk towards the others as
// far as N is small; the counts are not freed of what else the trees differ in.
type Rate struct {
	Name       string
	N, Girdled int
	P, Lo, Hi  float64
	// Worse is the probability that its odds are above those of the average tree.
	Worse float64
}

func newReport(e *Evidence, records []Record) *Report {
	r := &Report{Records: len(records)}
	for i := range records {
		if records[i].Girdled() {
			r.Girdled++
		}
	}
	r.Stocks = e.rates(kStock, records)
	r.Suppliers = e.rates(kSupplier, records)
	r.Species = e.rates(kSpecies, records)
	r.Seasons = e.rates(kSeason, records)
	r.Crews = e.rates(kCrew, records)
	r.Lots = e.lots(records)
	return r
}

// rate is the rate of a tree that is average in all but what the columns say,
// whose effects on the log-odds add up to effect.
func (e *Evidence) rate(name string, effect float64, rows []int, x []float64) Rate {
	prior := e.factors[kPrior].rows[0]
	t := &tally{
		mean:     e.rows[prior].Weight + effect,
		variance: e.quadratic(append([]int{prior}, rows...), append([]float64{1}, x...)),
	}
	p := t.posterior()
	r := Rate{Name: name, P: p.P, Lo: p.Lo, Hi: p.Hi, Worse: 0.5}
	if v := e.quadratic(rows, x); v > 0 {
		r.Worse = distuv.UnitNormal.CDF(effect / math.Sqrt(v))
	}
	return r
}

// lots tells the rate of every supplier and stock of which both are known.
func (e *Evidence) lots(records []Record) []Rate {
	stock, supplier := &e.factors[kStock], &e.factors[kSupplier]
	at := map[[2]int]int{}
	var out []Rate
	for i := range records {
		s, _, ok := e.look(kStock, &records[i].Signs)
		n, _, too := e.look(kSupplier, &records[i].Signs)
		if !ok || !too {
			continue
		}
		k, seen := at[[2]int{n, s}]
		if !seen {
			rows, x := e.columns(kStock, s, 0, nil, nil)
			rows, x = e.columns(kSupplier, n, 0, rows, x)
			supplied, grown := &e.rows[supplier.rows[n]], &e.rows[stock.rows[s]]
			k = len(out)
			at[[2]int{n, s}] = k
			out = append(out, e.rate(supplied.Level+", "+grown.Level, stock.effect[s]+supplied.Weight, rows, x))
		}
		out[k].N++
		if records[i].Girdled() {
			out[k].Girdled++
		}
	}
	slices.SortFunc(out, func(a, b Rate) int {
		if a.P != b.P {
			return cmp.Compare(b.P, a.P)
		}
		return strings.Compare(a.Name, b.Name)
	})
	return out
}

// rates tells the rate of every level of a factor, in the table's order.
func (e *Evidence) rates(k int, records []Record) []Rate {
	f := &e.factors[k]
	out := make([]Rate, len(f.rows))
	for l, i := range f.rows {
		rows, x := e.columns(k, l, 0, nil, nil)
		effect := e.rows[i].Weight
		if keys[k].kind == levels {
			effect = f.effect[l]
		}
		out[l] = e.rate(e.rows[i].Level, effect, rows, x)
	}
	for i := range records {
		if l, _, ok := e.look(k, &records[i].Signs); ok {
			out[l].N++
			if records[i].Girdled() {
				out[l].Girdled++
			}
		}
	}
	return out
}

// check foretells each fold from the others.
func (r *Report) check(prior *Evidence, records []Record, folds int) error {
	if folds < 2 || len(records) < 4*folds {
		return nil
	}
	fold := foldOf(records, folds)
	var brier, before, rate float64
	foretold := make([]float64, len(records))
	for f := range folds {
		var rest []Record
		girdled := 0
		for i := range records {
			if fold[i] != f {
				rest = append(rest, records[i])
				if records[i].Girdled() {
					girdled++
				}
			}
		}
		e, err := learn(prior, rest)
		if err != nil {
			return err
		}
		share := (float64(girdled) + 0.5) / (float64(len(rest)) + 1)
		for i := range records {
			if fold[i] != f {
				continue
			}
			y := 0.0
			if records[i].Girdled() {
				y = 1
			}
			p, _, _ := e.Chance(records[i].Signs)
			q, _, _ := prior.Chance(records[i].Signs)
			foretold[i] = p
			brier += (p - y) * (p - y)
			before += (q - y) * (q - y)
			rate += (share - y) * (share - y)
		}
	}
	n := float64(len(records))
	r.Folds = folds
	r.Brier, r.BrierBefore, r.BrierRate = Read(brier/n), Read(before/n), Read(rate/n)
	r.Bins = bins(foretold, records)
	return nil
}

// foldOf spreads the records over folds by a hash of their ids, so that neither
// their order nor a trend in it shows.
func foldOf(records []Record, folds int) []int {
	type key struct {
		hash uint64
		at   int
	}
	order := make([]key, len(records))
	for i := range records {
		h := fnv.New64a()
		h.Write([]byte(records[i].ID))
		if records[i].ID == "" {
			fmt.Fprint(h, i)
		}
		order[i] = key{h.Sum64(), i}
	}
	slices.SortStableFunc(order, func(a, b key) int {
		switch {
		case a.hash < b.hash:
			return -1
		case a.hash > b.hash:
			return 1
		}
		return strings.Compare(records[a.at].ID, records[b.at].ID)
	})
	fold := make([]int, len(records))
	for place, k := range order {
		fold[k.at] = place % folds
	}
	return fold
}

func bins(foretold []float64, records []Record) []Bin {
	const tenths = 10
	var all [tenths]Bin
	for i, p := range foretold {
		b := &all[min(int(p*tenths), tenths-1)]
		b.N++
		b.Foretold += p
		if records[i].Girdled() {
			b.Girdled++
		}
	}
	var out []Bin
	for i := range all {
		b := all[i]
		if b.N == 0 {
			continue
		}
		n, k := float64(b.N), float64(b.Girdled)
		b.From, b.To = float64(i)/tenths, float64(i+1)/tenths
		b.Foretold /= n
		b.Found = k / n
		jeffreys := distuv.Beta{Alpha: k + 0.5, Beta: n - k + 0.5}
		b.FoundLo, b.FoundHi = jeffreys.Quantile(0.1), jeffreys.Quantile(0.9)
		out = append(out, b)
	}
	return out
}
