package layer

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/paulmach/orb"
	"zombiezen.com/go/sqlite"

	"soilshed/geo/crs"
)

// geoPackage reads one table or view of a GeoPackage.
type geoPackage struct {
	path   string
	conn   *sqlite.Conn
	schema Schema
	table  string
	key    string // column of the feature numbers; "" to count from 1
	geom   string // "" for a table without geometry
	srs    int32
	names  []string // columns read, parallel to schema.Fields
	opened []string // notes on opening it
	seen   gpkgSeen
	// fell is what ended a reading, and fellAt the record at which it did.
	fell   error
	fellAt int64
}

// gpkgSeen counts what was met in reading through the table.
type gpkgSeen struct {
	tableRepairs
	otherSRS, srsExample int64
	blobs                int
}

const (
	remedyDamaged = "the file is damaged: copy it again from where it came, or save what can be read with: sqlite3 FILE .recover"
	remedyNotGPKG = "GeoPackages are made by any desktop GIS or by: ogr2ogr layer.gpkg FILE"
)

// openGeoPackage opens the table that o.Layer names, or the only layer. The
// file is not written to, and nothing is made beside it unless a write-ahead
// log lies there already.
func openGeoPackage(path string, o Options) (Source, error) {
	g := &geoPackage{path: path}
	if err := g.open(o); err != nil {
		if g.conn != nil {
			g.conn.Close()
		}
		return nil, g.fault(err)
	}
	return g, nil
}

// fault gives an error of SQLite its file, layer and remedy.
func (g *geoPackage) fault(err error) error {
	var e *Error
	if errors.As(err, &e) {
		if e.File == "" {
			e.File = g.path
		}
		return err
	}
	remedy := ""
	switch code := sqlite.ErrCode(err); code.ToPrimary() {
	case sqlite.ResultCorrupt, sqlite.ResultNotADB:
		remedy = remedyDamaged
	case sqlite.ResultBusy, sqlite.ResultLocked:
		remedy = "another program is writing to it: close that, or work on a copy"
	case sqlite.ResultTooBig:
		err = fmt.Errorf("a text or geometry of more than %d bytes, the limit: %w", maxRecordBytes, err)
		remedy = "cut it into pieces, or leave that column out"
	case sqlite.ResultError:
		remedy = "a table or view in it is not as its contents say: save the layer anew from a desktop GIS, or with: ogr2ogr new.gpkg " + filepath.Base(g.path)
	case sqlite.ResultReadOnly, sqlite.ResultCantOpen:
		remedy = "a program that wrote to it stopped half-way: open it once in a desktop GIS, or work on a copy of the file and of what lies beside it"
	}
	return &Error{File: g.path, Layer: g.table, Err: err, Remedy: remedy}
}

func (g *geoPackage) open(o Options) error {
	if err := g.connect(); err != nil {
		return err
	}
	if err := g.choose(o.Layer); err != nil {
		return err
	}
	if err := g.columns(o.Columns); err != nil {
		return err
	}
	if err := g.metadata(); err != nil {
		return err
	}
	return g.system(o.System)
}

