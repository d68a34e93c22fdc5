package layer

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	flatbuffers "github.com/google/flatbuffers/go"
	"github.com/paulmach/orb"

	"soilshed/geo/crs"
)

// The files that GDAL made of two layers hold what the layers hold, but for the one
// record without a geometry, which GDAL leaves out of every file.
func TestFlatGeobufMadeByGDAL(t *testing.T) {
	for file, want := range map[string]struct {
		shape  Shape
		system string
	}{
		"trees-pointz-ftus.fgb":          {Points, "EPSG:2263"},
		"trees-pointzm-unindexed.fgb":    {Points, "EPSG:4326"},
		"trees-multipoint-utm.fgb":       {Points, "EPSG:32618"},
		"pavement-mixed.fgb":             {Mixed, "EPSG:4326"},
		"pavement-multipolygon-ftus.fgb": {Polygons, "EPSG:2263"},
	} {
		path := filepath.Join("../../fixtures/layers", file)
		source, _, _ := strings.Cut(file, "-")
		_, all := mustRead(t, filepath.Join("../../fixtures/layers", source+".geojson"), Options{})
		theirs := map[string]Feature{}
		for _, f := range all {
			if f.Geometry != nil {
				theirs[f.Values[0].Text()] = f
			}
		}
		s, got := mustRead(t, path, Options{})
		if notes := s.Notes(); len(notes) > 0 || s.Schema().Shape != want.shape || !s.Schema().System.Same(system(t, want.system)) || s.Schema().Name+".fgb" != file || s.Schema().Records != len(got) {
			t.Errorf("%s: %+v in %s, notes %q", file, s.Schema(), s.Schema().System.Name(), notes)
		}
		for i, f := range got {
			w, ok := theirs[f.Values[0].Text()]
			if !ok {
				t.Fatalf("%s: %v", file, texts(f))
			}
			delete(theirs, f.Values[0].Text())
			if d := alike(lonlat(t, s.Schema().System, f.Geometry), w.Geometry, 2e-9); d != "" {
				t.Errorf("%s, feature %d: %s", file, i+1, d)
			}
			if a, b := fmt.Sprint(texts(f)), fmt.Sprint(texts(w)); a != b || f.FID != int64(i+1) {
				t.Errorf("%s, feature %d: %s, want %s", file, f.FID, a, b)
			}
		}
		if len(theirs) > 0 {
			t.Errorf("%s: not read: %v", file, theirs)
		}
	}
}

// fgbT is a table to be built by the library of flat buffers: values by the number
// of their field.
type fgbT map[int]any

// put writes the table, what it refers to first.
func (t fgbT) put(b *flatbuffers.Builder) flatbuffers.UOffsetT {
	numbers := slices.Sorted(maps.Keys(t))
	refs := map[int]flatbuffers.UOffsetT{}
	for _, k := range numbers {
		switch v := t[k].(type) {
		case string:
			refs[k] = b.CreateString(v)
		case []byte:
			refs[k] = b.CreateByteVector(v)
		case []float64:
			b.StartVector(8, len(v), 8)
			for _, x := range slices.Backward(v) {
				b.PrependFloat64(x)
			}
			refs[k] = b.EndVector(len(v))
		case []uint32:
			b.StartVector(4, len(v), 4)
			for _, x := range slices.Backward(v) {
				b.PrependUint32(x)
			}
			refs[k] = b.EndVector(len(v))
		case fgbT:
			refs[k] = v.put(b)
		case []fgbT:
			var all []flatbuffers.UOffsetT
			for _, inner := range v {
				all = append(all, inner.put(b))
			}
			refs[k] = b.CreateVectorOfTables(all)
		}
	}
	b.StartObject(20)
	for _, k := range numbers {
		switch v := t[k].(type) {
		case byte:
			b.PrependByte(v)
		case uint16:
			b.PrependUint16(v)
		case int32:
			b.PrependInt32(v)
		case uint64:
			b.PrependUint64(v)
		default:
			b.PrependUOffsetT(refs[k])
		}
		b.Slot(k)
	}
	return b.EndObject()
}

// buffer is the table behind its length.
func (t fgbT) buffer() []byte {
	b := flatbuffers.NewBuilder(0)
	b.Prep(8, 0)
	b.FinishSizePrefixed(t.put(b))
	return bytes.Clone(b.FinishedBytes())
}

// fgbFile is a file without an index, unless the head says otherwise.
func fgbFile(head fgbT, records ...[]byte) []byte {
	if _, ok := head[fgbHeaderNodeSize]; !ok {
		head[fgbHeaderNodeSize] = uint16(0)
	}
	return bytes.Join(append([][]byte{[]byte(fgbMagic + "\x00"), head.buffer()}, records...), nil)
}

// fgbRecord is a record of a geometry and values.
func fgbRecord(geometry fgbT, values ...byte) []byte {
	t := fgbT{}
	if geometry != nil {
		t[fgbFeatureGeometry] = geometry
	}
	if values != nil {
		t[fgbFeatureProperties] = values
	}
	return t.buffer()
}

func fgbXY(xy ...float64) fgbT { return fgbT{fgbGeometryXY: xy} }

func putFGB(t testing.TB, b []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a.fgb")
	noError(t, os.WriteFile(path, b, 0o666))
	return path
}

