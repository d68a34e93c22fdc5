package crs

import (
	"errors"
	"math"
)

// mercator is IOGP Guidance Note 7-2, methods 9804 and 9805; on a sphere of
// the semi-major axis, fed with the latitude of the ellipsoid, it is the Web
// Mercator of method 1024.
type mercator struct {
	conformal
	k0a float64
}

func newMercator(el ellipsoid, k0 float64) *mercator {
	return &mercator{newConformal(el), k0 * el.a}
}

func (p *mercator) forward(lon, lat float64) (x, y float64) {
	if lat > 89.99*rad || lat < -89.99*rad {
		return math.NaN(), math.NaN()
	}
	return p.k0a * lon, p.k0a * math.Asinh(p.tan(math.Sincos(lat)))
}

func (p *mercator) inverse(x, y float64) (lon, lat float64) {
	if x > 7*p.k0a || x < -7*p.k0a {
		return math.NaN(), math.NaN()
	}
	return x / p.k0a, p.latitude(math.Sinh(y / p.k0a))
}

// obliqueMercator is Hotine's, variants A (9812) and B (9815) of IOGP Guidance
// Note 7-2: a narrow map along a slanting line, as of the Alaska panhandle or
// Switzerland.
type obliqueMercator struct {
	conformal
	b, ab, h, uc float64 // ab = A/B
	sinG, cosG   float64 // gamma0
	sinC, cosC   float64 // rectified grid angle
	lon0         float64 // from the longitude of the centre
}

func newObliqueMercator(el ellipsoid, lat0, azimuth, rectified, k0 float64, atCentre bool) (*obliqueMercator, error) {
	if math.Abs(lat0) < 1e-6 || math.Abs(lat0) > 89.9*rad || math.Abs(math.Sin(azimuth)) < 1e-6 {
		return nil, errors.New("an oblique Mercator on the equator, at a pole or along a meridian is not handled")
	}
	p := &obliqueMercator{conformal: newConformal(el)}
	s, c := math.Sincos(lat0)
	w := 1 - p.e2*s*s
	p.b = math.Sqrt(1 + p.e2*c*c*c*c/(1-p.e2))
	a := el.a * p.b * k0 * math.Sqrt(1-p.e2) / w
	p.ab = a / p.b
	d := math.Max(1, p.b*math.Sqrt((1-p.e2)/w)/c)
	root := math.Copysign(math.Sqrt(d*d-1), lat0)
	f := d + root
	p.h = f * math.Exp(-p.b*math.Asinh(p.tan(s, c)))
	g := (f - 1/f) / 2
	sa, ca := math.Sincos(azimuth)
	p.sinG = sa / d
	p.cosG = math.Sqrt(1 - p.sinG*p.sinG)
	p.lon0 = -math.Asin(math.Max(-1, math.Min(1, g*p.sinG/p.cosG))) / p.b
	p.sinC, p.cosC = math.Sincos(rectified)
	if atCentre {
		p.uc = p.ab * math.Atan2(root, ca)
	}
	return p, nil
}

func (p *obliqueMercator) forward(lon, lat float64) (x, y float64) {
	q := p.h * math.Exp(p.b*math.Asinh(p.tan(math.Sincos(lat))))
	s, t := (q-1/q)/2, (q+1/q)/2
	v, c := math.Sincos(p.b * (lon - p.lon0))
	u := (s*p.sinG - v*p.cosG) / t
	east := -p.ab * math.Atanh(u)
	north := p.ab*math.Atan2(s*p.cosG+v*p.sinG, c) - p.uc
	return east*p.cosC + north*p.sinC, north*p.cosC - east*p.sinC
}

func (p *obliqueMercator) inverse(x, y float64) (lon, lat float64) {
	v := x*p.cosC - y*p.sinC
	u := (y*p.cosC + x*p.sinC + p.uc) / p.ab
	if math.Abs(v/p.ab) > 2 || math.Abs(u) > math.Pi {
		return math.NaN(), math.NaN()
	}
	q := math.Exp(-v / p.ab)
	s, t := (q-1/q)/2, (q+1/q)/2
	su, cu := math.Sincos(u)
	w := (su*p.cosG + s*p.sinG) / t
	return p.lon0 - math.Atan2(s*p.cosG-su*p.sinG, cu)/p.b, p.latitude(math.Sinh((math.Atanh(w) - math.Log(p.h)) / p.b))
}
