package crs

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Lookup returns the system that a text names: an EPSG code ("EPSG:2263",
// "2263", "urn:ogc:def:crs:EPSG::2263",
// "http://www.opengis.net/def/crs/EPSG/0/2263"), longitude and latitude by
// name ("CRS84", "urn:ogc:def:crs:OGC:1.3:CRS84"), or well-known text. It is
// what --crs and the crs member of GeoJSON take.
func Lookup(text string) (*System, error) {
	t := strings.Trim(text, " \t\r\n\ufeff\x00\"'")
	if t == "" {
		return nil, errNoSystem
	}
	if strings.ContainsAny(t, "[(") {
		return ParseWKT(t)
	}
	if len(t) > 200 {
		t = t[:200]
	}
	parts := strings.FieldsFunc(strings.ToUpper(t), func(r rune) bool { return r == ':' || r == '/' || r == '#' || r == ' ' })
	last := ""
	if len(parts) > 0 {
		last = parts[len(parts)-1]
	}
	switch last {
	case "CRS84", "OGC84", "WGS84", "CRS84H":
		return WGS84(), nil
	case "CRS83", "NAD83":
		return FromEPSG(4269)
	}
	last, _, _ = strings.Cut(last, "+") // "2263+6360": the heights are not ours
	code, err := strconv.Atoi(last)
	known := len(parts) == 1
	for _, p := range parts {
		known = known || p == "EPSG" || p == "EPSG.XML" || p == "ESRI" && otherCodes[code] != 0
	}
	if err != nil || code <= 0 || !known {
		return nil, fmt.Errorf("coordinate system %q is not understood: give an EPSG code (EPSG:2263) or well-known text", t)
	}
	return FromEPSG(code)
}

// Same tells whether numbers of s and o mean the same point: the same datum,
// and coordinates that agree to a tenth of a millimetre all around the
// projection's origin. Names and codes do not count.
func (s *System) Same(o *System) bool {
	if s == o {
		return true
	}
	if s == nil || o == nil || s.Geographic() != o.Geographic() || !sameDatum(s.datum, o.datum) {
		return false
	}
	if s.Geographic() {
		return math.Abs(s.angle.size/o.angle.size-1) < 1e-9 && math.Abs(s.prime.deg-o.prime.deg) < 1e-9
	}
	a, b := &s.conv, &o.conv
	if a.family() != b.family() || math.Abs(s.length.size/o.length.size-1) > 1e-9 {
		return false
	}
	if *a == *b && s.prime == o.prime {
		return true
	}
	tol := 1e-4 / s.length.size
	lon, lat := a.lon0+s.prime.deg, a.lat0
	switch a.method {
	case lcc2Method, albersMethod, merc2Method:
		lat = (a.lat1 + a.lat2) / 2
	}
	for _, d := range [...][2]float64{{0, 0}, {1, 1}, {-1, 1}, {1, -1}, {-1, -1}, {3, 4}, {-3, -4}} {
		p := math.Max(-80, math.Min(80, lat+d[1]))
		x1, y1 := s.fromLonLat(lon+d[0], p)
		x2, y2 := o.fromLonLat(lon+d[0], p)
		if !(math.Abs(x1-x2) <= tol && math.Abs(y1-y2) <= tol) {
			return false
		}
	}
	return true
}

// family brings methods together that can be the same map.
func (c *conversion) family() method {
	switch c.method {
	case lcc1Method:
		return lcc2Method
	case merc1Method:
		return merc2Method
	case hotineAMethod:
		return hotineBMethod
	}
	return c.method
}
