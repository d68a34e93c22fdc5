package layer

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/paulmach/orb"

	"soilshed/geo/crs"
)

const testChanged = "2024-05-01T02:00:00.000Z"

// gpkgTown is a small invented output: trees, the ground they share, a table.
func gpkgTown(t testing.TB) ([]Schema, CreateOptions) {
	t.Helper()
	utm, err := crs.FromEPSG(32617)
	if err != nil {
		t.Fatal(err)
	}
	schemas := []Schema{
		{
			Name: "trees", Title: "Street trees", Abstract: "Confirm on site.", System: utm, Shape: Points,
			Fields: []Field{
				{Name: "tree_id", Kind: Text, Alias: "Tree", Doc: "The inventory's number."},
				{Name: "dbh_cm", Kind: Real, Unit: "cm", Alias: "Diameter", Doc: "At breast height."},
				{Name: "mates", Kind: Integer, Alias: "Sharing"},
				{Name: "snapped", Kind: Boolean},
				{Name: "planted", Kind: Date},
			},
		},
		{
			Name: "openings", System: utm, Shape: Polygons,
			Fields: []Field{{Name: "tree_id", Kind: Text}, {Name: "share_m2", Kind: Real, Unit: "m²"}},
		},
		{Name: "changes", Shape: NoShape, Fields: []Field{{Name: "what", Kind: Text}}},
	}
	return schemas, CreateOptions{
		Changed: testChanged, Metadata: "reach 12 x DBH\nConfirm on site.",
		Styles: []Style{{Layer: 0, Name: "soil", QML: "<qgis/>", SLD: "<StyledLayerDescriptor/>"}, {Layer: 1, Name: "share", QML: "<qgis/>", SLD: "<s/>"}},
	}
}

// writeTown writes n trees and openings, one layer's rows among the other's.
func writeTown(t testing.TB, path string, n int) {
	t.Helper()
	schemas, o := gpkgTown(t)
	sink, err := createGeoPackage(path, schemas, o)
	if err != nil {
		t.Fatal(err)
	}
	defer sink.Abort()
	for i, f := range townFeatures(n) {
		if err := sink.Write(i%2, f); err != nil {
			t.Fatal(err)
		}
	}
	if err := sink.Write(2, Feature{Values: []Value{String("nothing")}}); err != nil {
		t.Fatal(err)
	}
	if err := sink.Commit(); err != nil {
		t.Fatal(err)
	}
}

// townFeatures gives a tree, its opening, the next tree, ...
func townFeatures(n int) []Feature {
	rnd := rand.New(rand.NewPCG(1, 2))
	var all []Feature
	for i := range n {
		x, y := 500000+rnd.Float64()*3000, 4800000+rnd.Float64()*3000
		id := String(fmt.Sprintf("T-%04d", i))
		values := []Value{id, Number(10 + rnd.Float64()*60), Whole(int64(i % 5)), Truth(i%3 == 0), Day("2001-04-12")}
		if i%7 == 0 {
			values[1] = Value{}
		}
		all = append(all, Feature{Geometry: orb.Point{x, y}, Values: values})
		w, h := 1+rnd.Float64()*9, 1+rnd.Float64()*9
		all = append(all, Feature{
			Geometry: orb.Polygon{{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}, {x, y}}},
			Values:   []Value{id, Number(w * h)},
		})
	}
	return all
}

func TestGeoPackageSameBytes(t *testing.T) {
	dir := t.TempDir()
	a, b := filepath.Join(dir, "a.gpkg"), filepath.Join(dir, "b.gpkg")
	writeTown(t, a, 2000)
	writeTown(t, b, 2000)
	one, err := os.ReadFile(a)
	if err != nil {
		t.Fatal(err)
	}
	two, err := os.ReadFile(b)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(one, two) {
		t.Error("the same rows gave different bytes")
	}
	names, _ := filepath.Glob(filepath.Join(dir, "*"))
	hidden, _ := filepath.Glob(filepath.Join(dir, ".*"))
	if len(names) != 2 || len(hidden) != 0 {
		t.Errorf("left over: %v %v", names, hidden)
	}
}

