package ground

import (
	"math"
	"testing"

	"soilshed/geo"
)

// rect is an upright rectangle, counter-clockwise.
func rect(x0, y0, x1, y1 float64) []geo.XY {
	return []geo.XY{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}}
}

func poly(rings ...[]geo.XY) [][]geo.XY { return rings }

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// still are the default settings without position error.
func still() Options {
	o := Defaults()
	o.Jitters = 0
	return o
}

// survey returns the sites of the stands over what build adds.
func survey(t testing.TB, o Options, stands []Stand, build func(b *Builder)) []Site {
	t.Helper()
	b := NewBuilder()
	build(b)
	v, err := NewSurvey(b.Freeze(o), stands, o)
	must(t, err)
	out := make([]Site, len(stands))
	w := v.NewWorker()
	for _, c := range v.Cells() {
		w.Do(c, func(i int32, s *Site) { out[i] = *s })
	}
	return out
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g, want %.9g", what, got, want)
	}
}

// segment is the area of a circular segment of height h.
func segment(r, h float64) float64 {
	return r*r*math.Acos((r-h)/r) - (r-h)*math.Sqrt(2*r*h-h*h)
}

// Closed forms of plane geometry; the printed values are those of any handbook
// of mensuration (a segment of height 2.5 in a circle of radius 10 has 22.665588,
// the lens of two unit circles one apart 2 pi/3 - sqrt(3)/2).
func TestClosedForms(t *testing.T) {
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	cases := []struct {
		name  string
		reach float64
		want  float64
		how   How
		build func(b *Builder)
	}{
		{"circle", 6, math.Pi * 36, Uncovered, func(b *Builder) {}},
		{"circle beside far pavement", 6, math.Pi * 36, Open, func(b *Builder) {
			must(b.Hard(poly(rect(20, -50, 30, 50)), 1))
		}},
		{"disk less a segment", 10, math.Pi*100 - segment(10, 2.5), Measured, func(b *Builder) {
			must(b.Hard(poly(rect(7.5, -50, 60, 50)), 1))
		}},
		{"segment at an angle", 10, math.Pi*100 - segment(10, 2.5), Measured, func(b *Builder) {
			must(b.Hard(poly(turned(rect(7.5, -50, 60, 50), 0.3)), 1))
		}},
		{"pit as a hole", 6, 1.44, Measured, func(b *Builder) {
			must(b.Hard(poly(rect(-40, -40, 40, 40), rect(-.6, -.6, .6, .6)), 1))
		}},
		{"pit between four slabs", 6, 1.44, Measured, func(b *Builder) {
			must(b.Hard(poly(rect(-40, -40, 40, -.6)), 1))
			must(b.Hard(poly(rect(-40, .6, 40, 40)), 1))
			must(b.Hard(poly(rect(-40, -40, -.6, 40)), 1))
			must(b.Hard(poly(rect(.6, -40, 40, 40)), 1))
		}},
		{"strip 2 m wide", 9, math.Pi*81 - 2*segment(9, 8), Measured, func(b *Builder) {
			must(b.Hard(poly(rect(-1e3, 1, 1e3, 5e3)), 1))
			must(b.Hard(poly(rect(-1e3, -5e3, 1e3, -1)), 1))
		}},
		{"square of half-side 3", 9, 36, Measured, func(b *Builder) {
			must(b.Hard(poly(rect(-40, -40, 40, 40), rect(-3, -3, 3, 3)), 1))
		}},
		{"L-shaped bed round the corner of a building", 6, 0, Measured, func(b *Builder) {
			// A building fills the quadrant x > 1, y > 1 and paving lies 2 m from
			// its walls; the disk is wide enough to hold both arms to x = y = 5.
			must(b.Hard(poly(rect(1, 1, 100, 100)), 1))
			must(b.Hard(poly(rect(-100, -100, -1, 100)), 1))
			must(b.Hard(poly(rect(-100, -100, 100, -1)), 1))
		}},
		{"circle with an island", 6, math.Pi*36 - 2, Measured, func(b *Builder) {
			must(b.Hard(poly(rect(2, -1, 3, 1)), 1))
		}},
		{"bed in pavement", 6, 6, Measured, func(b *Builder) {
			must(b.Hard(poly(rect(-40, -40, 40, 40)), 1))
			must(b.Bed(poly(rect(-1, -1, 2, 1))))
		}},
		{"three copies of one sidewalk", 6, 1.44, Measured, func(b *Builder) {
			for range 3 {
				must(b.Hard(poly(rect(-40, -40, 40, 40), rect(-.6, -.6, .6, .6)), 1))
			}
		}},
		{"bow-tie beside a pit", 6, 1.44 + 1, Measured, func(b *Builder) {
			// The bow-tie's lobes cover the upper and the lower quarter of a square
			// of 4 m2 beside the pit; of the two quarters left, one touches the pit.
			must(b.Hard(poly(rect(-40, -40, 40, 40), rect(-.6, -.6, .6, .6), rect(.6, -1, 2.6, 1)), 1))
			must(b.Hard(poly([]geo.XY{{X: .6, Y: -1}, {X: 2.6, Y: -1}, {X: .6, Y: 1}, {X: 2.6, Y: 1}}), 1))
		}},
		{"a spike is no wall", 6, 36, Measured, func(b *Builder) {
			must(b.Hard(poly(rect(-40, -40, 40, 40), rect(-3, -3, 3, 3)), 1))
			must(b.Hard(poly([]geo.XY{{X: 3, Y: 1}, {X: -3, Y: 1}, {X: 3, Y: 1}, {X: 4, Y: 1.5}}), 1))
		}},
	}
	for i := range cases {
		c := &cases[i]
		if c.name[0] == 'L' {
			// Two strips of 2 m about the axes' negative sides: each arm runs
			// from the square |x|,|y| < 1 to the circle.
			arm := func(r float64) float64 { // area of 1 < x, |y| < 1 in the disk
				return math.Pi*r*r/2 - segment(r, r-1) - (math.Pi*r*r/2 - segment(r, r-1) - armArea(r))
			}
			c.want = 4 + 2*arm(c.reach)
		}
		t.Run(c.name, func(t *testing.T) {
			s := survey(t, still(), []Stand{{ReachM: c.reach}}, c.build)[0]
			near(t, "opening", s.OpenM2, c.want, 1e-9*c.want+1e-12)
			near(t, "share", s.ShareM2, c.want, 1e-9*c.want+1e-12)
			near(t, "soil", s.SoilM3, c.want*.9, 1e-9*c.want+1e-12)
			if s.How != c.how {
				t.Errorf("how = %v, want %v", s.How, c.how)
			}
			drawn := 0.0
			for _, p := range s.Share {
				for _, r := range p {
					for i, a := range r {
						b := r[(i+1)%len(r)]
						drawn += (a.X*b.Y - b.X*a.Y) / 2
					}
				}
			}
			if drawn > s.ShareM2+1e-6 || drawn < s.ShareM2*(1-2*sagM/3*2/c.reach) {
				t.Errorf("the polygon drawn has %.6f m2, the share %.6f", drawn, s.ShareM2)
			}
		})
	}
}

