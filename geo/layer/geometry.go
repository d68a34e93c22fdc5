package layer

import (
	"errors"
	"fmt"

	"github.com/paulmach/orb"
)

// PolygonsOf returns the polygons in g, those inside collections too, and how
// many other geometries (stray lines and points) lie beside them.
func PolygonsOf(g orb.Geometry) (polygons orb.MultiPolygon, strays int) {
	switch g := g.(type) {
	case nil:
	case orb.Polygon:
		polygons = orb.MultiPolygon{g}
	case orb.MultiPolygon:
		polygons = g
	case orb.Collection:
		for _, part := range g {
			p, s := PolygonsOf(part)
			polygons = append(polygons[:len(polygons):len(polygons)], p...)
			strays += s
		}
	default:
		strays = 1
	}
	return polygons, strays
}

// PointOf returns the one point that g is: a point, or a multipoint or
// collection of one.
func PointOf(g orb.Geometry) (orb.Point, error) {
	switch g := g.(type) {
	case nil:
		return orb.Point{}, errors.New("no geometry where a point belongs")
	case orb.Point:
		return g, nil
	case orb.MultiPoint:
		if len(g) == 1 {
			return g[0], nil
		}
		return orb.Point{}, fmt.Errorf("a multipoint of %d points where one point belongs", len(g))
	case orb.Collection:
		if len(g) == 1 {
			return PointOf(g[0])
		}
		return orb.Point{}, fmt.Errorf("a collection of %d geometries where one point belongs", len(g))
	}
	return orb.Point{}, fmt.Errorf("a %s where a point belongs", g.GeoJSONType())
}
