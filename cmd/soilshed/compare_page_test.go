package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"
)

// roundDesigns lays out the designs that compare.txtar works out by hand, on the
// block drawn in round metres.
func roundDesigns(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	story, err := txtar.ParseFile("../../fixtures/cli/compare.txtar")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"trees.geojson", "paving.geojson"} {
		b, err := os.ReadFile("../../fixtures/cli/street/" + name)
		if err != nil {
			t.Fatal(err)
		}
		story.Files = append(story.Files, txtar.File{Name: name, Data: b})
	}
	for _, f := range story.Files {
		if err := os.WriteFile(filepath.Join(dir, f.Name), f.Data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// comparePage compares designs and reads the page.
func comparePage(t *testing.T, before string, args ...string) (*readPage, *comparePageHead) {
	t.Helper()
	page := filepath.Join(t.TempDir(), "page.html")
	var out, errs bytes.Buffer
	if code := run(context.Background(), append([]string{"compare", "--before", before, "--page", page, "--quiet"}, args...), &out, &errs); code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs.String())
	}
	p, h := parsePage(t, page), &comparePageHead{}
	if err := json.Unmarshal([]byte(p.json), h); err != nil {
		t.Fatal(err)
	}
	return p, h
}

// The page holds what was worked out by hand, the comments of compare.txtar tell
// how: today tree 1 has 2 x 3 m, trees 2 and 3 share 4 x 2 m, all 0.9 m deep; wide
// gives tree 1 a bed of 5 x 5.2 m, takes tree 3 away, so that tree 2 has the whole
// of its pit, and plants tree 50 in an assumed pit of 1.2 m square; slab paves 1 m2
// of tree 3's and hangs 2 x 2 m of soil beside tree 1.
func TestComparePageHoldsTheDesigns(t *testing.T) {
	dir := roundDesigns(t)
	in := func(name string) string { return filepath.Join(dir, name) }
	p, h := comparePage(t, in("today.toml"), "--after", in("wide.toml"), "--after", in("slab.toml"), "--within", in("corridor.geojson"), "--prices", in("prices.csv"))
	p.standsAlone(t)
	if h.Trees != 4 || h.Details != 4 || len(h.Schemes) != 3 || h.Schemes[1].Name != "wide" || strings.Join(h.Schemes[1].OnPaving, " ") != "50" {
		t.Fatalf("%d trees, %d with details, designs %+v", h.Trees, h.Details, h.Schemes)
	}
	list := p.columns("list", h.List, h.Trees)
	names := func(o string) string {
		k, err := strconv.Atoi(o)
		if err != nil {
			return o
		}
		return h.Outcomes[k].Name + ", " + h.Outcomes[k].Side
	}
	got := map[string]string{}
	for i, id := range list["tree_id"] {
		var v []string
		for _, name := range []string{"soil_m3_0", "soil_m3_1", "soil_m3_2", "open_m2_0", "open_m2_1", "diff_m3_1", "diff_m3_2"} {
			v = append(v, list[name][i])
		}
		got[id] = strings.Join(append(v, names(list["outcome_1"][i]), names(list["outcome_2"][i])), "|")
	}
	for id, want := range map[string]string{
		"1":  "5.4|23.4|9|6|26|18|3.6|brought up, win|gains, win",
		"2":  "3.6|7.2|3.6|8|8|3.6|0|gains, win|same, tie",
		"3":  "3.6||2.7|8|||-0.9|removed, turnover|loses, lose",
		"50": "|1.3|||1.44|||planted, short, turnover|",
	} {
		if got[id] != want {
			t.Errorf("tree %s: %s\nwant %s", id, got[id], want)
		}
	}
	// Losers first, then who goes and comes, then who wins.
	turn := map[string]int{}
	for i, id := range list["tree_id"] {
		n, _ := strconv.Atoi(list["turn_1"][i])
		turn[id] = n
	}
	if turn["3"] != 1 || turn["50"] != 2 || turn["1"] != 3 || turn["2"] != 4 {
		t.Errorf("in the list of wide: %v", turn)
	}
	cells := map[string][]string{}
	for _, m := range h.Table {
		cells[m.Words] = m.Cells
	}
	for words, want := range map[string][]string{
		"soil of all trees": {"12.6", "31.9", "15.3"}, "up to the standard": {"0", "1", "0"}, "paving opened": {"-", "20.0", "0.0"}, "open ground paved": {"-", "0.0", "1.0"},
		"engineered soil": {"-", "0.0", "4.0"}, "planted": {"-", "1", "0"}, "removed": {"-", "1", "0"}, "cost": {"-", "1,226", "540"}, "suspended pavement": {"-", "0", "400"},
	} {
		if !slices.Equal(cells[words], want) {
			t.Errorf("%s: %v, want %v", words, cells[words], want)
		}
	}

	// The ground: areas of shares, and of what is built, of each design.
	v := &varint{p.blocks["ground"][:h.Ground.PolygonBytes], t}
	works := make([]map[string]float64, 3)
	for k := range works {
		works[k] = map[string]float64{}
	}
	x, y := 0, 0
	for range h.Ground.Polygons {
		kind, set := v.next(), v.next()
		x += v.signed()
		y += v.signed()
		from := [2]int{x, y}
		area := 0.0
		for k := range v.next() {
			a := math.Abs(ringArea(v.ring(&from))) * pageStepM * pageStepM
			if k > 0 {
				a = -a
			}
			area += a
		}
		name := h.Ground.Kinds[kind]
		if name == "work" {
			name = h.Works[kind-h.FirstWork].Words
		}
		for _, k := range h.Sets[set] {
			works[k][name] += area
		}
	}
	if len(v.b) != 0 {
		t.Errorf("%d bytes are left of the polygons", len(v.b))
	}
	for k, want := range []map[string]float64{
		{"corridor": 900, "bed": 0, "Paving opened": 0},
		{"corridor": 900, "bed": 26, "Paving opened": 20, "Open ground paved": 0},
		{"corridor": 900, "bed": 0, "Open ground paved": 1, "Paving over new rootable ground": 4},
	} {
		for name, area := range want {
			if math.Abs(works[k][name]-area) > 0.3 {
				t.Errorf("%s, %s: %.2f m2, want %.2f", h.Schemes[k].Name, name, works[k][name], area)
			}
		}
	}
	if works[2]["other"]+works[2]["walk"] <= works[0]["other"]+works[0]["walk"] {
		t.Error("the slab's paving is not drawn in its design alone")
	}
	places := p.columns("map", h.Map, h.Trees)
	at := make([][2]int, h.Trees)
	for i := range at {
		dx, _ := strconv.Atoi(places["x"][i])
		dy, _ := strconv.Atoi(places["y"][i])
		x, y := dx>>1^-(dx&1), dy>>1^-(dy&1)
		if i > 0 {
			x, y = x+at[i-1][0], y+at[i-1][1]
		}
		at[i] = [2]int{x, y}
	}
	v.b = p.blocks["ground"][h.Ground.PolygonBytes:]
	for k, want := range []map[string]float64{{"1": 6, "2": 4, "3": 4, "50": 0}, {"1": 26, "2": 8, "3": 0, "50": 1.44}, {"1": 10, "2": 4, "3": 3, "50": 0}} {
		for i, id := range list["tree_id"] {
			from := at[i]
			sum := 0.0
			for range v.next() {
				sum += ringArea(v.ring(&from)) * pageStepM * pageStepM
			}
			if math.Abs(sum-want[id]) > 0.4 {
				t.Errorf("%s: tree %s has a share of %.2f m2, want %.2f", h.Schemes[k].Name, id, sum, want[id])
			}
			tone, _ := strconv.Atoi(places[fmt.Sprintf("tone_%d", k)][i])
			switch stands := want[id] > 0; {
			case stands && tone >= len(soilTones):
				t.Errorf("%s: tree %s has no soil class", h.Schemes[k].Name, id)
			case !stands && id == "3" && tone != len(h.Tones)-1:
				t.Errorf("%s: tree 3 is not drawn as removed", h.Schemes[k].Name)
			case !stands && id == "50" && tone != len(h.Tones):
				t.Errorf("%s: tree 50 stands", h.Schemes[k].Name)
			}
		}
	}
	if len(v.b) != 0 {
		t.Errorf("%d bytes are left of the shares", len(v.b))
	}
}

