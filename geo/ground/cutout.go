package ground

import (
	"cmp"
	"math"
	"slices"

	"soilshed/geo"
)

// ground is open ground of which no part lies under pavement, by its outline,
// gaps closed, relative to at. What of the outline is an arc lies outside all of
// the disks in which the ground is looked at.
//
// The opening of a stem in it is its part in the disk of reach that is connected
// to the stem: the gaps in that disk are those of the ground, but for what the
// circle does to them. Mostly it can be cut out of the outline at once (cutter).
type ground struct {
	at    geo.XY
	rims  []rim
	plugs []plug
	// near tells of each straight piece whether another comes nearer to it than
	// nearM, or runs back along it from their corner. A gap lies between two such
	// pieces, or at a circle.
	near  []nearness
	nearM float64
}

type nearness uint8

const (
	lonely   nearness = iota
	narrow            // another piece is as near as a gap
	touching          // another piece is so near that grounds may part or meet
)

// touchM: pieces nearer than this touch.
const touchM = 2 * offEdgeM

// foldCos is the cosine of the angle below which an outline that turns back makes
// a wedge (wedgeSin), and a little more.
var foldCos = math.Cos(float64(2*math.Asin(1.0/5)) + 1e-3)

// markNear fills in near for gaps up to gapM.
func (g *ground) markNear(gapM float64) {
	g.nearM = gapM + touchM
	g.near = slices.Grow(g.near[:0], len(g.rims))[:len(g.rims)]
	clear(g.near)
	first := 0
	for i := range g.rims {
		e := &g.rims[i]
		next := i + 1
		if e.last {
			next = first
		}
		if e.side == 0 {
			x0, x1 := min(e.x0, e.x1)-g.nearM, max(e.x0, e.x1)+g.nearM
			y0, y1 := min(e.y0, e.y1)-g.nearM, max(e.y0, e.y1)+g.nearM
			for j := range g.rims[:i] {
				o := &g.rims[j]
				if o.side != 0 || min(o.x0, o.x1) > x1 || max(o.x0, o.x1) < x0 || min(o.y0, o.y1) > y1 || max(o.y0, o.y1) < y0 {
					continue
				}
				how := narrow
				if j == next || j+1 == i && !o.last {
					if dx, dy := e.x1-e.x0, e.y1-e.y0; float64(dx*(o.x1-o.x0))+float64(dy*(o.y1-o.y0)) > -foldCos*math.Hypot(dx, dy)*math.Hypot(o.x1-o.x0, o.y1-o.y0) {
						continue
					}
				} else if d := e.apart(o); d > g.nearM {
					continue
				} else if d < touchM {
					how = touching
				}
				g.near[i], g.near[j] = max(g.near[i], how), max(g.near[j], how)
			}
		}
		if e.last {
			first = i + 1
		}
	}
}

// atCircle is how many gaps from a circle what there is may hang on it.
const atCircle = 2

// narrowAt tells whether another piece comes near to piece i about p.
func (g *ground) narrowAt(i int, p geo.XY) bool {
	if g.near[i] == lonely {
		return false
	}
	for j := range g.rims {
		if e := &g.rims[j]; j != i && e.side == 0 && e.off(p) < float64(atCircle*g.nearM) {
			return true
		}
	}
	return false
}

func (r *rim) ends() (a, b geo.XY) { return geo.XY{X: r.x0, Y: r.y0}, geo.XY{X: r.x1, Y: r.y1} }

// apart returns the distance between two straight pieces that do not cross.
func (r *rim) apart(o *rim) float64 {
	a, b := r.ends()
	p, q := o.ends()
	return min(r.off(p), r.off(q), o.off(a), o.off(b))
}

// off returns the distance from a straight piece to p.
func (r *rim) off(p geo.XY) float64 {
	a, b := r.ends()
	n := nearestPoint(a.Sub(p), b.Sub(p))
	return math.Hypot(n.X, n.Y)
}

// cutter cuts an opening out of an outline. The outline runs into the disk and out
// of it again; from where a chain of it leaves to where the next one enters, the
// circle is the edge of the ground.
type cutter struct {
	chains []chain
	pieces []rim // of the chains, one after the other
	ends   []crossingPoint
	rings  []cutRing
	nearby int32 // a chain at the stem, or -1
}

// chain is a part of an outline in a disk, from where it enters to where it
// leaves, or a ring of it.
type chain struct {
	from, to     int32 // in pieces
	closed, done bool
	next         int32 // the chain to which the circle leads
	turn0, turn1 float64
}

// crossingPoint is where a chain enters or leaves the disk.
type crossingPoint struct {
	turn   float64 // its angle, from east to north
	chain  int32
	enters bool
}

// cutRing is a ring of what was cut out, less than 0 in area when it is a hole.
type cutRing struct {
	from, to int32 // in opening.rims
	areaM2   float64
	kept     bool
}

