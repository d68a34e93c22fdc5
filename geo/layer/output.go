package layer

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/paulmach/orb"
)

// layerPath is where layer i of an output goes: the first that has geometry to
// path itself, others beside it.
func layerPath(path string, schemas []Schema, i int) string {
	ending := filepath.Ext(path)
	stem := strings.TrimSuffix(path, ending)
	if strings.EqualFold(ending, ".gz") {
		inner := filepath.Ext(stem)
		stem, ending = strings.TrimSuffix(stem, inner), inner+ending
	}
	if schemas[i].Shape == NoShape {
		return stem + "-" + fileName(schemas[i].Name) + ".csv"
	}
	for j := range i {
		if schemas[j].Shape != NoShape {
			return stem + "-" + fileName(schemas[i].Name) + ending
		}
	}
	return path
}

// fileName makes a layer's name fit for a file's: no separators, no dots first.
func fileName(name string) string {
	name = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7F || strings.ContainsRune(`/\:*?"<>|`, r) || r == utf8.RuneError {
			return '_'
		}
		return r
	}, name)
	name = strings.TrimLeft(name, ".")
	if len(name) > 100 {
		name = cutText(name, 100)
	}
	if name == "" {
		return "layer"
	}
	return name
}

// cutText cuts s to at most n bytes, between letters.
func cutText(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n]
}

// inOrder calls start for every layer, first for the one that opens the output:
// the first with geometry.
func inOrder(schemas []Schema, start func(i int) error) error {
	main := 0
	for schemas[main].Shape == NoShape {
		main++
	}
	if err := start(main); err != nil {
		return err
	}
	for i := range schemas {
		if i != main {
			if err := start(i); err != nil {
				return err
			}
		}
	}
	return nil
}

// checkLayers refuses schemas that the formats of one file a layer cannot hold.
func checkLayers(path string, schemas []Schema) error {
	seen := map[string]string{}
	any := false
	for i, s := range schemas {
		p := strings.ToLower(layerPath(path, schemas, i))
		if other, ok := seen[p]; ok {
			return &Error{File: path, Layer: s.Name, Err: fmt.Errorf("has the file name of layer %s", other), Remedy: "name the layers apart"}
		}
		seen[p] = s.Name
		if s.Shape == NoShape {
			continue
		}
		any = true
		if s.System == nil {
			return &Error{File: path, Layer: s.Name, Err: errors.New("no coordinate system"), Remedy: "say what the coordinates are: --crs EPSG:code"}
		}
		if s.Shape == Mixed {
			return &Error{File: path, Layer: s.Name, Err: errors.New("a layer of several geometry types cannot be written")}
		}
	}
	if !any {
		return &Error{File: path, Err: errors.New("no layer with geometry to write")}
	}
	return nil
}

// digits is the number of decimals at which a value of a column is written: by
// the column's unit where that says what a digit is worth, else as many as it
// has (-1).
func digits(f Field) int {
	switch strings.ToLower(f.Unit) {
	case "m", "ft":
		return 3
	case "m2", "m3", "ft2", "ft3", "m/s", "mph", "cm", "in", "m²", "m³":
		return 2
	case "%", "pct", "deg", "°", "d", "days":
		return 1
	}
	return -1
}

// appendNumber writes v with at most the given decimals (-1: as many as it
// has, of 15 digits in all, which leaves the noise of binary fractions out).
func appendNumber(b []byte, v float64, decimals int) []byte {
	if decimals >= 0 && math.Abs(v) < 1e15 {
		from := len(b)
		b = strconv.AppendFloat(b, v, 'f', decimals, 64)
		return trimZeros(b, from)
	}
	if r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 15, 64), 64); err == nil {
		v = r
	}
	if a := math.Abs(v); a != 0 && (a < 1e-6 || a >= 1e21) {
		return strconv.AppendFloat(b, v, 'e', -1, 64)
	}
	from := len(b)
	b = strconv.AppendFloat(b, v, 'f', -1, 64)
	if string(b[from:]) == "-0" {
		return append(b[:from], '0')
	}
	return b
}

// trimZeros takes the zeros at the end of the decimals that begin at from.
func trimZeros(b []byte, from int) []byte {
	for i := from; i < len(b); i++ {
		if b[i] == '.' {
			for b[len(b)-1] == '0' {
				b = b[:len(b)-1]
			}
			if b[len(b)-1] == '.' {
				b = b[:len(b)-1]
			}
			break
		}
	}
	if string(b[from:]) == "-0" {
		return append(b[:from], '0')
	}
	return b
}

// shaped checks that g is what a layer of the given shape takes.
func shaped(s Shape, g orb.Geometry) bool {
	switch g.(type) {
	case nil:
		return true
	case orb.Point:
		return s == Points
	case orb.Polygon, orb.MultiPolygon:
		return s == Polygons
	case orb.LineString, orb.MultiLineString:
		return s == Lines
	}
	return false
}

