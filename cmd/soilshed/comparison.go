package main

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"soilshed/geo"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/soil"
)

// sideBySide is today's ground and each proposal's under the same trees.
type sideBySide struct {
	schemes []*scheme // today's first
	trees   []comparedTree
	within  string // the file of the corridor; "" for all trees
	region  *ground.Map
	// corridor is the same, to be drawn.
	corridor [][][]geo.XY
	prices   *priceList // nil when nothing is priced
	began    time.Time
	inputs   *digests // of corridor and prices
}

// comparedTree is a tree that stands in at least one of the schemes.
type comparedTree struct {
	id string
	in []int // its place among the trees of each scheme; -1 where it does not stand
}

// fate is what a proposal does to a tree.
type fate uint8

const (
	standing fate = iota
	planted
	removed
	absent // in neither today's nor the proposal's ground
)

var fateNames = [...]string{"kept", "planted", "removed", "absent"}

func (f fate) String() string { return fateNames[f] }

func (t *comparedTree) fate(k int) fate {
	switch was, is := t.in[0] >= 0, t.in[k] >= 0; {
	case was && is:
		return standing
	case is:
		return planted
	case was:
		return removed
	}
	return absent
}

// match finds the trees that are compared and marks those that each scheme has
// to work out: what stands within the corridor in one of them.
func (c *sideBySide) match() {
	known := map[string]bool{}
	for _, s := range c.schemes {
		for i := range s.a.in.trees.len() {
			id := s.a.in.trees.id(i)
			if known[id] || !s.stands(i) || c.region != nil && !c.region.Covers(s.a.in.at[i]) {
				continue
			}
			known[id] = true
			c.trees = append(c.trees, comparedTree{id: id})
		}
	}
	for _, s := range c.schemes {
		s.a.only = make([]bool, s.a.in.trees.len())
		for k := range c.trees {
			t := &c.trees[k]
			i, ok := s.at[t.id]
			if !ok || !s.stands(i) {
				t.in = append(t.in, -1)
				continue
			}
			t.in = append(t.in, i)
			s.a.only[i] = true
		}
	}
}

// row is what was found of a tree in a scheme; nil where it does not stand, or
// stands dead.
func (c *sideBySide) row(t *comparedTree, k int) *row {
	a := c.schemes[k].a
	if i := t.in[k]; i >= 0 && !a.in.trees.dead(i) {
		if r := a.rows.at(i); r.res.Assessed {
			return r
		}
	}
	return nil
}

// upTo tells whether a tree has the ground that the rule of need asks for.
func (r *row) upTo() bool { return r.res.Graded && r.res.Class == soil.Ample }

// hasSoil is the available soil; 0 where nothing is known of the ground.
func (r *row) hasSoil() float64 {
	if r.how == uncoveredGround {
		return 0
	}
	return r.soilM3
}

// totals add up what a scheme does for the trees. What compares with today is
// NaN in today's own.
type totals struct {
	Trees, Planted, Removed    float64
	SoilM3                     float64
	GainedM3, LostM3, NewM3    float64 // by trees kept; of trees planted
	UpTo, Brought, Fell, NewUp float64 // trees
	DryDays                    float64 // mean over the trees that stand in all schemes
	GustMS                     float64 // median over the same
	Weak                       float64 // trees that a severe gale would fell
	FailYr, HarmYr             float64 // sums
	CostPerTree, CostPerM3     float64
}

// soilNoiseM3 is a change of the soil volume that is none: what rounding of the
// written layers can do.
const soilNoiseM3 = 0.005

