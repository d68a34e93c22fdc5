package main

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"soilshed/geo/ground"
	"soilshed/geo/layer"
	"soilshed/risk/collar"
)

const aboutLearn = `soilshed learn learns from excavated root collars: it works out what was known of
each of those trees before it was dug at, sets it beside what was found, and
writes the evidence table anew. Give the file to assess with --evidence. It takes
the flags of assess for the layers and their columns, so that both see the same.

  soilshed learn --excavations digs.csv --trees trees.geojson --pavement walks.geojson --out evidence.csv

The excavations are a table with the tree's number, the share of the stem's
circumference that girdling roots hold (0 when none was found) and, best, the
date. Beside the evidence a table NAME-rates.csv tells what was found by stock,
supplier, the two together, species, planting season and crew.`

func runLearn(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	var o options
	f := flagsOf(&o, "learn")
	f.Lookup("out").Usage = "evidence `FILE` to write (CSV)"
	f.Lookup("excavations").Usage = "root collars excavated `FILE` (CSV)"
	f.Lookup("evidence").Usage = "evidence table `FILE` to start from in place of the built-in one"
	report := f.String("report", "", "`FILE` for the report, which is told on the terminal too")
	if err := parse(f, args, "learn", aboutLearn, stdout); err != nil {
		if err == pflag.ErrHelp {
			return nil
		}
		return err
	}
	switch {
	case f.NArg() > 0:
		return usagef("learn takes flags alone, not %q; the excavations are --excavations FILE", f.Arg(0))
	case o.excavations == "":
		return usagef("no excavations: --excavations FILE")
	case o.out == "":
		return usagef("no output: --out FILE for the evidence table (CSV)")
	}
	rates := layer.TablePath(o.out, "rates")
	for _, in := range []string{o.excavations, o.trees} {
		for _, out := range []string{o.out, rates, *report} {
			if out != "" && filepath.Clean(in) == filepath.Clean(out) {
				return usagef("%s is read and would be written over: choose another name", in)
			}
		}
	}
	if *report != "" && (filepath.Clean(*report) == filepath.Clean(o.out) || filepath.Clean(*report) == filepath.Clean(rates)) {
		return usagef("--report %s: the evidence or its rates go there: choose another name", *report)
	}
	if err := o.understand(); err != nil {
		return err
	}
	o.jitters = 0 // no spread of the soil volume is told
	hold, notes, err := holdForRun([]string{o.out, rates, *report})
	if err != nil {
		return err
	}
	defer hold.release()
	digs, err := readExcavations(o.excavations, o.excavationFields, o.units == "us")
	if err != nil {
		return err
	}
	a := &assessment{o: &o}
	a.in.report.Notes = append(a.in.report.Notes, notes...)
	if err := a.prepare(ctx); err != nil {
		return err
	}
	defer a.in.source.Close()
	l, err := a.learn(ctx, digs)
	if err != nil {
		return err
	}
	text := l.text(a, digs)
	if !o.quiet {
		fmt.Fprint(stdout, text)
	}
	if err := hold.settle(ctx); err != nil {
		return err
	}
	// The evidence goes last: while it stands, what tells of it stands too.
	if *report != "" {
		if err := layer.WriteFile(*report, []byte(text)); err != nil {
			return err
		}
	}
	if err := l.writeRates(rates); err != nil {
		return err
	}
	var b bytes.Buffer
	if err := l.after.Write(&b); err != nil {
		return err
	}
	if err := layer.WriteFile(o.out, b.Bytes()); err != nil {
		return err
	}
	if !o.quiet {
		fmt.Fprintf(stdout, "\nWritten: %s (soilshed assess --evidence %s takes it), %s\n\n%s\n", o.out, o.out, rates, wrap(caution, 92))
	}
	return nil
}

// lesson is what was learned, and from what.
type lesson struct {
	before, after *collar.Evidence
	report        *collar.Report
	unknown       []excavation // of trees that the inventory does not have
	again         int          // later records of a tree: not learned from
	learnedBefore bool         // the evidence that was started from
}

