package main

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/pflag"

	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/collar"
)

const aboutWeigh = `soilshed weigh sets cutting a girdling root against keeping it: what the stem's
section and the root system lose, now and in ten years, by formulas that it
prints. The root is one that was excavated, or one told on the command line. With
the layers of assess it adds the gust in which the base would fail.

  soilshed weigh 4711 --excavations digs.csv --trees trees.geojson --pavement walks.geojson
  soilshed weigh --stem 32cm --root 5cm --held 40% --embedded 2cm --other-roots 8,6,6,4

It informs. Whether a root is cut, a certified arborist decides on site.`

// rootFlags are what the command line says of a root.
type rootFlags struct {
	stem, root, held, arc, bearing, embedded string
	otherRoots, stemGrowth, rootGrowth       string
	years                                    float64
}

func runWeigh(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	var o options
	var r rootFlags
	f := flagsOf(&o, "weigh")
	f.StringVar(&r.stem, "stem", "", "`DIAMETER` of the stem at the collar; with the layers of assess the DBH stands for it")
	f.StringVar(&r.root, "root", "", "`DIAMETER` of the girdling root")
	f.StringVar(&r.held, "held", "", "`SHARE` of the stem's circumference that it holds: 0.4 or 40%")
	f.StringVar(&r.arc, "arc", "", "the same as an angle, in `DEGREES`")
	f.StringVar(&r.bearing, "bearing", "", "`BEARING` of the middle of what is held: degrees from north, or SW and the like")
	f.StringVar(&r.embedded, "embedded", "", "`DEPTH` to which the root lies in the stem")
	f.StringVar(&r.otherRoots, "other-roots", "", "`DIAMETERS` of the other main roots, as in 8,6,6,4")
	f.StringVar(&r.stemGrowth, "stem-growth", "", "`GROWTH` of the stem's diameter in a year")
	f.StringVar(&r.rootGrowth, "root-growth", "", "`GROWTH` of the root's diameter in a year")
	f.Float64Var(&r.years, "years", defaultAheadYr, "`YEARS` to look ahead")
	if err := parse(f, args, "weigh", aboutWeigh, stdout); err != nil {
		if err == pflag.ErrHelp {
			return nil
		}
		return err
	}
	if f.NArg() > 1 {
		return usagef("name one tree, not %q", f.Args())
	}
	dug, found, err := r.understand(&o)
	if err != nil {
		return err
	}
	id := plainID(f.Arg(0))
	if id == "" && (o.trees != "" || o.excavations != "") {
		return usagef("name the tree: soilshed weigh TREE_ID (assess --excavations writes a list of all that was found)")
	}
	if o.excavations != "" {
		x, err := readExcavations(o.excavations, o.excavationFields, o.units == "us")
		if err != nil {
			return err
		}
		e, ok := x.latest()[id]
		if !ok && !dug.RootCm.Known {
			return &layer.Error{File: o.excavations, Err: fmt.Errorf("tree %s was not excavated", id), Remedy: "tell what was found: --root, --held"}
		}
		dug = dug.over(e, f.Changed("held") || f.Changed("arc"))
	}
	if !dug.RootCm.Known {
		return usagef("no girdling root: --root DIAMETER, and how much of the stem it holds: --held SHARE or --arc DEGREES")
	}
	if o.excavations == "" && r.held == "" && r.arc == "" {
		return usagef("how much of the stem does the root hold? --held SHARE or --arc DEGREES")
	}
	var roots []foundRoot
	if o.trees != "" {
		if err := o.understand(); err != nil {
			return err
		}
		o.jitters = 0 // no spread of the soil volume is told
		a := &assessment{o: &o}
		if err := a.prepare(ctx); err != nil {
			return err
		}
		defer a.in.source.Close()
		var tree int
		if tree, err = a.in.numbered(id, o.trees); err != nil {
			return err
		}
		a.rows = make(rows, a.in.trees.len()) // no ranks
		roots, err = a.weighRoots(ctx, []find{{tree, dug, found}})
	} else {
		if !dug.StemCm.Known {
			return usagef("no stem: --stem DIAMETER at the collar, or the layers of assess (--trees, --pavement)")
		}
		var x foundRoot
		x, err = weigh(dug, dug.StemCm.Value, "as given", risk.Maybe[float64]{}, "", found)
		roots = []foundRoot{x}
	}
	if err != nil {
		return usageError{err}
	}
	if id != "" {
		fmt.Fprintf(stdout, "Tree %s\n", id)
	}
	for k := range roots {
		fmt.Fprintln(stdout, "Cut or keep: what each choice costs")
		roots[k].tell(stdout, o.units == "us")
	}
	fmt.Fprintf(stdout, "\n%s\n", wrap(caution, 92))
	return nil
}

