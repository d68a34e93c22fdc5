package plat

import (
	"math"
	"testing"
)

// The worked example of IOGP/EPSG Guidance Note 7-2, Lambert conic conformal
// (2SP): NAD27 / Texas South Central, Clarke 1866, US survey feet.
func TestLambertWorkedExample(t *testing.T) {
	const ft = 1200.0 / 3937
	g := lambert(6378206.4, 1/294.978698213898, 28+23.0/60, 30+17.0/60, 27+50.0/60, -99, 2000000*ft, 0)
	p := g.Forward(-96, 28.5)
	if e, n := p.X/ft, p.Y/ft; math.Abs(e-2963503.91) > 0.01 || math.Abs(n-254759.80) > 0.01 {
		t.Errorf("got %.3f, %.3f US survey feet, the note prints 2963503.91, 254759.80", e, n)
	}
	lon, lat := g.Inverse(p)
	if math.Abs(lon+96) > 1e-10 || math.Abs(lat-28.5) > 1e-10 {
		t.Errorf("back to %.13f, %.13f", lon, lat)
	}
}

// cs2cs 9.1.1: echo "-94.4 43.27" | cs2cs -f %.4f EPSG:4269 EPSG:26975 (and 3417).
func TestNorthIowaAgainstPROJ(t *testing.T) {
	g := NorthIowa()
	p := g.Forward(-94.4, 43.27)
	if math.Abs(p.X-projMetres.X) > 1e-3 || math.Abs(p.Y-projMetres.Y) > 1e-3 {
		t.Errorf("metres: got %.4f, want %.4f", p, projMetres)
	}
	f := g.SurveyFeet(p)
	if math.Abs(f.X-projFeet.X) > 3e-3 || math.Abs(f.Y-projFeet.Y) > 3e-3 {
		t.Errorf("feet: got %.4f, want %.4f", f, projFeet)
	}
}

var (
	projMetres = Point{1426936.61390, 1197001.28188}
	projFeet   = Point{4681541.20745, 3927161.70561}
)
