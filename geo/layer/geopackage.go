package layer

import (
	"errors"
	"fmt"
	"strings"

	"zombiezen.com/go/sqlite"
)

// GeoPackage is read and written to OGC 12-128 version 1.3 (the standard's
// requirements are named beside what keeps them, as "Req 29"). SQLite is the
// pure-Go modernc.org/sqlite engine under the thin zombiezen.com/go/sqlite
// layer: a table of 47 columns fills in half the time that database/sql takes
// over the same engine, and within a tenth of calling the engine directly.
const (
	gpkgApplicationID = 0x47504B47 // "GPKG" (Req 2)
	gpkgVersion       = 10300      // 1.3.0: what desktop GIS of the last years read without a word
	gpkgSpec          = "http://www.geopackage.org/spec130/#"
	gpkgKey           = "fid"
	gpkgGeometry      = "geom"
	// gpkgPageBytes: larger pages than SQLite's 4096 take no longer to write
	// and hold more rows before one spills over.
	gpkgPageBytes = 8192
	// gpkgCacheKiB is what SQLite may hold of a file that is written. Rows come in
	// the order of their keys, so no page is wanted again: 32 MiB took a tenth
	// more of a night's time, to be asked for and given back.
	gpkgCacheKiB = 2048
)

// quoteName and quoteText make a name and a literal of any text.
func quoteName(s string) string { return `"` + strings.ReplaceAll(s, `"`, `""`) + `"` }
func quoteText(s string) string { return `'` + strings.ReplaceAll(s, `'`, `''`) + `'` }

// run executes one statement without a result. Arguments are nil, int, int64,
// float64, string or []byte.
func run(conn *sqlite.Conn, query string, args ...any) error {
	stmt, _, err := conn.PrepareTransient(query)
	if err != nil {
		return err
	}
	bindAll(stmt, args)
	for {
		more, err := stmt.Step()
		if err != nil || !more {
			return errors.Join(err, stmt.Finalize())
		}
	}
}

// query executes a statement and calls row for each row of its result.
func query(conn *sqlite.Conn, q string, args []any, row func(*sqlite.Stmt) error) error {
	stmt, _, err := conn.PrepareTransient(q)
	if err != nil {
		return err
	}
	defer stmt.Finalize()
	bindAll(stmt, args)
	for {
		more, err := stmt.Step()
		if err != nil || !more {
			return err
		}
		if err := row(stmt); err != nil {
			return err
		}
	}
}

func bindAll(stmt *sqlite.Stmt, args []any) {
	for i, a := range args {
		switch a := a.(type) {
		case nil:
			stmt.BindNull(i + 1)
		case int:
			stmt.BindInt64(i+1, int64(a))
		case int64:
			stmt.BindInt64(i+1, a)
		case float64:
			stmt.BindFloat(i+1, a)
		case string:
			stmt.BindText(i+1, a)
		case []byte:
			stmt.BindBytes(i+1, a)
		default:
			panic(fmt.Sprintf("layer: cannot bind a %T", a))
		}
	}
}

// stepDone runs a prepared statement that gives no rows and makes it ready for
// the next.
func stepDone(stmt *sqlite.Stmt) error {
	_, err := stmt.Step()
	return errors.Join(err, stmt.Reset())
}

func gpkgRecordError(e Error, reason string) *RecordError {
	return &RecordError{Fault: e, Reason: reason}
}
