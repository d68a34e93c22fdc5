package layer

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

const (
	maxDBFFields = 255 // common limit of programs that read shapefiles
	maxDBFText   = 254 // bytes of a text field
	maxDBFName   = 10  // bytes of a field's name
	maxDBFRecord = math.MaxUint16
)

// dbfWriter writes an attribute table. Since a column's width stands before the
// records, they are spooled to a file aside first, and written in the widths
// that they need at the end.
type dbfWriter struct {
	final   string
	schema  *Schema
	names   []string // of the schema's fields, as they are written
	changed time.Time
	columns []dbfColumn
	file    *os.File
	spool   *os.File
	out     *bufio.Writer
	buf     []byte
	n       int64
	width   int // bytes of a record, once known
	unknown int // numbers that are not finite
}

// dbfColumn is what was seen of a column.
type dbfColumn struct {
	saw      uint8
	days     bool // a date was seen, and no other text
	text     int  // longest value as text, bytes
	whole    int  // longest part before the point, with sign
	decimals int
	cut      int // texts cut to what fits
	exponent bool

	kind        byte // settled at the end
	width, prec int
	digits      int
}

func newDBFWriter(set *aside, final string, schema *Schema, changed string) (*dbfWriter, error) {
	w := &dbfWriter{final: final, schema: schema, names: dbfNames(schema.Fields), columns: make([]dbfColumn, len(schema.Fields))}
	for i, f := range schema.Fields {
		w.columns[i].digits = digits(f)
	}
	w.changed = time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)
	if len(changed) >= 10 {
		if t, err := time.Parse(time.DateOnly, changed[:10]); err == nil && t.Year() >= 1900 && t.Year() <= 2155 {
			w.changed = t
		}
	}
	var err error
	if w.file, err = set.create(final); err != nil {
		return nil, err
	}
	if w.spool, err = os.CreateTemp(set.folder, "rows-"); err != nil {
		w.file.Close()
		return nil, writing(final, err)
	}
	w.out = bufio.NewWriterSize(w.spool, 256<<10)
	return w, nil
}

// dbfNames cuts names to ten bytes, between letters, and numbers those that
// have become the same. Case does not tell names apart.
func dbfNames(fields []Field) []string {
	names := make([]string, len(fields))
	taken := map[string]bool{}
	take := func(i int, name string) bool {
		key := strings.ToUpper(name)
		if name == "" || taken[key] {
			return false
		}
		taken[key] = true
		names[i] = name
		return true
	}
	clean := func(s string) string {
		s = strings.Map(func(r rune) rune {
			if r < ' ' || r == 0x7F {
				return '_'
			}
			return r
		}, strings.ToValidUTF8(strings.TrimSpace(s), "_"))
		return s
	}
	// A name that fits has the first right to itself.
	for i, f := range fields {
		if n := clean(f.Name); n == f.Name && len(n) <= maxDBFName {
			take(i, n)
		}
	}
	for i, f := range fields {
		if names[i] != "" {
			continue
		}
		n := clean(f.Name)
		if n == "" {
			n = "field"
		}
		if take(i, cutText(n, maxDBFName)) {
			continue
		}
		for k := 1; ; k++ {
			end := "_" + strconv.Itoa(k)
			if take(i, cutText(n, maxDBFName-len(end))+end) {
				break
			}
		}
	}
	return names
}

// Marks of values in the spool.
const (
	spoolNull = iota
	spoolText
	spoolDay
	spoolWhole
	spoolReal
	spoolTrue
	spoolFalse
)

func (w *dbfWriter) write(values []Value, limit int64) error {
	b := w.buf[:0]
	for i, v := range values {
		b = w.columns[i].spool(b, v, &w.unknown)
	}
	w.buf = b
	w.n++
	width := 1
	for i := range w.columns {
		width += w.columns[i].needs()
	}
	if width > maxDBFRecord {
		return &Error{File: w.final, Err: fmt.Errorf("a record of more than %d bytes", maxDBFRecord), Remedy: "keep fewer fields, or write a GeoPackage: end the name in .gpkg"}
	}
	if int64(w.headLen())+w.n*int64(width)+1 > limit {
		return tooLarge(w.final, limit)
	}
	if _, err := w.out.Write(b); err != nil {
		return writing(w.final, err)
	}
	return nil
}

