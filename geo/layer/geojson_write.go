package layer

import (
	"bufio"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/paulmach/orb"

	"soilshed/geo/crs"
)

// degreeDecimals keeps rounding below a millimetre: half of 1e-8 degrees is
// 0.56 mm of latitude, and less of longitude.
const degreeDecimals = 8

// unitDecimals keeps rounding below a millimetre in metres and feet.
const unitDecimals = 4

// geojsonSink writes one file a layer.
type geojsonSink struct {
	fileSink
	layers []geojsonLayer
}

// geojsonLayer is a file that is being written.
type geojsonLayer struct {
	schema   *Schema
	final    string
	file     *os.File
	pack     io.Closer
	out      *bufio.Writer
	lines    bool // a feature a line, without a collection around them
	decimals int
	names    [][]byte // field names, quoted, with colon
	digits   []int
	buf      []byte
	n        int64
	bound    orb.Bound
	bounded  bool
	dropped  int // rings of fewer than three corners
	unknown  int // numbers that JSON cannot hold
}

func createGeoJSON(path string, schemas []Schema, o CreateOptions) (Sink, error) {
	if err := checkLayers(path, schemas); err != nil {
		return nil, err
	}
	files, err := newFileSink(path, schemas, o)
	if err != nil {
		return nil, err
	}
	s := &geojsonSink{files, make([]geojsonLayer, len(schemas))}
	if err := s.open(s.start); err != nil {
		return nil, err
	}
	return s, nil
}

func (s *geojsonSink) start(i int) (err error) {
	l := &s.layers[i]
	s.files[i] = l
	l.schema, l.final = &s.schemas[i], s.finals[i]
	if l.file, err = s.set.create(l.final); err != nil {
		return err
	}
	var to io.Writer = l.file
	if strings.EqualFold(filepath.Ext(l.final), ".gz") {
		z := gzip.NewWriter(l.file)
		l.pack, to = z, z
	}
	l.out = bufio.NewWriterSize(to, 256<<10)
	l.lines = hintsLines(l.final)
	l.decimals = unitDecimals
	if l.schema.System.Geographic() {
		l.decimals = degreeDecimals
	}
	for _, f := range l.schema.Fields {
		l.names = append(l.names, append(appendJSONString(nil, f.Name), ':'))
		l.digits = append(l.digits, digits(f))
	}
	member, err := crsText(l.schema.System)
	if err != nil {
		return &Error{File: l.final, Err: err, Remedy: "write longitude and latitude, or another format"}
	}
	if l.lines {
		if member != "" {
			return &Error{File: l.final, Err: errors.New("a feature a line leaves no place for a coordinate system"), Remedy: "write longitude and latitude, or end the name in .geojson"}
		}
		return nil
	}
	return l.head(s.options, member)
}

// crsText is the crs member of the 2008 form, which only a file that is not in
// longitude and latitude on WGS 84 has.
func crsText(sys *crs.System) (string, error) {
	if sys.Same(crs.WGS84()) {
		return "", nil
	}
	if sys.EPSG() == 0 {
		return "", fmt.Errorf("coordinate system %q has no EPSG code, by which GeoJSON could name it", sys.Name())
	}
	return fmt.Sprintf(`{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::%d"}}`, sys.EPSG()), nil
}

func (l *geojsonLayer) head(o CreateOptions, member string) error {
	b := []byte(`{"type":"FeatureCollection"`)
	text := func(name, s string) {
		if s != "" {
			b = append(append(append(b, ",\n\""...), name...), `":`...)
			b = appendJSONString(b, s)
		}
	}
	text("name", l.schema.Name)
	text("title", l.schema.Title)
	text("description", l.schema.Abstract)
	text("metadata", o.Metadata)
	if member != "" {
		b = append(append(b, ",\n\"crs\":"...), member...)
	}
	if fields := described(l.schema.Fields, nil); fields != nil {
		b = append(append(b, ",\n\"fields\":"...), fields...)
	}
	b = append(b, ",\n\"features\":["...)
	_, err := l.out.Write(b)
	return l.fail(err)
}

