package ground

import (
	"math"
	"math/rand/v2"
	"testing"

	"soilshed/geo"
)

// enlarge enlarges the opening of the first stand to reach need.
func enlarge(t *testing.T, o Options, stands []Stand, need float64, offers [][][]geo.XY, build func(b *Builder)) (*Enlargement, *Refusal) {
	t.Helper()
	v, err := NewSurvey(mapOf(o, build), stands, o)
	must(t, err)
	e, r, err := v.Local(0).Enlarge(offers, keepAll(need))
	must(t, err)
	if (e == nil) == (r == nil) {
		t.Fatalf("%v and %v", e, r)
	}
	return e, r
}

// keepAll wishes a volume, and that neighbours keep all they have.
func keepAll(need float64) Wish {
	return Wish{NeedM3: func(*Site) float64 { return need }, FloorM3: func(_ int, now *Site) float64 { return now.SoilM3 }}
}

// A pit in a plaza that lacks V of soil d deep needs V/d square metres, however
// it lies and wherever it may grow.
func TestEnlargePitInAPlaza(t *testing.T) {
	o := still()
	for _, turn := range []float64{0, .3, 1, 2.2} {
		u, v := geo.XY{X: math.Cos(turn), Y: math.Sin(turn)}, geo.XY{X: -math.Sin(turn), Y: math.Cos(turn)}
		at := func(x, y float64) geo.XY { return geo.XY{X: x*u.X + y*v.X, Y: x*u.Y + y*v.Y} }
		turned := func(r []geo.XY) (out []geo.XY) {
			for _, p := range r {
				out = append(out, at(p.X, p.Y))
			}
			return out
		}
		plaza := func(b *Builder) {
			must(t, b.Hard(poly(turned(rect(-60, -60, 60, 60)), turned(rect(-1, -.6, 1, .6))), 1))
		}
		for _, depth := range []float64{.6, .9} {
			o.DepthM = depth
			have := 2.4 * depth
			for _, lacks := range []float64{.5, 2, 6} {
				e, r := enlarge(t, o, []Stand{{ReachM: 9}}, have+lacks, [][][]geo.XY{poly(turned(rect(-50, -50, 50, 50)))}, plaza)
				if e == nil {
					t.Fatalf("refused: %+v", r)
				}
				near(t, "opened", e.AreaM2, lacks/depth, 1e-5)
				near(t, "its polygons", ringsArea(e.Polygons), lacks/depth, 1e-5)
				near(t, "depth", e.DepthM, depth, 1e-6)
				near(t, "soil", e.After.SoilM3, have+lacks, 1e-5)
				// On a long side, which is 2 m: the least depth of digging.
				near(t, "by", e.ByM, lacks/depth/2, 1e-5)
				if len(e.Sides) != 1 || math.Abs(math.Remainder(float64(e.Sides[0]-geo.BearingOf(v)), 180)) > 1e-6 {
					t.Errorf("turned %g, sides %v", turn, e.Sides)
				}
			}
		}
	}
}

// Only a strip to the east may be opened, 1 m wide: it grows there and nowhere
// else. Where that is not enough it says how much there is.
func TestEnlargeWithinWhatMayBeOpened(t *testing.T) {
	o := still()
	plaza := func(b *Builder) { must(t, b.Hard(poly(rect(-60, -60, 60, 60), rect(-1, -1, 1, 1)), 1)) }
	strip := [][][]geo.XY{poly(rect(.5, -.5, 5, .5))}
	e, _ := enlarge(t, o, []Stand{{ReachM: 9}}, 3.6+1.8, strip, plaza)
	if e == nil {
		t.Fatal("refused")
	}
	near(t, "opened", e.AreaM2, 2, 1e-5)
	near(t, "by", e.ByM, 2, 1e-5)
	if len(e.Sides) != 1 || e.Sides[0] != 90 {
		t.Errorf("sides %v", e.Sides)
	}
	_, r := enlarge(t, o, []Stand{{ReachM: 9}}, 3.6+3.7, strip, plaza)
	if r == nil || r.Nothing || r.Taken >= 0 {
		t.Fatalf("%+v", r)
	}
	near(t, "most", r.MostM3, 3.6+3.6, 1e-5)
	// Nothing within reach, and what does not touch the pit.
	for _, far := range [][][]geo.XY{poly(rect(20, 20, 30, 30)), poly(rect(2, -1, 5, 1))} {
		if _, r := enlarge(t, o, []Stand{{ReachM: 9}}, 5, [][][]geo.XY{far}, plaza); r == nil || !r.Nothing {
			t.Errorf("%+v", r)
		}
	}
}

