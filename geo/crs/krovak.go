package crs

import (
	"errors"
	"math"
)

// krovak is the slanting conformal cone of the Czech and Slovak maps, with x
// east and y north: IOGP Guidance Note 7-2, methods 9819 and 1041.
type krovak struct {
	conformal
	b, shift   float64 // psi of the sphere = b psi + shift
	n, rho     float64
	sinA, cosA float64 // co-latitude of the cone's axis
}

func newKrovak(el ellipsoid, lat0, axis, lat1, k0 float64) (*krovak, error) {
	if math.Abs(lat0) > 89*rad || lat1 < 1*rad || lat1 > 89*rad {
		return nil, errors.New("parameters are not those of a Krovak map")
	}
	p := &krovak{conformal: newConformal(el)}
	s, c := math.Sincos(lat0)
	a := el.a * math.Sqrt(1-p.e2) / (1 - p.e2*s*s)
	p.b = math.Sqrt(1 + p.e2*c*c*c*c/(1-p.e2))
	p.shift = math.Atanh(s/p.b) - p.b*math.Asinh(p.tan(s, c))
	p.sinA, p.cosA = math.Sincos(axis)
	s, c = math.Sincos(lat1)
	p.n = s
	p.rho = k0 * a * c / s * math.Exp(p.n*math.Atanh(s))
	return p, nil
}

func (p *krovak) forward(lon, lat float64) (x, y float64) {
	psi := p.b*math.Asinh(p.tan(math.Sincos(lat))) + p.shift
	su, cu := math.Tanh(psi), 1/math.Cosh(psi)
	sv, cv := math.Sincos(-p.b * lon)
	// Latitude and longitude about the axis of the cone.
	r := p.rho * math.Exp(-p.n*math.Atanh(p.cosA*su+p.sinA*cu*cv))
	s, c := math.Sincos(p.n * math.Atan2(cu*sv, p.cosA*cu*cv-p.sinA*su))
	return -r * s, -r * c
}

func (p *krovak) inverse(x, y float64) (lon, lat float64) {
	st := math.Tanh(math.Log(p.rho/math.Sqrt(x*x+y*y)) / p.n)
	ct := math.Sqrt(1 - st*st)
	sd, cd := math.Sincos(math.Atan2(-x, -y) / p.n)
	su := p.cosA*st - p.sinA*ct*cd
	v := math.Atan2(ct*sd, p.sinA*st+p.cosA*ct*cd)
	return -v / p.b, p.latitude(math.Sinh((math.Atanh(su) - p.shift) / p.b))
}
