package layer

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"errors"
	"math"
	"os"
	"path/filepath"
	"runtime/metrics"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/ewkb"
	"github.com/twpayne/go-geom"
	goewkb "github.com/twpayne/go-geom/encoding/ewkb"
)

// bent gives b as damage and malice leave it: cut, with bits turned, counts that
// lie, numbers that are none, the other byte order, or nested without end.
func bent(b []byte) (all [][]byte) {
	n := len(b)
	for _, cut := range []int{n / 4, n / 2, 3 * n / 4, n - 1} {
		all = append(all, b[:max(0, cut)])
	}
	for i := range 8 {
		c := bytes.Clone(b)
		c[i*(n-1)/7] ^= 1 << i
		all = append(all, c)
	}
	// In each eighth of the file, the words at an even place.
	nan, huge := math.Float64bits(math.NaN()), math.Float64bits(1e308)
	for i := range 8 {
		at := i * n / 8 &^ 3
		if at+8 > n {
			continue
		}
		for k, put := range []func(b []byte){
			func(b []byte) { binary.LittleEndian.PutUint32(b, 0x7FFFFFFF) },
			func(b []byte) { binary.BigEndian.PutUint32(b, 0xFFFFFFFF) },
			func(b []byte) { binary.LittleEndian.PutUint64(b, nan) },
			func(b []byte) { binary.LittleEndian.PutUint64(b, huge) },
			func(b []byte) { binary.BigEndian.PutUint32(b, binary.LittleEndian.Uint32(b)) },
		} {
			if (i+k)%2 == 0 {
				c := bytes.Clone(b)
				put(c[at:])
				all = append(all, c)
			}
		}
	}
	if i := bytes.IndexByte(b, '['); i >= 0 {
		for _, with := range []string{strings.Repeat("[", 5000), strings.Repeat(`{"a":`, 3000), strings.Repeat("9", 4000), "1e999", "-0", "NaN"} {
			c := append(bytes.Clone(b[:i+1]), with...)
			all = append(all, append(c, b[i+1:]...))
		}
	}
	return all
}

// bounded asserts that do, given so many bytes, takes no second of the processor
// and no more memory than a multiple of them.
func bounded(t *testing.T, size, base, times int, do func()) {
	t.Helper()
	allocated := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(allocated)
	bytes, cpu := allocated[0].Value.Uint64(), cpuSeconds()
	do()
	cpu = cpuSeconds() - cpu
	metrics.Read(allocated)
	bytes = allocated[0].Value.Uint64() - bytes
	if most := uint64(base + times*size); bytes > most {
		t.Errorf("%d bytes of memory for %d of input, %d at most", bytes, size, most)
	}
	if cpu > 1 && !raced {
		t.Errorf("%.1f s for %d bytes of input", cpu, size)
	}
}

// Each format that is read, bent in each way, is an error or records that are
// sound; none takes a second, or memory beyond a multiple of the file.
func TestBentFilesEndSoonAndSmall(t *testing.T) {
	dir := t.TempDir()
	town := filepath.Join(dir, "town.gpkg")
	writeTown(t, town, 12)
	tries := 0
	for _, file := range []string{
		town,
		"../../fixtures/layers/pavement.geojson",
		"../../fixtures/layers/trees.geojson",
		"../../fixtures/layers/pavement-polygonz-ftus.shp",
		"../../fixtures/layers/trees-pointz-ftus.shp",
		"../../fixtures/layers/trees-multipoint.shp",
		"../../fixtures/layers/trees-rust-second-version.parquet",
		"../../fixtures/layers/pavement-rust-zstd.parquet",
		"../../fixtures/layers/trees-multipoint-utm.fgb",
		"../../fixtures/layers/pavement-mixed.fgb",
		"../../fixtures/inventory/odd_values.csv",
	} {
		ending := filepath.Ext(file)
		parts := []string{ending}
		if ending == ".shp" {
			parts = []string{".shp", ".shx", ".dbf", ".prj", ".cpg"}
		}
		whole := map[string][]byte{}
		for _, p := range parts {
			if b, err := os.ReadFile(strings.TrimSuffix(file, ending) + p); err == nil {
				whole[p] = b
			}
		}
		folder := t.TempDir()
		put := func(p string, b []byte) {
			if err := os.WriteFile(filepath.Join(folder, "a"+p), b, 0o666); err != nil {
				t.Fatal(err)
			}
		}
		for p, b := range whole {
			put(p, b)
		}
		for _, p := range parts {
			for _, b := range bent(append(bytes.Clone(whole[p]), " "[:1-min(1, len(whole[p]))]...)) {
				put(p, b)
				sound(t, filepath.Join(folder, "a"+ending))
				if t.Failed() {
					t.Fatalf("%s, its %s bent to %.300q", file, p, b)
				}
				tries++
			}
			if b, ok := whole[p]; ok {
				put(p, b)
			} else {
				os.Remove(filepath.Join(folder, "a"+p))
			}
		}
	}
	t.Logf("%d files", tries)
}

