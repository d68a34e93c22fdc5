package layer

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	flatbuffers "github.com/google/flatbuffers/go"
	"github.com/paulmach/orb"
)

// flatSink writes one FlatGeobuf file a layer (specification 3.0), with an index.
type flatSink struct {
	fileSink
	layers []flatLayer
}

// flatLayer is a file that is being written. Records stand in it along a curve over
// all of them, behind an index, so they wait in another file until all are there; of
// each its box is held.
type flatLayer struct {
	schema *Schema
	final  string
	told   *CreateOptions
	file   *os.File

	wait    *os.File // the records in the order in which they came
	out     *bufio.Writer
	end     int64 // bytes in it
	waiting []flatWaiting

	names   []string // of the columns, parallel to the fields
	builder *flatbuffers.Builder
	cells   []byte
	ends    []uint32
	parts   []flatbuffers.UOffsetT

	one   oneKind
	bound orb.Bound
	lost  []lostValues // by field
}

// flatWaiting is a record that waits: its box, and where it begins.
type flatWaiting struct {
	box orb.Bound
	at  int64
}

func createFlatGeobuf(path string, schemas []Schema, o CreateOptions) (Sink, error) {
	if strings.EqualFold(filepath.Ext(path), ".gz") {
		return nil, &Error{File: path, Err: errors.New("a packed file has no use of an index, by which FlatGeobuf is read in part"), Remedy: "end the name in .fgb"}
	}
	files, err := newTypedSink(path, schemas, o)
	if err != nil {
		return nil, err
	}
	s := &flatSink{files, make([]flatLayer, len(schemas))}
	if err := s.open(s.start); err != nil {
		return nil, err
	}
	return s, nil
}

func (s *flatSink) start(i int) (err error) {
	l := &s.layers[i]
	s.files[i] = l
	l.schema, l.final, l.told = &s.schemas[i], s.finals[i], &s.options
	var notes []string
	l.names, notes = columnNames(*l.schema, "a FlatGeobuf file")
	s.told = append(s.told, notes...)
	l.lost = make([]lostValues, len(l.names))
	l.bound = emptyBound()
	l.builder = flatbuffers.NewBuilder(1 << 10)
	if l.file, err = s.set.create(l.final); err != nil {
		return err
	}
	if l.wait, err = os.CreateTemp(s.set.folder, "records-"); err != nil {
		return l.fail(err)
	}
	l.out = bufio.NewWriterSize(l.wait, 256<<10)
	return nil
}

func (l *flatLayer) fail(err error) error {
	if err == nil {
		return nil
	}
	return writing(l.final, err)
}

// write puts a record with those that wait.
func (l *flatLayer) write(f Feature) error {
	g, _ := l.one.of(l.schema.Shape, f.Geometry)
	corners, box := 0, boxOf(g)
	each(g, func(orb.Point) { corners++ })
	l.cells = l.cells[:0]
	for k, v := range f.Values {
		kind := l.schema.Fields[k].Kind
		l.cell(k, kind, l.lost[k].fit(v, kind, int64(len(l.waiting)+1)))
	}
	if corners > maxRecordBytes/16/2 || len(l.cells) > maxRecordBytes/2 {
		return &Error{File: l.final, Layer: l.schema.Name, Feature: f.FID, Err: fmt.Errorf("a record of %d corners and %d bytes of values is too large to be read again", corners, len(l.cells)), Remedy: "write it in pieces, or to .gpkg"}
	}
	record := l.record(g, corners > 0)
	if corners > 0 {
		l.bound = l.bound.Union(box)
	}
	l.waiting = append(l.waiting, flatWaiting{box, l.end})
	l.end += int64(len(record))
	_, err := l.out.Write(record)
	return l.fail(err)
}

// cell adds a value that fits its column. One that is missing is not written.
func (l *flatLayer) cell(column int, kind Kind, v Value) {
	if v.Null() {
		return
	}
	b := binary.LittleEndian.AppendUint16(l.cells, uint16(column))
	switch kind {
	case Integer:
		b = binary.LittleEndian.AppendUint64(b, uint64(fittedInt(v)))
	case Real:
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v.num))
	case Boolean:
		b = append(b, byte(v.num))
	default:
		b = binary.LittleEndian.AppendUint32(b, uint32(len(v.text)))
		b = append(b, v.text...)
	}
	l.cells = b
}

// fgbTypeOf is the type of a column of ours.
func fgbTypeOf(k Kind) byte {
	switch k {
	case Integer:
		return fgbLong
	case Real:
		return fgbDouble
	case Boolean:
		return fgbBool
	case Date:
		return fgbDateTime
	}
	return fgbString
}

