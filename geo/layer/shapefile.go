package layer

import (
	"bufio"
	"encoding/binary"
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

// Shape types of the ESRI Shapefile Technical Description (July 1998), page 4.
const (
	shpNull        = 0
	shpPoint       = 1
	shpPolyLine    = 3
	shpPolygon     = 5
	shpMultiPoint  = 8
	shpPointZ      = 11
	shpPolyLineZ   = 13
	shpPolygonZ    = 15
	shpMultiPointZ = 18
	shpPointM      = 21
	shpPolyLineM   = 23
	shpPolygonM    = 25
	shpMultiPointM = 28
	shpMultiPatch  = 31
)

const (
	shpHeader       = 100 // bytes
	shpRecordHeader = 8
	maxPRJ          = 64 << 10 // bytes of .prj that are read
)

// shapefile is a .shp with its parts. The shapes are read one after another
// from the .shp; the .shx is asked only where a record's own length is wrong.
type shapefile struct {
	path   string
	schema Schema
	kind   int32 // shape type of the header
	size   int64 // bytes of the .shp
	length int64 // and by its header
	shx    string
	table  *dbfTable // nil: geometry only

	opened, notes []string
}

func openShapefile(path string, o Options) (Source, error) {
	s := &shapefile{path: path}
	if err := s.open(o); err != nil {
		return nil, err
	}
	return s, nil
}

func (s *shapefile) Schema() *Schema { return &s.schema }
func (s *shapefile) Close() error    { return nil }
func (s *shapefile) Notes() []string {
	return append(append([]string(nil), s.opened...), s.notes...)
}

// part returns the path of the shapefile's part with the given ending, in
// whatever case it is spelled, or "" when there is none.
func (s *shapefile) part(ext string) string {
	base := strings.TrimSuffix(s.path, filepath.Ext(s.path))
	for _, e := range []string{ext, strings.ToUpper(ext)} {
		if _, err := os.Stat(base + e); err == nil {
			return base + e
		}
	}
	names, _ := os.ReadDir(filepath.Dir(s.path))
	for _, n := range names {
		if strings.EqualFold(n.Name(), filepath.Base(base)+ext) {
			return filepath.Join(filepath.Dir(s.path), n.Name())
		}
	}
	return ""
}

func (s *shapefile) open(o Options) error {
	s.schema.Name = layerName(s.path)
	f, err := os.Open(s.path)
	if err != nil {
		return missing(s.path, err)
	}
	defer f.Close()
	if err := s.header(f); err != nil {
		return err
	}
	if err := s.system(o); err != nil {
		return err
	}
	s.shx = s.part(".shx")
	dbf := s.part(".dbf")
	if dbf == "" {
		if o.Columns == nil || len(o.Columns) > 0 {
			s.opened = append(s.opened, "there is no .dbf beside it: the shapes are read without attributes")
		}
		return nil
	}
	if s.table, err = openDBF(dbf, s.part(".cpg"), o); err != nil {
		return err
	}
	s.schema.Fields = s.table.schema()
	s.schema.Records = int(min(int64(s.table.count), s.size/shpPointRecord))
	return s.match(f)
}

// shpPointRecord is the length of the shortest record that has a place.
const shpPointRecord = shpRecordHeader + 4 + 2*8

// header reads and checks the .shp's header.
func (s *shapefile) header(f *os.File) error {
	info, err := f.Stat()
	if err != nil {
		return missing(s.path, err)
	}
	s.size = info.Size()
	var h [shpHeader]byte
	if _, err := f.ReadAt(h[:], 0); err != nil {
		return &Error{File: s.path, Err: fmt.Errorf("%d bytes are too few for a shapefile's header of %d", s.size, shpHeader), Remedy: "it was cut short: copy or export it again"}
	}
	if code := binary.BigEndian.Uint32(h[0:]); code != 9994 {
		return &Error{File: s.path, Err: fmt.Errorf("no shapefile: it begins with %d where 9994 belongs", code), Remedy: "is it the .shp?"}
	}
	if v := binary.LittleEndian.Uint32(h[28:]); v != 1000 {
		return &Error{File: s.path, Err: fmt.Errorf("shapefile version %d where 1000 belongs", v), Remedy: "export it again"}
	}
	s.kind = int32(binary.LittleEndian.Uint32(h[32:]))
	switch s.kind {
	case shpPoint, shpPointZ, shpPointM, shpMultiPoint, shpMultiPointZ, shpMultiPointM:
		s.schema.Shape = Points
	case shpPolyLine, shpPolyLineZ, shpPolyLineM:
		s.schema.Shape = Lines
	case shpPolygon, shpPolygonZ, shpPolygonM:
		s.schema.Shape = Polygons
	case shpNull, shpMultiPatch:
		s.schema.Shape = Mixed
	default:
		return &Error{File: s.path, Err: fmt.Errorf("unknown shape type %d in the header", s.kind), Remedy: "export it again"}
	}
	// The length counts 16-bit words; what is beyond it is read all the same,
	// since some writers forget to update it.
	if s.length = 2 * int64(binary.BigEndian.Uint32(h[24:])); s.length > s.size {
		return &Error{File: s.path, Err: fmt.Errorf("its header says %d bytes, but the file has %d", s.length, s.size), Remedy: "it was cut short: copy or export it again"}
	}
	return nil
}

func (s *shapefile) system(o Options) error {
	s.schema.System = o.System
	path := s.part(".prj")
	if path == "" {
		return nil
	}
	f, err := os.Open(path)
	if err != nil {
		return missing(path, err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxPRJ))
	if err != nil {
		return &Error{File: path, Err: fmt.Errorf("reading: %w", err)}
	}
	wkt := strings.TrimSpace(strings.Trim(string(text), "\x00\uFEFF \r\n\t"))
	if wkt == "" {
		s.opened = append(s.opened, "its .prj is empty")
		return nil
	}
	sys, err := crs.ParseWKT(wkt)
	switch {
	case o.System == nil && err != nil:
		return &Error{File: path, Err: err, Remedy: "say what the coordinates are: --crs EPSG:code"}
	case o.System == nil:
		s.schema.System = sys
	case err != nil:
		s.opened = append(s.opened, fmt.Sprintf("its .prj is not understood (%v); %s is used, as told", err, o.System.Name()))
	case !sys.Same(o.System):
		s.opened = append(s.opened, fmt.Sprintf("its .prj says %s; %s is used instead, as told", sys.Name(), o.System.Name()))
	}
	return nil
}

// match holds the number of shapes against the number of attribute records.
// The .shx tells it at once; where it is missing, does not lead to the end of
// the .shp or tells another number than the .dbf, the shapes are counted.
func (s *shapefile) match(f *os.File) error {
	rows := int64(s.table.count)
	if s.indexed() == rows {
		return nil
	}
	shapes, err := s.countShapes(f)
	if err != nil || shapes == rows {
		return nil // a damaged shape is told when it is read
	}
	return &Error{File: s.path,
		Err:    fmt.Errorf("%d shapes, but its %s holds %d records: parts of different layers, or one that was cut", shapes, filepath.Base(s.table.path), rows),
		Remedy: mixedUp}
}

const mixedUp = "put the parts of one export together; or take the .dbf away to read the shapes alone"

// indexed returns the number of shapes by the .shx, -1 when it does not fit the
// .shp.
func (s *shapefile) indexed() int64 {
	if s.shx == "" {
		return -1
	}
	x, err := os.Open(s.shx)
	if err != nil {
		return -1
	}
	defer x.Close()
	info, err := x.Stat()
	if err != nil || info.Size() < shpHeader || (info.Size()-shpHeader)%8 != 0 {
		return -1
	}
	n := (info.Size() - shpHeader) / 8
	end := int64(shpHeader)
	if n > 0 {
		var e [8]byte
		if _, err := x.ReadAt(e[:], info.Size()-8); err != nil {
			return -1
		}
		end = 2*int64(binary.BigEndian.Uint32(e[:])) + shpRecordHeader + 2*int64(binary.BigEndian.Uint32(e[4:]))
	}
	if end != s.size {
		return -1
	}
	return n
}

// countShapes goes from record to record.
func (s *shapefile) countShapes(f *os.File) (n int64, err error) {
	in := bufio.NewReaderSize(io.NewSectionReader(f, shpHeader, s.size-shpHeader), 256<<10)
	var h [shpRecordHeader]byte
	for at := int64(shpHeader); at+shpRecordHeader <= s.size; n++ {
		if _, err := io.ReadFull(in, h[:]); err != nil {
			return n, err
		}
		length := 2 * int64(binary.BigEndian.Uint32(h[4:]))
		at += shpRecordHeader + length
		if length < 4 || at > s.size || length > maxRecordBytes {
			return n, errors.New("record length")
		}
		if _, err := in.Discard(int(length)); err != nil {
			return n, err
		}
	}
	return n, nil
}

func (s *shapefile) Features() iter.Seq2[Feature, error] {
	return func(yield func(Feature, error) bool) {
		s.notes = nil
		f, err := os.Open(s.path)
		if err != nil {
			yield(Feature{}, missing(s.path, err))
			return
		}
		defer f.Close()
		r := newShpReader(s, f)
		defer r.close()
		if s.table != nil {
			if r.rows, err = s.table.rows(); err != nil {
				yield(Feature{}, err)
				return
			}
			defer r.rows.close()
		}
		r.run(yield)
		r.tell()
	}
}

// shpReader goes through the records of a .shp.
type shpReader struct {
	s     *shapefile
	f     *os.File
	in    *bufio.Reader
	at    int64    // place of the next record in the file
	start int64    // and of the last
	index *os.File // the .shx, once it was needed
	rows  *dbfRows
	buf   []byte
	shapeParser

	deleted, unnumbered, resumed int
}

func newShpReader(s *shapefile, f *os.File) *shpReader {
	r := &shpReader{s: s, f: f, in: bufio.NewReaderSize(io.NewSectionReader(f, shpHeader, s.size-shpHeader), 256<<10), at: shpHeader}
	r.kind, r.search = s.kind, s.winds
	return r
}

func (r *shpReader) run(yield func(Feature, error) bool) {
	s := r.s
	for n := int64(1); r.at+shpRecordHeader <= s.size; n++ {
		if r.at >= s.length && r.nextNumber() != n {
			break // bytes after the end that the header tells
		}
		content, err := r.record(n)
		var bad *recordFault
		if err != nil && !errors.As(err, &bad) {
			yield(Feature{}, err)
			return
		}
		var values []Value
		deleted := false
		if r.rows != nil {
			values, deleted, err = r.rows.next()
			if err == io.EOF {
				yield(Feature{}, &Error{File: s.path, Feature: n, Err: fmt.Errorf("its %s ends after %d records: parts of different layers", filepath.Base(s.table.path), n-1), Remedy: mixedUp})
				return
			}
			if err != nil {
				yield(Feature{}, err)
				return
			}
		}
		if deleted {
			r.deleted++
			continue
		}
		var geom orb.Geometry
		if bad == nil {
			if geom, err = r.parse(content); err == nil {
				err = limit.fits(geom)
			}
			errors.As(err, &bad)
		}
		if bad != nil {
			e := &RecordError{Fault: Fault{File: s.path, Feature: n, Err: bad.err}, Reason: bad.reason}
			if bad.reason == reasonDamaged {
				e.Remedy = "export the layer again"
			}
			if !yield(Feature{}, e) {
				return
			}
			continue
		}
		if !yield(Feature{FID: n, Geometry: geom, Values: values}, nil) {
			return
		}
	}
	if left := s.size - r.at; left > 0 {
		s.notes = append(s.notes, fmt.Sprintf("%s after the last shape left unread", count(left, "byte", "bytes")))
	}
	if r.rows != nil {
		if _, _, err := r.rows.next(); err != io.EOF {
			yield(Feature{}, &Error{File: s.path, Err: fmt.Errorf("the shapes end before the records of %s: parts of different layers, or a .shp that was cut", filepath.Base(s.table.path)), Remedy: mixedUp})
		}
	}
}

// record takes the content of the n-th record, good until the next call.
func (r *shpReader) record(n int64) ([]byte, error) {
	s := r.s
	var h [shpRecordHeader]byte
	if _, err := io.ReadFull(r.in, h[:]); err != nil {
		return nil, &Error{File: s.path, Feature: n, Err: fmt.Errorf("reading: %w", err)}
	}
	number := int64(binary.BigEndian.Uint32(h[0:]))
	length := 2 * int64(binary.BigEndian.Uint32(h[4:]))
	r.start = r.at
	from := r.at + shpRecordHeader
	if length < 4 || length > maxRecordBytes || from+length > s.size {
		bad := fmt.Errorf("record of %d bytes at byte %d, where the file has %d left", length, r.at, s.size-from)
		next, ok := r.following(n)
		if !ok {
			return nil, &Error{File: s.path, Feature: n, Err: bad, Remedy: "the file is damaged or cut from here on: copy or export it again"}
		}
		r.resumed++
		return nil, r.resume(next, bad)
	}
	if int64(cap(r.buf)) < length {
		r.buf = make([]byte, length+length/4)
	}
	r.buf = r.buf[:length]
	if _, err := io.ReadFull(r.in, r.buf); err != nil {
		return nil, &Error{File: s.path, Feature: n, Err: fmt.Errorf("reading: %w", err)}
	}
	r.at = from + length
	// A length that is wrong but fits the file leads into the middle of another
	// record. Its number, and the .shx, show that.
	if r.nextNumber() != n+1 && s.size-r.at >= shpRecordHeader && !r.indexed(n, length) {
		if at, ok := r.following(n); ok && at != r.at {
			r.resumed++
			return nil, r.resume(at, fmt.Errorf("record of %d bytes at byte %d, where the .shx has %d", length, from-shpRecordHeader, at-from))
		}
	}
	if number != n {
		r.unnumbered++
	}
	return r.buf, nil
}

// nextNumber returns the number that the next record bears, -1 at the end.
func (r *shpReader) nextNumber() int64 {
	b, err := r.in.Peek(4)
	if err != nil {
		return -1
	}
	return int64(binary.BigEndian.Uint32(b))
}

// indexed tells whether the .shx agrees with the n-th record.
func (r *shpReader) indexed(n, length int64) bool {
	if !r.openIndex() {
		return false
	}
	var e [8]byte
	_, err := r.index.ReadAt(e[:], shpHeader+8*(n-1))
	return err == nil && 2*int64(binary.BigEndian.Uint32(e[:])) == r.start && 2*int64(binary.BigEndian.Uint32(e[4:])) == length
}

func (r *shpReader) openIndex() bool {
	if r.index == nil && r.s.shx != "" {
		r.index, _ = os.Open(r.s.shx)
	}
	return r.index != nil
}

// following returns where the .shx has the record after the n-th: the end of
// the file when there is none.
func (r *shpReader) following(n int64) (at int64, ok bool) {
	if !r.openIndex() {
		return 0, false
	}
	var e [8]byte
	if _, err := r.index.ReadAt(e[:], shpHeader+8*n); err == io.EOF {
		if i, err := r.index.Stat(); err == nil && i.Size() == shpHeader+8*n {
			return r.s.size, true
		}
		return 0, false
	} else if err != nil {
		return 0, false
	}
	at = 2 * int64(binary.BigEndian.Uint32(e[:]))
	return at, at > r.start && at+shpRecordHeader <= r.s.size && r.numbered(at, n+1)
}

// numbered tells whether the record at the place bears the number n.
func (r *shpReader) numbered(at, n int64) bool {
	var h [4]byte
	_, err := r.f.ReadAt(h[:], at)
	return err == nil && int64(binary.BigEndian.Uint32(h[:])) == n
}

// resume goes on at another place of the file; it returns err as the fault of
// the record that is left out.
func (r *shpReader) resume(at int64, err error) error {
	r.at = at
	r.in.Reset(io.NewSectionReader(r.f, at, r.s.size-at))
	return &recordFault{reasonDamaged, -1, err}
}

func (r *shpReader) close() {
	if r.index != nil {
		r.index.Close()
	}
}

// tell notes what was repaired and assumed.
func (r *shpReader) tell() {
	note := func(n int, one, many string) {
		if n > 0 {
			r.s.notes = append(r.s.notes, count(n, one, many))
		}
	}
	note(r.deleted, "record is marked as deleted in the .dbf and left out", "records are marked as deleted in the .dbf and left out")
	note(r.unnumbered, "record bears another number than its place", "records bear other numbers than their places")
	note(r.resumed, "damaged record was stepped over with the help of the .shx", "damaged records were stepped over with the help of the .shx")
	note(r.closed, "ring was not closed, and closed here", "rings were not closed, and closed here")
	note(r.dropped, "ring of fewer than three corners left out", "rings of fewer than three corners left out")
	note(r.long, "record is longer than its shape", "records are longer than their shapes")
	note(r.turned, "polygon has rings wound the wrong way; rings inside others were taken as holes", "polygons have rings wound the wrong way; rings inside others were taken as holes")
	if r.rows != nil {
		r.s.notes = append(r.s.notes, r.rows.notes()...)
	}
}

// shapeParser reads the content of records.
type shapeParser struct {
	kind                          int32 // shape type of the file
	closed, dropped, long, turned int
	rings                         []shpRing

	winds    bool        // a hole was met that is wound as one
	searched bool        // the whole file was looked through for one
	search   func() bool // looks through it
}

func damaged(format string, a ...any) error {
	return &recordFault{reasonDamaged, -1, fmt.Errorf(format, a...)}
}

// shapeNames are for people.
var shapeNames = map[int32]string{
	shpNull: "Null", shpPoint: "Point", shpPolyLine: "PolyLine", shpPolygon: "Polygon", shpMultiPoint: "MultiPoint",
	shpPointZ: "PointZ", shpPolyLineZ: "PolyLineZ", shpPolygonZ: "PolygonZ", shpMultiPointZ: "MultiPointZ",
	shpPointM: "PointM", shpPolyLineM: "PolyLineM", shpPolygonM: "PolygonM", shpMultiPointM: "MultiPointM",
	shpMultiPatch: "MultiPatch",
}

func shapeName(kind int32) string {
	if n, ok := shapeNames[kind]; ok {
		return n
	}
	return fmt.Sprintf("unknown (%d)", kind)
}

// parse reads one shape from b, all of it. Heights and measures are left out.
func (p *shapeParser) parse(b []byte) (orb.Geometry, error) {
	if len(b) < 4 {
		return nil, damaged("a record of %d bytes", len(b))
	}
	kind := int32(binary.LittleEndian.Uint32(b))
	switch {
	case kind == shpNull:
		return nil, nil
	case kind == shpMultiPatch:
		return nil, &recordFault{reasonShape, -1, errors.New("a MultiPatch, which is not read")}
	case kind != p.kind:
		return nil, damaged("a shape of type %s in a file of type %s", shapeName(kind), shapeName(p.kind))
	}
	switch kind {
	case shpPoint, shpPointZ, shpPointM:
		return p.point(b, kind)
	case shpMultiPoint, shpMultiPointZ, shpMultiPointM:
		return p.multiPoint(b, kind)
	case shpPolyLine, shpPolyLineZ, shpPolyLineM, shpPolygon, shpPolygonZ, shpPolygonM:
		return p.parts(b, kind)
	}
	return nil, damaged("a shape of unknown type %d", kind)
}

func float64At(b []byte, at int) float64 {
	return math.Float64frombits(binary.LittleEndian.Uint64(b[at:]))
}

// xy reads n points from b at the place and refuses numbers that are none.
func xy(b []byte, at, n int) ([]orb.Point, error) {
	points := make([]orb.Point, n)
	b = b[at : at+16*n]
	for i := range points {
		points[i] = orb.Point{float64At(b, 0), float64At(b, 8)}
		if d := points[i][0]*0 + points[i][1]*0; d != 0 { // NaN or infinite
			return nil, &recordFault{reasonNumber, -1, fmt.Errorf("coordinates %g, %g of point %d", points[i][0], points[i][1], i+1)}
		}
		b = b[16:]
	}
	return points, nil
}

func (p *shapeParser) point(b []byte, kind int32) (orb.Geometry, error) {
	// x, y; PointZ: z and an optional m; PointM: m.
	if len(b) < 20 || kind == shpPointZ && len(b) < 28 {
		return nil, damaged("a %s of %d bytes", shapeName(kind), len(b))
	}
	if most := map[int32]int{shpPoint: 20, shpPointM: 28, shpPointZ: 36}[kind]; len(b) > most {
		p.long++
	}
	points, err := xy(b, 4, 1)
	if err != nil {
		return nil, err
	}
	return points[0], nil
}

// extra checks the bytes after the x and y of n points that end at the place:
// ranges and values of z (for the Z kinds) and m (optional everywhere, as it is
// left out by some writers).
func (p *shapeParser) extra(b []byte, end, n int, z bool) error {
	section := 16 + 8*n
	left := len(b) - end
	if z {
		left -= section
	}
	if left < 0 {
		return damaged("heights of %d points do not fit into %d bytes", n, len(b))
	}
	if left != 0 && left != section {
		p.long++
	}
	return nil
}

func (p *shapeParser) multiPoint(b []byte, kind int32) (orb.Geometry, error) {
	if len(b) < 40 {
		return nil, damaged("a %s of %d bytes", shapeName(kind), len(b))
	}
	n := int64(int32(binary.LittleEndian.Uint32(b[36:])))
	if n < 0 || 40+16*n > int64(len(b)) {
		return nil, damaged("a count of %d points in a record of %d bytes", n, len(b))
	}
	if err := p.extra(b, 40+16*int(n), int(n), kind == shpMultiPointZ); err != nil {
		return nil, err
	}
	points, err := xy(b, 40, int(n))
	if err != nil || n == 0 {
		return nil, err
	}
	return orb.MultiPoint(points), nil
}

// parts reads lines and polygons.
func (p *shapeParser) parts(b []byte, kind int32) (orb.Geometry, error) {
	if len(b) < 44 {
		return nil, damaged("a %s of %d bytes", shapeName(kind), len(b))
	}
	parts := int64(int32(binary.LittleEndian.Uint32(b[36:])))
	n := int64(int32(binary.LittleEndian.Uint32(b[40:])))
	if parts < 0 || n < 0 || 44+4*parts+16*n > int64(len(b)) {
		return nil, damaged("counts of %d parts and %d points in a record of %d bytes", parts, n, len(b))
	}
	if n == 0 {
		return nil, nil
	}
	if parts == 0 {
		return nil, damaged("%d points without a part", n)
	}
	at := 44 + 4*int(parts)
	z := kind == shpPolygonZ || kind == shpPolyLineZ
	if err := p.extra(b, at+16*int(n), int(n), z); err != nil {
		return nil, err
	}
	starts := make([]int, parts+1)
	starts[parts] = int(n)
	for i := range int(parts) {
		starts[i] = int(int32(binary.LittleEndian.Uint32(b[44+4*i:])))
		if i == 0 && starts[i] != 0 || i > 0 && starts[i] < starts[i-1] || starts[i] > int(n) {
			return nil, damaged("part %d begins at point %d of %d", i+1, starts[i], n)
		}
	}
	points, err := xy(b, at, int(n))
	if err != nil {
		return nil, err
	}
	if kind == shpPolyLine || kind == shpPolyLineZ || kind == shpPolyLineM {
		return lines(points, starts), nil
	}
	return p.polygons(points, starts, !z || level(b[at+16*int(n)+16:], int(n)))
}

// level tells whether all of n heights are the same.
func level(b []byte, n int) bool {
	for i := 8; i < 8*n; i += 8 {
		if float64At(b, i) != float64At(b, 0) {
			return false
		}
	}
	return true
}

func lines(points []orb.Point, starts []int) orb.Geometry {
	var all orb.MultiLineString
	for i := range len(starts) - 1 {
		if a, b := starts[i], starts[i+1]; b > a {
			all = append(all, points[a:b:b])
		}
	}
	switch len(all) {
	case 0:
		return nil
	case 1:
		return all[0]
	}
	return all
}
