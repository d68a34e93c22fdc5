package crs

import (
	"fmt"
	"strconv"
	"strings"
)

// Lookup returns the system that a short text names.
func Lookup(text string) (*System, error) {
	t := strings.TrimSpace(text)
	if strings.EqualFold(t, "CRS84") || strings.HasSuffix(strings.ToUpper(t), ":CRS84") {
		return wgs84, nil
	}
	if strings.ContainsAny(t, "[(") {
		return ParseWKT(t)
	}
	code, err := strconv.Atoi(t[strings.LastIndexByte(t, ':')+1:])
	if err != nil {
		return nil, fmt.Errorf("coordinate system %q is not understood: give an EPSG code (--crs EPSG:2263) or well-known text", t)
	}
	return FromEPSG(code)
}

// Same tells whether numbers of s and o mean the same.
func (s *System) Same(o *System) bool {
	return s == o || s.datum == o.datum && s.conv == o.conv && s.length.size == o.length.size && s.angle.size == o.angle.size && s.prime == o.prime
}

// Plausible tells whether a layer's extent can be in the system.
func (s *System) Plausible(minX, minY, maxX, maxY float64) error { return nil }