// record is a record as it stands in the file, behind its length. A flat buffer is
// built from its end.
func (l *flatLayer) record(g orb.Geometry, has bool) []byte {
	b := l.builder
	b.Reset()
	b.Prep(8, 0) // what follows a record is at a multiple of eight, too
	var geometry, properties flatbuffers.UOffsetT
	if has {
		geometry = l.geometry(g)
	}
	if len(l.cells) > 0 {
		properties = b.CreateByteVector(l.cells)
	}
	b.StartObject(fgbFeatureFields)
	b.PrependUOffsetTSlot(fgbFeatureGeometry, geometry, 0)
	b.PrependUOffsetTSlot(fgbFeatureProperties, properties, 0)
	b.FinishSizePrefixed(b.EndObject())
	return b.FinishedBytes()
}

func (l *flatLayer) geometry(g orb.Geometry) flatbuffers.UOffsetT {
	switch g := g.(type) {
	case orb.Point:
		return l.lines([]orb.Point{g})
	case orb.MultiLineString:
		return linesOf(l, g)
	case orb.MultiPolygon:
		l.parts = l.parts[:0]
		for _, p := range g {
			l.parts = append(l.parts, linesOf(l, p))
		}
		parts := l.builder.CreateVectorOfTables(l.parts)
		l.builder.StartObject(fgbGeometryFields)
		l.builder.PrependUOffsetTSlot(fgbGeometryParts, parts, 0)
		return l.builder.EndObject()
	}
	panic(fmt.Sprintf("a %T", g)) // oneKind makes no other
}

func linesOf[L ~[]orb.Point](l *flatLayer, all []L) flatbuffers.UOffsetT {
	parts := make([][]orb.Point, len(all))
	for i := range all {
		parts[i] = all[i]
	}
	return l.lines(parts...)
}

// lines is a geometry of lines or rings: their corners in one list, and where each
// ends in another, which one alone does without.
func (l *flatLayer) lines(all ...[]orb.Point) flatbuffers.UOffsetT {
	b := l.builder
	l.ends = l.ends[:0]
	n := 0
	for _, line := range all {
		n += len(line)
		l.ends = append(l.ends, uint32(n))
	}
	b.StartVector(8, 2*n, 8)
	for _, line := range slices.Backward(all) {
		for _, p := range slices.Backward(line) {
			b.PrependFloat64(p[1])
			b.PrependFloat64(p[0])
		}
	}
	xy := b.EndVector(2 * n)
	var ends flatbuffers.UOffsetT
	if len(l.ends) > 1 {
		b.StartVector(4, len(l.ends), 4)
		for _, end := range slices.Backward(l.ends) {
			b.PrependUint32(end)
		}
		ends = b.EndVector(len(l.ends))
	}
	b.StartObject(fgbGeometryFields)
	b.PrependUOffsetTSlot(fgbGeometryEnds, ends, 0)
	b.PrependUOffsetTSlot(fgbGeometryXY, xy, 0)
	return b.EndObject()
}

// finish writes the head, the index, and the records in their order.
func (l *flatLayer) finish() error {
	err := l.out.Flush()
	if err == nil {
		err = l.put()
	}
	wait, file := l.wait, l.file
	l.wait, l.file = nil, nil
	return l.fail(errors.Join(err, wait.Close(), os.Remove(wait.Name()), file.Close()))
}

func (l *flatLayer) put() error {
	order := make([]uint64, len(l.waiting))
	for i, w := range l.waiting {
		order[i] = fgbOrder(w.box, l.bound, i)
	}
	slices.Sort(order)
	out := bufio.NewWriterSize(l.file, 256<<10)
	if _, err := out.Write(l.head()); err != nil {
		return err
	}
	place := func(k int) (w flatWaiting, bytes int64) {
		i := int(uint32(order[k]))
		w, bytes = l.waiting[i], l.end
		if i+1 < len(l.waiting) {
			bytes = l.waiting[i+1].at
		}
		return w, bytes - w.at
	}
	err := writeFGBIndex(out, len(order), func(k int) (orb.Bound, int64) { w, bytes := place(k); return w.box, bytes })
	if err != nil {
		return err
	}
	for from := 0; from < len(order); {
		if from, err = l.copy(out, from, len(order), place); err != nil {
			return err
		}
	}
	return out.Flush()
}

// flatBatch is how many bytes of records are fetched at a time, in the order in
// which they wait, so that a disk is read in one direction.
const flatBatch = 16 << 20

// copy writes records from one on, and returns the first that it has not.
func (l *flatLayer) copy(out *bufio.Writer, from, to int, place func(int) (flatWaiting, int64)) (int, error) {
	type part struct{ from, into, bytes int64 }
	var parts []part
	size, k := int64(0), from
	for ; k < to && (size < flatBatch || k == from); k++ {
		w, bytes := place(k)
		parts = append(parts, part{w.at, size, bytes})
		size += bytes
	}
	slices.SortFunc(parts, func(a, b part) int { return int(min(max(a.from-b.from, -1), 1)) })
	// Where they lie close together, many are fetched by one call.
	var near []byte
	var at int64 // of near, in the file
	if span := parts[len(parts)-1].from - parts[0].from; span < 4*size {
		near = make([]byte, 0, 256<<10)
	}
	b := make([]byte, size)
	for _, p := range parts {
		to := b[p.into : p.into+p.bytes]
		if p.from+p.bytes > at+int64(len(near)) && p.bytes <= int64(cap(near)) {
			near, at = near[:min(int64(cap(near)), l.end-p.from)], p.from
			if _, err := l.wait.ReadAt(near, at); err != nil {
				return 0, err
			}
		}
		if p.bytes <= int64(len(near)) {
			copy(to, near[p.from-at:])
		} else if _, err := l.wait.ReadAt(to, p.from); err != nil {
			return 0, err
		}
	}
	_, err := out.Write(b)
	return k, err
}

