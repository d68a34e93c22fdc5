package layer

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"
	pq "github.com/parquet-go/parquet-go/format"
	"github.com/paulmach/orb"
	geom "github.com/twpayne/go-geom"
	"github.com/twpayne/go-geom/encoding/wkb"

	"soilshed/geo/crs"
)

// opened is a file as the library's reader of whole files has it.
func opened(t *testing.T, path string) *parquet.File {
	t.Helper()
	b, err := os.ReadFile(path)
	noError(t, err)
	f, err := parquet.OpenFile(bytes.NewReader(b), int64(len(b)))
	noError(t, err)
	return f
}

// text is what stands under a key of the file's metadata.
func text(f *parquet.File, key string) string {
	s, _ := f.Lookup(key)
	return s
}

// The metadata are as the GeoParquet specification 1.1.0 asks, section by section.
func TestGeoParquetMetadata(t *testing.T) {
	path := filepath.Join(t.TempDir(), "city.parquet")
	sys := system(t, "EPSG:2193") // north before east in the EPSG dataset; x before y in the file all the same
	o := CreateOptions{Metadata: "Confirm on site."}
	write(t, path, twoLayers(sys), o, sampleRows(orb.Point{1750000.1, 5420000.1}, 10)...)
	for file, want := range map[string]struct {
		types, orientation string
		bbox               []float64
	}{
		"city.parquet":          {"Point", "", []float64{1750000.1, 5420000.1, 1750010.1, 5420000.1}},
		"city-openings.parquet": {"MultiPolygon", "counterclockwise", []float64{1750000.1, 5420000.1, 1750350.1, 5420090.1}},
	} {
		f := opened(t, filepath.Join(filepath.Dir(path), file))
		var geo struct {
			Version string `json:"version"`
			Primary string `json:"primary_column"`
			Columns map[string]struct {
				Encoding    string         `json:"encoding"`
				Types       []string       `json:"geometry_types"`
				CRS         map[string]any `json:"crs"`
				Edges       string         `json:"edges"`
				Orientation string         `json:"orientation"`
				BBox        []float64      `json:"bbox"`
				Covering    map[string]map[string][]string
			} `json:"columns"`
		}
		noError(t, json.Unmarshal([]byte(text(f, "geo")), &geo))
		c := geo.Columns["geometry"]
		if geo.Version != "1.1.0" || geo.Primary != "geometry" || len(geo.Columns) != 1 || c.Encoding != "WKB" || c.Edges != "planar" ||
			fmt.Sprint(c.Types) != "["+want.types+"]" || c.Orientation != want.orientation {
			t.Errorf("%s: %s", file, text(f, "geo"))
		}
		if fmt.Sprint(c.BBox) != fmt.Sprint(want.bbox) {
			t.Errorf("%s: bbox %v, want %v", file, c.BBox, want.bbox)
		}
		if got := fmt.Sprint(c.Covering); got != "map[bbox:map[xmax:[bbox xmax] xmin:[bbox xmin] ymax:[bbox ymax] ymin:[bbox ymin]]]" {
			t.Errorf("%s: covering %s", file, got)
		}
		if c.CRS["type"] != "ProjectedCRS" || fmt.Sprint(c.CRS["id"]) != "map[authority:EPSG code:2193]" {
			t.Errorf("%s: crs %v", file, c.CRS)
		}
		// The columns: the geometry and its box may be empty, both or neither, and the
		// sides of the box may not; they stand in one order.
		var box, geometry *pq.SchemaElement
		all := f.Metadata().Schema
		for i := range all {
			switch all[i].Name {
			case "geometry":
				geometry = &all[i]
			case "bbox":
				box = &all[i]
				for k, side := range []string{"xmin", "ymin", "xmax", "ymax"} {
					if e := all[i+1+k]; e.Name != side || e.RepetitionType.V != pq.Required || e.Type.V != pq.Float {
						t.Errorf("%s: %s: %v", file, side, e)
					}
				}
			}
		}
		if geometry.RepetitionType.V != pq.Optional || box.RepetitionType.V != pq.Optional || geometry.Type.V != pq.ByteArray || geometry.LogicalType.Value != nil || box.NumChildren.V != 4 {
			t.Errorf("%s: %v, %v", file, geometry, box)
		}
		if text(f, "metadata") != "Confirm on site." {
			t.Errorf("%s: metadata %q", file, text(f, "metadata"))
		}
	}
	f := opened(t, path)
	var kinds []string
	for _, e := range f.Metadata().Schema[1:7] {
		kinds = append(kinds, fmt.Sprint(e.Name, " ", e.Type.V, " ", e.RepetitionType.V, " ", e.LogicalType.String()))
	}
	if got, want := strings.Join(kinds, "; "), "tree_id BYTE_ARRAY OPTIONAL STRING; count INT64 OPTIONAL INT(64,true); soil_m3 DOUBLE OPTIONAL ; fail_yr DOUBLE OPTIONAL ; street BOOLEAN OPTIONAL ; planted INT32 OPTIONAL DATE"; got != want {
		t.Errorf("columns %s\nwant    %s", got, want)
	}
	if text(f, "title") != "Trees" || text(f, "description") != "Ranked." {
		t.Errorf("title %q, description %q", text(f, "title"), text(f, "description"))
	}
	if got := strings.TrimSpace(text(f, "fields")); got != "[\n"+`{"name":"soil_m3","unit":"m3","doc":"Available soil volume"}]` {
		t.Errorf("fields %s", got)
	}
	s, err := Open(path, Options{})
	noError(t, err)
	defer s.Close()
	if s.Schema().Metadata != "Confirm on site." {
		t.Errorf("read back: %q", s.Schema().Metadata)
	}
}

