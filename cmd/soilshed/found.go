package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"soilshed/geo/ground"
	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/collar"
	"soilshed/risk/wind"
)

// What was found at the collars that were dug free: for each girdling root, what
// cutting it costs and what keeping it costs. It informs; a certified arborist
// decides, and nothing here is an instruction to cut.

const arboristDecides = "This informs. Whether a root is cut, and which, a certified arborist decides on site; cut none on the strength of it."

// foundRoot is a girdling root as excavated.
type foundRoot struct {
	tree     int // place in the inventory; -1 where none is known
	dug      excavation
	of       collar.Found
	stemBy   string
	weighing collar.Weighing
	assumed  []string
	gusts    *foundGusts // nil where nothing is known of tree and ground
}

// foundGusts are the gusts in which the base fails with even odds, in m/s at the
// tree's size of today: as found, kept on, cut at once, and cut after the years
// looked ahead.
type foundGusts struct{ now, kept, cut, cutLater float64 }

// weigh works out the two choices. Growth of the stem, cm a year, is unknown
// where no curve tells it.
func weigh(dug excavation, stemCm float64, stemBy string, growth risk.Maybe[float64], growthBy string, f collar.Found) (foundRoot, error) {
	r := foundRoot{tree: -1, dug: dug, stemBy: stemBy}
	f.StemCm, f.Share = stemCm, dug.Share
	f.RootCm = dug.RootCm.Value
	f.EmbeddedCm = collar.Reading(dug.EmbeddedCm)
	if dug.OtherRootsCm.Known {
		f.OtherRootsCm = []float64{dug.OtherRootsCm.Value}
	}
	if !f.StemGrowthCm.Known && growth.Known {
		f.StemGrowthCm = collar.Reading(growth)
		r.assumed = append(r.assumed, fmt.Sprintf("stem thickens by %.2f cm a year, by %s", growth.Value, growthBy))
	}
	var err error
	r.of = f
	r.weighing, err = collar.CutOrKeep(f)
	r.assumed = append(r.assumed, r.weighing.Assumed...)
	return r, err
}

// find is a root that was found at a tree of the inventory.
type find struct {
	tree int
	dug  excavation
	of   collar.Found // what the command line adds
}

// foundRoots are the girdling roots of the latest excavation of each tree, those
// of the first trees of the list first. Those that cannot be weighed are counted
// in a note.
func (a *assessment) foundRoots(ctx context.Context, digs map[string]excavation) ([]foundRoot, error) {
	var finds []find
	var unsized, unfit int
	firstUnfit := ""
	for i, t := range a.in.trees.all() {
		e, ok := digs[t.ID]
		switch {
		case !ok || e.Share == 0 || t.Removed:
			continue
		case !e.RootCm.Known:
			unsized++
			continue
		}
		x := find{i, e, collar.Found{}}
		if _, err := a.weighed(&x); err != nil {
			if unfit++; firstUnfit == "" {
				firstUnfit = fmt.Sprintf("tree %s on line %d, %v", e.Tree, e.Line, err)
			}
			continue
		}
		finds = append(finds, x)
	}
	if unsized > 0 {
		a.in.report.note("%s: cut or keep is not weighed for %s, as the size of the root is not given.", a.o.excavations, countOf(unsized, "tree that is held in part", "trees that are held in part"))
	}
	if unfit > 0 {
		a.in.report.note("%s: cut or keep cannot be weighed for %s (the first: %s).", a.o.excavations, countOf(unfit, "find", "finds"), firstUnfit)
	}
	return a.weighRoots(ctx, finds)
}

// weighed sets the two choices side by side for a stem of the inventory.
func (a *assessment) weighed(x *find) (foundRoot, error) {
	s := a.sizeOf(x.tree)
	stemCm, by := s.DBHCm, "as thick as at breast height, "+s.DBHBy
	if x.dug.StemCm.Known {
		stemCm, by = x.dug.StemCm.Value, "as noted"
	}
	grown, growthBy := s.Species.GrowDBH(s.DBHCm, defaultAheadYr)
	growth := risk.Maybe[float64]{Value: (grown - s.DBHCm) / defaultAheadYr, Known: grown > s.DBHCm}
	r, err := weigh(x.dug, stemCm, by, growth, growthBy, x.of)
	r.tree = x.tree
	return r, err
}

