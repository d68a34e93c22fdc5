//go:build unix

package ground

import (
	"math/rand/v2"
	"strconv"
	"syscall"
	"testing"

	"soilshed/geo"
)

// town lays blocks out on a grid: a strip, pits or lawn along each street.
func town(n int, kind string) (b *Builder, stands []Stand) {
	r := rand.New(rand.NewPCG(1, 2))
	b = NewBuilder()
	hard := func(rings ...[]geo.XY) {
		if err := b.Hard(rings, 1); err != nil {
			panic(err)
		}
	}
	for i := 0; len(stands) < n; i++ {
		y := float64(i%40) * 60
		x := float64(i/40) * 120
		hard(rect(x, y-6, x+120, y))
		switch kind {
		case "pit":
			walk := [][]geo.XY{rect(x, y, x+120, y+4)}
			for at := x + 5; at < x+115; at += 8 {
				walk = append(walk, rect(at-.75, y+.4, at+.75, y+1.9))
				stands = append(stands, Stand{At: geo.XY{X: at, Y: y + 1 + r.Float64()*.2}, ReachM: 6})
			}
			hard(walk...)
		case "strip":
			hard(rect(x, y+2, x+120, y+4))
			for at := x + 5; at < x+115; at += 8 {
				hard(rect(at+3, y-.1, at+5.5, y+9))
				stands = append(stands, Stand{At: geo.XY{X: at, Y: y + 1 + r.Float64()*.2}, ReachM: 6})
			}
		case "lawn":
			hard(rect(x, y, x+120, y+2))
			for at := x + 5; at < x+115; at += 8 {
				hard(rect(at, y+10+r.Float64(), at+6, y+20))
				stands = append(stands, Stand{At: geo.XY{X: at, Y: y + 5 + r.Float64()*3}, ReachM: 6})
			}
		case "plaza":
			// Slabs of 3 m laid edge to edge, with octagonal pits.
			for at := x; at < x+120; at += 3 {
				for row := y; row < y+30; row += 3 {
					hole := [][]geo.XY{rect(at, row, at+3, row+3)}
					if int(at-x)%9 == 3 && int(row-y)%9 == 3 {
						var pit []geo.XY
						for k := range 8 {
							u := geo.Bearing(k * 45).Step()
							pit = append(pit, geo.XY{X: at + 1.5 + .9*u.X, Y: row + 1.5 + .9*u.Y})
						}
						hole = append(hole, pit)
						stands = append(stands, Stand{At: geo.XY{X: at + 1.4, Y: row + 1.6}, ReachM: 6})
					}
					hard(hole...)
				}
			}
		}
	}
	return b, stands
}

func BenchmarkSurvey(b *testing.B) {
	for _, kind := range []string{"pit", "strip", "lawn", "plaza"} {
		for _, mode := range []string{"opening", "gaps", "all", "spread"} {
			b.Run(kind+"/"+mode, func(b *testing.B) {
				build, stands := town(2000, kind)
				o := Defaults()
				if mode == "opening" {
					o.CloseGapM = 0
				}
				if mode != "spread" {
					o.Jitters = 0
				}
				if mode == "all" {
					for i := range stands {
						stands[i].FallM = 10
					}
				}
				v, err := NewSurvey(build.Freeze(o), stands, o)
				must(b, err)
				w := v.NewWorker()
				b.ReportAllocs()
				start := cpuMicros()
				for b.Loop() {
					for _, c := range v.Cells() {
						if mode == "all" || mode == "spread" {
							w.Do(c, func(i int32, s *Site) {})
							continue
						}
						// The opening alone.
						for _, i := range c.Stands {
							w.find(stands[i].At, &stands[i], &w.jitter)
						}
					}
				}
				n := float64(b.N) * float64(len(stands))
				b.ReportMetric((cpuMicros()-start)/n, "cpu-us/tree")
			})
		}
	}
}

// cpuMicros is the time that the process has had of the processors: on a shared
// machine the clock on the wall tells little.
func cpuMicros() float64 {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return float64(u.Utime.Sec+u.Stime.Sec)*1e6 + float64(u.Utime.Usec+u.Stime.Usec)
}

// Many stems on one point, as an inventory has them that puts all trees of a park
// at its gate.
func BenchmarkCrowd(b *testing.B) {
	for _, n := range []int{1000, 10000} {
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			build := NewBuilder()
			must(b, build.Hard(poly(rect(-100, -100, 100, 0)), 1))
			must(b, build.Hard(poly(rect(-100, 4, 100, 100)), 1))
			o := Defaults()
			stands := make([]Stand, n)
			for i := range stands {
				stands[i] = Stand{At: geo.XY{X: 5, Y: 2}, ReachM: 4 + float64(i%9)/2, FallM: 10}
			}
			v, err := NewSurvey(build.Freeze(o), stands, o)
			must(b, err)
			w := v.NewWorker()
			start := cpuMicros()
			for b.Loop() {
				for _, c := range v.Cells() {
					w.Do(c, func(int32, *Site) {})
				}
			}
			b.ReportMetric((cpuMicros()-start)/float64(b.N*n), "cpu-us/tree")
		})
	}
}
