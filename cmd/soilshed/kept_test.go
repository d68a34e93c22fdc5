package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"soilshed/geo/ground"
	"soilshed/risk"
)

// keptRun runs assess and returns what it says.
func keptRun(t *testing.T, args ...string) string {
	t.Helper()
	var said, wrong bytes.Buffer
	if code := run(context.Background(), append([]string{"assess", "--log", "text"}, args...), &said, &wrong); code != exitDone {
		t.Fatalf("exit code %d: %s", code, wrong.String())
	}
	return said.String()
}

// takenOver is how many grounds a run took over, of how many.
func takenOver(t *testing.T, said string) (n, of int) {
	t.Helper()
	m := regexp.MustCompile(`(?s)The ground of ([0-9,]+)\s+of\s+([0-9,]+)\s+trees\s+was\s+taken`).FindStringSubmatch(said)
	if m == nil {
		return 0, 0
	}
	n, _ = strconv.Atoi(strings.ReplaceAll(m[1], ",", ""))
	of, _ = strconv.Atoi(strings.ReplaceAll(m[2], ",", ""))
	return n, of
}

// sameOutputs compares every file of two folders byte for byte, but for the
// manifests, which tell the times.
func sameOutputs(t *testing.T, a, b string) {
	t.Helper()
	list := func(dir string) map[string][]byte {
		files := map[string][]byte{}
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			if !strings.HasSuffix(e.Name(), "-manifest.json") {
				if files[e.Name()], err = os.ReadFile(filepath.Join(dir, e.Name())); err != nil {
					t.Fatal(err)
				}
			}
		}
		return files
	}
	x, y := list(a), list(b)
	if len(x) != len(y) || len(x) < 3 {
		t.Errorf("%d and %d files", len(x), len(y))
	}
	for name, bx := range x {
		if !bytes.Equal(bx, y[name]) {
			t.Errorf("%s differs: %d and %d bytes", name, len(bx), len(y[name]))
		}
	}
}

