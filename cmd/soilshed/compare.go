package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"soilshed/geo/ground"
	"soilshed/geo/layer"
)

const aboutCompare = `soilshed compare puts designs side by side: the same trees on today's ground and on
that of each proposal. Today and each proposal are configuration files of assess;
they differ in their layers (pavement, bed, rootable ...) and in plant and remove.

  soilshed compare --before today.toml --after option-a.toml --after option-b.toml \
      --within corridor.geojson --prices prices.csv --csv compare.csv --out compare.gpkg \
      --page compare.html`

// compareOptions are what the command line of a comparison says.
type compareOptions struct {
	before              string
	after               []string
	within              string
	prices              string
	csv, out, page, log string
	quiet               bool

	flags *pflag.FlagSet
}

func compareFlags(o *compareOptions) *pflag.FlagSet {
	f := pflag.NewFlagSet("compare", pflag.ContinueOnError)
	f.SortFlags = false
	f.StringVar(&o.before, "before", "", "today: a configuration `FILE` of assess")
	f.StringArrayVar(&o.after, "after", nil, "a proposal: a configuration `FILE` of assess; give it once for each")
	f.StringVar(&o.within, "within", "", "corridor `FILE`: polygons; trees and paving outside are not compared")
	f.StringVar(&o.prices, "prices", "", "unit prices `FILE` (CSV with columns item, unit, price, note), your own")
	f.StringVar(&o.csv, "csv", "", "`FILE.csv` to write the table to")
	f.StringVar(&o.out, "out", "", "`FILE` to write the differences to, as a map: .gpkg, .geojson, .parquet, .fgb or .shp")
	f.StringVar(&o.page, "page", "", "`FILE.html` to write too: today and a proposal on one map with a divider, as one page that works offline")
	f.BoolVar(&o.quiet, "quiet", false, "print no table and no progress")
	f.StringVar(&o.log, "log", "text", "how progress and errors are told on standard error, a `FORM`: text or json")
	o.flags = f
	return f
}

func runCompare(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	var o compareOptions
	f := compareFlags(&o)
	if err := parse(f, args, "compare", aboutCompare, stdout); err != nil {
		if err == pflag.ErrHelp {
			return nil
		}
		return err
	}
	if f.NArg() > 0 {
		return usagef("compare takes flags alone, not %q; a proposal is --after FILE", f.Arg(0))
	}
	c, err := o.understand()
	if err != nil {
		return err
	}
	c.began = time.Now()
	hold, notes, err := holdForRun(slices.DeleteFunc(o.allFiles(), layer.IsDatabase))
	if err != nil {
		return err
	}
	defer hold.release()
	p := newProgress(&options{quiet: o.quiet, log: o.log}, stderr)
	today := c.schemes[0].a
	today.o.out = o.out
	today.in.report.Notes = append(today.in.report.Notes, notes...)
	c.digest(ctx, &o)
	err = c.compare(ctx, p)
	if err == nil {
		err = o.write(ctx, c, hold)
	}
	if err == nil {
		err = o.writeManifest(context.WithoutCancel(ctx), c)
	}
	if err = p.close(today, err); err != nil {
		return err
	}
	if !o.quiet {
		c.tell(stdout)
		o.tellWritten(stdout)
	}
	return nil
}

