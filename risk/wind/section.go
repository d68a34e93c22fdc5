package wind

import "math"

// Section is the cross-section of a stem at the collar: a disc of radius RM less
// what a girdling root has taken, an indentation over a share of the
// circumference and as deep as a fraction of the radius (an annular sector).
// Share 0.5 and depth 1 is a half disc, share 1 a thinner stem.
//
// The neutral axis of what is left lies off centre, so that edge loss costs far
// more than the same area lost in a hollow: a quarter of the diameter cut away
// at one side (20 % of the area) costs 39 % of the strength, a hollow of that
// area 4 %.
type Section struct {
	RM    float64 // radius, m
	Share float64 // of the circumference, 0 to 1
	Depth float64 // of the radius, 0 to 1
}

// Properties of what is left of the section. x points from the pith to the
// middle of the indentation.
type Properties struct {
	AreaM2    float64
	CentroidM float64 // along x; negative, away from the loss
	IxM4      float64 // second moment of bending toward or away from the loss (about y)
	IyM4      float64 // second moment of bending across the loss (about x)
}

func (s Section) held() Section {
	return Section{within(s.RM, 1e-6, 10), within(s.Share, 0, 1), within(s.Depth, 0, 1)}
}

// Properties returns area, centroid and second moments about the centroid.
func (s Section) Properties() Properties {
	s = s.held()
	r, in := s.RM, s.RM*(1-s.Depth)
	a := math.Pi * s.Share // half angle of the loss
	sin, cos := math.Sincos(a)
	if s.Share == 1 {
		sin, cos = 0, -1
	}
	d2, d3, d4 := r*r-in*in, r*r*r-in*in*in, r*r*r*r-in*in*in*in
	area := math.Pi*r*r - a*d2
	if area <= 1e-12*r*r {
		return Properties{}
	}
	xc := -2.0 / 3 * d3 * sin / area
	ix := math.Pi/4*r*r*r*r - d4/4*(a+sin*cos) - area*xc*xc
	iy := math.Pi/4*r*r*r*r - d4/4*(a-sin*cos)
	return Properties{area, xc, math.Max(ix, 0), math.Max(iy, 0)}
}

// Modulus returns the section modulus in m3 for bending in the direction phi
// (degrees from the middle of the loss): the moment over the largest stress,
// be it tension or compression.
func (s Section) Modulus(phiDeg float64) float64 {
	s = s.held()
	p := s.Properties()
	if p.IxM4 <= 0 || p.IyM4 <= 0 {
		return 0
	}
	if !(math.Abs(phiDeg) < 1e9) {
		phiDeg = 0
	}
	sin, cos := math.Sincos(phiDeg * math.Pi / 180)
	// Stress at (x, y) per unit moment: gx*(x-xc) + gy*y, largest on the rim or
	// on the floor of the indentation.
	gx, gy := cos/p.IxM4, sin/p.IyM4
	half := math.Pi * s.Share
	var worst float64
	if s.Share < 1 {
		worst = extreme(gx, gy, p.CentroidM, s.RM, half, 2*math.Pi-half)
	}
	if s.Share > 0 {
		worst = math.Max(worst, extreme(gx, gy, p.CentroidM, s.RM*(1-s.Depth), -half, half))
	}
	if worst <= 0 {
		return 0
	}
	return 1 / worst
}

// extreme returns the largest |gx*(r*cos t - xc) + gy*r*sin t| for t from t0 to
// t1.
func extreme(gx, gy, xc, r, t0, t1 float64) float64 {
	at := func(t float64) float64 {
		sin, cos := math.Sincos(t)
		return math.Abs(gx*(r*cos-xc) + gy*r*sin)
	}
	worst := math.Max(at(t0), at(t1))
	top := math.Atan2(gy, gx)
	for k := -2; k <= 2; k++ {
		if t := top + float64(k)*math.Pi; t > t0 && t < t1 {
			worst = math.Max(worst, at(t))
		}
	}
	return worst
}

// WholeModulus returns the section modulus of a sound round stem, pi*d^3/32.
func WholeModulus(dM float64) float64 { return math.Pi * dM * dM * dM / 32 }

// Left returns what the section holds over what the sound stem holds, bent in the
// direction phi. 1 for a sound stem, 0 when nothing is left.
//
// That is the modulus, but no section is weaker than a part of it: a thin rim
// that breaks first leaves the core, and a ridge on the floor of the loss can go
// without harm to the rest.
func (s Section) Left(phiDeg float64) float64 {
	s = s.held()
	core := 1 - s.Depth
	best := core * core * core
	if s.Share < 1 {
		rim := Section{RM: s.RM, Share: s.Share, Depth: 1}
		best = math.Max(best, math.Max(s.Modulus(phiDeg), rim.Modulus(phiDeg))/WholeModulus(2*s.RM))
	}
	return best
}

// Weakest returns the smallest Left over all directions, to a degree.
func (s Section) Weakest() float64 {
	w := math.Inf(1)
	for phi := range 91 { // symmetric about both axes of bending
		w = math.Min(w, s.Left(float64(phi)))
	}
	return w
}

// The published "strength loss" formulas for hollow stems, kept as cross-checks:
// decay diameter d, stem diameter D, opening over circumference r. Table in
// J. Arboriculture, auf.isa-arbor.com/highwire/markup/6705.

// HollowCoder is (d/D)^4, the true loss of a centred hollow (Coder 1989).
func HollowCoder(d, dStem float64) float64 { return math.Pow(d/dStem, 4) }

// HollowWagener is (d/D)^3 (Wagener 1963).
func HollowWagener(d, dStem float64) float64 { return math.Pow(d/dStem, 3) }

// HollowSmileyFraedrich is [d^3 + r*(D^3-d^3)]/D^3 (Smiley and Fraedrich 1992).
func HollowSmileyFraedrich(d, dStem, opening float64) float64 {
	w := HollowWagener(d, dStem)
	return w + opening*(1-w)
}
