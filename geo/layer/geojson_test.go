package layer

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"

	"soilshed/geo/crs"
)

// put writes a file for a test.
func put(t testing.TB, name, content string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(content), 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

// readAll opens a layer and reads it to its end. Fatal errors are returned,
// those of single records listed.
func readAll(t testing.TB, path string, o Options) (s Source, all []Feature, bad []*RecordError, fatal error) {
	t.Helper()
	s, err := Open(path, o)
	if err != nil {
		return nil, nil, nil, err
	}
	t.Cleanup(func() { s.Close() })
	for f, err := range s.Features() {
		var r *RecordError
		switch {
		case errors.As(err, &r):
			bad = append(bad, r)
		case err != nil:
			return s, all, bad, err
		default:
			f.Values = append([]Value(nil), f.Values...)
			all = append(all, f)
		}
	}
	return s, all, bad, nil
}

// mustRead is readAll for files without a fault.
func mustRead(t testing.TB, path string, o Options) (Source, []Feature) {
	t.Helper()
	s, all, bad, err := readAll(t, path, o)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range bad {
		t.Fatal(b)
	}
	return s, all
}

func texts(f Feature) []string {
	var all []string
	for _, v := range f.Values {
		if v.Null() {
			all = append(all, "null")
		} else {
			all = append(all, v.Text())
		}
	}
	return all
}

const (
	oak = `{"type":"Feature","properties":{"sp":"Quercus","dbh":31},"geometry":{"type":"Point","coordinates":[-71.25,42.5]}}`
	elm = `{"type":"Feature","properties":{"sp":"Ulmus","dbh":12.5},"geometry":{"type":"Point","coordinates":[-71.125,42.75,18.2]}}`
)

func TestGeoJSONForms(t *testing.T) {
	gz := func(s string) string {
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		z.Write([]byte(s))
		z.Close()
		return b.String()
	}
	collection := `{"type":"FeatureCollection","features":[` + oak + "," + elm + `]}`
	pretty := strings.NewReplacer(",", " ,\n\t", ":", " : ", "{", "{\r\n ", "[", "[ ", "]", "\n]").Replace(collection)
	forms := map[string]struct{ name, text string }{
		"collection":                {"a.geojson", collection},
		"pretty":                    {"a.geojson", pretty},
		"byte-order mark":           {"a.json", "\uFEFF" + collection},
		"gzip":                      {"a.geojson.gz", gz(collection)},
		"gzip under a plain name":   {"a.geojson", gz(collection)},
		"sniffed":                   {"a.txt", collection},
		"sniffed gzip":              {"a.bin", gz(collection)},
		"a feature a line":          {"a.geojsonl", oak + "\n" + elm + "\n"},
		"no newline at the end":     {"a.ndjson", oak + "\n" + elm},
		"lines under another name":  {"a.geojson", oak + "\n" + elm + "\n"},
		"blank lines, carriage":     {"a.geojson", "\n" + oak + "\r\n\r\n" + elm + "\r\n"},
		"RFC 8142":                  {"a.geojsons", "\x1e" + oak + "\n\x1e" + elm + "\n"},
		"RFC 8142, pretty":          {"a.geojson", "\x1e" + strings.ReplaceAll(oak, ",", ",\n") + "\n\x1e" + elm + "\n"},
		"objects without newline":   {"a.geojson", oak + elm},
		"a bare array":              {"a.json", "[" + oak + "," + elm + "]"},
		"members after features":    {"a.json", collection[:len(collection)-1] + `,"name":"x","bbox":[1,2,3,4]}`},
		"two collections":           {"a.json", `{"type":"FeatureCollection","features":[` + oak + "]}\n" + `{"type":"FeatureCollection","features":[` + elm + "]}"},
		"an escaped member name":    {"a.json", strings.ReplaceAll(collection, `"geometry"`, `"geom\u0065try"`)},
		"geometry type comes last":  {"a.json", strings.ReplaceAll(strings.ReplaceAll(collection, `"type":"Point",`, ""), `]}}`, `],"type":"Point"}}`)},
		"foreign members":           {"a.json", strings.ReplaceAll(collection, `"type":"Feature",`, `"x":{"features":[1,{}]},"type":"Feature",`)},
		"surrogates and long space": {"a.json", strings.Repeat(" ", 300<<10) + collection + strings.Repeat("\n", 300<<10)},
	}
	for what, form := range forms {
		t.Run(what, func(t *testing.T) {
			s, all := mustRead(t, put(t, form.name, form.text), Options{})
			if len(all) != 2 {
				t.Fatalf("%d features, want 2", len(all))
			}
			want := []orb.Point{{-71.25, 42.5}, {-71.125, 42.75}}
			for i, f := range all {
				if f.FID != int64(i+1) || f.Geometry != want[i] {
					t.Errorf("feature %d: FID %d, %v", i+1, f.FID, f.Geometry)
				}
			}
			if got := fmt.Sprint(texts(all[0]), texts(all[1])); got != "[Quercus 31] [Ulmus 12.5]" {
				t.Errorf("values %s", got)
			}
			sch := s.Schema()
			if !sch.System.Same(crs.WGS84()) || sch.Shape != Points || sch.Fields[0].Kind != Text || sch.Fields[1].Kind != Real {
				t.Errorf("schema %+v", *sch)
			}
		})
	}
}

func TestGeoJSONBareGeometry(t *testing.T) {
	_, all := mustRead(t, put(t, "a.geojson", `{"type":"Polygon","coordinates":[[[0,0],[1,0],[1,1],[0,0]]]}`), Options{})
	want := orb.Polygon{{{0, 0}, {1, 0}, {1, 1}, {0, 0}}}
	if len(all) != 1 || !reflect.DeepEqual(all[0].Geometry, want) {
		t.Fatalf("%v", all)
	}
	_, all = mustRead(t, put(t, "b.geojson", `{"type":"Point","coordinates":[1,2]}`+"\n"+oak+"\n"), Options{})
	if len(all) != 2 || all[0].Geometry != (orb.Point{1, 2}) || !all[0].Values[0].Null() || all[1].Values[0].Text() != "Quercus" {
		t.Fatalf("%v", all)
	}
}

func TestGeoJSONGeometries(t *testing.T) {
	square := func(a, b float64) orb.Ring { return orb.Ring{{a, a}, {b, a}, {b, b}, {a, b}, {a, a}} }
	ring := func(a, b float64) string {
		return fmt.Sprintf("[[%v,%v],[%v,%v],[%v,%v],[%v,%v],[%v,%v]]", a, a, b, a, b, b, a, b, a, a)
	}
	for text, want := range map[string]orb.Geometry{
		`{"type":"Point","coordinates":[1,2,3,4]}`:                                                        orb.Point{1, 2},
		`{"type":"Point","coordinates":[]}`:                                                               nil,
		`{"type":"MultiPoint","coordinates":[[1,2],[3,4]]}`:                                               orb.MultiPoint{{1, 2}, {3, 4}},
		`{"type":"MultiPoint","coordinates":[]}`:                                                          nil,
		`{"type":"LineString","coordinates":[[1,2],[3,4]]}`:                                               orb.LineString{{1, 2}, {3, 4}},
		`{"type":"MultiLineString","coordinates":[[[1,2],[3,4]],[]]}`:                                     orb.MultiLineString{{{1, 2}, {3, 4}}},
		`{"type":"Polygon","coordinates":[` + ring(0, 9) + `,` + ring(1, 2) + `]}`:                        orb.Polygon{square(0, 9), square(1, 2)},
		`{"coordinates":[` + ring(0, 9) + `],"bbox":[0],"type":"Polygon"}`:                                orb.Polygon{square(0, 9)},
		`{"type":"Polygon","coordinates":[]}`:                                                             nil,
		`{"type":"Polygon","coordinates":[[[0,0],[9,0],[9,9],[0,9]]]}`:                                    orb.Polygon{square(0, 9)}, // closed here
		`{"type":"Polygon","coordinates":[` + ring(0, 9) + `,[[1,1],[2,2],[1,1]]]}`:                       orb.Polygon{square(0, 9)}, // a hole of two corners
		`{"type":"MultiPolygon","coordinates":[[` + ring(0, 9) + `],[` + ring(10, 12) + `]]}`:             orb.MultiPolygon{{square(0, 9)}, {square(10, 12)}},
		`{"type":"MultiPolygon","coordinates":[[[[0,0],[1,1]],` + ring(1, 2) + `],[` + ring(0, 9) + `]]}`: orb.Polygon{square(0, 9)},
		`{"type":"MultiPolygon","coordinates":[]}`:                                                        nil,
		`null`: nil,
		`{"type":"GeometryCollection","geometries":[]}`: nil,
		`{"type":"GeometryCollection","geometries":[{"type":"LineString","coordinates":[[0,0],[1,1]]},{"type":"Polygon","coordinates":[` + ring(0, 9) + `]}]}`: orb.Collection{
			orb.LineString{{0, 0}, {1, 1}}, orb.Polygon{square(0, 9)}},
		`{"geometries":[{"geometries":[{"coordinates":[1,2],"type":"Point"}],"type":"GeometryCollection"}],"type":"GeometryCollection"}`: orb.Collection{orb.Collection{orb.Point{1, 2}}},
	} {
		_, all, bad, err := readAll(t, put(t, "a.geojson", `{"type":"Feature","properties":null,"geometry":`+text+`}`), Options{})
		if err != nil || len(bad) > 0 || len(all) != 1 {
			t.Errorf("%s: %v %v", text, err, bad)
			continue
		}
		if !reflect.DeepEqual(all[0].Geometry, want) {
			t.Errorf("%s: %v, want %v", text, all[0].Geometry, want)
		}
	}
}

func TestGeoJSONNotesRepairs(t *testing.T) {
	s, _ := mustRead(t, put(t, "a.geojson", `{"type":"Polygon","coordinates":[[[0,0],[9,0],[9,9],[0,9]],[[1,1],[2,2],[1,1]]]}`), Options{})
	if got := strings.Join(s.Notes(), "; "); got != "1 ring was not closed, and closed here; 1 ring of fewer than three corners left out" {
		t.Error(got)
	}
	for range s.Features() { // a second reading counts anew
	}
	if len(s.Notes()) != 2 || !strings.HasPrefix(s.Notes()[0], "1 ") {
		t.Error(s.Notes())
	}
}

func TestGeoJSONCRS(t *testing.T) {
	ftUS, err := crs.Lookup("EPSG:2263")
	if err != nil {
		t.Fatal(err)
	}
	point := `{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[987654.5,210987.25]}}`
	for member, want := range map[string]*crs.System{
		`{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::2263"}}`:                   ftUS,
		`{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG:9.9.1:2263"}}`:              ftUS,
		`{"type":"name","properties":{"name":"EPSG:2263"}}`:                                    ftUS,
		`{"type":"name","properties":{"name":"epsg:2263"}}`:                                    ftUS,
		`{"type":"name","properties":{"name":"http://www.opengis.net/def/crs/EPSG/0/2263"}}`:   ftUS,
		`{"type":"name","properties":{"name":"http://www.opengis.net/gml/srs/epsg.xml#2263"}}`: ftUS,
		`{"type":"EPSG","properties":{"code":2263}}`:                                           ftUS,
		`{"type":"EPSG","properties":{"code":"2263"}}`:                                         ftUS,
		`"EPSG:2263"`: ftUS,
		`{"type":"name","properties":{"name":"urn:ogc:def:crs:OGC:1.3:CRS84"}}`:                crs.WGS84(),
		`{"type":"name","properties":{"name":"http://www.opengis.net/def/crs/OGC/1.3/CRS84"}}`: crs.WGS84(),
	} {
		for place, text := range map[string]string{
			"before": `{"type":"FeatureCollection","crs":` + member + `,"features":[` + point + `]}`,
			"after":  `{"type":"FeatureCollection","features":[` + point + `],"crs":` + member + `}`,
		} {
			s, err := Open(put(t, "a.geojson", text), Options{})
			if err != nil {
				t.Errorf("%s %s: %v", member, place, err)
			} else if !s.Schema().System.Same(want) {
				t.Errorf("%s %s: %s", member, place, s.Schema().System.Name())
			}
		}
	}
	for member, want := range map[string]string{
		`{"type":"link","properties":{"href":"http://example.org/x.prj"}}`: "link",
		`{"type":"name","properties":{}}`:                                  "names no coordinate system",
		`{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::99"}}`: "99",
		`7`: "crs",
	} {
		path := put(t, "a.geojson", `{"type":"FeatureCollection","crs":`+member+`,"features":[`+point+`]}`)
		_, err := Open(path, Options{})
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "--crs") {
			t.Errorf("%s: %v", member, err)
		}
		if s, err := Open(path, Options{System: ftUS}); err != nil || len(s.Notes()) != 1 || !s.Schema().System.Same(ftUS) {
			t.Errorf("%s with the option: %v", member, err)
		}
	}
	// Numbers that are no degrees, and nothing that says what they are.
	for _, member := range []string{"", `"crs":null,`} {
		path := put(t, "a.geojson", `{"type":"FeatureCollection",`+member+`"features":[`+point+`]}`)
		if _, err := Open(path, Options{}); err == nil || !strings.Contains(err.Error(), "987654.5, 210987.25") || !strings.Contains(err.Error(), "--crs") {
			t.Errorf("projected numbers as degrees: %v", err)
		}
		if _, all := mustRead(t, path, Options{System: ftUS}); len(all) != 1 {
			t.Error("with --crs: not read")
		}
	}
	// One bad point among good ones is the bad one's affair.
	_, all, bad, err := readAll(t, put(t, "a.geojson", `{"type":"FeatureCollection","features":[`+point+","+oak+","+elm+`]}`), Options{})
	if err != nil || len(all) != 2 || len(bad) != 1 || bad[0].Reason != reasonDegrees || bad[0].Feature != 1 {
		t.Errorf("one bad point: %v %v", bad, err)
	}
}

