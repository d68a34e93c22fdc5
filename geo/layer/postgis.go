package layer

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"math"
	"os"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"soilshed/geo/crs"
)

// postgisSource is a table or view of PostGIS. It is read once, with a cursor,
// into a temporary file, when it is first gone through: so that it can be gone
// through as often as one likes, and stays as it was the first time.
type postgisSource struct {
	place   *place
	schema  Schema
	query   string
	spool   *os.File
	size    int64
	records int64
	notes   []string
	repairs wkbRepairs
}

// fetchRows is how many rows are asked for at a time.
const fetchRows = 5000

// pgColumn is a column as the database describes it.
type pgColumn struct {
	name, kind string
	srid       int32
	key        bool
}

func openPostGIS(address string, o Options) (Source, error) {
	p, err := parsePlace(address)
	if err != nil {
		return nil, err
	}
	if o.Layer != "" && o.Layer != p.table {
		p.table += "_" + o.Layer // as createPostGIS names further layers
	}
	s := &postgisSource{place: p}
	if err := s.reading(func(ctx context.Context, tx pgx.Tx) error {
		columns, ordinary, err := p.describe(ctx, tx)
		if err != nil {
			return err
		}
		s.query, err = s.plan(ctx, tx, columns, ordinary, o)
		return err
	}); err != nil {
		return nil, err
	}
	return s, nil
}

// reading does something in a transaction that sees the database at one moment.
func (s *postgisSource) reading(do func(context.Context, pgx.Tx) error) error {
	ctx := context.Background()
	conn, err := s.place.connect(ctx)
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	tx, err := conn.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return s.place.failed("beginning to read", err)
	}
	defer tx.Rollback(ctx)
	return do(ctx, tx)
}

// describe reads what columns the table has, and whether it is an ordinary one.
func (p *place) describe(ctx context.Context, tx pgx.Tx) (columns []pgColumn, ordinary bool, err error) {
	var id *uint32
	var kind *string
	err = tx.QueryRow(ctx, `SELECT c.oid, c.relkind::text FROM pg_class c WHERE c.oid = to_regclass($1)`, p.name()).Scan(&id, &kind)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, false, p.noTable(ctx, tx)
	}
	if err != nil {
		return nil, false, p.failed("looking for the table", err)
	}
	rows, err := tx.Query(ctx, `
		SELECT a.attname, t.typname, CASE WHEN t.typname = 'geometry' AND a.atttypmod >= 0 THEN (a.atttypmod >> 8) & 2097151 ELSE 0 END,
			EXISTS (SELECT FROM pg_index i WHERE i.indrelid = a.attrelid AND i.indisprimary AND a.attnum = ANY (i.indkey))
		FROM pg_attribute a JOIN pg_type t ON t.oid = a.atttypid
		WHERE a.attrelid = $1 AND a.attnum > 0 AND NOT a.attisdropped ORDER BY a.attnum`, *id)
	if err != nil {
		return nil, false, p.failed("reading the columns", err)
	}
	columns, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (c pgColumn, err error) {
		return c, r.Scan(&c.name, &c.kind, &c.srid, &c.key)
	})
	if err != nil {
		return nil, false, p.failed("reading the columns", err)
	}
	return columns, *kind == "r", nil
}

// noTableError is the name of a table that is not there, as a file may not be.
type noTableError string

func (e noTableError) Error() string        { return "there is no table " + string(e) }
func (e noTableError) Is(target error) bool { return target == fs.ErrNotExist }

// noTable says that the table is not there, and which are.
func (p *place) noTable(ctx context.Context, tx pgx.Tx) error {
	e := &Error{File: p.shown, Err: noTableError(p.name())}
	rows, err := tx.Query(ctx, `SELECT DISTINCT n.nspname || '.' || c.relname FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid JOIN pg_namespace n ON n.oid = c.relnamespace
		JOIN pg_type t ON t.oid = a.atttypid WHERE t.typname = 'geometry' AND c.relkind IN ('r', 'v', 'm', 'p', 'f') ORDER BY 1 LIMIT 30`)
	if err == nil {
		if names, err := pgx.CollectRows(rows, pgx.RowTo[string]); err == nil && len(names) > 0 {
			e.Remedy = "tables with geometry are " + strings.Join(names, ", ")
		}
	}
	return e
}

