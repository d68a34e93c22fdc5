package ground

import (
	"math"
	"slices"

	"soilshed/geo"
)

// shift is a displaced point of a stand.
type shift struct {
	at geo.XY
	on geo.XY // where its stem is taken to stand, when inHome
	// inHome: it stands in the ground of the recorded point, or is moved to it.
	inHome bool
	// same: all of that ground is within its reach and in no need of a circle.
	same bool
}

// vicinity is the ground round a stand that holds the openings of its displaced
// points in it.
type vicinity struct {
	ground
	r float64 // of its disk; 0 when it was not found
}

// spread fills in the percentiles of the volume over displaced points. They
// are the same pattern for every tree: radii at equal steps of the probability
// of a round normal error, a golden angle apart.
func (w *worker) spread(i int32, st *Stand, soilM3 float64, out *Site) {
	n := w.o.Jitters
	op := w.opening(i)
	off := st.At.Distance(displaced(&w.o, st.At, n-1))
	if op.whole && len(w.near) == 0 && (st.DepthM > 0 || !w.m.has[soil]) {
		w.s.gather(w.m, st.At, st.ReachM+off, groundKinds)
		if len(w.s.edges)+len(w.s.flats) == 0 {
			out.SoilP10M3, out.SoilP90M3 = soilM3, soilM3
			return
		}
	}
	w.home = append(w.home[:0], w.near...)
	// All that may be near the opening of any of the points.
	w.wide = w.v.grid.near(st.At, float64(2*w.o.SnapM)+st.ReachM+w.v.maxReach+off+onEdgeM, w.wide[:0])
	w.shifts = w.shifts[:0]
	for k := range n {
		w.shifts = append(w.shifts, shift{at: displaced(&w.o, st.At, k)})
	}
	w.vicinity.r = 0
	if op.plain() {
		w.settle(op, st.ReachM)
	}
	w.volumes = w.volumes[:0]
	for k := range w.shifts {
		w.volumes = append(w.volumes, w.shifted(i, op, &w.shifts[k]))
	}
	out.SoilP10M3, out.SoilP90M3 = percentiles(w.volumes)
}

// settle finds out for each displaced point whether it stands in the opening of
// the recorded one, or next to it, and the ground that holds the openings of
// those that do. What it cannot tell it leaves for shifted.
func (w *worker) settle(op *opening, reachM float64) {
	s := &w.s
	far := op.farthest()
	held, longest, ask := 0, 0.0, 0.0
	for k := range w.shifts {
		sh := &w.shifts[k]
		sh.on, sh.inHome = sh.at, op.holds(sh.at)
		d := 0.0
		if !sh.inHome {
			if sh.on, d = op.nearest(sh.at); d > w.o.SnapM {
				continue
			}
			ask = max(ask, sh.at.Distance(op.at)+d+offEdgeM)
		}
		from := sh.on.Distance(op.at)
		if sh.same = far+from < reachM; !sh.same {
			held++
			longest = max(longest, from+reachM+besideM)
		}
	}
	if held < 2 || w.m.has[barrier] {
		longest = 0
	}
	if ask == 0 && longest == 0 {
		return
	}
	s.gather(w.m, op.at, max(ask, longest), groundKinds)
	for k := range w.shifts {
		if sh := &w.shifts[k]; !sh.inHome && sh.on.Distance(sh.at) <= w.o.SnapM {
			sh.inHome = s.alongside(sh.at.Sub(op.at), sh.on.Sub(op.at))
		}
	}
	if longest > 0 {
		w.widen(op.at)
	}
}

// widen finds the ground that is connected to a stem at c among the edges that were
// gathered round it. What is connected to a displaced point of that ground within
// its own disk, is connected to the stem within the disk that holds all of these
// disks.
func (w *worker) widen(c geo.XY) {
	s, g := &w.s, &w.vicinity
	s.addCircle(geo.XY{}, s.half, edgeDisk)
	s.prepare()
	if !s.flood() || s.forked() {
		return
	}
	if _, under := s.picked(); under > 0 {
		return
	}
	s.bounds, g.plugs = s.rims(s.bounds[:0]), g.plugs[:0]
	if w.o.CloseGapM > 0 && s.closeGaps(w.m, c, w.o.CloseGapM) > 0 {
		g.plugs = append(g.plugs, s.plugs...)
		s.prepare()
		if !s.flood() || s.forked() {
			return
		}
		s.bounds = s.rims(s.bounds[:0])
	}
	g.at, g.r, g.rims = c, s.half, append(g.rims[:0], s.bounds...)
	g.markNear(w.o.CloseGapM)
}

