package soil

import (
	"math"
	"slices"
)

// Table answers for all trees of one kind what Climate.Run answers for one: the
// balance is solved once for a family of Ratios and looked up between its
// members, so that a million trees cost a second.
//
// Along storage the answers are the least up to there: a tree is no worse off
// for ground that rain seldom fills, because it can live in the part that is
// filled. (A single bucket, which FAO-56 assumes to be evenly moist, has it
// otherwise: a shower that fills a small store and ends its stress leaves a
// large one, whose roots are then told that the whole is half dry, below the
// threshold.) So more soil never means more dry days here, nor does more
// intake. The longest spell is that of the ground as it is, and may rise with
// it: fewer dry days may come in one row. Otherwise the look-up is within half a
// day a year of Run; a test bounds it.
type Table struct {
	c    *Climate
	rows []row    // by rising storage
	at   []uint16 // by step of storage: the last row at or below it
	runs int
}

// row is the answers at one storage, at every step of intake.
type row struct {
	step int // of storage
	mm   float64
	by   []Stress
}

// Steps are even in ln(1+x/x0): fine where trees are short of ground. Not all
// are run: rows of storage and, in a row, steps of intake are halved until what
// lies between is met by a straight line.
const (
	storage0, storageMax, storageSteps = 4.0, 4000.0, 2048 // mm
	intake0, intakeMax, intakeSteps    = 0.05, 12.0, 512

	rowsFirst, cellsFirst = 64, 64 // at least so many
	rowTolerance          = 0.15   // dry days a year
	cellTolerance         = 0.08
)

func storageAt(step int) float64 {
	return storage0 * math.Expm1(float64(step)/storageSteps*math.Log1p(storageMax/storage0))
}

func intakeAt(step int) float64 {
	return intake0 * math.Expm1(float64(step)/intakeSteps*math.Log1p(intakeMax/intake0))
}

var intakes = func() (a [intakeSteps + 1]float64) {
	for i := range a {
		a[i] = intakeAt(i)
	}
	return a
}()

// NewTable solves the family: some ten thousand runs over the record, a second
// or so for ten years. The table is only read afterwards, by any number of
// goroutines.
func NewTable(c *Climate) *Table {
	t := &Table{c: c}
	first := t.solve(0)
	t.rows = []row{first}
	for i := range rowsFirst {
		lo := t.rows[len(t.rows)-1]
		t.between(lo, t.solve((i+1)*storageSteps/rowsFirst))
	}
	t.at = make([]uint16, storageSteps+1)
	k := 0
	for s := range t.at {
		for k+1 < len(t.rows) && t.rows[k+1].step <= s {
			k++
		}
		t.at[s] = uint16(k)
	}
	return t
}

// between appends the rows above lo, up to and with hi, with as many in between
// as it takes. lo is in the table.
func (t *Table) between(lo, hi row) {
	if hi.step-lo.step > 1 {
		mid := t.solve((lo.step + hi.step) / 2)
		mid.least(lo)
		end := row{hi.step, hi.mm, slices.Clone(hi.by)}
		end.least(mid)
		f := (mid.mm - lo.mm) / (hi.mm - lo.mm)
		for j := range mid.by {
			a, m, b := lo.by[j].DryDays, mid.by[j].DryDays, end.by[j].DryDays
			if math.Abs(m-(1-f)*a-f*b) > rowTolerance {
				t.between(lo, mid)
				t.between(t.rows[len(t.rows)-1], hi)
				return
			}
		}
		t.rows = append(t.rows, mid, end)
		return
	}
	hi.least(lo)
	t.rows = append(t.rows, hi)
}

// least makes the row no worse than the one below it, and no worse along intake
// (where Run never rises but for the dust of rounding).
func (r row) least(below row) {
	for j := range r.by {
		r.by[j].least(&below.by[j])
		if j > 0 {
			r.by[j].least(&r.by[j-1])
		}
	}
}

func (s *Stress) least(o *Stress) {
	s.DryDays = math.Min(s.DryDays, o.DryDays)
	s.ShortMM = math.Min(s.ShortMM, o.ShortMM)
	s.ShortDryMM = math.Min(s.ShortDryMM, o.ShortDryMM)
}

// solve runs a row.
func (t *Table) solve(step int) row {
	r := row{step, storageAt(step), make([]Stress, intakeSteps+1)}
	n := t.c.SeasonsCounted()
	a, b := make([]float64, n), make([]float64, n)
	run := func(j int) {
		r.by[j], _ = t.c.run(Ratios{r.mm, intakes[j]}, a, b)
		t.runs++
	}
	var fill func(lo, hi int)
	fill = func(lo, hi int) {
		if hi-lo < 2 {
			return
		}
		mid := (lo + hi) / 2
		run(mid)
		f := (intakes[mid] - intakes[lo]) / (intakes[hi] - intakes[lo])
		if line := mix(&r.by[lo], &r.by[hi], f); hi-lo > intakeSteps/cellsFirst || math.Abs(line.DryDays-r.by[mid].DryDays) > cellTolerance {
			fill(lo, mid)
			fill(mid, hi)
			return
		}
		for _, e := range [2][2]int{{lo, mid}, {mid, hi}} {
			for j := e[0] + 1; j < e[1]; j++ {
				r.by[j] = mix(&r.by[e[0]], &r.by[e[1]], (intakes[j]-intakes[e[0]])/(intakes[e[1]]-intakes[e[0]]))
			}
		}
	}
	run(0)
	run(intakeSteps)
	fill(0, intakeSteps)
	return r
}

