package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"soilshed/geo"
	"soilshed/geo/layer"
)

// runOn runs the command on the block drawn in round metres and returns the
// folder of its output.
func runOn(t *testing.T, args ...string) string {
	t.Helper()
	dir := t.TempDir()
	for i := range args {
		args[i] = strings.ReplaceAll(args[i], "OUT", dir)
	}
	street := "../../fixtures/cli/street/"
	args = append([]string{args[0], "--trees", street + "trees.geojson", "--pavement", street + "paving.geojson", "--year", "2024"}, args[1:]...)
	var out, errs bytes.Buffer
	if code := run(context.Background(), args, &out, &errs); code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs.String())
	}
	return dir
}

// readPage takes a page apart again.
type readPage struct {
	html   string
	json   string // its head
	head   pageHead
	blocks map[string][]byte
}

func parsePage(t *testing.T, path string) *readPage {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	p := &readPage{html: string(b), blocks: map[string][]byte{}}
	head := regexp.MustCompile(`(?s)<script type="application/json" id="head">(.*?)</script>`).FindStringSubmatch(p.html)
	if head == nil {
		t.Fatal("no head in the page")
	}
	p.json = head[1]
	if err := json.Unmarshal([]byte(p.json), &p.head); err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`<script type="text/plain" id="block-(\w+)">([^<]*)</script>`).FindAllStringSubmatch(p.html, -1) {
		z, err := base64.StdEncoding.DecodeString(m[2])
		if err != nil {
			t.Fatal(err)
		}
		r, err := gzip.NewReader(bytes.NewReader(z))
		if err != nil {
			t.Fatal(err)
		}
		if p.blocks[m[1]], err = io.ReadAll(r); err != nil {
			t.Fatal(err)
		}
	}
	return p
}

// columns reads a block as text, null as "".
func (p *readPage) columns(block string, list []pageColumn, n int) map[string][]string {
	b, out := p.blocks[block], map[string][]string{}
	for _, c := range list {
		v := make([]string, n)
		if c.Kind == "text" {
			size := int(binary.LittleEndian.Uint32(b))
			copy(v, strings.Split(string(b[4:4+size]), "\n"))
			b = b[4+size:]
		} else {
			for i := range n {
				x := int64(0)
				for k := range c.Bytes {
					x |= int64(b[k*n+i]) << (8 * k)
				}
				switch {
				case x == 0 && block != "map":
				case c.Kind == "words":
					v[i] = c.Words[x-1]
				case block == "map":
					v[i] = fmt.Sprint(x)
				default:
					v[i] = layer.Number(float64(x-1+c.Min) / math.Pow10(c.Digits)).Text()
				}
			}
			b = b[n*c.Bytes:]
		}
		out[c.Name] = v
	}
	return out
}

// What the page holds is what the layer says, value by value.
func TestPageAgreesWithTheLayer(t *testing.T) {
	for _, units := range []string{"si", "us"} {
		dir := runOn(t, "assess", "--out", "OUT/a.gpkg", "--page", "OUT/a.html", "--units", units, "--quiet")
		p := parsePage(t, filepath.Join(dir, "a.html"))
		src, err := layer.Open(filepath.Join(dir, "a.gpkg"), layer.Options{Layer: "trees"})
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		rows := map[string]map[string]string{}
		for f, err := range src.Features() {
			if err != nil {
				t.Fatal(err)
			}
			row := map[string]string{}
			for k := range treeFields {
				row[treeFields[k].name] = f.Values[src.Schema().Index(treeFields[k].field(units == "us").Name)].Text()
			}
			rows[row["tree_id"]] = row
		}
		n := p.head.Trees
		if n != len(rows) || p.head.Details != n {
			t.Fatalf("page: %d trees, %d with details; layer: %d", n, p.head.Details, len(rows))
		}
		list, detail := p.columns("list", p.head.List, n), p.columns("detail", p.head.Detail, n)
		compared := 0
		for i, id := range list["tree_id"] {
			row, ok := rows[id]
			if !ok {
				t.Fatalf("no tree %q in the layer", id)
			}
			for _, columns := range []map[string][]string{list, detail} {
				for name, v := range columns {
					want, in := row[name]
					if !in || name == "why" && units == "us" {
						continue
					}
					compared++
					if v[i] != want {
						t.Errorf("tree %s, %s: %q in the page, %q in the layer", id, name, v[i], want)
					}
				}
			}
		}
		if compared < 30*n {
			t.Errorf("only %d values compared", compared)
		}
	}
}

