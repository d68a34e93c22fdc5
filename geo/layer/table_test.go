package layer

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/paulmach/orb"
)

func TestTableStandsWholeOrNotAtAll(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "list.csv")
	if err := WriteFile(path, []byte("older\n")); err != nil {
		t.Fatal(err)
	}
	s := Schema{Name: "list", Shape: Points, Fields: []Field{{Name: "tree_id"}, {Name: "hours", Kind: Real, Unit: "h"}}}
	open := func() *Table {
		t.Helper()
		x, err := CreateTable(path, s)
		if err != nil {
			t.Fatal(err)
		}
		if err := x.Write(Feature{Values: []Value{String("=cmd()"), Number(1.25)}}); err != nil {
			t.Fatal(err)
		}
		return x
	}
	read := func() string {
		t.Helper()
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	x := open()
	if err := x.Write(Feature{Values: []Value{String("short")}}); err == nil {
		t.Error("a record of one value for two fields is taken")
	}
	if got := read(); got != "older\n" {
		t.Errorf("before Commit: %q", got)
	}
	if err := x.Abort(); err != nil || read() != "older\n" {
		t.Errorf("Abort: %v, %q", err, read())
	}
	x = open()
	// A table has no place for a geometry, whatever it is.
	if err := x.Write(Feature{Geometry: orb.LineString{}, Values: []Value{{}, Number(2)}}); err != nil {
		t.Error(err)
	}
	if err := x.Commit(); err != nil {
		t.Fatal(err)
	}
	if got := read(); got != "tree_id,hours\n'=cmd(),1.25\n,2\n" {
		t.Errorf("%q", got)
	}
	if err := x.Abort(); err != nil || x.Commit() == nil {
		t.Error("a closed table can be closed again")
	}
	left, _ := os.ReadDir(dir)
	if len(left) != 1 {
		t.Errorf("left behind: %v", left)
	}
	_, err := CreateTable(filepath.Join(dir, "no", "list.csv"), s)
	if err == nil || !strings.Contains(err.Error(), "cannot be written") {
		t.Errorf("a missing folder: %v", err)
	}
	for out, want := range map[string]string{"a/b.gpkg": "a/b-water.csv", "b.geojson.gz": "b-water.csv", "b.v2.shp": "b.v2-water.csv"} {
		if got := TablePath(out, "water"); got != want {
			t.Errorf("TablePath(%q) = %q, want %q", out, got, want)
		}
	}
}
