package layer

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/paulmach/orb"

	"soilshed/geo/crs"
)

// noMoreThan makes every write beyond so many bytes of a file fail, as on a full
// disk, until the end of the function that do is.
func noMoreThan(t *testing.T, bytes uint64, do func()) {
	t.Helper()
	signal.Ignore(syscall.SIGXFSZ) // the call fails, and the process goes on
	defer signal.Reset(syscall.SIGXFSZ)
	var was syscall.Rlimit
	noError(t, syscall.Getrlimit(syscall.RLIMIT_FSIZE, &was))
	noError(t, syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: bytes, Max: was.Max}))
	defer syscall.Setrlimit(syscall.RLIMIT_FSIZE, &was)
	do()
}

// Whatever is written, wherever it cannot go on: the older output stands, nothing
// else is left, and the error says that writing failed and of which file.
func TestWritersWithoutRoom(t *testing.T) {
	if os.Getenv("SOILSHED_WITHOUT_ROOM") == "" { // the limit would hold for what the testing itself writes, too
		c := exec.Command(os.Args[0], "-test.run", "^TestWritersWithoutRoom$", "-test.v")
		c.Env = append(os.Environ(), "SOILSHED_WITHOUT_ROOM=1")
		said, err := c.CombinedOutput()
		if err != nil || !bytes.Contains(said, []byte("81 times without room")) {
			t.Fatalf("%v\n%s", err, said)
		}
		return
	}
	utm, err := crs.Lookup("EPSG:32617")
	noError(t, err)
	schemas := []Schema{
		{Name: "trees", System: utm, Shape: Points, Fields: []Field{{Name: "tree_id", Kind: Text}, {Name: "dbh_cm", Kind: Real}}},
		{Name: "openings", System: utm, Shape: Polygons, Fields: []Field{{Name: "tree_id", Kind: Text}}},
		{Name: "changes", Fields: []Field{{Name: "what", Kind: Text}}},
	}
	layers := func(path string, n int) error {
		sink, err := Create(path, schemas, CreateOptions{Changed: testChanged, Metadata: "text", Styles: []Style{{Layer: 0, Name: "s", QML: "<qgis>" + strings.Repeat("x", 5000) + "</qgis>", SLD: "<s/>"}}})
		if err != nil {
			return err
		}
		defer sink.Abort()
		for i := range n {
			x, y := 500000+float64(i), 4700000+float64(i%7)
			for k, g := range []orb.Geometry{orb.Point{x, y}, orb.Polygon{{{x, y}, {x + 1, y}, {x + 1, y + 1}, {x, y}}}, nil} {
				f := Feature{FID: int64(i + 1), Geometry: g, Values: []Value{String(fmt.Sprint("tree ", i))}}
				if k == 0 {
					f.Values = append(f.Values, Number(float64(i)))
				}
				if err := sink.Write(k, f); err != nil {
					return err
				}
			}
		}
		return sink.Commit()
	}
	long := strings.Repeat("0123456789\n", 20000)
	writers := map[string]func(path string, n int) error{
		"a.gpkg": layers, "a.geojson": layers, "a.geojson.gz": layers, "a.shp": layers, "a.parquet": layers, "a.fgb": layers,
		"a.csv": func(path string, n int) error {
			table, err := CreateTable(path, schemas[2])
			if err != nil {
				return err
			}
			defer table.Abort()
			for i := range n {
				if err := table.Write(Feature{FID: 1, Values: []Value{String(fmt.Sprint("=", i, long[:100]))}}); err != nil {
					return err
				}
			}
			return table.Commit()
		},
		"a.html": func(path string, n int) error { return WriteFile(path, []byte(long[:n*10])) },
		"a.bin": func(path string, n int) error {
			f, err := CreateFile(path)
			if err != nil {
				return err
			}
			defer f.Abort()
			if _, err := f.WriteString(long[:n*10]); err != nil {
				return writing(path, err)
			}
			return f.Commit()
		},
	}
	noMoreThan(t, 1<<10, func() {
		if _, err := Spool(strings.NewReader(strings.Repeat("x", 1<<12)), "csv"); err == nil || !strings.Contains(err.Error(), "standard input: reading: ") || !strings.Contains(err.Error(), "TMPDIR names another") {
			t.Errorf("no room: %v", err)
		}
	})
	tried := 0
	for name, write := range writers {
		dir := t.TempDir()
		path := filepath.Join(dir, name)
		noError(t, write(path, 3))
		old := contents(t, dir)
		scratch := filepath.Join(t.TempDir(), name)
		noError(t, write(scratch, 9000))
		most := 0
		for _, c := range contents(t, filepath.Dir(scratch)) {
			most = max(most, len(c))
		}
		for _, share := range []float64{0, 0.001, 0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99} {
			var err error
			noMoreThan(t, uint64(share*float64(most)), func() { err = write(path, 9000) })
			if err == nil {
				t.Errorf("%s: %.3f of the room were enough", name, share)
			} else if !errors.Is(err, ErrWriting) || !strings.Contains(err.Error(), "cannot be written") || !strings.Contains(err.Error(), dir) {
				t.Errorf("%s, %.3f of the room: %v", name, share, err)
			}
			if now := contents(t, dir); !same(now, old) {
				t.Errorf("%s, %.3f of the room: the folder has changed: %v", name, share, listed(now))
			}
			tried++
		}
		if err := write(path, 3); err != nil || !same(contents(t, dir), old) {
			t.Errorf("%s: afterwards: %v", name, err)
		}
	}
	t.Logf("%d times without room", tried)
}

