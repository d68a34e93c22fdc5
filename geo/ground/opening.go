package ground

import (
	"cmp"
	"math"
	"slices"

	"soilshed/geo"
)

// opening is the ground of one stand, kept while its cell is worked on.
type opening struct {
	at     geo.XY
	r      float64
	how    How
	rims   []rim
	areaM2 float64
	// underM2 is the part of the area that lies under pavement.
	underM2        float64
	x0, y0, x1, y1 float64 // its box, in the plane
	whole          bool    // the whole disk
	cut            bool    // lines may bound it that others' ground runs round
	pit            pit     // when it is private
	spot           spot
	spotted        bool
	// What was looked at to find it, and its spot.
	look               box
	spotLook, spotNear box
}

// private tells whether the opening is a pit of its own in hard ground.
func (o *opening) private() bool { return o.how == Recorded || o.how == Assumed }

const groundKinds = 1<<hard | 1<<bed | 1<<rootable | 1<<barrier

// dig finds the ground within r of c that is connected to c. It returns false
// when c stands on hard ground, or in nothing but a crack.
func (s *sweep) dig(m *Map, c geo.XY, r float64, o *Options, pit *pit, op *opening) bool {
	op.at, op.r = c, r
	op.rims, op.whole, op.cut = op.rims[:0], false, false
	s.gather(m, c, r, groundKinds)
	if pit != nil {
		s.carve(*pit)
	}
	if len(s.edges) == 0 && len(s.flats) == 0 {
		// Nothing is near, so nothing covers the disk either.
		op.whole = true
		op.rims = append(op.rims, rim{0, -r, 0, r, 0, 0, r, 1, false}, rim{0, r, 0, -r, 0, 0, r, -1, true})
		op.areaM2, op.underM2 = float64(math.Pi*r*r), 0
		op.x0, op.y0, op.x1, op.y1 = c.X-r, c.Y-r, c.X+r, c.Y+r
		return true
	}
	return s.digHere(m, o, op)
}

// digHere finds the ground of an opening whose place and radius are set, among
// the edges that were gathered.
func (s *sweep) digHere(m *Map, o *Options, op *opening) bool {
	c, r := op.at, op.r
	s.addCircle(geo.XY{}, r, edgeDisk)
	s.prepare()
	if !s.flood() {
		return false
	}
	// A stem on a corner that parts two grounds may lose one when its gaps are
	// closed; so those of both are.
	forked := o.CloseGapM > 0 && s.forked()
	if forked {
		s.pickAll()
	}
	s.bounds = s.rims(s.bounds[:0])
	op.cut = m.has[barrier]
	if o.CloseGapM > 0 && s.closeGaps(m, c, o.CloseGapM) > 0 {
		op.cut = true
		s.prepare()
		if !s.flood() {
			return false
		}
		s.bounds = s.rims(s.bounds[:0])
	} else if forked {
		s.pickLargest()
		s.bounds = s.rims(s.bounds[:0])
	}
	op.areaM2, op.underM2 = s.picked()
	op.rims = append(op.rims, s.bounds...)
	return op.measure(o.CloseGapM)
}

// measure finds the box of an opening whose outline and area are known, and
// tells whether it is ground: no wider on the mean than a gap is a gap, and no
// wider than rounding is rounding.
func (op *opening) measure(gapM float64) bool {
	c, r := op.at, op.r
	op.x0, op.y0, op.x1, op.y1 = math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	length := 0.0
	straight := false
	for i := range op.rims {
		e := &op.rims[i]
		op.x0, op.x1 = min(op.x0, e.x0, e.x1), max(op.x1, e.x0, e.x1)
		op.y0, op.y1 = min(op.y0, e.y0, e.y1), max(op.y1, e.y0, e.y1)
		if e.side != 0 {
			if (e.y0 < 0) != (e.y1 < 0) { // the bulge of a half circle
				op.x0, op.x1 = min(op.x0, float64(e.side)*r), max(op.x1, float64(e.side)*r)
			}
			if gapM > 0 {
				length += float64(r * math.Abs(math.Asin(max(-1, min(1, e.y1/r)))-math.Asin(max(-1, min(1, e.y0/r)))))
			}
		} else {
			straight = true
			length += math.Hypot(e.x1-e.x0, e.y1-e.y0)
		}
	}
	op.whole = !straight && op.underM2 == 0
	op.x0, op.y0, op.x1, op.y1 = op.x0+c.X, op.y0+c.Y, op.x1+c.X, op.y1+c.Y
	return 2*op.areaM2 > max(gapM, joinM)*length && op.areaM2 > thinM
}

