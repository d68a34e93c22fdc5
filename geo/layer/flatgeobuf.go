package layer

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	flatbuffers "github.com/google/flatbuffers/go"

	"soilshed/geo/crs"
)

// flatGeobuf reads FlatGeobuf (specification 3.0 and its patches): a head, an index
// that is asked only where a record cannot be read, and the records, each a flat buffer
// behind its length. They are read one after the other, so that a file may be gzipped.
// How tables are looked into is in flatgeobuf_table.go.
type flatGeobuf struct {
	path   string
	schema Schema
	start  int64 // of the records
	leaves int64 // of the index; 0 where there is none
	count  uint64
	kind   int // of all geometries, as WKB numbers them; 0 where each tells its own
	// Columns of the records that have none of their own, and which field is which
	// name in those that do.
	columns []fgbColumn
	fields  map[string]int

	opened []string // notes on opening it
	seen   fgbSeen  // of reading through the file
}

type fgbSeen struct {
	tableRepairs
	strays  int // values of columns that a record alone has
	stray   string
	further bool // bytes behind the last record that the head counts
}

// fgbColumn is a column of a record.
type fgbColumn struct {
	name  string
	kind  byte
	field int // -1 for one that is not read
}

// fgbMagic are the first bytes of a file: the fourth is the version, the eighth its
// patch, any of which is read (README of FlatGeobuf 3.0, "Specification").
const fgbMagic = "fgb\x03fgb"

const remedyCopyAgain = "the file is damaged: copy it again from where it came, or write it again"

func openFlatGeobuf(path string, o Options) (Source, error) {
	g := &flatGeobuf{path: path}
	in, err := g.begin(0)
	if err == nil {
		defer in.Close()
		err = g.head(in, o)
	}
	if err == nil && len(g.columns) == 0 && (o.Columns == nil || len(o.Columns) > 0) {
		err = g.ownColumns(in, o.Columns)
	}
	if err != nil {
		return nil, g.fault(err, 0)
	}
	return g, nil
}

// fault gives an error its file, and a remedy where it has none.
func (g *flatGeobuf) fault(err error, feature int64) error {
	var e *Error
	if errors.As(err, &e) {
		e.File = g.path
		return err
	}
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		err = fmt.Errorf("it ends early: %w", io.ErrUnexpectedEOF)
	}
	return &Error{File: g.path, Feature: feature, Err: err, Remedy: remedyCopyAgain}
}

// fgbInput is the file while it is read.
type fgbInput struct {
	*bufio.Reader
	file  *unpacked
	size  int64 // bytes; of a packed file, as many as there may be
	left  int64 // of these
	again int64 // bytes that may be read once more, where the index leads back
	b     []byte
}

func (in *fgbInput) Close() error { return in.file.Close() }

// begin opens the file at a byte.
func (g *flatGeobuf) begin(at int64) (*fgbInput, error) {
	file, err := openUnpacked(g.path)
	if err != nil {
		return nil, err
	}
	in := &fgbInput{Reader: bufio.NewReaderSize(file, 64<<10), file: file, size: math.MaxInt64, left: math.MaxInt64}
	if file.Reader == file.file { // not packed
		var info os.FileInfo
		if info, err = file.file.Stat(); err == nil {
			in.size = info.Size()
			in.again = in.size
			err = in.seek(at)
		}
	} else {
		err = in.skip(at)
	}
	if err != nil {
		file.Close()
		return nil, err
	}
	return in, nil
}

// at is the byte that is read next, and seek goes to another, of a file that is not
// packed.
func (in *fgbInput) at() int64 { return in.size - in.left }

func (in *fgbInput) seek(at int64) error {
	if _, err := in.file.file.Seek(at, io.SeekStart); err != nil {
		return err
	}
	in.left = in.size - at
	in.Reset(in.file)
	return nil
}

func (in *fgbInput) skip(n int64) error {
	if n > in.left {
		return io.ErrUnexpectedEOF
	}
	in.left -= n
	_, err := io.CopyN(io.Discard, in.Reader, n)
	return err
}

// next are the next bytes, in memory that grows as they come; valid until it is
// called again.
func (in *fgbInput) next(n int) ([]byte, error) {
	if int64(n) > in.left {
		return nil, io.ErrUnexpectedEOF
	}
	in.left -= int64(n)
	in.b = in.b[:0]
	for len(in.b) < n {
		from := len(in.b)
		to := min(n, max(2*from, cap(in.b), 256<<10))
		in.b = slices.Grow(in.b, to-from)[:to]
		if _, err := io.ReadFull(in.Reader, in.b[from:]); err != nil {
			return nil, err
		}
	}
	return in.b, nil
}

