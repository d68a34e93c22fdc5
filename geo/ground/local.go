package ground

import (
	"math"
	"slices"

	"soilshed/geo"
)

// Local is the ground round one place, small enough to be tried with changes: the
// polygons of a map near it, and the stands whose ground may hang on it.
type Local struct {
	o      Options
	build  *Builder // never frozen itself
	At     geo.XY
	ReachM float64
	// Stands are the stands near by, IDs their places in the survey; the first is
	// the one that the place is of, when it is of one.
	Stands []Stand
	IDs    []int32
	absent []bool
	// Touched lists the places in Stands of those whose ground may meet the disk
	// of reach.
	Touched []int
	halfM   float64
	base    *Map
}

// Local takes the ground round stand i.
func (v *Survey) Local(i int32) *Local {
	st := &v.stands[i]
	l := &Local{o: v.o, At: st.At, ReachM: st.ReachM, Stands: []Stand{*st}, IDs: []int32{i}, absent: []bool{false}}
	l.surround(v)
	return l
}

// LocalWith takes the ground round a stand that the survey does not have, and
// which comes first in Stands, with further ones that it does not have either;
// their IDs are -1. Those farther off than they matter may be among them.
func (v *Survey) LocalWith(st Stand, further []Stand) *Local {
	l := &Local{o: v.o, At: st.At, ReachM: st.ReachM, Stands: []Stand{st}, IDs: []int32{-1}, absent: []bool{false}}
	for _, f := range further {
		if f.At.Distance(st.At) <= f.ReachM+st.ReachM+float64(2*v.o.SnapM) {
			l.Touched = append(l.Touched, len(l.Stands))
			l.Stands, l.IDs, l.absent = append(l.Stands, f), append(l.IDs, -1), append(l.absent, false)
		}
	}
	l.surround(v)
	return l
}

// Absent says whether a place in Stands uses no ground.
func (l *Local) Absent(k int, yes bool) { l.absent[k] = yes }

func (l *Local) surround(v *Survey) {
	l.o.Jitters = 0
	slack := float64(2 * v.o.SnapM)
	seen := map[int32]bool{}
	for _, i := range l.IDs {
		seen[i] = true
	}
	take := func(at geo.XY, reachM float64) (added []int) {
		for _, j := range v.grid.near(at, reachM+v.maxReach+slack, nil) {
			o := &v.stands[j]
			if seen[j] || v.gone(j) || at.Distance(o.At) > reachM+o.ReachM+slack {
				continue
			}
			seen[j] = true
			added = append(added, len(l.Stands))
			l.Stands, l.IDs, l.absent = append(l.Stands, *o), append(l.IDs, j), append(l.absent, false)
		}
		return added
	}
	l.Touched = append(l.Touched, take(l.At, l.ReachM)...)
	for _, k := range l.Touched {
		take(l.Stands[k].At, l.Stands[k].ReachM) // those with whom they share
	}
	l.halfM = l.ReachM + slack
	for k := range l.Stands {
		l.halfM = max(l.halfM, l.At.Distance(l.Stands[k].At)+l.Stands[k].ReachM+slack)
	}
	l.halfM += 1
	l.build = v.m.around(l.At, l.halfM)
	l.base = l.build.clone().Freeze(l.o)
}

// Sites surveys the stands of the given places in Stands, with beds added to the
// map.
func (l *Local) Sites(beds [][][]geo.XY, of ...int) ([]Site, error) {
	m := l.base
	if len(beds) > 0 {
		b := l.build.clone()
		for _, rings := range beds {
			if err := b.Bed(rings); err != nil {
				return nil, err
			}
		}
		m = b.Freeze(l.o)
	}
	v, err := NewSurvey(m, l.Stands, l.o)
	if err != nil {
		return nil, err
	}
	for k, yes := range l.absent {
		if yes {
			v.Absent(int32(k))
		}
	}
	w := v.NewWorker()
	out := make([]Site, len(of))
	for n, k := range of {
		w.Do(Cell{Stands: []int32{int32(k)}}, func(_ int32, s *Site) { out[n] = *s })
	}
	return out, nil
}

// around copies what lies in the square of half-side r round c: rings are cut to
// it, which changes no winding number inside.
func (m *Map) around(c geo.XY, r float64) *Builder {
	b := NewBuilder()
	ids := m.tree.query(boxAround(c, r), nil)
	var parts []int32
	for _, id := range ids {
		parts = append(parts, m.rings[id].part)
	}
	slices.Sort(parts)
	parts = slices.Compact(parts)
	square := []geo.XY{{X: c.X - r, Y: c.Y - r}, {X: c.X + r, Y: c.Y - r}, {X: c.X + r, Y: c.Y + r}, {X: c.X - r, Y: c.Y + r}}
	for _, id := range parts {
		p := m.parts[id]
		var rings [][]geo.XY
		of := m.ringsOf(id)
		for k := range of {
			ring := m.ringOf(&of[k])
			if p.kind != barrier {
				ring = Clip(ring, square)
			}
			if len(ring) == 0 {
				if k == 0 {
					break
				}
				continue
			}
			rings = append(rings, ring)
		}
		if len(rings) > 0 {
			b.add(p, rings) // what cannot be added has no area here
		}
	}
	return b
}

// clone copies a builder that is not frozen yet.
func (b *Builder) clone() *Builder {
	m := &b.m
	verts := vertices{n: m.verts.n}
	for _, c := range m.verts.chunks { // Freeze turns rings in place
		verts.chunks = append(verts.chunks, slices.Clone(c))
	}
	return &Builder{m: Map{verts: verts, rings: slices.Clone(m.rings), parts: slices.Clone(m.parts), has: m.has}}
}

// Clip cuts a ring to a convex polygon, counter-clockwise (Sutherland and Hodgman
// 1974). Pieces that fall apart stay joined along the cut, by edges that enclose
// nothing.
func Clip(ring, convex []geo.XY) []geo.XY {
	for i, a := range convex {
		d := convex[(i+1)%len(convex)].Sub(a)
		if d == (geo.XY{}) {
			continue
		}
		ring = clipHalf(ring, a, d)
		if len(ring) == 0 {
			return nil
		}
	}
	return ring
}

// clipHalf keeps what lies to the left of the line through a along d.
func clipHalf(ring []geo.XY, a, d geo.XY) []geo.XY {
	side := func(p geo.XY) float64 { return float64(d.X*(p.Y-a.Y)) - float64(d.Y*(p.X-a.X)) }
	all := true
	for _, p := range ring {
		all = all && side(p) >= 0
	}
	if all {
		return ring
	}
	var out []geo.XY
	for i, p := range ring {
		q := ring[(i+1)%len(ring)]
		sp, sq := side(p), side(q)
		if sp >= 0 {
			out = append(out, p)
		}
		if sp >= 0 != (sq >= 0) {
			t := sp / (sp - sq)
			out = append(out, geo.XY{X: p.X + float64(t*(q.X-p.X)), Y: p.Y + float64(t*(q.Y-p.Y))})
		}
	}
	if len(out) < 3 {
		return nil
	}
	return out
}

// reachSides is how many sides the polygon has that stands for a disk of reach
// where ground is to be opened; it lies inside, and lacks 0.03 % of it.
const reachSides = 144

func reachPolygon(c geo.XY, r float64) []geo.XY {
	out := make([]geo.XY, reachSides)
	for k := range out {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / reachSides)
		out[k] = geo.XY{X: c.X + float64(r*cos), Y: c.Y + float64(r*sin)}
	}
	return out
}