// head is what the file says of itself. What GeoJSON has as members of the
// collection stands under the same names.
func (l *flatLayer) head() []byte {
	b := flatbuffers.NewBuilder(1 << 10)
	b.Prep(8, 0) // the index follows at a multiple of eight
	text := func(s string) flatbuffers.UOffsetT {
		if s == "" {
			return 0
		}
		return b.CreateString(s)
	}
	columns := make([]flatbuffers.UOffsetT, len(l.names))
	for k, f := range l.schema.Fields {
		var metadata []byte
		if f.Unit != "" {
			metadata = append(appendJSONString([]byte(`{"unit":`), f.Unit), '}')
		}
		name, title, description, more := b.CreateString(l.names[k]), text(f.Alias), text(f.Doc), text(string(metadata))
		width := int32(-1)
		if f.Kind == Date { // as letters: by which a day is told from a time
			width = int32(len("2006-01-02"))
		}
		b.StartObject(fgbColumnFields)
		b.PrependUOffsetTSlot(fgbColumnName, name, 0)
		b.PrependByteSlot(fgbColumnType, fgbTypeOf(f.Kind), 0)
		b.PrependUOffsetTSlot(fgbColumnTitle, title, 0)
		b.PrependUOffsetTSlot(fgbColumnDescription, description, 0)
		b.PrependInt32Slot(fgbColumnWidth, width, -1)
		b.PrependUOffsetTSlot(fgbColumnMetadata, more, 0)
		columns[k] = b.EndObject()
	}
	var list flatbuffers.UOffsetT
	if len(columns) > 0 {
		list = b.CreateVectorOfTables(columns)
	}
	system := l.schema.System
	var org flatbuffers.UOffsetT
	if system.EPSG() != 0 {
		org = b.CreateString("EPSG")
	}
	name, wkt := text(system.Name()), text(system.WKT())
	b.StartObject(fgbCRSFields)
	b.PrependUOffsetTSlot(fgbCRSOrg, org, 0)
	b.PrependInt32Slot(fgbCRSCode, int32(system.EPSG()), 0)
	b.PrependUOffsetTSlot(fgbCRSName, name, 0)
	b.PrependUOffsetTSlot(fgbCRSWKT, wkt, 0)
	crs := b.EndObject()
	var metadata []byte
	if l.told.Metadata != "" {
		metadata = append(appendJSONString([]byte(`{"metadata":`), l.told.Metadata), '}')
	}
	name, title, description, more := text(l.schema.Name), text(l.schema.Title), text(l.schema.Abstract), text(string(metadata))
	var envelope flatbuffers.UOffsetT
	if !l.bound.IsEmpty() {
		b.StartVector(8, 4, 8)
		for _, x := range [...]float64{l.bound.Max[1], l.bound.Max[0], l.bound.Min[1], l.bound.Min[0]} {
			b.PrependFloat64(x)
		}
		envelope = b.EndVector(4)
	}
	size := uint16(fgbNodeSize)
	if len(l.waiting) == 0 {
		size = 0
	}
	b.StartObject(fgbHeaderFields)
	b.PrependUOffsetTSlot(fgbHeaderName, name, 0)
	b.PrependUOffsetTSlot(fgbHeaderEnvelope, envelope, 0)
	b.PrependByteSlot(fgbHeaderType, map[Shape]byte{Points: wkbPoint, Lines: wkbMultiLineString, Polygons: wkbMultiPolygon}[l.schema.Shape], 0)
	b.PrependUOffsetTSlot(fgbHeaderColumns, list, 0)
	b.PrependUint64Slot(fgbHeaderCount, uint64(len(l.waiting)), 0)
	b.PrependUint16Slot(fgbHeaderNodeSize, size, fgbNodeSize)
	b.PrependUOffsetTSlot(fgbHeaderCRS, crs, 0)
	b.PrependUOffsetTSlot(fgbHeaderTitle, title, 0)
	b.PrependUOffsetTSlot(fgbHeaderDescription, description, 0)
	b.PrependUOffsetTSlot(fgbHeaderMetadata, more, 0)
	b.FinishSizePrefixed(b.EndObject())
	return append([]byte(fgbMagic+"\x01"), b.FinishedBytes()...)
}

func (l *flatLayer) notes() []string {
	return append(ringNotes(l.final, l.one.dropped), lostNotes(l.schema, l.lost)...)
}

func (l *flatLayer) close() {
	for _, f := range []*os.File{l.wait, l.file} {
		if f != nil {
			f.Close()
		}
	}
	l.wait, l.file = nil, nil
}
