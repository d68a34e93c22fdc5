package layer

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/ewkb"
)

// postgisSink writes layers to tables: layer 0 to the table of the address,
// each other to TABLE_LAYER. All of it is one transaction: rows go by binary COPY
// to tables of a passing name, which get their index and the older tables' owner
// and grants, and take their place at the end. Until then the older tables are
// read as ever; a run that ends early leaves nothing.
type postgisSink struct {
	place  *place
	conn   *pgx.Conn
	tx     pgx.Tx
	opts   CreateOptions
	tables []*pgTable
	undone int // dates that are none
	done   bool
	err    error
}

type pgTable struct {
	schema  *Schema
	name    string
	staging string
	old     uint32 // the older table; 0 when there is none
	columns []string
	kinds   []Kind
	rows    [][]any
	srid    int
}

// copyRows is how many rows are kept until they are sent.
const copyRows = 4000

// stagingPrefix begins the names of tables that are not yet in place. Nobody sees
// them, as they come and go within the transaction.
const stagingPrefix = "soilshed_new_"

func createPostGIS(address string, schemas []Schema, o CreateOptions) (Sink, error) {
	p, err := parsePlace(address)
	if err != nil {
		return nil, err
	}
	for _, s := range schemas {
		switch {
		case s.Shape == NoShape:
		case s.Shape == Mixed:
			return nil, &Error{File: p.shown, Layer: s.Name, Err: errors.New("a layer of several geometry types cannot be written")}
		case s.System == nil || s.System.EPSG() == 0:
			return nil, &Error{File: p.shown, Layer: s.Name, Err: errors.New("its coordinate system has no EPSG code, by which the database would know it"), Remedy: "give one: --crs EPSG:CODE"}
		}
	}
	ctx := context.Background()
	s := &postgisSink{place: p, opts: o}
	if s.conn, err = p.connect(ctx); err != nil {
		return nil, err
	}
	if s.tx, err = s.conn.Begin(ctx); err != nil {
		s.Abort()
		return nil, p.failed("beginning to write", err)
	}
	if err := s.start(ctx, schemas); err != nil {
		s.Abort()
		return nil, err
	}
	return s, nil
}

func (s *postgisSink) start(ctx context.Context, schemas []Schema) error {
	p := s.place
	h := fnv.New64a()
	fmt.Fprintf(h, "soilshed %s.%s", p.schema, p.table)
	var mine bool
	if err := s.tx.QueryRow(ctx, "SELECT pg_try_advisory_xact_lock($1)", int64(h.Sum64())).Scan(&mine); err != nil {
		return p.failed("locking the output", err)
	}
	if !mine {
		return &Error{File: p.shown, Err: databaseError{errors.New("another run is writing it")}, Remedy: "wait for its end, or give another --out"}
	}
	// What the geometry is sent as is its EWKB, as it is: bytes to the library.
	var oid uint32
	var home string
	err := s.tx.QueryRow(ctx, "SELECT t.oid, n.nspname FROM pg_type t JOIN pg_namespace n ON n.oid = t.typnamespace WHERE t.typname = 'geometry'").Scan(&oid, &home)
	if errors.Is(err, pgx.ErrNoRows) {
		return &Error{File: p.shown, Err: databaseError{errors.New("the database has no PostGIS")}, Remedy: "CREATE EXTENSION postgis"}
	}
	if err != nil {
		return p.failed("looking for PostGIS", err)
	}
	s.conn.TypeMap().RegisterType(&pgtype.Type{Name: "geometry", OID: oid, Codec: pgtype.ByteaCodec{}})
	seen := map[string]bool{}
	for i := range schemas {
		t := &pgTable{schema: &schemas[i], name: p.table}
		if i > 0 {
			t.name = p.table + "_" + strings.ToLower(schemas[i].Name)
		}
		t.staging = stagingPrefix + t.name
		if len(t.staging) > 57 || seen[t.name] {
			return &Error{File: p.shown, Layer: schemas[i].Name, Err: fmt.Errorf("the table name %s is too long or not its own", t.name), Remedy: "name the table otherwise"}
		}
		seen[t.name] = true
		if err := s.lookAtOlder(ctx, t); err != nil {
			return err
		}
		if err := s.create(ctx, t, home); err != nil {
			return err
		}
		s.tables = append(s.tables, t)
	}
	return nil
}

