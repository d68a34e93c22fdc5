package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/paulmach/orb"

	"soilshed/geo"
	"soilshed/geo/crs"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
	"soilshed/risk"
)

var wgs84 = crs.WGS84()

const (
	uncoveredGround = ground.Uncovered
	openGround      = ground.Open
)

func measuredGround(h ground.How) bool {
	return h == ground.Measured || h == ground.Snapped || h == ground.Open
}

// writer writes the layers of an assessment.
type writer struct {
	a      *assessment
	sink   layer.Sink
	us     bool
	system *crs.System
	schema layer.Schema // of the layer trees
	to     func(geo.XY) (x, y float64, err error)
	own    []int // inventory columns that are kept
	// ownNames are their names as written.
	ownNames []string
	fields   []*outField
	open     []*outField
	fid      int64
	skip     int // shares whose place could not be written
	beside   beside
}

// newWriter starts the output.
func (a *assessment) newWriter() (*writer, error) {
	w := &writer{a: a, us: a.o.units == "us", system: layer.SystemFor(a.o.out, a.in.system)}
	var err error
	if w.to, _, err = a.in.plane.To(w.system); err != nil {
		return nil, &layer.Error{File: a.o.out, Err: err}
	}
	trees := layer.Schema{Name: "trees", Title: "Street trees: ground, collar, wind, rank", Abstract: caution, System: w.system, Shape: layer.Points, Records: a.in.trees.len()}
	openings := layer.Schema{Name: "openings", Title: "Each tree's share of open ground", Abstract: caution, System: w.system, Shape: layer.Polygons, Records: a.in.trees.len()}
	taken := map[string]bool{}
	for i := range treeFields {
		f := &treeFields[i]
		w.fields = append(w.fields, f)
		taken[strings.ToLower(f.field(w.us).Name)] = true
		for _, n := range openingFields {
			if n == f.name {
				w.open = append(w.open, f)
			}
		}
	}
	if a.o.keep == "all" {
		var renamed []string
		for i, f := range a.in.source.Schema().Fields {
			name := f.Name
			// A name that is taken gets _inv, cut so that ten characters suffice.
			for k := 0; taken[strings.ToLower(f.Name)]; k++ {
				tail := "_inv"
				if k > 0 {
					tail += strconv.Itoa(k)
				}
				f.Name = cutName(name, 10-len(tail)) + tail
			}
			if f.Name != name {
				renamed = append(renamed, name+" is written as "+f.Name)
			}
			taken[strings.ToLower(f.Name)] = true
			trees.Fields = append(trees.Fields, f)
			w.own = append(w.own, i)
		}
		if len(renamed) > 0 {
			a.in.report.note("Inventory columns whose names soilshed's own fields have: %s.", strings.Join(renamed, ", "))
		}
	}
	for _, f := range w.fields {
		trees.Fields = append(trees.Fields, f.field(w.us))
	}
	for _, f := range w.open {
		openings.Fields = append(openings.Fields, f.field(w.us))
	}
	for _, f := range trees.Fields[:len(w.own)] {
		w.ownNames = append(w.ownNames, f.Name)
	}
	w.schema = trees
	schemas := w.besides([]layer.Schema{trees, openings})
	w.sink, err = layer.Create(a.o.out, schemas, layer.CreateOptions{
		Changed: a.changed(), Metadata: a.metadata(), Styles: styles(schemas, a.model.Bounds), Settle: a.settle,
	})
	if err != nil {
		return nil, err
	}
	return w, nil
}

func cutName(s string, n int) string {
	for len(s) > n {
		r := []rune(s)
		s = string(r[:len(r)-1])
	}
	return s
}

// changed is the time of the newest input, or SOURCE_DATE_EPOCH.
func (a *assessment) changed() string {
	t := a.in.report.newest
	if s := os.Getenv("SOURCE_DATE_EPOCH"); s != "" {
		if v, err := strconv.ParseInt(s, 10, 64); err == nil {
			t = v
		}
	}
	return time.Unix(t, 0).UTC().Format("2006-01-02T15:04:05.000Z")
}

// metadata is the text that goes with the layers: caution and settings.
func (a *assessment) metadata() string {
	s := a.model.Settings
	settings := map[string]any{
		"caution": caution, "program": "soilshed " + version, "schema": outputVersion, "year": s.Year,
		"inputs":       a.inputNames(),
		"need":         s.Need.String(),
		"class_bounds": s.Bounds, "standard": s.Standard.Name, "texture_assumed": s.Texture.String(),
		"reach_m": a.o.reach, "depth_m": a.o.depth, "max_depth_m": a.o.maxDepth, "snap_m": a.o.snap,
		"close_gap_m": a.o.closeGap, "assumed_pit_m": a.o.pit, "position_error_m": a.o.positionError,
		"jitters": a.o.jitters, "share": a.o.share, "pan_mm_day": s.Budget.PanMmD, "critical_days": s.Budget.Days,
		"list_by": a.o.listBy, "runoff": s.Runoff, "max_dry_days": s.MaxDryDays, "terrain": a.o.terrain,
		"wind_load": s.WindLoad, "wind_load_spread": s.WindLoadSpread, "wind_load_size": s.WindLoadSize, "wind_load_size_spread": s.WindLoadSizeSpread,
		"gust_mode_ms": a.model.Wind.MuMS, "gust_scale_ms": a.model.Wind.BetaMS,
	}
	b, err := json.MarshalIndent(settings, "", " ")
	if err != nil {
		return caution
	}
	return string(b)
}

