package ground

import (
	"cmp"
	"math"
	"slices"

	"soilshed/geo"
)

// A passage narrower than the gap is closed at each corner that comes closer to
// an edge or to another corner than the gap, with the outline running away from
// it on both sides, or nearing it on one at no more than a small angle: at its
// narrowest place, and where a crack that narrows further begins. Where two
// edges close in on each other at a small angle there is no such corner; that
// wedge is closed where it becomes as narrow as the gap. A corner of 90 degrees
// is neither, and keeps all its ground.
//
// The closing is a line that no root crosses. It does not depend on how the
// edges are cut into pieces: a vertex on a straight edge closes nothing that is
// not closed before it. And it takes no ground from a corner.

// wedgeSin is the sine of the angle below which two edges make a wedge: one in
// five between half the gap and the length of the tip, where the usual limit
// of a mitred offset lies (2 asin 1/5 = 23 degrees).
var wedgeSin = math.Sin(2 * math.Asin(1.0/5))

// plug closes a gap from a to b.
type plug struct{ a, b geo.XY }

// face is a straight piece of the outline of the ground, or of a wall in it,
// with the vertices before and after it where the outline goes on.
type face struct {
	a, b            geo.XY
	before, after   geo.XY
	starts, ends    bool // nothing goes before a, after b
	lowest, highest float64
}

// closeGaps finds the gaps narrower than g in the ground whose outline is in
// s.bounds, and adds a plug across each. It returns how many it found.
func (s *sweep) closeGaps(m *Map, c geo.XY, g float64) int {
	s.faces = s.faces[:0]
	add := func(f face) {
		f.lowest, f.highest = min(f.a.Y, f.b.Y), max(f.a.Y, f.b.Y)
		s.faces = append(s.faces, f)
	}
	first := 0
	for i := range s.bounds {
		if !s.bounds[i].last {
			continue
		}
		ring := s.bounds[first : i+1]
		first = i + 1
		for k := range ring {
			e := &ring[k]
			if e.side != 0 || e.speck() {
				continue
			}
			p, n := &ring[(k+len(ring)-1)%len(ring)], &ring[(k+1)%len(ring)]
			for i := k + len(ring) - 2; p.speck() && i > k; i-- {
				p = &ring[i%len(ring)]
			}
			for i := k + 2; n.speck() && i < k+len(ring); i++ {
				n = &ring[i%len(ring)]
			}
			add(face{
				a: geo.XY{X: e.x0, Y: e.y0}, b: geo.XY{X: e.x1, Y: e.y1},
				before: geo.XY{X: p.x0, Y: p.y0}, after: geo.XY{X: n.x1, Y: n.y1},
				starts: p.side != 0, ends: n.side != 0,
			})
		}
	}
	for i := range s.edges {
		e := &s.edges[i]
		if e.kind != edgeBarrier {
			continue
		}
		r := &m.rings[s.rings[e.ring].id]
		v := m.ringOf(r)
		k := int(e.src)
		f := face{a: v[k].Sub(c), b: v[k+1].Sub(c), starts: k == 0, ends: k+2 == len(v)}
		if !f.starts {
			f.before = v[k-1].Sub(c)
		}
		if !f.ends {
			f.after = v[k+2].Sub(c)
		}
		add(f)
	}
	slices.SortFunc(s.faces, func(a, b face) int { return cmp.Compare(a.lowest, b.lowest) })
	s.plugs = s.plugs[:0]
	if s.gridded = len(s.faces) > manyFaces; s.gridded {
		s.grid.fill(s.faces, s.half, g)
		s.inWay = s.inWay[:0]
		for i := range s.faces {
			// A pair is met from both its faces; later looks take the marks of near.
			s.met = s.met[:0]
			s.grid.near(s.faces[i].a, s.faces[i].b, func(j int32) bool {
				if int(j) > i {
					s.met = append(s.met, j)
				}
				return true
			})
			for _, j := range s.met {
				s.gapsOf(g, i, int(j))
			}
		}
		slices.SortFunc(s.plugs, comparePlugs)
		s.plugs = slices.Compact(s.plugs)
	} else {
		for i := range s.faces {
			for j := i + 1; j < len(s.faces) && s.faces[j].lowest < s.faces[i].highest+g; j++ {
				s.gapsOf(g, i, j)
			}
		}
	}
	for _, p := range s.plugs {
		s.addBarrier(p.a, p.b, edgePlug, -1, -1)
	}
	return len(s.plugs)
}

// gapsOf looks for gaps between two faces.
func (s *sweep) gapsOf(g float64, i, j int) {
	s.work++
	f, o := &s.faces[i], &s.faces[j]
	if min(f.a.X, f.b.X) > max(o.a.X, o.b.X)+g || min(o.a.X, o.b.X) > max(f.a.X, f.b.X)+g {
		return
	}
	s.gapAt(g, f, false, o)
	s.gapAt(g, f, true, o)
	s.gapAt(g, o, false, f)
	s.gapAt(g, o, true, f)
	s.wedge(g, f, o)
	s.wedge(g, o, f)
}

// speck tells whether a piece of an outline is what rounding left at a corner;
// it would hide how the corner turns.
func (r *rim) speck() bool {
	return r.side == 0 && math.Abs(r.x1-r.x0)+math.Abs(r.y1-r.y0) < joinM
}

// sides returns how the outline runs away from q on the two sides of an end of
// f: the cosine of its angle with the line from q, 1 where it stops.
func (f *face) sides(atB bool, q geo.XY) (along, on float64) {
	v, w := f.a, f.b
	other, none := f.before, f.starts
	if atB {
		v, w = f.b, f.a
		other, none = f.after, f.ends
	}
	d := v.Sub(q)
	away := func(w geo.XY) float64 {
		w = w.Sub(v)
		return (float64(w.X*d.X) + float64(w.Y*d.Y)) / math.Sqrt((float64(w.X*w.X)+float64(w.Y*w.Y))*(float64(d.X*d.X)+float64(d.Y*d.Y)))
	}
	if none {
		return away(w), 1
	}
	return away(w), away(other)
}

