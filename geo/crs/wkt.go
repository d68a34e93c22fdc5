package crs

import "errors"

// ParseWKT reads a coordinate system from well-known text.
func ParseWKT(text string) (*System, error) {
	return nil, errors.New("well-known text is not read yet")
}

// WKT returns the system as OGC WKT1.
func (s *System) WKT() string { return "" }

// ESRI returns the system as ESRI WKT1, the text of a .prj.
func (s *System) ESRI() string { return "" }
