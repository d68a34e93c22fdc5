package layer

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"strconv"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/wkb"
)

// What goes into a row group: readers fetch one whole, and pass over it when the
// boxes of its records do not meet what they look for. Its pages are held, packed,
// until it is written.
const (
	parquetGroupRows  = 1 << 16
	parquetGroupBytes = 128 << 20 // before packing
	parquetBatchRows  = 1 << 10   // go to the columns at a time
	parquetBatchBytes = 4 << 20
	// parquetSampleRows are looked at before the columns are laid out: of those that
	// repeat themselves each value is kept once a row group, in a dictionary.
	parquetSampleRows = 1 << 12
)

// The geometry's column, and that of its box.
const (
	parquetGeometry = "geometry"
	parquetBox      = "bbox"
)

// parquetSides are the parts of the box, in the order of section "Bounding Box
// Columns".
var parquetSides = [...]string{"xmin", "ymin", "xmax", "ymax"}

// parquetMetadata is the key of CreateOptions.Metadata.
const parquetMetadata = "metadata"

// parquetWriter is what the file says of its writer (created_by), by which readers
// know the faults of one: always the same text, where the library's own hangs on
// how the program was built.
var parquetWriter = [3]string{"github.com/parquet-go/parquet-go", "0.32.0", "soilshed"}

// parquetSink writes one GeoParquet file a layer (specification 1.1.0).
type parquetSink struct {
	fileSink
	layers []parquetLayer
}

// parquetLayer is a file that is being written.
type parquetLayer struct {
	schema *Schema
	final  string
	told   *CreateOptions
	file   *os.File
	out    *parquet.GenericWriter[any] // nil until the columns are laid out

	names   []string          // of the columns, parallel to the fields
	cells   [][]parquet.Value // by column: the fields, the geometry, the four of its box
	texts   []byte            // what the cells of texts and geometries refer to
	waiting int               // records in cells
	group   int               // records of the row group that went to the columns
	grown   int64             // and their bytes

	one   oneKind
	wkb   *wkb.Encoder
	shape bytes.Buffer
	bound orb.Bound
	lost  []lostValues // by field
	n     int64
}

func createGeoParquet(path string, schemas []Schema, o CreateOptions) (Sink, error) {
	files, err := newTypedSink(path, schemas, o)
	if err != nil {
		return nil, err
	}
	s := &parquetSink{files, make([]parquetLayer, len(schemas))}
	if err := s.open(s.start); err != nil {
		return nil, err
	}
	return s, nil
}

func (s *parquetSink) start(i int) (err error) {
	l := &s.layers[i]
	s.files[i] = l
	l.schema, l.final, l.told = &s.schemas[i], s.finals[i], &s.options
	var notes []string
	l.names, notes = columnNames(*l.schema, "a GeoParquet file", parquetGeometry, parquetBox)
	s.told = append(s.told, notes...)
	l.cells = make([][]parquet.Value, len(l.names)+5)
	l.lost = make([]lostValues, len(l.names))
	l.bound = emptyBound()
	l.wkb = wkb.NewEncoder(&l.shape)
	l.wkb.SetByteOrder(binary.LittleEndian)
	l.file, err = s.set.create(l.final)
	return err
}

func (l *parquetLayer) fail(err error) error {
	if err == nil {
		return nil
	}
	return writing(l.final, err)
}

// write lays a record into the cells, which go on to the columns many at a time.
func (l *parquetLayer) write(f Feature) error {
	l.n++
	for k, v := range f.Values {
		l.put(k, l.cell(l.lost[k].fit(v, l.schema.Fields[k].Kind, l.n), l.schema.Fields[k].Kind))
	}
	if err := l.geometry(f.Geometry); err != nil {
		return l.fail(err)
	}
	l.waiting++
	most := parquetBatchRows
	if l.out == nil {
		most = parquetSampleRows
	}
	if l.waiting == most || len(l.texts) >= parquetBatchBytes {
		return l.fail(l.flush())
	}
	return nil
}

// put adds a cell to a column that may be empty.
func (l *parquetLayer) put(column int, v parquet.Value) {
	level := 1
	if v.IsNull() {
		level = 0
	}
	l.cells[column] = append(l.cells[column], v.Level(0, level, column))
}