// recedes tells whether an end of f is nearer to q than any point beside it.
func (f *face) recedes(atB bool, q geo.XY) bool {
	along, on := f.sides(atB, q)
	return min(along, on) >= -1e-9
}

// spike tells whether the outline turns back at an end of f, as at the tip of a
// tooth: both its sides run to the same side.
func (f *face) spike(atB bool) bool {
	v, w, other, none := f.a, f.b, f.before, f.starts
	if atB {
		v, w, other, none = f.b, f.a, f.after, f.ends
	}
	w, other = w.Sub(v), other.Sub(v)
	return !none && float64(w.X*other.X)+float64(w.Y*other.Y) > 0
}

// gapAt looks for a gap between an end of face f and face o.
func (s *sweep) gapAt(g float64, f *face, atB bool, o *face) {
	v := f.a
	if atB {
		v = f.b
	}
	d, w := o.b.Sub(o.a), v.Sub(o.a)
	t := (float64(w.X*d.X) + float64(w.Y*d.Y)) / (float64(d.X*d.X) + float64(d.Y*d.Y))
	const end = 1e-9 // opposite an end of o, to rounding
	q := o.a.Add(geo.XY{X: float64(t * d.X), Y: float64(t * d.Y)})
	if t <= end {
		q = o.a
	} else if t >= 1-end {
		q = o.b
	}
	if d2 := sq(v.X-q.X) + sq(v.Y-q.Y); d2 >= g*g || d2 < levelM*levelM {
		return
	}
	// Either the end is nearer to o than any point beside it, or a crack may begin
	// here: the outline turns away on one side and nears o slowly on the other.
	along, on := f.sides(atB, q)
	if near, far := min(along, on), max(along, on); near < -wedgeSin || near < -1e-9 && far < wedgeSin && !f.spike(atB) {
		return
	}
	if t <= end && !o.recedes(false, v) || t >= 1-end && !o.recedes(true, v) {
		return
	}
	s.plug(v, q)
}

// wedge closes the wedge between f and o where it is as narrow as g.
func (s *sweep) wedge(g float64, f, o *face) {
	df, do := f.b.Sub(f.a), o.b.Sub(o.a)
	lf, lo := math.Hypot(df.X, df.Y), math.Hypot(do.X, do.Y)
	if math.Abs(float64(df.X*do.Y)-float64(df.Y*do.X)) >= wedgeSin*lf*lo {
		return
	}
	n := geo.XY{X: -do.Y / lo, Y: do.X / lo} // off the line of o
	a, b := f.a.Sub(o.a), f.b.Sub(o.a)
	da, db := float64(a.X*n.X)+float64(a.Y*n.Y), float64(b.X*n.X)+float64(b.Y*n.Y)
	for _, at := range [2]float64{g, -g} {
		if (da < at) == (db < at) || da == db {
			continue
		}
		u := (at - da) / (db - da)
		p := f.a.Add(geo.XY{X: float64(u * df.X), Y: float64(u * df.Y)})
		q := p.Sub(geo.XY{X: float64(at * n.X), Y: float64(at * n.Y)})
		along := q.Sub(o.a)
		if t := (float64(along.X*do.X) + float64(along.Y*do.Y)) / (lo * lo); t < 0 || t > 1 {
			continue
		}
		s.plug(p, q)
	}
}

// plug notes a gap when its line lies in marked ground and meets no face on its
// way: a gap between what is farther apart is not as narrow as the one before it.
func (s *sweep) plug(a, b geo.XY) {
	p := plug{a, b}
	if comparePlugs(p, plug{b, a}) > 0 {
		p = plug{b, a}
	}
	if !s.gridded && slices.Contains(s.plugs, p) {
		return
	}
	if s.meetsFace(a, b) {
		return
	}
	mid := geo.XY{X: (a.X + b.X) / 2, Y: (a.Y + b.Y) / 2}
	if t := s.locate(mid); t < 0 || !s.traps[t].pick || s.traps[t].state != openAir {
		return
	}
	s.plugs = append(s.plugs, p)
}

// meetsFace tells whether a face lies on the way from a to b.
func (s *sweep) meetsFace(a, b geo.XY) bool {
	l := a.Distance(b)
	if !s.gridded {
		for i := range s.faces {
			if s.faces[i].crosses(a, b, l) {
				return true
			}
		}
		return false
	}
	// What was in the way of the last lines is in the way of most.
	for k, i := range s.inWay {
		s.work++
		if s.faces[i].crosses(a, b, l) {
			s.inWay[0], s.inWay[k] = s.inWay[k], s.inWay[0]
			return true
		}
	}
	met := false
	s.grid.near(a, b, func(i int32) bool {
		s.work++
		if met = s.faces[i].crosses(a, b, l); met {
			s.inWay = append(s.inWay, i)
			if n := len(s.inWay); n > 8 {
				s.inWay = append(s.inWay[:0], s.inWay[n-8:]...)
			}
			n := len(s.inWay)
			s.inWay[0], s.inWay[n-1] = s.inWay[n-1], s.inWay[0]
		}
		return !met
	})
	return met
}

func comparePlugs(p, q plug) int {
	return cmp.Or(cmp.Compare(p.a.X, q.a.X), cmp.Compare(p.a.Y, q.a.Y), cmp.Compare(p.b.X, q.b.X), cmp.Compare(p.b.Y, q.b.Y))
}