// weighRoots weighs finds, those of the first trees of the list first, with the
// gusts in which the base fails.
func (a *assessment) weighRoots(ctx context.Context, finds []find) ([]foundRoot, error) {
	roots := make([]foundRoot, len(finds))
	trees := make([]int32, len(finds))
	place := make(map[int32]int, len(finds))
	for k := range finds {
		var err error
		if roots[k], err = a.weighed(&finds[k]); err != nil {
			return nil, err
		}
		trees[k] = int32(finds[k].tree)
		place[trees[k]] = k
	}
	err := a.each(ctx, trees, func(i int32, site *ground.Site) {
		r := &roots[place[i]]
		t := a.in.trees.at(int(i))
		s := a.model.Size(&t)
		g := a.in.ground(a.survey.Stand(i), site)
		at := func(share, depth, lost float64) float64 { return a.model.GustAsFound(&t, &s, &g, share, depth, lost) }
		k, c := &r.weighing.Keep, &r.weighing.Cut
		r.gusts = &foundGusts{
			now: at(k.ArcNow, k.DepthNow, 0), kept: at(k.ArcLater, k.DepthLater, 0),
			cut: at(c.ArcNow, c.DepthNow, c.AnchorHi), cutLater: at(c.ArcLater, c.DepthLater, c.AnchorHi),
		}
	})
	if err != nil {
		return nil, err
	}
	// Trees out of the list come last.
	rank := func(r *foundRoot) int32 {
		if n := a.rows[r.tree].rank; n > 0 {
			return n
		}
		return math.MaxInt32
	}
	slices.SortStableFunc(roots, func(x, y foundRoot) int { return cmp.Compare(rank(&x), rank(&y)) })
	return roots, nil
}

const defaultAheadYr = 10

// foundAt is the latest excavation of a tree, nil where there is none, and the
// roots found then.
func (a *assessment) foundAt(ctx context.Context, tree int) (*excavation, []foundRoot, error) {
	digs, err := a.excavated()
	if err != nil {
		return nil, nil, err
	}
	id := a.in.trees.id(tree)
	e, ok := digs[id]
	if !ok {
		return nil, nil, nil
	}
	roots, err := a.foundRoots(ctx, map[string]excavation{id: e})
	return &e, roots, err
}

// each surveys some trees again, in the order of the cells.
func (a *assessment) each(ctx context.Context, trees []int32, do func(i int32, site *ground.Site)) error {
	wanted := make(map[int32]bool, len(trees))
	for _, i := range trees {
		wanted[i] = true
	}
	w := a.survey.NewWorker()
	for _, c := range cellsOf(a.survey, func(i int32) bool { return wanted[i] }) {
		if err := ctx.Err(); err != nil {
			return err
		}
		w.Do(c, do)
	}
	return nil
}

// weakLine says against which falls the section is weakest: in line with the
// middle of what is held, or across it. "" where no bearing was noted.
func (r *foundRoot) weakLine() string {
	if !r.dug.BearingDeg.Known {
		return ""
	}
	s := wind.Section{RM: r.of.StemCm / 200, Share: r.weighing.Keep.ArcNow, Depth: r.weighing.Keep.DepthNow}
	inLine, across := 1-s.Left(0), 1-s.Left(90)
	b := r.dug.BearingDeg.Value
	if across > inLine {
		b += 90
		inLine, across = across, inLine
	}
	return fmt.Sprintf("The section has lost most (%.0f %%) against falls to the %s and the %s, least (%.0f %%) across that.", 100*inLine, risk.Compass(math.Mod(b, 360)), risk.Compass(math.Mod(b+180, 360)), 100*across)
}

