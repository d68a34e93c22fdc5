package ground

import (
	"cmp"
	"math"
	"slices"
	"sort"

	"soilshed/geo"
)

type edgeKind uint8

const (
	edgePart    edgeKind = iota // of a polygon of the map
	edgeDisk                    // of the disk of reach
	edgeBarrier                 // a wall or kerb
	edgePlug                    // across a gap that is closed
	edgeRim                     // of an opening
	edgeSplit                   // divides only: a bisector, a neighbour's circle
)

// edge is a piece of the arrangement that rises from (x0, y0) to (x1, y1): a
// straight one, or the left (side -1) or right (side 1) half of a circle, or a
// part of such a half.
type edge struct {
	x0, y0, x1, y1 float64
	slope          float64
	cx, cy, r      float64
	ring           int32 // in sweep.rings, for edgePart
	src            int32 // its number along that ring; -1 when it is not one
	dir            int8  // 1 when its ring runs upwards along it, else -1
	side           int8
	kind           edgeKind
}

func (e *edge) x(y float64) float64 {
	switch {
	case y <= e.y0:
		return e.x0
	case y >= e.y1:
		return e.x1
	case e.side == 0:
		return e.x0 + float64((y-e.y0)*e.slope)
	}
	return e.cx + float64(float64(e.side)*math.Sqrt(max(0, float64(e.r*e.r)-sq(y-e.cy))))
}

// under returns the integral of x over y from a to b.
func (e *edge) under(a, b float64) float64 {
	if e.side == 0 {
		return float64((e.x(a) + e.x(b)) / 2 * (b - a))
	}
	return float64(e.cx*(b-a)) + float64(float64(e.side)*(halfDisk(b-e.cy, e.r)-halfDisk(a-e.cy, e.r)))
}

// halfDisk returns the integral of sqrt(r2 - t2) from 0 to t.
func halfDisk(t, r float64) float64 {
	t = max(-r, min(r, t))
	return (float64(t*math.Sqrt(float64(r*r)-float64(t*t))) + float64(r*r*math.Asin(t/r))) / 2
}

// trap is a piece of a slab between two edges.
type trap struct {
	left, right int32
	up          int32 // parent in the union-find
	state       groundState
	abut        bool // roots pass to it from the trap before it in its slab
	pick        bool
}

type groundState uint8

const (
	blocked   groundState = iota
	openAir               // open ground
	underPave             // rootable ground under pavement
)

// slab is a band between two heights in which no edges cross.
type slab struct {
	y0, y1   float64
	from, to int32 // traps
	spans    int32 // in sweep.spans, one a trap, where edges cross at a border; else -1
}

// span is where a trap meets the slabs below and above.
type span struct{ lowL, lowR, topL, topR float64 }

type level struct {
	y float64
	e int32 // an edge that ends here, or -1
}

type actEdge struct {
	xm, xb, xt float64
	e          int32
}

// sweep is the arrangement of one window and the scratch to work it out. It is
// used again and again by one goroutine.
type sweep struct {
	half  float64
	edges []edge
	flats []edge
	cuts  []float64 // heights at which slabs must end
	rings []localRing
	parts []localPart
	hits  []int32
	seen  []stamp
	epoch uint32

	levels  []level
	sorted  []level // scratch of their sorting, as counts
	counts  []int32
	ys      []float64 // different heights
	at      []int32   // for each height its first level, and one more
	circles []int32   // an edge of each different circle
	level   []int32   // barriers and plugs that are level

	slabs     []slab
	traps     []trap
	spans     []span
	twisted   bool    // edges of act cross where the slab could not be cut
	order     []int32 // slabs from the bottom up
	up, down  []int32
	act, keep []actEdge
	topAct    []actEdge
	botAct    []actEdge
	// n counts the parts of each kind that cover the place of the scan; those of
	// further maps in the window come after those of the first (change.go).
	n    [3 * kinds]int
	scan scanKind

	sides  []side
	lowIv  []interval
	highIv []interval
	faces  []face
	bounds []rim // of the marked ground
	plugs  []plug
	// Where there are many faces, their squares.
	gridded bool
	grid    faceGrid
	met     []int32
	inWay   []int32
	// Steps of the work that grow with what lies near, for the tests.
	work  int
	seeds []int32
	// Of openNear.
	nearby []openSpot
	spots  []geo.XY
	look   box     // the windows gathered so far
	over   []int32 // parts that cover the place of a line of fall
	// Of the scan: 1 inside the disk or rim, and where the last trap ends.
	disk      int
	lastRight float64
	lo, hi    float64 // the slab under scan

	// Of scanShare: what part of the ground at a point is the stand's own, and
	// how deep it is at the place of the scan.
	owner func(p geo.XY) float64
	depth func() (depthM, usable float64)
	draw  bool
	sum   portion

	// Of scanChange.
	change changeScan
}

