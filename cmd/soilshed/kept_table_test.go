package main

import (
	"bytes"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"testing"
)

// What is kept of an output's trees is what reading the output finds, in all that
// is compared: of the town, with all its columns, in both systems of units.
func TestKeptTableIsTheOutput(t *testing.T) {
	t.Setenv("SOURCE_DATE_EPOCH", "1714530000")
	town, _ := filepath.Abs("../../fixtures/town")
	f := func(name string) string { return filepath.Join(town, name) }
	for _, units := range []string{"si", "us"} {
		dir := t.TempDir()
		out := filepath.Join(dir, "town.gpkg")
		args := []string{"--trees", f("trees.geojson"), "--pavement", f("roads.geojson"), "--field", "dbh=DIAM:in", "--field", "removed=REMOVED", "--year", "2024",
			"--jitters", "0", "--units", units, "--since", out, "--out", out}
		keptRun(t, args...)
		begin := func() (*assessment, func()) {
			var o options
			if err := parse(flagsOf(&o, "assess"), args, "assess", "", io.Discard); err != nil {
				t.Fatal(err)
			}
			if err := o.understand(); err != nil {
				t.Fatal(err)
			}
			a := &assessment{o: &o, inputs: o.digest(t.Context())}
			if err := a.prepare(t.Context()); err != nil {
				t.Fatal(err)
			}
			if err := a.beginReuse(t.Context()); err != nil {
				t.Fatal(err)
			}
			return a, func() { a.reuse.abort(); a.in.source.Close() }
		}
		a, end := begin()
		was, err := a.readOlder(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		columns := append(columnNames(comparedColumns(units == "us")), was.own...)
		if a.reuse.keptOf(was) == nil {
			t.Fatalf("%s: what was kept is not known as that of the output (%s)", units, a.reuse.why)
		}
		conv, _, err := a.in.plane.From(a.in.system)
		if err != nil {
			t.Fatal(err)
		}
		again := &older{takes: was.takes, own: was.own}
		again.clear()
		if !again.readKept(t.Context(), a.reuse.old, columns, conv) || len(again.ids) != len(was.ids) || len(again.ids) < 500 {
			t.Fatalf("%s: %d trees", units, len(again.ids))
		}
		if k := a.reuse.old; again.readKept(t.Context(), k, append(columns, "more"), conv) || again.readKept(t.Context(), k, columns[1:], conv) {
			t.Errorf("%s: read for other columns", units)
		}
		// The same run, which does not know it as the output's.
		old := a.reuse.old
		a.reuse.old = nil
		read, err := a.readOlder(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		// NaN is no number's equal.
		for name, list := range was.numbers {
			if len(list) != len(read.numbers[name]) {
				t.Fatalf("%s, %s: %d and %d numbers", units, name, len(list), len(read.numbers[name]))
			}
			for i, x := range list {
				if y := read.numbers[name][i]; x != y && (x == x || y == y) {
					t.Fatalf("%s, %s of tree %s: %v kept, %v read", units, name, was.ids[i], x, y)
				}
			}
		}
		if len(was.numbers) < 15 || len(was.numbers) != len(read.numbers) {
			t.Errorf("%s: %d and %d columns", units, len(was.numbers), len(read.numbers))
		}
		was.numbers, read.numbers = nil, nil
		texts := func(b *older, of map[string][]uint32) map[string][]string {
			list := map[string][]string{}
			for name, at := range of {
				for _, n := range at {
					list[name] = append(list[name], b.text.list[n])
				}
			}
			return list
		}
		if !reflect.DeepEqual(texts(was, was.words), texts(read, read.words)) || !reflect.DeepEqual(texts(was, was.columns), texts(read, read.columns)) {
			t.Errorf("%s: other texts", units)
		}
		for _, b := range []*older{was, read} {
			b.words, b.columns, b.text.list = nil, nil, nil
		}
		if !reflect.DeepEqual(was, read) {
			t.Errorf("%s: %+v kept, %+v read", units, was, read)
		}

		// Damaged, it is of no use, and does no harm.
		whole := make([]byte, old.tableBytes)
		if _, err := old.file.ReadAt(whole, old.tableAt); err != nil {
			t.Fatal(err)
		}
		dice := rand.New(rand.NewPCG(1, 2))
		for k := range 300 {
			b := bytes.Clone(whole)
			if k%2 == 0 {
				b = b[:dice.IntN(len(b))]
			} else {
				b[dice.IntN(min(len(b), 1<<dice.IntN(24)+1))] ^= 1 << dice.IntN(8)
			}
			at := filepath.Join(dir, "damaged")
			if err := os.WriteFile(at, b, 0o666); err != nil {
				t.Fatal(err)
			}
			file, err := os.Open(at)
			if err != nil {
				t.Fatal(err)
			}
			x := &older{takes: was.takes, own: was.own}
			x.clear()
			if ok := x.readKept(t.Context(), &kept{file: file, tableBytes: int64(len(b))}, columns, conv); ok && k%2 == 0 {
				t.Errorf("%s: %d of %d bytes were enough", units, len(b), len(whole))
			}
			file.Close()
		}
		a.reuse.old = old
		end()
	}
}