// grazeM: an outline that comes so near to the circle, and does not cross it, may
// be in or out.
const grazeM = 1e-7

// cut finds the opening of a stem at c, in g or on its edge, with reach r: its
// outline and area. It returns false where it is not sure, since grounds touch, or
// there is something on the circle, or a gap at it.
func (k *cutter) cut(g *ground, c geo.XY, r float64, op *opening) bool {
	k.chains, k.pieces, k.ends, k.rings = k.chains[:0], k.pieces[:0], k.ends[:0], k.rings[:0]
	k.nearby = -1
	by := g.at.Sub(c)
	for _, p := range g.plugs {
		a := p.a.Add(by)
		if l := math.Hypot(a.X, a.Y); math.Abs(l-r) < float64(atCircle*g.nearM) {
			return false
		}
	}
	first := 0
	for i := range g.rims {
		if g.rims[i].last {
			if !k.follow(g, first, i+1, by, r) {
				return false
			}
			first = i + 1
		}
	}
	if !k.close(g.nearM) {
		return false
	}
	*op = opening{at: c, r: r, how: Measured, rims: op.rims[:0], cut: len(g.plugs) > 0}
	return k.keep(op, k.link(op))
}

// follow adds the chains of one ring of an outline.
func (k *cutter) follow(g *ground, from, to int, by geo.XY, r float64) bool {
	in2, out2 := sq(r-grazeM), sq(r+grazeM)
	start := from
	for start < to && sq(g.rims[start].x0+by.X)+sq(g.rims[start].y0+by.Y) <= r*r {
		start++
	}
	on := start == to // in a chain
	if on {
		k.begin(true)
		start = from
	}
	for n := from; n < to; n++ {
		i := start + n - from
		if i >= to {
			i -= to - from
		}
		e := &g.rims[i]
		a, b := e.ends()
		a, b = a.Add(by), b.Add(by)
		a2, b2 := sq(a.X)+sq(a.Y), sq(b.X)+sq(b.Y)
		if a2 > in2 && a2 < out2 || b2 > in2 && b2 < out2 || on != (a2 < in2) {
			return false
		}
		if e.side != 0 {
			if on || b2 < in2 {
				return false
			}
			continue
		}
		if !on && b2 > out2 {
			if passesBy(a, b, out2) {
				continue
			}
			if passesBy(a, b, in2) {
				return false
			}
		}
		if g.near[i] == touching {
			return false
		}
		d := b.Sub(a)
		l2 := float64(d.X*d.X) + float64(d.Y*d.Y)
		along := float64(a.X*d.X) + float64(a.Y*d.Y)
		root := math.Sqrt(max(0, float64(along*along)-float64(l2*(a2-float64(r*r)))))
		p, q := a, b
		if !on {
			t := (-along - root) / l2
			p = a.Add(geo.XY{X: float64(t * d.X), Y: float64(t * d.Y)})
			if g.narrowAt(i, p.Sub(by)) {
				return false
			}
			k.begin(false)
			k.ends = append(k.ends, crossingPoint{math.Atan2(p.Y, p.X), int32(len(k.chains) - 1), true})
		}
		on = b2 < in2
		if !on {
			t := (-along + root) / l2
			q = a.Add(geo.XY{X: float64(t * d.X), Y: float64(t * d.Y)})
			if g.narrowAt(i, q.Sub(by)) {
				return false
			}
			k.ends = append(k.ends, crossingPoint{math.Atan2(q.Y, q.X), int32(len(k.chains) - 1), false})
		}
		piece := rim{x0: p.X, y0: p.Y, x1: q.X, y1: q.Y}
		if piece.off(geo.XY{}) < offEdgeM {
			k.nearby = int32(len(k.chains) - 1)
		}
		k.pieces = append(k.pieces, piece)
		k.chains[len(k.chains)-1].to = int32(len(k.pieces))
	}
	return true
}

func (k *cutter) begin(closed bool) {
	k.chains = append(k.chains, chain{from: int32(len(k.pieces)), closed: closed})
}

// close finds for each chain that leaves the disk the one that enters next.
func (k *cutter) close(nearM float64) bool {
	slices.SortFunc(k.ends, func(a, b crossingPoint) int { return cmp.Compare(a.turn, b.turn) })
	for i, e := range k.ends {
		o := k.ends[(i+1)%len(k.ends)]
		if e.enters == o.enters {
			return false
		}
		if e.enters {
			continue
		}
		c := &k.chains[e.chain]
		c.next, c.turn0, c.turn1 = o.chain, e.turn, o.turn
		if i+1 == len(k.ends) {
			c.turn1 += 2 * math.Pi
		}
		from, to := c.to-1, k.chains[o.chain].from
		if from == to { // one piece in and out
			continue
		}
		p, q := &k.pieces[from], &k.pieces[to]
		d := min(p.off(geo.XY{X: q.x0, Y: q.y0}), q.off(geo.XY{X: p.x1, Y: p.y1}))
		if d < nearM {
			return false
		}
	}
	return true
}