var utm17 = fgbT{fgbCRSCode: int32(32617)}

// Each type of geometry, as one of the whole file and as one of its own; what the
// other readers take in another form, and what they leave out.
func TestFlatGeobufGeometries(t *testing.T) {
	square := []float64{0, 0, 9, 0, 9, 9, 0, 9, 0, 0}
	hole := []float64{1, 1, 1, 2, 2, 2, 1, 1}
	outerRing, holeRing := orb.Ring{{0, 0}, {9, 0}, {9, 9}, {0, 9}, {0, 0}}, orb.Ring{{1, 1}, {1, 2}, {2, 2}, {1, 1}}
	both := append(slices.Clone(square), hole...)
	of := func(kind byte, t fgbT) fgbT { t[fgbGeometryType] = kind; return t }
	ends := func(t fgbT, ends ...uint32) fgbT { t[fgbGeometryEnds] = ends; return t }
	parts := func(all ...fgbT) fgbT { return fgbT{fgbGeometryParts: all} }
	deep := func(n int) fgbT {
		g := of(wkbPoint, fgbXY(1, 2))
		for range n {
			g = of(wkbCollection, parts(g))
		}
		return g
	}
	for name, c := range map[string]struct {
		kind   byte
		g      fgbT
		want   orb.Geometry
		reason string
	}{
		"point":                         {wkbPoint, fgbXY(1, 2), orb.Point{1, 2}, ""},
		"point with height and measure": {wkbPoint, fgbT{fgbGeometryXY: []float64{1, 2}, fgbGeometryZ: []float64{3}, fgbGeometryM: []float64{4}}, orb.Point{1, 2}, ""},
		"empty point":                   {wkbPoint, fgbXY(math.NaN(), math.NaN()), nil, ""},
		"no corners":                    {wkbPoint, fgbT{}, nil, ""},
		"two points":                    {wkbPoint, fgbXY(1, 2, 3, 4), nil, reasonDamaged},
		"point beyond":                  {wkbPoint, fgbXY(1, math.Inf(1)), nil, reasonNumber},
		"three numbers":                 {wkbLineString, fgbXY(1, 2, 3), nil, reasonDamaged},
		"multipoint":                    {wkbMultiPoint, fgbXY(1, 2, 3, 4), orb.MultiPoint{{1, 2}, {3, 4}}, ""},
		"line":                          {wkbLineString, fgbXY(1, 2, 3, 4), orb.LineString{{1, 2}, {3, 4}}, ""},
		"lines":                         {wkbMultiLineString, ends(fgbXY(1, 2, 3, 4, 5, 6, 7, 8), 2, 4), orb.MultiLineString{{{1, 2}, {3, 4}}, {{5, 6}, {7, 8}}}, ""},
		"one of several lines":          {wkbMultiLineString, fgbXY(1, 2, 3, 4), orb.MultiLineString{{{1, 2}, {3, 4}}}, ""},
		"straight curves":               {wkbMultiCurve, parts(of(wkbLineString, fgbXY(1, 2, 3, 4))), orb.MultiLineString{{{1, 2}, {3, 4}}}, ""},
		"polygon":                       {wkbPolygon, fgbXY(square...), orb.Polygon{outerRing}, ""},
		"polygon with hole":             {wkbPolygon, ends(fgbXY(both...), 5, 9), orb.Polygon{outerRing, holeRing}, ""},
		"open ring":                     {wkbPolygon, fgbXY(square[:8]...), orb.Polygon{outerRing}, ""},
		"ring of two corners":           {wkbPolygon, fgbXY(square[:4]...), nil, reasonRing},
		"straight curve polygon":        {wkbCurvePolygon, parts(of(wkbLineString, fgbXY(square...)), of(wkbLineString, fgbXY(hole...))), orb.Polygon{outerRing, holeRing}, ""},
		"multipolygon":                  {wkbMultiPolygon, parts(ends(fgbXY(both...), 5, 9), fgbXY(square...)), orb.MultiPolygon{{outerRing, holeRing}, {outerRing}}, ""},
		"polygon as several":            {wkbMultiPolygon, ends(fgbXY(both...), 5, 9), orb.MultiPolygon{{outerRing, holeRing}}, ""},
		"surfaces":                      {wkbMultiSurface, parts(of(wkbPolygon, fgbXY(square...)), of(wkbCurvePolygon, parts(of(wkbLineString, fgbXY(square...))))), orb.MultiPolygon{{outerRing}, {outerRing}}, ""},
		"collection":                    {wkbCollection, parts(of(wkbPoint, fgbXY(1, 2)), of(wkbPolygon, fgbXY(square...))), orb.Collection{orb.Point{1, 2}, orb.Polygon{outerRing}}, ""},
		"collection of nothing":         {wkbCollection, parts(of(wkbPoint, fgbT{})), nil, ""},
		"collection of no type":         {wkbCollection, parts(fgbXY(1, 2)), nil, reasonDamaged},
		"collections in collections":    {wkbCollection, deep(wkbMaxDepth + 1), nil, reasonDamaged},
		"arc":                           {wkbCircularString, fgbXY(1, 2, 3, 4, 5, 6), nil, reasonCurve},
		"arcs":                          {wkbCompoundCurve, parts(of(wkbCircularString, fgbXY(1, 2, 3, 4, 5, 6))), nil, reasonCurve},
		"polygon of arcs":               {wkbCurvePolygon, parts(of(wkbCircularString, fgbXY(square...))), nil, reasonCurve},
		"lines of arcs":                 {wkbMultiCurve, parts(of(wkbCircularString, fgbXY(square...))), nil, reasonCurve},
		"a point among polygons":        {wkbMultiPolygon, parts(of(wkbPoint, fgbXY(1, 2))), nil, reasonDamaged},
		"a TIN":                         {16, fgbXY(square...), nil, reasonShape},
		"ends beyond":                   {wkbPolygon, ends(fgbXY(both...), 5, 10), nil, reasonDamaged},
		"ends before":                   {wkbPolygon, ends(fgbXY(both...), 5, 4, 9), nil, reasonDamaged},
		"ends short":                    {wkbPolygon, ends(fgbXY(both...), 5, 8), nil, reasonDamaged},
	} {
		for _, own := range []bool{false, true} {
			g, head := maps.Clone(c.g), fgbT{fgbHeaderType: c.kind, fgbHeaderCRS: utm17}
			if own {
				g[fgbGeometryType], head[fgbHeaderType] = c.kind, byte(0)
			}
			path := putFGB(t, fgbFile(head, fgbRecord(g), fgbRecord(of(c.kind, fgbT{}))))
			s, all, bad, err := readAll(t, path, Options{})
			noError(t, err)
			if c.reason != "" {
				if len(all) != 1 || len(bad) != 1 || bad[0].Reason != c.reason || bad[0].Feature != 1 || bad[0].File != path {
					if c.kind != 16 && c.kind != wkbCircularString && c.kind != wkbCompoundCurve || len(bad) != 2 { // their second is one, too
						t.Errorf("%s: %v, left out %v", name, all, bad)
					}
				}
				continue
			}
			if len(all) != 2 || len(bad) != 0 || (c.want == nil) != (all[0].Geometry == nil) || c.want != nil && !orb.Equal(all[0].Geometry, c.want) || all[1].Geometry != nil {
				t.Errorf("%s: %v, left out %v", name, all, bad)
			}
			if !s.Schema().System.Same(system(t, "EPSG:32617")) {
				t.Error(s.Schema().System)
			}
		}
	}
	if _, _, bad, _ := readAll(t, putFGB(t, fgbFile(fgbT{}, fgbRecord(fgbT{fgbGeometryXY: []float64{1, 2}}))), Options{}); len(bad) != 1 || !strings.Contains(bad[0].Error(), "does not say of what type it is") {
		t.Errorf("%v", bad)
	}
	if _, _, bad, _ := readAll(t, putFGB(t, fgbFile(fgbT{}, fgbRecord(of(99, fgbXY(1, 2))))), Options{}); len(bad) != 1 || !strings.Contains(bad[0].Error(), "type 99, which there is not") {
		t.Errorf("%v", bad)
	}
}