// alter changes some features of a GeoJSON file of one feature a line: takes some
// away, doubles some a little aside, moves or changes others.
func alter(t *testing.T, from, to string, dice *rand.Rand, share float64, change func(f map[string]any)) {
	t.Helper()
	var layer struct {
		Type     string           `json:"type"`
		Name     string           `json:"name,omitempty"`
		CRS      any              `json:"crs,omitempty"`
		Features []map[string]any `json:"features"`
	}
	b, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &layer); err != nil {
		t.Fatal(err)
	}
	var out []map[string]any
	for _, f := range layer.Features {
		if dice.Float64() >= share {
			out = append(out, f)
			continue
		}
		switch dice.IntN(3) {
		case 0: // gone
		case 1:
			change(f)
			out = append(out, f)
		case 2: // one more beside it
			out = append(out, f)
			var g map[string]any
			b, _ := json.Marshal(f)
			json.Unmarshal(b, &g)
			shift(g["geometry"].(map[string]any)["coordinates"], 4e-5)
			out = append(out, g)
		}
	}
	layer.Features = out
	if b, err = json.Marshal(layer); err == nil {
		err = os.WriteFile(to, b, 0o666)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// shift moves coordinates east.
func shift(c any, by float64) {
	list := c.([]any)
	if x, ok := list[0].(float64); ok {
		list[0] = x + by
		return
	}
	for _, p := range list {
		shift(p, by)
	}
}

// A run that takes over what it can writes the same bytes as one that works out
// all, whatever has changed since the older one: on the demo town, with all
// kinds of layers, over several nights.
func TestTakenOverSameBytes(t *testing.T) {
	if testing.Short() {
		t.Skip("runs the town many times")
	}
	t.Setenv("SOURCE_DATE_EPOCH", "1714530000")
	town, _ := filepath.Abs("../../fixtures/town")
	dir := t.TempDir()
	layers := []string{"trees", "roads", "sidewalks", "driveways", "buildings", "beds", "rootable", "walls", "soil"}
	in := func(night string) (args []string) {
		f := func(name string) string { return filepath.Join(dir, night, name+".geojson") }
		args = []string{"--trees", f("trees"), "--field", "dbh=DIAM:in", "--field", "removed=REMOVED", "--year", "2024"}
		for _, p := range layers[1:5] {
			args = append(args, "--pavement", f(p))
		}
		return append(args, "--bed", f("beds"), "--rootable", f("rootable"), "--barrier", f("walls"), "--soil", f("soil"))
	}
	nights := 6
	for n := range nights {
		night := fmt.Sprint(n)
		if err := os.MkdirAll(filepath.Join(dir, night), 0o777); err != nil {
			t.Fatal(err)
		}
		dice := rand.New(rand.NewPCG(uint64(n), 7))
		for _, l := range layers {
			from, share := filepath.Join(dir, fmt.Sprint(n-1), l+".geojson"), 0.003
			if n == 0 {
				from, share = filepath.Join(town, l+".geojson"), 0
			}
			if l == "trees" {
				share *= 4
			}
			alter(t, from, filepath.Join(dir, night, l+".geojson"), dice, share, func(f map[string]any) {
				if p := f["properties"].(map[string]any); p["DIAM"] != nil {
					p["DIAM"] = 3 + 30*dice.Float64()
				} else {
					shift(f["geometry"].(map[string]any)["coordinates"], 1e-5)
				}
			})
		}
	}
	last := filepath.Join(dir, "none")
	os.MkdirAll(last, 0o777)
	for n := range nights {
		both := [2]string{filepath.Join(dir, fmt.Sprint("taken", n)), filepath.Join(dir, fmt.Sprint("full", n))}
		for k := range both {
			out := filepath.Join(dir, "out") // one name for both: notes tell it
			if err := os.CopyFS(out, os.DirFS(last)); err != nil {
				t.Fatal(err)
			}
			file := filepath.Join(out, "town.geojson")
			if k == 1 {
				os.Remove(keptPath(file))
				os.Remove(keptMapPath(file))
			}
			args := append(in(fmt.Sprint(n)), "--since", file, "--out", file, "--page", filepath.Join(out, "town.html"))
			if k == 0 {
				args = append(args, "--workers", "3")
			} else {
				args = append(args, "--workers", "1")
			}
			said := keptRun(t, args...)
			got, of := takenOver(t, said)
			switch {
			case n == 0 || k == 1:
				if got != 0 || !strings.Contains(strings.Join(strings.Fields(said), " "), "Nothing was taken over from the older run: the older run has kept nothing") {
					t.Errorf("night %d, %d: %s", n, k, said)
				}
			case got < of/3 || got >= of:
				t.Errorf("night %d: the ground of %d of %d trees was taken over", n, got, of)
			default:
				t.Logf("night %d: the ground of %d of %d trees was taken over", n, got, of)
			}
			if err := os.Rename(out, both[k]); err != nil {
				t.Fatal(err)
			}
		}
		sameOutputs(t, both[0], both[1])
		last = both[0]
	}
}

// What counts for all trees leaves nothing to be taken over, and the run says
// what it is; a damaged file is told as such.
func TestNothingTakenOver(t *testing.T) {
	t.Setenv("SOURCE_DATE_EPOCH", "1714530000")
	dir := t.TempDir()
	street, _ := filepath.Abs("../../fixtures/cli/street")
	f := func(name string) string { return filepath.Join(dir, name) }
	base := []string{"--trees", filepath.Join(street, "trees.geojson"), "--pavement", filepath.Join(street, "paving.geojson"), "--year", "2024"}
	night := func(out string, more ...string) string {
		said := keptRun(t, append(append(append([]string{}, base...), "--since", f("a.geojson"), "--out", f(out)), more...)...)
		return strings.Join(strings.Fields(said), " ")
	}
	night("a.geojson")
	if n, of := takenOver(t, night("b.geojson")); n == 0 || n != of {
		t.Fatalf("%d of %d", n, of)
	}
	var evidence bytes.Buffer
	if code := run(context.Background(), []string{"evidence"}, &evidence, os.Stderr); code != exitDone {
		t.Fatal(code)
	}
	if err := os.WriteFile(f("evidence.csv"), evidence.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--depth", "0.8"}, "--depth is 0.8, was 0.9"},
		{[]string{"--evidence", f("evidence.csv")}, "the evidence file is another"},
		{[]string{"--year", "2025"}, "trees are assessed for 2025, then for 2024"},
		{[]string{"--terrain", "open"}, "--terrain is open, was built-up"},
		{[]string{"--barrier", f("wall.geojson")}, "kinds of layers is another"},
	} {
		os.WriteFile(f("wall.geojson"), []byte(`{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"EPSG:26975"}},"features":[{"type":"Feature","properties":{},"geometry":{"type":"LineString","coordinates":[[1425000,1196500],[1425100,1196500]]}}]}`), 0o666)
		said := night("b.geojson", c.args...)
		if n, _ := takenOver(t, said); n != 0 || !strings.Contains(said, "Nothing was taken over from the older run: ") || !strings.Contains(said, c.want) {
			t.Errorf("%q: no %q in: %s", c.args, c.want, said[max(0, len(said)-300):])
		}
	}
	// Settings that the result of a tree does not hang on.
	if n, of := takenOver(t, night("b.geojson", "--crew-days", "3", "--keep", "none", "--workers", "1")); n == 0 || n != of {
		t.Errorf("%d of %d", n, of)
	}
	for _, c := range []struct{ was, is, want string }{
		{"9.9, build 1", version + ", build 1", "the program is " + version + ", then 9.9"},
		{version + ", build 1", version + ", build 2", "the program is another build of " + version},
	} {
		if got := differing(map[string]string{"program": c.was}, map[string]string{"program": c.is}); got != c.want {
			t.Errorf("%q", got)
		}
	}

	whole, err := os.ReadFile(keptPath(f("a.geojson")))
	if err != nil {
		t.Fatal(err)
	}
	dice := rand.New(rand.NewPCG(1, 2))
	n := int(binary.LittleEndian.Uint32(whole[len(keptMagic):]))
	common := map[string]string{}
	if err := json.Unmarshal(whole[len(keptMagic)+4:][:n], &common); err != nil {
		t.Fatal(err)
	}
	at := f("damaged.bin")
	open := func(b []byte) (*kept, string) {
		if err := os.WriteFile(at, b, 0o666); err != nil {
			t.Fatal(err)
		}
		k, why, err := openKept(context.Background(), at, common)
		if err != nil {
			t.Fatal(err)
		}
		k.close()
		return k, why
	}
	if k, why := open(whole); k == nil || len(k.at) != 12 {
		t.Fatalf("%v, %s", k, why)
	}
	for k := range 2000 {
		b := bytes.Clone(whole)
		switch {
		case k < 500:
			b = b[:dice.IntN(len(b))]
		case k == 500:
			b = append(b, 0)
		default:
			b[dice.IntN(len(b))] ^= 1 << dice.IntN(8)
		}
		if got, why := open(b); got != nil || why == "" {
			t.Fatalf("damage %d passed", k)
		}
	}
	if err := os.WriteFile(keptPath(f("a.geojson")), whole[:len(whole)-5], 0o666); err != nil {
		t.Fatal(err)
	}
	if said := night("b.geojson"); !strings.Contains(said, "a-kept.bin is damaged") {
		t.Errorf("damaged: %s", said[max(0, len(said)-300):])
	}
}

// fill puts random values into all of v that can be set.
func fill(t *testing.T, dice *rand.Rand, v reflect.Value) {
	t.Helper()
	switch v.Kind() {
	case reflect.Bool:
		v.SetBool(dice.IntN(2) == 0)
	case reflect.Float64, reflect.Float32:
		v.SetFloat([]float64{dice.NormFloat64(), math.Copysign(0, -1), math.Inf(1), 0}[dice.IntN(4)])
	case reflect.Int, reflect.Int32:
		v.SetInt(dice.Int64N(1 << 31))
	case reflect.Uint8, reflect.Uint32:
		v.SetUint(uint64(dice.IntN(7)))
	case reflect.String:
		v.SetString(strings.Repeat("x", dice.IntN(3)))
	case reflect.Array:
		for i := range v.Len() {
			fill(t, dice, v.Index(i))
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1+dice.IntN(3), 4))
		for i := range v.Len() {
			fill(t, dice, v.Index(i))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			fill(t, dice, v.Field(i))
		}
	default:
		t.Fatalf("a %v", v.Kind())
	}
}