// shifted returns the volume that stand i would have at a displaced point.
func (w *worker) shifted(i int32, op *opening, sh *shift) float64 {
	s, o, st := &w.s, &w.o, &w.v.stands[i]
	var near []geo.XY
	onHard := false
	if !sh.inHome && o.SnapM > 0 {
		near, onHard = s.openNear(w.m, sh.at, o.SnapM, o.CloseGapM)
		if onHard && len(near) > 0 && !parts(sh.at, near) && op.plain() && op.mate(near[0]) {
			sh.on, sh.inHome = near[0], true
			sh.same = op.farthest()+sh.on.Distance(op.at) < st.ReachM
		}
	}
	if sh.inHome && sh.same {
		// Ground that no circle of reach cuts is the same ground from any point of
		// it that reaches all of it.
		return w.share(i, op, w.spotBeside(i, sh.on), false).soilM3
	}
	switch {
	case sh.inHome && sh.on.Distance(op.at)+st.ReachM < w.vicinity.r &&
		w.cutter.cut(&w.vicinity.ground, sh.on, st.ReachM, &w.jitter) && w.jitter.measure(o.CloseGapM):
	case onHard:
		w.findOnHard(sh.at, st, near, &w.jitter)
	default:
		w.find(sh.at, st, &w.jitter)
	}
	w.nearOf(i, &w.jitter)
	p := w.share(i, &w.jitter, w.spotBeside(i, w.jitter.at), false)
	w.near = append(w.near[:0], w.home...)
	return p.soilM3
}

// plain tells whether an opening is the open ground round its stem and nothing
// else: no pit of its own, nothing under pavement.
func (o *opening) plain() bool { return o.how != Sealed && !o.private() && o.underM2 == 0 }

// parts tells whether another piece of open ground is as near to a point as the
// nearest: then the point that is nearest may part two grounds.
func parts(at geo.XY, near []geo.XY) bool {
	return len(near) > 1 && near[1].Distance(at) < near[0].Distance(at)+offEdgeM
}

// alongside tells whether p, relative to the middle of what was gathered, lies on
// hard ground and what is nearest to it is q, on one straight edge or on a corner
// of two, so that it parts no two grounds. False where it is not sure.
func (s *sweep) alongside(p, q geo.XY) bool {
	d := p.Distance(q)
	if d < 2*offEdgeM {
		return false
	}
	s.resetScan()
	for i := range s.edges {
		e := &s.edges[i]
		if e.kind == edgePart && e.y0 <= p.Y && p.Y < e.y1 && (e.x0 == farLeft || e.x(p.Y) < p.X) {
			s.cross(e)
		}
	}
	if s.n[hard] == 0 || s.n[bed] > 0 {
		return false
	}
	through, ends := 0, 0
	for _, list := range [2][]edge{s.edges, s.flats} {
		for i := range list {
			e := &list[i]
			if e.x0 == farLeft {
				continue
			}
			a, b := geo.XY{X: e.x0, Y: e.y0}, geo.XY{X: e.x1, Y: e.y1}
			n := nearestPoint(a.Sub(p), b.Sub(p)).Add(p)
			away := n.Distance(p)
			if away > d+offEdgeM {
				continue
			}
			if away < d-thinM || n.Distance(q) > offEdgeM {
				return false
			}
			if a.Distance(q) < offEdgeM || b.Distance(q) < offEdgeM {
				ends++
			} else {
				through++
			}
		}
	}
	return through > 0 && ends == 0 || through == 0 && ends == 2
}

// displaced returns point k of the pattern of displaced points.
func displaced(o *Options, at geo.XY, k int) geo.XY {
	sigma := o.PositionErrorM / math.Sqrt(-2*math.Log(0.32))
	radius := float64(sigma * math.Sqrt(-2*math.Log(1-(float64(k)+0.5)/float64(o.Jitters))))
	sin, cos := math.Sincos(float64(k) * (3 - math.Sqrt(5)) * math.Pi)
	return geo.XY{X: at.X + float64(radius*sin), Y: at.Y + float64(radius*cos)}
}

// percentiles returns the 10th and the 90th of values, which it sorts.
func percentiles(v []float64) (p10, p90 float64) {
	slices.Sort(v)
	return quantile(v, 0.1), quantile(v, 0.9)
}

// quantile interpolates between the order statistics of sorted values (Hyndman
// and Fan 1996, definition 7).
func quantile(sorted []float64, p float64) float64 {
	h := float64(p * float64(len(sorted)-1))
	i := int(h)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + float64((h-float64(i))*(sorted[i+1]-sorted[i]))
}
