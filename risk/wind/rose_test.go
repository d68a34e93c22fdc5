package wind

import (
	"math"
	"testing"
)

func TestRoseClosedForms(t *testing.T) {
	sum := func(r [Bearings]float64) (s float64) {
		for _, v := range r {
			s += v
		}
		return s
	}
	// Nothing known: from anywhere alike.
	for _, none := range [][]float64{nil, {math.NaN()}} {
		for _, v := range Rose(none) {
			near(t, "even", v, 1./36, 1e-12)
		}
	}
	// 25 gusts from the west, 5 from anywhere: a normal distribution of 20 degrees,
	// of which the sector of 10 degrees about the west holds 2 F(0.25) - 1.
	west := make([]float64, 25)
	for i := range west {
		west[i] = 270
	}
	r := Rose(west)
	near(t, "all of it", sum(r), 1, 1e-12)
	if r != Rose(append([]float64{math.NaN(), math.Inf(1)}, west...)) {
		t.Error("a direction that is no number took those after it away")
	}
	near(t, "west", r[27], (25*(2*0.598706-1)+5./36)/30, 1e-5)
	near(t, "east", r[9], (5./36)/30, 1e-5)
	for k := range 18 {
		near(t, "both sides alike", r[(27+k)%36], r[27-k], 1e-12)
	}
	// About north it goes round, and 360 is 0.
	n := Rose([]float64{0, 360, -360})
	for k := 1; k < 18; k++ {
		near(t, "about north", n[k], n[36-k], 1e-12)
	}
	c := Climate{From: r}
	if deg, share := c.MostFrom(); deg != 270 || math.Abs(share-(25*(2*0.987776-1)+5./4)/30) > 1e-4 { // F(2.25)
		t.Errorf("most from %g, %g of them", deg, share)
	}
	if _, share := (Climate{}).MostFrom(); share != 0 {
		t.Errorf("no direction: %g", share)
	}
}

// All gusts from the west, targets to the east alone: whatever falls, falls on
// them. With targets to the west alone, nothing does.
func TestGustsFromTheWestFallToTheEast(t *testing.T) {
	c := midland()
	c.From = rose(func(b int) float64 {
		if b == 270 {
			return 1
		}
		return 0
	})
	tree := maple()
	tree.LeanDeg, tree.LeanBearing = 3, 250 // to the west: it still goes downwind
	r := c.Fail(tree, 0.2, nil)
	at := func(deg int) *[Bearings]float64 {
		return ptr(rose(func(b int) float64 {
			if b == deg {
				return 0.8
			}
			return 0
		}))
	}
	near(t, "east", Exposure(&r.ByBearing, at(90)), 0.8, 1e-12)
	near(t, "west", Exposure(&r.ByBearing, at(270)), 0, 0)
	near(t, "way", r.WeakBearing, 90, 0)
	// Half of the gusts from the north: an evenly rooted upright tree falls either
	// way as often.
	c.From[0] = 1
	r = c.Fail(maple(), 0.2, nil)
	near(t, "east, of two ways", Exposure(&r.ByBearing, at(90)), 0.4, 1e-9)
	near(t, "south, of two ways", Exposure(&r.ByBearing, at(180)), 0.4, 1e-9)
}
