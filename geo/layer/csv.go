package layer

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/wkt"
	"golang.org/x/text/encoding/charmap"

	"soilshed/geo/crs"
)

// csvSource is a table of points: two columns of coordinates, or one of
// well-known text (POINT (x y)), and attributes in the others. Columns of whole
// numbers and of numbers are typed so when all their values are; a number with
// zeros in front is a text, as it is a code.
type csvSource struct {
	path    string
	schema  Schema
	comma   rune
	latin   bool // not UTF-8: windows-1252
	x, y    int  // columns of the coordinates; y is -1 for well-known text in x
	columns []int
	notes   []string
}

// Names of columns of coordinates: lower case, letters and digits only.
var (
	lonNames = []string{"lon", "long", "lng", "longitude", "decimallongitude", "xlon", "pointlongitude"}
	latNames = []string{"lat", "latitude", "decimallatitude", "ylat", "pointlatitude"}
	xNames   = []string{"x", "xcoord", "xcoordinate", "coordx", "pointx", "easting", "eastings", "east", "xsp"}
	yNames   = []string{"y", "ycoord", "ycoordinate", "coordy", "pointy", "northing", "northings", "north", "ysp"}
	wktNames = []string{"wkt", "geom", "thegeom", "geometry", "shape", "point"}
)

const reasonColumns = "line of another number of columns"

func openCSV(path string, o Options) (Source, error) {
	c := &csvSource{path: path}
	head, err := c.sniff()
	if err != nil {
		return nil, err
	}
	names := make([]string, len(head))
	for i, n := range head {
		if names[i] = strings.TrimSpace(n); names[i] == "" {
			names[i] = fmt.Sprintf("column%d", i+1)
		}
	}
	system, err := c.findPlace(names, o)
	if err != nil {
		return nil, err
	}
	c.schema = Schema{Name: strings.TrimSuffix(fileBase(path), ".csv"), System: o.System, Shape: Points}
	if c.schema.System == nil {
		c.schema.System = system
	}
	for i, n := range names {
		place := i == c.x || i == c.y
		if o.Columns == nil && !place || slices.Contains(o.Columns, n) {
			c.columns = append(c.columns, i)
			c.schema.Fields = append(c.schema.Fields, Field{Name: n})
		}
	}
	if err := c.findKinds(); err != nil {
		return nil, err
	}
	return c, nil
}