type scanKind uint8

const (
	scanGround scanKind = iota // what is open ground inside the disk
	scanShare                  // pieces inside the rim of an opening
	scanChange                 // where two maps differ
)

func (s *sweep) clear() {
	s.edges, s.flats = s.edges[:0], s.flats[:0]
	s.rings, s.parts = s.rings[:0], s.parts[:0]
	s.cuts = s.cuts[:0]
}

// prepare finds the heights between which slabs lie: the ends of edges, and
// where a circle is crossed. Straight edges may cross anywhere.
func (s *sweep) prepare() {
	r := s.half
	s.levels = append(s.levels[:0], level{-r, -1}, level{r, -1})
	s.level = s.level[:0]
	add := func(y float64, e int32) {
		if y > -r && y < r {
			s.levels = append(s.levels, level{y, e})
		}
	}
	for i := range s.edges {
		e := &s.edges[i]
		add(e.y0, int32(i))
		add(e.y1, int32(i))
		if (e.kind == edgeBarrier || e.kind == edgePlug) && e.y1-e.y0 <= levelM {
			s.level = append(s.level, int32(i))
		}
	}
	for _, y := range s.cuts {
		add(y, -1)
	}
	s.circles = s.circles[:0]
	for i := range s.edges {
		c := &s.edges[i]
		if c.side == 0 || slices.ContainsFunc(s.circles, func(k int32) bool {
			o := &s.edges[k]
			return o.cx == c.cx && o.cy == c.cy && o.r == c.r
		}) {
			continue
		}
		for _, k := range s.circles {
			s.crossCircles(c, &s.edges[k], add)
		}
		s.circles = append(s.circles, int32(i))
		for j := range s.edges {
			if e := &s.edges[j]; e.side == 0 {
				s.crossCircle(c, e, add)
			}
		}
	}
	s.sortLevels()
	s.ys, s.at = s.ys[:0], s.at[:0]
	for i, l := range s.levels {
		if len(s.ys) == 0 || l.y-s.ys[len(s.ys)-1] > levelM {
			s.ys = append(s.ys, l.y)
			s.at = append(s.at, int32(i))
		}
		// An edge ends at the height of its level, or it would be there in a part
		// of a slab only.
		if y := s.ys[len(s.ys)-1]; l.e >= 0 && l.y != y {
			e := &s.edges[l.e]
			if e.y0 == l.y {
				e.y0 = y
			} else if e.y1 == l.y {
				e.y1 = y
			}
			if e.side == 0 && e.y0 < e.y1 {
				e.slope = (e.x1 - e.x0) / (e.y1 - e.y0)
			}
		}
	}
	s.at = append(s.at, int32(len(s.levels)))
	// Those that lie between two heights are an edge like any other.
	s.level = slices.DeleteFunc(s.level, func(i int32) bool { return s.edges[i].y0 < s.edges[i].y1 })
	slices.SortFunc(s.level, func(i, j int32) int {
		a, b := &s.edges[i], &s.edges[j]
		return cmp.Or(cmp.Compare(a.y0, b.y0), cmp.Compare(min(a.x0, a.x1), min(b.x0, b.x1)))
	})
	s.slabs, s.traps, s.spans = s.slabs[:0], s.traps[:0], s.spans[:0]
	s.order, s.up, s.down = s.order[:0], s.up[:0], s.down[:0]
}

