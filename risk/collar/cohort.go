package collar

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"sync"
	"sync/atomic"

	"gonum.org/v1/gonum/stat/distuv"
)

// Member is a tree as its cohorts see it.
type Member struct {
	Species  string // Latin
	Genus    string
	Supplier string

	PlantedYear Reading
	X, Y        float64 // place, m

	Condition Reading // 0 (dead) to 1 (as good as can be)
	DBHCm     Reading
	CrownM    Reading // crown spread, diameter

	Dead, Removed bool
}

// CohortOptions are the settings of NewCohorts; a zero field is its default.
type CohortOptions struct {
	NeighbourhoodM float64 // radius; 300
	YearsApart     float64 // planted at most so many years apart; 2
	// FalseDiscovery is the share of flagged trees, and of cohorts told as a
	// whole, that may be flagged by chance; 0.1.
	FalseDiscovery float64
	// Year is the year of the inventory; the last planting year + 1.
	Year float64
	// Workers is how many goroutines compare; 1. It changes no result.
	Workers int
}

// Cohorts tells which trees do worse than those of their kind that were planted
// about the same time in the same area, and which cohorts do badly as a whole.
// It is read-only once made.
//
// Three measures are compared: condition, stem diameter for age, crown for stem
// diameter. Each is set against the tree's cohort, with the median for centre
// and 1.4826 times the median absolute deviation for scale (Iglewicz & Hoaglin
// 1993). Cohorts nest: genus, species, species and planting years, one
// planting (species, supplier and year), species and planting years within the
// neighbourhood. A small one is shrunk towards the one it lies in, which counts as
// eight trees.
//
// A tree that lags may have many causes. No cohort shows a girdling root; only
// excavation does.
type Cohorts struct {
	z       []float64 // NaN is not known
	flagged []bool
	whole   []string
}

const (
	// shrink is how many trees the wider cohort counts as (assumption).
	shrink = 8

	// least is how many other trees a tree must have to be compared with at all.
	least = 4

	// DBH goes as age to this power, crown spread as DBH to that: London plane,
	// McPherson et al. 2016 (DBH 14.6, 54.7 cm and crown 5.8, 14.5 m at 10 and 60
	// years): ln(54.7/14.6)/ln 6 and ln(14.5/5.8)/ln(54.7/14.6). They only matter
	// for how trees of unlike age or size compare within one cohort.
	ageExponent   = 0.737
	crownExponent = 0.694

	// crowd bounds the neighbours looked at in one direction of the grid; a crowd
	// is thinned evenly.
	crowd = 128
)

// floors are the smallest standard deviations believed in, in the measures'
// units (assumption: half a step of a five-step condition scale is 0.1; a
// diameter tape and a paced crown are good to some 5 and 10 %).
var floors = [measures]float64{0.05, 0.05, 0.1}

const measures = 3

// standing is a cohort's centre and variance of each measure.
type standing struct {
	n            [measures]float64
	center, vari [measures]float64
}

// NewCohorts compares the members with one another. The result does not depend on
// their order. Dead and removed trees are not compared themselves; dead ones
// count among their siblings with condition 0, and both count in Whole.
func NewCohorts(members []Member, opts CohortOptions) *Cohorts {
	if !(opts.NeighbourhoodM > 0) {
		opts.NeighbourhoodM = 300
	}
	if !(opts.YearsApart > 0) {
		opts.YearsApart = 2
	}
	if !(opts.FalseDiscovery > 0) {
		opts.FalseDiscovery = 0.1
	}
	if opts.Year == 0 {
		for i := range members {
			if y := members[i].PlantedYear; y.Known && y.Value+1 > opts.Year {
				opts.Year = y.Value + 1
			}
		}
	}
	opts.Workers = max(opts.Workers, 1)
	b := &cohortBuilder{members: members, opts: opts}
	b.measure()
	b.names()
	b.compare()
	c := &Cohorts{z: b.z, whole: make([]string, len(members))}
	c.flagged = b.flag()
	b.wholes(c.whole)
	return c
}

