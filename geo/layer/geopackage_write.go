package layer

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/wkb"
	"zombiezen.com/go/sqlite"

	"soilshed/geo/crs"
)

// gpkgRowsPerStatement rows go into a table at a time: entering a statement
// and keeping the key's sequence costs as much as four columns.
const gpkgRowsPerStatement = 8

// gpkgMaxColumns is what SQLite allows in a table (SQLITE_MAX_COLUMN), less the
// key and the geometry.
const gpkgMaxColumns = 2000 - 2

// geoPackageSink writes a GeoPackage beside its final name and renames it when
// it is whole. While it grows nobody else knows it, so it needs no journal.
type geoPackageSink struct {
	path   string // the final name
	temp   string // while it grows
	aside  *aside
	conn   *sqlite.Conn
	opts   CreateOptions
	tables []*geoPackageTable
	notes  []string
	err    error // what went wrong for good
	done   bool

	// What was written is handed to the disk after so many records, while more is
	// written: at the end all would wait for it.
	flushEvery int
	written    int
	flushed    chan error // of the flush under way; nil when none is
}

const gpkgFlushEvery = 100_000

// geoPackageTable is one layer of the output.
type geoPackageTable struct {
	file    string
	schema  Schema
	columns []string // names of the columns as written, parallel to schema.Fields
	srs     int32

	waiting []gpkgRow // rows not yet inserted
	insert  *sqlite.Stmt

	last   int64 // largest fid so far
	rows   int64
	boxes  []rtreeBox
	bound  orb.Bound // of all rows; only with a box
	wkb    *wkb.Encoder
	buffer bytes.Buffer
	lost   []lostValues // by field

	one oneKind
}

type gpkgRow struct {
	fid    int64
	blob   []byte // nil for no geometry
	values []Value
}

// lostValues counts the cells of a column that its kind cannot hold.
type lostValues struct {
	count int
	fid   int64 // of the first
	text  string
}

// createGeoPackage starts a GeoPackage with a table for each schema.
func createGeoPackage(path string, schemas []Schema, o CreateOptions) (Sink, error) {
	if err := checkGeoPackageSchemas(schemas); err != nil {
		return nil, &Error{File: path, Err: err}
	}
	if _, err := time.Parse("2006-01-02T15:04:05.000Z", o.Changed); err != nil || len(o.Changed) != 24 {
		return nil, &Error{File: path, Err: fmt.Errorf("time of change %q is not of the form 2006-01-02T15:04:05.000Z", o.Changed)}
	}
	aside, err := newAside(path)
	if err != nil {
		return nil, err
	}
	aside.settle = o.Settle
	s := &geoPackageSink{path: path, aside: aside, opts: o, flushEvery: gpkgFlushEvery}
	if err := s.start(schemas); err != nil {
		return nil, s.fail(err)
	}
	return s, nil
}

func checkGeoPackageSchemas(schemas []Schema) error {
	seen := map[string]bool{"layer_styles": true}
	for _, s := range schemas {
		name := strings.ToLower(s.Name)
		switch {
		case s.Name == "" || strings.ContainsRune(s.Name, 0) || !utf8.ValidString(s.Name):
			return fmt.Errorf("%q cannot be the name of a layer", s.Name)
		case strings.HasPrefix(name, "gpkg_"), strings.HasPrefix(name, "rtree_"), strings.HasPrefix(name, "sqlite_"):
			return fmt.Errorf("layer name %q is reserved in a GeoPackage", s.Name)
		case seen[name]:
			return fmt.Errorf("layer name %q is taken", s.Name)
		case s.Shape == Mixed:
			return fmt.Errorf("layer %q: a layer of mixed geometries cannot be written", s.Name)
		case len(s.Fields) > gpkgMaxColumns:
			return fmt.Errorf("layer %q has %d fields; a table holds %d", s.Name, len(s.Fields), gpkgMaxColumns)
		}
		seen[name] = true
	}
	return nil
}

// fail closes and removes what was begun.
func (s *geoPackageSink) fail(err error) error {
	s.err = err
	s.Abort()
	var e *Error
	if errors.As(err, &e) {
		return err
	}
	return writing(s.path, err)
}

