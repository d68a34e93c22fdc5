package main

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"soilshed/geo/layer"
)

// hostile are texts that would do harm where they were taken for markup, for an
// expression or for an end of their line.
var hostile = []string{
	`</title></desc><script>alert(1)</script>`, `"/><image href="https://example.org/x"/>`, `' OR "1"='1`,
	`]]><!-- &amp; &#60;svg onload=alert(1)&#62;`, "two\nlines\x00\x1b[31m and \u202ethe other way", `style="font-family:Liberation Sans;`,
}

// hostileTrees writes an inventory whose every text is hostile, on the block
// drawn in round metres, and returns its path.
func hostileTrees(t *testing.T) string {
	t.Helper()
	type object = map[string]any
	var features []object
	for k, word := range hostile {
		features = append(features, object{"type": "Feature", "geometry": object{"type": "Point", "coordinates": []float64{1425011 + 4*float64(k), 1196511.5}},
			"properties": object{"id": fmt.Sprint(k, word), "species": word, "street": word, "stock": word, "supplier": word, "dbh_cm": 20 + k}})
	}
	b, err := json.Marshal(object{"type": "FeatureCollection", "features": features,
		"crs": object{"type": "name", "properties": object{"name": "urn:ogc:def:crs:EPSG::26975"}}})
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "hostile.geojson")
	if err := os.WriteFile(path, b, 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

// runOnHostile runs an assessment of trees with hostile texts.
func runOnHostile(t *testing.T, args ...string) {
	t.Helper()
	var out, errs bytes.Buffer
	args = append([]string{"assess", "--trees", hostileTrees(t), "--pavement", "../../fixtures/cli/street/paving.geojson", "--year", "2024", "--quiet"}, args...)
	if code := run(context.Background(), args, &out, &errs); code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs.String())
	}
}

// The charts count what the layer holds.
func TestChartsCountTheLayer(t *testing.T) {
	dir := runOn(t, "assess", "--out", "OUT/a.gpkg", "--charts", "OUT/charts", "--quiet")
	src, err := layer.Open(filepath.Join(dir, "a.gpkg"), layer.Options{Layer: "trees"})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	species := map[string]int{}
	classes := map[string]int{}
	assessed := 0
	for f, err := range src.Features() {
		if err != nil {
			t.Fatal(err)
		}
		at := func(name string) string { return f.Values[src.Schema().Index(name)].Text() }
		if at("ground") == "" {
			continue
		}
		assessed++
		species[at("species")]++
		classes[at("species")+" "+at("soil_class")]++
	}
	if assessed < 8 {
		t.Fatalf("%d trees", assessed)
	}
	for _, name := range []string{"soil-against-need.svg", "soil-by-species.svg", "soil-by-planting-year.svg", "soil-by-stock.svg"} {
		b, err := os.ReadFile(filepath.Join(dir, "charts", name))
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, string(b))
		told := regexp.MustCompile(`(?s)<title id="title">[^<]+</title>\s*<desc id="desc">([^<]*)</desc>`).FindSubmatch(b)
		if told == nil || !bytes.Contains(b, []byte(`role="img" aria-labelledby="title desc"`)) {
			t.Fatalf("%s has no title and description", name)
		}
		sum := 0
		for _, m := range regexp.MustCompile(`: (\d+) trees?\b`).FindAllSubmatch(told[1], -1) {
			n := 0
			fmt.Sscan(string(m[1]), &n)
			sum += n
		}
		if sum != assessed {
			t.Errorf("%s tells of %d trees, the layer of %d", name, sum, assessed)
		}
		if name != "soil-by-species.svg" {
			continue
		}
		for s, n := range species {
			if s == "" {
				s = notRecorded
			}
			if want := fmt.Sprintf(" %s: %s (", s, countOf(n, "tree", "trees")); !bytes.Contains(told[1], []byte(want)) {
				t.Errorf("%s does not tell %q: %s", name, want, told[1])
			}
		}
		for what, n := range classes {
			s, class, _ := strings.Cut(what, " severe")
			if class != "" || !strings.HasSuffix(what, " severe") {
				continue
			}
			part := regexp.MustCompile(regexp.QuoteMeta(s) + `: \d+ trees? \(([^)]*)\)`).FindSubmatch(told[1])
			if part == nil || !bytes.Contains(part[1], fmt.Appendf(nil, "%d severe", n)) {
				t.Errorf("%s: %d severe %s in the layer, told: %s", name, n, s, part)
			}
		}
	}
}