// finite tells whether all coordinates of g are numbers.
func finite(g orb.Geometry) bool {
	ok := true
	each(g, func(p orb.Point) {
		if d := p[0]*0 + p[1]*0; d != 0 {
			ok = false
		}
	})
	return ok
}

// each calls f for every vertex of the geometries that are written.
func each(g orb.Geometry, f func(orb.Point)) {
	switch g := g.(type) {
	case orb.Point:
		f(g)
	case orb.LineString:
		for _, p := range g {
			f(p)
		}
	case orb.MultiLineString:
		for _, l := range g {
			each(l, f)
		}
	case orb.Polygon:
		for _, r := range g {
			for _, p := range r {
				f(p)
			}
		}
	case orb.MultiPolygon:
		for _, p := range g {
			each(p, f)
		}
	}
}

// boxOf is the box of a geometry that is written; empty where it has no corner.
func boxOf(g orb.Geometry) orb.Bound {
	box := emptyBound()
	each(g, func(p orb.Point) {
		for k := range 2 {
			box.Min[k], box.Max[k] = min(box.Min[k], p[k]), max(box.Max[k], p[k])
		}
	})
	return box
}

// wound returns r closed and running the way asked for; nil when it has fewer
// than three corners. It does not change r.
func wound(r orb.Ring, clockwise bool) orb.Ring {
	n := len(r)
	if n > 2 && r[0] != r[n-1] {
		r = append(r[:n:n], r[0])
		n++
	}
	if n < 4 {
		return nil
	}
	if a := clockwiseArea(r); a != 0 && (a > 0) != clockwise {
		turned := make(orb.Ring, n)
		for i, p := range r {
			turned[n-1-i] = p
		}
		return turned
	}
	return r
}

// checkFeature checks what no format can hold.
func checkFeature(path string, s *Schema, f Feature) error {
	bad := func(reason, format string, a ...any) error {
		return &RecordError{Fault{File: path, Layer: s.Name, Feature: f.FID, Err: fmt.Errorf(format, a...)}, reason}
	}
	if len(f.Values) != len(s.Fields) {
		return bad(reasonType, "%d values for %d fields", len(f.Values), len(s.Fields))
	}
	if s.Shape == NoShape {
		return nil
	}
	if !shaped(s.Shape, f.Geometry) {
		return bad(reasonType, "a %s in this layer", f.Geometry.GeoJSONType())
	}
	if !finite(f.Geometry) {
		return bad(reasonNumber, "a coordinate that is no number")
	}
	return nil
}

// csvTable writes a table without geometry. Text that a spreadsheet would run
// as a formula gets an apostrophe before it.
type csvTable struct {
	schema *Schema
	final  string
	file   *os.File
	out    *bufio.Writer
	csv    *csv.Writer
	row    []string
}

func newCSVTable(set *aside, final string, s *Schema) (*csvTable, error) {
	f, err := set.create(final)
	if err != nil {
		return nil, err
	}
	t := &csvTable{schema: s, final: final, file: f, out: bufio.NewWriterSize(f, 64<<10)}
	t.csv = csv.NewWriter(t.out)
	for _, f := range s.Fields {
		t.row = append(t.row, noFormula(f.Name))
	}
	return t, t.fail(t.csv.Write(t.row))
}

func (t *csvTable) fail(err error) error {
	if err == nil {
		return nil
	}
	return writing(t.final, err)
}

func (t *csvTable) write(f Feature) error {
	for i, v := range f.Values {
		t.row[i] = ""
		switch {
		case v.Null():
		case v.Kind() == Real:
			if x, _ := v.Float(); !math.IsNaN(x) && !math.IsInf(x, 0) {
				t.row[i] = string(appendNumber(nil, x, digits(t.schema.Fields[i])))
			}
		case v.Kind() == Text, v.Kind() == Date:
			t.row[i] = noFormula(v.Text())
		default:
			t.row[i] = v.Text()
		}
	}
	return t.fail(t.csv.Write(t.row))
}

func (t *csvTable) finish() error {
	t.csv.Flush()
	return t.fail(errors.Join(t.csv.Error(), t.out.Flush(), t.file.Close()))
}

func (t *csvTable) notes() []string { return nil }

func (t *csvTable) close() { t.file.Close() }

