package layer

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"

	"github.com/paulmach/orb"
)

// The builders here follow the ESRI Shapefile Technical Description (July 1998)
// and know nothing of the code under test.

// rawMultipart is the content of a PolyLine or Polygon record.
func rawMultipart(kind int32, parts [][]orb.Point, z, m bool) []byte {
	var b bytes.Buffer
	le := func(v any) { binary.Write(&b, binary.LittleEndian, v) }
	n := 0
	for _, p := range parts {
		n += len(p)
	}
	le(kind)
	le(rawBox(parts))
	le([]int32{int32(len(parts)), int32(n)})
	at := int32(0)
	for _, p := range parts {
		le(at)
		at += int32(len(p))
	}
	for _, p := range parts {
		le(p)
	}
	if z {
		le(make([]float64, 2+n))
	}
	if m {
		le(make([]float64, 2+n))
	}
	return b.Bytes()
}

func rawBox(parts [][]orb.Point) []float64 {
	box := []float64{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, part := range parts {
		for _, p := range part {
			box[0], box[1] = min(box[0], p[0]), min(box[1], p[1])
			box[2], box[3] = max(box[2], p[0]), max(box[3], p[1])
		}
	}
	return box
}

// rawMultiPoint is the content of a MultiPoint record.
func rawMultiPoint(kind int32, points []orb.Point, z, m bool) []byte {
	var b bytes.Buffer
	le := func(v any) { binary.Write(&b, binary.LittleEndian, v) }
	le(kind)
	le(rawBox([][]orb.Point{points}))
	le(int32(len(points)))
	le(points)
	if z {
		le(make([]float64, 2+len(points)))
	}
	if m {
		le(make([]float64, 2+len(points)))
	}
	return b.Bytes()
}

// rawPoint is the content of a Point record.
func rawPoint(kind int32, v ...float64) []byte {
	var b bytes.Buffer
	binary.Write(&b, binary.LittleEndian, kind)
	binary.Write(&b, binary.LittleEndian, v)
	return b.Bytes()
}

func rawHeader(kind int32, size int) []byte {
	h := make([]byte, 100)
	binary.BigEndian.PutUint32(h, 9994)
	binary.BigEndian.PutUint32(h[24:], uint32(size/2))
	binary.LittleEndian.PutUint32(h[28:], 1000)
	binary.LittleEndian.PutUint32(h[32:], uint32(kind))
	return h
}

// rawSHP puts records into a .shp and its .shx.
func rawSHP(kind int32, contents ...[]byte) (shp, shx []byte) {
	var body, index bytes.Buffer
	for i, c := range contents {
		binary.Write(&index, binary.BigEndian, []int32{int32(100+body.Len()) / 2, int32(len(c) / 2)})
		binary.Write(&body, binary.BigEndian, []int32{int32(i + 1), int32(len(c) / 2)})
		body.Write(c)
	}
	return append(rawHeader(kind, 100+body.Len()), body.Bytes()...), append(rawHeader(kind, 100+index.Len()), index.Bytes()...)
}

type rawField struct {
	name     string
	kind     byte
	width    int
	decimals int
}

// rawDBF puts rows of cells into a .dbf. A row that begins with "*" is deleted.
func rawDBF(fields []rawField, rows ...[]string) []byte {
	width := 1
	for _, f := range fields {
		width += f.width
	}
	b := make([]byte, 32)
	b[0], b[1], b[2], b[3] = 3, 125, 1, 2
	binary.LittleEndian.PutUint32(b[4:], uint32(len(rows)))
	binary.LittleEndian.PutUint16(b[8:], uint16(33+32*len(fields)))
	binary.LittleEndian.PutUint16(b[10:], uint16(width))
	for _, f := range fields {
		d := make([]byte, 32)
		copy(d[:11], f.name)
		d[11], d[16], d[17] = f.kind, byte(f.width), byte(f.decimals)
		b = append(b, d...)
	}
	b = append(b, '\r')
	for _, r := range rows {
		if len(r) > len(fields) && r[0] == "*" {
			b = append(b, '*')
			r = r[1:]
		} else {
			b = append(b, ' ')
		}
		for i, f := range fields {
			cell := []byte(r[i])
			if f.kind == 'N' || f.kind == 'F' {
				cell = append(bytes.Repeat([]byte(" "), f.width-len(cell)), cell...)
			}
			b = append(b, cell...)
			b = append(b, bytes.Repeat([]byte(" "), f.width-len(cell))...)
		}
	}
	return append(b, 0x1A)
}

// putSet writes the parts of a shapefile and returns the path of the .shp.
func putSet(t testing.TB, parts map[string][]byte) string {
	t.Helper()
	folder := t.TempDir()
	for e, b := range parts {
		if err := os.WriteFile(filepath.Join(folder, "a"+e), b, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(folder, "a.shp")
}

var (
	outer  = []orb.Point{{0, 0}, {0, 9}, {9, 9}, {9, 0}, {0, 0}} // clockwise
	hole   = []orb.Point{{1, 1}, {2, 1}, {2, 2}, {1, 2}, {1, 1}} // the other way
	island = []orb.Point{{1.2, 1.2}, {1.2, 1.8}, {1.8, 1.8}, {1.8, 1.2}, {1.2, 1.2}}
	apart  = []orb.Point{{20, 0}, {20, 9}, {29, 9}, {29, 0}, {20, 0}}
)

func reversed(r []orb.Point) []orb.Point {
	out := make([]orb.Point, len(r))
	for i, p := range r {
		out[len(r)-1-i] = p
	}
	return out
}

func TestShapefileTypes(t *testing.T) {
	polygon := orb.Polygon{outer, hole}
	for _, c := range []struct {
		kind    int32
		content []byte
		want    orb.Geometry
	}{
		{1, rawPoint(1, 3, 4), orb.Point{3, 4}},
		{11, rawPoint(11, 3, 4, 5, 6), orb.Point{3, 4}},
		{11, rawPoint(11, 3, 4, 5), orb.Point{3, 4}}, // without m, as GDAL writes
		{21, rawPoint(21, 3, 4, 6), orb.Point{3, 4}},
		{8, rawMultiPoint(8, []orb.Point{{3, 4}}, false, false), orb.MultiPoint{{3, 4}}},
		{18, rawMultiPoint(18, []orb.Point{{3, 4}, {5, 6}}, true, true), orb.MultiPoint{{3, 4}, {5, 6}}},
		{18, rawMultiPoint(18, []orb.Point{{3, 4}}, true, false), orb.MultiPoint{{3, 4}}},
		{28, rawMultiPoint(28, []orb.Point{{3, 4}}, false, true), orb.MultiPoint{{3, 4}}},
		{8, rawMultiPoint(8, nil, false, false), nil},
		{3, rawMultipart(3, [][]orb.Point{{{1, 2}, {3, 4}}}, false, false), orb.LineString{{1, 2}, {3, 4}}},
		{13, rawMultipart(13, [][]orb.Point{{{1, 2}, {3, 4}}, {{5, 6}, {7, 8}}}, true, false), orb.MultiLineString{{{1, 2}, {3, 4}}, {{5, 6}, {7, 8}}}},
		{23, rawMultipart(23, [][]orb.Point{{{1, 2}, {3, 4}}}, false, true), orb.LineString{{1, 2}, {3, 4}}},
		{5, rawMultipart(5, [][]orb.Point{outer, hole}, false, false), polygon},
		{15, rawMultipart(15, [][]orb.Point{outer, hole}, true, true), polygon},
		{15, rawMultipart(15, [][]orb.Point{outer, hole}, true, false), polygon},
		{25, rawMultipart(25, [][]orb.Point{outer, hole}, false, true), polygon},
		{25, rawMultipart(25, [][]orb.Point{outer, hole}, false, false), polygon},
		{5, rawMultipart(5, nil, false, false), nil},
		{5, rawPoint(0), nil},
	} {
		shp, shx := rawSHP(c.kind, c.content)
		s, all, bad, err := readAll(t, putSet(t, map[string][]byte{".shp": shp, ".shx": shx}), Options{})
		if err != nil || len(bad) > 0 || len(all) != 1 {
			t.Errorf("type %d: %v %v", c.kind, err, bad)
			continue
		}
		if !reflect.DeepEqual(all[0].Geometry, c.want) {
			t.Errorf("type %d: %v, want %v", c.kind, all[0].Geometry, c.want)
		}
		if notes := strings.Join(s.Notes(), ""); !strings.Contains(notes, "no .dbf") || strings.Contains(notes, "longer") {
			t.Errorf("type %d: %q", c.kind, notes)
		}
	}
}

func TestShapefileRings(t *testing.T) {
	one := func(rings ...[]orb.Point) orb.Polygon {
		var p orb.Polygon
		for _, r := range rings {
			p = append(p, r)
		}
		return p
	}
	open := outer[:4]
	touching := []orb.Point{{0, 0}, {5, 2}, {2, 5}, {0, 0}} // a hole that touches a corner of outer
	for what, c := range map[string]struct {
		rings [][]orb.Point
		want  orb.Geometry
	}{
		"by the rule":                     {[][]orb.Point{outer, hole}, one(outer, hole)},
		"hole first":                      {[][]orb.Point{hole, outer}, one(outer, hole)},
		"island in a hole":                {[][]orb.Point{outer, hole, island}, orb.MultiPolygon{one(outer, hole), one(island)}},
		"two apart, one hole":             {[][]orb.Point{apart, hole, outer}, orb.MultiPolygon{one(apart), one(outer, hole)}},
		"all the wrong way":               {[][]orb.Point{reversed(outer), reversed(hole)}, one(reversed(outer), reversed(hole))},
		"all anticlockwise":               {[][]orb.Point{reversed(outer), hole}, one(reversed(outer), hole)},
		"all clockwise":                   {[][]orb.Point{outer, reversed(hole)}, one(outer, reversed(hole))},
		"wrong, with island":              {[][]orb.Point{reversed(outer), reversed(hole), reversed(island)}, orb.MultiPolygon{one(reversed(outer), reversed(hole)), one(reversed(island))}},
		"two apart, wrong":                {[][]orb.Point{reversed(outer), reversed(apart)}, orb.MultiPolygon{one(reversed(outer)), one(reversed(apart))}},
		"one ring, wrong":                 {[][]orb.Point{reversed(outer)}, one(reversed(outer))},
		"twice the same":                  {[][]orb.Point{outer, outer}, orb.MultiPolygon{one(outer), one(outer)}},
		"open ring":                       {[][]orb.Point{open, hole}, one(outer, hole)},
		"a sliver of two points":          {[][]orb.Point{outer, {{1, 1}, {2, 2}}}, one(outer)},
		"a hole that touches":             {[][]orb.Point{outer, touching}, one(outer, touching)},
		"a hole that touches, clockwise":  {[][]orb.Point{outer, reversed(touching)}, one(outer, reversed(touching))},
		"hole outside everything":         {[][]orb.Point{outer, reversed(apart)}, orb.MultiPolygon{one(outer), one(reversed(apart))}},
		"far from the origin":             {[][]orb.Point{shift(outer, 5e6), shift(hole, 5e6)}, one(shift(outer, 5e6), shift(hole, 5e6))},
		"an empty part between two rings": {[][]orb.Point{outer, {}, hole}, one(outer, hole)},
	} {
		shp, _ := rawSHP(5, rawMultipart(5, c.rings, false, false))
		_, all := mustRead(t, putSet(t, map[string][]byte{".shp": shp}), Options{})
		if !reflect.DeepEqual(all[0].Geometry, c.want) {
			t.Errorf("%s: %v\nwant %v", what, all[0].Geometry, c.want)
		}
	}
}

func shift(r []orb.Point, by float64) []orb.Point {
	var out []orb.Point
	for _, p := range r {
		out = append(out, orb.Point{p[0] + by, p[1] + by})
	}
	return out
}

// A clockwise ring in another is an area upon it where the file winds its holes
// rightly, whether before or behind, and a hole where it does not.
func TestShapefileWindingOfTheFile(t *testing.T) {
	doubt := rawMultipart(5, [][]orb.Point{outer, reversed(hole)}, false, false)
	right := rawMultipart(5, [][]orb.Point{outer, hole}, false, false)
	single := rawMultipart(5, [][]orb.Point{apart}, false, false)
	for what, c := range map[string]struct {
		records [][]byte
		at      int
		pieces  int
	}{
		"right before": {[][]byte{right, doubt}, 1, 2},
		"right behind": {[][]byte{doubt, single, right}, 0, 2},
		"none right":   {[][]byte{doubt, single}, 0, 1},
	} {
		shp, _ := rawSHP(5, c.records...)
		_, all := mustRead(t, putSet(t, map[string][]byte{".shp": shp}), Options{})
		m, _ := PolygonsOf(all[c.at].Geometry)
		if len(m) != c.pieces {
			t.Errorf("%s: %d polygons, want %d", what, len(m), c.pieces)
		}
	}
}

func TestShapefileParts(t *testing.T) {
	shp, shx := rawSHP(1, rawPoint(1, 1, 2), rawPoint(0), rawPoint(1, 3, 4))
	dbf := rawDBF([]rawField{{"SPECIES", 'C', 12, 0}}, []string{"Quercus"}, []string{"*", "Ulmus"}, []string{"Ta\xfcxus"})
	whole := map[string][]byte{".shp": shp, ".shx": shx, ".dbf": dbf}
	with := func(changes ...any) map[string][]byte {
		m := map[string][]byte{}
		for k, v := range whole {
			m[k] = v
		}
		for i := 0; i < len(changes); i += 2 {
			if changes[i+1] == nil {
				delete(m, changes[i].(string))
			} else {
				m[changes[i].(string)] = changes[i+1].([]byte)
			}
		}
		return m
	}
	garbage := bytes.Repeat([]byte{7}, len(shx))
	for what, parts := range map[string]map[string][]byte{
		"all":          whole,
		"no .shx":      with(".shx", nil),
		"lying .shx":   with(".shx", garbage),
		"short .shx":   with(".shx", shx[:104]),
		"upper case":   {".SHP": shp, ".SHX": shx, ".DBF": dbf},
		"mixed case":   {".shp": shp, ".Dbf": dbf},
		"no end mark":  with(".dbf", dbf[:len(dbf)-1]),
		"odd trailer":  with(".shp", append(append([]byte(nil), shp...), 1, 2, 3)),
		"long trailer": with(".shp", append(append([]byte(nil), shp...), bytes.Repeat([]byte{1}, 50)...)),
		"and no .shx":  with(".shp", append(append([]byte(nil), shp...), bytes.Repeat([]byte{1}, 50)...), ".shx", nil),
		"header short": with(".shp", append(rawHeader(1, 100), shp[100:]...)), // a writer that forgot
	} {
		path := putSet(t, parts)
		if what == "upper case" {
			path = strings.TrimSuffix(path, ".shp") + ".SHP"
		}
		s, all := mustRead(t, path, Options{})
		if len(all) != 2 || all[0].FID != 1 || all[1].FID != 3 || all[1].Geometry != (orb.Point{3, 4}) || all[1].Values[0].Text() != "Taüxus" {
			t.Errorf("%s: %v", what, all)
		}
		if notes := strings.Join(s.Notes(), "; "); !strings.Contains(notes, "1 record is marked as deleted") || !strings.Contains(notes, "windows-1252") {
			t.Errorf("%s: %s", what, notes)
		}
	}
}

func TestDBFValues(t *testing.T) {
	le := binary.LittleEndian
	bin := func(b []byte) string { return string(b) }
	fields := []rawField{
		{"TEXT", 'C', 10, 0}, {"WHOLE", 'N', 19, 0}, {"REAL", 'N', 12, 3}, {"FLOAT", 'F', 19, 11},
		{"FLAG", 'L', 1, 0}, {"DAY", 'D', 8, 0}, {"LONG", 'I', 4, 0}, {"DOUBLE", 'O', 8, 0}, {"TIME", '@', 8, 0}, {"MEMO", 'M', 10, 0},
	}
	moment := le.AppendUint32(le.AppendUint32(nil, 2453000), 3600000)
	dbf := rawDBF(fields,
		[]string{"Acer ", "9007199254740993", "12.500", "1.50000000000e+002", "T", "20240229", bin(le.AppendUint32(nil, 0xFFFFFFFE)), bin(le.AppendUint64(nil, math.Float64bits(2.25))), bin(moment), "0000000012"},
		[]string{"", "", "************", "", "?", "", "", "", "", ""},
		[]string{" x", "-7", "12,5", "NaN", "n", "00000000", "", "", "", ""},
		[]string{"y\x00zz", "12.5", "abc", "1", "F", "20230229", "", "", "", ""},
	)
	shp, _ := rawSHP(1, rawPoint(1, 1, 2), rawPoint(1, 1, 2), rawPoint(1, 1, 2), rawPoint(1, 1, 2))
	s, all := mustRead(t, putSet(t, map[string][]byte{".shp": shp, ".dbf": dbf}), Options{})
	var kinds []Kind
	for _, f := range s.Schema().Fields {
		kinds = append(kinds, f.Kind)
	}
	if want := []Kind{Text, Integer, Real, Real, Boolean, Date, Integer, Real, Text, Text}; !reflect.DeepEqual(kinds, want) {
		t.Errorf("kinds %v, want %v", kinds, want)
	}
	for i, want := range []string{
		// Julian day 2453000 is 2003-12-26 (US Naval Observatory's table:
		// 2451545 is 2000-01-01, and 1455 days lie between).
		`["Acer" "9007199254740993" "12.5" "150" "true" "2024-02-29" "-2" "2.25" "2003-12-26T01:00:00" "null"]`,
		`["null" "null" "null" "null" "null" "null"`,
		`[" x" "-7" "12.5" "NaN" "false" "null"`,
		`["y" "12.5" "abc" "1" "false" "20230229"`,
	} {
		if got := fmt.Sprintf("%q", texts(all[i])); !strings.HasPrefix(got, want) {
			t.Errorf("row %d: %s\nwant  %s", i+1, got, want)
		}
	}
	if v := all[0].Values[1]; v.Kind() != Integer {
		t.Errorf("whole: %v", v)
	}
	notes := strings.Join(s.Notes(), "; ")
	for _, want := range []string{"1 memo", "2 values in number columns", "1 value in a date column"} {
		if !strings.Contains(notes, want) {
			t.Errorf("%q is not in %q", want, notes)
		}
	}
}

func TestDBFClipperWidth(t *testing.T) {
	long := strings.Repeat("Platanus ", 40)
	dbf := rawDBF([]rawField{{"NOTE", 'C', 400, 0}, {"N", 'N', 3, 0}}, []string{long, "7"})
	dbf[32+16], dbf[32+17] = 400&0xFF, 400>>8 // 144 with one "decimal"
	shp, _ := rawSHP(1, rawPoint(1, 1, 2))
	_, all := mustRead(t, putSet(t, map[string][]byte{".shp": shp, ".dbf": dbf}), Options{})
	if all[0].Values[0].Text() != strings.TrimSpace(long) || all[0].Values[1].Text() != "7" {
		t.Errorf("%q", texts(all[0]))
	}
}

func TestDBFEncodings(t *testing.T) {
	shp, _ := rawSHP(1, rawPoint(1, 1, 2))
	for _, c := range []struct {
		option, cpg string
		language    byte
		raw, want   string
		note        string
	}{
		{"", "", 0, "Eschenahorn", "Eschenahorn", ""},
		{"", "", 0, "Stra\xc3\x9fe", "Straße", `UTF-8, as it is valid`},
		{"", "", 0, "Stra\xdfe", "Straße", `1 value is not, and read as windows-1252`},
		{"", "", 0x57, "Stra\xc3\x9fe", "Straße", `UTF-8, as it is valid`},
		{"", "UTF-8", 0x57, "Stra\xc3\x9fe", "Straße", `UTF-8, by its .cpg ("UTF-8")`},
		{"", "UTF-8\n", 3, "Stra\xc3\x9fe", "Straße", `.cpg`},
		{"", "UTF-8", 0, "Stra\xdfe", "Straße", `1 value is not`}, // a .cpg that lies
		{"", "1252", 0, "Stra\xdfe \x80", "Straße €", `windows-1252, by its .cpg ("1252")`},
		{"", "ANSI 1252", 0, "Stra\xdfe", "Straße", `windows-1252`},
		{"", "CP1252", 0, "Stra\xdfe", "Straße", `windows-1252`},
		{"", "88591", 0, "Stra\xdfe", "Straße", `iso-8859-1`},
		{"", "ISO 88591", 0, "Stra\xdfe", "Straße", `iso-8859-1`},
		{"", "885915", 0, "10 \xa4", "10 €", `iso-8859-15`},
		{"", "8859-2", 0, "\xb1", "ą", `iso-8859-2`},
		{"", "OEM 437", 0, "\xe1", "ß", `code page 437`},
		{"", "1251", 0, "\xe4\xf3\xe1", "дуб", `windows-1251`},
		{"", "936", 0, "\xca\xf7", "树", ``},
		{"", "", 0xC9, "\xe4\xf3\xe1", "дуб", `windows-1251, by the language byte 0xc9`},
		{"", "", 0x02, "\xe1", "ß", `code page 850`},
		{"", "Klingon", 0, "Stra\xc3\x9fe", "Straße", `"Klingon" of a.cpg is not known`},
		{"latin1", "UTF-8", 0, "Stra\xdfe", "Straße", `as told`},
		{"utf8", "1252", 0, "Stra\xc3\x9fe", "Straße", `UTF-8, as told`},
		{"", "UTF-8", 0, "Ahornstra\xc3", "Ahornstra", ``}, // cut in a letter by its writer
	} {
		dbf := rawDBF([]rawField{{"STREET", 'C', 20, 0}}, []string{c.raw})
		if len(c.raw) > 10 && strings.HasSuffix(c.raw, "\xc3") {
			dbf = rawDBF([]rawField{{"STREET", 'C', len(c.raw), 0}}, []string{c.raw})
		}
		dbf[29] = c.language
		parts := map[string][]byte{".shp": shp, ".dbf": dbf}
		if c.cpg != "" {
			parts[".cpg"] = []byte(c.cpg)
		}
		s, all := mustRead(t, putSet(t, parts), Options{Encoding: c.option})
		if got := all[0].Values[0].Text(); got != c.want {
			t.Errorf("option %q, .cpg %q, byte %#x: %q, want %q", c.option, c.cpg, c.language, got, c.want)
		}
		if notes := strings.Join(s.Notes(), "; "); !strings.Contains(notes, c.note) {
			t.Errorf("option %q, .cpg %q, byte %#x: note %q, want %q", c.option, c.cpg, c.language, notes, c.note)
		}
	}
	path := putSet(t, map[string][]byte{".shp": shp, ".dbf": rawDBF([]rawField{{"A", 'C', 1, 0}}, []string{"x"})})
	if _, err := Open(path, Options{Encoding: "Klingon"}); err == nil {
		t.Error("an unknown encoding as an option is no error")
	}
}

func TestShapefileColumns(t *testing.T) {
	shp, _ := rawSHP(1, rawPoint(1, 1, 2))
	path := putSet(t, map[string][]byte{".shp": shp, ".dbf": rawDBF([]rawField{{"A", 'C', 1, 0}, {"B", 'N', 3, 0}, {"C", 'C', 1, 0}}, []string{"x", "7", "y"})})
	s, all := mustRead(t, path, Options{Columns: []string{"c", "A"}})
	if f := s.Schema().Fields; len(f) != 2 || f[0].Name != "A" || f[1].Name != "C" || fmt.Sprint(texts(all[0])) != "[x y]" {
		t.Errorf("%v %v", f, texts(all[0]))
	}
	s, all = mustRead(t, path, Options{Columns: []string{}})
	if len(s.Schema().Fields) != 0 || len(all) != 1 || len(all[0].Values) != 0 {
		t.Errorf("%v", s.Schema().Fields)
	}
}

// A count that the file cannot hold is refused without allocating for it.
func TestShapefileBelievesNoCount(t *testing.T) {
	good := rawMultipart(5, [][]orb.Point{outer}, false, false)
	points := append([]byte(nil), good...)
	binary.LittleEndian.PutUint32(points[40:], math.MaxInt32)
	parts := append([]byte(nil), good...)
	binary.LittleEndian.PutUint32(parts[36:], math.MaxInt32)
	shp, shx := rawSHP(5, points, parts, good)
	many := rawMultiPoint(8, []orb.Point{{1, 2}}, false, false)
	binary.LittleEndian.PutUint32(many[36:], math.MaxInt32)
	shp2, _ := rawSHP(8, many)
	length, _ := rawSHP(5, good)
	binary.BigEndian.PutUint32(length[104:], math.MaxInt32)
	dbf := rawDBF([]rawField{{"A", 'C', 1, 0}}, []string{"x"})
	binary.LittleEndian.PutUint32(dbf[4:], math.MaxUint32)
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	_, all, bad, err := readAll(t, putSet(t, map[string][]byte{".shp": shp, ".shx": shx}), Options{})
	if err != nil || len(bad) != 2 || len(all) != 1 || all[0].FID != 3 {
		t.Errorf("polygons: %v %v", err, bad)
	}
	if _, _, bad, err := readAll(t, putSet(t, map[string][]byte{".shp": shp2}), Options{}); err != nil || len(bad) != 1 {
		t.Errorf("multipoint: %v %v", err, bad)
	}
	if _, _, _, err := readAll(t, putSet(t, map[string][]byte{".shp": length}), Options{}); err == nil {
		t.Error("length: no error")
	}
	one, _ := rawSHP(1, rawPoint(1, 1, 2))
	if _, _, _, err := readAll(t, putSet(t, map[string][]byte{".shp": one, ".dbf": dbf}), Options{}); err == nil {
		t.Error("records of the .dbf: no error")
	}
	runtime.ReadMemStats(&after)
	if got := after.TotalAlloc - before.TotalAlloc; got > 8<<20 {
		t.Errorf("%d bytes allocated", got)
	}
}

// The tree of boxes changes nothing: rings nest as a plain comparison of all
// with all says.
func TestRingsNestAsComparedOneByOne(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 8))
	for range 300 {
		var rings []shpRing
		for range 1 + rnd.IntN(120) {
			x, y, w := float64(rnd.IntN(100)), float64(rnd.IntN(100)), 1+float64(rnd.IntN(60))/float64(1+rnd.IntN(8))
			r := orb.Ring{{x, y}, {x, y + w}, {x + w, y + w}, {x + w, y}, {x, y}}
			if rnd.IntN(2) == 0 {
				r = reversed(r)
			}
			rings = append(rings, shpRing{ring: r, bound: r.Bound(), area: clockwiseArea(r)})
		}
		holes := 0
		for i := range rings {
			depth := 0
			for j := range rings {
				if math.Abs(rings[j].area) > math.Abs(rings[i].area) && inside(&rings[i], &rings[j]) {
					depth++
				}
			}
			holes += depth % 2
		}
		m, got := byContainment(rings)
		n := 0
		for _, p := range m {
			n += len(p)
		}
		if got != holes || n != len(rings) {
			t.Fatalf("%d holes, want %d; %d of %d rings", got, holes, n, len(rings))
		}
		homeless := false
		for i := range rings {
			home := rings[i].area > 0
			for j := range rings {
				home = home || rings[j].area >= -rings[i].area && inside(&rings[i], &rings[j])
			}
			homeless = homeless || !home
		}
		if _, ok := byWinding(rings); ok == homeless {
			t.Fatalf("winding makes sense: %v", ok)
		}
	}
}