// lookAtOlder refuses at once what could not be replaced at the end.
func (s *postgisSink) lookAtOlder(ctx context.Context, t *pgTable) error {
	p := s.place
	var kind string
	var policies, triggers, mine bool
	err := s.tx.QueryRow(ctx, `SELECT c.oid, c.relkind::text, c.relrowsecurity, EXISTS (SELECT FROM pg_trigger g WHERE g.tgrelid = c.oid AND NOT g.tgisinternal), pg_has_role(c.relowner, 'USAGE')
		FROM pg_class c WHERE c.oid = to_regclass($1)`, p.quoted(t.name)).Scan(&t.old, &kind, &policies, &triggers, &mine)
	refuse := func(remedy, format string, args ...any) error {
		return &Error{File: p.shown, Layer: t.name, Err: databaseError{fmt.Errorf(format, args...)}, Remedy: remedy}
	}
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		t.old = 0
		return nil
	case err != nil:
		return p.failed("looking for the older table", err)
	case kind != "r":
		return refuse("give the name of a table", "is no ordinary table, and is not replaced")
	case !mine:
		return refuse("write as its owner, or to another table", "belongs to another role, so it cannot be replaced")
	case policies || triggers:
		return refuse("take them off, or write to another table and copy from there", "has triggers or row security, which a new table would not have")
	}
	rows, err := s.tx.Query(ctx, `SELECT DISTINCT 'view ' || v.oid::regclass::text FROM pg_depend d JOIN pg_rewrite w ON w.oid = d.objid AND d.classid = 'pg_rewrite'::regclass
			JOIN pg_class v ON v.oid = w.ev_class WHERE d.refobjid = $1 AND v.oid <> $1
		UNION SELECT 'foreign key ' || k.conname || ' of ' || k.conrelid::regclass::text FROM pg_constraint k WHERE k.confrelid = $1
		UNION SELECT 'table ' || i.inhrelid::regclass::text FROM pg_inherits i WHERE i.inhparent = $1 ORDER BY 1`, t.old)
	if err != nil {
		return p.failed("looking for what hangs on the older table", err)
	}
	hang, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return p.failed("looking for what hangs on the older table", err)
	}
	if len(hang) > 0 {
		return refuse("let the views read a table of their own that you fill from this one, or write to another table", "cannot be replaced: %s hangs on it", strings.Join(hang, ", "))
	}
	return nil
}

func (s *postgisSink) create(ctx context.Context, t *pgTable, home string) error {
	quote := func(n string) string { return pgx.Identifier{n}.Sanitize() }
	var b strings.Builder
	fmt.Fprintf(&b, "CREATE TABLE %s (fid bigint PRIMARY KEY", s.place.quoted(t.staging))
	t.columns = []string{"fid"}
	taken := map[string]bool{"fid": true, "geom": true, "ctid": true, "xmin": true, "xmax": true, "cmin": true, "cmax": true, "tableoid": true}
	if t.schema.Shape != NoShape {
		t.srid = t.schema.System.EPSG()
		of := map[Shape]string{Points: "Point", Polygons: "MultiPolygon", Lines: "MultiLineString"}[t.schema.Shape]
		fmt.Fprintf(&b, ", geom %s.geometry(%s,%d)", quote(home), of, t.srid)
		t.columns = append(t.columns, "geom")
	}
	for _, f := range t.schema.Fields {
		// Lower case, so that SQL need not quote; a name that is taken gets a number.
		base := strings.ToLower(f.Name)
		name := cutText(base, 63)
		for n := 2; taken[name]; n++ {
			name = fmt.Sprintf("%s_%d", cutText(base, 58), n)
		}
		taken[name] = true
		fmt.Fprintf(&b, ", %s %s", quote(name), [...]string{Text: "text", Integer: "bigint", Real: "double precision", Boolean: "boolean", Date: "date"}[f.Kind])
		t.columns = append(t.columns, name)
		t.kinds = append(t.kinds, f.Kind)
	}
	b.WriteString(")")
	if _, err := s.tx.Exec(ctx, b.String()); err != nil {
		return s.place.failed("making the table "+t.name, err)
	}
	return nil
}

