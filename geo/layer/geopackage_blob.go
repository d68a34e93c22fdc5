package layer

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"github.com/paulmach/orb"
)

// A geometry is stored as a short header and ISO WKB (Req 19):
//
//	bytes 0-1  "GP"
//	byte 2     version, 0
//	byte 3     flags: bit 0 little endian, bits 1-3 kind of envelope,
//	           bit 4 empty, bit 5 not WKB
//	bytes 4-7  srs_id
//	then       the envelope: minx, maxx, miny, maxy (as float64), perhaps more
//	then       WKB

const gpkgHeaderBytes = 8

// encode leaves the blob of a geometry in t.buffer and returns its box; false
// when there is no geometry (nil, or nothing in it), which is stored as null.
func (t *geoPackageTable) encode(fid int64, g orb.Geometry) (orb.Bound, bool, error) {
	if g == nil || t.schema.Shape == NoShape {
		return orb.Bound{}, false, nil
	}
	wrong := func() error {
		return t.refuse(fid, reasonType, "", fmt.Errorf("%s in a layer of type %s", g.GeoJSONType(), gpkgGeometryType(t.schema.Shape)))
	}
	bound, finite := emptyBound(), true
	check := func(points []orb.Point) {
		for _, p := range points {
			finite = finite && p[0]-p[0] == 0 && p[1]-p[1] == 0
			bound.Min[0], bound.Max[0] = min(bound.Min[0], p[0]), max(bound.Max[0], p[0])
			bound.Min[1], bound.Max[1] = min(bound.Min[1], p[1]), max(bound.Max[1], p[1])
		}
	}
	envelope := true
	switch t.schema.Shape {
	case Points:
		p, ok := g.(orb.Point)
		if !ok {
			return bound, false, wrong()
		}
		check([]orb.Point{p})
		envelope = false
	case Polygons:
		var multi orb.MultiPolygon
		switch g := g.(type) {
		case orb.Polygon:
			multi = orb.MultiPolygon{g}
		case orb.MultiPolygon:
			multi = g
		default:
			return bound, false, wrong()
		}
		multi = t.tidyPolygons(multi)
		for _, polygon := range multi {
			for _, ring := range polygon {
				check(ring)
			}
		}
		g = multi
	case Lines:
		var multi orb.MultiLineString
		switch g := g.(type) {
		case orb.LineString:
			multi = orb.MultiLineString{g}
		case orb.MultiLineString:
			multi = g
		default:
			return bound, false, wrong()
		}
		for _, line := range multi {
			check(line)
		}
		g = multi
	default:
		return bound, false, wrong()
	}
	if !finite {
		return bound, false, t.refuse(fid, reasonNumber, "", errors.New("a coordinate is not a finite number"))
	}
	if bound.IsEmpty() {
		return bound, false, nil
	}
	t.buffer.Reset()
	var header [gpkgHeaderBytes + 32]byte
	header[0], header[1] = 'G', 'P'
	header[3] = 1
	binary.LittleEndian.PutUint32(header[4:], uint32(t.srs))
	n := gpkgHeaderBytes
	if envelope {
		header[3] |= 1 << 1
		for _, x := range [...]float64{bound.Min[0], bound.Max[0], bound.Min[1], bound.Max[1]} {
			binary.LittleEndian.PutUint64(header[n:], math.Float64bits(x))
			n += 8
		}
	}
	t.buffer.Write(header[:n])
	return bound, true, t.wkb.Encode(g)
}

// tidyPolygons closes rings, turns outer ones counterclockwise and holes
// clockwise (as OGC 06-103r4 has them), and leaves out rings of fewer than three
// corners, with the whole polygon when it is its outer one. The result is valid
// until the next call; multi is not changed.
func (t *geoPackageTable) tidyPolygons(multi orb.MultiPolygon) orb.MultiPolygon {
	t.tidy = t.tidy[:0]
	for _, polygon := range multi {
		kept := polygon
		own := false // kept is a copy
		for i, ring := range polygon {
			w := wound(ring, i > 0)
			if w == nil {
				t.dropped++
				if i == 0 {
					kept = nil
					break
				}
			}
			same := len(w) == len(ring) && &w[0] == &ring[0]
			if !same && !own {
				kept, own = append(orb.Polygon(nil), polygon[:i]...), true
			}
			if own && w != nil {
				kept = append(kept, w)
			}
		}
		if len(kept) > 0 {
			t.tidy = append(t.tidy, kept)
		}
	}
	return t.tidy
}

// emptyBound holds no point and grows to what is added.
func emptyBound() orb.Bound {
	return orb.Bound{
		Min: orb.Point{math.Inf(1), math.Inf(1)},
		Max: orb.Point{math.Inf(-1), math.Inf(-1)},
	}
}