// The whole disk of reach gives pi r2 d and no more (its polygon 0.03 % less).
func TestEnlargeToTheReach(t *testing.T) {
	o := still()
	plaza := func(b *Builder) { must(t, b.Hard(poly(rect(-60, -60, 60, 60), rect(-1, -1, 1, 1)), 1)) }
	all := [][][]geo.XY{poly(rect(-50, -50, 50, 50))}
	disk := math.Pi * 16 * .9
	e, _ := enlarge(t, o, []Stand{{ReachM: 4}}, .98*disk, all, plaza)
	if e == nil {
		t.Fatal("refused")
	}
	near(t, "opened", e.AreaM2, .98*disk/.9-4, 1e-4)
	if len(e.Sides) != 4 {
		t.Errorf("sides %v", e.Sides)
	}
	if _, r := enlarge(t, o, []Stand{{ReachM: 4}}, 1.001*disk, all, plaza); r == nil || math.Abs(r.MostM3/disk-1) > .001 {
		t.Errorf("%+v", r)
	}
}

// Deep soil on one side, shallow on the other: the deep side is opened, V/d there.
func TestEnlargeTowardsDeepSoil(t *testing.T) {
	o := still()
	e, _ := enlarge(t, o, []Stand{{ReachM: 9}}, 2*.3+2*1.2+3.6, [][][]geo.XY{poly(rect(-50, -50, 50, 50))}, func(b *Builder) {
		must(t, b.Hard(poly(rect(-60, -60, 60, 60), rect(-1, -1, 1, 1)), 1))
		must(t, b.Soil(poly(rect(-60, -60, 0, 60)), .3, 1))
		must(t, b.Soil(poly(rect(0, -60, 60, 60)), 1.2, 2))
	})
	if e == nil {
		t.Fatal("refused")
	}
	near(t, "opened", e.AreaM2, 3, 1e-5)
	near(t, "depth", e.DepthM, 1.2, 1e-6)
	if len(e.Sides) != 1 || e.Sides[0] != 90 {
		t.Errorf("sides %v", e.Sides)
	}
}

