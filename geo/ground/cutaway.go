package ground

import (
	"cmp"
	"math"
	"slices"

	"soilshed/geo"
)

// cutaway takes from an opening what is nearer to its rivals, one after the other,
// by outlines alone. The line of equal distance mostly crosses an outline twice and
// parts it in two; what lies beyond is the rival's where it lies in the rival's
// disk, all of it or none. A sweep over all outlines (share) settles what is
// awkward.
type cutaway struct {
	rims []rim // what is left, but for bites
	kept []rim
	lost []rim // beyond the line
	// bites are what rivals took whose disks end beyond the line.
	bites []bite
	edges []rim // of the bites, but for their arcs
	arcs  []turns
	ends  []crossingPoint
}

// bite is what lies in the disk of radius r round c, one piece or several.
type bite struct {
	edges, arcs [2]int32 // from, to in cutaway
	c           geo.XY
	r           float64
}

// turns are the angles at which an arc begins and ends, from east to north.
type turns struct{ from, to float64 }

// besideLineM: a vertex so near to a line or a circle may lie on either side.
const besideLineM = 1e-7

// left returns the area of an opening that is left to a stem at self, relative to
// it, of rivals of the same weight. It returns false where it is not sure.
func (k *cutaway) left(op *opening, self geo.XY, rivals []rival) (areaM2 float64, ok bool) {
	k.rims = append(k.rims[:0], op.rims...)
	k.bites, k.edges, k.arcs = k.bites[:0], k.edges[:0], k.arcs[:0]
	for i := range rivals {
		rv := &rivals[i]
		d := rv.at.Sub(self)
		l := math.Hypot(d.X, d.Y)
		if l < besideM {
			return 0, false
		}
		n := geo.XY{X: d.X / l, Y: d.Y / l}
		h := float64(n.X*(self.X+rv.at.X)/2) + float64(n.Y*(self.Y+rv.at.Y)/2)
		from, to, cut, ok := k.part(n, h)
		if !ok {
			return 0, false
		}
		if !cut {
			continue
		}
		long := from.Distance(to)
		if long < besideM {
			return 0, false
		}
		k.lost = append(k.lost, rim{x0: to.X, y0: to.Y, x1: from.X, y1: from.Y, last: true})
		for j := range k.bites {
			if !k.below(&k.bites[j], n, h) {
				return 0, false
			}
		}
		if within(k.lost, rv.op.at.Sub(op.at), rv.op.r) {
			// A point of the piece, next to the line.
			step := min(besideM, long/4)
			p := geo.XY{X: (from.X+to.X)/2 + float64(step*n.X), Y: (from.Y+to.Y)/2 + float64(step*n.Y)}
			if !encloses(k.lost, p.X, p.Y) {
				return 0, false
			}
			if rv.op.holds(p.Add(op.at)) {
				k.rims, k.kept = k.kept, k.rims
			}
		} else if !k.bite(op, rv) {
			return 0, false
		}
	}
	for i := range k.rims {
		areaM2 += k.rims[i].area()
	}
	for i := range k.bites {
		areaM2 -= k.area(&k.bites[i])
	}
	return areaM2, true
}

// within tells whether a piece beyond a line of equal distance lies in the disk of
// radius r round c: of an arc of the reach beyond that line one of the ends is the
// farthest from c.
func within(rims []rim, c geo.XY, r float64) bool {
	r2 := sq(r + levelM)
	for i := range rims {
		if e := &rims[i]; sq(e.x0-c.X)+sq(e.y0-c.Y) > r2 {
			return false
		}
	}
	return true
}

// part divides k.rims by the line of the points p with n.p = h into what lies on
// its lower side, k.kept, and on its upper side, k.lost, which lacks its edge along
// the line. The outline leaves the lower side at one point and comes back at
// another, or cut is false.
func (k *cutaway) part(n geo.XY, h float64) (leaves, enters geo.XY, cut, ok bool) {
	k.kept, k.lost = k.kept[:0], k.lost[:0]
	crossings := 0
	for first := 0; first < len(k.rims); {
		last := first
		for !k.rims[last].last {
			last++
		}
		ring := k.rims[first : last+1]
		first = last + 1
		keptFrom, lostFrom, crossed := len(k.kept), len(k.lost), 0
		line := -1 // the edge of what is kept along it
		area := 0.0
		for i := range ring {
			e := &ring[i]
			area += e.area()
			below := float64(n.X*e.x0)+float64(n.Y*e.y0) < h
			points, count, sure := e.across(n, h)
			if !sure || crossed+count > 2 {
				return leaves, enters, false, false
			}
			rest := *e
			rest.last = false
			for _, p := range points[:count] {
				piece := rest
				piece.x1, piece.y1, rest.x0, rest.y0 = p.X, p.Y, p.X, p.Y
				k.add(piece, below)
				if below {
					leaves = p
					line = len(k.kept)
					k.kept = append(k.kept, rim{x0: p.X, y0: p.Y})
				} else {
					enters = p
				}
				below = !below
				crossed++
			}
			k.add(rest, below)
		}
		switch {
		case crossed == 2 && area > 0:
			k.kept[line].x1, k.kept[line].y1 = enters.X, enters.Y
		case crossed != 0, area > 0 && len(k.lost) > lostFrom:
			return leaves, enters, false, false
		}
		if n := len(k.kept); n > keptFrom {
			k.kept[n-1].last = true
		}
		crossings += crossed
	}
	return leaves, enters, crossings == 2, crossings <= 2
}

