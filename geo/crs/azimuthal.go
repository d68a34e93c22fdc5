package crs

import (
	"errors"
	"math"
)

// lambertAzimuthal is the equal-area map around a point: IOGP Guidance Note
// 7-2, method 9820.
type lambertAzimuthal struct {
	authalic
	rq, d      float64
	sin0, cos0 float64 // authalic latitude of the centre
}

func newLambertAzimuthal(el ellipsoid, lat0 float64) (*lambertAzimuthal, error) {
	if math.Abs(lat0) > 89.9*rad {
		return nil, errors.New("a Lambert azimuthal map around a pole is not handled")
	}
	p := &lambertAzimuthal{authalic: newAuthalic(el)}
	s, c := math.Sincos(lat0)
	p.sin0 = p.q(s) / p.qPole
	p.cos0 = math.Sqrt(1 - p.sin0*p.sin0)
	p.rq = el.a * math.Sqrt(p.qPole/2)
	p.d = el.a * c / math.Sqrt(1-p.e2*s*s) / (p.rq * p.cos0)
	return p, nil
}

func (p *lambertAzimuthal) forward(lon, lat float64) (x, y float64) {
	sb := p.q(math.Sin(lat)) / p.qPole
	cb := math.Sqrt(math.Max(0, 1-sb*sb))
	sl, cl := math.Sincos(lon)
	g := 1 + p.sin0*sb + p.cos0*cb*cl
	if g < 0.5 { // past the horizon and then some: no town is mapped so
		return math.NaN(), math.NaN()
	}
	b := p.rq * math.Sqrt(2/g)
	return b * p.d * cb * sl, b / p.d * (p.cos0*sb - p.sin0*cb*cl)
}

func (p *lambertAzimuthal) inverse(x, y float64) (lon, lat float64) {
	x, y = x/p.d, y*p.d
	r2 := (x*x + y*y) / (p.rq * p.rq)
	// With c the angle from the centre: cos c = 1 - r2/2 and sin c / r.
	cos := 1 - r2/2
	k := math.Sqrt(1-r2/4) / p.rq // NaN past the antipode
	return math.Atan2(x*k, p.cos0*cos-y*k*p.sin0), p.latitude(cos*p.sin0 + y*k*p.cos0)
}

// stereographic is the oblique stereographic map by way of a conformal sphere:
// IOGP Guidance Note 7-2, method 9809.
type stereographic struct {
	conformal
	r2k, n, shift float64 // 2 R k0; psi of the sphere = n psi + shift
	sin0, cos0    float64 // latitude of the origin on the sphere
}

func newStereographic(el ellipsoid, lat0, k0 float64) (*stereographic, error) {
	if math.Abs(lat0) > 89.9*rad {
		return nil, errors.New("a stereographic map around a pole is not handled")
	}
	p := &stereographic{conformal: newConformal(el)}
	s, c := math.Sincos(lat0)
	w := 1 - p.e2*s*s
	p.r2k = 2 * k0 * el.a * math.Sqrt(1-p.e2) / w
	p.n = math.Sqrt(1 + p.e2*c*c*c*c/(1-p.e2))
	p.sin0 = s / p.n
	p.cos0 = math.Sqrt(1 - p.sin0*p.sin0)
	p.shift = math.Atanh(p.sin0) - p.n*math.Asinh(p.tan(s, c))
	return p, nil
}

func (p *stereographic) forward(lon, lat float64) (x, y float64) {
	psi := p.n*math.Asinh(p.tan(math.Sincos(lat))) + p.shift
	sc := math.Tanh(psi)
	cc := 1 / math.Cosh(psi)
	sl, cl := math.Sincos(p.n * lon)
	b := 1 + sc*p.sin0 + cc*p.cos0*cl
	if b < 0.5 {
		return math.NaN(), math.NaN()
	}
	k := p.r2k / b
	return k * cc * sl, k * (sc*p.cos0 - cc*p.sin0*cl)
}

func (p *stereographic) inverse(x, y float64) (lon, lat float64) {
	// On a sphere of diameter r2k: tan(c/2) = r / r2k.
	x, y = x/p.r2k, y/p.r2k
	r2 := x*x + y*y
	k := 1 / (1 + r2)
	cos := (1 - r2) * k
	s := cos*p.sin0 + 2*y*k*p.cos0
	return math.Atan2(2*x*k, cos*p.cos0-2*y*k*p.sin0) / p.n, p.latitude(math.Sinh((math.Atanh(s) - p.shift) / p.n))
}
