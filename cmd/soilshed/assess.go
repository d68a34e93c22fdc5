package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"sync"
	"time"

	"github.com/spf13/pflag"

	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/collar"
	"soilshed/risk/rank"
	"soilshed/risk/wind"
)

const aboutAssess = `soilshed assess reads tree points and hard ground, works out the soil that each
tree really has, what it needs, how likely its collar is girdled and in what
wind its base fails, and writes one ranked layer.

  soilshed assess --trees trees.geojson --pavement roads.shp --pavement walks.shp --out city.gpkg
  soilshed assess --trees inv.shp --field dbh=DIAM:in --pavement hard.gpkg --out city.geojson`

func runAssess(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	var o options
	f := flagsOf(&o, "assess")
	if err := parse(f, args, "assess", aboutAssess, stdout); err != nil {
		if err == pflag.ErrHelp {
			return nil
		}
		return err
	}
	if f.NArg() > 0 {
		return usagef("assess takes flags alone, not %q; a file of hard ground is --pavement FILE", f.Arg(0))
	}
	if o.out == "" {
		return usagef("no output: --out FILE (.gpkg, .geojson, .parquet, .fgb or .shp)")
	}
	if err := o.understand(); err != nil {
		return err
	}
	if o.out == pipe {
		if err := o.toStdout(); err != nil {
			return err
		}
	}
	if err := o.checkDestination(); err != nil {
		return err
	}
	tell := stdout
	if o.poured { // by what the records do not take
		tell = stderr
	}
	a := &assessment{o: &o}
	return a.watched(ctx, stderr, func() error {
		work, err := a.assessTo(ctx)
		if err != nil {
			return err
		}
		if o.poured {
			if err := o.pour(ctx, stdout); err != nil {
				return err
			}
		}
		if !o.quiet {
			a.summary(tell)
			if !o.poured {
				work.tell(a, tell)
			}
			if a.older != nil {
				a.older.tell(a, tell)
			}
			if a.reuse != nil {
				fmt.Fprintf(tell, "\n%s\n", wrap(a.reuse.sentence(a), 92))
			}
		}
		return a.tooMany(true)
	})
}

// watched runs a job that writes the output: alone, and told of on the way.
func (a *assessment) watched(ctx context.Context, stderr io.Writer, do func() error) (err error) {
	a.began = time.Now()
	hold, notes, err := holdForRun(a.o.allOutputFiles())
	if err != nil {
		return err
	}
	defer hold.release()
	a.settle = func() error { return hold.settle(ctx) }
	a.in.report.Notes = append(a.in.report.Notes, notes...)
	a.progress = newProgress(a.o, stderr)
	a.in.progress = a.progress
	defer func() { err = a.progress.close(a, err) }()
	if err := a.o.spool(); err != nil {
		return err
	}
	a.inputs = a.o.digest(ctx)
	return do()
}

