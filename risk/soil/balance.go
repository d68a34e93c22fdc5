package soil

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Bucket is the root zone of FAO-56, chapter 8, in mm over the crown
// projection: what it can hold for the tree, and how much of that is gone.
type Bucket struct {
	TAW float64 // total available water, mm (eq. 82)
	P   float64 // fraction that is had without stress (RAW = P TAW, eq. 83)
	Dr  float64 // depletion at the end of the day before, mm, 0 to TAW
}

// Stress is the water stress coefficient Ks, 0 to 1, at the bucket's depletion.
// Eq. 84.
func (b *Bucket) Stress() float64 {
	left := b.TAW - b.Dr
	if left <= 0 {
		return 0
	}
	if dry := (1 - b.P) * b.TAW; left < dry {
		return left / dry
	}
	return 1
}

// Step does a day: in mm of water enter (rain and irrigation), etc mm are asked
// for, Ks etc are used. The stress coefficient is that of the evening before,
// as in the paper's example 37; what does not fit is lost. Eq. 85: used + lost
// = in + rise of Dr.
//
// A store of less than 1/(1-P) days of demand, which the paper does not have in
// mind, gives no more in a day than it held the evening before.
func (b *Bucket) Step(in, etc float64) (used, lost float64) {
	used = draw(b.TAW-b.Dr, etc, perDry(b.TAW, b.P))
	dr := b.Dr - in + used
	if dr < 0 {
		lost, dr = -dr, 0
	}
	b.Dr = dr
	return used, lost
}

// draw is Ks etc for left mm in the ground: etc min(1, left/((1-p)TAW)), and
// not over left.
func draw(left, etc, perDry float64) float64 {
	if used := etc * met(left, etc, perDry); used < etc {
		return used
	}
	return etc
}

// met is Ks before it is held to 1.
func met(left, etc, perDry float64) float64 {
	if etc*perDry > 1 {
		return left / etc
	}
	return left * perDry
}

// perDry is 1/((1-p) TAW), for draw.
func perDry(taw, p float64) float64 { return math.Min(1e300, 1/((1-p)*taw)) }

// TAWmm is the total available water of a layer, mm: 1000 (FC - WP) Zr. Eq. 82.
func TAWmm(fc, wp, depthM float64) float64 { return 1000 * (fc - wp) * depthM }

// Leafing is what a kind of tree asks of the soil through the year.
type Leafing struct {
	Evergreen bool
	// LeafOut and LeafFall are days of the year (1 to 365) between which a
	// deciduous tree carries leaves; LeafOut after LeafFall is the south. The
	// growing season of an evergreen is taken between the same days.
	LeafOut, LeafFall int
	RampDays          int // from bare to full leaf, and back before LeafFall

	Factor     float64 // demand in full leaf over reference evapotranspiration, per crown projection
	BareFactor float64 // the same without leaves

	InterceptMM     float64 // rain of a day that stays in the crown
	BareInterceptMM float64 // the same without leaves

	P        float64 // fraction of the available water had without stress
	DryBelow float64 // a day belongs to a dry spell when Ks is under this
}

// Plant factors of free-standing trees over reference evapotranspiration and
// crown projection, ANSI/ASABE S623: 0.7 in humid and 0.5 in dry air (as told
// in the abstract of the standard's overview of woody plants, ASHS 2014).
const (
	FactorHumidAir = 0.7
	FactorDryAir   = 0.5
)

// DefaultLeafing is the kind of tree unless set otherwise: factor for humid
// air; 1 mm of each day's rain kept by a crown in leaf (the storage that
// hydrological accounting assumes whatever the species, as Xiao & McPherson
// 2016 report it); P 0.5 for deciduous trees (FAO-56 table 22, as for orchard
// trees) and 0.7 for conifers (the same; both as transcribed in
// github.com/kthorp/pyfao56, tools/tables.py); leaves from 15 April to
// 31 October with 30 days to unfold (common practice, no source: set them for
// the place); nothing used without leaves (common practice, no source); a
// day is of a dry spell when less than half of its demand is met (ours).
func DefaultLeafing(evergreen, conifer bool) Leafing {
	l := Leafing{
		Evergreen: evergreen, LeafOut: 105, LeafFall: 304, RampDays: 30,
		Factor: FactorHumidAir, InterceptMM: 1, P: 0.5, DryBelow: 0.5,
	}
	if evergreen {
		l.BareFactor, l.BareInterceptMM = l.Factor, l.InterceptMM
	}
	if conifer {
		l.P = 0.7
	}
	return l
}

