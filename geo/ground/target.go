package ground

import (
	"math"
	"slices"

	"soilshed/geo"
)

// ray crossing: where a line of fall meets an edge of a target.
type strike struct {
	k     int32
	ring  int32
	dir   int32
	distM float64
}

// targets fills in the mean target weight along the line of fall in each
// direction. Where targets lie over one another the heaviest counts.
func (w *worker) targets(c geo.XY, fallM float64, out *[Bearings]float32) {
	clear(out[:])
	m, s := w.m, &w.s
	kinds := uint(1 << hard)
	if m.has[target] {
		kinds = 1 << target
	}
	if fallM <= 0 {
		return
	}
	s.gather(m, c, fallM, kinds)
	if len(s.edges) == 0 {
		return
	}
	w.winds = w.winds[:0]
	for range s.rings {
		w.winds = append(w.winds, 0)
	}
	hits := w.strikes[:0]
	for _, list := range [2][]edge{s.edges, s.flats} {
		for i := range list {
			e := &list[i]
			a, b, dir := e.ends()
			// The state at the stem is told along a line due west.
			if a.Y < 0 && b.Y >= 0 && float64(a.X*b.Y)-float64(a.Y*b.X) <= 0 {
				w.winds[e.ring] += dir
			}
			if e.x0 != farLeft {
				hits = struck(a, b, dir, e.ring, fallM, hits)
			}
		}
	}
	w.strikes = hits
	hits = w.byRay(hits)
	// The state at the stem; each direction starts from it.
	s.resetScan()
	s.over = s.over[:0]
	for i := range s.rings {
		if wind := w.winds[i]; wind != 0 {
			s.strike(int32(i), wind)
		}
	}
	atStem := s.heaviest(m)
	h := 0
	for k := range Bearings {
		first, from, sum, weight := h, 0.0, 0.0, atStem
		for ; h < len(hits) && int(hits[h].k) == k; h++ {
			sum += float64(weight * (hits[h].distM - from))
			from = hits[h].distM
			if s.strike(hits[h].ring, hits[h].dir) {
				weight = s.heaviest(m)
			}
		}
		sum += float64(weight * (fallM - from))
		out[k] = float32(sum / fallM)
		for i := h - 1; i >= first; i-- {
			s.strike(hits[i].ring, -hits[i].dir)
		}
	}
}

// byRay orders strikes by direction and then by distance.
func (w *worker) byRay(hits []strike) []strike {
	var at [Bearings + 1]int32
	for i := range hits {
		at[hits[i].k+1]++
	}
	for k := range Bearings {
		at[k+1] += at[k]
	}
	w.ordered = slices.Grow(w.ordered[:0], len(hits))[:len(hits)]
	next := at
	for i := range hits {
		h := &hits[i]
		// Few lie along one ray: put it in its place at once.
		j := next[h.k]
		next[h.k]++
		for ; j > at[h.k] && w.ordered[j-1].distM > h.distM; j-- {
			w.ordered[j] = w.ordered[j-1]
		}
		w.ordered[j] = *h
	}
	return w.ordered
}

// A stem that was moved off a road stands on its edge, to rounding. Which side
// it is taken to stand on does not matter, so long as it is the same side for
// every direction: left or right of an edge is decided once for the edge, and
// of a line of fall once for a vertex. A stem on the very line of an edge counts
// as a little to the east of it, or below it when it is level.

// atStemM: a vertex nearer than this is where the stem stands.
const atStemM = 1e-9

// ends returns the ends of an edge as seen from the stem, the lower one first,
// of a level edge the western one, and 1 when its ring runs that way, else -1.
func (e *edge) ends() (a, b geo.XY, dir int32) {
	a, b, dir = geo.XY{X: e.x0, Y: e.y0}, geo.XY{X: e.x1, Y: e.y1}, int32(e.dir)
	if math.Abs(a.X) < atStemM && math.Abs(a.Y) < atStemM {
		a = geo.XY{}
	}
	if math.Abs(b.X) < atStemM && math.Abs(b.Y) < atStemM {
		b = geo.XY{}
	}
	if a.Y > b.Y || a.Y == b.Y && a.X > b.X {
		a, b, dir = b, a, -dir
	}
	return a, b, dir
}

