package wind

import (
	"math"
	"testing"
)

func TestExposureClosedForms(t *testing.T) {
	even := rose(func(int) float64 { return 1. / Bearings })
	all := rose(func(int) float64 { return 1 })
	half := rose(func(b int) float64 {
		if b < 180 {
			return 0.5
		}
		return 0
	})
	near(t, "everywhere", Exposure(&even, &all), 1, 1e-12)
	near(t, "half of the ways, weight a half", Exposure(&even, &half), 0.25, 1e-12)
	north := rose(func(b int) float64 {
		if b == 0 {
			return 1
		}
		return 0
	})
	near(t, "onto it", Exposure(&north, &half), 0.5, 1e-12)
	near(t, "away from it", Exposure(&north, ptr(rose(func(b int) float64 {
		if b == 0 {
			return 0
		}
		return 1
	}))), 0, 0)
	bad := rose(func(int) float64 { return math.NaN() })
	near(t, "NaN counts as none", Exposure(&bad, &all), 0, 0)
}

// Falls alike every way; a road from 60 to 110 degrees and one of half the weight
// at 250: the ninety degrees about the middle of the first hold its six parts of
// the six and a half, and 9 of the 36 ways of falling.
func TestMostHitClosedForms(t *testing.T) {
	r := Result{ByBearing: rose(func(int) float64 { return 1. / Bearings })}
	targets := rose(func(b int) float64 {
		switch {
		case b >= 60 && b <= 110:
			return 0.8
		case b == 250:
			return 0.4
		}
		return 0
	})
	deg, falls, hits := r.MostHit(&targets)
	// From 70 to 100 degrees all see the whole road; the first of them is told.
	near(t, "bearing", deg, 70, 0)
	near(t, "falls", falls, 9./36, 1e-12)
	near(t, "hits", hits, 6/6.5, 1e-12)
	var none [Bearings]float64
	deg, falls, hits = r.MostHit(&none)
	near(t, "nothing to hit", deg+falls+hits, 0, 0)
}

func TestEveryTargetClassSaysWhereItsWeightIsFrom(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range TargetClasses() {
		if c.Source == "" || c.Weight < 0 || c.Weight > 1 || seen[c.Name] {
			t.Errorf("%+v: want a source, a weight from 0 to 1 and a name of its own", c)
		}
		seen[c.Name] = true
	}
	if w, known := TargetWeight("road"); !known || w != 0.5 {
		t.Errorf("road weighs %v (%v)", w, known)
	}
	other, _ := TargetWeight("other")
	if w, known := TargetWeight("spaceport"); known || w != other || other == 0 {
		t.Errorf("an unknown class weighs %v (%v), want as other", w, known)
	}
}

func TestSizeWeight(t *testing.T) {
	near(t, "30 cm", SizeWeight(0.3), 0.25, 1e-12)
	near(t, "large", SizeWeight(1.2), 1, 0)
	near(t, "none", SizeWeight(-1), 0, 0)
}