// count fills in the totals of all schemes.
func (c *sideBySide) count() {
	for k, s := range c.schemes {
		t := &s.totals
		*t = totals{DryDays: math.NaN(), GustMS: math.NaN(), CostPerTree: math.NaN(), CostPerM3: math.NaN()}
		for i := range c.trees {
			tree := &c.trees[i]
			switch tree.fate(k) {
			case planted:
				t.Planted++
			case removed:
				t.Removed++
			}
			r := c.row(tree, k)
			if r == nil {
				continue
			}
			t.Trees++
			t.SoilM3 += r.hasSoil()
			if r.upTo() {
				t.UpTo++
			}
			if r.res.GustMS < weakGustMS {
				t.Weak++
			}
			if !math.IsNaN(r.res.FailYr) {
				t.FailYr += r.res.FailYr
			}
			if !math.IsNaN(r.res.HarmYr) {
				t.HarmYr += r.res.HarmYr
			}
			was := c.row(tree, 0)
			if was == nil {
				t.NewM3 += r.hasSoil()
				if r.upTo() {
					t.NewUp++
				}
				continue
			}
			if d := r.hasSoil() - was.hasSoil(); d > soilNoiseM3 {
				t.GainedM3 += d
			} else if d < -soilNoiseM3 {
				t.LostM3 -= d
			}
			if !was.upTo() && r.upTo() {
				t.Brought++
			}
			if was.upTo() && !r.upTo() {
				t.Fell++
			}
		}
		var dry, gust []float64
		for i := range c.trees {
			if !c.everywhere(i) {
				continue
			}
			r := c.row(&c.trees[i], k)
			if !math.IsNaN(r.res.DryDays) && r.how != uncoveredGround {
				dry = append(dry, r.res.DryDays)
			}
			if !math.IsNaN(r.res.GustMS) {
				gust = append(gust, r.res.GustMS)
			}
		}
		if len(dry) > 0 {
			sum := 0.0
			for _, v := range dry {
				sum += v
			}
			t.DryDays = sum / float64(len(dry))
		}
		if len(gust) > 0 {
			t.GustMS = median(gust)
		}
		if k == 0 {
			nan := math.NaN()
			t.Planted, t.Removed, t.GainedM3, t.LostM3, t.NewM3, t.Brought, t.Fell, t.NewUp = nan, nan, nan, nan, nan, nan, nan, nan
			continue
		}
		s.takeoff.planted, s.takeoff.removed = int(t.Planted), int(t.Removed)
	}
}

// everywhere tells whether a tree stands alive in all schemes.
func (c *sideBySide) everywhere(i int) bool {
	for k := range c.schemes {
		if c.row(&c.trees[i], k) == nil {
			return false
		}
	}
	return true
}

// price works out what each proposal costs.
func (c *sideBySide) price() error {
	for k, s := range c.schemes {
		if k == 0 {
			s.takeoff.cost = math.NaN()
			continue
		}
		if err := s.takeoff.bill(c.prices, s.name); err != nil {
			return err
		}
		t := &s.totals
		if t.Brought > 0 {
			t.CostPerTree = s.takeoff.cost / t.Brought
		}
		if net := t.GainedM3 - t.LostM3 + t.NewM3; net > soilNoiseM3 {
			t.CostPerM3 = s.takeoff.cost / net
		}
	}
	return nil
}

// compareMeasure is a line of the table of a comparison.
type compareMeasure struct {
	outField
	words  string // on the screen
	better int    // 1 when more is better, -1 when less is, 0 when neither
	from   func(s *scheme) float64
}

func ofTotals(get func(t *totals) float64) func(*scheme) float64 {
	return func(s *scheme) float64 { return get(&s.totals) }
}

// built is a quantity of what a proposal has to build: none of today.
func built(get func(t *takeoff) float64) func(*scheme) float64 {
	return func(s *scheme) float64 {
		if s.takeoff.changes == nil {
			return math.NaN()
		}
		return get(&s.takeoff)
	}
}

