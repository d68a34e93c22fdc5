package ground

import (
	"math"
	"slices"
	"testing"

	"soilshed/geo"
)

func xy(v ...float64) (out []geo.XY) {
	for i := 0; i < len(v); i += 2 {
		out = append(out, geo.XY{X: v[i], Y: v[i+1]})
	}
	return
}

func TestWallDividesTheShareOfANeighbour(t *testing.T) {
	// A wall of 6 m ends in open ground. The first tree's roots reach round its
	// end; the second stands behind it and its disk does not reach the end.
	stands := []Stand{{At: geo.XY{X: -4, Y: 0}, ReachM: 9}, {At: geo.XY{X: 1, Y: 0}, ReachM: 4}}
	s := survey(t, still(), stands, func(b *Builder) {
		must(t, b.Barrier(xy(0, -6, 0, 6)))
	})
	own := math.Pi*16 - segment(4, 3)
	near(t, "opening behind the wall", s[1].OpenM2, own, 1e-6)
	near(t, "share behind the wall", s[1].ShareM2, own, 1e-6)
	near(t, "sum of the shares", s[0].ShareM2+s[1].ShareM2, s[0].OpenM2, 1e-6)
}

func TestRoseOfAStemOnACornerOfPavement(t *testing.T) {
	s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) {
		must(t, b.Hard(poly(rect(0, 0, 5, 5)), 1))
	})
	for k, r := range s[0].ReachM {
		want := 6.
		if k > 0 && k < 9 {
			want = 0
		}
		if k != 0 && k != 9 && float64(r) != want {
			t.Errorf("bearing %d: %v m free, want %v", k*10, r, want)
		}
	}
}

func TestRoseAlongAnEdgeInLineWithARay(t *testing.T) {
	for turn := range 4 {
		s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) {
			must(t, b.Hard(poly(turned(rect(2, 0, 5, 2), float64(turn)*math.Pi/2)), 1))
		})
		k := (9 + 36 - 9*turn) % 36
		near(t, "free to the corner", float64(s[0].ReachM[k]), 2, 1e-6)
		var exact []geo.XY
		for _, p := range rect(2, 0, 5, 2) {
			for range turn {
				p = geo.XY{X: -p.Y, Y: p.X}
			}
			exact = append(exact, p)
		}
		s = survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) { must(t, b.Hard(poly(exact), 1)) })
		near(t, "free to the corner, no rounding", float64(s[0].ReachM[k]), 2, 1e-6)
	}
}

func TestManySmallIslandsAreNoCrack(t *testing.T) {
	s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) {
		for x := -6.; x < 6; x += .3 {
			for y := -6.; y < 6; y += .3 {
				if math.Hypot(x, y) > .5 {
					must(t, b.Hard(poly(rect(x, y, x+.12, y+.12)), 1))
				}
			}
		}
	})
	if s[0].How != Measured {
		t.Errorf("%v, open %v", s[0].How, s[0].OpenM2)
	}
}

func TestStemIsMovedPastACrackToRealGround(t *testing.T) {
	// On a walk, 0.3 m from a crack of 5 cm that leads to a lawn 1 m away.
	s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) {
		must(t, b.Hard(poly(rect(-40, -40, .3, 1)), 1))
		must(t, b.Hard(poly(rect(.35, -40, 40, 1)), 1))
	})
	if s[0].How != Snapped {
		t.Errorf("%v, open %v", s[0].How, s[0].OpenM2)
	}
	near(t, "moved", s[0].MovedM, 1, 1e-6)
}

func TestHairlineLetsNoRootThrough(t *testing.T) {
	for _, d := range []float64{1e-15, 1e-10, 1e-9, 1e-8, 1e-7, 9e-7} {
		for _, turn := range []float64{0, math.Pi / 2, 1e-6, 1e-3, .3} {
			s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) {
				for _, r := range [][]geo.XY{rect(-9, -9, 9, -.6), rect(-9, .6+d, -.3, 9), rect(-.3, .6+d, 9, 9), rect(-9, -.6, -.6, .6), rect(.6, -.6, 2, .6)} {
					must(t, b.Hard(poly(turned(r, turn)), 1))
				}
			})
			if math.Abs(s[0].OpenM2-1.44) > 1e-5 {
				t.Errorf("hair of %g m turned by %g: %v m2", d, turn, s[0].OpenM2)
			}
		}
	}
}