// mix is the way f from a to b.
func mix(a, b *Stress, f float64) Stress {
	g := 1 - f
	return Stress{
		DryDays:      g*a.DryDays + f*b.DryDays,
		LongestDays:  g*a.LongestDays + f*b.LongestDays,
		ShortMM:      g*a.ShortMM + f*b.ShortMM,
		ShortDryMM:   g*a.ShortDryMM + f*b.ShortDryMM,
		WaterMM:      g*a.WaterMM + f*b.WaterMM,
		WaterDryMM:   g*a.WaterDryMM + f*b.WaterDryMM,
		Waterings:    g*a.Waterings + f*b.Waterings,
		TimesPerWeek: g*a.TimesPerWeek + f*b.TimesPerWeek,
	}
}

// find gives the rows below and above the ratios, the step of intake below, and
// how far the ratios are on the way to the next of each.
func (t *Table) find(r Ratios) (lo, hi *row, j int, f, g float64) {
	mm, a := math.Max(0, math.Min(storageMax, r.StorageMM)), math.Max(0, math.Min(intakeMax, r.Intake))
	step := int(math.Log1p(mm/storage0) / math.Log1p(storageMax/storage0) * storageSteps)
	i := min(int(t.at[min(step, storageSteps)]), len(t.rows)-2)
	lo, hi = &t.rows[i], &t.rows[i+1]
	f = math.Max(0, math.Min(1, (mm-lo.mm)/(hi.mm-lo.mm)))
	j = min(int(math.Log1p(a/intake0)/math.Log1p(intakeMax/intake0)*intakeSteps), intakeSteps-1)
	g = math.Max(0, math.Min(1, (a-intakes[j])/(intakes[j+1]-intakes[j])))
	return lo, hi, j, f, g
}

// At looks up the ratios. A storage of +Inf, of a tree that asks for nothing,
// knows no stress; beyond the table (4000 mm, 12) its edge is taken.
func (t *Table) At(r Ratios) Stress {
	if math.IsInf(r.StorageMM, 1) {
		return Stress{}
	}
	lo, hi, j, f, g := t.find(r)
	a, b := mix(&lo.by[j], &lo.by[j+1], g), mix(&hi.by[j], &hi.by[j+1], g)
	return mix(&a, &b, f)
}

// DryDays looks up the mean dry days of a growing season alone, the answer most
// asked for.
func (t *Table) DryDays(r Ratios) float64 {
	if math.IsInf(r.StorageMM, 1) {
		return 0
	}
	lo, hi, j, f, g := t.find(r)
	return (1-f)*((1-g)*lo.by[j].DryDays+g*lo.by[j+1].DryDays) + f*((1-g)*hi.by[j].DryDays+g*hi.by[j+1].DryDays)
}

// StorageFor is the least storage, mm over the crown projection, that holds the
// mean dry days of a season to maxDays while the intake stays as it is; false
// when no storage does, because too little rain gets in.
func (t *Table) StorageFor(maxDays, intake float64) (mm float64, ok bool) {
	return leastFor(storageMax, maxDays, func(mm float64) float64 { return t.DryDays(Ratios{mm, intake}) })
}

// VolumeFor is the soil volume that the climate asks for, m3: the least that
// holds the mean dry days of a season to maxDays, as open ground of depth depthM
// and capacity awc of which every square metre takes in rain, beneath crownM2
// of crown (multiplied by the relative demand of the tree where it is not 1).
// It is false when none within reach of the table does: the climate is too dry
// for the tree without watering.
func (t *Table) VolumeFor(maxDays, awc, depthM, crownM2 float64) (m3 float64, ok bool) {
	perIntake := 1000 * awc * depthM // storage that comes with an intake of 1
	if !(perIntake > 0) {
		return math.Inf(1), false
	}
	a, ok := leastFor(math.Min(intakeMax, storageMax/perIntake), maxDays, func(a float64) float64 {
		return t.DryDays(Ratios{a * perIntake, a})
	})
	return a * depthM * crownM2, ok
}

// leastFor is the least x up to top at which days, which never rises, is
// maxDays or less.
func leastFor(top, maxDays float64, days func(float64) float64) (float64, bool) {
	if days(top) > maxDays {
		return math.Inf(1), false
	}
	lo, hi := 0.0, top
	if days(lo) <= maxDays {
		return 0, true
	}
	for range 60 {
		if mid := (lo + hi) / 2; days(mid) > maxDays {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi, true
}

// StorageThrough is the least storage, mm, that leaves a mean season of a
// Climate short of shortMM or less, by Run itself, with the intake as given.
// For a Drought with nothing short it is the demand times the days: the
// published budget.
func (c *Climate) StorageThrough(shortMM, intake float64) (mm float64, ok bool) {
	short := make([]float64, c.SeasonsCounted())
	return leastFor(storageMax, shortMM+1e-9, func(mm float64) float64 {
		r := Ratios{mm, intake}
		s, _ := c.dryRun(r, c.settle(r), short)
		return s.ShortMM
	})
}

// OutgrownYear is the first year from fromYear on, at most horizon years later,
// in which the need (m3, by year) passes the ground haveM3; false when it does
// not by then.
func OutgrownYear(fromYear, horizon int, haveM3 float64, needM3 func(year int) float64) (year int, ok bool) {
	for y := fromYear; y <= fromYear+horizon; y++ {
		if needM3(y) > haveM3 {
			return y, true
		}
	}
	return 0, false
}
