package ground

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"soilshed/geo"
)

// scene is a made-up block: hard polygons, beds and stands.
type scene struct {
	hard, beds [][][]geo.XY
	stands     []Stand
}

// block makes a scene like a city block: a road, sidewalks with pits and
// strips, a building, driveways, drawn with overlaps, slivers and copies.
func block(r *rand.Rand) scene {
	var s scene
	rot := r.Float64() * 2 * math.Pi
	put := func(rings ...[]geo.XY) {
		p := make([][]geo.XY, len(rings))
		for i := range rings {
			p[i] = turned(rings[i], rot)
		}
		s.hard = append(s.hard, p)
	}
	strip := []float64{0, .8, 1.5, 2.5, 4}[r.IntN(5)]
	gap := []float64{0, 0, .03, -.05, .15}[r.IntN(5)]
	put(rect(-60, -12, 60, 0))
	walk := [][]geo.XY{rect(-60, strip+gap, 60, strip+2.4)}
	var x []float64
	for at := -50.0; at < 50; at += 6 + 6*r.Float64() {
		x = append(x, at)
	}
	if strip == 0 {
		walk = [][]geo.XY{rect(-60, gap, 60, 3)}
		for _, at := range x {
			w := .5 + r.Float64()
			walk = append(walk, rect(at-w, .3+r.Float64()*.3, at+w, 1.2+r.Float64()))
		}
	}
	put(walk...)
	for range 4 {
		at := -50 + 100*r.Float64()
		put(rect(at, -.1+gap, at+3, 12))
	}
	put(rect(-40, 6+3*r.Float64(), -10+20*r.Float64(), 25))
	// A crooked path and a many-sided island.
	var isle []geo.XY
	c := geo.XY{X: 30 * r.Float64(), Y: 4 + 3*r.Float64()}
	for a := 0.0; a < 2*math.Pi; a += .3 {
		l := .5 + 1.5*r.Float64()
		isle = append(isle, geo.XY{X: c.X + l*math.Cos(a), Y: c.Y + l*math.Sin(a)})
	}
	put(isle)
	if r.IntN(3) == 0 {
		s.hard = append(s.hard, s.hard[r.IntN(len(s.hard))])
	}
	if r.IntN(3) == 0 {
		at := -50 + 100*r.Float64()
		s.beds = append(s.beds, poly(turned(rect(at, -1, at+2, 2+3*r.Float64()), rot)))
	}
	for _, at := range x {
		y := strip / 2
		if strip == 0 {
			y = .8
		}
		p := geo.XY{X: at + r.NormFloat64()*.4, Y: y + r.NormFloat64()*.4}
		s.stands = append(s.stands, Stand{At: turned([]geo.XY{p}, rot)[0], ReachM: 3 + 6*r.Float64(), FallM: 10, CrownM2: 5 + 60*r.Float64()})
	}
	return s
}

func (s *scene) build(t testing.TB) func(b *Builder) {
	return func(b *Builder) {
		for i, p := range s.hard {
			must(t, b.Hard(p, float64(i%3)/2))
		}
		for _, p := range s.beds {
			must(t, b.Bed(p))
		}
	}
}

// same compares the numbers of two sites.
func same(t *testing.T, what string, a, b *Site, tol float64) {
	t.Helper()
	for _, n := range []struct {
		name string
		x, y float64
	}{
		{"open", a.OpenM2, b.OpenM2}, {"share", a.ShareM2, b.ShareM2}, {"rain", a.RainM2, b.RainM2},
		{"soil", a.SoilM3, b.SoilM3}, {"short", a.ShortM, b.ShortM}, {"lopsided", a.Lopsided, b.Lopsided},
	} {
		if math.Abs(n.x-n.y) > tol*(1+math.Abs(n.y)) {
			t.Errorf("%s: %s %.9g, was %.9g", what, n.name, n.x, n.y)
		}
	}
	if a.How != b.How || a.Mates != b.Mates {
		t.Errorf("%s: %v with %d mates, was %v with %d", what, a.How, a.Mates, b.How, b.Mates)
	}
}

func scenes(t *testing.T, n int, do func(t *testing.T, r *rand.Rand, s scene)) {
	for seed := range n {
		t.Run(fmt.Sprint("block ", seed), func(t *testing.T) {
			r := rand.New(rand.NewPCG(uint64(seed), 7))
			do(t, r, block(r))
		})
	}
}