func (s *geoPackageSink) start(schemas []Schema) error {
	var err error
	s.temp = s.aside.place(s.path)
	s.conn, err = sqlite.OpenConn(s.temp, sqlite.OpenReadWrite, sqlite.OpenCreate)
	if err != nil {
		return err
	}
	for _, pragma := range []string{
		"page_size=" + strconv.Itoa(gpkgPageBytes),
		"journal_mode=OFF", "synchronous=OFF", "locking_mode=EXCLUSIVE", "cache_size=-" + strconv.Itoa(gpkgCacheKiB),
		"application_id=" + strconv.Itoa(gpkgApplicationID), "user_version=" + strconv.Itoa(gpkgVersion),
	} {
		if err := run(s.conn, "PRAGMA "+pragma); err != nil {
			return err
		}
	}
	if err := run(s.conn, "BEGIN"); err != nil {
		return err
	}
	if err := s.script(gpkgCoreTables); err != nil {
		return err
	}
	systems, err := s.writeSystems(schemas)
	if err != nil {
		return err
	}
	for i, schema := range schemas {
		t := &geoPackageTable{file: s.path, schema: schema, srs: systems[i], bound: emptyBound(), lost: make([]lostValues, len(schema.Fields))}
		if schema.Shape != NoShape {
			t.boxes = make([]rtreeBox, 0, schema.Records)
		}
		t.wkb = wkb.NewEncoder(&t.buffer)
		t.wkb.SetByteOrder(binary.LittleEndian)
		var notes []string
		t.columns, notes = gpkgColumnNames(schema)
		s.notes = append(s.notes, notes...)
		if err := run(s.conn, t.createSQL()); err != nil {
			return err
		}
		s.tables = append(s.tables, t)
	}
	return nil
}

// script runs statements separated by ";\n".
func (s *geoPackageSink) script(text string) error {
	for text = strings.TrimSpace(text); text != ""; text = strings.TrimSpace(text) {
		stmt, rest, err := s.conn.PrepareTransient(text)
		if err != nil {
			return err
		}
		_, err = stmt.Step()
		if err := errors.Join(err, stmt.Finalize()); err != nil {
			return err
		}
		text = text[len(text)-rest:]
	}
	return nil
}

// writeSystems writes the coordinate systems of the layers and returns the
// srs_id of each: the EPSG code, or a number from 100000 for a system that has
// none (Req 12), or -1 when the layer does not know its own.
func (s *geoPackageSink) writeSystems(schemas []Schema) ([]int32, error) {
	const insert = "INSERT INTO gpkg_spatial_ref_sys VALUES (?,?,?,?,?,?)"
	wgs84 := crs.WGS84()
	// Req 11: WGS 84 is always there.
	if err := run(s.conn, insert, wgs84.Name(), 4326, "EPSG", 4326, wgs84.WKT(), "longitude and latitude in degrees"); err != nil {
		return nil, err
	}
	written := map[int32]*crs.System{4326: wgs84}
	custom := int32(100000)
	ids := make([]int32, len(schemas))
next:
	for i, schema := range schemas {
		system := schema.System
		switch {
		case schema.Shape == NoShape:
			continue
		case system == nil:
			ids[i] = -1
			continue
		}
		code := int32(system.EPSG())
		if code > 0 {
			ids[i] = code
			if written[code] == nil {
				written[code] = system
				if err := run(s.conn, insert, system.Name(), int64(code), "EPSG", int64(code), system.WKT(), nil); err != nil {
					return nil, err
				}
			}
			continue
		}
		for id := int32(100000); id < custom; id++ {
			if written[id].WKT() == system.WKT() {
				ids[i] = id
				continue next
			}
		}
		ids[i] = custom
		written[custom] = system
		name := system.Name()
		if name == "" {
			name = "unnamed"
		}
		if err := run(s.conn, insert, name, int64(custom), "NONE", int64(custom), system.WKT(), nil); err != nil {
			return nil, err
		}
		custom++
	}
	return ids, nil
}

