package ground

import (
	"math"
	"slices"
	"testing"
	"time"

	"soilshed/geo"
)

// Rootable ground under a walk joins the opening that it touches, with its own
// depth and its own part of soil, and takes in no rain.
func TestRootableGroundJoinsAnOpening(t *testing.T) {
	s := survey(t, still(), []Stand{{ReachM: 9}}, func(b *Builder) {
		must(t, b.Hard(poly(rect(-40, -40, 40, 40), rect(-1, -1, 1, 1)), 1))
		must(t, b.Rootable(poly(rect(-1, 1, 1, 5)), 1.1, .2))
		must(t, b.Rootable(poly(rect(3, 3, 5, 5)), 1.1, .2)) // touches nothing
	})[0]
	near(t, "opening", s.OpenM2, 4+8, 1e-9)
	near(t, "rain", s.RainM2, 4, 1e-9)
	near(t, "soil", s.SoilM3, 4*.9+8*1.1*.2, 1e-6)
	near(t, "depth", s.DepthM, (4*.9+8*1.1)/12, 1e-6)
	near(t, "free to the north", float64(s.ReachM[0]), 5, 1e-6)
	near(t, "free to the east", float64(s.ReachM[9]), 1, 1e-6)
}

// Roots cross a walk by the rootable ground below it, and use the lawn beyond;
// without it they do not.
func TestRootsCrossAWalkByRootableGround(t *testing.T) {
	for _, crossing := range []bool{false, true} {
		s := survey(t, still(), []Stand{{ReachM: 9}, {At: geo.XY{Y: 6}, ReachM: 9}}, func(b *Builder) {
			// A pit, a walk of 2 m, a lawn of 4 x 4 m.
			must(t, b.Hard(poly(rect(-40, -40, 40, 40), rect(-1, -1, 1, 1), rect(-2, 3, 2, 7)), 1))
			if crossing {
				must(t, b.Rootable(poly(rect(-.5, .5, .5, 3.5)), .8, .25))
			}
		})
		if !crossing {
			near(t, "the pit", s[0].OpenM2, 4, 1e-9)
			near(t, "the lawn", s[1].OpenM2, 16, 1e-9)
			continue
		}
		near(t, "pit, crossing and lawn", s[0].OpenM2, 4+2+16, 1e-9)
		// The bisector of the two stems is the far side of the walk, y = 3.
		near(t, "share of the tree in the pit", s[0].ShareM2, 6, 1e-9)
		near(t, "its rain", s[0].RainM2, 4, 1e-9)
		near(t, "its soil", s[0].SoilM3, 4*.9+2*.8*.25, 1e-6)
		near(t, "share of the tree in the lawn", s[1].ShareM2, 16, 1e-9)
		if s[0].Mates != 1 || s[1].Mates != 1 {
			t.Errorf("mates %d and %d", s[0].Mates, s[1].Mates)
		}
	}
}

// A wall through the disk leaves the larger segment; a slit in it of 5 cm is a
// gap that closes, one of 20 cm a passage.
func TestWallWithASlit(t *testing.T) {
	left := math.Pi*36 - segment(6, 4)
	for _, c := range []struct{ slit, want float64 }{{0, left}, {.05, left}, {.099, left}, {.101, math.Pi * 36}, {.2, math.Pi * 36}} {
		for _, turn := range []float64{0, math.Pi / 2, .7, 4} {
			s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) {
				if c.slit == 0 {
					must(t, b.Barrier(turned(xy(2, -30, 2, 30), turn)))
					return
				}
				must(t, b.Barrier(turned(xy(2, -30, 2, 1-c.slit/2), turn)))
				must(t, b.Barrier(turned(xy(2, 1+c.slit/2, 2, 30), turn)))
			})[0]
			near(t, "opening", s.OpenM2, c.want, 1e-6)
			if turn == 0 {
				near(t, "free to the east", float64(s.ReachM[9]), 2, 1e-6)
				near(t, "free to the west", float64(s.ReachM[27]), 6, 1e-6)
			}
		}
	}
}

