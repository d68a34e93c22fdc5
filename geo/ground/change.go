package ground

import (
	"cmp"
	"encoding/binary"
	"hash/fnv"
	"math"
	"slices"

	"soilshed/geo"
)

// What a redesign does to a spot of the surface. Paved is what a hard polygon
// covers and no bed; open is the rest.
type What uint8

const (
	// Opened: paved before, open after.
	Opened What = iota
	// Closed: open before, paved after, over ground that roots cannot use.
	Closed
	// Underlaid: paved before and after, over rootable ground that is new, or
	// of another depth or mix than before.
	Underlaid
	// ClosedUnderlaid: open before, paved after over new rootable ground.
	ClosedUnderlaid
	// Lost: paved before and after, over rootable ground before only.
	Lost
	whats
)

var whatNames = [whats]string{"opened", "closed", "underlaid", "closed and underlaid", "rootable ground lost"}

func (w What) String() string { return whatNames[w] }

// Change is ground that a redesign changes in one way.
type Change struct {
	What What
	// DepthM is the depth of the new rootable ground, or the usable depth of soil
	// where ground is opened; Usable the share of that volume that is soil. Both
	// are 0 where ground is closed or lost.
	DepthM, Usable float64
	// AreaM2 is the sum over the polygons, exact.
	AreaM2 float64
	// Polygons are polygons of rings, the outer one first. They are cut along the
	// lines of a grid of changeCellM.
	Polygons [][][]geo.XY
}

// VolumeM3 is area x depth: what is dug and filled, soil or not.
func (c *Change) VolumeM3() float64 { return float64(c.AreaM2 * c.DepthM) }

// changeCellM is the side of the squares in which changes are looked for.
const changeCellM = 200

// Changes lists what differs between two maps of one plane, by kind of change,
// depth and mix. region, when not nil, is a map whose study polygons bound it.
// Only the squares that a polygon meets which one of the maps has and the other
// has not are looked at; elsewhere nothing can differ.
func Changes(before, after, region *Map, o Options) []Change {
	cells := changed(before, after)
	var s sweep
	found := map[changeKey]*Change{}
	for _, cell := range cells {
		c := geo.XY{X: float64((float64(cell[0]) + 0.5) * changeCellM), Y: float64((float64(cell[1]) + 0.5) * changeCellM)}
		if region != nil && len(region.tree.query(boxAround(c, changeCellM/2), nil)) == 0 {
			continue
		}
		s.changes(before, after, region, c, changeCellM/2, &o, found)
	}
	out := make([]Change, 0, len(found))
	for _, c := range found {
		out = append(out, *c)
	}
	slices.SortFunc(out, func(a, b Change) int {
		return cmp.Or(cmp.Compare(a.What, b.What), cmp.Compare(a.DepthM, b.DepthM), cmp.Compare(a.Usable, b.Usable))
	})
	return out
}

// surface are the kinds that say what the surface is.
const surface = 1<<hard | 1<<bed | 1<<rootable

// changed lists the squares of the grid, by row and column, that a polygon of
// the surface meets which only one of the maps has.
func changed(a, b *Map) [][2]int32 {
	type box64 struct{ x0, y0, x1, y1 float64 }
	count := map[[16]byte]int{}
	boxes := map[[16]byte]box64{}
	for i, m := range [2]*Map{a, b} {
		for first := 0; first < len(m.rings); {
			id := m.rings[first].part
			end := first
			for end < len(m.rings) && m.rings[end].part == id {
				end++
			}
			if surface>>m.parts[id].kind&1 == 1 {
				key, at := m.sumOf(id, m.rings[first:end])
				count[key] += 1 - 2*i
				boxes[key] = box64(at)
			}
			first = end
		}
	}
	seen := map[[2]int32]bool{}
	var cells [][2]int32
	for key, n := range count {
		if n == 0 {
			continue
		}
		q := boxes[key]
		for y := math.Floor(q.y0 / changeCellM); y*changeCellM <= q.y1; y++ {
			for x := math.Floor(q.x0 / changeCellM); x*changeCellM <= q.x1; x++ {
				if c := [2]int32{int32(x), int32(y)}; !seen[c] {
					seen[c] = true
					cells = append(cells, c)
				}
			}
		}
	}
	slices.SortFunc(cells, func(a, b [2]int32) int { return cmp.Or(cmp.Compare(a[1], b[1]), cmp.Compare(a[0], b[0])) })
	return cells
}

// sumOf is a sum over what a part is and over its vertices, and its box.
func (m *Map) sumOf(id int32, rings []ring) (key [16]byte, box struct{ x0, y0, x1, y1 float64 }) {
	p := &m.parts[id]
	h := fnv.New128a()
	var buf []byte
	put := func(v float64) { buf = binary.LittleEndian.AppendUint64(buf, math.Float64bits(v)) }
	put(float64(p.kind))
	put(float64(p.depthM))
	put(float64(p.usable))
	box.x0, box.y0, box.x1, box.y1 = math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for i := range rings {
		r := &rings[i]
		put(float64(r.n))
		for _, v := range m.ringOf(r) {
			put(v.X)
			put(v.Y)
			box.x0, box.y0 = min(box.x0, v.X), min(box.y0, v.Y)
			box.x1, box.y1 = max(box.x1, v.X), max(box.y1, v.Y)
		}
		h.Write(buf)
		buf = buf[:0]
	}
	h.Sum(key[:0])
	return key, box
}

