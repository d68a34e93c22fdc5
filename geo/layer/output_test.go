package layer

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	shp "github.com/jonas-p/go-shp"
	"github.com/paulmach/orb"
	"github.com/paulmach/orb/planar"
	"github.com/twpayne/go-geom"
	geomjson "github.com/twpayne/go-geom/encoding/geojson"

	"soilshed/geo/crs"
)

func system(t testing.TB, code string) *crs.System {
	t.Helper()
	s, err := crs.Lookup(code)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// twoLayers are schemas as a run writes them, and a table.
func twoLayers(sys *crs.System) []Schema {
	return []Schema{
		{Name: "trees", Title: "Trees", Abstract: "Ranked.", System: sys, Shape: Points, Fields: []Field{
			{Name: "tree_id"}, {Name: "count", Kind: Integer}, {Name: "soil_m3", Kind: Real, Unit: "m3", Doc: "Available soil volume"},
			{Name: "fail_yr", Kind: Real}, {Name: "street", Kind: Boolean}, {Name: "planted", Kind: Date}}},
		{Name: "openings", System: sys, Shape: Polygons, Fields: []Field{{Name: "tree_id"}, {Name: "share_m2", Kind: Real, Unit: "m2"}}},
		{Name: "species", Fields: []Field{{Name: "name"}, {Name: "n", Kind: Integer}}},
	}
}

func write(t testing.TB, path string, schemas []Schema, o CreateOptions, rows ...[]Feature) Sink {
	t.Helper()
	s, err := Create(path, schemas, o)
	if err != nil {
		t.Fatal(err)
	}
	for i, fs := range rows {
		for _, f := range fs {
			if err := s.Write(i, f); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := s.Commit(); err != nil {
		t.Fatal(err)
	}
	if err := s.Abort(); err != nil {
		t.Fatal(err)
	}
	return s
}

var null Value

func sampleRows(at orb.Point, size float64) [][]Feature {
	square := func(x, y, w float64) orb.Ring {
		x, y, w = at[0]+x*size, at[1]+y*size, w*size
		return orb.Ring{{x, y}, {x + w, y}, {x + w, y + w}, {x, y + w}, {x, y}}
	}
	return [][]Feature{
		{
			{FID: 1, Geometry: at, Values: []Value{String("Ü-1 \"x\"\n🌳"), Whole(7), Number(12.5), Number(1.25e-9), Truth(true), Day("2001-04-12")}},
			{FID: 2, Geometry: nil, Values: []Value{null, null, null, null, null, null}},
			{FID: 3, Geometry: orb.Point{at[0] + size, at[1]}, Values: []Value{String("3"), Whole(-123456789012), Number(0), Number(0.1), Truth(false), Day("1999-12-31")}},
		},
		{
			{FID: 1, Geometry: orb.Polygon{square(0, 0, 9), square(1, 1, 2)}, Values: []Value{String("1"), Number(1234.5)}}, // hole wound like its shell
			{FID: 2, Geometry: orb.MultiPolygon{{square(20, 0, 1)}, {square(30, 0, 5), square(31, 1, 1)}}, Values: []Value{String("3"), Number(7)}},
		},
		{
			{FID: 1, Values: []Value{String("=SUM(A1)"), Whole(3)}},
			{FID: 2, Values: []Value{String("Acer, \"red\""), null}},
		},
	}
}

func names(t testing.TB, folder string) string {
	t.Helper()
	es, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, e := range es {
		all = append(all, e.Name())
	}
	return strings.Join(all, " ")
}

func TestRoundTrip(t *testing.T) {
	for _, c := range []struct {
		name, code string
		at         orb.Point
		size       float64
		tolerance  float64
		files      string
	}{
		{"city.geojson", "EPSG:4326", orb.Point{-71.12345678, 42.5}, 1e-4, 1e-8, "city-openings.geojson city-species.csv city.geojson"},
		{"city.geojson.gz", "EPSG:4326", orb.Point{179.99, -42.5}, 1e-4, 1e-8, "city-openings.geojson.gz city-species.csv city.geojson.gz"},
		{"city.geojsonl", "EPSG:4326", orb.Point{-71.12345678, 42.5}, 1e-4, 1e-8, "city-openings.geojsonl city-species.csv city.geojsonl"},
		{"city.geojson", "EPSG:2263", orb.Point{987654.3211, 200000}, 10, 1e-3, "city-openings.geojson city-species.csv city.geojson"},
		{"city.shp", "EPSG:2263", orb.Point{987654.32109876, 200000}, 10, 0,
			"city-openings.cpg city-openings.dbf city-openings.prj city-openings.shp city-openings.shx city-readme.txt city-species.csv city.cpg city.dbf city.prj city.shp city.shx"},
		{"city.parquet", "EPSG:2263", orb.Point{987654.32109876, 200000}, 10, 0, "city-openings.parquet city-species.csv city.parquet"},
		{"city.geoparquet", "EPSG:4326", orb.Point{-71.12345678, 42.5}, 1e-4, 0, "city-openings.geoparquet city-species.csv city.geoparquet"},
		{"city.fgb", "EPSG:2263", orb.Point{987654.32109876, 200000}, 10, 0, "city-openings.fgb city-species.csv city.fgb"},
		{"city.fgb", "EPSG:4326", orb.Point{-71.12345678, 42.5}, 1e-4, 0, "city-openings.fgb city-species.csv city.fgb"},
	} {
		t.Run(c.name, func(t *testing.T) {
			sys := system(t, c.code)
			path := filepath.Join(t.TempDir(), c.name)
			rows := sampleRows(c.at, c.size)
			write(t, path, twoLayers(sys), CreateOptions{Changed: "2024-05-06T00:00:00.000Z"}, rows...)
			if got := names(t, filepath.Dir(path)); got != c.files {
				t.Errorf("files %s\nwant  %s", got, c.files)
			}
			s, all := mustRead(t, path, Options{})
			if !s.Schema().System.Same(sys) || len(all) != 3 {
				t.Fatalf("%d features in %s", len(all), s.Schema().System.Name())
			}
			// Along a curve in FlatGeobuf; else as they were written.
			inOrder := func(got, rows []Feature) {
				if strings.HasSuffix(c.name, ".fgb") {
					place := func(f Feature) int {
						return slices.IndexFunc(rows, func(r Feature) bool { return r.Values[0].Text() == f.Values[0].Text() })
					}
					slices.SortFunc(got, func(a, b Feature) int { return place(a) - place(b) })
				}
			}
			inOrder(all, rows[0])
			for i, f := range all {
				if got, want := fmt.Sprintf("%q", texts(f)), fmt.Sprintf("%q", texts(rows[0][i])); got != want {
					t.Errorf("row %d: %s\nwant  %s", i+1, got, want)
				}
				if !near(f.Geometry, rows[0][i].Geometry, c.tolerance) {
					t.Errorf("row %d: %v, want %v", i+1, f.Geometry, rows[0][i].Geometry)
				}
			}
			for i, f := range s.Schema().Fields {
				want := rows[0][0].Values[i].Kind()
				if strings.HasPrefix(c.name, "city.geojson") && want == Date {
					want = Text
				}
				if f.Kind != want {
					t.Errorf("field %s is of kind %d, want %d", f.Name, f.Kind, want)
				}
			}
			_, open := mustRead(t, layerPath(path, twoLayers(sys), 1), Options{})
			if len(open) != 2 {
				t.Fatalf("%d openings", len(open))
			}
			inOrder(open, rows[1])
			clockwise := strings.HasSuffix(c.name, ".shp")
			for i, f := range open {
				got, _ := PolygonsOf(f.Geometry)
				want, _ := PolygonsOf(rows[1][i].Geometry)
				if len(got) != len(want) {
					t.Fatalf("opening %d: %d polygons, want %d", i, len(got), len(want))
				}
				for j := range got {
					for k := range got[j] {
						a, b := clockwiseArea(got[j][k]), math.Abs(clockwiseArea(want[j][k]))
						if k > 0 == clockwise {
							a = -a
						}
						if math.Abs(a-b) > 1e-3*b {
							t.Errorf("opening %d, ring %d: area %g, want %g", i, k, a, b)
						}
					}
				}
			}
			b, _ := os.ReadFile(filepath.Join(filepath.Dir(path), "city-species.csv"))
			if string(b) != "name,n\n'=SUM(A1),3\n\"Acer, \"\"red\"\"\",\n" {
				t.Errorf("table: %q", b)
			}
			// The same input gives the same bytes.
			again := filepath.Join(t.TempDir(), c.name)
			write(t, again, twoLayers(sys), CreateOptions{Changed: "2024-05-06T00:00:00.000Z"}, rows...)
			for _, n := range strings.Fields(c.files) {
				a, _ := os.ReadFile(filepath.Join(filepath.Dir(path), n))
				b, _ := os.ReadFile(filepath.Join(filepath.Dir(again), n))
				if string(a) != string(b) || len(a) == 0 {
					t.Errorf("%s differs from run to run", n)
				}
			}
		})
	}
}

func near(a, b orb.Geometry, tolerance float64) bool {
	if a == nil || b == nil {
		return a == nil && b == nil
	}
	p, q := a.(orb.Point), b.(orb.Point)
	return math.Abs(p[0]-q[0]) <= tolerance && math.Abs(p[1]-q[1]) <= tolerance
}

// What we write as GeoJSON is held against another reader, go-geom's, and against
// the words of RFC 7946.
func TestGeoJSONOutputIsRFC7946(t *testing.T) {
	path := filepath.Join(t.TempDir(), "city.geojson")
	write(t, path, twoLayers(crs.WGS84()), CreateOptions{Metadata: "Confirm on site.\n</script>"}, sampleRows(orb.Point{-71.123456789, 42.5}, 1e-4)...)
	b, err := os.ReadFile(filepath.Join(filepath.Dir(path), "city-openings.geojson"))
	if err != nil {
		t.Fatal(err)
	}
	var c geomjson.FeatureCollection
	if err := json.Unmarshal(b, &c); err != nil {
		t.Fatal(err)
	}
	if len(c.Features) != 2 || c.BBox == nil {
		t.Fatalf("%d features, bbox %v", len(c.Features), c.BBox)
	}
	for i, f := range c.Features {
		var polygons []*geom.Polygon
		switch g := f.Geometry.(type) {
		case *geom.Polygon:
			polygons = append(polygons, g)
		case *geom.MultiPolygon:
			for k := range g.NumPolygons() {
				polygons = append(polygons, g.Polygon(k))
			}
		}
		for _, p := range polygons {
			for k := range p.NumLinearRings() {
				r := p.LinearRing(k)
				// go-geom sums (y1-y0)(x1+x0): positive when counter-clockwise.
				if clockwise := r.Area() < 0; clockwise != (k > 0) {
					t.Errorf("feature %d: ring %d runs the wrong way", i, k)
				}
				if n := r.NumCoords(); n < 4 || !r.Coord(0).Equal(geom.XY, r.Coord(n-1)) {
					t.Errorf("feature %d: ring %d is open", i, k)
				}
			}
		}
	}
	b, _ = os.ReadFile(path)
	var top map[string]json.RawMessage
	if err := json.Unmarshal(b, &top); err != nil {
		t.Fatal(err)
	}
	if top["crs"] != nil {
		t.Error("a crs member, which RFC 7946 has done away with")
	}
	if got := string(top["bbox"]); got != "[-71.12345679,42.5,-71.12335679,42.5]" {
		t.Errorf("bbox %s", got)
	}
	for _, m := range []string{"name", "title", "description", "metadata", "fields"} {
		if top[m] == nil {
			t.Errorf("no member %s", m)
		}
	}
}

// Rounding moves a point by less than a millimetre: a degree of latitude is
// 111.7 km at most (at the poles; EPSG guidance note 7-2, WGS 84 ellipsoid).
func TestGeoJSONRounding(t *testing.T) {
	if err := 0.5 * math.Pow(10, -degreeDecimals) * 111700 * math.Sqrt2; err >= 1e-3 {
		t.Errorf("%g m", err)
	}
	rnd := rand.New(rand.NewPCG(3, 4))
	for range 100000 {
		v := (rnd.Float64() - 0.5) * 360
		text := string(appendCoordinate(nil, v, degreeDecimals))
		var got float64
		if err := json.Unmarshal([]byte(text), &got); err != nil {
			t.Fatalf("%v: %s: %v", v, text, err)
		}
		if math.Abs(got-v) > 0.5000001e-8 {
			t.Fatalf("%v is written as %s", v, text)
		}
		// What has been rounded once stays as it is.
		if again := string(appendCoordinate(nil, got, degreeDecimals)); again != text {
			t.Fatalf("%s is written as %s", text, again)
		}
	}
	for v, want := range map[float64]string{0: "0", math.Copysign(0, -1): "0", -1e-9: "0", 0.1: "0.1", -0.5: "-0.5", 12: "12", -71.14234576: "-71.14234576", 179.999999999: "180", 1e-8: "0.00000001", 5e15: "5000000000000000"} {
		if got := string(appendCoordinate(nil, v, degreeDecimals)); got != want {
			t.Errorf("%v is written as %s, want %s", v, got, want)
		}
	}
}

func TestNumbersAsText(t *testing.T) {
	for _, c := range []struct {
		v    float64
		unit string
		want string
	}{
		{0.1 + 0.2, "", "0.3"}, {12.5, "", "12.5"}, {3, "", "3"}, {1.25e-9, "", "1.25e-09"}, {456789.123456, "", "456789.123456"}, {1e21, "", "1e+21"},
		{12.3456, "m3", "12.35"}, {12, "m3", "12"}, {0.001, "m2", "0"}, {-0.001, "m2", "0"}, {12.3456, "m", "12.346"}, {99.96, "%", "100"}, {math.Copysign(0, -1), "", "0"},
	} {
		if got := string(appendNumber(nil, c.v, digits(Field{Unit: c.unit}))); got != c.want {
			t.Errorf("%v %s: %s, want %s", c.v, c.unit, got, c.want)
		}
	}
}

// The shapefile is held against another reader, go-shp.
func TestShapefileThroughGoShp(t *testing.T) {
	path := filepath.Join(t.TempDir(), "CITY.SHP")
	rows := sampleRows(orb.Point{500000, 4700000}, 1)
	write(t, path, twoLayers(system(t, "EPSG:26910")), CreateOptions{Changed: "2024-05-06T07:08:09.000Z"}, rows...)
	if got := names(t, filepath.Dir(path)); !strings.HasPrefix(got, "CITY-openings.CPG CITY-openings.DBF") {
		t.Errorf("files %s", got)
	}
	folder := filepath.Dir(path)
	sf, err := os.Open(filepath.Join(folder, "CITY-openings.SHP"))
	if err != nil {
		t.Fatal(err)
	}
	df, err := os.Open(filepath.Join(folder, "CITY-openings.DBF"))
	if err != nil {
		t.Fatal(err)
	}
	r := shp.SequentialReaderFromExt(sf, df)
	defer r.Close()
	for i := range 2 {
		if !r.Next() {
			t.Fatal(r.Err())
		}
		_, shape := r.Shape()
		p := shape.(*shp.Polygon)
		if want := []int32{2, 3}[i]; p.NumParts != want {
			t.Errorf("shape %d: %d parts, want %d", i, p.NumParts, want)
		}
		if p.Box != shp.BBoxFromPoints(p.Points) {
			t.Errorf("shape %d: box %v", i, p.Box)
		}
		if got := r.Attribute(0); got != rows[1][i].Values[0].Text() {
			t.Errorf("shape %d: %q", i, got)
		}
	}
	if r.Next() || r.Err() != nil {
		t.Error("more than two shapes", r.Err())
	}
	b, _ := os.ReadFile(filepath.Join(folder, "CITY.DBF"))
	if b[1] != 124 || b[2] != 5 || b[3] != 6 {
		t.Errorf("date %v", b[1:4])
	}
	if b, _ := os.ReadFile(filepath.Join(folder, "CITY.CPG")); string(b) != "UTF-8" {
		t.Errorf(".cpg %q", b)
	}
	text, _ := os.ReadFile(filepath.Join(folder, "CITY-readme.txt"))
	if !strings.Contains(string(text), "Available soil volume") {
		t.Errorf("readme %s", text)
	}
}

// A ring of two corners is left out, with its holes if it is a shell; the rings
// behind it stay.
func TestShapefileLeavesOutNoGoodRing(t *testing.T) {
	square := func(x, w float64) orb.Ring {
		return orb.Ring{{x, x}, {x, x + w}, {x + w, x + w}, {x + w, x}, {x, x}}
	}
	thin := orb.Ring{{1, 1}, {2, 1}}
	path := filepath.Join(t.TempDir(), "a.shp")
	write(t, path, []Schema{{Name: "a", System: system(t, "EPSG:26910"), Shape: Polygons, Fields: []Field{{Name: "n", Kind: Integer}}}}, CreateOptions{}, []Feature{
		{FID: 1, Geometry: orb.Polygon{square(0, 20), thin, square(5, 2)}, Values: []Value{Whole(1)}},
		{FID: 2, Geometry: orb.MultiPolygon{{thin, square(5, 2)}, {square(30, 20), square(32, 2)}}, Values: []Value{Whole(2)}},
	})
	_, all := mustRead(t, path, Options{})
	for i, want := range []float64{20*20 - 2*2, 20*20 - 2*2} {
		if got := planar.Area(all[i].Geometry); got != want {
			t.Errorf("record %d is %g m2, want %g: %v", i+1, got, want, all[i].Geometry)
		}
	}
}

func TestDBFNames(t *testing.T) {
	fields := func(names ...string) (all []Field) {
		for _, n := range names {
			all = append(all, Field{Name: n})
		}
		return all
	}
	got := dbfNames(fields("LAST_EDITED_DATE", "LAST_EDITED_USER", "LAST_EDITE", "soil_m3", "SOIL_M3", "", "Straßenname", "日本語の名前です", "a\nb", " x", "x", strings.Repeat("y", 300)))
	want := []string{"LAST_EDI_1", "LAST_EDI_2", "LAST_EDITE", "soil_m3", "SOIL_M3_1", "field", "Straßenna", "日本語", "a_b", "x_1", "x", "yyyyyyyyyy"}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%q\nwant %q", got, want)
	}
	var many []Field
	for i := range 255 {
		many = append(many, Field{Name: fmt.Sprintf("a rather long name %d", i)})
	}
	seen := map[string]bool{}
	for _, n := range dbfNames(many) {
		if seen[strings.ToUpper(n)] || len(n) > 10 || !utf8.ValidString(n) {
			t.Fatalf("%q", n)
		}
		seen[strings.ToUpper(n)] = true
	}
}

func TestShapefileCutsTextAndSaysSo(t *testing.T) {
	long := strings.Repeat("ä", 200) // 400 bytes
	path := filepath.Join(t.TempDir(), "a.shp")
	s := write(t, path, []Schema{{Name: "a", System: crs.WGS84(), Shape: Points, Fields: []Field{{Name: "a_very_long_name"}, {Name: "big", Kind: Integer}, {Name: "r", Kind: Real}}}}, CreateOptions{},
		[]Feature{
			{FID: 1, Geometry: orb.Point{1, 2}, Values: []Value{String(long), Whole(math.MaxInt64), Number(math.NaN())}},
			{FID: 2, Geometry: orb.Point{1, 2}, Values: []Value{String("x"), Whole(1), Number(123456789.123)}},
		})
	_, all := mustRead(t, path, Options{})
	if got := all[0].Values[0].Text(); got != strings.Repeat("ä", 127) {
		t.Errorf("%q", got)
	}
	if got := all[0].Values[1].Text(); got != "9223372036854775807" {
		t.Errorf("%q", got)
	}
	if !all[0].Values[2].Null() || all[1].Values[2].Text() != "123456789.123" {
		t.Errorf("%q %q", texts(all[0]), texts(all[1]))
	}
	notes := strings.Join(s.(interface{ Notes() []string }).Notes(), "; ")
	for _, want := range []string{"1 field needs a shorter name (ten bytes are the most): a_very_long_name is a_very_lon", "1 text of field a_very_long_name cut to 254 bytes", "1 number is not finite"} {
		if !strings.Contains(notes, want) {
			t.Errorf("%q is not in %q", want, notes)
		}
	}
	readme, _ := os.ReadFile(strings.TrimSuffix(path, ".shp") + "-readme.txt")
	if !strings.Contains(string(readme), "a_very_lon  called a_very_long_name in full") {
		t.Errorf("%s", readme)
	}
}

// Any mixture of values in a column comes back as the texts that were given.
func TestDBFMixedColumns(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 6))
	makers := []func() Value{
		func() Value { return null },
		func() Value { return Whole(int64(rnd.Uint64() >> rnd.IntN(64))) },
		func() Value { return Whole(-int64(rnd.Uint64() >> (1 + rnd.IntN(63)))) },
		func() Value { return Number(float64(rnd.IntN(1e6)) / 64) },
		func() Value { return Number(math.Float64frombits(rnd.Uint64() &^ (1 << 62))) },
		func() Value { return Truth(rnd.IntN(2) == 0) },
		func() Value {
			return Day(fmt.Sprintf("%04d-%02d-%02d", 1+rnd.IntN(9999), 1+rnd.IntN(12), 1+rnd.IntN(28)))
		},
		func() Value { return String(strings.Repeat("é", rnd.IntN(30)) + "x") },
	}
	for round := range 60 {
		schema := Schema{Name: "a", System: crs.WGS84(), Shape: Points}
		var use [][]func() Value
		for range 6 {
			schema.Fields = append(schema.Fields, Field{Name: fmt.Sprintf("f%d", len(schema.Fields)), Kind: Kind(rnd.IntN(5))})
			a, b := rnd.IntN(len(makers)), rnd.IntN(len(makers))
			use = append(use, []func() Value{makers[0], makers[a], makers[b]})
		}
		var rows []Feature
		for i := range 20 {
			f := Feature{FID: int64(i + 1), Geometry: orb.Point{1, 2}}
			for _, u := range use {
				f.Values = append(f.Values, u[rnd.IntN(len(u))]())
			}
			rows = append(rows, f)
		}
		path := filepath.Join(t.TempDir(), "a.shp")
		write(t, path, []Schema{schema}, CreateOptions{}, rows)
		_, all := mustRead(t, path, Options{})
		for i := range rows {
			for k := range rows[i].Values {
				want, got := rows[i].Values[k], all[i].Values[k]
				if x, ok := want.Float(); ok && got.Kind() != Text {
					y, _ := got.Float()
					// 11 decimals behind the first digit are kept at least.
					if !(math.Abs(x-y) <= 1e-11*math.Abs(x)) {
						t.Fatalf("round %d: %v came back as %v", round, x, y)
					}
					continue
				}
				if want.Kind() == Real && got.Kind() == Text {
					continue // a number in a column of words, to 15 digits
				}
				if want.Text() != got.Text() {
					t.Fatalf("round %d: %q came back as %q", round, want.Text(), got.Text())
				}
			}
		}
	}
}

