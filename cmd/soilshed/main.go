// Command soilshed tells a city which of its street trees are short of ground,
// and which will fail at the base.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"strings"
	"syscall"
)

// verb is one thing the command does.
type verb struct {
	name, brief string
	run         func(ctx context.Context, args []string, stdout, stderr io.Writer) error
}

// verbs in the order of the help.
func verbs() []verb {
	return []verb{
		{"assess", "tree points and pavement in, a ranked layer of soil and of failure at the base out", runAssess},
		{"check", "read all that assess would, say in what state it is, compute nothing", runCheck},
		{"explain", "print one tree's chain from inputs to rank, with every number and source", runExplain},
		{"draw", "draw one tree to scale: its share of the ground, its rose, where it would fall (SVG)", runDraw},
		{"weigh", "set cutting a girdling root that was found against keeping it, now and in ten years", runWeigh},
		{"compare", "put designs side by side: the same trees on today's ground and on each proposal's", runCompare},
		{"place", "look for ground: the smallest enlargement for each short tree, and spots for new trees", runPlace},
		{"learn", "learn from excavated root collars: evidence for assess, calibration, rates by supplier and stock", runLearn},
		{"evidence", "print the built-in evidence table, to be edited and given back", runEvidence},
		{"demo", "assess the invented town of Wrenfold and say what to open", runDemo},
	}
}

func main() {
	collectAt(20)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := make(chan int, 1)
	go func() { code <- run(ctx, os.Args[1:], os.Stdout, os.Stderr) }()
	c := untilStopped(ctx, code)
	stop()
	clearScratch()
	os.Exit(c)
}

// collectAt sets how much rubbish, in per cent of what lives, may lie about.
// Nearly all memory is the trees and the map, which live as long as the run:
// letting rubbish grow to their size again, as is the default, would double it.
func collectAt(percent int) {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(percent)
	}
}

// manyTreesBytes is what lives in a run beyond which half as much rubbish may lie
// about, and room that is free goes back to the system: three million trees, say
// (setting).
const manyTreesBytes = 3 << 30

// collectSooner is called after each phase of a run.
func collectSooner() {
	var m runtime.MemStats
	if runtime.ReadMemStats(&m); m.HeapAlloc > manyTreesBytes {
		collectAt(10)
		debug.FreeOSMemory()
	}
}

// run is the whole command but for the exit.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	defer clearScratch()
	if len(args) == 0 || args[0] == "help" || args[0] == "--help" || args[0] == "-h" {
		usage(stdout)
		if len(args) == 0 {
			return exitUsage
		}
		return exitDone
	}
	if args[0] == "--version" || args[0] == "version" {
		fmt.Fprintln(stdout, "soilshed", version)
		return exitDone
	}
	var names []string
	for _, v := range verbs() {
		if v.name == args[0] {
			return codeOf(v.run(ctx, args[1:], stdout, stderr), stderr)
		}
		names = append(names, v.name)
	}
	hint := ""
	if near := closestName(args[0], names); near != "" {
		hint = fmt.Sprintf(" Did you mean %s?", near)
	}
	return codeOf(usagef("there is no %q.%s The verbs are: %s", args[0], hint, strings.Join(names, ", ")), stderr)
}

// version is that of the program, and goes into the metadata of what it writes.
const version = "0.1"

func usage(w io.Writer) {
	fmt.Fprint(w, `Soilshed tells a city which of its street trees are short of ground, and which
will fail at the base.

  soilshed assess --trees trees.geojson --pavement roads.shp --pavement walks.shp --out city.gpkg

Verbs:
`)
	for _, v := range verbs() {
		fmt.Fprintf(w, "  %-9s %s\n", v.name, v.brief)
	}
	fmt.Fprintf(w, "\nsoilshed VERB --help tells more.\n\n%s\n%s\n", exitStatuses, wrap(caution, 78))
}

// wrap breaks a text at blanks so that lines keep within n characters.
func wrap(s string, n int) string {
	var b strings.Builder
	col := 0
	for _, w := range strings.Fields(s) {
		if col > 0 && col+1+len(w) > n {
			b.WriteByte('\n')
			col = 0
		} else if col > 0 {
			b.WriteByte(' ')
			col++
		}
		b.WriteString(w)
		col += len(w)
	}
	return b.String()
}