// A stem moved off a road stands on its edge to rounding: the road's side hits
// the road at once and for its width, the other side misses it.
func TestTargetsOfAStemOnTheKerb(t *testing.T) {
	for a := 0.; a < 6.3; a += .05 {
		p := turned(xy(0, 0.7), a)[0]
		s := survey(t, still(), []Stand{{At: p, ReachM: 6, FallM: 10}}, func(b *Builder) {
			must(t, b.Hard(poly(turned(rect(-50, 0, 50, 4), a)), 1))
		})
		for k := range s[0].TargetW {
			u := turned([]geo.XY{unit[k]}, -a)[0]
			want := 0.
			if u.Y > 1e-9 {
				want = min(1, 4/u.Y/10)
			}
			if math.Abs(u.Y) > 1e-6 && math.Abs(float64(s[0].TargetW[k])-want) > 1e-6 {
				t.Errorf("turned %v, bearing %d: %v, want %v (moved %v)", a, k*10, s[0].TargetW[k], want, s[0].MovedM)
			}
		}
	}
}

// The same for stems on a corner of the target, where two edges and a vertex
// are all at the stem.
func TestTargetsOfAStemOnACorner(t *testing.T) {
	for a := 0.; a < 6.3; a += .05 {
		for _, off := range []float64{0, 1e-12, -1e-10, 3e-8} {
			b := NewBuilder()
			must(t, b.Target(poly(turned(rect(0, 0, 4, 4), a)), 1))
			p := turned(xy(off, off/3), a)[0]
			v, err := NewSurvey(b.Freeze(still()), []Stand{{At: p, ReachM: 6, FallM: 10}}, still())
			must(t, err)
			v.NewWorker().Do(v.Cells()[0], func(_ int32, s *Site) {
				for k := range s.TargetW {
					u := turned([]geo.XY{unit[k]}, -a)[0]
					want := 0.
					if u.X > 0 && u.Y > 0 {
						want = min(4/u.X, 4/u.Y) / 10
					}
					if min(math.Abs(u.X), math.Abs(u.Y)) > 1e-3 && math.Abs(float64(s.TargetW[k])-want) > 1e-5 {
						t.Errorf("turned %v, %v off, bearing %d: %v, want %v", a, off, k*10, s.TargetW[k], want)
					}
				}
			})
		}
	}
}

// A tree walled in on all sides keeps what lies within, whichever way the walls
// run and however the line is cut.
func TestWallsAllRound(t *testing.T) {
	for a := range 8 {
		for _, cut := range []bool{false, true} {
			s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) {
				r := turned(rect(-3, -2, 3, 2), float64(a)*math.Pi/4)
				if a%2 == 0 { // without rounding
					r = rect(-3, -2, 3, 2)
					for i := range r {
						for range a / 2 {
							r[i] = geo.XY{X: -r[i].Y, Y: r[i].X}
						}
					}
				}
				r = append(r, r[0])
				if !cut {
					must(t, b.Barrier(r))
					return
				}
				for i := range r[:4] {
					must(t, b.Barrier(r[i:i+2]))
				}
			})
			near(t, "ground within the walls", s[0].OpenM2, 24, 1e-6)
		}
	}
}

// A crack of 8 cm is closed, in whichever direction it runs.
func TestCrackIsClosedEveryWay(t *testing.T) {
	for turn := range 4 {
		for flip := range 2 {
			s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) {
				// A pit, a crack from its side to a lawn, one face of the crack in
				// line with the side of the pit.
				for _, r := range [][]geo.XY{rect(-9, -9, -1, 9), rect(-1, -9, .92, -1), rect(1, -9, 9, 9), rect(-1, 1, 9, 9), rect(-9, -30, 9, -14)} {
					for i, p := range r {
						if flip == 1 {
							p.X = -p.X
						}
						for range turn {
							p = geo.XY{X: -p.Y, Y: p.X}
						}
						r[i] = p
					}
					must(t, b.Hard(poly(r), 1))
				}
			})
			near(t, "the pit alone", s[0].OpenM2, 4, 1e-6)
		}
	}
}

// The same wall drawn twice changes nothing: open ground stays open.
func TestWallDrawnTwice(t *testing.T) {
	for copies := 1; copies <= 3; copies++ {
		s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) {
			for range copies {
				must(t, b.Barrier(xy(1, -2, 1, 3)))
			}
		})
		if s[0].How != Uncovered {
			t.Errorf("%d copies: %v", copies, s[0].How)
		}
		near(t, "opening", s[0].OpenM2, math.Pi*36, 1e-6)
	}
}

