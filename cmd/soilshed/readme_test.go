package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/spf13/pflag"

	"soilshed/fixtures"
	"soilshed/geo/ground"
)

// The README is held to the program: its tables are made from the program's
// own, its commands are parsed by the program, and the tree that it explains is
// explained again. To rewrite what can be rewritten:
//
//	go test ./cmd/soilshed -run README -update

var updateReadme = flag.Bool("update", false, "rewrite the README's tables (refused under CI=true)")

const readmePath = "../../README.md"

func readme(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile(readmePath)
	if err != nil {
		t.Fatal(err)
	}
	return strings.ReplaceAll(string(b), "\r\n", "\n")
}

// block finds the text between <!-- NAME --> and <!-- end -->.
func block(text, name string) (from, to int, err error) {
	open := "<!-- " + name + " -->\n"
	from = strings.Index(text, open)
	if from < 0 {
		return 0, 0, fmt.Errorf("README.md has no %s", strings.TrimSpace(open))
	}
	from += len(open)
	n := strings.Index(text[from:], "<!-- end -->")
	if n < 0 {
		return 0, 0, fmt.Errorf("README.md: %s is not closed by <!-- end -->", strings.TrimSpace(open))
	}
	return from, from + n, nil
}

// row is a line of a table in Markdown.
func markdownRow(cells ...string) string {
	for i, c := range cells {
		cells[i] = strings.ReplaceAll(c, "|", `\|`)
	}
	return "| " + strings.Join(cells, " | ") + " |\n"
}

func code(s string) string {
	if s == "" {
		return ""
	}
	return "`" + s + "`"
}

// fieldTable lists fields as they are written, in both systems of units.
func fieldTable(fields []*outField) string {
	var b strings.Builder
	b.WriteString(markdownRow("field", "with `--units us`", "unit", "meaning") + "|---|---|---|---|\n")
	for _, f := range fields {
		si, us := f.field(false), f.field(true)
		name, unit := "", si.Unit
		if us.Name != si.Name {
			name = us.Name
		}
		if us.Unit != si.Unit {
			unit += ", " + us.Unit
		}
		b.WriteString(markdownRow(code(si.Name), code(name), unit, si.Doc))
	}
	return b.String()
}

// mappingTable lists what can be mapped to columns, with units and the range
// that is believed.
func mappingTable(table []mapping) string {
	var b strings.Builder
	b.WriteString(markdownRow("name", "what it is", "unit when none is stated", "believed") + "|---|---|---|---|\n")
	for _, m := range table {
		unit, bounds := m.unit, ""
		if m.us != "" && m.us != m.unit {
			unit += " (" + m.us + " with `--units us`)"
		}
		if m.high > 0 {
			bounds = fmt.Sprintf("%g to %g %s", m.low, m.high, m.unit)
			if m.zeroIsGap {
				bounds += "; 0 is unknown"
			}
		}
		b.WriteString(markdownRow(code(m.name), m.doc, unit, strings.TrimSpace(bounds)))
	}
	return b.String()
}

// readmeTables are the blocks of the README that are made from the program's
// own tables.
func readmeTables() []struct{ name, text string } {
	pointers := func(list []outField) (p []*outField) {
		for i := range list {
			p = append(p, &list[i])
		}
		return p
	}
	var openings, work, found []*outField
	for _, n := range openingFields {
		i := slices.IndexFunc(treeFields, func(f outField) bool { return f.name == n })
		openings = append(openings, &treeFields[i])
	}
	for i := range workFields {
		work = append(work, &workFields[i].outField)
	}
	for i := range foundFields {
		found = append(found, &foundFields[i].outField)
	}
	var differences, pieces, places, spots []*outField
	for i := range differenceFields {
		differences = append(differences, &differenceFields[i].outField)
	}
	for i := range pieceFields {
		pieces = append(pieces, &pieceFields[i].outField)
	}
	for i := range placeFields {
		places = append(places, &placeFields[i].outField)
	}
	for i := range spotFields {
		spots = append(spots, &spotFields[i].outField)
	}
	var verb strings.Builder
	verb.WriteString(markdownRow("verb", "what it does") + "|---|---|\n")
	for _, v := range verbs() {
		verb.WriteString(markdownRow(code("soilshed "+v.name), v.brief))
	}
	var exit strings.Builder
	exit.WriteString(markdownRow("exit status", "meaning") + "|---|---|\n")
	for _, line := range strings.Split(strings.TrimSpace(exitStatuses), "\n")[1:] {
		n, words, _ := strings.Cut(strings.TrimSpace(line), " ")
		exit.WriteString(markdownRow(n, strings.TrimSpace(words)))
	}
	return []struct{ name, text string }{
		{"verbs", verb.String()},
		{"fields of trees", fieldTable(pointers(treeFields))},
		{"fields of openings", fieldTable(openings)},
		{"fields of worklist", fieldTable(work)},
		{"fields of found", fieldTable(found)},
		{"fields of water", fieldTable(pointers(waterFields))},
		{"columns of trees", mappingTable(inventory[:])},
		{"columns of soil", mappingTable(soilTable[:])},
		{"columns of rootable", mappingTable(rootableTable[:])},
		{"columns of weather", mappingTable(weatherTable[:])},
		{"columns of gusts", mappingTable(gustTable[:])},
		{"columns of excavations", mappingTable(digTable[:])},
		{"exit statuses", exit.String()},
		{"prices", priceTable()},
		{"fields of differences", fieldTable(differences)},
		{"fields of works", fieldTable(pieces)},
		{"fields of places", fieldTable(places)},
		{"fields of spots", fieldTable(spots)},
	}
}