// left tells whether a vertex lies to the left of the line of fall u.
func left(u, v geo.XY) bool {
	if v == (geo.XY{}) { // west of the stem, and a little above
		return u.Y > 0 || u.Y == 0 && u.X > 0
	}
	return float64(u.X*v.Y)-float64(u.Y*v.X) > 0
}

// struck appends where the lines of fall meet the edge from a up to b.
func struck(a, b geo.XY, dir, ring int32, fallM float64, hits []strike) []strike {
	cr := float64(a.X*b.Y) - float64(a.Y*b.X)
	p := nearestPoint(a, b)
	near := float64(p.X*p.X) + float64(p.Y*p.Y)
	if near >= fallM*fallM {
		return hits
	}
	from, to := 0, Bearings-1
	if near > onEdgeM*onEdgeM {
		from, to = raysBetween(a, b, cr)
	}
	for k := from; k <= to; k++ {
		i := (k + Bearings) % Bearings
		u := unit[i]
		onLeft := left(u, a)
		// Ahead, and not behind, where the edge runs to the left and the stem
		// lies on its left, or both are right.
		if onLeft == left(u, b) || onLeft != (cr <= 0) {
			continue
		}
		dist := 0.0
		if den := float64(u.X*(b.Y-a.Y)) - float64(u.Y*(b.X-a.X)); den != 0 {
			dist = max(0, cr/den)
		}
		if dist >= fallM {
			continue
		}
		if onLeft {
			hits = append(hits, strike{int32(i), ring, -dir, dist})
		} else {
			hits = append(hits, strike{int32(i), ring, dir, dist})
		}
	}
	return hits
}

// quarters is a measure of bearing that needs no arc tangent: it grows with the
// bearing, from 0 in the north by 1 each quarter.
func quarters(v geo.XY) float64 {
	switch {
	case v.X >= 0 && v.Y > 0:
		return v.X / (v.X + v.Y)
	case v.X > 0:
		return 1 - v.Y/(v.X-v.Y)
	case v.Y < 0:
		return 2 - v.X/(-v.X-v.Y)
	default:
		return 3 + v.Y/(v.Y-v.X)
	}
}

var unitQuarters = func() (q [Bearings]float64) {
	for k, u := range unit {
		q[k] = quarters(u)
	}
	return
}()

// raysBetween returns a range of directions, counted on beyond the last where
// north lies in it, that holds all that the segment ab is seen in from the
// stem, and perhaps one more on each side. cr is a x b, not 0 to rounding.
func raysBetween(a, b geo.XY, cr float64) (from, to int) {
	if cr > 0 {
		a, b = b, a
	}
	const hair = 1e-9
	lo, hi := quarters(a)-hair, quarters(b)+hair
	from = int(lo * (Bearings / 4))
	for from < Bearings && unitQuarters[from] < lo {
		from++
	}
	for from > 0 && unitQuarters[from-1] >= lo {
		from--
	}
	to = min(int(hi*(Bearings/4)), Bearings-1)
	for to+1 < Bearings && unitQuarters[to+1] <= hi {
		to++
	}
	for to >= 0 && unitQuarters[to] > hi {
		to--
	}
	if hi < lo {
		to += Bearings
	}
	return from, to
}

// strike changes the winding of a ring and tells whether its polygon was entered
// or left.
func (s *sweep) strike(ring, dir int32) bool {
	rg := &s.rings[ring]
	was := rg.wind != 0
	rg.wind += dir
	now := rg.wind != 0
	if now == was {
		return false
	}
	p := &s.parts[rg.part]
	switch {
	case !rg.hole:
		p.shell = now
	case now:
		p.holes++
	default:
		p.holes--
	}
	covers := p.shell && p.holes == 0
	if covers == p.covers {
		return false
	}
	p.covers = covers
	if covers {
		s.over = append(s.over, rg.part)
	} else {
		k := slices.Index(s.over, rg.part)
		s.over[k] = s.over[len(s.over)-1]
		s.over = s.over[:len(s.over)-1]
	}
	return true
}

// heaviest returns the greatest weight of the polygons that cover the place.
func (s *sweep) heaviest(m *Map) float64 {
	w := float32(0)
	for _, p := range s.over {
		w = max(w, m.parts[s.parts[p].id].weight)
	}
	return float64(w)
}
