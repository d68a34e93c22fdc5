package main

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/mvt"
	"github.com/paulmach/orb/maptile"
	"github.com/paulmach/orb/planar"

	"soilshed/geo/layer"
)

// tilesIn takes the tiles of an archive: its directory is small and has no
// leaves. Places on the map are found by asking for all that could be there.
func tilesIn(t *testing.T, path string, at func(id uint64) (maptile.Tile, bool)) map[maptile.Tile]mvt.Layers {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	unzip := func(from, long uint64) []byte {
		z, err := gzip.NewReader(bytes.NewReader(b[from : from+long]))
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(z)
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	number := func(at int) uint64 { return binary.LittleEndian.Uint64(b[at:]) }
	d := unzip(number(8), number(16))
	next := func() uint64 {
		v, n := binary.Uvarint(d)
		d = d[n:]
		return v
	}
	n := int(next())
	ids, long := make([]uint64, n), make([]uint64, n)
	last := uint64(0)
	for k := range ids {
		last += next()
		ids[k] = last
	}
	for range ids {
		if next() != 1 {
			t.Fatal("a run of tiles, or a leaf")
		}
	}
	for k := range long {
		long[k] = next()
	}
	tiles := map[maptile.Tile]mvt.Layers{}
	from := number(56)
	for k := range ids {
		q, ok := at(ids[k])
		if !ok {
			t.Fatalf("tile %d lies nowhere near the trees", ids[k])
		}
		content := unzip(from, long[k])
		layers, err := mvt.Unmarshal(content)
		if err != nil {
			t.Fatalf("tile %v: %v", q, err)
		}
		if len(content) > tileBytes {
			t.Errorf("tile %v holds %d bytes", q, len(content))
		}
		tiles[q] = layers
		from += long[k]
	}
	return tiles
}

// placesNear numbers the tiles round a place, at all zooms.
func placesNear(lon, lat float64) func(id uint64) (maptile.Tile, bool) {
	by := map[uint64]maptile.Tile{}
	for z := range maptile.Zoom(tileZoom + 1) {
		m := maptile.At(orb.Point{lon, lat}, z)
		for dx := -3; dx <= 3; dx++ {
			for dy := -3; dy <= 3; dy++ {
				q := maptile.New(uint32(int(m.X)+dx), uint32(int(m.Y)+dy), z)
				if q.X < 1<<z && q.Y < 1<<z {
					by[layer.TileOrder(uint8(z), q.X, q.Y)] = q
				}
			}
		}
	}
	return func(id uint64) (maptile.Tile, bool) { q, ok := by[id]; return q, ok }
}

// At the nearest zoom every tree of the layer is where the layer has it, with
// its values; farther out those that are left stand for all. Shares have their
// areas. Places are checked with orb's own projection, not with ours.
func TestTilesAgreeWithTheLayer(t *testing.T) {
	dir := runOn(t, "assess", "--out", "OUT/a.geojson", "--tiles", "OUT/a.pmtiles", "--tile-paving", "--quiet")
	src, err := layer.Open(filepath.Join(dir, "a.geojson"), layer.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	type tree struct {
		at                orb.Point
		class, pct, share string
	}
	trees := map[string]tree{}
	var somewhere orb.Point
	for f, err := range src.Features() {
		if err != nil {
			t.Fatal(err)
		}
		v := func(name string) string { return f.Values[src.Schema().Index(name)].Text() }
		somewhere = f.Geometry.(orb.Point)
		trees[v("tree_id")] = tree{somewhere, v("soil_class"), v("soil_pct"), v("share_m2")}
	}
	tiles := tilesIn(t, filepath.Join(dir, "a.pmtiles"), placesNear(somewhere[0], somewhere[1]))
	standFor, seen, areas := map[maptile.Zoom]int{}, map[string]bool{}, map[string]float64{}
	paved := 0.0
	stepM := 2 * math.Pi * 6378137 / tileExtent / (1 << tileZoom) * math.Cos(somewhere[1]*math.Pi/180)
	for q, layers := range tiles {
		for _, l := range layers {
			for _, f := range l.Features {
				id, _ := f.Properties["tree_id"].(string)
				switch l.Name {
				case "trees":
					n, ok := f.Properties["trees"].(float64)
					if !ok {
						n = 1
					}
					standFor[q.Z] += int(n)
					if q.Z != tileZoom {
						continue
					}
					want, ok := trees[id]
					if !ok || seen[id] {
						t.Errorf("tree %q is twice in the tiles, or not in the layer", id)
					}
					seen[id] = true
					at := maptile.Fraction(want.at, q.Z)
					p := f.Geometry.(orb.Point)
					dx, dy := (at[0]-float64(q.X))*tileExtent-p[0], (at[1]-float64(q.Y))*tileExtent-p[1]
					// A step of the tile, and the digits of the layer.
					if dx < -0.01 || dy < -0.01 || dx > 1.01 || dy > 1.01 {
						t.Errorf("tree %s lies %.2f, %.2f steps off in tile %v", id, dx, dy, q)
					}
					if class, _ := f.Properties["soil_class"].(string); class != want.class {
						t.Errorf("tree %s is %q in the tiles, %q in the layer", id, class, want.class)
					}
					if pct, ok := f.Properties["soil_pct"].(float64); ok && layer.Number(pct).Text() != want.pct || !ok && want.pct != "" {
						t.Errorf("tree %s: soil %v in the tiles, %q in the layer", id, f.Properties["soil_pct"], want.pct)
					}
				case "openings", "paving":
					// Rings turn as the format wants: areas with their sign add up.
					var polygons orb.MultiPolygon
					switch g := f.Geometry.(type) {
					case orb.Polygon:
						polygons = orb.MultiPolygon{g}
					case orb.MultiPolygon:
						polygons = g
					}
					for _, p := range polygons {
						for k, r := range p {
							if shell := steps2(r[:len(r)-1]) > 0; shell != (k == 0) {
								t.Errorf("%s %s: ring %d turns the wrong way", l.Name, id, k)
							}
						}
					}
					if q.Z == tileZoom {
						if l.Name == "paving" {
							paved += planar.Area(polygons) * stepM * stepM
						} else {
							areas[id] += planar.Area(polygons) * stepM * stepM
						}
					}
				}
			}
		}
	}
	for z, n := range standFor {
		if n != len(trees) {
			t.Errorf("zoom %d stands for %d trees of %d", z, n, len(trees))
		}
	}
	if len(standFor) != tileZoom-tileFirst+1 || len(seen) != len(trees) {
		t.Errorf("zooms %v; %d trees of %d at the nearest", standFor, len(seen), len(trees))
	}
	// Trees 2 and 3 halve a pit of 4 m by 2 m, which lies on one tile.
	for _, id := range []string{"2", "3"} {
		if math.Abs(areas[id]-4) > 0.6 {
			t.Errorf("tree %s has %.2f m2 in the tiles, want 4", id, areas[id])
		}
	}
	// The sidewalk of TestPageGround; what lies on two tiles counts twice within
	// the edge that both keep.
	if paved < 5200 || paved > 9000 {
		t.Errorf("paving of %.0f m2", paved)
	}
}

func TestTilesAreTheSameBytes(t *testing.T) {
	var first []byte
	for _, workers := range []string{"1", "3"} {
		dir := runOn(t, "assess", "--out", "OUT/a.gpkg", "--tiles", "OUT/a.pmtiles", "--workers", workers, "--quiet")
		b, err := os.ReadFile(filepath.Join(dir, "a.pmtiles"))
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = b
		} else if !bytes.Equal(first, b) {
			t.Error("the tiles depend on the number of workers")
		}
	}
}

// Hostile texts are values of the tiles, to the letter, and of nothing else.
func TestTilesKeepHostileTexts(t *testing.T) {
	dir := t.TempDir()
	runOnHostile(t, "--out", filepath.Join(dir, "a.geojson"), "--tiles", filepath.Join(dir, "a.pmtiles"))
	src, err := layer.Open(filepath.Join(dir, "a.geojson"), layer.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	want := map[string]string{}
	var at orb.Point
	for f, err := range src.Features() {
		if err != nil {
			t.Fatal(err)
		}
		at = f.Geometry.(orb.Point)
		want[f.Values[src.Schema().Index("tree_id")].Text()] = f.Values[src.Schema().Index("species")].Text()
	}
	if len(want) != len(hostile) {
		t.Fatalf("%d trees", len(want))
	}
	got := 0
	for q, layers := range tilesIn(t, filepath.Join(dir, "a.pmtiles"), placesNear(at[0], at[1])) {
		for _, l := range layers {
			if l.Name != "trees" && l.Name != "openings" {
				t.Errorf("a layer %q", l.Name)
			}
			for _, f := range l.Features {
				if q.Z != tileZoom || l.Name != "trees" {
					continue
				}
				got++
				id, _ := f.Properties["tree_id"].(string)
				if species, _ := f.Properties["species"].(string); species != want[id] {
					t.Errorf("tree %q is a %q, want %q", id, species, want[id])
				}
			}
		}
	}
	if got != len(hostile) {
		t.Errorf("%d trees in the tiles", got)
	}
}

// A tile that would be too large loses trees, and those left count them.
func TestTilesKeepTheirSize(t *testing.T) {
	var o options
	flags := flagsOf(&o, "assess")
	street := "../../fixtures/cli/street/"
	if err := flags.Parse([]string{"--trees", street + "trees.geojson", "--pavement", street + "paving.geojson", "--year", "2024", "--out", "x.gpkg", "--tiles", "x.pmtiles", "--quiet"}); err != nil {
		t.Fatal(err)
	}
	if err := o.understand(); err != nil {
		t.Fatal(err)
	}
	a := &assessment{o: &o}
	if err := a.prepare(t.Context()); err != nil {
		t.Fatal(err)
	}
	defer a.in.source.Close()
	if err := a.run(t.Context(), func([]shape) error { return nil }); err != nil {
		t.Fatal(err)
	}
	a.rank()
	maker, err := a.newTiles()
	if err != nil {
		t.Fatal(err)
	}
	// Many copies of the trees on one spot.
	rows, at, fids := a.rows, a.in.at, a.in.fids
	for len(a.rows) < 400 {
		for i := range rows {
			tree := a.in.trees.at(i)
			a.in.trees.add(&tree)
		}
		a.rows, a.in.at, a.in.fids = append(a.rows, rows...), append(a.in.at, at...), append(a.in.fids, fids...)
	}
	maker.most = 4000
	b, err := a.tiles(t.Context(), maker)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "x.pmtiles")
	if err := os.WriteFile(path, b, 0o666); err != nil {
		t.Fatal(err)
	}
	lon, lat, err := maker.to(a.in.at[0])
	if err != nil {
		t.Fatal(err)
	}
	sum := 0
	for q, layers := range tilesIn(t, path, placesNear(lon, lat)) {
		size, err := mvt.Marshal(layers)
		if err != nil {
			t.Fatal(err)
		}
		if len(size) > 2*maker.most {
			t.Errorf("tile %v holds %d bytes", q, len(size))
		}
		for _, f := range layers[len(layers)-1].Features {
			if n, ok := f.Properties["trees"].(float64); ok && q.Z == tileZoom {
				sum += int(n)
			} else if q.Z == tileZoom {
				sum++
			}
		}
	}
	if sum != len(a.rows) {
		t.Errorf("%d of %d trees are told of", sum, len(a.rows))
	}
	if maker.dense == 0 || !strings.Contains(strings.Join(a.in.report.Notes, "\n"), "drawn at no zoom") {
		t.Errorf("%d trees left out: %q", maker.dense, a.in.report.Notes)
	}
}

func TestTilesRefuse(t *testing.T) {
	for _, args := range [][]string{{"--tiles", "a.mbtiles"}, {"--tile-paving"}} {
		var out, errs bytes.Buffer
		street := "../../fixtures/cli/street/"
		all := append([]string{"assess", "--trees", street + "trees.geojson", "--pavement", street + "paving.geojson", "--out", filepath.Join(t.TempDir(), "a.gpkg")}, args...)
		if code := run(t.Context(), all, &out, &errs); code != exitUsage || !strings.Contains(errs.String(), ".pmtiles") {
			t.Errorf("%v: exit code %d, %s", args, code, errs.String())
		}
	}
}

// A place on the web's map, by the formulas of EPSG Guidance Note 7-2 (1024,
// Popular Visualisation Pseudo Mercator): its example, 24 22'54.433"N
// 100 20'0"W, is E -11169055.58 m, N 2800000.00 m.
func TestMercator(t *testing.T) {
	x, y := mercator(-(100 + 20.0/60), 24+22.0/60+54.433/3600)
	side := 2 * math.Pi * 6378137.0
	east, north := float64(x)/worldSteps*side-side/2, side/2-float64(y)/worldSteps*side
	if step := side / worldSteps; math.Abs(east+11169055.58) > step || math.Abs(north-2800000) > step {
		t.Errorf("%.2f, %.2f", east, north)
	}
	for _, lat := range []float64{90, -90, 89.9} {
		if _, y := mercator(0, lat); y < 0 || y >= worldSteps {
			t.Errorf("latitude %g lies off the map: %d", lat, y)
		}
	}
}

// A shell in a hole in a shell, and what is cut to a line at the edge.
func TestInTile(t *testing.T) {
	square := func(x0, y0, x1, y1 float64) orb.Ring {
		return orb.Ring{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}, {x0, y0}}
	}
	g := inTile(orb.Polygon{square(10, 10, 200, 200), square(40, 40, 20, 20), square(50, 50, 150, 150), square(80, 80, 90, 90)}, [2]int32{0, 0})
	m, ok := g.(orb.MultiPolygon)
	if !ok || len(m) != 2 || len(m[0]) != 3 || len(m[1]) != 1 {
		t.Fatalf("%v", g)
	}
	if area := planar.Area(m); area != 190*190-20*20-100*100+10*10 {
		t.Errorf("area %g", area)
	}
	if g := inTile(orb.Polygon{square(-500, 10, -tileEdge, 20)}, [2]int32{0, 0}); g != nil {
		t.Errorf("what lies beside the tile is in it: %v", g)
	}
	if g := fmt.Sprint(inTile(orb.Polygon{square(-500, 0, 5000, 10)}, [2]int32{0, 0})); !strings.Contains(g, "-64") || !strings.Contains(g, "4160") || strings.Contains(g, "500") {
		t.Errorf("cut to %s", g)
	}
}