func TestGeoJSONKinds(t *testing.T) {
	rows := []string{
		`{"i":1,"r":1,"b":true,"s":"x","m":1,"o":{"a": [1,2]},"big":12345678901234567,"huge":123456789012345678901,"n":null,"e":1e400,"t":true}`,
		`{"r":2.50,"i":-7,"b":false,"s":"tab\tü\ud83c\udf33","m":"12 in","o":null,"big":-9007199254740993,"huge":1,"n":null,"e":1,"late":1,"t":"no"}`,
		`{"i":1E2,"r":null,"x y":"\\"}`,
	}
	var fs []string
	for _, r := range rows {
		fs = append(fs, `{"type":"Feature","geometry":null,"properties":`+r+`}`)
	}
	path := put(t, "a.geojsonl", strings.Join(fs, "\n")+"\n")
	s, all := mustRead(t, path, Options{})
	var got []string
	for _, f := range s.Schema().Fields {
		got = append(got, fmt.Sprint(f.Name, ":", f.Kind))
	}
	want := fmt.Sprintf("[i:%d r:%d b:%d s:%d m:%d o:%d big:%d huge:%d n:%d e:%d t:%d late:%d x y:%d]",
		Real, Real, Boolean, Text, Text, Text, Integer, Text, Text, Text, Text, Integer, Text)
	if fmt.Sprint(got) != want {
		t.Errorf("fields %v\nwant   %s", got, want)
	}
	for i, want := range []string{
		`["1" "1" "true" "x" "1" "{\"a\": [1,2]}" "12345678901234567" "123456789012345678901" "null" "1e400" "true" "null" "null"]`,
		`["-7" "2.5" "false" "tab\tü🌳" "12 in" "null" "-9007199254740993" "1" "null" "1" "no" "1" "null"]`,
		`["100" "null" "null" "null" "null" "null" "null" "null" "null" "null" "null" "null" "\\"]`,
	} {
		if got := fmt.Sprintf("%q", texts(all[i])); got != want {
			t.Errorf("row %d: %s\nwant  %s", i+1, got, want)
		}
	}
	// Only some columns, in file order, and none.
	s, all = mustRead(t, path, Options{Columns: []string{"S", "r", "nowhere"}})
	if f := s.Schema().Fields; len(f) != 2 || f[0].Name != "r" || f[1].Name != "s" || fmt.Sprint(texts(all[0])) != "[1 x]" {
		t.Errorf("columns: %v %v", f, texts(all[0]))
	}
	s, all = mustRead(t, path, Options{Columns: []string{}})
	if len(s.Schema().Fields) != 0 || len(all) != 3 || len(all[0].Values) != 0 {
		t.Errorf("no columns: %v", s.Schema().Fields)
	}
}

