package wind

import "math"

// PlateRadius returns the radius in m of the root plate that holds a tree, taken
// as the structural root zone of AS 4970-2009 (clause 3.3.5, quoted by a
// consultancy's public page): R = 0.64*(50*D)^0.42, not less than 1.5 m. D is the
// stem diameter in m above the root flare; DBH is used for it, which is a
// little less.
func PlateRadius(dM float64) float64 {
	return math.Max(1.5, 0.64*math.Pow(50*within(dM, 0.01, 5), 0.42))
}

// uprootNm3 is the uprooting moment over height x DBH^2 (N*m per m3): 55 kN*m.
//
// Shape: the moment to uproot is best predicted by H*DBH^2 (Peltola et al. 2000,
// For. Ecol. Manage. 135:143-153, abstract). Level, from two published sets that
// do not report this coefficient, converted here:
//
//   - Byrne 2005 (UBC thesis, abstract): 77.4 to 145.6 N*m per kg of stem for
//     four conifers; with 0.45 of a cylinder at 900 kg/m3 (from memory, 318 kg
//     per m3 of H*DBH^2) that is 25 to 46 kN*m per m3;
//   - young landscape oaks winched one to three seasons after planting: 12.7 to
//     25.5 MPa of trunk bending stress at the 2 to 3 degrees of tilt at which
//     others found the peak moment (Gilman et al., table in auf.isa-arbor.com
//     markup 2073; Dundee 2025, Forests 16:1780); with H/DBH of 33 to 50 that is
//     25 to 83 kN*m per m3.
//
// 55 is what the oaks held in their third season at 2.5 degrees (22.9 MPa) with
// H/DBH 40. The test sets it beside both sets.
const uprootNm3 = 55e3

// anchorSpread is the standard deviation of ln(moment) of a tree about the line
// above: 0.43. From the analysis of variance of more than 280 uprooted trees on
// urban and forest sites (Detter et al. 2023, Forests 14:533, table A1): residual
// 29.51 on 267 degrees of freedom, that is 0.33 within a species, and 0.43 with
// the species term (22.38 on 7) and its interaction (1.14 on 7) put back.
const anchorSpread = 0.43

// hinge is how far to leeward of the stem, in radii of the plate, it turns over.
// The literature has the hinge near the stem, nearer than the edge of the plate
// (from memory, no figure). 0.4 is set so that losing half of the roots costs
// what it cost willow oaks, 30 % of the pulling force, as a mean over the sides
// (Smiley 2008, AUF 34(2):123, abstract).
const hinge = 0.4

// fullPlate is the sum over the sectors of a full plate, windwardShare the part
// of it to windward.
var fullPlate, windwardShare = func() (full, windward float64) {
	for b := range Bearings {
		c := math.Cos(2 * math.Pi * float64(b) / Bearings)
		q := 1.0
		if c < -hinge {
			q = hinge / -c
		}
		m := q * (q/2*c + hinge)
		full += m
		if c > 1e-9 {
			windward += m
		}
	}
	return full, windward / full
}()

// cutShare is how much of the resistance the reach of the roots decides.
//
// Cutting all roots on one side at the trunk cost young willow oaks 35 % of the
// pulling force (the same paper). In the plate below, the windward half carries
// about four fifths: 0.35/0.79. The rest stands for roots that pass under walks
// and kerbs, sinkers and the soil's own weight: a tree with no free ground at all
// keeps a little over half. Beyond three stem diameters such cuts were no longer
// measurable there, nor trenches 1 m from 23-40 cm trees in Quebec (Pallafray et
// al. 2024, Forests 15:1041); ours still counts them, which is the careful side.
var cutShare = 0.35 / windwardShare

