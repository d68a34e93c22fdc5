package layer

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/paulmach/orb"

	"soilshed/geo/crs"
)

// lonlat turns a geometry into longitude and latitude.
func lonlat(t testing.TB, sys *crs.System, g orb.Geometry) orb.Geometry {
	t.Helper()
	turn := func(p orb.Point) orb.Point {
		lon, lat, err := sys.ToLonLat(p[0], p[1])
		if err != nil {
			t.Fatal(err)
		}
		return orb.Point{lon, lat}
	}
	switch g := g.(type) {
	case nil:
		return nil
	case orb.Point:
		return turn(g)
	case orb.MultiPoint:
		if len(g) == 1 {
			return turn(g[0])
		}
	case orb.Polygon, orb.MultiPolygon:
		m, _ := PolygonsOf(g)
		var out orb.MultiPolygon
		for _, p := range m {
			var q orb.Polygon
			for _, r := range p {
				var s orb.Ring
				for _, v := range r {
					s = append(s, turn(v))
				}
				q = append(q, s)
			}
			out = append(out, q)
		}
		return out
	}
	t.Fatalf("a %T", g)
	return nil
}

// alike tells whether two geometries have the same rings, in any order and
// wound either way, up to a rounding.
func alike(a, b orb.Geometry, tolerance float64) string {
	if a == nil || b == nil {
		if a == nil && b == nil {
			return ""
		}
		return "one is nil"
	}
	if p, ok := a.(orb.Point); ok {
		q, _ := b.(orb.Point)
		if math.Abs(p[0]-q[0]) <= tolerance && math.Abs(p[1]-q[1]) <= tolerance {
			return ""
		}
		return fmt.Sprintf("%v and %v", p, q)
	}
	m, _ := PolygonsOf(a)
	n, _ := PolygonsOf(b)
	if len(m) != len(n) {
		return fmt.Sprintf("%d and %d polygons", len(m), len(n))
	}
	if len(m) == 0 {
		return fmt.Sprintf("%T and %T", a, b)
	}
	for i := range m {
		if len(m[i]) != len(n[i]) {
			return fmt.Sprintf("polygon %d: %d and %d rings", i, len(m[i]), len(n[i]))
		}
		for k := range m[i] {
			x, y := math.Abs(clockwiseArea(m[i][k])), math.Abs(clockwiseArea(n[i][k]))
			if math.Abs(x-y) > 1e-3*y || len(m[i][k]) != len(n[i][k]) {
				return fmt.Sprintf("polygon %d, ring %d: areas %g and %g", i, k, x, y)
			}
			p, q := m[i][k].Bound(), n[i][k].Bound()
			for _, d := range []float64{p.Min[0] - q.Min[0], p.Min[1] - q.Min[1], p.Max[0] - q.Max[0], p.Max[1] - q.Max[1]} {
				if math.Abs(d) > tolerance {
					return fmt.Sprintf("polygon %d, ring %d: extents %v and %v", i, k, p, q)
				}
			}
		}
	}
	return ""
}

// The shapefiles that GDAL made of a GeoJSON file say the same as that file.
func TestShapefilesMadeByGDAL(t *testing.T) {
	const folder = "../../fixtures/layers"
	for _, source := range []string{"trees", "pavement"} {
		_, want := mustRead(t, filepath.Join(folder, source+".geojson"), Options{})
		paths, _ := filepath.Glob(filepath.Join(folder, source+"-*.shp"))
		if len(paths) < 3 {
			t.Fatal(paths)
		}
		for _, path := range paths {
			s, got := mustRead(t, path, Options{})
			if len(got) != len(want) || s.Schema().System == nil {
				t.Errorf("%s: %d features", path, len(got))
				continue
			}
			for i := range got {
				if d := alike(lonlat(t, s.Schema().System, got[i].Geometry), want[i].Geometry, 2e-9); d != "" {
					t.Errorf("%s, feature %d: %s", path, i+1, d)
				}
				// An empty text and none are the same in a .dbf.
				words := strings.ReplaceAll(fmt.Sprintf("%q", texts(want[i])), `""`, `"null"`)
				if g := fmt.Sprintf("%q", texts(got[i])); g != words {
					t.Errorf("%s, feature %d: %s, want %s", path, i+1, g, words)
				}
			}
			for _, n := range s.Notes() {
				if strings.Contains(n, "longer") || strings.Contains(n, "wound") && !strings.Contains(path, "polygonz") {
					t.Errorf("%s: %s", path, n)
				}
			}
		}
	}
}

