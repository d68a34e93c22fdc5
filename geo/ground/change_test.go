package ground

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"soilshed/geo"
)

// mapOf is a map of what build adds.
func mapOf(o Options, build func(b *Builder)) *Map {
	b := NewBuilder()
	build(b)
	return b.Freeze(o)
}

// ringsArea is the area of polygons of rings, the shells less their holes.
func ringsArea(polygons [][][]geo.XY) float64 {
	sum := 0.0
	for _, p := range polygons {
		for _, r := range p {
			for i, a := range r {
				b := r[(i+1)%len(r)]
				sum += (a.X*b.Y - a.Y*b.X) / 2
			}
		}
	}
	return sum
}

// checkChanges compares what is found with areas and volumes of closed form.
func checkChanges(t *testing.T, got []Change, want map[What][2]float64) {
	t.Helper()
	var sums [whats][2]float64
	for _, c := range got {
		sums[c.What][0] += c.AreaM2
		sums[c.What][1] += c.VolumeM3()
		near(t, c.What.String()+", its polygons", ringsArea(c.Polygons), c.AreaM2, 1e-6)
	}
	for w := range whats {
		near(t, w.String()+", m2", sums[w][0], want[w][0], 1e-6)
		near(t, w.String()+", m3", sums[w][1], want[w][1], 1e-6)
	}
}

// A plaza in which a pit of 2 x 2 m is drawn larger on two sides, and another
// pit is paved over.
func TestChangesOfAPlaza(t *testing.T) {
	o := still()
	plaza := rect(-60, -60, 60, 60)
	before := mapOf(o, func(b *Builder) { must(t, b.Hard(poly(plaza, rect(0, 0, 2, 2), rect(10, 10, 11, 13)), 1)) })
	after := mapOf(o, func(b *Builder) { must(t, b.Hard(poly(plaza, rect(-1, 0, 2, 5)), 1)) })
	// Opened 3 x 5 - 2 x 2 m, 0.9 m deep; closed 1 x 3 m.
	checkChanges(t, Changes(before, after, nil, o), map[What][2]float64{Opened: {11, 9.9}, Closed: {3, 0}})
	// The other way round.
	checkChanges(t, Changes(after, before, nil, o), map[What][2]float64{Opened: {3, 2.7}, Closed: {11, 0}})
	if d := Changes(before, before, nil, o); len(d) != 0 {
		t.Errorf("a map differs from itself: %v", d)
	}
	// Within a region of two polygons that overlap: each spot once.
	region := mapOf(o, func(b *Builder) {
		must(t, b.Study(poly(rect(-20, 3, 1, 20))))
		must(t, b.Study(poly(rect(-20, 2.5, 0, 4))))
	})
	// (-1..1) x (3..5) and (-1..0) x (2.5..3).
	checkChanges(t, Changes(before, after, region, o), map[What][2]float64{Opened: {4.5, 4.05}})
}

// A bed opens what two hard polygons cover; where nothing was paved it opens
// nothing. Paving drawn twice, with a hole in one copy only, stays paved.
func TestChangesByABed(t *testing.T) {
	o := still()
	hardGround := func(b *Builder) {
		must(t, b.Hard(poly(rect(0, 0, 10, 10)), 1))
		must(t, b.Hard(poly(rect(5, 0, 15, 10)), 1))
	}
	before := mapOf(o, hardGround)
	after := mapOf(o, func(b *Builder) { hardGround(b); must(t, b.Bed(poly(rect(8, 5, 20, 12)))) })
	checkChanges(t, Changes(before, after, nil, o), map[What][2]float64{Opened: {35, 31.5}})
	pierced := mapOf(o, func(b *Builder) {
		must(t, b.Hard(poly(rect(0, 0, 10, 10), rect(6, 2, 8, 4)), 1))
		must(t, b.Hard(poly(rect(5, 0, 15, 10)), 1))
	})
	checkChanges(t, Changes(before, pierced, nil, o), nil)
}

// Rootable ground: new, deeper than before, the same again, taken away, and
// under paving that closes a bed.
func TestChangesUnderPaving(t *testing.T) {
	o := still()
	before := mapOf(o, func(b *Builder) {
		must(t, b.Hard(poly(rect(0, 0, 50, 10), rect(40, 0, 44, 4)), 1))
		must(t, b.Rootable(poly(rect(0, 0, 4, 2)), 1.0, .9))
		must(t, b.Rootable(poly(rect(10, 0, 14, 2)), 0.6, .2))
		must(t, b.Rootable(poly(rect(20, 0, 23, 3)), 1.0, .9))
	})
	after := mapOf(o, func(b *Builder) {
		must(t, b.Hard(poly(rect(0, 0, 50, 10)), 1))
		must(t, b.Rootable(poly(rect(0, 0, 5, 2)), 1.0, .9))
		must(t, b.Rootable(poly(rect(10, 0, 14, 2)), 1.0, .9))
		must(t, b.Rootable(poly(rect(40, 0, 45, 4)), 0.8, .2))
		must(t, b.Rootable(poly(rect(100, 0, 105, 4)), 0.8, .2)) // under no paving: nothing
	})
	got := Changes(before, after, nil, o)
	checkChanges(t, got, map[What][2]float64{
		Underlaid:       {1*2 + 4*2 + 1*4, 2*1 + 8*1 + 4*.8},
		ClosedUnderlaid: {16, 16 * .8},
		Lost:            {9, 0},
	})
	for _, c := range got {
		if c.What == Underlaid && c.DepthM == 1 {
			near(t, "usable part", c.Usable, .9, 1e-6)
		}
	}
}