// A neighbour whose ground would go to the stand keeps it: the side towards it is
// refused, and the other taken.
func TestEnlargeLeavesTheNeighbourItsOwn(t *testing.T) {
	o := still()
	// The neighbour's bed runs behind a wall of paving past the stand: joined, its
	// near part would fall to the stand.
	build := func(b *Builder) {
		must(t, b.Hard(poly(rect(-60, -60, 60, 60), rect(-1, -1, 1, 1), rect(-3, 2, 12, 3)), 1))
	}
	stands := []Stand{{ReachM: 6}, {At: geo.XY{X: 8, Y: 2.5}, ReachM: 9}}
	north := [][][]geo.XY{poly(rect(-1, .5, 1, 2.5))}
	_, r := enlarge(t, o, stands, 3.6+2.5, north, build)
	if r == nil || r.Taken < 0 {
		t.Fatalf("%+v", r)
	}
	both := append(north, poly(rect(-1, -3, 1, -.5)))
	e, r := enlarge(t, o, stands, 3.6+2.5, both, build)
	if e == nil {
		t.Fatalf("refused: %+v", r)
	}
	near(t, "opened", e.AreaM2, 2.5/.9, 1e-5)
	if len(e.Sides) != 1 || e.Sides[0] != 180 {
		t.Errorf("sides %v", e.Sides)
	}
	// A stem on paving gets its pit opened with the rest: what is opened beyond the
	// pit that was assumed is counted.
	e, r = enlarge(t, o, []Stand{{ReachM: 6}}, 1.44*.9+1.8, [][][]geo.XY{poly(rect(-9, -9, 9, 9))}, func(b *Builder) { must(t, b.Hard(poly(rect(-60, -60, 60, 60)), 1)) })
	if e == nil {
		t.Fatalf("refused: %+v", r)
	}
	near(t, "beyond the assumed pit", e.AreaM2, 2, 1e-5)
	// Without one assumed, all is.
	o.PitM = 0
	e, r = enlarge(t, o, []Stand{{ReachM: 6}}, 1.8, [][][]geo.XY{poly(rect(-9, -9, 9, 9))}, func(b *Builder) { must(t, b.Hard(poly(rect(-60, -60, 60, 60)), 1)) })
	if e == nil {
		t.Fatalf("refused: %+v", r)
	}
	near(t, "with the pit", e.AreaM2, 2, 1e-5)
}

// On random blocks: nothing is opened outside what may be, the stand gets what it
// needs, neighbours keep theirs, and with more to choose from no more is opened.
func TestEnlargeOnRandomBlocks(t *testing.T) {
	o := still()
	r := rand.New(rand.NewPCG(3, 5))
	done, refused := 0, 0
	for n := range 120 {
		var pits [][]geo.XY
		var stands []Stand
		for k := range 3 + r.IntN(3) {
			x, y := 5*float64(k)+r.Float64(), 2*r.Float64()
			w, h := .5+r.Float64(), .5+r.Float64()
			pits = append(pits, rect(x-w, y-h, x+w, y+h))
			stands = append(stands, Stand{At: geo.XY{X: x + .3*r.Float64(), Y: y}, ReachM: 3 + 4*r.Float64()})
		}
		build := func(b *Builder) {
			must(t, b.Hard(append(poly(rect(-60, -60, 80, 60)), pits...), 1))
		}
		x0, y0 := -4+3*r.Float64(), -3*r.Float64()
		small := rect(x0, y0, x0+4+8*r.Float64(), y0+2+3*r.Float64())
		large := rect(small[0].X-r.Float64(), small[0].Y-r.Float64(), small[2].X+r.Float64(), small[2].Y+r.Float64())
		v, err := NewSurvey(mapOf(o, build), stands, o)
		must(t, err)
		l := v.Local(0)
		now, err := l.Sites(nil, append([]int{0}, l.Touched...)...)
		must(t, err)
		need := now[0].SoilM3 + .3 + 12*r.Float64()
		e, _, err := l.Enlarge([][][]geo.XY{poly(small)}, keepAll(need))
		must(t, err)
		more, ref, err := l.Enlarge([][][]geo.XY{poly(large)}, keepAll(need))
		must(t, err)
		if e == nil {
			refused++
			continue
		}
		done++
		if more == nil || more.AreaM2 > e.AreaM2+1e-3 {
			t.Errorf("block %d: %.4f m2 of the smaller ground, of the larger %+v, %+v", n, e.AreaM2, more, ref)
		}
		for _, p := range e.Polygons {
			for _, ring := range p {
				for _, q := range ring {
					if q.X < small[0].X-1e-6 || q.X > small[2].X+1e-6 || q.Y < small[0].Y-1e-6 || q.Y > small[2].Y+1e-6 {
						t.Errorf("block %d: %v is opened, outside of %v", n, q, small)
					}
				}
			}
		}
		// A survey of the whole block with the opened ground says the same.
		after := survey(t, o, stands, func(b *Builder) {
			build(b)
			for _, p := range e.Polygons {
				must(t, b.Bed(p))
			}
		})
		if after[0].SoilM3 < need*(1-1e-4)-1e-5 {
			t.Errorf("block %d: %.5f m3 of %.5f", n, after[0].SoilM3, need)
		}
		for k := range l.Touched {
			id := l.IDs[l.Touched[k]]
			if after[id].SoilM3 < now[k+1].SoilM3-1e-4 {
				t.Errorf("block %d: neighbour %d has %.5f of %.5f", n, id, after[id].SoilM3, now[k+1].SoilM3)
			}
		}
		// One depth everywhere: what lacks, over the depth.
		near(t, "opened", e.AreaM2, (need-now[0].SoilM3)/.9, 1e-3*need)
	}
	if done < 30 || refused < 5 {
		t.Errorf("%d enlarged and %d refused: the blocks test too little", done, refused)
	}
}

