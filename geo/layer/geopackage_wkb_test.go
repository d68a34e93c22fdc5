package layer

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/wkb"
	"github.com/twpayne/go-geom"
	gowkb "github.com/twpayne/go-geom/encoding/wkb"
)

func blobOf(wkb []byte) []byte {
	return append([]byte{'G', 'P', 0, 1, 0, 0, 0, 0}, wkb...)
}

// Heights and measures, in both byte orders, as go-geom writes ISO WKB.
func TestWKBHeightsAndMeasures(t *testing.T) {
	rings := [][]geom.Coord{{{0, 0, 5, 6}, {4, 0, 5, 6}, {4, 4, 5, 6}, {0, 0, 5, 6}}}
	for _, layout := range []geom.Layout{geom.XY, geom.XYZ, geom.XYM, geom.XYZM} {
		cut := func(all [][]geom.Coord) [][]geom.Coord {
			out := make([][]geom.Coord, len(all))
			for i, ring := range all {
				for _, c := range ring {
					out[i] = append(out[i], c[:layout.Stride()])
				}
			}
			return out
		}
		square := geom.NewPolygon(layout).MustSetCoords(cut(rings))
		line := geom.NewLineString(layout).MustSetCoords(cut(rings)[0][:2])
		point := geom.NewPoint(layout).MustSetCoords(cut(rings)[0][1])
		many := geom.NewMultiPolygon(layout)
		noError(t, many.Push(square))
		noError(t, many.Push(square))
		lines := geom.NewMultiLineString(layout)
		noError(t, lines.Push(line))
		points := geom.NewMultiPoint(layout)
		noError(t, points.Push(point))
		flat := orb.Polygon{{{0, 0}, {4, 0}, {4, 4}, {0, 0}}}
		for _, c := range []struct {
			g    geom.T
			want orb.Geometry
		}{
			{point, orb.Point{4, 0}}, {line, orb.LineString{{0, 0}, {4, 0}}}, {square, flat},
			{points, orb.MultiPoint{{4, 0}}}, {lines, orb.MultiLineString{{{0, 0}, {4, 0}}}}, {many, orb.MultiPolygon{flat, flat}},
			{geom.NewGeometryCollection().MustPush(point, many), orb.Collection{orb.Point{4, 0}, orb.MultiPolygon{flat, flat}}},
		} {
			for _, order := range []binary.ByteOrder{binary.LittleEndian, binary.BigEndian} {
				raw, err := gowkb.Marshal(c.g, order)
				noError(t, err)
				var repairs wkbRepairs
				got, _, err := decodeGPKG(blobOf(raw), &repairs)
				if err != nil || !orb.Equal(got, c.want) || repairs != (wkbRepairs{}) {
					t.Errorf("%T of %v: %v, %v", c.g, layout, got, err)
				}
			}
		}
	}
}

// Curved kinds whose parts are all straight are read; OGC 06-103r4 lets them
// hold either.
func TestWKBStraightCurves(t *testing.T) {
	square := orb.Polygon{{{0, 0}, {4, 0}, {4, 4}, {0, 0}}}
	ring := wkb.MustMarshal(orb.LineString(square[0]), binary.LittleEndian)
	count := func(kind, n byte, parts ...[]byte) []byte {
		return append([]byte{1, kind, 0, 0, 0, n, 0, 0, 0}, bytes.Join(parts, nil)...)
	}
	curved := count(10, 1, ring)
	for _, c := range []struct {
		raw  []byte
		want orb.Geometry
	}{
		{curved, square},
		{count(12, 2, curved, wkb.MustMarshal(square, binary.BigEndian)), orb.MultiPolygon{square, square}},
		{count(11, 1, ring), orb.MultiLineString{orb.LineString(square[0])}},
	} {
		got, _, err := decodeGPKG(blobOf(c.raw), new(wkbRepairs))
		if err != nil || !orb.Equal(got, c.want) {
			t.Errorf("%x: %v, %v", c.raw, got, err)
		}
	}
}

func TestWKBRepairs(t *testing.T) {
	for _, c := range []struct {
		in   orb.Geometry
		want orb.Geometry
		r    wkbRepairs
	}{
		{orb.Polygon{{{0, 0}, {4, 0}, {4, 4}}}, orb.Polygon{{{0, 0}, {4, 0}, {4, 4}, {0, 0}}}, wkbRepairs{closed: 1}},
		{orb.Polygon{{{0, 0}, {4, 0}, {4, 4}, {0, 0}}, {{1, 1}, {2, 1}, {1, 1}}}, orb.Polygon{{{0, 0}, {4, 0}, {4, 4}, {0, 0}}}, wkbRepairs{dropped: 1}},
		{orb.MultiPolygon{{{{0, 0}, {4, 0}, {4, 4}, {0, 0}}}, {{{1, 1}, {2, 1}}}}, orb.MultiPolygon{{{{0, 0}, {4, 0}, {4, 4}, {0, 0}}}}, wkbRepairs{dropped: 1}},
	} {
		var r wkbRepairs
		got, _, err := decodeGPKG(blobOf(wkb.MustMarshal(c.in)), &r)
		if err != nil || !orb.Equal(got, c.want) || r != c.r {
			t.Errorf("%v: %v, %+v, %v", c.in, got, r, err)
		}
	}
	_, _, err := decodeGPKG(blobOf(wkb.MustMarshal(orb.Polygon{{{0, 0}, {4, 0}, {0, 0}}})), new(wkbRepairs))
	var bad *recordFault
	if !asFault(err, &bad) || bad.reason != reasonRing {
		t.Errorf("polygon of two corners: %v", err)
	}
}

