package layer

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/paulmach/orb"

	"soilshed/geo/crs"
)

// geojson is a GeoJSON file: a FeatureCollection, a Feature, a bare geometry,
// or a sequence of them, one a line (RFC 8142 with its record separators, or
// without). It is read anew for every pass.
type geojson struct {
	path   string
	schema Schema
	scan   columnScan
	wanted []int // columns of scan that are in the schema, in order
	idAt   int   // place of the features' own id in the schema, -1: none
	lonlat bool  // the file does not name a system: numbers must be degrees
	limits struct{ record, string int }

	opened []string // notes of the opening
	notes  []string // and of the last reading
}

func openGeoJSON(path string, o Options) (Source, error) {
	g := &geojson{path: path, idAt: -1}
	g.limits.record, g.limits.string = maxRecordBytes, maxJSONString
	if err := g.survey(o); err != nil {
		return nil, err
	}
	return g, nil
}

func (g *geojson) Schema() *Schema { return &g.schema }
func (g *geojson) Close() error    { return nil }
func (g *geojson) Notes() []string { return append(append([]string(nil), g.opened...), g.notes...) }

func (g *geojson) note(format string, a ...any) {
	g.notes = append(g.notes, fmt.Sprintf(format, a...))
}

// unpacked is a file that may be gzipped.
type unpacked struct {
	io.Reader
	file *os.File
}

func (u *unpacked) Close() error { return u.file.Close() }

func openUnpacked(path string) (*unpacked, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, missing(path, err)
	}
	var magic [2]byte
	if n, _ := f.ReadAt(magic[:], 0); n == 2 && magic == [2]byte{0x1f, 0x8b} {
		z, err := gzip.NewReader(f)
		if err != nil {
			f.Close()
			return nil, &Error{File: path, Err: fmt.Errorf("damaged gzip header: %w", err), Remedy: "pack or copy the file again"}
		}
		return &unpacked{z, f}, nil
	}
	return &unpacked{f, f}, nil
}

// survey reads through the file once: for its coordinate system, which may
// stand behind the features, for its columns, and so that a file cut short is
// refused before anything is computed from it.
func (g *geojson) survey(o Options) error {
	properties := o.Columns == nil || len(o.Columns) > 0
	g.scan = columnScan{index: map[string]int{}, places: true}
	var sample degreeSample
	var geo geometryParser
	w := walker{records: true}
	w.record = func(b []byte, n int64) error {
		if err := g.scan.record(b, properties); err != nil {
			return &Error{File: g.path, Feature: n, Err: err, Remedy: "name the columns that are wanted, or put the values that vary into one property"}
		}
		if o.System == nil && sample.n < 100 {
			sample.look(&geo, b)
		}
		return nil
	}
	if err := g.walk(&w); err != nil {
		return err
	}
	if w.found == 0 && w.broken == nil && !w.collection {
		return &Error{File: g.path, Err: errors.New("no GeoJSON object in it"), Remedy: "give a FeatureCollection, or one Feature a line"}
	}
	g.schema.Name = w.name
	if g.schema.Name == "" {
		g.schema.Name = layerName(g.path)
	}
	g.schema.Shape = g.scan.shapeOf()
	g.columns(o)
	return g.system(o, &w, &sample)
}

// columns sets the schema's fields: those of the file, or those of them that
// are wanted.
func (g *geojson) columns(o Options) {
	wanted := func(name string) bool { return true }
	if o.Columns != nil {
		s := Schema{}
		for _, n := range g.scan.names {
			s.Fields = append(s.Fields, Field{Name: n})
		}
		take := map[string]bool{}
		for _, n := range o.Columns {
			if i := s.Index(n); i >= 0 {
				take[s.Fields[i].Name] = true
			}
		}
		if _, ok := g.scan.index["id"]; !ok {
			for _, n := range o.Columns {
				take["id"] = take["id"] || n == "id"
			}
		}
		wanted = func(name string) bool { return take[name] }
	}
	if _, ok := g.scan.index["id"]; !ok && g.scan.id != 0 && !(g.scan.id == sawInteger && g.scan.places) && wanted("id") {
		g.idAt = len(g.schema.Fields)
		g.schema.Fields = append(g.schema.Fields, Field{Name: "id", Kind: kindFor(g.scan.id)})
	}
	for i, n := range g.scan.names {
		if wanted(n) {
			g.wanted = append(g.wanted, i)
			g.schema.Fields = append(g.schema.Fields, Field{Name: n, Kind: kindFor(g.scan.saw[i])})
		}
	}
}

