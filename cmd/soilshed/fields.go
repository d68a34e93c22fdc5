package main

import (
	"math"

	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/soil"
)

// The one table of what is written: names, units and meaning of every field.
// The layers, explain, the README's list and the styles come from it.

// measure is what a number measures; its unit follows from the run's units.
type measure uint8

const (
	plain measure = iota
	lengthM
	diameterCm
	areaM2
	volumeM3
	speedMS
	volumeL
)

// outField is a field of the layer trees.
type outField struct {
	name   string // in SI, ten characters or fewer
	usName string // in US units; "" when it is the same
	kind   layer.Kind
	of     measure
	unit   string // of plain numbers
	digits int    // decimals that are written
	alias  string
	doc    string
	get    func(a *assessment, i int, r *row, s *risk.Size) layer.Value
}

// number makes a value, null when it is not a finite number.
func number(v float64) layer.Value {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return layer.Value{}
	}
	return layer.Number(v)
}

// assessed gives null for a tree that was not assessed.
func assessed(get func(r *row) float64) func(*assessment, int, *row, *risk.Size) layer.Value {
	return func(_ *assessment, _ int, r *row, _ *risk.Size) layer.Value {
		if !r.res.Assessed {
			return layer.Value{}
		}
		return number(get(r))
	}
}

// soilPct is the soil in parts of the need, to 0.1 %: rounded down, or a tree that
// lacks a hair of half its need would stand as one with 50 % and yet severe.
func soilPct(r *row) float64 { return math.Floor(r.res.SoilPct*10+1e-9) / 10 }

// grounded gives null where the map does not cover the place.
func grounded(get func(r *row) float64) func(*assessment, int, *row, *risk.Size) layer.Value {
	return func(_ *assessment, _ int, r *row, _ *risk.Size) layer.Value {
		if !r.res.Assessed || r.how == uncoveredGround {
			return layer.Value{}
		}
		return number(get(r))
	}
}

func text(get func(a *assessment, i int, r *row, s *risk.Size) string) func(*assessment, int, *row, *risk.Size) layer.Value {
	return func(a *assessment, i int, r *row, s *risk.Size) layer.Value {
		if t := get(a, i, r, s); t != "" {
			return layer.String(t)
		}
		return layer.Value{}
	}
}