// connect checks the header and opens the file so that nothing in it can run
// or write.
func (g *geoPackage) connect() error {
	file, err := os.Open(g.path)
	if err != nil {
		return missing(g.path, err)
	}
	var header [100]byte
	_, err = io.ReadFull(file, header[:])
	info, statErr := file.Stat()
	file.Close()
	if err := errors.Join(statErr); err != nil {
		return err
	}
	if err != nil || string(header[:16]) != sqliteMagic {
		return &Error{Err: errors.New("is no GeoPackage: it does not begin as an SQLite file"), Remedy: remedyNotGPKG}
	}
	_, walErr := os.Stat(g.path + "-wal")
	wal := walErr == nil
	// The header counts the pages where the two change counters agree (SQLite
	// file format, section 1.3.7). What is missing at the end is said plainly
	// here, before SQLite calls some page malformed.
	page := int64(binary.BigEndian.Uint16(header[16:]))
	if page == 1 {
		page = 65536
	}
	pages := int64(binary.BigEndian.Uint32(header[28:]))
	if !wal && string(header[24:28]) == string(header[92:96]) && info.Size() < page*pages {
		return &Error{Err: fmt.Errorf("it was cut short: its header says %d bytes, but the file has %d", page*pages, info.Size()), Remedy: "copy it again"}
	}
	switch id := string(header[68:72]); id {
	case "GPKG", "GP10", "GP11":
	default:
		g.opened = append(g.opened, fmt.Sprintf("its application id is %q and not \"GPKG\" (it may be an SQLite file of another kind); it is read as a GeoPackage", id))
	}

	full, err := filepath.Abs(g.path)
	if err != nil {
		return err
	}
	if header[18] == 2 && !wal {
		// In WAL mode, without the log that a program has while it holds the file
		// open: SQLite would make one beside our input.
		name := (&url.URL{Scheme: "file", Path: filepath.ToSlash(full), RawQuery: "mode=ro&immutable=1"}).String()
		g.conn, err = sqlite.OpenConn(name, sqlite.OpenReadOnly, sqlite.OpenURI)
	} else {
		g.conn, err = sqlite.OpenConn(full, sqlite.OpenReadOnly)
	}
	if err != nil {
		return err
	}
	g.conn.SetBusyTimeout(5 * time.Second)
	// Nothing in the file is longer than the file, or than what a log adds.
	longest := int64(maxRecordBytes)
	if !wal {
		longest = min(longest, info.Size()+1<<24)
	}
	g.conn.Limit(sqlite.LimitLength, int32(longest))
	g.conn.Limit(sqlite.LimitAttached, 0)
	for _, pragma := range []string{"trusted_schema=OFF", "query_only=ON", "cell_size_check=ON", "cache_size=-16384"} {
		if err := run(g.conn, "PRAGMA "+pragma); err != nil {
			return err
		}
	}
	return g.conn.SetDefensive(true)
}

// exists reports whether the file has a table or view of this name.
func (g *geoPackage) exists(table string) (bool, error) {
	found := false
	err := query(g.conn, "SELECT 1 FROM sqlite_master WHERE type IN ('table','view') AND name=?", []any{table}, func(*sqlite.Stmt) error {
		found = true
		return nil
	})
	return found, err
}

// gpkgLayer is a row of gpkg_contents.
type gpkgLayer struct{ table, kind, title, abstract string }

func (l gpkgLayer) String() string { return fmt.Sprintf("%s (%s)", l.table, l.kind) }

// choose finds the layer: the one that is named, else the only one with
// geometry, else the only table.
func (g *geoPackage) choose(want string) error {
	for _, table := range []string{"gpkg_contents", "gpkg_spatial_ref_sys"} {
		if found, err := g.exists(table); err != nil {
			return err
		} else if !found {
			return &Error{Err: fmt.Errorf("is no GeoPackage: it has no table %s", table), Remedy: remedyNotGPKG}
		}
	}
	var layers []gpkgLayer
	err := query(g.conn, "SELECT table_name, data_type, identifier, description FROM gpkg_contents WHERE data_type IN ('features','attributes') ORDER BY rowid", nil, func(row *sqlite.Stmt) error {
		layers = append(layers, gpkgLayer{row.ColumnText(0), row.ColumnText(1), row.ColumnText(2), row.ColumnText(3)})
		return nil
	})
	if err != nil {
		return err
	}
	pick := func(fits func(gpkgLayer) bool) (some []gpkgLayer) {
		for _, l := range layers {
			if fits(l) {
				some = append(some, l)
			}
		}
		return some
	}
	var some []gpkgLayer
	if want != "" {
		some = pick(func(l gpkgLayer) bool { return l.table == want })
		if len(some) == 0 {
			some = pick(func(l gpkgLayer) bool { return strings.EqualFold(l.table, want) })
		}
	} else {
		some = pick(func(l gpkgLayer) bool { return l.kind == "features" })
		if len(some) == 0 {
			some = pick(func(l gpkgLayer) bool { return l.table != "layer_styles" })
		}
	}
	if len(some) != 1 {
		e := &Error{Err: errors.New("has several layers"), Remedy: fmt.Sprintf("name one, as in %s%s%s; for the trees --tree-layer does it too; it holds %s", filepath.Base(g.path), tableMark, firstOf(some), listLayers(some))}
		switch {
		case len(layers) == 0:
			e.Err, e.Remedy = errors.New("has no layer of features or attributes"), "is it the right file? "+remedyNotGPKG
		case want != "":
			readable := pick(func(l gpkgLayer) bool { return l.table != "layer_styles" })
			e.Err, e.Remedy = fmt.Errorf("has no layer %q", want), "it holds "+listLayers(readable)
		}
		return e
	}
	layer := some[0]
	g.table = layer.table
	g.schema = Schema{Name: layer.table, Title: layer.title, Abstract: layer.abstract}
	if g.schema.Title == g.schema.Name {
		g.schema.Title = ""
	}
	var sql string
	kind := ""
	err = query(g.conn, "SELECT type, sql FROM sqlite_master WHERE type IN ('table','view') AND name=? COLLATE NOCASE", []any{g.table}, func(row *sqlite.Stmt) error {
		kind, sql = row.ColumnText(0), row.ColumnText(1)
		return nil
	})
	switch {
	case err != nil:
		return err
	case kind == "":
		return &Error{Layer: g.table, Err: errors.New("is listed in gpkg_contents, but there is no table or view of that name"), Remedy: remedyDamaged}
	case kind == "table" && len(sql) >= 14 && strings.EqualFold(sql[:14], "CREATE VIRTUAL"):
		return &Error{Layer: g.table, Err: errors.New("is a virtual table, which is not read"), Remedy: "save the layer as a plain table from a desktop GIS"}
	}
	if layer.kind == "features" {
		return g.geometryColumn()
	}
	return nil
}

