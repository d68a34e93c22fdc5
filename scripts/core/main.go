// Command core times the ground alone, on one core: the layers are read and the
// map is made before the clock starts, and nothing is written. So it can be set
// beside the loops of scripts/reference, which are timed in the same way.
// scripts/bench runs it; lines say microseconds of processor time a tree.
//
//	go run ./scripts/core --trees trees.geojson --hard pavement.geojson --reach 6 --gap 0.10
//
// Layers are in metres.
package main

import (
	"flag"
	"fmt"
	"log"
	"runtime"
	"sync"
	"syscall"
	"time"

	"soilshed/geo"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
)

func main() {
	log.SetFlags(0)
	log.SetPrefix("core: ")
	trees := flag.String("trees", "", "tree points `FILE`, in metres")
	hard := flag.String("hard", "", "hard ground `FILE`, in metres")
	reach := flag.Float64("reach", 6, "`metres` that roots are counted")
	fall := flag.Float64("fall", 12, "`metres` that a falling tree strikes")
	gap := flag.Float64("gap", 0.10, "`metres` below which a gap is closed")
	flag.Parse()
	if err := run(*trees, *hard, *reach, *fall, *gap); err != nil {
		log.Fatal(err)
	}
}

func run(trees, hard string, reachM, fallM, gapM float64) error {
	origin, stands, err := readStands(trees, reachM)
	if err != nil {
		return err
	}
	o := ground.Defaults()
	o.PitM = 0
	m, err := readMap(hard, origin, o)
	if err != nil {
		return err
	}
	// The first pass over a map takes a seventh longer than all others, whatever it
	// asks: some 40 ms that a city of millions pays once.
	v, err := ground.NewSurvey(m, stands, o)
	if err != nil {
		return err
	}
	survey(v, 1)
	for _, c := range []struct {
		what        string
		gapM, fallM float64
		jitters     int
	}{
		{fmt.Sprintf("gaps under %g m closed, opening, share, polygon and rose", gapM), gapM, 0, 0},
		{"the same, and targets in 36 directions", gapM, fallM, 0},
		{"as the first, and the spread over 8 displaced points", gapM, 0, 8},
		{"no gap closed, opening, share, polygon and rose", 0, 0, 0},
	} {
		o.CloseGapM, o.Jitters = c.gapM, c.jitters
		for i := range stands {
			stands[i].FallM = c.fallM
		}
		v, err := ground.NewSurvey(m, stands, o)
		if err != nil {
			return err
		}
		used, _ := survey(v, 1)
		fmt.Printf("%s: %.1f us a tree\n", c.what, 1e6*used.Seconds()/float64(len(stands)))
	}
	if v, err = ground.NewSurvey(m, stands, o); err != nil {
		return err
	}
	_, one := survey(v, 1)
	_, two := survey(v, 2)
	fmt.Printf("two workers are done in %.2f of the time of one, on %d cores\n", two.Seconds()/one.Seconds(), runtime.NumCPU())
	return nil
}

// survey works out all cells and tells the processor time and the time by the
// clock.
func survey(v *ground.Survey, workers int) (used, clock time.Duration) {
	cells := make(chan ground.Cell, len(v.Cells()))
	for _, c := range v.Cells() {
		cells <- c
	}
	close(cells)
	runtime.GC() // what was left by reading, and by the survey before
	start, began := processor(), time.Now()
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			w := v.NewWorker()
			for c := range cells {
				w.Do(c, func(int32, *ground.Site) {})
			}
		})
	}
	wg.Wait()
	return processor() - start, time.Since(began)
}

// processor is the processor time of the process so far.
func processor() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		log.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func readStands(path string, reachM float64) (origin geo.XY, stands []ground.Stand, err error) {
	err = each(path, func(f *layer.Feature) error {
		p, err := layer.PointOf(f.Geometry)
		if err != nil {
			return err
		}
		if stands == nil {
			origin = geo.XY{X: p[0], Y: p[1]}
		}
		stands = append(stands, ground.Stand{At: geo.XY{X: p[0], Y: p[1]}.Sub(origin), ReachM: reachM})
		return nil
	})
	return origin, stands, err
}

func readMap(path string, origin geo.XY, o ground.Options) (*ground.Map, error) {
	b := ground.NewBuilder()
	left := 0
	err := each(path, func(f *layer.Feature) error {
		polygons, _ := layer.PolygonsOf(f.Geometry)
		for _, polygon := range polygons {
			rings := make([][]geo.XY, len(polygon))
			for i, r := range polygon {
				for _, p := range r {
					rings[i] = append(rings[i], geo.XY{X: p[0], Y: p[1]}.Sub(origin))
				}
			}
			if b.Hard(rings, 1) != nil {
				left++
			}
		}
		return nil
	})
	if left > 0 {
		fmt.Printf("%d polygons without area left out\n", left)
	}
	return b.Freeze(o), err
}

// each goes through the features of a layer.
func each(path string, do func(*layer.Feature) error) error {
	src, err := layer.Open(path, layer.Options{})
	if err != nil {
		return err
	}
	defer src.Close()
	for f, err := range src.Features() {
		if err != nil {
			return err
		}
		if err := do(&f); err != nil {
			return err
		}
	}
	return nil
}