// A crack is closed at its mouth, not where it is narrowest: 9 cm at the pit,
// 8 cm 6 m further on, or the other way round.
func TestCrackIsClosedAtItsMouth(t *testing.T) {
	for _, w := range [][2]float64{{.09, .08}, {.08, .09}, {.09, .09}, {.099, .01}} {
		for _, turn := range []float64{0, .3, math.Pi / 2, 2} {
			s := survey(t, still(), []Stand{{ReachM: 7}}, func(b *Builder) {
				for _, r := range [][]geo.XY{
					xy(-9, -9, 9, -9, 9, 0, 1, 0, 1, -1, -1, -1, -1, 1, -9, 1),
					xy(-9, 1, 1, 1, 1, w[0], 6, w[1], 6, 9, -9, 9),
				} {
					must(t, b.Hard(poly(turned(r, turn)), 1))
				}
			})
			near(t, "the pit alone", s[0].OpenM2, 4, 1e-6)
		}
	}
}

// A vertex on a straight edge beside a neck changes nothing.
func TestNeckDoesNotDependOnVerticesBesideIt(t *testing.T) {
	var was float64
	for k, cut := range []float64{0, -.02, .03, .05} {
		s := survey(t, still(), []Stand{{At: geo.XY{X: -2}, ReachM: 6}}, func(b *Builder) {
			// A corner points at a wall and leaves 5 cm.
			must(t, b.Hard(poly(xy(0, .05, 3, 5, -3, 5)), 1))
			r := xy(-7, 0, 7, 0, 7, -7, -7, -7)
			if cut != 0 {
				r = append(r[:1:1], append(xy(cut, 0), r[1:]...)...)
			}
			for i := range r {
				r[i].Y -= 1e-9
			}
			must(t, b.Hard(poly(r), 1))
		})
		if k > 0 {
			near(t, "opening", s[0].OpenM2, was, 1e-7)
		}
		was = s[0].OpenM2
	}
}

// An edge behind another one, with an end that is nearer, does not shorten what
// the nearer one leaves free.
func TestRoseBehindAnotherEdge(t *testing.T) {
	s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) {
		must(t, b.Hard(poly(xy(0, 3, 1, 3, 8, 5)), 1))
	})
	near(t, "free at 10 degrees", float64(s[0].ReachM[1]), 3/math.Cos(math.Pi/18), 1e-6)
}

// A circle of reach that touches another from within, or a wall, where the two
// are level with the stem: the strip between them has no width in the middle of
// its height, and is not lost.
func TestCirclesThatTouch(t *testing.T) {
	s := survey(t, still(), []Stand{{At: geo.XY{X: -4}, ReachM: 9}, {At: geo.XY{X: 1}, ReachM: 4}}, func(b *Builder) {})
	near(t, "sum of the shares", s[0].ShareM2+s[1].ShareM2, math.Pi*81, 1e-6)
	s = survey(t, still(), []Stand{{ReachM: 9}, {At: geo.XY{X: 2}, ReachM: 2}}, func(b *Builder) {
		must(t, b.Hard(poly(rect(4, -40, 40, 40)), 1))
	})
	near(t, "sum of the shares", s[0].ShareM2+s[1].ShareM2, math.Pi*81-segment(9, 5), 1e-6)
}

// Open ground just as far off as a stem may be moved is found, and a crack whose
// mouth lies there is still a crack.
func TestStemIsMovedAsFarAsAllowed(t *testing.T) {
	for _, gap := range []float64{0, .1} {
		for turn := range 4 {
			o := still()
			o.SnapM, o.CloseGapM = .5, gap
			s := survey(t, o, []Stand{{ReachM: 6}}, func(b *Builder) {
				r := [][]geo.XY{rect(-40, -40, 40, .5), rect(-40, 3, 40, 40)}
				if gap > 0 { // beside the stem, 1 mm wide, to the open ground
					r[0] = rect(-40, -40, .01, .49)
					r = append(r, rect(.011, -40, 40, .49))
				}
				for _, v := range r {
					for i, p := range v {
						for range turn {
							p = geo.XY{X: -p.Y, Y: p.X}
						}
						v[i] = p
					}
					must(t, b.Hard(poly(v), 1))
				}
			})
			want := .5
			if gap > 0 {
				want = .49
			}
			if s[0].How != Snapped || math.Abs(s[0].MovedM-want) > 1e-9 {
				t.Errorf("gap %v, turn %d: %v, moved %v m, want %v", gap, turn, s[0].How, s[0].MovedM, want)
			}
		}
	}
}

