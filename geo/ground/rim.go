package ground

import (
	"math"

	"soilshed/geo"
)

// rim is a piece of the outline of an opening, in the order of its ring with
// the ground on the left, relative to the stem: straight, or a part of the left
// (side -1) or right (side 1) half of a circle.
type rim struct {
	x0, y0, x1, y1 float64
	cx, cy, r      float64 // of the circle
	side           int8
	last           bool // the last piece of its ring
}

// side is a run of the outline along one edge of the arrangement. A right one
// is followed upwards from y0 to y1, a left one downwards.
type side struct {
	e      int32
	next   int32
	y0, y1 float64
	right  bool
	done   bool
}

// interval is a stretch of a slab that belongs to the region, between two
// edges, with the sides that run there now.
type interval struct {
	left, right   int32
	leftS, rightS int32
}

// intervals lists the marked stretches of a slab. Stretches that touch without
// blocked ground between them are one, so that a line inside the region leaves
// no slit in its outline.
func (s *sweep) intervals(sl *slab, out []interval) []interval {
	mid := (sl.y0 + sl.y1) / 2
	for t := sl.from; t < sl.to; t++ {
		tr := &s.traps[t]
		if !tr.pick {
			continue
		}
		if n := len(out); n > 0 && t > sl.from && s.traps[t-1].pick && (tr.abut || s.traps[t-1].right == tr.left ||
			s.edges[tr.left].x(mid)-s.edges[s.traps[t-1].right].x(mid) <= thinM) { // two lines in one place
			out[n-1].right = tr.right
			continue
		}
		out = append(out, interval{left: tr.left, right: tr.right, leftS: -1, rightS: -1})
	}
	return out
}

// outline links the sides of the marked traps into rings. Along the line
// between two slabs the ends of the stretches below and above, taken in order,
// pair off: each pair is joined along the line.
func (s *sweep) outline() {
	s.sides = s.sides[:0]
	low := s.lowIv[:0]
	high := s.highIv[:0]
	for n, i := range s.order {
		sl := &s.slabs[i]
		if n > 0 && s.slabs[s.order[n-1]].y1 != sl.y0 {
			s.pair(low, nil, s.slabs[s.order[n-1]].y1, 0)
			low = low[:0]
		}
		high = s.intervals(sl, high[:0])
		s.pair(low, high, sl.y0, sl.y1)
		low, high = high, low
	}
	if n := len(s.order); n > 0 {
		s.pair(low, nil, s.slabs[s.order[n-1]].y1, 0)
	}
	s.lowIv, s.highIv = low[:0], high[:0]
}

// end is one end of a stretch at the line between two slabs.
type end struct {
	iv    *interval
	upper bool
	right bool
}

func (s *sweep) pair(low, high []interval, y, top float64) {
	if len(low) == 1 && len(high) == 1 && low[0].left == high[0].left && low[0].right == high[0].right && s.edges[low[0].left].x(y) < s.edges[low[0].right].x(y) {
		// The one stretch goes on between the same edges, as most do.
		high[0].leftS, high[0].rightS = low[0].leftS, low[0].rightS
		s.sides[high[0].leftS].y1, s.sides[high[0].rightS].y1 = top, top
		return
	}
	var held end
	holding := false
	i, j := 0, 0 // ends used of low and high
	lx, hx := math.Inf(-1), math.Inf(-1)
	nextX := func(iv []interval, n int, floor float64) float64 {
		if n >= 2*len(iv) {
			return math.Inf(1)
		}
		e := iv[n/2].left
		if n%2 == 1 {
			e = iv[n/2].right
		}
		return max(floor, s.edges[e].x(y))
	}
	for i < 2*len(low) || j < 2*len(high) {
		xl, xh := nextX(low, i, lx), nextX(high, j, hx)
		var e end
		// At one place, what closes goes before what opens.
		if xl < xh || xl == xh && (i%2 == 1 || j%2 == 0) && i < 2*len(low) || j >= 2*len(high) {
			e = end{&low[i/2], false, i%2 == 1}
			lx = xl
			i++
		} else {
			e = end{&high[j/2], true, j%2 == 1}
			hx = xh
			j++
		}
		if !holding {
			held, holding = e, true
			continue
		}
		holding = false
		s.tie(held, e, y, top)
	}
}

// tie joins two ends along the line at y.
func (s *sweep) tie(a, b end, y, top float64) {
	if a.upper != b.upper && a.right == b.right && a.edge() == b.edge() {
		// The same edge goes on.
		lower, upper := a, b
		if a.upper {
			lower, upper = b, a
		}
		id := *lower.side()
		s.sides[id].y1 = top
		*upper.side() = id
		return
	}
	for _, e := range [2]end{a, b} {
		if e.upper {
			*e.side() = int32(len(s.sides))
			s.sides = append(s.sides, side{e: e.edge(), next: -1, y0: y, y1: top, right: e.right})
		}
	}
	// A right side of the lower slab ends here, and so does a left one of the
	// upper slab, being followed downwards.
	from, to := a, b
	if a.upper == a.right {
		from, to = b, a
	}
	s.sides[*from.side()].next = *to.side()
}

func (e end) edge() int32 {
	if e.right {
		return e.iv.right
	}
	return e.iv.left
}

func (e end) side() *int32 {
	if e.right {
		return &e.iv.rightS
	}
	return &e.iv.leftS
}

