package ground

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"soilshed/geo"
)

// The spread takes short ways where a displaced point stands in the ground of the
// recorded one; it must give what surveys of the tree give that is moved there.
func TestSpreadIsOfTheMovedTree(t *testing.T) {
	rounds := 80
	if testing.Short() {
		rounds = 20
	}
	scenes(t, rounds, func(t *testing.T, r *rand.Rand, s scene) {
		o := Defaults()
		o.ByCrown = r.IntN(4) == 0
		o.CloseGapM = []float64{0, .1, .1, .4}[r.IntN(4)]
		o.SnapM = []float64{0, 1.5, 1.5, 1.5}[r.IntN(4)]
		o.PositionErrorM = []float64{.3, 1, 1, 3}[r.IntN(4)]
		for i := range s.stands {
			if r.IntN(5) == 0 {
				s.stands[i].PitLM, s.stands[i].PitWM = 1+r.Float64(), 1
			}
			if r.IntN(5) == 0 {
				s.stands[i].DepthM = r.Float64()
			}
		}
		b := NewBuilder()
		s.build(t)(b)
		patch := func() [][]geo.XY {
			x, y := 80*r.Float64()-40, 12*r.Float64()-6
			return poly(turned(rect(x, y, x+12*r.Float64(), y+6*r.Float64()), 6*r.Float64()))
		}
		for kind := r.IntN(8); kind < 3; kind++ {
			switch kind {
			case 0:
				must(t, b.Rootable(patch(), .6, .3))
			case 1:
				must(t, b.Soil(patch(), .5, 0))
			case 2:
				must(t, b.Barrier(patch()[0][:3]))
			}
		}
		spreadOfMoved(t, b.Freeze(o), s.stands, o)
	})
}

// Scenes of whole coordinates, where everything touches everything.
func TestSpreadWhereAllTouches(t *testing.T) {
	rounds := 400
	if testing.Short() {
		rounds = 100
	}
	for seed := range rounds {
		t.Run(fmt.Sprint("scene ", seed), func(t *testing.T) {
			r := rand.New(rand.NewPCG(uint64(seed), 31))
			data := make([]byte, 40+r.IntN(120))
			for i := range data {
				data[i] = byte(r.Uint32())
			}
			d := draw(data)
			d.o.PositionErrorM, d.o.Jitters = 1, 8
			b := NewBuilder()
			d.build(b)
			spreadOfMoved(t, b.Freeze(d.o), d.stands, d.o)
		})
	}
}

// Triangles that meet six at a corner, hard or open: grounds touch at corners, and
// go round one another.
func TestSpreadAmongTriangles(t *testing.T) {
	rounds := 300
	if testing.Short() {
		rounds = 100
	}
	for seed := range rounds {
		t.Run(fmt.Sprint("scene ", seed), func(t *testing.T) {
			r := rand.New(rand.NewPCG(uint64(seed), 37))
			o := Defaults()
			o.CloseGapM = []float64{0, .1}[r.IntN(2)]
			spin := 6 * r.Float64()
			const side = 1.5
			corner := func(i, k int) geo.XY {
				return turned([]geo.XY{{X: side * (float64(i) + float64(k)/2), Y: side * float64(k) * math.Sqrt(.75)}}, spin)[0]
			}
			b := NewBuilder()
			for i := -9; i < 9; i++ {
				for k := -9; k < 9; k++ {
					for third := range 2 {
						if r.IntN(100) < 38 {
							must(t, b.Hard(poly([]geo.XY{corner(i, k+1), corner(i+1, k), corner(i+third, k+third)}), 1))
						}
					}
				}
			}
			// Half the plane is one polygon with a toothed edge, which the tips of
			// triangles touch.
			teeth := []geo.XY{corner(-9, 0)}
			for i := -9; i < 9; i++ {
				teeth = append(teeth, corner(i, 0), corner(i+1, -1))
			}
			must(t, b.Hard(poly(append(teeth, corner(18, -9), corner(0, -18))), 1))
			stands := []Stand{{At: geo.XY{X: 4*r.Float64() - 2, Y: 4*r.Float64() - 2}, ReachM: 1.5 + 3*r.Float64()}}
			spreadOfMoved(t, b.Freeze(o), stands, o)
		})
	}
}