// spool appends v and takes its measure.
func (c *dbfColumn) spool(b []byte, v Value, unknown *int) []byte {
	if v.Null() {
		return append(b, spoolNull)
	}
	switch v.Kind() {
	case Boolean:
		c.saw |= sawBoolean
		c.text = max(c.text, len("false"))
		if x, _ := v.Float(); x != 0 {
			return append(b, spoolTrue)
		}
		return append(b, spoolFalse)
	case Integer:
		c.saw |= sawInteger
		n, _ := v.Int()
		var d [24]byte
		s := strconv.AppendInt(d[:0], n, 10)
		c.whole, c.text = max(c.whole, len(s)), max(c.text, len(s))
		return binary.AppendVarint(append(b, spoolWhole), n)
	case Real:
		x, _ := v.Float()
		if math.IsNaN(x) || math.IsInf(x, 0) {
			*unknown++
			return append(b, spoolNull)
		}
		c.saw |= sawReal
		var d [400]byte
		s := appendNumber(d[:0], x, c.digits)
		c.text = max(c.text, len(s))
		if bytes.IndexByte(s, 'e') >= 0 || len(s) > 24 {
			c.exponent = true
		} else if dot := bytes.IndexByte(s, '.'); dot >= 0 {
			c.whole, c.decimals = max(c.whole, dot), max(c.decimals, len(s)-dot-1)
		} else {
			c.whole = max(c.whole, len(s))
		}
		return binary.LittleEndian.AppendUint64(append(b, spoolReal), math.Float64bits(x))
	}
	s := v.Text()
	if s == "" {
		return append(b, spoolNull)
	}
	mark := byte(spoolText)
	if v.Kind() == Date && isDay(s) {
		mark = spoolDay
		c.days = true
	} else {
		c.saw |= sawText
	}
	s = strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\x00", "\uFFFD")
	if t := cutText(s, maxDBFText); len(t) < len(s) {
		s = t
		c.cut++
	}
	c.text = max(c.text, len(s))
	return append(binary.AppendUvarint(append(b, mark), uint64(len(s))), s...)
}

func isDay(s string) bool {
	_, err := time.Parse(time.DateOnly, s)
	return err == nil
}

// Widths of numbers. Nine digits fit a 32-bit number and eighteen a 64-bit one,
// and programs tell the two by the width.
const (
	dbfShort, dbfLong     = 9, 18
	dbfRealWide, dbfRealP = 19, 11
)

// settle chooses a column's type and width.
func (c *dbfColumn) settle(k Kind) {
	switch {
	case c.saw == 0 && c.days:
		c.kind, c.width = 'D', 8
	case c.saw == 0: // nothing but nulls
		switch k {
		case Integer:
			c.kind, c.width = 'N', dbfShort
		case Real:
			c.kind, c.prec = 'N', max(c.digits, 1)
			c.width = 8 + c.prec
		case Boolean:
			c.kind, c.width = 'L', 1
		case Date:
			c.kind, c.width = 'D', 8
		default:
			c.kind, c.width = 'C', 1
		}
	case c.saw == sawBoolean && !c.days:
		c.kind, c.width = 'L', 1
	case c.saw == sawInteger && !c.days && k != Real && c.whole <= dbfLong:
		c.kind, c.width = 'N', dbfShort
		if c.whole > dbfShort {
			c.width = dbfLong
		}
	case (c.saw == sawReal || c.saw == sawReal|sawInteger || c.saw == sawInteger && k == Real) && !c.days:
		c.prec = max(c.decimals, 1)
		c.width = c.whole + 1 + c.prec
		c.kind = 'N'
		if c.exponent || c.width > dbfRealWide || c.prec > dbfRealP {
			c.kind, c.width, c.prec = 'F', dbfRealWide, dbfRealP
			c.exponent = true
		}
	default:
		c.kind, c.width = 'C', max(c.text, 1)
	}
}

// needs is the width that the column has so far.
func (c *dbfColumn) needs() int {
	switch {
	case c.saw&sawText != 0:
		return max(c.text, 1)
	case c.saw&(sawReal|sawInteger) != 0:
		return max(c.text, dbfShort)
	}
	return max(c.text, 1)
}

func (w *dbfWriter) headLen() int { return dbfHeader + dbfDescriptor*max(len(w.columns), 1) + 1 }

// finish writes the table from the spool.
func (w *dbfWriter) finish(limit int64) error {
	if err := w.out.Flush(); err != nil {
		return writing(w.final, err)
	}
	if _, err := w.spool.Seek(0, io.SeekStart); err != nil {
		return writing(w.final, err)
	}
	w.width = 1
	for i := range w.columns {
		w.columns[i].settle(w.schema.Fields[i].Kind)
		w.width += w.columns[i].width
	}
	if len(w.columns) == 0 {
		w.width += dbfShort // a table without fields is not read everywhere
	}
	if w.width > maxDBFRecord || int64(w.headLen())+w.n*int64(w.width)+1 > limit {
		return tooLarge(w.final, limit)
	}
	out := bufio.NewWriterSize(w.file, 256<<10)
	if _, err := out.Write(w.header()); err != nil {
		return writing(w.final, err)
	}
	in := bufio.NewReaderSize(w.spool, 256<<10)
	row := make([]byte, 0, w.width)
	var err error
	for n := int64(1); n <= w.n; n++ {
		row = append(row[:0], ' ')
		for i := range w.columns {
			if row, err = w.columns[i].unspool(row, in); err != nil {
				return writing(w.final, err)
			}
		}
		if len(w.columns) == 0 {
			row = padLeft(row, strconv.AppendInt(nil, n-1, 10), dbfShort)
		}
		if len(row) != w.width {
			return fmt.Errorf("layer: record %d of %s has %d bytes for %d", n, w.final, len(row), w.width)
		}
		if _, err := out.Write(row); err != nil {
			return writing(w.final, err)
		}
	}
	if err := errors.Join(out.WriteByte(0x1A), out.Flush(), w.file.Close()); err != nil {
		return writing(w.final, err)
	}
	return nil
}