// A site comes back with all its bits, and a record in all its parts.
func TestSiteIsKeptWhole(t *testing.T) {
	dice := rand.New(rand.NewPCG(3, 4))
	for range 200 {
		var site, back, place ground.Site
		fill(t, dice, reflect.ValueOf(&site).Elem())
		stand, under, chain := ground.Key{1, byte(dice.IntN(256))}, ground.Key{2}, ground.Key{3}
		row := bytes.Repeat([]byte{7}, dice.IntN(9))
		b := putRecord(stand, under, chain, putPlace(nil, &site), row, putShare(nil, site.Share), putSite(nil, &site))
		if n := binary.LittleEndian.Uint32(b); int(n) != len(b)-4 {
			t.Fatalf("%d of %d", n, len(b))
		}
		r, err := recordOf(b[4:])
		if err == nil {
			err = r.takeSite(&back)
		}
		if err != nil || !reflect.DeepEqual(site, back) || r.stand != stand || r.ground != under || r.chain != chain || !bytes.Equal(r.row, row) || !bytes.Equal(r.whole(nil), b) {
			t.Fatalf("%v", err)
		}
		if takePlace(r.place, &place); place.Basis != site.Basis || place.At != site.At {
			t.Fatalf("%v", place)
		}
		for n := range b[4:] {
			if r, err = recordOf(b[4:][:n]); err == nil {
				t.Fatalf("%d of %d bytes were enough", n, len(b)-4)
			}
		}
		for n := range r.sites {
			if _, err := siteCoding.get(r.sites[:n], reflect.ValueOf(&back).Elem()); err == nil {
				t.Fatalf("%d bytes of a site were enough", n)
			}
		}
		for n := range r.share {
			if _, err := takeShare(r.share[:n]); err == nil {
				t.Fatalf("%d bytes of a share were enough", n)
			}
		}
	}
}