// A stem on pavement with rootable ground below stands on hard ground; its pit
// joins what lies under it.
func TestStemOverRootableGroundStandsOnHardGround(t *testing.T) {
	s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) {
		must(t, b.Hard(poly(rect(-40, -40, 40, 40)), 1))
		must(t, b.Rootable(poly(rect(-2, -2, 2, 2)), .6, .2))
	})
	if s[0].How != Assumed {
		t.Errorf("%v", s[0].How)
	}
	near(t, "ground", s[0].OpenM2, 16, 1e-9)
	near(t, "open to the sky", s[0].RainM2, 1.44, 1e-9)
	near(t, "soil", s[0].SoilM3, 1.44*.9+(16-1.44)*.6*.2, 1e-6)
}

// A sealed stem shares nothing, and does not move the spot of its neighbour.
func TestSealedStemSharesNoSpot(t *testing.T) {
	o := still()
	o.SnapM, o.PitM = 0, 0
	build := func(b *Builder) { must(t, b.Hard(poly(rect(-40, -40, 40, 0)), 1)) }
	stands := []Stand{{At: geo.XY{Y: .04}, ReachM: 6}, {At: geo.XY{X: 5, Y: 3}, ReachM: 6}, {At: geo.XY{Y: -.04}, ReachM: 6}}
	with, without := survey(t, o, stands, build), survey(t, o, stands[:2], build)
	near(t, "share", with[0].ShareM2, without[0].ShareM2, 1e-9)
}

// Heights that differ by less than rounding count as one; an edge that rises
// from one of them must not be lost because of the others.
func TestEdgesThatBeginAtAlmostOneHeight(t *testing.T) {
	for _, h := range []float64{0, 1e-13, 3e-12, 7e-12, 1.2e-11, 1e-10, 1e-8} {
		s := survey(t, still(), []Stand{{ReachM: 8}}, func(b *Builder) {
			must(t, b.Hard(poly(xy(-4, 3, -5, 3+h, -6, 3, -7, 3-h, -7.2, 3+h/2, -7.2, 2, -4, 2)), 1))
			must(t, b.Hard(poly(rect(2, 3, 4, 5)), 1))
		})[0]
		near(t, "opening", s.OpenM2, math.Pi*64-4-3.2, 1e-6)
	}
}

// A wall, or a strip of paving, runs from a pit into paving whose edge is all but
// level, so that no slab can be cut where they cross. What lies on the other side
// is another opening.
func TestWallIntoAnEdgeThatIsAllButLevel(t *testing.T) {
	for _, tilt := range []float64{0, 1e-13, 1e-11, 3e-11, 1e-10, 1.9e-10, 4e-10, 1e-8} {
		for _, at := range []float64{-2.9, -1, 0.01, 1, 2.9} {
			for turn := range 8 {
				place := func(r []geo.XY) []geo.XY {
					for i, p := range r {
						if turn&1 == 1 {
							p.X = -p.X
						}
						if turn&2 == 2 {
							p.Y = -p.Y
						}
						if turn&4 == 4 {
							p = geo.XY{X: p.Y, Y: p.X}
						}
						r[i] = p
					}
					return r
				}
				for _, wall := range []bool{true, false} {
					west, east := 4*(at+3), 4*(3-at)
					stands := []Stand{{At: place(xy(-2.95, -2))[0], ReachM: 20}, {At: place(xy(2.95, -2))[0], ReachM: 20}}
					o := still()
					o.CloseGapM = 0
					s := survey(t, o, stands, func(b *Builder) {
						must(t, b.Hard(poly(place(rect(-50, -50, -3, 50))), 1))
						must(t, b.Hard(poly(place(rect(3, -50, 50, 50))), 1))
						must(t, b.Hard(poly(place(rect(-50, -50, 50, -4))), 1))
						must(t, b.Hard(poly(place(xy(-3, 0, 3, tilt, 3, 50, -3, 50))), 1))
						if wall {
							must(t, b.Barrier(place(xy(at, -5, at, 5))))
						} else {
							must(t, b.Hard(poly(place(rect(at-.01, -5, at+.01, 5))), 1))
							west, east = west-.04, east-.04
						}
					})
					for k, want := range []float64{west, east} {
						if math.Abs(s[k].OpenM2-want) > 1e-6 {
							t.Errorf("tilt %g, at %v, turn %d, wall %v: tree %d has %v m2, want %v", tilt, at, turn, wall, k, s[k].OpenM2, want)
						}
					}
				}
			}
		}
	}
}