// sortLevels sorts by height, and at one height by edge. Heights lie about evenly
// in the window, so that each goes to its band of it at once; a sort that compares
// took a seventh of the time of the ground.
func (s *sweep) sortLevels() {
	n := len(s.levels)
	s.counts = slices.Grow(s.counts[:0], n+1)[:n+1]
	s.sorted = slices.Grow(s.sorted[:0], n)[:n]
	counts, out := s.counts, s.sorted
	clear(counts)
	perM := float64(n-1) / (2 * s.half)
	band := func(y float64) int { return max(0, min(n-1, int(float64((y+s.half)*perM)))) }
	for _, l := range s.levels {
		counts[band(l.y)+1]++
	}
	for i := 1; i <= n; i++ {
		counts[i] += counts[i-1]
	}
	for _, l := range s.levels {
		b := band(l.y)
		out[counts[b]] = l
		counts[b]++
	}
	s.levels, s.sorted = out, s.levels
	from := int32(0)
	for _, to := range counts[:n] {
		if to-from > 16 {
			slices.SortFunc(out[from:to], func(a, b level) int {
				if a.before(b) {
					return -1
				}
				return 1
			})
		}
		for i := from + 1; i < to; i++ {
			v, j := out[i], i
			for ; j > from && v.before(out[j-1]); j-- {
				out[j] = out[j-1]
			}
			out[j] = v
		}
		from = to
	}
}

func (a level) before(b level) bool { return a.y < b.y || a.y == b.y && a.e < b.e }

// touch is how far a circle may miss a line or another circle, as a part of its
// radius, and still touch it: a strip that has no width where it touches must
// end there, or it would be taken to have none anywhere.
const touch = 1e-9

func (s *sweep) crossCircle(c, e *edge, add func(float64, int32)) {
	if e.x0 == farLeft || e.y1 < c.cy-c.r || e.y0 > c.cy+c.r {
		return
	}
	ax, ay := e.x0-c.cx, e.y0-c.cy
	dx, dy := e.x1-e.x0, e.y1-e.y0
	qa := float64(dx*dx) + float64(dy*dy)
	qb := float64(ax*dx) + float64(ay*dy)
	qc := float64(ax*ax) + float64(ay*ay) - float64(c.r*c.r)
	if qc < 0 && qc+float64(2*qb)+qa < 0 {
		return // both ends inside
	}
	d := float64(qb*qb) - float64(qa*qc)
	if d < -touch*qa*c.r*c.r {
		return
	}
	d = math.Sqrt(max(0, d))
	// The stable pair of roots.
	q := -qb - math.Copysign(d, qb)
	for _, t := range [2]float64{q / qa, qc / q} {
		if t > 0 && t < 1 {
			add(e.y0+float64(t*dy), -1)
		}
	}
}

func (s *sweep) crossCircles(c, e *edge, add func(float64, int32)) {
	dx, dy := e.cx-c.cx, e.cy-c.cy
	d2 := float64(dx*dx) + float64(dy*dy)
	if d2 == 0 {
		return
	}
	a := (d2 + float64(c.r*c.r) - float64(e.r*e.r)) / (2 * d2)
	h := c.r*c.r/d2 - float64(a*a)
	if h < -touch {
		return
	}
	h = math.Sqrt(max(0, h))
	add(c.cy+float64(a*dy)+float64(h*dx), -1)
	add(c.cy+float64(a*dy)-float64(h*dx), -1)
}

// start fills act with the edges of slab k.
func (s *sweep) start(k int) {
	mid := (s.ys[k] + s.ys[k+1]) / 2
	s.act = s.act[:0]
	for i := range s.edges {
		if e := &s.edges[i]; e.y0 < mid && mid < e.y1 {
			s.act = append(s.act, actEdge{e: int32(i)})
		}
	}
}

// step changes act from a neighbouring slab to slab k, across height h.
func (s *sweep) step(k, h int) {
	mid := (s.ys[k] + s.ys[k+1]) / 2
	kept := s.act[:0]
	for _, a := range s.act {
		if e := &s.edges[a.e]; e.y0 < mid && mid < e.y1 {
			kept = append(kept, a)
		}
	}
	s.act = kept
	for _, l := range s.levels[s.at[h]:s.at[h+1]] {
		if l.e < 0 {
			continue
		}
		// One of its ends lies at this height, so it was not there before.
		if e := &s.edges[l.e]; e.y0 < mid && mid < e.y1 {
			s.act = append(s.act, actEdge{e: l.e})
		}
	}
}