// Odd is how much worse member i does than its cohort: a robust z over the
// measures that are known, positive for worse, in units of
// its spread over the layer. It is not known for a tree that is
// dead, removed, without measures, or one of too few of its kind.
func (c *Cohorts) Odd(i int) (z float64, known bool) {
	if i < 0 || i >= len(c.z) || math.IsNaN(c.z[i]) {
		return 0, false
	}
	return c.z[i], true
}

// Flagged says whether member i is odd beyond chance: of those flagged, no more
// than the stated share are expected to be so by chance (Benjamini & Hochberg
// 1995).
func (c *Cohorts) Flagged(i int) bool { return i >= 0 && i < len(c.flagged) && c.flagged[i] }

// Whole tells in words where the cohort of member i does badly as a whole: a
// planting, which points to the stock or the planting, or all kinds of trees in a
// neighbourhood, which points to the soil.
func (c *Cohorts) Whole(i int) (string, bool) {
	if i < 0 || i >= len(c.whole) || c.whole[i] == "" {
		return "", false
	}
	return c.whole[i], true
}

type cohortBuilder struct {
	members []Member
	opts    CohortOptions

	value [][measures]float64 // NaN is not known; higher is worse
	year  []float64           // planted; +Inf is not known, and sorts last
	// Ranks of names in their order, for quick sorting and comparing.
	genus, species, supplier []int32
	z                        []float64 // against the finest cohort
	broad                    []float64 // against species and planting years anywhere
	df                       []float64 // degrees of freedom of z
}

// each does k = 0 to n-1, in no order, on the workers.
func (b *cohortBuilder) each(n int, do func(k int)) {
	var next atomic.Int64
	var workers sync.WaitGroup
	for range min(b.opts.Workers, n) {
		workers.Go(func() {
			for k := int(next.Add(1)) - 1; k < n; k = int(next.Add(1)) - 1 {
				do(k)
			}
		})
	}
	workers.Wait()
}

// partOf is how many trees a worker takes at a time.
const partOf = 4096

// inParts goes through n trees part by part.
func (b *cohortBuilder) inParts(n int, do func(from, to int)) {
	b.each((n+partOf-1)/partOf, func(k int) { do(k*partOf, min((k+1)*partOf, n)) })
}

func finite(r Reading) bool { return r.Known && !math.IsNaN(r.Value) && !math.IsInf(r.Value, 0) }

// measure turns each member into its three measures.
func (b *cohortBuilder) measure() {
	b.value = make([][measures]float64, len(b.members))
	for i := range b.members {
		m := &b.members[i]
		v := [measures]float64{math.NaN(), math.NaN(), math.NaN()}
		switch {
		case m.Dead:
			v[0] = 0
		case m.Removed:
		default:
			if finite(m.Condition) {
				v[0] = -m.Condition.Value
			}
			if finite(m.DBHCm) && m.DBHCm.Value > 0 {
				if age := b.opts.Year - m.PlantedYear.Value; finite(m.PlantedYear) && age > 0 {
					v[1] = ageExponent*math.Log(age) - math.Log(m.DBHCm.Value)
				}
				if finite(m.CrownM) && m.CrownM.Value > 0 {
					v[2] = crownExponent*math.Log(m.DBHCm.Value) - math.Log(m.CrownM.Value)
				}
			}
		}
		b.value[i] = v
	}
}

