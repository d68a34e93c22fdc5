package layer

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	shp "github.com/jonas-p/go-shp"
	"github.com/paulmach/orb"
)

// maxShapefile is how large a .shp or .dbf may become. Offsets count 16-bit
// words in a signed number, which would allow 4 GB, but many programs stop at 2.
const maxShapefile = 1<<31 - 1

// staleIndexes are index files that other programs leave beside a shapefile.
// With new shapes they would lead to wrong records.
var staleIndexes = [...]string{".qix", ".sbn", ".sbx", ".fbn", ".fbx", ".ain", ".aih", ".ixs", ".mxs", ".atx", ".idm", ".ind"}

// shapefileSink writes one shapefile a layer.
type shapefileSink struct {
	fileSink
	layers []shapefileLayer
	limit  int64 // bytes of a .shp or .dbf; less in tests
}

type shapefileLayer struct {
	schema    *Schema
	final     string // path of the .shp
	limit     *int64 // of its sink
	shp, shx  *os.File
	out, xout *bufio.Writer
	kind      int32
	at        int64 // bytes of the .shp
	n         int64
	bound     orb.Bound
	bounded   bool
	buf       []byte
	dropped   int
	check     uint64 // of all coordinates, in order
	dbf       *dbfWriter
}

func createShapefile(path string, schemas []Schema, o CreateOptions) (Sink, error) {
	if err := checkLayers(path, schemas); err != nil {
		return nil, err
	}
	for _, s := range schemas {
		if s.Shape != NoShape && len(s.Fields) > maxDBFFields {
			return nil, &Error{File: path, Layer: s.Name, Err: fmt.Errorf("%d fields, where a shapefile holds %d", len(s.Fields), maxDBFFields), Remedy: "keep fewer, or write a GeoPackage: end the name in .gpkg"}
		}
	}
	files, err := newFileSink(path, schemas, o)
	if err != nil {
		return nil, err
	}
	s := &shapefileSink{files, make([]shapefileLayer, len(schemas)), maxShapefile}
	s.last = s.writeReadme
	if err := s.open(s.start); err != nil {
		return nil, err
	}
	return s, nil
}

// shapePart is the path of a part of the shapefile, its ending in the case of
// the .shp's.
func shapePart(path, ending string) string {
	e := filepath.Ext(path)
	if e == strings.ToUpper(e) {
		ending = strings.ToUpper(ending)
	}
	return strings.TrimSuffix(path, e) + ending
}

func (s *shapefileSink) start(i int) (err error) {
	l := &s.layers[i]
	s.files[i] = l
	l.schema, l.final, l.limit = &s.schemas[i], s.finals[i], &s.limit
	l.kind = map[Shape]int32{Points: shpPoint, Polygons: shpPolygon, Lines: shpPolyLine}[l.schema.Shape]
	if l.shp, err = s.set.create(l.final); err != nil {
		return err
	}
	if l.shx, err = s.set.create(shapePart(l.final, ".shx")); err != nil {
		return err
	}
	l.out = bufio.NewWriterSize(l.shp, 256<<10)
	l.xout = bufio.NewWriterSize(l.shx, 64<<10)
	var blank [shpHeader]byte // the header comes last
	if _, err := l.out.Write(blank[:]); err != nil {
		return writing(l.final, err)
	}
	if _, err := l.xout.Write(blank[:]); err != nil {
		return writing(l.final, err)
	}
	l.at = shpHeader
	l.dbf, err = newDBFWriter(s.set, shapePart(l.final, ".dbf"), l.schema, s.options.Changed)
	if err != nil {
		return err
	}
	if err := s.set.text(shapePart(l.final, ".prj"), l.schema.System.ESRI()); err != nil {
		return err
	}
	if err := s.set.text(shapePart(l.final, ".cpg"), "UTF-8"); err != nil {
		return err
	}
	for _, e := range staleIndexes {
		s.set.drop(shapePart(l.final, e))
	}
	return nil
}

func tooLarge(path string, limit int64) error {
	return &Error{File: path, Err: fmt.Errorf("would grow beyond %d bytes, where shapefiles end", limit), Remedy: "write a GeoPackage: end the name in .gpkg; or keep fewer fields"}
}

func (l *shapefileLayer) write(f Feature) error {
	b := l.content(append(l.buf[:0], make([]byte, shpRecordHeader)...), f.Geometry)
	l.buf = b
	l.n++
	binary.BigEndian.PutUint32(b[0:], uint32(l.n))
	binary.BigEndian.PutUint32(b[4:], uint32(len(b)-shpRecordHeader)/2)
	if l.at+int64(len(b)) > *l.limit {
		return tooLarge(l.final, *l.limit)
	}
	var x [8]byte
	binary.BigEndian.PutUint32(x[0:], uint32(l.at/2))
	copy(x[4:], b[4:8])
	l.at += int64(len(b))
	if _, err := l.out.Write(b); err != nil {
		return writing(l.final, err)
	}
	if _, err := l.xout.Write(x[:]); err != nil {
		return writing(l.final, err)
	}
	return l.dbf.write(f.Values, *l.limit)
}

