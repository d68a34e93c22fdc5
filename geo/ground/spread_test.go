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
		// Who stands on one spot is settled by the recorded points.
		lonely := true
		for j := range stands {
			lonely = lonely && (j == n || stands[j].At.Distance(st.At) > o.OneSpotM+2*o.SnapM+3*o.PositionErrorM)
		}
		var want []float64
		for k := range o.Jitters {
			at := displaced(&o, st.At, k)
			w.find(at, st, &w.jitter)
			w.neighbours(i, &w.jitter, st)
			volume := w.share(i, &w.jitter, spot{at: w.jitter.at, id: i, weight: w.weight(i)}, false).soilM3
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