func benchmarkGeoPackage(b *testing.B, fields int, row func(i int) orb.Geometry, shape Shape) {
	utm, err := crs.FromEPSG(32617)
	if err != nil {
		b.Fatal(err)
	}
	schema := Schema{Name: "trees", System: utm, Shape: shape}
	values := make([]Value, fields)
	for k := range fields {
		f := Field{Name: fmt.Sprintf("f%d", k), Kind: Real}
		switch {
		case k%4 == 0:
			f.Kind = Text
			values[k] = String([]string{"Acer rubrum", "measured", "excavate the collar and look", "T-004711"}[k/4%4])
		case k%15 == 1:
			f.Kind = Integer
			values[k] = Whole(int64(k * 1000))
		}
		schema.Fields = append(schema.Fields, f)
	}
	const rows = 100_000
	for b.Loop() {
		sink, err := createGeoPackage(filepath.Join(b.TempDir(), "a.gpkg"), []Schema{schema}, CreateOptions{Changed: testChanged})
		if err != nil {
			b.Fatal(err)
		}
		for i := range rows {
			for k := range values {
				if schema.Fields[k].Kind == Real {
					values[k] = Number(float64(i)*0.37 + float64(k))
				}
			}
			if err := sink.Write(0, Feature{Geometry: row(i), Values: values}); err != nil {
				b.Fatal(err)
			}
		}
		if err := sink.Commit(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/rows, "us/row")
}

func BenchmarkGeoPackagePoints(b *testing.B) {
	rnd := rand.New(rand.NewPCG(1, 2))
	benchmarkGeoPackage(b, 45, func(int) orb.Geometry {
		return orb.Point{500000 + rnd.Float64()*30000, 4800000 + rnd.Float64()*30000}
	}, Points)
}

func BenchmarkGeoPackagePolygons(b *testing.B) {
	rnd := rand.New(rand.NewPCG(1, 2))
	benchmarkGeoPackage(b, 4, func(int) orb.Geometry {
		x, y := 500000+rnd.Float64()*30000, 4800000+rnd.Float64()*30000
		ring := make(orb.Ring, 0, 41)
		for k := range 40 {
			ring = append(ring, orb.Point{x + float64(k), y + float64(k*k%17)})
		}
		return orb.Polygon{append(ring, ring[0])}
	}, Polygons)
}

// Rings are closed and wound as the standard has them, and those without an
// area are left out and counted.
func TestGeoPackagePolygonsTidied(t *testing.T) {
	path := filepath.Join(t.TempDir(), "p.gpkg")
	sink, err := createGeoPackage(path, []Schema{{Name: "p", Shape: Polygons}}, CreateOptions{Changed: testChanged})
	noError(t, err)
	hole := orb.Ring{{1, 1}, {2, 1}, {2, 2}, {1, 1}} // counterclockwise
	turnedHole := orb.Ring{{1, 1}, {2, 2}, {2, 1}, {1, 1}}
	outer := orb.Ring{{0, 0}, {9, 0}, {9, 9}, {0, 0}}
	speck := orb.Ring{{3, 1}, {4, 1}, {3, 1}}
	for _, g := range []orb.Geometry{
		orb.Polygon{outer, hole},
		orb.Polygon{{{0, 0}, {9, 9}, {9, 0}}, speck, turnedHole},
		orb.MultiPolygon{{speck, hole}, {outer}},
		orb.Polygon{speck},
		orb.Polygon{},
		nil,
	} {
		noError(t, sink.Write(0, Feature{Geometry: g}))
	}
	noError(t, sink.Commit())
	both := orb.MultiPolygon{{outer, turnedHole}}
	want := []orb.Geometry{both, both, orb.MultiPolygon{{outer}}, nil, nil, nil}
	features, _ := recordsOf(t, openTestGPKG(t, path, Options{}))
	for i, f := range features {
		if (f.Geometry == nil) != (want[i] == nil) || want[i] != nil && !orb.Equal(f.Geometry, want[i]) {
			t.Errorf("%d: %v", i, f.Geometry)
		}
	}
	if !orb.Equal(hole, orb.Ring{{1, 1}, {2, 1}, {2, 2}, {1, 1}}) {
		t.Error("the caller's ring was turned")
	}
	notes := sink.(interface{ Notes() []string }).Notes()
	if len(notes) != 1 || notes[0] != "layer p: 3 rings of fewer than three corners not written" {
		t.Errorf("notes %q", notes)
	}
	checkIndex(t, path, "p")
}

// Numbers beyond 2^53 are identifiers: a column of integers keeps each digit.
func TestGeoPackageKeepsDigits(t *testing.T) {
	path := filepath.Join(t.TempDir(), "digits.gpkg")
	sink, err := createGeoPackage(path, []Schema{{Name: "t", Fields: []Field{{Name: "id", Kind: Integer}}}}, CreateOptions{Changed: testChanged})
	if err != nil {
		t.Fatal(err)
	}
	defer sink.Abort()
	want := []int64{1<<53 + 1, -1<<53 - 1, math.MaxInt64, math.MinInt64, 7}
	for i, n := range want {
		if err := sink.Write(0, Feature{FID: int64(i + 1), Values: []Value{Whole(n)}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := sink.Commit(); err != nil {
		t.Fatal(err)
	}
	features, _ := recordsOf(t, openTestGPKG(t, path, Options{}))
	if len(features) != len(want) {
		t.Fatalf("%d records", len(features))
	}
	for i, f := range features {
		if n, ok := f.Values[0].Int(); !ok || n != want[i] {
			t.Errorf("%d came back as %d", want[i], n)
		}
	}
}

// Flushing on the way changes no byte, and what fails in it is not lost.
func TestGeoPackageFlushedOnTheWay(t *testing.T) {
	write := func(name string, every int, spoil bool) (string, error) {
		path := filepath.Join(t.TempDir(), name)
		schemas, o := gpkgTown(t)
		sink, err := createGeoPackage(path, schemas, o)
		if err != nil {
			t.Fatal(err)
		}
		defer sink.Abort()
		g := sink.(*geoPackageSink)
		g.flushEvery = every
		if spoil {
			g.temp += ".gone"
		}
		for i, f := range townFeatures(500) {
			if err := sink.Write(i%2, f); err != nil {
				return path, err
			}
		}
		return path, sink.Commit()
	}
	at, err := write("a.gpkg", 7, false)
	if err != nil {
		t.Fatal(err)
	}
	once, err := write("a.gpkg", 1<<30, false)
	if err != nil {
		t.Fatal(err)
	}
	x, _ := os.ReadFile(at)
	y, _ := os.ReadFile(once)
	if len(x) == 0 || !bytes.Equal(x, y) {
		t.Errorf("%d bytes flushed on the way, %d flushed at the end, or others", len(x), len(y))
	}
	for _, every := range []int{7, 400} { // told by a later flush, and at the end
		path, err := write("b.gpkg", every, true)
		if err == nil || !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("flushes that fail every %d records: %v", every, err)
		}
		if _, err := os.Stat(path); err == nil {
			t.Error("the output took its place all the same")
		}
	}
}
