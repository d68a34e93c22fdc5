package ground

import (
	"math"
	"math/rand/v2"
	"testing"

	"soilshed/geo"
)

// What is cut off an outline is what a sweep over all outlines finds, wherever it
// is sure; and it mostly is.
func TestCutawayIsTheSweep(t *testing.T) {
	tried, sure := 0, 0
	scenes(t, 60, func(t *testing.T, r *rand.Rand, s scene) {
		o := still()
		o.CloseGapM = []float64{0, .1}[r.IntN(2)]
		for i := range s.stands {
			s.stands[i].ReachM *= .5 + r.Float64()
		}
		b := NewBuilder()
		s.build(t)(b)
		v, err := NewSurvey(b.Freeze(o), s.stands, o)
		must(t, err)
		w := &v.NewWorker().worker
		for i := range int32(len(s.stands)) {
			op := w.opening(i)
			w.neighbours(i, op, &v.stands[i])
			own := spot{at: op.at, id: i, weight: 1}
			want := w.share(i, op, own, true).areaM2 // drawn, so swept
			if len(w.rivals) == 0 || !w.evenly(own) || op.how == Sealed || op.private() {
				continue
			}
			tried++
			if got, ok := w.cutaway.left(op, geo.XY{}, w.rivals); ok {
				sure++
				near(t, "area left", got, want, 1e-7*(1+want))
			}
		}
	})
	if sure < tried*3/4 {
		t.Errorf("sure in %d of %d", sure, tried)
	}
}

// between is the area within x0 < x < x1 of the disk of radius r round (c, 0).
func between(c, r, x0, x1 float64) float64 { return 2 * (halfDisk(x1-c, r) - halfDisk(x0-c, r)) }

// Closed forms: disks on a lawn, by elementary geometry.
func TestCutawayClosedForms(t *testing.T) {
	disk := func(r float64) float64 { return math.Pi * r * r }
	meet := func(r, d, q float64) float64 { return (d*d + r*r - q*q) / (2 * d) } // x where circles meet
	for _, c := range []struct {
		what   string
		stands []Stand
		hard   [][]geo.XY
		want   float64
	}{
		{"an equal", []Stand{{ReachM: 6}, {At: geo.XY{X: 8}, ReachM: 6}}, nil, disk(6) - between(0, 6, 4, 6)},
		{"one of farther reach", []Stand{{ReachM: 6}, {At: geo.XY{X: 8}, ReachM: 9}}, nil, disk(6) - between(0, 6, 4, 6)},
		{"one of less reach", []Stand{{ReachM: 6}, {At: geo.XY{X: 8}, ReachM: 5}}, nil,
			disk(6) - between(8, 5, 4, meet(6, 8, 5)) - between(0, 6, meet(6, 8, 5), 6)},
		{"one of little reach", []Stand{{ReachM: 9}, {At: geo.XY{X: 8}, ReachM: 4.5}}, nil,
			disk(9) - between(8, 4.5, 4, meet(9, 8, 4.5)) - between(0, 9, meet(9, 8, 4.5), 9)},
		{"one on each side", []Stand{{ReachM: 6}, {At: geo.XY{X: 8}, ReachM: 5}, {At: geo.XY{X: -10}, ReachM: 7}}, nil,
			disk(6) - between(8, 5, 4, meet(6, 8, 5)) - between(0, 6, meet(6, 8, 5), 6) - between(0, 6, 5, 6)},
		{"an equal beyond a road", []Stand{{ReachM: 6}, {At: geo.XY{X: 8}, ReachM: 6}}, poly(rect(5, -9, 6.5, 9)), disk(6) - between(0, 6, 5, 6)},
		{"an island that the other has", []Stand{{ReachM: 6}, {At: geo.XY{X: 8}, ReachM: 6}}, poly(rect(4.5, -1, 5, 1)), disk(6) - between(0, 6, 4, 6)},
		{"an island that is left", []Stand{{ReachM: 6}, {At: geo.XY{X: 8}, ReachM: 6}}, poly(rect(2, -1, 3, 1)), disk(6) - between(0, 6, 4, 6) - 2},
	} {
		for _, turn := range []float64{0, .3, 1.1, 2, 3.3, 4.4, 5.9} {
			b := NewBuilder()
			must(t, b.Hard(poly(rect(90, 90, 91, 91)), 1))
			if c.hard != nil {
				must(t, b.Hard(poly(turned(c.hard[0], turn)), 1))
			}
			stands := make([]Stand, len(c.stands))
			for i, s := range c.stands {
				s.At = turned([]geo.XY{s.At}, turn)[0]
				stands[i] = s
			}
			v, err := NewSurvey(b.Freeze(still()), stands, still())
			must(t, err)
			w := &v.NewWorker().worker
			op := w.opening(0)
			w.neighbours(0, op, &stands[0])
			w.share(0, op, spot{at: op.at, weight: 1}, true)
			got, ok := w.cutaway.left(op, geo.XY{}, w.rivals)
			if !ok {
				t.Errorf("%s, turned %g: not sure", c.what, turn)
				continue
			}
			near(t, c.what, got, c.want, 1e-9*c.want)
		}
	}
}
