// Package layer reads and writes map layers: one file of this package a
// format, one schema and one kind of feature for all of them.
//
// Numbers that come from a file are not believed: a count is checked against
// the bytes that are left before anything is allocated from it, and a damaged
// record is reported with its place and left out while the good ones go on.
package layer

import (
	"fmt"
	"iter"
	"slices"
	"strconv"
	"strings"

	"github.com/paulmach/orb"

	"soilshed/geo/crs"
)

// Kind is what a column holds.
type Kind uint8

const (
	Text Kind = iota
	Integer
	Real
	Boolean
	Date // YYYY-MM-DD as text
)

// Shape is what a layer's geometries are.
type Shape uint8

const (
	NoShape  Shape = iota // a table without geometry
	Points                // orb.Point
	Polygons              // orb.Polygon or orb.MultiPolygon
	Lines                 // orb.LineString or orb.MultiLineString
	Mixed                 // read only: whatever the file holds
)

// Field describes a column.
type Field struct {
	Name string // ten characters or fewer in what soilshed writes
	Kind Kind
	Unit string // "" where it has none
	// Alias is a short readable name and Doc a sentence; formats that can hold
	// them do.
	Alias, Doc string
}

// Schema describes a layer.
type Schema struct {
	Name string // layer or table name
	// Title and Abstract go to the metadata of formats that have a place.
	Title, Abstract string
	// Metadata is the text that CreateOptions.Metadata put into the file, where the
	// format has a place for it and it is read again (GeoPackage, GeoParquet,
	// FlatGeobuf).
	Metadata string
	System   *crs.System // nil when the file does not say
	Shape    Shape
	Fields   []Field
	// Records is about how many records there are, so that room can be made for them
	// at once: no more than the bytes of the file can hold, 0 when the format does
	// not say. Of a layer to be written, a guess.
	Records int
}

// Index returns the position of the field called name, or -1. A name is
// matched as spelled first, then without regard to case.
func (s *Schema) Index(name string) int {
	for i, f := range s.Fields {
		if f.Name == name {
			return i
		}
	}
	for i, f := range s.Fields {
		if strings.EqualFold(f.Name, name) {
			return i
		}
	}
	return -1
}

// settleSystem settles what the coordinates mean: as told, else as the file says
// (own, nil when it says nothing or why is what is wrong with it). The note tells
// where the two are not the same.
func (s *Schema) settleSystem(own *crs.System, why error, told *crs.System) (note string, err error) {
	s.System = told
	switch {
	case told == nil && own == nil && why == nil: // unknown
	case told == nil && own == nil:
		return "", &Error{Err: fmt.Errorf("its coordinate system is not understood: %w", why), Remedy: "say what the coordinates are: --crs EPSG:code"}
	case told == nil:
		s.System = own
	case own == nil && why != nil:
		note = fmt.Sprintf("its coordinate system is not understood (%v); %s is used, as told", why, told.Name())
	case own != nil && !own.Same(told):
		note = fmt.Sprintf("it says that its coordinates are %s; %s is used instead, as told", own.Name(), told.Name())
	}
	return note, nil
}

// wantedColumn tells whether Options.Columns ask for a column.
func wantedColumn(want []string, name string) bool {
	return want == nil || slices.ContainsFunc(want, func(w string) bool { return strings.EqualFold(w, name) })
}

// Value is one cell. The zero Value is null.
type Value struct {
	set  bool
	kind Kind
	num  float64
	text string
}

// String, Number, Whole and Truth make values that are not null.
func String(s string) Value  { return Value{set: true, kind: Text, text: s} }
func Number(f float64) Value { return Value{set: true, kind: Real, num: f} }
func Day(s string) Value     { return Value{set: true, kind: Date, text: s} }

// Whole keeps the digits of a number beyond 2^53, which a float64 would round:
// such numbers are identifiers.
func Whole(i int64) Value {
	v := Value{set: true, kind: Integer, num: float64(i)}
	if i > 1<<53 || i < -1<<53 {
		v.text = strconv.FormatInt(i, 10)
	}
	return v
}

func Truth(b bool) Value {
	v := Value{set: true, kind: Boolean}
	if b {
		v.num = 1
	}
	return v
}

// Null reports whether the cell is empty.
func (v Value) Null() bool { return !v.set }

// Kind returns what the cell holds; Text for null.
func (v Value) Kind() Kind { return v.kind }

// Int returns the number of an Integer cell, all its digits, and whether there
// is one.
func (v Value) Int() (int64, bool) {
	if !v.set || v.kind != Integer {
		return 0, false
	}
	if v.text != "" {
		n, err := strconv.ParseInt(v.text, 10, 64)
		return n, err == nil
	}
	return int64(v.num), true
}

