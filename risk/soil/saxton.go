package soil

import (
	"fmt"
	"math"
)

// ClassOrganicPct is the organic matter, percent by weight, at which the class
// table of Saxton & Rawls 2006 was computed (from memory; confirmed by the fit:
// it alone gives all the printed values back).
const ClassOrganicPct = 2.5

// Water is what a soil holds and lets through.
type Water struct {
	WP         float64 // wilting point (1500 kPa), fraction by volume
	FC         float64 // field capacity (33 kPa), fraction by volume
	Saturation float64 // fraction by volume
	KsMmH      float64 // saturated conductivity, mm/h
	DensityG   float64 // dry bulk density at normal packing, g/cm3
}

// Available is the available water capacity, field capacity less wilting
// point, m3 of water per m3 of soil.
func (w Water) Available() float64 { return w.FC - w.WP }

// SaxtonRawls computes the water characteristics of a mineral soil from sand
// and clay (percent by weight, together at most 100) and organic matter
// (percent by weight, 0 to 8), after Saxton & Rawls 2006, equations 1, 2, 3,
// 5, 6, 14, 15, 16 and 18. The fitted range is clay up to 60 % and organic
// matter up to 8 %; an error says what lies outside.
func SaxtonRawls(sandPct, clayPct, organicPct float64) (Water, error) {
	switch {
	case !(sandPct >= 0) || !(clayPct >= 0) || sandPct+clayPct > 100.0001:
		return Water{}, fmt.Errorf("sand %g %% and clay %g %% are no soil: each must be 0 or more and both together 100 or less", sandPct, clayPct)
	case clayPct > 60:
		return Water{}, fmt.Errorf("clay %g %% is beyond the 60 %% to which the equations were fitted", clayPct)
	case !(organicPct >= 0) || organicPct > 8:
		return Water{}, fmt.Errorf("organic matter %g %% is outside the 0 to 8 %% to which the equations were fitted", organicPct)
	}
	S, C, OM := sandPct/100, clayPct/100, organicPct
	t1500 := -.024*S + .487*C + .006*OM + .005*S*OM - .013*C*OM + .068*S*C + .031
	th1500 := t1500 + (.14*t1500 - .02)
	t33 := -.251*S + .195*C + .011*OM + .006*S*OM - .027*C*OM + .452*S*C + .299
	// 1.283: copies with 1.238 are about and give conductivities that are not
	// those printed.
	th33 := t33 + (1.283*t33*t33 - .374*t33 - .015)
	tS33 := .278*S + .034*C + .022*OM - .018*S*OM - .027*C*OM - .584*S*C + .078
	thS33 := tS33 + (.636*tS33 - .107)
	thS := th33 + thS33 - .097*S + .043
	B := (math.Log(1500) - math.Log(33)) / (math.Log(th33) - math.Log(th1500))
	ks := 1930 * math.Pow(thS-th33, 3-1/B)
	return Water{WP: th1500, FC: th33, Saturation: thS, KsMmH: ks, DensityG: (1 - thS) * 2.65}, nil
}

// Available water of stone-soil (structural) mixes, fraction by volume of the
// whole mix, measured: Grabosky, Haffner & Bassuk 2009, Arboriculture & Urban
// Forestry 35(5):271-278, table 4 and text (range 0.07 to 0.11).
const (
	StoneMixGravel = 0.070 // gravel-based mix, .116 - .046
	StoneMixSlate  = 0.098 // expanded-slate mix, .158 - .060
)

// StoneMixWater is the available water of a stone-soil mix by its soil part:
// soilFraction (0 to 1, by volume) of a soil that holds awc. It counts no water
// on or in the stones; the measured mixes above hold more than this when the
// stone is porous.
func StoneMixWater(soilFraction, awc float64) float64 { return soilFraction * awc }
