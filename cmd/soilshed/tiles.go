package main

import (
	"cmp"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/clip"
	"github.com/paulmach/orb/encoding/mvt"
	"github.com/paulmach/orb/geojson"

	"soilshed/geo"
	"soilshed/geo/layer"
)

// Vector tiles for a web map of one's own: an archive with the layers trees,
// openings and, when asked for, paving.
//
// Places are whole numbers, the steps of a tile at the nearest zoom, on the
// square of the web's Mercator map, y southwards. Farther out a tree stands for
// those in its cell of a grid: the first of them in the list, with their number.

const (
	tileExtent = 4096
	// The nearest zoom: a step is 0.15 m at the equator, less elsewhere. A viewer
	// shows it enlarged from there in.
	tileZoom = 16
	// worldSteps is the side of the world at the nearest zoom.
	worldSteps = tileExtent << tileZoom
	// tileFirst is the farthest zoom of a small place (setting).
	tileFirst = 8
	// From these zooms in there are shares and paving (settings).
	shareZoom, pavingZoom = 15, 14
	// tileEdge is how far shapes are kept beyond the edge of their tile, in steps,
	// so that no outline shows there.
	tileEdge = 64
	// tileCell is the side of the cells by which trees are thinned, in steps of
	// the tile: 4 pixels of 512 (setting).
	tileCell = 32
	// tileBytes is the most that a tile may hold before packing. Common practice,
	// no source.
	tileBytes = 500_000
)

// tileNear are the fields of trees at the nearest zooms; tileFar those farther
// out, where what counts is colour, size and ring.
var (
	tileNear = []string{"tree_id", "species", "street", "planted", "dbh_cm", "ground", "soil_m3", "need_m3", "soil_pct", "soil_class", "sgr_p", "fail_yr", "rank", "do_next", "why"}
	tileFar  = []string{"soil_pct", "soil_class", "sgr_p", "fail_yr", "rank"}
	tileOpen = []string{"tree_id", "soil_pct", "soil_class"}
)

// nearZoom is the zoom from which trees have all fields and are not thinned, but
// to keep a tile from growing too large.
const nearZoom = 15

// mercator puts degrees onto the square of the web's map, in steps (EPSG:3857,
// whose limit in latitude makes it a square).
func mercator(lon, lat float64) (x, y int32) {
	const limit = 85.05112877980659
	s := math.Sin(min(limit, max(-limit, lat)) * math.Pi / 180)
	at := func(part float64) int32 { return int32(min(worldSteps-1, max(0, math.Floor(part*worldSteps)))) }
	return at(lon/360 + 0.5), at(0.5 - math.Log((1+s)/(1-s))/(4*math.Pi))
}

// tileShape is a polygon on the square: its rings, packed.
type tileShape struct {
	of         int32 // tree, or kind of paving
	x0, y0     int32
	x1, y1     int32
	rings      []byte
	ringCounts int
}

// tileMaker gathers tiles.
type tileMaker struct {
	a      *assessment
	to     func(geo.XY) (lon, lat float64, err error)
	x, y   []int32 // of the trees
	shares []tileShape
	paving []tileShape
	left   int // shapes whose place could not be told
	bounds [4]float64
	dense  int // trees that even the nearest zoom does not show
	most   int // bytes of a tile

	near, far, open []*outField
}

// newTiles makes ready for the tiles of an assessment.
func (a *assessment) newTiles() (*tileMaker, error) {
	t := &tileMaker{a: a, most: tileBytes, near: fieldsOf(tileNear), far: fieldsOf(tileFar), open: fieldsOf(tileOpen)}
	var err error
	if t.to, _, err = a.in.plane.To(wgs84); err != nil {
		return nil, &layer.Error{File: a.o.tiles, Err: err}
	}
	return t, nil
}

func fieldsOf(names []string) (list []*outField) {
	for _, n := range names {
		list = append(list, pageField(n))
	}
	return list
}

// share keeps a share until the tiles are made.
func (t *tileMaker) share(s shape) {
	var rings [][]geo.XY
	for _, p := range s.polygon {
		rings = append(rings, p...)
	}
	if p, ok := t.packed(s.tree, rings); ok {
		t.shares = append(t.shares, p)
	}
}