// A map cut to a place gives the sites of the whole one.
func TestLocalIsTheSurvey(t *testing.T) {
	o := still()
	r := rand.New(rand.NewPCG(11, 2))
	for range 30 {
		var stands []Stand
		for range 12 {
			stands = append(stands, Stand{At: geo.XY{X: 60 * r.Float64(), Y: 60 * r.Float64()}, ReachM: 2 + 4*r.Float64(), FallM: 0})
		}
		v, err := NewSurvey(mapOf(o, func(b *Builder) {
			for range 60 {
				x, y := -100+260*r.Float64(), -100+260*r.Float64()
				must(t, b.Hard(poly(rect(x, y, x+20*r.Float64(), y+20*r.Float64())), 1))
			}
			must(t, b.Soil(poly(rect(-100, -100, 30, 160)), .5, 1))
			must(t, b.Barrier([]geo.XY{{X: -50, Y: 30}, {X: 100, Y: 33}}))
		}), stands, o)
		must(t, err)
		w := v.NewWorker()
		for _, c := range v.Cells() {
			w.Do(c, func(i int32, s *Site) {
				l, err := v.Local(i).Sites(nil, 0)
				must(t, err)
				near(t, "soil", l[0].SoilM3, s.SoilM3, 1e-7)
				near(t, "opening", l[0].OpenM2, s.OpenM2, 1e-7)
				if l[0].Mates != s.Mates || l[0].At.Distance(s.At) > 1e-9 {
					t.Errorf("%d mates and %d, at %v and %v", l[0].Mates, s.Mates, l[0].At, s.At)
				}
			})
		}
	}
}

// A new stand is tried beside those that are there: half of a bed is left to it,
// and without it the other has all.
func TestLocalWithANewStand(t *testing.T) {
	o := still()
	v, err := NewSurvey(mapOf(o, func(b *Builder) {
		must(t, b.Hard(poly(rect(-60, -60, 60, 60), rect(-1, -1, 7, 1)), 1))
	}), []Stand{{ReachM: 9}, {At: geo.XY{X: 50}, ReachM: 9}}, o)
	must(t, err)
	l := v.LocalWith(Stand{At: geo.XY{X: 4}, ReachM: 9}, []Stand{{At: geo.XY{X: 6}, ReachM: 9}, {At: geo.XY{X: 400}, ReachM: 9}})
	if len(l.Touched) != 2 || l.IDs[l.Touched[1]] != 0 {
		t.Fatalf("touched %v of %v", l.Touched, l.IDs)
	}
	s, err := l.Sites(nil, 0, 1, 2)
	must(t, err)
	// Middle lines at x = 2 and x = 5.
	near(t, "the new one", s[0].ShareM2, 3*2, 1e-9)
	near(t, "the further one", s[1].ShareM2, 2*2, 1e-9)
	near(t, "the old one", s[2].ShareM2, 3*2, 1e-9)
	l.Absent(0, true)
	s, err = l.Sites(nil, 1, 2)
	must(t, err)
	near(t, "the further one without it", s[0].ShareM2, 4*2, 1e-9)
	near(t, "the old one without it", s[1].ShareM2, 4*2, 1e-9)
}