// nearestPoint returns the point of the segment ab nearest to the origin.
func nearestPoint(a, b geo.XY) geo.XY {
	d := b.Sub(a)
	l2 := float64(d.X*d.X) + float64(d.Y*d.Y)
	if l2 == 0 {
		return a
	}
	t := max(0, min(1, -(float64(a.X*d.X)+float64(a.Y*d.Y))/l2))
	return geo.XY{X: a.X + float64(t*d.X), Y: a.Y + float64(t*d.Y)}
}

// find works out the opening of a stand whose stem is recorded at `at`: where
// it is, how it was found and its outline.
func (w *worker) find(at geo.XY, st *Stand, op *opening) {
	s, m, o := &w.s, w.m, &w.o
	if s.dig(m, at, st.ReachM, o, nil, op) {
		op.how = Measured
		if op.whole {
			op.how = Open
			if !m.covered(at) {
				op.how = Uncovered
			}
		}
		return
	}
	var near []geo.XY
	if o.SnapM > 0 {
		near, _ = s.openNear(m, at, o.SnapM, o.CloseGapM)
	}
	w.findOnHard(at, st, near, op)
}

// findOnHard is find for a stem that is known to stand on hard ground, with the
// points of open ground near it, nearest first.
func (w *worker) findOnHard(at geo.XY, st *Stand, near []geo.XY, op *opening) {
	s, m, o := &w.s, w.m, &w.o
	for _, p := range near {
		if s.dig(m, p, st.ReachM, o, nil, op) {
			op.how = Snapped
			return
		}
	}
	l, b, how := st.PitLM, st.PitWM, Recorded
	if l <= 0 || b <= 0 {
		l, b, how = o.PitM, o.PitM, Assumed
	}
	op.pit = pit{l, b, s.along(m, at, st.ReachM)}
	if l > 0 && s.dig(m, at, st.ReachM, o, &op.pit, op) {
		op.how = how
		return
	}
	*op = opening{spotted: op.spotted, spot: op.spot, spotLook: op.spotLook, spotNear: op.spotNear, at: at, r: st.ReachM, how: Sealed, rims: op.rims[:0], x0: at.X, y0: at.Y, x1: at.X, y1: at.Y}
}

// openSpot is the point of a piece of open ground that is nearest, and how far it is.
type openSpot struct {
	p    geo.XY
	d    float64
	root int32 // of the piece, in the union-find
}

// offEdgeM: a stem farther than this from open ground stands on hard ground.
const offEdgeM = 1e-5

// openNear lists the nearest points of the edge of open ground within r of c, one
// for each piece of ground, nearest first. It tells whether c itself lies on hard
// ground.
func (s *sweep) openNear(m *Map, c geo.XY, r, gap float64) (near []geo.XY, onHard bool) {
	// The mouth of a crack counts with both its corners, and what lies just at r is
	// met by more than a touch.
	wide := r + max(float64(2*gap), onEdgeM)
	s.gather(m, c, wide, groundKinds)
	s.addCircle(geo.XY{}, wide, edgeDisk)
	s.prepare()
	s.scan = scanGround
	s.whole()
	if gap > 0 {
		// A crack must not pass for the ground that it leads to.
		for i := range s.traps {
			s.traps[i].pick = s.traps[i].state != blocked
		}
		s.bounds = s.rims(s.bounds[:0])
		if s.closeGaps(m, c, gap) > 0 {
			s.prepare()
			s.whole()
		}
	}
	onHard = true
	found := s.nearby[:0]
	for _, i := range s.order {
		sl := &s.slabs[i]
		for t := sl.from; t < sl.to; t++ {
			tr := &s.traps[t]
			if tr.state != openAir {
				continue
			}
			if sl.y0 < offEdgeM && sl.y1 > -offEdgeM && s.edges[tr.left].x(0) < offEdgeM && s.edges[tr.right].x(0) > -offEdgeM {
				onHard = false
			}
			p, d := s.nearestOf(sl, tr)
			root := s.find(t)
			k := slices.IndexFunc(found, func(o openSpot) bool { return o.root == root })
			switch {
			case k < 0:
				found = append(found, openSpot{p, d, root})
			case d < found[k].d:
				found[k] = openSpot{p, d, root}
			}
		}
	}
	slices.SortStableFunc(found, func(a, b openSpot) int { return cmp.Compare(a.d, b.d) })
	s.nearby, s.spots = found, s.spots[:0]
	for _, o := range found {
		if o.d <= r && (len(s.spots) > 0 || !s.crack(o.root, gap)) {
			s.spots = append(s.spots, o.p.Add(c))
		}
	}
	return s.spots, onHard
}