func (l *geojsonLayer) fail(err error) error {
	if err == nil {
		return nil
	}
	return writing(l.final, err)
}

func (l *geojsonLayer) write(f Feature) error {
	b := l.buf[:0]
	if !l.lines {
		if l.n > 0 {
			b = append(b, ',')
		}
		b = append(b, '\n')
	}
	b = append(b, `{"type":"Feature","properties":{`...)
	for i, v := range f.Values {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, l.names[i]...)
		b = l.value(b, v, l.digits[i])
	}
	b = append(b, `},"geometry":`...)
	b = l.geometry(b, f.Geometry)
	b = append(b, '}')
	if l.lines {
		b = append(b, '\n')
	}
	l.buf = b
	l.n++
	_, err := l.out.Write(b)
	return l.fail(err)
}

func (l *geojsonLayer) value(b []byte, v Value, decimals int) []byte {
	if v.Null() {
		return append(b, "null"...)
	}
	switch v.Kind() {
	case Integer, Boolean:
		return append(b, v.Text()...)
	case Real:
		x, _ := v.Float()
		if math.IsNaN(x) || math.IsInf(x, 0) {
			l.unknown++
			return append(b, "null"...)
		}
		return appendNumber(b, x, decimals)
	}
	return appendJSONString(b, v.Text())
}

func (l *geojsonLayer) geometry(b []byte, g orb.Geometry) []byte {
	from := len(b)
	switch g := g.(type) {
	case orb.Point:
		b = append(b, `{"type":"Point","coordinates":`...)
		return append(l.position(b, g), '}')
	case orb.LineString:
		if len(g) > 0 {
			b = append(b, `{"type":"LineString","coordinates":`...)
			return append(l.line(b, g), '}')
		}
	case orb.MultiLineString:
		b = append(b, `{"type":"MultiLineString","coordinates":[`...)
		n := 0
		for _, line := range g {
			if len(line) > 0 {
				if n++; n > 1 {
					b = append(b, ',')
				}
				b = l.line(b, line)
			}
		}
		if n > 0 {
			return append(b, `]}`...)
		}
	case orb.Polygon:
		b = append(b, `{"type":"Polygon","coordinates":`...)
		var ok bool
		if b, ok = l.polygon(b, g); ok {
			return append(b, '}')
		}
	case orb.MultiPolygon:
		b = append(b, `{"type":"MultiPolygon","coordinates":[`...)
		n := 0
		for _, p := range g {
			mark := len(b)
			if n > 0 {
				b = append(b, ',')
			}
			var ok bool
			if b, ok = l.polygon(b, p); ok {
				n++
			} else {
				b = b[:mark]
			}
		}
		if n > 0 {
			return append(b, `]}`...)
		}
	}
	return append(b[:from], "null"...)
}

// polygon writes the outer ring counter-clockwise and the holes clockwise (RFC
// 7946, section 3.1.6). ok is false, and nothing written, when the outer ring
// has fewer than three corners.
func (l *geojsonLayer) polygon(b []byte, p orb.Polygon) (_ []byte, ok bool) {
	from := len(b)
	for i, r := range p {
		r = wound(r, i > 0)
		if r == nil {
			l.dropped++
			if i == 0 {
				l.dropped += len(p) - 1
				return b[:from], false
			}
			continue
		}
		if i == 0 {
			b = append(b, '[')
		} else {
			b = append(b, ',')
		}
		b = l.line(b, r)
	}
	if len(p) == 0 {
		return b, false
	}
	return append(b, ']'), true
}

func (l *geojsonLayer) line(b []byte, points []orb.Point) []byte {
	b = append(b, '[')
	for i, p := range points {
		if i > 0 {
			b = append(b, ',')
		}
		b = l.position(b, p)
	}
	return append(b, ']')
}

