package layer

import (
	"cmp"
	"encoding/binary"
	"errors"
	"math"
	"os"
	"slices"

	"github.com/paulmach/orb"
)

// shpRing is a ring of a polygon shape, which lists its rings flat.
type shpRing struct {
	ring  orb.Ring
	bound orb.Bound
	area  float64 // signed: positive when clockwise, as outer rings are wound
}

// polygons sorts the rings of one shape into polygons with their holes.
//
// By the specification outer rings run clockwise and holes the other way. That
// is believed when it makes sense: when every ring wound as a hole lies inside
// one wound as an outer ring. Otherwise a ring that lies inside an odd number of
// others is a hole, however it is wound. In doubt is a shape whose rings all run
// clockwise while one lies inside another: two paved areas, one upon the other,
// or a hole wound the wrong way. There the file decides: if it winds the holes
// of any shape rightly, its writer knew the rule. That holds for level shapes
// alone: GDAL 3.6.2 takes a ring for a hole only where the heights are the same,
// and winds the holes in a sloping PolygonZ as outer rings.
func (p *shapeParser) polygons(points []orb.Point, starts []int, level bool) (orb.Geometry, error) {
	p.rings = p.rings[:0]
	for i := range len(starts) - 1 {
		r := orb.Ring(points[starts[i]:starts[i+1]:starts[i+1]])
		if n := len(r); n > 2 && r[0] != r[n-1] {
			r = append(r, r[0])
			p.closed++
		}
		if len(r) < 4 {
			p.dropped++
			continue
		}
		p.rings = append(p.rings, shpRing{ring: r})
	}
	switch len(p.rings) {
	case 0:
		return nil, &recordFault{reasonRing, -1, errors.New("a polygon without a ring of three corners or more")}
	case 1:
		return orb.Polygon{p.rings[0].ring}, nil
	}
	outer := 0
	for i := range p.rings {
		r := &p.rings[i]
		r.bound = r.ring.Bound()
		if r.area = clockwiseArea(r.ring); r.area > 0 {
			outer++
		}
	}
	if outer > 0 && outer < len(p.rings) {
		if m, ok := byWinding(p.rings); ok {
			p.winds = true
			return smallest(m), nil
		}
	}
	m, holes := byContainment(p.rings)
	if holes == 0 {
		return smallest(m), nil
	}
	if outer == len(p.rings) && level && p.windsRightly() {
		m = m[:0]
		for _, r := range p.rings {
			m = append(m, orb.Polygon{r.ring})
		}
		return m, nil
	}
	p.turned++
	return smallest(m), nil
}

// windsRightly tells whether any shape of the file has a hole that is wound as
// one. The file is searched at most once, and only when it matters.
func (p *shapeParser) windsRightly() bool {
	if !p.winds && !p.searched {
		p.searched = true
		if p.search != nil {
			p.winds = p.search()
		}
	}
	return p.winds
}

// winds looks through the file for a shape with a rightly wound hole.
func (s *shapefile) winds() bool {
	f, err := os.Open(s.path)
	if err != nil {
		return false
	}
	defer f.Close()
	r := newShpReader(s, f)
	defer r.close()
	r.searched = true
	for n := int64(1); r.at+shpRecordHeader <= s.size && !r.winds; n++ {
		b, err := r.record(n)
		var bad *recordFault
		if errors.As(err, &bad) {
			continue
		} else if err != nil {
			return false
		}
		// A shape of one ring, as most are, tells nothing.
		if len(b) >= 44 && binary.LittleEndian.Uint32(b[36:]) > 1 {
			r.parse(b)
		}
	}
	return r.winds
}

func smallest(m orb.MultiPolygon) orb.Geometry {
	if len(m) == 1 {
		return m[0]
	}
	return m
}

// byWinding gives each hole to the smallest clockwise ring around it, ok when
// all have one.
func byWinding(rings []shpRing) (m orb.MultiPolygon, ok bool) {
	var shells []int // into rings, in file order
	for i := range rings {
		if rings[i].area > 0 {
			shells = append(shells, i)
			m = append(m, orb.Polygon{rings[i].ring})
		}
	}
	tree := newBoxTree(len(shells), func(k int) orb.Bound { return rings[shells[k]].bound })
	for i := range rings {
		hole := &rings[i]
		if hole.area > 0 {
			continue
		}
		home, size := -1, 0.0
		tree.around(hole.bound, func(k int) {
			shell := &rings[shells[k]]
			smaller := home < 0 || shell.area < size || shell.area == size && k < home
			if smaller && -hole.area <= shell.area && inside(hole, shell) {
				home, size = k, shell.area
			}
		})
		if home < 0 {
			if hole.area == 0 { // a spike, which holds nothing
				continue
			}
			return nil, false
		}
		m[home] = append(m[home], hole.ring)
	}
	return m, true
}