// A bed over pavement is open ground, and joins the strip that it touches.
func TestBedJoinsAStrip(t *testing.T) {
	s := survey(t, still(), []Stand{{ReachM: 9}}, func(b *Builder) {
		must(t, b.Hard(poly(rect(-40, -40, 40, -1)), 1))
		must(t, b.Hard(poly(rect(-40, 1, 40, 40)), 1))
		must(t, b.Hard(poly(rect(-40, -1, -2, 1)), 1))
		must(t, b.Hard(poly(rect(2, -1, 40, 1)), 1))
		must(t, b.Bed(poly(rect(0, 0, 3, 2))))
		must(t, b.Bed(poly(rect(2.5, -3, 3.5, 0.5))))
		must(t, b.Bed(poly(rect(-6, 3, -5, 4)))) // apart
	})[0]
	// The strip 4 x 2, of the first bed what lies beyond it, and of the second
	// what lies in neither.
	near(t, "opening", s.OpenM2, 8+(6-2)+(3.5-.25), 1e-9)
	near(t, "rain", s.RainM2, s.OpenM2, 1e-9)
}

// Soil polygons that divide a share: the mean depth is weighted by area.
func TestDepthIsWeightedByArea(t *testing.T) {
	build := func(b *Builder) {
		must(t, b.Hard(poly(rect(-40, -40, 40, 40), rect(-2, -3, 2, 3)), 1))
		must(t, b.Soil(poly(rect(-50, -50, 1, 50)), .5, 1))
		must(t, b.Soil(poly(rect(1, -50, 1.5, 50)), 5, 2)) // deeper than any root
		must(t, b.Soil(poly(rect(-2, -50, -1, 50)), .3, 3))
	}
	s := survey(t, still(), []Stand{{ReachM: 9}, {ReachM: 9, DepthM: .4}}, build)
	// Alone it would have 24 m2: on the first metre .3 m (the shallower of two),
	// on the next two .5, on half a metre 1.2 (the cap), and on the last half the
	// default. The two stand on one spot.
	want := (6*.3 + 12*.5 + 3*1.2 + 3*.9) / 2
	near(t, "soil", s[0].SoilM3, want, 1e-6)
	near(t, "depth", s[0].DepthM, want/12, 1e-6)
	near(t, "soil of recorded depth", s[1].SoilM3, 12*.4, 1e-6)
	// A neighbour takes the eastern half.
	s = survey(t, still(), []Stand{{At: geo.XY{X: -1}, ReachM: 9}, {At: geo.XY{X: 1}, ReachM: 9}}, build)
	near(t, "soil of the western half", s[0].SoilM3, 6*.3+6*.5, 1e-6)
	near(t, "soil of the eastern half", s[1].SoilM3, 6*.5+3*1.2+3*.9, 1e-6)
}

// Two trees on one spot, of different reach: equal parts of what both reach, and
// the rest is the larger one's.
func TestOneSpotDifferentReach(t *testing.T) {
	s := survey(t, still(), []Stand{{ReachM: 4}, {ReachM: 7}}, func(b *Builder) {})
	near(t, "the smaller", s[0].ShareM2, math.Pi*16/2, 1e-9)
	near(t, "the larger", s[1].ShareM2, math.Pi*49-math.Pi*16/2, 1e-9)
	// By crown, in the ratio of their crowns.
	o := still()
	o.ByCrown = true
	s = survey(t, o, []Stand{{ReachM: 4, CrownM2: 10}, {ReachM: 7, CrownM2: 30}}, func(b *Builder) {})
	near(t, "the smaller, by crown", s[0].ShareM2, math.Pi*16/4, 1e-9)
	near(t, "the larger, by crown", s[1].ShareM2, math.Pi*49-math.Pi*16/4, 1e-9)
}

// lens is the area common to circles of radius r and s, d apart (any handbook
// of mensuration).
func lens(r, s, d float64) float64 {
	if d <= math.Abs(r-s) {
		return math.Pi * sq(min(r, s))
	}
	a, b := math.Acos((d*d+r*r-s*s)/(2*d*r)), math.Acos((d*d+s*s-r*r)/(2*d*s))
	return r*r*a + s*s*b - math.Sqrt((-d+r+s)*(d+r-s)*(d-r+s)*(d+r+s))/2
}

