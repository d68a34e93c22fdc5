package layer

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/gzip"
	"github.com/parquet-go/parquet-go/compress/snappy"
	"github.com/parquet-go/parquet-go/compress/uncompressed"
	"github.com/parquet-go/parquet-go/compress/zstd"
	"github.com/parquet-go/parquet-go/encoding/thrift"
	pq "github.com/parquet-go/parquet-go/format"
	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/wkb"

	"soilshed/geo/crs"
)

// The files that libraries in JavaScript and in Rust made of two layers hold what
// the layers hold.
func TestGeoParquetOfOtherWriters(t *testing.T) {
	tried := 0
	for _, name := range []string{"trees", "pavement"} {
		_, want := mustRead(t, "../../fixtures/layers/"+name+".geojson", Options{})
		paths, err := filepath.Glob("../../fixtures/layers/" + name + "-*.parquet")
		noError(t, err)
		for _, path := range paths {
			tried++
			s, got := mustRead(t, path, Options{})
			if notes := s.Notes(); len(notes) > 0 || !s.Schema().System.Same(crs.WGS84()) || s.Schema().Name+".parquet" != filepath.Base(path) {
				t.Errorf("%s: system %s, notes %q", path, s.Schema().System.Name(), notes)
			}
			shape := map[string]Shape{"trees": Points, "pavement": Polygons}[name]
			if strings.Contains(path, "typed") {
				shape = Mixed // it has no list of what is in it
			}
			if s.Schema().Shape != shape {
				t.Errorf("%s: shape %d", path, s.Schema().Shape)
			}
			if len(got) != len(want) {
				t.Fatalf("%s: %d records of %d", path, len(got), len(want))
			}
			for i := range got {
				if d := alike(got[i].Geometry, want[i].Geometry, 0); d != "" {
					t.Errorf("%s, feature %d: %s", path, i+1, d)
				}
				if g, w := fmt.Sprint(texts(got[i])), fmt.Sprint(texts(want[i])); g != w || got[i].FID != int64(i+1) {
					t.Errorf("%s, feature %d: %s, want %s", path, got[i].FID, g, w)
				}
			}
		}
	}
	if tried != 10 {
		t.Errorf("%d files", tried)
	}
}

// odd is a record of all kinds of cells, in each encoding that is read.
type odd struct {
	Yes       bool      `parquet:"yes"`
	Maybe     *bool     `parquet:"maybe,optional"`
	Small     int32     `parquet:"small,delta"`
	Large     int64     `parquet:"large,delta"`
	Unsigned  uint32    `parquet:"unsigned"`
	Huge      uint64    `parquet:"huge"`
	Single    float32   `parquet:"single"`
	Double    float64   `parquet:"double,split"`
	Text      string    `parquet:"text,delta"`
	Species   string    `parquet:"species,dict"`
	Maker     *string   `parquet:"maker,optional,dict"`
	Day       int32     `parquet:"day,date"`
	Money     int64     `parquet:"money,decimal(2:12)"`
	When      time.Time `parquet:"when,timestamp(millisecond)"`
	Clock     int32     `parquet:"clock,time(millisecond)"`
	ID        [16]byte  `parquet:"id,uuid"`
	Tags      []string  `parquet:"tags,list"`
	Nested    struct{ A, B int32 }
	BBox      struct{ XMin, YMin float64 } `parquet:"bbox"`
	Photo     []byte                       `parquet:"photo"`
	Geometry  []byte                       `parquet:"geometry,optional"`
	Geometry2 []byte                       `parquet:"geometry2,optional"`
}

const geoText = `{"version":"1.1.0","primary_column":"geometry","columns":{"geometry":{"encoding":"WKB","geometry_types":["Point Z"],"crs":%s,"covering":{"bbox":{"xmin":["bbox","XMin"]}}},"geometry2":{"encoding":"WKB","geometry_types":[]}}}`

