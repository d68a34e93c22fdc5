package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/pflag"

	"soilshed/geo/ground"
	"soilshed/risk"
)

const aboutExplain = `soilshed explain TREE_ID prints one tree's chain from inputs to rank, with every
number, its unit and its source. It takes the flags of assess, less those of what
assess writes.

  soilshed explain 4711 --trees trees.geojson --pavement walks.geojson`

func runExplain(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	var o options
	f := flagsOf(&o, "explain")
	if err := parse(f, args, "explain", aboutExplain, stdout); err != nil {
		if err == pflag.ErrHelp {
			return nil
		}
		return err
	}
	if f.NArg() != 1 {
		return usagef("name one tree: soilshed explain TREE_ID")
	}
	if err := o.understand(); err != nil {
		return err
	}
	a := &assessment{o: &o}
	if err := a.prepare(ctx); err != nil {
		return err
	}
	defer a.in.source.Close()
	tree, err := a.in.numbered(f.Arg(0), o.trees)
	if err != nil {
		return err
	}
	if err := a.run(ctx, func([]shape) error { return nil }); err != nil {
		return err
	}
	a.rank()
	var tr risk.Trace
	err = a.each(ctx, []int32{int32(tree)}, func(i int32, s *ground.Site) {
		r := a.one(i, s, &tr)
		r.rank, r.crewHours = a.rows[i].rank, float64(a.rows[i].hours)
		a.rows.set(int(i), r)
	})
	if err != nil {
		return err
	}
	dug, roots, err := a.foundAt(ctx, tree)
	if err != nil {
		return err
	}
	a.explain(stdout, tree, &tr, dug, roots)
	return nil
}

// explain prints the chain of one tree; dug is its latest excavation, if any, and
// roots what was found then.
func (a *assessment) explain(w io.Writer, i int, tr *risk.Trace, dug *excavation, roots []foundRoot) {
	t, r := a.in.trees.at(i), a.rows.at(i)
	fmt.Fprintf(w, "Tree %s, %s", t.ID, orUnknown(t.Species))
	if t.Street != "" {
		fmt.Fprintf(w, ", %s", t.Street)
	}
	fmt.Fprintln(w)
	if !r.res.Assessed {
		if a.in.kinds[i] == secondRecord {
			fmt.Fprintln(w, "A second record of one tree: the first is assessed.")
			return
		}
		fmt.Fprintln(w, "Gone on record: not assessed.")
		return
	}
	link := ""
	for _, s := range tr.Steps {
		if s.Link != link {
			link = s.Link
			fmt.Fprintf(w, "\n%s\n", strings.ToUpper(link[:1])+link[1:])
		}
		fmt.Fprint(w, "  ", s.What)
		if !math.IsNaN(s.Value) {
			fmt.Fprintf(w, ": %.4g", s.Value)
			if s.Unit != "" {
				fmt.Fprint(w, " ", s.Unit)
			}
		}
		fmt.Fprintln(w)
		if s.From != "" {
			fmt.Fprintln(w, indent(wrap(s.From, 84), "      ", "      "))
		}
	}
	fmt.Fprintln(w, "\nRank")
	if r.rank > 0 {
		j := a.job(i)
		if a.o.listBy == byGirdling {
			fmt.Fprintf(w, "  %d: girdled collars found a crew hour %.3g (%.3g over %.2f h)\n", r.rank, j.Worth(), j.Gain, j.HoursH)
		} else {
			fmt.Fprintf(w, "  %d: harm averted a crew hour %.3g (%.3g a year over %.2f h)\n", r.rank, j.Worth(), j.Gain, j.HoursH)
		}
	} else {
		fmt.Fprintln(w, "  not ranked")
	}
	fmt.Fprintf(w, "  next step: %s\n", a.nextStep(i, r))
	if why := r.res.Why(); why != "" {
		fmt.Fprintln(w, indent(wrap("reasons: "+why, 88), "  ", "    "))
	}
	fmt.Fprintln(w, indent(wrap("missing: "+r.res.Missing.Words(), 88), "  ", "    "))
	if dug != nil {
		when := ""
		if dug.Date.Known {
			when = " on " + dug.Date.Value.Format("2006-01-02")
		}
		fmt.Fprintf(w, "\nExcavated%s: %.0f %% of the circumference held; what the chain above says of the collar was reckoned without it\n", when, 100*dug.Share)
		if len(roots) == 0 && dug.Share > 0 {
			fmt.Fprintln(w, "  cut or keep is not weighed: the size of the root is not given, or cannot be")
		}
	}
	for k := range roots {
		fmt.Fprintln(w, "\nCut or keep: what each choice costs")
		roots[k].tell(w, a.o.units == "us")
	}
	fmt.Fprintf(w, "\n%s\n", wrap(caution, 92))
}