func firstOf(layers []gpkgLayer) string {
	if len(layers) == 0 {
		return "NAME"
	}
	return layers[0].table
}

func listLayers(layers []gpkgLayer) string {
	const most = 30
	var names []string
	for i, l := range layers {
		if i == most {
			names = append(names, fmt.Sprintf("and %d more", len(layers)-most))
			break
		}
		names = append(names, l.String())
	}
	return strings.Join(names, ", ")
}

func (g *geoPackage) geometryColumn() error {
	if found, err := g.exists("gpkg_geometry_columns"); err != nil {
		return err
	} else if !found {
		return &Error{Layer: g.table, Err: errors.New("the table gpkg_geometry_columns is missing"), Remedy: remedyDamaged}
	}
	err := query(g.conn, "SELECT column_name, geometry_type_name, srs_id FROM gpkg_geometry_columns WHERE table_name=? COLLATE NOCASE", []any{g.table}, func(row *sqlite.Stmt) error {
		g.geom = row.ColumnText(0)
		g.schema.Shape = gpkgShape(row.ColumnText(1))
		g.srs = int32(row.ColumnInt64(2))
		return nil
	})
	if err == nil && g.geom == "" {
		return &Error{Layer: g.table, Err: errors.New("gpkg_geometry_columns does not list its geometry"), Remedy: remedyDamaged}
	}
	return err
}

func gpkgShape(name string) Shape {
	switch strings.ToUpper(name) {
	case "POINT", "MULTIPOINT":
		return Points
	case "POLYGON", "MULTIPOLYGON", "CURVEPOLYGON", "MULTISURFACE", "SURFACE":
		return Polygons
	case "LINESTRING", "MULTILINESTRING", "CIRCULARSTRING", "COMPOUNDCURVE", "MULTICURVE", "CURVE":
		return Lines
	}
	return Mixed
}

// metadata reads the first text that describes the whole file.
func (g *geoPackage) metadata() error {
	tables := 0
	err := query(g.conn, "SELECT 1 FROM sqlite_master WHERE type='table' AND name IN ('gpkg_metadata','gpkg_metadata_reference')", nil, func(*sqlite.Stmt) error {
		tables++
		return nil
	})
	if err != nil || tables != 2 {
		return err
	}
	// Two questions and no join: what reads each table once ends.
	id := int64(-1)
	err = query(g.conn, "SELECT md_file_id FROM gpkg_metadata_reference WHERE reference_scope='geopackage' LIMIT 1", nil, func(row *sqlite.Stmt) error {
		id = row.ColumnInt64(0)
		return nil
	})
	if err == nil && id >= 0 {
		const longest = 1 << 20
		err = query(g.conn, "SELECT metadata FROM gpkg_metadata WHERE id=? AND mime_type='text/plain' AND length(metadata)<? LIMIT 1", []any{id, longest}, func(row *sqlite.Stmt) error {
			g.schema.Metadata = row.ColumnText(0)
			return nil
		})
	}
	if sqlite.ErrCode(err).ToPrimary() == sqlite.ResultError {
		return nil // other columns: nothing that we have written
	}
	return err
}

