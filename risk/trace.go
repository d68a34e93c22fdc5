package risk

import (
	"fmt"
	"math"

	"soilshed/risk/collar"
	"soilshed/risk/soil"
	"soilshed/risk/wind"
)

// Trace notes the steps of one assessment, for explaining it. A nil Trace notes
// nothing, so the chain that is explained is the chain that is run.
type Trace struct{ Steps []Step }

// Step is one number of the chain.
type Step struct {
	Link  string  // ground, size, need, water, collar, wind, exposure
	What  string  // in words
	Value float64 // NaN when the step is words alone
	Unit  string
	From  string // how, and by which source
}

func (tr *Trace) add(link, what string, v float64, unit, from string) {
	tr.Steps = append(tr.Steps, Step{link, what, v, unit, from})
}

func (tr *Trace) size(s *Size) {
	if tr == nil {
		return
	}
	name := s.Species.Latin
	if !s.NameKnown {
		name = "species not understood: street trees in general"
	}
	tr.add("size", name, math.NaN(), "", s.Species.Source)
	tr.add("size", "DBH", s.DBHCm, "cm", s.DBHBy)
	tr.add("size", "height", s.HeightM, "m", s.HeightBy)
	tr.add("size", "crown spread", s.CrownM, "m", s.CrownBy)
	tr.add("size", "crown projection", s.CrownM2, "m2", "pi/4 x spread squared")
	tr.add("size", "reach of roots that is counted", s.ReachM, "m", "12 x DBH, 3 to 9 m: common practice, no source; or set")
}

func (tr *Trace) ground(t *Tree, g *Ground) {
	if tr == nil {
		return
	}
	tr.add("ground", "ground "+g.How, math.NaN(), "", "")
	tr.add("ground", "opening", g.OpenM2, "m2", "disk of reach less hard ground, the part that holds the stem")
	tr.add("ground", "other trees in it", float64(g.Mates), "", "")
	tr.add("ground", "own share", g.ShareM2, "m2", "each point to the nearest stem connected to it")
	from := g.DepthFrom
	if t.DepthM.Known {
		from = "recorded"
	}
	tx := t.Texture
	if tx == soil.NoTexture {
		tx = g.Texture
	}
	if limit := soil.RootLimit(tx).GCm3; t.DensityGCm3.Known && limit > 0 {
		word := "lets roots pass"
		if t.DensityGCm3.Value > limit {
			word = "stops roots below the loosened top"
		}
		from += fmt.Sprintf("; a bulk density of %.2f g/cm3 on record %s (%s: %.2f, NRCS)", t.DensityGCm3.Value, word, tx, limit)
	}
	tr.add("ground", "usable depth", g.DepthM, "m", from)
	tr.add("ground", "available soil volume", g.SoilM3, "m3", "sum of area x depth x usable fraction")
	if !math.IsNaN(g.SoilP10M3) {
		tr.add("ground", "10th percentile under position error", g.SoilP10M3, "m3", "")
		tr.add("ground", "90th percentile under position error", g.SoilP90M3, "m3", "")
	}
	tr.add("ground", "shortest free distance, to the "+compass(g.ShortBearing), g.ShortM, "m", "")
}

func (tr *Trace) need(m *Model, s *Size, r *Result, awc float64, from string) {
	if tr == nil {
		return
	}
	mark := func(n NeedRule) string {
		if n == m.Need {
			return "; decides the class"
		}
		return ""
	}
	tr.add("need", "by crown", r.NeedM3[NeedCrown], "m3", fmt.Sprintf("%.4g m3 per m2 of crown projection: Lindsey & Bassuk 1991%s", m.CrownM3M2, mark(NeedCrown)))
	tr.add("need", "available water capacity", awc, "m3/m3", from)
	tr.add("need", "by water", r.NeedM3[NeedWater], "m3", fmt.Sprintf("crown projection x LAI %.3g x %.3g mm/day x %.3g x %.3g days / capacity: Lindsey & Bassuk 1991%s", m.Budget.LAI, m.Budget.PanMmD, m.Budget.Ratio, m.Budget.Days, mark(NeedWater)))
	tr.add("need", "by standard", r.NeedM3[NeedStandard], "m3", fmt.Sprintf("%s, %s at maturity: %s%s", m.Standard.Name, s.Species.Size, m.Standard.Source, mark(NeedStandard)))
	if m.water != nil {
		tr.add("need", "by climate", r.NeedM3[NeedClimate], "m3", fmt.Sprintf("least volume that holds dry days to %.3g in a mean season: FAO-56 balance of the weather file%s", m.MaxDryDays, mark(NeedClimate)))
	}
}

func (tr *Trace) class(m *Model, g *Ground, r *Result) {
	if tr == nil {
		return
	}
	tr.add("need", "has over need: "+r.Class.String(), r.SoilPct, "%", fmt.Sprintf("ample from %.0f %%, adequate from %.0f %%, constrained from %.0f %%: common practice, no source", 100*m.Bounds[0], 100*m.Bounds[1], 100*m.Bounds[2]))
}