// Crowns of 4 to 1: the points twice as near to the small tree as to the large
// one are bounded by the circle of Apollonius, which divides the line between
// them and beyond it as 2 to 1.
func TestSharesByCrown(t *testing.T) {
	o := still()
	o.ByCrown = true
	// The large tree at 0, the small one at x = 3: the circle runs through x = 2
	// and x = 6. All of it lies in the large tree's reach of 9, and of it the
	// small one reaches what lies within 3.5 m.
	for _, turn := range []float64{0, .4, math.Pi / 2} {
		p := turned(xy(3, 0), turn)[0]
		s := survey(t, o, []Stand{{ReachM: 9, CrownM2: 80}, {At: p, ReachM: 3.5, CrownM2: 20}}, func(b *Builder) {})
		small := lens(2, 3.5, 1) // about x = 4, and about x = 3
		near(t, "the small tree's share", s[1].ShareM2, small, 1e-8)
		near(t, "the large tree's share", s[0].ShareM2, math.Pi*81-small, 1e-8)
		// With a reach of 2.5 its circle of reach cuts the circle of Apollonius.
		s = survey(t, o, []Stand{{ReachM: 9, CrownM2: 80}, {At: p, ReachM: 2.5, CrownM2: 20}}, func(b *Builder) {})
		small = lens(2, 2.5, 1)
		near(t, "the small tree's share", s[1].ShareM2, small, 1e-8)
		near(t, "the large tree's share", s[0].ShareM2, math.Pi*81-small, 1e-8)
	}
	// Without crowns the bisector at x = 1.5 divides.
	s := survey(t, still(), []Stand{{ReachM: 9, CrownM2: 80}, {At: geo.XY{X: 3}, ReachM: 3.5, CrownM2: 20}}, func(b *Builder) {})
	near(t, "by distance", s[1].ShareM2, math.Pi*sq(3.5)-segment(3.5, 2), 1e-8)
}

// A recorded pit of 1.2 x 2.4 m lies along its kerb, and what of it reaches over
// the kerb into the lawn is lawn anyway.
func TestRecordedPitLiesAlongItsKerb(t *testing.T) {
	for _, turn := range []float64{0, .5, 1.2, math.Pi / 2, 3} {
		build := func(b *Builder) {
			must(t, b.Hard(poly(turned(rect(-40, -40, 40, 2), turn)), 1)) // the kerb is 2 m north
		}
		s := survey(t, still(), []Stand{{ReachM: 6, PitLM: 2.4, PitWM: 1.2}}, build)[0]
		if s.How != Recorded {
			t.Fatalf("%v", s.How)
		}
		near(t, "pit", s.OpenM2, 2.88, 1e-9)
		long := 0.0
		for _, p := range s.Share[0][0] {
			q := turned([]geo.XY{p}, -turn)[0]
			long = max(long, math.Abs(q.X))
			if math.Abs(math.Abs(q.Y)-.6) > 1e-6 {
				t.Errorf("turned %v: a corner of the pit %v from the line of the stem", turn, q.Y)
			}
		}
		near(t, "half its length", long, 1.2, 1e-6)
		near(t, "shortest reach", s.ShortM, .6, .02)
	}
	// The stem 0.5 m inside the kerb with snapping off: the pit opens on the lawn.
	o := still()
	o.SnapM = 0
	s := survey(t, o, []Stand{{ReachM: 6, PitLM: 2.4, PitWM: 1.2}}, func(b *Builder) {
		must(t, b.Hard(poly(rect(-40, -40, 40, .5)), 1))
	})[0]
	near(t, "pit and lawn", s.OpenM2, segment(6, 5.5)+2.4*(.5+.6), 1e-9)
}

