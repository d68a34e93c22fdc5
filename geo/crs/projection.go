package crs

import "fmt"

type method int

const (
	_ method = iota
	tmMethod
)

// project sets up the projection of c on the ellipsoid.
func (c conversion) project(el ellipsoid, unitM float64) (projection, error) {
	switch c.method {
	case tmMethod:
		return newTransverseMercator(el, c.lat0*rad, c.k0), nil
	}
	return nil, fmt.Errorf("projection method %d is not known", c.method)
}