// crack tells whether a piece of ground lies in the window as a whole and is no
// wider on the mean than a gap, so that measure would find it to be no ground. Many
// of the places nearest to a stem on pavement are such joints.
func (s *sweep) crack(root int32, gapM float64) bool {
	area, length := 0.0, 0.0
	for _, i := range s.order {
		sl := &s.slabs[i]
		for t := sl.from; t < sl.to; t++ {
			if s.find(t) != root {
				continue
			}
			tr := &s.traps[t]
			l, r := &s.edges[tr.left], &s.edges[tr.right]
			if l.side != 0 || r.side != 0 || tr.abut || tr.state != openAir {
				return false
			}
			area += s.trapArea(sl, tr)
			high := sl.y1 - sl.y0
			length += float64(high * (math.Sqrt(1+float64(l.slope*l.slope)) + math.Sqrt(1+float64(r.slope*r.slope))))
		}
	}
	return 2*area <= max(gapM, joinM)*length || area <= thinM
}

// nearestOf returns the point of a trap nearest to the origin. Its sides are
// taken as straight: a piece of the circle is the farthest part anyway.
func (s *sweep) nearestOf(sl *slab, t *trap) (geo.XY, float64) {
	l, r := &s.edges[t.left], &s.edges[t.right]
	low, top := sl.firm()
	c := [4]geo.XY{{X: l.x(low), Y: low}, {X: r.x(low), Y: low}, {X: r.x(top), Y: top}, {X: l.x(top), Y: top}}
	best, d := geo.XY{}, math.Inf(1)
	for i := range c {
		p := nearestPoint(c[i], c[(i+1)%4])
		if e := math.Hypot(p.X, p.Y); e < d {
			best, d = p, e
		}
	}
	return best, d
}

// holds tells whether p, a point of the plane, lies in the opening.
func (o *opening) holds(p geo.XY) bool {
	if p.X < o.x0 || p.X > o.x1 || p.Y < o.y0 || p.Y > o.y1 {
		return false
	}
	return o.inside(p.X-o.at.X, p.Y-o.at.Y)
}

// inside is holds for a point relative to the stem, to the last digit.
func (o *opening) inside(x, y float64) bool {
	if float64(x*x)+float64(y*y) > o.r*o.r {
		return false
	}
	return o.whole || encloses(o.rims, x, y)
}

// encloses tells whether an outline holds a point of its disk.
func encloses(rims []rim, x, y float64) bool {
	in := false
	for i := range rims {
		e := &rims[i]
		if (e.y0 > y) == (e.y1 > y) {
			continue
		}
		switch {
		case e.side > 0:
			in = !in // p lies in the disk
		case e.side == 0:
			if x < e.x0+float64((y-e.y0)/(e.y1-e.y0)*(e.x1-e.x0)) {
				in = !in
			}
		}
	}
	return in
}

// nearest returns the point of the straight outline nearest to p, a point of the
// plane, and its distance: +Inf where the circle is all of the outline.
func (o *opening) nearest(p geo.XY) (geo.XY, float64) {
	at := p.Sub(o.at)
	best, d := geo.XY{}, math.Inf(1)
	for i := range o.rims {
		e := &o.rims[i]
		if e.side == 0 {
			q := nearestPoint(geo.XY{X: e.x0, Y: e.y0}.Sub(at), geo.XY{X: e.x1, Y: e.y1}.Sub(at))
			if l := math.Hypot(q.X, q.Y); l < d {
				best, d = q, l
			}
		}
	}
	return best.Add(p), d
}