// A stem 0.8 m on a road is moved to its edge: half a disk, free on one side.
func TestSnappedStem(t *testing.T) {
	for _, turn := range []float64{0, .3, 2} {
		p := turned(xy(0, .8), turn)[0]
		s := survey(t, still(), []Stand{{At: p, ReachM: 6}}, func(b *Builder) {
			must(t, b.Hard(poly(turned(rect(-50, 0, 50, 40), turn)), 1))
		})[0]
		if s.How != Snapped {
			t.Fatalf("%v", s.How)
		}
		near(t, "moved", s.MovedM, .8, 1e-9)
		near(t, "half a disk", s.OpenM2, math.Pi*18, 1e-6)
		for k, r := range s.ReachM {
			u := turned([]geo.XY{unit[k]}, -turn)[0]
			switch {
			case u.Y < -1e-3:
				near(t, "free side", float64(r), 6, 1e-6)
			case u.Y > 1e-3:
				near(t, "road side", float64(r), 0, 1e-6)
			}
		}
	}
	// At 1.6 m it is out of reach, and stands in an assumed pit.
	s := survey(t, still(), []Stand{{At: geo.XY{Y: 1.6}, ReachM: 6}}, func(b *Builder) {
		must(t, b.Hard(poly(rect(-50, 0, 50, 40)), 1))
	})[0]
	if s.How != Assumed || math.Abs(s.OpenM2-1.44) > 1e-9 {
		t.Errorf("%v %v m2", s.How, s.OpenM2)
	}
}

// Where nothing hard is in reach the study area tells open from uncovered; or,
// without one, the cells that the hard layers run through and enclose.
func TestCoverage(t *testing.T) {
	at := func(x, y float64) Stand { return Stand{At: geo.XY{X: x, Y: y}, ReachM: 6} }
	stands := []Stand{at(0, 0), at(200, 0), at(900, 0), at(-500, -500)}
	streets := func(b *Builder) { // round a block of 400 m
		must(t, b.Hard(poly(rect(-210, -210, 210, 210), rect(-200, -200, 200, 200)), 1))
	}
	s := survey(t, still(), stands, streets)
	for i, want := range []How{Open, Measured, Uncovered, Uncovered} {
		if s[i].How != want {
			t.Errorf("cells: stand %d is %v, want %v", i, s[i].How, want)
		}
	}
	s = survey(t, still(), stands, func(b *Builder) {
		streets(b)
		must(t, b.Study(poly(rect(-600, -600, 600, 600), rect(-100, -100, 100, 100))))
	})
	for i, want := range []How{Uncovered, Measured, Uncovered, Open} {
		if s[i].How != want {
			t.Errorf("study area: stand %d is %v, want %v", i, s[i].How, want)
		}
	}
}

// A road strip from 3 to 7 m north, a house over its far edge and a copy of the
// road: each line of fall has its part over the road at the road's weight, and
// over the house at the house's, the heavier of two.
func TestTargetsAlongBearings(t *testing.T) {
	s := survey(t, still(), []Stand{{ReachM: 6, FallM: 12}}, func(b *Builder) {
		must(t, b.Hard(poly(rect(-90, 3, 90, 7)), 1))
		must(t, b.Hard(poly(rect(-90, 3, 90, 7)), 1))
		must(t, b.Hard(poly(rect(-90, 6, 90, 9)), 2.5))
	})[0]
	for k, got := range s.TargetW {
		want := 0.0
		if c := unit[k].Y; c > 1e-9 {
			from := func(y float64) float64 { return min(12, y/c) }
			want = (from(6) - from(3) + 2.5*(from(9)-from(6))) / 12
		}
		near(t, "target", float64(got), want, 1e-6)
	}
	// Targets of their own replace the weights of the hard polygons.
	s = survey(t, still(), []Stand{{ReachM: 6, FallM: 12}}, func(b *Builder) {
		must(t, b.Hard(poly(rect(-90, 3, 90, 7)), 1))
		must(t, b.Target(poly(rect(-90, -90, 90, 90), rect(-9, -5, 9, 30)), 4))
	})[0]
	near(t, "target to the south", float64(s.TargetW[18]), 4*7./12, 1e-6)
	near(t, "target to the east", float64(s.TargetW[9]), 4*3./12, 1e-6)
}

