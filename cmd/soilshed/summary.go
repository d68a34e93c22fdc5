package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"soilshed/geo/ground"
)

// summary tells on the terminal what was read, repaired, left out and found.
func (a *assessment) summary(w io.Writer) {
	a.tellInputs(w)
	a.tellResults(w)
}

// tellInputs tells what was read, repaired, left out and assumed.
func (a *assessment) tellInputs(w io.Writer) {
	r := &a.in.report
	fmt.Fprintln(w, "Read")
	for _, l := range r.Layers {
		fmt.Fprintf(w, "  %-10s %s: %s", l.Role, l.File, countOf(l.Records, "record", "records"))
		one, many := "polygon", "polygons"
		switch l.Role {
		case "trees", "plant":
			one, many = "tree with a point", "trees with a point"
		case "barrier", "along":
			one, many = "line", "lines"
		}
		fmt.Fprintf(w, ", %s\n", countOf(l.Taken, one, many))
		if l.Crossing > 0 {
			fmt.Fprintf(w, "    repaired: %s with a ring that crosses itself; all lobes count\n", countOf(l.Crossing, "polygon", "polygons"))
		}
		if l.Empty > 0 {
			fmt.Fprintf(w, "    left out: %s without geometry\n", countOf(l.Empty, "record", "records"))
		}
		if l.Strays > 0 {
			fmt.Fprintf(w, "    passed over: %s of another kind (lines or points among polygons)\n", countOf(l.Strays, "geometry", "geometries"))
		}
		var reasons []string
		for k := range l.Failed {
			reasons = append(reasons, k)
		}
		slices.Sort(reasons)
		for _, k := range reasons {
			fmt.Fprintf(w, "    left out: %s %s\n", grouped(l.Failed[k]), k)
		}
		for _, f := range l.FirstFailed {
			fmt.Fprintf(w, "      %s\n", f)
		}
	}
	if len(r.Notes) > 0 {
		fmt.Fprintln(w, "\nAssumed and noticed")
		for _, n := range r.Notes {
			fmt.Fprintln(w, indent(wrap(n, 92), "  - ", "    "))
		}
	}
}

func (a *assessment) tellResults(w io.Writer) {
	fmt.Fprintln(w, "\nGround found")
	hows := make([]int, len(ground.Hows()))
	classes := map[string]int{}
	kinds := [recordKinds]int{}
	var open, soilM3, need float64
	var graded, ranked, dead, flagged int
	var fails, harm float64
	var probable int
	for i, row := range a.rows.all() {
		kinds[a.in.kinds[i]]++
		if !row.res.Assessed {
			continue
		}
		hows[row.how]++
		if a.in.trees.dead(i) {
			dead++
		}
		if row.how != ground.Uncovered {
			open += row.shareM2
			soilM3 += row.soilM3
		}
		if row.res.Graded {
			graded++
			classes[className(row)]++
			need += row.res.Need
		}
		if row.rank > 0 {
			ranked++
			fails += row.res.FailYr
			harm += row.res.HarmYr
		}
		if row.res.GirdledP >= 0.5 {
			probable++
		}
		if row.res.Flagged {
			flagged++
		}
	}
	for h, name := range ground.Hows() {
		if hows[h] > 0 {
			fmt.Fprintf(w, "  %-10s %7s\n", name, grouped(hows[h]))
		}
	}
	for _, k := range []struct {
		kind recordKind
		name string
	}{{hedgeRow, "hedge rows, surveyed and kept out of the list"}, {goneTree, "gone on record, not assessed"}, {emptySite, "empty sites, not assessed"}, {secondRecord, "second records of a tree, not assessed"}} {
		if n := kinds[k.kind]; n > 0 {
			fmt.Fprintf(w, "  %s %s\n", grouped(n), k.name)
		}
	}
	fmt.Fprintf(w, "\nSoil against need (%s rule)\n", a.model.Need)
	for k := len(classNames) - 1; k >= 0; k-- {
		n := classes[classNames[k]]
		if graded > 0 {
			fmt.Fprintf(w, "  %-12s %7s  %4.1f %%\n", classNames[k], grouped(n), 100*float64(n)/float64(graded))
		}
	}
	in := func(v float64, of measure) string {
		if a.o.units == "us" {
			return grouped(int(math.Round(v*usUnits[of].factor))) + " " + usUnits[of].unit
		}
		return grouped(int(math.Round(v))) + " " + siUnits[of]
	}
	fmt.Fprintf(w, "\nTotals\n  %s of open ground in shares, %s of soil, %s needed\n", in(open, areaM2), in(soilM3, volumeM3), in(need, volumeM3))
	fmt.Fprintf(w, "  %s with even odds or more of a girdled collar; %s behind their cohorts beyond chance\n", grouped(probable), grouped(flagged))
	fmt.Fprintf(w, "  %s ranked. Their yearly probabilities of failure add up to %.1f: their level is\n  that of storm surveys, known to a factor of about three either way\n", grouped(ranked), fails)
	if dead > 0 {
		fmt.Fprintf(w, "  %s dead on record, kept out of the list: have an arborist see them\n", grouped(dead))
	}
	fmt.Fprintf(w, "\nFirst in the list\n")
	first := make([]int, 0, len(a.rows))
	for i := range a.rows {
		if n := a.rows[i].rank; n > 0 && n <= 5 {
			first = append(first, i)
		}
	}
	slices.SortFunc(first, func(x, y int) int { return int(a.rows[x].rank - a.rows[y].rank) })
	for _, i := range first {
		row := a.rows.at(i)
		fmt.Fprintf(w, "  %d. tree %s, %s: %s\n", row.rank, a.in.trees.id(i), orUnknown(a.in.trees.species(i)), cmp.Or(a.local(row.res.Why()), "no one thing stands out"))
	}
	fmt.Fprintf(w, "\nTime\n ")
	for _, p := range a.phases {
		fmt.Fprintf(w, " %s %.2f s;", p.Name, p.Seconds)
	}
	fmt.Fprintf(w, " %s, %s\n", countOf(a.in.m.Polygons(), "polygon", "polygons"), countOf(a.in.m.Vertices(), "vertex", "vertices"))
	switch {
	case a.o.poured:
		fmt.Fprintf(w, "\nWritten: the trees, to standard output\n")
	case a.o.out != "":
		fmt.Fprintf(w, "\nWritten: %s\n", a.o.out)
	}
	fmt.Fprintf(w, "\n%s\n", wrap(caution, 92))
}

func orUnknown(s string) string {
	if s == "" {
		return "species unknown"
	}
	return s
}

// indent puts first before the first line and rest before the others.
func indent(s, first, rest string) string {
	return first + strings.ReplaceAll(s, "\n", "\n"+rest)
}
