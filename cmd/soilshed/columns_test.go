package main

import (
	"errors"
	"io"
	"strings"
	"testing"

	"soilshed/geo/layer"
)

// schemaOf makes a schema of column names.
func schemaOf(names ...string) *layer.Schema {
	s := &layer.Schema{Name: "trees"}
	for _, n := range names {
		s.Fields = append(s.Fields, layer.Field{Name: n})
	}
	return s
}

// mustBind binds columns as the flags tell.
func mustBind(t testing.TB, s *layer.Schema, o bindOptions, flags ...string) (*columns, []string) {
	t.Helper()
	told, err := parseFieldFlags(flags)
	if err != nil {
		t.Fatal(err)
	}
	if o.File == "" {
		o.File = "trees.geojson"
	}
	c, notes, err := bind(s, told, o)
	if err != nil {
		t.Fatal(err)
	}
	return c, notes
}

func TestColumnNamesOfOpenDataAreRecognised(t *testing.T) {
	table, err := openTable("../../fixtures/inventory/column_names.csv")
	if err != nil {
		t.Fatal(err)
	}
	if len(table.Rows) < 80 {
		t.Fatalf("only %d names", len(table.Rows))
	}
	for _, r := range table.Rows {
		column, field, unit := r.Cells[0], r.cell(1), r.cell(2)
		s := schemaOf(column)
		c, notes := mustBind(t, s, bindOptions{})
		read := c.read()
		if field == "" {
			if len(read) != 0 {
				t.Errorf("line %d: %q is taken for %s", r.Line, column, read[0].Name)
			}
			continue
		}
		if len(read) != 1 || read[0].Name != field || read[0].Unit != unit {
			t.Errorf("line %d: %q is read as %+v, want %s in %q", r.Line, column, read, field, unit)
			continue
		}
		if len(notes) != 1 || !strings.Contains(notes[0], shownName(column)) || !strings.Contains(notes[0], field) {
			t.Errorf("%q: the guess is not reported in a sentence: %q", column, notes)
		}
	}
}

func TestColumnsThatAreTold(t *testing.T) {
	s := schemaOf("DIAM", "A:B", "YEAR", "COND", "SPECIES")
	c, notes := mustBind(t, s, bindOptions{}, "dbh=DIAM:in", "site=A:B", "planted=year", "walk_replaced=YEAR", "condition=COND:5..1", "species=")
	want := []columnRead{
		{"dbh", "DIAM", "in", "told", "told"},
		{"planted", "YEAR", "", "told", ""},
		{"condition", "COND", "5..1", "told", "assumed"},
		{"site", "A:B", "", "told", ""},
		{"walk_replaced", "YEAR", "", "told", ""},
	}
	want[2].UnitBy = "told"
	got := c.read()
	if len(got) != len(want) {
		t.Fatalf("got %+v", got)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("got %+v, want %+v", got[i], want[i])
		}
	}
	if a := strings.Join(c.absent(), " "); a != "id species height crown removed stock supplier flare flare_seen mulch pit street" {
		t.Errorf("absent: %s", a)
	}
	if len(notes) != 0 {
		t.Errorf("nothing was guessed, yet: %q", notes)
	}
	if w := strings.Join(c.wanted(), " "); w != "DIAM YEAR COND A:B" {
		t.Errorf("wanted columns: %s", w)
	}
}

