package crs

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"soilshed/geo"
)

func mustEPSG(t testing.TB, code int) *System {
	t.Helper()
	s, err := FromEPSG(code)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// planeAt lays a plane for a layer in s around a longitude and latitude of its
// datum.
func planeAt(t testing.TB, s *System, lon, lat float64) *Plane {
	t.Helper()
	x, y, err := s.FromLonLat(lon, lat)
	if err != nil {
		t.Fatal(err)
	}
	p, err := NewPlane(s, x, y)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Which layers compute in their own coordinates, turned and scaled, and which
// get a transverse Mercator of their own.
func TestPlaneBase(t *testing.T) {
	for _, c := range []struct {
		code     int
		lon, lat float64
		own      bool
	}{
		{2263, -73.97, 40.75, true}, {32610, -123.25, 49.26, true}, {26918, -75.2, 40, true}, {27700, -1.5, 52, true}, {2927, -122.3, 46.6, true},
		{28992, 4.9, 52.37, true}, {2056, 7.45, 46.95, true},
		{32610, -120.1, 49.26, false},                                                      // the zone's edge: scale changes too fast
		{3857, -87.65, 41.85, false}, {3857, 103.85, 1.29, false}, {3857, 6.6, 0.1, false}, // not conformal even on the equator
		{3310, -118.25, 34.05, false}, {5070, -90, 40, false}, {3395, 2, 48, false}, {4326, -73.97, 40.75, false}, {4807, 2.3, 48.8, false},
	} {
		s := mustEPSG(t, c.code)
		p := planeAt(t, s, c.lon, c.lat)
		if own := p.System().Same(s); own != c.own {
			t.Errorf("EPSG:%d at %g, %g: plane on %q", c.code, c.lon, c.lat, p.System().Name())
		}
	}
	if _, err := NewPlane(WGS84(), 0, 89); err == nil {
		t.Error("a plane at the pole")
	}
	if _, err := NewPlane(WGS84(), math.NaN(), 0); err == nil {
		t.Error("a plane at NaN")
	}
	if _, err := NewPlane(nil, 0, 0); err == nil {
		t.Error("a plane on nothing")
	}
}

// The order of summation must not show in the plane: centres that differ in
// the last digits give the same one.
func TestPlaneOriginIsRounded(t *testing.T) {
	utm := mustEPSG(t, 32610)
	a, err := NewPlane(utm, 482123.456, 5456789.123)
	if err != nil {
		t.Fatal(err)
	}
	b, err := NewPlane(utm, 482123.456+1e-6, 5456789.123-1e-6)
	if err != nil {
		t.Fatal(err)
	}
	if *a != *b || a.x0 != 482000 || a.y0 != 5457000 {
		t.Errorf("%v and %v", a, b)
	}
}

// Distances and bearings from the centre against PROJ's geodesics, whatever
// the layer is in: one part in 1e5 (and a hundredth of a degree) at 20 km. The
// plane's origin lies up to 700 m off the centre, which is taken out.
func TestPlaneAgainstGeodesics(t *testing.T) {
	data, err := os.ReadFile("../../fixtures/reference/crs-rays.csv")
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(strings.NewReader(string(data)))
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	// Relative error of length at 5, 20 and 50 km, and of bearing in degrees.
	limit := map[float64]float64{5000: 1.2e-5, 20000: 4e-5, 50000: 1e-4}
	worst := map[float64][2]float64{}
	for _, l := range lines[1:] {
		var v [7]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(l[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		s := mustEPSG(t, int(v[0]))
		p := planeAt(t, s, v[1], v[2])
		at := func(lon, lat float64) geo.XY {
			x, y, err := s.FromLonLat(lon, lat)
			if err != nil {
				t.Fatal(err)
			}
			from, _, err := p.From(s)
			if err != nil {
				t.Fatal(err)
			}
			q, err := from(x, y)
			if err != nil {
				t.Fatal(err)
			}
			return q
		}
		a, b := at(v[1], v[2]), at(v[5], v[6])
		stretch := math.Abs(a.Distance(b)/v[4] - 1)
		turn := math.Abs(math.Remainder(float64(geo.BearingOf(b.Sub(a)))-v[3], 360))
		w := worst[v[4]]
		worst[v[4]] = [2]float64{max(w[0], stretch), max(w[1], turn)}
		// The centre is up to 700 m off the origin, where north turns by
		// tan(lat) x 700 m / R: 0.011 degrees at 60 degrees.
		if stretch > limit[v[4]] || turn > 0.012+v[4]/50000*0.03 {
			t.Errorf("EPSG:%s to %g m at %g: length off by %.2g, bearing by %.3g degrees", l[0], v[4], v[3], stretch, turn)
		}
	}
	for _, d := range []float64{5000, 20000, 50000} {
		t.Logf("%g km: length off by at most %.2g, bearing by %.3g degrees", d/1000, worst[d][0], worst[d][1])
	}
	if len(worst) != 3 {
		t.Errorf("%d distances", len(worst))
	}
}

// Areas 5, 20 and 50 km from the origin, against an equal-area map: the
// figures of Plane's docstring.
func TestPlaneAreas(t *testing.T) {
	limits := map[bool][3]float64{false: {7e-7, 1e-5, 6.3e-5}, true: {3.5e-5, 1.4e-4, 3.6e-4}}
	var worst = map[bool]*[3]float64{false: {}, true: {}}
	for _, c := range []struct {
		code     int
		lon, lat float64
	}{{4326, -123.25, 49.26}, {4326, 103.85, 1.29}, {3857, -87.65, 41.85}, {32610, -123.25, 49.26}, {32610, -121.75, 49.26}, {32633, 13.4, 52.5}, {32633, 15.9, 60},
		{2263, -73.97, 40.75}, {2263, -72.3, 40.9}, {2927, -122.33, 46.7}, {27700, -1.5, 52}, {27700, -0.7, 51.5}, {28992, 4.9, 52.37}, {6539, -73.8, 40.7}} {
		p := planeAt(t, mustEPSG(t, c.code), c.lon, c.lat)
		to, _, err := p.To(WGS84())
		if err != nil {
			t.Fatal(err)
		}
		own := p.x0 != 0
		for i, d := range []float64{5000, 20000, 50000} {
			for az := 0.0; az < 2*math.Pi; az += math.Pi / 8 {
				s, co := math.Sincos(az)
				// A square of 100 m, its area on the ellipsoid by an equal-area map.
				q := geo.XY{X: d * s, Y: d * co}
				lon0, lat0, err := to(q)
				if err != nil {
					t.Fatal(err)
				}
				m, err := newSystem(System{name: "equal area", datum: p.base.datum, length: metre, conv: conversion{method: laeaMethod, lat0: lat0, lon0: lon0, k0: 1}})
				if err != nil {
					t.Fatal(err)
				}
				var ring [4]geo.XY
				for k, e := range [4]geo.XY{{X: -50, Y: -50}, {X: 50, Y: -50}, {X: 50, Y: 50}, {X: -50, Y: 50}} {
					lon, lat := p.base.toLonLat(p.out(q.Add(e)))
					x, y, err := m.FromLonLat(lon, lat)
					if err != nil {
						t.Fatal(err)
					}
					ring[k] = geo.XY{X: x, Y: y}
				}
				area := 0.0
				for k, a := range ring {
					b := ring[(k+1)%4]
					area += (a.X*b.Y - b.X*a.Y) / 2
				}
				off := math.Abs(1e4/area - 1)
				worst[own][i] = max(worst[own][i], off)
				if off > limits[own][i] {
					t.Errorf("EPSG:%d at %g, %g (plane on %s): areas %g km off carry %.2g", c.code, c.lon, c.lat, p.base.name, d/1000, off)
				}
			}
		}
	}
	t.Logf("local transverse Mercator: %.2g; the layer's own map: %.2g", *worst[false], *worst[true])
}

// There and back to within a micrometre where no datum is shifted, for layers
// in the plane's own system and in others.
func TestPlaneRoundTrip(t *testing.T) {
	for _, c := range []struct {
		base     int
		lon, lat float64
		layers   []int
	}{
		{4326, -123.25, 49.26, []int{4326, 32610, 3857, 4269, 26910}},
		{32610, -123.25, 49.26, []int{4326, 32610, 3857, 4269}},
		{32610, -120.1, 49.26, []int{32610, 4326}},
		{2263, -73.97, 40.75, []int{2263, 32118, 4269, 4326, 26918, 3857, 6539, 5070}},
		{3310, -118.25, 34.05, []int{3310, 4269, 26911}},
		{2154, 2.35, 48.86, []int{2154, 4171, 25831, 3035}},
		{2193, 174.78, -41.29, []int{2193, 4167, 4326}},
		{26931, -134.4, 58.3, []int{26931, 4269}},
		{3857, 179.99, -17, []int{3857, 4326}}, // on the date line
	} {
		p := planeAt(t, mustEPSG(t, c.base), c.lon, c.lat)
		for _, code := range c.layers {
			s := mustEPSG(t, code)
			from, note, err := p.From(s)
			if err != nil {
				t.Fatal(err)
			}
			to, note2, err := p.To(s)
			if err != nil {
				t.Fatal(err)
			}
			if wantNote := !sameDatum(s.datum, p.base.datum); (note != "") != wantNote || (note2 != "") != wantNote {
				t.Errorf("EPSG:%d in the plane of EPSG:%d: notes %q, %q", code, c.base, note, note2)
			}
			for _, q := range []geo.XY{{}, {X: 10, Y: -7}, {X: 3000, Y: 4000}, {X: -20000, Y: 35000}} {
				x, y, err := to(q)
				if err != nil {
					t.Fatal(err)
				}
				back, err := from(x, y)
				if err != nil {
					t.Fatal(err)
				}
				if d := back.Distance(q); d > 1e-6 {
					t.Errorf("EPSG:%d in the plane of EPSG:%d: %v came back %.2g m off", code, c.base, q, d)
				}
			}
		}
	}
}

// A layer with a datum shift lies where the shift says, and a point that is
// none, or of another part of the world, is an error with a word.
func TestPlaneLayers(t *testing.T) {
	p := planeAt(t, mustEPSG(t, 27700), -1.5, 52)
	from, note, err := p.From(WGS84())
	if err != nil || !strings.Contains(note, "EPSG:1314") {
		t.Fatalf("note %q, %v", note, err)
	}
	own, _, err := p.From(mustEPSG(t, 27700))
	if err != nil {
		t.Fatal(err)
	}
	// cct EPSG:1314: OSGB36 1 W, 52 N is WGS 84 1.0015262258 W, 52.0004395745 N.
	x, y, err := p.base.FromLonLat(-1, 52)
	if err != nil {
		t.Fatal(err)
	}
	a, err := own(x, y)
	if err != nil {
		t.Fatal(err)
	}
	b, err := from(-1.0015262258, 52.0004395745)
	if err != nil {
		t.Fatal(err)
	}
	if d := a.Distance(b); d > 2e-3 { // the shift there and back is not exact: 1 mm
		t.Errorf("the same point lies %.4f m apart", d)
	}
	if _, _, err := p.From(mustEPSG(t, 4267)); err == nil || !strings.Contains(err.Error(), "grid") {
		t.Errorf("NAD27: %v", err)
	}
	for _, bad := range [][2]float64{{math.NaN(), 1}, {1, math.Inf(1)}, {500000, 5e6}, {170, 10}} {
		if q, err := from(bad[0], bad[1]); err == nil || err.Error() == "" {
			t.Errorf("%v is at %v", bad, q)
		}
	}
	if _, err := own(math.NaN(), 0); err == nil {
		t.Error("NaN passes in the layer's own system")
	}
}

func BenchmarkProjection(b *testing.B) {
	for _, c := range []struct {
		name     string
		code     int
		lon, lat float64
	}{{"TransverseMercator", 32610, -123.25, 49.26}, {"Lambert", 2263, -73.97, 40.75}, {"Albers", 3310, -118.25, 34.05}, {"WebMercator", 3857, -87.65, 41.85}, {"Mercator", 3395, 2, 48},
		{"LambertAzimuthal", 3035, 10, 50}, {"Stereographic", 28992, 4.9, 52.37}, {"ObliqueMercator", 2056, 7.45, 46.95}, {"Krovak", 5514, 14.4, 50.1}} {
		s := mustEPSG(b, c.code)
		x, y, err := s.FromLonLat(c.lon, c.lat)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(c.name+"/forward", func(b *testing.B) {
			lat := c.lat
			for b.Loop() {
				x, _ := s.fromLonLat(c.lon, lat)
				lat = c.lat + x*1e-12
			}
		})
		b.Run(c.name+"/inverse", func(b *testing.B) {
			in := x
			for b.Loop() {
				lon, _ := s.toLonLat(in, y)
				in = x + lon*1e-6
			}
		})
	}
}

func BenchmarkPlaneFrom(b *testing.B) {
	utm := planeAt(b, mustEPSG(b, 32610), -123.25, 49.26)
	for _, c := range []struct {
		name  string
		plane *Plane
		layer int
	}{{"same", utm, 32610}, {"lonlat", utm, 4326}, {"lonlat-local", planeAt(b, WGS84(), -123.25, 49.26), 4326}, {"webmercator", utm, 3857}} {
		s := mustEPSG(b, c.layer)
		from, _, err := c.plane.From(s)
		if err != nil {
			b.Fatal(err)
		}
		x, y, err := s.FromLonLat(-123.25, 49.26)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			in := x
			for b.Loop() {
				q, err := from(in, y)
				if err != nil {
					b.Fatal(err)
				}
				in = x + q.X*1e-12
			}
		})
	}
}

// Whole turns are taken off where the antimeridian is crossed, in the system's own
// unit; a projected coordinate is what it is.
func TestBeside(t *testing.T) {
	grads, err := ParseWKT(`GEOGCS["NTF (Paris)",DATUM["Nouvelle_Triangulation_Francaise_Paris",SPHEROID["Clarke 1880 (IGN)",6378249.2,293.4660212936269]],PRIMEM["Paris",2.33722917],UNIT["grad",0.01570796326794897]]`)
	if err != nil {
		t.Fatal(err)
	}
	utm, err := Lookup("EPSG:32660")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		s           *System
		x, by, want float64
	}{
		{WGS84(), -179.75, 179.5, 180.25}, {WGS84(), 179.75, -179.5, -180.25}, {WGS84(), 180.25, 179.5, 180.25},
		{WGS84(), -179.75, 359.5 + 360, 540.25}, {WGS84(), 12.5, -13.25, 12.5}, {WGS84(), 90, -90, 90},
		{grads, -199.75, 199.5, 200.25}, {grads, 190, -5, 190}, {utm, 199e3, 700e3, 199e3},
		{WGS84(), 12.5, math.NaN(), 12.5},
	} {
		if got := c.s.Beside(c.x, c.by); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: %v beside %v is %v, want %v", c.s.Name(), c.x, c.by, got, c.want)
		}
	}
}
