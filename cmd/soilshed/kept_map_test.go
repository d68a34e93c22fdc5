package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"soilshed/geo/layer"
)

// convert writes a layer in another format.
func convert(t *testing.T, from, to string) {
	t.Helper()
	src, err := layer.Open(from, layer.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	s := *src.Schema()
	s.Name, s.Shape = "paving", layer.Polygons
	sink, err := layer.Create(to, []layer.Schema{s}, layer.CreateOptions{Changed: "2024-05-01T00:00:00.000Z"})
	if err != nil {
		t.Fatal(err)
	}
	for f, err := range src.Features() {
		if err == nil {
			err = sink.Write(0, f)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := sink.Commit(); err != nil {
		t.Fatal(err)
	}
}

// The map is kept of layers in any format of files, is taken over while they are
// the same, and not when any part of one is another, or a log lies beside it.
func TestKeptMap(t *testing.T) {
	t.Setenv("SOURCE_DATE_EPOCH", "1714530000")
	street, _ := filepath.Abs("../../fixtures/cli/street")
	dir := t.TempDir()
	f := func(name string) string { return filepath.Join(dir, name) }
	for file, want := range map[string]bool{"a.SHP": true, "a.geojson.gz": true, "a": false, "a.dat": false, "-": false, "postgres://u@h/d?table=t.gpkg": false} {
		if plainFile(file) != want {
			t.Errorf("%s is plain: %v", file, !want)
		}
	}
	for _, ending := range []string{".geojson", ".shp", ".gpkg", ".parquet", ".fgb"} {
		paving := f("paving" + ending)
		convert(t, filepath.Join(street, "paving.geojson"), paving)
		out := f("out-" + ending[1:] + ".geojson")
		night := func(more ...string) (said string, mapTaken bool) {
			t.Helper()
			args := []string{"--trees", filepath.Join(street, "trees.geojson"), "--pavement", paving, "--year", "2024", "--jitters", "0", "--since", out, "--out", out}
			said = strings.Join(strings.Fields(keptRun(t, append(args, more...)...)), " ")
			return said, strings.Contains(said, "were not read again")
		}
		expect := func(what string, want bool, more ...string) {
			t.Helper()
			if said, got := night(more...); got != want {
				t.Errorf("%s, %s: the map was taken over: %v: %s", ending, what, got, said[max(0, len(said)-300):])
			}
		}
		expect("first", false)
		m, _ := os.ReadFile(manifestPath(out))
		expect("again", true)
		// What the manifest says of the layers is the same.
		head := func(b []byte) string {
			_, s, _ := strings.Cut(string(b), `"layers": [`)
			s, _, _ = strings.Cut(s, `"columns"`)
			return s
		}
		if is, _ := os.ReadFile(manifestPath(out)); head(is) == "" || head(is) != head(m) {
			t.Errorf("%s: the manifest says\n%s\nand without reading the layers\n%s", ending, head(m), head(is))
		}
		expect("another setting", false, "--depth", "0.8")
		expect("the old setting", false)
		expect("again", true, "--crew-days", "3", "--list-by", "girdling", "--workers", "1")
		if ending == ".shp" {
			// Its parts count too, however their names are spelled.
			if err := os.Rename(f("paving.prj"), f("paving.Prj")); err != nil {
				t.Fatal(err)
			}
			expect("spelled otherwise", false)
			expect("again", true)
			b, _ := os.ReadFile(f("paving.Prj"))
			if err := os.WriteFile(f("paving.Prj"), append(b, ' '), 0o666); err != nil {
				t.Fatal(err)
			}
			expect("another .Prj", false)
			expect("again", true)
		}
		if ending == ".gpkg" {
			if err := os.WriteFile(paving+"-journal", nil, 0o666); err != nil {
				t.Fatal(err)
			}
			expect("a journal", false)
			if _, err := os.Stat(keptMapPath(out)); err == nil {
				t.Error("a map is kept that cannot be known to be right")
			}
			os.Remove(paving + "-journal")
			expect("no journal", false)
			expect("again", true)
		}

		// Beside another output it is written too.
		other := f("other-" + ending[1:] + ".geojson")
		args := []string{"--trees", filepath.Join(street, "trees.geojson"), "--pavement", paving, "--year", "2024", "--jitters", "0", "--since", out, "--out", other}
		if said := keptRun(t, args...); !strings.Contains(strings.Join(strings.Fields(said), " "), "were not read again") {
			t.Errorf("%s, another output: %s", ending, said)
		}
		x, _ := os.ReadFile(keptMapPath(out))
		y, _ := os.ReadFile(keptMapPath(other))
		if len(x) == 0 || !bytes.Equal(x, y) {
			t.Errorf("%s: %d and %d bytes are kept", ending, len(x), len(y))
		}

		// Damaged, or of another version, it is of no use, and the run says so.
		if err := os.WriteFile(keptMapPath(out), bytes.Replace(x, []byte(keptMapMagic), []byte(keptMapName+"9\n"), 1), 0o666); err != nil {
			t.Fatal(err)
		}
		if said, got := night(); got || !strings.Contains(said, "-kept-map.bin is of another version") {
			t.Errorf("%s: %s", ending, said)
		}
		if b, _ := os.ReadFile(keptMapPath(out)); !bytes.Equal(b, x) {
			t.Errorf("%s: it was not written anew", ending)
		}
		b := bytes.Clone(x)
		b[len(b)-60] ^= 4
		if err := os.WriteFile(keptMapPath(out), b, 0o666); err != nil {
			t.Fatal(err)
		}
		if said, got := night(); got || !strings.Contains(said, "-kept-map.bin is damaged, so the layers were read") {
			t.Errorf("%s: %s", ending, said)
		}
		if ending != ".shp" {
			continue
		}
		words := wordsOf(t, x)
		if m, _, why := openKeptMap(keptMapPath(out), words); m == nil {
			t.Fatal(why)
		}
		dice := rand.New(rand.NewPCG(1, 2))
		for k := range 1000 {
			b := bytes.Clone(x)
			switch {
			case k < 300:
				b = b[:dice.IntN(len(b))]
			case k == 300:
				b = append(b, 0)
			default:
				b[dice.IntN(len(b))] ^= 1 << dice.IntN(8)
			}
			at := f("damaged.bin")
			if err := os.WriteFile(at, b, 0o666); err != nil {
				t.Fatal(err)
			}
			if m, _, _ := openKeptMap(at, words); m != nil {
				t.Fatalf("damage %d passed", k)
			}
		}
	}
}

// wordsOf are the words at the head of a kept map.
func wordsOf(t *testing.T, b []byte) map[string]string {
	t.Helper()
	b = b[len(keptMapMagic):]
	words := map[string]string{}
	if err := json.Unmarshal(b[4:][:binary.LittleEndian.Uint32(b)], &words); err != nil || len(words) < 10 {
		t.Fatalf("%v, %v", words, err)
	}
	return words
}

// A layer that changes between its digest and its reading leaves no map behind.
func TestMapOfAChangingLayer(t *testing.T) {
	street, _ := filepath.Abs("../../fixtures/cli/street")
	dir := t.TempDir()
	paving, out := filepath.Join(dir, "paving.geojson"), filepath.Join(dir, "out.geojson")
	whole, err := os.ReadFile(filepath.Join(street, "paving.geojson"))
	if err != nil {
		t.Fatal(err)
	}
	for _, changes := range []bool{false, true} {
		if err := os.WriteFile(paving, whole, 0o666); err != nil {
			t.Fatal(err)
		}
		var o options
		args := []string{"--trees", filepath.Join(street, "trees.geojson"), "--pavement", paving, "--year", "2024", "--since", out, "--out", out}
		if err := parse(flagsOf(&o, "assess"), args, "assess", "", io.Discard); err != nil {
			t.Fatal(err)
		}
		if err := o.understand(); err != nil {
			t.Fatal(err)
		}
		a := &assessment{o: &o, inputs: o.digest(context.Background())}
		<-a.inputs.done
		if changes {
			if err := os.WriteFile(paving, append(slices.Clone(whole), '\n'), 0o666); err != nil {
				t.Fatal(err)
			}
		}
		if err := a.prepare(t.Context()); err != nil {
			t.Fatal(err)
		}
		if kept := a.reuseMap.new != nil; kept == changes {
			t.Errorf("changed: %v, kept: %v", changes, kept)
		}
		a.reuseMap.abort()
		a.in.source.Close()
	}
}

// What was met in a layer comes back whole, whatever it was.
func TestCensusIsKeptWhole(t *testing.T) {
	a := townAssessed(t)
	dice := rand.New(rand.NewPCG(3, 4))
	var c keptCensus
	fill(t, dice, reflect.ValueOf(&c).Elem())
	var back keptCensus
	b := censusCoding.put(nil, reflect.ValueOf(&c).Elem())
	if rest, err := censusCoding.get(b, reflect.ValueOf(&back).Elem()); err != nil || len(rest) > 0 || !reflect.DeepEqual(c, back) {
		t.Fatalf("%v: %+v, then %+v", err, c, back)
	}
	for _, was := range a.in.report.Layers {
		was.left("a thing", io.EOF)
		was.left("a thing", io.EOF)
		was.left("another", io.EOF)
		was.Strays, was.Empty, was.Crossing = 1, 2, 3
		k, ok := was.keep()
		is, err := k.count()
		if !ok || err != nil {
			t.Fatalf("%s: %v", was.File, err)
		}
		if systemName(is.system) != systemName(was.system) || is.system.Geographic() != was.system.Geographic() {
			t.Errorf("%s: %s, then %s", was.File, systemName(was.system), systemName(is.system))
		}
		is.system = was.system
		if !reflect.DeepEqual(is, was) {
			t.Errorf("%+v, then %+v", was, is)
		}
	}
	// A flag that is said not to count must be one.
	for _, name := range notOfMap {
		if a.o.flags.Lookup(name) == nil {
			t.Errorf("there is no flag --%s", name)
		}
	}
}