// slabsOf cuts slab k, whose edges are in act, where edges cross, scans the
// pieces and returns their range in s.slabs, from the bottom up.
func (s *sweep) slabsOf(k int) (from, to int32) {
	from = int32(len(s.slabs))
	lo, top := s.ys[k], s.ys[k+1]
	for {
		hi := top
		for {
			cut := s.arrange(lo, hi)
			if cut >= hi {
				break
			}
			hi = cut
		}
		t := int32(len(s.traps))
		s.lo, s.hi = lo, hi
		switch s.scan {
		case scanGround:
			s.scanGround()
		case scanShare:
			s.scanShare()
		case scanChange:
			s.scanChange()
		}
		sl := slab{lo, hi, t, int32(len(s.traps)), -1}
		if s.twisted && s.scan == scanGround {
			s.straightUp(&sl)
		}
		s.slabs = append(s.slabs, sl)
		if n := int32(len(s.slabs)); n-1 > from && s.scan == scanGround {
			s.join(n-2, n-1)
		}
		if hi >= top {
			return from, int32(len(s.slabs))
		}
		lo = hi
	}
}

// mostMoves is how far a few edges out of place are moved one by one; where many
// are, sorting all is quicker, and gives the same order.
const mostMoves = 4096

// arrange orders act at mid-height and returns the lowest height at which two
// straight edges cross between lo and hi, or hi when none do.
func (s *sweep) arrange(lo, hi float64) float64 {
	mid := (lo + hi) / 2
	act := s.act
	s.work += len(act)
	moves := 0
	var cy, r, atMid, atLo, atHi float64
	for i := range act {
		a := act[i]
		e := &s.edges[a.e]
		if e.side == 0 {
			// It begins at or below lo, as a slab ends where an edge does.
			a.xm = e.x0 + float64((mid-e.y0)*e.slope)
			a.xb = e.x0 + float64((lo-e.y0)*e.slope)
			a.xt = e.x1
			if hi < e.y1 {
				a.xt = e.x0 + float64((hi-e.y0)*e.slope)
			}
		} else {
			if e.cy != cy || e.r != r { // both halves of a circle have the same chord
				cy, r = e.cy, e.r
				r2 := float64(r * r)
				atMid, atLo, atHi = math.Sqrt(max(0, r2-sq(mid-cy))), math.Sqrt(max(0, r2-sq(lo-cy))), math.Sqrt(max(0, r2-sq(hi-cy)))
			}
			side := float64(e.side)
			a.xm, a.xb, a.xt = e.cx+float64(side*atMid), e.x0, e.x1
			if lo > e.y0 {
				a.xb = e.cx + float64(side*atLo)
			}
			if hi < e.y1 {
				a.xt = e.cx + float64(side*atHi)
			}
		}
		j := i
		for ; j > 0 && a.xm < act[j-1].xm && moves < mostMoves; j-- {
			act[j] = act[j-1]
			moves++
		}
		act[j] = a
	}
	if moves == mostMoves {
		slices.SortStableFunc(act, func(a, b actEdge) int { return cmp.Compare(a.xm, b.xm) })
	}
	cut := hi
	s.twisted = false
	for i := 1; i < len(act); i++ {
		a, b := &act[i-1], &act[i]
		if a.xb <= b.xb+thinM && a.xt <= b.xt+thinM {
			continue
		}
		s.twisted = true
		ea, eb := &s.edges[a.e], &s.edges[b.e]
		if ea.side != 0 || eb.side != 0 || ea.slope == eb.slope {
			continue
		}
		y := lo + (b.xb-a.xb)/(ea.slope-eb.slope)
		if y > lo+uncutM && y < hi-uncutM {
			cut = min(cut, y)
		}
	}
	return cut
}

// firm returns the heights between which the edges of a slab lie in its order:
// where some cross nearer to a border than it could be cut, beyond the crossing
// one that is all but level may lie metres from its place.
func (sl *slab) firm() (low, top float64) {
	if sl.spans < 0 {
		return sl.y0, sl.y1
	}
	d := min(uncutM, (sl.y1-sl.y0)/2)
	return sl.y0 + d, sl.y1 - d
}

