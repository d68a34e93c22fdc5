package crs

import "math"

// ellipsoid is a name, the semi-major axis in metres and the inverse
// flattening (0: a sphere).
type ellipsoid struct {
	name string
	epsg int
	a    float64
	invF float64
}

func (e ellipsoid) f() float64 {
	if e.invF == 0 {
		return 0
	}
	return 1 / e.invF
}

// e2 is the square of the first eccentricity, n the third flattening.
func (e ellipsoid) e2() float64 { f := e.f(); return f * (2 - f) }
func (e ellipsoid) n() float64  { f := e.f(); return f / (2 - f) }

// earthly tells whether the series below hold to their last digit: every
// ellipsoid ever fitted to the Earth has 1/f between 290 and 302.
func (e ellipsoid) earthly() bool {
	return e.a > 6.3e6 && e.a < 6.5e6 && (e.invF == 0 || e.invF > 250 && e.invF < 350)
}

// conformal turns geodetic latitude into conformal latitude and back. Tangents
// carry both ways, since the projections want the tangent.
type conformal struct {
	e2    float64
	c     [6]float64 // e2/3, e2^2/5 ...: the series of atanh, see tan
	delta [6]float64 // conformal to geodetic latitude, sin 2jx
}

func newConformal(el ellipsoid) conformal {
	n, e2 := el.n(), el.e2()
	return conformal{
		e2: e2,
		c:  [6]float64{e2 / 3, e2 * e2 / 5, math.Pow(e2, 3) / 7, math.Pow(e2, 4) / 9, math.Pow(e2, 5) / 11, math.Pow(e2, 6) / 13},
		// L. Krueger, Konforme Abbildung des Erdellipsoids in der Ebene (1912);
		// to n^6 in C. Karney, On auxiliary latitudes (2023), eq. for chi to phi.
		delta: [6]float64{
			poly(n, 0, 2, -2./3, -2, 116./45, 26./45, -2854./675),
			poly(n, 0, 0, 7./3, -8./5, -227./45, 2704./315, 2323./945),
			poly(n, 0, 0, 0, 56./15, -136./35, -1262./105, 73814./2835),
			poly(n, 0, 0, 0, 0, 4279./630, -332./35, -399572./14175),
			poly(n, 0, 0, 0, 0, 0, 4174./315, -144838./6237),
			poly(n, 0, 0, 0, 0, 0, 0, 601676./22275),
		},
	}
}

// tan returns the tangent of the conformal latitude of a latitude given by its
// sine and cosine (C. Karney, Transverse Mercator with an accuracy of a few
// nanometers, J. Geodesy 85 (2011), eqs 7 to 9). e atanh(e s) and its sinh are
// at most e2 (0.0068), so that the terms kept are exact to a double.
func (c *conformal) tan(s, cos float64) float64 {
	s2 := s * s
	q := c.e2 * s * (1 + s2*(c.c[0]+s2*(c.c[1]+s2*(c.c[2]+s2*(c.c[3]+s2*(c.c[4]+s2*c.c[5]))))))
	q2 := q * q
	sigma := q * (1 + q2*(1./6+q2*(1./120+q2/5040)))
	t := s / cos
	return t*math.Sqrt(1+sigma*sigma) - sigma*math.Sqrt(1+t*t)
}

// latitude returns the geodetic latitude whose conformal latitude has the
// tangent t.
func (c *conformal) latitude(t float64) float64 {
	h := 1 / (1 + t*t)
	return math.Atan(t) + sinSeries(&c.delta, 2*t*h, (1-t*t)*h)
}

// poly evaluates c[0] + c[1] x + ...
func poly(x float64, c ...float64) float64 {
	s := 0.0
	for i := len(c) - 1; i >= 0; i-- {
		s = s*x + c[i]
	}
	return s
}

// sinSeries sums c[j-1] sin(j x), j = 1..6, by Clenshaw's recurrence.
func sinSeries(c *[6]float64, sin, cos float64) float64 {
	d := 2 * cos
	b6 := c[5]
	b5 := c[4] + d*b6
	b4 := c[3] + d*b5 - b6
	b3 := c[2] + d*b4 - b5
	b2 := c[1] + d*b3 - b4
	b1 := c[0] + d*b2 - b3
	return sin * b1
}

// authalic turns geodetic latitude into the latitude of the sphere of equal
// area and back.
type authalic struct {
	e2    float64
	c     [6]float64 // e2/3, e2^2/5 ...: the series of atanh
	qPole float64
	beta  [6]float64 // authalic to geodetic latitude, sin 2jx
}

func newAuthalic(el ellipsoid) authalic {
	n := el.n()
	a := authalic{
		e2: el.e2(),
		c:  newConformal(el).c,
		// C. Karney, On auxiliary latitudes (2023), eq. for xi to phi.
		beta: [6]float64{
			poly(n, 0, 4./3, 4./45, -16./35, -2582./14175, 60136./467775, 28112932./212837625),
			poly(n, 0, 0, 46./45, 152./945, -11966./14175, -21016./51975, 251310128./638512875),
			poly(n, 0, 0, 0, 3044./2835, 3802./14175, -94388./66825, -8797648./10945935),
			poly(n, 0, 0, 0, 0, 6059./4725, 41072./93555, -1472637812./638512875),
			poly(n, 0, 0, 0, 0, 0, 768272./467775, 455935736./638512875),
			poly(n, 0, 0, 0, 0, 0, 0, 4210684958./1915538625),
		},
	}
	a.qPole = a.q(1)
	return a
}

// q of a sine of latitude: Snyder, Map Projections (1987), eq. 3-12, with
// atanh(e s)/e as a series.
func (a *authalic) q(s float64) float64 {
	s2 := s * s
	t := s * (1 + s2*(a.c[0]+s2*(a.c[1]+s2*(a.c[2]+s2*(a.c[3]+s2*(a.c[4]+s2*a.c[5]))))))
	return (1 - a.e2) * (s/(1-a.e2*s2) + t)
}

// latitude returns the geodetic latitude whose authalic latitude has the sine
// s, NaN past a pole.
func (a *authalic) latitude(s float64) float64 {
	if s > 1 && s < 1+1e-12 || s < -1 && s > -1-1e-12 {
		s = math.Copysign(1, s)
	}
	c := math.Sqrt(1 - s*s)
	return math.Atan2(s, c) + sinSeries(&a.beta, 2*s*c, 1-2*s*s)
}
