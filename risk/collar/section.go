package collar

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Held is one way in which roots may hold a stem: a node of a distribution.
type Held struct {
	Share  float64 // of the stem's circumference, 0 to 1
	Depth  float64 // of the indentation, as a fraction of the stem's radius, 0 to 1
	Weight float64 // the weights of a distribution add up to 1
}

// The share of the circumference held, over street trees, is taken as a Beta
// distribution (assumption): its precision is that of red maple in Wells et al.
// 2006, its mean the one at which a third or more is held as often as in a tree
// of which nothing is known (evidence.md; both are derived again in the tests).
const (
	shareMean      = 0.177
	sharePrecision = 2.66
)

// The depth of the indentation, as a fraction of the stem's radius, is taken as
// a Beta distribution, apart from the share (assumption; no survey of depths was
// found). A root of a fifth of the stem's diameter with four tenths of its
// thickness overgrown lies 2 x 0.2 x 0.4 = 0.16 of the radius deep; Tate 1981
// counted roots from a tenth overgrown.
const (
	girdledDepth, girdledDepthSD = 0.16, 0.10
	freeDepth, freeDepthSD       = 0.05, 0.04
)

var girdledNodes, freeNodes = heldNodes()

// ShareDistribution gives the share of the circumference held and the depth of
// the indentation, for a tree that is girdled (a third or more is held) or is
// not, as a few nodes to integrate over. The slice is shared: do not change it.
//
// Each node is the mean of a part of the distribution, the parts of equal
// probability, so that the nodes keep the distribution's mean.
func ShareDistribution(girdled bool) []Held {
	if girdled {
		return girdledNodes
	}
	return freeNodes
}

func heldNodes() (girdled, free []Held) {
	a, b := shareMean*sharePrecision, (1-shareMean)*sharePrecision
	return product(parts(a, b, HeldShare, 1, 4), betaParts(girdledDepth, girdledDepthSD, 3)),
		product(parts(a, b, 0, HeldShare, 3), betaParts(freeDepth, freeDepthSD, 2))
}

func product(shares, depths []float64) []Held {
	var out []Held
	for _, s := range shares {
		for _, d := range depths {
			out = append(out, Held{s, d, 1 / float64(len(shares)*len(depths))})
		}
	}
	return out
}

func betaParts(mean, sd float64, n int) []float64 {
	precision := mean*(1-mean)/(sd*sd) - 1
	return parts(mean*precision, (1-mean)*precision, 0, 1, n)
}

// parts cuts Beta(a, b) between from and to into n parts of equal probability
// and returns the mean of each.
func parts(a, b, from, to float64, n int) []float64 {
	below := func(x float64) float64 { return mathext.RegIncBeta(a, b, x) }
	moment := func(x float64) float64 { return a / (a + b) * mathext.RegIncBeta(a+1, b, x) }
	low, high := below(from), below(to)
	means := make([]float64, n)
	left := from
	for i := range means {
		right := to
		if i < n-1 {
			right = mathext.InvRegIncBeta(a, b, low+(high-low)*float64(i+1)/float64(n))
		}
		means[i] = (moment(right) - moment(left)) / (below(right) - below(left))
		left = right
	}
	return means
}

// sectionLoss is the share of a round section's resistance to bending that is
// lost when, over the given share of the circumference, the wood is gone to the
// given depth (fraction of the radius): a ring sector taken out, the weaker of
// bending towards, away from and across it.
//
// Ring sector of half angle h between radii r and 1 about the axis of symmetry
// x: area h(1-r^2), first moment (2/3)(1-r^3) sin h, second moments
// (1-r^4)/4 (h +- sin h cos h). Section modulus = second moment about the
// centroid over the distance to the outermost fibre; a whole disc has pi/4.
func sectionLoss(share, depth float64) float64 {
	share, depth = min(max(share, 0), 1), min(max(depth, 0), 1)
	h, r := math.Pi*share, 1-depth
	if depth == 0 || share == 0 {
		return 0
	}
	if share == 1 {
		return 1 - r*r*r
	}
	sin, cos := math.Sincos(h)
	area := math.Pi - h*(1-r*r)
	shift := 2.0 / 3 * (1 - r*r*r) * sin / area // of the centroid, away from the gap
	ring := (1 - r*r*r*r) / 4
	along := math.Pi/4 - ring*(h+sin*cos) - area*shift*shift
	across := math.Pi/4 - ring*(h-sin*cos)
	gap := along / (max(r, cos) + shift)
	back := along / (1 - shift)
	side := across
	if h > math.Pi/2 {
		side = across / max(r, sin)
	}
	return min(max(1-min(gap, back, side)/(math.Pi/4), 0), 1)
}