// noFormula makes text safe to open in a spreadsheet, which takes cells that
// begin with = + - @ for formulas, after blanks too and in a line of their own.
// A plain number stays one.
func noFormula(s string) string {
	if _, err := strconv.ParseFloat(s, 64); err == nil && strings.Trim(s, "0123456789.-+eE") == "" {
		return s
	}
	for _, line := range strings.FieldsFunc(s, func(r rune) bool { return r == '\n' || r == '\r' }) {
		t := strings.TrimLeftFunc(line, func(r rune) bool {
			return unicode.IsSpace(r) || unicode.Is(unicode.Cf, r) || r < ' '
		})
		if t != "" && strings.ContainsRune("=+-@＝＋－＠", firstRune(t)) {
			return "'" + s
		}
	}
	if s != "" && (s[0] == '\t' || s[0] == '\r' || s[0] == '\n') {
		return "'" + s
	}
	return s
}

func firstRune(s string) rune {
	r, _ := utf8.DecodeRuneInString(s)
	return r
}

// writeStyles puts each style beside its layer, as NAME.qml and NAME.sld.
func writeStyles(set *aside, path string, schemas []Schema, styles []Style) error {
	seen := map[int]bool{}
	for _, s := range styles {
		if s.Layer < 0 || s.Layer >= len(schemas) || schemas[s.Layer].Shape == NoShape || seen[s.Layer] {
			continue // one file a layer: the first style is the default
		}
		seen[s.Layer] = true
		p := layerPath(path, schemas, s.Layer)
		if e := filepath.Ext(p); strings.EqualFold(e, ".gz") {
			p = strings.TrimSuffix(p, e)
		}
		stem := strings.TrimSuffix(p, filepath.Ext(p))
		if s.QML != "" {
			if err := set.text(stem+".qml", s.QML); err != nil {
				return err
			}
		}
		if s.SLD != "" {
			if err := set.text(stem+".sld", s.SLD); err != nil {
				return err
			}
		}
	}
	return nil
}

// ringNotes tells of the rings that were left out of a file.
func ringNotes(final string, dropped int) []string {
	if dropped == 0 {
		return nil
	}
	return []string{fmt.Sprintf("%s: %s of fewer than three corners not written", filepath.Base(final), count(dropped, "ring", "rings"))}
}

// described is a list in JSON of the columns that have a unit or a sentence of
// their own, nil when there is none. names are those under which they are
// written, where these are others.
func described(fields []Field, names []string) []byte {
	b := []byte{'['}
	for i, f := range fields {
		if f.Unit == "" && f.Doc == "" && f.Alias == "" {
			continue
		}
		if len(b) > 1 {
			b = append(b, ',')
		}
		name := f.Name
		if names != nil {
			name = names[i]
		}
		b = append(b, "\n{\"name\":"...)
		b = appendJSONString(b, name)
		for _, m := range [...][2]string{{"alias", f.Alias}, {"unit", f.Unit}, {"doc", f.Doc}} {
			if m[1] != "" {
				b = append(append(append(b, ",\""...), m[0]...), `":`...)
				b = appendJSONString(b, m[1])
			}
		}
		b = append(b, '}')
	}
	if len(b) == 1 {
		return nil
	}
	return append(b, ']')
}

// oneKind makes the geometries of a layer one kind, as the formats want it that
// declare the kind of a column: polygons and lines become their multi-kind.
type oneKind struct {
	tidy    orb.MultiPolygon // scratch
	dropped int              // rings of fewer than three corners
}

// of returns the geometry as its layer has it, false when it is none of its
// shape. The result is valid until the next call; g is not changed.
func (o *oneKind) of(shape Shape, g orb.Geometry) (orb.Geometry, bool) {
	switch g := g.(type) {
	case orb.Point:
		return g, shape == Points
	case orb.Polygon:
		return o.tidied(orb.MultiPolygon{g}), shape == Polygons
	case orb.MultiPolygon:
		return o.tidied(g), shape == Polygons
	case orb.LineString:
		return orb.MultiLineString{g}, shape == Lines
	case orb.MultiLineString:
		return g, shape == Lines
	}
	return nil, false
}

// tidied closes rings, turns outer ones counterclockwise and holes clockwise (as
// OGC 06-103r4 has them), and leaves out rings of fewer than three corners, with
// the whole polygon when it is its outer one.
func (o *oneKind) tidied(multi orb.MultiPolygon) orb.MultiPolygon {
	o.tidy = o.tidy[:0]
	for _, polygon := range multi {
		kept := polygon
		own := false // kept is a copy
		for i, ring := range polygon {
			w := wound(ring, i > 0)
			if w == nil {
				o.dropped++
				if i == 0 {
					kept = nil
					break
				}
			}
			same := len(w) == len(ring) && &w[0] == &ring[0]
			if !same && !own {
				kept, own = append(orb.Polygon(nil), polygon[:i]...), true
			}
			if own && w != nil {
				kept = append(kept, w)
			}
		}
		if len(kept) > 0 {
			o.tidy = append(o.tidy, kept)
		}
	}
	return o.tidy
}