// What readers know of the writer is the version that go.mod has.
func TestGeoParquetNamesItsWriter(t *testing.T) {
	b, err := os.ReadFile("../../go.mod")
	noError(t, err)
	m := regexp.MustCompile(regexp.QuoteMeta(parquetWriter[0]) + ` v(\S+)`).FindSubmatch(b)
	if m == nil || string(m[1]) != parquetWriter[1] {
		t.Errorf("%s, where the file would say %s", m, parquetWriter[1])
	}
	path := filepath.Join(t.TempDir(), "a.parquet")
	write(t, path, []Schema{{Name: "a", System: crs.WGS84(), Shape: Points}}, CreateOptions{})
	if by, want := opened(t, path).Metadata().CreatedBy, parquetWriter[0]+" version "+parquetWriter[1]+"(build soilshed)"; by != want {
		t.Errorf("%q, want %q", by, want)
	}
}

// manyTrees writes n records, of which every seventh has no geometry, along a line
// to the north-east.
func manyTrees(t testing.TB, path string, n int) {
	t.Helper()
	schema := Schema{Name: "trees", System: system(t, "EPSG:26918"), Shape: Points, Fields: []Field{
		{Name: "tree_id"}, {Name: "species"}, {Name: "rank", Kind: Integer}, {Name: "soil_m3", Kind: Real}, {Name: "soil_class"}, {Name: "snapped", Kind: Boolean}, {Name: "planted", Kind: Date}}}
	s, err := Create(path, []Schema{schema}, CreateOptions{})
	noError(t, err)
	for i := range n {
		f := Feature{FID: int64(i + 1), Geometry: orb.Point{400000.123456789 + float64(i), 4500000.987654321 + float64(i)}, Values: []Value{
			String(fmt.Sprint("T-", i)), String([]string{"Acer rubrum", "Ulmus americana", "Tilia cordata"}[i%3]), Whole(int64(n - i)), Number(math.Sqrt(float64(i))), null, Truth(i%2 == 0), Day(fmt.Sprintf("20%02d-04-12", i%25))}}
		if i%7 == 3 {
			f.Geometry = nil
		}
		noError(t, s.Write(0, f))
	}
	noError(t, s.Commit())
}

