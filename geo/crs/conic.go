package crs

import (
	"errors"
	"math"
)

// lambert is the Lambert conformal conic projection with one or two standard
// parallels: IOGP Guidance Note 7-2, methods 9801 and 9802, with
// psi = -ln t for the isometric latitude.
type lambert struct {
	conformal
	n, aF, r0 float64
}

func newLambert(el ellipsoid, lat0, lat1, lat2, k0 float64) (*lambert, error) {
	p := &lambert{conformal: newConformal(el)}
	m := func(lat float64) float64 {
		s, c := math.Sincos(lat)
		return c / math.Sqrt(1-p.e2*s*s)
	}
	psi := func(lat float64) float64 { return math.Asinh(p.tan(math.Sincos(lat))) }
	if math.Abs(lat1) > 89*rad || math.Abs(lat2) > 89*rad || math.Abs(lat1+lat2) < 1e-6 {
		return nil, errors.New("a cone through these standard parallels does not exist")
	}
	p.n = math.Sin(lat1)
	if math.Abs(lat1-lat2) > 1e-10 {
		p.n = math.Log(m(lat1)/m(lat2)) / (psi(lat2) - psi(lat1))
	}
	p.aF = k0 * el.a * m(lat1) / p.n * math.Exp(p.n*psi(lat1))
	if math.Abs(lat0) < 90*rad-1e-9 {
		p.r0 = p.aF * math.Exp(-p.n*psi(lat0))
	} else if lat0*p.n < 0 {
		return nil, errors.New("the origin is the pole away from the cone")
	}
	return p, nil
}

func (p *lambert) forward(lon, lat float64) (x, y float64) {
	r := p.aF * math.Exp(-p.n*math.Asinh(p.tan(math.Sincos(lat))))
	s, c := math.Sincos(p.n * lon)
	return r * s, p.r0 - r*c
}

func (p *lambert) inverse(x, y float64) (lon, lat float64) {
	dy := p.r0 - y
	r := math.Copysign(math.Sqrt(x*x+dy*dy), p.n)
	if p.n < 0 {
		x, dy = -x, -dy
	}
	return math.Atan2(x, dy) / p.n, p.latitude(math.Sinh(math.Log(p.aF/r) / p.n))
}

// albers is the equal-area conic projection: IOGP Guidance Note 7-2, method
// 9822; J. Snyder, Map Projections (USGS Professional Paper 1395), p. 101.
type albers struct {
	authalic
	n, c, an, r0 float64
}

func newAlbers(el ellipsoid, lat0, lat1, lat2 float64) (*albers, error) {
	p := &albers{authalic: newAuthalic(el)}
	m2 := func(lat float64) float64 {
		s, c := math.Sincos(lat)
		return c * c / (1 - p.e2*s*s)
	}
	if math.Abs(lat1+lat2) < 1e-6 {
		return nil, errors.New("a cone through these standard parallels does not exist")
	}
	q1, q2 := p.q(math.Sin(lat1)), p.q(math.Sin(lat2))
	p.n = math.Sin(lat1)
	if math.Abs(lat1-lat2) > 1e-10 {
		p.n = (m2(lat1) - m2(lat2)) / (q2 - q1)
	}
	p.c = m2(lat1) + p.n*q1
	p.an = el.a / p.n
	p.r0 = p.an * math.Sqrt(p.c-p.n*p.q(math.Sin(lat0)))
	if math.IsNaN(p.r0) {
		return nil, errors.New("the latitude of origin lies beyond the cone")
	}
	return p, nil
}

func (p *albers) forward(lon, lat float64) (x, y float64) {
	r := p.an * math.Sqrt(p.c-p.n*p.q(math.Sin(lat)))
	s, c := math.Sincos(p.n * lon)
	return r * s, p.r0 - r*c
}

func (p *albers) inverse(x, y float64) (lon, lat float64) {
	dy := p.r0 - y
	r2 := (x*x + dy*dy) / (p.an * p.an)
	if p.n < 0 {
		x, dy = -x, -dy
	}
	return math.Atan2(x, dy) / p.n, p.latitude((p.c - r2) / p.n / p.qPole)
}
