package crs

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"strings"
	"testing"
)

func dms(d, m, s float64) float64 { return d + m/60 + s/3600 }

// The worked examples of IOGP Guidance Note 7-2 (373-07-02) and of the Ordnance
// Survey, with the digits they print.
func TestPublishedExamples(t *testing.T) {
	airy := ellipsoid{"Airy 1830", 7001, 6377563.396, 299.3249646}
	clarke := ellipsoid{"Clarke 1866", 7008, 6378206.4, 294.978698213898}
	grs80 := ellipsoid{"GRS 1980", 7019, 6378137, 298.257222101}
	grid := conversion{method: tmMethod, lat0: 49, lon0: -2, k0: 0.9996012717, fe: 400000, fn: -100000}
	for _, c := range []struct {
		source   string
		ell      ellipsoid
		unit     unit
		conv     conversion
		lon, lat float64
		x, y     float64
		tol      float64
	}{
		{"Guidance Note 7-2, Transverse Mercator, British grid (digits as quoted in an open test suite)", airy, metre, grid,
			0.5, 50.5, 577274.99, 69740.50, 0.01},
		{"Ordnance Survey, A Guide to Coordinate Systems in Great Britain, annex C", airy, metre, grid,
			dms(1, 43, 4.5177), dms(52, 39, 27.2531), 651409.903, 313177.270, 0.0006},
		{"Guidance Note 7-2, Lambert Conic Conformal (2SP), Texas South Central on NAD27", clarke, usFoot,
			conversion{method: lcc2Method, lat0: dms(27, 50, 0), lon0: -99, lat1: dms(28, 23, 0), lat2: dms(30, 17, 0), k0: 1, fe: 2000000},
			-96, 28.5, 2963503.91, 254759.80, 0.006},
		{"Guidance Note 7-2, Lambert Azimuthal Equal Area, ETRS89", grs80, metre,
			conversion{method: laeaMethod, lat0: 52, lon0: 10, k0: 1, fe: 4321000, fn: 3210000},
			5, 50, 3962799.45, 2999718.85, 0.006},
	} {
		s, err := newSystem(System{name: c.source, datum: &datum{name: "test", ell: c.ell}, length: c.unit, conv: c.conv})
		if err != nil {
			t.Fatal(err)
		}
		x, y, err := s.FromLonLat(c.lon, c.lat)
		if err != nil || math.Abs(x-c.x) > c.tol || math.Abs(y-c.y) > c.tol {
			t.Errorf("%s: %.4f, %.4f, %v; printed %.3f, %.3f", c.source, x, y, err, c.x, c.y)
		}
		lon, lat, err := s.ToLonLat(x, y)
		if err != nil || math.Abs(lon-c.lon) > 1e-11 || math.Abs(lat-c.lat) > 1e-11 {
			t.Errorf("%s: back at %.12f, %.12f, %v", c.source, lon, lat, err)
		}
	}
}

// Series against closed forms: the conformal and authalic latitudes come back
// to the last digits, and q and the tangent equal the textbook's logarithms.
func TestLatitudeSeries(t *testing.T) {
	for _, s := range geographics().list {
		el := s.datum.ell
		c, a, e := newConformal(el), newAuthalic(el), math.Sqrt(el.e2())
		for lat := -89.0; lat <= 89; lat += 3.7 {
			sin, cos := math.Sincos(lat * rad)
			tau := c.tan(sin, cos)
			// IOGP Guidance Note 7-2: t = tan(pi/4 - phi/2) / ((1 - e sin phi)/(1 + e sin phi))^(e/2)
			want := math.Sinh(math.Log(math.Tan(math.Pi/4+lat*rad/2)) - e/2*math.Log((1+e*sin)/(1-e*sin)))
			if math.Abs(tau-want) > 1e-13*(1+tau*tau) {
				t.Fatalf("%s: tangent of the conformal latitude of %g: %.17g, want %.17g", el.name, lat, tau, want)
			}
			if back := c.latitude(tau); math.Abs(back-lat*rad) > 8e-16 {
				t.Fatalf("%s: conformal latitude of %g comes back %.3g off", el.name, lat, back-lat*rad)
			}
			q := a.q(sin)
			if e > 0 {
				// Snyder 3-12
				want = (1 - e*e) * (sin/(1-e*e*sin*sin) - math.Log((1-e*sin)/(1+e*sin))/(2*e))
				if math.Abs(q-want) > 1e-14 {
					t.Fatalf("%s: q of %g: %.17g, want %.17g", el.name, lat, q, want)
				}
			}
			if back := a.latitude(q / a.qPole); math.Abs(back-lat*rad) > 1e-15/cos { // an arcsine loses that much
				t.Fatalf("%s: authalic latitude of %g comes back %.3g off", el.name, lat, back-lat*rad)
			}
		}
	}
}