// system settles what the coordinates mean: the option, else the crs member,
// else longitude and latitude, if the numbers can be that.
func (g *geojson) system(o Options, w *walker, sample *degreeSample) error {
	name, null, err := crsMember(w.crs)
	var sys *crs.System
	if err == nil && name != "" {
		sys, err = crs.Lookup(name)
	}
	switch {
	case o.System != nil:
		g.schema.System = o.System
		if err != nil {
			g.opened = append(g.opened, fmt.Sprintf("its crs member is not understood (%v); %s is used, as told", err, o.System.Name()))
		} else if sys != nil && !sys.Same(o.System) {
			g.opened = append(g.opened, fmt.Sprintf("its crs member says %s; %s is used instead, as told", name, o.System.Name()))
		}
		return nil
	case err != nil:
		return &Error{File: g.path, Field: "crs", Err: err, Remedy: "say what the coordinates are: --crs EPSG:code"}
	case sys != nil:
		g.schema.System = sys
		return nil
	}
	g.lonlat = true
	g.schema.System = crs.WGS84()
	if sample.n > 0 && 2*sample.outside > sample.n {
		return &Error{File: g.path,
			Err:    fmt.Errorf("coordinates such as %.10g, %.10g are no longitude and latitude, and the file names no other coordinate system", sample.first[0], sample.first[1]),
			Remedy: "say what they are: --crs EPSG:code"}
	}
	if null {
		g.opened = append(g.opened, "its crs member is null; longitude and latitude on WGS 84 are assumed, as its numbers allow")
	}
	return nil
}

// degreeSample looks whether the first geometries of a file can be longitude
// and latitude.
type degreeSample struct {
	n, outside int
	first      orb.Point // the first that cannot
}

func (d *degreeSample) look(geo *geometryParser, b []byte) {
	f := featureParser{geometryParser: *geo, idAt: -1}
	g, err := f.parse(b)
	if err != nil || g == nil {
		return
	}
	d.n++
	if p, ok := outsideDegrees(g); ok {
		if d.outside == 0 {
			d.first = p
		}
		d.outside++
	}
}

// degreeSlack is how far past its bound a rounded longitude or latitude may lie.
// Longitudes may go on past 180, as those of layers across the antimeridian do.
const degreeSlack = 1e-6

// outsideDegrees returns a corner of g that is no longitude and latitude, if
// there is one.
func outsideDegrees(g orb.Geometry) (orb.Point, bool) {
	outside := func(points []orb.Point) (orb.Point, bool) {
		for _, p := range points {
			if math.Abs(p[0]) > 360+degreeSlack || math.Abs(p[1]) > 90+degreeSlack {
				return p, true
			}
		}
		return orb.Point{}, false
	}
	switch g := g.(type) {
	case orb.Point:
		return outside([]orb.Point{g})
	case orb.MultiPoint:
		return outside(g)
	case orb.LineString:
		return outside(g)
	case orb.MultiLineString:
		for _, l := range g {
			if p, ok := outside(l); ok {
				return p, ok
			}
		}
	case orb.Polygon:
		for _, r := range g {
			if p, ok := outside(r); ok {
				return p, ok
			}
		}
	case orb.MultiPolygon:
		for _, q := range g {
			if p, ok := outsideDegrees(q); ok {
				return p, ok
			}
		}
	case orb.Collection:
		for _, part := range g {
			if p, ok := outsideDegrees(part); ok {
				return p, ok
			}
		}
	}
	return orb.Point{}, false
}