// fgbValues builds the values of a record.
type fgbValues []byte

func (v fgbValues) add(column uint16, parts ...any) fgbValues {
	v = binary.LittleEndian.AppendUint16(v, column)
	for _, p := range parts {
		if s, ok := p.(string); ok {
			v = binary.LittleEndian.AppendUint32(v, uint32(len(s)))
			v = append(v, s...)
			continue
		}
		v, _ = binary.Append(v, binary.LittleEndian, p)
	}
	return v
}

// Every type of column, values that are missing, and what the head says of them.
func TestFlatGeobufColumns(t *testing.T) {
	var columns []fgbT
	for i, name := range []string{"byte", "ubyte", "bool", "short", "ushort", "int", "uint", "long", "ulong", "float", "double", "string", "json", "time", "photo"} {
		columns = append(columns, fgbT{fgbColumnName: name, fgbColumnType: byte(i)})
	}
	columns = append(columns, fgbT{fgbColumnName: "day", fgbColumnType: byte(fgbDateTime), fgbColumnWidth: int32(10), fgbColumnTitle: "Day", fgbColumnDescription: "When it was seen.", fgbColumnMetadata: `{"unit":"d"}`})
	head := fgbT{fgbHeaderName: "x", fgbHeaderType: byte(wkbPoint), fgbHeaderColumns: columns, fgbHeaderTitle: "Trees", fgbHeaderDescription: "All.", fgbHeaderMetadata: `{"metadata":"Confirm on site."}`}
	low := fgbValues{}.add(0, int8(-128)).add(1, uint8(255)).add(2, uint8(1)).add(3, int16(-32768)).add(4, uint16(65535)).add(5, int32(math.MinInt32)).add(6, uint32(math.MaxUint32)).
		add(7, int64(math.MinInt64)).add(8, uint64(math.MaxUint64)).add(9, float32(0.1)).add(10, 0.1).add(11, "Straße").add(12, `{"a":1}`).add(13, "2024-05-01T10:00:00Z").add(14, "\x00\xff").add(15, "2024-05-01")
	odd := fgbValues{}.add(15, "2024-05-01T00:00:00").add(13, "2024-05-02T00:00:00").add(10, math.NaN()).add(9, float32(math.Inf(1))).add(11, "Stra\xdfe").add(2, uint8(0)).add(8, uint64(7))
	file := fgbFile(head, fgbRecord(fgbXY(1, 2), low...), fgbRecord(fgbXY(1, 2)), fgbRecord(fgbXY(1, 2), odd...))
	path := putFGB(t, file)
	s, all := mustRead(t, path, Options{System: crs.WGS84()})
	for i, want := range []string{
		`["-128" "255" "true" "-32768" "65535" "-2147483648" "4294967295" "-9223372036854775808" "18446744073709551615" "0.1" "0.1" "Straße" "{\"a\":1}" "2024-05-01T10:00:00Z" "2024-05-01"]`,
		fmt.Sprintf("%q", strings.Fields(strings.Repeat("null ", 15))),
		`["null" "null" "false" "null" "null" "null" "null" "null" "7" "null" "null" "Stra` + "\uFFFD" + `e" "null" "2024-05-02" "2024-05-01"]`,
	} {
		if got := fmt.Sprintf("%q", texts(all[i])); got != want {
			t.Errorf("record %d: %s\nwant %s", i+1, got, want)
		}
	}
	schema := s.Schema()
	if schema.Title != "Trees" || schema.Abstract != "All." || schema.Metadata != "Confirm on site." || schema.Fields[14] != (Field{Name: "day", Kind: Date, Unit: "d", Alias: "Day", Doc: "When it was seen."}) {
		t.Errorf("%+v", schema)
	}
	var kinds []Kind
	for _, f := range schema.Fields {
		kinds = append(kinds, f.Kind)
	}
	if want := []Kind{Integer, Integer, Boolean, Integer, Integer, Integer, Integer, Integer, Integer, Real, Real, Text, Text, Text, Date}; !slices.Equal(kinds, want) {
		t.Errorf("kinds %v, want %v", kinds, want)
	}
	if got := strings.Join(s.Notes(), "; "); got != "its column photo holds bytes that are no text and is left out; 2 values that are no finite number are taken as missing; 1 text is not UTF-8; what could not be read is shown as \uFFFD" {
		t.Error(got)
	}
	if v := all[0].Values[14]; v.Kind() != Date {
		t.Errorf("%v", v)
	}
	s, all = mustRead(t, path, Options{System: crs.WGS84(), Columns: []string{"LONG", "String"}})
	if got := fmt.Sprint(texts(all[0])); got != "[-9223372036854775808 Straße]" || len(s.Schema().Fields) != 2 || len(s.Notes()) != 1 {
		t.Errorf("%s, %+v, %q", got, s.Schema().Fields, s.Notes())
	}
	if s, all = mustRead(t, path, Options{System: crs.WGS84(), Columns: []string{}}); len(all) != 3 || len(s.Schema().Fields) != 0 || len(s.Notes()) != 0 {
		t.Errorf("%d, %+v, %q", len(all), s.Schema(), s.Notes())
	}

	// Packed with gzip, and under any name.
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, err := z.Write(file)
	noError(t, errors.Join(err, z.Close()))
	gz := filepath.Join(t.TempDir(), "trees.fgb.gz")
	noError(t, os.WriteFile(gz, packed.Bytes(), 0o666))
	if s, all := mustRead(t, gz, Options{System: crs.WGS84()}); len(all) != 3 || s.Schema().Name != "trees" {
		t.Errorf("%d, %s", len(all), s.Schema().Name)
	}
	for name, b := range map[string][]byte{"a.bin": file, "b": packed.Bytes()} {
		path := filepath.Join(t.TempDir(), name)
		noError(t, os.WriteFile(path, b, 0o666))
		if _, all := mustRead(t, path, Options{System: crs.WGS84()}); len(all) != 3 {
			t.Errorf("%s: %d", name, len(all))
		}
	}
	noError(t, os.WriteFile(gz, packed.Bytes()[:packed.Len()/2], 0o666))
	if _, _, _, err := readAll(t, gz, Options{System: crs.WGS84()}); err == nil || !strings.Contains(err.Error(), gz+": it ends early") {
		t.Error(err)
	}
}