// Paving touches a wall half way along, with an edge or with a corner, whichever
// way the wall runs: no root gets through between them.
func TestPavingThatTouchesAWall(t *testing.T) {
	for turn := range 16 {
		for _, tilt := range []float64{0, 1e-12, 1e-10, 3e-9, 2e-8} {
			place := func(r []geo.XY) []geo.XY {
				sin, cos := math.Sincos(float64(turn/4) * .3)
				for i, p := range r {
					for range turn % 4 {
						p = geo.XY{X: -p.Y, Y: p.X}
					}
					r[i] = geo.XY{X: p.X*cos - p.Y*sin, Y: p.X*sin + p.Y*cos}
				}
				return r
			}
			for _, corner := range []bool{false, true} {
				west, east := 5*4., 3*4.
				o := still()
				o.CloseGapM = 0
				s := survey(t, o, []Stand{{At: place(xy(-4, -2))[0], ReachM: 20}, {At: place(xy(2, -2))[0], ReachM: 20}}, func(b *Builder) {
					must(t, b.Barrier(place(xy(-5, -4, -5, 0, 3, 0+tilt, 3, -4, -5, -4))))
					if corner {
						must(t, b.Hard(poly(place(xy(-.5, -4, .5, -4, 0, tilt))), 1))
						west, east = west-1, east-1
					} else {
						must(t, b.Hard(poly(place(xy(-.5, -4, .5, -4, .5, tilt, -.5, tilt))), 1))
						west, east = west-2, east-2
					}
				})
				for k, want := range []float64{west, east} {
					if math.Abs(s[k].OpenM2-want) > 1e-5 {
						t.Errorf("turn %d, tilt %g, corner %v: tree %d has %v m2, want %v", turn, tilt, corner, k, s[k].OpenM2, want)
					}
				}
			}
		}
	}
}

// A stem on a corner where two grounds meet: the larger is its own. When that
// one turns out to be cut off by a gap, the other is, less its own gaps.
func TestStemOnACornerBetweenTwoCracks(t *testing.T) {
	s := survey(t, still(), []Stand{{ReachM: 20}}, func(b *Builder) {
		// Cracks of 2 cm run from the stem west and east, to lawns 4 m off.
		must(t, b.Hard(poly(rect(-4, 0, 4, 9)), 1))
		must(t, b.Hard(poly(rect(-4, -9, 4, -.02)), 1))
		must(t, b.Hard(poly(xy(0, 0, .01, -.03, -.01, -.03)), 1))
		must(t, b.Hard(poly(rect(-50, -50, 50, 50), rect(-9, -9, 12, 9)), 1))
	})
	if s[0].How != Assumed {
		t.Errorf("%v, %v m2: it stands in a crack", s[0].How, s[0].OpenM2)
	}
}

// A wedge is closed where it is as narrow as a gap, by a line across it and by
// one that meets its other side at a right angle. They cross, and no root gets
// through where they do.
func TestTipOfAWedgeStaysClosed(t *testing.T) {
	s := survey(t, still(), []Stand{{At: geo.XY{X: -.5, Y: -1.5}, ReachM: 6}}, func(b *Builder) {
		must(t, b.Hard(poly(xy(-1, -2, -1, 1, -9, 1, -9, -2)), 1))
		must(t, b.Hard(poly(xy(-1, 1, -2./3, -2, 9, -2, 9, 1)), 1)) // 10 cm apart 90 cm below the tip
		must(t, b.Hard(poly(rect(-9, -9, 9, -2)), 1))
		must(t, b.Hard(poly(rect(-9, 1, 9, 9)), 1))
	})
	// The line that is square to the sloping side, at 10 cm, cuts off a little
	// more on the other.
	if open := s[0].OpenM2; open > .5-.045 || open < .5-.046 {
		t.Errorf("%v m2, want .5 less the tip of .045", open)
	}
}