// varint reads numbers of 7 bits a byte.
type varint struct {
	b []byte
	t *testing.T
}

func (v *varint) next() int {
	x, n := binary.Uvarint(v.b)
	if n <= 0 {
		v.t.Fatal("the block of the ground ends early")
	}
	v.b = v.b[n:]
	return int(x)
}

func (v *varint) signed() int {
	x := v.next()
	return x>>1 ^ -(x & 1)
}

// ring reads a ring; from is the first point of the ring before.
func (v *varint) ring(from *[2]int) (pts [][2]int) {
	at := *from
	for range v.next() {
		at[0] += v.signed()
		at[1] += v.signed()
		pts = append(pts, at)
	}
	*from = pts[0]
	return pts
}

// The block is drawn in round metres, so shares and paving are known: the pit of
// trees 2 and 3 is 4 m by 2 m and halved between them, the sidewalk 100 m by 60 m.
func TestPageGround(t *testing.T) {
	dir := runOn(t, "assess", "--out", "OUT/a.gpkg", "--page", "OUT/a.html", "--quiet")
	p := parsePage(t, filepath.Join(dir, "a.html"))
	g, n := p.head.Ground, p.head.Details
	places := p.columns("map", p.head.Map, n)
	list := p.columns("list", p.head.List, n)
	at := map[string][2]int{}
	var x, y int
	order := make([]string, n)
	for i := range n {
		var dx, dy uint32
		fmt.Sscan(places["x"][i], &dx)
		fmt.Sscan(places["y"][i], &dy)
		x += int(dx>>1) ^ -int(dx&1)
		y += int(dy>>1) ^ -int(dy&1)
		order[i] = list["tree_id"][i]
		at[order[i]] = [2]int{x, y}
	}
	if d := [2]int{at["3"][0] - at["2"][0], at["3"][1] - at["2"][1]}; d != [2]int{20, 0} {
		t.Errorf("tree 3 stands %v steps from tree 2, want 2 m east", d)
	}
	v := &varint{p.blocks["ground"][:g.PolygonBytes], t}
	if g.Polygons != 1 || g.Of != 1 {
		t.Fatalf("%d polygons of %d", g.Polygons, g.Of)
	}
	if kind := v.next(); pavedKinds[kind] != "walk" {
		t.Errorf("the sidewalk is drawn as %s", pavedKinds[kind])
	}
	from := [2]int{v.signed(), v.signed()}
	rings := v.next()
	var area float64
	for k := range rings {
		a := math.Abs(ringArea(v.ring(&from))) * pageStepM * pageStepM
		if k == 0 {
			area = a
		} else {
			area -= a
		}
	}
	// 6000 m2 less the six pits and the strip: 6+8+90+4+600+4.
	if math.Abs(area-(6000-712)) > 3 || len(v.b) != 0 {
		t.Errorf("paving of %.1f m2 with %d rings, want 5288 m2; %d bytes left", area, rings, len(v.b))
	}
	rest := p.blocks["ground"][g.PolygonBytes:]
	roses := rest[6*n : (6+g.Bearings)*n]
	v.b = rest[(6+g.Bearings)*n:]
	for i, id := range order {
		from := at[id]
		var sum float64
		for range v.next() {
			sum += ringArea(v.ring(&from)) * pageStepM * pageStepM
		}
		switch id {
		case "2", "3":
			if math.Abs(sum-4) > 0.05 {
				t.Errorf("tree %s has a share of %.2f m2, want 4", id, sum)
			}
			// 1 m to the pit's north and south edge, of a reach of 3 m.
			if north, south := roses[i*g.Bearings], roses[i*g.Bearings+18]; north != 85 || south != 85 {
				t.Errorf("tree %s: %d and %d of %d to north and south, want a third", id, north, south, g.RoseParts)
			}
		case "11":
			if sum != 0 {
				t.Errorf("the tree that is gone has a share of %.2f m2", sum)
			}
		}
	}
	if len(v.b) != 0 {
		t.Errorf("%d bytes are left of the shares", len(v.b))
	}
}