// Records that list columns of their own, with and without those of the head.
func TestFlatGeobufColumnsOfRecords(t *testing.T) {
	record := func(values fgbValues, columns ...fgbT) []byte {
		return fgbT{fgbFeatureGeometry: fgbXY(1, 2), fgbFeatureProperties: []byte(values), fgbFeatureColumns: columns}.buffer()
	}
	col := func(name string, kind byte) fgbT { return fgbT{fgbColumnName: name, fgbColumnType: kind} }
	records := [][]byte{
		record(fgbValues{}.add(0, "Acer").add(1, int32(7)), col("species", fgbString), col("n", fgbInt)),
		record(fgbValues{}.add(0, 2.5).add(1, "Tilia"), col("n", fgbDouble), col("species", fgbString)),
		fgbRecord(fgbXY(1, 2)),
		record(fgbValues{}.add(0, "x").add(1, "late").add(2, "\xff"), col("more", fgbString), col("species", fgbJSON), col("photo", fgbBinary)),
		record(fgbValues{}.add(1, "x"), col("n", fgbDouble)),
	}
	head := fgbT{fgbHeaderType: byte(wkbPoint), fgbHeaderCRS: utm17}
	for _, count := range []uint64{0, 5} {
		head[fgbHeaderCount] = count
		s, all, bad, err := readAll(t, putFGB(t, fgbFile(head, records...)), Options{})
		noError(t, err)
		if got := fmt.Sprint(s.Schema().Fields); got != "[{species 0   } {n 2   } {more 0   }]" {
			t.Errorf("fields %s", got)
		}
		var got []string
		for _, f := range all {
			got = append(got, fmt.Sprint(texts(f)))
		}
		if want := "[Acer 7 null] [Tilia 2.5 null] [null null null] [late null x]"; strings.Join(got, " ") != want {
			t.Errorf("%s\nwant %s", got, want)
		}
		if len(bad) != 1 || bad[0].Feature != 5 || !strings.Contains(bad[0].Error(), "a value of column 2, where there are 1 columns") {
			t.Errorf("%v", bad)
		}
		if notes := s.Notes(); len(notes) != 1 || !strings.Contains(notes[0], "its column photo holds bytes") {
			t.Errorf("%q", notes)
		}
		// One that is not wanted is not made a field, nor told of.
		if s, _, _, err := readAll(t, putFGB(t, fgbFile(head, records...)), Options{Columns: []string{"N"}}); err != nil || fmt.Sprint(s.Schema().Fields) != "[{n 2   }]" || len(s.Notes()) != 0 {
			t.Errorf("%+v, %v", s.Schema().Fields, err)
		}
	}
	delete(head, fgbHeaderCount)
	head[fgbHeaderColumns] = []fgbT{col("n", fgbInt), col("species", fgbString)}
	s, all, bad, err := readAll(t, putFGB(t, fgbFile(head, records[:4]...)), Options{})
	noError(t, err)
	var got []string
	for _, f := range all {
		got = append(got, fmt.Sprint(texts(f)))
	}
	if want := "[7 Acer] [2.5 Tilia] [null null] [null late]"; strings.Join(got, " ") != want || len(bad) != 0 {
		t.Errorf("%s, %v\nwant %s", got, bad, want)
	}
	if notes := strings.Join(s.Notes(), "; "); notes != "1 record has columns that its head does not list; they are left out (the first: more)" {
		t.Errorf("%q", notes)
	}
}

