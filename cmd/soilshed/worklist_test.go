package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"soilshed/fixtures"
	"soilshed/geo/layer"
)

// townFlags lays out the demo town and returns the flags that read it, weather
// left out.
func townFlags(t testing.TB) (dir string, flags []string) {
	t.Helper()
	dir = t.TempDir()
	town := filepath.Join(dir, "town")
	if err := fixtures.LayOutTown(town); err != nil {
		t.Fatal(err)
	}
	in := func(name string) string { return filepath.Join(town, name) }
	return dir, []string{
		"--trees", in("trees.geojson"), "--field", "dbh=DIAM:in", "--field", "removed=REMOVED",
		"--pavement", in("roads.geojson"), "--pavement", in("sidewalks.geojson"),
		"--pavement", in("driveways.geojson"), "--pavement", in("buildings.geojson"),
		"--bed", in("beds.geojson"), "--rootable", in("rootable.geojson"), "--barrier", in("walls.geojson"),
		"--soil", in("soil.geojson"), "--gusts", in("gusts.csv"), "--elevation", "360", "--year", "2024",
	}
}

// soilshedRuns runs the command in this process, and fails the test unless it
// ends with the exit status.
func soilshedRuns(t testing.TB, status int, args ...string) (stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	if code := run(context.Background(), args, &out, &err); code != status {
		t.Fatalf("soilshed %s: status %d, want %d\n%s", strings.Join(args, " "), code, status, err.String())
	}
	return out.String(), err.String()
}

func with(verb string, flags []string, more ...string) []string {
	if verb == "assess" || verb == "explain" {
		more = append([]string{"--jitters", "0"}, more...)
	}
	return slices.Concat([]string{verb}, flags, more)
}

// records is a CSV file by column.
type records struct {
	column map[string]int
	rows   [][]string
}

func readRecords(t testing.TB, path string) records {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	r := records{map[string]int{}, all[1:]}
	for i, h := range all[0] {
		r.column[h] = i
	}
	return r
}

func (r records) text(t testing.TB, row int, column string) string {
	t.Helper()
	k, ok := r.column[column]
	if !ok {
		t.Fatalf("no column %s", column)
	}
	return r.rows[row][k]
}

func (r records) number(t testing.TB, row int, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r.text(t, row, column), 64)
	if err != nil {
		t.Fatalf("row %d, %s: %v", row+1, column, err)
	}
	return v
}

func (r records) all(t testing.TB, column string) (list []string) {
	for i := range r.rows {
		list = append(list, r.text(t, i, column))
	}
	return list
}

// layerColumn reads one column of one layer of a file.
func layerColumn(t testing.TB, path, name, column string) (list []layer.Value) {
	t.Helper()
	src, err := layer.Open(path, layer.Options{Layer: name, Columns: []string{column}})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	for f, err := range src.Features() {
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, f.Values[0])
	}
	return list
}

