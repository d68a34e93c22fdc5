package risk

import (
	"math"

	"soilshed/risk/collar"
	"soilshed/risk/soil"
	"soilshed/risk/species"
	"soilshed/risk/wind"
)

// Ground is what was found of a tree's ground: the numbers of a survey of it.
type Ground struct {
	// How it was found, in one word, and whether that was by measuring an
	// opening on the map (else it was recorded, assumed or not found).
	How      string
	Measured bool
	// Sealed: there is no opening. Unsurveyed: the map does not cover the place,
	// so that nothing is known of its ground.
	Sealed, Unsurveyed      bool
	Mates                   int
	OpenM2, ShareM2, RainM2 float64
	SoilM3, DepthM          float64
	DepthFrom               string                 // where the depth is from, in words
	SoilP10M3, SoilP90M3    float64                // NaN when not computed
	ReachM                  [wind.Bearings]float64 // free distance
	FreeM                   float64                // reach at which a direction is free
	ShortM, ShortBearing    float64
	Lopsided                float64
	TargetW                 [wind.Bearings]float64
	Texture                 soil.Texture // of the soil layer; zero when it does not say
	AWC                     float64      // of the soil layer; 0 when it does not say
}

// Odd is what the cohorts say of a tree.
type Odd struct {
	Z       Maybe[float64]
	Flagged bool
	Cohort  string // what is said of its whole cohort; "" is nothing
}

// oddSteps is in how many steps to 1 the evidence is told how odd a tree is. A
// step is a small part of what a cohort leaves unknown (among a hundred siblings
// the centre alone is uncertain by 0.12), and moves the odds of girdling by one
// part in eighty. It keeps what happens to one tree from changing all others of
// its genus in some digit that means nothing.
const oddSteps = 20

// Told is Z as the evidence is told it. What is reckoned of a tree hangs on no
// more of Z than this; Result.OddZ alone is Z itself.
func (x Odd) Told() Maybe[float64] {
	x.Z.Value = math.RoundToEven(x.Z.Value*oddSteps) / oddSteps
	return x.Z
}

// Result is what is reckoned of a tree. Numbers that are not known are NaN.
type Result struct {
	Assessed bool // false for a removed tree

	NeedM3  [needRules]float64 // by every rule; NaN where one cannot be computed
	Need    float64            // by the rule that decides
	SoilPct float64
	Class   soil.Class
	Graded  bool // false where the ground is not known

	DryDays float64
	Water   soil.Stress // in mm over the crown projection; zero when not computed
	Ratios  soil.Ratios

	GirdledP, GirdledLo, GirdledHi float64
	OddZ                           float64
	Flagged                        bool

	GustMS, WeakBearing        float64 // WeakBearing NaN when no way stands out
	FailYr, UprootYr, CollarYr float64
	FailSoundYr                float64 // with a sound collar
	GustSoundMS                float64
	CarefulGustMS              float64 // for cautions: with the load as the tunnels have it
	Decides                    string
	Exposure, HarmYr           float64
	OutgrownYear               Maybe[int]

	Missing Missing
	Reasons [3]Reason
}

// Assess goes through the method for one tree, one step a link:
// need, water, collar, wind, exposure, reasons. Trace may be nil.
func (m *Model) Assess(t *Tree, s *Size, g *Ground, odd Odd, tr *Trace) Result {
	nan := math.NaN()
	r := Result{
		Need: nan, SoilPct: nan, DryDays: nan, GirdledP: nan, GirdledLo: nan, GirdledHi: nan, OddZ: nan,
		GustMS: nan, WeakBearing: nan, FailYr: nan, UprootYr: nan, CollarYr: nan, FailSoundYr: nan, GustSoundMS: nan, CarefulGustMS: nan, Exposure: nan, HarmYr: nan,
	}
	for i := range r.NeedM3 {
		r.NeedM3[i] = nan
	}
	if t.Removed {
		return r
	}
	r.Assessed = true
	r.Missing = m.missing(t, s, g)
	tr.size(s)
	tr.ground(t, g)
	m.need(t, s, g, &r, tr)
	m.dry(t, s, g, &r, tr)
	post := m.collar(t, s, g, odd, &r, tr)
	m.wind(t, s, g, &r, tr)
	r.Reasons = m.reasons(t, s, g, odd, &r, post)
	return r
}

// texture returns the soil texture that counts, and where it is from.
func (m *Model) texture(t *Tree, g *Ground) (soil.Texture, string) {
	switch {
	case t.Texture != soil.NoTexture:
		return t.Texture, "recorded"
	case g.Texture != soil.NoTexture:
		return g.Texture, "soil layer"
	}
	return m.Texture, "assumed"
}

// water returns the available water capacity, and where it is from.
func (m *Model) capacity(t *Tree, g *Ground) (float64, string) {
	switch {
	case m.AWC > 0:
		return m.AWC, "set"
	case g.AWC > 0 && t.Texture == soil.NoTexture:
		return g.AWC, "soil layer"
	}
	x, from := m.texture(t, g)
	return soil.AvailableWater(x), x.String() + ", " + from + "; Saxton & Rawls 2006"
}

