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
	"unicode/utf8"

	"golang.org/x/text/encoding"
)

// dbfTable is the attribute table of a shapefile.
type dbfTable struct {
	path   string
	count  uint32 // records, deleted ones included
	head   int    // bytes of the header
	width  int    // bytes of a record
	fields []dbfField
	text   dbfText
	wanted []int // fields that are read, in file order
}

type dbfField struct {
	name     string
	kind     byte // C N F L D ...
	at       int  // first byte in the record, after the deletion mark
	width    int
	decimals int
}

const (
	dbfHeader     = 32
	dbfDescriptor = 32
)

// openDBF reads and checks the header of a .dbf. cpg is the path of the .cpg
// beside it, "" when there is none.
func openDBF(path, cpg string, o Options) (*dbfTable, error) {
	t := &dbfTable{path: path}
	f, err := os.Open(path)
	if err != nil {
		return nil, missing(path, err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, missing(path, err)
	}
	language, err := t.header(f, info.Size())
	if err != nil {
		return nil, err
	}
	if t.text, err = dbfEncoding(cpg, language, o); err != nil {
		return nil, err
	}
	for i := range t.fields {
		t.fields[i].name = strings.TrimSpace(t.text.decode([]byte(t.fields[i].name)))
	}
	t.text.odd = 0 // counts values from here on
	t.want(o.Columns)
	return t, nil
}

const cutShort = "it was cut short: copy or export it again"

func (t *dbfTable) header(r io.ReaderAt, size int64) (language byte, err error) {
	fail := func(remedy, format string, a ...any) (byte, error) {
		return 0, &Error{File: t.path, Err: fmt.Errorf(format, a...), Remedy: remedy}
	}
	var h [dbfHeader]byte
	if size < dbfHeader+1 {
		return fail(cutShort, "%d bytes are too few for the header of a .dbf", size)
	}
	if _, err := r.ReadAt(h[:], 0); err != nil {
		return 0, &Error{File: t.path, Err: fmt.Errorf("reading: %w", err)}
	}
	// The low three bits are the version: 3 for dBASE III, IV and 5, which
	// FoxPro keeps (0x30, 0x31, 0x32 apart); 4 for dBASE 7.
	switch v := h[0]; {
	case v&7 == 3 || v == 0x30 || v == 0x31 || v == 0x32 || v == 0x02 || v == 0xF5 || v == 0xFB:
	case v&7 == 4:
		return fail("export it again as dBASE III or IV", "a dBASE 7 table, which is not read")
	default:
		return fail("export the layer again", "no .dbf: it begins with byte 0x%02x", v)
	}
	t.count = binary.LittleEndian.Uint32(h[4:])
	t.head = int(binary.LittleEndian.Uint16(h[8:]))
	t.width = int(binary.LittleEndian.Uint16(h[10:]))
	if t.head < dbfHeader+1 {
		return fail("export the layer again", "its header says that it has %d bytes, where %d are the least", t.head, dbfHeader+1)
	}
	if int64(t.head) > size {
		return fail(cutShort, "its header has %d bytes, but the file %d", t.head, size)
	}
	if t.width < 1 {
		return fail("export the layer again", "records of %d bytes", t.width)
	}
	// The last record may lack the end mark, not a byte of its own.
	if want := int64(t.head) + int64(t.count)*int64(t.width); want > size {
		return fail(cutShort, "%d records of %d bytes make %d bytes, but the file has %d", t.count, t.width, want, size)
	}
	head := make([]byte, t.head-dbfHeader)
	if _, err := r.ReadAt(head, dbfHeader); err != nil {
		return 0, &Error{File: t.path, Err: fmt.Errorf("reading: %w", err)}
	}
	at, long := 1, 1
	ended := false
	for len(head) > 0 {
		if head[0] == '\r' {
			ended = true
			break
		}
		if len(head) < dbfDescriptor {
			break
		}
		d := head[:dbfDescriptor]
		head = head[dbfDescriptor:]
		name, _, _ := bytes.Cut(d[:11], []byte{0})
		f := dbfField{name: string(name), kind: d[11], at: at, width: int(d[16]), decimals: int(d[17])}
		if f.kind >= 'a' && f.kind <= 'z' {
			f.kind -= 'a' - 'A'
		}
		at += f.width
		long += f.width
		if f.kind == 'C' {
			long += 256 * f.decimals
		}
		t.fields = append(t.fields, f)
	}
	if !ended && len(head) > 0 {
		return fail("export the layer again", "field descriptors that do not fill the header of %d bytes", t.head)
	}
	// Clipper stores the upper byte of a text's width where others have the
	// decimals. The record's own width tells.
	if at != t.width && long == t.width {
		at = 1
		for i := range t.fields {
			f := &t.fields[i]
			if f.kind == 'C' {
				f.width += 256 * f.decimals
			}
			f.at = at
			at += f.width
		}
	}
	if at > t.width {
		return fail("export the layer again", "its fields take %d bytes, but a record has %d", at, t.width)
	}
	for i, f := range t.fields {
		if !strings.ContainsRune("CNFLDIO@MBY+TGPVW0QX", rune(f.kind)) {
			return 0, &Error{File: t.path, Field: f.name, Err: fmt.Errorf("field %d is of unknown type 0x%02x", i+1, f.kind), Remedy: "export the layer again"}
		}
	}
	return h[29], nil
}

// want settles which fields are read.
func (t *dbfTable) want(columns []string) {
	s := Schema{}
	for _, f := range t.fields {
		s.Fields = append(s.Fields, Field{Name: f.name})
	}
	take := make([]bool, len(t.fields))
	for _, n := range columns {
		if i := s.Index(n); i >= 0 {
			take[i] = true
		}
	}
	for i := range t.fields {
		if columns == nil || take[i] {
			t.wanted = append(t.wanted, i)
		}
	}
}

// schema returns the fields that are read.
func (t *dbfTable) schema() []Field {
	var all []Field
	for _, i := range t.wanted {
		all = append(all, Field{Name: t.fields[i].name, Kind: t.fields[i].holds()})
	}
	return all
}

func (f *dbfField) holds() Kind {
	switch f.kind {
	case 'N', 'F':
		if f.decimals == 0 && f.kind == 'N' {
			return Integer
		}
		return Real
	case 'I', '+':
		return Integer
	case 'O', 'Y':
		return Real
	case 'B':
		if f.width == 8 {
			return Real
		}
	case 'L':
		return Boolean
	case 'D':
		return Date
	}
	return Text
}

// dbfRows goes through the records of a table.
type dbfRows struct {
	t      *dbfTable
	file   *os.File
	in     *bufio.Reader
	row    []byte
	left   uint32
	values []Value
	raw    [][]byte // the last text of each column, to share repeated ones
	last   []string // and what it reads

	memos, numbers, dates int
}

func (t *dbfTable) rows() (*dbfRows, error) {
	f, err := os.Open(t.path)
	if err != nil {
		return nil, missing(t.path, err)
	}
	t.text.odd = 0
	return &dbfRows{
		t: t, file: f, left: t.count,
		in:     bufio.NewReaderSize(io.NewSectionReader(f, int64(t.head), math.MaxInt64-int64(t.head)), 256<<10),
		row:    make([]byte, t.width),
		values: make([]Value, len(t.wanted)),
		raw:    make([][]byte, len(t.wanted)),
		last:   make([]string, len(t.wanted)),
	}, nil
}

func (r *dbfRows) close() error { return r.file.Close() }

// next takes a record; io.EOF after the last. The values are good until the
// next call.
func (r *dbfRows) next() (values []Value, deleted bool, err error) {
	if r.left == 0 {
		return nil, false, io.EOF
	}
	n := int64(r.t.count-r.left) + 1
	if _, err := io.ReadFull(r.in, r.row); err != nil {
		return nil, false, &Error{File: r.t.path, Feature: n, Err: fmt.Errorf("reading: %w", err), Remedy: cutShort}
	}
	r.left--
	if r.row[0] == '*' {
		return nil, true, nil
	}
	for k, i := range r.t.wanted {
		f := &r.t.fields[i]
		r.values[k] = r.value(k, f, r.row[f.at:f.at+f.width])
	}
	return r.values, false, nil
}

func (r *dbfRows) value(k int, f *dbfField, b []byte) Value {
	switch f.kind {
	case 'C', 'V':
		b = bytes.TrimRight(b, " \x00")
		if i := bytes.IndexByte(b, 0); i >= 0 { // C writers leave old bytes after the end
			b = bytes.TrimRight(b[:i], " ")
		}
		if len(b) == 0 {
			return Value{}
		}
		if bytes.Equal(b, r.raw[k]) {
			return String(r.last[k])
		}
		r.raw[k] = append(r.raw[k][:0], b...)
		r.last[k] = r.t.text.decode(b)
		return String(r.last[k])
	case 'N', 'F':
		return r.number(f, b)
	case 'L':
		switch bytes.TrimSpace(b); firstByte(b) {
		case 'T', 't', 'Y', 'y', '1':
			return Truth(true)
		case 'F', 'f', 'N', 'n', '0':
			return Truth(false)
		}
		return Value{}
	case 'D':
		return r.date(b)
	case 'I', '+':
		if len(b) == 4 {
			return Whole(int64(int32(binary.LittleEndian.Uint32(b))))
		}
		return r.number(f, b)
	case 'O', 'B':
		if len(b) == 8 {
			v := math.Float64frombits(binary.LittleEndian.Uint64(b))
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return Value{}
			}
			return Number(v)
		}
	case 'Y': // currency, in ten-thousandths
		if len(b) == 8 {
			return Number(float64(int64(binary.LittleEndian.Uint64(b))) / 1e4)
		}
	case '@', 'T': // day count and milliseconds
		if len(b) == 8 {
			return moment(b)
		}
	}
	if len(bytes.Trim(b, " \x000")) > 0 {
		r.memos++
	}
	return Value{}
}