func gpkgColumnNames(s Schema) (names, notes []string) {
	own := []string{gpkgKey}
	if s.Shape != NoShape {
		own = append(own, gpkgGeometry)
	}
	return columnNames(s, "a GeoPackage table", own...)
}

// columnNames gives every field a column name of its own: a name that is one of
// the format's own columns, or that differs from another by case alone, gets a
// number behind it, and a note. where says of what the columns are.
func columnNames(s Schema, where string, own ...string) (names, notes []string) {
	taken := map[string]bool{}
	for _, name := range own {
		taken[name] = true
	}
	// Names that are right as they stand come first, so that "fid_2" keeps its
	// own when a "fid" has to give way.
	names = make([]string, len(s.Fields))
	for i, f := range s.Fields {
		if key := strings.ToLower(f.Name); f.Name != "" && !taken[key] && utf8.ValidString(f.Name) && !strings.ContainsRune(f.Name, 0) {
			taken[key] = true
			names[i] = f.Name
		}
	}
	for i, f := range s.Fields {
		if names[i] != "" {
			continue
		}
		base := strings.ReplaceAll(strings.ToValidUTF8(f.Name, "_"), "\x00", "_")
		if base == "" {
			base = "field"
		}
		n := 2
		for taken[strings.ToLower(fmt.Sprintf("%s_%d", base, n))] {
			n++
		}
		names[i] = fmt.Sprintf("%s_%d", base, n)
		taken[strings.ToLower(names[i])] = true
		notes = append(notes, fmt.Sprintf("layer %s: field %q is written as %q, because %s cannot have its name twice or needs it for itself", s.Name, f.Name, names[i], where))
	}
	return names, notes
}

// gpkgGeometryType is the declared type of a geometry column. Polygons and
// lines are all written as their multi-kind, because Req 32 wants one kind a
// column.
func gpkgGeometryType(s Shape) string {
	switch s {
	case Points:
		return "POINT"
	case Polygons:
		return "MULTIPOLYGON"
	case Lines:
		return "MULTILINESTRING"
	}
	return "GEOMETRY"
}

func gpkgColumnType(k Kind) string {
	switch k {
	case Integer:
		return "INTEGER"
	case Real:
		return "REAL"
	case Boolean:
		return "BOOLEAN"
	case Date:
		return "DATE"
	}
	return "TEXT"
}

func (t *geoPackageTable) createSQL() string {
	var b strings.Builder
	fmt.Fprintf(&b, "CREATE TABLE %s (\n  %s INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL", quoteName(t.schema.Name), quoteName(gpkgKey))
	if t.schema.Shape != NoShape {
		fmt.Fprintf(&b, ",\n  %s %s", quoteName(gpkgGeometry), gpkgGeometryType(t.schema.Shape))
	}
	for i, f := range t.schema.Fields {
		fmt.Fprintf(&b, ",\n  %s %s", quoteName(t.columns[i]), gpkgColumnType(f.Kind))
	}
	b.WriteString("\n)")
	return b.String()
}

// Notes tells what was renamed and which values a column could not hold.
func (s *geoPackageSink) Notes() []string {
	notes := append([]string(nil), s.notes...)
	for _, t := range s.tables {
		notes = append(notes, lostNotes(&t.schema, t.lost)...)
		if t.one.dropped > 0 {
			notes = append(notes, fmt.Sprintf("layer %s: %s of fewer than three corners not written", t.schema.Name, count(t.one.dropped, "ring", "rings")))
		}
	}
	return notes
}

// lostNotes tells of the values that their columns could not hold.
func lostNotes(s *Schema, lost []lostValues) (notes []string) {
	for i, l := range lost {
		if l.count > 0 {
			f := s.Fields[i]
			notes = append(notes, fmt.Sprintf("layer %s, field %s: %s %s and left empty (the first: feature %d, %q)",
				s.Name, f.Name, count(l.count, "value is", "values are"), gpkgUnfit[f.Kind], l.fid, l.text))
		}
	}
	return notes
}

// gpkgUnfit says what a value is that its column cannot hold.
var gpkgUnfit = [...]string{
	Integer: "no whole number", Real: "no finite number", Boolean: "neither true nor false", Date: "no date",
}