// content appends a record's content.
func (l *shapefileLayer) content(b []byte, g orb.Geometry) []byte {
	le := binary.LittleEndian
	if p, ok := g.(orb.Point); ok {
		l.extend(p)
		b = le.AppendUint32(b, uint32(l.kind))
		b = le.AppendUint64(b, math.Float64bits(p[0]))
		return le.AppendUint64(b, math.Float64bits(p[1]))
	}
	parts := l.parts(g)
	if len(parts) == 0 {
		return le.AppendUint32(b, shpNull)
	}
	n := 0
	bound := orb.Bound{Min: parts[0][0], Max: parts[0][0]}
	for _, part := range parts {
		n += len(part)
		for _, p := range part {
			bound.Min[0], bound.Max[0] = min(bound.Min[0], p[0]), max(bound.Max[0], p[0])
			bound.Min[1], bound.Max[1] = min(bound.Min[1], p[1]), max(bound.Max[1], p[1])
		}
	}
	b = le.AppendUint32(b, uint32(l.kind))
	for _, v := range [...]float64{bound.Min[0], bound.Min[1], bound.Max[0], bound.Max[1]} {
		b = le.AppendUint64(b, math.Float64bits(v))
	}
	b = le.AppendUint32(b, uint32(len(parts)))
	b = le.AppendUint32(b, uint32(n))
	from := 0
	for _, part := range parts {
		b = le.AppendUint32(b, uint32(from))
		from += len(part)
	}
	b = slices.Grow(b, 16*n)
	for _, part := range parts {
		for _, p := range part {
			l.extend(p)
			b = le.AppendUint64(b, math.Float64bits(p[0]))
			b = le.AppendUint64(b, math.Float64bits(p[1]))
		}
	}
	return b
}

// parts lists the rings of a polygon, outer ones clockwise and holes the other
// way, or the lines of a line.
func (l *shapefileLayer) parts(g orb.Geometry) (parts [][]orb.Point) {
	polygon := func(p orb.Polygon) {
		for i, r := range p {
			r = wound(r, i == 0)
			if r == nil {
				l.dropped++
				if i == 0 {
					l.dropped += len(p) - 1
					return
				}
				continue
			}
			parts = append(parts, r)
		}
	}
	switch g := g.(type) {
	case orb.Polygon:
		polygon(g)
	case orb.MultiPolygon:
		for _, p := range g {
			polygon(p)
		}
	case orb.LineString:
		if len(g) > 1 {
			parts = append(parts, g)
		}
	case orb.MultiLineString:
		for _, line := range g {
			if len(line) > 1 {
				parts = append(parts, line)
			}
		}
	}
	return parts
}

func (l *shapefileLayer) extend(p orb.Point) {
	if !l.bounded {
		l.bound, l.bounded = orb.Bound{Min: p, Max: p}, true
	}
	l.bound.Min[0], l.bound.Max[0] = min(l.bound.Min[0], p[0]), max(l.bound.Max[0], p[0])
	l.bound.Min[1], l.bound.Max[1] = min(l.bound.Min[1], p[1]), max(l.bound.Max[1], p[1])
	l.check = mix(l.check, p[0], p[1])
}

// mix folds a point into a check sum.
func mix(sum uint64, x, y float64) uint64 {
	const prime = 1099511628211 // of the FNV hash
	sum = (sum ^ math.Float64bits(x)) * prime
	sum ^= sum >> 31
	sum = (sum ^ math.Float64bits(y)) * prime
	return sum ^ sum>>29
}

// header returns the header of a .shp or .shx of the given size.
func (l *shapefileLayer) header(size int64) []byte {
	h := make([]byte, shpHeader)
	binary.BigEndian.PutUint32(h[0:], 9994)
	binary.BigEndian.PutUint32(h[24:], uint32(size/2))
	binary.LittleEndian.PutUint32(h[28:], 1000)
	binary.LittleEndian.PutUint32(h[32:], uint32(l.kind))
	if l.bounded {
		for i, v := range [...]float64{l.bound.Min[0], l.bound.Min[1], l.bound.Max[0], l.bound.Max[1]} {
			binary.LittleEndian.PutUint64(h[36+8*i:], math.Float64bits(v))
		}
	}
	return h
}

// Notes tells what the format could not hold.
// writeReadme writes what a shapefile has no other place for.
func (s *shapefileSink) writeReadme() error {
	text := s.readme()
	if text == "" {
		return nil
	}
	return s.set.text(strings.TrimSuffix(s.path, filepath.Ext(s.path))+"-readme.txt", text)
}