// With fewer details than trees, those at the head of the list have them.
func TestPageDetailsGoToTheHead(t *testing.T) {
	dir := runOn(t, "assess", "--out", "OUT/a.gpkg", "--page", "OUT/a.html", "--page-details", "3", "--quiet")
	p := parsePage(t, filepath.Join(dir, "a.html"))
	if p.head.Details != 3 {
		t.Fatalf("%d trees have details, want 3", p.head.Details)
	}
	places, list := p.columns("map", p.head.Map, p.head.Trees), p.columns("list", p.head.List, p.head.Trees)
	var ranks []string
	for i, m := range places["mark"] {
		var mark int
		fmt.Sscan(m, &mark)
		if mark&16 != 0 {
			ranks = append(ranks, list["rank"][i])
		}
	}
	if len(ranks) != 3 {
		t.Fatalf("marked: %v", ranks)
	}
	for _, r := range ranks {
		if r != "1" && r != "2" && r != "3" {
			t.Errorf("details of number %s of the list", r)
		}
	}
}

// The page asks no network and lets nothing run but its own script.
func TestPageStandsAlone(t *testing.T) {
	dir := runOn(t, "assess", "--out", "OUT/a.gpkg", "--page", "OUT/a.html", "--quiet")
	again := runOn(t, "assess", "--out", "OUT/a.gpkg", "--page", "OUT/a.html", "--workers", "3", "--cell", "25", "--quiet")
	p := parsePage(t, filepath.Join(dir, "a.html"))
	if q := parsePage(t, filepath.Join(again, "a.html")); q.html != p.html {
		t.Error("other workers and cells give another page")
	}
	p.standsAlone(t)
}

// standsAlone holds a page to asking no network, and to its policy.
func (p *readPage) standsAlone(t *testing.T) {
	t.Helper()
	for _, m := range regexp.MustCompile(`(?i)(https?:)?//[a-z0-9.-]+\.[a-z]{2,}`).FindAllString(regexp.MustCompile(`(?s)<script type="text/plain".*?</script>`).ReplaceAllString(p.html, ""), -1) {
		if m != "http://www.w3.org" {
			t.Errorf("the page names %s", m)
		}
	}
	if regexp.MustCompile(`(?i)\s(src|href)\s*=\s*["']?(?:[^#"'])`).MatchString(strings.Split(p.html, "<script")[0]) {
		t.Error("the page loads something")
	}
	// The script need not wait for the blocks behind it.
	if first, run, next := strings.Index(p.html, `id="block-map"`), strings.Index(p.html, "<script>"), strings.Index(p.html, `id="block-list"`); first < 0 || run < first || next < run {
		t.Errorf("the first block, the script and the next stand at %d, %d and %d", first, run, next)
	}
	policy := regexp.MustCompile(`http-equiv="Content-Security-Policy" content="([^"]*)"`).FindStringSubmatch(p.html)
	if policy == nil || !strings.HasPrefix(policy[1], "default-src 'none'; ") || strings.Contains(policy[1], "unsafe") {
		t.Fatalf("policy: %v", policy)
	}
	_, script, _ := strings.Cut(p.html, "<script>")
	script, _, _ = strings.Cut(script, "</script>")
	style := p.html[strings.Index(p.html, "<style>")+len("<style>") : strings.Index(p.html, "</style>")]
	if !strings.Contains(policy[1], "script-src '"+hashOf(script)+"'") || !strings.Contains(policy[1], "style-src '"+hashOf(style)+"'") {
		t.Error("the policy's hashes are not those of script and style")
	}
}

