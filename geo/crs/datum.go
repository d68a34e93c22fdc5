package crs

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// datum is a geodetic datum: the ellipsoid and how it lies in the Earth.
type datum struct {
	code       int // of its geographic system in geographic.csv, 0: not there
	datumCode  int
	system     string // name of the geographic system
	esriSystem string
	name       string // as WKT1 spells it
	epsg       string // as the EPSG dataset does, "" where it is not there
	esri       string
	ell        ellipsoid
	toWGS84    *helmert // nil: a grid would be needed, or nothing is known
	accuracyM  float64  // of toWGS84, 0: not stated
	source     string
	given      bool // toWGS84 came with the file
}

// helmert is a position vector transformation to WGS 84 (IOGP Guidance Note
// 7-2, method 9606): metres, radians and a scale.
type helmert struct {
	tx, ty, tz, rx, ry, rz, k float64
	arcsec                    [7]float64 // as given: metres, arc-seconds, ppm
}

func (h *helmert) null() bool { return h.arcsec == [7]float64{} }

// newHelmert takes 0, 3 or 7 numbers: metres, arc-seconds, parts per million.
func newHelmert(v []float64) (helmert, error) {
	if len(v) == 1 && v[0] == 0 {
		return helmert{k: 1}, nil
	}
	if len(v) != 3 && len(v) != 7 {
		return helmert{}, fmt.Errorf("a datum shift has 3 or 7 numbers, not %d", len(v))
	}
	var p [7]float64
	copy(p[:], v)
	for i, x := range p {
		// Shifts in use are below 3 km, 200 seconds, 200 ppm.
		if !(math.Abs(x) < 1e4) {
			return helmert{}, fmt.Errorf("number %d of the datum shift, %g, is out of range", i+1, x)
		}
	}
	const sec = rad / 3600
	return helmert{p[0], p[1], p[2], p[3] * sec, p[4] * sec, p[5] * sec, 1 + p[6]*1e-6, p}, nil
}

func (h *helmert) forward(x, y, z float64) (float64, float64, float64) {
	return h.tx + h.k*(x-h.rz*y+h.ry*z),
		h.ty + h.k*(h.rz*x+y-h.rx*z),
		h.tz + h.k*(-h.ry*x+h.rx*y+z)
}

func (h *helmert) inverse(x, y, z float64) (float64, float64, float64) {
	x, y, z = (x-h.tx)/h.k, (y-h.ty)/h.k, (z-h.tz)/h.k
	return x + h.rz*y - h.ry*z, -h.rz*x + y + h.rx*z, h.ry*x - h.rx*y + z
}

// geocentric returns the Earth-centred coordinates in metres of a point on the
// ellipsoid.
func (e ellipsoid) geocentric(lon, lat float64) (x, y, z float64) {
	s, c := math.Sincos(lat * rad)
	sl, cl := math.Sincos(lon * rad)
	n := e.a / math.Sqrt(1-e.e2()*s*s)
	return n * c * cl, n * c * sl, n * (1 - e.e2()) * s
}

// geodetic returns the longitude and latitude in degrees of a point near the
// ellipsoid (B. Bowring, Survey Review 23 (1976); two rounds: below 1e-9 m for
// heights of a few kilometres).
func (e ellipsoid) geodetic(x, y, z float64) (lon, lat float64) {
	e2 := e.e2()
	f1 := math.Sqrt(1 - e2)
	p := math.Sqrt(x*x + y*y)
	t := z / (p * f1)
	for range 2 {
		c := 1 / math.Sqrt(1+t*t)
		s := t * c
		t = f1 * (z + e2/(1-e2)*e.a*f1*s*s*s) / (p - e2*e.a*c*c*c)
	}
	return math.Atan2(y, x) / rad, math.Atan(t/f1) / rad
}

// sameDatum tells whether two datums are one: by code, else by name and
// ellipsoid and the shift that came with the file.
func sameDatum(d, o *datum) bool {
	if d == o {
		return true
	}
	if d.code != 0 || o.code != 0 {
		return d.code == o.code
	}
	if fold(d.name) != fold(o.name) || math.Abs(d.ell.a-o.ell.a) > 1e-3 || math.Abs(d.ell.f()-o.ell.f()) > 1e-11 {
		return false
	}
	if d.toWGS84 == nil || o.toWGS84 == nil {
		return d.toWGS84 == o.toWGS84
	}
	return d.toWGS84.arcsec == o.toWGS84.arcsec
}

// Shift tells how the numbers of one datum are taken for another's.
//
//   - The same datum: no note, no error.
//   - Two frames that are declared equal (the NAD83 family, ETRS89, GDA94 and
//     GDA2020, NZGD2000 and others, and WGS 84): the numbers are taken as they
//     stand, and the note says what is ignored.
//   - Parameters known on both sides (in the layer's own well-known text, or in
//     the table): they are applied, and the note gives their accuracy.
//   - Otherwise a grid is needed: an error with the remedy.
func Shift(from, to *System) (note string, err error) {
	_, note, err = shifter(from, to)
	return note, err
}

// shifter returns the change of longitude and latitude from one datum to the
// other, nil for none.
func shifter(from, to *System) (func(lon, lat float64) (float64, float64), string, error) {
	a, b := from.datum, to.datum
	if sameDatum(a, b) {
		return nil, "", nil
	}
	for _, d := range []*datum{a, b} {
		if d.toWGS84 == nil {
			return nil, "", needsGrid(d, a, b)
		}
	}
	if a.toWGS84.null() && b.toWGS84.null() {
		return nil, fmt.Sprintf("%s coordinates are taken for %s as they stand: the 1 to 2 m by which plate motion and surveys have moved the two apart are ignored", a.system, b.system), nil
	}
	ha, hb, ea, eb := *a.toWGS84, *b.toWGS84, a.ell, b.ell
	shift := func(lon, lat float64) (float64, float64) {
		x, y, z := ea.geocentric(lon, lat)
		if !ha.null() {
			x, y, z = ha.forward(x, y, z)
		}
		if !hb.null() {
			x, y, z = hb.inverse(x, y, z)
		}
		return eb.geodetic(x, y, z)
	}
	var how []string
	for _, d := range []*datum{a, b} {
		switch {
		case d.toWGS84.null():
		case d.given:
			how = append(how, fmt.Sprintf("%s to WGS 84 by the parameters in the layer's own text, which does not say how good they are", d.system))
		default:
			operation := d.source[strings.LastIndex(d.source, " ")+1:]
			how = append(how, fmt.Sprintf("%s to WGS 84 by the seven parameters of %s, good to about %g m", d.system, operation, d.accuracyM))
		}
	}
	return shift, fmt.Sprintf("%s coordinates are shifted to %s (%s)", a.system, b.system, strings.Join(how, "; ")), nil
}

func needsGrid(bad, a, b *datum) error {
	if bad.code == 0 {
		return fmt.Errorf("how the datum %q lies to %s is not known: say which coordinate system the layer has (--crs), or reproject it first (ogr2ogr -t_srs EPSG:4326 OUT IN)", bad.system, other(bad, a, b).system)
	}
	return fmt.Errorf("from %s to %s a datum grid is needed, which is not built in: reproject the layer first with a tool that has it (ogr2ogr -t_srs EPSG:4326 OUT IN)", a.system, b.system)
}

func other(d, a, b *datum) *datum {
	if d == a {
		return b
	}
	return a
}

var errNoSystem = errors.New("no coordinate system: say which with --crs")