// packed turns rings into steps.
func (t *tileMaker) packed(of int32, rings [][]geo.XY) (tileShape, bool) {
	p := tileShape{of: of, x0: math.MaxInt32, y0: math.MaxInt32}
	var px, py int32
	first := math.NaN()
	for _, ring := range rings {
		if n := len(ring); n > 1 && ring[0] == ring[n-1] {
			ring = ring[:n-1]
		}
		var steps [][2]int32
		for _, v := range ring {
			lon, lat, err := t.to(v)
			if err != nil {
				t.left++
				return p, false
			}
			if first != first {
				first = lon
			}
			x, y := mercator(wgs84.Beside(lon, first), lat)
			if n := len(steps); n == 0 || steps[n-1] != [2]int32{x, y} {
				steps = append(steps, [2]int32{x, y})
			}
		}
		if n := len(steps); n > 1 && steps[0] == steps[n-1] {
			steps = steps[:n-1]
		}
		if len(steps) < 3 {
			continue // a sliver that the steps do not show
		}
		p.ringCounts++
		p.rings = binary.AppendUvarint(p.rings, uint64(len(steps)))
		for _, s := range steps {
			p.rings = binary.AppendVarint(p.rings, int64(s[0]-px))
			p.rings = binary.AppendVarint(p.rings, int64(s[1]-py))
			px, py = s[0], s[1]
			p.x0, p.y0, p.x1, p.y1 = min(p.x0, px), min(p.y0, py), max(p.x1, px), max(p.y1, py)
		}
	}
	return p, p.ringCounts > 0
}

// polygon unpacks a shape, in steps of zoom z from the corner of the world.
func (s *tileShape) polygon(z uint8) orb.Polygon {
	b, scale := s.rings, 1/float64(uint32(1)<<(tileZoom-z))
	next := func() int64 {
		v, n := binary.Varint(b)
		b = b[n:]
		return v
	}
	var x, y int64
	out := make(orb.Polygon, 0, s.ringCounts)
	for range s.ringCounts {
		n, used := binary.Uvarint(b)
		b = b[used:]
		ring := make(orb.Ring, 0, n+1)
		for range n {
			x += next()
			y += next()
			ring = append(ring, orb.Point{float64(x) * scale, float64(y) * scale})
		}
		out = append(out, append(ring, ring[0]))
	}
	return out
}

// tiles makes the archive, after the trees are ranked.
func (a *assessment) tiles(ctx context.Context, t *tileMaker) ([]byte, error) {
	n := len(a.rows)
	t.x, t.y = make([]int32, n), make([]int32, n)
	t.bounds = [4]float64{180, 90, -180, -90}
	for i := range a.rows {
		lon, lat, err := t.to(a.in.at[i])
		if err != nil {
			return nil, &layer.Error{File: a.o.tiles, Feature: a.in.fids[i], Err: err}
		}
		t.x[i], t.y[i] = mercator(lon, lat)
		t.bounds = [4]float64{min(t.bounds[0], lon), min(t.bounds[1], lat), max(t.bounds[2], lon), max(t.bounds[3], lat)}
	}
	if n == 0 {
		return nil, &layer.Error{File: a.o.tiles, Err: errors.New("there are no trees to draw")}
	}
	if a.o.tilePaving {
		err := a.paving(ctx, func(p paved) {
			if s, ok := t.packed(int32(p.kind), p.rings); ok {
				t.paving = append(t.paving, s)
			}
		})
		if err != nil {
			return nil, err
		}
		// Beds last, upon the hard ground that they lie in.
		slices.SortStableFunc(t.paving, func(a, b tileShape) int { return cmp.Compare(a.of, b.of) })
	}
	// The place fits into one tile, or about.
	fit := uint8(0)
	west, south := mercator(t.bounds[0], t.bounds[1])
	east, north := mercator(t.bounds[2], t.bounds[3])
	for fit < tileZoom && max(east-west, south-north) <= worldSteps>>(fit+1) {
		fit++
	}
	var archive layer.TileArchive
	for z := min(tileFirst, fit); z <= tileZoom; z++ {
		if err := t.zoom(ctx, &archive, z); err != nil {
			return nil, err
		}
	}
	if t.left > 0 {
		a.in.report.note("Tiles: %s could not be placed on the web's map and are left out.", countOf(t.left, "polygon", "polygons"))
	}
	if t.dense > 0 {
		a.in.report.note("Tiles: %s are drawn at no zoom, as they stand too close to others for a tile of %s bytes; each counts in one beside it.", countOf(t.dense, "tree", "trees"), grouped(t.most))
	}
	return archive.Bytes(layer.ArchiveAbout{Metadata: t.metadata(), Bounds: t.bounds, CentreZoom: min(tileZoom, fit)})
}

