package ground

import (
	"math"
	"math/rand/v2"
	"testing"

	"soilshed/geo"
)

// The directions between the ends of a segment, told without an arc tangent,
// are those that their bearings tell.
func TestRaysBetweenAreThoseOfTheBearings(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	end := func() geo.XY {
		switch r.IntN(5) {
		case 0:
			return unit[r.IntN(Bearings)]
		case 1:
			return geo.XY{X: float64(r.IntN(3) - 1), Y: float64(r.IntN(3) - 1)}
		}
		return geo.XY{X: r.NormFloat64(), Y: r.NormFloat64()}
	}
	for range 300000 {
		a, b := end(), end()
		cr := a.X*b.Y - a.Y*b.X
		if math.Abs(cr) < 1e-9 {
			continue
		}
		lo, hi := sector(a, b)
		from, to := raysBetween(a, b, cr)
		var in [Bearings]bool
		for k := from; k <= to; k++ {
			in[k%Bearings] = true
		}
		for k := range in {
			ahead := math.Mod(float64(k)*step-lo+360, 360)
			if ahead <= hi-lo && !in[k] {
				t.Fatalf("%v to %v, bearings %v to %v: %d is missing in %d to %d", a, b, lo, hi, k*int(step), from, to)
			}
			if in[k] && ahead > hi-lo+1e-6 && ahead < 360-1e-6 {
				t.Fatalf("%v to %v, bearings %v to %v: %d lies not between", a, b, lo, hi, k*int(step))
			}
		}
	}
}
