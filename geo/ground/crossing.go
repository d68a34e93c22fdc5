package ground

import "soilshed/geo"

// crossing finds rings that cross themselves. It is used again and again.
type crossing struct {
	v     []geo.XY
	boxes [][]box // over fan edges, over fan of those, and so on
}

// crosses tells whether a closed ring crosses itself: whether two of its edges
// that do not follow one another meet at more than a vertex. Such a ring is
// good enough for the sweep; it is found so that it can be counted. Boxes over
// runs of edges keep a comb of many teeth, or a coast, from costing the square
// of its edges.
func (c *crossing) crosses(v []geo.XY) bool {
	n := len(v)
	if n < 4 {
		return false
	}
	c.v = v
	if n <= 2*fan {
		return c.pairs(0, n, 0, n)
	}
	level := 0
	more := func() []box {
		if level == len(c.boxes) {
			c.boxes = append(c.boxes, nil)
		}
		level++
		return c.boxes[level-1][:0]
	}
	under := more()
	for i := 0; i < n; i += fan {
		b := noBox
		for j := i; j <= min(i+fan, n); j++ {
			b.take(v[j%n])
		}
		under = append(under, b)
	}
	c.boxes[0] = under
	for len(under) > 1 {
		over := more()
		for i := 0; i < len(under); i += fan {
			b := noBox
			for _, u := range under[i:min(i+fan, len(under))] {
				b.join(u)
			}
			over = append(over, b)
		}
		c.boxes[level-1] = over
		under = over
	}
	return c.within(level-1, 0, 0)
}

// within tells whether an edge under box i of a level crosses one under box j,
// i <= j.
func (c *crossing) within(level, i, j int) bool {
	if i != j && !c.boxes[level][i].meets(c.boxes[level][j]) {
		return false
	}
	if level == 0 {
		return c.pairs(i*fan, min((i+1)*fan, len(c.v)), j*fan, min((j+1)*fan, len(c.v)))
	}
	under := len(c.boxes[level-1])
	for a := i * fan; a < min((i+1)*fan, under); a++ {
		for b := max(a, j*fan); b < min((j+1)*fan, under); b++ {
			if c.within(level-1, a, b) {
				return true
			}
		}
	}
	return false
}

// pairs tells whether one of the edges from i0 to i1 crosses one of those from
// j0 to j1.
func (c *crossing) pairs(i0, i1, j0, j1 int) bool {
	n := len(c.v)
	for i := i0; i < i1; i++ {
		a, b := c.v[i], c.v[(i+1)%n]
		x0, x1, y0, y1 := min(a.X, b.X), max(a.X, b.X), min(a.Y, b.Y), max(a.Y, b.Y)
		for j := max(i+2, j0); j < j1; j++ {
			p, q := c.v[j], c.v[(j+1)%n]
			if p.X < x0 && q.X < x0 || p.X > x1 && q.X > x1 || p.Y < y0 && q.Y < y0 || p.Y > y1 && q.Y > y1 || i == 0 && j == n-1 {
				continue
			}
			if turn(a, b, p)*turn(a, b, q) < 0 && turn(p, q, a)*turn(p, q, b) < 0 {
				return true
			}
		}
	}
	return false
}

// turn is positive when c lies to the left of the line from a to b.
func turn(a, b, c geo.XY) float64 {
	return float64((b.X-a.X)*(c.Y-a.Y)) - float64((b.Y-a.Y)*(c.X-a.X))
}
