package crs

import (
	"fmt"
	"math"

	"soilshed/geo"
)

// Plane is the one local metric plane of a run: metres east and north of a
// point near the middle of the tree layer, with the y axis true north there.
//
// Where the trees' own projected system is nearly true to shape and scale, the
// plane is a turned and scaled copy of its coordinates, so that layers in it
// cost a few multiplications a point; else it is a transverse Mercator around
// the point. Lengths are true at the origin. Areas are off, measured against an
// equal-area map over fourteen towns, by at most
//
//	                      5 km     20 km    50 km from the origin
//	transverse Mercator   6e-7     1.0e-5   6.2e-5
//	the layer's own map   2.7e-5   1.2e-4   3.3e-4
//
// and the y axis is off true north by tan(latitude) x distance / 6,371 km, a
// third of a degree 30 km east at 50 degrees.
type Plane struct {
	base   *System // projected: the layer's own, or a local transverse Mercator
	x0, y0 float64 // origin, in base's units
	// plane = (a dx - b dy, b dx + a dy): base's unit, point scale and
	// convergence at the origin taken out.
	a, b   float64
	ia, ib float64 // the way back
}

// planeReachM and planeStretch say when the plane may be a turned and scaled
// copy of a projected layer's own coordinates: when nowhere within planeReachM
// of the origin any direction is longer or shorter than at the origin by more
// than planeStretch. Transverse Mercator zones near their middle and Lambert
// zones of a state pass; Web Mercator and equal-area maps do not.
const (
	planeReachM  = 30000
	planeStretch = 1e-4
)

// NewPlane lays the plane for trees whose layer has its centre at x, y in
// base's own units. The origin is rounded (to 1000 units, or a hundredth of a
// degree), so that the same trees in any order give the same plane.
func NewPlane(base *System, x, y float64) (*Plane, error) {
	if base == nil {
		return nil, errNoSystem
	}
	if !base.Geographic() {
		x0, y0 := math.Round(x/1000)*1000, math.Round(y/1000)*1000
		if p := similar(base, x0, y0); p != nil {
			return p, nil
		}
	}
	lon, lat, err := base.ToLonLat(x, y)
	if err != nil {
		return nil, err
	}
	lon, lat = math.Round(lon*100)/100, math.Round(lat*100)/100
	if math.Abs(lat) > 85 {
		return nil, fmt.Errorf("the layer's centre lies at latitude %.1f: no street trees grow there; is %q the layer's own coordinate system? (say which it is with --crs)", lat, base.name)
	}
	local, err := newSystem(System{
		name:  fmt.Sprintf("transverse Mercator at %.2f, %.2f", lon, lat),
		datum: base.datum, prime: greenwich, angle: degree, length: metre,
		conv: conversion{method: tmMethod, lat0: lat, lon0: lon, k0: 1},
	})
	if err != nil {
		return nil, err
	}
	return &Plane{base: local, a: 1, ia: 1}, nil
}

// similar returns the plane that is a similarity transform of base, nil where
// base stretches the ground too unevenly for that.
func similar(base *System, x0, y0 float64) *Plane {
	lon, lat, err := base.ToLonLat(x0, y0)
	if err != nil || math.Abs(lat) > 85 {
		return nil
	}
	k, north, _, ok := stretch(base, lon, lat)
	if !ok {
		return nil
	}
	dLat := planeReachM / 6371000.0 / rad
	dLon := dLat / math.Cos(lat*rad)
	for _, d := range [][2]float64{{0, 0}, {0, 1}, {1, 1}, {1, 0}, {1, -1}, {0, -1}, {-1, -1}, {-1, 0}, {-1, 1}} {
		ki, _, skew, ok := stretch(base, lon+d[0]*dLon, lat+d[1]*dLat)
		if !ok || math.Abs(ki/k-1)+skew > planeStretch {
			return nil
		}
	}
	// k is true metres to a unit of base; north the direction of the meridian.
	sin, cos := math.Sincos(north)
	return &Plane{
		base: base, x0: x0, y0: y0,
		a: cos / k, b: sin / k,
		ia: cos * k, ib: sin * k,
	}
}