// columns reads what columns the table has, and what is said of them.
func (g *geoPackage) columns(want []string) error {
	geom, first := "", true
	keys := 0
	err := query(g.conn, "PRAGMA table_xinfo("+quoteText(g.table)+")", nil, func(row *sqlite.Stmt) error {
		name, declared, pk, hidden := row.ColumnText(1), strings.ToUpper(row.ColumnText(2)), row.ColumnInt(5), row.ColumnInt(6)
		if pk > 0 {
			keys++
		}
		isFirst := first
		first = false
		switch {
		case hidden == 1:
			return nil
		case g.geom != "" && strings.EqualFold(name, g.geom):
			geom = name
			return nil
		case pk == 1 && declared == "INTEGER":
			g.key = name
			return nil
		case isFirst && pk == 0 && declared == "INTEGER" && g.isView():
			// Req 150 and 151: the first column of a view is its key.
			g.key = name
			return nil
		}
		kind, readable := gpkgKind(declared)
		switch {
		case !wantedColumn(want, name):
		case !readable:
			g.opened = append(g.opened, fmt.Sprintf("its column %s holds %s and is left out", name, strings.ToLower(declared)))
		default:
			g.names = append(g.names, name)
			g.schema.Fields = append(g.schema.Fields, Field{Name: name, Kind: kind})
		}
		return nil
	})
	if err != nil {
		return err
	}
	if keys > 1 {
		g.key = "" // a key of several columns numbers nothing
	}
	if g.geom != "" {
		if geom == "" {
			return &Error{Layer: g.table, Err: fmt.Errorf("has no geometry column %q", g.geom), Remedy: remedyDamaged}
		}
		g.geom = geom
	}
	return g.described()
}

func (g *geoPackage) isView() bool {
	view := false
	query(g.conn, "SELECT 1 FROM sqlite_master WHERE type='view' AND name=? COLLATE NOCASE", []any{g.table}, func(*sqlite.Stmt) error {
		view = true
		return nil
	})
	return view
}

// gpkgKind tells what a declared type holds (Req 5; for other types, SQLite's
// own rules of affinity), and whether it can be told as a value.
func gpkgKind(declared string) (Kind, bool) {
	base, _, _ := strings.Cut(declared, "(")
	switch base = strings.TrimSpace(base); {
	case base == "BOOLEAN" || base == "BOOL":
		return Boolean, true
	case base == "DATE":
		return Date, true
	case base == "DATETIME" || base == "TIMESTAMP" || base == "":
		return Text, true
	case base == "BLOB":
		return Text, false
	case strings.Contains(base, "INT"):
		return Integer, true
	case strings.Contains(base, "CHAR"), strings.Contains(base, "TEXT"), strings.Contains(base, "CLOB"), strings.Contains(base, "JSON"):
		return Text, true
	case strings.Contains(base, "BLOB"):
		return Text, false
	case strings.Contains(base, "REAL"), strings.Contains(base, "FLOA"), strings.Contains(base, "DOUB"),
		strings.Contains(base, "NUM"), strings.Contains(base, "DEC"):
		return Real, true
	}
	return Text, true
}

// described adds aliases, units and descriptions from the schema extension.
func (g *geoPackage) described() error {
	found, err := g.exists("gpkg_data_columns")
	if err != nil || !found {
		return err
	}
	return query(g.conn, "SELECT column_name, name, title, description FROM gpkg_data_columns WHERE table_name=? COLLATE NOCASE", []any{g.table}, func(row *sqlite.Stmt) error {
		i := g.schema.Index(row.ColumnText(0))
		if i < 0 {
			return nil
		}
		f := &g.schema.Fields[i]
		f.Alias, f.Doc = row.ColumnText(1), row.ColumnText(3)
		title := row.ColumnText(2)
		// The unit, as this package writes it.
		if at := strings.LastIndex(title, " ["); at >= 0 && strings.HasSuffix(title, "]") {
			if unit := title[at+2 : len(title)-1]; title == title[:at]+gpkgUnitSuffix(unit) {
				f.Unit = unit
			}
		}
		return nil
	})
}