// A unit that nobody states is said, with the way to change it; US units are
// the default of a run in US units.
func TestUnitThatIsAssumedIsSaid(t *testing.T) {
	_, notes := mustBind(t, schemaOf("DIAM"), bindOptions{})
	if want := "Column DIAM is read as dbh, in cm: it states no unit (if it is in another, --field dbh=DIAM:in)."; len(notes) != 1 || notes[0] != want {
		t.Errorf("got %q", notes)
	}
	c, notes := mustBind(t, schemaOf("DIAM", "HEIGHT"), bindOptions{US: true})
	if c.bound[inDBH].unit.name != "in" || c.bound[inHeight].unit.name != "ft" {
		t.Errorf("US units: %+v", c.read())
	}
	if !strings.Contains(notes[0], "dbh=DIAM:cm") {
		t.Errorf("got %q", notes)
	}
	c, _ = mustBind(t, schemaOf("DIAM"), bindOptions{}, "dbh=DIAM") // DIA-M is no unit
	if c.bound[inDBH].unit.name != "cm" {
		t.Errorf("told DIAM: %+v", c.read())
	}
	c, _ = mustBind(t, schemaOf("D_in"), bindOptions{}, "dbh=D_in")
	if c.bound[inDBH].unit.name != "in" {
		t.Errorf("told D_in: %+v", c.read())
	}
	_, notes = mustBind(t, schemaOf("D1"), bindOptions{}, "dbh=D1")
	if len(notes) != 1 || !strings.Contains(notes[0], "read as cm") {
		t.Errorf("a told column without a unit: %q", notes)
	}
}

func TestWrongFieldFlags(t *testing.T) {
	for _, c := range []struct {
		flags []string
		want  []string // parts of the message
	}{
		{[]string{"dhb=DIAM"}, []string{`"dhb"`, "Did you mean dbh?", "species", "walk_replaced"}},
		{[]string{"wheels=X"}, []string{`"wheels"`, "The names are: id, species"}},
		{[]string{"dbh"}, []string{"NAME=COLUMN"}},
		{[]string{"=X"}, []string{"NAME=COLUMN"}},
		{[]string{"dbh=A", "DBH=B"}, []string{"already mapped to column A"}},
		{[]string{"dbh=DIAMETRE"}, []string{"DIAMETRE", "no such column", "did you mean DIAMETER?", "TREEID"}},
		{[]string{"dbh=DIAMETER:parsec"}, []string{`"parsec" is no unit of dbh`, "m, cm, mm, in, ft"}},
		{[]string{"species=TREEID:cm"}, []string{"no unit of species", "it is no measure"}},
		{[]string{"condition=TREEID:best"}, []string{"WORST..BEST"}},
	} {
		told, err := parseFieldFlags(c.flags)
		if err == nil {
			_, _, err = bind(schemaOf("TREEID", "DIAMETER"), told, bindOptions{File: "trees.shp"})
		}
		if err == nil {
			t.Errorf("%q: no error", c.flags)
			continue
		}
		if code := codeOf(err, io.Discard); code != exitUsage && code != exitData {
			t.Errorf("%q: exit code %d", c.flags, code)
		}
		for _, w := range c.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%q: %q does not say %q", c.flags, err, w)
			}
		}
	}
	told, _ := parseFieldFlags([]string{"dbh=NOPE"})
	_, _, err := bind(schemaOf("TREEID"), told, bindOptions{File: "trees.shp"})
	var e *layer.Error
	if !errors.As(err, &e) || e.File != "trees.shp" || e.Field != "NOPE" {
		t.Errorf("a missing column is no layer.Error with file and field: %v", err)
	}
}

// Every name has a sentence, and its columns are spelled so that they can be
// found at all.
func TestTableOfNames(t *testing.T) {
	taken := map[string]string{}
	for _, m := range inventory {
		if m.name == "" || m.doc == "" || len(m.columns) == 0 {
			t.Errorf("%q is not described", m.name)
		}
		if len(unitsOf[m.of]) > 0 {
			for _, u := range []string{m.unit, m.us} {
				if _, ok := findUnit(m.of, u); !ok {
					t.Errorf("%s: its unit %q is none", m.name, u)
				}
			}
			if m.perBase == 0 || m.high <= m.low {
				t.Errorf("%s: no range", m.name)
			}
		}
		for _, c := range m.columns {
			if c != plainName(c) {
				t.Errorf("%s: %q is not in plain form", m.name, c)
			}
			if other, ok := taken[c]; ok {
				t.Errorf("%q stands for %s and %s", c, other, m.name)
			}
			taken[c] = m.name
		}
	}
}