// metadata says what the layers hold, in the words of TileJSON 3.0
// (github.com/mapbox/tilejson-spec, 3.0.0, 3.3 vector_layers).
func (t *tileMaker) metadata() map[string]any {
	us := t.a.o.units == "us"
	fields := func(of []*outField) map[string]string {
		m := map[string]string{}
		for _, f := range of {
			l := f.field(us)
			m[l.Name] = l.Doc
			if l.Unit != "" {
				m[l.Name] += " (" + l.Unit + ")"
			}
		}
		return m
	}
	near := fields(t.near)
	near["trees"] = "How many trees it stands for, itself among them; missing for one."
	near["severe"] = "How many of those have less than half of the soil that they need."
	layers := []map[string]any{
		{"id": "trees", "description": "Street trees, as points", "fields": near},
		{"id": "openings", "description": "Each tree's share of open ground", "minzoom": shareZoom, "maxzoom": tileZoom, "fields": fields(t.open)},
	}
	if t.a.o.tilePaving {
		layers = append(layers, map[string]any{"id": "paving", "description": "Hard ground", "minzoom": pavingZoom, "maxzoom": tileZoom, "fields": map[string]string{"kind": "way, walk, building, other; bed where open ground lies upon it"}})
	}
	var settings any
	json.Unmarshal([]byte(t.a.metadata()), &settings)
	return map[string]any{
		"name": "Soil and collars of street trees", "description": caution, "type": "overlay",
		"generator": "soilshed " + version, "vector_layers": layers, "settings": settings,
	}
}

// zoom adds the tiles of one zoom.
func (t *tileMaker) zoom(ctx context.Context, archive *layer.TileArchive, z uint8) error {
	type content struct{ trees, shares, paving []int32 }
	in := map[[2]int32]*content{}
	at := func(x, y int32) *content {
		c := in[[2]int32{x, y}]
		if c == nil {
			c = &content{}
			in[[2]int32{x, y}] = c
		}
		return c
	}
	shift := tileZoom - z + 12 // from steps of the world to tiles
	for i := range t.x {
		c := at(t.x[i]>>shift, t.y[i]>>shift)
		c.trees = append(c.trees, int32(i))
	}
	edge := int32(tileEdge) << (tileZoom - z)
	across := func(list []tileShape, add func(c *content, k int32)) {
		last := int32(1)<<z - 1
		for k := range list {
			s := &list[k]
			for x := max(0, (s.x0-edge)>>shift); x <= min(last, (s.x1+edge)>>shift); x++ {
				for y := max(0, (s.y0-edge)>>shift); y <= min(last, (s.y1+edge)>>shift); y++ {
					add(at(x, y), int32(k))
				}
			}
		}
	}
	if z >= shareZoom {
		across(t.shares, func(c *content, k int32) { c.shares = append(c.shares, k) })
	}
	if z >= pavingZoom {
		across(t.paving, func(c *content, k int32) { c.paving = append(c.paving, k) })
	}
	var order [][2]int32
	for k := range in {
		order = append(order, k)
	}
	slices.SortFunc(order, func(a, b [2]int32) int {
		return cmp.Compare(layer.TileOrder(z, uint32(a[0]), uint32(a[1])), layer.TileOrder(z, uint32(b[0]), uint32(b[1])))
	})
	// A large polygon is unpacked once a zoom, not once a tile.
	unpacked := map[int32]orb.Polygon{}
	for _, q := range order {
		if err := ctx.Err(); err != nil {
			return err
		}
		c := in[q]
		var paving, shares []*geojson.Feature
		for _, k := range c.paving {
			s := &t.paving[k]
			p, kept := unpacked[k]
			if !kept {
				p = s.polygon(z)
				if len(s.rings) > 4096 {
					unpacked[k] = p
				}
			}
			if g := inTile(p, q); g != nil {
				paving = append(paving, feature(g, geojson.Properties{"kind": pavedKinds[s.of]}))
			}
		}
		for _, k := range c.shares {
			s := &t.shares[k]
			if g := inTile(s.polygon(z), q); g != nil {
				shares = append(shares, feature(g, t.properties(s.of, t.open)))
			}
		}
		cell := int32(0)
		if z < nearZoom {
			cell = tileCell
		}
		for {
			trees, dropped := t.trees(c.trees, z, q, cell)
			b, err := mvt.Marshal(tileLayers(paving, shares, trees))
			if err != nil {
				return fmt.Errorf("tile %d/%d/%d: %w", z, q[0], q[1], err)
			}
			if len(b) > t.most && cell < tileExtent/2 {
				// Thin the trees; where they are few, the paving is what is large.
				switch {
				case len(trees) > 64:
					cell = max(4, 2*cell)
				case len(paving) > 0:
					paving = nil
				default:
					cell = tileExtent
				}
				continue
			}
			if z == tileZoom {
				t.dense += dropped
			}
			if err := archive.Add(z, uint32(q[0]), uint32(q[1]), b); err != nil {
				return err
			}
			break
		}
	}
	return nil
}