func (a *assessment) inputNames() []string {
	var n []string
	for _, l := range a.in.report.Layers {
		n = append(n, l.Role+": "+l.File)
	}
	return n
}

// shares writes a batch of shares.
func (w *writer) shares(list []shape) error {
	var r row // used again, as the size
	var size risk.Size
	for _, s := range list {
		g, err := w.multi(s.polygon)
		if err != nil {
			w.skip++
			continue
		}
		w.a.rows.unpack(int(s.tree), &r)
		size = w.a.sizeOf(int(s.tree))
		f := layer.Feature{Geometry: g, Values: make([]layer.Value, 0, len(w.open))}
		for _, o := range w.open {
			f.Values = append(f.Values, o.value(w.a, int(s.tree), &r, &size, w.us))
		}
		w.fid++
		f.FID = w.fid
		if err := w.sink.Write(1, f); err != nil {
			return err
		}
	}
	return nil
}

// multi is a shape in the coordinates of the output. Where the antimeridian
// crosses it, longitudes go on past 180 degrees.
func (w *writer) multi(polys [][][]geo.XY) (orb.Geometry, error) {
	out := make(orb.MultiPolygon, 0, len(polys))
	first := math.NaN()
	for _, rings := range polys {
		p := make(orb.Polygon, 0, len(rings))
		for _, r := range rings {
			ring := make(orb.Ring, 0, len(r)+1)
			for _, v := range r {
				x, y, err := w.to(v)
				if err != nil {
					return nil, err
				}
				if first != first {
					first = x
				}
				ring = append(ring, orb.Point{w.system.Beside(x, first), y})
			}
			p = append(p, append(ring, ring[0]))
		}
		out = append(out, p)
	}
	return out, nil
}

// trees writes the trees in the order of the inventory.
func (w *writer) trees(ctx context.Context) error {
	kept, err := w.newKeptTable()
	if err != nil {
		return err
	}
	for f, err := range ahead(w.results(ctx), false) {
		if err != nil {
			return err
		}
		if w.a.older != nil {
			w.a.older.compare(w, int(f.FID-1), &f)
		}
		if err := w.sink.Write(0, f); err != nil {
			return err
		}
		kept.add(&f)
	}
	kept.end()
	return nil
}

// results are the trees as written: the inventory, which is read a second time
// for its own attributes, with the fields of the run.
func (w *writer) results(ctx context.Context) iter.Seq2[layer.Feature, error] {
	a := w.a
	same := w.system == a.in.system || w.system.Same(a.in.system)
	var r row // used again, as the size
	var size risk.Size
	feature := func(i int, own []layer.Value, at orb.Point) layer.Feature {
		f := layer.Feature{FID: int64(i + 1), Geometry: at, Values: make([]layer.Value, 0, len(w.own)+len(w.fields))}
		for _, k := range w.own {
			if k < len(own) {
				f.Values = append(f.Values, own[k])
			} else {
				f.Values = append(f.Values, layer.Value{})
			}
		}
		a.rows.unpack(i, &r)
		size = a.sizeOf(i)
		for _, o := range w.fields {
			f.Values = append(f.Values, o.value(a, i, &r, &size, w.us))
		}
		return f
	}
	return func(yield func(layer.Feature, error) bool) {
		fail := func(err error) { yield(layer.Feature{}, err) }
		next := 0
		for f, err := range a.in.source.Features() {
			if err != nil {
				var bad *layer.RecordError
				if errors.As(err, &bad) {
					continue
				}
				fail(err)
				return
			}
			if next == a.in.inventory {
				break
			}
			if f.FID != a.in.fids[next] {
				continue // left out when it was first read
			}
			if next%1024 == 0 && a.progress.stopped(ctx, 1024) {
				fail(ctx.Err())
				return
			}
			var at orb.Point
			if same {
				if at, err = layer.PointOf(f.Geometry); err != nil {
					fail(&layer.Error{File: a.o.trees, Feature: f.FID, Err: errors.New("changed while it was being read"), Remedy: "run again"})
					return
				}
			} else {
				x, y, err := w.to(a.in.at[next])
				if err != nil {
					fail(&layer.Error{File: a.o.trees, Feature: f.FID, Err: err})
					return
				}
				at = orb.Point{x, y}
			}
			if !yield(feature(next, f.Values, at), nil) {
				return
			}
			next++
		}
		if next != a.in.inventory {
			fail(&layer.Error{File: a.o.trees, Err: fmt.Errorf("changed while it was being read: %d trees first, then %d", a.in.inventory, next), Remedy: "run again"})
			return
		}
		for ; next < len(a.rows); next++ { // trees to plant
			x, y, err := w.to(a.in.at[next])
			if err != nil {
				fail(&layer.Error{File: a.o.plant, Feature: a.in.fids[next], Err: err})
				return
			}
			if !yield(feature(next, nil, orb.Point{x, y}), nil) {
				return
			}
		}
	}
}