// straightUp notes the spans of the traps of a slab in which edges cross nearer
// to a border than it could be cut: a span is what the trap reaches straight up
// or down from where the order holds, with no wall between.
func (s *sweep) straightUp(sl *slab) {
	sl.spans = int32(len(s.spans))
	low, top := sl.firm()
	for t := sl.from; t < sl.to; t++ {
		tr := &s.traps[t]
		l, r := &s.edges[tr.left], &s.edges[tr.right]
		sp := span{
			max(l.x(sl.y0), l.x(low)), min(r.x(sl.y0), r.x(low)),
			max(l.x(sl.y1), l.x(top)), min(r.x(sl.y1), r.x(top)),
		}
		from := slices.IndexFunc(s.act, func(a actEdge) bool { return a.e == tr.left })
		to := slices.IndexFunc(s.act, func(a actEdge) bool { return a.e == tr.right })
		for k, a := range s.act {
			what := s.edges[a.e].kind
			if what != edgeBarrier && (what != edgePlug || tr.state == underPave) {
				continue
			}
			if k < from {
				sp.lowL, sp.topL = max(sp.lowL, a.xb), max(sp.topL, a.xt)
			} else if k > to {
				sp.lowR, sp.topR = min(sp.lowR, a.xb), min(sp.topR, a.xt)
			}
		}
		s.spans = append(s.spans, sp)
	}
}

// cross carries the counts of cover over an edge of a polygon.
func (s *sweep) cross(e *edge) {
	r := &s.rings[e.ring]
	was := r.wind != 0
	r.wind += int32(e.dir)
	if was == (r.wind != 0) {
		return
	}
	p := &s.parts[r.part]
	switch {
	case !r.hole:
		p.shell = !was
	case was:
		p.holes--
	default:
		p.holes++
	}
	if covers := p.shell && p.holes == 0; covers != p.covers {
		p.covers = covers
		if covers {
			s.n[p.kind]++
		} else {
			s.n[p.kind]--
		}
	}
}

func (s *sweep) resetScan() {
	for i := range s.rings {
		s.rings[i].wind = 0
	}
	for i := range s.parts {
		p := &s.parts[i]
		p.shell, p.holes, p.covers = false, 0, false
	}
	s.n = [3 * kinds]int{}
	s.disk = 0
}

// scanGround finds the traps of open and of rootable ground in the slab that
// act describes.
func (s *sweep) scanGround() {
	s.resetScan()
	first := len(s.traps)
	state := blocked
	var left actEdge
	wall := false // a barrier lies between the last trap and here
	for _, a := range s.act {
		e := &s.edges[a.e]
		wallHere := false
		switch e.kind {
		case edgePart:
			s.cross(e)
		case edgeDisk:
			s.disk += int(-e.side)
		case edgeBarrier:
			wallHere = true
		case edgePlug:
			wallHere = state != underPave // a spike of no width may lie on it
		}
		now := blocked
		if s.disk > 0 {
			if s.n[hard] == 0 || s.n[bed] > 0 {
				now = openAir
			} else if s.n[rootable] > 0 {
				now = underPave
			}
		}
		if now == state && !wallHere {
			continue
		}
		if state != blocked && a.xm-left.xm > thinM {
			s.emit(first, left, a, state, wall)
			wall = false
		}
		wall = wall || wallHere
		if now != blocked {
			left = a
		}
		state = now
	}
}

// emit adds a trap, or lengthens the one before it when only a strip of no
// width lies between them. In a slab too low for roots that is the tip of
// something wider, and roots do not pass over it.
func (s *sweep) emit(first int, left, right actEdge, state groundState, wall bool) {
	t := int32(len(s.traps))
	tr := trap{left: left.e, right: right.e, up: t, state: state}
	if int(t) > first && !wall && (s.hi-s.lo > joinM || s.traps[t-1].right == left.e) {
		last := &s.traps[t-1]
		if left.xm-s.lastRight <= thinM {
			if last.state == state {
				last.right = right.e
				s.lastRight = right.xm
				return
			}
			tr.abut = true
		}
	}
	s.lastRight = right.xm
	s.traps = append(s.traps, tr)
	if tr.abut {
		s.union(t-1, t)
	}
}

func (s *sweep) find(t int32) int32 {
	for s.traps[t].up != t {
		s.traps[t].up = s.traps[s.traps[t].up].up
		t = s.traps[t].up
	}
	return t
}

func (s *sweep) union(a, b int32) {
	a, b = s.find(a), s.find(b)
	if a < b {
		s.traps[b].up = a
	} else {
		s.traps[a].up = b
	}
}