func (l *geojsonLayer) position(b []byte, p orb.Point) []byte {
	if !l.bounded {
		l.bound, l.bounded = orb.Bound{Min: p, Max: p}, true
	}
	l.bound.Min[0], l.bound.Max[0] = min(l.bound.Min[0], p[0]), max(l.bound.Max[0], p[0])
	l.bound.Min[1], l.bound.Max[1] = min(l.bound.Min[1], p[1]), max(l.bound.Max[1], p[1])
	b = append(b, '[')
	b = appendCoordinate(b, p[0], l.decimals)
	b = append(b, ',')
	b = appendCoordinate(b, p[1], l.decimals)
	return append(b, ']')
}

// appendCoordinate writes v with up to the given decimals. It goes through an
// integer while that holds the number with room to spare.
func appendCoordinate(b []byte, v float64, decimals int) []byte {
	from := len(b)
	scaled := v * powersOfTen[decimals]
	if !(math.Abs(scaled) < 1<<52) {
		return trimZeros(strconv.AppendFloat(b, v, 'f', decimals, 64), from)
	}
	n := int64(math.RoundToEven(scaled))
	if n < 0 {
		b = append(b, '-')
		n = -n
	}
	unit := int64(powersOfTen[decimals])
	b = strconv.AppendInt(b, n/unit, 10)
	if frac := n % unit; frac > 0 {
		var d [16]byte
		for i := decimals - 1; i >= 0; i-- {
			d[i] = byte('0' + frac%10)
			frac /= 10
		}
		b = append(b, '.')
		b = append(b, d[:decimals]...)
		for b[len(b)-1] == '0' {
			b = b[:len(b)-1]
		}
	}
	return b
}

// appendJSONString quotes s. What is no UTF-8 becomes U+FFFD.
func appendJSONString(b []byte, s string) []byte {
	const hex = "0123456789abcdef"
	b = append(b, '"')
	from := 0
	for i := 0; i < len(s); {
		c := s[i]
		if c >= utf8.RuneSelf {
			r, n := utf8.DecodeRuneInString(s[i:])
			if r == utf8.RuneError && n == 1 {
				b = append(append(b, s[from:i]...), "\uFFFD"...)
				from = i + n
			}
			i += n
			continue
		}
		i++
		if c >= ' ' && c != '"' && c != '\\' {
			continue
		}
		b = append(b, s[from:i-1]...)
		from = i
		switch c {
		case '"', '\\':
			b = append(b, '\\', c)
		case '\n':
			b = append(b, `\n`...)
		case '\r':
			b = append(b, `\r`...)
		case '\t':
			b = append(b, `\t`...)
		default:
			b = append(b, '\\', 'u', '0', '0', hex[c>>4], hex[c&15])
		}
	}
	return append(append(b, s[from:]...), '"')
}

// Notes tells what could not be written.
func (l *geojsonLayer) finish() error {
	if !l.lines {
		b := []byte("\n]")
		if l.bounded {
			b = append(b, ",\n\"bbox\":["...)
			for i, v := range [...]float64{l.bound.Min[0], l.bound.Min[1], l.bound.Max[0], l.bound.Max[1]} {
				if i > 0 {
					b = append(b, ',')
				}
				b = appendCoordinate(b, v, l.decimals)
			}
			b = append(b, ']')
		}
		b = append(b, "}\n"...)
		if _, err := l.out.Write(b); err != nil {
			return l.fail(err)
		}
	}
	err := l.out.Flush()
	if l.pack != nil {
		err = errors.Join(err, l.pack.Close())
	}
	file := l.file
	l.file = nil
	return l.fail(errors.Join(err, file.Close()))
}

func (l *geojsonLayer) notes() []string {
	notes := ringNotes(l.final, l.dropped)
	if l.unknown > 0 {
		notes = append(notes, fmt.Sprintf("%s: %s not finite, and written as null", filepath.Base(l.final), count(l.unknown, "number is", "numbers are")))
	}
	return notes
}

func (l *geojsonLayer) close() {
	if l.file != nil {
		l.file.Close()
		l.file = nil
	}
}