// assessTo runs the main job and writes its output, whole or not at all.
func (a *assessment) assessTo(ctx context.Context) (*worklist, error) {
	defer func() { a.reuseMap.abort() }()
	if err := a.prepare(ctx); err != nil {
		return nil, err
	}
	defer a.in.source.Close()
	if a.o.since != "" {
		defer func() { a.reuse.abort() }()
		if err := a.phase("look for what is the same", func() error { return a.beginReuse(ctx) }); err != nil {
			return nil, err
		}
		if err := a.phase("read older output", func() (err error) { a.older, err = a.readOlder(ctx); return err }); err != nil {
			return nil, err
		}
	}
	w, err := a.newWriter()
	if err != nil {
		return nil, err
	}
	if a.older != nil {
		a.older.ready(w)
	}
	defer w.sink.Abort()
	shares := w.shares
	var tiles *tileMaker
	if a.o.tiles != "" {
		if tiles, err = a.newTiles(); err != nil {
			return nil, err
		}
		shares = func(list []shape) error {
			for _, s := range list {
				tiles.share(s)
			}
			return w.shares(list)
		}
	}
	if err := a.phase("assess", func() error { return a.run(ctx, shares) }); err != nil {
		return nil, err
	}
	a.phase("rank", func() error { a.rank(); return nil })
	if err := a.phase("write trees", func() error {
		a.progress.expect(len(a.rows), "trees")
		return w.trees(ctx)
	}); err != nil {
		return nil, err
	}
	defer func() { w.beside.table.Abort(); w.beside.finds.Abort() }()
	if err := a.phase("write worklist", func() error { return w.rest(ctx) }); err != nil {
		return nil, err
	}
	defer func() { w.beside.changed.Abort() }()
	if a.older != nil {
		if err := a.phase("write changes", func() error { return a.older.write(ctx, w) }); err != nil {
			return nil, err
		}
	}
	var page []byte
	if a.o.page != "" {
		if err := a.phase("page", func() (err error) { page, err = a.page(ctx, w.beside.work); return err }); err != nil {
			return nil, err
		}
	}
	var archive []byte
	if tiles != nil {
		if err := a.phase("tiles", func() (err error) { archive, err = a.tiles(ctx, tiles); return err }); err != nil {
			return nil, err
		}
	}
	var charts map[string][]byte
	if a.o.charts != "" {
		if err := a.phase("charts", func() (err error) { charts, err = a.drawCharts(); return err }); err != nil {
			return nil, err
		}
	}
	if err = a.phase("finish", w.sink.Commit); err == nil {
		err = w.beside.table.Commit()
	}
	if err == nil && w.beside.finds != nil {
		err = w.beside.finds.Commit()
	}
	if err == nil && a.o.page != "" {
		err = layer.WriteFile(a.o.page, page)
	}
	if err == nil && tiles != nil {
		err = layer.WriteFile(a.o.tiles, archive)
	}
	if err == nil && a.o.charts != "" {
		err = a.writeCharts(charts)
	}
	if err == nil && a.older != nil {
		err = a.older.commit(w)
	}
	if err == nil && a.reuse != nil {
		a.reuse.finish(a)
	}
	if n, ok := w.sink.(interface{ Notes() []string }); ok {
		a.in.report.Notes = append(a.in.report.Notes, n.Notes()...)
	}
	if err == nil && !a.o.poured {
		err = a.phase("write manifest", func() error { return a.writeManifest(context.WithoutCancel(ctx), a.o.out) })
	}
	return w.beside.work, err
}

// windClimate is the climate of gusts: from the gust file, the design gust, or
// the default.
func (a *assessment) windClimate() (wind.Climate, error) {
	o := a.o
	var g wind.Gumbel
	var from []float64
	switch {
	case o.gusts != "":
		r, err := readGusts(o.gusts, o.gustFields, o.units == "us")
		if err != nil {
			return wind.Climate{}, err
		}
		a.in.report.Notes = append(a.in.report.Notes, r.Notes...)
		if g, err = wind.FitLMoments(r.MaximaMS); err != nil {
			return wind.Climate{}, &layer.Error{File: o.gusts, Err: err, Remedy: "give more years, or a design gust: --design-gust M/S --gust-years T"}
		}
		from = r.FromDeg
		lo, hi, err := wind.ReturnInterval(r.MaximaMS, 50, 1)
		if err != nil {
			return wind.Climate{}, &layer.Error{File: o.gusts, Err: err}
		}
		a.in.report.note("Gusts: Gumbel law fitted to %d years by L-moments; the 50-year gust is %.1f m/s (80 %% interval %.1f to %.1f).", len(r.MaximaMS), g.Return(50), lo, hi)
	case o.designGust > 0:
		g = wind.FromDesign(o.designGust, o.gustYears)
		a.in.report.note("Gusts: from the design gust of %.1f m/s in %.0f years, by the ASCE 7 commentary's line.", o.designGust, o.gustYears)
	default:
		g = wind.FromDesign(defaultGustMS, 50)
		a.in.report.note("Gusts: no gust file and no design gust, so a 50-year gust of %.0f m/s is assumed; probabilities of failure rank trees but mean little (--gusts or --design-gust).", defaultGustMS)
	}
	c := wind.NewClimate(g)
	if len(from) > 0 {
		c.From = wind.Rose(from)
		deg, share := c.MostFrom()
		a.in.report.note("Gusts come most from the %s: %.0f %% within 45 degrees of it (25 %% were it even). Falls and the targets in them are weighted by that.", risk.Compass(deg), 100*share)
	}
	c.Terrain = map[string]wind.Terrain{"built-up": wind.BuiltUp, "open": wind.Open, "shore": wind.Shore}[o.terrain]
	return c, nil
}

