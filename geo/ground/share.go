package ground

import (
	"cmp"
	"math"
	"slices"

	"soilshed/geo"
)

// spot is where one stem or several on one spot stand. Distances for the
// sharing are taken from at.
type spot struct {
	at     geo.XY
	id     int32   // its first stand
	count  int     // of stands
	weight float64 // of distance squared; 1 unless by crown
}

// rival is a stand whose opening may meet another's.
type rival struct {
	op     *opening
	at     geo.XY // of its spot, relative to the stem
	weight float64
	own    float64 // the part within their spot of it and its twins
	same   bool    // it stands on the same spot
}

// portion is what falls to one stand.
type portion struct {
	areaM2, rainM2, soilM3, depthM float64
	polygon                        [][][]geo.XY
}

func (w *worker) weight(i int32) float64 {
	if c := w.v.stands[i].CrownM2; w.o.ByCrown && c > 0 {
		return c
	}
	return 1
}

// neighbours lists in w.near the stands whose disks may meet the opening.
func (w *worker) neighbours(i int32, op *opening, st *Stand) {
	far := float64(2*w.o.SnapM) + op.r
	w.wide = w.v.grid.near(op.at, far+w.v.maxReach, w.wide[:0])
	w.nearOf(i, op)
}

// nearOf is neighbours where w.wide holds all that may be near, in the order of
// the grid.
func (w *worker) nearOf(i int32, op *opening) {
	w.near = w.near[:0]
	w.ground.join(boxOf(op.x0, op.y0, op.x1, op.y1))
	for _, j := range w.wide {
		o := &w.v.stands[j]
		r := o.ReachM + w.o.SnapM
		if j == i || w.v.gone(j) || o.At.X+r < op.x0 || o.At.X-r > op.x1 || o.At.Y+r < op.y0 || o.At.Y-r > op.y1 {
			continue
		}
		w.near = append(w.near, j)
	}
}

// spotOf returns the spot of a stand: itself, or all that stand within
// Options.OneSpotM of each other, one leading to the next.
func (w *worker) spotOf(i int32) spot {
	op := w.opening(i)
	if op.spotted {
		w.s.look.join(op.spotLook)
		w.spots.join(op.spotNear)
		return op.spot
	}
	look, near := w.s.look, w.spots
	w.s.look, w.spots = noBox, noBox
	members := []int32{i}
	op.spotted = true
	reach := w.o.OneSpotM + w.o.SnapM
	var from []geo.XY // places that have been looked round
	for n := 0; n < len(members) && w.o.OneSpotM > 0; n++ {
		at := w.opening(members[n]).at
		if slices.Contains(from, at) {
			continue
		}
		from = append(from, at)
		w.spots.join(boxAround(at, reach))
		for _, j := range w.v.grid.near(at, reach, nil) {
			if w.v.stands[j].At.Distance(at) > reach || w.v.gone(j) {
				continue
			}
			oj := w.opening(j)
			if !oj.spotted && oj.how != Sealed && op.how != Sealed && oj.at.Distance(at) < w.o.OneSpotM {
				oj.spotted = true
				members = append(members, j)
			}
		}
	}
	// In an order that does not depend on the stands' numbers.
	slices.SortFunc(members, func(a, b int32) int {
		p, q := w.opening(a).at, w.opening(b).at
		return cmp.Or(cmp.Compare(p.X, q.X), cmp.Compare(p.Y, q.Y), cmp.Compare(a, b))
	})
	sp := spot{id: members[0], count: len(members)}
	for _, j := range members {
		p := w.opening(j).at
		sp.at.X += p.X / float64(len(members))
		sp.at.Y += p.Y / float64(len(members))
		sp.weight = max(sp.weight, w.weight(j))
	}
	if len(members) == 1 {
		sp.at = op.at
	}
	for _, j := range members {
		oj := w.opening(j)
		oj.spot, oj.spotLook, oj.spotNear = sp, w.s.look, w.spots
	}
	w.s.look.join(look)
	w.spots.join(near)
	return sp
}