func firstByte(b []byte) byte {
	if len(b) == 0 {
		return 0
	}
	return b[0]
}

// number reads a number written out in digits. Blanks and stars (what did not
// fit) are null; what is no number stays as text, so that nothing is lost.
func (r *dbfRows) number(f *dbfField, b []byte) Value {
	b = bytes.Trim(b, " \x00")
	if len(b) == 0 || b[0] == '*' {
		return Value{}
	}
	if f.decimals == 0 && f.kind != 'F' {
		if n, err := strconv.ParseInt(string(b), 10, 64); err == nil {
			return Whole(n)
		}
	}
	text := string(b)
	v, err := strconv.ParseFloat(text, 64)
	if err != nil && strings.Count(text, ",") == 1 && !strings.Contains(text, ".") {
		v, err = strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	}
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		r.numbers++
		return String(r.t.text.decode(b))
	}
	return Number(v)
}

func (r *dbfRows) date(b []byte) Value {
	if len(bytes.Trim(b, " \x000")) == 0 {
		return Value{}
	}
	if d, err := time.Parse("20060102", string(b)); err == nil {
		return Day(d.Format(time.DateOnly))
	}
	r.dates++
	return String(r.t.text.decode(bytes.TrimSpace(b)))
}

// moment reads a timestamp: a Julian day number and the milliseconds of the
// day.
func moment(b []byte) Value {
	day := int64(int32(binary.LittleEndian.Uint32(b)))
	ms := int64(int32(binary.LittleEndian.Uint32(b[4:])))
	const unixEpoch = 2440588 // Julian day number of 1970-01-01
	if day <= 0 || day > 5373484 || ms < 0 || ms > 86400000 {
		return Value{}
	}
	return String(time.UnixMilli((day-unixEpoch)*86400000 + ms).UTC().Format("2006-01-02T15:04:05"))
}