// join joins the traps of two neighbouring slabs, the lower first, where they
// overlap by more than rounding.
func (s *sweep) join(lower, upper int32) {
	lo, hi := &s.slabs[lower], &s.slabs[upper]
	y := lo.y1
	i, j := lo.from, hi.from
	for i < lo.to && j < hi.to {
		a, b := &s.traps[i], &s.traps[j]
		al, ar := s.edges[a.left].x(y), s.edges[a.right].x(y)
		bl, br := s.edges[b.left].x(y), s.edges[b.right].x(y)
		if lo.spans >= 0 {
			sp := &s.spans[lo.spans+i-lo.from]
			al, ar = sp.topL, sp.topR
		}
		if hi.spans >= 0 {
			sp := &s.spans[hi.spans+j-hi.from]
			bl, br = sp.lowL, sp.lowR
		}
		if min(ar, br)-max(al, bl) > joinM && (len(s.level) == 0 || s.passes(y, max(al, bl), min(ar, br), a.state == underPave && b.state == underPave)) {
			s.union(i, j)
		}
		if ar < br {
			i++
		} else {
			j++
		}
	}
}

// passes tells whether the level barriers at y leave a passage between two
// places. A plug closes none under pavement.
func (s *sweep) passes(y, from, to float64, under bool) bool {
	first, _ := slices.BinarySearchFunc(s.level, y, func(i int32, y float64) int { return cmp.Compare(s.edges[i].y0, y) })
	for _, i := range s.level[first:] {
		e := &s.edges[i]
		if e.y0 != y {
			break
		}
		if under && e.kind == edgePlug {
			continue
		}
		if min(e.x0, e.x1, to)-from > joinM {
			return true
		}
		from = max(from, e.x0, e.x1)
	}
	return to-from > joinM
}

// flood runs the sweep from the origin as far as the ground that holds it
// reaches, and marks that ground. It returns false when the origin lies in no
// open ground.
func (s *sweep) flood() bool {
	s.scan = scanGround
	last := len(s.ys) - 2
	k0 := 0
	for k0 < last && s.ys[k0+1] < -onEdgeM {
		k0++
	}
	s.start(k0)
	s.keep = append(s.keep[:0], s.act...)
	k1 := k0
	from, to := s.slabsOf(k0)
	for i := from; i < to; i++ {
		s.up = append(s.up, i)
	}
	rise := func() {
		k1++
		s.step(k1, k1)
		from, to := s.slabsOf(k1)
		s.join(s.up[len(s.up)-1], from)
		for i := from; i < to; i++ {
			s.up = append(s.up, i)
		}
	}
	for k1 < last && s.ys[k1+1] <= onEdgeM {
		rise()
	}
	s.seeds = s.seeds[:0]
	for _, i := range s.up {
		sl := &s.slabs[i]
		if sl.y0 > onEdgeM || sl.y1 < -onEdgeM {
			continue
		}
		low, top := sl.firm()
		y := max(low, min(top, 0))
		for t := sl.from; t < sl.to; t++ {
			if s.traps[t].state == openAir && s.edges[s.traps[t].left].x(y) <= onEdgeM && s.edges[s.traps[t].right].x(y) >= -onEdgeM {
				s.seeds = append(s.seeds, t)
			}
		}
	}
	if len(s.seeds) == 0 {
		return false
	}
	// Up and down by turns, each as long as what holds the origin is at the
	// front; a later join may bring it back to a front that it had left.
	s.topAct = append(s.topAct[:0], s.act...)
	s.botAct = append(s.botAct[:0], s.keep...)
	for moved := true; moved; {
		moved = false
		s.act = append(s.act[:0], s.topAct...)
		for k1 < last && s.holds(s.up[len(s.up)-1]) {
			rise()
			moved = true
		}
		s.topAct = append(s.topAct[:0], s.act...)
		s.act = append(s.act[:0], s.botAct...)
		for k0 > 0 && s.holds(s.bottom()) {
			k0--
			s.step(k0, k0+1)
			below := s.bottom()
			from, to := s.slabsOf(k0)
			s.join(to-1, below)
			for i := to - 1; i >= from; i-- {
				s.down = append(s.down, i)
			}
			moved = true
		}
		s.botAct = append(s.botAct[:0], s.act...)
	}
	for i := len(s.down) - 1; i >= 0; i-- {
		s.order = append(s.order, s.down[i])
	}
	s.order = append(s.order, s.up...)
	s.pickLargest()
	return true
}