// The spread is the same on every run, brackets what the points can reach, and
// is none where nothing is near.
func TestSpread(t *testing.T) {
	build := func(b *Builder) {
		must(t, b.Hard(poly(rect(-40, 1, 40, 40)), 1))
		must(t, b.Hard(poly(rect(-40, -40, 40, -1)), 1))
	}
	stands := []Stand{{ReachM: 6}, {At: geo.XY{X: 5}, ReachM: 6}, {At: geo.XY{X: 3000}, ReachM: 6}}
	a, b := survey(t, Defaults(), stands, build), survey(t, Defaults(), stands, build)
	for i := range a {
		if a[i].SoilP10M3 != b[i].SoilP10M3 || a[i].SoilP90M3 != b[i].SoilP90M3 {
			t.Errorf("tree %d: spread %v to %v, and then %v to %v", i, a[i].SoilP10M3, a[i].SoilP90M3, b[i].SoilP10M3, b[i].SoilP90M3)
		}
		if !(a[i].SoilP10M3 <= a[i].SoilP90M3) || a[i].SoilP10M3 < 0 {
			t.Errorf("tree %d: spread %v to %v", i, a[i].SoilP10M3, a[i].SoilP90M3)
		}
	}
	if a[0].SoilP10M3 == a[0].SoilP90M3 {
		t.Errorf("no spread beside a neighbour: %v", a[0].SoilP10M3)
	}
	near(t, "no spread on open ground", a[2].SoilP10M3, math.Pi*36*.9, 1e-9)
	near(t, "no spread on open ground", a[2].SoilP90M3, math.Pi*36*.9, 1e-9)
	// In a strip of 2 m alone, a point off the strip is moved back to its edge, so
	// no point has more than the strip about its middle, nor less than about its
	// edge.
	one := survey(t, Defaults(), stands[:1], build)[0]
	middle, edge := math.Pi*36-2*segment(6, 5), math.Pi*18-segment(6, 4)
	if one.SoilP10M3 < edge*.9-1e-9 || one.SoilP90M3 > middle*.9+1e-9 {
		t.Errorf("spread %v to %v beyond %v to %v", one.SoilP10M3, one.SoilP90M3, edge*.9, middle*.9)
	}
}

// wavy is a ring of n vertices about the origin whose area is known.
func wavy(n int, r, by float64) (ring []geo.XY, area float64) {
	for k := range n {
		l := r + by*float64(k%2)
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / float64(n))
		ring = append(ring, geo.XY{X: l * cos, Y: l * sin})
	}
	return ring, float64(n) / 2 * r * (r + by) * math.Sin(2*math.Pi/float64(n))
}

