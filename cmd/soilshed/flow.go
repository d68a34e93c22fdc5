package main

import (
	"context"
	"math"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"soilshed/geo"
	"soilshed/geo/ground"
	"soilshed/risk"
	"soilshed/risk/collar"
	"soilshed/risk/soil"
	"soilshed/risk/species"
	"soilshed/risk/wind"
)

// assessment is a run from inputs to results.
type assessment struct {
	o     *options
	in    inputs
	model *risk.Model
	year  int

	cohorts *collar.Cohorts
	survey  *ground.Survey
	// rows hold what is written of each tree, in the order of the inventory.
	rows rows
	// only marks the trees that are worked out; nil for all. A tree's ground and
	// cohort do not depend on which others are.
	only []bool
	// byRank are the ranked trees, the first in the list first.
	byRank []int32

	phases   []phase
	progress *progress
	began    time.Time
	settle   func() error // asked before the output takes its place
	inputs   *digests     // of the input files
	older    *older       // the output of an earlier run; nil when not compared
	reuse    *reuse       // what is taken over from it; nil without --since
	reuseMap *mapReuse    // the same of the map of the ground
}

type phase struct {
	Name    string
	Seconds float64
}

// shape is a share on its way to the writer.
type shape struct {
	tree    int32
	polygon [][][]geo.XY
}

// phase times what do does.
func (a *assessment) phase(name string, do func() error) error {
	start := time.Now()
	a.progress.begin(name)
	err := do()
	a.progress.end()
	collectSooner()
	a.phases = append(a.phases, phase{name, time.Since(start).Seconds()})
	return err
}

