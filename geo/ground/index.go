package ground

import (
	"cmp"
	"math"
	"slices"

	"soilshed/geo"
)

// box is a rectangle in single precision, rounded outwards.
type box struct{ x0, y0, x1, y1 float32 }

var noBox = box{math.MaxFloat32, math.MaxFloat32, -math.MaxFloat32, -math.MaxFloat32}

func down32(v float64) float32 {
	f := float32(v)
	if float64(f) > v {
		f = math.Nextafter32(f, float32(math.Inf(-1)))
	}
	return f
}

func up32(v float64) float32 {
	f := float32(v)
	if float64(f) < v {
		f = math.Nextafter32(f, float32(math.Inf(1)))
	}
	return f
}

func (b *box) take(v geo.XY) {
	b.x0, b.y0 = min(b.x0, down32(v.X)), min(b.y0, down32(v.Y))
	b.x1, b.y1 = max(b.x1, up32(v.X)), max(b.y1, up32(v.Y))
}

func (b *box) join(o box) {
	b.x0, b.y0, b.x1, b.y1 = min(b.x0, o.x0), min(b.y0, o.y0), max(b.x1, o.x1), max(b.y1, o.y1)
}

func (b box) meets(o box) bool {
	return b.x0 <= o.x1 && o.x0 <= b.x1 && b.y0 <= o.y1 && o.y0 <= b.y1
}

func boxAround(c geo.XY, r float64) box {
	return box{down32(c.X - r), down32(c.Y - r), up32(c.X + r), up32(c.Y + r)}
}

// fan is how many boxes one box of the next level holds.
const fan = 16

// index makes the boxes over the edges of a long ring, level by level, so that
// a road of a hundred thousand vertices costs a query only the edges near it.
// It returns the box of the whole ring.
func (m *Map) index(r *ring) box {
	all := noBox
	v := m.ringOf(r)
	if r.n <= 2*fan {
		for _, p := range v {
			all.take(p)
		}
		return all
	}
	r.boxes = int32(len(m.boxes))
	edges := int(r.n)
	for i := 0; i < edges; i += fan {
		b := noBox
		for j := i; j <= min(i+fan, edges); j++ {
			b.take(v[j%edges])
		}
		m.boxes = append(m.boxes, b)
		all.join(b)
	}
	for first, n := int(r.boxes), (edges+fan-1)/fan; n > fan; {
		next := len(m.boxes)
		for i := 0; i < n; i += fan {
			b := noBox
			for j := i; j < min(i+fan, n); j++ {
				b.join(m.boxes[first+j])
			}
			m.boxes = append(m.boxes, b)
		}
		first, n = next, len(m.boxes)-next
	}
	return all
}

// vertex returns vertex k of a ring, counted round.
func (m *Map) vertex(r *ring, k int32) geo.XY {
	if k < 0 {
		k += r.n
	} else if k >= r.n {
		k -= r.n
	}
	return m.verts.chunks[r.chunk][r.first+k]
}

// packed is a static R-tree over the rings: leaves in Hilbert order, each box
// of a level over fan boxes of the level below.
type packed struct {
	ids    []int32 // leaf place -> ring
	levels [][]box // levels[0] are the leaves
}

// pack leaves out the rings of drop. The order of the leaves does not depend on
// that of the layers.
func (m *Map) pack(leaf []box, drop []bool) packed {
	if len(leaf) == 0 {
		return packed{}
	}
	all := noBox
	for _, b := range leaf {
		all.join(b)
	}
	type key struct {
		h  uint32
		id int32
	}
	keys := make([]key, 0, len(leaf))
	// The curve fills a square of the plane that grows by doubling, so that one
	// polygon more at the edge of the town does not change the order of all.
	w := max(float64(all.x1)-float64(all.x0), float64(all.y1)-float64(all.y0), 1)
	w = math.Exp2(math.Ceil(math.Log2(w)))
	west, south := float64(math.Floor(float64(all.x0)/w)*w), float64(math.Floor(float64(all.y0)/w)*w)
	for i, b := range leaf {
		if drop != nil && drop[i] {
			continue
		}
		x := float64((float64(b.x0)/2 + float64(b.x1)/2 - west) / (2 * w) * 65535)
		y := float64((float64(b.y0)/2 + float64(b.y1)/2 - south) / (2 * w) * 65535)
		keys = append(keys, key{hilbert(uint32(x), uint32(y)), int32(i)})
	}
	slices.SortFunc(keys, func(a, b key) int {
		if c := cmp.Compare(a.h, b.h); c != 0 {
			return c
		}
		p, q := m.rings[a.id:a.id+1], m.rings[b.id:b.id+1]
		if c := m.order(p, q); c != 0 {
			return c
		}
		// The same ring in two polygons that differ in their other rings.
		return cmp.Or(m.order(m.ringsOf(p[0].part), m.ringsOf(q[0].part)), cmp.Compare(a.id, b.id))
	})
	t := packed{ids: make([]int32, len(keys))}
	level := make([]box, len(keys))
	for i, k := range keys {
		t.ids[i], level[i] = k.id, leaf[k.id]
	}
	for {
		t.levels = append(t.levels, level)
		if len(level) <= fan {
			return t
		}
		next := make([]box, 0, (len(level)+fan-1)/fan)
		for i := 0; i < len(level); i += fan {
			b := noBox
			for _, c := range level[i:min(i+fan, len(level))] {
				b.join(c)
			}
			next = append(next, b)
		}
		level = next
	}
}

// ringsOf returns the rings of a polygon or line, the outer one first.
func (m *Map) ringsOf(part int32) []ring {
	by := func(r ring, part int32) int { return cmp.Compare(r.part, part) }
	first, _ := slices.BinarySearchFunc(m.rings, part, by)
	last, _ := slices.BinarySearchFunc(m.rings, part+1, by)
	return m.rings[first:last]
}

// query appends the rings whose boxes meet q, in leaf order.
func (t *packed) query(q box, out []int32) []int32 {
	if len(t.levels) == 0 {
		return out
	}
	top := len(t.levels) - 1
	for i := range t.levels[top] {
		out = t.descend(top, i, q, out)
	}
	return out
}

func (t *packed) descend(level, i int, q box, out []int32) []int32 {
	if !t.levels[level][i].meets(q) {
		return out
	}
	if level == 0 {
		return append(out, t.ids[i])
	}
	from, to := i*fan, min((i+1)*fan, len(t.levels[level-1]))
	if level == 1 {
		for j, b := range t.levels[0][from:to] {
			if b.meets(q) {
				out = append(out, t.ids[from+j])
			}
		}
		return out
	}
	for j := from; j < to; j++ {
		out = t.descend(level-1, j, q, out)
	}
	return out
}

// hilbert returns the place of (x, y), 16 bits each, on the Hilbert curve.
func hilbert(x, y uint32) uint32 {
	var d uint32
	for s := uint32(1 << 15); s > 0; s >>= 1 {
		var rx, ry uint32
		if x&s > 0 {
			rx = 1
		}
		if y&s > 0 {
			ry = 1
		}
		d += s * s * ((3 * rx) ^ ry)
		if ry == 0 {
			if rx == 1 {
				x, y = 65535-x, 65535-y
			}
			x, y = y, x
		}
	}
	return d
}
