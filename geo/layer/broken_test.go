package layer

import (
	"bytes"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"testing"

	"github.com/paulmach/orb"

	"soilshed/geo/crs"
)

// Damaged files, one a kind of damage, lie in fixtures/broken as raw bytes, so
// that other programs can be shown them too and the fuzz targets start from
// them. -update writes those that the tables here make; a file that is not in a
// table is a find of the fuzzer, and must do no harm.

var update = flag.Bool("update", false, "write the damaged fixtures anew")

const broken = "../../fixtures/broken"

// damage is a damaged file, and what comes of reading it.
type damage struct {
	good  string            // FIDs that are read
	bad   map[int64]string  // FIDs that are left out, and why
	fatal string            // words of the error that ends the reading
	note  string            // words of a note
	text  string            // GeoJSON
	parts map[string][]byte // shapefile
}

func (d damage) check(t *testing.T, path string) {
	s, all, bad, err := readAll(t, path, Options{})
	switch {
	case d.fatal == "" && err != nil:
		t.Fatal(err)
	case d.fatal != "" && (err == nil || !strings.Contains(err.Error(), d.fatal)):
		t.Errorf("error %v, want %q", err, d.fatal)
	}
	if err != nil {
		var e *Error
		if !errors.As(err, &e) || e.File == "" || e.Remedy == "" {
			t.Errorf("an error without file or remedy: %#v", err)
		}
	}
	var fids []string
	for _, f := range all {
		fids = append(fids, fmt.Sprint(f.FID))
	}
	if got := strings.Join(fids, " "); got != d.good {
		t.Errorf("read %q, want %q", got, d.good)
	}
	if len(bad) != len(d.bad) {
		t.Errorf("left out %v, want %v", bad, d.bad)
	}
	for _, b := range bad {
		if d.bad[b.Feature] != b.Reason {
			t.Errorf("feature %d left out: %q, want %q", b.Feature, b.Reason, d.bad[b.Feature])
		}
		if !strings.Contains(b.Error(), fmt.Sprintf("feature %d", b.Feature)) {
			t.Errorf("the place is missing: %v", b.Error())
		}
	}
	if d.note != "" && !strings.Contains(strings.Join(s.Notes(), "; "), d.note) {
		t.Errorf("notes %q, want %q", s.Notes(), d.note)
	}
}

// brokenFolder has check look at each file of a folder under fixtures/broken that made
// makes, and reads the others, which are finds of the fuzzer.
func brokenFolder(t *testing.T, folder, ending string, made map[string][]byte, check func(t *testing.T, name, path string)) {
	folder = filepath.Join(broken, folder)
	if *update {
		os.MkdirAll(folder, 0o777)
		for name, b := range made {
			noError(t, os.WriteFile(filepath.Join(folder, name+ending), b, 0o666))
		}
	}
	es, err := os.ReadDir(folder)
	noError(t, err)
	seen := 0
	for _, e := range es {
		name := strings.TrimSuffix(e.Name(), ending)
		path := filepath.Join(folder, e.Name())
		want, ok := made[name]
		if !ok {
			readAll(t, path, Options{})
			continue
		}
		seen++
		t.Run(name, func(t *testing.T) {
			if b, err := os.ReadFile(path); err != nil || !bytes.Equal(b, want) {
				t.Fatal("the file is not what the table makes; run with -update", err)
			}
			check(t, name, path)
		})
	}
	if seen != len(made) {
		t.Errorf("%d files for %d cases", seen, len(made))
	}
}