// crsMember reads the crs member of the 2008 form of GeoJSON.
func crsMember(raw []byte) (name string, null bool, err error) {
	if len(raw) == 0 {
		return "", false, nil
	}
	if string(raw) == "null" {
		return "", true, nil
	}
	c := &jsonCursor{b: raw}
	var kind, href string
	text := func(s *string) error {
		if c.next() != '"' { // a code may be a number
			raw, err := c.skip()
			*s = string(raw)
			return err
		}
		raw, esc, err := c.string()
		if err == nil {
			*s, err = c.text(raw, esc)
		}
		return err
	}
	if c.next() == '"' { // "crs": "EPSG:2263", which no standard knows
		err = text(&name)
	} else {
		err = c.members(func(key []byte) error {
			switch string(key) {
			case "type":
				return text(&kind)
			case "properties":
				if c.next() != '{' {
					break
				}
				return c.members(func(key []byte) error {
					switch string(key) {
					case "name", "code":
						return text(&name)
					case "href":
						return text(&href)
					}
					_, err := c.skip()
					return err
				})
			}
			_, err := c.skip()
			return err
		})
	}
	switch {
	case err != nil:
		return "", false, fmt.Errorf("crs member %s: %w", excerpt(raw), err)
	case name == "" && href != "":
		return "", false, fmt.Errorf("the crs member is a link (%s), which is not followed", href)
	case name == "":
		return "", false, fmt.Errorf("the crs member names no coordinate system: %s", excerpt(raw))
	case strings.EqualFold(kind, "EPSG") && !strings.Contains(name, ":"):
		name = "EPSG:" + name
	}
	return crsName(name), false, nil
}

// crsName brings the spellings of a coordinate system's name in GeoJSON to
// "EPSG:code" or "CRS84"; what it does not know it returns as it is.
func crsName(name string) string {
	name = strings.TrimSpace(name)
	up := strings.ToUpper(name)
	last := up[strings.LastIndexAny(up, ":/#")+1:]
	switch {
	case last == "CRS84" || last == "CRS84H":
		return "CRS84"
	case last == "CRS83":
		return "EPSG:4269"
	case last == "CRS27":
		return "EPSG:4267"
	case strings.Contains(up, "EPSG") && last != "" && strings.Trim(last, "0123456789") == "":
		return "EPSG:" + last
	}
	return name
}

// layerName is the name of a file without folder and endings.
func layerName(path string) string {
	n := filepath.Base(path)
	if e := filepath.Ext(n); strings.EqualFold(e, ".gz") {
		n = strings.TrimSuffix(n, e)
	}
	return strings.TrimSuffix(n, filepath.Ext(n))
}

// errStop ends a walk whose records are no longer wanted.
var errStop = errors.New("stop")

// walker goes through the structure of a GeoJSON text.
type walker struct {
	records bool // hand out the features, not only the members around them
	record  func(b []byte, n int64) error
	faulty  func(err error, n, offset int64) error // a line that is no JSON; nil: ignore

	s          *jsonStream
	found      int64 // records so far
	at         int64 // offset of the current record
	crs        []byte
	name       string
	collection bool
	broken     error // the last line that was no JSON
}

