// Package crs says what the numbers of a layer mean on the ground: it reads
// coordinate systems from EPSG codes and well-known text, turns their
// coordinates into longitude and latitude and back, and lays the one local
// metric plane on which a run computes.
//
// x is always east (or longitude) and y north (or latitude), whatever order the
// system's own axes have: shapefiles, GeoPackage and GeoJSON store them so.
package crs

import (
	"fmt"
	"math"
)

// System is what the numbers of a layer mean. It does not change once made and
// may be used by many goroutines.
type System struct {
	name   string
	epsg   int // 0: not known
	datum  *datum
	prime  meridian
	angle  unit // of geographic coordinates and, in WKT1, of parameters
	length unit // of projected coordinates; zero when geographic

	// turned: the EPSG dataset has not the usual order of its axes, which is east
	// before north and latitude before longitude. Here x is east all the same.
	turned bool

	area box    // area of use; zero: not known
	esri string // name in an ESRI .prj, "" to be made from name

	conv conversion // zero when geographic
	proj projection // nil when geographic
}

// meridian is a prime meridian: its longitude in degrees east of Greenwich.
type meridian struct {
	name string
	epsg int
	deg  float64
}

var greenwich = meridian{"Greenwich", 8901, 0}

// conversion is a projection's method and parameters: angles in degrees,
// longitudes from the system's prime meridian, lengths in the system's unit.
type conversion struct {
	method     method
	lat0, lon0 float64 // natural or false origin, or centre
	lat1, lat2 float64 // standard parallels
	k0         float64 // scale factor at the origin
	fe, fn     float64 // false easting, northing
	azimuth    float64 // of the initial line, oblique Mercator
	rectified  float64 // angle from rectified to skew grid, oblique Mercator
}

// projection turns radians into metres and back. Longitudes count from the
// central meridian, metres from the origin of the projection: false easting,
// northing and units are the System's. A point outside comes back NaN.
type projection interface {
	forward(lon, lat float64) (x, y float64)
	inverse(x, y float64) (lon, lat float64)
}

// newSystem sets up the projection of a projected system.
func newSystem(s System) (*System, error) {
	if s.angle.size == 0 {
		s.angle = degree
	}
	if s.prime.name == "" {
		s.prime = greenwich
	}
	if !s.datum.ell.earthly() {
		return nil, fmt.Errorf("coordinate system %q: ellipsoid with semi-major axis %g m and inverse flattening %g is not the Earth's", s.name, s.datum.ell.a, s.datum.ell.invF)
	}
	if s.conv.method == 0 {
		return &s, nil
	}
	p, err := s.conv.project(s.datum.ell)
	if err != nil {
		return nil, fmt.Errorf("coordinate system %q: %w", s.name, err)
	}
	s.proj = p
	return &s, nil
}

// WGS84 returns longitude and latitude in degrees on WGS 84 (EPSG:4326, x =
// longitude).
func WGS84() *System { return geographics().byCode[4326] }

// Name returns the system's name as its source gives it.
func (s *System) Name() string { return s.name }

// EPSG returns the code of the system in the EPSG dataset, 0 when not known.
func (s *System) EPSG() int { return s.epsg }

// Geographic tells whether x and y are longitude and latitude.
func (s *System) Geographic() bool { return s.proj == nil }

// Unit returns the unit of x and y and its length in metres. A geographic
// system's unit is an angle: its name and 0 metres are returned.
func (s *System) Unit() (name string, metres float64) {
	if s.Geographic() {
		return s.angle.name, 0
	}
	return s.length.name, s.length.size
}

const rad = math.Pi / 180

// ToLonLat turns a point of the system into longitude and latitude in degrees
// from Greenwich, on the system's own datum (Shift tells what that means to
// another datum). Longitudes come back in -180..180 except from a geographic
// system in degrees, whose numbers are handed through.
func (s *System) ToLonLat(x, y float64) (lon, lat float64, err error) {
	lon, lat = s.toLonLat(x, y)
	if !(math.Abs(lat) <= 90) || !(math.Abs(lon) <= 540) {
		return 0, 0, s.outside(x, y)
	}
	return lon, lat, nil
}

// toLonLat is ToLonLat with NaN or a latitude past a pole for an error.
func (s *System) toLonLat(x, y float64) (lon, lat float64) {
	if s.proj == nil {
		if s.angle.size != degree.size {
			k := s.angle.size / rad
			x, y = x*k, y*k
		}
		return x + s.prime.deg, y
	}
	u := s.length.size
	l, p := s.proj.inverse((x-s.conv.fe)*u, (y-s.conv.fn)*u)
	lon = l/rad + (s.conv.lon0 + s.prime.deg)
	if lon > 180 {
		lon -= 360
	} else if lon < -180 {
		lon += 360
	}
	return lon, p / rad
}

// FromLonLat turns longitude and latitude in degrees from Greenwich, on the
// system's own datum, into a point of the system.
func (s *System) FromLonLat(lon, lat float64) (x, y float64, err error) {
	x, y = s.fromLonLat(lon, lat)
	if math.IsNaN(x) || math.IsNaN(y) || math.IsInf(x, 0) || math.IsInf(y, 0) {
		return 0, 0, fmt.Errorf("longitude %g, latitude %g lies outside the coordinate system %q", lon, lat, s.name)
	}
	return x, y, nil
}

func (s *System) fromLonLat(lon, lat float64) (x, y float64) {
	if !(lat >= -90 && lat <= 90 && lon >= -540 && lon <= 540) {
		return math.NaN(), math.NaN()
	}
	if s.proj == nil {
		lon -= s.prime.deg
		if s.angle.size != degree.size {
			k := rad / s.angle.size
			return lon * k, lat * k
		}
		return lon, lat
	}
	l := lon - (s.conv.lon0 + s.prime.deg)
	if l > 180 {
		l -= 360
	} else if l < -180 {
		l += 360
	}
	x, y = s.proj.forward(l*rad, lat*rad)
	u := s.length.size
	return x/u + s.conv.fe, y/u + s.conv.fn
}

func (s *System) outside(x, y float64) error {
	return fmt.Errorf("x %g, y %g lies outside the coordinate system %q: is it the layer's own? (say which it is with --crs)", x, y, s.name)
}