// leafed is the part of the leaves that is out on day J, 0 to 1, and whether
// the day is in the growing season.
func (l Leafing) leafed(J int) (part float64, growing bool) {
	length := l.LeafFall - l.LeafOut
	since := J - l.LeafOut
	if length < 0 {
		length += 365
		if since < 0 {
			since += 365
		}
	}
	if since < 0 || since > length {
		if l.Evergreen {
			return 1, false
		}
		return 0, false
	}
	if l.Evergreen || l.RampDays <= 0 {
		return 1, true
	}
	ramp := float64(l.RampDays)
	return math.Max(0, math.Min(1, math.Min(float64(since+1)/ramp, float64(length-since+1)/ramp))), true
}

// Season is a growing season of a climate.
type Season struct {
	Year    int // of leaf-out
	From    int // first day, index into the series
	To      int // one past the last
	Counted bool
}

// Climate is what the weather asks of, and offers to, one kind of tree, per m2
// of crown projection and of ground: trees differ only in Ratios.
type Climate struct {
	Leafing
	DemandMM []float64 // by day
	RainMM   []float64 // by day, less what stays in the crown
	Seasons  []Season
	season   []int32 // by day: index of the counted season, or -1
	replays  int     // of the record before it counts
}

// NewClimate prepares the balance for one kind of tree from a series of
// Prepare and its reference evapotranspiration. A growing season counts when
// the record holds all its days and the 90 before it without a gap. It is an
// error when none does, or when the numbers of l cannot be.
func NewClimate(days []Day, etoMM []float64, l Leafing) (*Climate, error) {
	if len(days) != len(etoMM) {
		return nil, fmt.Errorf("%d days of weather but %d of evapotranspiration", len(days), len(etoMM))
	}
	if err := l.check(); err != nil {
		return nil, err
	}
	c := &Climate{Leafing: l, DemandMM: make([]float64, len(days)), RainMM: make([]float64, len(days)), season: make([]int32, len(days))}
	was := false
	for i, d := range days {
		part, growing := l.leafed(d.Date.YearDay())
		c.season[i] = -1
		if growing && !was {
			c.Seasons = append(c.Seasons, Season{Year: d.Date.Year(), From: i})
		}
		if growing {
			c.Seasons[len(c.Seasons)-1].To = i + 1
		}
		was = growing
		if d.Missing {
			continue
		}
		c.DemandMM[i] = (l.BareFactor + part*(l.Factor-l.BareFactor)) * etoMM[i]
		c.RainMM[i] = math.Max(0, d.RainMM-(l.BareInterceptMM+part*(l.InterceptMM-l.BareInterceptMM)))
	}
	counted := int32(0)
	for k := range c.Seasons {
		s := &c.Seasons[k]
		first, last := days[s.From], days[s.To-1]
		_, before := l.leafed(first.Date.AddDate(0, 0, -1).YearDay())
		_, after := l.leafed(last.Date.AddDate(0, 0, 1).YearDay())
		s.Counted = !before && !after
		for i := max(0, s.From-90); i < s.To; i++ {
			s.Counted = s.Counted && !days[i].Missing
		}
		if !s.Counted {
			continue
		}
		for i := s.From; i < s.To; i++ {
			c.season[i] = counted
		}
		counted++
	}
	if counted == 0 {
		return nil, errors.New("the weather record holds no whole growing season (leaf-out to leaf-fall) without a gap: give at least one whole year")
	}
	c.replays = (3650 + len(days) - 1) / len(days)
	return c, nil
}

func (l Leafing) check() error {
	switch {
	case l.LeafOut < 1 || l.LeafOut > 366 || l.LeafFall < 1 || l.LeafFall > 366 || l.LeafOut == l.LeafFall:
		return fmt.Errorf("leaf-out on day %d and leaf-fall on day %d: both are days of the year, 1 to 366, and not the same", l.LeafOut, l.LeafFall)
	case !(l.Factor > 0) || !(l.BareFactor >= 0) || l.Factor > 3 || l.BareFactor > 3:
		return fmt.Errorf("demand factors %g and %g: they are parts of the reference evapotranspiration, over 0 and up to 3", l.Factor, l.BareFactor)
	case !(l.P >= 0 && l.P <= 1):
		return fmt.Errorf("depletion fraction p %g: it lies between 0 and 1", l.P)
	case !(l.DryBelow > 0 && l.DryBelow <= 1):
		return fmt.Errorf("a dry spell below %g of the demand: that part lies between 0 and 1", l.DryBelow)
	case !(l.InterceptMM >= 0) || !(l.BareInterceptMM >= 0):
		return fmt.Errorf("interception %g and %g mm: it is 0 or more", l.InterceptMM, l.BareInterceptMM)
	}
	return nil
}