func TestShapefileStopsBeforeItsLimit(t *testing.T) {
	for what, limit := range map[string]int64{".shp": 100 + 28*10, ".dbf": 33 + 32 + 10*51} {
		path := filepath.Join(t.TempDir(), "a.shp")
		s, err := Create(path, []Schema{{Name: "a", System: crs.WGS84(), Shape: Points, Fields: []Field{{Name: "t"}}}}, CreateOptions{})
		if err != nil {
			t.Fatal(err)
		}
		s.(*shapefileSink).limit = limit
		text := ""
		if what == ".dbf" {
			text = strings.Repeat("x", 50)
		}
		n := 0
		for ; n < 100; n++ {
			if err = s.Write(0, Feature{FID: 1, Geometry: orb.Point{1, 2}, Values: []Value{String(text)}}); err != nil {
				break
			}
		}
		var e *Error
		if !errors.As(err, &e) || !strings.HasSuffix(e.File, what) || !strings.Contains(e.Remedy, ".gpkg") || n > 10 || n < 8 {
			t.Errorf("%s: after %d records: %v", what, n, err)
		}
		if err := s.Commit(); err == nil {
			t.Errorf("%s: committed after an error", what)
		}
		if got := names(t, filepath.Dir(path)); got != "" {
			t.Errorf("%s: %s left behind", what, got)
		}
	}
}