// spotBeside returns the spot of stand i were its stem at a place: that of the
// nearest of the others in w.near who stand there too, or its own.
func (w *worker) spotBeside(i int32, at geo.XY) spot {
	beside, least := int32(-1), w.o.OneSpotM
	for _, j := range w.near {
		st := &w.v.stands[j]
		if j == i || math.Abs(st.At.X-at.X) > least+w.o.SnapM || math.Abs(st.At.Y-at.Y) > least+w.o.SnapM {
			continue
		}
		if oj := w.opening(j); oj.how != Sealed && oj.at.Distance(at) < least {
			beside, least = j, oj.at.Distance(at)
		}
	}
	if beside < 0 {
		return spot{at: at, id: i, count: 1, weight: w.weight(i)}
	}
	sp := w.spotOf(beside)
	n := float64(sp.count)
	sum := geo.XY{X: float64(sp.at.X*n) + at.X, Y: float64(sp.at.Y*n) + at.Y}
	if w.spotOf(i) == sp { // it was there before
		sum = sum.Sub(w.opening(i).at)
	} else {
		n++
	}
	sp.at, sp.count = geo.XY{X: sum.X / n, Y: sum.Y / n}, int(n)
	sp.weight = max(sp.weight, w.weight(i))
	return sp
}

// share divides an opening of stand i with its rivals in w.near. A piece of it
// that lies in a neighbour's reach lies in that neighbour's opening as a whole
// or not at all, so one point of each piece tells whose it is.
func (w *worker) share(i int32, op *opening, own spot, draw bool) portion {
	if op.how == Sealed {
		return portion{}
	}
	st := &w.v.stands[i]
	s, m := &w.s, w.m
	self := geo.XY{X: own.at.X - op.at.X, Y: own.at.Y - op.at.Y}
	w.rivals = w.rivals[:0]
	for _, j := range w.near {
		oj := w.opening(j)
		if oj.how == Sealed || !op.touches(oj) {
			continue
		}
		sj := w.spotOf(j)
		rv := rival{op: oj, at: sj.at.Sub(op.at), weight: sj.weight, own: w.weight(j), same: sj.id == own.id || sj.at == own.at}
		if k := slices.IndexFunc(w.rivals, func(o rival) bool { return o.at == rv.at && o.same == rv.same && o.op.twin(oj) }); k >= 0 {
			w.rivals[k].own += rv.own
			continue
		}
		if !rv.same && rv.weight == own.weight {
			// The bisector may pass the opening by.
			d := rv.at.Sub(self)
			far := math.Inf(-1)
			for _, c := range [4]geo.XY{{X: op.x0, Y: op.y0}, {X: op.x1, Y: op.y0}, {X: op.x0, Y: op.y1}, {X: op.x1, Y: op.y1}} {
				p := c.Sub(own.at)
				far = max(far, float64(p.X*d.X)+float64(p.Y*d.Y))
			}
			if far < (float64(d.X*d.X)+float64(d.Y*d.Y))/2 {
				continue
			}
		}
		w.rivals = append(w.rivals, rv)
	}
	// The nearest settle most points.
	slices.SortStableFunc(w.rivals, func(a, b rival) int {
		return cmp.Compare(sq(a.at.X)+sq(a.at.Y), sq(b.at.X)+sq(b.at.Y))
	})
	bySoil := st.DepthM <= 0 && m.has[soil]
	full := op.underM2 > 0 || op.private() && len(w.rivals) > 0
	depth := w.o.DepthM
	if st.DepthM > 0 {
		depth = st.DepthM
	}
	depth = min(depth, w.o.MaxDepthM)
	if len(w.rivals) == 0 && !full && !bySoil {
		p := portion{areaM2: op.areaM2, rainM2: op.areaM2, soilM3: float64(op.areaM2 * depth), depthM: depth}
		if draw {
			p.polygon = drawn(op.rims, op.at)
		}
		return p
	}

	var kinds uint
	if full {
		kinds = 1<<hard | 1<<bed | 1<<rootable
	}
	if bySoil {
		kinds |= 1 << soil
	}
	if m.has[barrier] {
		// A neighbour's ground may end at a wall that this ground goes round.
		kinds |= 1 << barrier
	}
	if !draw && kinds == 0 && w.evenly(own) {
		if a, ok := w.cutaway.left(op, self, w.rivals); ok {
			return portion{areaM2: a, rainM2: a, soilM3: float64(a * depth), depthM: depth}
		}
	}
	s.clear()
	s.half = op.r
	if kinds != 0 {
		s.gather(m, op.at, op.r, kinds)
	}
	if full && op.private() {
		s.carve(op.pit)
	}
	s.addRims(op.rims, geo.XY{}, edgeRim)
	for k := range w.rivals {
		rv := &w.rivals[k]
		oj := rv.op
		if rv.same && oj.twin(op) {
			continue // what it has begins and ends where this does
		}
		to := oj.at.Sub(op.at)
		if rv.same {
			if !oj.whole || oj.r != op.r || to != (geo.XY{}) {
				s.addCircle(to, oj.r, edgeSplit)
			}
		} else {
			again := slices.ContainsFunc(w.rivals[:k], func(o rival) bool { return o.at == rv.at })
			if !again {
				s.divide(self, own.weight, rv.at, rv.weight, op.r)
			}
			if oj.r < op.r || rv.weight != own.weight || to != rv.at || self != (geo.XY{}) {
				s.addCircle(to, oj.r, edgeSplit)
			}
		}
		if oj.private() || op.private() || oj.cut {
			s.addRims(oj.rims, to, edgeSplit)
		}
	}
	s.prepare()
	s.scan = scanShare
	s.owner = func(p geo.XY) float64 {
		mine := sq(p.X-self.X) + sq(p.Y-self.Y)
		all := w.weight(i)
		for k := range w.rivals {
			rv := &w.rivals[k]
			if !rv.same && (sq(p.X-rv.at.X)+sq(p.Y-rv.at.Y))*own.weight >= mine*rv.weight {
				continue
			}
			if !rv.op.holds(p.Add(op.at)) {
				continue
			}
			if !rv.same {
				return 0
			}
			all += rv.own
		}
		return w.weight(i) / all
	}
	s.depth = func() (depthM, usable float64) { return depth, 1 }
	if bySoil || full {
		s.depth = func() (float64, float64) { return s.depthHere(m, depth, bySoil, w.o.MaxDepthM) }
	}
	s.draw = draw
	s.sum = portion{}
	s.whole()
	p := s.sum
	if p.areaM2 > 0 {
		p.depthM /= p.areaM2
	}
	if draw {
		w.shareRims = s.rims(w.shareRims[:0])
		p.polygon = drawn(w.shareRims, op.at)
	}
	return p
}