// defaultGustMS is the 50-year gust where nothing is given: 90 mph, which long
// stood on design maps for most of the United States' inland (from memory).
const defaultGustMS = 40.0

func readEvidence(path string) (*collar.Evidence, error) {
	if path == "" {
		return collar.DefaultEvidence(), nil
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, &layer.Error{File: path, Err: errors.Unwrap(err), Remedy: "is the name right?"}
	}
	e, err := collar.ReadEvidence(bytes.NewReader(b))
	if errors.Is(err, collar.ErrVersion) {
		return nil, &layer.Error{File: path, Err: err, Remedy: "use the soilshed that wrote it, or write it anew: soilshed learn --out FILE with your excavations, or soilshed evidence for the table to edit"}
	}
	if err != nil {
		return nil, &layer.Error{File: path, Err: err, Remedy: "soilshed learn writes such a file"}
	}
	return e, nil
}

// What the list may be ordered by, an hour of crew time.
const (
	byHarm     = "harm"     // harm averted
	byGirdling = "girdling" // girdled collars found
)

// job is the work of looking at one collar.
func (a *assessment) job(i int) rank.Job {
	var r row
	a.rows.unpack(i, &r)
	return a.jobOf(i, &r)
}

func (a *assessment) jobOf(i int, r *row) rank.Job {
	t := a.in.trees.at(i)
	s := a.model.Size(&t)
	gain := rank.Averted(r.res.HarmYr, math.Min(r.res.HarmYr, rank.Harm(r.res.FailSoundYr, r.res.Exposure)), rank.Relief)
	if a.o.listBy == byGirdling {
		gain = r.res.GirdledP
	}
	return rank.Job{
		Key: i, ID: t.ID, Street: t.Street, EastM: a.in.at[i].X, NorthM: a.in.at[i].Y,
		HarmYr: r.res.HarmYr, Gain: gain,
		HoursH: rank.Hours(s.DBHCm/100, t.FlareCm.Or(10)/100, a.digging(i, r)),
	}
}

// smallPitM2 is the opening below which a crew works in a tight place: about
// 1.5 m square. Common practice, no source.
const smallPitM2 = 2.25

// rank orders the trees.
func (a *assessment) rank() {
	// The key of each tree's job, in as many parts as there are workers; a tree that
	// takes no place has none.
	part := len(a.rows)/a.o.workers + 1
	keys := make([]rank.Key, len(a.rows))
	var parts sync.WaitGroup
	for from := 0; from < len(keys); from += part {
		parts.Go(func() {
			var r row
			for i := from; i < min(from+part, len(keys)); i++ {
				keys[i].Of = noPlace
				a.rows.unpack(i, &r)
				if !a.ranked(i, &r) {
					continue
				}
				j := a.jobOf(i, &r)
				keys[i] = rank.Key{Worth: j.Worth(), Of: int32(i)}
				a.rows[i].hours = float32(j.HoursH)
			}
		})
	}
	parts.Wait()
	keys = slices.DeleteFunc(keys, func(k rank.Key) bool { return k.Of == noPlace })
	rank.OrderKeys(keys, func(of int32) rank.Job { return a.job(int(of)) })
	a.byRank = make([]int32, len(keys))
	for k := range keys {
		a.byRank[k] = keys[k].Of
		a.rows[keys[k].Of].rank = int32(k + 1)
	}
}

// noPlace marks the key of a tree that takes no place in the list.
const noPlace = -1