func listed(files map[string]string) (names []string) {
	for n := range files {
		names = append(names, n)
	}
	return names
}

// What comes by standard input is kept whole or not at all, and named as what it is.
func TestSpool(t *testing.T) {
	temp := t.TempDir()
	t.Setenv("TMPDIR", temp)
	gpkg := filepath.Join(t.TempDir(), "a.gpkg")
	writeTown(t, gpkg, 4)
	bytesOf := func(path string) string {
		b, err := os.ReadFile(path)
		noError(t, err)
		return string(b)
	}
	for _, c := range []struct {
		name, form, text string
		records          int
		want             string
	}{
		{"GeoJSON by its bytes", "", `{"type":"Point","coordinates":[1,2]}`, 1, ""},
		{"CSV by its bytes", "", "lon,lat\n1,2\n3,4\n", 2, ""},
		{"lines of GeoJSON, told", "geojsonl", "{\"type\":\"Feature\",\"properties\":{},\"geometry\":null}\n", 1, ""},
		{"GeoPackage by its bytes", "", bytesOf(gpkg), 4, ""},
		{"FlatGeobuf by its bytes", "", bytesOf("../../fixtures/layers/trees-pointz-ftus.fgb"), 3, ""},
		{"archive by its bytes", "", string(zipOf(t, "a.csv", "lon,lat\n1,2\n")), 1, ""},
		{"nothing", "", "", 0, "standard input: is empty (did the program before it in the pipe fail?)"},
		{"unknown form", "dwg", "x", 0, `standard input: the form "dwg" is not known (one of geojson, `},
		{"one part of a shapefile", "", bytesOf("../../fixtures/layers/trees-pointz-ftus.shp"), 0, "standard input: is one part of a shapefile (pack its files"},
		{"not what was told", "gpkg", "lon,lat\n1,2\n", 0, "standard input"},
	} {
		s, err := Spool(strings.NewReader(c.text), c.form)
		records := 0
		if err == nil {
			var src Source
			if src, err = Open("-", Options{Spooled: s, Layer: map[bool]string{true: "trees"}[strings.HasPrefix(c.text, "SQLite")]}); err == nil {
				for f, e := range src.Features() {
					if _ = f; e != nil {
						t.Errorf("%s: %v", c.name, e)
					}
					records++
				}
				noError(t, src.Close())
			}
			if s.Bytes != int64(len(c.text)) || len(s.SHA256) != 64 {
				t.Errorf("%s: %d bytes, %s", c.name, s.Bytes, s.SHA256)
			}
			noError(t, s.Close())
		}
		if records != c.records || (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) || err != nil && strings.Contains(err.Error(), temp) {
			t.Errorf("%s: %d records, %v", c.name, records, err)
		}
	}
	if _, err := Spool(faulty{}, ""); err == nil || !errors.Is(err, syscall.EIO) {
		t.Errorf("a pipe that breaks: %v", err)
	}
	if left, err := os.ReadDir(temp); err != nil || len(left) != 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// faulty is a pipe that breaks.
type faulty struct{}

func (faulty) Read([]byte) (int, error) { return 0, syscall.EIO }