// learn finds the signs of the excavated trees and learns from them.
func (a *assessment) learn(ctx context.Context, digs *excavationFile) (*lesson, error) {
	l := &lesson{before: a.model.Evidence}
	for _, r := range l.before.Rows() {
		l.learnedBefore = l.learnedBefore || strings.Contains(r.Source, "learned from excavations")
	}
	tree := make(map[string]int, a.in.trees.len())
	for i := range a.in.trees.len() {
		tree[a.in.trees.id(i)] = i
	}
	first := digs.first()
	l.again = len(digs.Records) - len(first)
	at := map[int]excavation{}
	var dug []int32
	for _, e := range first {
		i, ok := tree[e.Tree]
		if !ok {
			l.unknown = append(l.unknown, e)
			continue
		}
		at[i] = e
		dug = append(dug, int32(i))
		t := a.in.trees.at(i)
		if t.Season == "" && t.PlantedMonth == 0 && e.Season != "" {
			if t.Season, t.PlantedMonth = readSeason(e.Season); t.Season == "" && t.PlantedMonth == 0 {
				t.Season = e.Season
			}
		}
		if t.Crew == "" {
			t.Crew = e.Crew
		}
		a.in.trees.set(i, &t)
	}
	if len(dug) == 0 {
		return nil, &layer.Error{File: digs.File, Err: fmt.Errorf("none of its %s is in %s", countOf(len(first), "tree", "trees"), a.o.trees),
			Remedy: "are the numbers those of the inventory? --excavation-field tree=COLUMN and --field id=COLUMN say which columns hold them"}
	}
	slices.Sort(dug)
	signs, err := a.signs(ctx, dug)
	if err != nil {
		return nil, err
	}
	records := make([]collar.Record, len(dug))
	for k, i := range dug {
		e := at[int(i)]
		records[k] = collar.Record{ID: e.Tree, Signs: signs[k], GirdledShare: e.Share}
		// Years since planting are those of the day of the dig.
		if t := a.in.trees.at(int(i)); t.PlantedYear.Known && e.Date.Known {
			if y := e.Date.Value.Year() - t.PlantedYear.Value; y >= 0 {
				records[k].Signs.YearsSincePlanting = collar.Read(float64(y))
			}
		}
	}
	if l.after, l.report, err = collar.Learn(l.before, records, collar.LearnOptions{}); err != nil {
		return nil, &layer.Error{File: digs.File, Err: err}
	}
	return l, nil
}

// signs are what is known of the collars of trees without digging, by the chain
// that assess runs.
func (a *assessment) signs(ctx context.Context, trees []int32) ([]collar.Signs, error) {
	place := make(map[int32]int, len(trees))
	for k, i := range trees {
		place[i] = k
	}
	out := make([]collar.Signs, len(trees))
	err := a.each(ctx, trees, func(i int32, site *ground.Site) {
		t := a.in.trees.at(int(i))
		s := a.model.Size(&t)
		g := a.in.ground(a.survey.Stand(i), site)
		odd := a.odd(i)
		r := a.model.Assess(&t, &s, &g, odd, nil)
		out[place[i]] = a.model.Signs(&t, &s, &g, odd, r.SoilPct)
	})
	return out, err
}

// first returns the excavations in file order, of each tree the first: what was
// found before anybody cut a root. It is the one with the earliest date, or the
// first in the file where dates do not tell.
func (x *excavationFile) first() []excavation {
	at := map[string]int{}
	var out []excavation
	for _, e := range x.Records {
		k, ok := at[e.Tree]
		switch {
		case !ok:
			at[e.Tree] = len(out)
			out = append(out, e)
		case e.Date.Known && out[k].Date.Known && e.Date.Value.Before(out[k].Date.Value):
			out[k] = e
		}
	}
	return out
}

// rateGroup is what was found by one kind of group.
type rateGroup struct {
	name, title string
	rates       []collar.Rate
}

