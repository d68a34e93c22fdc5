package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode"
)

// What a spreadsheet takes for a formula, in every text of the inventory.
var formulas = []string{`=1+1`, `@SUM(A1)`, `=HYPERLINK("https://example.org/x","see")`, `+cmd|' /C calc'!A0`, `-2+3+cmd`, "\t=1", "x\n=1", "\u00a0=1", "＝1"}

// formulaTown writes an inventory, paving, excavations, and two designs, of which
// every text is a formula, and returns their folder.
func formulaTown(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	paving := newLoadLayer(t, filepath.Join(dir, "paving.geojson"), false)
	type object = map[string]any
	var features []object
	digs := "tree,date,share,largest_root,season,crew,action,notes\n"
	cell := func(k int) string { return formulas[k%len(formulas)] }
	for k := range 40 {
		x, y := 1425000+float64(k%10)*8, 1196000+float64(k/10)*8
		paving.frame(x, y, 2, 1.2, 1, nil)
		id := fmt.Sprint(cell(k), k)
		features = append(features, object{"type": "Feature", "geometry": object{"type": "Point", "coordinates": []float64{x, y}},
			"properties": object{"id": id, "species": cell(k + 1), "street": cell(k + 2), "stock": cell(k + 3), "supplier": cell(k + 4), "crew": cell(k + 5), "site": cell(k + 6), cell(7): cell(k), "dbh_cm": 20 + k, "planted": 1990 + k%3}})
		quote := func(s string) string { return `"` + strings.ReplaceAll(s, `"`, `""`) + `"` }
		if k%4 == 3 {
			continue // left for the list
		}
		digs += strings.Join([]string{quote(id), "2023-05-01", strconv.FormatFloat(float64(k%4)/5, 'g', -1, 64), "6", quote(cell(k)), quote(cell(k + 1)), quote(cell(k + 2)), quote(cell(k + 3))}, ",") + "\n"
	}
	paving.close(t)
	collection := func(features []object) string {
		b, err := json.Marshal(object{"type": "FeatureCollection", "features": features, "crs": object{"type": "name", "properties": object{"name": "EPSG:26975"}}})
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	design := "trees = \"trees.geojson\"\npavement = [\"paving.geojson\"]\nyear = 2024\ndesign-gust = 30\njitters = 0\n[field]\nid = \"id\"\nsupplier = \"supplier\"\ncrew = \"crew\"\nsite = \"site\"\n"
	for name, text := range map[string]string{"trees.geojson": collection(features), "older.geojson": collection(features[2:]), "digs.csv": digs, "=today().toml": design, "+wide.toml": design, "@narrow.toml": design} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// runsAsFormula tells whether a spreadsheet may run a cell, whatever the first line
// of it or the blanks before it.
func runsAsFormula(cell string) bool {
	if _, err := strconv.ParseFloat(cell, 64); err == nil || cell == "" || cell[0] == '\'' {
		return false
	}
	if strings.ContainsRune("\t\r\n", rune(cell[0])) {
		return true
	}
	for _, line := range strings.FieldsFunc(cell, func(r rune) bool { return r == '\n' || r == '\r' }) {
		line = strings.TrimFunc(line, func(r rune) bool { return unicode.IsSpace(r) || !unicode.IsPrint(r) })
		for _, sign := range []string{"=", "+", "-", "@", "＝", "＋", "－", "＠"} {
			if strings.HasPrefix(line, sign) {
				return true
			}
		}
	}
	return false
}

// No CSV that any verb writes runs in a spreadsheet, whatever stands in the inputs.
func TestNoTableRunsAFormula(t *testing.T) {
	for _, f := range formulas {
		if !runsAsFormula(f) || runsAsFormula("'"+f) {
			t.Fatalf("the check takes %q for harmless, or '%[1]q for a formula", f)
		}
	}
	dir := formulaTown(t)
	t.Chdir(dir)
	given := listing(t, dir)
	config := []string{"--config", "=today().toml", "--quiet"}
	do := func(args ...string) string {
		t.Helper()
		out, _ := soilshedRuns(t, exitDone, args...)
		return out
	}
	do(with("assess", config, "--out", "a.gpkg", "--trees", "older.geojson")...)
	do(with("assess", config, "--out", "b.geojson", "--since", "a.gpkg", "--excavations", "digs.csv", "--crew-days", "3")...)
	do("learn", "--config", "=today().toml", "--excavations", "digs.csv", "--out", "learned.csv", "--report", "report.txt")
	do(with("assess", config, "--out", "c.geojson", "--evidence", "learned.csv")...)
	do("place", "--config", "=today().toml", "--may-open", "paving.geojson", "--out", "places.gpkg", "--quiet")
	do("compare", "--before", "=today().toml", "--after", "+wide.toml", "--after", "@narrow.toml", "--csv", "compared.csv", "--quiet")
	for name, text := range map[string]string{
		"out.csv": do("assess", "--config", "=today().toml", "--quiet", "--out", "-", "--out-format", "csv"), "table.csv": do("evidence"),
	} {
		if err := os.WriteFile(name, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	seen := map[string]int{} // cells that were made safe
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || filepath.Ext(path) != ".csv" || slices.Contains(strings.Fields(given), path) {
			return err
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		rows, err := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(b, []byte("\ufeff")))).ReadAll()
		if err != nil {
			return err
		}
		seen[path] += 0
		for i, row := range rows {
			for k, cell := range row {
				if runsAsFormula(cell) {
					t.Errorf("%s, row %d, cell %d: %q", path, i+1, k+1, cell)
				}
				if strings.HasPrefix(cell, "'") && runsAsFormula(cell[1:]) {
					seen[path]++
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	// Each table was there, and a formula came as far as each that holds such texts.
	for _, name := range []string{"a-worklist.csv", "b-worklist.csv", "b-changes.csv", "b-found.csv", "c-worklist.csv", "learned.csv", "learned-rates.csv", "places-table.csv", "compared.csv", "out.csv"} {
		if n, ok := seen[name]; !ok || n == 0 {
			t.Errorf("%s: %d cells were made safe; tables are %v", name, n, seen)
		}
	}
	if _, ok := seen["table.csv"]; !ok {
		t.Error("no table of evidence")
	}

	// What was made safe in the evidence is the supplier again when it is read.
	if said := do("explain", fmt.Sprint(formulas[0], 0), "--config", "=today().toml", "--evidence", "learned.csv"); !strings.Contains(said, "its supplier's record") {
		t.Errorf("the supplier is not known again:\n%s", said)
	}
}

const secret = "hunter2"

func silent(t *testing.T, what, said string) {
	t.Helper()
	if strings.Contains(said, secret) {
		t.Errorf("%s: the password is told: %s", what, said)
	}
}

// A password in an address is told nowhere, whatever flag of whatever verb it is
// given to, and whatever else is wrong.
func TestPasswordIsToldNowhere(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	layOutRows(t, dir, 3)
	addresses := []string{"postgres://me:" + secret + "@/city?host=" + dir + "&table=t", "postgresql://me@/city?host=" + dir + "&table=t&password=" + secret,
		"postgres://me:" + secret + "@[::1/city?table=t", "postgres://me:" + secret + "%zz@/city?host=" + dir}
	tries := 0
	for _, v := range verbs() {
		var names []string
		help, _ := soilshedRuns(t, exitDone, v.name, "--help")
		for name := range flagsOfVerb(t, v.name) {
			if strings.Contains(help, "--"+name+" ") {
				names = append(names, name)
			}
		}
		slices.Sort(names)
		for _, name := range names {
			for _, address := range addresses {
				for _, value := range []string{address, address + "=EPSG:4326"} {
					var said bytes.Buffer
					args := []string{v.name, "--" + name + "=" + value}
					if v.name == "demo" {
						continue
					}
					for flag, file := range map[string]string{"trees": "trees.geojson", "pavement": "paving.geojson", "year": "2024", "out": "o.geojson", "log": "json"} {
						if flag != name && slices.Contains(names, flag) {
							args = append(args, "--"+flag+"="+file)
						}
					}
					run(context.Background(), args, &said, &said)
					silent(t, fmt.Sprintf("%s --%s", v.name, name), said.String())
					tries++
				}
			}
		}
	}
	if tries < 500 {
		t.Errorf("%d runs only", tries)
	}
	// In a configuration file, right and broken.
	for _, text := range []string{"trees = \"%s\"\n", "out = \"%s\"\ntrees = 1\n", "trees = \"%s", "pavement = [\"%s\", 3]\n", "[field]\ndbh = \"%s\"\n", "\"%s\" = 1\n"} {
		for _, address := range addresses {
			if err := os.WriteFile("a.toml", fmt.Appendf(nil, text, address), 0o666); err != nil {
				t.Fatal(err)
			}
			var said bytes.Buffer
			run(context.Background(), []string{"assess", "--config", "a.toml", "--out", "o.geojson", "--log", "json"}, &said, &said)
			silent(t, text, said.String())
		}
	}
}

// What a run into a database leaves (manifest, page, tables, log) does not hold the
// password that it was given by the environment.
func TestPasswordIsInNoOutput(t *testing.T) {
	server := startPostGIS(t)
	dir := t.TempDir()
	t.Chdir(dir)
	layOutRows(t, dir, 3)
	t.Setenv("PGPASSWORD", secret)
	out := server + "&table=kept_trees"
	var said bytes.Buffer
	for range 2 {
		if code := run(t.Context(), []string{"assess", "--trees", "trees.geojson", "--pavement", "paving.geojson", "--year", "2024", "--out", out, "--since", out, "--page", "o.html", "--log", "json"}, &said, &said); code != exitDone {
			t.Fatalf("exit code %d: %s", code, said.String())
		}
	}
	silent(t, "run", said.String())
	files := listing(t, dir)
	for _, name := range strings.Fields(files) {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		silent(t, name, string(b))
	}
	for _, name := range []string{"kept_trees-manifest.json", "kept_trees-worklist.csv", "kept_trees-changes.txt", "kept_trees-kept.bin", "o.html"} {
		if !strings.Contains(files, name) {
			t.Errorf("no %s among %s", name, files)
		}
	}
}