// Large polygons get the right answer in bounded time.
func TestLargePolygons(t *testing.T) {
	within := func(t *testing.T, limit time.Duration) func() {
		began := time.Now()
		return func() {
			if took := time.Since(began); took > limit {
				t.Errorf("took %v", took)
			}
		}
	}
	t.Run("beside a road of 200,000 vertices", func(t *testing.T) {
		defer within(t, 10*time.Second)()
		// A comb of edges 5 cm apart along 5 km, 2 m north of the stems: its teeth
		// are 1 cm deep.
		var r []geo.XY
		for k := range 100000 {
			x := 2500 - .05*float64(k)
			r = append(r, geo.XY{X: x, Y: 2}, geo.XY{X: x - .025, Y: 2.01})
		}
		r = append(r, geo.XY{X: -2500, Y: 9}, geo.XY{X: 2500, Y: 9})
		slices.Reverse(r)
		o := still()
		o.CloseGapM = 0
		s := survey(t, o, []Stand{{ReachM: 5}, {At: geo.XY{X: 1234.5}, ReachM: 5}}, func(b *Builder) {
			must(t, b.Hard(poly(r), 1))
		})
		for i := range s {
			// The teeth bound the ground at 2.005 m on the mean.
			near(t, "opening", s[i].OpenM2, math.Pi*25-segment(5, 5-2.005), .001)
		}
	})
	t.Run("in a ring of 10,000 vertices", func(t *testing.T) {
		defer within(t, 20*time.Second)()
		ring, area := wavy(10000, 3, .001)
		s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) {
			must(t, b.Hard(poly(rect(-40, -40, 40, 40), ring), 1))
		})[0]
		near(t, "opening", s.OpenM2, area, 1e-6)
	})
	t.Run("with 5,000 holes", func(t *testing.T) {
		defer within(t, 10*time.Second)()
		walk := [][]geo.XY{rect(-8, -8, 8, 8)}
		for k := range 5000 {
			x, y := -7.1+.2*float64(k%71), -7.1+.2*float64(k/71)
			walk = append(walk, rect(x-.05, y-.05, x+.05, y+.05))
		}
		walk = append(walk, rect(-.3, 7.3, .3, 7.8))
		s := survey(t, still(), []Stand{{At: geo.XY{Y: 7.5}, ReachM: 6}}, func(b *Builder) {
			must(t, b.Hard(walk, 1))
		})[0]
		near(t, "opening", s.OpenM2, .3, 1e-9)
	})
	t.Run("among 5,000 islands", func(t *testing.T) {
		defer within(t, 20*time.Second)()
		s := survey(t, still(), []Stand{{ReachM: 9}}, func(b *Builder) {
			for k := range 5041 {
				x, y := -7+.2*float64(k%71), -7+.2*float64(k/71)
				if math.Hypot(x, y) > .2 && math.Hypot(x, y) < 8.8 {
					must(t, b.Hard(poly(rect(x-.03, y-.03, x+.03, y+.03)), 1))
				}
			}
		})[0]
		n := 0
		for k := range 5041 {
			if h := math.Hypot(-7+.2*float64(k%71), -7+.2*float64(k/71)); h > .2 && h < 8.8 {
				n++
			}
		}
		near(t, "opening", s.OpenM2, math.Pi*81-float64(n)*.06*.06, 1e-6)
	})
	t.Run("a comb with teeth across the town", func(t *testing.T) {
		defer within(t, 20*time.Second)()
		var r []geo.XY
		n := 1500
		for k := range n {
			y := 3 + float64(k)
			r = append(r, geo.XY{X: -5e3, Y: y}, geo.XY{X: 5e3, Y: y + .2})
		}
		for k := n - 1; k >= 0; k-- {
			y := 3 + float64(k)
			r = append(r, geo.XY{X: 5e3 + 1, Y: y + .4})
		}
		r = append(r, geo.XY{X: 5e3 + 2, Y: 2.5}, geo.XY{X: -5e3 - 1, Y: 2.5})
		s := survey(t, still(), []Stand{{ReachM: 2}}, func(b *Builder) {
			must(t, b.Hard(poly(r), 1))
		})[0]
		near(t, "opening", s.OpenM2, math.Pi*4, 1e-9)
	})
}

// A tree in the pit of a sidewalk that is there three times, once reversed and
// once a hair off, has its pit.
func TestThreeOverlappingCopies(t *testing.T) {
	for _, turn := range []float64{0, .7} {
		s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) {
			shell, hole := turned(rect(-40, -3, 40, 3), turn), turned(rect(-.6, -.6, .6, .6), turn)
			must(t, b.Hard(poly(shell, hole), 1))
			back := func(r []geo.XY) []geo.XY { r = slices.Clone(r); slices.Reverse(r); return r }
			must(t, b.Hard(poly(back(shell), hole), 1))
			hair := func(r []geo.XY) (out []geo.XY) {
				for _, p := range r {
					out = append(out, p.Add(geo.XY{X: 1e-10, Y: -1e-10}))
				}
				return
			}
			must(t, b.Hard(poly(hair(shell), hair(back(hole))), 1))
		})[0]
		near(t, "pit", s.OpenM2, 1.44, 1e-8)
		near(t, "share", s.ShareM2, 1.44, 1e-8)
	}
}