// The one table of what is compared.
var compareMeasures = []compareMeasure{
	{outField{name: "trees", unit: "trees", doc: "Trees that stand, but for those dead on record."}, "trees standing", 0, ofTotals(func(t *totals) float64 { return t.Trees })},
	{outField{name: "planted", unit: "trees", doc: "Trees that stand in the proposal and not today."}, "planted", 0, ofTotals(func(t *totals) float64 { return t.Planted })},
	{outField{name: "removed", unit: "trees", doc: "Trees that stand today and not in the proposal, dead ones too."}, "removed", 0, ofTotals(func(t *totals) float64 { return t.Removed })},
	{outField{name: "soil", of: volumeM3, digits: 1, doc: "Available soil volume of all trees that stand."}, "soil of all trees", 1, ofTotals(func(t *totals) float64 { return t.SoilM3 })},
	{outField{name: "gained", of: volumeM3, digits: 1, doc: "Soil gained by trees that stand today and gain."}, "gained by today's trees", 1, ofTotals(func(t *totals) float64 { return t.GainedM3 })},
	{outField{name: "lost", of: volumeM3, digits: 1, doc: "Soil lost by trees that stand in both and lose."}, "lost by today's trees", -1, ofTotals(func(t *totals) float64 { return t.LostM3 })},
	{outField{name: "new", of: volumeM3, digits: 1, doc: "Soil of the planted trees."}, "soil of planted trees", 0, ofTotals(func(t *totals) float64 { return t.NewM3 })},
	{outField{name: "up_to", unit: "trees", doc: "Trees that have what the rule of need asks for."}, "up to the standard", 1, ofTotals(func(t *totals) float64 { return t.UpTo })},
	{outField{name: "brought", unit: "trees", doc: "Trees short today that are up to the standard in the proposal."}, "brought up to it", 1, ofTotals(func(t *totals) float64 { return t.Brought })},
	{outField{name: "fell", unit: "trees", doc: "Trees up to the standard today that are short in the proposal."}, "fallen below it", -1, ofTotals(func(t *totals) float64 { return t.Fell })},
	{outField{name: "new_up_to", unit: "trees", doc: "Planted trees that are up to the standard."}, "planted and up to it", 0, ofTotals(func(t *totals) float64 { return t.NewUp })},
	{outField{name: "dry_days", unit: "days", digits: 1, doc: "Dry days in a mean growing season, mean over the trees that stand in all schemes."}, "dry days a season, mean", -1, ofTotals(func(t *totals) float64 { return t.DryDays })},
	{outField{name: "gust", of: speedMS, digits: 1, doc: "Gust at which the base fails, median over the trees that stand in all schemes."}, "gust of failure, median", 1, ofTotals(func(t *totals) float64 { return t.GustMS })},
	{outField{name: "weak", unit: "trees", doc: "Trees whose base is reckoned to fail in a gust below 25 m/s."}, "failing below 25 m/s", -1, ofTotals(func(t *totals) float64 { return t.Weak })},
	{outField{name: "fail_yr", unit: "a year", digits: 3, doc: "Yearly probabilities of failure of all trees that stand, added up. Surveys of storms set their level, to a factor of about three either way."}, "failures expected", -1, ofTotals(func(t *totals) float64 { return t.FailYr })},
	{outField{name: "opened", of: areaM2, digits: 1, doc: "Paved ground that is open afterwards."}, "paving opened", 0, built(func(t *takeoff) float64 { return t.openedM2 })},
	{outField{name: "closed", of: areaM2, digits: 1, doc: "Open ground that is paved afterwards."}, "open ground paved", 0, built(func(t *takeoff) float64 { return t.closedM2 })},
	{outField{name: "underlaid", of: areaM2, digits: 1, doc: "Paving over new rootable ground."}, "paving over new rootable ground", 0, built(func(t *takeoff) float64 { return t.underlaidM2 })},
	{outField{name: "bed_soil", of: volumeM3, digits: 1, doc: "Soil of the opened ground, to its usable depth."}, "soil of opened ground", 0, built(func(t *takeoff) float64 { return t.openedM3 })},
	{outField{name: "engineered", of: volumeM3, digits: 1, doc: "New rootable ground under paving, stone and frames and all."}, "engineered soil", 0, built(func(t *takeoff) float64 { return t.engineeredM3 })},
	{outField{name: "rootable_lost", of: areaM2, digits: 1, doc: "Paving that no longer lies over rootable ground. It is not priced."}, "rootable ground lost", -1, built(func(t *takeoff) float64 { return t.lostM2 })},
	{outField{name: "cost", doc: "By the file of prices, in its currency."}, "cost", -1, func(s *scheme) float64 { return s.takeoff.cost }},
	{outField{name: "cost_tree", doc: "Cost for each tree brought up to the standard; empty where none is."}, "cost a tree brought up to it", -1, ofTotals(func(t *totals) float64 { return t.CostPerTree })},
	{outField{name: "cost_soil", digits: 0, doc: "Cost for each m3 that trees gain, losses taken off; empty where they gain none."}, "cost an m3 gained", -1, ofTotals(func(t *totals) float64 { return t.CostPerM3 })},
}