func (l *lesson) groups() []rateGroup {
	r := l.report
	all := []rateGroup{
		{"lot", "Supplier and stock, the likeliest first: for the buyer", r.Lots},
		{"stock", "Stock", r.Stocks}, {"supplier", "Supplier", r.Suppliers}, {"species", "Species", r.Species},
		{"season", "Planting season", r.Seasons}, {"crew", "Planting crew", r.Crews},
	}
	return slices.DeleteFunc(all, func(g rateGroup) bool { return len(g.rates) == 0 })
}

// text is the report.
func (l *lesson) text(a *assessment, digs *excavationFile) string {
	var b strings.Builder
	r := l.report
	fmt.Fprintf(&b, "Excavations\n  %s: %s of %s in the inventory\n", digs.File, countOf(len(digs.Records), "record", "records"), countOf(r.Records, "tree", "trees"))
	if n := len(l.unknown); n > 0 {
		var first []string
		for _, e := range l.unknown[:min(n, 5)] {
			first = append(first, fmt.Sprintf("%s on line %d", shortened(e.Tree, 40), e.Line))
		}
		fmt.Fprintf(&b, "  left out: %s that %s does not have (%s)\n", countOf(n, "tree", "trees"), a.o.trees, strings.Join(first, ", "))
	}
	if l.again > 0 {
		fmt.Fprintf(&b, "  left out: %s of a tree that was excavated before; what was found first counts\n", countOf(l.again, "later record", "later records"))
	}
	for _, n := range digs.Notes {
		fmt.Fprintln(&b, indent(wrap(n, 92), "  - ", "    "))
	}
	fmt.Fprintf(&b, "  girdled on a third of the circumference or more: %d, %.0f %%\n", r.Girdled, 100*float64(r.Girdled)/float64(r.Records))
	if l.learnedBefore {
		fmt.Fprintf(&b, "  %s has learned before: a record that it learned from then counts twice now\n", a.o.evidence)
	}
	if r.Records < 100 {
		fmt.Fprintf(&b, "  %s teach little: the table leans on its published weights still\n", countOf(r.Records, "excavation", "excavations"))
	}
	fmt.Fprintln(&b, indent(wrap("Trees dug up for how they looked teach of trees that look so. Dig at some taken by lot too, and record those that were sound.", 92), "  ", "  "))

	fmt.Fprintf(&b, "\nHow far it can be relied on\n")
	if r.Folds == 0 {
		fmt.Fprintln(&b, "  not known: too few excavations to foretell one part from the others")
	} else {
		fmt.Fprintf(&b, "  out of sample, each record foretold from the other %d parts of %d\n", r.Folds-1, r.Folds)
		fmt.Fprintf(&b, "  Brier score (mean squared error, lower is better): %.3f learned, %.3f as it was, %.3f for one rate for all\n", r.Brier.Value, r.BrierBefore.Value, r.BrierRate.Value)
		fmt.Fprintf(&b, "  %-14s %6s %9s %7s   %s\n", "foretold", "trees", "foretold", "found", "80 % interval of what was found")
		for _, x := range r.Bins {
			fmt.Fprintf(&b, "  %3.0f to %3.0f %%   %6d %7.0f %% %5.0f %%   %.0f to %.0f %%\n", 100*x.From, 100*x.To, x.N, 100*x.Foretold, 100*x.Found, 100*x.FoundLo, 100*x.FoundHi)
		}
	}

	if moved := l.moved(); len(moved) > 0 {
		fmt.Fprintf(&b, "\nWeights that moved most (log-odds)\n  %-34s %15s   %15s\n", "", "before (spread)", "after (spread)")
		for _, m := range moved {
			fmt.Fprintf(&b, "  %-34s %7.2f (%4.2f)    %7.2f (%4.2f)\n", m.name, m.before.Weight, m.before.Spread, m.after.Weight, m.after.Spread)
		}
	}

	for _, g := range l.groups() {
		fmt.Fprintf(&b, "\n%s\n  %-40s %5s %8s   %-28s %s\n", g.title, "", "dug", "girdled", "chance, 80 % interval", "worse than average")
		for _, x := range g.rates {
			fmt.Fprintf(&b, "  %-40s %5d %8d   %-28s %3.0f %%\n", x.Name, x.N, x.Girdled, fmt.Sprintf("%.0f %%, %.0f to %.0f %%", 100*x.P, 100*x.Lo, 100*x.Hi), 100*x.Worse)
		}
	}
	fmt.Fprintln(&b, "\n"+indent(wrap("The chance of a girdled collar is that of a tree average in all else, drawn towards the others as far as few were dug: it compares lots in what else they have alike, and the counts do not. Worse than average: the chance that the lot's own odds are above those of the average tree; near 50 % nothing is known.", 92), "", ""))
	return b.String()
}

