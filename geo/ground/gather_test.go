package ground

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"soilshed/geo"
)

// Edges that pass by the disk on one side are left out or become one far edge;
// the ground is that among all edges of the square.
func TestEdgesBesideTheDiskDoNotCount(t *testing.T) {
	fewer := 0
	scenes(t, 60, func(t *testing.T, r *rand.Rand, s scene) {
		o := Defaults()
		b := NewBuilder()
		s.build(t)(b)
		m := b.Freeze(o)
		var sw sweep
		ground := func(c geo.XY, reach, disk float64) (found bool, area float64, edges int) {
			sw.clear()
			sw.half = reach
			sw.collect(m, c, reach, groundKinds, disk)
			edges = len(sw.edges)
			sw.addCircle(geo.XY{}, reach, edgeDisk)
			sw.prepare()
			if found = sw.flood(); found {
				area, _ = sw.picked()
			}
			return found, area, edges
		}
		for _, st := range s.stands {
			for range 5 {
				c := st.At.Add(geo.XY{X: 4 * r.NormFloat64(), Y: 4 * r.NormFloat64()})
				reach := 1 + 8*r.Float64()
				found, area, some := ground(c, reach, reach+besideM)
				wasFound, want, all := ground(c, reach, math.Inf(1))
				if found != wasFound || math.Abs(area-want) > 1e-9*(1+want) {
					t.Errorf("%v, reach %v: %v %v, among all edges %v %v", c, reach, found, area, wasFound, want)
				}
				if some < all {
					fewer++
				}
			}
		}
	})
	if fewer == 0 {
		t.Error("nothing was ever left out")
	}
}

func TestPassesBy(t *testing.T) {
	for _, c := range []struct {
		a, b geo.XY
		by   bool
	}{
		{geo.XY{X: 2, Y: -3}, geo.XY{X: 2, Y: 3}, true},
		{geo.XY{X: 0.9, Y: -3}, geo.XY{X: 0.9, Y: 3}, false},
		{geo.XY{X: 0.9, Y: 0.9}, geo.XY{X: 0.9, Y: 3}, true}, // its line meets the disk, it does not
		{geo.XY{X: 3, Y: 0.9}, geo.XY{X: 0.9, Y: 0.9}, true},
		{geo.XY{X: 0.1, Y: 0.1}, geo.XY{X: 0.2, Y: 0.1}, false}, // inside
		{geo.XY{X: -2, Y: 0.5}, geo.XY{X: -0.5, Y: 2}, true},    // across a corner of the square
		{geo.XY{X: -1.2, Y: 0}, geo.XY{X: 0, Y: 1.2}, false},
	} {
		for range 2 {
			if passesBy(c.a, c.b, 1) != c.by {
				t.Errorf("%v to %v by the unit disk: %v", c.a, c.b, !c.by)
			}
			c.a, c.b = c.b, c.a
		}
	}
}

func TestLevelsAreSorted(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	s := sweep{half: 6}
	for n := range 200 {
		s.levels = append(s.levels[:0], level{-6, -1}, level{6, -1})
		y := 0.
		for e := range int32(n) {
			switch n % 3 {
			case 0:
				y = 12*r.Float64() - 6
			case 1: // many in one place
				y = 3 + 1e-6*float64(r.IntN(5))
			default: // as along a ring
				if e%2 == 0 {
					y = 12*r.Float64() - 6
				}
			}
			s.levels = append(s.levels, level{y, e})
		}
		want := slices.Clone(s.levels)
		slices.SortFunc(want, func(a, b level) int {
			if a.before(b) {
				return -1
			}
			return 1
		})
		if s.sortLevels(); !slices.Equal(s.levels, want) {
			t.Fatalf("%d levels: %v, not %v", n, s.levels, want)
		}
	}
}