func (l *shapefileLayer) finish() error {
	err := errors.Join(l.out.Flush(), l.xout.Flush())
	if err == nil {
		_, err = l.shp.WriteAt(l.header(l.at), 0)
	}
	if err == nil {
		_, err = l.shx.WriteAt(l.header(shpHeader+8*l.n), 0)
	}
	err = errors.Join(err, l.shp.Close(), l.shx.Close())
	if err != nil {
		return writing(l.final, err)
	}
	if err := l.dbf.finish(*l.limit); err != nil {
		return err
	}
	return l.verify()
}

func (l *shapefileLayer) notes() []string {
	return append(l.dbf.notes(), ringNotes(l.final, l.dropped)...)
}

// verify reads the shapefile back with go-shp, a reader that is not ours,
// before it may replace an older one.
func (l *shapefileLayer) verify() error {
	fail := func(format string, a ...any) error {
		return &Error{File: l.final, Err: fmt.Errorf("reading back what was written: "+format, a...), Remedy: "is the disk sound? Please report it if it is"}
	}
	shapes, err := openBuffered(l.shp.Name())
	if err != nil {
		return writing(l.final, err)
	}
	rows, err := openBuffered(l.dbf.file.Name())
	if err != nil {
		shapes.Close()
		return writing(l.final, err)
	}
	var table io.ReadCloser = rows
	if l.dbf.width > math.MaxInt16 || l.dbf.headLen() > math.MaxInt16 { // go-shp counts in 16 bits
		table = &blankRows{file: rows}
	}
	r := shp.SequentialReaderFromExt(shapes, table)
	defer r.Close()
	var n int64
	var sum uint64
	for r.Next() {
		_, shape := r.Shape()
		n++
		points := []shp.Point(nil)
		switch g := shape.(type) {
		case *shp.Point:
			points = []shp.Point{*g}
		case *shp.PolyLine:
			points = g.Points
		case *shp.Polygon:
			points = g.Points
		}
		for _, p := range points {
			sum = mix(sum, p.X, p.Y)
		}
	}
	if err := r.Err(); err != nil {
		return fail("%w", err)
	}
	if n != l.n || sum != l.check {
		return fail("%d of %d shapes, and not the coordinates that were given", n, l.n)
	}
	return nil
}

type buffered struct {
	*bufio.Reader
	io.Closer
}

func openBuffered(path string) (*buffered, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	return &buffered{bufio.NewReaderSize(f, 256<<10), f}, nil
}

// blankRows is a table without fields and without end.
type blankRows struct {
	file io.Closer
	at   int
}

func (r *blankRows) Read(p []byte) (int, error) {
	head := [dbfHeader + 1]byte{0: 3, 8: dbfHeader + 1, 10: 1, dbfHeader: '\r'}
	for i := range p {
		p[i] = ' '
		if r.at < len(head) {
			p[i] = head[r.at]
			r.at++
		}
	}
	return len(p), nil
}

func (r *blankRows) Close() error { return r.file.Close() }

// readme is the text that a shapefile has no other place for.
func (s *shapefileSink) readme() string {
	var b strings.Builder
	for i := range s.layers {
		l, schema := &s.layers[i], &s.schemas[i]
		fields := &strings.Builder{}
		for k, f := range schema.Fields {
			name := f.Name
			if l.dbf != nil {
				name = l.dbf.names[k]
			}
			var words []string
			if name != f.Name {
				words = append(words, "called "+f.Name+" in full")
			}
			if f.Alias != "" {
				words = append(words, f.Alias)
			}
			if f.Unit != "" {
				words = append(words, "in "+f.Unit)
			}
			if f.Doc != "" {
				words = append(words, f.Doc)
			}
			if len(words) > 0 {
				fmt.Fprintf(fields, "  %-10s  %s\n", name, strings.Join(words, "; "))
			}
		}
		if schema.Title == "" && schema.Abstract == "" && fields.Len() == 0 {
			continue
		}
		fmt.Fprintf(&b, "%s\n", filepath.Base(s.finals[i]))
		for _, t := range []string{schema.Title, schema.Abstract} {
			if t != "" {
				fmt.Fprintf(&b, "%s\n", t)
			}
		}
		if fields.Len() > 0 {
			fmt.Fprintf(&b, "Fields:\n%s", fields)
		}
		b.WriteByte('\n')
	}
	if m := strings.TrimSpace(s.options.Metadata); m != "" {
		fmt.Fprintf(&b, "%s\n", m)
	}
	return b.String()
}

func (l *shapefileLayer) close() {
	if l.shp != nil {
		l.shp.Close()
	}
	if l.shx != nil {
		l.shx.Close()
	}
	if l.dbf != nil {
		l.dbf.close()
	}
}
