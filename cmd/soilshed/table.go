package main

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"soilshed/geo/layer"
)

// csvTable is a small CSV file, read whole: weather, gusts, excavations.
type csvTable struct {
	File   string
	Header []string
	Rows   []csvRow
	// Notes tell what was assumed about the file and which lines were left out.
	Notes []string
	// brokenLine is the first line left out for broken quotes; 0 when none is.
	brokenLine int
}

// csvRow is a record and the line on which it begins.
type csvRow struct {
	Line  int
	Cells []string
}

// cell returns the cell of a column without blanks about it; "" beyond the end
// of a short line or for column -1.
func (r *csvRow) cell(column int) string {
	if column < 0 || column >= len(r.Cells) {
		return ""
	}
	return trimCell(r.Cells[column])
}

// fields are the columns as a layer has them, to be bound by name.
func (t *csvTable) fields() []layer.Field {
	list := make([]layer.Field, len(t.Header))
	for i, h := range t.Header {
		list[i] = layer.Field{Name: trimCell(h)}
	}
	return list
}

// maxTableBytes bounds a table in memory; a century of days is 5 MB.
const maxTableBytes = 256 << 20

// openTable reads a CSV file: a byte-order mark, UTF-16 and Windows-1252 are
// understood, the separator is found (comma, semicolon, tab or bar), a name
// that ends in .gz is unpacked, and lines of # before the header are skipped.
func openTable(path string) (*csvTable, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, &layer.Error{File: path, Err: plainOSError(err), Remedy: "check the path"}
	}
	defer f.Close()
	return readTable(path, f)
}

// plainOSError drops the path that os puts before its error.
func plainOSError(err error) error {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

func readTable(name string, r io.Reader) (*csvTable, error) {
	t := &csvTable{File: name}
	if strings.HasSuffix(strings.ToLower(name), ".gz") {
		z, err := gzip.NewReader(r)
		if err != nil {
			return nil, &layer.Error{File: name, Err: fmt.Errorf("it is no gzip file: %w", err)}
		}
		r = z
	}
	data, err := io.ReadAll(io.LimitReader(r, maxTableBytes+1))
	if err != nil {
		return nil, &layer.Error{File: name, Err: err, Remedy: "the file may be cut off: fetch it again"}
	}
	if len(data) > maxTableBytes {
		return nil, &layer.Error{File: name, Err: errors.New("the table holds more than 256 MB"), Remedy: "cut it to the columns and years that are needed"}
	}
	if data, err = t.decode(data); err != nil {
		return nil, err
	}
	lines := 0
	for len(data) > 0 { // comments and empty lines before the header
		line, rest, _ := bytes.Cut(data, []byte{'\n'})
		bare := bytes.TrimSpace(line)
		if len(bare) > 0 && bare[0] != '#' && !bytes.HasPrefix(bytes.ToLower(bare), []byte("sep=")) {
			break
		}
		data = rest
		lines++
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, &layer.Error{File: name, Err: errors.New("the file is empty"), Remedy: "it needs a line of column names and a line a record"}
	}
	c := csv.NewReader(bytes.NewReader(data))
	c.Comma = separatorOf(data)
	c.FieldsPerRecord = -1
	c.TrimLeadingSpace = c.Comma != '\t'
	bad, firstBad := 0, 0
	for {
		cells, err := c.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			var p *csv.ParseError
			if !errors.As(err, &p) {
				return nil, &layer.Error{File: name, Err: err}
			}
			if t.Header == nil {
				return nil, &layer.Error{File: name, Err: fmt.Errorf("line %d: %w", p.Line+lines, p.Err), Remedy: "mend the quotes of the header"}
			}
			if bad++; bad == 1 {
				firstBad = p.StartLine + lines
			}
			continue
		}
		line, _ := c.FieldPos(0)
		if t.Header == nil {
			t.Header = cells
			continue
		}
		blank := true
		for _, x := range cells {
			blank = blank && trimCell(x) == ""
		}
		if !blank {
			t.Rows = append(t.Rows, csvRow{line + lines, cells})
		}
	}
	t.brokenLine = firstBad
	if bad > 0 {
		t.Notes = append(t.Notes, fmt.Sprintf("%s: %s left out for broken quotes (first on line %d).", name, countOf(bad, "line is", "lines are"), firstBad))
	}
	if len(t.Rows) == 0 {
		return nil, &layer.Error{File: name, Err: errors.New("there is no record under the column names"), Remedy: "the first line must hold the names"}
	}
	return t, nil
}