func TestGeoJSONFeatureIDs(t *testing.T) {
	feature := func(id, props string) string {
		return `{"type":"Feature","id":` + id + `,"geometry":null,"properties":` + props + `}`
	}
	for _, c := range []struct {
		ids   [2]string
		props string
		want  string
	}{
		{[2]string{"1", "2"}, `{"a":1}`, "[a]"},          // places: nothing new
		{[2]string{"0", "1"}, `{"a":1}`, "[a]"},          // counted from 0
		{[2]string{"17", "9"}, `{"a":1}`, "[id a] 17 9"}, // an identifier of its own
		{[2]string{`"x"`, `"y"`}, `{"a":1}`, "[id a] x y"},
		{[2]string{`"x"`, `"y"`}, `{"id":5}`, "[id] 5 5"}, // the attribute wins
	} {
		s, all := mustRead(t, put(t, "a.geojsonl", feature(c.ids[0], c.props)+"\n"+feature(c.ids[1], c.props)+"\n"), Options{})
		var names []string
		for _, f := range s.Schema().Fields {
			names = append(names, f.Name)
		}
		got := fmt.Sprint(names)
		if names[0] == "id" {
			got += fmt.Sprint(" ", all[0].Values[0].Text(), " ", all[1].Values[0].Text())
		}
		if got != c.want {
			t.Errorf("%v %s: %s, want %s", c.ids, c.props, got, c.want)
		}
	}
}

