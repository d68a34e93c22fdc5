package layer

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/paulmach/orb"

	"soilshed/geo/crs"
)

func contents(t testing.TB, folder string) map[string]string {
	t.Helper()
	all := map[string]string{}
	err := filepath.Walk(folder, func(p string, info os.FileInfo, err error) error {
		if err != nil || info.IsDir() {
			return err
		}
		b, err := os.ReadFile(p)
		rel, _ := filepath.Rel(folder, p)
		all[rel] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func same(a, b map[string]string) bool {
	if len(a) != len(b) {
		return false
	}
	for k, v := range a {
		if w, ok := b[k]; !ok || v != w {
			return false
		}
	}
	return true
}

// Whatever move fails, the older set stands as it was, and nothing else.
func TestSetMovesWholeOrNotAtAll(t *testing.T) {
	for step := 0; ; step++ {
		folder := t.TempDir()
		old := map[string]string{"a.shp": "old shp", "a.dbf": "old dbf", "a.qix": "old index", "other": "x"}
		for n, c := range old {
			os.WriteFile(filepath.Join(folder, n), []byte(c), 0o666)
		}
		set, err := newAside(filepath.Join(folder, "a.shp"))
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range []string{".shp", ".shx", ".dbf"} {
			if err := set.text(filepath.Join(folder, "a"+e), "new "+e); err != nil {
				t.Fatal(err)
			}
		}
		set.drop(filepath.Join(folder, "a.qix"))
		calls := 0
		broken := errors.New("no")
		var seen []map[string]string
		set.rename = func(from, to string) error {
			visible := map[string]string{}
			for n, c := range contents(t, folder) {
				if !strings.Contains(n, string(filepath.Separator)) {
					visible[n] = c
				}
			}
			seen = append(seen, visible)
			if calls++; calls == step+1 {
				return broken
			}
			return os.Rename(from, to)
		}
		err = set.commit()
		// The .shp that one sees on the way never stands beside foreign parts.
		for i, v := range seen {
			if shp, ok := v["a.shp"]; ok && strings.HasPrefix(shp, "new") && (v["a.dbf"] != "new .dbf" || v["a.shx"] != "new .shx") {
				t.Fatalf("step %d, move %d: a mixture: %v", step, i, v)
			} else if ok && !strings.HasPrefix(shp, "new") && v["a.dbf"] != "old dbf" {
				t.Fatalf("step %d, move %d: a mixture: %v", step, i, v)
			}
		}
		if err == nil {
			want := map[string]string{"a.shp": "new .shp", "a.shx": "new .shx", "a.dbf": "new .dbf", "other": "x"}
			if got := contents(t, folder); !same(got, want) {
				t.Fatalf("committed: %v", got)
			}
			if step < 5 {
				t.Fatalf("only %d moves were tried", step)
			}
			return
		}
		if !errors.Is(err, broken) {
			t.Fatal(err)
		}
		if got := contents(t, folder); !same(got, old) {
			t.Fatalf("move %d failed, and left %v", step, got)
		}
	}
}

// When not even the way back works, the older files are kept and named.
func TestSetKeepsWhatCannotGoBack(t *testing.T) {
	folder := t.TempDir()
	os.WriteFile(filepath.Join(folder, "a.shp"), []byte("old"), 0o666)
	set, _ := newAside(filepath.Join(folder, "a.shp"))
	set.text(filepath.Join(folder, "a.shp"), "new")
	set.text(filepath.Join(folder, "a.dbf"), "new")
	n := 0
	set.rename = func(from, to string) error {
		if n++; n > 1 {
			return errors.New("no")
		}
		return os.Rename(from, to)
	}
	err := set.commit()
	if err == nil || !strings.Contains(err.Error(), "kept in") {
		t.Fatal(err)
	}
	found := false
	for _, c := range contents(t, folder) {
		found = found || c == "old"
	}
	if !found {
		t.Error("the older file is lost")
	}
}

func TestSetSparesAFolderInItsWay(t *testing.T) {
	folder := t.TempDir()
	os.MkdirAll(filepath.Join(folder, "a.dbf", "x"), 0o777)
	os.WriteFile(filepath.Join(folder, "a.shp"), []byte("old"), 0o666)
	before := contents(t, folder)
	s, err := Create(filepath.Join(folder, "a.shp"), []Schema{{Name: "a", System: crs.WGS84(), Shape: Points}}, CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Commit(); err == nil || !strings.Contains(err.Error(), "is a folder") {
		t.Error(err)
	}
	if got := contents(t, folder); !same(got, before) {
		t.Error(got)
	}
	if _, err := os.Stat(filepath.Join(folder, "a.dbf", "x")); err != nil {
		t.Error(err)
	}
}

func TestAbortLeavesTheOldOutput(t *testing.T) {
	for _, name := range []string{"a.geojson", "a.shp", "a.parquet", "a.fgb"} {
		folder := t.TempDir()
		path := filepath.Join(folder, name)
		schemas := []Schema{{Name: "a", System: crs.WGS84(), Shape: Points}}
		write(t, path, schemas, CreateOptions{}, []Feature{{Geometry: orb.Point{1, 2}}})
		old := contents(t, folder)
		s, err := Create(path, schemas, CreateOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for range 10000 {
			if err := s.Write(0, Feature{Geometry: orb.Point{3, 4}}); err != nil {
				t.Fatal(err)
			}
		}
		visible := contents(t, folder)
		for n, c := range old {
			if visible[n] != c {
				t.Errorf("%s: %s is changed before commit", name, n)
			}
		}
		if err := s.Abort(); err != nil {
			t.Fatal(err)
		}
		if err := s.Abort(); err != nil {
			t.Fatal(err)
		}
		if err := s.Commit(); err == nil {
			t.Errorf("%s: committed after abort", name)
		}
		if got := contents(t, folder); !same(got, old) {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// A disk that is full, played by a device that always is.
func TestFullDiskIsAnError(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_RDWR, 0)
	if err != nil {
		t.Skip("there is no /dev/full here")
	}
	full.Close()
	for _, name := range []string{"a.geojson", "a.shp", "a.parquet", "a.fgb"} {
		folder := t.TempDir()
		path := filepath.Join(folder, name)
		schemas := []Schema{{Name: "a", System: crs.WGS84(), Shape: Points, Fields: []Field{{Name: "t"}}}}
		write(t, path, schemas, CreateOptions{}, []Feature{{Geometry: orb.Point{1, 2}, Values: []Value{String("old")}}})
		old := contents(t, folder)
		s, err := Create(path, schemas, CreateOptions{})
		if err != nil {
			t.Fatal(err)
		}
		device, err := os.OpenFile("/dev/full", os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		switch s := s.(type) {
		case *geojsonSink:
			s.layers[0].out.Reset(device)
		case *shapefileSink:
			s.layers[0].out.Reset(device)
		case *parquetSink:
			s.layers[0].file.Close()
			s.layers[0].file = device
		case *flatSink:
			s.layers[0].file.Close()
			s.layers[0].file = device
		}
		for range 50000 {
			if err = s.Write(0, Feature{Geometry: orb.Point{3, 4}, Values: []Value{String("new")}}); err != nil {
				break
			}
		}
		if err == nil {
			err = s.Commit()
		}
		if err == nil || !strings.Contains(err.Error(), "no space left") {
			t.Errorf("%s: %v", name, err)
		}
		if err := s.Commit(); err == nil {
			t.Errorf("%s: committed on a full disk", name)
		}
		s.Abort()
		device.Close()
		if got := contents(t, folder); !same(got, old) {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// What does not read back as it was given does not replace anything.
func TestShapefileIsReadBackBeforeItMoves(t *testing.T) {
	for what, spoil := range map[string]func(s *shapefileSink){
		"a coordinate": func(s *shapefileSink) { s.layers[0].check++ },
		"a record":     func(s *shapefileSink) { s.layers[0].n++ },
	} {
		folder := t.TempDir()
		s, err := Create(filepath.Join(folder, "a.shp"), []Schema{{Name: "a", System: crs.WGS84(), Shape: Points}}, CreateOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Write(0, Feature{Geometry: orb.Point{3, 4}}); err != nil {
			t.Fatal(err)
		}
		spoil(s.(*shapefileSink))
		if err := s.Commit(); err == nil || !strings.Contains(err.Error(), "reading back") {
			t.Errorf("%s: %v", what, err)
		}
		if got := names(t, folder); got != "" {
			t.Errorf("%s: %s", what, got)
		}
	}
}

// A kill in the midst of the move leaves no .shp; opening says where the older
// one is.
func TestKilledInTheMidst(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "a.shp")
	aside, err := os.MkdirTemp(folder, asideName(path))
	if err != nil {
		t.Fatal(err)
	}
	os.MkdirAll(filepath.Join(aside, "old"), 0o777)
	os.WriteFile(filepath.Join(aside, "old", "a.shp"), []byte("old"), 0o666)
	if _, err := Open(path, Options{}); err == nil || !strings.Contains(err.Error(), filepath.Join(aside, "old")) {
		t.Error(err)
	}
}

// When the disk does not confirm the last move, the new output stands all the
// same: an older single file is gone by then, and moving back would leave neither.
func TestUnconfirmedMoveKeepsTheNewOutput(t *testing.T) {
	for _, endings := range [][]string{{".gpkg"}, {".shp", ".shx", ".dbf"}} {
		folder := t.TempDir()
		for _, e := range endings {
			os.WriteFile(filepath.Join(folder, "a"+e), []byte("old"), 0o666)
		}
		set, err := newAside(filepath.Join(folder, "a"+endings[0]))
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range endings {
			if err := set.text(filepath.Join(folder, "a"+e), "new"); err != nil {
				t.Fatal(err)
			}
		}
		set.flushFolder = func(string) error { return errors.New("no") }
		if err := set.commit(); err == nil || !strings.Contains(err.Error(), "is written and in its place, but the disk does not confirm it: no") {
			t.Error(err)
		}
		now := contents(t, folder)
		for _, e := range endings {
			if now["a"+e] != "new" {
				t.Errorf("a%s is %q", e, now["a"+e])
			}
		}
		if len(now) != len(endings) {
			t.Errorf("left behind: %v", now)
		}
	}
}