// tell prints the two choices side by side, how they are reckoned, and what to
// mind. us gives inches and miles an hour.
func (r *foundRoot) tell(w io.Writer, us bool) {
	length := func(cm float64) string {
		if us {
			return fmt.Sprintf("%.1f in", cm/2.54)
		}
		return fmt.Sprintf("%.1f cm", cm)
	}
	gust := func(ms float64) string {
		switch {
		case ms > mostGustMS:
			return "beyond"
		case us:
			return fmt.Sprintf("%.0f mph", ms*usUnits[speedMS].factor)
		}
		return fmt.Sprintf("%.0f m/s", ms)
	}
	local := func(s string) string {
		if us {
			return usWords(s)
		}
		return s
	}
	x := &r.weighing
	fmt.Fprintf(w, "  stem at the collar: %s (%s)\n", length(r.of.StemCm), r.stemBy)
	fmt.Fprintf(w, "  girdling root: %s thick, holds %.0f %% of the circumference", length(r.of.RootCm), 100*r.of.Share)
	if b := r.dug.BearingDeg; b.Known {
		fmt.Fprintf(w, ", its middle to the %s (%.0f degrees)", risk.Compass(b.Value), b.Value)
	}
	fmt.Fprintln(w)
	if r.dug.Action != "" {
		fmt.Fprintf(w, "  done by the record: %s\n", r.dug.Action)
	}
	pc := func(v float64) string { return fmt.Sprintf("%.0f %%", 100*v) }
	later := fmt.Sprintf("in %g years", x.Years)
	fmt.Fprintf(w, "\n  %-34s %-24s %s\n", "", "if kept", "if cut")
	line := func(what, a, b, c, d string) { fmt.Fprintf(w, "  %-34s %11s %12s %11s %12s\n", what, a, b, c, d) }
	line("", "now", later, "now", later)
	line("loss of section at the collar", pc(x.Keep.SectionNow), pc(x.Keep.SectionLater), pc(x.Cut.SectionNow), pc(x.Cut.SectionLater))
	line("loss of the root system", pc(0), pc(0), pc(x.Cut.RootsNow), pc(x.Cut.RootsLater))
	lost := fmt.Sprintf("%.0f-%.0f %%", 100*x.Cut.AnchorLo, 100*x.Cut.AnchorHi)
	line("loss of the roots' hold", pc(0), pc(0), lost, lost)
	if g := r.gusts; g != nil {
		line("base fails with even odds near", gust(g.now), gust(g.kept), gust(g.cut), gust(g.cutLater))
	}
	fmt.Fprintln(w)
	para := func(s string) { fmt.Fprintln(w, indent(wrap(local(s), 88), "  ", "    ")) }
	if s := r.weakLine(); s != "" {
		para(s)
	}
	if r.gusts != nil {
		para("Gusts are the station's (3 s, 10 m, open ground), for the tree at its size of today, the greater loss of hold counted; the wind comes on the held side as often as not. They compare the choices, and clear no tree.")
	}
	para("Assumed: " + strings.Join(r.assumed, "; ") + ".")
	para("Mind: " + strings.Join(x.Cautions, "; ") + "; the share is that of all girdling roots, the loss of roots that of the largest.")
	fmt.Fprintln(w, "\n  How it is reckoned (R radius of the stem, 2h the angle held, p depth of the dent)")
	for _, f := range collar.Formulas {
		fmt.Fprintln(w, indent(wrap(f.What+": "+f.How, 84), "    ", "      "))
		fmt.Fprintln(w, indent(wrap(f.Source, 80), "        ", "        "))
	}
	fmt.Fprintf(w, "\n%s\n", indent(wrap(arboristDecides, 88), "  ", "  "))
}

// foundField is a field of the list of found roots.
type foundField struct {
	outField
	of func(a *assessment, r *foundRoot) layer.Value
}