// compare walks down the nested cohorts and leaves each member's z.
func (b *cohortBuilder) compare() {
	n := len(b.members)
	b.z, b.broad, b.df = make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range b.z {
		b.z[i], b.broad[i] = math.NaN(), math.NaN()
	}
	order := make([]int, 0, n)
	for i := range b.members {
		if b.members[i].Species != "" || b.members[i].Genus != "" {
			order = append(order, i)
		}
	}
	// One total order by value: what follows cannot depend on the input's.
	slices.SortFunc(order, func(i, j int) int {
		if c := cmp.Compare(b.genus[i], b.genus[j]); c != 0 {
			return c
		}
		if c := b.byPlanting(i, j); c != 0 {
			return c
		}
		p, q := &b.members[i], &b.members[j]
		return cmp.Or(cmp.Compare(p.X, q.X), cmp.Compare(p.Y, q.Y),
			cmp.Compare(b.value[i][0], b.value[j][0]), cmp.Compare(b.value[i][1], b.value[j][1]), cmp.Compare(b.value[i][2], b.value[j][2]))
	})

	var none standing
	type kind struct { // a species in its genus
		trees []int
		genus standing
	}
	var kinds []kind
	for genus := range runs(order, func(i, j int) bool { return b.genus[i] == b.genus[j] }) {
		g := none
		if b.members[genus[0]].Genus != "" {
			g = b.within(genus, none)
		}
		for species := range runs(genus, func(i, j int) bool { return b.species[i] == b.species[j] }) {
			kinds = append(kinds, kind{species, g})
		}
	}
	// The longest first, so that no worker is left with one at the end.
	slices.SortStableFunc(kinds, func(a, b kind) int { return cmp.Compare(len(b.trees), len(a.trees)) })
	b.each(len(kinds), func(k int) { b.compareSpecies(kinds[k].trees, kinds[k].genus) })
	b.rescale()
}

// byPlanting orders by species, planting year and supplier.
func (b *cohortBuilder) byPlanting(i, j int) int {
	if c := cmp.Compare(b.species[i], b.species[j]); c != 0 {
		return c
	}
	if c := cmp.Compare(b.year[i], b.year[j]); c != 0 {
		return c
	}
	return cmp.Compare(b.supplier[i], b.supplier[j])
}

// names ranks the members' names.
func (b *cohortBuilder) names() {
	rank := func(name func(*Member) string) []int32 {
		at := map[string]int32{}
		for i := range b.members {
			at[name(&b.members[i])] = 0
		}
		for r, s := range slices.Sorted(maps.Keys(at)) {
			at[s] = int32(r)
		}
		ranks := make([]int32, len(b.members))
		for i := range b.members {
			ranks[i] = at[name(&b.members[i])]
		}
		return ranks
	}
	b.genus = rank(func(m *Member) string { return m.Genus })
	b.species = rank(func(m *Member) string { return m.Species })
	b.supplier = rank(func(m *Member) string { return m.Supplier })
	b.year = make([]float64, len(b.members))
	for i := range b.members {
		b.year[i] = math.Inf(1)
		if y := b.members[i].PlantedYear; finite(y) {
			b.year[i] = y.Value
		}
	}
}

// runs cuts a sorted list where its items stop being the same.
func runs(list []int, same func(i, j int) bool) func(yield func([]int) bool) {
	return func(yield func([]int) bool) {
		for from := 0; from < len(list); {
			to := from + 1
			for to < len(list) && same(list[from], list[to]) {
				to++
			}
			if !yield(list[from:to]) {
				return
			}
			from = to
		}
	}
}

// compareSpecies compares the trees of one species, sorted by planting year.
func (b *cohortBuilder) compareSpecies(list []int, genus standing) {
	all := genus
	if b.members[list[0]].Species != "" {
		all = b.within(list, genus)
	}
	grid := newGrid(b.members, b.year, list, b.opts.NeighbourhoodM)
	near := make([]int, 0, 256)
	for year := range runs(list, func(i, j int) bool { return b.year[i] == b.year[j] }) {
		y := b.year[year[0]]
		known := !math.IsInf(y, 1)
		years := all
		if known && b.members[year[0]].Species != "" {
			from, to := b.span(list, y)
			years = b.within(list[from:to], all)
		}
		for planting := range runs(year, func(i, j int) bool { return b.supplier[i] == b.supplier[j] }) {
			record := years
			if known && b.members[planting[0]].Supplier != "" && b.members[planting[0]].Species != "" {
				record = b.within(planting, years)
			}
			for _, i := range planting {
				m := &b.members[i]
				if m.Dead || m.Removed {
					continue
				}
				local := record
				if known {
					near = grid.near(near[:0], m.X, m.Y, y-b.opts.YearsApart, y+b.opts.YearsApart)
					local = b.within(near, record)
				}
				b.z[i], b.df[i] = b.against(i, &local)
				b.broad[i], _ = b.against(i, &years)
			}
		}
	}
}

