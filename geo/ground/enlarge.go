package ground

import (
	"cmp"
	"math"
	"slices"

	"soilshed/geo"
)

// Enlargement is paved ground to be opened beside an opening.
type Enlargement struct {
	// Sides are the bearings of the sides that move outwards, all four for one all
	// round, and ByM by how much: 0 where paving between the stem and that side is
	// enough.
	Sides []geo.Bearing
	ByM   float64
	// AreaM2 is the paved ground that is opened, DepthM its usable depth.
	AreaM2, DepthM float64
	Polygons       [][][]geo.XY
	// After is the stand's site then.
	After Site
}

// Refusal says why no enlargement is found.
type Refusal struct {
	// Nothing: there is no paving that may be opened within reach.
	Nothing bool
	// MostM3 is the soil with all that may be opened within reach, and NeedM3 what
	// it would have to be.
	MostM3, NeedM3 float64
	// Taken, when not below 0, is the place in Local.Stands of a neighbour that
	// would be left with less than its floor.
	Taken int
}

// Wish is what an enlargement has to reach.
type Wish struct {
	// NeedM3 is the soil that a stand must have, by its site.
	NeedM3 func(s *Site) float64
	// FloorM3 is the least soil that a neighbour, a place in Local.Stands, must
	// keep, by its site now.
	FloorM3 func(k int, now *Site) float64
}

// lessM3 is how much less than its floor a neighbour may have: rounding.
const lessM3 = 1e-6

// leastPitM is the side of the square from which an opening grows round a stem
// that has none: the assumed pit of the defaults (common practice, no source).
const leastPitM = 1.2

// Enlarge finds the smallest enlargement of the opening of the first stand that
// fulfils a wish, within the polygons that may be opened.
//
// It is the smallest of these: the rectangle round the stand's share, along its
// longest straight edge, grown on one of its sides, by the same depth on two, or
// all round; cut to what may be opened, to the reach, and to the middle lines to
// the neighbours, as ground beyond those does not fall to it. The depth by which
// it grows is found to rounding. Among equals, fewer sides and then the smaller
// depth win. Where more open ground would cost the stand some, by joining it to a
// neighbour, the smallest may lie between the depths that were tried.
func (l *Local) Enlarge(offers [][][]geo.XY, w Wish) (*Enlargement, *Refusal, error) {
	sites, err := l.Sites(nil, append([]int{0}, l.Touched...)...)
	if err != nil {
		return nil, nil, err
	}
	now, others := &sites[0], sites[1:]
	g := l.grow(now, others, offers)
	refusal := &Refusal{MostM3: now.SoilM3, NeedM3: w.NeedM3(now), Taken: -1}
	if g == nil {
		refusal.Nothing = true
		return nil, refusal, nil
	}
	site := func(beds [][][]geo.XY) (*Site, error) {
		s, err := l.Sites(g.withPit(beds), 0)
		if err != nil {
			return nil, err
		}
		return &s[0], nil
	}
	var best *Enlargement
	any := false
	for _, sides := range sideSets {
		grown, err := g.least(sides, w, site, refusal)
		if err != nil {
			return nil, nil, err
		}
		if grown == nil {
			continue
		}
		e, ok, err := l.settle(g, grown, w, others, refusal)
		if err != nil {
			return nil, nil, err
		}
		any = any || ok
		if e == nil || best != nil && !smaller(e, best) {
			continue
		}
		best = e
	}
	if best != nil {
		return best, nil, nil
	}
	refusal.Nothing = refusal.MostM3 <= now.SoilM3+lessM3 && !any
	return nil, refusal, nil
}

func smaller(a, b *Enlargement) bool {
	if math.Abs(a.AreaM2-b.AreaM2) > 1e-4 {
		return a.AreaM2 < b.AreaM2
	}
	return cmp.Or(cmp.Compare(len(a.Sides), len(b.Sides)), cmp.Compare(math.Round(a.ByM*1e4), math.Round(b.ByM*1e4))) < 0
}

// sideSets are the sides that grow together: east, north, west and south of the
// frame are the bits 1, 2, 4 and 8.
var sideSets = []int{1, 2, 4, 8, 5, 10, 3, 6, 12, 9, 15}

// growth is the frame in which an opening grows.
type growth struct {
	at             geo.XY
	u, v           geo.XY // along and across the frame
	x0, x1, y0, y1 float64
	reachM         float64
	bounds         []geo.XY // convex: the reach, within the middle lines
	offers         [][][]geo.XY
	pit            []geo.XY // opened with it, as no layer has it; nil when there is none
	paved          bool     // the pit is no opening yet: it counts
}