// A row comes back with all that it holds but what is put in again. A field that
// is added to it and not kept fails here.
func TestRowIsKeptWhole(t *testing.T) {
	a := townAssessed(t)
	for i := range a.rows {
		b := a.rows[i].append(nil)
		var back packedRow
		if err := back.take(b); err != nil {
			t.Fatal(err)
		}
		back.setOddZ(a.odd(int32(i)))
		back.rank, back.hours = a.rows[i].rank, a.rows[i].hours
		if was, is := fmt.Sprintf("%#v", a.rows[i]), fmt.Sprintf("%#v", back); was != is {
			t.Fatalf("tree %d: %s, then %s", i, was, is)
		}
		for n := range b {
			if back.take(b[:n]) == nil {
				t.Fatalf("%d of %d bytes were enough", n, len(b))
			}
		}
	}
	// Not by chance: every part of a row stands for something in some tree.
	zero := reflect.ValueOf(packedRow{})
	for f := range zero.NumField() {
		used := false
		for i := range a.rows {
			used = used || !reflect.ValueOf(a.rows[i]).Field(f).IsZero()
		}
		if !used {
			t.Errorf("%s is never set in the town", zero.Type().Field(f).Name)
		}
	}
}

// What the steps after the ground are given of a tree is all in its digest: any
// field of the record, of its size, of the soil under it and of what its cohort
// says.
func TestChainKeyMissesNothing(t *testing.T) {
	a := townAssessed(t)
	w := &taker{a: a}
	dice := rand.New(rand.NewPCG(5, 6))
	const i = 7
	tree, at := &risk.Tree{ID: "x", Species: "Acer rubrum"}, a.in.at[i]
	odd := risk.Odd{Z: risk.Known(1.0)}
	key := w.chainKey(tree, at, odd)
	other := func(what string) {
		t.Helper()
		if w.chainKey(tree, at, odd) == key {
			t.Errorf("%s does not count", what)
		}
	}
	if w.chainKey(tree, at, odd) != key {
		t.Error("not the same twice")
	}
	v := reflect.ValueOf(tree).Elem()
	for f := range v.NumField() {
		for range 20 {
			was := *tree
			fill(t, dice, v.Field(f))
			if fmt.Sprint(was) != fmt.Sprint(*tree) {
				other(v.Type().Field(f).Name)
			}
			*tree = was
		}
	}
	was := odd
	for _, odd = range []risk.Odd{{}, {Z: risk.Known(1.1)}, {Z: risk.Known(1.0), Flagged: true}, {Z: risk.Known(1.0), Cohort: "all do badly"}} {
		other("what the cohort says")
	}
	if odd = was; w.chainKey(tree, at, risk.Odd{Z: risk.Known(1.02)}) != key {
		t.Error("a hair counts")
	}
	// A DBH that is not on record is that of the others.
	for k, t := range a.in.trees.all() {
		t.DBHCm.Value *= 2
		a.in.trees.set(k, &t)
	}
	a.model.LearnTypical(a.in.trees.all())
	other("the DBH of other trees")
}

// townAssessed is the demo town when its trees have been assessed and ranked.
func townAssessed(t *testing.T) *assessment {
	t.Helper()
	town, _ := filepath.Abs("../../fixtures/town")
	f := func(name string) string { return filepath.Join(town, name) }
	var o options
	args := []string{"--trees", f("trees.geojson"), "--pavement", f("roads.geojson"), "--pavement", f("sidewalks.geojson"), "--soil", f("soil.geojson"),
		"--weather", f("weather.csv"), "--field", "removed=REMOVED", "--year", "2024", "--jitters", "0", "--out", "none.gpkg"}
	if err := parse(flagsOf(&o, "assess"), args, "assess", "", io.Discard); err != nil {
		t.Fatal(err)
	}
	if err := o.understand(); err != nil {
		t.Fatal(err)
	}
	a := &assessment{o: &o}
	if err := a.prepare(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.in.source.Close() })
	if err := a.run(t.Context(), func([]shape) error { return nil }); err != nil {
		t.Fatal(err)
	}
	a.rank()
	return a
}

// A flag that is said not to count must be one; a new one counts until it is
// named.
func TestFlagsNotOfResults(t *testing.T) {
	var o options
	f := flagsOf(&o, "assess")
	for _, name := range notOfResults {
		if f.Lookup(name) == nil {
			t.Errorf("there is no flag --%s", name)
		}
	}
	for _, name := range []string{"reach", "depth", "close-gap", "jitters", "share", "need", "texture", "awc", "runoff", "terrain", "design-gust"} {
		if f.Lookup(name) == nil || slices.Contains(notOfResults, name) {
			t.Errorf("--%s counts", name)
		}
	}
}