// evenly tells whether each point of an opening falls whole to the nearest of those
// in whose opening it lies, and no line bounds a rival's that others' ground runs
// round.
func (w *worker) evenly(own spot) bool {
	return !slices.ContainsFunc(w.rivals, func(rv rival) bool {
		return rv.same || rv.weight != own.weight || rv.op.cut || rv.op.private()
	})
}

// depthHere returns the depth and the usable fraction at the place of the scan.
// Where several say, the one with least soil counts.
func (s *sweep) depthHere(m *Map, depthM float64, bySoil bool, maxM float64) (float64, float64) {
	if s.n[hard] > 0 && s.n[bed] == 0 && s.n[rootable] > 0 {
		d, u := math.Inf(1), 1.0
		for i := range s.parts {
			if p := &s.parts[i]; p.covers && p.kind == rootable {
				pd, pu := float64(m.parts[p.id].depthM), float64(m.parts[p.id].usable)
				if pd*pu < d*u {
					d, u = pd, pu
				}
			}
		}
		return d, u
	}
	if bySoil && s.n[soil] > 0 {
		d := math.Inf(1)
		for i := range s.parts {
			if p := &s.parts[i]; p.covers && p.kind == soil {
				d = min(d, float64(m.parts[p.id].depthM))
			}
		}
		return min(d, maxM), 1
	}
	return depthM, 1
}