// walk opens the file and takes w through it.
func (g *geojson) walk(w *walker) error {
	f, err := openUnpacked(g.path)
	if err != nil {
		return err
	}
	defer f.Close()
	w.s = newJSONStream(f)
	w.s.record, w.s.string = g.limits.record, g.limits.string
	err = w.run(hintsLines(g.path))
	var syntax *syntaxError
	var own *Error
	switch {
	case err == nil || err == errStop || errors.As(err, &own):
		return err
	case errors.As(err, &syntax):
		e := &Error{File: g.path, Err: fmt.Errorf("%s: broken JSON: %w", g.place(syntax.offset), syntax.err), Remedy: "mend the file there or export it again"}
		if w.found > 0 || w.collection {
			e.Feature = w.found + 1
		}
		if errors.Is(err, errCut) {
			e.Err = fmt.Errorf("%s: the file ends in the middle of its data", g.place(syntax.offset))
			e.Remedy = "it was cut short: copy or export it again"
		}
		return e
	case errors.Is(err, gzip.ErrChecksum), errors.Is(err, gzip.ErrHeader), errors.Is(err, io.ErrUnexpectedEOF):
		return &Error{File: g.path, Feature: w.found + 1, Err: fmt.Errorf("damaged gzip data: %w", err), Remedy: "copy or pack the file again"}
	}
	return &Error{File: g.path, Feature: w.found + 1, Err: fmt.Errorf("reading: %w", err)}
}

// place turns an offset into words.
func (g *geojson) place(offset int64) string {
	f, err := openUnpacked(g.path)
	if err != nil {
		return fmt.Sprintf("byte %d", offset)
	}
	defer f.Close()
	line, column := int64(1), int64(1)
	buf := make([]byte, 64<<10)
	r := io.LimitReader(f, offset)
	for {
		n, err := r.Read(buf)
		b := buf[:n]
		line += int64(bytes.Count(b, []byte{'\n'}))
		if i := bytes.LastIndexByte(b, '\n'); i >= 0 {
			column = int64(n - i)
		} else {
			column += int64(n)
		}
		if err != nil {
			break
		}
	}
	return fmt.Sprintf("line %d, column %d (byte %d)", line, column, offset)
}

const recordSeparator = 0x1E // RFC 8142

func (w *walker) run(lines bool) error {
	s := w.s
	if _, err := s.peek(); err != nil && err != io.EOF {
		return err
	}
	if b := s.buf[s.pos:s.end]; bytes.HasPrefix(b, []byte("\xEF\xBB\xBF")) {
		s.pos += 3
	} else if bytes.HasPrefix(b, []byte{0xFF, 0xFE}) || bytes.HasPrefix(b, []byte{0xFE, 0xFF}) {
		return s.fail(s.pos, "the text is UTF-16, where GeoJSON is UTF-8")
	}
	c, err := s.peek()
	if err == io.EOF {
		return nil
	} else if err != nil {
		return err
	}
	if c == recordSeparator {
		s.pos++
		return w.sequence(recordSeparator)
	}
	if c == '{' && linesFollow(s.buf[s.pos:s.end], lines) {
		return w.sequence('\n')
	}
	for {
		c, err := s.peek()
		if err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
		switch c {
		case '{':
			oneLine, err := w.object()
			if err != nil {
				return err
			}
			if oneLine && w.newLine() {
				return w.sequence('\n')
			}
		case '[':
			if w.collection {
				return s.fail(s.pos, "%q after the end of the collection", c)
			}
			w.collection = true
			if err := w.features(); err != nil {
				return err
			}
		default:
			return s.fail(s.pos, "%s where a GeoJSON object belongs", excerpt(s.buf[s.pos:min(s.end, s.pos+30)]))
		}
	}
}

// hintsLines tells whether a file's ending promises one record a line.
func hintsLines(path string) bool {
	n := strings.TrimSuffix(strings.ToLower(path), ".gz")
	switch filepath.Ext(n) {
	case ".geojsonl", ".geojsons", ".geojsonseq", ".ndjson", ".ndgeojson", ".jsonl":
		return true
	}
	return false
}

// linesFollow tells from the beginning of a text whether it has one object a
// line.
func linesFollow(b []byte, promised bool) bool {
	i := bytes.IndexByte(b, '\n')
	if i < 0 {
		return promised && !bytes.Contains(b, []byte(`"FeatureCollection"`))
	}
	rest := bytes.TrimLeft(b[i:], " \t\r\n")
	if len(rest) == 0 {
		return false
	}
	if promised && rest[0] == '{' {
		return true
	}
	c := &jsonCursor{b: b[:i]}
	_, err := c.skip()
	return err == nil && c.next() == 0 && !bytes.Contains(b[:i], []byte(`"features"`))
}

