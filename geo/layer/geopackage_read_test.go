package layer

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"zombiezen.com/go/sqlite"
)

// recordsOf copies the records of a source.
func recordsOf(t testing.TB, s Source) (features []Feature, left []*RecordError) {
	t.Helper()
	for f, err := range s.Features() {
		var bad *RecordError
		switch {
		case errors.As(err, &bad):
			left = append(left, bad)
		case err != nil:
			t.Fatal(err)
		default:
			f.Values = append([]Value(nil), f.Values...)
			features = append(features, f)
		}
	}
	return features, left
}

func openTestGPKG(t testing.TB, path string, o Options) Source {
	t.Helper()
	s, err := openGeoPackage(path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func TestGeoPackageRoundTrip(t *testing.T) {
	path := filepath.Join(t.TempDir(), "town.gpkg")
	writeTown(t, path, 300)
	schemas, o := gpkgTown(t)
	written := townFeatures(300)
	for i, want := range schemas {
		want.Metadata = o.Metadata
		s := openTestGPKG(t, path, Options{Layer: want.Name})
		got := *s.Schema()
		if want.System != nil && !got.System.Same(want.System) {
			t.Errorf("%s: system %v", want.Name, got.System)
		}
		got.System, want.System = nil, nil
		if !reflect.DeepEqual(got, want) {
			t.Errorf("schema\n got %+v\nwant %+v", got, want)
		}
		// Twice: a source can be read again.
		for range 2 {
			features, left := recordsOf(t, s)
			if len(left) != 0 || len(s.Notes()) != 0 {
				t.Errorf("left out %v, notes %v", left, s.Notes())
			}
			if i == 2 {
				if len(features) != 1 || features[0].Values[0].Text() != "nothing" {
					t.Errorf("table: %v", features)
				}
				continue
			}
			if len(features) != 300 {
				t.Fatalf("%s: %d features", want.Name, len(features))
			}
			for k, f := range features {
				w := written[2*k+i]
				if p, ok := w.Geometry.(orb.Polygon); ok {
					w.Geometry = orb.MultiPolygon{p}
				}
				w.FID = int64(k + 1)
				if !reflect.DeepEqual(f, w) {
					t.Fatalf("%s %d:\n got %+v\nwant %+v", want.Name, k, f, w)
				}
			}
		}
	}
}

func TestGeoPackageColumns(t *testing.T) {
	path := filepath.Join(t.TempDir(), "town.gpkg")
	writeTown(t, path, 3)
	s := openTestGPKG(t, path, Options{Layer: "TREES", Columns: []string{"mates", "TREE_ID", "none"}})
	if f := s.Schema().Fields; len(f) != 2 || f[0].Name != "tree_id" || f[1].Name != "mates" {
		t.Errorf("fields %v", f)
	}
	features, _ := recordsOf(t, s)
	if v := features[2].Values; v[0].Text() != "T-0002" || v[1].Text() != "2" {
		t.Errorf("values %v", v)
	}
	s = openTestGPKG(t, path, Options{Layer: "trees", Columns: []string{}})
	features, _ = recordsOf(t, s)
	if len(s.Schema().Fields) != 0 || len(features) != 3 || features[0].Geometry == nil {
		t.Errorf("geometry alone: %v", features)
	}
}

func TestGeoPackageLayerChoice(t *testing.T) {
	path := filepath.Join(t.TempDir(), "town.gpkg")
	writeTown(t, path, 3)
	for _, c := range []struct{ layer, want string }{
		{"", "has several layers (name one, as in town.gpkg?table=trees; for the trees --tree-layer does it too; it holds trees (features), openings (features))"},
		{"streets", `has no layer "streets" (it holds trees (features), openings (features), changes (attributes))`},
	} {
		_, err := openGeoPackage(path, Options{Layer: c.layer})
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), path) {
			t.Errorf("%q: %v", c.layer, err)
		}
	}
}

