package ground

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"soilshed/geo"
)

// combOf is paving whose edge beside the stem is a comb of n vertices within the
// reach of 6 m: teeth 1 mm apart or so, of the given length or of any up to it.
func combOf(n int, longM float64, even bool, turn float64) []geo.XY {
	r := rand.New(rand.NewPCG(7, uint64(n)))
	const wideM = 10.
	ring := []geo.XY{{X: -50, Y: 40}, {X: -50, Y: 1}}
	for k := range n / 2 {
		x := wideM * (float64(k)/float64(n/2) - .5)
		tip, root := 1., 1+longM
		if !even {
			tip, root = 1+longM*.4*r.Float64(), 1+longM*(.6+.4*r.Float64())
		}
		ring = append(ring, geo.XY{X: x, Y: tip}, geo.XY{X: x + wideM/float64(n), Y: root})
	}
	return turned(append(ring, geo.XY{X: 50, Y: 1}, geo.XY{X: 50, Y: 40}), turn)
}

// starOf is a lawn with n/2 teeth of paving all round, that point at the stem.
func starOf(n int) []geo.XY {
	r := rand.New(rand.NewPCG(8, uint64(n)))
	var ring []geo.XY
	for k := range n {
		l := 3 + .5*r.Float64()
		if k%2 == 1 {
			l = 5 + .5*r.Float64()
		}
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / float64(n))
		ring = append(ring, geo.XY{X: l * cos, Y: l * sin})
	}
	return ring
}

func BenchmarkDense(b *testing.B) {
	for _, n := range []int{1000, 10000} {
		for _, c := range []struct {
			name string
			hard [][]geo.XY
		}{
			{"even comb", poly(combOf(n, 3, true, 0))},
			{"even comb on its side", poly(combOf(n, 3, true, math.Pi/2))},
			{"comb", poly(combOf(n, 3, false, 0))},
			{"comb aslant", poly(combOf(n, 3, false, .7))},
			{"comb on its side", poly(combOf(n, 3, false, math.Pi/2))},
			{"short comb aslant", poly(combOf(n, .1, false, .7))},
			{"star", poly(rect(-50, -50, 50, 50), starOf(n))},
		} {
			for _, gapM := range []float64{0, .1} {
				b.Run(fmt.Sprintf("%s/%d/gap %g", c.name, n, gapM), func(b *testing.B) {
					o := Defaults()
					o.CloseGapM, o.Jitters = gapM, 0
					build := NewBuilder()
					must(b, build.Hard(c.hard, 1))
					v, err := NewSurvey(build.Freeze(o), []Stand{{ReachM: 6}}, o)
					must(b, err)
					w := v.NewWorker()
					for b.Loop() {
						w.Do(v.Cells()[0], func(_ int32, s *Site) { b.ReportMetric(s.OpenM2, "m2") })
					}
				})
			}
		}
	}
}

// The search for gaps takes steps in proportion to the faces that lie within a gap
// of each other, not to all pairs, and its lines do not cross what lies between:
// of 10,000 vertices in one reach, a vertex a millimetre, each has some 200 near.
func TestGapsOfADenseComb(t *testing.T) {
	const n = 10000
	for _, even := range []bool{true, false} {
		b := NewBuilder()
		must(t, b.Hard(poly(combOf(n, 3, even, math.Pi/2)), 1))
		o := still()
		v, err := NewSurvey(b.Freeze(o), []Stand{{ReachM: 6}}, o)
		must(t, err)
		w := v.NewWorker()
		w.Do(v.Cells()[0], func(_ int32, s *Site) {
			// The teeth are gone; beside the last one, at 5 m, ground goes on.
			if line := math.Pi*36 - segment(6, 5); even && (s.OpenM2 < line || s.OpenM2 > line+1.5) {
				t.Errorf("%v m2 of ground, want %v and at most 1.5 more", s.OpenM2, line)
			}
		})
		t.Logf("even %v: %d steps, %d plugs", even, w.s.work, len(w.s.plugs))
		if w.s.work > 60*100*n { // all pairs, six tests each, are 300 million
			t.Errorf("even %v: %d steps", even, w.s.work)
		}
		if len(w.s.plugs) > 4*n {
			t.Errorf("even %v: %d lines", even, len(w.s.plugs))
		}
	}
}
