package ground

import (
	"math"

	"soilshed/geo"
)

// farLeft stands for everything to the left of a window.
const farLeft = -1e12

// localRing and localPart are the rings and parts that a window meets, with
// the state of the scan over one slab.
type localRing struct {
	id   int32 // in Map.rings; -1 for a private pit
	part int32 // in sweep.parts
	hole bool
	wind int32
}

type localPart struct {
	id     int32 // in Map.parts; -1 for a private pit
	kind   kind
	shell  bool
	holes  int32
	covers bool
}

// slot returns the local place of a part, making one when it is new.
func (s *sweep) slot(m *Map, id int32) int32 {
	if len(s.seen) < len(m.parts) {
		s.seen = make([]stamp, len(m.parts))
		s.epoch = 1
	}
	if st := s.seen[id]; st.epoch == s.epoch {
		return st.slot
	}
	p := int32(len(s.parts))
	s.seen[id] = stamp{s.epoch, p}
	s.parts = append(s.parts, localPart{id: id, kind: m.parts[id].kind})
	return p
}

type stamp struct {
	epoch uint32
	slot  int32
}

// gather fills the sweep with the edges of the given kinds in the disk of radius
// r round c, in coordinates relative to c. A run of edges that passes the disk on
// the left becomes one far edge between its end heights: counting what covers a
// point needs no more. One that passes on the right counts for nothing. A ring
// that does not meet the window covers no point of it and costs nothing.
func (s *sweep) gather(m *Map, c geo.XY, r float64, kinds uint) {
	s.clear()
	s.half = r
	s.collect(m, c, r, kinds, r+besideM)
}

// besideM is how far beyond a disk an edge still counts as one that meets it.
const besideM = 1e-3

// collect adds the edges of one map in the square of half-side r round c to those
// that are there, but for those that pass by the disk of radius diskM.
func (s *sweep) collect(m *Map, c geo.XY, r float64, kinds uint, diskM float64) {
	s.epoch++
	if s.epoch == 0 {
		clear(s.seen)
		s.epoch = 1
	}
	window := boxAround(c, r)
	s.look.join(window)
	s.hits = m.tree.query(window, s.hits[:0])
	for _, id := range s.hits {
		rg := &m.rings[id]
		k := m.parts[rg.part].kind
		if kinds>>k&1 == 0 {
			continue
		}
		w := walk{s: s, v: m.ringOf(rg), c: c, r: r, disk2: float64(diskM * diskM), kind: k, line: k == barrier}
		w.ring = int32(len(s.rings))
		s.rings = append(s.rings, localRing{id: id, part: s.slot(m, rg.part), hole: rg.hole})
		if rg.boxes < 0 {
			w.edges(0, len(w.v))
		} else {
			w.long(m, rg, window)
		}
		w.flush()
	}
}

// walk goes along one ring.
type walk struct {
	s      *sweep
	v      []geo.XY
	c      geo.XY
	r      float64
	disk2  float64 // square of the radius of the disk that counts
	ring   int32
	kind   kind
	line   bool // not closed
	on     bool // a run that passes on the left is under way,
	y0, y1 float64
}

func (w *walk) pass(from, to float64) {
	if !w.on {
		w.on, w.y0 = true, from
	}
	w.y1 = to
}

func (w *walk) flush() {
	if !w.on {
		return
	}
	w.on = false
	y0, y1 := max(-w.r, min(w.r, w.y0)), max(-w.r, min(w.r, w.y1))
	if y0 != y1 && !w.line {
		w.s.addEdge(farLeft, y0, farLeft, y1, edgePart, w.ring, -1)
	}
}

// edges adds the edges from vertex i to vertex j.
func (w *walk) edges(i, j int) {
	n := len(w.v)
	if w.line {
		j = min(j, n-1)
	}
	if i >= j {
		return
	}
	a := w.v[i].Sub(w.c)
	for k := i; k < j; k++ {
		next := k + 1
		if next == n {
			next = 0
		}
		b := w.v[next].Sub(w.c)
		w.edge(a, b, int32(k))
		a = b
	}
}

