package ground

import (
	"math"
	"slices"

	"soilshed/geo"
)

// coverage is the extent of the hard layers, told by square cells: those that a
// hard edge runs through, those beside them, and what they enclose.
type coverage struct {
	x0, y0, cell float64
	nx, ny       int
	outside      []bool // reached from beyond the layers without crossing a cell of theirs
}

// extent works out the coverage of the hard layers; nil when the map has none
// or a study area tells instead.
func (m *Map) extent(cellM float64) *coverage {
	if !m.has[hard] || m.has[study] || cellM <= 0 {
		return nil
	}
	x0, y0, x1, y1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for i := range m.rings {
		r := &m.rings[i]
		if m.parts[r.part].kind == hard && !r.hole {
			for _, v := range m.ringOf(r) {
				x0, y0, x1, y1 = min(x0, v.X), min(y0, v.Y), max(x1, v.X), max(y1, v.Y)
			}
		}
	}
	w, h := x1-x0, y1-y0
	cell := max(cellM, w/2000, h/2000)
	// The grid starts two cells outside the layers themselves, not on a multiple
	// of the cell: where the plane has its origin must not matter, since a tree
	// more moves it.
	c := &coverage{cell: cell, x0: x0 - float64(2*cell), y0: y0 - float64(2*cell)}
	c.nx, c.ny = int(w/cell)+6, int(h/cell)+6
	wall := make([]bool, c.nx*c.ny)
	for i := range m.rings {
		r := &m.rings[i]
		if m.parts[r.part].kind != hard {
			continue
		}
		for k := int32(0); k < r.n; k++ {
			a, b := m.vertex(r, k), m.vertex(r, k+1)
			n := max(1, int(math.Ceil(a.Distance(b)/(cell/2))))
			for j := 0; j < n; j++ {
				t := float64(j) / float64(n)
				x, y := c.place(geo.XY{X: a.X + float64(t*(b.X-a.X)), Y: a.Y + float64(t*(b.Y-a.Y))})
				for dy := -1; dy <= 1; dy++ {
					for dx := -1; dx <= 1; dx++ {
						wall[(y+dy)*c.nx+x+dx] = true
					}
				}
			}
		}
	}
	c.outside = make([]bool, len(wall))
	todo := []int32{0}
	c.outside[0] = true
	for len(todo) > 0 {
		k := int(todo[len(todo)-1])
		todo = todo[:len(todo)-1]
		x, y := k%c.nx, k/c.nx
		for _, d := range [4][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
			nx, ny := x+d[0], y+d[1]
			if nx < 0 || ny < 0 || nx >= c.nx || ny >= c.ny {
				continue
			}
			if n := ny*c.nx + nx; !wall[n] && !c.outside[n] {
				c.outside[n] = true
				todo = append(todo, int32(n))
			}
		}
	}
	return c
}

func (c *coverage) place(p geo.XY) (x, y int) {
	return int(math.Floor((p.X - c.x0) / c.cell)), int(math.Floor((p.Y - c.y0) / c.cell))
}

// covered tells whether the hard layers say what lies at p, so that the absence
// of pavement there means ground.
func (m *Map) covered(p geo.XY) bool {
	if m.has[study] {
		return m.over(p, study) >= 0
	}
	c := m.cover
	if c == nil {
		return false
	}
	x, y := c.place(p)
	return x >= 0 && y >= 0 && x < c.nx && y < c.ny && !c.outside[y*c.nx+x]
}

// SoilAt returns the tag of the soil polygon at p, the shallowest where several
// lie over one another; false where there is none.
func (m *Map) SoilAt(p geo.XY) (tag int32, ok bool) {
	if !m.has[soil] {
		return 0, false
	}
	k := m.over(p, soil)
	if k < 0 {
		return 0, false
	}
	return m.parts[k].tag, true
}

// over returns the polygon of kind k that covers p, the shallowest of several,
// or -1.
func (m *Map) over(p geo.XY, k kind) int32 {
	type cover struct {
		part  int32
		shell bool
		holes int
	}
	var seen []cover
	for _, id := range m.tree.query(boxAround(p, 0), nil) {
		r := &m.rings[id]
		if m.parts[r.part].kind != k {
			continue
		}
		wind := 0
		for i := int32(0); i < r.n; i++ {
			a, b := m.vertex(r, i), m.vertex(r, i+1)
			if (a.Y > p.Y) == (b.Y > p.Y) {
				continue
			}
			if x := a.X + float64((p.Y-a.Y)/(b.Y-a.Y)*(b.X-a.X)); x > p.X {
				if b.Y > a.Y {
					wind++
				} else {
					wind--
				}
			}
		}
		if wind == 0 {
			continue
		}
		at := slices.IndexFunc(seen, func(c cover) bool { return c.part == r.part })
		if at < 0 {
			at = len(seen)
			seen = append(seen, cover{part: r.part})
		}
		if r.hole {
			seen[at].holes++
		} else {
			seen[at].shell = true
		}
	}
	best := int32(-1)
	for _, c := range seen {
		if c.shell && c.holes == 0 && (best < 0 || m.parts[c.part].depthM < m.parts[best].depthM) {
			best = c.part
		}
	}
	return best
}
