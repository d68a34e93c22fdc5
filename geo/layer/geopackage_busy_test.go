package layer

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"zombiezen.com/go/sqlite"
)

func as[T error](err error, target *T) bool { return errors.As(err, target) }

func commitTown(t *testing.T, path string, n int) error {
	t.Helper()
	schemas, o := gpkgTown(t)
	sink, err := createGeoPackage(path, schemas, o)
	must(t, err)
	for i, f := range townFeatures(n) {
		must(t, sink.Write(i%2, f))
	}
	return sink.Commit()
}

func rowsOf(t *testing.T, path string) int {
	t.Helper()
	features, _ := readAll(t, openTestGPKG(t, path, Options{Layer: "trees", Columns: []string{}}))
	return len(features)
}

// The old file is replaced when nobody has it open, and never otherwise: then
// it is as it was, and the new one lies beside it.
func TestGeoPackageReplacement(t *testing.T) {
	for _, c := range []struct {
		name string
		use  func(t *testing.T, path string)
		why  string // "" when the old file may go
	}{
		{"no old file", nil, ""},
		{"old file", func(t *testing.T, path string) { writeTown(t, path, 5) }, ""},
		{"no database", func(t *testing.T, path string) { must(t, os.WriteFile(path, []byte("notes"), 0o600)) }, ""},
		{"closed in WAL mode", func(t *testing.T, path string) {
			writeTown(t, path, 5)
			editGPKG(t, path, "PRAGMA journal_mode=WAL")
		}, ""},
		{"open, but at rest", func(t *testing.T, path string) {
			writeTown(t, path, 5)
			conn, err := sqlite.OpenConn(path, sqlite.OpenReadWrite)
			must(t, err)
			t.Cleanup(func() { conn.Close() })
			text(t, conn, "SELECT count(*) FROM trees")
		}, ""},
		{"open in WAL mode", func(t *testing.T, path string) {
			writeTown(t, path, 5)
			conn, err := sqlite.OpenConn(path, sqlite.OpenReadWrite)
			must(t, err)
			t.Cleanup(func() { conn.Close() })
			must(t, run(conn, "PRAGMA journal_mode=WAL"))
			must(t, run(conn, "INSERT INTO changes VALUES (9, 'x')"))
		}, "a write-ahead log (old.gpkg-wal) lies beside it"},
		{"being written", func(t *testing.T, path string) {
			writeTown(t, path, 5)
			conn, err := sqlite.OpenConn(path, sqlite.OpenReadWrite)
			must(t, err)
			t.Cleanup(func() { conn.Close() })
			must(t, run(conn, "BEGIN IMMEDIATE"))
			must(t, run(conn, "INSERT INTO changes VALUES (9, 'x')"))
		}, "a journal (old.gpkg-journal) lies beside it"},
		{"being read", func(t *testing.T, path string) {
			writeTown(t, path, 5)
			conn, err := sqlite.OpenConn(path, sqlite.OpenReadOnly)
			must(t, err)
			t.Cleanup(func() { conn.Close() })
			must(t, run(conn, "BEGIN"))
			text(t, conn, "SELECT count(*) FROM trees")
		}, "it is locked by another program"},
		{"log of a file that is gone", func(t *testing.T, path string) {
			must(t, os.WriteFile(path+"-wal", []byte("x"), 0o600))
		}, "a write-ahead log (old.gpkg-wal) lies beside it"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, "old.gpkg")
			if c.use != nil {
				c.use(t, path)
			}
			before, _ := os.ReadFile(path)
			err := commitTown(t, path, 7)
			if c.why == "" {
				must(t, err)
				if n := rowsOf(t, path); n != 7 {
					t.Errorf("%d rows", n)
				}
			} else {
				kept := filepath.Join(dir, "old_new.gpkg")
				var busy *BusyError
				if !as(err, &busy) || busy.Path != path || busy.Kept != kept || !strings.HasPrefix(busy.Why, c.why) {
					t.Fatalf("%v", err)
				}
				if n := rowsOf(t, kept); n != 7 {
					t.Errorf("%d rows kept", n)
				}
				if after, _ := os.ReadFile(path); string(after) != string(before) {
					t.Error("the old file changed")
				}
			}
			if hidden, _ := filepath.Glob(filepath.Join(dir, ".*")); len(hidden) > 0 {
				t.Errorf("left behind: %v", hidden)
			}
		})
	}
}

func TestGeoPackageBothInUse(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "old.gpkg")
	for _, n := range []string{"old.gpkg-wal", "old_new.gpkg-wal"} {
		must(t, os.WriteFile(filepath.Join(dir, n), nil, 0o600))
	}
	var busy *BusyError
	if err := commitTown(t, path, 1); !as(err, &busy) || filepath.Base(busy.Kept) != "old_new2.gpkg" {
		t.Error(err)
	}
}

func TestGeoPackageAbort(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "old.gpkg")
	writeTown(t, path, 5)
	before, err := os.ReadFile(path)
	must(t, err)
	schemas, o := gpkgTown(t)
	sink, err := createGeoPackage(path, schemas, o)
	must(t, err)
	for _, f := range townFeatures(40)[:20] {
		if len(f.Values) == 5 {
			must(t, sink.Write(0, f))
		}
	}
	must(t, sink.Abort())
	must(t, sink.Abort())
	if after, _ := os.ReadFile(path); string(after) != string(before) {
		t.Error("the old file changed")
	}
	if all, _ := os.ReadDir(dir); len(all) != 1 {
		t.Errorf("left behind: %v", all)
	}
}