// Every row of the tables sets up, names its source, comes back through its own
// well-known text in both dialects, and goes there and back at the middle and
// the corners of its area of use.
func TestTables(t *testing.T) {
	codes := 0
	check := func(s *System, source string) {
		codes++
		if !strings.HasPrefix(source, "EPSG v") || s.name == "" || s.area == (box{}) {
			t.Errorf("EPSG:%d: source %q, name %q, area %v", s.epsg, source, s.name, s.area)
		}
		for how, text := range map[string]string{"WKT": s.WKT(), "ESRI": s.ESRI()} {
			again, err := ParseWKT(text)
			if err != nil {
				t.Errorf("EPSG:%d: its own %s: %v", s.epsg, how, err)
			} else if !again.Same(s) || again.epsg != s.epsg {
				t.Errorf("EPSG:%d: another system after %s (EPSG:%d):\n%s", s.epsg, how, again.epsg, text)
			}
		}
		mid := s.area.west + s.area.width()/2
		for _, f := range [][2]float64{{0.1, 0.1}, {-0.5, -0.5}, {0.5, 0.5}, {-0.5, 0.5}, {0.5, -0.5}} {
			lon := math.Remainder(mid+f[0]*min(s.area.width(), 20), 360)
			lat := (s.area.south+s.area.north)/2 + f[1]*min(s.area.north-s.area.south, 20)
			if math.Abs(lat) > 89 {
				continue
			}
			x, y, err := s.FromLonLat(lon, lat)
			if err != nil {
				t.Errorf("EPSG:%d: %v", s.epsg, err)
				continue
			}
			lon2, lat2, err := s.ToLonLat(x, y)
			if err != nil || math.Abs(math.Remainder(lon2-lon, 360)) > 1e-10 || math.Abs(lat2-lat) > 1e-10 {
				t.Errorf("EPSG:%d: %g, %g came back as %g, %g, %v", s.epsg, lon, lat, lon2, lat2, err)
			}
			if err := s.Plausible(x, y, x, y); err != nil {
				t.Errorf("EPSG:%d: a point of its own area of use is refused: %v", s.epsg, err)
			}
		}
	}
	for _, g := range geographics().list {
		check(g, g.datum.source)
	}
	for _, r := range projecteds().list {
		s, err := newSystem(r.System)
		if err != nil {
			t.Error(err)
			continue
		}
		check(s, r.source)
	}
	for _, f := range utmFamilies {
		for z := f.first; z <= f.last; z++ {
			s, err := FromEPSG(f.base + z)
			if err != nil {
				t.Fatal(err)
			}
			check(s, s.datum.source)
		}
	}
	if codes < 5000 {
		t.Errorf("only %d systems", codes)
	}
}