// span is the part of a list sorted by year within the years apart of y.
func (b *cohortBuilder) span(list []int, y float64) (from, to int) {
	from, _ = slices.BinarySearchFunc(list, y-b.opts.YearsApart, func(i int, y float64) int { return cmp.Compare(b.year[i], y) })
	to, _ = slices.BinarySearchFunc(list, math.Nextafter(y+b.opts.YearsApart, math.Inf(1)), func(i int, y float64) int { return cmp.Compare(b.year[i], y) })
	return from, to
}

// within is the standing of a cohort, shrunk towards the one it lies in.
func (b *cohortBuilder) within(list []int, wider standing) standing {
	var s standing
	var buf [512]float64
	values := buf[:0]
	for m := range measures {
		values = values[:0]
		for _, i := range list {
			if v := b.value[i][m]; !math.IsNaN(v) {
				values = append(values, v)
			}
		}
		n := float64(len(values))
		s.n[m] = n + min(shrink, wider.n[m])
		if s.n[m] == 0 {
			continue
		}
		if n == 0 {
			s.center[m], s.vari[m] = wider.center[m], wider.vari[m]
			continue
		}
		center, sd := robust(values)
		k := min(shrink, wider.n[m])
		s.center[m] = (n*center + k*wider.center[m]) / (n + k)
		s.vari[m] = (n*sd*sd + k*wider.vari[m]) / (n + k)
	}
	return s
}

// against is member i's z in a cohort: the mean of the measures' z over the
// standard deviation of that mean, measures taken to go together with r = 0.3
// (assumption; rescale puts right what it misses over the layer).
func (b *cohortBuilder) against(i int, s *standing) (z, df float64) {
	sum, n := 0.0, 0.0
	for m := range measures {
		v := b.value[i][m]
		if math.IsNaN(v) || s.n[m] < least+1 {
			continue
		}
		sd := max(math.Sqrt(s.vari[m]), floors[m])
		// A wild measure is wild once: it is held at 6 standard deviations.
		sum += min(max((v-s.center[m])/sd, -6), 6)
		df += s.n[m] - 1
		n++
	}
	if n == 0 {
		return math.NaN(), 0
	}
	const r = 0.3
	return sum / math.Sqrt(n+n*(n-1)*r), df / n
}

// rescale gives z the spread it has over the layer (an empirical null, Efron
// 2004), apart for trees with one, two and three measures: how measures go
// together, and how rough they are, differs between inventories. Few trees can
// widen it, not narrow it.
func (b *cohortBuilder) rescale() {
	var known [measures + 1][]int
	for i, v := range b.value {
		n := 0
		for m := range measures {
			if !math.IsNaN(v[m]) {
				n++
			}
		}
		if !math.IsNaN(b.z[i]) {
			known[n] = append(known[n], i)
		}
	}
	var values []float64
	for _, z := range [][]float64{b.z, b.broad} {
		for _, list := range known {
			values = values[:0]
			for _, i := range list {
				if !math.IsNaN(z[i]) {
					values = append(values, z[i])
				}
			}
			if len(values) < 50 {
				continue
			}
			_, sd := robust(values)
			if len(values) < 500 {
				sd = max(sd, 1)
			}
			sd = max(sd, 0.5)
			for _, i := range list {
				z[i] /= sd
			}
		}
	}
}

// flag finds the odd ones of the layer: one-sided p by Student's t.
func (b *cohortBuilder) flag() []bool {
	var at []int
	for i, z := range b.z {
		if !math.IsNaN(z) {
			at = append(at, i)
		}
	}
	p := make([]float64, len(at))
	b.inParts(len(at), func(from, to int) {
		for k, i := range at[from:to] {
			p[from+k] = distuv.StudentsT{Mu: 0, Sigma: 1, Nu: max(b.df[i], 2)}.Survival(b.z[i])
		}
	})
	flagged := make([]bool, len(b.z))
	for k, odd := range discoveries(p, b.opts.FalseDiscovery) {
		flagged[at[k]] = odd
	}
	return flagged
}