// Write adds a record. A *RecordError tells that this record was left out and
// the next may be written; any other error is the end.
func (s *geoPackageSink) Write(i int, f Feature) error {
	if s.err != nil {
		return s.err
	}
	if s.done {
		return &Error{File: s.path, Err: errors.New("is written already")}
	}
	t := s.tables[i]
	if err := t.queue(s.conn, f); err != nil {
		var bad *RecordError
		if errors.As(err, &bad) {
			return err
		}
		return s.fail(err)
	}
	if s.written++; s.written%s.flushEvery == 0 {
		if err := s.flushAhead(); err != nil {
			return s.fail(err)
		}
	}
	return nil
}

// flushAhead begins to flush the file, unless it is being flushed. An error of a
// flush is told to one flush alone, so it must be kept.
func (s *geoPackageSink) flushAhead() error {
	if s.flushed != nil {
		select {
		case err := <-s.flushed:
			s.flushed = nil
			if err != nil {
				return err
			}
		default:
			return nil
		}
	}
	flushed := make(chan error, 1)
	s.flushed = flushed
	go func() { flushed <- flushFile(s.temp) }()
	return nil
}

func (t *geoPackageTable) refuse(fid int64, reason, remedy string, err error) error {
	return gpkgRecordError(Error{File: t.file, Layer: t.schema.Name, Feature: fid, Err: err, Remedy: remedy}, reason)
}

// queue checks a record and inserts it with the next few.
func (t *geoPackageTable) queue(conn *sqlite.Conn, f Feature) error {
	fid := f.FID
	switch {
	case fid == 0:
		fid = t.last + 1
	case fid < 0:
		return t.refuse(0, "negative number", "", fmt.Errorf("feature number %d is negative", fid))
	case fid <= t.last:
		// Without a journal SQLite cannot take back half a statement, so a number
		// that is taken must not reach it.
		taken, err := t.taken(conn, fid)
		if err != nil {
			return err
		}
		if taken {
			return t.refuse(fid, "number twice", "", errors.New("a feature of this number is written already"))
		}
	}
	if len(f.Values) != len(t.schema.Fields) {
		return t.refuse(fid, "wrong number of values", "", fmt.Errorf("%d values for %d fields", len(f.Values), len(t.schema.Fields)))
	}

	if t.waiting == nil {
		t.waiting = make([]gpkgRow, 0, gpkgRowsPerStatement)
	}
	row := &t.waiting[:len(t.waiting)+1][len(t.waiting)]
	bound, has, err := t.encode(fid, f.Geometry)
	if err != nil {
		return err
	}
	row.blob = row.blob[:0]
	if has {
		row.blob = append(row.blob, t.buffer.Bytes()...)
		t.bound = t.bound.Union(bound)
		t.boxes = append(t.boxes, newRTreeBox(fid, bound.Min[0], bound.Min[1], bound.Max[0], bound.Max[1]))
	}
	row.fid = fid
	row.values = row.values[:0]
	for k, v := range f.Values {
		row.values = append(row.values, t.lost[k].fit(v, t.schema.Fields[k].Kind, fid))
	}
	t.last = max(t.last, fid)
	t.rows++
	t.waiting = t.waiting[:len(t.waiting)+1]
	if len(t.waiting) == cap(t.waiting) {
		return t.flush(conn)
	}
	return nil
}

func (t *geoPackageTable) taken(conn *sqlite.Conn, fid int64) (bool, error) {
	for _, row := range t.waiting {
		if row.fid == fid {
			return true, nil
		}
	}
	found := false
	err := query(conn, "SELECT 1 FROM "+quoteName(t.schema.Name)+" WHERE fid=?", []any{fid}, func(*sqlite.Stmt) error {
		found = true
		return nil
	})
	return found, err
}