// NeedM3 is the soil volume that a tree needs on a ground, by the rule that
// decides; NaN where it cannot be told.
func (m *Model) NeedM3(t *Tree, s *Size, g *Ground) float64 {
	only := *g
	only.Unsurveyed = true // no class is asked for
	var r Result
	m.need(t, s, &only, &r, nil)
	return r.Need
}

func (m *Model) need(t *Tree, s *Size, g *Ground, r *Result, tr *Trace) {
	awc, from := m.capacity(t, g)
	r.NeedM3[NeedCrown] = soil.NeedCrownM3(s.CrownM2, m.CrownM3M2)
	b := m.Budget
	b.CrownM2, b.AWC = s.CrownM2, awc
	r.NeedM3[NeedWater] = soil.NeedWaterM3(b)
	r.NeedM3[NeedStandard] = soil.NeedStandardM3(soil.Size(s.Species.Size), g.Mates > 0, m.Standard)
	if m.water != nil {
		depth := g.DepthM
		if !(depth > 0) {
			depth = 0.9
		}
		if v, ok := m.water[s.Species.Leaf].get().VolumeFor(m.MaxDryDays, awc, depth, s.CrownM2); ok {
			r.NeedM3[NeedClimate] = v
		} else {
			r.NeedM3[NeedClimate] = math.Inf(1)
		}
	}
	r.Need = r.NeedM3[m.Need]
	tr.need(m, s, r, awc, from)
	if g.Unsurveyed || math.IsNaN(r.Need) {
		return
	}
	r.Graded = true
	r.SoilPct = 100
	if r.Need > 0 {
		r.SoilPct = 100 * g.SoilM3 / r.Need
	}
	r.Class = soil.Classify(g.SoilM3, r.Need, m.Bounds)
	tr.class(m, g, r)
	r.OutgrownYear = m.Outgrown(s, r.Need, g.SoilM3)
	tr.outgrown(m, s, r)
}

func (m *Model) dry(t *Tree, s *Size, g *Ground, r *Result, tr *Trace) {
	if m.water == nil || g.Unsurveyed {
		return
	}
	awc, _ := m.capacity(t, g)
	site := soil.Site{SoilM3: g.SoilM3, AWC: awc, OpenM2: g.RainM2, CrownM2: s.CrownM2, Runoff: m.Runoff}
	site.PavingM2 = max(0, math.Pi*s.ReachM*s.ReachM-g.OpenM2)
	r.Ratios = site.Ratios()
	r.Water = m.water[s.Species.Leaf].get().At(r.Ratios)
	r.DryDays = r.Water.DryDays
	tr.dry(r)
}

// Signs gathers what is known of a tree's collar.
func (m *Model) Signs(t *Tree, s *Size, g *Ground, odd Odd, soilPct float64) collar.Signs {
	reading := func(v Maybe[float64]) collar.Reading { return collar.Reading{Value: v.Value, Known: v.Known} }
	x := collar.Signs{
		Stock: t.Stock, Corrected: t.Corrected,
		FlareCm: reading(t.FlareCm), FlareSeen: t.FlareSeen,
		MulchCm: reading(t.MulchCm), MulchTouches: t.MulchTouches,
		OddZ: reading(odd.Told()), Genus: s.Species.Genus, Species: s.Species.Latin, Supplier: t.Supplier,
		YearsSincePlanting: reading(s.AgeYr), Season: PlantingSeason(t, m.South), Crew: t.Crew,
	}
	// Ground that was assumed says nothing of the collar.
	if g.Measured {
		x.ReachM = collar.Read(g.ShortM)
		if s.DBH != Typical {
			x.SoilShare = collar.Read(soilPct / 100)
		}
	}
	if tx := t.Texture; tx != soil.NoTexture || g.Texture != soil.NoTexture {
		if tx == soil.NoTexture {
			tx = g.Texture
		}
		switch tx {
		case soil.Sand, soil.LoamySand, soil.SandyLoam:
			x.Texture = collar.Sandy
		case soil.SandyClay, soil.SiltyClay, soil.Clay, soil.ClayLoam, soil.SiltyClayLoam:
			x.Texture = collar.Clayey
		default:
			x.Texture = collar.Loamy
		}
	}
	return x
}

func (m *Model) collar(t *Tree, s *Size, g *Ground, odd Odd, r *Result, tr *Trace) collar.Posterior {
	of := m.Evidence.Raised
	if tr != nil {
		of = m.Evidence.Girdled
	}
	post := of(m.Signs(t, s, g, odd, r.SoilPct))
	r.GirdledP, r.GirdledLo, r.GirdledHi = post.P, post.Lo, post.Hi
	if odd.Z.Known {
		r.OddZ, r.Flagged = odd.Z.Value, odd.Flagged
	}
	tr.collar(&post)
	return post
}