// edge adds the edge ab, number k of its ring.
func (w *walk) edge(a, b geo.XY, k int32) {
	r := w.r
	switch {
	case a.Y <= -r && b.Y <= -r, a.Y >= r && b.Y >= r, a.X <= -r && b.X <= -r:
		w.pass(a.Y, b.Y)
	case a.X >= r && b.X >= r:
		w.flush()
	case !w.line && passesBy(a, b, w.disk2):
		// It lies to one side of the disk at all heights that they share.
		if beside(a, b, r) < 0 {
			w.pass(a.Y, b.Y)
		} else {
			w.flush()
		}
	default:
		w.flush()
		if w.line {
			w.s.addBarrier(a, b, edgeBarrier, w.ring, k)
		} else {
			w.s.addEdge(a.X, a.Y, b.X, b.Y, edgePart, w.ring, k)
		}
	}
}

// passesBy tells whether the segment ab stays out of the disk round the origin of
// the given radius, squared.
func passesBy(a, b geo.XY, radius2 float64) bool {
	dx, dy := b.X-a.X, b.Y-a.Y
	along := float64(a.X*dx) + float64(a.Y*dy)
	length2 := float64(dx*dx) + float64(dy*dy)
	switch {
	case along >= 0: // a is the nearest
		return float64(a.X*a.X)+float64(a.Y*a.Y) > radius2
	case along <= -length2:
		return float64(b.X*b.X)+float64(b.Y*b.Y) > radius2
	}
	return sq(float64(a.X*dy)-float64(a.Y*dx)) > radius2*length2
}

// beside returns the place in x of the segment ab at a height between -r and r
// that it reaches: of the higher end, or where it leaves that band.
func beside(a, b geo.XY, r float64) float64 {
	if a.Y > b.Y {
		a, b = b, a
	}
	if b.Y <= r {
		return b.X
	}
	return a.X + float64((r-a.Y)/(b.Y-a.Y)*(b.X-a.X))
}

// long goes along a ring that has boxes.
func (w *walk) long(m *Map, rg *ring, q box) {
	// The levels, from the one over the edges up.
	var first, count [12]int
	levels, f, n := 0, int(rg.boxes), (len(w.v)+fan-1)/fan
	for {
		first[levels], count[levels] = f, n
		levels++
		if n <= fan {
			break
		}
		f, n = f+n, (n+fan-1)/fan
	}
	var down func(level, i, span int)
	down = func(level, i, span int) {
		b := m.boxes[first[level]+i]
		from := i * span
		to := min(from+span, len(w.v))
		switch {
		case b.y1 < q.y0 || b.y0 > q.y1 || b.x1 < q.x0:
			w.pass(w.v[from].Y-w.c.Y, w.v[to%len(w.v)].Y-w.c.Y)
		case b.x0 > q.x1:
			w.flush()
		case level == 0:
			w.edges(from, to)
		default:
			for j := i * fan; j < min((i+1)*fan, count[level-1]); j++ {
				down(level-1, j, span/fan)
			}
		}
	}
	span := 1
	for range levels {
		span *= fan
	}
	for i := range count[levels-1] {
		down(levels-1, i, span)
	}
}

// pit is a rectangle round a stem that is open ground for this tree alone, its
// length along a unit step.
type pit struct {
	lengthM, widthM float64
	along           geo.XY
}

