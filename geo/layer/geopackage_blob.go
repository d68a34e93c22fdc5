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
	one, ok := t.one.of(t.schema.Shape, g)
	if !ok {
		return bound, false, wrong()
	}
	switch g := one.(type) {
	case orb.Point:
		check([]orb.Point{g})
	case orb.MultiPolygon:
		for _, polygon := range g {
			for _, ring := range polygon {
				check(ring)
			}
		}
	case orb.MultiLineString:
		for _, line := range g {
			check(line)
		}
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
	if t.schema.Shape != Points {
		header[3] |= 1 << 1
		for _, x := range [...]float64{bound.Min[0], bound.Max[0], bound.Min[1], bound.Max[1]} {
			binary.LittleEndian.PutUint64(header[n:], math.Float64bits(x))
			n += 8
		}
	}
	t.buffer.Write(header[:n])
	return bound, true, t.wkb.Encode(one)
}

// emptyBound holds no point and grows to what is added.
func emptyBound() orb.Bound {
	return orb.Bound{
		Min: orb.Point{math.Inf(1), math.Inf(1)},
		Max: orb.Point{math.Inf(-1), math.Inf(-1)},
	}
}