// fgbLength is a length that cannot be.
type fgbLength struct{ error }

// buffer is the next flat buffer, behind its length; io.EOF where there is nothing.
func (in *fgbInput) buffer(most int) ([]byte, error) {
	var size [4]byte
	if _, err := io.ReadFull(in.Reader, size[:]); err != nil {
		return nil, err
	}
	in.left -= 4
	n := binary.LittleEndian.Uint32(size[:])
	if int64(n) > in.left {
		return nil, fgbLength{fmt.Errorf("it ends early: %d bytes are to follow, and there are %d", n, in.left)}
	}
	if int64(n) > int64(most) {
		return nil, fgbLength{fmt.Errorf("it says that it has %d bytes, where %d are the limit", n, most)}
	}
	b, err := in.next(int(n))
	if err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	return b, err
}

// head reads what the file says of itself.
func (g *flatGeobuf) head(in *fgbInput, o Options) error {
	magic, err := in.next(8)
	if err != nil {
		return err
	}
	if string(magic[:7]) != fgbMagic {
		if string(magic[:3]) == "fgb" && string(magic[4:7]) == "fgb" {
			return &Error{Err: fmt.Errorf("is FlatGeobuf of version %d, where 3 is read", magic[3]), Remedy: "write it again with a newer program"}
		}
		return &Error{Err: errors.New("does not begin as a FlatGeobuf file does"), Remedy: remedyCopyAgain}
	}
	b, err := in.buffer(limit.fgbHead)
	if err != nil {
		return err
	}
	if err := g.header(b, o); err != nil {
		return err
	}
	at := int64(8 + 4 + len(b))
	index := fgbIndexBytes(g.count, g.nodeSize(b))
	if err := in.skip(index); err != nil {
		return err
	}
	g.start = at + index
	if index > 0 {
		g.leaves = g.start - int64(g.count)*fgbNodeBytes
	}
	// No record is smaller than the length before it and an empty table.
	if info, err := in.file.file.Stat(); err == nil {
		g.schema.Records = int(min(g.count, uint64(info.Size())/12))
	}
	return nil
}

// nodeSize is that of the index, in a head that was read before.
func (g *flatGeobuf) nodeSize(head []byte) uint16 {
	t, err := fgbRoot(head)
	if err != nil {
		return 0
	}
	at, has, err := t.field(fgbHeaderNodeSize, 2)
	if err != nil || !has {
		return fgbNodeSize
	}
	return t.GetUint16(at)
}

func (g *flatGeobuf) header(b []byte, o Options) error {
	t, err := fgbRoot(b)
	if err != nil {
		return err
	}
	if g.nodeSize(b) == 1 {
		return errors.New("its index has nodes of one node each, which has no end")
	}
	kind, err := t.byte(fgbHeaderType)
	if err != nil {
		return err
	}
	g.kind = int(kind)
	if g.kind >= len(wkbNames) {
		return damagedFault("its geometries are of type %d, which there is not", g.kind)
	}
	at, has, err := t.field(fgbHeaderCount, 8)
	if err != nil {
		return err
	}
	if has {
		g.count = t.GetUint64(at)
	}
	name := fileBase(g.path)
	g.schema = Schema{Name: strings.TrimSuffix(name, ".fgb"), Shape: gpkgShape(wkbNames[g.kind])}
	var metadata string
	for _, text := range []struct {
		number int
		to     *string
	}{{fgbHeaderTitle, &g.schema.Title}, {fgbHeaderDescription, &g.schema.Abstract}, {fgbHeaderMetadata, &metadata}} {
		s, err := t.text(text.number)
		if err != nil {
			return err
		}
		*text.to = strings.ToValidUTF8(s, "\uFFFD")
	}
	var told struct {
		Metadata string `json:"metadata"`
	}
	if json.Unmarshal([]byte(metadata), &told) == nil { // anything else is another program's
		g.schema.Metadata = told.Metadata
	}
	own, why := fgbSystem(t)
	note, err := g.schema.settleSystem(own, why, o.System)
	if note != "" {
		g.opened = append(g.opened, note)
	}
	if err != nil {
		return err
	}
	g.fields = map[string]int{}
	g.columns, err = g.listed(t, fgbHeaderColumns, func(c *fgbColumn, column fgbTable) error {
		f, err := fgbField(c, column)
		if err != nil || !wantedColumn(o.Columns, c.name) {
			return err
		}
		if c.kind == fgbBinary {
			g.opened = append(g.opened, fmt.Sprintf("its column %s holds bytes that are no text and is left out", c.name))
			return nil
		}
		return g.addField(c, f)
	})
	return err
}