// flush inserts the waiting rows in one statement.
func (t *geoPackageTable) flush(conn *sqlite.Conn) error {
	n := len(t.waiting)
	if n == 0 {
		return nil
	}
	stmt := t.insert
	if stmt == nil || n < cap(t.waiting) {
		marks := "(?" + strings.Repeat(",?", len(t.columns))
		if t.schema.Shape != NoShape {
			marks += ",?"
		}
		marks += ")"
		var err error
		stmt, err = conn.Prepare("INSERT INTO " + quoteName(t.schema.Name) + " VALUES " + marks + strings.Repeat(","+marks, n-1))
		if err != nil {
			return err
		}
		if n == cap(t.waiting) {
			t.insert = stmt
		}
	}
	p := 1
	for _, row := range t.waiting {
		stmt.BindInt64(p, row.fid)
		p++
		if t.schema.Shape != NoShape {
			if len(row.blob) > 0 {
				stmt.BindBytes(p, row.blob)
			} else {
				stmt.BindNull(p)
			}
			p++
		}
		for _, v := range row.values {
			switch {
			case !v.set:
				stmt.BindNull(p)
			case v.kind == Real:
				stmt.BindFloat(p, v.num)
			case v.kind == Integer:
				n, _ := v.Int()
				stmt.BindInt64(p, n)
			case v.kind == Boolean:
				stmt.BindInt64(p, int64(v.num))
			default:
				stmt.BindText(p, v.text)
			}
			p++
		}
	}
	t.waiting = t.waiting[:0]
	return stepDone(stmt)
}

// fit is a value as a column of this kind holds it; one that it cannot hold is
// counted, and null.
func (l *lostValues) fit(v Value, kind Kind, fid int64) Value {
	kept, ok := fitValue(v, kind)
	if !ok {
		if l.count == 0 {
			l.fid, l.text = fid, v.Text()
		}
		l.count++
	}
	return kept
}

// fittedInt is the whole number of a value that fits a column of these.
func fittedInt(v Value) int64 {
	n, ok := v.Int()
	if !ok {
		n, _ = strconv.ParseInt(v.Text(), 10, 64) // digits that fitValue has seen
	}
	return n
}

// fitValue turns a value into one that a column of this kind holds, or null and
// false when there is none that means the same. A null is fine as it is.
func fitValue(v Value, kind Kind) (Value, bool) {
	if !v.set {
		return v, true
	}
	switch kind {
	case Text:
		if v.kind != Text && v.kind != Date {
			return String(v.Text()), true
		}
		if !utf8.ValidString(v.text) || strings.IndexByte(v.text, 0) >= 0 {
			return String(strings.ReplaceAll(strings.ToValidUTF8(v.text, "\uFFFD"), "\x00", "\uFFFD")), true
		}
		return String(v.text), true
	case Integer:
		switch v.kind {
		case Integer:
			return v, true
		case Boolean:
			return Value{set: true, kind: Integer, num: v.num}, true
		case Real:
			if v.num == math.Trunc(v.num) && math.Abs(v.num) <= 1<<53 {
				return Value{set: true, kind: Integer, num: v.num}, true
			}
		case Text:
			// The text goes in: SQLite stores it as the same whole number, also
			// where a float64 could not (beyond 2^53).
			text := strings.TrimSpace(v.text)
			if _, err := strconv.ParseInt(text, 10, 64); err == nil {
				return String(text), true
			}
		}
	case Real:
		switch v.kind {
		case Real, Integer, Boolean:
			if !math.IsNaN(v.num) && !math.IsInf(v.num, 0) {
				return Number(v.num), true
			}
		case Text:
			if x, err := strconv.ParseFloat(strings.TrimSpace(v.text), 64); err == nil && !math.IsNaN(x) && !math.IsInf(x, 0) {
				return Number(x), true
			}
		}
	case Boolean:
		if v.kind != Text && v.kind != Date && (v.num == 0 || v.num == 1) {
			return Truth(v.num == 1), true
		}
		if v.text == "true" || v.text == "false" {
			return Truth(v.text == "true"), true
		}
	case Date:
		if v.kind == Date || v.kind == Text {
			if _, err := time.Parse(time.DateOnly, v.text); err == nil {
				return Day(v.text), true
			}
		}
	}
	return Value{}, false
}

