package crs

import (
	"fmt"
	"math"
)

// utmFamilies are the UTM zones that come by formula: code = base + zone.
var utmFamilies = []struct {
	base, first, last int
	south             bool
	geographic        int
	name, esri        string
}{
	{32600, 1, 60, false, 4326, "WGS 84 / UTM zone %dN", "WGS_1984_UTM_Zone_%dN"},
	{32700, 1, 60, true, 4326, "WGS 84 / UTM zone %dS", "WGS_1984_UTM_Zone_%dS"},
	{26900, 1, 23, false, 4269, "NAD83 / UTM zone %dN", "NAD_1983_UTM_Zone_%dN"},
	{25800, 28, 38, false, 4258, "ETRS89 / UTM zone %dN", "ETRS_1989_UTM_Zone_%dN"},
}

// otherCodes are codes in common use that stand for one of the dataset's:
// withdrawn ones and those of other authorities.
var otherCodes = map[int]int{
	900913: 3857, 3785: 3857, 102100: 3857, 102113: 3857,
}

// FromEPSG returns the system of a code of the EPSG dataset: longitude and
// latitude on any datum there, UTM, State Plane in metres and both feet, and
// the national grids whose method is known. A 3D code is taken for the 2D
// system of the same datum.
func FromEPSG(code int) (*System, error) {
	if c, ok := otherCodes[code]; ok {
		code = c
	}
	g := geographics()
	if s, ok := g.byCode[code]; ok {
		return s, nil
	}
	if s, ok := g.solid[code]; ok {
		return s, nil
	}
	if s := utm(code); s != nil {
		return newSystem(*s)
	}
	if r, ok := projecteds().byCode[code]; ok {
		return newSystem(r.System)
	}
	return nil, fmt.Errorf("EPSG:%d is not a coordinate system that is built in: give the well-known text of it (the .prj), or reproject the layer first (ogr2ogr -t_srs EPSG:4326 OUT IN)", code)
}

// utm returns the UTM zone of a code without its projection, nil if the code is
// no such.
func utm(code int) *System {
	for _, f := range utmFamilies {
		zone := code - f.base
		if zone < f.first || zone > f.last {
			continue
		}
		g := geographics().byCode[f.geographic]
		s := &System{
			name: fmt.Sprintf(f.name, zone), esri: fmt.Sprintf(f.esri, zone), epsg: code,
			datum: g.datum, prime: greenwich, angle: degree, length: metre,
			conv: conversion{method: tmMethod, lon0: float64(6*zone - 183), k0: 0.9996, fe: 500000},
		}
		s.area = box{s.conv.lon0 - 3, 0, s.conv.lon0 + 3, 84}
		if f.south {
			s.conv.fn = 10000000
			s.area.south, s.area.north = -80, 0
		}
		return s
	}
	return nil
}

// utmCode returns the code of the UTM zone that s would be, 0 for none.
func utmCode(s *System) int {
	c := s.conv
	if c.method != tmMethod || s.length.size != 1 || math.Abs(c.k0-0.9996) > 1e-9 {
		return 0
	}
	for _, f := range utmFamilies {
		zone := int(math.Round((c.lon0 + 183) / 6))
		if f.geographic == s.datum.code && f.south == (c.fn > 5e6) && zone >= f.first && zone <= f.last {
			return f.base + zone
		}
	}
	return 0
}

// identify returns s with the code and the area of use of the row that it
// equals; the name stays its own. claimed is the code that its source gave, 0
// for none: where two codes mean the same, that one is kept.
func identify(s *System, claimed int) *System {
	s.epsg = 0
	if s.Geographic() {
		for _, g := range geographics().list {
			if g.Same(s) {
				s.epsg, s.area, s.turned = g.epsg, g.area, g.turned
				if claimed == 0 || g.epsg == claimed {
					return s
				}
			}
		}
		if _, err := FromEPSG(claimed); s.epsg == 0 && err != nil {
			s.epsg = claimed // a code beyond the tables: its source is believed
		}
		return s
	}
	take := func(code int) bool {
		o, err := FromEPSG(code)
		if err != nil || !o.Same(s) {
			return false
		}
		s.epsg, s.area, s.esri, s.turned = o.epsg, o.area, o.esri, o.turned
		return true
	}
	if claimed != 0 && take(claimed) {
		return s
	}
	t := projecteds()
	for _, r := range t.byName[fold(s.name)] {
		if r.near(s) && take(r.epsg) {
			return s
		}
	}
	if code := utmCode(s); code != 0 && take(code) {
		return s
	}
	for _, r := range t.list {
		if r.near(s) && take(r.epsg) {
			return s
		}
	}
	if _, err := FromEPSG(claimed); err != nil {
		s.epsg = claimed // a code beyond the tables: its source is believed
	}
	return s
}

// near is a quick look before Same: numbers that no rounding could bring
// together end the comparison.
func (r *projectedRow) near(s *System) bool {
	return sameDatum(r.datum, s.datum) &&
		math.Abs(r.length.size-s.length.size) < 1e-6 &&
		math.Abs(r.conv.lon0+r.prime.deg-s.conv.lon0-s.prime.deg) < 1e-3
}