// A record that is wrong in itself is left out and told; its neighbours are not.
func TestGeoJSONFaults(t *testing.T) {
	for bad, reason := range map[string]string{
		`{"type":"Feature","properties":{},"geometry":{"type":"Point"}}`:                                      reasonCoords,
		`{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":null}}`:                   reasonCoords,
		`{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[1]}}`:                    reasonCoords,
		`{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[1,null]}}`:               reasonNumber,
		`{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":["1","2"]}}`:              reasonNumber,
		`{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[NaN,NaN]}}`:              reasonNumber,
		`{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[Infinity,-Infinity]}}`:   reasonNumber,
		`{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[1e400,2]}}`:              reasonNumber,
		`{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[01,2]}}`:                 reasonNumber,
		`{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[1.,2]}}`:                 reasonNumber,
		`{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":{}}}`:                     reasonType,
		`{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[[1,2]]}}`:                reasonNumber,
		`{"type":"Feature","properties":{},"geometry":{"type":"Polygon","coordinates":[1,2]}}`:                reasonType,
		`{"type":"Feature","properties":{},"geometry":{"type":"Polygon","coordinates":[[1,2]]}}`:              reasonType,
		`{"type":"Feature","properties":{},"geometry":{"type":"Polygon","coordinates":[[[1,2],[3,4]]]}}`:      reasonRing,
		`{"type":"Feature","properties":{},"geometry":{"type":"CircularString","coordinates":[[1,2],[3,4]]}}`: reasonShape,
		`{"type":"Feature","properties":{},"geometry":{"coordinates":[1,2]}}`:                                 reasonType,
		`{"type":"Feature","properties":{},"geometry":[1,2]}`:                                                 reasonType,
		`{"type":"Feature","properties":[1],"geometry":null}`:                                                 reasonType,
		`{"type":"Tree","properties":{},"geometry":null}`:                                                     reasonType,
		`{"properties":{},"geometry":null}`:                                                                   reasonType,
		`{"type":7}`:                                                                                          reasonType,
		`17`:                                                                                                  reasonType,
		`null`:                                                                                                reasonType,
		`[]`:                                                                                                  reasonType,
		`{"type":"Feature","properties":{"a":tru},"geometry":null}`:                                           reasonSyntax,
		`{"type":"Feature","properties":{"a":"\x"},"geometry":null}`:                                          reasonSyntax,
		`{"type":"Feature","properties":{"a" 1},"geometry":null}`:                                             reasonSyntax,
		`{"type":"Feature","properties":{"a":1,},"geometry":null}`:                                            reasonSyntax,
		`{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[1 2]}}`:                  reasonCoords,
		`{"type":"Feature","properties":{},"geometry":` + strings.Repeat(`{"type":"GeometryCollection","geometries":[`, 20) + strings.Repeat(`]}`, 20) + `}`: reasonShape,
	} {
		for form, text := range map[string]string{
			"collection": `{"type":"FeatureCollection","features":[` + oak + ",\n" + bad + "," + elm + `]}`,
			"lines":      oak + "\n" + bad + "\n" + elm + "\n",
			"RFC 8142":   "\x1e" + oak + "\n\x1e" + bad + "\n\x1e" + elm + "\n",
		} {
			_, all, faults, err := readAll(t, put(t, "a.geojson", text), Options{})
			if err != nil {
				t.Errorf("%s, %s: %v", form, bad, err)
				continue
			}
			if len(all) != 2 || all[1].FID != 3 || len(faults) != 1 || faults[0].Feature != 2 || faults[0].Reason != reason {
				t.Errorf("%s, %s: %d read, want %q, got %v", form, bad, len(all), reason, faults)
				continue
			}
			if faults[0].Error() == "" || !strings.Contains(faults[0].Error(), "feature 2") {
				t.Error(faults[0])
			}
		}
	}
}