// The same designs give the same bytes, with other workers too.
func TestComparePageSameBytes(t *testing.T) {
	dir := roundDesigns(t)
	in := func(name string) string { return filepath.Join(dir, name) }
	once, _ := comparePage(t, in("today.toml"), "--after", in("wide.toml"), "--after", in("slab.toml"))
	for _, name := range []string{"today.toml", "wide.toml", "slab.toml"} {
		b, err := os.ReadFile(in(name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(in(name), append([]byte("workers = 3\ncell = 25\n"), b...), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if again, _ := comparePage(t, in("today.toml"), "--after", in("wide.toml"), "--after", in("slab.toml")); again.html != once.html {
		t.Error("other workers and cells give another page")
	}
}

// Words of trees, designs and files open no element.
func TestComparePageOfHostileTrees(t *testing.T) {
	trees := hostileTrees(t)
	dir := t.TempDir()
	paving, err := filepath.Abs("../../fixtures/cli/street/paving.geojson")
	if err != nil {
		t.Fatal(err)
	}
	write := func(name string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(fmt.Sprintf("trees = %q\npavement = %q\nyear = 2024\n", trees, paving)), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	p, h := comparePage(t, write(`a<img src=x onerror=alert(1)>.toml`), "--after", write(`"><script>alert(1)<b>.toml`))
	if h.Trees != len(hostile) || h.Schemes[1].Name != `"><script>alert(1)<b>` {
		t.Errorf("%d trees, design %q", h.Trees, h.Schemes[1].Name)
	}
	for element, want := range map[string]int{"<script": 5, "</script>": 5, "<img": 0, "<image": 0, "<b>": 0, "<style": 1, "<title": 1} {
		if n := strings.Count(p.html, element); n != want {
			t.Errorf("%d times %s in the page, want %d", n, element, want)
		}
	}
}

// A page that cannot be written leaves all other outputs as they were.
func TestComparePageWholeOrNot(t *testing.T) {
	dir := roundDesigns(t)
	in := func(name string) string { return filepath.Join(dir, name) }
	for _, name := range []string{"old.html", "old.csv"} {
		if err := os.WriteFile(in(name), []byte("old"), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	// The layer of paving ends in the middle when it is read again to be drawn.
	ctx, cancel := context.WithCancel(context.Background())
	o := compareOptions{before: in("today.toml"), after: []string{in("wide.toml")}, page: in("old.html"), csv: in("old.csv"), log: "text", quiet: true}
	c, err := o.understand()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.compare(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(in("paving.geojson"), 200); err != nil {
		t.Fatal(err)
	}
	if err := o.write(ctx, c, nil); err == nil {
		t.Error("a page was made of half a layer")
	}
	cancel()
	if err := o.write(ctx, c, nil); err == nil {
		t.Error("a page was made of a run that was stopped")
	}
	for _, name := range []string{"old.html", "old.csv"} {
		if b, err := os.ReadFile(in(name)); err != nil || string(b) != "old" {
			t.Errorf("%s is now %.40q (%v)", name, b, err)
		}
	}
}