func (s *sweep) bottom() int32 {
	if n := len(s.down); n > 0 {
		return s.down[n-1]
	}
	return s.up[0]
}

// holds tells whether a slab has a trap joined to the origin's.
func (s *sweep) holds(i int32) bool {
	for t := s.slabs[i].from; t < s.slabs[i].to; t++ {
		r := s.find(t)
		for _, seed := range s.seeds {
			if s.find(seed) == r {
				return true
			}
		}
	}
	return false
}

// pickLargest marks the traps of the component that holds the origin; when
// several touch it, the largest.
func (s *sweep) pickLargest() {
	best := s.find(s.seeds[0])
	if s.forked() {
		bestArea := -1.0
		for k, seed := range s.seeds {
			r := s.find(seed)
			if slices.ContainsFunc(s.seeds[:k], func(o int32) bool { return s.find(o) == r }) {
				continue
			}
			area := 0.0
			for _, i := range s.order {
				sl := &s.slabs[i]
				for t := sl.from; t < sl.to; t++ {
					if s.find(t) == r {
						area += s.trapArea(sl, &s.traps[t])
					}
				}
			}
			if area > bestArea {
				best, bestArea = r, area
			}
		}
	}
	for _, i := range s.order {
		for t := s.slabs[i].from; t < s.slabs[i].to; t++ {
			s.traps[t].pick = s.find(t) == best
		}
	}
}

// forked tells whether several components touch the origin.
func (s *sweep) forked() bool {
	first := s.find(s.seeds[0])
	return slices.ContainsFunc(s.seeds, func(o int32) bool { return s.find(o) != first })
}

// pickAll marks the traps of all components that touch the origin.
func (s *sweep) pickAll() {
	for _, i := range s.order {
		for t := s.slabs[i].from; t < s.slabs[i].to; t++ {
			r := s.find(t)
			s.traps[t].pick = slices.ContainsFunc(s.seeds, func(o int32) bool { return s.find(o) == r })
		}
	}
}

// whole runs the sweep over the full height.
func (s *sweep) whole() {
	s.start(0)
	for k := 0; k < len(s.ys)-1; k++ {
		if k > 0 {
			s.step(k, k)
		}
		from, to := s.slabsOf(k)
		if k > 0 && s.scan == scanGround {
			s.join(from-1, from)
		}
		for i := from; i < to; i++ {
			s.order = append(s.order, i)
		}
	}
}

func (s *sweep) trapArea(sl *slab, t *trap) float64 {
	return s.edges[t.right].under(sl.y0, sl.y1) - s.edges[t.left].under(sl.y0, sl.y1)
}

// picked returns the area of the marked traps, and of those of them that lie
// under pavement.
func (s *sweep) picked() (area, under float64) {
	for _, i := range s.order {
		sl := &s.slabs[i]
		for t := sl.from; t < sl.to; t++ {
			if tr := &s.traps[t]; tr.pick {
				a := s.trapArea(sl, tr)
				area += a
				if tr.state == underPave {
					under += a
				}
			}
		}
	}
	return area, under
}

// locate returns the trap at p, or -1.
func (s *sweep) locate(p geo.XY) int32 {
	lo, hi := 0, len(s.order)
	for lo < hi {
		mid := (lo + hi) / 2
		if s.slabs[s.order[mid]].y1 < p.Y {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	if lo == len(s.order) || s.slabs[s.order[lo]].y0 > p.Y {
		return -1
	}
	sl := &s.slabs[s.order[lo]]
	t := sl.from
	if sl.to-t > 32 && sl.spans < 0 {
		// They lie in order, to rounding.
		t += int32(sort.Search(int(sl.to-t), func(k int) bool {
			return s.edges[s.traps[sl.from+int32(k)].right].x(p.Y) > p.X-joinM
		}))
	}
	for ; t < sl.to; t++ {
		if s.edges[s.traps[t].left].x(p.Y) <= p.X && p.X <= s.edges[s.traps[t].right].x(p.Y) {
			return t
		}
	}
	return -1
}