// Broken structure is an error with its place, before anything is read.
func TestGeoJSONBrokenStructure(t *testing.T) {
	whole := `{"type":"FeatureCollection","features":[` + oak + ",\n" + elm + `]}`
	for text, want := range map[string]string{
		whole[:len(whole)-1]:  "ends in the middle",
		whole[:len(whole)-40]: "ends in the middle",
		whole[:20]:            "ends in the middle",
		strings.Replace(whole, `"Ulmus"`, `"Ulmus`, 1):                      "feature 2",
		strings.Replace(whole, "42.75,18.2]", "42.75,18.2}", 1):             "line 2, column 118",
		`{"type":"FeatureCollection","features":[` + oak + ` ` + elm + `]}`: "comma",
		`{"type":"FeatureCollection","features":[` + oak + `,]}`:            "a value belongs",
		whole + "]": "GeoJSON object belongs",
		`{"type":"FeatureCollection" "features":[]}`: "comma or closing brace",
		`<html>`:                          "format",
		``:                                "empty",
		` `:                               "no GeoJSON",
		"\xff\xfe{\x00":                   "UTF-16",
		"{\"a\":\x00}":                    `\x00`,
		oak + "\n" + elm[:60]:             "ends in the middle",
		"\x1e" + oak + "\n\x1e{\"type\":": "ends in the middle",
	} {
		name := "a.geojson"
		if text == "<html>" {
			name = "a.txt"
		}
		_, _, _, err := readAll(t, put(t, name, text), Options{})
		var e *Error
		if !errors.As(err, &e) || !strings.Contains(err.Error(), want) {
			t.Errorf("%.60q: %v, want %q", text, err, want)
		} else if e.Remedy == "" {
			t.Errorf("%.60q: no remedy in %v", text, err)
		}
	}
	// Every cut of a whole file is an error.
	for n := 1; n < len(whole); n++ {
		if _, _, _, err := readAll(t, put(t, "a.geojson", whole[:n]), Options{}); err == nil {
			t.Fatalf("cut at %d: no error", n)
		}
	}
	// So is every cut of gzip data.
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	w.Write([]byte(whole))
	w.Close()
	for n := 3; n < z.Len(); n++ {
		if _, _, _, err := readAll(t, put(t, "a.geojson.gz", z.String()[:n]), Options{}); err == nil {
			t.Fatalf("gzip cut at %d: no error", n)
		}
	}
}

