package ground

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"soilshed/geo"
)

// Random scenes in which GEOS finds another ground: what is expected was worked
// out in rational numbers, without rounding (exactly in
// scripts/reference/scenes.py), with necks narrower than joinM closed and films of
// hard ground thinner than thinM left out. There a circle is a polygon of 128
// sides with as much area, so a few square centimetres are its.
func TestScenesWorkedOutExactly(t *testing.T) {
	raw, err := os.ReadFile("testdata/scenes.json")
	must(t, err)
	var cases []struct {
		Scene, Tree int
		Why         string
		Hard, Beds  [][][][2]float64
		SnapM       float64 `json:"snap_m"`
		At          [2]float64
		ReachM      float64 `json:"reach_m"`
		WantM2      float64 `json:"want_m2"`
	}
	must(t, json.Unmarshal(raw, &cases))
	if len(cases) == 0 {
		t.Fatal("no scenes")
	}
	rings := func(p [][][2]float64) (out [][]geo.XY) {
		for _, r := range p {
			var ring []geo.XY
			for _, q := range r {
				ring = append(ring, geo.XY{X: q[0], Y: q[1]})
			}
			out = append(out, ring)
		}
		return out
	}
	for _, c := range cases {
		o := still()
		o.CloseGapM, o.SnapM, o.PitM = 0, c.SnapM, 0
		s := survey(t, o, []Stand{{At: geo.XY{X: c.At[0], Y: c.At[1]}, ReachM: c.ReachM}}, func(b *Builder) {
			for _, p := range c.Hard {
				must(t, b.Hard(rings(p), 1))
			}
			for _, p := range c.Beds {
				must(t, b.Bed(rings(p)))
			}
		})
		if math.Abs(s[0].OpenM2-c.WantM2) > 2e-3 {
			t.Errorf("scene %d, tree %d (%s): %v, %v m2, want %v", c.Scene, c.Tree, c.Why, s[0].How, s[0].OpenM2, c.WantM2)
		}
	}
}

// Two grounds that meet in a point, to rounding, are two; a neck wider than joinM
// joins them. Between, rounding decides.
func TestNeckNarrowerThanRounding(t *testing.T) {
	for _, turn := range []float64{0, .3, math.Pi / 4, 2} {
		for _, c := range []struct{ neckM, want float64 }{{-1e-9, 8}, {0, 8}, {1e-12, 8}, {1e-5, 16}} {
			o := still()
			o.CloseGapM = 0
			s := survey(t, o, []Stand{{At: turned(xy(-2, -1), turn)[0], ReachM: 20}}, func(b *Builder) {
				must(t, b.Hard(poly(turned(rect(-50, -50, 50, 50), turn), turned(rect(-4, -2, 0, 0), turn), turned(rect(-c.neckM, 0, 4, 2), turn)), 1))
			})
			if math.Abs(s[0].OpenM2-c.want) > 1e-4 {
				t.Errorf("a neck of %v m, turned %v: %v m2, want %v", c.neckM, turn, s[0].OpenM2, c.want)
			}
		}
	}
}

// A hair of paving across a bed that is thinner than thinM along a level line parts
// nothing, gaps closed or not: layers drawn to one line differ by that. A wider one
// does. (One that lies all but level is wider along the line; it may part.)
func TestFilmThinnerThanRounding(t *testing.T) {
	for _, turn := range []float64{0, .3, .8, 2.6} {
		for _, gapM := range []float64{0, .1} {
			for _, c := range []struct{ filmM, want float64 }{{1e-12, 2}, {1e-10, 2}, {3e-9, 2}, {1e-6, 1}, {1e-3, 1}} {
				o := still()
				o.CloseGapM = gapM
				s := survey(t, o, []Stand{{At: turned(xy(-2, 0), turn)[0], ReachM: 20}}, func(b *Builder) {
					must(t, b.Hard(poly(turned(rect(-50, -50, 50, 50), turn), turned(rect(-5, -.1, 0, .1), turn), turned(rect(c.filmM, -.1, 5, .1), turn)), 1))
				})
				near(t, "ground", s[0].OpenM2, c.want, 1e-5)
			}
		}
	}
}

// A passage a hair narrower than the gap is closed, one a hair wider is not: past
// the end of a wall, past the tip of a spike, and in a crack.
func TestPassageAsWideAsAGap(t *testing.T) {
	const g = .1
	for _, turn := range []float64{0, .3, math.Pi / 2, 2} {
		for _, off := range []float64{-.03, -1e-9, 1e-9, .03} {
			for what, barrier := range map[string]func(b *Builder){
				"wall":  func(b *Builder) { must(t, b.Barrier(turned(xy(0, 9, 0, g+off), turn))) },
				"bend":  func(b *Builder) { must(t, b.Barrier(turned(xy(-.3, 9, 0, g+off, .3, 9), turn))) },
				"spike": func(b *Builder) { must(t, b.Hard(poly(turned(xy(-.3, 9, 0, g+off, .3, 9), turn)), 1)) },
				"crack": func(b *Builder) { must(t, b.Hard(poly(turned(rect(-.3, g+off, .3, 9), turn)), 1)) },
			} {
				s := survey(t, still(), []Stand{{At: turned(xy(-2, 2), turn)[0], ReachM: 20}}, func(b *Builder) {
					must(t, b.Hard(poly(turned(rect(-50, -50, 50, 50), turn), turned(rect(-4, 0, 4, 4), turn)), 1))
					barrier(b)
				})
				if open := s[0].OpenM2; (open > 20) != (off > 0) || open < 14.5 || open > 32.1 || open > 16.1 && open < 29.5 {
					t.Errorf("%s, turned %v: %v m2 beside a passage %v m wide", what, turn, open, g+off)
				}
			}
		}
	}
}