// understand reads what the flags say.
func (r *rootFlags) understand(o *options) (dug excavation, f collar.Found, err error) {
	unit, _ := findUnit(ofLength, map[bool]string{false: "cm", true: "in"}[o.units == "us"])
	size := func(flag, s string, join joining) risk.Maybe[float64] {
		if s == "" || err != nil {
			return risk.Maybe[float64]{}
		}
		a, ok := readAmount(s, ofLength, join)
		if !ok || !(a.value >= 0) {
			err = usagef("--%s %s: a length is wanted, such as 5cm or 2in", flag, s)
			return risk.Maybe[float64]{}
		}
		if !a.inOther {
			a.unit = unit
		}
		return risk.Known(a.value * a.unit.per * 100)
	}
	dug.StemCm = size("stem", r.stem, oneNumber)
	dug.RootCm = size("root", r.root, oneNumber)
	dug.EmbeddedCm = size("embedded", r.embedded, oneNumber)
	dug.OtherRootsCm = size("other-roots", r.otherRoots, stemList)
	f.StemGrowthCm = collar.Reading(size("stem-growth", r.stemGrowth, oneNumber))
	f.RootGrowthCm = collar.Reading(size("root-growth", r.rootGrowth, oneNumber))
	f.Years = collar.Read(r.years)
	if err != nil {
		return dug, f, err
	}
	switch {
	case r.held != "" && r.arc != "":
		return dug, f, usagef("--held and --arc say the same: give one")
	case r.held != "":
		a, ok := readAmount(r.held, ofFraction, oneNumber)
		if a.inOther {
			a.value *= a.unit.per
		}
		if !ok || !(a.value >= 0 && a.value <= 1) {
			return dug, f, usagef("--held %s: a share of the circumference is wanted, 0 to 1 or in percent (40%%)", r.held)
		}
		dug.Share = a.value
	case r.arc != "":
		a, ok := readAmount(r.arc, ofAngle, oneNumber)
		if !ok || !(a.value >= 0 && a.value <= 360) {
			return dug, f, usagef("--arc %s: degrees are wanted, 0 to 360", r.arc)
		}
		dug.Share = a.value / 360
	}
	if r.bearing != "" {
		deg, ok := readBearing(r.bearing)
		if !ok {
			return dug, f, usagef("--bearing %s: degrees from north are wanted, 0 to 360, or a point of the compass", r.bearing)
		}
		dug.BearingDeg = risk.Known(deg)
	}
	return dug, f, nil
}

// over is the record with what the command line says in place of it.
func (e excavation) over(record excavation, held bool) excavation {
	for _, v := range []struct{ to, told *risk.Maybe[float64] }{
		{&record.StemCm, &e.StemCm}, {&record.RootCm, &e.RootCm}, {&record.EmbeddedCm, &e.EmbeddedCm},
		{&record.OtherRootsCm, &e.OtherRootsCm}, {&record.BearingDeg, &e.BearingDeg},
	} {
		if v.told.Known {
			*v.to = *v.told
		}
	}
	if held {
		record.Share = e.Share
	}
	return record
}
