package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/pflag"

	"soilshed/geo/crs"
	"soilshed/geo/layer"
)

const aboutCheck = `soilshed check reads all that assess would read, says in what state it is and what
would be assumed, and computes nothing. It takes the flags of assess, or its
configuration file; --out is not needed, and is looked at when it is given.

  soilshed check --config night.toml`

func runCheck(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	var o options
	f := flagsOf(&o, "check")
	if err := parse(f, args, "check", aboutCheck, stdout); err != nil {
		if err == pflag.ErrHelp {
			return nil
		}
		return err
	}
	if f.NArg() > 0 {
		return usagef("check takes flags alone, not %q", f.Arg(0))
	}
	if err := o.understand(); err != nil {
		return err
	}
	if o.out != "" {
		if err := o.checkDestination(); err != nil {
			return err
		}
	}
	a := &assessment{o: &o}
	if err := a.prepare(ctx); err != nil {
		return err
	}
	defer a.in.source.Close()
	if _, err := a.excavated(); err != nil {
		return err
	}
	if !o.quiet {
		a.tellCheck(stdout, f)
	}
	return a.tooMany(false)
}

// tooMany is the error of more records left out than --max-skipped allows.
func (a *assessment) tooMany(written bool) error {
	left := 0
	for _, l := range a.in.report.Layers {
		left += l.leftOut()
	}
	if a.o.maxSkipped >= 0 && left > a.o.maxSkipped {
		return skippedError{left, a.o.maxSkipped, written}
	}
	return nil
}

// tellCheck prints the state of the inputs.
func (a *assessment) tellCheck(w io.Writer, f *pflag.FlagSet) {
	o := a.o
	a.tellInputs(w)
	trees := a.in.report.Layers[0]
	fmt.Fprintln(w, "\nCoordinates")
	for _, l := range a.in.report.Layers {
		fmt.Fprintf(w, "  %-10s %s: %s", l.Role, layer.Shown(l.File), systemName(l.system))
		if l != trees && l.Taken > 0 {
			n := 0
			for _, p := range a.in.at {
				if p.X >= l.box[0] && p.X <= l.box[2] && p.Y >= l.box[1] && p.Y <= l.box[3] {
					n++
				}
			}
			fmt.Fprintf(w, "; %s of %s trees within its extent", grouped(n), grouped(len(a.in.at)))
		}
		fmt.Fprintln(w)
	}
	fmt.Fprintln(w, "\nColumns read of the trees")
	for _, c := range a.in.cols.read() {
		unit := c.Unit
		if unit != "" {
			unit = ", in " + unit + " (" + c.UnitBy + ")"
		}
		fmt.Fprintf(w, "  %-13s %s (%s)%s\n", c.Name, c.Column, c.How, unit)
	}
	if absent := a.in.cols.absent(); len(absent) > 0 {
		fmt.Fprintln(w, indent(wrap("Not in the inventory, and assumed or done without: "+strings.Join(absent, ", ")+".", 92), "  ", "  "))
	}
	for _, x := range []struct{ file, words string }{
		{o.weather, "no weather file: no dry days, no water, and not the need by climate (--weather)"},
		{strings.Join(o.soilLayer, ""), "no soil layer: the depth and texture of the settings everywhere (--soil)"},
		{strings.Join(o.studyArea, ""), "no study area: the hard layers are taken to cover the whole of their extent (--study-area)"},
		{o.excavations, "no excavations: nothing is known to have been dug at (--excavations)"},
	} {
		if x.file == "" {
			fmt.Fprintln(w, indent(wrap(x.words, 92), "  ", "    "))
		}
	}
	fmt.Fprintln(w, "\nSettings")
	var byDefault []string
	f.VisitAll(func(fl *pflag.Flag) {
		form, _ := pflag.UnquoteUsage(fl)
		switch {
		case fl.Hidden || fl.Name == "config":
		case fl.Changed:
			from := "command line"
			if file := fl.Annotations[fromConfig]; len(file) > 0 {
				from = file[0]
			}
			fmt.Fprintf(w, "  %s = %s (%s)\n", fl.Name, shownValue(fl), from)
		case fl.DefValue != "" && fl.DefValue != "[]" && !strings.HasPrefix(form, "FILE") && !(fl.DefValue == "0" && strings.Contains(fl.Usage, "not given")):
			byDefault = append(byDefault, fl.Name+" = "+fl.DefValue)
		}
	})
	fmt.Fprintln(w, indent(wrap("by default: "+strings.Join(byDefault, ", "), 92), "  ", "    "))
	fmt.Fprintf(w, "\nNothing was computed or written. All of it can be read: soilshed assess would run.\n")
}

// shownValue is the value of a flag as it may be shown.
func shownValue(fl *pflag.Flag) string {
	if s, ok := fl.Value.(pflag.SliceValue); ok {
		var all []string
		for _, v := range s.GetSlice() {
			all = append(all, layer.Shown(v))
		}
		return strings.Join(all, ", ")
	}
	return layer.Shown(fl.Value.String())
}

// systemName is a coordinate system as a person would look it up.
func systemName(s *crs.System) string {
	if s.EPSG() == 0 {
		return s.Name()
	}
	return fmt.Sprintf("%s (EPSG:%d)", s.Name(), s.EPSG())
}