// A few bytes cannot ask for much memory, and collections do not nest for ever.
func TestWKBCountsAreNotBelieved(t *testing.T) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for _, kind := range []byte{2, 3, 4, 5, 6, 7, 10, 11, 12} {
		for _, n := range []string{"FFFFFFFF", "FFFFFF7F", "00000080"} {
			raw, err := hex.DecodeString("01" + hex.EncodeToString([]byte{kind}) + "000000" + n + "0102000000FFFFFF0F")
			noError(t, err)
			if _, _, err := decodeGPKG(blobOf(raw), new(wkbRepairs)); err == nil {
				t.Errorf("kind %d with count %s passes", kind, n)
			}
		}
	}
	deep := bytes.Repeat([]byte{1, 7, 0, 0, 0, 1, 0, 0, 0}, 1_000_000)
	if _, _, err := decodeGPKG(blobOf(deep), new(wkbRepairs)); err == nil {
		t.Error("a million collections in one another pass")
	}
	runtime.ReadMemStats(&after)
	if grown := after.TotalAlloc - before.TotalAlloc; grown > 64<<20 {
		t.Errorf("%d bytes allocated", grown)
	}
}

// FuzzGeoPackageBlob: no panic, no more memory than the input warrants, and
// what is read of plain WKB is what orb reads.
func FuzzGeoPackageBlob(f *testing.F) {
	for _, g := range orb.AllGeometries {
		if g == nil {
			continue
		}
		if raw, err := wkb.Marshal(g); err == nil {
			f.Add(blobOf(raw))
		}
	}
	square := orb.Polygon{{{0, 0}, {4, 0}, {4, 4}, {0, 0}}}
	f.Add(blobOf(wkb.MustMarshal(orb.MultiPolygon{square, square}, binary.BigEndian)))
	for _, name := range brokenFiles(f, "*.blob") {
		raw, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		var repairs wkbRepairs
		got, _, err := decodeGPKG(b, &repairs)
		if err != nil {
			var bad *recordFault
			if !asFault(err, &bad) || bad.reason == "" {
				t.Errorf("no reason: %v", err)
			}
			return
		}
		if got == nil {
			return
		}
		b2 := b[gpkgHeaderBytes+[...]int{0, 32, 48, 48, 64}[b[3]>>1&7]:]
		want, err := gowkb.Unmarshal(b2)
		if err != nil || repairs != (wkbRepairs{}) {
			return // EWKB, curves, or put right: not go-geom's
		}
		if !orb.Equal(got, orbOf(want)) {
			t.Errorf("read %v, go-geom %v", got, orbOf(want))
		}
	})
}

// orbOf is what go-geom read, by its coordinates in plan, without its empty
// parts, as decodeGPKG has it. (orb reads heights as further points.)
func orbOf(g geom.T) orb.Geometry {
	switch g := g.(type) {
	case *geom.Point:
		if !g.Empty() && (g.X() == g.X() || g.Y() == g.Y()) {
			return orb.Point{g.X(), g.Y()}
		}
	case *geom.LineString:
		if g.NumCoords() > 0 {
			return orb.LineString(planOf(g.Coords()))
		}
	case *geom.Polygon:
		var p orb.Polygon
		for _, ring := range g.Coords() {
			if len(ring) > 0 {
				p = append(p, orb.Ring(planOf(ring)))
			}
		}
		if len(p) > 0 {
			return p
		}
	case *geom.MultiPoint:
		var m orb.MultiPoint
		for i := range g.NumPoints() {
			if p := orbOf(g.Point(i)); p != nil {
				m = append(m, p.(orb.Point))
			}
		}
		if len(m) > 0 {
			return m
		}
	case *geom.MultiLineString:
		var m orb.MultiLineString
		for i := range g.NumLineStrings() {
			if l := orbOf(g.LineString(i)); l != nil {
				m = append(m, l.(orb.LineString))
			}
		}
		if len(m) > 0 {
			return m
		}
	case *geom.MultiPolygon:
		var m orb.MultiPolygon
		for i := range g.NumPolygons() {
			if p := orbOf(g.Polygon(i)); p != nil {
				m = append(m, p.(orb.Polygon))
			}
		}
		if len(m) > 0 {
			return m
		}
	case *geom.GeometryCollection:
		var c orb.Collection
		for _, part := range g.Geoms() {
			if p := orbOf(part); p != nil {
				c = append(c, p)
			}
		}
		if len(c) > 0 {
			return c
		}
	}
	return nil
}

func planOf(all []geom.Coord) []orb.Point {
	points := make([]orb.Point, len(all))
	for i, c := range all {
		points[i] = orb.Point{c.X(), c.Y()}
	}
	return points
}

func brokenFiles(t testing.TB, pattern string) []string {
	names, err := filepath.Glob(filepath.Join("..", "..", "fixtures", "broken", "geopackage", pattern))
	if err != nil || len(names) == 0 {
		t.Fatalf("no %s in fixtures/broken/geopackage: %v", pattern, err)
	}
	return names
}
