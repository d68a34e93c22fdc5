package crs

import "math"

// transverseMercator is the projection on which most of the world's town maps
// are drawn. Krueger's series to n^6, after C. Karney, Transverse Mercator with
// an accuracy of a few nanometers, J. Geodesy 85 (2011), eqs 7 to 36.
type transverseMercator struct {
	conformal
	k0A   float64    // scale x rectifying radius, metres
	m0    float64    // xi of the latitude of origin
	alpha [6]float64 // eq. 35
	beta  [6]float64 // eq. 36
}

func newTransverseMercator(el ellipsoid, lat0, k0 float64) *transverseMercator {
	n := el.n()
	p := &transverseMercator{
		conformal: newConformal(el),
		k0A:       k0 * el.a / (1 + n) * poly(n*n, 1, 1./4, 1./64, 1./256),
		alpha: [6]float64{
			poly(n, 0, 1./2, -2./3, 5./16, 41./180, -127./288, 7891./37800),
			poly(n, 0, 0, 13./48, -3./5, 557./1440, 281./630, -1983433./1935360),
			poly(n, 0, 0, 0, 61./240, -103./140, 15061./26880, 167603./181440),
			poly(n, 0, 0, 0, 0, 49561./161280, -179./168, 6601661./7257600),
			poly(n, 0, 0, 0, 0, 0, 34729./80640, -3418889./1995840),
			poly(n, 0, 0, 0, 0, 0, 0, 212378941./319334400),
		},
		beta: [6]float64{
			poly(n, 0, 1./2, -2./3, 37./96, -1./360, -81./512, 96199./604800),
			poly(n, 0, 0, 1./48, 1./15, -437./1440, 46./105, -1118711./3870720),
			poly(n, 0, 0, 0, 17./480, -37./840, -209./4480, 5569./90720),
			poly(n, 0, 0, 0, 0, 4397./161280, -11./504, -830251./7257600),
			poly(n, 0, 0, 0, 0, 0, 4583./161280, -108847./3991680),
			poly(n, 0, 0, 0, 0, 0, 0, 20648693./638668800),
		},
	}
	s, c := math.Sincos(lat0)
	chi := math.Atan(p.tan(s, c))
	s, c = math.Sincos(2 * chi)
	p.m0 = chi + sinSeries(&p.alpha, s, c)
	return p
}

// tmReach is how far from the central meridian, in radians of longitude, the
// projection is used at all: the series still holds to a millimetre there.
const tmReach = 45 * math.Pi / 180

func (p *transverseMercator) forward(lon, lat float64) (x, y float64) {
	if lon > tmReach || lon < -tmReach {
		return math.NaN(), math.NaN()
	}
	t := p.tan(math.Sincos(lat))
	sl, cl := math.Sincos(lon)
	h2 := t*t + cl*cl
	r := 1 / h2
	sinh := sl * math.Sqrt(r) // sinh of eta'
	cosh := math.Sqrt(1 + sinh*sinh)
	xi := math.Atan2(t, cl)
	eta := math.Asinh(sinh)
	a, b := clenshaw(&p.alpha, 2*t*cl*r, (cl*cl-t*t)*r, 2*sinh*cosh, 1+2*sinh*sinh)
	return p.k0A * (eta + b), p.k0A * (xi + a - p.m0)
}

func (p *transverseMercator) inverse(x, y float64) (lon, lat float64) {
	xi, eta := y/p.k0A+p.m0, x/p.k0A
	if eta > 1 || eta < -1 || xi > math.Pi/2 || xi < -math.Pi/2 {
		return math.NaN(), math.NaN() // past a pole, or 50 degrees off
	}
	s, c := math.Sincos(2 * xi)
	e := math.Exp(2 * eta)
	a, b := clenshaw(&p.beta, s, c, (e-1/e)/2, (e+1/e)/2)
	xi, eta = xi-a, eta-b
	s, c = math.Sincos(xi)
	sinh := math.Sinh(eta)
	return math.Atan2(sinh, c), p.latitude(s / math.Sqrt(sinh*sinh+c*c))
}

// clenshaw returns the real and imaginary parts of the sum of
// c[j-1] sin(2j(xi + i eta)), from the sines and cosines, circular and
// hyperbolic, of the doubled arguments.
func clenshaw(c *[6]float64, s, cs, sh, ch float64) (re, im float64) {
	// sin z and 2 cos z for z = 2(xi + i eta)
	sr, si := s*ch, cs*sh
	dr, di := 2*cs*ch, -2*s*sh
	var b1r, b1i, b2r, b2i float64
	for j := 5; j >= 0; j-- {
		b1r, b1i, b2r, b2i = c[j]+dr*b1r-di*b1i-b2r, dr*b1i+di*b1r-b2i, b1r, b1i
	}
	return sr*b1r - si*b1i, sr*b1i + si*b1r
}
