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
	strike1 := func(e *edge) {
		a, b := geo.XY{X: e.x0, Y: e.y0}, geo.XY{X: e.x1, Y: e.y1}
		lo, hi := sector(a, b)
		cr := a.X*b.Y - a.Y*b.X
		for k := int(math.Ceil(lo / step)); float64(k)*step < hi; k++ {
			i := k % Bearings
			u := unit[i]
			den := u.X*(b.Y-a.Y) - u.Y*(b.X-a.X)
			if den == 0 {
				continue
			}
			dir := int32(e.dir)
			if den < 0 {
				dir = -dir
			}
			if dist := max(0, cr/den); dist < fallM {
				hits = append(hits, strike{int32(i), e.ring, dir, dist})
			}
		}
	}
	for i := range s.edges {
		e := &s.edges[i]
		if e.y0 <= 0 && 0 < e.y1 && e.x(0) < 0 {
			w.winds[e.ring] += int32(e.dir)
		}
		if e.x0 != farLeft {
			strike1(e)
		}
	}
	for i := range s.flats {
		strike1(&s.flats[i])
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
			sum += weight * (hits[h].distM - from)
			from = hits[h].distM
			if s.strike(hits[h].ring, hits[h].dir) {
				weight = s.heaviest(m)
			}
		}
		sum += weight * (fallM - from)
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