func TestGeoJSONLimits(t *testing.T) {
	deep := func(n int) string {
		return `{"type":"Feature","geometry":null,"properties":{"a":` + strings.Repeat("[", n) + strings.Repeat("]", n) + "}}"
	}
	if _, all := mustRead(t, put(t, "a.geojson", deep(maxJSONDepth-10)), Options{}); len(all) != 1 {
		t.Error("a deep property is not read")
	}
	for name, text := range map[string]string{
		"a.geojson":  deep(1000000),
		"b.geojson":  `{"type":"FeatureCollection","features":` + strings.Repeat("[", 1000000),
		"c.geojson":  `{"x":` + strings.Repeat(`{"x":`, 1000000),
		"d.geojsonl": deep(1000000) + "\n" + oak + "\n",
	} {
		_, all, bad, err := readAll(t, put(t, name, text), Options{})
		if strings.HasSuffix(name, "l") {
			if err != nil || len(all) != 1 || len(bad) != 1 || !strings.Contains(bad[0].Error(), "deep") {
				t.Errorf("%s: %v %v", name, bad, err)
			}
		} else if err == nil || !strings.Contains(err.Error(), "more than 256 deep") {
			t.Errorf("%s: %v", name, err)
		}
	}
	// The limits of strings and records, in a smaller measure.
	g := &geojson{path: put(t, "e.geojson", `{"type":"FeatureCollection","features":[`+oak+`,{"type":"Feature","geometry":null,"properties":{"s":"`+strings.Repeat("x", 2<<20)+`"}}]}`), idAt: -1}
	g.limits.record, g.limits.string = 1<<20, 1<<19
	if err := g.survey(Options{}); err == nil || !strings.Contains(err.Error(), "a string of more than 524288 bytes") {
		t.Errorf("long string: %v", err)
	}
	g.limits.record, g.limits.string = 1<<20, 8<<20
	if err := g.survey(Options{}); err == nil || !strings.Contains(err.Error(), "a record of more than 1048576 bytes") {
		t.Errorf("long record: %v", err)
	}
	g.limits.record = 4 << 20
	if err := g.survey(Options{}); err != nil {
		t.Errorf("within limits: %v", err)
	}
	var b strings.Builder
	b.WriteString(`{"type":"FeatureCollection","features":[`)
	for i := range maxJSONFields + 1 {
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, `{"type":"Feature","geometry":null,"properties":{"k%d":1}}`, i)
	}
	b.WriteString("]}")
	if _, err := Open(put(t, "f.geojson", b.String()), Options{}); err == nil || !strings.Contains(err.Error(), "feature 2001") {
		t.Errorf("too many names: %v", err)
	}
}