// Row groups, their bounds and dictionaries; the boxes hold their geometries, and
// the bounds of a row group those of its records, as another decoder of WKB has
// them.
func TestGeoParquetRowGroups(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.parquet")
	const n = 150_000
	manyTrees(t, path, n)
	f := opened(t, path)
	meta := f.Metadata()
	if len(meta.RowGroups) != 3 || meta.NumRows != n {
		t.Fatalf("%d row groups, %d records", len(meta.RowGroups), meta.NumRows)
	}
	leaf := map[string]int{}
	for i, c := range meta.RowGroups[0].Columns {
		m := c.MetaData
		leaf[strings.Join(m.PathInSchema, ".")] = i
		if m.Codec != pq.Zstd {
			t.Errorf("%v is packed as %s", m.PathInSchema, m.Codec)
		}
		repeated := map[string]bool{"species": true, "planted": true}[m.PathInSchema[0]]
		if (m.DictionaryPageOffset > 0) != repeated {
			t.Errorf("%v: dictionary at %d", m.PathInSchema, m.DictionaryPageOffset)
		}
	}
	type row struct {
		Geometry []byte `parquet:"geometry,optional"`
		BBox     *struct {
			XMin float32 `parquet:"xmin"`
			YMin float32 `parquet:"ymin"`
			XMax float32 `parquet:"xmax"`
			YMax float32 `parquet:"ymax"`
		} `parquet:"bbox,optional"`
	}
	rows, err := parquet.Read[row](bytes.NewReader(mustBytes(t, path)), int64(len(mustBytes(t, path))))
	noError(t, err)
	at := 0
	for g, group := range meta.RowGroups {
		bound := func(side string, top bool) float64 {
			s := group.Columns[leaf["bbox."+side]].MetaData.Statistics
			b := s.MinValue
			if top {
				b = s.MaxValue
			}
			return float64(parquet.Float.Value(b).Float())
		}
		west, south, east, north := bound("xmin", false), bound("ymin", false), bound("xmax", true), bound("ymax", true)
		if want := float64(g*parquetGroupRows) + 400000; west < want-1 || west > want+1 || g < 2 && math.Abs(east-want-parquetGroupRows) > 2 {
			t.Errorf("row group %d lies from %f to %f", g, west, east)
		}
		for range group.NumRows {
			r := rows[at]
			if at%7 == 3 {
				if r.Geometry != nil || r.BBox != nil {
					t.Fatalf("record %d: %v in %v, where there is nothing", at, r.Geometry, r.BBox)
				}
				at++
				continue
			}
			p, err := wkb.Unmarshal(r.Geometry)
			noError(t, err)
			x, y := p.(*geom.Point).X(), p.(*geom.Point).Y()
			if x != 400000.123456789+float64(at) || y != 4500000.987654321+float64(at) {
				t.Fatalf("record %d: %f %f", at, x, y)
			}
			b := r.BBox
			if !(float64(b.XMin) <= x && x <= float64(b.XMax) && float64(b.YMin) <= y && y <= float64(b.YMax) && b.XMax-b.XMin < 0.1 && b.YMax-b.YMin < 1) {
				t.Fatalf("record %d: %v does not hold %f %f, or far more", at, *b, x, y)
			}
			if !(west <= x && x <= east && south <= y && y <= north) {
				t.Fatalf("record %d: beyond its row group", at)
			}
			at++
		}
	}
	if at != n {
		t.Errorf("%d records", at)
	}
}

func mustBytes(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	noError(t, err)
	return b
}

// The room that writing takes does not grow with the number of records.
func TestGeoParquetStaysSmall(t *testing.T) {
	if testing.Short() {
		t.Skip("writes 600,000 records")
	}
	held := func(n int) uint64 {
		path := filepath.Join(t.TempDir(), "a.parquet")
		s, err := Create(path, []Schema{{Name: "a", System: crs.WGS84(), Shape: Points, Fields: []Field{{Name: "id"}, {Name: "x", Kind: Real}}}}, CreateOptions{})
		noError(t, err)
		defer s.Abort()
		for i := range n {
			noError(t, s.Write(0, Feature{Geometry: orb.Point{float64(i%360) - 180, float64(i%180) - 90}, Values: []Value{String(fmt.Sprint("tree number ", i)), Number(math.Sqrt(float64(i)))}}))
		}
		var m runtime.MemStats
		runtime.GC()
		runtime.GC() // what lies in pools outlives one
		runtime.ReadMemStats(&m)
		runtime.KeepAlive(s)
		return m.HeapAlloc
	}
	held(1000) // what is made once
	small, large := held(70_000), held(600_000)
	if large > small+4<<20 {
		t.Errorf("%d bytes after 70,000 records, %d after 600,000", small, large)
	}
}