// addField adds the field of a column.
func (g *flatGeobuf) addField(c *fgbColumn, f Field) error {
	c.field = len(g.schema.Fields)
	g.schema.Fields = append(g.schema.Fields, f)
	if _, taken := g.fields[c.name]; !taken {
		g.fields[c.name] = c.field
	}
	if len(g.schema.Fields) > maxJSONFields {
		return &Error{Err: fmt.Errorf("has more than %d columns, the limit", maxJSONFields), Remedy: "keep the columns that are wanted"}
	}
	return nil
}

// listed are the columns that a table lists.
func (g *flatGeobuf) listed(t fgbTable, number int, each func(*fgbColumn, fgbTable) error) (columns []fgbColumn, err error) {
	err = t.tables(number, func(column fgbTable) error {
		c := fgbColumn{field: -1}
		var err error
		if c.name, err = column.text(fgbColumnName); err != nil {
			return err
		}
		if c.name = strings.ToValidUTF8(c.name, "\uFFFD"); c.name == "" {
			return damagedFault("its column %d has no name", len(columns)+1)
		}
		if c.kind, err = column.byte(fgbColumnType); err != nil {
			return err
		}
		if c.kind >= fgbColumnTypes {
			return damagedFault("its column %s is of type %d, which there is not", c.name, c.kind)
		}
		if err := each(&c, column); err != nil {
			return err
		}
		if columns = append(columns, c); len(columns) > math.MaxUint16+1 {
			return damagedFault("it has more than %d columns", math.MaxUint16+1)
		}
		return nil
	})
	return columns, err
}

// fgbField is what a column says of itself.
func fgbField(c *fgbColumn, column fgbTable) (f Field, err error) {
	f = Field{Name: c.name, Kind: fgbKind(c.kind)}
	var metadata string
	for _, text := range []struct {
		number int
		to     *string
	}{{fgbColumnTitle, &f.Alias}, {fgbColumnDescription, &f.Doc}, {fgbColumnMetadata, &metadata}} {
		s, err := column.text(text.number)
		if err != nil {
			return f, err
		}
		*text.to = strings.ToValidUTF8(s, "\uFFFD")
	}
	var told struct {
		Unit string `json:"unit"`
	}
	if json.Unmarshal([]byte(metadata), &told) == nil {
		f.Unit = told.Unit
	}
	if width, err := column.int32(fgbColumnWidth, -1); err != nil {
		return f, err
	} else if c.kind == fgbDateTime && width == int32(len(time.DateOnly)) {
		f.Kind = Date
	}
	return f, nil
}

func fgbKind(kind byte) Kind {
	switch kind {
	case fgbBool:
		return Boolean
	case fgbByte, fgbUByte, fgbShort, fgbUShort, fgbInt, fgbUInt, fgbLong, fgbULong:
		return Integer
	case fgbFloat, fgbDouble:
		return Real
	}
	return Text
}

// fgbSystem is nil without an error for a file that does not say what its
// coordinates are.
func fgbSystem(head fgbTable) (*crs.System, error) {
	t, has, err := head.table(fgbHeaderCRS)
	if err != nil || !has {
		return nil, err
	}
	number, err := t.int32(fgbCRSCode, 0)
	if err != nil {
		return nil, err
	}
	var org, code, wkt string
	for _, text := range []struct {
		number int
		to     *string
	}{{fgbCRSOrg, &org}, {fgbCRSCodeText, &code}, {fgbCRSWKT, &wkt}} {
		if *text.to, err = t.text(text.number); err != nil {
			return nil, err
		}
	}
	if number != 0 {
		code = fmt.Sprint(number)
	}
	if org == "" {
		org = "EPSG"
	}
	// With the year to which the coordinates belong, the text is the first part of
	// another.
	if inner, ok := strings.CutPrefix(wkt, "COORDINATEMETADATA["); ok {
		wkt = inner[:max(0, strings.LastIndex(inner, "EPOCH["))]
		wkt = strings.TrimRight(wkt, ", \t\r\n")
	}
	var errs []error
	if code != "" {
		s, err := crs.Lookup(org + ":" + code)
		if err == nil {
			return s, nil
		}
		errs = append(errs, err)
	}
	if wkt != "" {
		s, err := crs.ParseWKT(wkt)
		if err == nil {
			return s, nil
		}
		errs = append(errs, err)
	}
	return nil, errors.Join(errs...)
}