// farthest returns the distance from the stem to the farthest point of the
// opening, or +Inf when the reach cuts it off.
func (o *opening) farthest() float64 {
	d := 0.0
	for i := range o.rims {
		e := &o.rims[i]
		if e.side != 0 {
			return math.Inf(1)
		}
		d = max(d, math.Hypot(e.x0, e.y0))
	}
	if len(o.rims) == 0 {
		return math.Inf(1)
	}
	return d
}

// mate tells whether a stem at p stands in the opening or on its edge.
func (o *opening) mate(p geo.XY) bool {
	if o.how == Sealed {
		return false
	}
	if o.holds(p) {
		return true
	}
	_, d := o.nearest(p)
	return d <= onEdgeM
}

// twin tells whether two stands of one place have the same opening to the last
// digit. However many stand on one spot, one stands for all.
func (o *opening) twin(p *opening) bool {
	return o == p || o.at == p.at && o.r == p.r && o.how == p.how && o.pit == p.pit
}

// touches tells whether the boxes of two openings meet.
func (o *opening) touches(p *opening) bool {
	return o.x0 < p.x1 && p.x0 < o.x1 && o.y0 < p.y1 && p.y0 < o.y1
}

// rose fills in the free distance in each direction.
func (o *opening) rose(out *[Bearings]float32, barriers []rim) {
	var d [Bearings]float64
	for i := range d {
		d[i] = o.r
	}
	if o.how == Sealed {
		clear(d[:])
	}
	onEdge := false
	for i := range o.rims {
		e := &o.rims[i]
		if e.side != 0 {
			continue
		}
		a, b := geo.XY{X: e.x0, Y: e.y0}, geo.XY{X: e.x1, Y: e.y1}
		if p := nearestPoint(a, b); math.Hypot(p.X, p.Y) < onEdgeM {
			onEdge = true
			continue
		}
		castAll(&d, a, b)
	}
	for i := range barriers {
		e := &barriers[i]
		a, b := geo.XY{X: e.x0, Y: e.y0}, geo.XY{X: e.x1, Y: e.y1}
		if p := nearestPoint(a, b); math.Hypot(p.X, p.Y) < onEdgeM {
			onEdge = true
			continue
		}
		castAll(&d, a, b)
	}
	if onEdge {
		// The stem stands on an edge or a corner: only the directions in which
		// ground begins at once are free, one along an edge among them.
		const ahead, aside = 1e-4, 1e-4 * rayDeg * math.Pi / 180
		for k, u := range unit {
			x, y := float64(ahead*u.X), float64(ahead*u.Y)
			if !o.inside(x-float64(aside*u.Y), y+float64(aside*u.X)) && !o.inside(x+float64(aside*u.Y), y-float64(aside*u.X)) {
				d[k] = 0
			}
		}
	}
	for i := range d {
		out[i] = float32(d[i])
	}
}

// rayDeg, in degrees: a ray that passes a vertex within this angle goes through it, and one
// that leaves the stem within it of an edge runs along that edge.
const rayDeg = 1e-4

// castAll shortens the rays that the segment ab crosses; one through a vertex is
// stopped by it.
func castAll(d *[Bearings]float64, a, b geo.XY) {
	const slack = rayDeg
	lo, hi := sector(a, b)
	cr := float64(a.X*b.Y) - float64(a.Y*b.X)
	long := a.Distance(b)
	for k := int(math.Ceil((lo - slack) / step)); float64(k)*step <= hi+slack; k++ {
		i := (k + Bearings) % Bearings
		u := unit[i]
		den := float64(u.X*(b.Y-a.Y)) - float64(u.Y*(b.X-a.X))
		if math.Abs(den) > 1e-9*long {
			d[i] = min(d[i], max(0, cr/den))
		} else { // in line with the ray
			d[i] = min(d[i], math.Hypot(a.X, a.Y), math.Hypot(b.X, b.Y))
		}
	}
}

// step is the angle between two bearings of a rose, in degrees.
const step = 360.0 / Bearings

// sector returns the bearings between which the segment ab is seen from the
// origin, lo <= hi < lo + 360.
func sector(a, b geo.XY) (lo, hi float64) {
	lo, hi = float64(geo.BearingOf(a)), float64(geo.BearingOf(b))
	if math.Remainder(hi-lo, 360) < 0 {
		lo, hi = hi, lo
	}
	if hi < lo {
		hi += 360
	}
	return lo, hi
}