// priceTable lists the items that a file of prices may have.
func priceTable() string {
	var b strings.Builder
	b.WriteString(markdownRow("item", "priced by the", "quantity") + "|---|---|---|\n")
	for _, p := range priceItems {
		b.WriteString(markdownRow(code(p.name), priceUnitNames[p.of], p.doc))
	}
	return b.String()
}

func TestREADMETables(t *testing.T) {
	if *updateReadme && os.Getenv("CI") == "true" {
		t.Fatal("-update is for people: CI only compares")
	}
	text := readme(t)
	for _, table := range readmeTables() {
		from, to, err := block(text, table.name)
		if err != nil {
			t.Error(err)
			continue
		}
		if text[from:to] == table.text {
			continue
		}
		if *updateReadme {
			text = text[:from] + table.text + text[to:]
			t.Logf("%s rewritten:\n%s", table.name, firstDifference(readme(t), text))
			continue
		}
		t.Errorf("README.md, %s, is not as the program has it (go test ./cmd/soilshed -run README -update):\n%s", table.name, firstDifference(text[from:to], table.text))
	}
	if *updateReadme {
		if err := os.WriteFile(readmePath, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

// firstDifference is the first line in which two texts differ.
func firstDifference(is, want string) string {
	a, b := strings.Split(is, "\n"), strings.Split(want, "\n")
	for i := range max(len(a), len(b)) {
		x, y := "", ""
		if i < len(a) {
			x = a[i]
		}
		if i < len(b) {
			y = b[i]
		}
		if x != y {
			return fmt.Sprintf("line %d\n- %s\n+ %s", i+1, x, y)
		}
	}
	return ""
}

// A wrong table is found, and which line of it.
func TestREADMETablesFindsDrift(t *testing.T) {
	text := readme(t)
	for _, table := range readmeTables() {
		from, to, err := block(text, table.name)
		if err != nil {
			t.Fatal(err)
		}
		if spoilt := strings.Replace(text[from:to], "| ", "| x", 1); spoilt == table.text || firstDifference(spoilt, table.text) == "" {
			t.Errorf("%s: a changed cell is not seen", table.name)
		}
	}
	if _, _, err := block("<!-- x -->\nno end", "x"); err == nil {
		t.Error("a block without an end is not seen")
	}
}

// flagsOfVerb are the flags that a verb takes; nil for a verb that is not there.
func flagsOfVerb(t *testing.T, name string) map[string]bool {
	t.Helper()
	if !slices.ContainsFunc(verbs(), func(v verb) bool { return v.name == name }) {
		return nil
	}
	var out, bad bytes.Buffer
	if c := run(context.Background(), []string{name, "--help"}, &out, &bad); c != exitDone {
		t.Fatalf("soilshed %s --help: exit %d: %s", name, c, bad.String())
	}
	flags := map[string]bool{"help": true}
	for _, m := range regexp.MustCompile(`(?m)^\s+(?:-\w, )?--([a-z][a-z-]*)`).FindAllStringSubmatch(out.String(), -1) {
		flags[m[1]] = true
	}
	return flags
}

// shellLines are the commands of the README's sh blocks, joined at \.
func shellLines(text string) []string {
	var lines []string
	for _, m := range regexp.MustCompile("(?s)```sh\n(.*?)```").FindAllStringSubmatch(text, -1) {
		joined := strings.ReplaceAll(m[1], "\\\n", " ")
		for _, line := range strings.Split(joined, "\n") {
			line, _, _ = strings.Cut(line, " #")
			if line = strings.TrimSpace(line); line != "" {
				lines = append(lines, strings.Join(strings.Fields(line), " "))
			}
		}
	}
	return lines
}

// ours strips how the program is called from a line, or tells that it is
// another program's.
func ours(line string) (args []string, ok bool) {
	for _, as := range []string{"go run ./cmd/soilshed ", "soilshed "} {
		if rest, found := strings.CutPrefix(line, as); found {
			rest, _, _ = strings.Cut(rest, " >")
			return strings.Fields(rest), true
		}
	}
	return nil, false
}

// parses tells whether the program would understand a command line, files aside.
func parses(t *testing.T, args []string) error {
	t.Helper()
	if len(args) == 0 {
		return errors.New("no verb")
	}
	known := flagsOfVerb(t, args[0])
	if known == nil {
		return fmt.Errorf("there is no verb %s", args[0])
	}
	for _, a := range args[1:] {
		name, _, _ := strings.Cut(strings.TrimPrefix(a, "--"), "=")
		if strings.HasPrefix(a, "--") && !known[name] {
			return fmt.Errorf("%s takes no --%s", args[0], name)
		}
	}
	switch args[0] {
	case "assess", "check", "explain", "learn":
		var o options
		f := flagsOf(&o, args[0])
		if slices.Contains(args, "--config") {
			return nil // its file is read in TestREADMEConfig
		}
		if err := parse(f, args[1:], args[0], "", io.Discard); err != nil && err != pflag.ErrHelp {
			return err
		} else if err == pflag.ErrHelp {
			return nil
		}
		if want := map[string]int{"explain": 1}[args[0]]; f.NArg() != want {
			return fmt.Errorf("%d words that are no flags, want %d: %q", f.NArg(), want, f.Args())
		}
		if (args[0] == "assess" || args[0] == "learn") && o.out == "" {
			return fmt.Errorf("no --out")
		}
		return o.understand()
	}
	return nil
}

func TestREADMECommands(t *testing.T) {
	text := readme(t)
	lines := shellLines(text)
	if len(lines) < 6 {
		t.Fatalf("only %d commands found: the search is wrong", len(lines))
	}
	seen := map[string]bool{}
	for _, line := range lines {
		args, ok := ours(line)
		if !ok {
			program, _, _ := strings.Cut(line, " ")
			if !slices.Contains([]string{"go", "git", "cd", "ogr2ogr"}, program) {
				t.Errorf("README.md: %q calls a program that is not checked", line)
			}
			seen[line] = true
			continue
		}
		if err := parses(t, args); err != nil {
			t.Errorf("README.md: %q: %v", line, err)
		}
		seen[args[0]] = true
	}
	// The two commands for a machine with only Go and git.
	if !seen["demo"] || !seen["go test ./..."] {
		t.Error("README.md lacks one of its two commands: go run ./cmd/soilshed demo, go test ./...")
	}
	for _, wrong := range [][]string{{"asses"}, {"assess", "--nope", "x"}, {"explain", "--trees", "a", "--pavement", "b"},
		{"assess", "--trees", "a", "--pavement", "b", "--out", "c.gpkg", "--need", "luck"}} {
		if parses(t, wrong) == nil {
			t.Errorf("%q is let pass", wrong)
		}
	}
}

// The configuration file that the README shows is understood.
func TestREADMEConfig(t *testing.T) {
	shown := regexp.MustCompile("(?s)```toml\n(.*?)```").FindStringSubmatch(readme(t))
	if shown == nil {
		t.Fatal("README.md shows no configuration file")
	}
	try := func(text string) (o options, err error) {
		file := filepath.Join(t.TempDir(), "city.toml")
		if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		if err := parse(flagsOf(&o, "assess"), []string{"--config", file}, "assess", "", io.Discard); err != nil {
			return o, err
		}
		return o, o.understand()
	}
	o, err := try(shown[1])
	if err != nil {
		t.Fatalf("README.md, the configuration file: %v", err)
	}
	if filepath.Base(o.trees) != "inventory.shp" || len(o.pavement) != 3 || o.year != 2024 || len(o.fields) != 2 {
		t.Errorf("the configuration file is read as trees %s, pavement %v, year %d, fields %v", o.trees, o.pavement, o.year, o.fields)
	}
	if _, err := try(strings.Replace(shown[1], "pavement", "pavment", 1)); err == nil {
		t.Error("a misspelled key is let pass")
	}
}

// Every flag and verb that the text names is there.
func TestREADMEFlags(t *testing.T) {
	text := readme(t)
	all := map[string]bool{"help": true, "version": true}
	for _, v := range verbs() {
		for f := range flagsOfVerb(t, v.name) {
			all[f] = true
		}
		if !strings.Contains(text, "`soilshed "+v.name) {
			t.Errorf("README.md does not name the verb %s", v.name)
		}
	}
	named := regexp.MustCompile(`(?:^|[^\w-])--([a-z][a-z-]*)`).FindAllStringSubmatch(text, -1)
	if len(named) < 40 {
		t.Fatalf("only %d flags found: the search is wrong", len(named))
	}
	in := map[string]bool{}
	for _, m := range named {
		if in[m[1]] = true; !all[m[1]] {
			t.Errorf("README.md names --%s, which no verb takes", m[1])
		}
	}
	// What an assessment takes is told, each flag of it.
	var o options
	flagsOf(&o, "assess").VisitAll(func(f *pflag.Flag) {
		if !in[f.Name] && !f.Hidden {
			t.Errorf("README.md does not name --%s", f.Name)
		}
	})
	for _, m := range regexp.MustCompile("`soilshed ([a-z]+)").FindAllStringSubmatch(text, -1) {
		if !slices.ContainsFunc(verbs(), func(v verb) bool { return v.name == m[1] }) {
			t.Errorf("README.md names the verb %s, which is not there", m[1])
		}
	}
}

// How many rows of the tables rest on nothing published for that species is
// counted, not remembered.
func TestREADMECountsRowsWithoutASource(t *testing.T) {
	text := readme(t)
	count := func(name string, without func(row []string) bool) (n, of int) {
		f, err := os.Open(filepath.Join("../../risk", name))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		rows, err := csv.NewReader(f).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows[1:] {
			if without(r) {
				n++
			}
		}
		return n, len(rows) - 1
	}
	sizes, ofSizes := count("species/species.csv", func(r []string) bool { return strings.HasPrefix(r[5], "from memory") })
	woods, ofWoods := count("wind/wood.csv", func(r []string) bool { return r[3] == "proxy" })
	for _, want := range []string{
		fmt.Sprintf("%d of %d rows are from memory |", sizes, ofSizes),
		fmt.Sprintf("%d of %d rows stand in for another species |", woods, ofWoods),
	} {
		if !strings.Contains(text, want) {
			t.Errorf("README.md does not say: %s", want)
		}
	}
}

// The defaults that the README names are those of the flags, and kinds of
// ground and cautions are all told.
func TestREADMEDefaults(t *testing.T) {
	text := readme(t)
	from, to, err := block(text, "defaults")
	if err != nil {
		t.Fatal(err)
	}
	var o options
	flags := flagsOf(&o, "assess")
	told := 0
	for _, m := range regexp.MustCompile("`--([a-z-]+) ([^`]+)`").FindAllStringSubmatch(text[from:to], -1) {
		f := flags.Lookup(m[1])
		if f == nil {
			t.Errorf("README.md: no flag --%s", m[1])
			continue
		}
		told++
		if f.DefValue != m[2] {
			t.Errorf("README.md: the default of --%s is %s, not %s", m[1], f.DefValue, m[2])
		}
	}
	if told < 10 {
		t.Errorf("only %d defaults are told", told)
	}
	if want := fmt.Sprintf("50-year gust of %g m/s", defaultGustMS); !strings.Contains(text[from:to], want) {
		t.Errorf("README.md does not tell the default gust: %s", want)
	}
	for _, h := range ground.Hows() {
		if !strings.Contains(text, "| `"+h+"` |") {
			t.Errorf("README.md does not explain the ground %s", h)
		}
	}
	plain := strings.Join(strings.Fields(strings.ReplaceAll(text, "\n> ", "\n")), " ")
	if !strings.Contains(plain, caution) {
		t.Error("README.md does not carry the caution of the program word for word")
	}
}

// TestREADMECompare compares the designs of Lantern Street again: the table that
// the README shows is the program's.
func TestREADMECompare(t *testing.T) {
	text := readme(t)
	from, to, err := block(text, "compare")
	if err != nil {
		t.Fatal(err)
	}
	home, err := filepath.Abs(readmePath)
	if err != nil {
		t.Fatal(err)
	}
	var args []string
	for _, line := range shellLines(text) {
		if a, ok := ours(line); ok && a[0] == "compare" {
			args = a
		}
	}
	if args == nil {
		t.Fatal("README.md has no compare command")
	}
	t.Chdir(t.TempDir())
	if err := fixtures.LayOutTown("demo-out/wrenfold"); err != nil {
		t.Fatal(err)
	}
	var out, bad bytes.Buffer
	if c := run(context.Background(), args, &out, &bad); c != exitDone {
		t.Fatalf("soilshed %s: exit %d: %s", strings.Join(args, " "), c, bad.String())
	}
	for _, file := range []string{"--csv", "--out"} {
		if k := slices.Index(args, file); k >= 0 {
			if _, err := os.Stat(args[k+1]); err != nil {
				t.Error(err)
			}
		}
	}
	table := regexp.MustCompile(`(?ms)^ +today .*?^\* does best by this line$\n`).FindString(out.String())
	if len(strings.Split(table, "\n")) < 15 {
		t.Fatalf("no table in what compare says:\n%s", out.String())
	}
	table = "```text\n" + table + "```\n"
	if text[from:to] == table {
		return
	}
	if *updateReadme && os.Getenv("CI") != "true" {
		if err := os.WriteFile(home, []byte(text[:from]+table+text[to:]), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	t.Errorf("README.md, compare, is not what the program says (go test ./cmd/soilshed -run README -update):\n%s", firstDifference(text[from:to], table))
}

var figures = regexp.MustCompile(`-?\d+(?:\.\d+)?(?:e-?\d+)?`)

// shape is a line without its figures, by which it is found again.
func shapeOf(line string) string { return figures.ReplaceAllString(line, "#") }

// TestREADMETree explains the README's tree again: each line that it quotes is
// one of the program's, and the rank is that of the demo's worklist.
func TestREADMETree(t *testing.T) {
	text := readme(t)
	var args []string
	for _, line := range shellLines(text) {
		if a, ok := ours(line); ok && a[0] == "explain" {
			args = a
			break
		}
	}
	if args == nil {
		t.Fatal("README.md has no explain command")
	}
	home, err := filepath.Abs(readmePath)
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	call := func(args ...string) string {
		var out, bad bytes.Buffer
		if c := run(context.Background(), args, &out, &bad); c != exitDone {
			t.Fatalf("soilshed %s: exit %d: %s", strings.Join(args, " "), c, bad.String())
		}
		return out.String()
	}
	call("demo")
	output := call(args...)
	said := map[string]bool{}
	byShape := map[string]string{}
	for _, line := range strings.Split(output, "\n") {
		line = strings.TrimSpace(line)
		said[line] = true
		if s := shapeOf(line); byShape[s] == "" {
			byShape[s] = line
		}
	}

	from, to, err := block(text, "tree")
	if err != nil {
		t.Fatal(err)
	}
	quoted := regexp.MustCompile("(?m)^\\| `([^`]+)` \\|").FindAllStringSubmatch(text[from:to], -1)
	if len(quoted) < 15 {
		t.Fatalf("only %d lines of the explanation are quoted", len(quoted))
	}
	fresh := text[from:to]
	for _, m := range quoted {
		if said[m[1]] {
			continue
		}
		now := byShape[shapeOf(m[1])]
		if now == "" {
			t.Errorf("README.md quotes %q, which soilshed explain no longer says of this tree: tell it anew", m[1])
			continue
		}
		if *updateReadme && os.Getenv("CI") != "true" {
			fresh = strings.Replace(fresh, "`"+m[1]+"`", "`"+now+"`", 1)
			continue
		}
		t.Errorf("README.md quotes %q; soilshed explain says %q (go test ./cmd/soilshed -run README -update)", m[1], now)
	}
	if fresh != text[from:to] {
		if err := os.WriteFile(home, []byte(text[:from]+fresh+text[to:]), 0o666); err != nil {
			t.Fatal(err)
		}
	}

	// The same flags as the demo's: the tree has the rank that the demo gave it.
	list, err := os.Open("demo-out/wrenfold-worklist.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer list.Close()
	rows, err := csv.NewReader(list).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	id, rank := slices.Index(rows[0], "tree_id"), slices.Index(rows[0], "rank")
	tree := args[1]
	k := slices.IndexFunc(rows, func(r []string) bool { return r[id] == tree })
	if k < 0 {
		t.Fatalf("tree %s is not in the demo's worklist", tree)
	}
	told := regexp.MustCompile(`(?m)^Rank\n  (\d+): `).FindStringSubmatch(output)
	if told == nil || told[1] != rows[k][rank] {
		t.Errorf("the demo ranks tree %s as %s, the README's command as %v: have they the same flags?", tree, rows[k][rank], told)
	}
	if n, err := strconv.Atoi(rows[k][rank]); err != nil || cmp.Compare(n, 0) <= 0 {
		t.Errorf("rank %q", rows[k][rank])
	}
}