// Drought is a Climate of days days without rain at a constant demand of
// demandMM a day, from a full soil, in which nothing is held back until all is
// gone: the special case that is the published water-use budget.
func Drought(days int, demandMM float64) *Climate {
	c := &Climate{Leafing: Leafing{Factor: 1, P: 1, DryBelow: 0.5}}
	c.Seasons = []Season{{From: 0, To: days, Counted: true}}
	for range days {
		c.DemandMM = append(c.DemandMM, demandMM)
		c.RainMM = append(c.RainMM, 0)
		c.season = append(c.season, 0)
	}
	return c
}

// SeasonsCounted is the number of growing seasons that count.
func (c *Climate) SeasonsCounted() int {
	n := 0
	for _, s := range c.Seasons {
		if s.Counted {
			n++
		}
	}
	return n
}

// Ratios are all in which trees of one kind differ.
type Ratios struct {
	StorageMM float64 // available water of the ground over crown projection, mm
	Intake    float64 // area that takes in rain over crown projection
}

// Site is the ground of one tree.
type Site struct {
	SoilM3   float64 // available soil volume, the rootable ground under paving included
	AWC      float64 // available water capacity, m3/m3
	OpenM2   float64 // its own share of open ground, which takes in rain
	PavingM2 float64 // paving that drains to it
	Runoff   float64 // part of that paving's rain that reaches it, 0 to 1
	CrownM2  float64 // crown projection
	Relative float64 // demand of this tree over that of its kind; 0 means 1
}

// Ratios of the site. Interception and the first wetting of paving are taken to
// be alike. A tree without a crown asks for nothing: its storage is +Inf.
func (s Site) Ratios() Ratios {
	crown := s.CrownM2
	if s.Relative > 0 {
		crown *= s.Relative
	}
	if !(crown > 0) {
		return Ratios{math.Inf(1), 0}
	}
	return Ratios{1000 * s.SoilM3 * s.AWC / crown, (s.OpenM2 + s.Runoff*s.PavingM2) / crown}
}

// Litres turns mm of Water over the crown projection of this site into litres.
func (s Site) Litres(mm float64) float64 {
	l := mm * s.CrownM2
	if s.Relative > 0 {
		l *= s.Relative
	}
	return l
}

// Stress is what a tree goes through, over the growing seasons that count.
type Stress struct {
	// DryDays is the mean over the growing seasons of the sum of 1 - Ks, the
	// part of each day's demand that was not met, in days: a day at half supply
	// counts half, ten days at nine tenths count one.
	DryDays float64
	// LongestDays is the longest spell of days in one growing season of the
	// record with Ks under DryBelow.
	LongestDays float64
	ShortMM     float64 // demand not met in a mean season, mm over the crown projection
	ShortDryMM  float64 // the same in a one-in-ten dry season
	// Watering that keeps the tree from any stress: of an evening, when the
	// readily available water is used up, the soil is filled (FAO-56, chapter 8,
	// example 38); what a store too small for a day lacks is given with it.
	WaterMM      float64 // in a mean season
	WaterDryMM   float64 // in a one-in-ten dry season
	Waterings    float64 // times in a mean season
	TimesPerWeek float64 // in the thirstiest four weeks of a one-in-ten dry season
}

// DoseMM is one watering, mm over the crown projection; 0 where none is needed.
func (s Stress) DoseMM() float64 {
	if s.Waterings > 0 {
		return s.WaterMM / s.Waterings
	}
	return 0
}

// Ledger is the water of a whole run, mm over the crown projection: In + Before
// = Used + Lost + After.
type Ledger struct{ In, Used, Lost, Before, After float64 }

// Run does the balance day by day over the whole record, at exactly the ratios.
// A storage of +Inf knows no stress.
func (c *Climate) Run(r Ratios) (Stress, Ledger) {
	n := c.SeasonsCounted()
	return c.run(r, make([]float64, n), make([]float64, n))
}

// run is Run with room for a number a season, twice.
func (c *Climate) run(r Ratios, a, b []float64) (Stress, Ledger) {
	if math.IsInf(r.StorageMM, 1) {
		return Stress{}, Ledger{}
	}
	eve := c.settle(r)
	s, led := c.dryRun(r, eve, a)
	c.wateredRun(r, eve, a, b, &s)
	return s, led
}

