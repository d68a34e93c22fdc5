package soil

import (
	"math"
	"testing"
)

// The class table of Saxton & Rawls 2006, as printed on the page "Green-Ampt
// parameters" (dynplot.com): WP, FC, saturation to 2 digits, Ks in mm/h. Sandy
// clay and clay have saturation and Ks from memory.
func TestSaxtonRawlsClassTable(t *testing.T) {
	for _, c := range []struct {
		class             Texture
		wp, fc, sat, ksMm float64
		ksDigit           float64
	}{
		{Sand, .05, .10, .46, 108.1, .1},
		{LoamySand, .05, .12, .46, 96.7, .1},
		{SandyLoam, .08, .18, .45, 50.3, .1},
		{Loam, .14, .28, .46, 15.5, .1},
		{SiltLoam, .11, .31, .48, 16.1, .1},
		{Silt, .06, .30, .48, 22, 1},
		{SandyClayLoam, .17, .27, .43, 11.3, .1},
		{ClayLoam, .22, .36, .48, 4.3, .1},
		{SiltyClayLoam, .22, .38, .51, 5.7, .1},
		{SiltyClay, .27, .41, .52, 3.7, .1},
		{SandyClay, .25, .36, .44, 1.4, .1},
		{Clay, .30, .42, .50, 1.1, .1},
	} {
		w := c.class.Water()
		for _, v := range []struct {
			what             string
			got, want, digit float64
		}{
			{"wilting point", w.WP, c.wp, .01}, {"field capacity", w.FC, c.fc, .01},
			{"saturation", w.Saturation, c.sat, .01}, {"Ks", w.KsMmH, c.ksMm, c.ksDigit},
		} {
			if !(math.Abs(v.got-v.want) <= v.digit*.5001) {
				t.Errorf("%v: %s %g, printed %g", c.class, v.what, v.got, v.want)
			}
		}
	}
}

func TestEveryRowHasASource(t *testing.T) {
	for name, rows := range map[string][][]string{
		"texture.csv":  mustTable("texture.csv", textureCSV, 8),
		"standard.csv": mustTable("standard.csv", standardCSV, 9),
	} {
		for i, r := range rows {
			if r[len(r)-1] == "" {
				t.Errorf("%s row %d (%s) has no source", name, i+1, r[0])
			}
		}
	}
}

func TestParseTexture(t *testing.T) {
	for s, want := range map[string]Texture{
		"Sandy Loam": SandyLoam, "SL": SandyLoam, "silt-loam": SiltLoam, "SiCL": SiltyClayLoam,
		" SILTY CLAY LOAM ": SiltyClayLoam, "fine sandy loam": SandyLoam, "clay": Clay, "C": Clay,
		"loam": Loam, "": NoTexture, "gravel": NoTexture, "unknown": NoTexture,
	} {
		if got, ok := ParseTexture(s); got != want || ok != (want != NoTexture) {
			t.Errorf("ParseTexture(%q) = %v, %v; want %v", s, got, ok, want)
		}
	}
	for _, c := range Textures {
		if got, ok := ParseTexture(c.String()); !ok || got != c {
			t.Errorf("%v does not read back", c)
		}
		if got, ok := ParseTexture(c.Abbrev()); !ok || got != c {
			t.Errorf("%s does not read back", c.Abbrev())
		}
	}
}

// Lindsey & Bassuk 1991, the worked example: crown of 20 ft, LAI 4, pan 0.0167
// ft/day, ratio 0.20, AWHC 0.19, 10 days: 314 ft2, 4.19 ft3 a day, 220 ft3.
func TestLindseyBassukWorkedExample(t *testing.T) {
	const ft = 0.3048
	b := Budget{CrownM2: CrownAreaM2(20 * ft), LAI: 4, PanMmD: 0.0167 * ft * 1000, Ratio: 0.20, Days: 10, AWC: 0.19}
	if got := b.CrownM2 / (ft * ft); math.Abs(got-314) > .5 {
		t.Errorf("crown projection %g ft2, printed 314", got)
	}
	if got := b.CrownM2 * b.DemandMmD() / 1000 / (ft * ft * ft); math.Abs(got-4.19) > .01 {
		t.Errorf("%g ft3 a day, printed 4.19", got)
	}
	if got := NeedWaterM3(b) / (ft * ft * ft); math.Abs(got-220) > 2 {
		t.Errorf("%g ft3, printed 220", got)
	}
}

func TestNeedStandard(t *testing.T) {
	k, _ := StandardNamed("kitchener")
	for _, c := range []struct {
		size   Size
		shared bool
		want   float64
	}{{Large, false, 45}, {Large, true, 30}, {Medium, false, 28}, {Medium, true, 18.5}, {Small, false, 17}, {Small, true, 11}} {
		if got := NeedStandardM3(c.size, c.shared, k); got != c.want {
			t.Errorf("Kitchener %d shared %v: %g m3, want %g", c.size, c.shared, got, c.want)
		}
	}
	e, _ := StandardNamed("Emeryville")
	if got := NeedStandardM3(Medium, true, e); got != 25.5 {
		t.Errorf("Emeryville has no rule for shared ground: %g, want the single 25.5", got)
	}
}

func TestClassify(t *testing.T) {
	for _, c := range []struct {
		have, need float64
		want       Class
	}{{10, 10, Ample}, {9.99, 10, Adequate}, {7.5, 10, Adequate}, {5, 10, Constrained}, {4.99, 10, Severe}, {0, 0, Ample}, {5, math.Inf(1), Severe}} {
		if got := Classify(c.have, c.need, DefaultBounds); got != c.want {
			t.Errorf("have %g of %g: %v, want %v", c.have, c.need, got, c.want)
		}
	}
}

func TestUsableDepth(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		restrictive, max float64
		layers           []Layer
		want             float64
	}{
		{inf, 1.2, nil, 1.2},
		{0.6, 1.2, nil, 0.6},
		{inf, 1.2, []Layer{{0, Loam, 1.4}, {0.4, ClayLoam, 1.8}}, 0.4},
		{inf, 1.2, []Layer{{0, Loam, 1.4}, {0.4, Sand, 1.75}}, 1.2},
		{inf, 1.2, []Layer{{0, SiltLoam, 0}}, 1.2},
		{inf, 1.2, []Layer{{0, Clay, 1.6}}, 0},
		{-1, 1.2, nil, 0},
	} {
		if got := UsableDepthM(c.restrictive, c.max, c.layers...); got != c.want {
			t.Errorf("%+v: %g m", c, got)
		}
	}
}