// crownBasePart is the height of the lowest branches over the tree's height
// where it is not recorded: clearance over walk and road. Common practice, no
// source.
const crownBasePart = 0.25

// leastTestedCm is the DBH below which a stem bends out of the wind in ways that
// the winching and wind-tunnel tests behind the formulas do not cover; a thinner
// tree is held to fail no sooner than one of its kind and shape of this size
// (setting, no source).
const leastTestedCm = 15

// windTree is the tree as the wind finds it.
func (m *Model) windTree(t *Tree, s *Size, g *Ground) wind.Tree {
	kind := [...]wind.Kind{species.Deciduous: wind.Broadleaf, species.BroadleafEvergreen: wind.EvergreenBroadleaf, species.Conifer: wind.Conifer}[s.Species.Leaf]
	dbhCm, heightM, crownM := s.DBHCm, s.HeightM, s.CrownM
	if dbhCm < leastTestedCm {
		grow := func(of func(float64) (float64, string)) float64 {
			now, _ := of(dbhCm)
			then, _ := of(leastTestedCm)
			if !(now > 0) {
				return 1
			}
			return max(1, then/now)
		}
		heightM, crownM = heightM*grow(s.Species.HeightM), crownM*grow(s.Species.CrownM)
		dbhCm = leastTestedCm
	}
	w := wind.Tree{
		DBHM: dbhCm / 100, HeightM: heightM, CrownM: crownM, CrownBaseM: crownBasePart * heightM,
		Kind: kind, Wood: wind.WoodOf(s.Species.Latin, kind), LeanDeg: t.LeanDeg.Or(0), DepthM: g.DepthM,
	}
	if !(w.DepthM > 0) {
		w.DepthM = 0.9
	}
	for k := range w.ReachM {
		w.ReachM[k] = g.ReachM[k]
		if g.Unsurveyed || g.ReachM[k] >= g.FreeM-1e-3 {
			w.ReachM[k] = math.Inf(1) // free as far as was looked
		}
	}
	// What makes a tree stronger or weaker than the formulas say is its own and
	// stays with it as it grows, so every year that it has stood counts (setting,
	// no source); after roots were cut, the years since.
	age := s.AgeYr.Value
	if !s.AgeYr.Known {
		age, _ = s.Species.AgeFromDBH(s.DBHCm)
	}
	w.StoodYears = max(1, age-1)
	if y := t.WalkReplacedYr; y.Known && m.Year-y.Value >= 0 && m.Year-y.Value <= m.RootsCutYears {
		w.RootsCut = true
		w.StoodYears = min(w.StoodYears, float64(m.Year-y.Value))
	}
	return w
}

func (m *Model) wind(t *Tree, s *Size, g *Ground, r *Result, tr *Trace) {
	w := m.windTree(t, s, g)
	f := m.Wind.Fail(w, r.GirdledP, m.girdling)
	r.GustMS, r.GustSoundMS, r.FailYr, r.UprootYr, r.CollarYr, r.Decides = f.GustMS, f.GustSoundMS, f.FailYr, f.UprootYr, f.CollarYr, f.Decides
	if !f.AnyWay {
		r.WeakBearing = f.WeakBearing
	}
	r.FailSoundYr = f.FailSoundYr
	r.CarefulGustMS = m.carefulGustMS(&w, r.GustMS)
	// A thin stem does less harm where it strikes.
	r.Exposure = wind.Exposure(&f.ByBearing, &g.TargetW) * wind.SizeWeight(s.DBHCm/100)
	r.HarmYr = r.FailYr * r.Exposure
	if tr != nil {
		plain := m.Wind
		plain.Size, plain.SizeSpread = 0, 0
		tr.wind(m, g, s, &w, m.Wind.Parts(w), plain.Fail(w, r.GirdledP, m.girdling), &f, r)
	}
}

// carefulGustMS is what a gust of failure would be with the load of the wind-tunnel
// figures as they are, which surveys of storms show to be several times too high,
// or with what the size of the stem makes of them, whichever is more: for
// cautions, where being wrong must err to that side.
func (m *Model) carefulGustMS(w *wind.Tree, gustMS float64) float64 {
	lower := max(m.WindLoad, 0.02) * min(1, m.Wind.SizeFactor(w.DBHM))
	return gustMS * math.Pow(lower, 1/wind.DragOf(wind.Broadleaf, true).Exponent)
}

// GustAsFound is the gust, m/s, in which the base fails with even odds when roots
// are known to hold so much of the collar's circumference, so deep (of its
// radius), and such a part of the roots' hold is lost; all else is as Assess has
// it, the tree at today's size. It sets states of one tree beside each other.
func (m *Model) GustAsFound(t *Tree, s *Size, g *Ground, share, depth, holdLost float64) float64 {
	w := m.windTree(t, s, g)
	w.HoldLost = holdLost
	one := wind.NewGirdling([]wind.SectionNode{{ShareOfCircumference: share, DepthFraction: depth, Weight: 1}})
	return m.Wind.Fail(w, 1, one).GustMS
}