// dryDays is the DryDays of Run alone.
func (c *Climate) dryDays(r Ratios) float64 {
	s, _ := c.dryRun(r, c.settle(r), make([]float64, c.SeasonsCounted()))
	return s.DryDays
}

// settle is the water in the ground, mm, on the eve of the record: the ground
// was full ten years or more before, and the record ran over and over until
// then. A Drought starts full.
func (c *Climate) settle(r Ratios) float64 {
	w, taw, per := r.StorageMM, r.StorageMM, perDry(r.StorageMM, c.P)
	pass := func(w float64, from int) float64 {
		rain := c.RainMM[:len(c.DemandMM)]
		for i := from; i < len(c.DemandMM); i++ {
			w += r.Intake*rain[i] - draw(w, c.DemandMM[i], per)
			if w > taw {
				w = taw
			}
		}
		return w
	}
	if c.replays == 0 {
		return w
	}
	// More water on one evening is more on every later one: where full and
	// empty ground are alike at the end of a year, so is all between them.
	if from := len(c.DemandMM) - 400; from > 0 {
		full, empty := pass(taw, from), pass(0, from)
		if full-empty < 1e-9 {
			return full
		}
	}
	for range c.replays {
		w = pass(w, 0)
	}
	return w
}

func (c *Climate) dryRun(r Ratios, eve float64, short []float64) (Stress, Ledger) {
	var s Stress
	led := Ledger{Before: eve}
	w, taw, per := eve, r.StorageMM, perDry(r.StorageMM, c.P)
	n := len(short)
	clear(short)
	run, longest, dry := 0, 0, 0.0
	last := int32(-1)
	rain, season := c.RainMM[:len(c.DemandMM)], c.season[:len(c.DemandMM)]
	for i, etc := range c.DemandMM {
		in := r.Intake * rain[i]
		ks := met(w, etc, per)
		used := etc
		if ks < 1 {
			used *= ks
		}
		w += in - used
		led.In += in
		led.Used += used
		if w > taw {
			led.Lost += w - taw
			w = taw
		}
		k := season[i]
		if k < 0 || etc == 0 {
			continue
		}
		if k != last {
			run, last = 0, k
		}
		if ks < 1 {
			dry += 1 - ks
			short[k] += etc - used
			if ks < c.DryBelow {
				if run++; run > longest {
					longest = run
				}
				continue
			}
		}
		run = 0
	}
	led.After = w
	s.DryDays = dry / float64(n)
	s.LongestDays = float64(longest)
	s.ShortMM, s.ShortDryMM = mean(short), oneInTen(short)
	return s, led
}

// wateredRun fills the part of s that is about watering.
func (c *Climate) wateredRun(r Ratios, eve float64, given, busiest []float64, s *Stress) {
	w, taw, per := eve, r.StorageMM, perDry(r.StorageMM, c.P)
	clear(given)
	clear(busiest)
	least := (1 - c.P) * taw * (1 - 1e-12) // readily available water is used up below this
	waterings := 0
	var lately [28]int // waterings of the last four weeks
	sum, at := 0, 0
	last := int32(-1)
	for i, etc := range c.DemandMM {
		k := c.season[i]
		times := 0
		if k >= 0 && k != last { // the evening before leaf-out
			lately, sum, last = [28]int{}, 0, k
			if w < least {
				given[k] += taw - w
				w = taw
				times++
			}
		}
		used := draw(w, etc, per)
		w += r.Intake*c.RainMM[i] - used
		if w > taw {
			w = taw
		}
		if k < 0 {
			continue
		}
		if lacking := etc - used; w < least || lacking > 1e-12*etc {
			given[k] += taw - w + lacking
			w = taw
			times++
		}
		waterings += times
		if at++; at == len(lately) {
			at = 0
		}
		sum += times - lately[at]
		lately[at] = times
		busiest[k] = max(busiest[k], float64(sum)/4)
	}
	s.WaterMM, s.WaterDryMM = mean(given), oneInTen(given)
	s.Waterings = float64(waterings) / float64(len(given))
	s.TimesPerWeek = min(7, oneInTen(busiest))
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// oneInTen is the value that one season in ten reaches: the 0.9 quantile at
// Weibull's plotting positions m/(n+1), the largest where there are fewer than
// nine seasons.
func oneInTen(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	at := 0.9*float64(len(s)+1) - 1
	i := int(math.Floor(at))
	switch {
	case i >= len(s)-1:
		return s[len(s)-1]
	case i < 0:
		return s[0]
	}
	return s[i] + (at-float64(i))*(s[i+1]-s[i])
}
