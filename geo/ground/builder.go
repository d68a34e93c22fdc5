package ground

import (
	"fmt"
	"math"

	"soilshed/geo"
)

// ring is a closed chain of vertices (open for a barrier) of one part.
type ring struct {
	first, n int32 // vertices
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
	verts []geo.XY
	rings []ring
	parts []part
	boxes []box
	tree  packed
	cover *coverage
	has   [kinds]bool

	copied int
}

// Builder takes the layers of a Map.
type Builder struct {
	m Map
	// Crossing counts the polygons with a ring that crosses itself.
	Crossing int
	crossing crossing
}

// NewBuilder returns a builder of an empty map.
func NewBuilder() *Builder { return &Builder{} }

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
	verts, ringsN := len(m.verts), len(m.rings)
	undo := func() { m.verts, m.rings = m.verts[:verts], m.rings[:ringsN] }
	id := int32(len(m.parts))
	for i, r := range rings {
		first := len(m.verts)
		for _, v := range r {
			if math.IsNaN(v.X+v.Y) || math.IsInf(v.X+v.Y, 0) {
				undo()
				return fmt.Errorf("a vertex is not a number: (%v, %v)", v.X, v.Y)
			}
			if n := len(m.verts); n > first && m.verts[n-1] == v {
				continue
			}
			m.verts = append(m.verts, v)
		}
		if p.kind != barrier {
			for n := len(m.verts); n > first+1 && m.verts[n-1] == m.verts[first]; n = len(m.verts) {
				m.verts = m.verts[:n-1]
			}
		}
		n := len(m.verts) - first
		if n < least {
			m.verts = m.verts[:first]
			if i == 0 {
				undo()
				return fmt.Errorf("the outer ring has %d different vertices in a row, fewer than %d", n, least)
			}
			continue // a hole of no area
		}
		if len(m.verts) > math.MaxInt32 {
			undo()
			return fmt.Errorf("more than %d vertices in all", math.MaxInt32)
		}
		m.rings = append(m.rings, ring{first: int32(first), n: int32(n), part: id, boxes: -1, hole: i > 0})
	}
	if len(rings) == 0 {
		return fmt.Errorf("a polygon without rings")
	}
	if p.kind != barrier {
		for _, r := range m.rings[ringsN:] {
			if b.crossing.crosses(m.verts[r.first : r.first+r.n]) {
				b.Crossing++
				break
			}
		}
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
func (m *Map) Vertices() int { return len(m.verts) }

// Sealed tells whether the map has hard ground at all.
func (m *Map) Sealed() bool { return m.has[hard] }