// discoveries says which of the p-values are rejected at false discovery rate
// q: the k smallest, k the largest with p(k) <= k q / m (Benjamini & Hochberg
// 1995).
func discoveries(p []float64, q float64) []bool {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(i, j int) int { return cmp.Compare(p[i], p[j]) })
	limit := math.Inf(-1)
	for k, i := range order {
		if p[i] <= q*float64(k+1)/float64(len(p)) {
			limit = p[i]
		}
	}
	found := make([]bool, len(p))
	for i := range p {
		found[i] = p[i] <= limit
	}
	return found
}

// consistent makes the median absolute deviation of a normal its standard
// deviation: 1/0.6745 (Iglewicz & Hoaglin 1993); meanConsistent does so for the
// mean absolute deviation, sqrt(pi/2), for when more than half of the values
// agree and the median deviation is 0.
const (
	consistent     = 1.482602218505602
	meanConsistent = 1.2533141373155003
)

// robust is the median and the robust standard deviation. It reorders values.
func robust(values []float64) (center, sd float64) {
	center = median(values)
	mean := 0.0
	for i, v := range values {
		values[i] = math.Abs(v - center)
		mean += values[i]
	}
	if sd = consistent * median(values); sd == 0 {
		sd = meanConsistent * mean / float64(len(values))
	}
	return center, sd
}

// median sorts values in part (quickselect).
func median(values []float64) float64 {
	n := len(values)
	if n == 0 {
		return math.NaN()
	}
	high := selectNth(values, n/2)
	if n%2 == 1 {
		return high
	}
	return (slices.Max(values[:n/2]) + high) / 2
}