// understand reads the configuration files and the prices, before any layer.
func (o *compareOptions) understand() (*sideBySide, error) {
	switch {
	case o.before == "":
		return nil, usagef("nothing to compare with: --before FILE, the configuration of today")
	case len(o.after) == 0:
		return nil, usagef("nothing to compare: --after FILE, the configuration of a proposal, once for each")
	case o.log != "text" && o.log != "json":
		return nil, usagef("--log %s: one of text, json", o.log)
	case o.csv != "" && !strings.EqualFold(filepath.Ext(o.csv), ".csv"):
		return nil, usagef("--csv %s: a name that ends in .csv", o.csv)
	}
	if o.out != "" {
		probe, err := layer.Create(o.out, []layer.Schema{{Name: "differences", System: wgs84, Shape: layer.Points}}, layer.CreateOptions{Changed: "1970-01-01T00:00:00.000Z"})
		if err != nil {
			return nil, usageError{err}
		}
		if err := probe.Abort(); err != nil {
			return nil, err
		}
	}
	if o.page != "" {
		if err := besideFolder("--page", o.page); err != nil {
			return nil, err
		}
	}
	for _, pair := range [][2]string{{o.csv, o.out}, {o.page, o.out}, {o.page, o.csv}} {
		if pair[0] != "" && sameName(pair[0], pair[1]) {
			return nil, usagef("%s is the name of two files of the output (give each its own)", pair[0])
		}
	}
	c := &sideBySide{within: o.within}
	s, err := readScheme(o.before, "before", nil)
	if err != nil {
		return nil, err
	}
	c.schemes = append(c.schemes, s)
	for _, file := range o.after {
		s, err := readScheme(file, "after", c.schemes[0])
		if err != nil {
			return nil, err
		}
		c.schemes = append(c.schemes, s)
	}
	names(c.schemes)
	for _, s := range c.schemes {
		for _, in := range append(s.a.o.inputFiles(), s.file, o.prices, o.within) {
			for _, out := range o.allFiles() {
				if filepath.Clean(in) == filepath.Clean(out) {
					return nil, usagef("%s would be written over the input of this name (give another name)", out)
				}
			}
		}
	}
	if o.prices != "" {
		if c.prices, err = readPrices(o.prices); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// compare reads the layers of all schemes and works out what each comes to.
func (c *sideBySide) compare(ctx context.Context, p *progress) error {
	today := c.schemes[0]
	for k, s := range c.schemes {
		base := today
		if k == 0 {
			base = nil
		}
		if err := s.prepare(ctx, p, base); err != nil {
			return fmt.Errorf("%s: %w", s.file, err)
		}
		if k == 0 && c.within != "" {
			var err error
			if c.region, c.corridor, err = today.readWithin(ctx, c.within); err != nil {
				return err
			}
		}
	}
	c.match()
	if len(c.trees) == 0 {
		err := errors.New("no tree stands within it, today or in a proposal")
		if c.within == "" {
			return dataError{errors.New("no tree stands today or in a proposal")}
		}
		return &layer.Error{File: c.within, Err: err, Remedy: "does it show the place of the trees?"}
	}
	for k, s := range c.schemes {
		if err := s.a.phase("assess "+s.name, func() error { return s.a.run(ctx, func([]shape) error { return nil }) }); err != nil {
			return err
		}
		if k > 0 {
			s.takeoff.measureChanges(ground.Changes(today.a.in.m, s.a.in.m, c.region, s.a.o.groundOptions()))
		}
		if err := ctx.Err(); err != nil {
			return err
		}
	}
	c.count()
	return c.price()
}

// files are the names of what it writes.
func (o *compareOptions) files() []string {
	return slices.DeleteFunc([]string{o.out, o.csv, o.page}, func(f string) bool { return f == "" })
}

// write writes the layers, the table and the page: all aside, before any takes
// the place of an older one.
func (o *compareOptions) write(ctx context.Context, c *sideBySide, h *hold) (err error) {
	var page []byte
	if o.page != "" {
		if err := c.schemes[0].a.phase("page", func() (err error) { page, err = c.page(ctx); return err }); err != nil {
			return err
		}
	}
	var commits []func() error
	if o.out != "" {
		sink, err := c.writeLayer(ctx, o.out)
		if err != nil {
			return err
		}
		defer sink.Abort()
		commits = append(commits, sink.Commit)
	}
	if o.csv != "" {
		table, err := c.writeTable(o.csv)
		if err != nil {
			return err
		}
		defer table.Abort()
		commits = append(commits, table.Commit)
	}
	if o.page != "" {
		commits = append(commits, func() error { return layer.WriteFile(o.page, page) })
	}
	if err := h.settle(ctx); err != nil {
		return err
	}
	for _, commit := range commits {
		if err := commit(); err != nil {
			return err
		}
	}
	return nil
}

// allFiles are those and the manifest.
func (o *compareOptions) allFiles() []string {
	files := o.files()
	if m := o.manifest(); m != "" {
		files = append(files, m)
	}
	return files
}

func (o *compareOptions) tellWritten(w io.Writer) {
	if files := o.files(); len(files) > 0 {
		for i := range files {
			files[i] = layer.Shown(files[i])
		}
		fmt.Fprintf(w, "\nWritten: %s\n", strings.Join(files, ", "))
	}
	fmt.Fprintf(w, "\n%s\n", wrap(caution, 92))
}

// writeTable writes the measures aside as CSV, a line each and a column a scheme.
func (c *sideBySide) writeTable(file string) (t *layer.Table, err error) {
	us := c.schemes[0].a.o.units == "us"
	schema := layer.Schema{Name: "comparison", Fields: []layer.Field{{Name: "measure"}, {Name: "unit"}}}
	for _, s := range c.schemes {
		schema.Fields = append(schema.Fields, layer.Field{Name: s.name, Kind: layer.Real})
	}
	schema.Fields = append(schema.Fields, layer.Field{Name: "best"}, layer.Field{Name: "meaning"})
	if t, err = layer.CreateTable(file, schema); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			t.Abort()
		}
	}()
	row := func(m *compareMeasure, name, doc string) error {
		f := layer.Feature{Values: []layer.Value{words(name), words(m.field(us).Unit)}}
		for _, s := range c.schemes {
			f.Values = append(f.Values, m.value(s, us))
		}
		lead, alike := c.best(m)
		best := schemeNames(lead)
		if alike {
			best = "all alike"
		}
		f.Values = append(f.Values, words(best), words(doc))
		return t.Write(f)
	}
	for i := range compareMeasures {
		m := &compareMeasures[i]
		if err = row(m, m.name, m.doc); err != nil {
			return t, err
		}
	}
	if c.prices != nil {
		for i := range priceItems {
			p := &priceItems[i]
			m := &compareMeasure{outField: outField{digits: 2}, from: func(s *scheme) float64 { return s.takeoff.costOf(p) }}
			if err = row(m, "cost: "+p.name, "Part of the cost: "+p.doc+"."); err != nil {
				return t, err
			}
		}
	}
	return t, nil
}

// costOf is what an item comes to; NaN where nothing is priced.
func (t *takeoff) costOf(p *priceItem) float64 {
	if math.IsNaN(t.cost) {
		return math.NaN()
	}
	for i := range t.items {
		if t.items[i].item == p {
			return t.items[i].cost()
		}
	}
	return 0
}