func feature(g orb.Geometry, p geojson.Properties) *geojson.Feature {
	f := geojson.NewFeature(g)
	f.Properties = p
	return f
}

// tileLayers are the layers of a tile, those below first.
func tileLayers(paving, shares, trees []*geojson.Feature) mvt.Layers {
	var out mvt.Layers
	for _, l := range []struct {
		name string
		of   []*geojson.Feature
	}{{"paving", paving}, {"openings", shares}, {"trees", trees}} {
		if len(l.of) > 0 {
			out = append(out, &mvt.Layer{Name: l.name, Version: 2, Extent: tileExtent, Features: l.of})
		}
	}
	return out
}

// properties are fields of a tree, null ones left out.
func (t *tileMaker) properties(i int32, fields []*outField) geojson.Properties {
	a := t.a
	us := a.o.units == "us"
	size := a.sizeOf(int(i))
	r := a.rows.at(int(i))
	p := geojson.Properties{}
	for _, f := range fields {
		v := f.value(a, int(i), r, &size, us)
		if v.Null() {
			continue
		}
		key := f.field(us).Name
		switch x, ok := v.Float(); {
		case f.kind == layer.Text:
			p[key] = v.Text()
		case f.kind == layer.Integer && ok:
			p[key] = int64(x)
		case ok:
			p[key] = x
		}
	}
	return p
}

// trees are the trees of a tile, those to look at first last, so that they are
// drawn upon the others. With cells each stands for all of its cell.
func (t *tileMaker) trees(list []int32, z uint8, q [2]int32, cell int32) (out []*geojson.Feature, dropped int) {
	shift := tileZoom - z
	place := func(i int32) (x, y int32) {
		return t.x[i]>>shift - q[0]*tileExtent, t.y[i]>>shift - q[1]*tileExtent
	}
	before := func(i, j int32) int { // in the list, those without a rank last
		a, b := t.a.rows[i].rank, t.a.rows[j].rank
		return cmp.Or(cmp.Compare(uint32(a-1), uint32(b-1)), cmp.Compare(i, j))
	}
	shown := slices.Clone(list)
	slices.SortFunc(shown, before)
	type crowd struct{ trees, severe int64 }
	crowds := map[int32]*crowd{}
	if cell > 0 {
		first := map[[2]int32]*crowd{}
		kept := shown[:0]
		for _, i := range shown {
			x, y := place(i)
			k := [2]int32{x / cell, y / cell}
			c := first[k]
			if c == nil {
				c = &crowd{}
				first[k], crowds[i] = c, c
				kept = append(kept, i)
			} else {
				dropped++
			}
			c.trees++
			if r := t.a.rows.at(int(i)); r.res.Graded && r.res.Class == 0 {
				c.severe++
			}
		}
		shown = kept
	}
	slices.Reverse(shown)
	fields := t.far
	if z >= nearZoom {
		fields = t.near
	}
	for _, i := range shown {
		x, y := place(i)
		p := t.properties(i, fields)
		if c := crowds[i]; c != nil && c.trees > 1 {
			p["trees"], p["severe"] = c.trees, c.severe
		}
		out = append(out, feature(orb.Point{float64(x), float64(y)}, p))
	}
	return out, dropped
}