// plan makes the query and the schema.
func (s *postgisSource) plan(ctx context.Context, tx pgx.Tx, columns []pgColumn, ordinary bool, o Options) (string, error) {
	p := s.place
	s.schema = Schema{Name: p.table, System: o.System, Shape: Mixed}
	var shapes, keys []string
	var shape pgColumn
	for _, c := range columns {
		if c.kind == "geometry" || c.kind == "geography" {
			shapes = append(shapes, c.name)
			if p.column == "" || p.column == c.name {
				shape = c
			}
		}
		if c.key {
			keys = append(keys, pgx.Identifier{c.name}.Sanitize())
		}
	}
	switch {
	case len(shapes) == 0:
		s.schema.Shape = NoShape
	case p.column == "" && len(shapes) > 1:
		return "", &Error{File: p.shown, Err: fmt.Errorf("has several columns of geometry: %s", strings.Join(shapes, ", ")), Remedy: "name one: &geometry=" + shapes[0]}
	case shape.name == "":
		return "", &Error{File: p.shown, Field: p.column, Err: errors.New("there is no such column of geometry"), Remedy: "there is " + strings.Join(shapes, ", ")}
	}
	query := "SELECT NULL::bytea"
	if shape.name != "" {
		g := pgx.Identifier{shape.name}.Sanitize()
		query = "SELECT ST_AsEWKB(" + g + "::geometry)"
		if s.schema.System == nil {
			if err := s.findSystem(ctx, tx, g, shape); err != nil {
				return "", err
			}
		}
	}
	for _, c := range columns {
		if c.kind == "geometry" || c.kind == "geography" || c.kind == "raster" || c.kind == "bytea" || o.Columns != nil && !slices.Contains(o.Columns, c.name) {
			continue
		}
		f := Field{Name: c.name}
		as := "::text"
		switch c.kind {
		case "int2", "int4", "int8":
			f.Kind, as = Integer, "::int8"
		case "float4", "float8", "numeric":
			f.Kind, as = Real, "::float8"
		case "bool":
			f.Kind, as = Boolean, ""
		case "date":
			f.Kind = Date
		}
		query += ", " + pgx.Identifier{c.name}.Sanitize() + as
		s.schema.Fields = append(s.schema.Fields, f)
	}
	query += " FROM " + p.name()
	switch {
	case len(keys) > 0:
		query += " ORDER BY " + strings.Join(keys, ", ")
	case ordinary:
		query += " ORDER BY ctid"
		s.notes = append(s.notes, "The table has no primary key: its rows are read in the order in which they lie.")
	default:
		s.notes = append(s.notes, "It has no primary key: its rows come in no order of their own.")
	}
	return query, nil
}

// findSystem finds what the coordinates mean: by the column's type, else by the
// first geometry.
func (s *postgisSource) findSystem(ctx context.Context, tx pgx.Tx, column string, c pgColumn) error {
	p := s.place
	srid := c.srid
	if c.kind == "geography" {
		srid = 4326
	}
	if srid == 0 {
		err := tx.QueryRow(ctx, "SELECT ST_SRID("+column+") FROM "+p.name()+" WHERE "+column+" IS NOT NULL LIMIT 1").Scan(&srid)
		if err != nil && !errors.Is(err, pgx.ErrNoRows) {
			return p.failed("asking for the coordinate system", err)
		}
	}
	if srid == 0 {
		return nil
	}
	var authority, text *string
	var code *int
	err := tx.QueryRow(ctx, "SELECT auth_name, auth_srid, srtext FROM spatial_ref_sys WHERE srid = $1", srid).Scan(&authority, &code, &text)
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return p.failed("asking for the coordinate system", err)
	}
	var why error = fmt.Errorf("number %d is not in the table spatial_ref_sys", srid)
	if authority != nil && code != nil && strings.EqualFold(*authority, "EPSG") {
		if s.schema.System, why = crs.FromEPSG(*code); why == nil {
			return nil
		}
	}
	if text != nil && *text != "" {
		if s.schema.System, why = crs.ParseWKT(*text); why == nil {
			return nil
		}
	}
	return &Error{File: p.shown, Err: fmt.Errorf("its coordinate system is not understood: %w", why), Remedy: "say what the coordinates are: --crs EPSG:CODE"}
}

// fill reads the rows into the temporary file.
func (s *postgisSource) fill(ctx context.Context, tx pgx.Tx) (err error) {
	p := s.place
	if s.spool, err = os.CreateTemp("", "soilshed-rows-"); err != nil {
		return &Error{File: p.shown, Err: err, Remedy: "is there room in the folder for temporary files? TMPDIR names another"}
	}
	os.Remove(s.spool.Name()) // it stays while it is open; where that cannot be, Close removes it
	if _, err := tx.Exec(ctx, "DECLARE soilshed NO SCROLL CURSOR FOR "+s.query); err != nil {
		return p.failed("beginning to read", err)
	}
	w := bufio.NewWriterSize(s.spool, 256<<10)
	var b []byte
	for {
		rows, err := tx.Query(ctx, fmt.Sprintf("FETCH %d FROM soilshed", fetchRows))
		if err != nil {
			return p.failed("reading", err)
		}
		n := 0
		for rows.Next() {
			n++
			values, err := rows.Values()
			if err != nil {
				rows.Close()
				return p.failed("reading", err)
			}
			shape, _ := values[0].([]byte)
			b = binary.AppendUvarint(b[:0], uint64(len(shape)))
			b = append(b, shape...)
			for k, v := range values[1:] {
				b = appendCell(b, dbCell(s.schema.Fields[k].Kind, v))
			}
			if err := writeRecord(w, b); err != nil {
				rows.Close()
				return spoolError(p, err)
			}
		}
		if err := rows.Err(); err != nil {
			return p.failed("reading", err)
		}
		s.records += int64(n)
		if n < fetchRows {
			break
		}
	}
	if err := w.Flush(); err != nil {
		return spoolError(p, err)
	}
	if s.size, err = s.spool.Seek(0, io.SeekCurrent); err != nil {
		return spoolError(p, err)
	}
	return nil
}

