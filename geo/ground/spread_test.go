package ground

import (
	"math/rand/v2"
	"testing"
)

// The spread takes a short way where a displaced point finds the same ground;
// it must give what the long way gives.
func TestSpreadByTheShortWay(t *testing.T) {
	scenes(t, 40, func(t *testing.T, r *rand.Rand, s scene) {
		o := Defaults()
		b := NewBuilder()
		s.build(t)(b)
		v, err := NewSurvey(b.Freeze(o), s.stands, o)
		must(t, err)
		w := v.NewWorker()
		for _, c := range v.Cells() {
			w.Do(c, func(i int32, site *Site) {
				if site.How == Sealed {
					return
				}
				low, high := site.SoilP10M3, site.SoilP90M3
				st := &v.stands[i]
				var volumes []float64
				for k := range o.Jitters {
					at := displaced(&o, st.At, k)
					w.find(at, st, &w.jitter)
					w.neighbours(i, &w.jitter, st)
					volumes = append(volumes, w.share(i, &w.jitter, spot{at: w.jitter.at, id: i, weight: w.weight(i)}, false).soilM3)
				}
				w.neighbours(i, w.opening(i), st)
				lo, hi := percentiles(volumes)
				near(t, "10th percentile", low, lo, 1e-9*(1+lo))
				near(t, "90th percentile", high, hi, 1e-9*(1+hi))
				if low > high {
					t.Errorf("percentiles %v, %v", low, high)
				}
			})
		}
	})
}