// go test -run '^$' -fuzz FuzzGeoPackage$ -fuzzminimizetime 10x ./geo/layer
func FuzzGeoPackage(f *testing.F) {
	for _, name := range brokenFiles(f, "*.gpkg") {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	b, err := os.ReadFile(filepath.Join(broken, "geopackage", "quotes-in-the-name.gpkg"))
	if err != nil {
		f.Fatal(err)
	}
	for _, b := range bent(b) {
		f.Add(b)
	}
	path := filepath.Join(f.TempDir(), "a.gpkg")
	f.Fuzz(func(t *testing.T, b []byte) {
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		sound(t, path)
	})
}

// What PostGIS sends, and anything else in its place, is a geometry or a fault
// with a reason; where orb reads it too, the same.
func FuzzEWKB(f *testing.F) {
	square := orb.Polygon{{{0, 0}, {4, 0}, {4, 4}, {0, 0}}}
	for _, g := range []orb.Geometry{orb.Point{1, 2}, square, orb.MultiPolygon{square, square}, orb.LineString{{0, 0}, {1, 1}}, orb.Collection{square, orb.Point{1, 2}}} {
		for _, order := range []binary.ByteOrder{binary.LittleEndian, binary.BigEndian} {
			b := ewkb.MustMarshal(g, 2263, order)
			f.Add(b)
			for _, b := range bent(b) {
				f.Add(b)
			}
		}
	}
	for _, layout := range []geom.Layout{geom.XYZ, geom.XYM, geom.XYZM} {
		c := make(geom.Coord, layout.Stride())
		b, err := goewkb.Marshal(geom.NewPolygon(layout).MustSetCoords([][]geom.Coord{{c, c, c, c}}).SetSRID(4326), binary.BigEndian)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		var repairs wkbRepairs
		var g orb.Geometry
		var err error
		bounded(t, len(b), 1<<20, 100, func() {
			r := wkbReader{b: b, repairs: &repairs}
			g, err = r.geometry(0)
		})
		var bad *recordFault
		if err != nil && (!errors.As(err, &bad) || bad.reason == "") {
			t.Errorf("no reason: %v", err)
		}
		if err != nil || g == nil || repairs != (wkbRepairs{}) {
			return
		}
		if want, err := goewkb.Unmarshal(b); err == nil && !orb.Equal(g, orbOf(want)) {
			t.Errorf("read %v, go-geom %v", g, orbOf(want))
		}
	})
}

// go test -run '^$' -fuzz FuzzZip -fuzzminimizetime 10x ./geo/layer
func FuzzZip(f *testing.F) {
	for _, b := range [][]byte{
		zipOf(f, "a.csv", "x,y\n1,2\n"), zipOf(f, "../../a.csv", "x,y\n1,2\n"), zipOf(f, "a.geojson", `{"type":"Point","coordinates":[1,2]}`),
		zipOf(f, "a.csv", "x,y\n"+strings.Repeat(" ", 1<<16)),
	} {
		f.Add(b)
		for _, b := range bent(b) {
			f.Add(b)
		}
	}
	path := filepath.Join(f.TempDir(), "a.zip")
	f.Fuzz(func(t *testing.T, b []byte) {
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		sound(t, path)
	})
}

// zipOf is an archive of one file.
func zipOf(t testing.TB, name, content string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	w, err := z.Create(name)
	if err == nil {
		_, err = w.Write([]byte(content))
	}
	if err = errors.Join(err, z.Close()); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}
