package layer

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"regexp"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// IsDatabase tells whether a path is the address of a table in PostGIS and not
// a file's name.
func IsDatabase(path string) bool {
	return strings.HasPrefix(path, "postgres://") || strings.HasPrefix(path, "postgresql://")
}

// HasPassword tells whether a path is a database's address with a password in it.
func HasPassword(path string) bool { return IsDatabase(path) && Shown(path) != path }

var (
	userPassword  = regexp.MustCompile(`^(postgres(?:ql)?://[^/?#@:]*):[^/?#]*@`)
	queryPassword = regexp.MustCompile(`(?i)([?&](?:password|sslpassword)=)[^&#]*`)
)

// Shown is a path as it may be shown and logged: an address without its
// password.
func Shown(path string) string {
	if !IsDatabase(path) {
		return path
	}
	// By pattern and not by parsing: an address that is wrong in itself must not
	// give its password away either.
	path = userPassword.ReplaceAllString(path, "$1@")
	path = queryPassword.ReplaceAllString(path, "${1}...")
	if u, err := url.Parse(path); err == nil && u.User != nil {
		if _, has := u.User.Password(); has {
			u.User = url.User(u.User.Username())
			return u.String()
		}
	}
	return path
}

var addressIn = regexp.MustCompile(`postgres(?:ql)?://[^\s"'<>]*`)

// ShownIn is a text as it may be shown: each address in it without its password.
func ShownIn(text string) string {
	if !strings.Contains(text, "://") {
		return text
	}
	return addressIn.ReplaceAllStringFunc(text, Shown)
}

// ErrDatabase marks errors of a database that cannot be reached or does not do
// what it is asked: no fault of the data.
var ErrDatabase = errors.New("database")

// databaseError is an error of a database.
type databaseError struct{ err error }

func (e databaseError) Error() string        { return e.err.Error() }
func (e databaseError) Unwrap() error        { return e.err }
func (e databaseError) Is(target error) bool { return target == ErrDatabase }

// place is a table in a database.
type place struct {
	shown         string // address without password
	config        *pgx.ConnConfig
	schema, table string // schema is "" where the search path tells
	column        string // of the geometry; "" for the only one
}

// name is the table as SQL has it.
func (p *place) name() string { return p.quoted(p.table) }

// quoted is a table of the same schema as SQL has it.
func (p *place) quoted(table string) string {
	if p.schema == "" {
		return pgx.Identifier{table}.Sanitize()
	}
	return pgx.Identifier{p.schema, table}.Sanitize()
}

const addressForm = "an address is of the form postgres://USER@HOST/DATABASE?table=SCHEMA.TABLE, with geometry=COLUMN where there are several"

// parsePlace reads an address.
func parsePlace(address string) (*place, error) {
	p := &place{shown: Shown(address)}
	bad := func(err error) (*place, error) {
		return nil, &Error{File: p.shown, Err: err, Remedy: addressForm}
	}
	u, err := url.Parse(address)
	if err != nil {
		return bad(errors.New("is no address")) // what url.Parse says holds the password
	}
	q := u.Query()
	p.table, p.column = q.Get("table"), q.Get("geometry")
	if p.table == "" {
		return bad(errors.New("names no table"))
	}
	if s, t, ok := strings.Cut(p.table, "."); ok {
		p.schema, p.table = s, t
	}
	q.Del("table")
	q.Del("geometry")
	u.RawQuery = q.Encode()
	if p.config, err = pgx.ParseConfig(u.String()); err != nil {
		var e *pgconn.ParseConfigError
		if errors.As(err, &e) {
			return bad(errors.New("cannot be understood: " + Shown(e.Error())))
		}
		return bad(errors.New("cannot be understood"))
	}
	if p.config.ConnectTimeout == 0 {
		p.config.ConnectTimeout = 15 * time.Second
	}
	p.config.RuntimeParams["application_name"] = "soilshed"
	p.config.RuntimeParams["datestyle"] = "ISO"
	p.config.DefaultQueryExecMode = pgx.QueryExecModeExec
	return p, nil
}

// connect opens a connection.
func (p *place) connect(ctx context.Context) (*pgx.Conn, error) {
	c, err := pgx.ConnectConfig(ctx, p.config)
	if err != nil {
		return nil, &Error{File: p.shown, Err: databaseError{err}, Remedy: "does the server run, and may you log in? A password is taken from PGPASSWORD or PGPASSFILE"}
	}
	return c, nil
}

// failed is an error of a statement.
func (p *place) failed(doing string, err error) error {
	remedy := ""
	if gone(err) {
		remedy = "the connection is gone, and older tables are as they were: run again when the server is there"
	}
	var e *pgconn.PgError
	if errors.As(err, &e) {
		text := e.Message
		if e.Detail != "" {
			text += ": " + e.Detail
		}
		if e.Hint != "" {
			text += " (" + e.Hint + ")"
		}
		err = errors.New(text)
	}
	return &Error{File: p.shown, Err: databaseError{fmt.Errorf("%s: %w", doing, err)}, Remedy: remedy}
}

// gone tells whether an error is the end of a connection: no word of the server,
// or the one with which it ends them (class 57P of the error codes in appendix A
// of PostgreSQL's manual).
func gone(err error) bool {
	var e *pgconn.PgError
	if errors.As(err, &e) {
		return strings.HasPrefix(e.Code, "57P")
	}
	var dropped *net.OpError
	for _, end := range []error{io.EOF, io.ErrUnexpectedEOF, net.ErrClosed, syscall.EPIPE, syscall.ECONNRESET} {
		if errors.Is(err, end) {
			return true
		}
	}
	return errors.As(err, &dropped) || strings.HasSuffix(err.Error(), "conn closed")
}

// tableAsFile is the name of the files that go with a table: its own.
func tableAsFile(address string) string {
	if p, err := parsePlace(address); err == nil {
		return fileName(p.table)
	}
	return "database"
}
