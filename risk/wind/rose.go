package wind

import "math"

const (
	// roseSpreadDeg is the standard deviation over which the direction of a gust is
	// spread: stations write tens of degrees, and a squall turns as it passes
	// (setting, no source).
	roseSpreadDeg = 20
	// roseDoubt is how many gusts from anywhere alike are added, so that a few
	// storms do not rule a side out (setting, no source).
	roseDoubt = 5
)

// Rose returns the weights of Climate.From from the directions that strong gusts
// came from, degrees clockwise from north: each is spread about its direction as
// a normal distribution wrapped round the circle, and five gusts from anywhere
// alike are added. It sums to 1. Directions that are no finite number do not
// count; without any, all weights are alike.
func Rose(fromDeg []float64) (rose [Bearings]float64) {
	n := 0
	for _, d := range fromDeg {
		if math.IsNaN(d) || math.IsInf(d, 0) {
			continue
		}
		n++
		d = math.Mod(math.Mod(d, 360)+360, 360)
		const half = 180. / Bearings
		for b := range rose {
			mid := float64(b) * 360 / Bearings
			for turn := -360.; turn <= 360; turn += 360 {
				rose[b] += normalCDF((mid+half+turn-d)/roseSpreadDeg) - normalCDF((mid-half+turn-d)/roseSpreadDeg)
			}
		}
	}
	sum := 0.
	for b := range rose {
		rose[b] += roseDoubt / float64(Bearings)
		sum += rose[b]
	}
	for b := range rose {
		rose[b] /= sum
	}
	return rose
}

// MostFrom returns the bearing that most gusts of the climate come from, and the
// share of them within 45 degrees of it; the share is 0 when no direction is
// known.
func (c Climate) MostFrom() (deg, share float64) {
	var sum float64
	for _, f := range c.From {
		sum += within(f, 0, 1e9)
	}
	if sum == 0 {
		return 0, 0
	}
	for b := range c.From {
		var near float64
		for k := -4; k <= 4; k++ { // 45 degrees to each side
			near += within(c.From[(b+k+Bearings)%Bearings], 0, 1e9)
		}
		if near/sum > share*(1+1e-9) {
			deg, share = float64(b)*360/Bearings, near/sum
		}
	}
	return deg, share
}
