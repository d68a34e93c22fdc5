// Package plat draws invented towns: the grid they lie on, their blocks, and
// the files they are written to. It shares no code with soilshed on purpose, so
// that a mistake in soilshed's projections or readers cannot cancel itself out
// in a comparison.
package plat

import "math"

// Point is a place on a plane, in metres: on the sheet (east and north of a
// corner of the drawing, before streets are bent) or on the Grid.
type Point struct{ X, Y float64 }

// Grid is the Lambert conformal conic projection with two standard parallels
// on GRS 80 (Snyder 1987, USGS Professional Paper 1395, eqs 15-1 to 15-11,
// 14-15, 3-5).
type Grid struct {
	a, e           float64 // ellipsoid: semi-major axis in metres, eccentricity
	n, f, rho0     float64
	lon0, fe, fn   float64
	series         [4]float64 // conformal to geodetic latitude, eq 3-5
	EPSG           int        // code in metres
	ESRIMetres     string     // .prj text, metres
	ESRISurveyFeet string     // .prj text, US survey feet
}

const deg = math.Pi / 180

// SurveyFeetPerMetre is exact: 39.37 inches to the metre.
const SurveyFeetPerMetre = 3937.0 / 1200

// NorthIowa is a state plane zone that is kept both in metres (EPSG:26975) and
// in US survey feet (EPSG:3417). The invented towns lie on its northern
// standard parallel, 43°16' N, where its scale is 1: an area on the grid is the
// area on the ground to a few parts in a million.
func NorthIowa() *Grid {
	g := lambert(6378137, 1/298.257222101, 43+16.0/60, 42+4.0/60, 41.5, -93.5, 1500000, 1000000)
	g.EPSG = 26975
	geog := `GEOGCS["GCS_North_American_1983",DATUM["D_North_American_1983",SPHEROID["GRS_1980",6378137.0,298.257222101]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]],PROJECTION["Lambert_Conformal_Conic"],`
	rest := `PARAMETER["Central_Meridian",-93.5],PARAMETER["Standard_Parallel_1",43.2666666666667],PARAMETER["Standard_Parallel_2",42.0666666666667],PARAMETER["Latitude_Of_Origin",41.5],`
	g.ESRIMetres = `PROJCS["NAD_1983_StatePlane_Iowa_North_FIPS_1401",` + geog +
		`PARAMETER["False_Easting",1500000.0],PARAMETER["False_Northing",1000000.0],` + rest + `UNIT["Meter",1.0]]`
	g.ESRISurveyFeet = `PROJCS["NAD_1983_StatePlane_Iowa_North_FIPS_1401_Feet",` + geog +
		`PARAMETER["False_Easting",4921250.0],PARAMETER["False_Northing",3280833.3333],` + rest + `UNIT["US survey foot",0.304800609601219]]`
	return g
}

func lambert(a, flat, lat1, lat2, lat0, lon0, fe, fn float64) *Grid {
	e2 := flat * (2 - flat)
	g := &Grid{a: a, e: math.Sqrt(e2), lon0: lon0 * deg, fe: fe, fn: fn}
	m := func(lat float64) float64 {
		s, c := math.Sincos(lat)
		return c / math.Sqrt(1-e2*s*s)
	}
	m1, m2 := m(lat1*deg), m(lat2*deg)
	t1, t2 := g.t(lat1*deg), g.t(lat2*deg)
	g.n = math.Log(m1/m2) / math.Log(t1/t2)
	g.f = m1 / (g.n * math.Pow(t1, g.n))
	g.rho0 = a * g.f * math.Pow(g.t(lat0*deg), g.n)
	e4, e6, e8 := e2*e2, e2*e2*e2, e2*e2*e2*e2
	g.series = [4]float64{
		e2/2 + 5*e4/24 + e6/12 + 13*e8/360,
		7*e4/48 + 29*e6/240 + 811*e8/11520,
		7*e6/120 + 81*e8/1120,
		4279 * e8 / 161280,
	}
	return g
}

func (g *Grid) t(lat float64) float64 {
	s := g.e * math.Sin(lat)
	return math.Tan(math.Pi/4-lat/2) / math.Pow((1-s)/(1+s), g.e/2)
}

// Forward takes degrees to grid metres.
func (g *Grid) Forward(lon, lat float64) Point {
	rho := g.a * g.f * math.Pow(g.t(lat*deg), g.n)
	s, c := math.Sincos(g.n * (lon*deg - g.lon0))
	return Point{g.fe + rho*s, g.fn + g.rho0 - rho*c}
}

// Inverse takes grid metres to degrees (to 1e-10 or better).
func (g *Grid) Inverse(p Point) (lon, lat float64) {
	x, y := p.X-g.fe, g.rho0-(p.Y-g.fn)
	rho := math.Hypot(x, y)
	chi := math.Pi/2 - 2*math.Atan(math.Pow(rho/(g.a*g.f), 1/g.n))
	s, c := math.Sincos(2 * chi)
	s4, c4 := 2*s*c, c*c-s*s
	s6 := s4*c + c4*s
	s8 := 2 * s4 * c4
	phi := chi + g.series[0]*s + g.series[1]*s4 + g.series[2]*s6 + g.series[3]*s8
	return (math.Atan2(x, y)/g.n + g.lon0) / deg, phi / deg
}

// SurveyFeet takes grid metres to the same zone in US survey feet.
func (g *Grid) SurveyFeet(p Point) Point {
	return Point{4921250 + (p.X-1500000)*SurveyFeetPerMetre, 3280833.3333 + (p.Y-1000000)*SurveyFeetPerMetre}
}
