package main

import (
	"cmp"
	"context"
	"encoding/binary"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"

	"soilshed/geo"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
)

// What is drawn of the ground, on the page and in the drawing of one tree: the
// paving below, and shares and roses, which an assessment does not keep. They
// are worked out anew for the trees that show them.

// pavedKind is what a piece of paving looks like.
type pavedKind uint8

const (
	pavedWay pavedKind = iota // carriageway, driveway, parking
	pavedWalk
	pavedBuilding
	pavedOther
	bedKind // open ground on hard ground
)

var pavedKinds = []string{"way", "walk", "building", "other", "bed"}

func pavedKindOf(class string) pavedKind {
	switch class {
	case "main road", "road", "driveway", "parking":
		return pavedWay
	case "sidewalk", "path", "transit stop", "playground":
		return pavedWalk
	case "building", "school":
		return pavedBuilding
	}
	return pavedOther
}

// paved is a polygon to be drawn: rings filled by even and odd.
type paved struct {
	kind  pavedKind
	rings [][]geo.XY
}

// paving reads hard ground and beds again, to be drawn, and hands on what take
// accepts. The rings may be used again after it returns.
func (a *assessment) paving(ctx context.Context, take func(p paved)) error {
	again := inputs{plane: a.in.plane}
	read := func(path string, columns []string, kind func(f *layer.Feature) pavedKind) error {
		return again.readPolygons(ctx, a.o, ground.NewBuilder(), path, "drawing", columns, func(*layer.Schema) (polygonFunc, error) {
			return func(f *layer.Feature, rings [][]geo.XY) error {
				take(paved{kind(f), rings})
				return nil
			}, nil
		})
	}
	for _, path := range a.o.pavement {
		column, err := again.classColumn(a.o, path)
		if err != nil {
			return err
		}
		ofFile, _ := classOf(strings.TrimSuffix(filepath.Base(path), filepath.Ext(path)))
		if err := read(path, column, func(f *layer.Feature) pavedKind {
			class := ofFile
			if len(column) > 0 && len(f.Values) > 0 {
				if c, ok := classOf(f.Values[0].Text()); ok {
					class = c
				}
			}
			return pavedKindOf(class.Name)
		}); err != nil {
			return err
		}
	}
	for _, path := range a.o.bed {
		if err := read(path, []string{}, func(*layer.Feature) pavedKind { return bedKind }); err != nil {
			return err
		}
	}
	return nil
}