func oddOnes(n int) []odd {
	yes, maker := true, "Long Acre"
	rows := make([]odd, n)
	for i := range rows {
		rows[i] = odd{
			Yes: i%3 == 0, Small: int32(7*i - 100), Large: 1<<60 + int64(i*i), Unsigned: 4e9 + uint32(i), Huge: 1<<63 + uint64(i),
			Single: 0.1 + float32(i), Double: 0.1 + float64(i), Text: fmt.Sprint("Straße ", i*i), Species: []string{"Acer", "Tilia", "Quercus"}[i%3],
			Day: 19842 + int32(i), Money: int64(1250 - i), When: time.UnixMilli(1714392000125 + int64(i)).UTC(), Clock: 3661001, ID: [16]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, byte(i)},
			Tags: []string{"a", "b"},
		}
		if i%4 == 0 {
			rows[i].Maybe, rows[i].Maker = &yes, &maker
		}
		if i%5 != 4 {
			rows[i].Geometry = wkb.MustMarshal(orb.Point{500000 + float64(i), 4000000 - float64(i)})
		}
	}
	return rows
}

func writeOdd(t testing.TB, rows []odd, system string, o ...parquet.WriterOption) []byte {
	t.Helper()
	var b bytes.Buffer
	w := parquet.NewGenericWriter[odd](&b, append(o, parquet.KeyValueMetadata("geo", fmt.Sprintf(geoText, system)))...)
	_, err := w.Write(rows)
	if err = errors.Join(err, w.Close()); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

const utm18 = `{"type":"ProjectedCRS","name":"WGS 84 / UTM zone 18N","id":{"authority":"EPSG","code":32618}}`

// Cells of every kind, in every encoding and packing, by the library's own writer.
func TestGeoParquetKinds(t *testing.T) {
	rows := oddOnes(700)
	for name, o := range map[string][]parquet.WriterOption{
		"snappy":  {parquet.Compression(&snappy.Codec{}), parquet.DataPageVersion(1)},
		"zstd":    {parquet.Compression(&zstd.Codec{}), parquet.DataPageVersion(2), parquet.PageBufferSize(512)},
		"gzip":    {parquet.Compression(&gzip.Codec{}), parquet.DataPageVersion(2), parquet.MaxRowsPerRowGroup(100)},
		"no pack": {parquet.Compression(&uncompressed.Codec{}), parquet.DataPageVersion(1), parquet.PageBufferSize(300), parquet.MaxRowsPerRowGroup(333)},
	} {
		path := filepath.Join(t.TempDir(), "odd.parquet")
		noError(t, os.WriteFile(path, writeOdd(t, rows, utm18, o...), 0o666))
		s, got := mustRead(t, path, Options{})
		if sys, _ := crs.FromEPSG(32618); !s.Schema().System.Same(sys) || s.Schema().Shape != Points {
			t.Errorf("%s: %s, shape %d", name, s.Schema().System.Name(), s.Schema().Shape)
		}
		var fields []string
		for _, f := range s.Schema().Fields {
			fields = append(fields, fmt.Sprint(f.Name, ":", f.Kind))
		}
		if want := fmt.Sprintf("yes:%d maybe:%[1]d small:%d large:%[2]d unsigned:%[2]d huge:%[2]d single:%d double:%[3]d text:%d species:%[4]d maker:%[4]d day:%d money:%[3]d when:%[4]d clock:%[4]d id:%[4]d", Boolean, Integer, Real, Text, Date); strings.Join(fields, " ") != want {
			t.Errorf("%s: fields %s, want %s", name, fields, want)
		}
		if notes := strings.Join(s.Notes(), "; "); notes != "its column tags holds lists or groups and is left out; its column Nested holds lists or groups and is left out; its column photo holds bytes that are no text and is left out; its column geometry2 holds bytes that are no text and is left out" {
			t.Errorf("%s: notes %s", name, notes)
		}
		if len(got) != len(rows) {
			t.Fatalf("%s: %d records", name, len(got))
		}
		for i, r := range rows {
			maybe, maker := "null", "null"
			if r.Maybe != nil {
				maybe, maker = "true", *r.Maker
			}
			day := time.Date(2024, 4, 29, 0, 0, 0, 0, time.UTC).AddDate(0, 0, i) // 19842 days after 1970
			want := []string{
				fmt.Sprint(r.Yes), maybe, fmt.Sprint(r.Small), fmt.Sprint(r.Large), fmt.Sprint(r.Unsigned), fmt.Sprint(r.Huge), fmt.Sprint(r.Single), fmt.Sprint(r.Double), r.Text, r.Species, maker,
				day.Format(time.DateOnly), Number(float64(r.Money) / 100).Text(), r.When.Format("2006-01-02T15:04:05.999Z"), "01:01:01.001", fmt.Sprintf("01020304-0506-0708-090a-0b0c0d0e0f%02x", byte(i)),
			}
			if g, w := fmt.Sprintf("%q", texts(got[i])), fmt.Sprintf("%q", want); g != w {
				t.Fatalf("%s, feature %d:\n%s, want\n%s", name, i+1, g, w)
			}
			if p, ok := got[i].Geometry.(orb.Point); ok != (i%5 != 4) || ok && p != (orb.Point{500000 + float64(i), 4000000 - float64(i)}) {
				t.Fatalf("%s, feature %d: %v", name, i+1, got[i].Geometry)
			}
		}
		// By its first bytes, and a few columns alone.
		plain := filepath.Join(t.TempDir(), "odd.bin")
		noError(t, os.Rename(path, plain))
		s, got = mustRead(t, plain, Options{Columns: []string{"SPECIES", "small"}})
		if len(got) != len(rows) || fmt.Sprint(texts(got[2])) != "[-86 Quercus]" || len(s.Notes()) > 0 {
			t.Errorf("%s: %q, notes %q", name, texts(got[2]), s.Notes())
		}
	}
}

// What the geo metadata say of coordinates, and what comes of it.
func TestGeoParquetSystems(t *testing.T) {
	rows := oddOnes(3)
	path := filepath.Join(t.TempDir(), "a.parquet")
	for _, c := range []struct{ text, epsg, err, note string }{
		{text: `null`},
		{text: `"OGC:CRS84"`, epsg: "EPSG:4326"},
		{text: `{"type":"GeographicCRS","name":"WGS 84 (CRS84)","id":{"authority":"OGC","code":"CRS84"}}`, epsg: "EPSG:4326"},
		{text: `{"type":"CompoundCRS","name":"with heights","components":[` + utm18 + `,{"type":"VerticalCRS"}]}`, epsg: "EPSG:32618"},
		{text: `{"type":"BoundCRS","source_crs":` + utm18 + `}`, epsg: "EPSG:32618"},
		{text: `{"type":"ProjectedCRS","name":"own","id":{"authority":"EPSG","code":"2263"}}`, epsg: "EPSG:2263"},
		{text: `{"type":"ProjectedCRS","name":"own grid"}`, err: `its coordinate system is not understood: PROJJSON: ProjectedCRS "own grid" says neither which system it is, by an id, nor on what datum it lies (say what the coordinates are: --crs EPSG:code)`},
		{text: `{"type":"ProjectedCRS","name":"own","id":{"authority":"EPSG","code":999999}}`, err: "--crs EPSG:code"},
		{text: `7`, err: "no PROJJSON"},
		{text: `null,"edges":"spherical"`, note: "its edges are said to be spherical"},
		{text: `null,"encoding":"point"`, err: `its geometry is encoded as "point", where WKB alone is read (write it anew with the encoding WKB`},
	} {
		noError(t, os.WriteFile(path, writeOdd(t, rows, c.text), 0o666))
		s, err := Open(path, Options{})
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) || !strings.HasPrefix(err.Error(), path) {
				t.Errorf("%s: %v", c.text, err)
			}
			if s, err := Open(path, Options{System: crs.WGS84()}); strings.Contains(c.err, "--crs") && (err != nil || !s.Schema().System.Same(crs.WGS84()) || !strings.Contains(s.Notes()[0], "as told")) {
				t.Errorf("%s, told: %v", c.text, err)
			}
			continue
		}
		noError(t, err)
		var want *crs.System
		if c.epsg != "" {
			want = system(t, c.epsg)
		}
		if got := s.Schema().System; (got == nil) != (want == nil) || got != nil && !got.Same(want) {
			t.Errorf("%s: %v", c.text, got)
		}
		if notes := strings.Join(s.Notes(), ";"); !strings.Contains(notes, c.note) {
			t.Errorf("%s: notes %s", c.text, notes)
		}
		s.Close()
	}
}

