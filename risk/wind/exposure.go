package wind

// Exposure returns what a falling tree would hit, from 0 (nothing) to 1 (a target
// of weight 1 along the whole fall line in every way it may fall): the sum over
// bearings of the probability of falling that way and the weight of the targets
// that lie there. byBearing sums to 1 (Result.ByBearing). targetW is, for each
// bearing, the share of the fall line (tree height from the stem) over targets,
// times their class weight. Values outside 0 to 1 are held there.
func Exposure(byBearing, targetW *[Bearings]float64) float64 {
	var sum float64
	for b := range byBearing {
		sum += within(byBearing[b], 0, 1) * within(targetW[b], 0, 1)
	}
	return within(sum, 0, 1)
}

// MostHit returns the bearing about which most of the exposure lies, and the share
// of the falls and of the exposure within 45 degrees of it; zeros where there is
// nothing to hit.
func (r *Result) MostHit(targetW *[Bearings]float64) (deg, falls, hits float64) {
	var hit [Bearings]float64
	var sum float64
	for b := range hit {
		hit[b] = within(r.ByBearing[b], 0, 1) * within(targetW[b], 0, 1)
		sum += hit[b]
	}
	if !(sum > 0) {
		return 0, 0, 0
	}
	for b := range hit {
		var h, f float64
		for k := -4; k <= 4; k++ {
			at := (b + k + Bearings) % Bearings
			h += hit[at]
			f += r.ByBearing[at]
		}
		if h/sum > hits*(1+1e-9) {
			deg, falls, hits = float64(b)*360/Bearings, f, h/sum
		}
	}
	return deg, falls, hits
}

// FallM returns how far from the stem a tree of a height reaches when it goes over
// at the base: its height. Practice inspects up to 1.5 heights for flying wood
// (common practice, no source); that is not counted.
func FallM(heightM float64) float64 { return within(heightM, 0, 110) }

// SizeWeight returns how much harm a falling tree of a DBH can do against a large
// one: (DBH over 60 cm) squared, at most 1. What strikes goes as mass times
// height of fall, and that as DBH squared or more (setting, no source).
func SizeWeight(dbhM float64) float64 {
	d := within(dbhM/0.6, 0, 1)
	return d * d
}

// TargetClass is a class of things under trees and its weight.
type TargetClass struct {
	Name   string
	Weight float64 // 0 to 1
	Source string
}

// targetClasses are settings: how much worse it is to hit one than another, in a
// town that knows no more. A city sets its own by its traffic and its footfall.
var targetClasses = []TargetClass{
	{"school", 1, "setting, no source: people, many, often"},
	{"playground", 1, "setting, no source: people, many, often"},
	{"transit stop", 1, "setting, no source: people who stand and wait"},
	{"building", 0.8, "setting, no source: people shielded by a roof, great damage"},
	{"main road", 0.8, "setting, no source: moving cars all day"},
	{"power line", 0.8, "setting, no source: live conductors"},
	{"road", 0.5, "setting, no source: moving cars at times"},
	{"sidewalk", 0.5, "setting, no source: walkers at times"},
	{"parking", 0.3, "setting, no source: parked cars, few people"},
	{"driveway", 0.3, "setting, no source: parked cars, few people"},
	{"path", 0.3, "setting, no source: walkers, rarely in a storm"},
	{"other", 0.3, "setting, no source: something hard, of unknown use"},
	{"lawn", 0.05, "setting, no source: rarely anybody in a storm"},
}

// TargetClasses returns the built-in classes.
func TargetClasses() []TargetClass { return append([]TargetClass(nil), targetClasses...) }

// TargetWeight returns the weight of a class, and whether it is known; an unknown
// class weighs as "other".
func TargetWeight(class string) (weight float64, known bool) {
	var other float64
	for _, c := range targetClasses {
		if c.Name == class {
			return c.Weight, true
		}
		if c.Name == "other" {
			other = c.Weight
		}
	}
	return other, false
}