// system reads what the coordinates mean.
func (g *geoPackage) system(told *crs.System) error {
	g.schema.System = told
	if g.geom == "" || g.srs == -1 || g.srs == 0 {
		return nil
	}
	wkt2 := false
	err := query(g.conn, "PRAGMA table_info(gpkg_spatial_ref_sys)", nil, func(row *sqlite.Stmt) error {
		wkt2 = wkt2 || row.ColumnText(1) == "definition_12_063"
		return nil
	})
	if err != nil {
		return err
	}
	columns := "srs_name, organization, organization_coordsys_id, definition"
	if wkt2 {
		columns += ", definition_12_063"
	}
	var own *crs.System
	why := fmt.Errorf("srs_id %d is not in gpkg_spatial_ref_sys", g.srs)
	err = query(g.conn, "SELECT "+columns+" FROM gpkg_spatial_ref_sys WHERE srs_id=?", []any{int64(g.srs)}, func(row *sqlite.Stmt) error {
		own, why = gpkgSystem(row, wkt2)
		return nil
	})
	if err != nil {
		return err
	}
	note, err := g.schema.settleSystem(own, why, told)
	if note != "" {
		g.opened = append(g.opened, note)
	}
	var e *Error
	if errors.As(err, &e) {
		e.Layer = g.table
	}
	return err
}

// gpkgSystem makes the system of a row: by its EPSG code, else by its
// well-known text. Nil and no error is a system that is declared undefined.
func gpkgSystem(row *sqlite.Stmt, wkt2 bool) (*crs.System, error) {
	var errs []error
	if strings.EqualFold(row.ColumnText(1), "EPSG") {
		system, err := crs.FromEPSG(row.ColumnInt(2))
		if err == nil {
			return system, nil
		}
		errs = append(errs, err)
	}
	definitions := []string{row.ColumnText(3)}
	if wkt2 {
		definitions = append(definitions, row.ColumnText(4))
	}
	for _, wkt := range definitions {
		if wkt == "" || strings.EqualFold(wkt, "undefined") {
			continue
		}
		system, err := crs.ParseWKT(wkt)
		if err == nil {
			return system, nil
		}
		errs = append(errs, err)
	}
	return nil, errors.Join(errs...)
}

func (g *geoPackage) Schema() *Schema { return &g.schema }

func (g *geoPackage) Close() error {
	if g.conn == nil {
		return nil
	}
	err := g.conn.Close()
	g.conn = nil
	return err
}

// Features reads through the table in the order of its key.
func (g *geoPackage) Features() iter.Seq2[Feature, error] {
	return func(yield func(Feature, error) bool) {
		g.seen = gpkgSeen{}
		if g.conn == nil {
			yield(Feature{}, &Error{File: g.path, Layer: g.table, Err: os.ErrClosed})
			return
		}
		stmt, _, err := g.conn.PrepareTransient(g.selectSQL())
		if err != nil {
			yield(Feature{}, g.fault(err))
			return
		}
		defer stmt.Finalize()
		first := 1
		if g.geom != "" {
			first = 2
		}
		f := Feature{Values: make([]Value, len(g.names))}
		var blob []byte
		last := int64(math.MinInt64)
		for n := int64(1); ; n++ {
			more, err := stmt.Step()
			// SQLite may hold a damaged page in memory and read it without a word the
			// second time: what ended one reading ends each.
			if err == nil && g.fell != nil && n == g.fellAt {
				err = g.fell
			}
			if err != nil {
				g.fell, g.fellAt = err, n
				yield(Feature{}, g.fault(err))
				return
			}
			if !more {
				return
			}
			f.FID = n
			if g.key != "" {
				f.FID = stmt.ColumnInt64(0)
				if n > 1 && f.FID <= last {
					g.fell, g.fellAt = g.numberedTwice(last, f.FID), n
					yield(Feature{}, g.fell)
					return
				}
				last = f.FID
			}
			f.Geometry = nil
			if g.geom != "" {
				if f.Geometry, blob, err = g.geometry(stmt, blob); err != nil {
					bad := gpkgRecordError(Error{File: g.path, Layer: g.table, Feature: f.FID, Err: err}, reasonOf(err))
					if !yield(Feature{}, bad) {
						return
					}
					continue
				}
			}
			for k := range f.Values {
				f.Values[k] = g.value(stmt, first+k, g.schema.Fields[k].Kind)
			}
			if !yield(f, nil) {
				return
			}
		}
	}
}