// GDAL opens what we write without a word, and finds in it what we put there.
func TestOutputsOpenInGDAL(t *testing.T) {
	ogrinfo := gdalTool(t, "ogrinfo")
	for _, c := range []struct{ name, code, want string }{
		{"city.geojson", "EPSG:4326", `ID["EPSG",4326]`},
		{"city.geojsonl", "EPSG:4326", `ID["EPSG",4326]`},
		{"city.geojson", "EPSG:2263", `ID["EPSG",2263]`},
		{"city.shp", "EPSG:2263", `ID["EPSG",2263]`},
		{"city.shp", "EPSG:26910", `ID["EPSG",26910]`},
		{"city.shp", "EPSG:4326", `ID["EPSG",4326]`},
	} {
		at, size := orb.Point{987654.5, 200000}, 10.0
		if c.code == "EPSG:4326" {
			at, size = orb.Point{-71.123456, 42.5}, 1e-4
		}
		sys := system(t, c.code)
		path := filepath.Join(t.TempDir(), c.name)
		rows := sampleRows(at, size)
		write(t, path, twoLayers(sys), CreateOptions{Metadata: "Confirm on site."}, rows...)
		trees := gdal(t, ogrinfo, "-ro", "-al", path)
		for _, want := range []string{"Feature Count: 3", c.want, "soil_m3: Real", "Geometry: Point", "12.5", "Ü-1 \"x\"", "2001", "-123456789012"} {
			if !strings.Contains(trees, want) {
				t.Errorf("%s in %s: ogrinfo does not say %q:\n%s", c.name, c.code, want, trees)
			}
		}
		if n := strings.Count(trees, "POINT ("); n != 2 {
			t.Errorf("%s: %d points", c.name, n)
		}
		open := gdal(t, ogrinfo, "-ro", "-al", layerPath(path, twoLayers(sys), 1))
		for _, want := range []string{"Feature Count: 2", "POLYGON ((", "1234.5", c.want} {
			if !strings.Contains(open, want) {
				t.Errorf("%s in %s: ogrinfo does not say %q:\n%s", c.name, c.code, want, open)
			}
		}
		if !regexp.MustCompile(`MULTIPOLYGON \(\(\(.*\)\),\(\(.*\),\(.*\)\)\)`).MatchString(open) {
			t.Errorf("%s: the hole is lost:\n%s", c.name, open)
		}
		gdal(t, ogrinfo, "-ro", "-al", filepath.Join(filepath.Dir(path), "city-species.csv"))
	}
}

// What GDAL makes of a layer, in each of its forms, is read as the layer was;
// and GDAL makes of a shapefile of ours what it makes of our GeoJSON.
func TestFormsMadeByGDAL(t *testing.T) {
	ogr2ogr := gdalTool(t, "ogr2ogr")
	const folder = "../../fixtures/layers"
	for _, source := range []string{"trees", "pavement"} {
		from := filepath.Join(folder, source+".geojson")
		_, want := mustRead(t, from, Options{})
		for _, c := range []struct {
			name string
			args []string
		}{
			{"a.geojson", []string{"-lco", "RFC7946=YES", "-lco", "COORDINATE_PRECISION=12"}},
			{"b.geojson", []string{"-t_srs", "EPSG:2263", "-lco", "COORDINATE_PRECISION=6"}},
			{"c.geojsonl", []string{"-f", "GeoJSONSeq", "-mapFieldType", "Date=String", "-lco", "COORDINATE_PRECISION=12"}},
			{"d.geojsons", []string{"-f", "GeoJSONSeq", "-mapFieldType", "Date=String", "-lco", "RS=YES", "-lco", "COORDINATE_PRECISION=12"}},
			{"e.shp", []string{"-t_srs", "EPSG:32118", "-dim", "XY"}},
			{"f.shp", []string{"-t_srs", "EPSG:3857", "-dim", "XYZM"}},
			{"g.shp", []string{"-t_srs", "EPSG:26918", "-dim", "XYM"}},
			{"h.gpkg", []string{"-t_srs", "EPSG:2263"}},
		} {
			path := filepath.Join(t.TempDir(), c.name)
			// The .dbf's own encoding cannot hold all letters, which GDAL says.
			if strings.HasSuffix(c.name, ".shp") {
				c.args = append(c.args, "-lco", "ENCODING=UTF-8")
			}
			gdal(t, ogr2ogr, append(c.args, path, from)...)
			s, got := mustRead(t, path, Options{})
			if len(got) != len(want) {
				t.Errorf("%s of %s: %d features, want %d", c.name, source, len(got), len(want))
				continue
			}
			for i := range got {
				if d := alike(lonlat(t, s.Schema().System, got[i].Geometry), want[i].Geometry, 1e-8); d != "" {
					t.Errorf("%s of %s, feature %d: %s", c.name, source, i+1, d)
				}
			}
		}
	}
	// A shapefile of ours, turned into GeoJSON by GDAL.
	path := filepath.Join(t.TempDir(), "city.shp")
	sys := system(t, "EPSG:26910")
	rows := sampleRows(orb.Point{487654.5, 5456000}, 10)
	write(t, path, twoLayers(sys), CreateOptions{}, rows...)
	for i := range 2 {
		back := filepath.Join(t.TempDir(), "back.geojson")
		gdal(t, ogr2ogr, "-lco", "COORDINATE_PRECISION=9", back, layerPath(path, twoLayers(sys), i))
		s, got := mustRead(t, back, Options{})
		if !s.Schema().System.Same(sys) || len(got) != len(rows[i]) {
			t.Fatalf("layer %d: %d features in %s", i, len(got), s.Schema().System.Name())
		}
		for k := range got {
			if d := alike(got[k].Geometry, rows[i][k].Geometry, 1e-6); d != "" {
				t.Errorf("layer %d, feature %d: %s", i, k+1, d)
			}
		}
	}
}

