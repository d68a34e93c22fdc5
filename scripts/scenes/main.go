// Command scenes draws random local scenes, as awkward as layers get, and
// writes them with the ground that soilshed finds in them, one JSON object a
// line, for scripts/reference/scenes.py to work out again with GEOS.
//
//	go run ./scripts/scenes -n 100000 | /usr/bin/python3 scripts/reference/scenes.py
package main

import (
	"bufio"
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"

	"soilshed/geo"
	"soilshed/geo/ground"
)

// answer is what soilshed finds for one tree.
type answer struct {
	Ground string  `json:"ground"`
	X      float64 `json:"x"`
	Y      float64 `json:"y"`
	Open   float64 `json:"open_m2"`
	Share  float64 `json:"share_m2"`
	Drawn  float64 `json:"drawn_m2"` // area of the polygon of the share
	// Polygon is the polygon of the share, for pictures.
	Polygon [][][]geo.XY `json:"polygon,omitempty"`
}

type record struct {
	ID int `json:"id"`
	*scene
	Plain  []answer `json:"plain"`  // no gap closed
	Closed []answer `json:"closed"` // gaps narrower than gap_m closed
}

const gapM = 0.10

func main() {
	n := flag.Int("n", 1000, "how many `scenes`")
	first := flag.Int("first", 0, "`number` of the first scene; a scene follows from its number")
	polygons := flag.Bool("polygons", false, "write the polygons of the shares too")
	flag.Parse()
	if err := run(*first, *n, *polygons); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run(first, n int, polygons bool) error {
	w := bufio.NewWriterSize(os.Stdout, 1<<20)
	enc := json.NewEncoder(w)
	for id := first; id < first+n; id++ {
		s := draw(rand.New(rand.NewPCG(uint64(id), 2024)))
		rec := record{ID: id, scene: s}
		var err error
		if rec.Plain, err = s.survey(0, polygons); err != nil {
			return fmt.Errorf("scene %d: %w", id, err)
		}
		if rec.Closed, err = s.survey(gapM, polygons); err != nil {
			return fmt.Errorf("scene %d: %w", id, err)
		}
		if err := enc.Encode(rec); err != nil {
			return err
		}
	}
	return w.Flush()
}

// survey asks soilshed, as a user of the package would.
func (s *scene) survey(gap float64, polygons bool) ([]answer, error) {
	b := ground.NewBuilder()
	for _, p := range s.Hard {
		if err := b.Hard(p, 1); err != nil {
			return nil, err
		}
	}
	for _, p := range s.Beds {
		if err := b.Bed(p); err != nil {
			return nil, err
		}
	}
	for _, p := range s.Rootable {
		if err := b.Rootable(p, .6, .2); err != nil {
			return nil, err
		}
	}
	for _, l := range s.Walls {
		if err := b.Barrier(l); err != nil {
			return nil, err
		}
	}
	o := ground.Defaults()
	o.CloseGapM, o.SnapM, o.PitM, o.Jitters = gap, s.SnapM, 0, 0
	stands := make([]ground.Stand, len(s.Trees))
	for i, t := range s.Trees {
		stands[i] = ground.Stand{At: t.At, ReachM: t.ReachM}
	}
	v, err := ground.NewSurvey(b.Freeze(o), stands, o)
	if err != nil {
		return nil, err
	}
	out := make([]answer, len(stands))
	w := v.NewWorker()
	for _, c := range v.Cells() {
		w.Do(c, func(i int32, site *ground.Site) {
			a := answer{Ground: site.How.String(), X: site.At.X, Y: site.At.Y, Open: site.OpenM2, Share: site.ShareM2}
			for _, rings := range site.Share {
				for _, r := range rings {
					o := r[0]
					for k := range r {
						p, q := r[k].Sub(o), r[(k+1)%len(r)].Sub(o)
						a.Drawn += (p.X*q.Y - p.Y*q.X) / 2
					}
				}
			}
			if polygons {
				a.Polygon = site.Share
			}
			out[i] = a
		})
	}
	return out, nil
}