// armArea is the area of 1 < x, -1 < y < 1 within a circle of radius r.
func armArea(r float64) float64 {
	f := func(y float64) float64 { return (y*math.Sqrt(r*r-y*y) + r*r*math.Asin(y/r)) / 2 }
	return f(1) - f(-1) - 2
}

func turned(r []geo.XY, a float64) []geo.XY {
	sin, cos := math.Sincos(a)
	out := make([]geo.XY, len(r))
	for i, p := range r {
		out[i] = geo.XY{X: p.X*cos - p.Y*sin, Y: p.X*sin + p.Y*cos}
	}
	return out
}

func TestLensIsDividedInTwo(t *testing.T) {
	// Two unit disks one apart on open ground: each keeps its disk less the half
	// of the lens that lies nearer to the other.
	lens := 2*math.Pi/3 - math.Sqrt(3)/2
	for _, a := range []float64{0, .1, math.Pi / 2, 2} {
		p := turned([]geo.XY{{X: 0, Y: 0}, {X: 1, Y: 0}}, a)
		s := survey(t, still(), []Stand{{At: p[0], ReachM: 1}, {At: p[1], ReachM: 1}}, func(b *Builder) {})
		for i := range s {
			near(t, "share", s[i].ShareM2, math.Pi-lens/2, 1e-9)
		}
	}
}

func TestUnequalReach(t *testing.T) {
	// Radii 5 and 3, 4 apart: the lens has 18.224695 (handbook value). Points of
	// it nearer to the second go to it as far as its disk goes.
	s := survey(t, still(), []Stand{{ReachM: 5}, {At: geo.XY{X: 4}, ReachM: 3}}, func(b *Builder) {})
	union := math.Pi*25 + math.Pi*9 - 18.224695
	near(t, "sum of shares", s[0].ShareM2+s[1].ShareM2, union, 1e-6)
	if s[0].Mates != 1 {
		t.Errorf("mates = %d, want 1", s[0].Mates)
	}
	// Beyond the bisector x = 2 the first keeps what the second cannot reach.
	lensRight := func() float64 { // of disk 2, x > 2, inside disk 1
		n, sum := 4000000, 0.0
		for i := range n {
			x := 2 + 3*(float64(i)+.5)/float64(n)
			y := math.Min(math.Sqrt(math.Max(0, 25-x*x)), math.Sqrt(math.Max(0, 9-(x-4)*(x-4))))
			sum += 2 * y * 3 / float64(n)
		}
		return sum
	}()
	near(t, "share of the larger", s[0].ShareM2, math.Pi*25-lensRight, 1e-5)
}

func TestOneSpot(t *testing.T) {
	s := survey(t, still(), []Stand{{ReachM: 6}, {At: geo.XY{X: .05}, ReachM: 6}, {ReachM: 6}}, func(b *Builder) {
		must(t, b.Hard(poly(rect(-40, -40, 40, 40), rect(-3, -3, 3, 3)), 1))
	})
	for i := range s {
		near(t, "share", s[i].ShareM2, 12, 1e-9)
	}
}