// numberedTwice tells of a key that does not rise from row to row. A sound
// table cannot have one; the pages of a damaged one may lead back to each other,
// and would be read for ever.
func (g *geoPackage) numberedTwice(last, key int64) error {
	e := &Error{File: g.path, Layer: g.table, Feature: key, Err: fmt.Errorf("its key %s is %d after %d: no two rows may have the same, nor any a smaller one than the row before", g.key, key, last), Remedy: remedyDamaged}
	if g.isView() {
		e.Err = fmt.Errorf("the view's first column, %s, is its key, and %d stands there twice", g.key, key)
		e.Remedy = "save the view as a table from a desktop GIS, or let its first column number its rows"
	}
	return e
}

func (g *geoPackage) selectSQL() string {
	var b strings.Builder
	b.WriteString("SELECT ")
	if g.key != "" {
		b.WriteString(quoteName(g.key))
	} else {
		b.WriteString("NULL")
	}
	if g.geom != "" {
		b.WriteString("," + quoteName(g.geom))
	}
	for _, name := range g.names {
		b.WriteString("," + quoteName(name))
	}
	b.WriteString(" FROM " + quoteName(g.table))
	if g.key != "" {
		b.WriteString(" ORDER BY 1")
	}
	return b.String()
}

func (g *geoPackage) geometry(stmt *sqlite.Stmt, buffer []byte) (geometry orb.Geometry, _ []byte, err error) {
	switch stmt.ColumnType(1) {
	case sqlite.TypeNull:
		return nil, buffer, nil
	case sqlite.TypeBlob:
	default:
		return nil, buffer, &recordFault{reasonDamaged, -1, errors.New("the geometry is no blob")}
	}
	n := stmt.ColumnLen(1)
	if cap(buffer) < n {
		buffer = make([]byte, n+n/4)
	}
	buffer = buffer[:n]
	stmt.ColumnBytes(1, buffer)
	geometry, srs, err := decodeGPKG(buffer, &g.seen.wkbRepairs)
	if err == nil {
		err = limit.fits(geometry)
	}
	if err == nil && srs != g.srs {
		g.seen.otherSRS++
		g.seen.srsExample = int64(srs)
	}
	return geometry, buffer, err
}

// value takes a cell as it is stored, whatever its column declares.
func (g *geoPackage) value(stmt *sqlite.Stmt, col int, kind Kind) Value {
	switch stmt.ColumnType(col) {
	case sqlite.TypeInteger:
		i := stmt.ColumnInt64(col)
		switch {
		case kind == Boolean && (i == 0 || i == 1):
			return Truth(i == 1)
		case kind == Real:
			return Number(float64(i))
		}
		return Whole(i)
	case sqlite.TypeFloat:
		x := stmt.ColumnFloat(col)
		if math.IsInf(x, 0) || math.IsNaN(x) {
			g.seen.infinite++
			return Value{}
		}
		return Number(x)
	case sqlite.TypeText:
		s := g.seen.mended(stmt.ColumnText(col))
		if kind == Date {
			if _, err := time.Parse(time.DateOnly, s); err == nil {
				return Day(s)
			}
		}
		return String(s)
	case sqlite.TypeBlob:
		g.seen.blobs++
	}
	return Value{}
}

func (g *geoPackage) Notes() []string {
	notes := append(append([]string(nil), g.opened...), g.seen.notes()...)
	if g.seen.blobs > 0 {
		notes = append(notes, count(g.seen.blobs, "value that is a blob is taken as missing", "values that are blobs are taken as missing"))
	}
	if n := g.seen.otherSRS; n > 0 {
		notes = append(notes, fmt.Sprintf("%s another coordinate system (such as srs_id %d) than the layer (%d); the layer's is used",
			count(n, "geometry names", "geometries name"), g.seen.srsExample, g.srs))
	}
	return notes
}