// ownColumns reads through a file whose head lists no columns, for those that its
// records list. Of one name they are one field.
func (g *flatGeobuf) ownColumns(in *fgbInput, want []string) error {
	left := map[string]bool{} // told of
	for i := int64(1); g.count == 0 || uint64(i) <= g.count; i++ {
		b, err := in.buffer(maxRecordBytes)
		if err == io.EOF && g.count == 0 {
			return nil
		}
		if err != nil {
			return g.fault(err, i)
		}
		t, err := fgbRoot(b)
		if err != nil {
			continue // it is told of when it is read
		}
		budget := len(b)
		_, err = g.listed(t, fgbFeatureColumns, func(c *fgbColumn, column fgbTable) error {
			if budget -= 8 + len(c.name); budget < 0 {
				return damagedFault("its columns refer to the same bytes time and again")
			}
			at, known := g.fields[c.name]
			switch {
			case !wantedColumn(want, c.name):
			case c.kind == fgbBinary:
				if !left[c.name] && len(left) < maxJSONFields {
					left[c.name] = true
					g.opened = append(g.opened, fmt.Sprintf("its column %s holds bytes that are no text and is left out", c.name))
				}
			case !known:
				f, err := fgbField(c, column)
				if err != nil {
					return err
				}
				return g.addField(c, f)
			default:
				if was, is := &g.schema.Fields[at].Kind, fgbKind(c.kind); *was == Integer && is == Real {
					*was = Real
				} else if *was != is && !(*was == Real && is == Integer) && !(*was == Date && c.kind == fgbDateTime) {
					*was = Text
				}
			}
			return nil
		})
		var e *Error
		if errors.As(err, &e) {
			return err
		}
	}
	return nil
}

func (g *flatGeobuf) Schema() *Schema { return &g.schema }
func (g *flatGeobuf) Close() error    { return nil }

func (g *flatGeobuf) Features() iter.Seq2[Feature, error] {
	return func(yield func(Feature, error) bool) {
		g.seen = fgbSeen{}
		in, err := g.begin(g.start)
		if err != nil {
			yield(Feature{}, g.fault(err, 0))
			return
		}
		defer in.Close()
		f := Feature{Values: make([]Value, len(g.schema.Fields))}
		for before := int64(0); ; {
			if g.count > 0 && uint64(f.FID) == g.count {
				_, err := in.Peek(1)
				g.seen.further = err == nil
				return
			}
			f.FID++
			at := in.at()
			err := g.next(in, &f)
			if err == io.EOF && g.count == 0 {
				return
			}
			// After a length that is wrong, another record begins here than the index
			// says.
			if own, ok := g.placed(in, f.FID, before+1, err); ok && own != at && in.seek(own) == nil {
				at = own
				err = g.next(in, &f)
			}
			before = at
			if err == nil {
				if !yield(f, nil) {
					return
				}
				continue
			}
			var fault *recordFault
			following, ok := g.placed(in, f.FID+1, at+1, err)
			if ok && following != in.at() {
				ok = in.seek(following) == nil
			}
			if !ok && !errors.As(err, &fault) {
				if err == io.EOF {
					err = fmt.Errorf("it ends early: its head counts %d records", g.count)
				}
				yield(Feature{}, g.fault(err, f.FID))
				return
			}
			if !yield(Feature{}, &RecordError{Fault: Error{File: g.path, Feature: f.FID, Err: err}, Reason: reasonOf(err)}) {
				return
			}
		}
	}
}

// placed is where the index says that a record begins, when one could not be read
// where lengths lead; ok is false where there is no telling, or where it is before a
// byte that was passed.
func (g *flatGeobuf) placed(in *fgbInput, record, least int64, why error) (at int64, ok bool) {
	var length fgbLength
	var fault *recordFault
	if g.leaves == 0 || in.size == math.MaxInt64 || uint64(record) > g.count || !errors.As(why, &length) && !errors.As(why, &fault) {
		return 0, false
	}
	var b [8]byte
	if _, err := in.file.file.ReadAt(b[:], g.leaves+record*fgbNodeBytes-8); err != nil {
		return 0, false
	}
	from := binary.LittleEndian.Uint64(b[:])
	if from >= uint64(in.size-g.start) {
		return 0, false
	}
	at = g.start + int64(from)
	if at < least {
		return 0, false
	}
	if back := in.at() - at; back > 0 {
		in.again -= back
	}
	return at, in.again >= 0
}

// next reads the next record into f.
func (g *flatGeobuf) next(in *fgbInput, f *Feature) error {
	b, err := in.buffer(maxRecordBytes)
	if err != nil {
		return err
	}
	return g.record(f, b)
}