func (tr *Trace) dry(r *Result) {
	if tr == nil {
		return
	}
	tr.add("water", "storage over crown projection", r.Ratios.StorageMM, "mm", "soil volume x capacity / crown projection")
	tr.add("water", "intake over crown projection", r.Ratios.Intake, "", "own share of open ground, with run-off")
	tr.add("water", "dry days in a mean growing season", r.DryDays, "days", "FAO-56 daily balance")
	tr.add("water", "longest dry spell", r.Water.LongestDays, "days", "FAO-56 daily balance")
}

func (tr *Trace) collar(p *collar.Posterior) {
	if tr == nil {
		return
	}
	for i := range p.Terms {
		t := &p.Terms[i]
		what := t.String()
		if t.Missing {
			what = t.Words + ": not known"
		}
		tr.add("collar", what, float64(t.LogOdds), fmt.Sprintf("log-odds, spread %.2f", t.Spread), t.Source)
	}
	tr.add("collar", "probability that girdling roots hold a third or more", p.P, "", fmt.Sprintf("80 %% interval %.2f to %.2f; only excavation tells", p.Lo, p.Hi))
}

func (tr *Trace) wind(m *Model, g *Ground, s *Size, w *wind.Tree, p wind.Parts, plain wind.Result, f *wind.Result, r *Result) {
	if tr == nil {
		return
	}
	if s.DBHCm < leastTestedCm {
		tr.add("wind", "reckoned as a stem of", leastTestedCm, "cm", "with a crown and height that go with it: thinner stems bend out of the wind in ways that the tests do not cover")
	}
	tr.add("wind", "crown outline", p.OutlineM2, "m2", "from height, spread and crown base at a quarter of the height")
	tr.add("wind", "lever arm", p.ArmM, "m", "")
	tr.add("wind", "gust at the crown over the station's", p.StreetFactor, "", "ASCE 7 Kz, built-up terrain")
	if deg, share := m.Wind.MostFrom(); share > 0 {
		tr.add("wind", "strong gusts come most from the "+compass(deg), 100*share, "%", "within 45 degrees of it, 25 % were it even: directions of the gust file, each spread by 20 degrees, five gusts from anywhere added (settings, no source); a tree falls downwind, more to where it is weak")
	}
	tr.add("wind", "drag coefficient at 20 m/s", p.Drag.Cd20, "", fmt.Sprintf("load grows with V^%.2f", p.Drag.Exponent))
	tr.add("wind", "level of the load", m.WindLoad, "", fmt.Sprintf("times the figures above, spread %.2f in its logarithm: set by what storms were surveyed to fell (Johnson et al. 2014; Klein et al. 2020; Duryea et al. 2007), or as set", m.WindLoadSpread))
	if m.WindLoadSize != 0 || m.WindLoadSizeSpread != 0 {
		tr.add("wind", "size of the stem on the load", m.Wind.SizeFactor(w.DBHM), "", fmt.Sprintf("times that again: DBH over 40 cm to the power of %.2f, spread %.2f. The formulas alone have thin stems fail far more often than thick ones, against three of four surveys of storms (Johnson et al. 2014, Kane 2008, Gibbs & Greig 1990; against them Paschal 2025); no survey seen tells by how much, hence the spread", m.WindLoadSize, m.WindLoadSizeSpread))
	}
	tr.add("wind", "green modulus of rupture", w.Wood.MORkPa/1000, "MPa", w.Wood.Of+", "+w.Wood.Basis+": "+w.Wood.Source)
	tr.add("wind", "sound collar holds", p.StemNm/1000, "kNm", "median: MOR x knot factor x pi d3/32, less what a lean takes")
	weakest, at := math.Inf(1), 0
	for k, v := range p.UprootNm {
		if v < weakest {
			weakest, at = v, k
		}
	}
	tr.add("wind", fmt.Sprintf("roots hold, weakest to the %s", compass(float64(at*360/wind.Bearings))), weakest/1000, "kNm", "root plate cut by the reach rose")
	tr.add("wind", "gust at which the base fails", r.GustMS, "m/s", fmt.Sprintf("even odds; %s decides; with a sound collar %.0f m/s", r.Decides, r.GustSoundMS))
	if !math.IsNaN(r.WeakBearing) {
		tr.add("wind", "most likely way to fall, to the "+compass(r.WeakBearing), r.WeakBearing, "degrees", "")
	}
	tr.add("wind", "yearly probability that the base fails", r.FailYr, "", fmt.Sprintf("roots %.3g, collar %.3g; over collar, strength, anchorage and gust", r.UprootYr, r.CollarYr))
	if m.WindLoadSize != 0 || m.WindLoadSizeSpread != 0 {
		tr.add("wind", "the same by the formulas alone, without the size of the stem", plain.FailYr, "", fmt.Sprintf("roots %.3g, collar %.3g; even odds in a gust of %.0f m/s", plain.UprootYr, plain.CollarYr, plain.GustMS))
	}
	if way, falls, hits := f.MostHit(&g.TargetW); hits > 0 {
		tr.add("exposure", "most of what it may hit lies to the "+compass(way), 100*hits, "%", fmt.Sprintf("of the weight of targets in its falls, within 45 degrees; of its falls go that way %.0f %%, by the weak side and the gusts' directions", 100*falls))
	}
	tr.add("exposure", "targets in its fall", r.Exposure, "", "share of the line of fall over targets x class weight, by bearing, x (DBH over 60 cm) squared (1 at most): settings, no source")
	tr.add("exposure", "expected harm a year", r.HarmYr, "", "probability x exposure")
}