// bytes keeps b until the cells are written.
func (l *parquetLayer) bytes(b string) parquet.Value {
	from := len(l.texts)
	l.texts = append(l.texts, b...)
	return parquet.ByteArrayValue(l.texts[from:len(l.texts):len(l.texts)])
}

// cell is a value that fits its column, as Parquet has it.
func (l *parquetLayer) cell(v Value, kind Kind) parquet.Value {
	if v.Null() {
		return parquet.NullValue()
	}
	switch kind {
	case Integer:
		return parquet.Int64Value(fittedInt(v))
	case Real:
		return parquet.DoubleValue(v.num)
	case Boolean:
		return parquet.BooleanValue(v.num != 0)
	case Date:
		day, err := time.Parse(time.DateOnly, v.Text())
		if err != nil {
			return parquet.NullValue()
		}
		return parquet.Int32Value(int32(day.Unix() / 86400))
	}
	return l.bytes(v.text)
}

// geometry puts the WKB of a geometry and its box into the cells. The box is in
// single precision, rounded outwards, as readers look at it alone to pass records
// over.
func (l *parquetLayer) geometry(g orb.Geometry) error {
	at := len(l.schema.Fields)
	box := emptyBound()
	if g, ok := l.one.of(l.schema.Shape, g); ok {
		box = boxOf(g)
		if !box.IsEmpty() {
			l.shape.Reset()
			if err := l.wkb.Encode(g); err != nil {
				return err
			}
		}
	}
	if box.IsEmpty() {
		for k := range 5 {
			l.put(at+k, parquet.NullValue())
		}
		return nil
	}
	l.bound = l.bound.Union(box)
	l.put(at, l.bytes(l.shape.String()))
	for k, x := range [...]float32{below(box.Min[0]), below(box.Min[1]), above(box.Max[0]), above(box.Max[1])} {
		l.put(at+1+k, parquet.FloatValue(x))
	}
	return nil
}

// below and above are the nearest numbers of single precision not beyond x.
func below(x float64) float32 {
	f := float32(x)
	if float64(f) > x {
		f = math.Nextafter32(f, float32(math.Inf(-1)))
	}
	return f
}

func above(x float64) float32 { return -below(-x) }

// flush hands the cells to the columns, and a row group to the file when it is
// full.
func (l *parquetLayer) flush() error {
	if l.out == nil {
		l.layOut()
	}
	for k, column := range l.out.ColumnWriters() {
		if _, err := column.WriteRowValues(l.cells[k]); err != nil {
			return err
		}
		clear(l.cells[k]) // they hold what they refer to
		l.cells[k] = l.cells[k][:0]
	}
	l.group += l.waiting
	l.grown += int64(len(l.texts)) + int64(8*l.waiting*len(l.cells))
	l.waiting, l.texts = 0, l.texts[:0]
	if l.group >= parquetGroupRows || l.grown >= parquetGroupBytes {
		l.group, l.grown = 0, 0
		return l.out.Flush()
	}
	return nil
}

// layOut settles how the columns are written, by the records that wait.
func (l *parquetLayer) layOut() {
	root, box := parquetColumns{}, parquetColumns{}
	for k, name := range l.names {
		node := parquetNode(l.schema.Fields[k].Kind)
		if repeats(l.cells[k]) {
			node = parquet.Encoded(node, &parquet.RLEDictionary)
		}
		root.add(name, parquet.Optional(node))
	}
	root.add(parquetGeometry, parquet.Optional(parquetPlain(parquet.Leaf(parquet.ByteArrayType))))
	for _, name := range parquetSides {
		box.add(name, parquetPlain(parquet.Leaf(parquet.FloatType)))
	}
	root.add(parquetBox, parquet.Optional(&box))
	options := []parquet.WriterOption{
		parquet.NewSchema(l.schema.Name, &root),
		parquet.CreatedBy(parquetWriter[0], parquetWriter[1], parquetWriter[2]),
		parquet.Compression(&zstd.Codec{}),
		parquet.DataPageVersion(1),        // the one that every reader knows
		parquet.DataPageStatistics(false), // the row group and its index have them
		parquet.PageBufferSize(256 << 10), parquet.WriteBufferSize(256 << 10),
		parquet.SkipPageBounds(parquetGeometry), // WKB has no order that tells anything
	}
	for k, name := range l.names {
		if l.schema.Fields[k].Kind == Text { // bounds as long as the longest text, in the footer
			options = append(options, parquet.SkipPageBounds(name))
		}
	}
	l.out = parquet.NewGenericWriter[any](l.file, options...)
}

