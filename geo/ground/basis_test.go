package ground

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"soilshed/geo"
)

// basisScene is what a survey is made of.
type basisScene struct {
	polygons []basisPolygon
	stands   []Stand
	absent   []bool
}

type basisPolygon struct {
	kind  kind
	ring  []geo.XY
	value float64
}

func (s *basisScene) survey(t *testing.T, o Options) *Survey {
	t.Helper()
	b := NewBuilder()
	for _, p := range s.polygons {
		var err error
		switch p.kind {
		case hard:
			err = b.Hard([][]geo.XY{p.ring}, p.value)
		case bed:
			err = b.Bed([][]geo.XY{p.ring})
		case rootable:
			err = b.Rootable([][]geo.XY{p.ring}, p.value, 0.5)
		case soil:
			err = b.Soil([][]geo.XY{p.ring}, p.value, 0)
		case barrier:
			err = b.Barrier(p.ring[:2])
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	v, err := NewSurvey(b.Freeze(o), slices.Clone(s.stands), o)
	if err != nil {
		t.Fatal(err)
	}
	for i, gone := range s.absent {
		if gone {
			v.Absent(int32(i))
		}
	}
	v.Digest()
	return v
}

// Where a stand and all within the basis of its site are the same, the site is
// the same to the bit, whatever else has come, gone or changed.
func TestBasis(t *testing.T) {
	rounds := 60
	if testing.Short() {
		rounds = 10
	}
	var same, other, changed int
	for round := range rounds {
		dice := rand.New(rand.NewPCG(uint64(round), 11))
		const side = 160.0
		polygon := func() basisPolygon {
			p := basisPolygon{kind: []kind{hard, hard, hard, hard, bed, rootable, soil, barrier}[dice.IntN(8)], value: 0.3 + dice.Float64()}
			c, w, h, turn := geo.XY{X: side * dice.Float64(), Y: side * dice.Float64()}, 0.5+6*dice.Float64(), 0.5+12*dice.Float64(), dice.Float64()
			if dice.IntN(3) == 0 {
				c, turn = geo.XY{X: math.Round(c.X), Y: math.Round(c.Y)}, 0
			}
			sin, cos := math.Sincos(turn)
			for _, d := range [4][2]float64{{-w, -h}, {w, -h}, {w, h}, {-w, h}} {
				p.ring = append(p.ring, geo.XY{X: c.X + cos*d[0] - sin*d[1], Y: c.Y + sin*d[0] + cos*d[1]})
			}
			return p
		}
		stand := func() Stand {
			st := Stand{At: geo.XY{X: side * dice.Float64(), Y: side * dice.Float64()}, ReachM: 2 + 4*dice.Float64(), FallM: 12 * dice.Float64(), CrownM2: 5 + 60*dice.Float64()}
			if dice.IntN(4) == 0 {
				st.PitLM, st.PitWM = 1+dice.Float64(), 1
			}
			return st
		}
		was := basisScene{}
		for range 60 {
			was.polygons = append(was.polygons, polygon())
		}
		for range 140 {
			st := stand()
			if n := len(was.stands); n > 0 && dice.IntN(5) == 0 { // on one spot with another, or nearly
				st.At = was.stands[dice.IntN(n)].At.Add(geo.XY{X: 0.15 * dice.Float64()})
			}
			was.stands, was.absent = append(was.stands, st), append(was.absent, dice.IntN(20) == 0)
		}
		was.stands[0].ReachM = 6 // the longest, so that it is the same in both

		is := basisScene{slices.Clone(was.polygons), slices.Clone(was.stands), slices.Clone(was.absent)}
		for range 1 + dice.IntN(4) {
			switch dice.IntN(6) {
			case 0:
				is.polygons = slices.Delete(is.polygons, 5, 6)
			case 1:
				is.polygons = slices.Insert(is.polygons, dice.IntN(len(is.polygons)), polygon())
			case 2:
				is.polygons[dice.IntN(len(is.polygons))].value += 0.1
			case 3:
				k := 1 + dice.IntN(len(is.stands)-1)
				is.stands, is.absent = slices.Delete(is.stands, k, k+1), slices.Delete(is.absent, k, k+1)
			case 4:
				k := 1 + dice.IntN(len(is.stands)-1)
				is.stands, is.absent = slices.Insert(is.stands, k, stand()), slices.Insert(is.absent, k, false)
			case 5:
				k := 1 + dice.IntN(len(is.stands)-1)
				is.absent[k] = !is.absent[k]
			}
		}
		o := Defaults()
		o.ByCrown, o.Jitters, o.CellM = dice.IntN(2) == 0, dice.IntN(5), 50
		o.MaxDepthM = 2
		v, u := was.survey(t, o), is.survey(t, o)
		if a, b := fmt.Sprint(v.Globals()), fmt.Sprint(u.Globals()); a != b {
			continue // a kind of layer came or went
		}
		type kept struct {
			site string
			base Basis
			key  Key
		}
		older := map[Key][]kept{}
		w := v.NewWorker()
		for _, c := range v.Cells() {
			w.Do(c, func(i int32, s *Site) {
				older[v.StandKey(i)] = append(older[v.StandKey(i)], kept{fmt.Sprintf("%b", *s), s.Basis, w.Key(i, &s.Basis)})
			})
		}
		w = u.NewWorker()
		for _, c := range u.Cells() {
			w.Do(c, func(i int32, s *Site) {
				now := fmt.Sprintf("%b", *s)
				for _, k := range older[u.StandKey(i)] {
					switch {
					case w.Key(i, &k.base) != k.key:
						changed++
						if now != k.site {
							other++
						}
					case now != k.site:
						t.Errorf("round %d, stand %d at %v: the key is the same, and the site is\n%s\nand was\n%s", round, i, u.Stand(i).At, now, k.site)
					default:
						same++
					}
				}
			})
		}
	}
	t.Logf("%d sites could be taken over; of %d that could not, %d were others", same, changed, other)
	if same < 3*changed || other < changed/10 {
		t.Errorf("%d sites could be taken over; of %d that could not, %d were others", same, changed, other)
	}
}