// Words of the data open no element, whatever they say.
func TestPageEscapes(t *testing.T) {
	dir := t.TempDir()
	attack := `</script><img src=x onerror=alert(1)>{{script}}<!--`
	tree := fmt.Sprintf(`{"type":"Feature","geometry":{"type":"Point","coordinates":[-93.5,43.2]},"properties":{"id":%q,"species":%q,"street":%q,"dbh_cm":30}}`, attack, attack, attack)
	write := func(name, features string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(`{"type":"FeatureCollection","features":[`+features+`]}`), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	trees := write(`trees<img src=x>.geojson`, tree)
	walk := write("walk.geojson", `{"type":"Feature","geometry":{"type":"Polygon","coordinates":[[[-93.501,43.2001],[-93.499,43.2001],[-93.499,43.2002],[-93.501,43.2002],[-93.501,43.2001]]]},"properties":{}}`)
	var out, errs bytes.Buffer
	page := filepath.Join(dir, "a.html")
	if code := run(context.Background(), []string{"assess", "--trees", trees, "--pavement", walk, "--out", filepath.Join(dir, "a.gpkg"), "--page", page, "--year", "2024", "--quiet"}, &out, &errs); code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs.String())
	}
	p := parsePage(t, page)
	if strings.Contains(p.html, "<img") {
		t.Error("a word of the data is markup")
	}
	if got := strings.Count(p.html, "<script"); got != 6 {
		t.Errorf("%d scripts in the page, want 6", got)
	}
	if list := p.columns("list", p.head.List, 1); list["street"][0] != attack {
		t.Errorf("street %q, want %q", list["street"][0], attack)
	}
}

// A simplified ring strays by no more than was asked for, and keeps corners.
func TestSimplified(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 300 {
		n := 5 + r.IntN(60)
		ring := make([]geo.XY, n)
		for k := range ring {
			a := 2 * math.Pi * float64(k) / float64(n)
			d := 5 + 3*r.Float64()
			ring[k] = geo.XY{X: d * math.Cos(a), Y: d * math.Sin(a)}
		}
		sag := 0.05 + r.Float64()
		thin := simplified(ring, sag)
		for _, p := range ring {
			near := math.Inf(1)
			for k := range thin {
				a, d := thin[k], thin[(k+1)%len(thin)].Sub(thin[k])
				u := 0.0
				if long := d.X*d.X + d.Y*d.Y; long > 0 {
					u = min(1, max(0, ((p.X-a.X)*d.X+(p.Y-a.Y)*d.Y)/long))
				}
				near = min(near, math.Hypot(p.X-a.X-u*d.X, p.Y-a.Y-u*d.Y))
			}
			if near > sag+1e-9 {
				t.Fatalf("a point is %.3f off, with a sag of %.3f", near, sag)
			}
		}
	}
	square := []geo.XY{{X: 0, Y: 0}, {X: 5, Y: 0.01}, {X: 10, Y: 0}, {X: 10, Y: 10}, {X: 0, Y: 10}, {X: 0, Y: 5}}
	if got := simplified(square, 0.1); len(got) != 4 {
		t.Errorf("a square of %d corners: %v", len(got), got)
	}
}

func TestInterleave(t *testing.T) {
	for _, c := range []struct {
		v    uint32
		want uint64
	}{{0, 0}, {1, 1}, {2, 4}, {3, 5}, {1 << 31, 1 << 62}, {math.MaxUint32, 0x5555555555555555}} {
		if got := interleave(c.v); got != c.want {
			t.Errorf("%b becomes %b, want %b", c.v, got, c.want)
		}
	}
}

// Paving is kept first round the trees at the head of the list.
func TestHeadGrid(t *testing.T) {
	a := &assessment{rows: make(rows, 4)}
	a.in.at = []geo.XY{{X: 0, Y: 0}, {X: 500, Y: 0}, {X: 505, Y: 3}, {X: 900, Y: 0}}
	for i, rank := range []int32{3, 2, 1, 0} {
		a.rows[i].rank = rank
	}
	p := &pageMaker{a: a}
	p.order()
	p.chooseDetails(2)
	if len(p.detail) != 2 || !p.has[1] || !p.has[2] {
		t.Fatalf("trees with details: %v", p.detail)
	}
	at := func(x0, y0, x1, y1 int) [][][2]int {
		return [][][2]int{{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}}}
	}
	g := p.heads()
	for _, c := range []struct {
		what  string
		rings [][][2]int
		want  int32
	}{
		{"a walk beside trees 1 and 2", at(5000, 20, 5080, 40), 1},
		{"a road past them, with corners far off and its middle near", at(0, 30, 10000, 90), 1},
		{"a house at the tree without details", at(9000, 0, 9100, 100), noRank},
		{"a house where no tree is", at(2000, 2000, 2100, 2100), noRank},
	} {
		if got := g.first(c.rings); got != c.want {
			t.Errorf("%s: rank %d, want %d", c.what, got, c.want)
		}
	}
	p.chooseDetails(4)
	if p.detail = p.list; p.heads() != nil {
		t.Error("squares are laid where all trees have details")
	}
}

