package layer

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Each file of fixtures/broken/geopackage is told apart, with what to do, or
// read as far as it goes.
func TestGeoPackageBrokenFiles(t *testing.T) {
	cases := map[string]struct {
		err, remedy string // of the error; "" when the file is read
		features    int
		left        string // reason of the record left out
		note        string
	}{
		"text-file":                  {err: "is no GeoPackage: it does not begin as an SQLite file", remedy: "ogr2ogr"},
		"only-half-a-header":         {err: "is no GeoPackage", remedy: "ogr2ogr"},
		"cut-short":                  {err: "it was cut short: its header says 5632 bytes, but the file has 2048", remedy: "copy it again"},
		"zeros-after-the-magic":      {err: "not a database", remedy: "damaged"},
		"pages-overwritten":          {err: "malformed", remedy: "damaged"},
		"wrong-application-id":       {features: 2, note: "application id"},
		"no-contents-table":          {err: "it has no table gpkg_contents", remedy: "ogr2ogr"},
		"no-reference-systems-table": {err: "it has no table gpkg_spatial_ref_sys", remedy: "ogr2ogr"},
		"no-geometry-columns-table":  {err: "the table gpkg_geometry_columns is missing", remedy: "damaged"},
		"no-layers":                  {err: "has no layer of features or attributes"},
		"listed-table-missing":       {err: "there is no table or view of that name", remedy: "damaged"},
		"geometry-column-missing":    {err: `has no geometry column "shape"`, remedy: "damaged"},
		"geometry-column-not-listed": {err: "gpkg_geometry_columns does not list", remedy: "damaged"},
		"system-not-listed":          {err: "srs_id 32617 is not in gpkg_spatial_ref_sys", remedy: "--crs"},
		"virtual-table":              {err: "is a virtual table", remedy: "save"},
		"view-of-itself":             {err: "circularly defined"},
		"contents-is-a-broken-view":  {err: "no such table"},
		"one-bad-geometry":           {features: 1, left: reasonDamaged},
		"quotes-in-the-name":         {features: 2},
	}
	seen := 0
	for _, path := range brokenFiles(t, "*.gpkg") {
		name := strings.TrimSuffix(filepath.Base(path), ".gpkg")
		c, ok := cases[name]
		if !ok {
			t.Errorf("%s has no case", path)
			continue
		}
		seen++
		t.Run(name, func(t *testing.T) {
			s, err := openGeoPackage(path, Options{})
			var features []Feature
			var left []*RecordError
			if err == nil {
				defer s.Close()
				features, left = recordsOf(t, s)
			}
			if c.err != "" {
				var e *Error
				if !asFault(err, &e) || !strings.Contains(e.Err.Error(), c.err) || !strings.Contains(e.Remedy, c.remedy) || e.File != path {
					t.Errorf("%v", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if len(features) != c.features || (len(left) == 1) != (c.left != "") || len(left) == 1 && left[0].Reason != c.left {
				t.Errorf("%d features, left out: %v", len(features), left)
			}
			if notes := strings.Join(s.Notes(), "\n"); !strings.Contains(notes, c.note) || c.note == "" && notes != "" {
				t.Errorf("notes: %s", notes)
			}
		})
	}
	if seen != len(cases) {
		t.Errorf("%d files for %d cases", seen, len(cases))
	}
}

// A file that is cut short anywhere, or has bytes changed anywhere, gives an
// error with its name or fewer or odd records, never a panic and never a
// record without end.
func TestGeoPackageDamagedAnywhere(t *testing.T) {
	dir := t.TempDir()
	whole := filepath.Join(dir, "whole.gpkg")
	const n = 120
	writeTown(t, whole, n)
	raw, err := os.ReadFile(whole)
	noError(t, err)
	rnd := rand.New(rand.NewPCG(7, 8))
	try := func(what string, b []byte, mustFail bool) {
		path := filepath.Join(dir, "damaged.gpkg")
		noError(t, os.WriteFile(path, b, 0o600))
		records, failed := 0, false
		note := func(err error) bool {
			var e *Error
			var bad *RecordError
			switch {
			case err == nil:
				return false
			case errors.As(err, &bad):
				records++
				return false
			case !errors.As(err, &e) || e.File != path:
				t.Errorf("%s: error without its file: %v", what, err)
			}
			failed = true
			return true
		}
		for _, layer := range []string{"trees", "openings"} {
			s, err := openGeoPackage(path, Options{Layer: layer})
			if note(err) {
				continue
			}
			for _, err := range s.Features() {
				if note(err) {
					break
				}
				if records++; records > 100*n {
					t.Fatalf("%s: %d records", what, records)
				}
			}
			s.Notes()
			s.Close()
		}
		if mustFail && !failed {
			t.Errorf("%s passes", what)
		}
	}
	try("nothing done", raw, false)
	for i := range 32 {
		at := i * len(raw) / 32
		if i == 0 {
			at = 99
		}
		try("cut at "+Whole(int64(at)).Text(), raw[:at], true)
	}
	for i := range 160 {
		b := append([]byte(nil), raw...)
		at := rnd.IntN(len(b))
		if i < 80 { // the pages that tell where the others are
			at = rnd.IntN(8 * gpkgPageBytes)
		}
		spoil(rnd, b, at, 64, i%4 == 0)
		try("changed at "+Whole(int64(at)).Text(), b, false)
	}
}