// A bar is as long as its number.
func TestChartIsToScale(t *testing.T) {
	c := chart{title: "t", groups: []chartGroup{{"one", [chartTones]int{10, 20, 0, 5, 0}}, {"two", [chartTones]int{40, 1, 2, 3, 4}}}}
	b, err := c.svg()
	if err != nil {
		t.Fatal(err)
	}
	bar := regexp.MustCompile(`<path d="M([\d.]+),([\d.]+)L[\d.]+,[\d.]+L([\d.]+),[\d.]+L[\d.]+,[\d.]+Z?" style="fill:(#[0-9A-F]{6})"`)
	long := map[string][]float64{}
	var tops []float64
	for _, m := range bar.FindAllSubmatch(b, -1) {
		var x0, x1, y float64
		fmt.Sscan(string(m[1]), &x0)
		fmt.Sscan(string(m[2]), &y)
		fmt.Sscan(string(m[3]), &x1)
		colour := strings.ToLower(string(m[4]))
		long[colour] = append(long[colour], math.Abs(x1-x0))
		if colour == soilTones[0].colour {
			tops = append(tops, y)
		}
	}
	severe := long[soilTones[0].colour]
	if len(severe) != 3 || len(tops) != 3 { // its key, then the bars from below
		t.Fatalf("bars: %v in %s", long, b)
	}
	// In the picture's own direction y grows upwards: the first group is on top.
	per := 0.0
	for k, n := range []float64{40, 10} {
		for j, v := range severe {
			if j == 0 && per == 0 {
				for _, w := range severe {
					per = max(per, w/40)
				}
			}
			if math.Abs(v-n*per) < 0.01 {
				break
			}
			if j == len(severe)-1 {
				t.Errorf("group %d: no bar of %g trees at %.3f pt a tree among %v", k, n, per, severe)
			}
		}
	}
	constrained := long[soilTones[1].colour]
	found := false
	for _, v := range constrained {
		found = found || math.Abs(v-20*per) < 0.01
	}
	if !found {
		t.Errorf("no bar of 20 constrained trees at %.3f pt a tree: %v", per, constrained)
	}
}

// Whatever a tree is called, a chart holds the elements that it is made of, and
// no others.
func TestChartsEscape(t *testing.T) {
	dir := t.TempDir()
	charts := filepath.Join(dir, "charts")
	runOnHostile(t, "--out", filepath.Join(dir, "a.gpkg"), "--charts", charts)
	may := map[string]bool{"svg": true, "title": true, "desc": true, "g": true, "path": true, "text": true}
	files, _ := filepath.Glob(filepath.Join(charts, "*.svg"))
	if len(files) != 4 {
		t.Fatalf("charts: %v", files)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, string(b))
		d := xml.NewDecoder(bytes.NewReader(b))
		for {
			tok, err := d.Token()
			if err != nil {
				break
			}
			e, ok := tok.(xml.StartElement)
			if !ok {
				continue
			}
			if !may[e.Name.Local] {
				t.Errorf("%s holds an element %s", f, e.Name.Local)
			}
			for _, a := range e.Attr {
				if strings.HasPrefix(a.Name.Local, "on") || a.Name.Local == "href" {
					t.Errorf("%s: %s has an attribute %s", f, e.Name.Local, a.Name.Local)
				}
			}
		}
	}
}

func TestGroupsOfCharts(t *testing.T) {
	many := map[string]*chartGroup{}
	for k := range 20 {
		many[fmt.Sprintf("kind %02d", k)] = &chartGroup{name: fmt.Sprintf("kind %02d", k), counts: [chartTones]int{k + 1}}
	}
	list := mostFirst(many, 3, "kinds")
	if len(list) != 4 || list[0].name != "kind 19" || list[3].name != "17 other kinds" || list[3].total() != 17*18/2 {
		t.Errorf("%+v", list)
	}
	years := map[int]*chartGroup{math.MaxInt: {name: notRecorded, counts: [chartTones]int{7}}}
	for y := 1900; y < 2020; y += 5 {
		years[y] = &chartGroup{name: fmt.Sprint(y), counts: [chartTones]int{1}}
	}
	list = inOrder(years)
	sum := 0
	for _, g := range list {
		sum += g.total()
	}
	if sum != 24+7 || list[0].name != "before 1945" || list[0].total() != 9 || list[len(list)-1].name != notRecorded {
		t.Errorf("%d trees in %+v", sum, list)
	}
}