func (r *dbfRows) notes() []string {
	all := r.t.text.notes()
	note := func(n int, one, many string) {
		if n > 0 {
			all = append(all, count(n, one, many))
		}
	}
	note(r.memos, "memo or binary value is not read", "memo and binary values are not read")
	note(r.numbers, "value in a number column is no number, and kept as text", "values in number columns are no numbers, and kept as text")
	note(r.dates, "value in a date column is no date, and kept as text", "values in date columns are no dates, and kept as text")
	return all
}

// dbfText decodes the text of a table.
type dbfText struct {
	decoder *encoding.Decoder // nil: UTF-8, and windows-1252 where it is not that
	name    string            // of the encoding
	from    string            // what told it
	note    string
	odd     int  // values that were not UTF-8
	foreign bool // text beyond ASCII was met
}

// dbfEncoding settles the encoding of a table: by the option, else the .cpg,
// else the language byte of the header; else text that is valid UTF-8 is that,
// and the rest windows-1252.
func dbfEncoding(cpg string, language byte, o Options) (dbfText, error) {
	if o.Encoding != "" {
		t, ok := encodingNamed(o.Encoding)
		if !ok {
			return t, &Error{File: o.Encoding, Err: errors.New("no known text encoding"), Remedy: `say for example "UTF-8", "windows-1252" or "ISO-8859-15"`}
		}
		t.from = "as told"
		return t, nil
	}
	note := ""
	if cpg != "" {
		f, err := os.Open(cpg)
		if err != nil {
			return dbfText{}, missing(cpg, err)
		}
		defer f.Close()
		b, err := io.ReadAll(io.LimitReader(f, 256))
		if err != nil {
			return dbfText{}, &Error{File: cpg, Err: fmt.Errorf("reading: %w", err)}
		}
		if s := strings.TrimSpace(strings.Trim(string(b), "\x00\uFEFF \r\n\t")); s != "" {
			if t, ok := encodingNamed(s); ok {
				t.from = fmt.Sprintf("by its .cpg (%q)", s)
				return t, nil
			}
			note = fmt.Sprintf("the encoding %q of %s is not known", s, filepath.Base(cpg))
		}
	}
	if name, ok := languages[language]; ok {
		if t, ok := encodingNamed(name); ok {
			t.from, t.note = fmt.Sprintf("by the language byte 0x%02x of its .dbf", language), note
			return t, nil
		}
	}
	return dbfText{name: "UTF-8", from: "as it is valid", note: note}, nil
}

