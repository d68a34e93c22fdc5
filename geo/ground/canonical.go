package ground

import (
	"cmp"
	"math"
	"math/bits"
	"slices"

	"soilshed/geo"
)

// The same ground can be drawn in many ways: a ring begins anywhere and runs
// either way round, and layers hold the same polygon twice. What rounding does
// at places where everything touches would differ between them, and people
// would see a tree change when nothing has. So each ring is brought into one
// form, and of polygons that are the same in all but their place in the layers
// one is kept.

// canonical turns a ring to begin at its lexicographically smallest run of
// vertices, in the direction in which that run is smaller; a line has only the
// choice of its end. back is scratch, returned to be given again.
func canonical(v []geo.XY, closed bool, back []geo.XY) []geo.XY {
	back = append(back[:0], v...)
	slices.Reverse(back)
	if closed {
		turnTo(v, leastStart(v))
		turnTo(back, leastStart(back))
	}
	if slices.CompareFunc(back, v, compareXY) < 0 {
		copy(v, back)
	}
	return back
}

func compareXY(a, b geo.XY) int {
	if a.X != b.X {
		return cmp.Compare(a.X, b.X)
	}
	return cmp.Compare(a.Y, b.Y)
}

// leastStart returns where the smallest of all rotations of v begins, in time
// linear in len(v): of two candidates, the loser and all that its defeat shows
// to lose too are passed over.
func leastStart(v []geo.XY) int {
	n := len(v)
	i, j, k := 0, 1, 0
	for i < n && j < n && k < n {
		a, b := i+k, j+k
		if a >= n {
			a -= n
		}
		if b >= n {
			b -= n
		}
		c := compareXY(v[a], v[b])
		if c == 0 {
			k++
			continue
		}
		if c > 0 {
			i += k + 1
		} else {
			j += k + 1
		}
		if i == j {
			j++
		}
		k = 0
	}
	return min(i, j)
}

func turnTo(v []geo.XY, first int) {
	if first == 0 {
		return
	}
	slices.Reverse(v[:first])
	slices.Reverse(v[first:])
	slices.Reverse(v)
}

// order compares two parts, each given by its rings, by what they are: kind,
// worth and depth, then the vertices of their rings.
func (m *Map) order(a, b []ring) int {
	p, q := &m.parts[a[0].part], &m.parts[b[0].part]
	if c := cmp.Or(cmp.Compare(p.kind, q.kind), cmp.Compare(p.weight, q.weight), cmp.Compare(p.depthM, q.depthM),
		cmp.Compare(p.usable, q.usable), cmp.Compare(p.tag, q.tag), cmp.Compare(len(a), len(b))); c != 0 {
		return c
	}
	for i := range a {
		if c := slices.CompareFunc(m.ringOf(&a[i]), m.ringOf(&b[i]), compareXY); c != 0 {
			return c
		}
	}
	return 0
}

func (m *Map) ringOf(r *ring) []geo.XY { return m.verts.chunks[r.chunk][r.first : r.first+r.n] }

// copies returns for each ring whether it belongs to a polygon that another
// one is the same as, and how many such polygons there are.
func (m *Map) copies() (drop []bool, n int) {
	type key struct {
		hash        uint64
		first, last int32 // rings
	}
	keys := make([]key, 0, len(m.parts))
	for i := 0; i < len(m.rings); {
		k := key{first: int32(i)}
		for ; i < len(m.rings) && m.rings[i].part == m.rings[k.first].part; i++ {
			v := m.ringOf(&m.rings[i])
			k.hash = mix(k.hash, float64(len(v)))
			for _, p := range [2]geo.XY{v[0], v[len(v)/2]} {
				k.hash = mix(mix(k.hash, p.X), p.Y)
			}
		}
		k.last = int32(i)
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b key) int { return cmp.Or(cmp.Compare(a.hash, b.hash), cmp.Compare(a.first, b.first)) })
	for i := 0; i < len(keys); {
		j := i + 1
		for j < len(keys) && keys[j].hash == keys[i].hash {
			j++
		}
		if same := keys[i:j]; len(same) > 1 {
			rings := func(k key) []ring { return m.rings[k.first:k.last] }
			slices.SortStableFunc(same, func(a, b key) int { return m.order(rings(a), rings(b)) })
			for k := 1; k < len(same); k++ {
				if m.order(rings(same[k-1]), rings(same[k])) != 0 {
					continue
				}
				if drop == nil {
					drop = make([]bool, len(m.rings))
				}
				for r := same[k].first; r < same[k].last; r++ {
					drop[r] = true
				}
				n++
			}
		}
		i = j
	}
	return drop, n
}

// mix carries a number into a hash; 0 and -0 are one number.
func mix(hash uint64, x float64) uint64 {
	return bits.RotateLeft64(hash^math.Float64bits(x+0), 23) * 0x9e3779b97f4a7c15
}