// selectNth puts the k-th smallest at k, none greater before it, and returns it.
func selectNth(v []float64, k int) float64 {
	lo, hi := 0, len(v)-1
	for hi-lo > 16 {
		mid := lo + (hi-lo)/2
		pivot := max(min(v[lo], v[hi]), min(max(v[lo], v[hi]), v[mid]))
		i, j := lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	slices.Sort(v[lo : hi+1])
	return v[k]
}

// wholes finds the plantings and the neighbourhoods that do badly as a whole,
// and tells each of their trees.
func (b *cohortBuilder) wholes(out []string) {
	b.plantings(out)
	b.places(out)
}

// lost says whether a sibling is gone: dead, or removed.
func (m *Member) lost() bool { return m.Dead || m.Removed }

// count is a cohort as a whole: how many stand, with the sum of their z, how many
// and how weak, how many are lost, and the share lost that was to be expected.
type count struct {
	standing, weak, lost int
	sum                  float64
	share                float64
}

func (c *count) add(m *Member, z float64) {
	switch {
	case m.lost():
		c.lost++
	case !math.IsNaN(z):
		c.standing++
		c.sum += z
		if z > 1 {
			c.weak++
		}
	}
}

// badly gives each cohort the p-value that it does as well as others: that of
// the mean z of its standing trees and that of the number lost, put together by
// Fisher's method. Cohorts differ anyway, as sites do, and by how much is taken
// from the cohorts: a mean of n trees has variance 1/n + tau2, a number lost is
// beta-binomial with correlation rho.
func badly(all []count) []float64 {
	var t, size []float64
	squares, pairs, n := 0.0, 0.0, 0.0
	for i := range all {
		c := &all[i]
		if c.standing > 0 {
			t = append(t, c.sum/math.Sqrt(float64(c.standing)))
			size = append(size, float64(c.standing))
		}
		if trees := float64(c.standing + c.lost); trees > 1 {
			e := float64(c.lost) - trees*c.share
			squares += min(e*e/(trees*c.share*(1-c.share)), 9)
			pairs += trees - 1
			n++
		}
	}
	const leastTau2, leastRho = 0.02, 0.01 // nowhere are all sites alike (assumption)
	tau2, rho := leastTau2, leastRho
	if len(t) >= 10 {
		_, sd := robust(t)
		tau2 = max((sd*sd-1)/median(size), leastTau2)
	}
	if n >= 10 {
		rho = min(max((squares-n)/pairs, leastRho), 0.5)
	}
	p := make([]float64, len(all))
	for i := range all {
		c := &all[i]
		mean := 1.0
		if c.standing > 0 {
			n := float64(c.standing)
			mean = distuv.UnitNormal.Survival(c.sum / n / math.Sqrt(1/n+tau2))
		}
		weight := 1/rho - 1
		x := mean * betaBinomialTail(c.lost, c.standing+c.lost, weight*c.share, weight*(1-c.share))
		if x > 0 {
			p[i] = x * (1 - math.Log(x)) // chi-squared with 4 degrees of freedom at -2 ln x
		}
	}
	return p
}

// betaBinomialTail is P(K >= k) for n draws at a rate Beta(a, b).
func betaBinomialTail(k, n int, a, b float64) float64 {
	if k == 0 {
		return 1
	}
	if a <= 0 {
		return 0
	}
	lg := func(x float64) float64 { v, _ := math.Lgamma(x); return v }
	x, y, m := float64(k), float64(n-k), float64(n)
	term := math.Exp(lg(m+1) - lg(x+1) - lg(y+1) + lg(x+a) + lg(y+b) - lg(m+a+b) - lg(a) - lg(b) + lg(a+b))
	tail := term
	for ; y >= 1; x, y = x+1, y-1 { // P(x+1) from P(x)
		term *= y / (x + 1) * (x + a) / (y - 1 + b)
		tail += term
	}
	return min(tail, 1)
}

// smallest planting or neighbourhood that is told as a whole.
const wholeLeast = 6

// plantings tells those of one species, supplier and year that do worse than the
// species' plantings of about that time.
func (b *cohortBuilder) plantings(out []string) {
	var plantings [][]int
	var counts []count
	order := make([]int, 0, len(b.members))
	for i := range b.members {
		m := &b.members[i]
		if m.Species != "" && finite(m.PlantedYear) {
			order = append(order, i)
		}
	}
	slices.SortFunc(order, func(i, j int) int {
		return cmp.Or(b.byPlanting(i, j), cmp.Compare(b.broad[i], b.broad[j]))
	})
	for species := range runs(order, func(i, j int) bool { return b.species[i] == b.species[j] }) {
		lost := make([]int, len(species)+1) // sums, for spans of years
		for k, i := range species {
			lost[k+1] = lost[k]
			if b.members[i].lost() {
				lost[k+1]++
			}
		}
		for year := range runs(species, func(i, j int) bool { return b.year[i] == b.year[j] }) {
			from, to := b.span(species, b.year[year[0]])
			for trees := range runs(year, func(i, j int) bool { return b.supplier[i] == b.supplier[j] }) {
				if len(trees) < wholeLeast || b.members[trees[0]].Supplier == "" || to-from-len(trees) < wholeLeast {
					continue
				}
				var c count
				for _, i := range trees {
					c.add(&b.members[i], b.broad[i])
				}
				// Half a tree more, so that a share of 0 is not certain.
				elsewhere := float64(lost[to] - lost[from] - c.lost)
				c.share = (elsewhere + 0.5) / (float64(to-from-len(trees)) + 1)
				plantings, counts = append(plantings, trees), append(counts, c)
			}
		}
	}
	for k, bad := range discoveries(badly(counts), b.opts.FalseDiscovery) {
		if !bad {
			continue
		}
		c, trees := &counts[k], plantings[k]
		m := &b.members[trees[0]]
		words := fmt.Sprintf("the whole planting does badly (%s, %s, %.0f: of %d trees %d dead or removed, %d well behind the species elsewhere): look at the stock and how it was planted",
			m.Species, m.Supplier, m.PlantedYear.Value, len(trees), c.lost, c.weak)
		for _, i := range trees {
			out[i] = words
		}
	}
}

// places tells the trees in whose neighbourhood other species, too, do worse
// than their kind elsewhere.
func (b *cohortBuilder) places(out []string) {
	list := make([]int, 0, len(b.members))
	for i := range b.members {
		if b.members[i].lost() || !math.IsNaN(b.broad[i]) {
			list = append(list, i)
		}
	}
	lost := 0
	for _, i := range list {
		if b.members[i].lost() {
			lost++
		}
	}
	share := (float64(lost) + 0.5) / (float64(len(list)) + 1)
	radius := b.opts.NeighbourhoodM / 3 // soil changes sooner than a planting area
	slices.SortFunc(list, func(i, j int) int {
		p, q := &b.members[i], &b.members[j]
		if c := cmp.Compare(p.X, q.X); c != 0 {
			return c
		}
		return cmp.Or(cmp.Compare(p.Y, q.Y), b.byPlanting(i, j), cmp.Compare(b.broad[i], b.broad[j]))
	})
	grid := newGrid(b.members, b.year, list, radius)
	all := make([]count, len(list)) // of each tree's place; none where too few stand
	b.inParts(len(list), func(from, to int) {
		near := make([]int, 0, 256)
		for k, i := range list[from:to] {
			m := &b.members[i]
			near = grid.near(near[:0], m.X, m.Y, math.Inf(-1), math.Inf(1))
			c := count{share: share}
			kinds := false
			for _, j := range near {
				o := &b.members[j]
				// Its own planting says nothing about the soil.
				if j == i || b.species[j] != b.species[i] || b.year[j] != b.year[i] {
					c.add(o, b.broad[j])
					kinds = kinds || b.species[j] != b.species[i]
				}
			}
			if kinds && c.standing+c.lost >= wholeLeast {
				all[from+k] = c
			}
		}
	})
	at, counts := list[:0], all[:0]
	for k, c := range all {
		if c.standing+c.lost > 0 {
			at, counts = append(at, list[k]), append(counts, c)
		}
	}
	for k, bad := range discoveries(badly(counts), b.opts.FalseDiscovery) {
		if !bad {
			continue
		}
		c, i := &counts[k], at[k]
		words := fmt.Sprintf("trees of several kinds do badly here (within %.0f m, of %d trees %d dead or removed, %d well behind their kind elsewhere): look at the soil",
			radius, c.standing+c.lost, c.lost, c.weak)
		if out[i] != "" {
			words = out[i] + "; " + words
		}
		out[i] = words
	}
}

// grid finds trees near a place and a year.
type grid struct {
	cell  float64
	cells map[[2]int32][]spot // each in the list's order
}

// spot is a tree where it stands, together in memory with those next to it.
type spot struct {
	x, y, year float64
	i          int
}

// newGrid takes a list sorted by year, or any list if near is asked for all
// years.
func newGrid(members []Member, year []float64, list []int, radius float64) *grid {
	g := &grid{cell: radius, cells: map[[2]int32][]spot{}}
	for _, i := range list {
		m := &members[i]
		at := g.at(m.X, m.Y)
		g.cells[at] = append(g.cells[at], spot{m.X, m.Y, year[i], i})
	}
	return g
}

func (g *grid) at(x, y float64) [2]int32 {
	return [2]int32{clampCell(x / g.cell), clampCell(y / g.cell)}
}

// clampCell keeps far and broken places in range; they share the outermost cell.
func clampCell(v float64) int32 {
	if !(v > -1e9) {
		return -1e9
	}
	return int32(math.Floor(min(v, 1e9)))
}

// near appends the trees within a cell's width of a place, planted between two
// years (infinite: whenever). Crowds are thinned.
func (g *grid) near(out []int, x, y, from, to float64) []int {
	c := g.at(x, y)
	for dx := int32(-1); dx <= 1; dx++ {
		for dy := int32(-1); dy <= 1; dy++ {
			cell := g.cells[[2]int32{c[0] + dx, c[1] + dy}]
			if len(cell) == 0 {
				continue
			}
			if !math.IsInf(from, -1) {
				cell = cell[sort.Search(len(cell), func(k int) bool { return cell[k].year >= from }):]
			}
			if !math.IsInf(to, 1) {
				cell = cell[:sort.Search(len(cell), func(k int) bool { return cell[k].year > to })]
			}
			step := 1 + len(cell)/crowd
			for k := 0; k < len(cell); k += step {
				s := &cell[k]
				ex, ey := s.x-x, s.y-y
				if ex*ex+ey*ey <= g.cell*g.cell {
					out = append(out, s.i)
				}
			}
		}
	}
	return out
}