func TestLookup(t *testing.T) {
	for text, want := range map[string]int{
		"EPSG:2263": 2263, "2263": 2263, " epsg:2263\n": 2263, "urn:ogc:def:crs:EPSG::2263": 2263, "urn:ogc:def:crs:EPSG:9.8.1:2263": 2263,
		"http://www.opengis.net/def/crs/EPSG/0/2263": 2263, "http://www.opengis.net/gml/srs/epsg.xml#2263": 2263,
		"CRS84": 4326, "OGC:CRS84": 4326, "urn:ogc:def:crs:OGC:1.3:CRS84": 4326, "urn:ogc:def:crs:OGC::CRS84": 4326, "http://www.opengis.net/def/crs/OGC/1.3/CRS84": 4326,
		"OGC:CRS83": 4269, "WGS84": 4326, "EPSG:4979": 4326, "900913": 3857, "ESRI:102100": 3857, "EPSG:3587": 3587, "EPSG:2263+6360": 2263,
		wkt2263: 2263,
	} {
		s, err := Lookup(text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
		} else if s.EPSG() != want {
			t.Errorf("%q is taken for EPSG:%d", text, s.EPSG())
		}
	}
	for _, text := range []string{"", "  ", "EPSG:", "EPSG:0", "EPSG:-1", "EPSG:99999999999999999999", "IGNF:2154", "ESRI:2263", "UTM 10", "+proj=utm +zone=10", "PROJCS[", "EPSG:1", strings.Repeat("9", 5000)} {
		if s, err := Lookup(text); err == nil {
			t.Errorf("%q is taken for %s", text, s.Name())
		}
	}
}

// The .prj of New York State Plane as a desktop GIS writes it, in short digits.
const wkt2263 = `PROJCS["NAD_1983_StatePlane_New_York_Long_Island_FIPS_3104_Feet",GEOGCS["GCS_North_American_1983",DATUM["D_North_American_1983",SPHEROID["GRS_1980",6378137.0,298.257222101]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]],PROJECTION["Lambert_Conformal_Conic"],PARAMETER["False_Easting",984250.0],PARAMETER["False_Northing",0.0],PARAMETER["Central_Meridian",-74.0],PARAMETER["Standard_Parallel_1",40.66666666666666],PARAMETER["Standard_Parallel_2",41.03333333333333],PARAMETER["Latitude_Of_Origin",40.16666666666666],UNIT["Foot_US",0.3048006096]]`

// A parameter that is wrong by little is noticed: the code is not given, and
// the reference points are missed.
func TestWrongParameterIsNoticed(t *testing.T) {
	var points []point
	for _, p := range readPoints(t, "../../fixtures/reference/crs.csv") {
		if p.code == 2263 {
			points = append(points, p)
		}
	}
	miss := func(s *System) (worst float64) {
		for _, p := range points {
			f, i, err := p.offBy(s)
			if err != nil {
				return math.Inf(1)
			}
			worst = max(worst, f, i)
		}
		return worst
	}
	right, err := ParseWKT(wkt2263)
	if err != nil || right.EPSG() != 2263 || len(points) == 0 || miss(right) > toleranceM {
		t.Fatalf("the right text: EPSG:%d, off by %g m over %d points, %v", right.EPSG(), miss(right), len(points), err)
	}
	if _, m := right.Unit(); m != 1200.0/3937 {
		t.Errorf("the unit of short digits is %v m", m)
	}
	for _, change := range [][2]string{
		{"0.3048006096", "0.3048"}, {"984250.0", "984250.1"}, {"40.66666666666666", "40.66667"}, {"-74.0", "-74.000001"},
		{"40.16666666666666", "40.166666"}, {"298.257222101", "298.26"}, {"41.03333333333333", "41.033"},
	} {
		s, err := ParseWKT(strings.Replace(wkt2263, change[0], change[1], 1))
		if err != nil {
			t.Fatal(err)
		}
		if s.EPSG() != 0 || s.Same(right) {
			t.Errorf("%s for %s: still taken for EPSG:%d", change[1], change[0], s.EPSG())
		}
		if off := miss(s); off < 5*toleranceM {
			t.Errorf("%s for %s: reference points are missed by %g m only", change[1], change[0], off)
		}
	}
	// A code that the numbers belie is not believed.
	s, err := ParseWKT(strings.Replace(wkt2263, `0.3048006096]]`, `0.3048],AUTHORITY["EPSG","2263"]]`, 1))
	if err != nil || s.EPSG() != 0 {
		t.Errorf("international feet under the code 2263: EPSG:%d, %v", s.EPSG(), err)
	}
}