// A town of size for the benchmarks: n trees and n polygons of forty corners.
func benchTown(b *testing.B, name string, n int, polygons bool) string {
	b.Helper()
	path := filepath.Join(b.TempDir(), name)
	schema := Schema{Name: "town", System: crs.WGS84(), Shape: Points, Fields: []Field{{Name: "id", Kind: Integer}, {Name: "species"}, {Name: "dbh", Kind: Real}}}
	if polygons {
		schema.Shape = Polygons
	}
	s, err := Create(path, []Schema{schema}, CreateOptions{Changed: "2024-05-06T00:00:00.000Z"})
	if err != nil {
		b.Fatal(err)
	}
	if err := fillTown(s, n, polygons); err != nil {
		b.Fatal(err)
	}
	if err := s.Commit(); err != nil {
		b.Fatal(err)
	}
	return path
}

func fillTown(s Sink, n int, polygons bool) error {
	species := []Value{String("Acer platanoides"), String("Tilia cordata"), String("Quercus rubra")}
	values := make([]Value, 3)
	ring := make(orb.Ring, 41)
	for i := range n {
		x, y := -71+float64(i%1000)*1e-4, 42+float64(i/1000)*1e-4
		values[0], values[1], values[2] = Whole(int64(i)), species[i%3], Number(float64(i%997)/8)
		var g orb.Geometry = orb.Point{x, y}
		if polygons {
			for k := range ring {
				sin, cos := math.Sincos(-2 * math.Pi * float64(k%40) / 40)
				ring[k] = orb.Point{x + 4e-5*cos, y + 4e-5*sin}
			}
			g = orb.Polygon{ring}
		}
		if err := s.Write(0, Feature{FID: int64(i + 1), Geometry: g, Values: values}); err != nil {
			return err
		}
	}
	return nil
}

var formats = []string{"town.geojson", "town.shp", "town.gpkg", "town.parquet", "town.fgb"}

// go test -run '^$' -bench Read ./geo/layer
func BenchmarkRead(b *testing.B) {
	const n = 20000
	for _, polygons := range []bool{false, true} {
		for _, name := range formats {
			kind := map[bool]string{false: "points", true: "polygons"}[polygons]
			b.Run(kind+"/"+strings.TrimPrefix(filepath.Ext(name), "."), func(b *testing.B) {
				path := benchTown(b, name, n, polygons)
				info, err := os.Stat(path)
				if err != nil {
					b.Fatal(err)
				}
				b.SetBytes(info.Size())
				b.ReportAllocs()
				o := Options{}
				if polygons {
					o.Columns = []string{}
				}
				for b.Loop() {
					s, err := Open(path, o)
					if err != nil {
						b.Fatal(err)
					}
					k := 0
					for _, err := range s.Features() {
						if err != nil {
							b.Fatal(err)
						}
						k++
					}
					if k != n {
						b.Fatal(k)
					}
					s.Close()
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/feature")
			})
		}
	}
}

// go test -run '^$' -bench Write ./geo/layer
func BenchmarkWrite(b *testing.B) {
	const n = 20000
	for _, polygons := range []bool{false, true} {
		for _, name := range formats {
			kind := map[bool]string{false: "points", true: "polygons"}[polygons]
			b.Run(kind+"/"+strings.TrimPrefix(filepath.Ext(name), "."), func(b *testing.B) {
				for b.Loop() {
					benchTown(b, name, n, polygons)
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/feature")
			})
		}
	}
}

func BenchmarkNumber(b *testing.B) {
	text := []byte("-71.14234576]")
	for b.Loop() {
		c := jsonCursor{b: text}
		if _, err := c.number(); err != nil {
			b.Fatal(err)
		}
	}
}
