package layer

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"zombiezen.com/go/sqlite"
)

func asFault[T error](err error, target *T) bool { return errors.As(err, target) }

func commitTown(t *testing.T, path string, n int) error {
	t.Helper()
	schemas, o := gpkgTown(t)
	sink, err := createGeoPackage(path, schemas, o)
	noError(t, err)
	for i, f := range townFeatures(n) {
		noError(t, sink.Write(i%2, f))
	}
	return sink.Commit()
}

func rowsOf(t *testing.T, path string) int {
	t.Helper()
	features, _ := recordsOf(t, openTestGPKG(t, path, Options{Layer: "trees", Columns: []string{}}))
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
		{"no database", func(t *testing.T, path string) { noError(t, os.WriteFile(path, []byte("notes"), 0o600)) }, ""},
		{"closed in WAL mode", func(t *testing.T, path string) {
			writeTown(t, path, 5)
			editGPKG(t, path, "PRAGMA journal_mode=WAL")
		}, ""},
		{"open, but at rest", func(t *testing.T, path string) {
			writeTown(t, path, 5)
			conn, err := sqlite.OpenConn(path, sqlite.OpenReadWrite)
			noError(t, err)
			t.Cleanup(func() { conn.Close() })
			cellOf(t, conn, "SELECT count(*) FROM trees")
		}, ""},
		{"open in WAL mode", func(t *testing.T, path string) {
			writeTown(t, path, 5)
			conn, err := sqlite.OpenConn(path, sqlite.OpenReadWrite)
			noError(t, err)
			t.Cleanup(func() { conn.Close() })
			noError(t, run(conn, "PRAGMA journal_mode=WAL"))
			noError(t, run(conn, "INSERT INTO changes VALUES (9, 'x')"))
		}, "a write-ahead log (old.gpkg-wal) lies beside it"},
		{"being written", func(t *testing.T, path string) {
			writeTown(t, path, 5)
			conn, err := sqlite.OpenConn(path, sqlite.OpenReadWrite)
			noError(t, err)
			t.Cleanup(func() { conn.Close() })
			noError(t, run(conn, "BEGIN IMMEDIATE"))
			noError(t, run(conn, "INSERT INTO changes VALUES (9, 'x')"))
		}, "a journal (old.gpkg-journal) lies beside it"},
		{"being read", func(t *testing.T, path string) {
			writeTown(t, path, 5)
			conn, err := sqlite.OpenConn(path, sqlite.OpenReadOnly)
			noError(t, err)
			t.Cleanup(func() { conn.Close() })
			noError(t, run(conn, "BEGIN"))
			cellOf(t, conn, "SELECT count(*) FROM trees")
		}, "it is locked by another program"},
		{"log of a file that is gone", func(t *testing.T, path string) {
			noError(t, os.WriteFile(path+"-wal", []byte("x"), 0o600))
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
				noError(t, err)
				if n := rowsOf(t, path); n != 7 {
					t.Errorf("%d rows", n)
				}
			} else {
				kept := filepath.Join(dir, "old_new.gpkg")
				var busy *BusyError
				if !asFault(err, &busy) || busy.Path != path || busy.Kept != kept || !strings.HasPrefix(busy.Why, c.why) {
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
		noError(t, os.WriteFile(filepath.Join(dir, n), nil, 0o600))
	}
	var busy *BusyError
	if err := commitTown(t, path, 1); !asFault(err, &busy) || filepath.Base(busy.Kept) != "old_new2.gpkg" {
		t.Error(err)
	}
}

func TestGeoPackageAbort(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "old.gpkg")
	writeTown(t, path, 5)
	before, err := os.ReadFile(path)
	noError(t, err)
	schemas, o := gpkgTown(t)
	sink, err := createGeoPackage(path, schemas, o)
	noError(t, err)
	for _, f := range townFeatures(40)[:20] {
		if len(f.Values) == 5 {
			noError(t, sink.Write(0, f))
		}
	}
	noError(t, sink.Abort())
	noError(t, sink.Abort())
	if after, _ := os.ReadFile(path); string(after) != string(before) {
		t.Error("the old file changed")
	}
	if all, _ := os.ReadDir(dir); len(all) != 1 {
		t.Errorf("left behind: %v", all)
	}
}