// follow calls do for every ring of the outline with its sides in order.
func (s *sweep) follow(do func(ring []int32)) {
	var ring []int32
	for i := range s.sides {
		if s.sides[i].done {
			continue
		}
		ring = ring[:0]
		for k := int32(i); k >= 0 && !s.sides[k].done; k = s.sides[k].next {
			s.sides[k].done = true
			ring = append(ring, k)
		}
		do(ring)
	}
}

func (s *sweep) begin(sd *side) geo.XY {
	e := &s.edges[sd.e]
	if sd.right {
		return geo.XY{X: e.x(sd.y0), Y: sd.y0}
	}
	return geo.XY{X: e.x(sd.y1), Y: sd.y1}
}

func (s *sweep) finish(sd *side) geo.XY {
	e := &s.edges[sd.e]
	if sd.right {
		return geo.XY{X: e.x(sd.y1), Y: sd.y1}
	}
	return geo.XY{X: e.x(sd.y0), Y: sd.y0}
}

// rims appends the outline of the marked ground to out.
func (s *sweep) rims(out []rim) []rim {
	s.outline()
	s.follow(func(ring []int32) {
		first := len(out)
		for i, k := range ring {
			sd := &s.sides[k]
			p, q := s.begin(sd), s.finish(sd)
			e := &s.edges[sd.e]
			out = append(out, rim{p.X, p.Y, q.X, q.Y, e.cx, e.cy, e.r, e.side, false})
			n := s.begin(&s.sides[ring[(i+1)%len(ring)]])
			if math.Abs(n.X-q.X) > thinM {
				out = append(out, rim{x0: q.X, y0: q.Y, x1: n.X, y1: n.Y})
			}
		}
		if len(out) > first {
			out[len(out)-1].last = true
		}
	})
	return out
}

// drawn turns outlines into polygons of rings, moved by c: outer rings
// counter-clockwise, each with its holes.
func drawn(rims []rim, c geo.XY) [][][]geo.XY {
	var shells [][][]geo.XY
	var holes [][]geo.XY
	var pts []geo.XY
	put := func(p geo.XY) {
		if n := len(pts); n > 0 && math.Abs(pts[n-1].X-p.X) < 1e-7 && math.Abs(pts[n-1].Y-p.Y) < 1e-7 {
			return
		}
		pts = append(pts, p)
	}
	for i := range rims {
		e := &rims[i]
		put(geo.XY{X: e.x0, Y: e.y0})
		if e.side != 0 {
			a := math.Asin(max(-1, min(1, (e.y0-e.cy)/e.r)))
			turn := math.Asin(max(-1, min(1, (e.y1-e.cy)/e.r))) - a
			n := 1
			if e.r > sagM {
				n = int(math.Ceil(math.Abs(turn) / (2 * math.Acos(1-sagM/e.r))))
			}
			for k := 1; k < n; k++ {
				sin, cos := math.Sincos(a + turn*float64(k)/float64(n))
				put(geo.XY{X: e.cx + float64(float64(e.side)*e.r*cos), Y: e.cy + float64(e.r*sin)})
			}
		}
		put(geo.XY{X: e.x1, Y: e.y1})
		if !e.last {
			continue
		}
		ring := straighten(pts)
		pts = pts[:0]
		if len(ring) < 3 {
			continue
		}
		area := 0.0
		for k, p := range ring {
			q := ring[(k+1)%len(ring)]
			area += float64(p.X*q.Y) - float64(p.Y*q.X)
		}
		for k := range ring {
			ring[k] = ring[k].Add(c)
		}
		if area > 0 {
			shells = append(shells, [][]geo.XY{ring})
		} else if area < 0 {
			holes = append(holes, ring)
		}
	}
	for _, h := range holes {
		best := -1
		for i := range shells {
			if inRing(shells[i][0], h[0]) && (best < 0 || inRing(shells[best][0], shells[i][0][0])) {
				best = i
			}
		}
		if best >= 0 {
			shells[best] = append(shells[best], h)
		} else if len(shells) == 1 { // it touches the shell at its first vertex
			shells[0] = append(shells[0], h)
		}
	}
	return shells
}

// straighten drops repeated vertices and those on a straight line.
func straighten(pts []geo.XY) []geo.XY {
	for n := len(pts); n > 1 && pts[n-1].Distance(pts[0]) < 1e-7; n = len(pts) {
		pts = pts[:n-1]
	}
	n := len(pts)
	out := make([]geo.XY, 0, n)
	for i := range pts {
		p, q := pts[(i+n-1)%n], pts[(i+1)%n]
		if len(out) > 0 {
			p = out[len(out)-1]
		}
		v := pts[i]
		a, b := v.Sub(p), q.Sub(v)
		if math.Abs(float64(a.X*b.Y)-float64(a.Y*b.X)) < 1e-9*(math.Abs(a.X)+math.Abs(a.Y)+math.Abs(b.X)+math.Abs(b.Y)) && float64(a.X*b.X)+float64(a.Y*b.Y) >= 0 {
			continue
		}
		out = append(out, v)
	}
	return out
}

func inRing(r []geo.XY, p geo.XY) bool {
	in := false
	for i, a := range r {
		b := r[(i+1)%len(r)]
		if (a.Y > p.Y) != (b.Y > p.Y) && p.X < a.X+float64((p.Y-a.Y)/(b.Y-a.Y)*(b.X-a.X)) {
			in = !in
		}
	}
	return in
}