var treeFields = []outField{
	{name: "tree_id", alias: "tree", doc: "Number of the tree in the inventory; ~2, ~3 mark repeated numbers, # a record's place where it has none.",
		get: text(func(a *assessment, i int, _ *row, s *risk.Size) string { return a.in.trees.id(i) })},
	{name: "species", alias: "species", doc: "Species as understood: Latin name, or genus; as recorded where it was not understood.",
		get: text(func(a *assessment, i int, _ *row, s *risk.Size) string {
			if s.NameKnown {
				return s.Species.Latin
			}
			return a.in.trees.species(i)
		})},
	{name: "dbh_cm", usName: "dbh_in", kind: layer.Real, of: diameterCm, digits: 1, alias: "DBH", doc: "Diameter at breast height, as recorded or derived from another measure by a published equation.",
		get: func(_ *assessment, _ int, _ *row, s *risk.Size) layer.Value {
			if s.DBH != risk.Typical {
				return number(s.DBHCm)
			}
			return layer.Value{}
		}},
	{name: "crown_m", usName: "crown_ft", kind: layer.Real, of: lengthM, digits: 1, alias: "crown spread", doc: "Crown spread, as recorded or derived from the DBH by a published equation.",
		get: func(_ *assessment, _ int, _ *row, s *risk.Size) layer.Value {
			if s.Crown != risk.Typical {
				return number(s.CrownM)
			}
			return layer.Value{}
		}},
	{name: "ground", alias: "ground found", doc: "How the ground was found: measured, snapped (stem moved to open ground near by), recorded (pit of the inventory), assumed (pit of the settings), sealed (none), open (nothing hard within reach), uncovered (outside the hard layers).",
		get: text(func(_ *assessment, _ int, r *row, _ *risk.Size) string {
			if !r.res.Assessed {
				return ""
			}
			return r.how.String()
		})},
	{name: "open_m2", usName: "open_ft2", kind: layer.Real, of: areaM2, digits: 2, alias: "opening", doc: "Area of the opening that holds the stem, within reach.",
		get: grounded(func(r *row) float64 { return r.openM2 })},
	{name: "mates", kind: layer.Integer, alias: "other trees in it", doc: "Other stems that stand in the opening. Trees whose stems stand outside may share it too.",
		get: func(_ *assessment, _ int, r *row, _ *risk.Size) layer.Value {
			if !r.res.Assessed || r.how == uncoveredGround {
				return layer.Value{}
			}
			return layer.Whole(int64(r.mates))
		}},
	{name: "share_m2", usName: "share_ft2", kind: layer.Real, of: areaM2, digits: 2, alias: "own share", doc: "The tree's own share of the opening: each point goes to the nearest stem connected to it.",
		get: grounded(func(r *row) float64 { return r.shareM2 })},
	{name: "depth_m", usName: "depth_ft", kind: layer.Real, of: lengthM, digits: 2, alias: "usable depth", doc: "Usable soil depth, mean over the share.",
		get: grounded(func(r *row) float64 { return r.depthM })},
	{name: "soil_m3", usName: "soil_ft3", kind: layer.Real, of: volumeM3, digits: 2, alias: "available soil", doc: "Available soil volume: the sum over the share of area x depth x usable fraction.",
		get: grounded(func(r *row) float64 { return r.soilM3 })},
	{name: "soil_p10", usName: "p10_ft3", kind: layer.Real, of: volumeM3, digits: 2, alias: "available soil, low", doc: "10th percentile of the available soil volume under the stated position error.",
		get: grounded(func(r *row) float64 { return r.p10 })},
	{name: "soil_p90", usName: "p90_ft3", kind: layer.Real, of: volumeM3, digits: 2, alias: "available soil, high", doc: "90th percentile of the available soil volume under the stated position error.",
		get: grounded(func(r *row) float64 { return r.p90 })},
	{name: "need_m3", usName: "need_ft3", kind: layer.Real, of: volumeM3, digits: 2, alias: "need", doc: "Soil volume that the tree needs, by the rule that decides the class.",
		get: assessed(func(r *row) float64 { return r.res.Need })},
	{name: "need_by", alias: "need by", doc: "The rule of the need, and where the crown is from.",
		get: text(func(a *assessment, i int, r *row, s *risk.Size) string {
			if !r.res.Assessed {
				return ""
			}
			if a.model.Need == risk.NeedStandard {
				return "standard: " + a.model.Standard.Name + ", " + s.Species.Size.String() + " at maturity"
			}
			return a.model.Need.String() + ": crown " + s.CrownBy
		})},
	{name: "soil_pct", kind: layer.Real, unit: "%", digits: 1, alias: "soil of need", doc: "100 x available soil volume / need, rounded down, as a class begins at its bound.",
		get: assessed(soilPct)},
	{name: "soil_class", alias: "soil class", doc: "ample (the need or more), adequate (0.75 of it), constrained (0.5), severe (below); or as --class-bounds sets them.",
		get: text(func(_ *assessment, _ int, r *row, _ *risk.Size) string { return className(r) })},
	{name: "dry_days", kind: layer.Real, unit: "days", digits: 1, alias: "dry days", doc: "Mean days of water stress in a growing season, by the daily balance of the weather file.",
		get: grounded(func(r *row) float64 { return r.res.DryDays })},
	{name: "reach_m", usName: "reach_ft", kind: layer.Real, of: lengthM, digits: 2, alias: "shortest reach", doc: "Shortest free distance from the stem to hard ground.",
		get: grounded(func(r *row) float64 { return r.shortM })},
	{name: "reach_brg", kind: layer.Integer, unit: "degrees", alias: "shortest side", doc: "Bearing of the shortest free distance, degrees from true north.",
		get: func(_ *assessment, _ int, r *row, _ *risk.Size) layer.Value {
			if !r.res.Assessed || r.how == uncoveredGround || r.how == openGround {
				return layer.Value{}
			}
			return layer.Whole(int64(r.shortBrg))
		}},
	{name: "sgr_p", kind: layer.Real, digits: 4, alias: "probability of girdling", doc: "Probability that stem girdling roots hold a third or more of the stem's circumference. Only excavation tells.",
		get: assessed(func(r *row) float64 { return r.res.GirdledP })},
	{name: "sgr_lo", kind: layer.Real, digits: 4, alias: "girdling, low", doc: "Lower end of the 80 % interval of sgr_p.",
		get: assessed(func(r *row) float64 { return r.res.GirdledLo })},
	{name: "sgr_hi", kind: layer.Real, digits: 4, alias: "girdling, high", doc: "Upper end of the 80 % interval of sgr_p.",
		get: assessed(func(r *row) float64 { return r.res.GirdledHi })},
	{name: "odd_z", kind: layer.Real, digits: 2, alias: "behind its cohort", doc: "How much worse the tree does than those of its kind planted about the same time in the same area: robust z, positive is worse.",
		get: assessed(func(r *row) float64 { return r.res.OddZ })},
	{name: "gust_ms", usName: "gust_mph", kind: layer.Real, of: speedMS, digits: 1, alias: "gust of failure", doc: "Gust (3 s, 10 m, open ground) at which the base fails with even odds. Empty where that is beyond 100 m/s, which the formulas are not made for: no sign of safety.",
		get: assessed(func(r *row) float64 {
			if r.res.GustMS > mostGustMS {
				return math.NaN()
			}
			return r.res.GustMS
		})},
	{name: "weak_brg", kind: layer.Integer, unit: "degrees", alias: "way it would fall", doc: "Bearing towards which it would most likely fall; empty when no way stands out.",
		get: func(_ *assessment, _ int, r *row, _ *risk.Size) layer.Value {
			if !r.res.Assessed || math.IsNaN(r.res.WeakBearing) {
				return layer.Value{}
			}
			return layer.Whole(int64(math.Round(r.res.WeakBearing)) % 360)
		}},
	{name: "fail_yr", kind: layer.Real, digits: 6, alias: "failure a year", doc: "Yearly probability that the base fails, by roots or collar. A screen's number: it ranks, and rates no tree.",
		get: assessed(func(r *row) float64 { return r.res.FailYr })},
	{name: "exposure", kind: layer.Real, digits: 4, alias: "exposure", doc: "Share of its line of fall that lies over targets, times their class weight, times its stem's size: (DBH over 60 cm) squared, 1 at most.",
		get: assessed(func(r *row) float64 { return r.res.Exposure })},
	{name: "harm_yr", kind: layer.Real, digits: 7, alias: "expected harm a year", doc: "fail_yr x exposure.",
		get: assessed(func(r *row) float64 { return r.res.HarmYr })},
	{name: "rank", kind: layer.Integer, alias: "rank", doc: "Order in which to excavate and look at collars: by the harm that an hour of a crew can avert, or as --list-by says.",
		get: func(_ *assessment, _ int, r *row, _ *risk.Size) layer.Value {
			if r.rank == 0 {
				return layer.Value{}
			}
			return layer.Whole(int64(r.rank))
		}},
	{name: "do_next", alias: "next step", doc: "What to do next.",
		get: text(func(a *assessment, i int, r *row, s *risk.Size) string {
			if !r.res.Assessed {
				return ""
			}
			return a.nextStep(i, r)
		})},
	{name: "why", alias: "reasons", doc: "The three strongest reasons.",
		get: text(func(a *assessment, _ int, r *row, _ *risk.Size) string { return a.local(r.res.Why()) })},
	{name: "missing", alias: "missing", doc: "What the inventory does not say of this tree.",
		get: text(func(_ *assessment, _ int, r *row, _ *risk.Size) string {
			if !r.res.Assessed {
				return ""
			}
			return r.res.Missing.Words()
		})},
}