func TestFlatGeobufSystems(t *testing.T) {
	utm := system(t, "EPSG:32617")
	local := localSystem(t)
	for name, c := range map[string]struct {
		crs  fgbT
		told *crs.System
		want *crs.System
		note string
		err  string
	}{
		"none":               {nil, nil, nil, "", ""},
		"none, told":         {nil, utm, utm, "", ""},
		"nothing known":      {fgbT{fgbCRSName: "a"}, nil, nil, "", ""},
		"a code":             {fgbT{fgbCRSCode: int32(32617)}, nil, utm, "", ""},
		"in small letters":   {fgbT{fgbCRSOrg: "epsg", fgbCRSCode: int32(32617)}, nil, utm, "", ""},
		"a code as text":     {fgbT{fgbCRSOrg: "OGC", fgbCRSCodeText: "CRS84"}, nil, crs.WGS84(), "", ""},
		"text":               {fgbT{fgbCRSWKT: local.WKT()}, nil, local, "", ""},
		"a year":             {fgbT{fgbCRSWKT: "COORDINATEMETADATA[" + utm.WKT() + ",EPOCH[2021.3]]"}, nil, utm, "", ""},
		"another maker":      {fgbT{fgbCRSOrg: "TOWN", fgbCRSCode: int32(9), fgbCRSWKT: local.WKT()}, nil, local, "", ""},
		"unknown":            {fgbT{fgbCRSOrg: "TOWN", fgbCRSCode: int32(9)}, nil, nil, "", "its coordinate system is not understood"},
		"unknown, told":      {fgbT{fgbCRSOrg: "TOWN", fgbCRSCode: int32(9)}, utm, utm, "utm zone 17n is used, as told", ""},
		"other than is told": {fgbT{fgbCRSCode: int32(4326)}, utm, utm, "it says that its coordinates are wgs 84", ""},
	} {
		head := fgbT{fgbHeaderType: byte(wkbPoint)}
		if c.crs != nil {
			head[fgbHeaderCRS] = c.crs
		}
		path := putFGB(t, fgbFile(head, fgbRecord(fgbXY(500000, 4000000))))
		s, err := Open(path, Options{System: c.told})
		if c.err != "" {
			var e *Error
			if !errors.As(err, &e) || !strings.Contains(err.Error(), c.err) || e.File != path || !strings.Contains(e.Remedy, "--crs") {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		noError(t, err)
		if got := s.Schema().System; (got == nil) != (c.want == nil) || got != nil && !got.Same(c.want) {
			t.Errorf("%s: %v", name, got)
		}
		if notes := strings.ToLower(strings.Join(s.Notes(), "; ")); (notes == "") != (c.note == "") || !strings.Contains(notes, c.note) {
			t.Errorf("%s: notes %q", name, notes)
		}
	}
}

// shared is a record whose geometry is a collection of n parts that are one and the
// same, so many levels deep.
func shared(n, levels int) []byte {
	b := flatbuffers.NewBuilder(0)
	xy := make([]float64, 200)
	g := fgbT{fgbGeometryType: byte(wkbMultiPoint), fgbGeometryXY: xy}.put(b)
	for range levels {
		all := make([]flatbuffers.UOffsetT, n)
		for i := range all {
			all[i] = g
		}
		parts := b.CreateVectorOfTables(all)
		b.StartObject(8)
		b.PrependByteSlot(fgbGeometryType, wkbCollection, 0)
		b.PrependUOffsetTSlot(fgbGeometryParts, parts, 0)
		g = b.EndObject()
	}
	b.StartObject(1)
	b.PrependUOffsetTSlot(fgbFeatureGeometry, g, 0)
	b.FinishSizePrefixed(b.EndObject())
	return b.FinishedBytes()
}

// brokenFlat is a damaged file, and what comes of reading it.
type brokenFlat struct {
	b    []byte
	good string // FIDs that are read
	left string // the reason for which others are left out, FID:reason
	err  string // words of the error that ends the reading
	note string
}

func brokenFlatGeobuf() map[string]brokenFlat {
	head := func(more fgbT) fgbT {
		t := fgbT{fgbHeaderType: byte(wkbPoint), fgbHeaderCRS: fgbT{fgbCRSCode: int32(4326)}, fgbHeaderColumns: []fgbT{{fgbColumnName: "species", fgbColumnType: byte(fgbString)}, {fgbColumnName: "n", fgbColumnType: byte(fgbInt)}}}
		maps.Copy(t, more)
		return t
	}
	oak := fgbRecord(fgbXY(1, 2), fgbValues{}.add(0, "Quercus").add(1, int32(1))...)
	elm := fgbRecord(fgbXY(3, 4), fgbValues{}.add(0, "Ulmus")...)
	whole := fgbFile(head(nil), oak, elm)
	counted := func(n uint64, more ...[]byte) []byte {
		return fgbFile(head(fgbT{fgbHeaderCount: n}), append([][]byte{oak, elm}, more...)...)
	}
	among := func(bad []byte, reason string) brokenFlat {
		return brokenFlat{b: fgbFile(head(nil), oak, bad, elm), good: "1 3", left: "2:" + reason}
	}
	bent := func(b []byte, at int, with ...byte) []byte { b = bytes.Clone(b); copy(b[at:], with); return b }
	values := func(v fgbValues) brokenFlat { return among(fgbRecord(fgbXY(1, 2), v...), reasonDamaged) }
	sized := func(n uint32, b ...byte) []byte { return append(binary.LittleEndian.AppendUint32(nil, n), b...) }
	first := len(whole) - len(oak) - len(elm)
	// Of a record: the place of the root, and the root's list of fields.
	root := int(binary.LittleEndian.Uint32(oak[4:])) + 4
	indexed := fgbFile(head(fgbT{fgbHeaderCount: uint64(2), fgbHeaderNodeSize: uint16(16)}))
	// Four records behind an index, of which the lengths are bent.
	guided := func(bend func(records [][]byte, leaves []byte) [][]byte) []byte {
		records := [][]byte{bytes.Clone(oak), bytes.Clone(elm), bytes.Clone(oak), bytes.Clone(elm)}
		var index []byte
		for i, at := 0, 0; i < 5; i++ {
			node := make([]byte, fgbNodeBytes)
			if i > 0 {
				binary.LittleEndian.PutUint64(node[32:], uint64(at))
				at += len(records[i-1])
			}
			index = append(index, node...)
		}
		records = bend(records, index[fgbNodeBytes:])
		return bytes.Join(append([][]byte{fgbFile(head(fgbT{fgbHeaderCount: uint64(4), fgbHeaderNodeSize: uint16(16)})), index}, records...), nil)
	}
	long := func(i int, n uint32) []byte {
		return guided(func(r [][]byte, _ []byte) [][]byte { binary.LittleEndian.PutUint32(r[i], n); return r })
	}
	return map[string]brokenFlat{
		"whole":                    {b: whole, good: "1 2"},
		"counted":                  {b: counted(2), good: "1 2"},
		"more-than-counted":        {b: counted(1), good: "1", note: "there is more behind the 1 records"},
		"fewer-than-counted":       {b: counted(3), good: "1 2", err: "feature 3: it ends early: its head counts 3 records"},
		"counted-beyond-all":       {b: counted(math.MaxUint64), good: "1 2", err: "it ends early"},
		"only-the-first-bytes":     {b: whole[:8], err: "it ends early"},
		"fewer-than-these":         {b: whole[:5], err: "it ends early"},
		"other-version":            {b: bent(whole, 3, 4), err: "is FlatGeobuf of version 4, where 3 is read"},
		"other-first-bytes":        {b: bent(whole, 4, 'x'), err: "does not begin as a FlatGeobuf file does"},
		"any-patch":                {b: bent(whole, 7, 200), good: "1 2"},
		"head-cut":                 {b: whole[:first/2], err: "it ends early"},
		"head-of-nothing":          {b: append([]byte(fgbMagic+"\x00"), 0, 0, 0, 0), err: "too few for a table"},
		"head-longer-than-file":    {b: bent(whole, 8, 0xFF, 0xFF, 0xFF, 0xFF), err: "it ends early: 4294967295 bytes are to follow"},
		"head-elsewhere":           {b: bent(whole, 12, 0xFF, 0xFF, 0xFF, 0x7F), err: "a table at byte 2147483647"},
		"record-cut":               {b: whole[:len(whole)-3], good: "1", err: "feature 2: it ends early"},
		"length-cut":               {b: append(bytes.Clone(whole), 1, 0), good: "1 2", err: "feature 3: it ends early"},
		"length-beyond-the-file":   {b: append(bytes.Clone(whole), sized(1<<31)...), good: "1 2", err: "feature 3: it ends early: 2147483648 bytes are to follow"},
		"record-of-nothing":        among(sized(0), reasonDamaged),
		"record-of-zeros":          among(sized(16, make([]byte, 16)...), reasonDamaged),
		"record-of-ones":           among(sized(16, bytes.Repeat([]byte{0xFF}, 16)...), reasonDamaged),
		"root-elsewhere":           among(bent(oak, 4, 0xFF, 0xFF), reasonDamaged),
		"fields-before-the-record": among(bent(oak, root, 0xFF, 0xFF, 0, 0), reasonDamaged),
		"fields-behind-the-record": among(bent(oak, root, 0, 0, 0xFF, 0xFF), reasonDamaged),
		"value-of-no-column":       values(fgbValues{}.add(7, int32(1))),
		"value-twice":              values(fgbValues{}.add(1, int32(1)).add(1, int32(2))),
		"value-cut":                values(fgbValues{}.add(1, int16(1))),
		"number-of-column-cut":     values(fgbValues{1}),
		"length-of-text-cut":       values(fgbValues{}.add(0, int16(1))),
		"text-longer-than-record":  values(fgbValues{}.add(0, uint32(math.MaxUint32), int32(1))),
		"same-parts-many-times":    {b: fgbFile(fgbT{}, shared(100, 8), fgbRecord(fgbT{fgbGeometryType: byte(wkbPoint), fgbGeometryXY: []float64{1, 2}})), good: "2", left: "1:" + reasonDamaged},
		"column-without-name":      {b: fgbFile(fgbT{fgbHeaderColumns: []fgbT{{fgbColumnType: byte(3)}}}, oak), err: "its column 1 has no name"},
		"column-of-no-type":        {b: fgbFile(fgbT{fgbHeaderColumns: []fgbT{{fgbColumnName: "a", fgbColumnType: byte(15)}}}, oak), err: "its column a is of type 15, which there is not"},
		"geometry-of-no-type":      {b: fgbFile(fgbT{fgbHeaderType: byte(18)}, oak), err: "its geometries are of type 18, which there is not"},
		"index-of-single-nodes":    {b: fgbFile(head(fgbT{fgbHeaderCount: uint64(2), fgbHeaderNodeSize: uint16(1)})), err: "nodes of one node each"},
		"index-cut":                {b: append(indexed, make([]byte, 3*fgbNodeBytes-1)...), err: "it ends early"},
		"index-passed-over":        {b: bytes.Join([][]byte{indexed, bytes.Repeat([]byte{0xFF}, 3*fgbNodeBytes), oak, elm}, nil), good: "1 2"},
		"index-beyond-all":         {b: fgbFile(head(fgbT{fgbHeaderCount: uint64(1) << 60, fgbHeaderNodeSize: uint16(2)}), oak), err: "it ends early"},
		"index-of-nothing":         {b: fgbFile(head(fgbT{fgbHeaderCount: uint64(0), fgbHeaderNodeSize: uint16(16)}), oak, elm), good: "1 2"},
		"no-records":               {b: fgbFile(head(nil))},
		// With an index, a length that is wrong costs its own record at most.
		"indexed-length-beyond-all":      {b: long(1, math.MaxUint32), good: "1 3 4", left: "2:" + reasonDamaged},
		"indexed-length-of-two":          {b: long(1, uint32(len(elm)+len(oak))), good: "1 2 3 4"},
		"indexed-length-into-the-next":   {b: long(1, uint32(len(elm)+20)), good: "1 2 3 4"},
		"indexed-length-over-the-next":   {b: long(1, uint32(len(elm)-4+len(oak))), good: "1 2 3", err: "feature 4: it ends early: its head counts 4 records"},
		"indexed-length-short":           {b: long(1, 8), good: "1 3 4", left: "2:" + reasonDamaged},
		"indexed-length-nothing":         {b: long(0, 0), good: "2 3 4", left: "1:" + reasonDamaged},
		"indexed-last-length-beyond-all": {b: long(3, math.MaxUint32), good: "1 2 3", err: "feature 4: it ends early"},
		"indexed-and-cut":                {b: guided(func(r [][]byte, _ []byte) [][]byte { r[1] = r[1][:len(r[1])-1]; return r[:2] }), good: "1", err: "feature 2: it ends early"},
		"index-that-lies": {b: guided(func(r [][]byte, leaves []byte) [][]byte {
			copy(leaves, bytes.Repeat([]byte{0xFF}, len(leaves)))
			return r
		}), good: "1 2 3 4"},
		"index-that-leads-back": {b: guided(func(r [][]byte, leaves []byte) [][]byte {
			clear(leaves)
			binary.LittleEndian.PutUint32(r[1], math.MaxUint32)
			return r
		}), good: "1", err: "feature 2: it ends early"},
	}
}

func TestBrokenFlatGeobuf(t *testing.T) {
	cases := brokenFlatGeobuf()
	made := map[string][]byte{}
	for name, c := range cases {
		made[name] = c.b
	}
	brokenFolder(t, "flatgeobuf", ".fgb", made, func(t *testing.T, name, path string) {
		c := cases[name]
		d := damage{good: c.good, fatal: c.err, note: c.note}
		if c.left != "" {
			var fid int64
			_, reason, _ := strings.Cut(c.left, ":")
			fmt.Sscan(c.left[:1], &fid)
			d.bad = map[int64]string{fid: reason}
		}
		bounded(t, len(c.b), 8<<20, 100, func() { d.check(t, path) })
	})
}

// flatSeeds are sound files of two writers, and some that the library builds.
func flatSeeds(t testing.TB) (all [][]byte) {
	paths, err := filepath.Glob("../../fixtures/layers/*.fgb")
	noError(t, err)
	path := filepath.Join(t.TempDir(), "city.fgb")
	write(t, path, twoLayers(system(t, "EPSG:2263")), CreateOptions{Metadata: "Confirm on site."}, sampleRows(orb.Point{987654.5, 200000}, 10)...)
	for _, p := range append(paths, path, layerPath(path, twoLayers(nil), 1)) {
		b, err := os.ReadFile(p)
		noError(t, err)
		all = append(all, b)
	}
	if len(all) != 7 {
		t.Fatalf("%d files", len(all))
	}
	return append(all, fgbFile(fgbT{},
		fgbT{fgbFeatureGeometry: fgbT{fgbGeometryType: byte(wkbCollection), fgbGeometryParts: []fgbT{{fgbGeometryType: byte(wkbPoint), fgbGeometryXY: []float64{1, 2}}, {fgbGeometryType: byte(wkbMultiCurve), fgbGeometryParts: []fgbT{{fgbGeometryType: byte(wkbLineString), fgbGeometryXY: []float64{1, 2, 3, 4}}}}}},
			fgbFeatureColumns:    []fgbT{{fgbColumnName: "a", fgbColumnType: byte(fgbString)}, {fgbColumnName: "b", fgbColumnType: byte(fgbDateTime), fgbColumnWidth: int32(10)}},
			fgbFeatureProperties: []byte(fgbValues{}.add(0, "x").add(1, "2024-05-01"))}.buffer()))
}

// A file that is cut anywhere, or has bytes changed anywhere, is an error, or one or
// fewer or odd records, never a panic.
func TestFlatGeobufDamagedAnywhere(t *testing.T) {
	path := filepath.Join(t.TempDir(), "damaged.fgb")
	rnd := rand.New(rand.NewPCG(7, 8))
	for n, raw := range flatSeeds(t) {
		records := n < 7 // its head counts them
		for at := 1; at < len(raw); at += 1 + len(raw)/200 {
			noError(t, os.WriteFile(path, raw[:at], 0o666))
			if _, _, _, err := readAll(t, path, Options{}); records && (err == nil || !strings.HasPrefix(err.Error(), path)) {
				t.Errorf("cut at %d: %v", at, err)
			}
		}
		for i := range 300 {
			b := bytes.Clone(raw)
			at := rnd.IntN(len(b))
			spoil(rnd, b, at, 8, i%4 == 0)
			noError(t, os.WriteFile(path, b, 0o666))
			sound(t, path)
		}
	}
}

// What is larger than the limits is left out, or ends the reading, with the limit.
func TestFlatGeobufLimits(t *testing.T) {
	small := limit
	small.fgbHead = 400
	lowerLimits(t, small)
	_, err := Open(putFGB(t, fgbFile(fgbT{fgbHeaderTitle: strings.Repeat("x", 500)})), Options{})
	var e *Error
	if !errors.As(err, &e) || !strings.Contains(err.Error(), "bytes, where 400 are the limit") || e.File == "" {
		t.Error(err)
	}
	var columns []fgbT
	for i := range maxJSONFields + 1 {
		columns = append(columns, fgbT{fgbColumnName: fmt.Sprint("n", i)})
	}
	limit.fgbHead = 1 << 20
	if _, err := Open(putFGB(t, fgbFile(fgbT{fgbHeaderColumns: columns})), Options{}); err == nil || !strings.Contains(err.Error(), "has more than 2000 columns, the limit (keep the columns that are wanted)") {
		t.Error(err)
	}
	if _, err := Open(putFGB(t, fgbFile(fgbT{fgbHeaderColumns: columns})), Options{Columns: []string{"n7"}}); err != nil {
		t.Error(err)
	}
	var many []fgbT
	for i := range 1500 {
		many = append(many, fgbT{fgbColumnName: fmt.Sprint("m", i)})
	}
	if _, err := Open(putFGB(t, fgbFile(fgbT{}, fgbT{fgbFeatureColumns: columns[:1500]}.buffer(), fgbT{fgbFeatureColumns: many}.buffer())), Options{}); err == nil || !strings.Contains(err.Error(), "has more than 2000 columns") {
		t.Error(err)
	}
}

// go test -run '^$' -fuzz FuzzFlatGeobuf -fuzzminimizetime 10x ./geo/layer
func FuzzFlatGeobuf(f *testing.F) {
	for _, b := range flatSeeds(f) {
		f.Add(b)
	}
	all := corpus(f, "flatgeobuf")
	for _, k := range sortedKeys(all) {
		f.Add(all[k])
	}
	path := filepath.Join(f.TempDir(), "a.fgb")
	f.Fuzz(func(t *testing.T, b []byte) {
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		sound(t, path)
	})
}