func (t *dbfText) decode(b []byte) string {
	ascii := true
	for _, c := range b {
		if c >= 0x80 {
			ascii = false
			break
		}
	}
	if ascii {
		return string(b)
	}
	t.foreign = true
	if t.decoder != nil {
		if s, err := t.decoder.Bytes(b); err == nil {
			return string(s)
		}
		return strings.ToValidUTF8(string(b), "\uFFFD")
	}
	if utf8.Valid(b) {
		return string(b)
	}
	// A writer may have cut the text in the middle of its last letter.
	for cut := 1; cut < utf8.UTFMax && cut < len(b); cut++ {
		tail := b[len(b)-cut:]
		if utf8.RuneStart(tail[0]) {
			if !utf8.FullRune(tail) && utf8.Valid(b[:len(b)-cut]) && len(b) > cut+4 {
				return string(b[:len(b)-cut])
			}
			break
		}
	}
	t.odd++
	s, _ := windows1252.NewDecoder().Bytes(b)
	return string(s)
}

func (t *dbfText) notes() []string {
	var all []string
	if t.note != "" {
		all = append(all, t.note)
	}
	switch {
	case t.odd > 0:
		all = append(all, fmt.Sprintf("its text is read as UTF-8, %s; %s not, and read as windows-1252", t.from, count(t.odd, "value is", "values are")))
	case t.foreign:
		all = append(all, fmt.Sprintf("its text is read as %s, %s", t.name, t.from))
	}
	return all
}