// grow lays the frame; nil when nothing may be opened within reach.
func (l *Local) grow(now *Site, others []Site, offers [][][]geo.XY) *growth {
	g := &growth{at: now.At, reachM: l.ReachM, u: geo.XY{X: 1}, v: geo.XY{Y: 1}}
	var share []geo.XY
	for _, p := range now.Share {
		if share == nil || inRing(p[0], now.At) {
			share = p[0]
		}
	}
	long := 0.0
	for i, a := range share {
		if d := share[(i+1)%len(share)].Sub(a); math.Hypot(d.X, d.Y) > long+1e-6 {
			long = math.Hypot(d.X, d.Y)
			g.u = geo.XY{X: d.X / long, Y: d.Y / long}
		}
	}
	if share == nil {
		var s sweep
		g.u = s.along(l.base, now.At, l.ReachM)
	}
	g.v = geo.XY{X: -g.u.Y, Y: g.u.X}
	if share == nil {
		h := leastPitM / 2
		share = []geo.XY{g.place(-h, -h), g.place(h, -h), g.place(h, h), g.place(-h, h)}
		g.pit, g.paved = share, true
	} else if now.How == Recorded || now.How == Assumed {
		g.pit = share
	}
	for _, p := range share {
		d := p.Sub(g.at)
		x, y := float64(d.X*g.u.X)+float64(d.Y*g.u.Y), float64(d.X*g.v.X)+float64(d.Y*g.v.Y)
		g.x0, g.x1, g.y0, g.y1 = min(g.x0, x), max(g.x1, x), min(g.y0, y), max(g.y1, y)
	}
	g.bounds = reachPolygon(g.at, l.ReachM)
	for k := range others {
		d := others[k].At.Sub(g.at)
		if n := math.Hypot(d.X, d.Y); others[k].How != Sealed && n > l.o.OneSpotM && n < 2*l.ReachM {
			g.bounds = clipHalf(g.bounds, geo.XY{X: g.at.X + d.X/2, Y: g.at.Y + d.Y/2}, geo.XY{X: -d.Y, Y: d.X})
		}
	}
	for _, rings := range offers {
		if len(Clip(rings[0], g.bounds)) > 0 {
			g.offers = append(g.offers, rings)
		}
	}
	if len(g.offers) == 0 || len(g.bounds) == 0 {
		return nil
	}
	return g
}

func (g *growth) place(x, y float64) geo.XY {
	return geo.XY{X: g.at.X + float64(x*g.u.X) + float64(y*g.v.X), Y: g.at.Y + float64(x*g.u.Y) + float64(y*g.v.Y)}
}

func (g *growth) withPit(beds [][][]geo.XY) [][][]geo.XY {
	if g.pit == nil {
		return beds
	}
	return append(slices.Clone(beds), [][]geo.XY{g.pit})
}

// beds are what may be opened when the given sides have moved by e.
func (g *growth) beds(sides int, e float64) (out [][][]geo.XY) {
	x0, x1, y0, y1 := g.x0, g.x1, g.y0, g.y1
	switch sides { // one side: from the stem outwards
	case 1:
		x0 = 0
	case 2:
		y0 = 0
	case 4:
		x1 = 0
	case 8:
		y1 = 0
	}
	if sides&1 > 0 {
		x1 = max(0, x1+e)
	}
	if sides&2 > 0 {
		y1 = max(0, y1+e)
	}
	if sides&4 > 0 {
		x0 = min(0, x0-e)
	}
	if sides&8 > 0 {
		y0 = min(0, y0-e)
	}
	if x1-x0 < thinM || y1-y0 < thinM {
		return nil
	}
	shape := Clip([]geo.XY{g.place(x0, y0), g.place(x1, y0), g.place(x1, y1), g.place(x0, y1)}, g.bounds)
	if len(shape) < 3 {
		return nil
	}
	for _, rings := range g.offers {
		var cut [][]geo.XY
		for i, r := range rings {
			c := Clip(r, shape)
			if flat(c) {
				if i == 0 {
					break
				}
				continue
			}
			cut = append(cut, c)
		}
		if len(cut) > 0 {
			out = append(out, cut)
		}
	}
	return out
}

// flat tells whether a ring encloses nothing.
func flat(r []geo.XY) bool {
	sum := 0.0
	for i := range r {
		a, b := r[i].Sub(r[0]), r[(i+1)%len(r)].Sub(r[0])
		sum += float64(a.X*b.Y) - float64(a.Y*b.X)
	}
	return math.Abs(sum) < thinM
}

// bearings names the sides of a set.
func (g *growth) bearings(sides int) (out []geo.Bearing) {
	for k, d := range [4]geo.XY{g.u, g.v, {X: -g.u.X, Y: -g.u.Y}, {X: -g.v.X, Y: -g.v.Y}} {
		if sides>>k&1 == 1 {
			out = append(out, geo.BearingOf(d))
		}
	}
	return out
}