func TestNothingDependsOnHowItIsDrawn(t *testing.T) {
	scenes(t, 60, func(t *testing.T, r *rand.Rand, s scene) {
		o := still()
		o.ByCrown = r.IntN(2) == 0
		want := survey(t, o, s.stands, s.build(t))
		check := func(what string, v scene, tol float64) {
			t.Helper()
			got := survey(t, o, v.stands, v.build(t))
			for i := range got {
				same(t, fmt.Sprintf("%s, tree %d", what, i), &got[i], &want[i], tol)
			}
		}
		each := func(do func(ring []geo.XY) []geo.XY) (v scene) {
			v = scene{stands: s.stands}
			for _, p := range s.hard {
				var q [][]geo.XY
				for _, ring := range p {
					q = append(q, do(ring))
				}
				v.hard = append(v.hard, q)
			}
			for _, p := range s.beds {
				v.beds = append(v.beds, poly(do(p[0])))
			}
			return v
		}
		check("rings reversed", each(func(ring []geo.XY) (out []geo.XY) {
			for i := range ring {
				out = append(out, ring[len(ring)-1-i])
			}
			return
		}), 1e-9)
		check("rings begun elsewhere", each(func(ring []geo.XY) []geo.XY {
			k := r.IntN(len(ring))
			return append(append([]geo.XY{}, ring[k:]...), ring[:k]...)
		}), 1e-9)
		check("edges cut in pieces", each(func(ring []geo.XY) (out []geo.XY) {
			for i, a := range ring {
				b := ring[(i+1)%len(ring)]
				out = append(out, a, a)
				for f := r.Float64(); f < .95; f += .4 {
					out = append(out, geo.XY{X: a.X + f*(b.X-a.X), Y: a.Y + f*(b.Y-a.Y)})
				}
			}
			return
		}), 1e-6)
		v := scene{stands: s.stands, beds: s.beds}
		for _, i := range r.Perm(len(s.hard)) {
			v.hard = append(v.hard, s.hard[i])
		}
		v.hard = append(v.hard, s.hard...)
		got := survey(t, o, s.stands, func(b *Builder) { v.build(t)(b) })
		for i := range got {
			same(t, fmt.Sprint("polygons in another order, and twice, tree ", i), &got[i], &want[i], 1e-9)
		}
		d := geo.XY{X: 31234.567, Y: -20123.456}
		moved := each(func(ring []geo.XY) (out []geo.XY) {
			for _, p := range ring {
				out = append(out, p.Add(d))
			}
			return
		})
		moved.stands = nil
		for _, st := range s.stands {
			st.At = st.At.Add(d)
			moved.stands = append(moved.stands, st)
		}
		check("moved", moved, 1e-6)
		a := r.Float64() * 6
		spun := each(func(ring []geo.XY) []geo.XY { return turned(ring, a) })
		spun.stands = nil
		for _, st := range s.stands {
			st.At = turned([]geo.XY{st.At}, a)[0]
			spun.stands = append(spun.stands, st)
		}
		got = survey(t, o, spun.stands, spun.build(t))
		for i := range got {
			got[i].ShortM, got[i].Lopsided = want[i].ShortM, want[i].Lopsided // the rose turns by steps
			same(t, fmt.Sprint("turned, tree ", i), &got[i], &want[i], 1e-6)
		}
		// Another order of the trees and other cells.
		perm := r.Perm(len(s.stands))
		other := make([]Stand, len(perm))
		for i, k := range perm {
			other[i] = s.stands[k]
		}
		o2 := o
		o2.CellM = 17
		got = survey(t, o2, other, s.build(t))
		for i, k := range perm {
			same(t, fmt.Sprint("trees in another order, tree ", k), &got[i], &want[k], 1e-9)
		}
	})
}

func TestMorePavementNeverMeansMoreSoil(t *testing.T) {
	scenes(t, 60, func(t *testing.T, r *rand.Rand, s scene) {
		o := still()
		o.SnapM, o.PitM = 0, 0 // moving a stem may find it better ground
		before := survey(t, o, s.stands, s.build(t))
		x := -40 + 80*r.Float64()
		s.hard = append(s.hard, poly(turned(rect(x, -5, x+5*r.Float64(), 8), r.Float64()*6)))
		after := survey(t, o, s.stands, s.build(t))
		for i := range after {
			if after[i].OpenM2 > before[i].OpenM2*(1+1e-9)+1e-9 {
				t.Errorf("tree %d: opening %.6f m2, %.6f before", i, after[i].OpenM2, before[i].OpenM2)
			}
			if a := after[i].OpenM2; a < 0 || a > math.Pi*sq(s.stands[i].ReachM)*(1+1e-12) || after[i].ShareM2 > a*(1+1e-9)+1e-9 {
				t.Errorf("tree %d: opening %v, share %v, reach %v", i, a, after[i].ShareM2, s.stands[i].ReachM)
			}
		}
	})
}