// Plate returns, for each fall bearing, how much of the resistance of a full
// root plate is left when roots reach only reachM (free distance from the stem,
// by bearing, m) in a plate of radiusM. 1 for free ground, never below
// 1-cutShare.
//
// The plate turns about a line to leeward. Each sector resists with its area times
// its lever to that line, with a strength per area that falls off with distance
// as roots taper (1/r; our choice, no source), so in units of the radius a
// sector of reach q at the angle psi from the windward bearing gives
//
//	q^2/2*cos(psi) + e*q,   e = hinge * reach to leeward, weighted by cos^2
//
// where a leeward sector counts up to the hinge line only. More reach in any
// direction never gives less.
func Plate(radiusM float64, reachM *[Bearings]float64) [Bearings]float64 {
	radiusM = within(radiusM, 0.1, 20)
	var left [Bearings]float64
	// Three turns of the rose, so that no index need be taken round.
	var q [3 * Bearings]float64
	free, whole := true, 0.
	for i, r := range reachM {
		x := within(r/radiusM, 0, 1)
		free = free && x == 1
		whole += x
		q[i], q[i+Bearings], q[i+2*Bearings] = x, x, x
	}
	if free {
		for b := range left {
			left[b] = 1
		}
		return left
	}
	for b := range left {
		leeward := q[b+Bearings-side:][:2*side+1]
		windward := q[b+Bearings+Bearings/2-side:][:2*side+1]
		// A sector to leeward gives q*e - q^2/2*c up to the hinge line, where that
		// is largest, so e^2/(2*c) less what is missing of it; to windward, and at
		// right angles, q*e + q^2/2*c.
		var e, pull, missing, behind float64
		for k, c := range &cosSide {
			e += c * c * leeward[k]
			behind += leeward[k]
			pull += c * windward[k] * windward[k]
		}
		e *= hinge / (Bearings / 4) // sum of cos^2 over the half plane: 9
		for k, c := range &cosSide {
			short := e - leeward[k]*c
			short += math.Abs(short) // twice what is short, or nothing
			missing += short * short * halfSecant[k]
		}
		m := e*(whole-behind) + pull/2 + e*e*allSecants - missing/4
		left[b] = 1 - cutShare*(1-m/fullPlate)
	}
	return left
}

// side is how many sectors lie within a right angle of a bearing, to each side.
const side = Bearings/4 - 1

// cosSide are the cosines of the sectors to one side of the hinge, from one end
// to the other, halfSecant 1/2 over them, allSecants the sum of these.
var cosSide, halfSecant, allSecants = func() (c, half [2*side + 1]float64, all float64) {
	for k := range c {
		c[k] = math.Cos(2 * math.Pi * float64(k-side) / Bearings)
		half[k] = 0.5 / c[k]
		all += half[k]
	}
	return c, half, all
}()

// DepthFactor returns the effect of rooting depth in m: 1 where roots go 0.8 m
// and deeper, 1/1.125 at 0.4 m and less, straight between. Deep rooting (>80 cm)
// raised the critical turning moment of Sitka spruce by 10 to 15 % against
// shallower roots, nearly 2,000 trees winched over (Nicoll et al. 2006, Can. J.
// For. Res. 36:1871-1883, abstract).
func DepthFactor(depthM float64) float64 {
	const shallow = 1 / 1.125
	return shallow + (1-shallow)*(within(depthM, 0.4, 0.8)-0.4)/0.4
}

// wetFactor is what is left of the anchorage in soil near saturation: street
// trees (camphor) held 35 to 50 % less in winching tests on highly saturated soil
// (Forests 2022, 13:1875, abstract); the middle of it.
const wetFactor = 1 - 0.425

// cutOdds multiplies the odds of uprooting in a given gust where a walk or kerb
// beside the tree was replaced: among 3,076 boulevard trees in the path of one
// storm, odds of total failure x 2.24 (Johnson et al. 2014, June 2013 storm,
// Minneapolis). Applied as the study measured it, on the odds in a storm, not as
// a factor on strength; it acts as if the median resistance were 20 % lower.
const cutOdds = 2.24

// UprootNm returns the median moment in N*m that uproots a tree of the given size
// toward each bearing, in moist soil, roots uncut.
func UprootNm(dbhM, heightM, depthM float64, reachM *[Bearings]float64) [Bearings]float64 {
	full := uprootNm3 * heightM * dbhM * dbhM * DepthFactor(depthM)
	left := Plate(PlateRadius(dbhM), reachM)
	for b := range left {
		left[b] *= full
	}
	return left
}