// decode turns the bytes into UTF-8 without a byte-order mark.
func (t *csvTable) decode(data []byte) ([]byte, error) {
	if bytes.HasPrefix(data, []byte{0xFF, 0xFE}) || bytes.HasPrefix(data, []byte{0xFE, 0xFF}) {
		out, err := unicode.UTF16(unicode.LittleEndian, unicode.ExpectBOM).NewDecoder().Bytes(data)
		if err != nil {
			return nil, &layer.Error{File: t.File, Err: err, Remedy: "save it as UTF-8"}
		}
		return out, nil
	}
	data = bytes.TrimPrefix(data, []byte("\uFEFF"))
	if utf8.Valid(data) {
		return data, nil
	}
	out, err := charmap.Windows1252.NewDecoder().Bytes(data)
	if err != nil {
		return nil, &layer.Error{File: t.File, Err: err, Remedy: "save it as UTF-8"}
	}
	t.Notes = append(t.Notes, t.File+": it is not UTF-8; read as Windows-1252.")
	return out, nil
}

// separatorOf counts the separators of the first line outside quotes.
func separatorOf(data []byte) rune {
	line, _, _ := bytes.Cut(data, []byte{'\n'})
	best, most := ',', 0
	for _, sep := range []rune{',', ';', '\t', '|'} {
		n, quoted := 0, false
		for _, r := range string(line) {
			switch {
			case r == '"':
				quoted = !quoted
			case r == sep && !quoted:
				n++
			}
		}
		if n > most {
			best, most = sep, n
		}
	}
	return best
}

// strict finds the columns of a table of our own form: those that are known, each
// at most once, and no other; must have to be there.
func (t *csvTable) strict(known []string, must ...string) (map[string]int, error) {
	if t.brokenLine > 0 {
		return nil, t.lineError(t.brokenLine, "", errors.New("broken quotes"), "mend the line")
	}
	at := map[string]int{}
	for _, n := range known {
		at[n] = -1
	}
	for i, h := range t.Header {
		name := strings.ToLower(trimCell(h))
		k, ok := at[name]
		switch {
		case !ok:
			hint := ""
			if near := closestName(name, known); near != "" {
				hint = "; did you mean " + near + "?"
			}
			return nil, &layer.Error{File: t.File, Field: trimCell(h), Err: fmt.Errorf("there is no such column%s", hint), Remedy: "the columns are: " + strings.Join(known, ", ")}
		case k >= 0:
			return nil, &layer.Error{File: t.File, Field: name, Err: errors.New("the column is there twice"), Remedy: "take one out"}
		}
		at[name] = i
	}
	for _, n := range must {
		if at[n] < 0 {
			return nil, &layer.Error{File: t.File, Err: fmt.Errorf("there is no column %s", n), Remedy: "the columns are: " + strings.Join(known, ", ")}
		}
	}
	for i := range t.Rows {
		if r := &t.Rows[i]; len(r.Cells) > len(t.Header) {
			return nil, t.lineError(r.Line, "", fmt.Errorf("%d cells under %d columns", len(r.Cells), len(t.Header)), "put text with commas in quotes")
		}
	}
	return at, nil
}

// lineError is an error of a table, on a line.
func (t *csvTable) lineError(line int, field string, err error, remedy string) error {
	return &layer.Error{File: t.File, Field: field, Err: fmt.Errorf("line %d: %w", line, err), Remedy: remedy}
}