// openingFields are those of the layer openings, taken from treeFields by name.
var openingFields = []string{"tree_id", "share_m2", "soil_m3", "soil_class"}

// firstOfList is how many trees at the head of the list are to be excavated: one
// in twenty, ten at least and no more than a worklist holds.
func (a *assessment) firstOfList() int32 {
	return int32(min(listRows, max(10, len(a.byRank)/20)))
}

// nextStep is what to do next about tree i. The head of the list is there to be
// excavated; what else is to be done there is told by the other fields.
func (a *assessment) nextStep(i int, r *row) string {
	g := risk.Ground{Unsurveyed: r.how == uncoveredGround, Measured: measuredGround(r.how)}
	if r.rank > 0 && r.rank <= a.firstOfList() && !g.Unsurveyed {
		return "excavate the root collar"
	}
	if r.res.CarefulGustMS < weakGustMS && !a.in.trees.dead(i) && !g.Unsurveyed {
		return "have a certified arborist see its base"
	}
	t := a.in.trees.at(i)
	return a.model.NextStep(&t, &g, &r.res)
}

const (
	// mostGustMS is the gust beyond which none is told: stronger than any
	// measured outside tornadoes and the worst typhoons (from memory).
	mostGustMS = 100
	// weakGustMS: a base that is reckoned to fail in a severe gale is looked at,
	// whatever else is to be done (setting, no source).
	weakGustMS = 25
)