// record reads a record into f.
func (g *flatGeobuf) record(f *Feature, b []byte) error {
	f.Geometry = nil
	clear(f.Values)
	t, err := fgbRoot(b)
	if err != nil {
		return err
	}
	shape, has, err := t.table(fgbFeatureGeometry)
	if err != nil {
		return err
	}
	if has {
		r := fgbGeometry{repairs: &g.seen.wkbRepairs, left: len(b)}
		if f.Geometry, err = r.read(shape, g.kind, 0); err != nil {
			return err
		}
		if err := limit.fits(f.Geometry); err != nil {
			return err
		}
	}
	if len(f.Values) == 0 {
		return nil
	}
	columns, stray := g.columns, ""
	budget := len(b)
	own, err := g.listed(t, fgbFeatureColumns, func(c *fgbColumn, _ fgbTable) error {
		if budget -= 8 + len(c.name); budget < 0 {
			return damagedFault("its columns refer to the same bytes time and again")
		}
		if at, ok := g.fields[c.name]; ok && c.kind != fgbBinary {
			c.field = at
		} else if len(g.columns) > 0 && stray == "" {
			stray = c.name
		}
		return nil
	})
	if err != nil {
		return err
	}
	if len(own) > 0 {
		columns = own
		if stray != "" {
			if g.seen.strays == 0 {
				g.seen.stray = stray
			}
			g.seen.strays++
		}
	}
	properties, _, err := t.vector(fgbFeatureProperties, 1)
	if err != nil {
		return err
	}
	return g.cells(f.Values, columns, properties)
}

// cells reads the values of a record: each the place of its column, in two bytes,
// and what its type has; what is not there is missing.
func (g *flatGeobuf) cells(values []Value, columns []fgbColumn, b []byte) error {
	for len(b) > 0 {
		if len(b) < 2 {
			return damagedFault("its values end in the number of a column")
		}
		key := int(flatbuffers.GetUint16(b))
		b = b[2:]
		if key >= len(columns) {
			return damagedFault("a value of column %d, where there are %d columns", key+1, len(columns))
		}
		c := &columns[key]
		n := fgbWidths[c.kind]
		if n == 0 {
			if len(b) < 4 {
				return damagedFault("its values end in the length of a text (%s)", c.name)
			}
			if length := int64(flatbuffers.GetUint32(b)); length <= int64(len(b)-4) {
				n = int(length)
			} else {
				n = len(b)
			}
			b = b[4:]
		}
		if n > len(b) {
			return damagedFault("its values end in one of %s", c.name)
		}
		if c.field >= 0 {
			if !values[c.field].Null() {
				return damagedFault("two values of %s", c.name)
			}
			values[c.field] = g.cell(c.kind, b[:n])
		}
		b = b[n:]
	}
	return nil
}

// cell is a value of a type of column.
func (g *flatGeobuf) cell(kind byte, b []byte) Value {
	switch kind {
	case fgbByte:
		return Whole(int64(int8(b[0])))
	case fgbUByte:
		return Whole(int64(b[0]))
	case fgbBool:
		return Truth(b[0] != 0)
	case fgbShort:
		return Whole(int64(flatbuffers.GetInt16(b)))
	case fgbUShort:
		return Whole(int64(flatbuffers.GetUint16(b)))
	case fgbInt:
		return Whole(int64(flatbuffers.GetInt32(b)))
	case fgbUInt:
		return Whole(int64(flatbuffers.GetUint32(b)))
	case fgbLong:
		return Whole(flatbuffers.GetInt64(b))
	case fgbULong:
		return unsigned(flatbuffers.GetUint64(b))
	case fgbFloat:
		return g.seen.single(flatbuffers.GetFloat32(b))
	case fgbDouble:
		return g.seen.number(flatbuffers.GetFloat64(b))
	}
	s := g.seen.mended(string(b))
	if kind == fgbDateTime {
		// The format knows no dates alone; GDAL writes their midnight.
		day := strings.TrimSuffix(s, "T00:00:00")
		if _, err := time.Parse(time.DateOnly, day); err == nil {
			return Day(day)
		}
	}
	return String(s)
}

func (g *flatGeobuf) Notes() []string {
	notes := append(append([]string(nil), g.opened...), g.seen.notes()...)
	if n := g.seen.strays; n > 0 {
		notes = append(notes, fmt.Sprintf("%s columns that its head does not list; they are left out (the first: %s)", count(n, "record has", "records have"), g.seen.stray))
	}
	if g.seen.further {
		notes = append(notes, fmt.Sprintf("there is more behind the %d records that its head counts, which is not read", g.count))
	}
	return notes
}