// The buffer holds a feature, not the file.
func TestGeoJSONStreams(t *testing.T) {
	var b bytes.Buffer
	b.WriteString(`{"type":"FeatureCollection","features":[`)
	for i := range 40000 {
		if i > 0 {
			b.WriteString(",\n")
		}
		fmt.Fprintf(&b, `{"type":"Feature","properties":{"n":%d,"text":"%s"},"geometry":{"type":"Point","coordinates":[%v,%v]}}`, i, strings.Repeat("y", i%300), float64(i%360)/2, float64(i%180)/2)
	}
	b.WriteString("]}")
	s := newJSONStream(bytes.NewReader(b.Bytes()))
	n := 0
	w := walker{records: true, s: s, record: func([]byte, int64) error { n++; return nil }}
	if err := w.run(false); err != nil || n != 40000 {
		t.Fatal(n, err)
	}
	if len(s.buf) > 512<<10 {
		t.Errorf("a buffer of %d bytes for a file of %d", len(s.buf), b.Len())
	}
	// Whatever the reader hands out at a time, the records are the same.
	small := b.Bytes()[:bytes.LastIndex(b.Bytes()[:100000], []byte(",\n"))]
	small = append(small[:len(small):len(small)], "]}"...)
	var want []string
	for _, step := range []int{1 << 20, 1, 2, 3, 7, 61, 4096} {
		var got []string
		s := newJSONStream(&stutter{small, step})
		s.buf = make([]byte, 16)
		w := walker{records: true, s: s, record: func(b []byte, n int64) error { got = append(got, string(b)); return nil }}
		if err := w.run(false); err != nil {
			t.Fatal(step, err)
		}
		if want == nil {
			want = got
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("%d bytes at a time: other records", step)
		}
	}
}