// sitesOf surveys some of the trees again, for what the assessment does not
// keep; found is called for each, from several goroutines, and must copy what it
// keeps but the share.
func (a *assessment) sitesOf(ctx context.Context, want func(i int32) bool, found func(i int32, s *ground.Site)) error {
	o := a.o.groundOptions()
	o.Jitters = 0 // the spread is known
	stands := make([]ground.Stand, a.in.trees.len())
	for i := range stands {
		stands[i] = *a.survey.Stand(int32(i))
	}
	survey, err := ground.NewSurvey(a.in.m, stands, o)
	if err != nil {
		return dataError{err}
	}
	for i := range a.in.trees.len() {
		if a.in.trees.removed(i) {
			survey.Absent(int32(i))
		}
	}
	g, ctx := errgroup.WithContext(ctx)
	cells := cellsOf(survey, want)
	todo := make(chan ground.Cell)
	g.Go(func() error {
		defer close(todo)
		for _, c := range cells {
			select {
			case todo <- c:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	for range a.o.workers {
		g.Go(func() error {
			w := survey.NewWorker()
			for c := range todo {
				w.Do(c, found)
			}
			return nil
		})
	}
	return g.Wait()
}

// pageGround says how the block of the ground is read: first the polygons, then
// stems, roses and shares of the trees with details.
//
// A polygon is its kind, in a comparison the set of designs that have it, its
// number of rings, and each ring: its number of points, then steps from the point
// before; the first point of a ring is from the first of the ring before. A share begins at the recorded place of its tree
// and has no kind. Numbers are of 7 bits a byte, low ones first, with the sign in
// the lowest bit.
type pageGround struct {
	Polygons int      `json:"polygons"`
	Of       int      `json:"of"` // polygons of the layers
	Kinds    []string `json:"kinds"`
	Bearings int      `json:"bearings"`
	// A rose is one byte a bearing: RoseFree where it is free as far as was
	// looked, else parts of the reach of RoseParts.
	RoseParts int `json:"roseParts"`
	RoseFree  int `json:"roseFree"`
	// Bytes of the polygons, and of the stems and reaches (6 a tree: east and
	// north of the recorded place in steps, reach in centimetres).
	PolygonBytes int `json:"polygonBytes"`
}

// pagePoints is how many points of paving the page holds. More would be slow to
// open. Where there are more, half go to the polygons round the trees at the head
// of the list, and the rest to the largest (setting).
const pagePoints = 600_000

// How far simplified lines of paving and of shares stray.
const (
	pavingSagM = 0.15
	shareSagM  = 0.05
)

const (
	roseParts = 254
	roseFree  = 255
)

func (p *pageMaker) groundBlock(ctx context.Context) ([]byte, error) {
	g := &p.head.Ground
	g.Kinds, g.Bearings, g.RoseParts, g.RoseFree = pavedKinds, ground.Bearings, roseParts, roseFree
	polygons, err := p.paving(ctx)
	if err != nil {
		return nil, err
	}
	b := polygons
	g.PolygonBytes = len(polygons)
	n := len(p.detail)
	slot := make([]int32, len(p.a.rows))
	for k, i := range p.detail {
		slot[i] = int32(k)
	}
	stems := make([]byte, 6*n)
	roses := make([]byte, ground.Bearings*n)
	shares := make([][]byte, n)
	for k := range shares {
		shares[k] = []byte{0} // no ring, where no site is found below
	}
	err = p.a.sitesOf(ctx, func(i int32) bool { return p.has[i] && p.a.rows.at(int(i)).res.Assessed }, func(i int32, s *ground.Site) {
		k := int(slot[i])
		at, reach := p.a.in.at[i], p.a.survey.Stand(i).ReachM
		binary.LittleEndian.PutUint16(stems[6*k:], uint16(int16(math.Round((s.At.X-at.X)/pageStepM))))
		binary.LittleEndian.PutUint16(stems[6*k+2:], uint16(int16(math.Round((s.At.Y-at.Y)/pageStepM))))
		binary.LittleEndian.PutUint16(stems[6*k+4:], uint16(math.Round(reach*100)))
		for d, m := range s.ReachM {
			roses[ground.Bearings*k+d] = roseFree
			if float64(m) < reach-1e-3 {
				roses[ground.Bearings*k+d] = byte(math.Round(float64(m) / reach * roseParts))
			}
		}
		x, y := p.step(int(i))
		shares[k] = p.head.shareBytes(s.Share, x, y)
	})
	if err != nil {
		return nil, err
	}
	// Byte by byte as columns: all first bytes of the stems, then the second.
	for c := range 6 {
		for k := range n {
			b = append(b, stems[6*k+c])
		}
	}
	b = append(b, roses...)
	for _, s := range shares {
		b = append(b, s...)
	}
	return b, nil
}

// paving packs the polygons of the map.
func (p *pageMaker) paving(ctx context.Context) ([]byte, error) {
	var all []packedPolygon
	heads := p.heads()
	err := p.a.paving(ctx, func(q paved) {
		if packed, rings := p.head.packPolygon(int(q.kind), q.rings); rings != nil {
			packed.rank = heads.first(rings)
			all = append(all, packed)
		}
	})
	if err != nil {
		return nil, err
	}
	p.head.Ground.Of = len(all)
	all = fewPolygons(all)
	p.head.Ground.Polygons = len(all)
	return polygonBytes(all, false), nil
}

// packedPolygon is a polygon of a page.
type packedPolygon struct {
	kind   int
	set    int   // in a comparison, which designs have it
	rank   int32 // of the first tree in the list whose ground it bounds, or noRank
	points int
	area   float64
	key    uint64
	bytes  []byte // from the south-west corner
	x, y   int    // first point
}

// packPolygon packs a polygon; without rings, it is a sliver that the steps of
// the page do not show. The rings may be used again.
func (g *pageGrid) packPolygon(kind int, rings [][]geo.XY) (packedPolygon, [][][2]int) {
	q := packedPolygon{kind: kind, rank: noRank}
	var steps [][][2]int
	for _, ring := range rings {
		if s := g.thin(ring, pavingSagM); len(s) > 0 {
			steps = append(steps, s)
			q.points += len(s)
			q.area = max(q.area, math.Abs(ringArea(s)))
		}
	}
	if len(steps) == 0 {
		return q, nil
	}
	q.x, q.y = steps[0][0][0], steps[0][0][1]
	px, py := q.x, q.y
	q.bytes = binary.AppendUvarint(nil, uint64(len(steps)))
	for _, s := range steps {
		q.bytes = ringBytes(q.bytes, s, &px, &py)
	}
	// Trees lie at positive steps; paving may reach beyond.
	const beyond = 1 << 24
	q.key = interleave(uint32(q.x+beyond)) | interleave(uint32(q.y+beyond))<<1
	return q, steps
}

// fewPolygons takes those that a page holds, the largest where there are too
// many, in an order that keeps near ones together.
func fewPolygons(all []packedPolygon) []packedPolygon {
	total := 0
	for i := range all {
		total += all[i].points
	}
	if total > pagePoints {
		kept := all[:0:0]
		total = 0
		// fill takes polygons in an order until the points are used up.
		fill := func(most int, order func(a, b packedPolygon) int) {
			slices.SortStableFunc(all, order)
			n := 0
			for n < len(all) && total+all[n].points <= most {
				total += all[n].points
				n++
			}
			kept = append(kept, all[:n]...)
			all = all[n:]
		}
		fill(pagePoints/2, func(a, b packedPolygon) int { return cmp.Compare(a.rank, b.rank) })
		fill(pagePoints, func(a, b packedPolygon) int { return cmp.Compare(b.area, a.area) })
		all = kept
	}
	slices.SortStableFunc(all, func(a, b packedPolygon) int { return cmp.Compare(a.key, b.key) })
	return all
}

// polygonBytes writes polygons one after another.
func polygonBytes(all []packedPolygon, sets bool) (b []byte) {
	x, y := 0, 0
	for _, q := range all {
		b = append(b, byte(q.kind))
		if sets {
			b = binary.AppendUvarint(b, uint64(q.set))
		}
		b = binary.AppendUvarint(b, uint64(zigzag(q.x-x)))
		b = binary.AppendUvarint(b, uint64(zigzag(q.y-y)))
		x, y = q.x, q.y
		b = append(b, q.bytes...)
	}
	return b
}

// shareBytes is a share, of a tree that stands at a step.
func (g *pageGrid) shareBytes(share [][][]geo.XY, x, y int) []byte {
	var b []byte
	rings := 0
	for _, polygon := range share {
		for _, ring := range polygon {
			if q := g.thin(ring, shareSagM); len(q) > 0 {
				b = ringBytes(b, q, &x, &y)
				rings++
			}
		}
	}
	return append(binary.AppendUvarint(nil, uint64(rings)), b...)
}

// headGrid tells of a place which tree with details, by rank, stands near.
type headGrid map[[2]int]int32

const (
	headCell = 120 // side of a square of the grid in steps: more than most reaches
	noRank   = math.MaxInt32
)

// heads lays the trees with details into squares, each with its neighbours; nil
// where all trees have details, as there is no need to choose.
func (p *pageMaker) heads() headGrid {
	if len(p.detail) == len(p.list) {
		return nil
	}
	g := headGrid{}
	for _, i := range p.detail {
		x, y := p.step(int(i))
		for dx := -1; dx <= 1; dx++ {
			for dy := -1; dy <= 1; dy++ {
				c := [2]int{x/headCell + dx, y/headCell + dy}
				if r, ok := g[c]; !ok || p.a.rows[i].rank < r {
					g[c] = p.a.rows[i].rank
				}
			}
		}
	}
	return g
}

// first is the rank of the first tree near any corner of a polygon, or noRank.
func (g headGrid) first(rings [][][2]int) int32 {
	rank := int32(noRank)
	if len(g) == 0 {
		return rank
	}
	for _, ring := range rings {
		for k, q := range ring {
			// Corners, and middles of sides, so that long ones are met too.
			r := ring[(k+1)%len(ring)]
			for _, v := range [][2]int{q, {(q[0] + r[0]) / 2, (q[1] + r[1]) / 2}} {
				if h, ok := g[[2]int{v[0] / headCell, v[1] / headCell}]; ok {
					rank = min(rank, h)
				}
			}
		}
	}
	return rank
}

// ringBytes appends a ring in steps; from is the point before, and becomes the
// ring's first.
func ringBytes(b []byte, s [][2]int, fromX, fromY *int) []byte {
	b = binary.AppendUvarint(b, uint64(len(s)))
	x, y := *fromX, *fromY
	for _, q := range s {
		b = binary.AppendUvarint(b, uint64(zigzag(q[0]-x)))
		b = binary.AppendUvarint(b, uint64(zigzag(q[1]-y)))
		x, y = q[0], q[1]
	}
	*fromX, *fromY = s[0][0], s[0][1]
	return b
}

// thin simplifies a ring and puts it on the steps of the page; nil where less
// than a triangle is left.
func (g *pageGrid) thin(ring []geo.XY, sagM float64) [][2]int {
	if n := len(ring); n > 1 && ring[0] == ring[n-1] {
		ring = ring[:n-1]
	}
	var out [][2]int
	for _, v := range simplified(ring, sagM) {
		x, y := g.step(v)
		q := [2]int{x, y}
		if n := len(out); n == 0 || out[n-1] != q {
			out = append(out, q)
		}
	}
	if n := len(out); n > 1 && out[0] == out[n-1] {
		out = out[:n-1]
	}
	if len(out) < 3 {
		return nil
	}
	return out
}

// ringArea is the signed area in square steps.
func ringArea(s [][2]int) float64 {
	sum := 0
	for i, q := range s {
		r := s[(i+1)%len(s)]
		sum += (q[0]-s[0][0])*(r[1]-s[0][1]) - (r[0]-s[0][0])*(q[1]-s[0][1])
	}
	return float64(sum) / 2
}

// simplified keeps the points of a ring without which a line would stray by more
// than sag (Douglas and Peucker 1973).
func simplified(ring []geo.XY, sag float64) []geo.XY {
	if len(ring) <= 4 {
		return ring
	}
	// The ring is cut at its first point and at the one farthest from it.
	far := 0
	for i := range ring {
		if ring[i].Distance(ring[0]) > ring[far].Distance(ring[0]) {
			far = i
		}
	}
	if far == 0 {
		return nil
	}
	keep := make([]bool, len(ring)+1)
	keep[0], keep[far], keep[len(ring)] = true, true, true
	closed := append(slices.Clone(ring), ring[0])
	type part struct{ i, j int }
	for todo := []part{{0, far}, {far, len(ring)}}; len(todo) > 0; {
		t := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		worst, at := sag, -1
		a, d := closed[t.i], closed[t.j].Sub(closed[t.i])
		long := d.X*d.X + d.Y*d.Y
		for k := t.i + 1; k < t.j; k++ {
			v := closed[k].Sub(a)
			u := 0.0
			if long > 0 {
				u = min(1, max(0, (v.X*d.X+v.Y*d.Y)/long))
			}
			if off := math.Hypot(v.X-u*d.X, v.Y-u*d.Y); off > worst {
				worst, at = off, k
			}
		}
		if at >= 0 {
			keep[at] = true
			todo = append(todo, part{t.i, at}, part{at, t.j})
		}
	}
	var out []geo.XY
	for i := range ring {
		if keep[i] {
			out = append(out, ring[i])
		}
	}
	return out
}
