package ground

import (
	"cmp"
	"slices"

	"soilshed/geo"
)

// crosses tells whether a closed ring crosses itself: whether two of its edges
// that do not follow one another meet at more than a vertex. Such a ring is
// good enough for the sweep; it is found so that it can be counted.
func crosses(v []geo.XY) bool {
	n := len(v)
	if n < 4 {
		return false
	}
	type span struct {
		x0, x1 float64
		k      int32
	}
	spans := make([]span, n)
	for k, a := range v {
		b := v[(k+1)%n]
		spans[k] = span{min(a.X, b.X), max(a.X, b.X), int32(k)}
	}
	if n > 16 {
		slices.SortFunc(spans, func(a, b span) int { return cmp.Compare(a.x0, b.x0) })
	}
	active := make([]span, 0, 32)
	for _, s := range spans {
		kept := active[:0]
		for _, o := range active {
			if n > 16 && o.x1 < s.x0 {
				continue
			}
			kept = append(kept, o)
			gap := (int(s.k) - int(o.k) + n) % n
			if gap == 1 || gap == n-1 {
				continue
			}
			a, b := v[s.k], v[(int(s.k)+1)%n]
			c, d := v[o.k], v[(int(o.k)+1)%n]
			if max(a.Y, b.Y) < min(c.Y, d.Y) || max(c.Y, d.Y) < min(a.Y, b.Y) {
				continue
			}
			if turn(a, b, c)*turn(a, b, d) < 0 && turn(c, d, a)*turn(c, d, b) < 0 {
				return true
			}
		}
		active = append(kept, s)
	}
	return false
}

// turn is positive when c lies to the left of the line from a to b.
func turn(a, b, c geo.XY) float64 {
	return (b.X-a.X)*(c.Y-a.Y) - (b.Y-a.Y)*(c.X-a.X)
}