func spoolError(p *place, err error) error {
	return &Error{File: p.shown, Err: fmt.Errorf("rows cannot be kept in a temporary file: %w", err), Remedy: "is there room in the folder for temporary files? TMPDIR names another"}
}

func writeRecord(w *bufio.Writer, b []byte) error {
	var head [binary.MaxVarintLen64]byte
	if _, err := w.Write(head[:binary.PutUvarint(head[:], uint64(len(b)))]); err != nil {
		return err
	}
	_, err := w.Write(b)
	return err
}

// dbCell makes a cell of what the database gives.
func dbCell(k Kind, v any) Value {
	switch v := v.(type) {
	case nil:
	case int64:
		return Whole(v)
	case float64:
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			return Number(v)
		}
	case bool:
		return Truth(v)
	case string:
		if k == Date {
			return Day(v)
		}
		return String(v)
	}
	return Value{}
}

// appendCell and takeCell are the form of a cell in the temporary file.
func appendCell(b []byte, v Value) []byte {
	if v.Null() {
		return append(b, 0)
	}
	b = append(b, byte(v.Kind())+1)
	switch v.Kind() {
	case Integer:
		n, _ := v.Int()
		return binary.AppendVarint(b, n)
	case Real:
		x, _ := v.Float()
		return binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
	case Boolean:
		x, _ := v.Float()
		return append(b, byte(x))
	}
	b = binary.AppendUvarint(b, uint64(len(v.text)))
	return append(b, v.text...)
}

func takeCell(b []byte) (Value, []byte) {
	kind := b[0]
	b = b[1:]
	switch {
	case kind == 0:
		return Value{}, b
	case Kind(kind-1) == Integer:
		n, k := binary.Varint(b)
		return Whole(n), b[k:]
	case Kind(kind-1) == Real:
		return Number(math.Float64frombits(binary.LittleEndian.Uint64(b))), b[8:]
	case Kind(kind-1) == Boolean:
		return Truth(b[0] != 0), b[1:]
	}
	n, k := binary.Uvarint(b)
	text := string(b[k : k+int(n)])
	if Kind(kind-1) == Date {
		return Day(text), b[k+int(n):]
	}
	return String(text), b[k+int(n):]
}

func (s *postgisSource) Schema() *Schema { return &s.schema }

func (s *postgisSource) Notes() []string {
	notes := s.notes
	if s.repairs.closed > 0 {
		notes = append(notes, fmt.Sprintf("%d rings were closed.", s.repairs.closed))
	}
	if s.repairs.dropped > 0 {
		notes = append(notes, fmt.Sprintf("%d rings of fewer than three corners were left out.", s.repairs.dropped))
	}
	return notes
}

func (s *postgisSource) Close() error {
	if s.spool == nil {
		return nil
	}
	err := s.spool.Close()
	os.Remove(s.spool.Name())
	s.spool = nil
	return err
}

func (s *postgisSource) Features() iter.Seq2[Feature, error] {
	return func(yield func(Feature, error) bool) {
		if s.spool == nil {
			if err := s.reading(s.fill); err != nil {
				s.Close()
				yield(Feature{}, err)
				return
			}
		}
		s.repairs = wkbRepairs{}
		in := bufio.NewReaderSize(io.NewSectionReader(s.spool, 0, s.size), 256<<10)
		f := Feature{Values: make([]Value, len(s.schema.Fields))}
		var b []byte
		for f.FID = 1; f.FID <= s.records; f.FID++ {
			n, err := binary.ReadUvarint(in)
			if err == nil {
				b = slices.Grow(b[:0], int(n))[:n]
				_, err = io.ReadFull(in, b)
			}
			if err != nil {
				yield(Feature{}, spoolError(s.place, err))
				return
			}
			size, k := binary.Uvarint(b)
			shape, rest := b[k:k+int(size)], b[k+int(size):]
			f.Geometry = nil
			var bad error
			if size > 0 {
				r := wkbReader{b: shape, repairs: &s.repairs}
				if f.Geometry, bad = r.geometry(0); bad == nil {
					bad = limit.fits(f.Geometry)
				}
			}
			for i := range f.Values {
				f.Values[i], rest = takeCell(rest)
			}
			if bad != nil {
				if !yield(Feature{}, &RecordError{Fault{File: s.place.shown, Feature: f.FID, Err: bad}, reasonOf(bad)}) {
					return
				}
				continue
			}
			if !yield(f, nil) {
				return
			}
		}
	}
}