func TestWorklistIsDaysOfACrew(t *testing.T) {
	dir, flags := townFlags(t)
	digs := filepath.Join(dir, "town", "excavations.csv")
	out := filepath.Join(dir, "o.gpkg")
	const days, hours = 4, 6.5
	told, _ := soilshedRuns(t, 0, with("assess", flags, "--out", out, "--crew-days", "4", "--crew-hours", "6.5", "--excavations", digs)...)
	list := readRecords(t, filepath.Join(dir, "o-worklist.csv"))
	if len(list.rows) < 2*days {
		t.Fatalf("%d rows for %d days", len(list.rows), days)
	}
	dug := map[string]bool{}
	for _, id := range readRecords(t, digs).all(t, "tree") {
		dug[id] = true
	}
	seen := map[string]bool{}
	day, stop, used := 0, 0, 0.0
	for i := range list.rows {
		d, s := int(list.number(t, i, "day")), int(list.number(t, i, "stop"))
		switch {
		case d == day+1 && s == 1:
			used = 0
		case d == day && s == stop+1:
		default:
			t.Errorf("row %d: day %d stop %d after day %d stop %d", i+1, d, s, day, stop)
		}
		day, stop = d, s
		used += list.number(t, i, "travel_h")
		if start := list.number(t, i, "start_h"); math.Abs(start-used) > 0.01*float64(s+1) {
			t.Errorf("row %d starts at %g h, with %g h used before", i+1, start, used)
		}
		used += list.number(t, i, "hours")
		if used > hours+0.01*float64(2*s) && s > 1 { // rounded to 0.01 h a number
			t.Errorf("day %d is %g h long", d, used)
		}
		id := list.text(t, i, "tree_id")
		if seen[id] || dug[id] {
			t.Errorf("tree %s: twice in the list %v, excavated before %v", id, seen[id], dug[id])
		}
		seen[id] = true
		for _, c := range []string{"look", "tools", "why"} {
			if list.text(t, i, c) == "" {
				t.Errorf("tree %s: %s is empty", id, c)
			}
		}
		if c := list.text(t, i, "cautions"); !strings.Contains(c, "Call before you dig") || !strings.Contains(c, "raffic") || !strings.Contains(c, "arborist") {
			t.Errorf("tree %s: cautions %q", id, c)
		}
		if lon, lat := list.number(t, i, "lon"), list.number(t, i, "lat"); math.Abs(lon+94.42) > 0.02 || math.Abs(lat-43.27) > 0.02 {
			t.Errorf("tree %s lies at %g %g", id, lon, lat)
		}
	}
	if day != days {
		t.Errorf("%d days, want %d", day, days)
	}
	// The layer holds the same trees in the same order.
	var ids []string
	for _, v := range layerColumn(t, out, "worklist", "tree_id") {
		ids = append(ids, v.Text())
	}
	if !slices.Equal(ids, list.all(t, "tree_id")) {
		t.Error("the layer worklist and the table are not of the same trees")
	}
	// What is told of N days is what was written, and 2 N days bring more.
	m := regexp.MustCompile(`(\d+) crew days: (\d+) trees looked at, averting (\d+) %`).FindAllStringSubmatch(told, -1)
	if len(m) != 2 || m[0][1] != "4" || m[1][1] != "8" || m[0][2] != strconv.Itoa(len(list.rows)) {
		t.Fatalf("what-if: %q, %d rows", m, len(list.rows))
	}
	n := func(i, k int) int { v, _ := strconv.Atoi(m[i][k]); return v }
	if n(1, 2) <= n(0, 2) || n(1, 3) <= n(0, 3) || n(1, 3) > 2*n(0, 3)+1 || n(1, 3) > 100 {
		t.Errorf("4 and 8 days: %q", m)
	}
	if !strings.Contains(told, "were excavated before") {
		t.Error("nothing is said of the trees excavated before")
	}
}