// Every point of an opening belongs to one share, and no point to two.
func TestSharesCoverTheUnionOnce(t *testing.T) {
	scenes(t, 60, func(t *testing.T, r *rand.Rand, s scene) {
		o := still()
		o.ByCrown = r.IntN(2) == 0
		b := NewBuilder()
		s.build(t)(b)
		v, err := NewSurvey(b.Freeze(o), s.stands, o)
		must(t, err)
		w := v.NewWorker()
		shares := make([][][][]geo.XY, len(s.stands))
		openings := make([]*opening, len(s.stands))
		for _, c := range v.Cells() {
			w.Do(c, func(i int32, site *Site) { shares[i] = site.Share })
			for _, i := range c.Stands {
				op := *w.opening(i)
				op.rims = append([]rim(nil), op.rims...)
				openings[i] = &op
			}
		}
		for range 4000 {
			st := s.stands[r.IntN(len(s.stands))]
			p := st.At.Add(geo.XY{X: 9 * (2*r.Float64() - 1), Y: 9 * (2*r.Float64() - 1)})
			in, own := 0, 0
			for i, op := range openings {
				if op.how != Sealed && op.holds(p) {
					in++
				}
				for _, rings := range shares[i] {
					hit := inRing(rings[0], p)
					for _, h := range rings[1:] {
						hit = hit && !inRing(h, p)
					}
					if hit {
						own++
					}
				}
			}
			if (in > 0) != (own > 0) || own > 1 {
				// A point within the sag of a drawn circle may be missed.
				edge := false
				for _, op := range openings {
					if d := p.Distance(op.at); math.Abs(d-op.r) < 2*sagM {
						edge = true
					}
				}
				if !edge && !o.ByCrown || own > 2 {
					t.Errorf("point %v lies in %d openings and %d shares", p, in, own)
				}
			}
		}
	})
}

// A tree whose roots go round the end of a wall shares with one whose ground ends
// at it: each side of the wall is for itself.
func TestAWallBetweenShares(t *testing.T) {
	stands := []Stand{{ReachM: 6}, {At: geo.XY{X: .5, Y: -4}, ReachM: 5}}
	o := still()
	b := NewBuilder()
	must(t, b.Barrier([]geo.XY{{X: -1.5, Y: -20}, {X: -2, Y: 1}}))
	v, err := NewSurvey(b.Freeze(o), stands, o)
	must(t, err)
	w := v.NewWorker()
	var sum float64
	shares := make([][][][]geo.XY, len(stands))
	openings := make([]opening, len(stands))
	for _, c := range v.Cells() {
		w.Do(c, func(i int32, site *Site) {
			shares[i] = site.Share
			sum += site.ShareM2
		})
		for _, i := range c.Stands {
			openings[i] = *w.opening(i)
			openings[i].rims = append([]rim(nil), openings[i].rims...)
		}
	}
	r := rand.New(rand.NewPCG(3, 3))
	const points, side = 200000, 24.0
	union := 0
	for range points {
		p := geo.XY{X: side * (r.Float64() - .5), Y: side * (r.Float64() - .5)}
		in, own := 0, 0
		for i := range stands {
			if openings[i].holds(p) {
				in++
			}
			for _, rings := range shares[i] {
				if inRing(rings[0], p) {
					own++
				}
			}
		}
		if in > 0 {
			union++
		}
		rim := false // where circles are drawn by chords
		for i := range stands {
			rim = rim || math.Abs(p.Distance(stands[i].At)-stands[i].ReachM) < 2*sagM
		}
		if (own > 1 || in > 0 && own == 0) && !rim {
			t.Fatalf("point %v lies in %d openings and %d shares", p, in, own)
		}
	}
	// Three standard deviations of the count.
	area := side * side * float64(union) / points
	near(t, "sum of shares", sum, area, 3*side*side*math.Sqrt(float64(union))/points)
}