// Commit fills the indexes, writes the tables of contents and puts the file in
// its place. When the place is in use it returns a *BusyError; the new file is
// then whole under another name.
func (s *geoPackageSink) Commit() error {
	if s.err != nil {
		return s.err
	}
	if s.done {
		return &Error{File: s.path, Err: errors.New("is written already")}
	}
	if err := s.finish(); err != nil {
		return s.fail(err)
	}
	if err := s.settle(); err != nil {
		var busy *BusyError
		if errors.As(err, &busy) {
			s.done = true
			return err
		}
		return s.fail(err)
	}
	s.done = true
	return nil
}

func (s *geoPackageSink) finish() error {
	for _, t := range s.tables {
		if err := t.flush(s.conn); err != nil {
			return err
		}
		if t.schema.Shape != NoShape {
			if err := s.index(t); err != nil {
				return err
			}
		}
	}
	if err := s.describe(); err != nil {
		return err
	}
	if err := run(s.conn, "COMMIT"); err != nil {
		return err
	}
	err := s.conn.Close()
	s.conn = nil
	if s.flushed != nil {
		err = errors.Join(err, <-s.flushed)
		s.flushed = nil
	}
	return err
}

func (s *geoPackageSink) index(t *geoPackageTable) error {
	name := gpkgIndexTable(t.schema.Name)
	if err := run(s.conn, "CREATE VIRTUAL TABLE "+quoteName(name)+" USING rtree(id, minx, maxx, miny, maxy)"); err != nil {
		return err
	}
	if err := fillRTree(s.conn, name, t.boxes); err != nil {
		return err
	}
	t.boxes = nil
	if err := s.script(gpkgIndexTriggersFor(t.schema.Name)); err != nil {
		return err
	}
	return run(s.conn, "INSERT INTO gpkg_extensions VALUES (?,?,'gpkg_rtree_index',?,'write-only')",
		t.schema.Name, gpkgGeometry, gpkgSpec+"extension_rtree")
}

// describe writes what the file says of its layers.
func (s *geoPackageSink) describe() error {
	const contents = "INSERT INTO gpkg_contents VALUES (?,?,?,?,?,?,?,?,?,?)"
	titles := map[string]bool{"layer_styles": true}
	for _, t := range s.tables {
		titles[t.schema.Name] = true
	}
	for _, t := range s.tables {
		// identifier must differ from those of the other layers.
		title := t.schema.Name
		if t.schema.Title != "" && !titles[t.schema.Title] {
			title = t.schema.Title
			titles[title] = true
		}
		kind := "attributes"
		var srs any
		box := []any{nil, nil, nil, nil}
		if t.schema.Shape != NoShape {
			kind = "features"
			srs = int64(t.srs)
			if !t.bound.IsEmpty() {
				box = []any{t.bound.Min[0], t.bound.Min[1], t.bound.Max[0], t.bound.Max[1]}
			}
		}
		args := append([]any{t.schema.Name, kind, title, t.schema.Abstract, s.opts.Changed}, box...)
		if err := run(s.conn, contents, append(args, srs)...); err != nil {
			return err
		}
		if t.schema.Shape != NoShape {
			if err := run(s.conn, "INSERT INTO gpkg_geometry_columns VALUES (?,?,?,?,0,0)",
				t.schema.Name, gpkgGeometry, gpkgGeometryType(t.schema.Shape), srs); err != nil {
				return err
			}
		}
	}
	if err := s.describeColumns(); err != nil {
		return err
	}
	if err := s.describeRun(); err != nil {
		return err
	}
	if len(s.opts.Styles) == 0 {
		return nil
	}
	if err := s.script(gpkgStyleTable); err != nil {
		return err
	}
	if err := run(s.conn, contents, "layer_styles", "attributes", "layer_styles", "", s.opts.Changed, nil, nil, nil, nil, nil); err != nil {
		return err
	}
	styled := make([]bool, len(s.tables))
	for _, style := range s.opts.Styles {
		if style.Layer < 0 || style.Layer >= len(s.tables) {
			return fmt.Errorf("style %q is for layer %d of %d", style.Name, style.Layer, len(s.tables))
		}
		t := s.tables[style.Layer]
		if err := run(s.conn, "INSERT INTO layer_styles VALUES (NULL,'','',?,?,?,?,?,?,'','','',?)",
			t.schema.Name, gpkgGeometry, firstRunes(style.Name, 30), style.QML, style.SLD,
			btoi(!styled[style.Layer]), s.opts.Changed); err != nil {
			return err
		}
		styled[style.Layer] = true
	}
	return nil
}