// relabelled is a Parquet file with other metadata.
func relabelled(t testing.TB, b []byte, change func(*pq.FileMetaData)) []byte {
	t.Helper()
	at := len(b) - 8 - int(binary.LittleEndian.Uint32(b[len(b)-8:]))
	meta := &pq.FileMetaData{}
	noError(t, thrift.Unmarshal(&thrift.CompactProtocol{}, b[at:len(b)-8], meta))
	change(meta)
	foot, err := thrift.Marshal(&thrift.CompactProtocol{}, meta)
	noError(t, err)
	return withFooter(b[:at], foot)
}

func withFooter(b, foot []byte) []byte {
	b = append(bytes.Clone(b), foot...)
	return append(binary.LittleEndian.AppendUint32(b, uint32(len(foot))), "PAR1"...)
}

type brokenParquet struct {
	b      []byte
	err    string // words of the error; "" when the file is read
	remedy string
	good   int
	left   string // reason of the record left out
}

func brokenGeoParquet(t testing.TB) map[string]brokenParquet {
	read := func(name string) []byte {
		b, err := os.ReadFile("../../fixtures/layers/" + name + ".parquet")
		noError(t, err)
		return b
	}
	plain, packed, second := read("trees-hyparquet-unpacked-typed"), read("trees-hyparquet-snappy"), read("trees-rust-second-version")
	meta := func(b []byte, change func(*pq.FileMetaData)) []byte { return relabelled(t, b, change) }
	column := func(b []byte, change func(*pq.ColumnMetaData)) []byte {
		return meta(b, func(m *pq.FileMetaData) {
			all := m.RowGroups[0].Columns
			change(&all[len(all)-1].MetaData)
		})
	}
	kv := func(text string) []byte {
		return meta(packed, func(m *pq.FileMetaData) { m.KeyValueMetadata = []pq.KeyValue{{Key: "geo", Value: text}} })
	}
	// The head of the first page, another way.
	page := func(b []byte, change func(*pq.PageHeader)) []byte {
		t.Helper()
		h := &pq.PageHeader{}
		n, err := unmarshalThrift(b[4:], h)
		noError(t, err)
		change(h)
		head, err := thrift.Marshal(&thrift.CompactProtocol{}, h)
		noError(t, err)
		moved := int64(len(head) - n)
		return meta(append(append(bytes.Clone(b[:4]), head...), b[4+n:]...), func(m *pq.FileMetaData) {
			for i := range m.RowGroups[0].Columns {
				c := &m.RowGroups[0].Columns[i].MetaData
				if i == 0 {
					c.TotalCompressedSize += moved
				}
				if i > 0 || c.DictionaryPageOffset > 0 {
					c.DataPageOffset += moved
				}
				if i > 0 && c.DictionaryPageOffset > 0 {
					c.DictionaryPageOffset += moved
				}
			}
		})
	}
	first := wkb.MustMarshal(orb.Point{-73.95, 40.7})
	at := bytes.Index(plain, first[5:])
	if at < 0 {
		// The point has a height there.
		t.Fatal("the first point is not found")
	}
	geometry := bytes.Clone(plain)
	geometry[at-1] = 99
	cut := len(packed) / 2
	deep := bytes.Repeat([]byte{0x1C}, 100_000) // field 1, a struct
	many := append([]byte{0x15, 2, 0x19, 0xFC}, binary.AppendUvarint(nil, 50_000)...)
	many = append(many, make([]byte, 50_001)...) // as many schema elements of one byte
	const damaged = "damaged"
	return map[string]brokenParquet{
		"words":                            {b: []byte("Minutes of the meeting.\n"), err: "is no Parquet file", remedy: "ogr2ogr"},
		"four-bytes":                       {b: []byte("PAR1"), err: "it was cut short", remedy: "copy it again"},
		"cut":                              {b: packed[:cut], err: "it was cut short", remedy: "copy it again"},
		"encrypted":                        {b: append(bytes.Clone(packed[:len(packed)-4]), "PARE"...), err: "is encrypted", remedy: "without"},
		"footer-longer-than-file":          {b: append(binary.LittleEndian.AppendUint32(bytes.Clone(packed[:len(packed)-8]), 1<<30), "PAR1"...), err: "its footer is said to be of 1073741824 bytes", remedy: damaged},
		"footer-of-nothing":                {b: withFooter(packed[:cut], nil), err: "its footer is not as it should be", remedy: damaged},
		"footer-nested-deep":               {b: withFooter(packed[:4], deep), err: "nested more than 16 deep", remedy: damaged},
		"footer-lists-more-than-its-bytes": {b: withFooter(packed[:4], append([]byte{0x15, 2, 0x19, 0xFC}, 0xFF, 0xFF, 0xFF, 0xFF, 7)), err: "lists 2147483647 things", remedy: damaged},
		"footer-lists-of-nothing":          {b: withFooter(packed[:4], many), err: "lists 50000 things, for which its 50008 bytes are too few", remedy: damaged},
		"no-schema":                        {b: meta(packed, func(m *pq.FileMetaData) { m.Schema = m.Schema[:0] }), err: "it has no schema", remedy: damaged},
		"schema-ends-early":                {b: meta(packed, func(m *pq.FileMetaData) { m.Schema = m.Schema[:3] }), err: "its schema has other columns than it counts", remedy: damaged},
		"a-column-of-many-parts":           {b: meta(packed, func(m *pq.FileMetaData) { m.Schema[1].NumChildren = thrift.New[int32](1 << 30) }), err: "a column of 1073741824 parts", remedy: damaged},
		"no-geo-metadata":                  {b: meta(packed, func(m *pq.FileMetaData) { m.KeyValueMetadata = nil }), err: "is a Parquet file without geometry", remedy: "ogr2ogr"},
		"geo-metadata-cut":                 {b: kv(`{"version":"1.1.0","primary_col`), err: "its geo metadata are no JSON", remedy: damaged},
		"no-primary-column":                {b: kv(`{"version":"1.1.0","columns":{}}`), err: "name no primary_column", remedy: damaged},
		"primary-not-described":            {b: kv(`{"primary_column":"geometry","columns":{}}`), err: `do not describe the primary column "geometry"`, remedy: damaged},
		"primary-not-there":                {b: kv(`{"primary_column":"shape","columns":{"shape":{"encoding":"WKB"}}}`), err: `has no column "shape"`, remedy: damaged},
		"primary-is-a-number":              {b: kv(`{"primary_column":"planted","columns":{"planted":{"encoding":"WKB"}}}`), err: "does not hold WKB", remedy: "WKB"},
		"encoding-of-arrow":                {b: kv(`{"primary_column":"geometry","columns":{"geometry":{"encoding":"multipolygon"}}}`), err: `is encoded as "multipolygon"`, remedy: "WKB"},
		"packed-as-brotli":                 {b: column(packed, func(c *pq.ColumnMetaData) { c.Codec = pq.Brotli }), err: "is packed as BROTLI", remedy: "zstd, snappy or gzip"},
		"packed-as-another":                {b: column(packed, func(c *pq.ColumnMetaData) { c.Codec = pq.Zstd }), err: "unpacking (ZSTD)", remedy: damaged},
		"not-packed-as-said":               {b: column(packed, func(c *pq.ColumnMetaData) { c.Codec = pq.Uncompressed }), err: "belong", remedy: damaged},
		"column-beyond-the-file":           {b: column(packed, func(c *pq.ColumnMetaData) { c.DataPageOffset, c.DictionaryPageOffset = 1<<40, 0 }), err: "is said to lie at byte 1099511627776", remedy: damaged},
		"column-before-the-file":           {b: column(packed, func(c *pq.ColumnMetaData) { c.DataPageOffset, c.DictionaryPageOffset = -1<<62, 0 }), err: "is said to lie at byte", remedy: damaged},
		"column-longer":                    {b: column(packed, func(c *pq.ColumnMetaData) { c.TotalCompressedSize = 1<<63 - 1 }), err: "is said to lie at byte", remedy: damaged},
		"column-shorter":                   {b: column(plain, func(c *pq.ColumnMetaData) { c.TotalCompressedSize = 30 }), err: "said to be of", remedy: damaged},
		"column-of-nothing":                {b: column(packed, func(c *pq.ColumnMetaData) { c.TotalCompressedSize = 0 }), err: "it ends early", remedy: damaged},
		"column-of-another-type":           {b: column(packed, func(c *pq.ColumnMetaData) { c.Type = pq.Int32 }), err: "4 cells of the type INT32, where 4 of the type BYTE_ARRAY belong", remedy: damaged},
		"column-elsewhere":                 {b: meta(packed, func(m *pq.FileMetaData) { m.RowGroups[0].Columns[6].FilePath = "/etc/passwd" }), err: "its cells lie in another file", remedy: "one file"},
		"fewer-columns":                    {b: meta(packed, func(m *pq.FileMetaData) { m.RowGroups[0].Columns = m.RowGroups[0].Columns[:2] }), err: "in 2 columns, of the file's 7", remedy: damaged},
		"more-records-than-cells": {b: meta(packed, func(m *pq.FileMetaData) {
			g := &m.RowGroups[0]
			g.NumRows = 9
			for i := range g.Columns {
				g.Columns[i].MetaData.NumValues = 9
			}
		}), err: "it ends early", remedy: damaged, good: 4},
		"a-trillion-records": {b: meta(packed, func(m *pq.FileMetaData) {
			g := &m.RowGroups[0]
			g.NumRows = 1e12
			for i := range g.Columns {
				g.Columns[i].MetaData.NumValues = 1e12
			}
		}), err: "it is said to hold 1000000000000 records or more", remedy: damaged},
		"fewer-than-no-records": {b: meta(packed, func(m *pq.FileMetaData) { m.RowGroups[0].NumRows = -4 }), err: "hold -4 records", remedy: damaged},
		"page-of-more-cells": {b: page(plain, func(h *pq.PageHeader) {
			h.DataPageHeader.V.NumValues, h.DataPageHeaderV2.V.NumValues = 1<<31-1, 1<<31-1
		}), err: "a page of 2147483647 cells, where 4 are left", remedy: damaged},
		"page-longer-than-the-file": {b: page(plain, func(h *pq.PageHeader) { h.CompressedPageSize = 1<<31 - 1 }), err: "is said to be of 2147483647 bytes", remedy: damaged},
		"page-that-unpacks-far":     {b: page(second, func(h *pq.PageHeader) { h.UncompressedPageSize = 1 << 20 }), err: "belong", remedy: damaged},
		"page-of-nothing-less":      {b: page(plain, func(h *pq.PageHeader) { h.UncompressedPageSize = -1 }), err: "-1 unpacked", remedy: damaged},
		"levels-longer-than-page":   {b: page(second, func(h *pq.PageHeader) { h.DataPageHeaderV2.V.DefinitionLevelsByteLength = 1 << 30 }), err: "a page with levels of 1073741824", remedy: damaged},
		"encoding-not-read":         {b: page(second, func(h *pq.PageHeader) { h.DataPageHeaderV2.V.Encoding = pq.BitPacked }), err: "in the encoding BIT_PACKED, which is not read", remedy: "dictionary"},
		"dictionary-missing":        {b: page(second, func(h *pq.PageHeader) { h.DataPageHeaderV2.V.Encoding = pq.RLEDictionary }), err: "a run of 0 values", remedy: damaged},
		"one-bad-geometry":          {b: geometry, good: 3, left: reasonDamaged},
	}
}