func percent(of func(w *collar.Weighing) float64) func(*assessment, *foundRoot) layer.Value {
	return func(_ *assessment, r *foundRoot) layer.Value { return number(100 * of(&r.weighing)) }
}

// gustOf gives null beyond what the formulas are made for, as the layer trees does.
func gustOf(of func(g *foundGusts) float64) func(*assessment, *foundRoot) layer.Value {
	return func(_ *assessment, r *foundRoot) layer.Value {
		if r.gusts == nil || of(r.gusts) > mostGustMS {
			return layer.Value{}
		}
		return number(of(r.gusts))
	}
}

// The one table of the fields of the list of found roots.
var foundFields = []foundField{
	{outField{name: "tree_id", alias: "tree", doc: "Number of the tree, as in the layer trees."},
		func(a *assessment, r *foundRoot) layer.Value { return words(a.in.trees.id(r.tree)) }},
	{outField{name: "species", alias: "species", doc: "Species, as in the layer trees."},
		func(a *assessment, r *foundRoot) layer.Value { return asInTrees("species")(a, &workStop{tree: r.tree}) }},
	{outField{name: "street", alias: "street", doc: "Street, as recorded."},
		func(a *assessment, r *foundRoot) layer.Value { return words(a.in.trees.street(r.tree)) }},
	{outField{name: "dug", alias: "excavated", doc: "Day of the latest excavation."},
		func(_ *assessment, r *foundRoot) layer.Value {
			if !r.dug.Date.Known {
				return layer.Value{}
			}
			return layer.String(r.dug.Date.Value.Format("2006-01-02"))
		}},
	{outField{name: "action", alias: "action", doc: "What was done, as recorded: where roots were cut already, the choice is made."},
		func(_ *assessment, r *foundRoot) layer.Value { return words(r.dug.Action) }},
	{outField{name: "stem_cm", usName: "stem_in", kind: layer.Real, of: diameterCm, digits: 1, alias: "stem", doc: "Diameter of the stem at the collar; the DBH where that was not noted."},
		func(_ *assessment, r *foundRoot) layer.Value { return number(r.of.StemCm) }},
	{outField{name: "root_cm", usName: "root_in", kind: layer.Real, of: diameterCm, digits: 1, alias: "root", doc: "Diameter of the largest girdling root."},
		func(_ *assessment, r *foundRoot) layer.Value { return number(r.of.RootCm) }},
	{outField{name: "held_pct", kind: layer.Real, unit: "%", digits: 0, alias: "held", doc: "Share of the stem's circumference that girdling roots hold."},
		func(_ *assessment, r *foundRoot) layer.Value { return number(100 * r.of.Share) }},
	{outField{name: "held_brg", kind: layer.Real, unit: "degrees", digits: 0, alias: "bearing of it", doc: "Bearing of the middle of what is held, degrees from north; empty where it was not noted."},
		func(_ *assessment, r *foundRoot) layer.Value {
			if !r.dug.BearingDeg.Known {
				return layer.Value{}
			}
			return number(r.dug.BearingDeg.Value)
		}},
	{outField{name: "years", kind: layer.Real, digits: 0, alias: "years ahead", doc: "Years that the later numbers look ahead."},
		func(_ *assessment, r *foundRoot) layer.Value { return number(r.weighing.Years) }},
	{outField{name: "sect_now", kind: layer.Real, unit: "%", digits: 0, alias: "section lost now", doc: "Loss of the collar's resistance to bending as found."},
		percent(func(w *collar.Weighing) float64 { return w.Keep.SectionNow })},
	{outField{name: "sect_keep", kind: layer.Real, unit: "%", digits: 0, alias: "section lost, kept", doc: "The same after the years ahead, the root kept."},
		percent(func(w *collar.Weighing) float64 { return w.Keep.SectionLater })},
	{outField{name: "sect_cut", kind: layer.Real, unit: "%", digits: 0, alias: "section lost, cut", doc: "The same after the years ahead, the root cut."},
		percent(func(w *collar.Weighing) float64 { return w.Cut.SectionLater })},
	{outField{name: "roots_cut", kind: layer.Real, unit: "%", digits: 0, alias: "roots lost, cut", doc: "Part of the root system, by cross-section, that is lost at once and for good with the root cut."},
		percent(func(w *collar.Weighing) float64 { return w.Cut.RootsNow })},
	{outField{name: "hold_lo", kind: layer.Real, unit: "%", digits: 0, alias: "hold lost, low", doc: "Loss of the roots' hold against tipping, the root cut: the lower of what pulling tests found."},
		percent(func(w *collar.Weighing) float64 { return w.Cut.AnchorLo })},
	{outField{name: "hold_hi", kind: layer.Real, unit: "%", digits: 0, alias: "hold lost, high", doc: "The higher of it."},
		percent(func(w *collar.Weighing) float64 { return w.Cut.AnchorHi })},
	{outField{name: "gust_ms", usName: "gust_mph", kind: layer.Real, of: speedMS, digits: 1, alias: "gust now", doc: "Gust at which the base fails with even odds, the collar as found; empty beyond 100 m/s."},
		gustOf(func(g *foundGusts) float64 { return g.now })},
	{outField{name: "keep_ms", usName: "keep_mph", kind: layer.Real, of: speedMS, digits: 1, alias: "gust, kept", doc: "The same with the collar as it is after the years ahead, the root kept, the tree at its size of today."},
		gustOf(func(g *foundGusts) float64 { return g.kept })},
	{outField{name: "cut_ms", usName: "cut_mph", kind: layer.Real, of: speedMS, digits: 1, alias: "gust, just cut", doc: "The same as soon as the root is cut."},
		gustOf(func(g *foundGusts) float64 { return g.cut })},
	{outField{name: "late_ms", usName: "late_mph", kind: layer.Real, of: speedMS, digits: 1, alias: "gust, cut before", doc: "The same after the years ahead, the root cut."},
		gustOf(func(g *foundGusts) float64 { return g.cutLater })},
	{outField{name: "assumed", alias: "assumed", doc: "What was not noted, and taken instead."},
		func(a *assessment, r *foundRoot) layer.Value { return words(a.local(strings.Join(r.assumed, "; "))) }},
	{outField{name: "mind", alias: "cautions", doc: "What to mind. It informs: a certified arborist decides on site."},
		func(_ *assessment, r *foundRoot) layer.Value {
			return words(strings.Join(r.weighing.Cautions, "; ") + ". " + arboristDecides)
		}},
}