// newLine tells whether the next object starts on a line of its own.
func (w *walker) newLine() bool {
	s := w.s
	line := false
	for {
		for s.pos < s.end {
			switch s.buf[s.pos] {
			case '\n':
				line = true
			case ' ', '\t', '\r':
			default:
				return line && s.buf[s.pos] == '{'
			}
			s.pos++
		}
		if s.fill() != nil {
			return false
		}
	}
}

// sequence takes records that delim ends or begins, so that a broken one does
// not cost the next.
func (w *walker) sequence(delim byte) error {
	s := w.s
	for {
		at := s.offset()
		b, ended, err := s.until(delim)
		if err != nil {
			return err
		}
		if t := bytes.TrimSpace(b); len(t) > 0 {
			at += int64(bytes.Index(b, t))
			c := &jsonCursor{b: t}
			_, err := c.skip()
			if err == nil && c.next() != 0 {
				err = c.unexpected("the end of the record")
			}
			w.at = at
			switch {
			case err == nil:
				if err := w.hand(t); err != nil {
					return err
				}
			case ended && unfinished(t):
				return &syntaxError{at + int64(len(t)), errCut}
			default:
				w.found++
				w.broken = err
				if w.faulty != nil {
					if err := w.faulty(err, w.found, at); err != nil {
						return err
					}
				}
			}
		}
		if ended {
			return nil
		}
	}
}

// unfinished tells whether the last record of a file lacks its end.
func unfinished(b []byte) bool {
	_, err := newJSONStream(bytes.NewReader(b)).value(false)
	return errors.Is(err, errCut)
}

func (w *walker) hand(b []byte) error {
	w.found++
	if w.record == nil {
		return nil
	}
	return w.record(b, w.found)
}

// object takes a top-level object: a collection, or a record. It tells whether
// it was a record on one line.
func (w *walker) object() (oneLine bool, err error) {
	s := w.s
	s.keep = s.pos
	w.at = s.offset()
	defer func() { s.keep = -1 }()
	collection, feature := false, false
	s.pos++
	for first := true; ; first = false {
		c, err := s.peek()
		if err != nil {
			return false, s.cut(err)
		}
		if c == '}' && first {
			s.pos++
			break
		}
		if c != '"' {
			return false, s.fail(s.pos, "%q where a member's name belongs", c)
		}
		key, err := s.value(true)
		if err != nil {
			return false, err
		}
		name := string(key[:min(len(key), 32)])
		if err := s.take(':'); err != nil {
			return false, err
		}
		c, err = s.peek()
		if err != nil {
			return false, s.cut(err)
		}
		switch {
		case name == `"features"` && c == '[' && !feature:
			collection, w.collection = true, true
			s.keep = -1
			if err := w.features(); err != nil {
				return false, err
			}
		case name == `"crs"` || name == `"name"` || name == `"type"`:
			b, err := s.value(true)
			if err != nil {
				return false, err
			}
			switch name {
			case `"crs"`:
				w.crs = bytes.Clone(b)
			case `"type"`:
				feature = string(b) == `"Feature"`
			case `"name"`:
				c := &jsonCursor{b: b}
				if raw, esc, err := c.string(); err == nil && len(raw) < 256 {
					w.name, _ = c.text(raw, esc)
				}
			}
		default:
			if _, err := s.value(!collection); err != nil {
				return false, err
			}
		}
		c, err = s.peek()
		if err != nil {
			return false, s.cut(err)
		}
		if c != ',' && c != '}' {
			return false, s.fail(s.pos, "%q where a comma or closing brace belongs", c)
		}
		s.pos++
		if c == '}' {
			break
		}
	}
	if collection {
		return false, nil
	}
	b := s.buf[s.keep:s.pos]
	return bytes.IndexByte(b, '\n') < 0, w.hand(b)
}