// Geometries that are none, open and wrongly wound rings, holes, and lines.
func TestGeoParquetShapes(t *testing.T) {
	ring := func(x, y, w float64, clockwise bool) orb.Ring {
		r := orb.Ring{{x, y}, {x + w, y}, {x + w, y + w}, {x, y + w}, {x, y}}
		if clockwise {
			r.Reverse()
		}
		return r
	}
	sys := system(t, "EPSG:32617")
	path := filepath.Join(t.TempDir(), "a.parquet")
	schemas := []Schema{{Name: "a", System: sys, Shape: Polygons}, {Name: "b", System: sys, Shape: Lines}, {Name: "c", System: sys, Shape: Points}}
	sink := write(t, path, schemas, CreateOptions{}, []Feature{
		{Geometry: orb.Polygon{ring(0, 0, 9, true)[:4], ring(1, 1, 2, false)}}, // open, both the wrong way
		{Geometry: orb.MultiPolygon{{ring(0, 0, 1, false)}, {ring(20, 0, 5, false), ring(21, 1, 1, true), ring(23, 1, 1, true)}}},
		{Geometry: orb.Polygon{}},
		{Geometry: orb.MultiPolygon{{{{0, 0}, {1, 1}, {0, 0}}}}},
		{Geometry: nil},
	}, []Feature{
		{Geometry: orb.LineString{{0, 0}, {5, -3}}}, {Geometry: orb.MultiLineString{{{0, 0}, {1, 1}}, {{2, 2}, {3, 3}, {4, 2}}}}, {Geometry: orb.MultiLineString{}},
	}, nil)
	_, all := mustRead(t, path, Options{})
	want := []orb.Geometry{
		orb.MultiPolygon{{orb.Ring{{0, 0}, {9, 0}, {9, 9}, {0, 9}, {0, 0}}, ring(1, 1, 2, true)}},
		orb.MultiPolygon{{ring(0, 0, 1, false)}, {ring(20, 0, 5, false), ring(21, 1, 1, true), ring(23, 1, 1, true)}},
		nil, nil, nil,
	}
	if len(all) != len(want) {
		t.Fatalf("%d records", len(all))
	}
	for i, f := range all {
		p, _ := f.Geometry.(orb.MultiPolygon)
		if i == 0 && p != nil { // where its ring begins is the writer's own
			if len(p) != 1 || len(p[0]) != 2 || p[0][0].Orientation() != orb.CCW || p[0][1].Orientation() != orb.CW || p[0].Bound() != (orb.Bound{Max: orb.Point{9, 9}}) || len(p[0][0]) != 5 || clockwiseArea(p[0][0]) != -81*clockwiseArea(ring(0, 0, 1, true)) {
				t.Errorf("polygon 1: %v", p)
			}
			continue
		}
		if (want[i] == nil) != (f.Geometry == nil) || want[i] != nil && !orb.Equal(f.Geometry, want[i]) {
			t.Errorf("polygon %d: %v, want %v", i+1, f.Geometry, want[i])
		}
	}
	if notes := strings.Join(sink.(*parquetSink).Notes(), "; "); notes != "a.parquet: 1 ring of fewer than three corners not written" {
		t.Errorf("notes %q", notes)
	}
	s, lines := mustRead(t, layerPath(path, schemas, 1), Options{})
	if s.Schema().Shape != Lines || len(lines) != 3 || lines[2].Geometry != nil || !orb.Equal(lines[1].Geometry, orb.MultiLineString{{{0, 0}, {1, 1}}, {{2, 2}, {3, 3}, {4, 2}}}) {
		t.Errorf("lines %v", lines)
	}
	if s, none := mustRead(t, layerPath(path, schemas, 2), Options{}); s.Schema().Shape != Points || len(none) != 0 || !s.Schema().System.Same(sys) {
		t.Errorf("a layer without records: %v, %v", s.Schema(), none)
	}
}