func TestUnits(t *testing.T) {
	for code, want := range map[int]float64{2263: 1200.0 / 3937, 26918: 1, 2251: 0.3048, 4326: 0} {
		s, err := FromEPSG(code)
		if err != nil {
			t.Fatal(err)
		}
		if _, m := s.Unit(); m != want {
			t.Errorf("EPSG:%d: unit of %v m, want %v", code, m, want)
		}
	}
	// The two feet: 1.219 m at 2,000,000.
	if d := 2e6 * (usFoot.size - foot.size); math.Abs(d-1.219) > 0.0005 {
		t.Errorf("the feet differ by %g m at 2,000,000", d)
	}
}

func TestSame(t *testing.T) {
	get := func(code int) *System {
		s, err := FromEPSG(code)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	same := [][2]int{{25835, 3067}, {4326, 4979}}
	for _, p := range same {
		if !get(p[0]).Same(get(p[1])) {
			t.Errorf("EPSG:%d and EPSG:%d should be the same", p[0], p[1])
		}
	}
	for _, p := range [][2]int{{2263, 32118}, {2263, 6539}, {32610, 32611}, {32610, 26910}, {3857, 3395}, {4326, 4269}, {4326, 3857}, {27571, 27572}, {4807, 4275}} {
		if get(p[0]).Same(get(p[1])) || get(p[1]).Same(get(p[0])) {
			t.Errorf("EPSG:%d and EPSG:%d should differ", p[0], p[1])
		}
	}
}

func TestShift(t *testing.T) {
	get := func(code int) *System {
		s, err := FromEPSG(code)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	for _, c := range []struct {
		from, to  int
		note, err string
	}{
		{2263, 4269, "", ""}, {2263, 32118, "", ""},
		{2263, 4326, "1 to 2 m", ""}, {6539, 32618, "1 to 2 m", ""}, {25832, 4326, "1 to 2 m", ""}, {7856, 28356, "1 to 2 m", ""}, {2193, 3857, "1 to 2 m", ""},
		{27700, 4326, "good to about 2 m", ""}, {4326, 27700, "EPSG:1314", ""}, {27700, 28992, "good to about 1 m", ""}, {27572, 2154, "EPSG:1193", ""},
		{4267, 4326, "", "grid"}, {26718, 26918, "", "grid"},
	} {
		note, err := Shift(get(c.from), get(c.to))
		if c.err == "" && (err != nil || !strings.Contains(note, c.note) || c.note == "" && note != "") {
			t.Errorf("EPSG:%d to EPSG:%d: note %q, error %v; want a note with %q", c.from, c.to, note, err, c.note)
		}
		if c.err != "" && (err == nil || !strings.Contains(err.Error(), c.err) || !strings.Contains(err.Error(), "ogr2ogr")) {
			t.Errorf("EPSG:%d to EPSG:%d: error %v; want one with %q and the remedy", c.from, c.to, err, c.err)
		}
	}
}

// Text that cannot be read or must not be taken says why and what to do.
func TestParseWKTRefuses(t *testing.T) {
	const geog = `GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137,298.257223563]],PRIMEM["Greenwich",0],UNIT["Degree",0.0174532925199433]]`
	proj := func(rest string) string { return `PROJCS["town map",` + geog + `,` + rest + `]` }
	for text, want := range map[string]string{
		"":                             "empty",
		"hello":                        "bracket",
		`PROJCS["a"`:                   "ends inside PROJCS",
		`PROJCS["a`:                    "quotation",
		strings.Repeat("A[", 100):      "too deep",
		strings.Repeat(" ", maxWKT+1):  "too long",
		`LOCAL_CS["site",UNIT["m",1]]`: "does not say where on the Earth",
		`GEOCCS["WGS 84"]`:             "geocentric",
		`VERT_CS["Newlyn"]`:            "not a horizontal",
		`GEOGCS["x",UNIT["degree",0]]`: "out of range",
		`GEOGCS["x"]`:                  "lacks its DATUM",
		`GEOGCS["x",DATUM["Moon",SPHEROID["Moon",1737400,0]],UNIT["degree",0.0174532925199433]]`:                                                                                                                           "not the Earth's",
		proj(`PROJECTION["Cassini_Soldner"],UNIT["metre",1]`):                                                                                                                                                              "method \"Cassini_Soldner\" is not handled",
		proj(`PROJECTION["Polyconic"],UNIT["metre",1]`):                                                                                                                                                                    "ogr2ogr",
		proj(`PROJECTION["Transverse_Mercator"],PARAMETER["central_meridian",9]`):                                                                                                                                          "lacks its UNIT",
		proj(`PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",0],UNIT["metre",1]`):                                                                                                                        "central meridian is missing",
		proj(`PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian","NaN"],UNIT["metre",1]`):                                                                                    "not a number",
		proj(`PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",9],UNIT["metre",1],AXIS["x",WEST]`):                                                                         "points west",
		proj(`PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",9],PARAMETER["tilt",3],UNIT["metre",1]`):                                                                    "tilt",
		proj(`PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",9],PARAMETER["azimuth",3],UNIT["metre",1]`):                                                                 "azimuth",
		proj(`PROJECTION["Albers"],PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",9],PARAMETER["standard_parallel_1",3],UNIT["metre",1]`):                                                                  "second standard parallel",
		proj(`PROJECTION["Mercator_Auxiliary_Sphere"],PARAMETER["Central_Meridian",0],PARAMETER["Auxiliary_Sphere_Type",2],UNIT["metre",1]`):                                                                               "not Web Mercator",
		proj(`PROJECTION["Lambert_Conformal_Conic_2SP"],PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",9],UNIT["metre",1]`):                                                                                "standard parallel is missing",
		proj(`PROJECTION["Albers"],PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",9],PARAMETER["standard_parallel_1",3],PARAMETER["standard_parallel_2",9],PARAMETER["scale_factor",0.5],UNIT["metre",1]`): "scale factor",
		`BOUNDCRS[TARGETCRS[` + geog + `]]`: "lacks its SOURCECRS",
		`BOUNDCRS[SOURCECRS["WGS 84"]]`:     "lacks its SOURCECRS",
		geog + `,` + geog:                   "follows after",
	} {
		s, err := ParseWKT(text)
		if err == nil {
			t.Errorf("%.80q is taken for %s", text, s.Name())
		} else if !strings.Contains(err.Error(), want) {
			t.Errorf("%.80q: %v; want %q in it", text, err, want)
		}
	}
}

// Oddities of real files that must be read.
func TestParseWKTOddities(t *testing.T) {
	for name, text := range map[string]string{
		"byte order mark, newline and NULs": "\ufeff" + wkt2263 + "\r\n\x00",
		"round brackets":                    strings.NewReplacer("[", "(", "]", ")").Replace(wkt2263),
		"lines and blanks":                  strings.NewReplacer(",", " ,\n\t", "[", " [ ").Replace(wkt2263),
		"small letters":                     strings.NewReplacer("PROJCS", "projcs", "PARAMETER", "Parameter", "GEOGCS", "GeogCS").Replace(wkt2263),
		"vertical system behind":            wkt2263 + `,VERTCS["NAVD_1988_Foot_US",VDATUM["North_American_Vertical_Datum_1988"],PARAMETER["Vertical_Shift",0.0],PARAMETER["Direction",1.0],UNIT["Foot_US",0.3048006096012192]]`,
		"older name of the datum":           strings.Replace(wkt2263, "D_North_American_1983", "North_American_Datum_1983", 1),
		"no false northing":                 strings.Replace(wkt2263, `PARAMETER["False_Northing",0.0],`, "", 1),
		"a null TOWGS84":                    strings.Replace(wkt2263, `298.257222101]`, `298.257222101],TOWGS84[0,0,0,0,0,0,0]`, 1),
		"an axis without a direction":       strings.TrimSuffix(wkt2263, "]") + `,AXIS["x"]]`,
		"parallels the other way round":     strings.NewReplacer("Standard_Parallel_1", "Standard_Parallel_2", "Standard_Parallel_2", "Standard_Parallel_1").Replace(wkt2263),
	} {
		s, err := ParseWKT(text)
		if err != nil || s.EPSG() != 2263 {
			t.Errorf("%s: EPSG:%d, %v", name, s.EPSG(), err)
		}
	}
	// A datum shift in the text is used, and said to be the text's.
	s, err := ParseWKT(`GEOGCS["local",DATUM["Town_Datum",SPHEROID["Airy 1830",6377563.396,299.3249646],TOWGS84[446.448,-125.157,542.06,0.15,0.247,0.842,-20.489]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]`)
	if err != nil {
		t.Fatal(err)
	}
	shift, note, err := shifter(s, WGS84())
	if err != nil || !strings.Contains(note, "layer's own text") {
		t.Fatalf("note %q, %v", note, err)
	}
	osgb, err := FromEPSG(4277)
	if err != nil {
		t.Fatal(err)
	}
	table, _, err := shifter(osgb, WGS84())
	if err != nil {
		t.Fatal(err)
	}
	a, b := shift(-1, 52)
	if c, d := table(-1, 52); a != c || b != d || math.Abs(a - -1.0015262258) > 1e-9 {
		t.Errorf("the text's shift gives %.10f, %.10f, the table's %.10f, %.10f", a, b, c, d)
	}
	// Zeros on a datum that is known not to be WGS 84 are not believed.
	for name, want := range map[string]string{"D_North_American_1927": "grid", "D_OSGB_1936": ""} {
		el := map[string]string{"D_North_American_1927": "6378206.4,294.978698213898", "D_OSGB_1936": "6377563.396,299.3249646"}[name]
		z, err := ParseWKT(`GEOGCS["x",DATUM["` + name + `",SPHEROID["y",` + el + `],TOWGS84[0,0,0,0,0,0,0]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]`)
		if err != nil {
			t.Fatal(err)
		}
		note, err := Shift(z, WGS84())
		if want != "" && (err == nil || !strings.Contains(err.Error(), want)) || want == "" && !strings.Contains(note, "parameters of EPSG:1314, good to") {
			t.Errorf("%s with zeros: %q, %v", name, note, err)
		}
	}
	// A datum is known by its code, whatever it is called: EPSG:6277 is OSGB36.
	coded, err := ParseWKT(`GEOGCRS["x",DATUM["British",ELLIPSOID["Airy 1830",6377563.396,299.3249646,LENGTHUNIT["metre",1]],ID["EPSG",6277]],CS[ellipsoidal,2],AXIS["lat",north],AXIS["lon",east],ANGLEUNIT["degree",0.0174532925199433]]`)
	if err != nil || !coded.Same(osgb) || coded.EPSG() != 4277 {
		t.Errorf("the datum of code 6277 is that of EPSG:%d, %v", coded.EPSG(), err)
	}
	// A shift that does not say to what is not used.
	const moved = `BOUNDCRS[SOURCECRS[GEOGCRS["local",DATUM["Town_Datum",ELLIPSOID["Airy 1830",6377563.396,299.3249646,LENGTHUNIT["metre",1]]],CS[ellipsoidal,2],AXIS["lat",north],AXIS["lon",east],ANGLEUNIT["degree",0.0174532925199433]]],%sABRIDGEDTRANSFORMATION["x",METHOD["Geocentric translations (geog2D domain)"],PARAMETER["X-axis translation",446],PARAMETER["Y-axis translation",-125],PARAMETER["Z-axis translation",542]]]`
	for target, used := range map[string]bool{`TARGETCRS[GEOGCRS["WGS 84"]],`: true, `TARGETCRS[GEOGCRS["Moon"]],`: false, "": false} {
		b, err := ParseWKT(fmt.Sprintf(moved, target))
		if err != nil || strings.Contains(b.WKT(), "TOWGS84[446,") != used {
			t.Errorf("with the target %q: %v, %s", target, err, b.WKT())
		}
	}
	if !strings.Contains(s.WKT(), "TOWGS84[446.448,") {
		t.Errorf("TOWGS84 is lost: %s", s.WKT())
	}
}

// A spelling that is listed for one datum is not the name of another.
func TestDatumNames(t *testing.T) {
	named := map[string]*System{}
	for _, s := range geographics().list {
		if s.datum != nil && named[fold(s.name)] == nil {
			named[fold(s.name)] = s
		}
	}
	met := 0
	for name, code := range datumNames {
		// ETRF89 is the frame in which ETRS89 was made first.
		if s := named[fold(name)]; s != nil && name != "ETRF89" {
			met++
			if meant, err := FromEPSG(code); err != nil || meant.datum.datumCode != s.datum.datumCode {
				t.Errorf("%q is listed for EPSG:%d, and EPSG:%d is called %q (%v)", name, code, s.epsg, s.name, err)
			}
		}
	}
	if met < 10 {
		t.Errorf("only %d of %d spellings are names that the table has", met, len(datumNames))
	}
}

// EPSG numbers the zones of UTM on from the first; behind the last come others
// (EPSG:32661 and 32761 are polar stereographic).
func TestZonesEnd(t *testing.T) {
	for _, code := range []int{32600, 32661, 32700, 32761} {
		if s, err := FromEPSG(code); err == nil {
			t.Errorf("EPSG:%d is taken for %s", code, s.Name())
		}
	}
	for code, name := range map[int]string{32601: "WGS 84 / UTM zone 1N", 32660: "WGS 84 / UTM zone 60N", 32760: "WGS 84 / UTM zone 60S"} {
		if s, err := FromEPSG(code); err != nil || s.Name() != name {
			t.Errorf("EPSG:%d: %v, want %s", code, err, name)
		}
	}
}

func TestPlausible(t *testing.T) {
	for _, c := range []struct {
		what           string
		code           int
		x0, y0, x1, y1 float64
		err            string
	}{
		{"Manhattan in feet", 2263, 980000, 190000, 1010000, 260000, ""},
		{"Manhattan in metres under the feet's code", 2263, 298704, 57912, 307848, 79248, "in its unit (US survey foot)"},
		{"degrees under a projected code", 2263, -74.02, 40.70, -73.9, 40.88, "--crs EPSG:4326"},
		{"feet under longitude-latitude", 4326, 980000, 190000, 1010000, 260000, "no degrees"},
		{"Manhattan in degrees", 4326, -74.02, 40.70, -73.9, 40.88, ""},
		{"NaN", 4326, math.NaN(), 0, 1, 1, "not a number"},
		{"infinity", 3857, math.Inf(-1), 0, 1, 1, "not a number"},
		{"nothing", 3857, math.MaxFloat64, 0, -math.MaxFloat64, 1, "no coordinates"},
		{"latitude first", 4326, 40.70, -174.02, 40.88, -173.9, "latitude before longitude"},
		{"latitude first, both within 90", 4326, 40.70, -74.02, 40.88, -73.9, "swap them"},
		{"latitude first in NAD83", 4269, 40.70, -74.02, 40.88, -73.9, "latitude before longitude"},
		{"another continent", 4269, 13.3, 52.4, 13.5, 52.6, "far outside"},
		{"one stray point at 0, 0", 2263, 0, 0, 1010000, 260000, ""},
		{"a zone kept beyond its edge", 32610, 890000, 5450000, 900000, 5460000, ""},
		{"northern coordinates in a southern zone", 32710, 482000, 5450000, 483000, 5460000, ""}, // 41 S: nobody can tell
		{"Web Mercator", 3857, -8239000, 4970000, -8226000, 4990000, ""},
		{"Web Mercator values under UTM", 32618, -8239000, 4970000, -8226000, 4990000, "--crs"},
		{"across the date line", 2193, 1748000, 5425000, 1750000, 5427000, ""},
		{"Fiji in 0 to 360", 4326, 177, -18, 182, -17, ""},
	} {
		s, err := FromEPSG(c.code)
		if err != nil {
			t.Fatal(err)
		}
		err = s.Plausible(c.x0, c.y0, c.x1, c.y1)
		if c.err == "" && err != nil || c.err != "" && (err == nil || !strings.Contains(err.Error(), c.err)) {
			t.Errorf("%s in EPSG:%d: %v; want %q", c.what, c.code, err, c.err)
		}
	}
}

// What we write, GDAL reads as the same system. Needs gdalsrsinfo.
func TestGDALReadsOurWKT(t *testing.T) {
	if _, err := exec.LookPath("gdalsrsinfo"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("gdalsrsinfo is not installed")
		}
		t.Skip("gdalsrsinfo (GDAL) is not installed")
	}
	for _, code := range []int{4326, 4269, 4807, 2263, 32610, 3857, 2154, 3310, 3035, 27700, 27572, 28992, 2056, 26931, 5514, 3395, 3168, 6494, 2193} {
		s, err := FromEPSG(code)
		if err != nil {
			t.Fatal(err)
		}
		for form, text := range map[string]string{"WKT": s.WKT(), "ESRI": s.ESRI()} {
			file := t.TempDir() + "/a.prj"
			if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
			arg := text
			if form == "ESRI" {
				arg = "ESRI::" + file
			}
			out, err := exec.Command("gdalsrsinfo", "--single-line", "-o", "wkt2_2019", arg).CombinedOutput()
			if err != nil {
				t.Errorf("EPSG:%d as %s: %v: %s\n%s", code, form, err, out, text)
				continue
			}
			again, err := ParseWKT(strings.TrimSpace(string(out)))
			if err != nil || again.EPSG() != code || !again.Same(s) {
				t.Errorf("EPSG:%d as %s is EPSG:%d to GDAL (%v):\n%s\n%s", code, form, again.EPSG(), err, text, out)
			}
		}
	}
}

func FuzzParseWKT(f *testing.F) {
	f.Add(wkt2263)
	f.Add(WGS84().WKT())
	for _, form := range []string{"wkt1-esri", "wkt1-gdal", "wkt2-2015", "wkt2-2019"} {
		data, err := os.ReadFile("../../fixtures/reference/crs/" + form + ".txt")
		if err != nil {
			f.Fatal(err)
		}
		n := 0
		for line := range strings.Lines(string(data)) {
			if _, text, _ := strings.Cut(line, "\t"); n%9 == 0 {
				f.Add(text)
			}
			n++
		}
	}
	f.Fuzz(func(t *testing.T, text string) { use(t, text, ParseWKT) })
}

func FuzzLookup(f *testing.F) {
	for _, s := range []string{"EPSG:2263", "urn:ogc:def:crs:OGC:1.3:CRS84", "2056", "CRS84", wkt2263, "GEOGCS[\"a\",DATUM[\"b\",SPHEROID[\"c\",6378137,0]]]"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) { use(t, text, Lookup) })
}

