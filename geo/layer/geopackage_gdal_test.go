package layer

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"zombiezen.com/go/sqlite"
)

// gdalTool returns the path of a program of GDAL's, or skips the test; under CI it
// has to be there.
func gdalTool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is not installed (Debian: gdal-bin, python3-gdal)", name)
		}
		t.Skipf("%s is not installed (Debian: gdal-bin, python3-gdal); GDAL's word on the file is not asked", name)
	}
	return path
}

// gdal runs a program and fails on anything that it has to complain of.
func gdal(t *testing.T, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	var out, complaints strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &complaints
	if err := cmd.Run(); err != nil || complaints.Len() > 0 {
		t.Fatalf("%s %s: %v\n%s%s", name, strings.Join(args, " "), err, out.String(), complaints.String())
	}
	return out.String()
}

// GDAL opens what is written without a word, its validator passes it, its
// spatial filter finds what is there, and it can edit the layer with the index
// kept in step.
func TestGeoPackageGDAL(t *testing.T) {
	ogrinfo, ogr2ogr := gdalTool(t, "ogrinfo"), gdalTool(t, "ogr2ogr")
	dir := t.TempDir()
	path := filepath.Join(dir, "town.gpkg")
	const n = 3000
	writeTown(t, path, n)
	script, err := filepath.Abs("../../scripts/check-geopackage")
	noError(t, err)
	gdal(t, script, path)

	summary := gdal(t, ogrinfo, "-ro", "-al", "-so", path)
	for _, part := range []string{
		"Geometry: Point", "Geometry: Multi Polygon", "Geometry: None", "Feature Count: 3000", `ID["EPSG",32617]`,
		"FID Column = fid", "Geometry Column = geom", "DESCRIPTION=Confirm on site.", "IDENTIFIER=Street trees", "reach 12 x DBH",
		"dbh_cm: Real (0.0)", "mates: Integer64 (0.0)", "snapped: Integer(Boolean) (0.0)", "planted: Date (0.0)",
	} {
		if !strings.Contains(summary, part) {
			t.Errorf("ogrinfo does not say %q:\n%s", part, summary)
		}
	}

	window := orb.Bound{Min: orb.Point{500500, 4800500}, Max: orb.Point{501500, 4801200}}
	inside := 0
	for i, f := range townFeatures(n) {
		if i%2 == 0 && window.Contains(f.Geometry.(orb.Point)) {
			inside++
		}
	}
	found := gdal(t, ogrinfo, "-ro", "-so", "-spat", "500500", "4800500", "501500", "4801200", path, "trees")
	if want := "Feature Count: " + Whole(int64(inside)).Text() + "\n"; !strings.Contains(found, want) {
		t.Errorf("in the window ogrinfo finds\n%s\nand not %s", found, want)
	}

	gdal(t, ogrinfo, path, "-sql", "DELETE FROM trees WHERE fid % 3 = 0")
	gdal(t, ogrinfo, path, "-sql", "UPDATE trees SET fid = fid + 100000 WHERE fid % 3 = 1")
	gdal(t, ogrinfo, path, "-sql", "UPDATE openings SET geom = NULL WHERE fid <= 500")
	second := filepath.Join(dir, "second.gpkg")
	writeTown(t, second, 400)
	gdal(t, ogr2ogr, "-append", path, second, "trees", "openings")
	gdal(t, script, path)
	for _, table := range []string{"trees", "openings"} {
		checkIndex(t, path, table)
	}
	conn, err := sqlite.OpenConn(path, sqlite.OpenReadOnly)
	noError(t, err)
	defer conn.Close()
	if got := cellOf(t, conn, "SELECT group_concat(n) FROM (SELECT count(*) AS n FROM rtree_trees_geom UNION ALL SELECT count(*) FROM trees UNION ALL SELECT count(*) FROM rtree_openings_geom)"); got != "2400,2400,2900" {
		t.Errorf("rows and cells after editing: %s", got)
	}
}

// What GDAL writes is read: its types, heights dropped, several geometries a
// layer, both ways of naming a coordinate system.
func TestGeoPackageFromGDAL(t *testing.T) {
	ogr2ogr := gdalTool(t, "ogr2ogr")
	dir := t.TempDir()
	source := filepath.Join(dir, "in.geojson")
	noError(t, os.WriteFile(source, []byte(`{"type":"FeatureCollection","features":[
		{"type":"Feature","properties":{"n":1,"x":0.5,"s":"Ahorn größer","day":"2001-04-12","ok":true},"geometry":{"type":"Point","coordinates":[1,2,3]}},
		{"type":"Feature","properties":{"n":null},"geometry":{"type":"Polygon","coordinates":[[[0,0,1],[4,0,1],[4,4,1],[0,0,1]],[[1,0.5,1],[2,0.5,1],[2,1,1],[1,0.5,1]]]}},
		{"type":"Feature","properties":{},"geometry":{"type":"GeometryCollection","geometries":[{"type":"Point","coordinates":[1,1]},{"type":"MultiPolygon","coordinates":[[[[0,0],[1,0],[1,1],[0,0]]]]}]}},
		{"type":"Feature","properties":{"n":4},"geometry":null}]}`), 0o600))
	for _, c := range []struct{ version, crs string }{{"1.0", "EPSG:32617"}, {"1.2", "EPSG:3857"}, {"1.3", "EPSG:4326"}} {
		path := filepath.Join(dir, "v"+c.version+".gpkg")
		gdal(t, ogr2ogr, "-dsco", "VERSION="+c.version, "-a_srs", c.crs, "-nln", "in", path, source)
		s := openTestGPKG(t, path, Options{})
		if got := "EPSG:" + Whole(int64(s.Schema().System.EPSG())).Text(); got != c.crs {
			t.Errorf("%s: %s", c.version, got)
		}
		var kinds []string
		for _, f := range s.Schema().Fields {
			kinds = append(kinds, f.Name+" "+gpkgColumnType(f.Kind))
		}
		if got := strings.Join(kinds, ","); got != "n INTEGER,x REAL,s TEXT,day DATE,ok BOOLEAN" {
			t.Errorf("%s: %s", c.version, got)
		}
		features, left := recordsOf(t, s)
		if len(features) != 4 || len(left) != 0 || len(s.Notes()) != 0 {
			t.Fatalf("%s: %v %v %v", c.version, features, left, s.Notes())
		}
		for i, want := range []orb.Geometry{
			orb.Point{1, 2},
			orb.Polygon{{{0, 0}, {4, 0}, {4, 4}, {0, 0}}, {{1, 0.5}, {2, 0.5}, {2, 1}, {1, 0.5}}},
			orb.Collection{orb.Point{1, 1}, orb.MultiPolygon{{{{0, 0}, {1, 0}, {1, 1}, {0, 0}}}}},
			nil,
		} {
			if got := features[i].Geometry; (got == nil) != (want == nil) || want != nil && !orb.Equal(got, want) {
				t.Errorf("%s: geometry %d: %v", c.version, i, got)
			}
		}
		var cells []string
		for _, v := range features[0].Values {
			cells = append(cells, v.Text())
		}
		if got := strings.Join(cells, "|"); got != "1|0.5|Ahorn größer|2001-04-12|true" {
			t.Errorf("%s: %s", c.version, got)
		}
	}
}