// changeScan is what the scan for changes needs and finds.
type changeScan struct {
	before, after *Map
	region        bool
	o             *Options
	bySoil        bool
	marks         []int32 // of each trap: its key
	keys          []changeKey
	areas         []float64
}

type changeKey struct {
	what           What
	depthM, usable float64
}

// changes adds what differs within the square of half-side r round c.
func (s *sweep) changes(before, after, region *Map, c geo.XY, r float64, o *Options, found map[changeKey]*Change) {
	s.clear()
	s.half = r
	s.collect(before, c, r, surface, math.Inf(1))
	for k, m := range [2]*Map{after, region} {
		if m == nil {
			continue
		}
		want := uint(surface | 1<<soil)
		if m == region {
			want = 1 << study
		}
		first := len(s.parts)
		s.collect(m, c, r, want, math.Inf(1))
		for i := first; i < len(s.parts); i++ {
			s.parts[i].kind += kind(k+1) * kinds
		}
	}
	s.addEdge(-r, r, -r, -r, edgeRim, -1, -1)
	s.addEdge(r, -r, r, r, edgeRim, -1, -1)
	s.prepare()
	s.change = changeScan{before: before, after: after, region: region != nil, o: o, bySoil: after.has[soil], marks: s.change.marks[:0], keys: s.change.keys[:0], areas: s.change.areas[:0]}
	s.scan = scanChange
	s.whole()
	for k, key := range s.change.keys {
		for t := range s.traps {
			s.traps[t].pick = s.change.marks[t] == int32(k)
		}
		x := found[key]
		if x == nil {
			x = &Change{What: key.what, DepthM: key.depthM, Usable: key.usable}
			found[key] = x
		}
		x.AreaM2 += s.change.areas[k]
		x.Polygons = append(x.Polygons, drawn(s.rims(nil), c)...)
	}
}

// scanChange finds the traps of one slab in which the maps differ.
func (s *sweep) scanChange() {
	s.resetScan()
	x := &s.change
	first := len(s.traps)
	for k, a := range s.act {
		e := &s.edges[a.e]
		switch e.kind {
		case edgePart:
			s.cross(e)
		case edgeRim:
			s.disk -= int(e.dir) // the left side runs downwards
		}
		if s.disk <= 0 || k+1 == len(s.act) || x.region && s.n[2*kinds+study] == 0 {
			continue
		}
		b := &s.act[k+1]
		if b.xm-a.xm <= thinM {
			continue
		}
		key, differs := s.changeHere()
		if !differs {
			continue
		}
		n := slices.Index(x.keys, key)
		if n < 0 {
			n = len(x.keys)
			x.keys, x.areas = append(x.keys, key), append(x.areas, 0)
		}
		x.areas[n] += s.edges[b.e].under(s.lo, s.hi) - e.under(s.lo, s.hi)
		t := int32(len(s.traps))
		tr := trap{left: a.e, right: b.e, up: t, state: openAir}
		tr.abut = int(t) > first && a.xm-s.lastRight <= thinM
		s.lastRight = b.xm
		s.traps = append(s.traps, tr)
		x.marks = append(x.marks, int32(n))
	}
}

// changeHere tells how the maps differ at the place of the scan.
func (s *sweep) changeHere() (changeKey, bool) {
	x := &s.change
	was := s.n[hard] > 0 && s.n[bed] == 0
	is := s.n[kinds+hard] > 0 && s.n[kinds+bed] == 0
	switch {
	case was && !is:
		return changeKey{Opened, s.openDepth(), 1}, true
	case !is:
		return changeKey{}, false
	}
	d, u, under := s.underHere(x.after, kinds)
	d0, u0, under0 := s.underHere(x.before, 0)
	switch {
	case !was && under:
		return changeKey{ClosedUnderlaid, d, u}, true
	case !was:
		return changeKey{what: Closed}, true
	case under && !(under0 && d == d0 && u == u0):
		return changeKey{Underlaid, d, u}, true
	case under0 && !under:
		return changeKey{what: Lost}, true
	}
	return changeKey{}, false
}

// underHere is the rootable ground of a map at the place of the scan, its kinds
// counted from shift on: where several lie, the one with least soil.
func (s *sweep) underHere(m *Map, shift kind) (depthM, usable float64, found bool) {
	if s.n[shift+rootable] == 0 {
		return 0, 0, false
	}
	depthM, usable = math.Inf(1), 1
	for i := range s.parts {
		if p := &s.parts[i]; p.covers && p.kind == shift+rootable {
			if d, u := float64(m.parts[p.id].depthM), float64(m.parts[p.id].usable); d*u < depthM*usable {
				depthM, usable = d, u
			}
		}
	}
	return math.Round(depthM*1e6) / 1e6, math.Round(usable*1e6) / 1e6, true
}

// openDepth is the usable depth of soil in open ground at the place of the scan.
func (s *sweep) openDepth() float64 {
	x := &s.change
	d := min(x.o.DepthM, x.o.MaxDepthM)
	if x.bySoil && s.n[kinds+soil] > 0 {
		d = math.Inf(1)
		for i := range s.parts {
			if p := &s.parts[i]; p.covers && p.kind == kinds+soil {
				d = min(d, float64(x.after.parts[p.id].depthM))
			}
		}
		d = min(d, x.o.MaxDepthM)
	}
	return math.Round(d*1e6) / 1e6
}

// Covers tells whether a study polygon of the map holds p.
func (m *Map) Covers(p geo.XY) bool { return m.over(p, study) >= 0 }
