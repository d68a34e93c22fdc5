package layer

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/paulmach/orb"

	"soilshed/geo/crs"
)

func lowerLimits(t *testing.T, l limits) {
	was := limit
	limit = l
	t.Cleanup(func() { limit = was })
}

// A ring of too many corners, and a polygon of too many rings, are left out in
// every format with the limit, the place and what to do; the next record is good.
func TestRecordBeyondALimitIsLeftOutAndTheNextGood(t *testing.T) {
	ring := func(x float64, n int) orb.Ring {
		r := orb.Ring{{x, 0}, {x, 1}}
		for i := range n - 3 {
			r = append(r, orb.Point{x + 0.5, 1 - float64(i)/float64(n)})
		}
		return append(r, orb.Point{x, 0})
	}
	good := orb.Polygon{ring(0, 5)}
	long := orb.Polygon{ring(0, 60)}
	var many orb.MultiPolygon
	for i := range 12 {
		many = append(many, orb.Polygon{ring(float64(2*i), 5)})
	}
	dir := t.TempDir()
	schemas := []Schema{{Name: "hard", System: crs.WGS84(), Shape: Polygons, Fields: []Field{{Name: "id", Kind: Integer}}}}
	for _, ending := range []string{".geojson", ".shp", ".gpkg", ".fgb"} {
		path := filepath.Join(dir, "hard"+ending)
		sink, err := Create(path, schemas, CreateOptions{Changed: "2024-01-01T00:00:00.000Z"})
		noError(t, err)
		for i, g := range []orb.Geometry{long, many, good} {
			noError(t, sink.Write(0, Feature{Geometry: g, Values: []Value{Whole(int64(i))}}))
		}
		noError(t, sink.Commit())
	}
	small := limit
	small.corners, small.rings = 50, 10
	lowerLimits(t, small)
	for _, ending := range []string{".geojson", ".shp", ".gpkg", ".fgb"} {
		path := filepath.Join(dir, "hard"+ending)
		s, err := Open(path, Options{})
		noError(t, err)
		features, left := recordsOf(t, s)
		s.Close()
		if len(features) != 1 || len(left) != 2 {
			t.Fatalf("%s: %d good, left out: %v", ending, len(features), left)
		}
		for i, want := range []string{"a ring or line of 60 corners, where 50 are the limit: cut the polygon", "a geometry of more than 10 rings, lines or points, the limit: write its parts"} {
			at := int64(i + 1)
			if ending == ".fgb" { // along a curve, on which the good one lies between the others
				at = int64(2*i + 1)
			}
			e := left[i]
			if e.Reason != reasonLimit || e.Feature != at || e.File != path || !strings.Contains(e.Error(), want) {
				t.Errorf("%s: %v (%s)", ending, e, e.Reason)
			}
		}
	}
	for _, g := range []orb.Geometry{make(orb.MultiPoint, 11), orb.Collection{many, good}, orb.MultiLineString{make(orb.LineString, 51)}, make(orb.LineString, 51)} {
		if limit.fits(g) == nil {
			t.Errorf("%s passes", g.GeoJSONType())
		}
	}
	for _, g := range []orb.Geometry{nil, orb.Point{}, make(orb.MultiPoint, 10), orb.Collection{good, good}} {
		if err := limit.fits(g); err != nil {
			t.Error(err)
		}
	}
}

func TestEndlessRecordsAndManyColumnsOfACSV(t *testing.T) {
	dir := t.TempDir()
	small := limit
	small.csvLine = 20000
	lowerLimits(t, small)
	whole := "x,y,n\n" + strings.Repeat("1,2,a\n", 5000)
	s, err := Open(writeIn(t, dir, "a.csv", whole), Options{System: crs.WGS84()})
	noError(t, err)
	if features, left := recordsOf(t, s); len(features) != 5000 || len(left) != 0 {
		t.Errorf("%d records, left out %v", len(features), left)
	}
	for name, text := range map[string]string{
		"a quote not closed": "x,y,n\n1,2,\"a\n" + strings.Repeat("1,2,a\n", 50000),
		"no line's end":      "x,y,n\n1,2," + strings.Repeat("a", 300000),
	} {
		_, err := Open(writeIn(t, dir, "b.csv", text), Options{System: crs.WGS84()})
		if err == nil || !strings.Contains(err.Error(), "b.csv: ") || !strings.Contains(err.Error(), "a record of more than 20000 bytes, the limit") {
			t.Errorf("%s: %v", name, err)
		}
	}
	var names []string
	for i := range maxJSONFields + 1 {
		names = append(names, fmt.Sprint("n", i))
	}
	if _, err := Open(writeIn(t, dir, "c.csv", "x,y,"+strings.Join(names, ",")+"\n"), Options{}); err == nil || !strings.Contains(err.Error(), "has 2003 columns, where 2000 are the limit (keep the columns that are wanted)") {
		t.Error(err)
	}
}

// A bomb ends at the limit and leaves nothing in the folder for temporary files.
// What is packed under another folder's name is unpacked to our own.
func TestArchivesStayWithinTheirLimitsAndTheirFolder(t *testing.T) {
	dir, temp := t.TempDir(), t.TempDir()
	t.Setenv("TMPDIR", temp)
	put := func(b []byte) string {
		path := filepath.Join(dir, "a.zip")
		noError(t, os.WriteFile(path, b, 0o666))
		return path
	}
	small := limit
	small.zipFree, small.zipTimes = 1<<16, 20
	lowerLimits(t, small)
	content := "lon,lat\n" + strings.Repeat("1.000000,2.000000\n", 40000)
	bomb := put(zipOf(t, "a.csv", content))
	_, err := Open(bomb, Options{})
	if err == nil || !strings.Contains(err.Error(), "a.zip/a.csv: the archive unpacks to more than 65536 bytes, the limit for one of ") || !strings.Contains(err.Error(), "Unpack it yourself") {
		t.Error(err)
	}
	for _, name := range []string{"../../a.csv", "/tmp/x/a.csv", `..\..\a.csv`, "C:/a.csv", "x/../../a.csv"} {
		s, err := Open(put(zipOf(t, name, "lon,lat\n1,2\n")), Options{})
		if err != nil {
			continue // the standard library may refuse such a name itself
		}
		inner := s.(*zipSource).inner
		if rel, err := filepath.Rel(temp, inner); err != nil || strings.HasPrefix(rel, "..") {
			t.Errorf("%s is unpacked to %s", name, inner)
		}
		if features, _ := recordsOf(t, s); len(features) != 1 {
			t.Errorf("%s: %d records", name, len(features))
		}
		noError(t, s.Close())
	}
	limit.zipFiles = 0
	if _, err := Open(bomb, Options{}); err == nil || !strings.Contains(err.Error(), "holds 1 files, where 0 are the limit") {
		t.Error(err)
	}
	if es, _ := os.ReadDir(temp); len(es) != 0 {
		t.Errorf("left behind: %v", es)
	}
	for _, d := range []string{dir, filepath.Dir(dir)} {
		if _, err := os.Stat(filepath.Join(d, "a.csv")); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("an archive wrote to %s", d)
		}
	}
}