// move is a weight before and after.
type move struct {
	name          string
	before, after collar.Row
}

// moved are the weights that moved most, in their own spreads of before.
func (l *lesson) moved() []move {
	before := map[string]collar.Row{}
	name := func(r *collar.Row) string {
		if r.Level == "" {
			return r.Key
		}
		return r.Key + ": " + r.Level
	}
	for _, r := range l.before.Rows() {
		before[name(&r)] = r
	}
	var all []move
	for _, r := range l.after.Rows() {
		if b, ok := before[name(&r)]; ok && b.Spread > 0 {
			all = append(all, move{name(&r), b, r})
		}
	}
	size := func(m *move) float64 { return math.Abs(m.after.Weight-m.before.Weight) / m.before.Spread }
	slices.SortStableFunc(all, func(x, y move) int { return cmp.Compare(size(&y), size(&x)) })
	all = all[:min(len(all), 8)]
	return slices.DeleteFunc(all, func(m move) bool { return size(&m) < 0.05 })
}

// writeRates writes what was found by stock, supplier and the like.
func (l *lesson) writeRates(path string) error {
	t, err := layer.CreateTable(path, layer.Schema{Name: "rates", Fields: []layer.Field{
		{Name: "group", Doc: "lot (supplier and stock), stock, supplier, species, season or crew"}, {Name: "name"},
		{Name: "dug", Kind: layer.Integer, Doc: "collars excavated"}, {Name: "girdled", Kind: layer.Integer, Doc: "of those, girdled on a third of the circumference or more"},
		{Name: "sgr_p", Kind: layer.Real, Doc: "probability for a tree of it that is average in all else"},
		{Name: "sgr_lo", Kind: layer.Real, Doc: "lower end of its 80 % interval"}, {Name: "sgr_hi", Kind: layer.Real, Doc: "upper end"},
		{Name: "worse", Kind: layer.Real, Doc: "probability that its odds are above those of the average tree"},
	}})
	if err != nil {
		return err
	}
	defer t.Abort()
	round := func(v float64) layer.Value { return number(math.Round(v*1e4) / 1e4) }
	for _, g := range l.groups() {
		for _, r := range g.rates {
			err := t.Write(layer.Feature{Values: []layer.Value{layer.String(g.name), layer.String(r.Name), layer.Whole(int64(r.N)), layer.Whole(int64(r.Girdled)), round(r.P), round(r.Lo), round(r.Hi), round(r.Worse)}})
			if err != nil {
				return err
			}
		}
	}
	return t.Commit()
}

const aboutEvidence = `soilshed evidence prints the built-in evidence table: what raises and lowers the
odds of a girdled collar, by how much (log-odds), with spread and source. Edit it
and give it to assess with --evidence.

  soilshed evidence > evidence.csv`

func runEvidence(_ context.Context, args []string, stdout, stderr io.Writer) error {
	f := pflag.NewFlagSet("evidence", pflag.ContinueOnError)
	if err := parse(f, args, "evidence", aboutEvidence, stdout); err != nil {
		if err == pflag.ErrHelp {
			return nil
		}
		return err
	}
	if f.NArg() > 0 {
		return usagef("evidence takes no argument, not %q", f.Arg(0))
	}
	return collar.DefaultEvidence().Write(stdout)
}