func TestSinkRefusesARecord(t *testing.T) {
	for _, name := range []string{"a.geojson", "a.shp", "a.parquet", "a.fgb"} {
		path := filepath.Join(t.TempDir(), name)
		s, err := Create(path, []Schema{{Name: "a", System: crs.WGS84(), Shape: Points, Fields: []Field{{Name: "t"}}}}, CreateOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for i, f := range []Feature{
			{Geometry: orb.LineString{{1, 2}, {3, 4}}, Values: []Value{null}},
			{Geometry: orb.Point{math.NaN(), 2}, Values: []Value{null}},
			{Geometry: orb.Point{1, math.Inf(1)}, Values: []Value{null}},
			{Geometry: orb.Point{1, 2}},
		} {
			var r *RecordError
			if err := s.Write(0, f); !errors.As(err, &r) {
				t.Errorf("%s: case %d: %v", name, i, err)
			}
		}
		if err := s.Write(0, Feature{Geometry: orb.Point{1, 2}, Values: []Value{String("good")}}); err != nil {
			t.Fatal(err)
		}
		if err := s.Commit(); err != nil {
			t.Fatal(err)
		}
		if _, all := mustRead(t, path, Options{}); len(all) != 1 {
			t.Errorf("%s: %d records", name, len(all))
		}
		if err := s.Write(0, Feature{Geometry: orb.Point{1, 2}, Values: []Value{null}}); err == nil {
			t.Errorf("%s: written after commit", name)
		}
		if err := s.Commit(); err == nil {
			t.Errorf("%s: committed twice", name)
		}
		if _, all := mustRead(t, path, Options{}); len(all) != 1 {
			t.Errorf("%s: changed after commit", name)
		}
	}
}

func TestCreateRefuses(t *testing.T) {
	folder := t.TempDir()
	good := []Schema{{Name: "a", System: crs.WGS84(), Shape: Points}}
	os.Mkdir(filepath.Join(folder, "d.shp"), 0o777)
	for name, c := range map[string]struct {
		path    string
		schemas []Schema
	}{
		"no layer":             {"a.shp", nil},
		"no system":            {"a.shp", []Schema{{Name: "a", Shape: Points}}},
		"no geometry":          {"a.geojson", []Schema{{Name: "a"}}},
		"mixed, Parquet":       {"a.parquet", []Schema{{Name: "a", Shape: Mixed, System: crs.WGS84()}}},
		"no system, Parquet":   {"a.parquet", []Schema{{Name: "a", Shape: Points}}},
		"Parquet, packed":      {"a.parquet.gz", good},
		"mixed, FlatGeobuf":    {"a.fgb", []Schema{{Name: "a", Shape: Mixed, System: crs.WGS84()}}},
		"no system, FGB":       {"a.fgb", []Schema{{Name: "a", Shape: Points}}},
		"FlatGeobuf, packed":   {"a.fgb.gz", good},
		"too many for FGB":     {"a.fgb", []Schema{{Name: "a", Shape: Points, System: crs.WGS84(), Fields: make([]Field, 2001)}}},
		"too many fields":      {"a.parquet", []Schema{{Name: "a", Shape: Points, System: crs.WGS84(), Fields: make([]Field, 2001)}}},
		"mixed":                {"a.geojson", []Schema{{Name: "a", Shape: Mixed, System: crs.WGS84()}}},
		"unknown ending":       {"a.xyz", good},
		"a folder":             {"d.shp", good},
		"no such folder":       {"no/a.shp", good},
		"two of one name":      {"a.shp", []Schema{good[0], {Name: "b", System: crs.WGS84(), Shape: Points}, {Name: "B", System: crs.WGS84(), Shape: Points}}},
		"crs without a code":   {"a.geojson", []Schema{{Name: "a", System: localSystem(t), Shape: Points}}},
		"a line a feature, ft": {"a.geojsonl", []Schema{{Name: "a", System: system(t, "EPSG:2263"), Shape: Points}}},
	} {
		_, err := Create(filepath.Join(folder, c.path), c.schemas, CreateOptions{})
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if got := names(t, folder); got != "d.shp" {
		t.Errorf("left behind: %s", got)
	}
}

// localSystem is a system that no EPSG code names.
func localSystem(t testing.TB) *crs.System {
	t.Helper()
	s, err := crs.ParseWKT(`PROJCS["Town",GEOGCS["GCS_North_American_1983",DATUM["D_North_American_1983",SPHEROID["GRS_1980",6378137.0,298.257222101]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],PARAMETER["False_Easting",1000.0],PARAMETER["False_Northing",0.0],PARAMETER["Central_Meridian",-70.1],PARAMETER["Scale_Factor",1.0],PARAMETER["Latitude_Of_Origin",42.0],UNIT["Meter",1.0]]`)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestLayerNamesCannotLeaveTheFolder(t *testing.T) {
	folder := t.TempDir()
	sub := filepath.Join(folder, "sub")
	os.Mkdir(sub, 0o777)
	schemas := []Schema{{Name: "a", System: crs.WGS84(), Shape: Points}, {Name: "../../x\x00\n" + strings.Repeat("y", 400), System: crs.WGS84(), Shape: Points}, {Name: "..", Fields: []Field{{Name: "t"}}}}
	write(t, filepath.Join(sub, "a.geojson"), schemas, CreateOptions{}, nil, nil, nil)
	if got := names(t, folder); got != "sub" {
		t.Error(got)
	}
	if got := strings.Fields(names(t, sub)); len(got) != 3 {
		t.Error(got)
	}
}

func TestStylesLieBeside(t *testing.T) {
	for _, name := range []string{"a.geojson", "a.shp", "a.geojson.gz", "a.parquet", "a.fgb"} {
		path := filepath.Join(t.TempDir(), name)
		write(t, path, twoLayers(crs.WGS84()), CreateOptions{Styles: []Style{{Layer: 1, QML: "<qgis/>", SLD: "<sld/>"}, {Layer: 0, QML: "<first/>"}, {Layer: 0, QML: "<second/>"}, {Layer: 9}}}, sampleRows(orb.Point{1, 2}, 1e-4)...)
		for file, want := range map[string]string{"a-openings.qml": "<qgis/>", "a-openings.sld": "<sld/>", "a.qml": "<first/>"} {
			if b, _ := os.ReadFile(filepath.Join(filepath.Dir(path), file)); string(b) != want {
				t.Errorf("%s: %s holds %q", name, file, b)
			}
		}
	}
}

func TestNoFormula(t *testing.T) {
	for s, guarded := range map[string]bool{
		"": false, "Acer": false, "-5": false, "+3.5e2": false, "a=b": false, "1.2x2.4": false,
		"=1+1": true, "+1+1": true, "-1+1": true, "@SUM(A1)": true, " =1": true, "\u00a0=1": true, "\t=1": true, "\tx": true, "\rx": true,
		"x\n=1": true, "=HYPERLINK(\"http://x\")": true, "\u200b=1": true, "＝1": true, "-x": true, "Infinity": false, "-Inf": true,
	} {
		got := noFormula(s)
		if (got != s) != guarded || guarded && got != "'"+s {
			t.Errorf("%q becomes %q", s, got)
		}
	}
	path := filepath.Join(t.TempDir(), "a.geojson")
	rows := sampleRows(orb.Point{1, 2}, 1e-4)
	write(t, path, twoLayers(crs.WGS84()), CreateOptions{}, rows...)
	f, _ := os.Open(strings.TrimSuffix(path, ".geojson") + "-species.csv")
	defer f.Close()
	if all, err := csv.NewReader(f).ReadAll(); err != nil || len(all) != 3 {
		t.Error(all, err)
	}
}