// Hostile texts are data of the page: one head, one script, and no element that
// the page without them has not.
func TestPageOfHostileTrees(t *testing.T) {
	dir := t.TempDir()
	out, page := filepath.Join(dir, "a.gpkg"), filepath.Join(dir, "a.html")
	runOnHostile(t, "--out", out)
	runOnHostile(t, "--out", filepath.Join(dir, "b.gpkg"), "--since", out, "--page", page)
	p := parsePage(t, page)
	if p.head.Trees != len(hostile) || len(p.columns("list", p.head.List, p.head.Trees)["species"]) != len(hostile) {
		t.Errorf("%d trees", p.head.Trees)
	}
	for element, want := range map[string]int{"<script": 7, "</script>": 7, "<img": 0, "<image": 0, "onload=": 0, "onerror=": 0, "<style": 1, "<title": 1} {
		if n := strings.Count(p.html, element); n != want {
			t.Errorf("%d times %s in the page, want %d", n, element, want)
		}
	}
	if _, ok := p.blocks["changes"]; !ok {
		t.Error("the page tells no changes")
	}
}

// The page tells the changes that the table tells, and marks their trees.
func TestPageChanges(t *testing.T) {
	dir := runOn(t, "assess", "--out", "OUT/old.gpkg", "--quiet")
	b, err := os.ReadFile("../../fixtures/cli/street/trees.geojson")
	if err != nil {
		t.Fatal(err)
	}
	// Tree 2 has grown, tree 1 is another tree.
	text := strings.Replace(string(b), `"id":2,"species":"Acer rubrum","diam_cm":20`, `"id":2,"species":"Acer rubrum","diam_cm":60`, 1)
	text = strings.Replace(text, `"id":1,`, `"id":"1 new",`, 1)
	trees := filepath.Join(dir, "trees.geojson")
	if err := os.WriteFile(trees, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	args := []string{"assess", "--trees", trees, "--pavement", "../../fixtures/cli/street/paving.geojson", "--year", "2024", "--quiet",
		"--out", filepath.Join(dir, "new.gpkg"), "--since", filepath.Join(dir, "old.gpkg"), "--page", filepath.Join(dir, "new.html")}
	if code := run(context.Background(), args, &out, &errs); code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs.String())
	}
	p := parsePage(t, filepath.Join(dir, "new.html"))
	var told pageChanges
	if err := json.Unmarshal(p.blocks["changes"], &told); err != nil {
		t.Fatal(err)
	}
	if told.Since != "old.gpkg" {
		t.Errorf("since %q", told.Since)
	}
	list := p.columns("list", p.head.List, p.head.Trees)
	inPage := map[string]int{}
	bits := map[string]int64{}
	for _, r := range told.Rows {
		id := r.ID
		if r.Tree >= 0 {
			id = list["tree_id"][r.Tree]
			bits[id] |= 1 << r.Kind
		}
		inPage[strings.Join([]string{id, changeKinds[r.Kind].name, r.Was, r.Is, told.Whys[r.Why]}, "|")]++
	}
	for i, id := range list["tree_id"] {
		var got int64
		fmt.Sscan(list["changed"][i], &got)
		if got != bits[id] {
			t.Errorf("tree %s has marks %b, its changes are %b", id, got, bits[id])
		}
	}
	src, err := layer.Open(filepath.Join(dir, "new.gpkg"), layer.Options{Layer: "changes"})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	n := 0
	kinds := map[string]bool{}
	for f, err := range src.Features() {
		if err != nil {
			t.Fatal(err)
		}
		v := func(name string) string { return f.Values[src.Schema().Index(name)].Text() }
		n++
		kinds[v("change")] = true
		if key := strings.Join([]string{v("tree_id"), v("change"), v("was"), v("is"), v("why")}, "|"); inPage[key] != 1 {
			t.Errorf("the table tells %q, the page does not", key)
		}
	}
	if n != len(told.Rows) || !kinds["added"] || !kinds["gone"] || !kinds["failure"] {
		t.Errorf("%d changes in the table, %d in the page, kinds %v", n, len(told.Rows), kinds)
	}
}