// carve adds a pit.
func (s *sweep) carve(p pit) {
	at := int32(len(s.parts))
	s.parts = append(s.parts, localPart{id: -1, kind: bed})
	rg := int32(len(s.rings))
	s.rings = append(s.rings, localRing{id: -1, part: at})
	x, y := geo.XY{X: p.along.X * p.lengthM / 2, Y: p.along.Y * p.lengthM / 2}, geo.XY{X: -p.along.Y * p.widthM / 2, Y: p.along.X * p.widthM / 2}
	c := [4]geo.XY{{X: -x.X - y.X, Y: -x.Y - y.Y}, {X: x.X - y.X, Y: x.Y - y.Y}, {X: x.X + y.X, Y: x.Y + y.Y}, {X: y.X - x.X, Y: y.Y - x.Y}}
	for i, a := range c {
		b := c[(i+1)%4]
		s.addEdge(a.X, a.Y, b.X, b.Y, edgePart, rg, -1)
	}
}

// along returns the direction of the hard edge nearest to c within r, as a unit
// step: a pit lies along its kerb. North when there is none.
func (s *sweep) along(m *Map, c geo.XY, r float64) geo.XY {
	s.gather(m, c, r, 1<<hard)
	best, dir := r, geo.XY{Y: 1}
	for _, list := range [2][]edge{s.edges, s.flats} {
		for i := range list {
			e := &list[i]
			if e.x0 == farLeft {
				continue
			}
			a, b := geo.XY{X: e.x0, Y: e.y0}, geo.XY{X: e.x1, Y: e.y1}
			p := nearestPoint(a, b)
			d := math.Hypot(p.X, p.Y)
			if d > best+onEdgeM {
				continue
			}
			l := a.Distance(b)
			u := geo.XY{X: (b.X - a.X) / l, Y: (b.Y - a.Y) / l}
			if u.Y < 0 || u.Y == 0 && u.X < 0 {
				u = geo.XY{X: -u.X, Y: -u.Y}
			}
			// Of several as near, at a corner, always the same.
			if d < best-onEdgeM || u.X > dir.X {
				best, dir = min(best, d), u
			}
		}
	}
	return dir
}

// addEdge adds a straight edge from (x0, y0) to (x1, y1). A level edge bounds
// no slab; it is kept aside for the search of gaps.
func (s *sweep) addEdge(x0, y0, x1, y1 float64, what edgeKind, ring, src int32) {
	e := edge{x0: x0, y0: y0, x1: x1, y1: y1, kind: what, dir: 1, ring: ring, src: src}
	if y0 > y1 {
		e.x0, e.y0, e.x1, e.y1, e.dir = x1, y1, x0, y0, -1
	}
	if y0 == y1 {
		if src >= 0 {
			s.flats = append(s.flats, e)
		}
		return
	}
	e.slope = (e.x1 - e.x0) / (e.y1 - e.y0)
	s.edges = append(s.edges, e)
}

// tiltM lifts a level bisector so that it bounds slabs.
const tiltM = 2e-9

// addBarrier adds a line from a to b that roots do not cross. A level one bounds
// no slab; it parts the two that meet along it (join).
func (s *sweep) addBarrier(a, b geo.XY, what edgeKind, ring, src int32) {
	if what == edgeSplit && math.Abs(a.Y-b.Y) < tiltM {
		mid := (a.Y + b.Y) / 2
		a.Y, b.Y = mid-tiltM/2, mid+tiltM/2
	}
	if a.Y == b.Y {
		s.edges = append(s.edges, edge{x0: a.X, y0: a.Y, x1: b.X, y1: b.Y, kind: what, dir: 1, ring: ring, src: src})
		return
	}
	s.addEdge(a.X, a.Y, b.X, b.Y, what, ring, src)
}

// addCircle adds the circle of radius r round c as its left and right halves.
func (s *sweep) addCircle(c geo.XY, r float64, what edgeKind) {
	e := edge{x0: c.X, y0: c.Y - r, x1: c.X, y1: c.Y + r, cx: c.X, cy: c.Y, r: r, kind: what, dir: 1, ring: -1, src: -1}
	e.side = -1
	s.edges = append(s.edges, e)
	e.side = 1
	s.edges = append(s.edges, e)
}