// inTile cuts a polygon to a tile, on its steps: shells turn one way and holes
// the other, as the format has it (Vector Tile Specification 2.1, 4.3.4.4);
// nil where nothing is left.
func inTile(p orb.Polygon, q [2]int32) orb.Geometry {
	left, top := float64(q[0])*tileExtent, float64(q[1])*tileExtent
	box := orb.Bound{Min: orb.Point{left - tileEdge, top - tileEdge}, Max: orb.Point{left + tileExtent + tileEdge, top + tileExtent + tileEdge}}
	var rings []orb.Ring
	for _, r := range p {
		c := clip.Ring(box, r)
		var out orb.Ring
		for _, v := range c {
			s := orb.Point{math.Floor(v[0] - left), math.Floor(v[1] - top)}
			if n := len(out); n == 0 || out[n-1] != s {
				out = append(out, s)
			}
		}
		if n := len(out); n > 1 && out[0] == out[n-1] {
			out = out[:n-1]
		}
		if len(out) < 3 || steps2(out) == 0 {
			continue
		}
		rings = append(rings, append(out, out[0]))
	}
	if len(rings) == 0 {
		return nil
	}
	// Shells before the holes that lie in them: a ring is a hole when an odd
	// number of others hold it.
	return nested(rings)
}

// steps2 is twice the signed area, positive where the ring turns as the format
// wants shells: clockwise as seen, y downwards.
func steps2(r []orb.Point) float64 {
	sum := 0.0
	for i, p := range r {
		n := r[(i+1)%len(r)]
		sum += p[0]*n[1] - n[0]*p[1]
	}
	return sum
}

// nested puts rings into polygons by what lies in what.
func nested(rings []orb.Ring) orb.MultiPolygon {
	depth, parent := make([]int, len(rings)), make([]int, len(rings))
	area := make([]float64, len(rings))
	for i := range rings {
		area[i] = math.Abs(steps2(rings[i][:len(rings[i])-1]))
	}
	for i := range rings {
		parent[i] = -1
		at := inner(rings[i])
		for j := range rings {
			if j == i || area[j] <= area[i] || !holds(rings[j], at) {
				continue
			}
			depth[i]++
			if parent[i] < 0 || area[j] < area[parent[i]] {
				parent[i] = j
			}
		}
	}
	var out orb.MultiPolygon
	shell := map[int]int{}
	for i, r := range rings {
		if depth[i]%2 == 0 {
			shell[i] = len(out)
			out = append(out, orb.Polygon{turned(r, true)})
		}
	}
	for i, r := range rings {
		if depth[i]%2 == 1 {
			k := shell[parent[i]]
			out[k] = append(out[k], turned(r, false))
		}
	}
	return out
}

// turned is the ring with the turn of a shell or of a hole.
func turned(r orb.Ring, shell bool) orb.Ring {
	if (steps2(r[:len(r)-1]) > 0) != shell {
		r = slices.Clone(r)
		slices.Reverse(r)
	}
	return r
}

// inner is a point inside of a ring or on it: the middle of the first two
// corners of its ear nearest to its lowest corner.
func inner(r orb.Ring) orb.Point {
	n := len(r) - 1
	low := 0
	for k := range n {
		if r[k][1] < r[low][1] || r[k][1] == r[low][1] && r[k][0] < r[low][0] {
			low = k
		}
	}
	a, b, c := r[(low+n-1)%n], r[low], r[(low+1)%n]
	// A hair from the lowest corner, towards the middle of its neighbours.
	return orb.Point{b[0] + 1e-3*((a[0]+c[0])/2-b[0]), b[1] + 1e-3*((a[1]+c[1])/2-b[1])}
}

// holds tells whether a point lies in a ring.
func holds(r orb.Ring, p orb.Point) bool {
	in := false
	for k := 1; k < len(r); k++ {
		a, b := r[k-1], r[k]
		if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < (b[0]-a[0])*(p[1]-a[1])/(b[1]-a[1])+a[0] {
			in = !in
		}
	}
	return in
}