// byContainment makes a hole of every ring inside an odd number of others.
func byContainment(rings []shpRing) (m orb.MultiPolygon, holes int) {
	size := func(i int) float64 { return max(rings[i].area, -rings[i].area) }
	depth := make([]int, len(rings))
	parent := make([]int, len(rings)) // the smallest ring around, -1: none
	tree := newBoxTree(len(rings), func(i int) orb.Bound { return rings[i].bound })
	for i := range rings {
		parent[i] = -1
		tree.around(rings[i].bound, func(j int) {
			if size(j) > size(i) && inside(&rings[i], &rings[j]) {
				depth[i]++
				if p := parent[i]; p < 0 || size(j) < size(p) || size(j) == size(p) && j < p {
					parent[i] = j
				}
			}
		})
	}
	place := make([]int, len(rings))
	for i := range rings {
		if depth[i]%2 == 0 {
			place[i] = len(m)
			m = append(m, orb.Polygon{rings[i].ring})
		}
	}
	for i := range rings {
		if depth[i]%2 == 0 {
			continue
		}
		holes++
		// The innermost ring around a hole is an outer one, unless rings cross.
		j := parent[i]
		for parent[j] >= 0 && depth[j]%2 != 0 {
			j = parent[j]
		}
		m[place[j]] = append(m[place[j]], rings[i].ring)
	}
	return m, holes
}

// boxTree finds the boxes around another one: a packed tree, filled by sorting
// into tiles (Leutenegger and others 1997).
type boxTree struct {
	order  []int         // boxes in the order of the leaves
	levels [][]orb.Bound // the boxes in that order, then groups of them, up to one
}

const boxGroup = 16

func newBoxTree(n int, box func(i int) orb.Bound) *boxTree {
	t := &boxTree{order: make([]int, n)}
	boxes := make([]orb.Bound, n)
	for i := range n {
		t.order[i] = i
		boxes[i] = box(i)
	}
	middle := func(axis int) func(a, b int) int {
		return func(a, b int) int {
			return cmp.Compare(boxes[a].Min[axis]+boxes[a].Max[axis], boxes[b].Min[axis]+boxes[b].Max[axis])
		}
	}
	if n > boxGroup {
		slices.SortStableFunc(t.order, middle(0))
		groups := (n + boxGroup - 1) / boxGroup
		strip := boxGroup * int(math.Ceil(math.Sqrt(float64(groups))))
		for s := range slices.Chunk(t.order, strip) {
			slices.SortStableFunc(s, middle(1))
		}
	}
	level := make([]orb.Bound, n)
	for k, i := range t.order {
		level[k] = boxes[i]
	}
	t.levels = append(t.levels, level)
	for len(level) > boxGroup {
		var up []orb.Bound
		for group := range slices.Chunk(level, boxGroup) {
			b := group[0]
			for _, c := range group[1:] {
				b = orb.Bound{
					Min: orb.Point{min(b.Min[0], c.Min[0]), min(b.Min[1], c.Min[1])},
					Max: orb.Point{max(b.Max[0], c.Max[0]), max(b.Max[1], c.Max[1])},
				}
			}
			up = append(up, b)
		}
		level = up
		t.levels = append(t.levels, level)
	}
	return t
}

// around calls f with every box that holds b.
func (t *boxTree) around(b orb.Bound, f func(i int)) {
	top := len(t.levels) - 1
	t.descend(top, 0, len(t.levels[top]), b, f)
}

func (t *boxTree) descend(level, from, to int, b orb.Bound, f func(i int)) {
	for k := from; k < to; k++ {
		if !holds(t.levels[level][k], b) {
			continue
		}
		if level == 0 {
			f(t.order[k])
			continue
		}
		t.descend(level-1, boxGroup*k, min(boxGroup*(k+1), len(t.levels[level-1])), b, f)
	}
}

func holds(a, b orb.Bound) bool {
	return a.Min[0] <= b.Min[0] && a.Min[1] <= b.Min[1] && b.Max[0] <= a.Max[0] && b.Max[1] <= a.Max[1]
}

// inside tells whether a lies inside b: by the first vertex of a that is not on
// b's line, else by the first such middle of an edge. Rings that coincide are
// not inside one another.
func inside(a, b *shpRing) bool {
	if !holds(b.bound, a.bound) {
		return false
	}
	for _, v := range a.ring {
		if in, on := within(v, b.ring); !on {
			return in
		}
	}
	for i := range len(a.ring) - 1 {
		p, q := a.ring[i], a.ring[i+1]
		if in, on := within(orb.Point{p[0] + (q[0]-p[0])/2, p[1] + (q[1]-p[1])/2}, b.ring); !on {
			return in
		}
	}
	return false
}

// within counts how often the ray from p to the east crosses the ring.
func within(p orb.Point, ring orb.Ring) (in, on bool) {
	for i := range len(ring) - 1 {
		a, b := ring[i], ring[i+1]
		if a[1] > p[1] && b[1] > p[1] || a[1] < p[1] && b[1] < p[1] || a[0] < p[0] && b[0] < p[0] {
			continue
		}
		cross := (b[0]-a[0])*(p[1]-a[1]) - (b[1]-a[1])*(p[0]-a[0])
		if cross == 0 && min(a[0], b[0]) <= p[0] && p[0] <= max(a[0], b[0]) {
			return false, true
		}
		if (a[1] > p[1]) != (b[1] > p[1]) && (cross > 0) == (b[1] > a[1]) {
			in = !in
		}
	}
	return in, false
}

// clockwiseArea is the area of a closed ring, positive when it runs clockwise.
// Its corners are taken relative to the first, where the numbers are small.
func clockwiseArea(r orb.Ring) float64 {
	if len(r) == 0 {
		return 0
	}
	o := r[0]
	sum := 0.0
	for i := 1; i < len(r); i++ {
		ax, ay := r[i-1][0]-o[0], r[i-1][1]-o[1]
		bx, by := r[i][0]-o[0], r[i][1]-o[1]
		sum += bx*ay - ax*by
	}
	return sum / 2
}