// features takes the array of features.
func (w *walker) features() error {
	s := w.s
	if !w.records {
		_, err := s.value(false)
		return err
	}
	s.pos++
	if c, err := s.peek(); err != nil {
		return s.cut(err)
	} else if c == ']' {
		s.pos++
		return nil
	}
	for {
		if _, err := s.peek(); err != nil {
			return s.cut(err)
		}
		w.at = s.offset()
		b, err := s.value(true)
		if err != nil {
			return err
		}
		if err := w.hand(b); err != nil {
			return err
		}
		c, err := s.peek()
		if err != nil {
			return s.cut(err)
		}
		if c != ',' && c != ']' {
			return s.fail(s.pos, "%q where a comma or closing bracket belongs", c)
		}
		s.pos++
		if c == ']' {
			return nil
		}
	}
}

func (g *geojson) Features() iter.Seq2[Feature, error] {
	return func(yield func(Feature, error) bool) {
		g.notes = nil
		p := g.parser()
		w := walker{records: true}
		w.faulty = func(err error, n, offset int64) error {
			if !yield(Feature{}, g.fault(err, n, offset)) {
				return errStop
			}
			return nil
		}
		w.record = func(b []byte, n int64) error {
			geom, err := p.parse(b)
			if err == nil {
				err = limit.fits(geom)
			}
			if err == nil && g.lonlat && geom != nil {
				if pt, ok := outsideDegrees(geom); ok {
					err = &recordFault{reasonDegrees, -1, fmt.Errorf("%.10g, %.10g is no longitude and latitude", pt[0], pt[1])}
				}
			}
			if err != nil {
				return w.faulty(err, n, w.at)
			}
			if !yield(Feature{FID: n, Geometry: geom, Values: p.values}, nil) {
				return errStop
			}
			return nil
		}
		err := g.walk(&w)
		if p.closed > 0 {
			g.note("%s not closed, and closed here", count(p.closed, "ring was", "rings were"))
		}
		if p.dropped > 0 {
			g.note("%s of fewer than three corners left out", count(p.dropped, "ring", "rings"))
		}
		if err != nil && err != errStop {
			yield(Feature{}, err)
		}
	}
}

// parser returns a parser for the schema's columns.
func (g *geojson) parser() *featureParser {
	p := &featureParser{
		columns: map[string]int{},
		values:  make([]Value, len(g.schema.Fields)),
		kinds:   make([]Kind, len(g.schema.Fields)),
		last:    make([]string, len(g.schema.Fields)),
		idAt:    g.idAt,
	}
	for i, f := range g.schema.Fields {
		p.kinds[i] = f.Kind
	}
	if g.idAt >= 0 {
		p.first = 1
	}
	place := map[int]int{}
	for k, i := range g.wanted {
		place[i] = p.first + k
		p.order = append(p.order, g.scan.names[i])
	}
	for name, i := range g.scan.index {
		if k, ok := place[i]; ok {
			p.columns[name] = k
		}
	}
	return p
}

// fault makes a RecordError of what a parser said.
func (g *geojson) fault(err error, n, offset int64) error {
	r := &RecordError{Fault: Fault{File: g.path, Feature: n, Err: err}, Reason: reasonSyntax}
	var f *recordFault
	if errors.As(err, &f) {
		r.Reason = f.reason
		if f.at >= 0 {
			r.Err = fmt.Errorf("byte %d: %w", offset+int64(f.at), err)
		}
	}
	switch r.Reason {
	case reasonSyntax, reasonType, reasonCoords, reasonNumber:
		r.Remedy = "mend this feature in the file, or export it again"
	case reasonDegrees:
		r.Remedy = "mend its coordinates, or say what they are: --crs EPSG:code"
	}
	return r
}

// count says how many in words: "1 ring", "5 rings".
func count[N int | int64](n N, one, many string) string {
	if n == 1 {
		return fmt.Sprintf("1 %s", one)
	}
	return fmt.Sprintf("%d %s", n, many)
}