// fileBase is the name of a file without folder and packing.
func fileBase(path string) string {
	path = strings.TrimSuffix(path, ".gz")
	return path[strings.LastIndexAny(path, `/\`)+1:]
}

// sniff finds encoding and separator, and reads the line of names.
func (c *csvSource) sniff() ([]string, error) {
	f, err := openUnpacked(c.path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	// All of it is looked at: one name with an accent may stand anywhere.
	r := bufio.NewReaderSize(f, 1<<20)
	first, err := r.Peek(64 << 10)
	if err != nil && err != io.EOF && err != bufio.ErrBufferFull {
		return nil, &Error{File: c.path, Err: fmt.Errorf("reading: %w", err)}
	}
	if bytes.IndexByte(first, 0) >= 0 {
		return nil, &Error{File: c.path, Err: errors.New("is no text in UTF-8 or a one-byte encoding"), Remedy: "save it as CSV UTF-8"}
	}
	line := first
	if n := bytes.IndexByte(first, '\n'); n >= 0 {
		line = first[:n]
	}
	c.comma = ','
	for _, other := range ";\t|" {
		if bytes.Count(line, []byte(string(other))) > bytes.Count(line, []byte(string(c.comma))) {
			c.comma = other
		}
	}
	for {
		part, err := r.ReadSlice('\n')
		if !utf8.Valid(part) && err != bufio.ErrBufferFull {
			c.latin = true
			c.notes = append(c.notes, "The text is not UTF-8 and is read as windows-1252.")
			break
		}
		if err == io.EOF {
			break
		}
		if err != nil && err != bufio.ErrBufferFull {
			return nil, &Error{File: c.path, Err: fmt.Errorf("reading: %w", err), Remedy: "copy or pack it again"}
		}
	}
	in, close, err := c.reader()
	if err != nil {
		return nil, err
	}
	defer close()
	head, err := in.Read()
	if err != nil {
		return nil, &Error{File: c.path, Err: fmt.Errorf("the line of column names: %w", err), Remedy: "a CSV file begins with the names of its columns"}
	}
	if len(head) > maxJSONFields {
		return nil, &Error{File: c.path, Err: fmt.Errorf("has %d columns, where %d are the limit", len(head), maxJSONFields), Remedy: "keep the columns that are wanted"}
	}
	return slices.Clone(head), nil
}

// reader begins to read the file.
func (c *csvSource) reader() (*csvReader, func() error, error) {
	f, err := openUnpacked(c.path)
	if err != nil {
		return nil, nil, err
	}
	b := bufio.NewReaderSize(f, 256<<10)
	if bom, _ := b.Peek(3); string(bom) == "\xEF\xBB\xBF" {
		b.Discard(3)
	}
	var text io.Reader = b
	if c.latin {
		text = charmap.Windows1252.NewDecoder().Reader(b)
	}
	in := newCSVReader(text)
	in.Comma, in.FieldsPerRecord, in.ReuseRecord, in.LazyQuotes = c.comma, -1, true, true
	return in, f.Close, nil
}

// findPlace finds the columns of the coordinates, and what they mean where their
// names tell.
func (c *csvSource) findPlace(names []string, o Options) (*crs.System, error) {
	index := func(want []string) int {
		for _, w := range want {
			for i, n := range names {
				if plainColumn(n) == w {
					return i
				}
			}
		}
		return -1
	}
	exact := func(name string) (int, error) {
		for i, n := range names {
			if strings.EqualFold(n, name) {
				return i, nil
			}
		}
		return 0, &Error{File: c.path, Field: name, Err: errors.New("there is no such column"), Remedy: "the columns are " + strings.Join(names, ", ")}
	}
	var err error
	if o.XY[0] != "" {
		if c.x, err = exact(o.XY[0]); err != nil {
			return nil, err
		}
		if c.y, err = exact(o.XY[1]); err != nil {
			return nil, err
		}
		if slices.Contains(lonNames, plainColumn(names[c.x])) && slices.Contains(latNames, plainColumn(names[c.y])) {
			return crs.WGS84(), nil
		}
		return nil, nil
	}
	if x, y := index(lonNames), index(latNames); x >= 0 && y >= 0 {
		c.x, c.y = x, y
		c.notes = append(c.notes, fmt.Sprintf("Columns %s and %s are read as longitude and latitude, WGS 84.", names[x], names[y]))
		return crs.WGS84(), nil
	}
	if x, y := index(xNames), index(yNames); x >= 0 && y >= 0 {
		c.x, c.y = x, y
		c.notes = append(c.notes, fmt.Sprintf("Columns %s and %s are read as coordinates.", names[x], names[y]))
		return nil, nil
	}
	if x := index(wktNames); x >= 0 {
		c.x, c.y = x, -1
		c.notes = append(c.notes, fmt.Sprintf("Column %s is read as points in well-known text.", names[x]))
		return nil, nil
	}
	return nil, &Error{File: c.path, Err: errors.New("no columns of coordinates are recognised"), Remedy: "name them: --xy X,Y; the columns are " + strings.Join(names, ", ")}
}

// plainColumn is a name in lower case, letters and digits only.
func plainColumn(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			return r
		}
		return -1
	}, s)
}

// findKinds reads the file through to type its columns.
func (c *csvSource) findKinds() error {
	kinds := make([]Kind, len(c.columns))
	some := make([]bool, len(c.columns))
	for k := range kinds {
		kinds[k] = Integer
	}
	in, close, err := c.reader()
	if err != nil {
		return err
	}
	defer close()
	in.Read()
	for {
		row, err := in.Read()
		if err == io.EOF {
			break
		}
		var syntax *csv.ParseError
		if errors.As(err, &syntax) {
			continue // told of when it is read
		}
		if err != nil {
			return &Error{File: c.path, Err: fmt.Errorf("reading: %w", err), Remedy: "copy or pack it again"}
		}
		for k, i := range c.columns {
			if i >= len(row) || kinds[k] == Text {
				continue
			}
			v := strings.TrimSpace(row[i])
			if v == "" {
				continue
			}
			some[k] = true
			if kinds[k] == Integer && !wholeNumber(v) {
				kinds[k] = Real
			}
			if kinds[k] == Real && !plainReal(v) {
				kinds[k] = Text
			}
		}
	}
	for k := range kinds {
		if some[k] {
			c.schema.Fields[k].Kind = kinds[k]
		}
	}
	return nil
}

func wholeNumber(s string) bool {
	if _, err := strconv.ParseInt(s, 10, 64); err != nil || s[0] == '+' {
		return false
	}
	s = strings.TrimPrefix(s, "-")
	return len(s) == 1 || s[0] != '0'
}

func plainReal(s string) bool {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) || strings.Trim(s, "0123456789.-eE") != "" {
		return false
	}
	s = strings.TrimPrefix(s, "-")
	return len(s) < 2 || s[0] != '0' || s[1] == '.' || s[1] == 'e' || s[1] == 'E'
}

func (c *csvSource) Schema() *Schema { return &c.schema }
func (c *csvSource) Notes() []string { return c.notes }
func (c *csvSource) Close() error    { return nil }

func (c *csvSource) Features() iter.Seq2[Feature, error] {
	return func(yield func(Feature, error) bool) {
		in, close, err := c.reader()
		if err != nil {
			yield(Feature{}, err)
			return
		}
		defer close()
		head, err := in.Read()
		if err != nil {
			yield(Feature{}, &Error{File: c.path, Err: err})
			return
		}
		width := len(head)
		f := Feature{Values: make([]Value, len(c.columns))}
		for {
			row, err := in.Read()
			if err == io.EOF {
				return
			}
			f.FID++
			line, _ := in.FieldPos(0)
			bad := func(reason string, err error) error {
				return &RecordError{Fault{File: c.path, Feature: f.FID, Err: fmt.Errorf("line %d: %w", line, err)}, reason}
			}
			var syntax *csv.ParseError
			if errors.As(err, &syntax) {
				line = syntax.StartLine
				if !yield(Feature{}, bad(reasonDamaged, syntax.Err)) {
					return
				}
				continue
			}
			if err != nil {
				yield(Feature{}, &Error{File: c.path, Feature: f.FID, Err: fmt.Errorf("reading: %w", err), Remedy: "copy or pack it again"})
				return
			}
			if len(row) != width && strings.TrimSpace(strings.Join(row[min(width, len(row)):], "")) != "" || len(row) <= max(c.x, c.y) {
				if !yield(Feature{}, bad(reasonColumns, fmt.Errorf("%d columns where the first line names %d (a separator within an unquoted text?)", len(row), width))) {
					return
				}
				continue
			}
			if f.Geometry, err = c.point(row); err != nil {
				if !yield(Feature{}, bad(reasonNumber, err)) {
					return
				}
				continue
			}
			for k, i := range c.columns {
				f.Values[k] = Value{}
				if i < len(row) {
					f.Values[k] = c.value(k, strings.TrimSpace(row[i]))
				}
			}
			if !yield(f, nil) {
				return
			}
		}
	}
}

// point reads the place of a record; nil where none is given.
func (c *csvSource) point(row []string) (orb.Geometry, error) {
	x := strings.TrimSpace(row[c.x])
	if c.y < 0 {
		if x == "" {
			return nil, nil
		}
		if _, rest, ok := strings.Cut(x, ";"); ok && strings.HasPrefix(strings.ToUpper(x), "SRID=") {
			x = rest
		}
		p, err := wkt.UnmarshalPoint(x)
		if err != nil {
			return nil, fmt.Errorf("%q is no point in well-known text", cutText(x, 40))
		}
		return p, nil
	}
	y := strings.TrimSpace(row[c.y])
	if x == "" && y == "" {
		return nil, nil
	}
	var p orb.Point
	for k, s := range []string{x, y} {
		if c.comma != ',' {
			s = strings.Replace(s, ",", ".", 1)
		}
		v, err := strconv.ParseFloat(s, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("%q is no coordinate", cutText(s, 40))
		}
		p[k] = v
	}
	return p, nil
}

func (c *csvSource) value(k int, s string) Value {
	if s == "" {
		return Value{}
	}
	switch c.schema.Fields[k].Kind {
	case Integer:
		if v, err := strconv.ParseInt(s, 10, 64); err == nil {
			return Whole(v)
		}
	case Real:
		if v, err := strconv.ParseFloat(s, 64); err == nil {
			return Number(v)
		}
	}
	return String(s)
}