func TestBrokenGeoParquet(t *testing.T) {
	cases := brokenGeoParquet(t)
	made := map[string][]byte{}
	for name, c := range cases {
		made[name] = c.b
	}
	brokenFolder(t, "geoparquet", ".parquet", made, func(t *testing.T, name, path string) {
		c := cases[name]
		var all []Feature
		var bad []*RecordError
		var fatal error
		bounded(t, len(c.b), 8<<20, 100, func() { _, all, bad, fatal = readAll(t, path, Options{System: crs.WGS84()}) })
		if c.remedy == "" {
			noError(t, fatal)
		} else {
			var e *Error
			if !errors.As(fatal, &e) || !strings.Contains(e.Error(), c.err) || !strings.Contains(e.Remedy, c.remedy) || e.File != path {
				t.Errorf("%v", fatal)
			}
		}
		if len(all) != c.good || (len(bad) == 1) != (c.left != "") || len(bad) == 1 && bad[0].Reason != c.left {
			t.Errorf("%d features, left out %v", len(all), bad)
		}
	})
}

// What is small in the file and large unpacked, or again and again, ends at a limit.
func TestGeoParquetBombs(t *testing.T) {
	type row struct {
		Note     string `parquet:"note,dict"`
		Geometry []byte `parquet:"geometry,optional"`
	}
	write := func(rows []row, o ...parquet.WriterOption) string {
		var b bytes.Buffer
		w := parquet.NewGenericWriter[row](&b, append(o, parquet.KeyValueMetadata("geo", `{"primary_column":"geometry","columns":{"geometry":{"encoding":"WKB"}}}`))...)
		_, err := w.Write(rows)
		noError(t, errors.Join(err, w.Close()))
		path := filepath.Join(t.TempDir(), "bomb.parquet")
		noError(t, os.WriteFile(path, b.Bytes(), 0o666))
		return path
	}
	small := limit
	small.zipFree, small.zipTimes, small.parquetHeld, small.parquetRows = 1<<20, 20, 1<<20, 1000
	lowerLimits(t, small)
	long := strings.Repeat("a", 100_000)
	for _, c := range []struct {
		name, err string
		rows      []row
		o         []parquet.WriterOption
	}{
		{"one text of a dictionary, time and again", "it unpacks to more than", slicesOf(row{Note: long}, 900), nil},
		{"a page of blanks", "ask for more than 1048576 bytes of memory at once", slicesOf(row{Note: strings.Repeat(" ", 3<<20)}, 1), []parquet.WriterOption{parquet.Compression(&zstd.Codec{})}},
		{"records of nothing", "it is said to hold 50000 records or more, in", slicesOf(row{}, 50_000), []parquet.WriterOption{parquet.Compression(&zstd.Codec{})}},
	} {
		path := write(c.rows, c.o...)
		_, _, _, err := readAll(t, path, Options{})
		var e *Error
		if !errors.As(err, &e) || !strings.Contains(e.Error(), c.err) || e.Remedy == "" || e.File != path {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	if _, all := mustRead(t, write(slicesOf(row{Note: "Acer"}, 900)), Options{}); len(all) != 900 {
		t.Errorf("%d records", len(all))
	}
}

func slicesOf[T any](v T, n int) []T {
	all := make([]T, n)
	for i := range all {
		all[i] = v
	}
	return all
}

// A file that is cut anywhere is an error; one with bytes changed anywhere is one or
// fewer or odd records, never a panic.
func TestGeoParquetDamagedAnywhere(t *testing.T) {
	path := filepath.Join(t.TempDir(), "damaged.parquet")
	rnd := rand.New(rand.NewPCG(7, 8))
	for _, raw := range parquetSeeds(t) {
		for i := range 16 {
			at := i * len(raw) / 16
			noError(t, os.WriteFile(path, raw[:max(1, at)], 0o666))
			if _, _, _, err := readAll(t, path, Options{}); err == nil || !strings.HasPrefix(err.Error(), path) {
				t.Errorf("cut at %d: %v", at, err)
			}
		}
		for i := range 200 {
			b := bytes.Clone(raw)
			at := rnd.IntN(len(b))
			spoil(rnd, b, at, 8, i%4 == 0)
			noError(t, os.WriteFile(path, b, 0o666))
			sound(t, path)
		}
	}
}

func parquetSeeds(t testing.TB) (all [][]byte) {
	for _, w := range []string{"hyparquet-snappy", "hyparquet-gzip-small-pages", "hyparquet-unpacked-typed", "rust-zstd", "rust-second-version"} {
		for _, layer := range []string{"trees", "pavement"} {
			b, err := os.ReadFile("../../fixtures/layers/" + layer + "-" + w + ".parquet")
			noError(t, err)
			all = append(all, b)
		}
	}
	return append(all, writeOdd(t, oddOnes(20), "null", parquet.DataPageVersion(2)), writeOdd(t, oddOnes(20), utm18, parquet.DataPageVersion(1), parquet.PageBufferSize(100)))
}

// go test -run '^$' -fuzz FuzzGeoParquet -fuzzminimizetime 10x ./geo/layer
func FuzzGeoParquet(f *testing.F) {
	for _, b := range parquetSeeds(f) {
		f.Add(b)
	}
	all := corpus(f, "geoparquet")
	for _, k := range sortedKeys(all) {
		f.Add(all[k])
	}
	was := limit
	limit.zipFree, limit.parquetHeld, limit.parquetRows, limit.parquetStructs = 1<<20, 1<<20, 2000, 2000
	f.Cleanup(func() { limit = was })
	path := filepath.Join(f.TempDir(), "a.parquet")
	f.Fuzz(func(t *testing.T, b []byte) {
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		sound(t, path)
	})
}