// editGPKG runs SQL on a file as another program would.
func editGPKG(t testing.TB, path string, statements ...string) {
	t.Helper()
	conn, err := sqlite.OpenConn(path, sqlite.OpenReadWrite|sqlite.OpenCreate)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	for _, s := range statements {
		if err := run(conn, s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
}

// Values are taken as they are stored; what the column declares does not bind
// SQLite.
func TestGeoPackageOddValues(t *testing.T) {
	path := filepath.Join(t.TempDir(), "odd.gpkg")
	schema := Schema{Name: "odd", Shape: NoShape, Fields: []Field{
		{Name: "i", Kind: Integer}, {Name: "r", Kind: Real}, {Name: "b", Kind: Boolean}, {Name: "d", Kind: Date}, {Name: "t", Kind: Text},
	}}
	sink, err := createGeoPackage(path, []Schema{schema}, CreateOptions{Changed: testChanged})
	if err != nil {
		t.Fatal(err)
	}
	if err := sink.Commit(); err != nil {
		t.Fatal(err)
	}
	editGPKG(t, path,
		`INSERT INTO odd VALUES (1, 9007199254740993, 'N/A', 7, '2001-04-12T00:00:00Z', x'00')`,
		`INSERT INTO odd VALUES (2, 2.5, 9e999, 1, '2001-04-12', CAST(x'41FF42' AS TEXT))`,
	)
	s := openTestGPKG(t, path, Options{})
	features, _ := recordsOf(t, s)
	want := [][]Value{
		{Whole(9007199254740993), String("N/A"), Whole(7), String("2001-04-12T00:00:00Z"), {}},
		{Number(2.5), {}, Truth(true), Day("2001-04-12"), String("A\uFFFDB")},
	}
	for i, f := range features {
		if !reflect.DeepEqual(f.Values, want[i]) {
			t.Errorf("row %d: %+v", i+1, f.Values)
		}
	}
	notes := strings.Join(s.Notes(), "\n")
	for _, part := range []string{"1 value that is no finite number", "1 value that is a blob", "1 text is not UTF-8"} {
		if !strings.Contains(notes, part) {
			t.Errorf("no note %q in\n%s", part, notes)
		}
	}
	// And back: the long number is written with every digit.
	again := filepath.Join(t.TempDir(), "again.gpkg")
	sink, err = createGeoPackage(again, []Schema{schema}, CreateOptions{Changed: testChanged})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range features {
		if err := sink.Write(0, f); err != nil {
			t.Fatal(err)
		}
	}
	if err := sink.Commit(); err != nil {
		t.Fatal(err)
	}
	features, _ = recordsOf(t, openTestGPKG(t, again, Options{}))
	if got := features[0].Values; got[0].Text() != "9007199254740993" || !got[1].Null() || !got[2].Null() || !got[3].Null() {
		t.Errorf("written again: %v", got)
	}
	notes = strings.Join(sink.(interface{ Notes() []string }).Notes(), "\n")
	for _, part := range []string{`field r: 1 value is no finite number and left empty (the first: feature 1, "N/A")`, "field b: 1 value is neither true nor false", "field d: 1 value is no date", "field i: 1 value is no whole number"} {
		if !strings.Contains(notes, part) {
			t.Errorf("no note %q in\n%s", part, notes)
		}
	}
}

// A view that is registered is read; its first column is its key (Req 150).
func TestGeoPackageView(t *testing.T) {
	path := filepath.Join(t.TempDir(), "view.gpkg")
	writeTown(t, path, 20)
	editGPKG(t, path,
		`CREATE VIEW "big ""trees""" AS SELECT fid AS nr, geom, dbh_cm FROM trees WHERE mates = 3`,
		`INSERT INTO gpkg_contents SELECT 'big "trees"', data_type, 'big', '', last_change, min_x, min_y, max_x, max_y, srs_id FROM gpkg_contents WHERE table_name = 'trees'`,
		`INSERT INTO gpkg_geometry_columns VALUES ('big "trees"', 'geom', 'POINT', 32617, 0, 0)`,
	)
	s := openTestGPKG(t, path, Options{Layer: `big "trees"`})
	features, _ := recordsOf(t, s)
	if len(features) != 4 || features[0].FID != 4 || features[0].Geometry == nil || len(features[0].Values) != 1 {
		t.Errorf("features %+v", features)
	}
	if s.Schema().System.EPSG() != 32617 {
		t.Errorf("system %v", s.Schema().System)
	}
}

// Rows may bear any number, once: nought and less too (SQLite, "Rowid Tables").
// A view that gives one twice, as a join does, and a damaged page that leads to
// one row twice, end the reading.
func TestGeoPackageNumbers(t *testing.T) {
	path := filepath.Join(t.TempDir(), "numbers.gpkg")
	writeTown(t, path, 20)
	editGPKG(t, path,
		`DROP TRIGGER rtree_trees_geom_update3`, // calls what only a GIS has
		`DROP TRIGGER rtree_trees_geom_update4`,
		`UPDATE trees SET fid = fid - 5`,
		`CREATE VIEW joined AS SELECT a.fid AS nr, a.geom FROM trees a, trees b WHERE b.fid < 0`,
		`INSERT INTO gpkg_contents SELECT 'joined', data_type, 'joined', '', last_change, min_x, min_y, max_x, max_y, srs_id FROM gpkg_contents WHERE table_name = 'trees'`,
		`INSERT INTO gpkg_geometry_columns VALUES ('joined', 'geom', 'POINT', 32617, 0, 0)`,
	)
	features, left := recordsOf(t, openTestGPKG(t, path, Options{Layer: "trees"}))
	if len(features) != 20 || len(left) != 0 || features[0].FID != -4 || features[4].FID != 0 || features[19].FID != 15 {
		t.Errorf("%d features, left out %v: %+v", len(features), left, features)
	}
	ends := func(s Source) (e *Error) {
		for _, err := range s.Features() {
			if err != nil && !errors.As(err, &e) {
				t.Errorf("an error of another kind: %v", err)
			}
		}
		return e
	}
	if e := ends(openTestGPKG(t, path, Options{Layer: "joined"})); e == nil || !strings.Contains(e.Error(), "first column, nr, is its key, and -4 stands there twice") || !strings.Contains(e.Remedy, "as a table") {
		t.Errorf("a view with a number twice: %v", e)
	}

	raw, err := os.ReadFile(path)
	noError(t, err)
	found := false
	for page := gpkgPageBytes; page < len(raw); page += gpkgPageBytes {
		if b := raw[page:]; b[0] != 13 || binary.BigEndian.Uint16(b[3:]) < 2 { // a leaf of a table, with rows
			continue
		}
		bent := bytes.Clone(raw)
		copy(bent[page+10:page+12], bent[page+8:page+10]) // the second row is the first
		noError(t, os.WriteFile(path, bent, 0o600))
		s, err := openGeoPackage(path, Options{Layer: "trees"})
		if err != nil {
			continue
		}
		if e := ends(s); e != nil && strings.Contains(e.Error(), "its key fid is -4 after -4") && e.Remedy == remedyDamaged {
			found = true
		}
		s.Close()
	}
	if !found {
		t.Error("a page that leads to one row twice passes")
	}
}

// A write-ahead log beside the file holds its newest rows; they are read. And
// no reading leaves anything beside a file.
func TestGeoPackageWriteAheadLog(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "wal.gpkg")
	writeTown(t, path, 20)
	editGPKG(t, path, "PRAGMA journal_mode=WAL")
	if features, _ := recordsOf(t, openTestGPKG(t, path, Options{Layer: "changes"})); len(features) != 1 {
		t.Errorf("%d rows", len(features))
	}
	if all, _ := filepath.Glob(path + "*"); len(all) != 1 {
		t.Errorf("reading left %v", all)
	}
	other, err := sqlite.OpenConn(path, sqlite.OpenReadWrite)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	if err := run(other, "INSERT INTO changes VALUES (7, 'new')"); err != nil {
		t.Fatal(err)
	}
	if features, _ := recordsOf(t, openTestGPKG(t, path, Options{Layer: "changes"})); len(features) != 2 {
		t.Errorf("%d rows with a log", len(features))
	}
}

func TestGeoPackageSystem(t *testing.T) {
	path := filepath.Join(t.TempDir(), "crs.gpkg")
	writeTown(t, path, 2)
	editGPKG(t, path, "UPDATE gpkg_spatial_ref_sys SET organization='NONE', organization_coordsys_id=1 WHERE srs_id=32617")
	s := openTestGPKG(t, path, Options{Layer: "trees"})
	schemas, _ := gpkgTown(t)
	if !s.Schema().System.Same(schemas[0].System) {
		t.Errorf("by its text: %v", s.Schema().System)
	}
	editGPKG(t, path, "UPDATE gpkg_spatial_ref_sys SET definition='PROJCS[nonsense' WHERE srs_id=32617")
	if _, err := openGeoPackage(path, Options{Layer: "trees"}); err == nil || !strings.Contains(err.Error(), "--crs") {
		t.Errorf("nonsense: %v", err)
	}
	s = openTestGPKG(t, path, Options{Layer: "trees", System: schemas[0].System})
	if notes := s.Notes(); len(notes) != 1 || !strings.Contains(notes[0], "as told") {
		t.Errorf("told: %v", notes)
	}
	editGPKG(t, path, "UPDATE gpkg_geometry_columns SET srs_id=-1 WHERE table_name='trees'")
	if s := openTestGPKG(t, path, Options{Layer: "trees"}); s.Schema().System != nil {
		t.Errorf("undefined: %v", s.Schema().System)
	}
}

// The public soil layer of a clone's neighbour folder is not needed; a layer
// with such names is made here.
func TestGeoPackageOddNames(t *testing.T) {
	path := filepath.Join(t.TempDir(), "names.gpkg")
	names := []string{"fid", "FID", "geom", "bulk density [g/cm^3]", `say "it"`, "drop table", "", "a;b--", "fid_2", "rowid"}
	schema := Schema{Name: `it's "odd"; --`, Shape: Points}
	var values []Value
	for _, n := range names {
		schema.Fields = append(schema.Fields, Field{Name: n, Kind: Text, Alias: "same"})
		values = append(values, String(n))
	}
	sink, err := createGeoPackage(path, []Schema{schema}, CreateOptions{Changed: testChanged})
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if err := sink.Write(0, Feature{Geometry: orb.Point{1, 2}, Values: values}); err != nil {
			t.Fatal(err)
		}
	}
	if err := sink.Commit(); err != nil {
		t.Fatal(err)
	}
	s := openTestGPKG(t, path, Options{})
	var got []string
	for _, f := range s.Schema().Fields {
		got = append(got, f.Name)
	}
	want := []string{"fid_3", "FID_4", "geom_2", "bulk density [g/cm^3]", `say "it"`, "drop table", "field_2", "a;b--", "fid_2", "rowid"}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("names %q", got)
	}
	features, _ := recordsOf(t, s)
	for i, v := range features[2].Values {
		if v.Text() != names[i] {
			t.Errorf("%q holds %q", got[i], v.Text())
		}
	}
	if notes := sink.(interface{ Notes() []string }).Notes(); len(notes) != 4 {
		t.Errorf("notes %q", notes)
	}
	checkIndex(t, path, schema.Name)
}