// Soil polygons say how deep opened ground is; the grid of squares cuts pieces
// and loses nothing.
func TestChangesAcrossSquaresAndSoils(t *testing.T) {
	o := still()
	soils := func(b *Builder) {
		must(t, b.Soil(poly(rect(-500, -50, 0, 50)), .3, 1))
		must(t, b.Soil(poly(rect(0, -50, 300, 50)), 5, 2)) // counted to 1.2 m
	}
	before := mapOf(o, func(b *Builder) { soils(b); must(t, b.Hard(poly(rect(-500, -3, 500, 3)), 1)) })
	after := mapOf(o, func(b *Builder) {
		soils(b)
		must(t, b.Hard(poly(rect(-500, -3, 500, 3), rect(-450, -1, 450, 1)), 1))
	})
	checkChanges(t, Changes(before, after, nil, o), map[What][2]float64{Opened: {1800, 900*.3 + 600*1.2 + 300*.9}})
}

// Random rectangles, turned: what is opened and what is closed is what a grid of
// points says, and both ways agree.
func TestChangesOfRandomScenes(t *testing.T) {
	o := still()
	r := rand.New(rand.NewPCG(7, 1))
	tile := func() []geo.XY {
		c, a, l, w := geo.XY{X: 20 * r.Float64(), Y: 20 * r.Float64()}, 2*math.Pi*r.Float64(), 1+6*r.Float64(), 1+4*r.Float64()
		u, v := geo.XY{X: math.Cos(a), Y: math.Sin(a)}, geo.XY{X: -math.Sin(a), Y: math.Cos(a)}
		at := func(x, y float64) geo.XY { return geo.XY{X: c.X + x*u.X + y*v.X, Y: c.Y + x*u.Y + y*v.Y} }
		return []geo.XY{at(-l, -w), at(l, -w), at(l, w), at(-l, w)}
	}
	inside := func(ring []geo.XY, p geo.XY) bool { return inRing(ring, p) }
	for range 40 {
		var hards, beds [2][][]geo.XY
		for i := range 6 {
			q := tile()
			hards[0] = append(hards[0], q)
			if i > 1 { // two of six go, two come
				hards[1] = append(hards[1], q)
			}
		}
		hards[1] = append(hards[1], tile(), tile())
		beds[0], beds[1] = [][]geo.XY{tile()}, [][]geo.XY{tile(), tile()}
		var m [2]*Map
		for k := range m {
			m[k] = mapOf(o, func(b *Builder) {
				for _, q := range hards[k] {
					must(t, b.Hard(poly(q), 1))
				}
				for _, q := range beds[k] {
					must(t, b.Bed(poly(q)))
				}
			})
		}
		paved := func(k int, p geo.XY) bool {
			in := func(q []geo.XY) bool { return inside(q, p) }
			return slices.ContainsFunc(hards[k], in) && !slices.ContainsFunc(beds[k], in)
		}
		const step = .05
		var want [2]float64
		for y := -10.0; y < 32; y += step {
			for x := -10.0; x < 32; x += step {
				p := geo.XY{X: x + step/2, Y: y + step/2}
				switch a, b := paved(0, p), paved(1, p); {
				case a && !b:
					want[Opened] += step * step
				case b && !a:
					want[Closed] += step * step
				}
			}
		}
		sums := func(a, b *Map) (s [whats]float64) {
			for _, c := range Changes(a, b, nil, o) {
				s[c.What] += c.AreaM2
				near(t, "polygons", ringsArea(c.Polygons), c.AreaM2, 1e-6)
			}
			return s
		}
		there, back := sums(m[0], m[1]), sums(m[1], m[0])
		// A border of 100 m or so of which a grid of points sees each cell whole or
		// not at all.
		near(t, "opened", there[Opened], want[Opened], .6)
		near(t, "closed", there[Closed], want[Closed], .6)
		near(t, "opened, back", back[Opened], there[Closed], 1e-7)
		near(t, "closed, back", back[Closed], there[Opened], 1e-7)
	}
}