func (k *cutaway) add(e rim, kept bool) {
	if kept {
		k.kept = append(k.kept, e)
	} else {
		k.lost = append(k.lost, e)
	}
}

// bite takes the part of k.lost that lies in a rival's disk, if it is the rival's.
// Each piece of it ends at an arc of that circle, and is the rival's as a whole.
func (k *cutaway) bite(op *opening, rv *rival) bool {
	c, r := rv.op.at.Sub(op.at), rv.op.r
	edges, arcs := len(k.edges), len(k.arcs)
	k.ends = k.ends[:0]
	for i := range k.lost {
		e := &k.lost[i]
		points, count, sure := e.acrossCircle(c, r)
		if !sure {
			return false
		}
		in := sq(e.x0-c.X)+sq(e.y0-c.Y) < r*r
		rest := *e
		for _, p := range points[:count] {
			piece := rest
			piece.x1, piece.y1, rest.x0, rest.y0 = p.X, p.Y, p.X, p.Y
			if in {
				k.edges = append(k.edges, piece)
			}
			in = !in
			k.ends = append(k.ends, crossingPoint{turn: math.Atan2(p.Y-c.Y, p.X-c.X), enters: in})
		}
		if in {
			k.edges = append(k.edges, rest)
		}
	}
	if len(k.ends) == 0 {
		// The disk lies beside the piece, unless it lies in it.
		return edges == len(k.edges) && !encloses(k.lost, c.X, c.Y)
	}
	slices.SortFunc(k.ends, func(a, b crossingPoint) int { return cmp.Compare(a.turn, b.turn) })
	theirs := 0
	for i, e := range k.ends {
		if e.enters {
			continue
		}
		o := k.ends[(i+1)%len(k.ends)]
		a := turns{e.turn, o.turn}
		if i+1 == len(k.ends) {
			a.to += 2 * math.Pi
		}
		if !o.enters || (a.to-a.from)*r < besideM {
			return false
		}
		// A point of the piece, next to the arc.
		sin, cos := math.Sincos((a.from + a.to) / 2)
		p := geo.XY{X: c.X + float64((r-besideM)*cos), Y: c.Y + float64((r-besideM)*sin)}
		if !encloses(k.lost, p.X, p.Y) {
			return false
		}
		if rv.op.holds(p.Add(op.at)) {
			theirs++
		}
		k.arcs = append(k.arcs, a)
	}
	switch theirs {
	case 0:
		k.edges, k.arcs = k.edges[:edges], k.arcs[:arcs]
	case len(k.arcs) - arcs:
		k.bites = append(k.bites, bite{[2]int32{int32(edges), int32(len(k.edges))}, [2]int32{int32(arcs), int32(len(k.arcs))}, c, r})
	default:
		return false
	}
	return true
}

// area is that of a bite, in square metres.
func (k *cutaway) area(b *bite) float64 {
	area := 0.0
	for i := range k.edges[b.edges[0]:b.edges[1]] {
		area += k.edges[b.edges[0]:b.edges[1]][i].area()
	}
	for _, a := range k.arcs[b.arcs[0]:b.arcs[1]] {
		sin0, cos0 := math.Sincos(a.from)
		sin1, cos1 := math.Sincos(a.to)
		area += float64(b.c.X*b.r*(sin1-sin0)) + float64(b.r*b.r/2*(a.to-a.from+float64(sin1*cos1)-float64(sin0*cos0)))
	}
	return area
}