// One bad record never costs the good ones, and is counted under its reason.
func TestGeoPackageDamagedGeometry(t *testing.T) {
	const head = "47500001697F0000" // "GP", version 0, little endian, srs_id 32617
	cases := []struct {
		blob, reason string // reason "" for a good record
		geometry     orb.Geometry
	}{
		{"x'47'", reasonDamaged, nil},
		{"'text'", reasonDamaged, nil},
		{"x'" + head + "01'", reasonDamaged, nil},
		{"x'" + head + "0101000000000000000000F03F'", reasonDamaged, nil},
		{"x'" + head + "0103000000FFFFFFFF'", reasonDamaged, nil},
		{"x'" + head + "010200000002000000'", reasonDamaged, nil},
		{"x'" + head + "0163000000'", reasonDamaged, nil},
		{"x'" + head + "0101000000000000000000F07F0000000000000000'", reasonNumber, nil},
		{"x'47500021697F0000'", reasonShape, nil},                                                   // ExtendedGeoPackageBinary
		{"x'4750000B697F0000'", reasonDamaged, nil},                                                 // envelope of kind 5
		{"x'47500003697F0000'", reasonDamaged, nil},                                                 // ends in its envelope
		{"x'" + head + "010800000000000000'", reasonCurve, nil},                                     // CircularString
		{"x'" + head + "010A0000000100000001080000000000000000'", reasonCurve, nil},                 // CurvePolygon of an arc
		{"x'" + head + "010C00000001000000010A00000001000000010900000000000000'", reasonCurve, nil}, // MultiSurface
		{"x'" + head + "011000000000000000'", reasonShape, nil},                                     // TIN
		{"x'" + head + "0101000000000000000000F87F000000000000F87F'", "", nil},                      // empty point
		{"x'47500011697F0000010300000000000000'", "", nil},                                          // empty flag
		{"x'" + head + "01E9030000000000000000084000000000000010400000000000001440'", "", orb.Point{3, 4}},
		{"x'47500000000" + "07F69" + "0000000001" + "4008000000000000" + "4010000000000000'", "", orb.Point{3, 4}}, // big endian
		{"NULL", "", nil},
	}
	path := filepath.Join(t.TempDir(), "bad.gpkg")
	writeTown(t, path, len(cases))
	// The triggers call functions that only a GIS has.
	edits := []string{}
	for _, n := range []string{"update1", "update2", "update3", "update4"} {
		edits = append(edits, "DROP TRIGGER rtree_trees_geom_"+n)
	}
	for i, c := range cases {
		edits = append(edits, fmt.Sprintf("UPDATE trees SET geom=%s WHERE fid=%d", c.blob, i+1))
	}
	editGPKG(t, path, edits...)
	got := map[int64]string{}
	for f, err := range openTestGPKG(t, path, Options{Layer: "trees"}).Features() {
		var bad *RecordError
		if errors.As(err, &bad) {
			got[bad.Feature] = bad.Reason
			if bad.File != path || bad.Layer != "trees" {
				t.Errorf("place of %v", bad)
			}
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		got[f.FID] = ""
		if want := cases[f.FID-1].geometry; !reflect.DeepEqual(f.Geometry, want) {
			t.Errorf("%s: %v", cases[f.FID-1].blob, f.Geometry)
		}
	}
	if len(got) != len(cases) {
		t.Errorf("%d records of %d", len(got), len(cases))
	}
	for i, c := range cases {
		if got[int64(i+1)] != c.reason {
			t.Errorf("%s: reason %q, want %q", c.blob, got[int64(i+1)], c.reason)
		}
	}
}