// A point on hard ground whose nearest corner parts two grounds stands in the
// larger of them.
func TestSpreadAtACornerOfTwoGrounds(t *testing.T) {
	fan := func(from, to, l float64) [][]geo.XY {
		ring := []geo.XY{{}}
		for a := from; a <= to; a += (to - from) / 8 {
			ring = append(ring, geo.XY{X: l * math.Cos(a*math.Pi/180), Y: l * math.Sin(a*math.Pi/180)})
		}
		return poly(ring)
	}
	o := Defaults()
	b := NewBuilder()
	must(t, b.Hard(fan(-20, 200, 20), 1))
	must(t, b.Hard(fan(265, 275, 20), 1))
	must(t, b.Hard(poly(rect(-20, -9, 0, -2)), 1))
	m := b.Freeze(o)
	for k := range 60 {
		u := geo.Bearing(195 + k).Step() // between the two fans on the left
		for l := .3; l < 1.5; l += .3 {
			spreadOfMoved(t, m, []Stand{{At: geo.XY{X: l * u.X, Y: l * u.Y}, ReachM: 4}}, o)
		}
	}
}

// A displaced point on the spot of a neighbour shares its ground equally.
func TestSpreadOntoANeighbour(t *testing.T) {
	o := Defaults()
	b := NewBuilder()
	must(t, b.Hard(poly(rect(-30, 2, 30, 9)), 1))
	m := b.Freeze(o)
	for k := range o.Jitters {
		at := displaced(&o, geo.XY{}, k)
		stands := []Stand{{ReachM: 5}, {At: geo.XY{X: at.X + o.OneSpotM/2, Y: at.Y}, ReachM: 7}}
		if stands[1].At.Distance(geo.XY{}) > o.OneSpotM+2*o.SnapM || stands[1].At.Distance(geo.XY{}) < o.OneSpotM {
			continue
		}
		v, err := NewSurvey(m, stands, o)
		must(t, err)
		w := &v.NewWorker().worker
		var site, moved Site
		w.site(0, &site)
		got := slices.Clone(w.volumes)
		stands[0].At = at
		there, err := NewSurvey(m, stands, o)
		must(t, err)
		there.NewWorker().site(0, &moved)
		if !slices.ContainsFunc(got, func(v float64) bool { return math.Abs(v-moved.SoilM3) < 1e-6 }) {
			t.Errorf("point %d: volumes %v, of the moved tree %v", k, got, moved.SoilM3)
		}
	}
}

// spreadOfMoved holds the volumes of the spread of each stand to what is found by
// looking for the ground of each displaced point anew, and that to the surveys of
// the same stands with that one moved.
func spreadOfMoved(t *testing.T, m *Map, stands []Stand, o Options) {
	t.Helper()
	v, err := NewSurvey(m, stands, o)
	must(t, err)
	w := &v.NewWorker().worker
	still := o
	still.Jitters = 0
	var site, moved Site
	for n := range stands {
		i := int32(n)
		st := &v.stands[i]
		w.volumes = w.volumes[:0]
		w.site(i, &site)
		if len(w.volumes) == 0 { // nothing hard within reach of any point
			continue
		}
		got := slices.Clone(w.volumes)
		// Who else stands on one spot is settled by the recorded points.
		lonely := true
		for j := range stands {
			lonely = lonely && (j == n || stands[j].At.Distance(st.At) > o.OneSpotM+2*o.SnapM+3*o.PositionErrorM)
		}
		var want []float64
		for k := range o.Jitters {
			at := displaced(&o, st.At, k)
			w.find(at, st, &w.jitter)
			w.neighbours(i, &w.jitter, st)
			volume := w.share(i, &w.jitter, w.spotBeside(i, w.jitter.at), false).soilM3
			want = append(want, volume)
			if !lonely {
				continue
			}
			there := slices.Clone(stands)
			there[i].At = at
			v, err := NewSurvey(m, there, still)
			must(t, err)
			v.NewWorker().site(i, &moved)
			near(t, "volume of the moved tree", volume, moved.SoilM3, 1e-9*(1+volume))
		}
		slices.Sort(want)
		for k := range want {
			if math.Abs(got[k]-want[k]) > 1e-6*(1e-3+want[k]) {
				t.Errorf("tree %d (%v): volumes %v, of the moved tree %v", i, site.How, got, want)
				break
			}
		}
	}
}