// The list by girdling is in the order of the girdled collars that an hour finds,
// its days find more of them than those by harm, and nothing else of a tree moves.
func TestListByGirdling(t *testing.T) {
	dir, flags := townFlags(t)
	in := func(name string) string { return filepath.Join(dir, name) }
	soilshedRuns(t, 0, with("assess", flags, "--out", in("harm.gpkg"), "--quiet")...)
	soilshedRuns(t, 0, with("assess", flags, "--out", in("finds.gpkg"), "--list-by", "girdling", "--quiet")...)
	columns := []string{"rank", "sgr_p", "fail_yr", "harm_yr", "soil_m3"}
	harm, finds := columnsByTree(t, in("harm.gpkg"), "trees", columns...), columnsByTree(t, in("finds.gpkg"), "trees", columns...)
	moved := 0
	for id, x := range finds {
		for _, c := range columns[1:] {
			if x[c].Text() != harm[id][c].Text() {
				t.Errorf("tree %s: %s is %s by girdling and %s by harm", id, c, x[c].Text(), harm[id][c].Text())
			}
		}
		if x["rank"].Text() != harm[id]["rank"].Text() {
			moved++
		}
	}
	if moved < len(finds)/2 {
		t.Errorf("%d of %d trees moved", moved, len(finds))
	}
	list := readRecords(t, in("finds-worklist.csv"))
	chance := func(id string) float64 { v, _ := finds[id]["sgr_p"].Float(); return v }
	last := math.Inf(1)
	for i := range list.rows {
		worth := chance(list.text(t, i, "tree_id")) / list.number(t, i, "hours")
		if worth > last*1.01 { // of rounded numbers
			t.Errorf("row %d finds %.4f an hour, the one before %.4f", i+1, worth, last)
		}
		last = worth
	}

	expected := func(file string) (n float64) {
		rows := readRecords(t, file)
		for i := range rows.rows {
			n += chance(rows.text(t, i, "tree_id"))
		}
		return n
	}
	soilshedRuns(t, 0, with("assess", flags, "--out", in("harm.gpkg"), "--crew-days", "4", "--quiet")...)
	told, _ := soilshedRuns(t, 0, with("assess", flags, "--out", in("finds.gpkg"), "--crew-days", "4", "--list-by", "girdling")...)
	by, more := expected(in("harm-worklist.csv")), expected(in("finds-worklist.csv"))
	t.Logf("four days: %.1f girdled to be expected by harm, %.1f by girdling", by, more)
	if more < 1.2*by {
		t.Errorf("four days by girdling find %.1f, by harm %.1f", more, by)
	}
	m := regexp.MustCompile(`4 crew days: (\d+) trees looked at, of which (\d+) are to be expected girdled, of (\d+) among all`).FindStringSubmatch(told)
	if len(m) != 4 || m[2] != fmt.Sprintf("%.0f", more) {
		t.Errorf("%q, want %.1f girdled:\n%s", m, more, told)
	}
	first := list.text(t, 0, "tree_id")
	told, _ = soilshedRuns(t, 0, with("explain", flags, "--list-by", "girdling", first)...)
	if !strings.Contains(told, "1: girdled collars found a crew hour") {
		t.Errorf("tree %s:\n%s", first, told)
	}
	_, bad := soilshedRuns(t, 2, with("assess", flags, "--out", in("no.gpkg"), "--list-by", "size")...)
	if !strings.Contains(bad, "--list-by size: one of harm, girdling") {
		t.Error(bad)
	}
}

func TestWorklistWithoutDaysIsTheListInUSUnits(t *testing.T) {
	dir, flags := townFlags(t)
	for _, units := range []string{"si", "us"} {
		soilshedRuns(t, 0, with("assess", flags, "--out", filepath.Join(dir, units+".geojson"), "--units", units)...)
	}
	si, us := readRecords(t, filepath.Join(dir, "si-worklist.csv")), readRecords(t, filepath.Join(dir, "us-worklist.csv"))
	if len(si.rows) != listRows {
		t.Errorf("%d rows, want %d", len(si.rows), listRows)
	}
	if !slices.Equal(si.all(t, "tree_id"), us.all(t, "tree_id")) {
		t.Fatal("the order hangs on the units")
	}
	metric := regexp.MustCompile(`\d (m3|m2|m|cm|m/s)\b`)
	edges := 0
	for i := range si.rows {
		if r := si.number(t, i, "rank"); r != float64(i+1) || si.text(t, i, "day") != "" {
			t.Errorf("row %d: rank %g, day %q", i+1, r, si.text(t, i, "day"))
		}
		if si.text(t, i, "dbh_cm") != "" {
			if cm, in := si.number(t, i, "dbh_cm"), us.number(t, i, "dbh_in"); math.Abs(cm-2.54*in) > 0.05+2.54*0.05 {
				t.Errorf("row %d: DBH %g cm and %g in", i+1, cm, in)
			}
		}
		for _, c := range []string{"look", "why"} {
			if x := us.text(t, i, c); metric.MatchString(x) {
				t.Errorf("row %d, US units: %q", i+1, x)
			}
		}
		if strings.Contains(us.text(t, i, "look"), " ft off") {
			edges++
		}
	}
	if edges < 100 {
		t.Errorf("only %d trees with a hard edge in feet", edges)
	}
	points := layerColumn(t, filepath.Join(dir, "si-worklist.geojson"), "", "tree_id")
	if len(points) != len(si.rows) {
		t.Errorf("%d points, %d rows", len(points), len(si.rows))
	}
}