func className(r *row) string {
	if !r.res.Graded {
		return ""
	}
	return r.res.Class.String()
}

// classNames are the soil classes from bad to good.
var classNames = []string{soil.Severe.String(), soil.Constrained.String(), soil.Adequate.String(), soil.Ample.String()}

// conversion to US units; the international foot, as measures of trees are taken.
var usUnits = map[measure]struct {
	unit   string
	factor float64
}{
	lengthM: {"ft", 1 / 0.3048}, diameterCm: {"in", 1 / 2.54}, areaM2: {"ft2", 1 / (0.3048 * 0.3048)},
	volumeM3: {"ft3", 1 / (0.3048 * 0.3048 * 0.3048)}, speedMS: {"mph", 3600 / 1609.344},
	volumeL: {"gal", 1 / 3.785411784}, // US liquid gallon, 231 cubic inches
}

var siUnits = map[measure]string{lengthM: "m", diameterCm: "cm", areaM2: "m2", volumeM3: "m3", speedMS: "m/s", volumeL: "l"}

// field returns the field of a layer for f in the run's units.
func (f *outField) field(us bool) layer.Field {
	x := layer.Field{Name: f.name, Kind: f.kind, Unit: f.unit, Alias: f.alias, Doc: f.doc}
	if f.of != plain {
		x.Unit = siUnits[f.of]
		if us {
			x.Unit = usUnits[f.of].unit
		}
	}
	if us && f.usName != "" {
		x.Name = f.usName
	}
	return x
}

// value returns what is written of tree i: in the run's units, rounded.
func (f *outField) value(a *assessment, i int, r *row, s *risk.Size, us bool) layer.Value {
	return f.written(f.get(a, i, r, s), us)
}

// written turns a value of the field into the run's units, rounded.
func (f *outField) written(v layer.Value, us bool) layer.Value {
	if f.kind != layer.Real {
		return v
	}
	x, ok := v.Float()
	if !ok {
		return v
	}
	if us && f.of != plain {
		x *= usUnits[f.of].factor
	}
	p := math.Pow10(f.digits)
	return layer.Number(math.Round(x*p) / p)
}