func (w *dbfWriter) header() []byte {
	h := make([]byte, dbfHeader, w.headLen())
	h[0] = 3
	h[1], h[2], h[3] = byte(w.changed.Year()-1900), byte(w.changed.Month()), byte(w.changed.Day())
	binary.LittleEndian.PutUint32(h[4:], uint32(w.n))
	binary.LittleEndian.PutUint16(h[8:], uint16(w.headLen()))
	binary.LittleEndian.PutUint16(h[10:], uint16(w.width))
	field := func(name string, kind byte, width, prec int) {
		var d [dbfDescriptor]byte
		copy(d[:maxDBFName], name)
		d[11], d[16], d[17] = kind, byte(width), byte(prec)
		h = append(h, d[:]...)
	}
	for i, c := range w.columns {
		field(w.names[i], c.kind, c.width, c.prec)
	}
	if len(w.columns) == 0 {
		field("FID", 'N', dbfShort, 0)
	}
	return append(h, '\r')
}

// unspool takes a value from the spool and appends it in the column's width.
func (c *dbfColumn) unspool(row []byte, in *bufio.Reader) ([]byte, error) {
	mark, err := in.ReadByte()
	if err != nil {
		return nil, err
	}
	var d [400]byte
	s := d[:0]
	switch mark {
	case spoolText, spoolDay:
		n, err := binary.ReadUvarint(in)
		if err != nil || n > maxDBFText {
			return nil, errors.Join(err, errors.New("the spool of attributes is damaged"))
		}
		s = s[:n]
		if _, err := io.ReadFull(in, s); err != nil {
			return nil, err
		}
		if c.kind == 'D' {
			s = append(append(append([]byte(nil), s[:4]...), s[5:7]...), s[8:10]...)
		}
	case spoolWhole:
		n, err := binary.ReadVarint(in)
		if err != nil {
			return nil, err
		}
		if s = strconv.AppendInt(s, n, 10); c.kind == 'F' || c.kind == 'N' && c.prec > 0 {
			s = c.real(d[:0], float64(n))
		}
	case spoolReal:
		var b [8]byte
		if _, err := io.ReadFull(in, b[:]); err != nil {
			return nil, err
		}
		x := math.Float64frombits(binary.LittleEndian.Uint64(b[:]))
		if c.kind == 'C' {
			s = appendNumber(s, x, c.digits)
		} else {
			s = c.real(s, x)
		}
	case spoolTrue, spoolFalse:
		s = append(s, map[bool]string{true: "T", false: "F"}[mark == spoolTrue]...)
		if c.kind == 'C' {
			s = strconv.AppendBool(d[:0], mark == spoolTrue)
		}
	case spoolNull:
		if c.kind == 'L' {
			s = append(s, '?')
		}
	}
	if c.kind == 'N' || c.kind == 'F' {
		return padLeft(row, s, c.width), nil
	}
	row = append(row, s...)
	for range c.width - len(s) {
		row = append(row, ' ')
	}
	return row, nil
}

// real writes a number in the column's width and decimals; with an exponent
// where the decimals would lose digits.
func (c *dbfColumn) real(b []byte, x float64) []byte {
	if !c.exponent {
		b = strconv.AppendFloat(b, x, 'f', c.prec, 64)
		if strings.Trim(string(b), "-0.") == "" {
			return bytes.TrimLeft(b, "-")
		}
		return b
	}
	if b = appendNumber(b, x, c.digits); len(b) <= c.width {
		return b
	}
	return strconv.AppendFloat(b[:0], x, 'e', dbfRealP, 64)
}

func padLeft(row, s []byte, width int) []byte {
	for range width - len(s) {
		row = append(row, ' ')
	}
	return append(row, s...)
}

func (w *dbfWriter) notes() []string {
	var all []string
	file := filepath.Base(w.final)
	var renamed []string
	for i, f := range w.schema.Fields {
		if w.names[i] != f.Name {
			renamed = append(renamed, f.Name+" is "+w.names[i])
		}
	}
	if len(renamed) > 0 {
		all = append(all, fmt.Sprintf("%s: %s (ten bytes are the most): %s", file, count(len(renamed), "field needs a shorter name", "fields need shorter names"), strings.Join(renamed, ", ")))
	}
	for i, f := range w.schema.Fields {
		if n := w.columns[i].cut; n > 0 {
			all = append(all, fmt.Sprintf("%s: %s of field %s cut to %d bytes", file, count(n, "text", "texts"), f.Name, maxDBFText))
		}
	}
	if w.unknown > 0 {
		all = append(all, fmt.Sprintf("%s: %s not finite, and left empty", file, count(w.unknown, "number is", "numbers are")))
	}
	return all
}

func (w *dbfWriter) close() {
	w.file.Close()
	w.spool.Close()
}