// prepare reads everything and builds the model, the cohorts and the survey.
func (a *assessment) prepare(ctx context.Context) error {
	o := a.o
	if err := o.spool(); err != nil {
		return err
	}
	if err := a.in.report.stat(o); err != nil {
		return err
	}
	a.year = o.year
	if a.year == 0 && a.in.report.newest == 0 {
		return usagef("no year that trees are assessed for: --year YEAR (a database does not tell of what time its rows are)")
	}
	if a.year == 0 {
		a.year = time.Unix(a.in.report.newest, 0).UTC().Year()
		a.in.report.note("Trees are assessed for %d, the year of the newest input file; --year says otherwise.", a.year)
	}
	if err := a.phase("read trees", func() error { return a.in.readTrees(ctx, o, a.year) }); err != nil {
		return err
	}
	// Cohorts hang on the trees alone: they are found while the layers are read.
	found := make(chan struct{})
	go func() {
		defer close(found)
		a.cohorts = a.in.cohorts(a.year, o.workers)
	}()
	if err := a.phase("read layers", func() error { return a.readLayers(ctx) }); err != nil {
		return err
	}
	if err := a.phase("cohorts", func() error {
		select {
		case <-found:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}); err != nil {
		return err
	}
	return a.phase("model", func() error { return a.prepareModel() })
}

func (a *assessment) prepareModel() error {
	o, in := a.o, &a.in
	climate, err := a.windClimate()
	if err != nil {
		return err
	}
	evidence, err := readEvidence(o.evidence)
	if err != nil {
		return err
	}
	var days []soil.Day
	var eto []float64
	if o.weather != "" {
		w, err := readWeather(o.weather, o.weatherFields, o.units == "us", soil.DefaultBridgeDays)
		if err != nil {
			return err
		}
		in.report.Notes = append(in.report.Notes, w.Notes...)
		days = w.Days
		lat := o.latitude
		if lat == 0 {
			if lat, err = in.latitude(); err != nil {
				return err
			}
			in.report.note("The weather station is taken to lie at %.2f degrees, as the trees do (--latitude), %.0f m above the sea (--elevation).", lat, o.elevation)
		}
		var how soil.Method
		var fell int
		eto, how, fell = soil.Reference(days, soil.Station{LatDeg: lat, HeightM: o.elevation})
		if how == soil.ByHargreaves {
			in.report.note("Reference evapotranspiration by %s, as radiation or sunshine and humidity are not in the file on enough days.", how)
		} else {
			in.report.note("Reference evapotranspiration by %s; on %s of %s days by Hargreaves, for want of data.", how, grouped(fell), grouped(len(days)))
		}
	}
	settings := o.settings(a.year)
	if lat, err := in.latitude(); err == nil {
		settings.South = lat < 0
	}
	if a.model, err = risk.NewModel(settings, evidence, climate, days, eto); err != nil {
		return dataError{err}
	}
	a.model.LearnTypical(in.trees.all())
	contradict, first := 0, ""
	for _, t := range in.trees.all() {
		if risk.Contradicts(&t) {
			if contradict++; first == "" {
				first = t.ID
			}
		}
	}
	if contradict > 0 {
		in.report.note("%s with a DBH on record that is too thin for the height or crown on record (the first is tree %s): the DBH is not used.", countOf(contradict, "tree", "trees"), first)
	}
	stands := make([]ground.Stand, in.trees.len())
	for i, t := range in.trees.all() {
		s := a.model.Size(&t)
		stands[i] = ground.Stand{
			At: in.at[i], ReachM: s.ReachM, FallM: wind.FallM(s.HeightM), DepthM: in.depthOf(i, &t, o), CrownM2: s.CrownM2,
			PitLM: t.PitLM.Or(0), PitWM: t.PitWM.Or(0),
		}
	}
	if n := in.untextured; n > 0 {
		in.report.note("%s with a bulk density on record and no texture, on record or in a soil layer: the density is not used.", countOf(n, "tree", "trees"))
	}
	// A tree that is gone uses no ground: it is surveyed for itself alone.
	a.survey, err = ground.NewSurvey(in.m, stands, o.groundOptions())
	if err != nil {
		return dataError{err}
	}
	for i := range in.trees.len() {
		if in.trees.removed(i) {
			a.survey.Absent(int32(i))
		}
	}
	return nil
}

// latitude is that of the middle of the trees.
func (in *inputs) latitude() (float64, error) {
	to, _, err := in.plane.To(wgs84)
	if err != nil {
		return 0, err
	}
	_, lat, err := to(geo.XY{})
	return lat, err
}

func (in *inputs) cohorts(year, workers int) *collar.Cohorts {
	members := make([]collar.Member, in.trees.len())
	for i, t := range in.trees.all() {
		sp, _ := species.Lookup(t.Species)
		m := collar.Member{
			Species: sp.Latin, Genus: sp.Genus, Supplier: t.Supplier, X: in.at[i].X, Y: in.at[i].Y,
			Condition: collar.Reading(t.Condition), DBHCm: collar.Reading(t.DBHCm), CrownM: collar.Reading(t.CrownM),
			Dead: t.Dead, Removed: t.Removed,
		}
		if t.PlantedYear.Known {
			m.PlantedYear = collar.Read(float64(t.PlantedYear.Value))
		}
		members[i] = m
	}
	return collar.NewCohorts(members, collar.CohortOptions{Year: float64(year), Workers: workers})
}

// depthOf is the usable depth of a tree by its own record, m; 0 where the soil
// layer, or the default, decides. A bulk density on record counts as a soil
// layer's does, in place of the layer's at the stem; without a texture it says
// nothing.
func (in *inputs) depthOf(i int, t *risk.Tree, o *options) float64 {
	if !t.DensityGCm3.Known {
		return t.DepthM.Or(0)
	}
	tx, depth := t.Texture, t.DepthM
	if tag, ok := in.m.SoilAt(in.at[i]); ok {
		u := &in.units[tag]
		if tx == soil.NoTexture {
			tx = u.Texture
		}
		if !depth.Known {
			depth = u.DepthM
		}
	}
	if tx == soil.NoTexture {
		in.untextured++
		return t.DepthM.Or(0)
	}
	return soil.UsableDepthM(depth.Or(o.depth), o.maxDepth, soil.Layer{TopM: denseFromM, Texture: tx, DensityGCm3: t.DensityGCm3.Value})
}

// ground turns a site into what the method asks of it.
func (in *inputs) ground(st *ground.Stand, s *ground.Site) risk.Ground {
	g := risk.Ground{
		How: s.How.String(), Measured: s.How == ground.Measured || s.How == ground.Snapped || s.How == ground.Open,
		Sealed: s.How == ground.Sealed, Unsurveyed: s.How == ground.Uncovered, Mates: s.Mates,
		OpenM2: s.OpenM2, ShareM2: s.ShareM2, RainM2: s.RainM2, SoilM3: s.SoilM3, DepthM: s.DepthM,
		SoilP10M3: s.SoilP10M3, SoilP90M3: s.SoilP90M3, FreeM: st.ReachM,
		ShortM: s.ShortM, ShortBearing: float64(s.ShortBearing), Lopsided: s.Lopsided,
	}
	for k := range g.ReachM {
		g.ReachM[k], g.TargetW[k] = float64(s.ReachM[k]), float64(s.TargetW[k])
	}
	g.DepthFrom = "default where nothing says, with that of rootable ground in its place"
	if tag, ok := in.m.SoilAt(s.At); ok {
		u := &in.units[tag]
		g.Texture, g.AWC = u.Texture, u.AWC.Or(0)
		g.DepthFrom = "soil layer: depth to what stops roots, cut where the soil is too dense for its texture; " + g.DepthFrom
	}
	return g
}

// odd is what the cohorts say of tree i.
func (a *assessment) odd(i int32) risk.Odd {
	z, known := a.cohorts.Odd(int(i))
	x := risk.Odd{Z: risk.Maybe[float64]{Value: z, Known: known}, Flagged: a.cohorts.Flagged(int(i))}
	if words, ok := a.cohorts.Whole(int(i)); ok {
		x.Cohort = words
	}
	return x
}

// sizeOf is what is known of the size of a tree, or filled in.
func (a *assessment) sizeOf(i int) risk.Size {
	t := a.in.trees.at(i)
	return a.model.Size(&t)
}

// one assesses tree i on the ground found for it.
func (a *assessment) one(i int32, site *ground.Site, tr *risk.Trace) row {
	t := a.in.trees.at(int(i))
	s := a.model.Size(&t)
	st := a.survey.Stand(i)
	g := a.in.ground(st, site)
	r := rowOf(site)
	r.res = a.model.Assess(&t, &s, &g, a.odd(i), tr)
	return r
}

// rowOf is the row of a tree but for its result.
func rowOf(site *ground.Site) row {
	return row{
		how: site.How, mates: int32(site.Mates), openM2: site.OpenM2, shareM2: site.ShareM2, rainM2: site.RainM2, depthM: site.DepthM,
		soilM3: site.SoilM3, p10: site.SoilP10M3, p90: site.SoilP90M3, shortM: site.ShortM, shortBrg: float64(site.ShortBearing), movedM: site.MovedM,
	}
}

// cells are those of the survey, with the trees that are worked out.
func (a *assessment) cells() []ground.Cell {
	if a.only == nil {
		return a.survey.Cells()
	}
	return cellsOf(a.survey, func(i int32) bool { return a.only[i] })
}

// cellsOf are the cells of a survey with the wanted stands alone.
func cellsOf(v *ground.Survey, want func(i int32) bool) []ground.Cell {
	var some []ground.Cell
	for _, c := range v.Cells() {
		kept := ground.Cell{X: c.X, Y: c.Y}
		for _, i := range c.Stands {
			if want(i) {
				kept.Stands = append(kept.Stands, i)
			}
		}
		if len(kept.Stands) > 0 {
			some = append(some, kept)
		}
	}
	return some
}

// run surveys and assesses all trees, cell by cell, and hands the shares on in
// the order of the cells, whatever the number of workers.
func (a *assessment) run(ctx context.Context, shapes func([]shape) error) error {
	cells := a.cells()
	a.progress.expect(a.in.trees.len(), "trees")
	a.rows = make(rows, a.in.trees.len())
	type batch struct {
		shapes  []shape
		records [][]byte // to be kept for the next run
		done    chan struct{}
	}
	window := 4 * a.o.workers
	g, ctx := errgroup.WithContext(ctx)
	todo := make(chan int)
	out := make([]batch, len(cells))
	for i := range out {
		out[i].done = make(chan struct{})
	}
	// room keeps finished cells from piling up before a slow writer.
	room := make(chan struct{}, window)
	g.Go(func() error {
		defer close(todo)
		for i := range cells {
			select {
			case room <- struct{}{}:
			case <-ctx.Done():
				return ctx.Err()
			}
			select {
			case todo <- i:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	var workers sync.WaitGroup
	for range a.o.workers {
		workers.Add(1)
		g.Go(func() error {
			defer workers.Done()
			t := taker{a: a, w: a.survey.NewWorker()}
			if a.reuse != nil {
				t.old.k = a.reuse.old
			}
			for i := range todo {
				b := &out[i]
				b.shapes, b.records = t.cell(cells[i], func() bool { return ctx.Err() != nil })
				a.progress.add(len(cells[i].Stands))
				close(b.done)
				if ctx.Err() != nil {
					return ctx.Err()
				}
			}
			return nil
		})
	}
	g.Go(func() error {
		for i := range out {
			select {
			case <-out[i].done:
			case <-ctx.Done():
				return ctx.Err()
			}
			if err := shapes(out[i].shapes); err != nil {
				return err
			}
			if a.reuse != nil {
				for _, r := range out[i].records {
					a.reuse.new.write(r)
				}
			}
			out[i].shapes, out[i].records = nil, nil
			<-room
		}
		return nil
	})
	return g.Wait()
}

// ranked tells whether a tree takes a place in the list.
func (a *assessment) ranked(i int, r *row) bool {
	if a.in.trees.dead(i) || a.in.kinds[i] != singleTree {
		return false
	}
	return r.res.Assessed && !math.IsNaN(r.res.HarmYr)
}