func (s *postgisSink) Write(i int, f Feature) error {
	if s.err != nil {
		return s.err
	}
	t := s.tables[i]
	if err := checkFeature(s.place.shown, t.schema, f); err != nil {
		return err
	}
	row := make([]any, 0, len(t.columns))
	row = append(row, f.FID)
	if t.schema.Shape != NoShape {
		g, err := t.encode(f.Geometry)
		if err != nil {
			return &RecordError{Fault{File: s.place.shown, Layer: t.schema.Name, Feature: f.FID, Err: err}, reasonType}
		}
		row = append(row, g)
	}
	for k, v := range f.Values {
		row = append(row, s.cell(t.kinds[k], v))
	}
	if t.rows = append(t.rows, row); len(t.rows) == copyRows {
		return s.flush(t)
	}
	return nil
}

// encode makes EWKB of a geometry, nil of none.
func (t *pgTable) encode(g orb.Geometry) (any, error) {
	switch x := g.(type) {
	case nil:
		return nil, nil
	case orb.Polygon:
		g = orb.MultiPolygon{x}
	case orb.LineString:
		g = orb.MultiLineString{x}
	}
	return ewkb.Marshal(g, t.srid)
}

// cell turns a value into what the column takes.
func (s *postgisSink) cell(k Kind, v Value) any {
	if v.Null() {
		return nil
	}
	switch k {
	case Integer:
		if n, ok := v.Int(); ok {
			return n
		}
		if x, ok := v.Float(); ok {
			return int64(x)
		}
		return nil
	case Real:
		if x, ok := v.Float(); ok && !math.IsNaN(x) && !math.IsInf(x, 0) {
			return x
		}
		return nil
	case Boolean:
		x, _ := v.Float()
		return x != 0
	case Date:
		d, err := time.Parse("2006-01-02", v.Text())
		if err != nil {
			s.undone++
			return nil
		}
		return d
	}
	text := v.Text()
	if !utf8.ValidString(text) {
		text = strings.ToValidUTF8(text, "\uFFFD")
	}
	return strings.ReplaceAll(text, "\x00", "") // which no text of the database holds
}

func (s *postgisSink) flush(t *pgTable) error {
	if len(t.rows) == 0 {
		return nil
	}
	id := pgx.Identifier{t.staging}
	if s.place.schema != "" {
		id = pgx.Identifier{s.place.schema, t.staging}
	}
	n, err := s.tx.CopyFrom(context.Background(), id, t.columns, pgx.CopyFromRows(t.rows))
	if err == nil && n != int64(len(t.rows)) {
		err = fmt.Errorf("%d of %d rows were taken", n, len(t.rows))
	}
	t.rows = t.rows[:0]
	if err != nil {
		s.err = s.place.failed("writing "+t.name, err)
	}
	return s.err
}

func (s *postgisSink) Commit() error {
	switch {
	case s.err != nil:
		return errors.Join(s.err, s.Abort())
	case s.done:
		return &Error{File: s.place.shown, Err: errors.New("is written already")}
	}
	if err := s.finish(context.Background()); err != nil {
		s.Abort()
		return err
	}
	s.done = true
	s.conn.Close(context.Background())
	return nil
}

func (s *postgisSink) finish(ctx context.Context) error {
	for i, t := range s.tables {
		if err := s.flush(t); err != nil {
			return err
		}
		var statements []string
		name := s.place.quoted(t.staging)
		if t.schema.Shape != NoShape {
			statements = append(statements, fmt.Sprintf("CREATE INDEX %s ON %s USING gist (geom)", pgx.Identifier{t.staging + "_geom"}.Sanitize(), name))
		}
		about := strings.TrimSpace(t.schema.Title + ". " + t.schema.Abstract)
		if i == 0 {
			about += "\n" + s.opts.Metadata
		}
		statements = append(statements, fmt.Sprintf("COMMENT ON TABLE %s IS %s", name, literal(about)))
		columns := t.columns[len(t.columns)-len(t.kinds):]
		for k, f := range t.schema.Fields {
			if f.Doc != "" {
				text := f.Doc
				if f.Unit != "" {
					text += " Unit: " + f.Unit + "."
				}
				statements = append(statements, fmt.Sprintf("COMMENT ON COLUMN %s.%s IS %s", name, pgx.Identifier{columns[k]}.Sanitize(), literal(text)))
			}
		}
		kept, err := s.rights(ctx, t)
		if err != nil {
			return err
		}
		statements = append(append(statements, kept...), "ANALYZE "+name)
		for _, q := range statements {
			if _, err := s.tx.Exec(ctx, q); err != nil {
				return s.place.failed("finishing "+t.name, err)
			}
		}
	}
	if s.opts.Settle != nil {
		if err := s.opts.Settle(); err != nil {
			return err
		}
	}
	// A reader that keeps the older table for long must not hold up the job, nor
	// the readers behind it.
	if _, err := s.tx.Exec(ctx, "SET LOCAL lock_timeout = '20s'"); err != nil {
		return s.place.failed("finishing", err)
	}
	for _, t := range s.tables {
		var statements []string
		if t.old != 0 {
			statements = append(statements, "DROP TABLE "+s.place.quoted(t.name))
		}
		statements = append(statements,
			fmt.Sprintf("ALTER TABLE %s RENAME TO %s", s.place.quoted(t.staging), pgx.Identifier{t.name}.Sanitize()),
			fmt.Sprintf("ALTER INDEX %s RENAME TO %s", s.place.quoted(t.staging+"_pkey"), pgx.Identifier{t.name + "_pkey"}.Sanitize()))
		if t.schema.Shape != NoShape {
			statements = append(statements, fmt.Sprintf("ALTER INDEX %s RENAME TO %s", s.place.quoted(t.staging+"_geom"), pgx.Identifier{t.name + "_geom"}.Sanitize()))
		}
		for _, q := range statements {
			if _, err := s.tx.Exec(ctx, q); err != nil {
				return s.place.failed("putting "+t.name+" in its place", err)
			}
		}
	}
	if err := s.tx.Commit(ctx); err != nil {
		err = s.place.failed("putting the tables in their place", err)
		if e := (*Error)(nil); errors.As(err, &e) && e.Remedy != "" {
			e.Remedy = "the connection is gone, and the database alone knows whether the new tables took their place before that, all of them or none: run again when the server is there"
		}
		return err
	}
	return nil
}

