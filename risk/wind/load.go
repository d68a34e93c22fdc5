package wind

import "math"

// Pressure returns the velocity pressure q = 0.613*V^2 in N/m2, V in m/s
// (ASCE 7; 0.613 is half of 1.226 kg/m3).
func Pressure(vMS float64) float64 { return 0.613 * vMS * vMS }

// Kind is the kind of crown.
type Kind int

// The kinds of crown.
const (
	Broadleaf          Kind = iota // loses its leaves
	EvergreenBroadleaf             // in leaf all year
	Conifer
)

// Drag tells how the drag of a crown grows with the gust V:
//
//	F = q * Cd(V) * A,   Cd(V) = Cd20 * (V/20)^(Exponent-2)
//
// A is the outline of the crown in still air; leaves and twigs that stream in
// the wind make the exponent less than 2. Measured between 4 and 20 m/s in
// tunnels and up to strong breezes in the field: a gust that fells trees is an
// extrapolation, and Cd is held at its value at 5 m/s below that.
type Drag struct {
	Cd20     float64 // drag coefficient at 20 m/s on the still-air outline
	Exponent float64 // F is proportional to V^Exponent
}

// Published: Vollsinger et al. 2005 (Can. J. For. Res. 35(5), abstract): at 20
// m/s the frontal area of cut hardwood crowns was down to 28, 37 and 20 %
// (black cottonwood, red alder, paper birch) and Cd on the still-air area 0.15
// to 0.22. Rudnicki et al. 2004 (Can. J. For. Res. 34(3), abstract): western
// redcedar, western hemlock, lodgepole pine 0.22, 0.47, 0.47. Angelou et al.
// 2019 (Forestry 92:381, abstract): an open-grown oak in the field, load as
// V^1.60 to 1.68 in leaf and V^1.90 to 2.01 bare, and 2 to 3 times more load in
// leaf.
var (
	// inLeaf lies in the upper half of the range: the tunnels had juvenile crowns,
	// which bend more than old ones. The exponent is the middle of the range.
	inLeaf = Drag{Cd20: 0.20, Exponent: 1.64}
	// bare is 1/2.5 of the load in leaf at 20 m/s.
	bare = Drag{Cd20: 0.20 / 2.5, Exponent: 1.95}
	// conifer is the mean of the three species. No exponent was found for
	// conifers: the one of broadleaves in leaf is borrowed.
	conifer = Drag{Cd20: (0.22 + 0.47 + 0.47) / 3, Exponent: 1.64}
)

// DragOf returns the drag of a kind of crown; leafOn matters to Broadleaf alone.
func DragOf(k Kind, leafOn bool) Drag {
	switch {
	case k == Conifer:
		return conifer
	case k == Broadleaf && !leafOn:
		return bare
	}
	return inLeaf
}

// minDragMS is the gust below which Cd no longer rises: the lower end of the
// wind-tunnel range, rounded.
const minDragMS = 5

// Cd returns the drag coefficient at a gust, on the still-air outline.
func (d Drag) Cd(vMS float64) float64 {
	return d.Cd20 * math.Pow(within(vMS, minDragMS, 200)/20, d.Exponent-2)
}

// Force returns the drag in N on a crown outline of areaM2 in a gust at the
// crown of vMS.
func (d Drag) Force(vMS, areaM2 float64) float64 {
	vMS = within(vMS, 0, 200)
	return Pressure(vMS) * d.Cd(vMS) * areaM2
}

// Outline returns the area of a crown seen from the side, m2, and the height
// above ground of its centre, which is the lever arm of the load at the collar.
// A broadleaf crown is an ellipse (area pi/4*w*h, centre half way up), a conifer
// a triangle (w*h/2, a third of the way up). Real outlines are ragged: the area
// is an upper value.
func Outline(k Kind, heightM, crownM, crownBaseM float64) (areaM2, armM float64) {
	heightM = within(heightM, 1, 110)
	crownM = within(crownM, 0.2, 60)
	crownBaseM = within(crownBaseM, 0, 0.9*heightM)
	depth := heightM - crownBaseM
	if k == Conifer {
		return crownM * depth / 2, crownBaseM + depth/3
	}
	return math.Pi / 4 * crownM * depth, crownBaseM + depth/2
}

// Fresh mass above ground, kg: 0.7 of the cylinder DBH x height (0.45 to 0.5 for
// the stem of a forest tree, the rest for limbs and leaves) at 900 kg/m3 of
// green wood. Both from memory; they enter only the moment of a leaning tree.
const (
	massForm    = 0.7
	greenKgM3   = 900
	massHeight  = 0.6 // height of the centre of mass over tree height, from memory
	gravityMS2  = 9.81
	maxLeanDeg  = 60
	minAnchored = 0.05 // of the resistance is left however far a tree leans
)

// LeanMoment returns the moment in N*m at the collar by the weight of a leaning
// tree. leanDeg is from the vertical, held between 0 and 60.
func LeanMoment(dbhM, heightM, leanDeg float64) float64 {
	mass := massForm * greenKgM3 * math.Pi / 4 * dbhM * dbhM * heightM
	arm := massHeight * heightM * math.Sin(within(leanDeg, 0, maxLeanDeg)*math.Pi/180)
	return mass * gravityMS2 * arm
}