// Brackets and quotes inside strings are no structure, wherever a buffer ends.
func TestGeoJSONStringsHideBrackets(t *testing.T) {
	hard := []string{`\"`, `\"}]`, `\\`, `\\\"]}`, `[{`, `\u005d\"`, `}`, ``}
	var fs []string
	for _, h := range hard {
		fs = append(fs, `{"type":"Feature","geometry":null,"properties":{"s":"`+h+`"}}`)
	}
	text := []byte(`{"type":"FeatureCollection","features":[` + strings.Join(fs, ",") + `]}`)
	for step := 1; step < 40; step++ {
		var got []string
		s := newJSONStream(&stutter{text, step})
		s.buf = make([]byte, 8)
		w := walker{records: true, s: s, record: func(b []byte, n int64) error { got = append(got, string(b)); return nil }}
		if err := w.run(false); err != nil || !reflect.DeepEqual(got, fs) {
			t.Fatalf("%d bytes at a time: %v\n%q\nwant %q", step, err, got, fs)
		}
	}
	_, all := mustRead(t, put(t, "a.geojson", string(text)), Options{})
	for i, want := range []string{`"`, `"}]`, `\`, `\"]}`, `[{`, `]"`, `}`, ``} {
		if got := all[i].Values[0].Text(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// stutter is a reader of a few bytes at a time.
type stutter struct {
	b    []byte
	step int
}

func (s *stutter) Read(p []byte) (int, error) {
	if len(s.b) == 0 {
		return 0, io.EOF
	}
	n := copy(p[:min(len(p), s.step)], s.b)
	s.b = s.b[n:]
	return n, nil
}

// Coordinates are rounded as strconv rounds them.
func TestNumberRounding(t *testing.T) {
	check := func(s string) {
		c := &jsonCursor{b: []byte(s + "]")}
		got, err := c.number()
		want, werr := strconv.ParseFloat(s, 64)
		if (err == nil) != (werr == nil && isNumber([]byte(s))) {
			t.Fatalf("%s: %v", s, err)
		}
		if err == nil && (math.Float64bits(got) != math.Float64bits(want) || c.i != len(s)) {
			t.Fatalf("%s: %v, want %v", s, got, want)
		}
	}
	for _, s := range []string{"0", "-0", "0.0", "-0.0", "1", "9007199254740992", "9007199254740993", "9007199254740993.0", "0.1", "1e5", "1E-5", "1.5e+3",
		"123456789012345678", "1234567890123456789", "12345678901234567890", "0.00000000000000000000001", "1e308", "1e309", "1e-400", "-71.14234576",
		"0.30000000000000004", "179.99999999999999", "5e-324", "2.2250738585072011e-308", "-", "", ".5", "1.", "01", "-01", "00", "+1", "1e", "1e+", "0x1p3", "1_0", "NaN", "inf"} {
		check(s)
	}
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 200000 {
		switch rnd.IntN(3) {
		case 0:
			check(strconv.FormatFloat((rnd.Float64()-0.5)*360, 'f', rnd.IntN(20), 64))
		case 1:
			check(strconv.FormatFloat(math.Float64frombits(rnd.Uint64()&^(1<<62)), 'g', -1, 64))
		default:
			check(fmt.Sprintf("%d.%0*d", rnd.IntN(1000000), 1+rnd.IntN(18), rnd.Uint64()%1000000))
		}
	}
}

func TestPolygonsAndPoints(t *testing.T) {
	sq := orb.Polygon{{{0, 0}, {1, 0}, {1, 1}, {0, 0}}}
	tri := orb.Polygon{{{5, 5}, {6, 5}, {6, 6}, {5, 5}}}
	line := orb.LineString{{0, 0}, {1, 1}}
	for i, c := range []struct {
		g      orb.Geometry
		n, bad int
	}{
		{nil, 0, 0}, {sq, 1, 0}, {orb.MultiPolygon{sq, tri}, 2, 0}, {line, 0, 1}, {orb.Point{}, 0, 1},
		{orb.Collection{sq, line, orb.Collection{orb.MultiPolygon{sq, tri}, orb.Point{}}}, 3, 2},
	} {
		if m, bad := PolygonsOf(c.g); len(m) != c.n || bad != c.bad {
			t.Errorf("case %d: %d polygons, %d strays", i, len(m), bad)
		}
	}
	shared := orb.MultiPolygon{sq}
	both := orb.Collection{shared, tri}
	PolygonsOf(both)
	if len(shared) != 1 || len(shared[:cap(shared)]) != 1 {
		t.Error("PolygonsOf wrote into the geometry it was given")
	}
	for i, c := range []struct {
		g  orb.Geometry
		ok bool
	}{
		{orb.Point{3, 4}, true}, {orb.MultiPoint{{3, 4}}, true}, {orb.Collection{orb.MultiPoint{{3, 4}}}, true},
		{nil, false}, {orb.MultiPoint{{3, 4}, {3, 4}}, false}, {orb.Collection{}, false}, {line, false},
	} {
		p, err := PointOf(c.g)
		if (err == nil) != c.ok || c.ok && p != (orb.Point{3, 4}) {
			t.Errorf("case %d: %v %v", i, p, err)
		}
	}
}