// Where the plane has its origin does not change how far the layers extend.
func TestExtentMovesWithTheLayers(t *testing.T) {
	flags := func(by geo.XY) (out []bool) {
		b := NewBuilder()
		for _, r := range [][]geo.XY{rect(0, 0, 130, 20), rect(40, 300, 90, 310), rect(-200, 40, -150, 400)} {
			for i := range r {
				r[i] = r[i].Add(by)
			}
			must(t, b.Hard(poly(r), 1))
		}
		m := b.Freeze(Defaults())
		for x := -397.; x < 400; x += 13 {
			for y := -297.; y < 700; y += 17 {
				out = append(out, m.covered(geo.XY{X: x, Y: y}.Add(by)))
			}
		}
		return out
	}
	at := flags(geo.XY{})
	if n := len(at) - len(slices.DeleteFunc(slices.Clone(at), func(c bool) bool { return c })); n < 100 || n > len(at)-100 {
		t.Fatalf("%d of %d covered: the test tests little", n, len(at))
	}
	for _, by := range []geo.XY{{X: 13.5, Y: -8.25}, {X: -51, Y: 1e4}} {
		if !slices.Equal(flags(by), at) {
			t.Errorf("moved by %v, other places are covered", by)
		}
	}
}

// Many stems on one spot: each gets its part, and it takes seconds at most.
func TestCrowdOnOneSpot(t *testing.T) {
	const n = 1000
	for _, at := range []geo.XY{{X: 5, Y: 2}, {X: 5, Y: -5}} { // in a strip, and on a road beyond all ground
		b := NewBuilder()
		must(t, b.Hard(poly(rect(-100, -100, 100, 0)), 1))
		must(t, b.Hard(poly(rect(-100, 4, 100, 100)), 1))
		o := Defaults()
		stands := make([]Stand, n)
		for i := range stands {
			stands[i] = Stand{At: at, ReachM: 6, FallM: 10}
		}
		stands = append(stands, Stand{At: geo.XY{X: 9, Y: 2}, ReachM: 6})
		v, err := NewSurvey(b.Freeze(o), stands, o)
		must(t, err)
		sum, first := 0.0, -1.0
		w := v.NewWorker()
		for _, c := range v.Cells() {
			w.Do(c, func(i int32, s *Site) {
				if i == n {
					return
				}
				sum += s.ShareM2
				if first < 0 {
					first = s.ShareM2
				}
				if s.ShareM2 != first || s.Mates < n-1 {
					t.Fatalf("tree %d: share %v, the first has %v; %d mates", i, s.ShareM2, first, s.Mates)
				}
			})
		}
		want := 1.2 * 1.2 // of the pit
		if at.Y > 0 {
			// Half of the strip in the disk, and 2 m of it to the line half way
			// to the neighbour.
			want = 2*math.Sqrt(36-4) + 36*math.Asin(2./6) + 4*2
		}
		near(t, "sum of the shares", sum, want, 1e-6)
	}
}

// The notches between thin teeth are closed at their mouths, however near the
// teeth stand and whichever way they point.
func TestNotchesBetweenThinTeeth(t *testing.T) {
	for _, apartM := range []float64{.09, .0667, .05, .02} {
		for _, deepM := range []float64{.3, 3} {
			for _, turn := range []float64{0, .3, math.Pi / 2, 2, math.Pi} {
				r := []geo.XY{{X: -50, Y: 1}}
				for x := -7.; x < 7; x += apartM {
					r = append(r, geo.XY{X: x, Y: 1}, geo.XY{X: x + apartM/2, Y: 1 + deepM})
				}
				r = append(r, geo.XY{X: 7, Y: 1}, geo.XY{X: 50, Y: 1}, geo.XY{X: 50, Y: 50}, geo.XY{X: -50, Y: 50})
				s := survey(t, still(), []Stand{{ReachM: 6}}, func(b *Builder) { must(t, b.Hard(poly(turned(r, turn)), 1)) })
				// Beside the straight line it keeps of a notch no more than what lies
				// below the perpendicular from a tip to the other side, and two notches
				// that the circle cuts open.
				half := math.Atan(apartM / 2 / deepM)
				line := math.Pi*36 - segment(6, 5)
				rest := math.Sqrt(35)*apartM*math.Sin(half)*math.Cos(half) + 6*apartM*apartM
				if open := s[0].OpenM2; open < line-1e-9 || open > line+rest {
					t.Errorf("teeth %v m apart and %v m long, turned %v: %v m2, want %v and at most %v more", apartM, deepM, turn, open, line, rest)
				}
			}
		}
	}
}