// value is what a measure is in a scheme, in the run's units, rounded as it is
// told; null where there is none.
func (m *compareMeasure) value(s *scheme, us bool) layer.Value {
	f := m.outField
	f.kind = layer.Real
	return f.written(number(m.from(s)), us)
}

// best are the schemes that do best by a measure, when there is something to
// choose: at least two have a value, and more or less of it is better.
func (c *sideBySide) best(m *compareMeasure) (lead []*scheme, alike bool) {
	if m.better == 0 {
		return nil, false
	}
	top, n := 0.0, 0
	for _, s := range c.schemes {
		v, ok := m.value(s, false).Float()
		if !ok {
			continue
		}
		n++
		switch d := float64(m.better) * (v - top); {
		case n == 1 || d > 0:
			top, lead = v, []*scheme{s}
		case d == 0:
			lead = append(lead, s)
		}
	}
	if n < 2 {
		return nil, false
	}
	return lead, len(lead) == n
}

// told tells whether a measure is known of any scheme.
func (c *sideBySide) told(m *compareMeasure) bool {
	return slices.ContainsFunc(c.schemes, func(s *scheme) bool { return !m.value(s, false).Null() })
}

func schemeNames(list []*scheme) string {
	var n []string
	for _, s := range list {
		n = append(n, s.name)
	}
	return strings.Join(n, ", ")
}

// loss is a tree that a proposal leaves worse off.
type loss struct {
	id     string
	lostM3 float64
	fell   bool // below the standard
	was    *row
	is     *row
}

// losers lists the trees that stand today and have less ground in proposal k,
// those that fall below the standard first, then by what they lose.
func (c *sideBySide) losers(k int) []loss {
	var list []loss
	for i := range c.trees {
		t := &c.trees[i]
		was, is := c.row(t, 0), c.row(t, k)
		if was == nil || is == nil {
			continue
		}
		x := loss{id: t.id, lostM3: was.hasSoil() - is.hasSoil(), fell: was.upTo() && !is.upTo(), was: was, is: is}
		if x.fell || x.lostM3 > soilNoiseM3 {
			list = append(list, x)
		}
	}
	slices.SortStableFunc(list, func(a, b loss) int {
		switch {
		case a.fell != b.fell:
			if a.fell {
				return -1
			}
			return 1
		case a.lostM3 > b.lostM3:
			return -1
		case a.lostM3 < b.lostM3:
			return 1
		}
		return strings.Compare(a.id, b.id)
	})
	return list
}

// onPaving lists the trees whose stems stand on paving in proposal k and do not
// today: what is reckoned for them is a recorded or an assumed pit, or nothing.
func (c *sideBySide) onPaving(k int) (ids []string) {
	for i := range c.trees {
		t := &c.trees[i]
		was, is := c.row(t, 0), c.row(t, k)
		paved := func(r *row) bool {
			return r.how == ground.Recorded || r.how == ground.Assumed || r.how == ground.Sealed
		}
		if is != nil && paved(is) && (was == nil || !paved(was)) {
			ids = append(ids, t.id)
		}
	}
	return ids
}

// alike lists how many trees have the same ground in two schemes.
func (c *sideBySide) alike(j, k int) (same, both int) {
	for i := range c.trees {
		x, y := c.row(&c.trees[i], j), c.row(&c.trees[i], k)
		if x == nil || y == nil {
			continue
		}
		both++
		if math.Abs(x.hasSoil()-y.hasSoil()) <= soilNoiseM3 {
			same++
		}
	}
	return same, both
}

// standard says by which rule a tree is up to the standard.
func (c *sideBySide) standard() string {
	m := c.schemes[0].a.model
	part := ""
	if b := m.Bounds[0]; b != 1 {
		part = fmt.Sprintf("%g %% of ", 100*b)
	}
	if m.Need == risk.NeedStandard {
		return fmt.Sprintf("%sthe need by standard, %s's table", part, m.Standard.Name)
	}
	return fmt.Sprintf("%sthe need by %s", part, m.Need)
}