// rights are the statements that give the new table the older one's owner and
// grants, those on single columns too.
func (s *postgisSink) rights(ctx context.Context, t *pgTable) ([]string, error) {
	if t.old == 0 {
		return nil, nil
	}
	name := s.place.quoted(t.staging)
	rows, err := s.tx.Query(ctx, `
		SELECT 'GRANT ' || privilege_type || ' ON `+strings.ReplaceAll(name, "'", "''")+` TO ' || who || CASE WHEN is_grantable THEN ' WITH GRANT OPTION' ELSE '' END FROM (
			SELECT x.privilege_type, x.is_grantable, CASE WHEN x.grantee = 0 THEN 'PUBLIC' ELSE quote_ident(pg_get_userbyid(x.grantee)) END AS who
			FROM pg_class c, aclexplode(c.relacl) x WHERE c.oid = $1 AND x.grantee <> c.relowner) t
		UNION ALL SELECT 'GRANT ' || privilege_type || ' (' || quote_ident(attname) || ') ON `+strings.ReplaceAll(name, "'", "''")+` TO ' || who || CASE WHEN is_grantable THEN ' WITH GRANT OPTION' ELSE '' END FROM (
			SELECT a.attname, x.privilege_type, x.is_grantable, CASE WHEN x.grantee = 0 THEN 'PUBLIC' ELSE quote_ident(pg_get_userbyid(x.grantee)) END AS who
			FROM pg_attribute a, aclexplode(a.attacl) x WHERE a.attrelid = $1 AND NOT a.attisdropped AND a.attname = ANY ($2)) u
		UNION ALL SELECT 'ALTER TABLE `+strings.ReplaceAll(name, "'", "''")+` OWNER TO ' || quote_ident(pg_get_userbyid(relowner)) FROM pg_class WHERE oid = $1 AND pg_get_userbyid(relowner) <> current_user`, t.old, t.columns)
	if err != nil {
		return nil, s.place.failed("reading the grants of "+t.name, err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, s.place.failed("reading the grants of "+t.name, err)
	}
	return list, nil
}

// literal is a text as SQL has it; COMMENT takes no parameter.
func literal(s string) string {
	return "'" + strings.ReplaceAll(strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\x00", ""), "'", "''") + "'"
}

func (s *postgisSink) Abort() error {
	if s.done || s.conn == nil {
		return nil
	}
	s.done = true
	ctx, stop := context.WithTimeout(context.Background(), 5*time.Second)
	defer stop()
	if s.tx != nil {
		s.tx.Rollback(ctx)
	}
	return s.conn.Close(ctx)
}

// Notes tells what the tables could not hold.
func (s *postgisSink) Notes() []string {
	if s.undone == 0 {
		return nil
	}
	return []string{fmt.Sprintf("%d dates that are none of the calendar were written as empty.", s.undone)}
}
