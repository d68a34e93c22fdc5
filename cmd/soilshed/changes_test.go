package main

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"soilshed/geo/layer"
)

// Two nights on rows of pits: each thing that was done in between is found, with
// its reason, and nothing else is said to be the cause.
func TestChangesOfTwoNights(t *testing.T) {
	dir := t.TempDir()
	layOutRows(t, dir, 50)
	t.Chdir(dir)
	night := func(out string, more ...string) string {
		t.Helper()
		var said bytes.Buffer
		args := append([]string{"assess", "--trees", "trees.geojson", "--pavement", "paving.geojson", "--quiet", "--year", "2024", "--design-gust", "30", "--out", out}, more...)
		if code := run(t.Context(), args, &said, &said); code != exitDone {
			t.Fatalf("exit code %d: %s", code, said.String())
		}
		b, _ := os.ReadFile(changesPage(out))
		return string(b)
	}
	edit := func(file, old, new string) {
		t.Helper()
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Count(b, []byte(old)) != 1 {
			t.Fatalf("%q stands %d times in %s", old, bytes.Count(b, []byte(old)), file)
		}
		if err := os.WriteFile(file, bytes.Replace(b, []byte(old), []byte(new), 1), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for _, out := range []string{"a.gpkg", "g.geojson", "p.parquet", "f.fgb"} {
		night(out, "--since", out) // the first night has none to compare with
		if _, err := os.Stat(changesPage(out)); err == nil {
			t.Error("changes on the first night")
		}
	}
	night("a-us.gpkg", "--units", "us")

	if page := night("same.gpkg", "--since", "a.gpkg"); !strings.Contains(page, "Nothing has changed beyond noise") || !strings.Contains(page, "among the inputs\n  nothing\n") {
		t.Errorf("the same again:\n%s", page)
	}
	if page := night("same.gpkg", "--since", "a-us.gpkg"); !strings.Contains(page, "Nothing has changed beyond noise") {
		t.Errorf("after US units:\n%s", page)
	}
	if page := night("same-us.gpkg", "--units", "us", "--since", "g.geojson"); !strings.Contains(page, "Nothing has changed beyond noise") {
		t.Errorf("into US units:\n%s", page)
	}

	const day = 1425000.0
	edit("trees.geojson", `"id":5,"species":"Acer rubrum","diam_cm":14`, `"id":5,"species":"Acer rubrum","diam_cm":34`)
	edit("trees.geojson", fmt.Sprintf("[%.1f,1196000.0]", day+9*8), "[1425072.3,1196000.4]") // tree 10: half a metre
	edit("trees.geojson", fmt.Sprintf(`{"type":"Feature","properties":{"id":12,"species":"Acer rubrum","diam_cm":21},"geometry":{"type":"Point","coordinates":[%.1f,1196000.0]}},`, day+11*8), "")
	edit("trees.geojson", "\n]}", fmt.Sprintf(",\n"+`{"type":"Feature","properties":{"id":51,"species":"Acer rubrum","diam_cm":12},"geometry":{"type":"Point","coordinates":[%.1f,1196000]}}`+"\n]}", day+11*8+0.5))
	// The pit of tree 3 from 2 x 2 to 6 x 2 m.
	x := day + 2*8
	edit("paving.geojson", fmt.Sprintf("[[%.1f,1195999.0],[%.1f,1196001.0],[%.1f,1196001.0]", x-1, x-1, x+1), fmt.Sprintf("[[%g,1195999],[%g,1196001],[%g,1196001]", x-3, x-3, x+3))
	edit("paving.geojson", fmt.Sprintf("[%.1f,1195999.0],[%.1f,1195999.0]]]", x+1, x-1), fmt.Sprintf("[%g,1195999],[%g,1195999]]]", x+3, x-3))

	type row struct{ was, is, why string }
	read := func(out string) map[string]row {
		t.Helper()
		m := map[string]row{}
		path, name := out, "changes"
		if !strings.HasSuffix(out, ".gpkg") {
			path, name = layer.TablePath(out, "changes"), ""
		}
		each := func(v []string) { m[v[0]+" "+v[3]] = row{v[4], v[5], v[6]} }
		if name == "" {
			readCSV(t, path, each)
			return m
		}
		src, err := layer.Open(path, layer.Options{Layer: name})
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		for f, err := range src.Features() {
			if err != nil {
				t.Fatal(err)
			}
			var v []string
			for _, x := range f.Values {
				v = append(v, x.Text())
			}
			each(v)
		}
		beside := map[string]row{}
		readCSV(t, layer.TablePath(out, "changes"), func(v []string) { beside[v[0]+" "+v[3]] = row{v[4], v[5], v[6]} })
		if fmt.Sprint(beside) != fmt.Sprint(m) {
			t.Errorf("%s and its table differ: %v and %v", out, m, beside)
		}
		return m
	}
	var first map[string]row
	for _, out := range []string{"a.gpkg", "g.geojson", "p.parquet", "f.fgb"} {
		page := night(out, "--since", out)
		m := read(out)
		if first == nil {
			first = m
			t.Logf("%s", page)
		} else if fmt.Sprint(first) != fmt.Sprint(m) {
			t.Errorf("the formats differ:\n%v\n%v", first, m)
		}
		for key, why := range map[string]string{
			"12 gone": "not in the inventory any more", "51 added": "not in the older output", "10 moved": "the inventory has it elsewhere",
			"5 failure": "diam_cm is 34, was 14", "3 class": "pavement changed (paving.geojson)",
		} {
			if m[key].why != why {
				t.Errorf("%s, %s: %q, want the reason %q", out, key, m[key], why)
			}
		}
		if m["10 moved"].is != "0.5 m away" {
			t.Errorf("%s: tree 10 is %s", out, m["10 moved"].is)
		}
		for key := range m {
			id, kind, _ := strings.Cut(key, " ")
			switch id {
			case "5", "10", "12", "3", "51":
			default:
				if kind != "rank" && kind != "girdling" {
					t.Errorf("%s: %s: %+v, and nothing was done to it", out, key, m[key])
				}
			}
		}
		for _, want := range []string{"trees: trees.geojson", "pavement: paving.geojson", "tree 51", "screens; it rates and clears no tree"} {
			if !strings.Contains(page, want) {
				t.Errorf("%s: the page does not say %q:\n%s", out, want, page)
			}
		}
		m1, err := readManifest(out)
		if err != nil || m1 == nil {
			t.Fatal(err)
		}
		told := fmt.Sprint(m1.Outputs)
		if !strings.Contains(told, strings.TrimSuffix(out, filepath.Ext(out))+"-changes.txt") || !strings.Contains(told, strings.TrimSuffix(out, filepath.Ext(out))+"-changes.csv") {
			t.Errorf("%s: the manifest does not tell of the changes: %s", out, told)
		}
	}

	// Settings, evidence, and an older output whose manifest is gone or another's.
	if page := night("b.gpkg", "--since", "a.gpkg", "--depth", "0.5"); !strings.Contains(page, "--depth is 0.5, was 0.9") {
		t.Errorf("depth:\n%s", page)
	}
	var table, said bytes.Buffer
	if code := run(t.Context(), []string{"evidence"}, &table, &said); code != exitDone {
		t.Fatal(said.String())
	}
	if err := os.WriteFile("evidence.csv", bytes.Replace(table.Bytes(), []byte("-2.4"), []byte("-1.4"), 1), 0o666); err != nil {
		t.Fatal(err)
	}
	page := night("c.gpkg", "--since", "a.gpkg", "--evidence", "evidence.csv")
	if m := read("c.gpkg"); m["7 girdling"].why != "evidence changed (evidence.csv)" {
		t.Errorf("evidence: %+v\n%s", m["7 girdling"], page)
	}
	if err := os.Rename("b-manifest.json", "a-manifest.json"); err != nil {
		t.Fatal(err)
	}
	night("d.gpkg", "--since", "a.gpkg", "--depth", "0.5")
	for key, r := range read("d.gpkg") {
		if strings.HasSuffix(key, " class") && r.why != "reason not known (the manifest beside the older output is not its own)" {
			t.Errorf("another's manifest: %s: %s", key, r.why)
		}
	}
	os.Remove("a-manifest.json")
	if page := night("d.gpkg", "--since", "a.gpkg", "--depth", "0.5"); !strings.Contains(page, "not known: the older output has no manifest") {
		t.Errorf("no manifest:\n%s", page)
	}

	// What is no output of ours.
	for _, c := range []struct{ since, want string }{
		{"trees.geojson", "trees.geojson, field tree_id: there is no such column (--since takes an output of soilshed assess, with its layer trees)"},
		{"nowhere.gpkg", "nowhere.gpkg: no such file or directory (is the name right?)"},
	} {
		said.Reset()
		code := run(t.Context(), []string{"assess", "--trees", "trees.geojson", "--pavement", "paving.geojson", "--quiet", "--out", "e.gpkg", "--since", c.since}, &said, &said)
		if code != exitData || !strings.Contains(said.String(), c.want) {
			t.Errorf("--since %s: exit code %d, %q", c.since, code, said.String())
		}
	}
}

func readCSV(t *testing.T, path string, each func([]string)) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows[1:] {
		each(r)
	}
}