func TestBrokenGeoJSON(t *testing.T) {
	folder := filepath.Join(broken, "geojson")
	made := brokenGeoJSON()
	if *update {
		os.MkdirAll(folder, 0o777)
		for name, d := range made {
			if err := os.WriteFile(filepath.Join(folder, name), []byte(d.text), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	es, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range es {
		t.Run(e.Name(), func(t *testing.T) {
			path := filepath.Join(folder, e.Name())
			d, ok := made[e.Name()]
			delete(made, e.Name())
			if !ok {
				readAll(t, path, Options{})
				return
			}
			if b, err := os.ReadFile(path); err != nil || string(b) != d.text {
				t.Fatal("the file is not what the table makes; run with -update", err)
			}
			d.check(t, path)
		})
	}
	for name := range made {
		t.Errorf("%s is missing; run with -update", name)
	}
}

func brokenGeoJSON() map[string]damage {
	in := func(features ...string) string {
		return "{\"type\":\"FeatureCollection\",\"features\":[\n" + strings.Join(features, ",\n") + "\n]}\n"
	}
	point := func(c string) string {
		return `{"type":"Feature","properties":{"sp":"Tilia"},"geometry":{"type":"Point","coordinates":` + c + `}}`
	}
	polygon := func(c string) string {
		return `{"type":"Feature","properties":{"sp":"Tilia"},"geometry":{"type":"Polygon","coordinates":` + c + `}}`
	}
	one := func(bad, reason string) damage {
		return damage{text: in(oak, bad, elm), good: "1 3", bad: map[int64]string{2: reason}}
	}
	whole := in(oak, elm)
	return map[string]damage{
		"nan.geojson":                    one(point("[NaN,42.5]"), reasonNumber),
		"infinity.geojson":               one(point("[-Infinity,42.5]"), reasonNumber),
		"1e400.geojson":                  one(point("[1e400,42.5]"), reasonNumber),
		"text-coordinates.geojson":       one(point(`["-71.25","42.5"]`), reasonNumber),
		"null-coordinates.geojson":       one(point("null"), reasonCoords),
		"one-coordinate.geojson":         one(point("[-71.25]"), reasonCoords),
		"no-coordinates.geojson":         one(`{"type":"Feature","properties":{},"geometry":{"type":"Point"}}`, reasonCoords),
		"nested-point.geojson":           one(point("[[-71.25,42.5]]"), reasonNumber),
		"swapped-for-metres.geojson":     one(point("[327000,4700000]"), reasonDegrees),
		"flat-polygon.geojson":           one(polygon("[[0,0],[1,0],[1,1],[0,0]]"), reasonType),
		"two-corners.geojson":            one(polygon("[[[0,0],[1,0],[0,0]]]"), reasonRing),
		"curve.geojson":                  one(`{"type":"Feature","properties":{},"geometry":{"type":"CurvePolygon","coordinates":[]}}`, reasonShape),
		"type-in-small-letters.geojson":  one(`{"type":"Feature","properties":{},"geometry":{"type":"point","coordinates":[1,2]}}`, reasonShape),
		"geometry-without-type.geojson":  one(`{"type":"Feature","properties":{},"geometry":{"coordinates":[1,2]}}`, reasonType),
		"feature-without-type.geojson":   one(`{"properties":{},"geometry":{"type":"Point","coordinates":[1,2]}}`, reasonType),
		"a-number-for-a-feature.geojson": one("7", reasonType),
		"properties-are-a-list.geojson":  one(`{"type":"Feature","properties":["Tilia"],"geometry":null}`, reasonType),
		"missing-colon.geojson":          one(`{"type":"Feature","properties":{"sp" "Tilia"},"geometry":null}`, reasonSyntax),
		"trailing-comma.geojson":         one(`{"type":"Feature","properties":{"sp":"Tilia",},"geometry":null}`, reasonSyntax),
		"python-words.geojson":           one(`{"type":"Feature","properties":{"sp":None,"ok":True},"geometry":null}`, reasonSyntax),
		"bad-escape.geojson":             one(`{"type":"Feature","properties":{"sp":"C:\trees\x"},"geometry":null}`, reasonSyntax),

		"invalid-utf8.geojson":  {text: in(strings.Replace(oak, "Quercus", "Qu\xe9rcus", 1), elm), good: "1 2"},
		"null-geometry.geojson": {text: in(oak, `{"type":"Feature","properties":null,"geometry":null}`, elm), good: "1 2 3"},
		"empty-point.geojson":   {text: in(oak, point("[]"), elm), good: "1 2 3"},
		"open-ring.geojson":     {text: in(polygon("[[[0,0],[1,0],[1,1]]]")), good: "1", note: "1 ring was not closed"},
		"bow-tie.geojson":       {text: in(polygon("[[[0,0],[1,1],[1,0],[0,1],[0,0]]]")), good: "1"},
		"no-features.geojson":   {text: in(), good: ""},
		"repeated-name.geojson": {text: in(`{"type":"Feature","properties":{"sp":1,"sp":2},"geometry":null}`), good: "1"},

		"bad-line.geojsonl":          {text: oak + "\n{\"type\":\"Feature\",\n" + elm + "\n", good: "1 3", bad: map[int64]string{2: reasonSyntax}},
		"bad-record.geojsons":        {text: "\x1e" + oak + "\n\x1e{\"type\":\"Feat\n\x1e" + elm + "\n", good: "1 3", bad: map[int64]string{2: reasonSyntax}},
		"cut.geojsonl":               {text: oak + "\n" + elm[:50], fatal: "ends in the middle"},
		"cut.geojsons":               {text: "\x1e" + oak + "\n\x1e" + elm[:50], fatal: "ends in the middle"},
		"cut-in-string.geojson":      {text: whole[:strings.Index(whole, "Ulmus")+2], fatal: "line 3, column"},
		"cut-in-number.geojson":      {text: whole[:strings.Index(whole, "42.75")+3], fatal: "ends in the middle"},
		"cut-after-feature.geojson":  {text: whole[:strings.Index(whole, elm)-1], fatal: "ends in the middle"},
		"cut-before-end.geojson":     {text: strings.TrimSpace(whole)[:len(whole)-2], fatal: "ends in the middle"},
		"mismatched.geojson":         {text: strings.Replace(whole, "18.2]", "18.2}", 1), fatal: "line 3, column"},
		"missing-comma.geojson":      {text: in(oak + " " + elm), fatal: "a comma or closing bracket belongs"},
		"missing-quote.geojson":      {text: strings.Replace(whole, `"Quercus"`, `"Quercus`, 1), fatal: "feature 1"},
		"two-documents.geojson":      {text: whole + "]", fatal: "a GeoJSON object belongs"},
		"zeros.geojson":              {text: whole[:60] + strings.Repeat("\x00", 100), fatal: "ends in the middle"},
		"utf16.geojson":              {text: "\xff\xfe" + strings.Join(strings.Split(whole, ""), "\x00") + "\x00", fatal: "UTF-16"},
		"html.geojson":               {text: "<!DOCTYPE html><title>404</title>\n", fatal: "a GeoJSON object belongs"},
		"empty.geojson":              {text: "", fatal: "is empty"},
		"blank.geojson":              {text: " \n", fatal: "no GeoJSON object"},
		"deep.geojson":               {text: strings.Repeat(`{"features":[`, 2000), fatal: "more than 256 deep"},
		"crs-link.geojson":           {text: strings.Replace(whole, `"features"`, `"crs":{"type":"link","properties":{"href":"http://example.org/crs"}},"features"`, 1), fatal: "--crs"},
		"crs-unknown.geojson":        {text: strings.Replace(whole, `"features"`, `"crs":{"type":"name","properties":{"name":"EPSG:999999"}},"features"`, 1), fatal: "--crs"},
		"metres-without-crs.geojson": {text: in(point("[327000,4700000]"), point("[327100,4700000]")), fatal: "--crs"},
		"cut.geojson.gz":             {text: "\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x03\xab\x56\x2a\xa9\x2c\x48\x55\xb2", fatal: "gzip"},
		"not-gzip.geojson.gz":        {text: "\x1f\x8bplain text", fatal: "gzip"},
	}
}

func TestBrokenShapefiles(t *testing.T) {
	folder := filepath.Join(broken, "shapefile")
	made := brokenShapefiles()
	if *update {
		for name, d := range made {
			at := filepath.Join(folder, name)
			os.RemoveAll(at)
			os.MkdirAll(at, 0o777)
			for e, b := range d.parts {
				if err := os.WriteFile(filepath.Join(at, "trees"+e), b, 0o666); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	es, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range es {
		t.Run(e.Name(), func(t *testing.T) {
			path := filepath.Join(folder, e.Name(), "trees.shp")
			d, ok := made[e.Name()]
			delete(made, e.Name())
			if !ok {
				readAll(t, path, Options{})
				return
			}
			for e, b := range d.parts {
				if got, err := os.ReadFile(strings.TrimSuffix(path, ".shp") + e); err != nil || !bytes.Equal(got, b) {
					t.Fatal("the file is not what the table makes; run with -update", e, err)
				}
			}
			d.check(t, path)
		})
	}
	for name := range made {
		t.Errorf("%s is missing; run with -update", name)
	}
}

func brokenShapefiles() map[string]damage {
	be, le := binary.BigEndian, binary.LittleEndian
	prj := []byte(crs.WGS84().ESRI())
	dbfFor := func(rows int) []byte {
		var cells [][]string
		for i := range rows {
			cells = append(cells, []string{[]string{"Quercus", "Ulmus", "Tilia", "Acer"}[i%4], fmt.Sprint(10 * i)})
		}
		return rawDBF([]rawField{{"SPECIES", 'C', 12, 0}, {"DBH", 'N', 5, 1}}, cells...)
	}
	// set puts records and their attributes together; change spoils them.
	set := func(kind int32, contents [][]byte, change func(parts map[string][]byte)) map[string][]byte {
		shp, shx := rawSHP(kind, contents...)
		parts := map[string][]byte{".shp": shp, ".shx": shx, ".dbf": dbfFor(len(contents)), ".prj": prj, ".cpg": []byte("UTF-8")}
		if change != nil {
			change(parts)
		}
		return parts
	}
	p := func(x, y float64) []byte { return rawPoint(1, x, y) }
	points := func(change func(m map[string][]byte)) map[string][]byte {
		return set(1, [][]byte{p(1, 2), p(3, 4), p(5, 6)}, change)
	}
	spoil := func(part string, f func(b []byte) []byte) map[string][]byte {
		return points(func(m map[string][]byte) { m[part] = f(m[part]) })
	}
	polygon := rawMultipart(5, [][]orb.Point{outer, hole}, false, false)
	polygons := func(f func(b []byte) []byte) map[string][]byte {
		return set(5, [][]byte{polygon, f(bytes.Clone(polygon)), polygon}, nil)
	}
	put32 := func(o binary.ByteOrder, at int, v uint32) func([]byte) []byte {
		return func(b []byte) []byte { o.PutUint32(b[at:], v); return b }
	}
	put16 := func(at int, v uint16) func([]byte) []byte {
		return func(b []byte) []byte { le.PutUint16(b[at:], v); return b }
	}
	cut := func(n int) func([]byte) []byte { return func(b []byte) []byte { return b[:n] } }
	without := func(parts map[string][]byte, gone ...string) map[string][]byte {
		for _, e := range gone {
			delete(parts, e)
		}
		return parts
	}
	second := map[int64]string{2: reasonDamaged}
	const record = 28 // bytes of a point with its header

	return map[string]damage{
		"whole": {parts: points(nil), good: "1 2 3"},

		"shp-empty":            {parts: spoil(".shp", cut(0)), fatal: "is empty"},
		"shp-cut-in-header":    {parts: spoil(".shp", cut(50)), fatal: "too few"},
		"shp-cut-in-record":    {parts: spoil(".shp", cut(100+record+10)), fatal: "header says 184 bytes"},
		"shp-cut-between":      {parts: spoil(".shp", cut(100+2*record)), fatal: "cut short"},
		"shp-fewer-records":    {parts: spoil(".shp", func(b []byte) []byte { return put32(be, 24, (100+2*record)/2)(b[:100+2*record]) }), fatal: "2 shapes, but its trees.dbf holds 3"},
		"shp-wrong-code":       {parts: spoil(".shp", put32(be, 0, 9995)), fatal: "9994"},
		"shp-is-a-dbf":         {parts: points(func(m map[string][]byte) { m[".shp"] = m[".dbf"] }), fatal: "9994"},
		"shp-wrong-version":    {parts: spoil(".shp", put32(le, 28, 1001)), fatal: "version 1001"},
		"shp-unknown-type":     {parts: spoil(".shp", put32(le, 32, 7)), fatal: "shape type 7"},
		"shp-length-too-short": {parts: spoil(".shp", put32(be, 24, 50)), good: "1 2 3"},
		"shp-length-too-long":  {parts: spoil(".shp", put32(be, 24, 1<<20)), fatal: "header says"},
		"shp-no-records":       {parts: set(1, nil, nil), good: ""},
		"shp-numbers-wrong":    {parts: spoil(".shp", put32(be, 100+record, 77)), good: "1 2 3", note: "1 record bears"},

		"record-longer-than-file":        {parts: spoil(".shp", put32(be, 100+record+4, 1<<30)), good: "1 3", bad: second, note: "stepped over"},
		"record-longer-than-file-no-shx": {parts: without(spoil(".shp", put32(be, 100+record+4, 1<<30)), ".shx"), good: "1", fatal: "damaged or cut from here"},
		"record-of-negative-length":      {parts: spoil(".shp", put32(be, 100+record+4, 0xFFFFFFFF)), good: "1 3", bad: second},
		"record-of-no-length":            {parts: spoil(".shp", put32(be, 100+record+4, 0)), good: "1 3", bad: second},
		"record-of-another-length":       {parts: spoil(".shp", put32(be, 100+record+4, 20)), good: "1 3", bad: second},
		"record-too-short-for-a-point":   {parts: set(1, [][]byte{p(1, 2), p(3, 4)[:12], p(5, 6)}, nil), good: "1 3", bad: second},
		"record-of-another-type":         {parts: set(1, [][]byte{p(1, 2), polygon, p(5, 6)}, nil), good: "1 3", bad: second},
		"record-of-unknown-type":         {parts: set(1, [][]byte{p(1, 2), rawPoint(99, 3, 4), p(5, 6)}, nil), good: "1 3", bad: second},
		"record-of-null":                 {parts: set(1, [][]byte{p(1, 2), rawPoint(0), p(5, 6)}, nil), good: "1 2 3"},
		"record-nan":                     {parts: set(1, [][]byte{p(1, 2), p(math.NaN(), 4), p(5, 6)}, nil), good: "1 3", bad: map[int64]string{2: reasonNumber}},
		"record-infinite":                {parts: set(1, [][]byte{p(1, 2), p(3, math.Inf(-1)), p(5, 6)}, nil), good: "1 3", bad: map[int64]string{2: reasonNumber}},
		"record-pointz-cut":              {parts: set(11, [][]byte{rawPoint(11, 1, 2, 3, 4), rawPoint(11, 1, 2), rawPoint(11, 1, 2, 3)}, nil), good: "1 3", bad: second},
		"record-multipoint-count":        {parts: set(8, [][]byte{put32(le, 36, math.MaxInt32)(rawMultiPoint(8, []orb.Point{{1, 2}}, false, false))}, nil), good: "", bad: map[int64]string{1: reasonDamaged}},
		"record-multipatch":              {parts: set(31, [][]byte{rawMultipart(31, [][]orb.Point{outer}, true, false)}, nil), good: "", bad: map[int64]string{1: reasonShape}},

		"polygon-points-2e31":       {parts: polygons(put32(le, 40, math.MaxInt32)), good: "1 3", bad: second},
		"polygon-points-negative":   {parts: polygons(put32(le, 40, 0xFFFFFFF0)), good: "1 3", bad: second},
		"polygon-parts-2e31":        {parts: polygons(put32(le, 36, math.MaxInt32)), good: "1 3", bad: second},
		"polygon-parts-negative":    {parts: polygons(put32(le, 36, 0x80000000)), good: "1 3", bad: second},
		"polygon-no-parts":          {parts: polygons(put32(le, 36, 0)), good: "1 3", bad: second},
		"polygon-part-beyond-end":   {parts: polygons(put32(le, 48, 1000)), good: "1 3", bad: second},
		"polygon-part-not-at-first": {parts: polygons(put32(le, 44, 1)), good: "1 3", bad: second},
		"polygon-parts-unsorted":    {parts: set(5, [][]byte{put32(le, 48, 8)(rawMultipart(5, [][]orb.Point{outer, hole, apart}, false, false))}, nil), good: "1"}, // starts 0 8 10: odd, not impossible
		"polygon-parts-backwards":   {parts: set(5, [][]byte{put32(le, 52, 2)(rawMultipart(5, [][]orb.Point{outer, hole, apart}, false, false))}, nil), good: "", bad: map[int64]string{1: reasonDamaged}},
		"polygon-two-corners":       {parts: set(5, [][]byte{polygon, rawMultipart(5, [][]orb.Point{{{0, 0}, {1, 1}, {0, 0}}}, false, false), polygon}, nil), good: "1 3", bad: map[int64]string{2: reasonRing}},
		"polygon-padded":            {parts: set(5, [][]byte{polygon, append(bytes.Clone(polygon), 0, 0, 0, 0), polygon}, nil), good: "1 2 3", note: "1 record is longer"},
		"polygonz-heights-cut":      {parts: set(15, [][]byte{rawMultipart(15, [][]orb.Point{outer}, true, false)[:140]}, nil), good: "", bad: map[int64]string{1: reasonDamaged}},
		"polygon-wound-wrongly":     {parts: set(5, [][]byte{rawMultipart(5, [][]orb.Point{reversed(outer), reversed(hole)}, false, false)}, nil), good: "1", note: "wound the wrong way"},

		"dbf-missing":            {parts: without(points(nil), ".dbf"), good: "1 2 3", note: "no .dbf"},
		"dbf-empty":              {parts: spoil(".dbf", cut(0)), fatal: "too few"},
		"dbf-cut-in-header":      {parts: spoil(".dbf", cut(20)), fatal: "too few"},
		"dbf-cut-in-fields":      {parts: spoil(".dbf", cut(70)), fatal: "but the file 70"},
		"dbf-cut-in-records":     {parts: spoil(".dbf", cut(110)), fatal: "cut short"},
		"dbf-count-too-large":    {parts: spoil(".dbf", put32(le, 4, 0xFFFFFFFF)), fatal: "cut short"},
		"dbf-count-too-small":    {parts: spoil(".dbf", put32(le, 4, 2)), fatal: "3 shapes, but its trees.dbf holds 2"},
		"dbf-of-another-layer":   {parts: points(func(m map[string][]byte) { m[".dbf"] = dbfFor(5) }), fatal: "3 shapes, but its trees.dbf holds 5"},
		"dbf-header-zero":        {parts: spoil(".dbf", put16(8, 0)), fatal: "header says that it has 0 bytes"},
		"dbf-header-odd":         {parts: spoil(".dbf", put16(8, 90)), fatal: "field descriptors"},
		"dbf-record-zero":        {parts: spoil(".dbf", put16(10, 0)), fatal: "records of 0 bytes"},
		"dbf-fields-too-wide":    {parts: spoil(".dbf", func(b []byte) []byte { b[32+16] = 200; return b }), fatal: "fields take"},
		"dbf-field-type-unknown": {parts: spoil(".dbf", func(b []byte) []byte { b[32+11] = 0x07; return b }), fatal: "unknown type"},
		"dbf-version-unknown":    {parts: spoil(".dbf", func(b []byte) []byte { b[0] = 0x50; return b }), fatal: "byte 0x50"},
		"dbf-dbase7":             {parts: spoil(".dbf", func(b []byte) []byte { b[0] = 0x04; return b }), fatal: "dBASE 7"},
		"dbf-record-deleted":     {parts: spoil(".dbf", func(b []byte) []byte { b[97+18] = '*'; return b }), good: "1 3", note: "marked as deleted"},
		"dbf-number-is-text":     {parts: spoil(".dbf", func(b []byte) []byte { copy(b[97+18+13:], "12 in"); return b }), good: "1 2 3", note: "no number"},
		"dbf-is-a-shp":           {parts: points(func(m map[string][]byte) { m[".dbf"] = m[".shp"] }), fatal: "no .dbf"},

		"shx-missing":        {parts: without(points(nil), ".shx"), good: "1 2 3"},
		"shx-cut":            {parts: spoil(".shx", cut(104)), good: "1 2 3"},
		"shx-lying":          {parts: spoil(".shx", func(b []byte) []byte { return bytes.Repeat([]byte{0xFF}, len(b)) }), good: "1 2 3"},
		"shx-of-other-layer": {parts: points(func(m map[string][]byte) { _, m[".shx"] = rawSHP(1, p(0, 0)) }), good: "1 2 3"},

		"prj-garbage": {parts: points(func(m map[string][]byte) { m[".prj"] = []byte("PROJCS[\"Town\",GEOGCS[") }), fatal: "--crs"},
		"prj-empty":   {parts: points(func(m map[string][]byte) { m[".prj"] = []byte(" \n") }), good: "1 2 3", note: "empty"},
		"prj-missing": {parts: without(points(nil), ".prj"), good: "1 2 3"},
		"cpg-unknown": {parts: points(func(m map[string][]byte) { m[".cpg"] = []byte("Klingon") }), good: "1 2 3", note: "Klingon"},
		"cpg-lying":   {parts: spoil(".dbf", func(b []byte) []byte { copy(b[98:], "\xc9rable"); return b }), good: "1 2 3", note: "1 value is not, and read as windows-1252"},
	}
}

// Cuts at every byte and flips of every bit: an error or the right number of
// records, and never a panic.
func TestShapefileCutsAndFlips(t *testing.T) {
	d := brokenShapefiles()["whole"]
	poly, _ := rawSHP(15, rawMultipart(15, [][]orb.Point{outer, hole}, true, false), rawMultipart(15, [][]orb.Point{apart}, true, false))
	folder := t.TempDir()
	put := func(part string, b []byte) {
		if err := os.WriteFile(filepath.Join(folder, "trees"+part), b, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	try := func(part, what string, i int, b []byte, want int) {
		put(part, b)
		s, err := Open(filepath.Join(folder, "trees.shp"), Options{System: crs.WGS84()})
		if err != nil {
			return
		}
		n := 0
		for _, err := range s.Features() {
			var r *RecordError
			if err != nil && !errors.As(err, &r) {
				return
			}
			n++
		}
		if n != want && !strings.Contains(strings.Join(s.Notes(), ""), "deleted") {
			t.Fatalf("%s, %s %d: %d records for %d, without an error", part, what, i, n, want)
		}
	}
	flip := func(part string, whole []byte, want int) {
		step := 1
		if testing.Short() {
			step = 7 // each of the eight by turns
		}
		for i := 0; i < 8*len(whole); i += step {
			b := bytes.Clone(whole)
			b[i/8] ^= 1 << (i % 8)
			try(part, "bit", i, b, want)
		}
	}
	for _, part := range []string{".shp", ".shx", ".dbf"} {
		put(part, d.parts[part])
	}
	for _, part := range []string{".shp", ".shx", ".dbf"} {
		whole := d.parts[part]
		for n := range len(whole) {
			if part != ".dbf" || n < len(whole)-1 { // the end mark is optional
				try(part, "cut at", n, whole[:n], 3)
			}
		}
		flip(part, whole, 3)
		put(part, whole)
	}
	os.Remove(filepath.Join(folder, "trees.dbf"))
	os.Remove(filepath.Join(folder, "trees.shx"))
	flip(".shp", poly, 2)
}

// corpus are the files of a folder under fixtures/broken, in order.
func corpus(f *testing.F, folder string) map[string][]byte {
	all := map[string][]byte{}
	err := filepath.Walk(filepath.Join(broken, folder), func(p string, info os.FileInfo, err error) error {
		if err == nil && !info.IsDir() {
			all[p], err = os.ReadFile(p)
		}
		return err
	})
	if err != nil {
		f.Fatal(err)
	}
	return all
}

func sortedKeys(m map[string][]byte) []string {
	var keys []string
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}

// sound checks what a reader promises of every feature, that a second reading
// gives the same, and that neither takes long or much memory.
func sound(t *testing.T, path string) {
	t.Helper()
	size := 0
	parts, _ := filepath.Glob(strings.TrimSuffix(path, filepath.Ext(path)) + ".*")
	for _, p := range parts {
		b, _ := os.ReadFile(p)
		size += len(b)
		if bytes.HasPrefix(b, []byte{0x1f, 0x8b}) || bytes.HasPrefix(b, []byte("PK")) {
			size += 1032 * len(b) // what deflate can make of it
		}
	}
	// Four readings, each with its buffers.
	bounded(t, size, 24<<20, 100, func() { readSoundly(t, path) })
}

func readSoundly(t *testing.T, path string) {
	t.Helper()
	for _, o := range []Options{{}, {System: crs.WGS84(), Columns: []string{}}} {
		s, err := Open(path, o)
		if err != nil {
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("an error of another kind: %v", err)
			}
			continue
		}
		var counts [2]int
		for round := range counts {
			last := int64(math.MinInt64)
			ended := false
			for f, err := range s.Features() {
				if ended {
					t.Fatal("something after the last error")
				}
				counts[round]++
				if err != nil {
					var r *RecordError
					var e *Error
					if !errors.As(err, &r) {
						ended = true
						if !errors.As(err, &e) {
							t.Fatalf("an error of another kind: %v", err)
						}
					}
					continue
				}
				if f.FID <= last {
					t.Fatalf("FID %d after %d", f.FID, last)
				}
				last = f.FID
				if len(f.Values) != len(s.Schema().Fields) {
					t.Fatalf("%d values for %d fields", len(f.Values), len(s.Schema().Fields))
				}
				polygons, _ := PolygonsOf(f.Geometry)
				for _, p := range polygons {
					for _, r := range p {
						if len(r) < 4 || r[0] != r[len(r)-1] {
							t.Fatalf("ring %v", r)
						}
						if !finite(orb.Polygon{r}) {
							t.Fatalf("ring %v", r)
						}
					}
				}
			}
		}
		if counts[0] != counts[1] {
			t.Fatalf("%d steps, then %d", counts[0], counts[1])
		}
		s.Close()
	}
}

// spoil turns a bit of a byte, and where all is set, changes so many bytes from there.
func spoil(rnd *rand.Rand, b []byte, at, run int, all bool) {
	b[at] ^= 1 << rnd.IntN(8)
	if all {
		for k := range min(run, len(b)-at) {
			b[at+k] = byte(rnd.IntN(256))
		}
	}
}

// go test -run '^$' -fuzz FuzzGeoJSON -fuzzminimizetime 10x ./geo/layer
func FuzzGeoJSON(f *testing.F) {
	all := corpus(f, "geojson")
	for _, k := range sortedKeys(all) {
		f.Add(all[k])
	}
	path := filepath.Join(f.TempDir(), "a.geojson")
	f.Fuzz(func(t *testing.T, b []byte) {
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		sound(t, path)
	})
}

// go test -run '^$' -fuzz FuzzShapefile -fuzzminimizetime 10x ./geo/layer
func FuzzShapefile(f *testing.F) {
	for _, name := range shapefileCorpus() {
		p := brokenShapefiles()[name].parts
		f.Add(p[".shp"], p[".shx"], p[".dbf"])
	}
	path := filepath.Join(f.TempDir(), "a") // one folder: making one costs more than reading
	f.Fuzz(func(t *testing.T, shp, shx, dbf []byte) {
		for ending, b := range map[string][]byte{".shp": shp, ".shx": shx, ".dbf": dbf} {
			if len(b) == 0 && ending != ".shp" {
				os.Remove(path + ending)
			} else if err := os.WriteFile(path+ending, b, 0o666); err != nil {
				t.Fatal(err)
			}
		}
		sound(t, path+".shp")
	})
}

func shapefileCorpus() []string {
	var all []string
	for name := range brokenShapefiles() {
		all = append(all, name)
	}
	sort.Strings(all)
	return all
}

// go test -run '^$' -fuzz FuzzDBF -fuzzminimizetime 10x ./geo/layer
func FuzzDBF(f *testing.F) {
	all := corpus(f, "shapefile")
	for _, k := range sortedKeys(all) {
		if strings.HasSuffix(k, ".dbf") {
			f.Add(all[k], "UTF-8")
			f.Add(all[k], "1252")
		}
	}
	folder := f.TempDir()
	f.Fuzz(func(t *testing.T, b []byte, cpg string) {
		path, page := filepath.Join(folder, "a.dbf"), filepath.Join(folder, "a.cpg")
		if os.WriteFile(path, b, 0o666) != nil || os.WriteFile(page, []byte(cpg), 0o666) != nil {
			t.Skip()
		}
		d, err := openDBF(path, page, Options{})
		if err != nil {
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("an error of another kind: %v", err)
			}
			return
		}
		r, err := d.rows()
		if err != nil {
			t.Fatal(err)
		}
		defer r.close()
		n := uint32(0)
		for ; ; n++ {
			if _, _, err := r.next(); err != nil {
				break
			}
		}
		if n != d.count {
			t.Fatalf("%d records of %d", n, d.count)
		}
	})
}