// link makes rings of the chains and the parts of the circle between them. It
// returns the ring at the stem, or -1.
func (k *cutter) link(op *opening) (atStem int) {
	atStem = -1
	largest := 0.0
	for i := range k.chains {
		if k.chains[i].done {
			continue
		}
		first := int32(len(op.rims))
		for j := int32(i); !k.chains[j].done; j = k.chains[j].next {
			c := &k.chains[j]
			c.done = true
			op.rims = append(op.rims, k.pieces[c.from:c.to]...)
			if j == k.nearby {
				atStem = len(k.rings)
			}
			if c.closed {
				break
			}
			from, to := &k.pieces[c.to-1], &k.pieces[k.chains[c.next].from]
			op.arc(c.turn0, c.turn1, from.y1, to.y0)
		}
		k.ring(op, first)
		if a := k.rings[len(k.rings)-1].areaM2; math.Abs(a) > math.Abs(largest) {
			largest = a
		}
	}
	if len(k.ends) == 0 && largest <= 0 {
		// No ring holds the others, so the circle does.
		first := int32(len(op.rims))
		op.arc(-math.Pi/2, 3*math.Pi/2, -op.r, -op.r)
		k.ring(op, first)
	}
	return atStem
}

// ring ends a ring of op that begins with piece first.
func (k *cutter) ring(op *opening, first int32) {
	area := 0.0
	for i := range op.rims[first:] {
		area += op.rims[first:][i].area()
	}
	op.rims[len(op.rims)-1].last = true
	k.rings = append(k.rings, cutRing{first, int32(len(op.rims)), area, false})
}

// area is the integral of x over y along a piece.
func (r *rim) area() float64 {
	if r.side == 0 {
		return float64((r.x0 + r.x1) / 2 * (r.y1 - r.y0))
	}
	return float64(r.cx*(r.y1-r.y0)) + float64(float64(r.side)*(halfDisk(r.y1-r.cy, r.r)-halfDisk(r.y0-r.cy, r.r)))
}

// arc adds the circle of reach from one angle, -Pi or more, to a larger one, at
// the heights y0 and y1, as parts of its halves.
func (o *opening) arc(turn0, turn1, y0, y1 float64) {
	side := int8(1)
	stop := math.Pi / 2 // where this half ends
	switch {
	case turn0 < -math.Pi/2:
		side, stop = -1, -math.Pi/2
	case turn0 >= math.Pi/2:
		side, stop = -1, 3*math.Pi/2
	}
	x := func(y float64, side int8) float64 {
		return float64(float64(side) * math.Sqrt(max(0, float64(o.r*o.r)-float64(y*y))))
	}
	for {
		y := y1
		if turn1 > stop {
			y = float64(float64(side) * o.r)
		}
		if (y-y0)*float64(side) > 0 {
			o.rims = append(o.rims, rim{x(y0, side), y0, x(y, side), y, 0, 0, o.r, side, false})
		}
		if turn1 <= stop {
			return
		}
		y0, side, stop = y, -side, stop+math.Pi
	}
}

// keep leaves of the rings the one round the stem and its holes, and notes the
// area.
func (k *cutter) keep(op *opening, atStem int) bool {
	outer, outers := -1, 0
	for i := range k.rings {
		if k.rings[i].areaM2 > 0 {
			outer = i
			outers++
		}
	}
	if outers != 1 {
		switch {
		case atStem < 0:
			outer = k.around(op, -1)
		case k.rings[atStem].areaM2 > 0:
			outer = atStem
		default:
			outer = k.around(op, atStem)
		}
		if outer < 0 {
			return false
		}
	}
	for i := range k.rings {
		g := &k.rings[i]
		g.kept = i == outer || g.areaM2 < 0 && (outers == 1 || k.around(op, i) == outer)
	}
	n := 0
	for _, g := range k.rings {
		if g.kept {
			op.areaM2 += g.areaM2
			n += copy(op.rims[n:], op.rims[g.from:g.to])
		}
	}
	op.rims = op.rims[:n]
	return true
}

// around returns the outer ring that ring i lies in, of several the innermost; of
// the stem when i is -1. It returns -1 when there is none.
func (k *cutter) around(op *opening, i int) int {
	p := geo.XY{}
	if i >= 0 {
		p, _ = op.rims[k.rings[i].from].ends()
	}
	best := -1
	for j, g := range k.rings {
		if j != i && g.areaM2 > 0 && (best < 0 || g.areaM2 < k.rings[best].areaM2) && encloses(op.rims[g.from:g.to], p.X, p.Y) {
			best = j
		}
	}
	return best
}