// stretch returns how many units of s one metre on the ground is long at a
// point (geometric mean of all directions), the angle of true north from s's y
// axis, clockwise in radians, and by which share directions differ. The
// derivatives are central differences, good to 1e-9.
func stretch(s *System, lon, lat float64) (units, north, skew float64, ok bool) {
	const h = 1e-4 // degrees, 11 m: truncation 1e-12, rounding 1e-10
	ex1, ey1 := s.fromLonLat(lon+h, lat)
	ex0, ey0 := s.fromLonLat(lon-h, lat)
	nx1, ny1 := s.fromLonLat(lon, lat+h)
	nx0, ny0 := s.fromLonLat(lon, lat-h)
	el := s.datum.ell
	sin, cos := math.Sincos(lat * rad)
	w2 := 1 - el.e2()*sin*sin
	w := math.Sqrt(w2)
	eM := 2 * h * rad * el.a / w * cos
	nM := 2 * h * rad * el.a * (1 - el.e2()) / (w2 * w)
	ex, ey := (ex1-ex0)/eM, (ey1-ey0)/eM
	nx, ny := (nx1-nx0)/nM, (ny1-ny0)/nM
	units = math.Sqrt(ex*ny - ey*nx)
	if !(units > 0) || math.IsInf(units, 0) {
		return 0, 0, 0, false
	}
	// A conformal map has the east vector equal to the north vector turned.
	skew = math.Hypot(ex-ny, ey+nx) / units
	return units, math.Atan2(nx, ny), skew, true
}

// System returns the projected system under the plane: the tree layer's own, or
// a transverse Mercator centred on it.
func (p *Plane) System() *System { return p.base }

// From returns the way from the coordinates of a layer in s to the plane, and
// a note when one datum's numbers are taken for another's.
func (p *Plane) From(s *System) (func(x, y float64) (geo.XY, error), string, error) {
	base := p.base
	if s.Same(base) {
		return func(x, y float64) (geo.XY, error) {
			q := p.in(x, y)
			if !finite(q.X) || !finite(q.Y) {
				return geo.XY{}, notFinite(x, y)
			}
			return q, nil
		}, "", nil
	}
	shift, note, err := shifter(s, base)
	if err != nil {
		return nil, "", err
	}
	return func(x, y float64) (geo.XY, error) {
		lon, lat := s.toLonLat(x, y)
		if shift != nil {
			if !(lat <= 90 && lat >= -90 && lon <= 540 && lon >= -540) {
				return geo.XY{}, p.beyond(s, x, y)
			}
			lon, lat = shift(lon, lat)
		}
		q := p.in(base.fromLonLat(lon, lat))
		if !finite(q.X) || !finite(q.Y) {
			return geo.XY{}, p.beyond(s, x, y)
		}
		return q, nil
	}, note, nil
}

// To returns the way from the plane to the coordinates of s, and a note when
// one datum's numbers are taken for another's.
func (p *Plane) To(s *System) (func(geo.XY) (x, y float64, err error), string, error) {
	base := p.base
	if s.Same(base) {
		return func(q geo.XY) (float64, float64, error) {
			x, y := p.out(q)
			if !finite(x) || !finite(y) {
				return 0, 0, notFinite(q.X, q.Y)
			}
			return x, y, nil
		}, "", nil
	}
	shift, note, err := shifter(base, s)
	if err != nil {
		return nil, "", err
	}
	return func(q geo.XY) (float64, float64, error) {
		lon, lat := base.toLonLat(p.out(q))
		if shift != nil {
			lon, lat = shift(lon, lat)
		}
		x, y := s.fromLonLat(lon, lat)
		if !finite(x) || !finite(y) {
			return 0, 0, fmt.Errorf("the point %.0f m east, %.0f m north of the middle of the trees lies outside the coordinate system %q", q.X, q.Y, s.name)
		}
		return x, y, nil
	}, note, nil
}

// String tells this plane from others, with all digits.
func (p *Plane) String() string {
	return fmt.Sprintf("%s, origin %v, %v, turned and scaled by %v, %v", p.base.name, p.x0, p.y0, p.a, p.b)
}

func (p *Plane) in(x, y float64) geo.XY {
	x, y = x-p.x0, y-p.y0
	return geo.XY{X: p.a*x - p.b*y, Y: p.b*x + p.a*y}
}

func (p *Plane) out(q geo.XY) (x, y float64) {
	return p.ia*q.X + p.ib*q.Y + p.x0, p.ia*q.Y - p.ib*q.X + p.y0
}

func (p *Plane) beyond(s *System, x, y float64) error {
	if !finite(x) || !finite(y) {
		return notFinite(x, y)
	}
	if _, _, err := s.ToLonLat(x, y); err != nil {
		return err
	}
	return fmt.Errorf("x %g, y %g in %q lies in another part of the world than the trees: is that the layer's own coordinate system? (say which it is with --crs)", x, y, s.name)
}

func finite(v float64) bool { return v-v == 0 }

func notFinite(x, y float64) error {
	return fmt.Errorf("coordinate %g, %g is not a number", x, y)
}