// divide adds the line on which a and b are equally near: distance squared over
// weight. It is straight when the weights are equal, else a circle.
func (s *sweep) divide(a geo.XY, wa float64, b geo.XY, wb float64, r float64) {
	d := b.Sub(a)
	l := math.Hypot(d.X, d.Y)
	if ratio := wb / wa; ratio > 1.0001 || ratio < 0.9999 {
		c := geo.XY{X: (float64(wb*a.X) - float64(wa*b.X)) / (wb - wa), Y: (float64(wb*a.Y) - float64(wa*b.Y)) / (wb - wa)}
		s.addCircle(c, math.Sqrt(wa*wb)*l/math.Abs(wb-wa), edgeSplit)
		return
	}
	// The place between them divides as the roots of the weights. Only the chord
	// in the disk matters, which a and b need not lie in.
	t := math.Sqrt(wa) / (math.Sqrt(wa) + math.Sqrt(wb))
	mid := geo.XY{X: a.X + float64(t*d.X), Y: a.Y + float64(t*d.Y)}
	n := geo.XY{X: -d.Y / l, Y: d.X / l}
	along := float64(mid.X*n.X) + float64(mid.Y*n.Y)
	foot := geo.XY{X: mid.X - float64(along*n.X), Y: mid.Y - float64(along*n.Y)}
	half := float64(r*r) - float64(foot.X*foot.X) - float64(foot.Y*foot.Y)
	if half <= 0 {
		return
	}
	half = math.Sqrt(half) + 1e-3
	if math.Abs(n.Y)*2*half < tiltM {
		s.cuts = append(s.cuts, foot.Y) // a level line: slabs end there
		return
	}
	s.addBarrier(geo.XY{X: foot.X - float64(half*n.X), Y: foot.Y - float64(half*n.Y)}, geo.XY{X: foot.X + float64(half*n.X), Y: foot.Y + float64(half*n.Y)}, edgeSplit, -1, -1)
}

// addRims adds the outline of an opening, moved by c.
func (s *sweep) addRims(rims []rim, c geo.XY, what edgeKind) {
	for i := range rims {
		r := &rims[i]
		if r.side == 0 {
			s.addEdge(r.x0+c.X, r.y0+c.Y, r.x1+c.X, r.y1+c.Y, what, -1, -1)
			continue
		}
		e := edge{x0: r.x0 + c.X, y0: r.y0 + c.Y, x1: r.x1 + c.X, y1: r.y1 + c.Y, cx: r.cx + c.X, cy: r.cy + c.Y, r: r.r, side: r.side, kind: what, dir: 1, ring: -1, src: -1}
		if e.y0 > e.y1 {
			e.x0, e.y0, e.x1, e.y1, e.dir = e.x1, e.y1, e.x0, e.y0, -1
		}
		if e.y0 < e.y1 {
			s.edges = append(s.edges, e)
		}
	}
}

// scanShare adds up the pieces of an opening in one slab, and marks those that
// are the stand's own.
func (s *sweep) scanShare() {
	s.resetScan()
	first := len(s.traps)
	lo, hi := s.lo, s.hi
	mid := (lo + hi) / 2
	for k, a := range s.act {
		e := &s.edges[a.e]
		switch e.kind {
		case edgePart:
			s.cross(e)
		case edgeRim:
			s.disk -= int(e.dir) // a left side runs downwards
		}
		if s.disk <= 0 || k+1 == len(s.act) {
			continue
		}
		b := &s.act[k+1]
		if b.xm-a.xm <= thinM {
			continue
		}
		part := s.owner(geo.XY{X: (a.xm + b.xm) / 2, Y: mid})
		if part == 0 {
			continue
		}
		area := float64((s.edges[b.e].under(lo, hi) - e.under(lo, hi)) * part)
		depthM, usable := s.depth()
		s.sum.areaM2 += area
		s.sum.depthM += float64(area * depthM)
		s.sum.soilM3 += float64(area * depthM * usable)
		if s.n[hard] == 0 || s.n[bed] > 0 || s.n[rootable] == 0 {
			s.sum.rainM2 += area
		}
		if s.draw {
			t := int32(len(s.traps))
			tr := trap{left: a.e, right: b.e, up: t, state: openAir, pick: true}
			tr.abut = int(t) > first && a.xm-s.lastRight <= thinM
			s.lastRight = b.xm
			s.traps = append(s.traps, tr)
		}
	}
}