// foundSchema is that of the layer found.
func (w *writer) foundSchema() layer.Schema {
	s := layer.Schema{Name: "found", Title: "Girdling roots that were found: what cutting and keeping cost", Abstract: arboristDecides + " " + caution, System: w.system, Shape: layer.Points}
	for i := range foundFields {
		s.Fields = append(s.Fields, foundFields[i].field(w.us))
	}
	return s
}

// found writes the layer and the table of found roots; the table is to be
// committed.
func (w *writer) found(ctx context.Context) (err error) {
	a := w.a
	if w.beside.work.roots, err = a.foundRoots(ctx, w.beside.work.digs); err != nil {
		return err
	}
	if w.beside.finds, err = layer.CreateTable(layer.TablePath(a.o.out, "found"), w.foundSchema()); err != nil {
		return err
	}
	for k := range w.beside.work.roots {
		r := &w.beside.work.roots[k]
		x, y, err := w.to(a.in.at[r.tree])
		if err != nil {
			return &layer.Error{File: a.o.out, Layer: "found", Err: err}
		}
		f := layer.Feature{FID: int64(k + 1), Geometry: orb.Point{x, y}}
		for i := range foundFields {
			c := &foundFields[i]
			f.Values = append(f.Values, c.written(c.of(a, r), w.us))
		}
		if err := w.sink.Write(w.beside.found, f); err != nil {
			return err
		}
		if err := w.beside.finds.Write(f); err != nil {
			return err
		}
	}
	return nil
}
