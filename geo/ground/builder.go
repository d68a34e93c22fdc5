package ground

import (
	"fmt"
	"math"
	"slices"

	"soilshed/geo"
)

// ring is a closed chain of vertices (open for a barrier) of one part.
type ring struct {
	chunk    int32 // that holds its vertices
	first, n int32 // vertices in the chunk
	part     int32
	boxes    int32 // first of its boxes, or -1 when it is short
	hole     bool
}

// part is one polygon: a shell and its holes, or one barrier.
type part struct {
	kind   kind
	weight float32 // of a target
	depthM float32 // of rootable ground or soil
	usable float32 // share of the volume that is soil
	tag    int32   // of soil: what SoilAt tells
}

// Map holds the layers, ready to be asked. It is never changed after Freeze.
type Map struct {
	verts vertices
	rings []ring
	parts []part
	boxes []box
	tree  packed
	cover *coverage
	has   [kinds]bool

	copied int
}

// vertices are kept in chunks: one list for a city would be copied again and
// again while it grows, at many times the cost of reading the layers. No ring
// is cut by the end of a chunk.
type vertices struct {
	chunks [][]geo.XY
	n      int
}

const fullChunk = 1 << 16

// add keeps a ring and tells where.
func (s *vertices) add(v []geo.XY) (chunk, first int32) {
	k := len(s.chunks) - 1
	if k < 0 || cap(s.chunks[k])-len(s.chunks[k]) < len(v) {
		s.chunks = append(s.chunks, make([]geo.XY, 0, max(len(v), min(fullChunk, s.n))))
		k++
	}
	first = int32(len(s.chunks[k]))
	s.chunks[k] = append(s.chunks[k], v...)
	s.n += len(v)
	return int32(k), first
}

// Builder takes the layers of a Map.
type Builder struct {
	m Map
	// scratch holds the rings of a polygon until all of them are known to be sound.
	scratch []geo.XY
	// Crossing counts the polygons with a ring that crosses itself.
	Crossing int
	crossing crossing
}

// NewBuilder returns a builder of an empty map.
func NewBuilder() *Builder { return &Builder{} }

// Grow makes room for so many more polygons or lines.
func (b *Builder) Grow(n int) {
	b.m.rings, b.m.parts = slices.Grow(b.m.rings, n), slices.Grow(b.m.parts, n)
}

// Hard adds a polygon under which no root is counted. Rings are lists of
// vertices, the outer one first, closed or not, in any orientation; they may
// cross themselves. What lies inside the outer ring by a winding number other
// than zero, and in no hole, is hard. weight is what it is worth as a target
// of a falling tree, 0 or more; targetWeights given with Target replace it.
func (b *Builder) Hard(rings [][]geo.XY, weight float64) error {
	return b.add(part{kind: hard, weight: float32(weight)}, rings)
}

// Bed adds a polygon that is open ground even where a hard polygon covers it.
func (b *Builder) Bed(rings [][]geo.XY) error { return b.add(part{kind: bed}, rings) }

// Rootable adds ground that roots can use under pavement, with its depth in
// metres and the share of its volume that is soil, 0 to 1.
func (b *Builder) Rootable(rings [][]geo.XY, depthM, usable float64) error {
	return b.add(part{kind: rootable, depthM: float32(depthM), usable: float32(usable)}, rings)
}

// Soil adds a polygon of the soil layer with its usable depth in metres. Where
// several lie over one another the shallowest counts. SoilAt tells the tag.
func (b *Builder) Soil(rings [][]geo.XY, depthM float64, tag int32) error {
	return b.add(part{kind: soil, depthM: float32(depthM), usable: 1, tag: tag}, rings)
}

// Target adds a polygon that a falling tree may hit. Once one is given, the
// weights of hard polygons no longer count.
func (b *Builder) Target(rings [][]geo.XY, weight float64) error {
	return b.add(part{kind: target, weight: float32(weight)}, rings)
}

// Study adds a polygon inside which the hard layers are complete.
func (b *Builder) Study(rings [][]geo.XY) error { return b.add(part{kind: study}, rings) }

// Barrier adds a line that roots do not cross.
func (b *Builder) Barrier(line []geo.XY) error {
	return b.add(part{kind: barrier}, [][]geo.XY{line})
}

func (b *Builder) add(p part, rings [][]geo.XY) error {
	m := &b.m
	least := 3
	if p.kind == barrier {
		least = 2
	}
	v := b.scratch[:0]
	var ends []int // of the rings in v
	for i, r := range rings {
		first := len(v)
		for _, p := range r {
			if math.IsNaN(p.X+p.Y) || math.IsInf(p.X+p.Y, 0) {
				return fmt.Errorf("a vertex is not a number: (%v, %v)", p.X, p.Y)
			}
			if n := len(v); n > first && v[n-1] == p {
				continue
			}
			v = append(v, p)
		}
		if p.kind != barrier {
			for n := len(v); n > first+1 && v[n-1] == v[first]; n = len(v) {
				v = v[:n-1]
			}
		}
		b.scratch = v
		if n := len(v) - first; n < least {
			v = v[:first]
			if i == 0 {
				return fmt.Errorf("the outer ring has %d different vertices in a row, fewer than %d", n, least)
			}
			continue // a hole of no area
		}
		ends = append(ends, len(v))
	}
	if len(rings) == 0 {
		return fmt.Errorf("a polygon without rings")
	}
	if len(v) > math.MaxInt32-m.verts.n {
		return fmt.Errorf("more than %d vertices in all", math.MaxInt32)
	}
	id, crosses, first := int32(len(m.parts)), false, 0
	for i, end := range ends {
		ringV := v[first:end]
		if p.kind != barrier && !crosses {
			crosses = b.crossing.crosses(ringV)
		}
		r := ring{n: int32(len(ringV)), part: id, boxes: -1, hole: i > 0}
		r.chunk, r.first = m.verts.add(ringV)
		m.rings = append(m.rings, r)
		first = end
	}
	if crosses {
		b.Crossing++
	}
	m.parts = append(m.parts, p)
	m.has[p.kind] = true
	return nil
}

// Freeze builds the indexes and returns the map. The builder must not be used
// afterwards.
func (b *Builder) Freeze(o Options) *Map {
	m := &b.m
	leaf := make([]box, len(m.rings))
	var back []geo.XY
	for i := range m.rings {
		r := &m.rings[i]
		back = canonical(m.ringOf(r), m.parts[r.part].kind != barrier, back)
		leaf[i] = m.index(r)
	}
	drop, n := m.copies()
	m.copied = n
	m.tree = m.pack(leaf, drop)
	m.cover = m.extent(o.CoverCellM)
	return m
}

// Polygons returns the number of polygons and lines in the map, and Vertices
// the number of their vertices.
func (m *Map) Polygons() int { return len(m.parts) }

// Copies returns how many polygons and lines are the same as another one in all
// but their place in the layers; each such place counts once.
func (m *Map) Copies() int { return m.copied }

// Vertices returns the number of vertices in the map.
func (m *Map) Vertices() int { return m.verts.n }

// Sealed tells whether the map has hard ground at all.
func (m *Map) Sealed() bool { return m.has[hard] }