// use reads a text; what can be read must convert without a panic and read
// what it writes itself.
func use(t *testing.T, text string, read func(string) (*System, error)) {
	s, err := read(text)
	if err != nil {
		if err.Error() == "" || s != nil {
			t.Fatalf("%q: an error without a word, or with a system", text)
		}
		return
	}
	for _, p := range [][2]float64{{0, 0}, {-74, 40}, {500000, 5e6}, {1e300, -1e300}, {math.NaN(), 1}, {180, 90}, {-180, -90}} {
		if x, y, err := s.FromLonLat(p[0], p[1]); err == nil && (!finite(x) || !finite(y)) {
			t.Fatalf("%q: %v is at %g, %g", text, p, x, y)
		}
		if x, y, err := s.ToLonLat(p[0], p[1]); err == nil && (!finite(x) || !finite(y)) {
			t.Fatalf("%q: back %v is at %g, %g", text, p, x, y)
		}
		_ = s.Plausible(p[0], p[1], p[0]+1, p[1]+1)
		if plane, err := NewPlane(s, p[0], p[1]); err == nil {
			from, _, err := plane.From(s)
			if err != nil {
				t.Fatalf("%q: no way into its own plane: %v", text, err)
			}
			if q, err := from(p[0], p[1]); err == nil && (!finite(q.X) || !finite(q.Y)) {
				t.Fatalf("%q: %v is at %v in the plane", text, p, q)
			}
		}
	}
	_, _ = Shift(s, WGS84())
	if _, err := ParseWKT(s.WKT()); err != nil {
		t.Fatalf("%q: its own WKT: %v\n%s", text, err, s.WKT())
	}
	if _, err := ParseWKT(s.ESRI()); err != nil {
		t.Fatalf("%q: its own ESRI text: %v\n%s", text, err, s.ESRI())
	}
}