// grown is a set of sides moved by the least depth that reaches the need.
type grown struct {
	sides int
	byM   float64
	beds  [][][]geo.XY
}

// least finds the least depth at which the stand has what it needs; nil when none
// does.
func (g *growth) least(sides int, w Wish, site func([][][]geo.XY) (*Site, error), refusal *Refusal) (*grown, error) {
	over := func(e float64) (float64, [][][]geo.XY, error) {
		beds := g.beds(sides, e)
		s, err := site(beds)
		if err != nil {
			return 0, nil, err
		}
		need := w.NeedM3(s)
		if s.SoilM3 > refusal.MostM3 {
			refusal.MostM3, refusal.NeedM3 = s.SoilM3, need
		}
		return s.SoilM3 - need, beds, nil
	}
	// From the stem outwards: within the frame there may be paving too.
	lo, hi := -max(g.x1, g.y1, -g.x0, -g.y0), float64(2*g.reachM)
	fhi, beds, err := over(hi)
	if err != nil || !(fhi >= 0) {
		return nil, err
	}
	flo, first, err := over(lo)
	if err != nil {
		return nil, err
	}
	if flo >= 0 { // there is enough as it is
		return &grown{sides, lo, first}, nil
	}
	// False position, the Illinois way; hi always reaches the need.
	was := 0
	for range 80 {
		if fhi <= 1e-7 || hi-lo < 1e-7 {
			break
		}
		e := hi - fhi*(hi-lo)/(fhi-flo)
		if !(e > lo && e < hi) {
			e = (lo + hi) / 2
		}
		f, b, err := over(e)
		if err != nil {
			return nil, err
		}
		if f >= 0 {
			hi, fhi, beds = e, f, b
			if was == 1 {
				flo /= 2
			}
			was = 1
		} else {
			lo, flo = e, f
			if was == -1 {
				fhi /= 2
			}
			was = -1
		}
	}
	return &grown{sides, hi, beds}, nil
}

// settle cuts what was grown to what falls to the stand, and looks whether that
// alone does, and leaves the neighbours their own. Where it alone does not, as
// roots get to a part of it through ground that falls to nobody else, all of it is
// opened. ok tells that the stand had enough.
func (l *Local) settle(g *growth, gr *grown, w Wish, others []Site, refusal *Refusal) (found *Enlargement, ok bool, err error) {
	wide, err := l.Sites(g.withPit(gr.beds), 0)
	if err != nil {
		return nil, false, err
	}
	for _, share := range [][][][]geo.XY{wide[0].Share, nil} {
		e := &Enlargement{Sides: g.bearings(gr.sides), ByM: max(0, gr.byM)}
		opened, volume, err := l.opened(g, gr.beds, share)
		if err != nil {
			return nil, false, err
		}
		for _, c := range opened {
			e.AreaM2 += c.AreaM2
			e.Polygons = append(e.Polygons, c.Polygons...)
		}
		if e.AreaM2 > 0 {
			e.DepthM = volume / e.AreaM2
		}
		sites, err := l.Sites(g.withPit(e.Polygons), append([]int{0}, l.Touched...)...)
		if err != nil {
			return nil, false, err
		}
		e.After = sites[0]
		if e.After.SoilM3 < float64(w.NeedM3(&e.After)*(1-1e-4))-lessM3 {
			continue
		}
		ok, found = true, e
		for n, k := range l.Touched {
			if sites[n+1].SoilM3 < w.FloorM3(k, &others[n])-lessM3 {
				refusal.Taken, found = k, nil
			}
		}
		break
	}
	return found, ok, nil
}

// opened measures the paved ground of beds that falls to a share, all of it when
// there is none, and its volume.
func (l *Local) opened(g *growth, beds [][][]geo.XY, share [][][]geo.XY) (list []Change, volumeM3 float64, err error) {
	before, after, region := l.build.clone(), l.build.clone(), NewBuilder()
	if g.pit != nil && !g.paved {
		if err := before.Bed([][]geo.XY{g.pit}); err != nil {
			return nil, 0, err
		}
	}
	for _, rings := range g.withPit(beds) {
		if err := after.Bed(rings); err != nil {
			return nil, 0, err
		}
	}
	for _, rings := range share {
		if err := region.Study(rings); err != nil {
			return nil, 0, err
		}
	}
	var within *Map
	if len(share) > 0 {
		within = region.Freeze(l.o)
	}
	found := map[changeKey]*Change{}
	var s sweep
	s.changes(before.Freeze(l.o), after.Freeze(l.o), within, g.at, g.reachM+1, &l.o, found)
	for k, c := range found {
		if k.what == Opened {
			list = append(list, *c)
			volumeM3 += c.VolumeM3()
		}
	}
	slices.SortFunc(list, func(a, b Change) int { return cmp.Compare(a.DepthM, b.DepthM) })
	return list, volumeM3, nil
}