// Values that a column cannot hold are left empty and told; names that the format
// needs are others'; texts that are none are mended; whole numbers keep all their
// digits.
func TestGeoParquetValues(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.parquet")
	schema := Schema{Name: "a", System: system(t, "EPSG:2263"), Shape: Points, Fields: []Field{
		{Name: "n", Kind: Integer, Doc: "a number"}, {Name: "r", Kind: Real}, {Name: "b", Kind: Boolean}, {Name: "d", Kind: Date}, {Name: "geometry"}, {Name: "BBox"}, {Name: "N", Doc: "another"}, {Name: "a, \"b\".c"}, {Name: ""}}}
	sink := write(t, path, []Schema{schema}, CreateOptions{}, []Feature{
		{Values: []Value{Whole(math.MaxInt64), Number(-1e308), Truth(true), Day("1582-10-15"), String("Ü\x00"), String("\xFFx"), String(""), Number(1.5), Day("2001-02-03")}},
		{Values: []Value{String("-9223372036854775808"), Whole(7), Whole(0), String("2024-02-29"), null, Truth(false), Whole(3), String("x"), null}},
		{Values: []Value{Number(1.5), Number(math.NaN()), String("perhaps"), String("2023-02-29"), null, null, null, null, null}},
		{Values: []Value{Number(3), String(" 2.5 "), String("true"), Day("9999-12-31"), null, null, null, null, null}},
	})
	s, all := mustRead(t, path, Options{})
	var names []string
	for _, f := range s.Schema().Fields {
		names = append(names, f.Name)
	}
	if got := fmt.Sprintf("%q", names); got != `["n" "r" "b" "d" "geometry_2" "BBox_2" "N_2" "a, \"b\".c" "field_2"]` {
		t.Errorf("names %s", got)
	}
	for i, want := range []string{
		`["9223372036854775807" "-1e308" "true" "1582-10-15" "Ü�" "�x" "" "1.5" "2001-02-03"]`,
		`["-9223372036854775808" "7" "false" "2024-02-29" "null" "false" "3" "x" "null"]`,
		`["null" "null" "null" "null" "null" "null" "null" "null" "null"]`,
		`["3" "2.5" "true" "9999-12-31" "null" "null" "null" "null" "null"]`,
	} {
		if got := strings.Replace(fmt.Sprintf("%q", texts(all[i])), Number(-1e308).Text(), "-1e308", 1); got != want {
			t.Errorf("record %d: %s\nwant      %s", i+1, got, want)
		}
	}
	notes := strings.Join(sink.(*parquetSink).Notes(), "\n")
	for _, want := range []string{
		`field "geometry" is written as "geometry_2", because a GeoParquet file cannot have its name twice or needs it for itself`, `"BBox" is written as "BBox_2"`, `"N" is written as "N_2"`,
		`layer a, field n: 1 value is no whole number and left empty (the first: feature 3, "1.5")`, `field r: 1 value is no finite number`, `field b: 1 value is neither true nor false`, `field d: 1 value is no date and left empty (the first: feature 3, "2023-02-29")`,
	} {
		if !strings.Contains(notes, want) {
			t.Errorf("%q is not in\n%s", want, notes)
		}
	}
	if f := opened(t, path); !strings.Contains(text(f, "fields"), `{"name":"N_2","doc":"another"}`) {
		t.Errorf("fields %s", text(f, "fields"))
	}
}

// A system that no code names comes back by its parameters.
func TestGeoParquetOwnSystem(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.parquet")
	sys := localSystem(t)
	write(t, path, []Schema{{Name: "a", System: sys, Shape: Points}}, CreateOptions{}, []Feature{{Geometry: orb.Point{1234.5, 6789}}})
	if s, all := mustRead(t, path, Options{}); s.Schema().System == nil || !s.Schema().System.Same(sys) || len(all) != 1 {
		t.Errorf("%v: %v", s.Schema().System, all)
	}
}

// below and above go outwards, and no farther than the next number.
func TestOutwards(t *testing.T) {
	for _, x := range []float64{0, 1, -1, 0.1, -0.1, 987654.3211, -74.006, 179.99999999, 1e300, -1e300, 1e-300, math.SmallestNonzeroFloat64} {
		lo, hi := below(x), above(x)
		if !(float64(lo) <= x && x <= float64(hi)) || hi > math.Nextafter32(lo, float32(math.Inf(1))) {
			t.Errorf("%g lies between %g and %g", x, lo, hi)
		}
	}
}