// below tells whether a bite lies on the lower side of the line n.p = h.
func (k *cutaway) below(b *bite, n geo.XY, h float64) bool {
	for i := range k.edges[b.edges[0]:b.edges[1]] {
		e := &k.edges[b.edges[0]:b.edges[1]][i]
		if _, count, sure := e.across(n, h); !sure || count > 0 || float64(n.X*e.x0)+float64(n.Y*e.y0) > h {
			return false
		}
	}
	if float64(n.X*b.c.X)+float64(n.Y*b.c.Y)+b.r < h {
		return true
	}
	// The ends of arcs lie below, so that only a bulge may not.
	turn := math.Atan2(n.Y, n.X)
	for _, a := range k.arcs[b.arcs[0]:b.arcs[1]] {
		t := turn
		for t < a.from {
			t += 2 * math.Pi
		}
		if t <= a.to {
			return false
		}
	}
	return true
}

// across returns where a piece crosses the line n.p = h, in its order; sure is
// false where an end lies on it.
func (r *rim) across(n geo.XY, h float64) (points [2]geo.XY, count int, sure bool) {
	f0, f1 := float64(n.X*r.x0)+float64(n.Y*r.y0)-h, float64(n.X*r.x1)+float64(n.Y*r.y1)-h
	if math.Abs(f0) < besideLineM || math.Abs(f1) < besideLineM {
		return points, 0, false
	}
	if r.side == 0 {
		if (f0 < 0) != (f1 < 0) {
			points[0], count = r.at(f0/(f0-f1)), 1
		}
		return points, count, true
	}
	off := h - float64(n.X*r.cx) - float64(n.Y*r.cy)
	points, count = r.onArc(geo.XY{X: r.cx + float64(off*n.X), Y: r.cy + float64(off*n.Y)}, n, float64(r.r*r.r)-float64(off*off))
	return points, count, (count == 1) == ((f0 < 0) != (f1 < 0))
}

// acrossCircle is across for the circle of radius r round c.
func (p *rim) acrossCircle(c geo.XY, r float64) (points [2]geo.XY, count int, sure bool) {
	a, b := p.ends()
	a, b = a.Sub(c), b.Sub(c)
	f0, f1 := float64(a.X*a.X)+float64(a.Y*a.Y)-float64(r*r), float64(b.X*b.X)+float64(b.Y*b.Y)-float64(r*r)
	if beside := float64(2 * r * besideLineM); math.Abs(f0) < beside || math.Abs(f1) < beside {
		return points, 0, false
	}
	if p.side == 0 {
		d := b.Sub(a)
		l2 := float64(d.X*d.X) + float64(d.Y*d.Y)
		along := float64(a.X*d.X) + float64(a.Y*d.Y)
		if root := float64(along*along) - float64(l2*f0); root > 0 {
			root = math.Sqrt(root)
			for _, t := range [2]float64{(-along - root) / l2, (-along + root) / l2} {
				if t > 0 && t < 1 {
					points[count] = p.at(t)
					count++
				}
			}
		}
	} else {
		d := c.Sub(geo.XY{X: p.cx, Y: p.cy})
		d2 := float64(d.X*d.X) + float64(d.Y*d.Y)
		if l := math.Sqrt(d2); l > besideLineM {
			off := (d2 + float64(p.r*p.r) - float64(r*r)) / (2 * l)
			n := geo.XY{X: d.X / l, Y: d.Y / l}
			points, count = p.onArc(geo.XY{X: p.cx + float64(off*n.X), Y: p.cy + float64(off*n.Y)}, n, float64(p.r*p.r)-float64(off*off))
		}
	}
	return points, count, (count == 1) == ((f0 < 0) != (f1 < 0))
}

// at is the point of a straight piece at a part t of its way.
func (r *rim) at(t float64) geo.XY {
	return geo.XY{X: r.x0 + float64(t*(r.x1-r.x0)), Y: r.y0 + float64(t*(r.y1-r.y0))}
}

// onArc returns which of the two points lie on an arc, in its order, that lie half,
// half2 squared, to either side of a foot, square to n.
func (r *rim) onArc(foot, n geo.XY, half2 float64) (points [2]geo.XY, count int) {
	if half2 <= 0 {
		return points, 0
	}
	half := math.Sqrt(half2)
	for _, s := range [2]float64{-half, half} {
		p := geo.XY{X: foot.X - float64(s*n.Y), Y: foot.Y + float64(s*n.X)}
		if float64(r.side)*(p.X-r.cx) > 0 && min(r.y0, r.y1) < p.Y && p.Y < max(r.y0, r.y1) {
			points[count] = p
			count++
		}
	}
	if count == 2 && (points[0].Y > points[1].Y) == (r.y0 < r.y1) {
		points[0], points[1] = points[1], points[0]
	}
	return points, count
}