// repeats tells whether a dictionary pays for cells: half of them at least are
// repetitions.
func repeats(cells []parquet.Value) bool {
	seen := map[string]bool{}
	n := 0
	var key []byte
	for _, v := range cells {
		if v.Kind() == parquet.Boolean {
			return false // a bit each
		}
		if !v.IsNull() {
			n++
			key = v.AppendBytes(key[:0])
			seen[string(key)] = true
		}
	}
	return n > 0 && 2*len(seen) <= n
}

func parquetNode(k Kind) parquet.Node {
	switch k {
	case Integer:
		return parquetPlain(parquet.Int(64))
	case Real:
		return parquetPlain(parquet.Leaf(parquet.DoubleType))
	case Boolean:
		return parquetPlain(parquet.Leaf(parquet.BooleanType))
	case Date:
		return parquetPlain(parquet.Date())
	}
	return parquetPlain(parquet.String())
}

// parquetPlain is a column in the encoding that every reader knows.
func parquetPlain(n parquet.Node) parquet.Node { return parquet.Encoded(n, &parquet.Plain) }

// parquetColumns is a group of columns in the order in which they were added; the
// library's own sorts them by name.
type parquetColumns struct {
	parquet.Group
	fields []parquet.Field
}

func (g *parquetColumns) add(name string, n parquet.Node) {
	g.fields = append(g.fields, parquet.Group{name: n}.Fields()[0])
}

func (g *parquetColumns) Fields() []parquet.Field { return g.fields }

// finish writes what waits, and what the file says of itself.
func (l *parquetLayer) finish() error {
	err := l.flush()
	if err == nil {
		for _, kv := range l.metadata(*l.told) {
			l.out.SetKeyValueMetadata(kv[0], kv[1])
		}
		err = l.out.Close()
	}
	file := l.file
	l.file = nil
	return l.fail(errors.Join(err, file.Close()))
}

// metadata are the pairs of key and text of the file: those of GeoParquet under
// "geo", and what GeoJSON has as members of the collection under the same names.
func (l *parquetLayer) metadata(o CreateOptions) [][2]string {
	b := append([]byte(`{"version":"1.1.0","primary_column":"`+parquetGeometry+`","columns":{"`+parquetGeometry+`":{"encoding":"WKB","geometry_types":["`), map[Shape]string{Points: "Point", Polygons: "MultiPolygon", Lines: "MultiLineString"}[l.schema.Shape]...)
	b = append(append(b, `"],"crs":`...), l.schema.System.PROJJSON()...)
	if l.schema.Shape == Polygons {
		b = append(b, `,"orientation":"counterclockwise"`...)
	}
	b = append(b, `,"edges":"planar"`...)
	if !l.bound.IsEmpty() {
		b = append(b, `,"bbox":[`...)
		for i, x := range [...]float64{l.bound.Min[0], l.bound.Min[1], l.bound.Max[0], l.bound.Max[1]} {
			if i > 0 {
				b = append(b, ',')
			}
			b = strconv.AppendFloat(b, x, 'g', -1, 64)
		}
		b = append(b, ']')
	}
	b = append(b, `,"covering":{"bbox":{`...)
	for i, side := range parquetSides {
		if i > 0 {
			b = append(b, ',')
		}
		b = fmt.Appendf(b, `"%s":["%s","%[1]s"]`, side, parquetBox)
	}
	b = append(b, `}}}}}`...)
	all := [][2]string{{"geo", string(b)}}
	for _, kv := range [...][2]string{{"title", l.schema.Title}, {"description", l.schema.Abstract}, {parquetMetadata, o.Metadata}, {"fields", string(described(l.schema.Fields, l.names))}} {
		if kv[1] != "" {
			all = append(all, kv)
		}
	}
	return all
}

// Notes tells what could not be written.
func (l *parquetLayer) notes() []string {
	return append(ringNotes(l.final, l.one.dropped), lostNotes(l.schema, l.lost)...)
}

func (l *parquetLayer) close() {
	if l.file != nil {
		l.file.Close()
		l.file = nil
	}
}