// Float returns the number of an Integer, Real or Boolean cell, and whether
// there is one. Text is not parsed: that is a question of the column's meaning.
func (v Value) Float() (float64, bool) {
	return v.num, v.set && (v.kind == Integer || v.kind == Real || v.kind == Boolean)
}

// Text returns the cell as a person would type it; "" for null.
func (v Value) Text() string {
	switch {
	case !v.set:
		return ""
	case v.kind == Text || v.kind == Date:
		return v.text
	case v.kind == Boolean:
		return strconv.FormatBool(v.num != 0)
	case v.kind == Integer && v.text != "":
		return v.text
	case v.kind == Integer:
		return strconv.FormatInt(int64(v.num), 10)
	default:
		return strconv.FormatFloat(v.num, 'f', -1, 64)
	}
}

// Feature is one record. Values run parallel to the schema's fields; Geometry
// is nil when the record has none. Coordinates are those of the schema's
// system.
type Feature struct {
	FID      int64 // place in the file, from 1; the table's key for GeoPackage. Rises from record to record
	Geometry orb.Geometry
	Values   []Value
}

// Source is a layer that can be read, more than once.
type Source interface {
	Schema() *Schema
	// Features yields the records in file order. An error that is a
	// *RecordError tells of one record that was left out, and reading goes on;
	// any other error is the last thing yielded. The feature and its values
	// may be reused after the next step unless copied; the geometry may be kept.
	Features() iter.Seq2[Feature, error]
	// Notes tells what was assumed about the file (encoding, CRS, ...), in
	// sentences for the person who runs the program. It is complete once
	// Features has run through.
	Notes() []string
	Close() error
}

// Sink takes the layers of one output, whole or not at all: nothing is to be
// seen under the final name before Commit, and Abort leaves an older output as
// it was. Abort after Commit does nothing. A Sink is used by one goroutine.
type Sink interface {
	// Write adds a record to layer i of the schemas given to Create.
	Write(i int, f Feature) error
	Commit() error
	Abort() error
}

// Error says what is wrong with an input, where, and what to do.
type Error struct {
	File    string
	Layer   string // "" when the file is the layer
	Feature int64  // from 1; 0 when no single record is meant
	Field   string
	Err     error  // the bad thing
	Remedy  string // what to do; "" when plain
}

func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Layer != "" {
		fmt.Fprintf(&b, ", layer %s", e.Layer)
	}
	if e.Feature > 0 {
		fmt.Fprintf(&b, ", feature %d", e.Feature)
	}
	if e.Field != "" {
		fmt.Fprintf(&b, ", field %s", e.Field)
	}
	fmt.Fprintf(&b, ": %v", e.Err)
	if e.Remedy != "" {
		fmt.Fprintf(&b, " (%s)", e.Remedy)
	}
	return b.String()
}

func (e *Error) Unwrap() error { return e.Err }

// Fault is Error under the name by which RecordError embeds it: a field called
// Error would hide the method.
type Fault = Error

// RecordError is an Error about one record that is left out while reading goes
// on.
type RecordError struct {
	Fault
	// Reason is a short fixed phrase by which left-out records are counted,
	// such as "no geometry".
	Reason string
}

// Options say how a source is opened. The zero value is right for most files.
type Options struct {
	// System replaces what the file says of its coordinates, or supplies what
	// it does not say.
	System *crs.System
	// Encoding replaces the text encoding of a shapefile's attributes
	// ("UTF-8", "windows-1252", ...).
	Encoding string
	// Columns, when not nil, names the attributes that are wanted; the schema
	// then has these alone (in file order). An empty list reads geometry only.
	Columns []string
	// Layer names the table of a file with several; "" takes the only one.
	Layer string
	// Spooled holds the layer, where it came by standard input; the path is then
	// not looked at.
	Spooled *Spooled
	// XY names the columns of the coordinates of a CSV file; "" finds them by
	// their names.
	XY [2]string
}

// Style is a map style for one layer of an output, in the two forms that
// desktop GIS read.
type Style struct {
	Layer    int // index into the schemas
	Name     string
	QML, SLD string
}

// CreateOptions say how an output is made.
type CreateOptions struct {
	// Changed is the time written into the output where its format asks for
	// one: derived from the inputs, so that the same input gives the same
	// bytes. Form: 2006-01-02T15:04:05.000Z.
	Changed string
	// Metadata is a plain text for the format's metadata place, if it has one.
	Metadata string
	Styles   []Style
	// Settle, when not nil, is asked once all is written, just before the output
	// takes its place; its error leaves the older output as it was.
	Settle func() error
}