func TestUSWords(t *testing.T) {
	for in, want := range map[string]string{
		"4.79 of 8.05 m3 of soil; 43 dry days in a mean season": "169 of 284 ft3 of soil; 43 dry days in a mean season",
		"base fails near 29 m/s":                                "base fails near 65 mph",
		"12 cm of soil over the first main roots":               "4.7 in of soil over the first main roots",
		"first to the north (hard edge 1.2 m off)":              "first to the north (hard edge 3.9 ft off)",
		"planted 20 years ago; 3 main roots; 5 maple":           "planted 20 years ago; 3 main roots; 5 maple",
		"nearest hard edge 0.4 m from the stem":                 "nearest hard edge 1.3 ft from the stem",
		"hard edge 0 m":                                         "hard edge 0 ft",
		"":                                                      "",
	} {
		if got := usWords(in); got != want {
			t.Errorf("%q gives %q, want %q", in, got, want)
		}
	}
}

// An inventory that was tampered with, or merely odd, must not run in the
// spreadsheet in which a foreman opens the list.
func TestWorklistRunsNoFormula(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		return p
	}
	trees := write("trees.geojson", `{"type":"FeatureCollection","features":[
{"type":"Feature","properties":{"id":"=cmd()","species":"@SUM(A1)","street":"Žižkova třída","dbh_cm":30},"geometry":{"type":"Point","coordinates":[14.45,50.08]}},
{"type":"Feature","properties":{"id":"+1+1","species":"Tilia cordata","street":"=HYPERLINK(\"x\")","dbh_cm":40},"geometry":{"type":"Point","coordinates":[14.4502,50.08]}}]}`)
	walk := write("walk.geojson", `{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},"geometry":{"type":"Polygon","coordinates":[[[14.4499,50.08001],[14.4503,50.08001],[14.4503,50.0801],[14.4499,50.0801],[14.4499,50.08001]]]}}]}`)
	soilshedRuns(t, 0, "assess", "--trees", trees, "--pavement", walk, "--out", filepath.Join(dir, "o.gpkg"), "--year", "2024")
	list := readRecords(t, filepath.Join(dir, "o-worklist.csv"))
	if len(list.rows) != 2 {
		t.Fatalf("%d rows", len(list.rows))
	}
	ids := list.all(t, "tree_id")
	slices.Sort(ids)
	if !slices.Equal(ids, []string{"'+1+1", "'=cmd()"}) {
		t.Errorf("ids %q", ids)
	}
	for i, row := range list.rows {
		for k, cell := range row {
			if _, err := strconv.ParseFloat(cell, 64); err != nil && cell != "" && strings.ContainsRune("=+-@\t\r", rune(cell[0])) {
				t.Errorf("row %d, cell %d: %q", i+1, k+1, cell)
			}
		}
	}
	if !slices.Contains(list.all(t, "street"), "Žižkova třída") {
		t.Errorf("streets %q", list.all(t, "street"))
	}
}

func TestFieldsOfWorklistAndWater(t *testing.T) {
	check := func(table string, list []*outField) {
		seen := map[string]bool{}
		for _, f := range list {
			for _, us := range []bool{false, true} {
				x := f.field(us)
				if len(x.Name) > 10 || x.Name == "" || x.Doc == "" || x.Alias == "" {
					t.Errorf("%s: %+v", table, x)
				}
				key := x.Name + strconv.FormatBool(us)
				if seen[key] {
					t.Errorf("%s: %s twice", table, x.Name)
				}
				seen[key] = true
			}
			if (f.of != plain) != (f.usName != "") || f.of != plain && f.unit != "" {
				t.Errorf("%s: %s has a unit without a name of its own in US units, or the other way round", table, f.name)
			}
		}
	}
	var work, water, found []*outField
	for i := range workFields {
		work = append(work, &workFields[i].outField)
	}
	for i := range waterFields {
		water = append(water, &waterFields[i])
	}
	for i := range foundFields {
		found = append(found, &foundFields[i].outField)
	}
	check("found", found)
	check("worklist", work)
	check("water", water)
}