// describeColumns writes aliases, units and descriptions of the fields (annex
// F.9, schema extension): desktop GIS show name as the field's alias.
func (s *geoPackageSink) describeColumns() error {
	made := false
	for _, t := range s.tables {
		names := map[string]bool{}
		for i, f := range t.schema.Fields {
			if f.Alias == "" && f.Doc == "" && f.Unit == "" {
				continue
			}
			if !made {
				if err := s.script(gpkgSchemaTables); err != nil {
					return err
				}
				made = true
			}
			var name, title, doc any
			readable := f.Alias
			if readable == "" {
				readable = t.columns[i]
			} else {
				// Unique in its table.
				alias := f.Alias
				if names[alias] {
					alias = fmt.Sprintf("%s (%s)", f.Alias, t.columns[i])
				}
				names[alias] = true
				name = alias
			}
			title = readable
			if f.Unit != "" {
				title = readable + gpkgUnitSuffix(f.Unit)
			}
			if f.Doc != "" {
				doc = f.Doc
			}
			if err := run(s.conn, "INSERT INTO gpkg_data_columns VALUES (?,?,?,?,?,NULL,NULL)",
				t.schema.Name, t.columns[i], name, title, doc); err != nil {
				return err
			}
		}
	}
	return nil
}

func gpkgUnitSuffix(unit string) string { return " [" + unit + "]" }

// describeRun writes the run's own text as metadata of the whole file and of
// each layer (annex F.8).
func (s *geoPackageSink) describeRun() error {
	if s.opts.Metadata == "" {
		return nil
	}
	if err := s.script(gpkgMetadataTables); err != nil {
		return err
	}
	// RFC 2046 is what defines text/plain.
	if err := run(s.conn, "INSERT INTO gpkg_metadata VALUES (1,'dataset','urn:ietf:rfc:2046','text/plain',?)", s.opts.Metadata); err != nil {
		return err
	}
	const reference = "INSERT INTO gpkg_metadata_reference VALUES (?,?,NULL,NULL,?,1,NULL)"
	if err := run(s.conn, reference, "geopackage", nil, s.opts.Changed); err != nil {
		return err
	}
	for _, t := range s.tables {
		if err := run(s.conn, reference, "table", t.schema.Name, s.opts.Changed); err != nil {
			return err
		}
	}
	return nil
}

// Abort removes what was written; the file under the final name is as it was.
func (s *geoPackageSink) Abort() error {
	if s.done {
		return nil
	}
	s.done = true
	if s.conn != nil {
		s.conn.Close()
		s.conn = nil
	}
	if err := s.aside.abort(); err != nil {
		return writing(s.path, err)
	}
	return nil
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

func firstRunes(s string, n int) string {
	r := []rune(s)
	return string(r[:min(n, len(r))])
}

// Again tells how a value of column k, given to the sink of an output at path for
// a layer of schema s, comes out when the output is read again; false where that
// is not known of the value. It returns nil where it is not known of the layer:
// of another format than GeoPackage, or where a column gets another name.
func Again(path string, s *Schema) func(k int, v Value) (Value, bool) {
	if _, renamed := gpkgColumnNames(*s); !strings.EqualFold(filepath.Ext(path), ".gpkg") || IsDatabase(path) || len(renamed) > 0 {
		return nil
	}
	return func(k int, v Value) (Value, bool) {
		kind := s.Fields[k].Kind
		v, _ = fitValue(v, kind)
		switch {
		case !v.set:
			return v, true
		case kind == Integer && v.kind == Text:
			return v, false // SQLite reads the text
		case kind == Integer:
			n, _ := v.Int()
			return Whole(n), true
		case kind == Real:
			return Number(v.num + 0), true // it knows one zero
		}
		return v, true
	}
}
