package main

import (
	"strings"
	"testing"

	"soilshed/geo/layer"
	"soilshed/risk/soil"
)

func bindSoilNames(t *testing.T, names []string, flags ...string) (*soilColumns, []string) {
	t.Helper()
	told, err := parseMappings("--soil-field", soilFieldNames(), flags)
	if err != nil {
		t.Fatal(err)
	}
	c, notes, err := bindSoil(schemaOf(names...), told, bindOptions{File: "soil.gpkg"})
	if err != nil {
		t.Fatal(err)
	}
	return c, notes
}

// numberFeature makes a feature of numbers.
func numberFeature(fid int64, values ...float64) *layer.Feature {
	f := &layer.Feature{FID: fid}
	for _, v := range values {
		f.Values = append(f.Values, layer.Number(v))
	}
	return f
}

func TestSoilColumns(t *testing.T) {
	// Names with blanks, brackets and a caret, as a survey's map units have
	// them.
	c, notes := bindSoilNames(t, []string{"mukey", "residual saturation [-]", "permeability [m^2]", "porosity [-]", "thickness [m]", "bulk density [g/cm^3]", "total sand pct [%]", "total silt pct [%]", "total clay pct [%]", "source"})
	u := c.ground(numberFeature(1, 545, 0.17, 2.8e-12, 0.38, 2.03, 1.4, 46.7, 41.8, 11.5, 0))
	if u.DepthM.Or(0) != 2.03 || u.DensityGCm3.Or(0) != 1.4 || u.Texture != soil.Loam || !near(u.SandPct.Or(0), 46.7) || !near(u.ClayPct.Or(0), 11.5) || u.AWC.Known {
		t.Errorf("got %+v", u)
	}
	said := strings.Join(notes, "\n")
	if strings.Contains(said, "no unit") || !strings.Contains(said, "thickness [m] may be how deep the survey looked") || strings.Contains(said, "porosity") {
		t.Errorf("got %s", said)
	}
	// The survey's own short names, with the units of its description.
	c, _ = bindSoilNames(t, []string{"resdept_r", "texcl", "sandtotal_r", "claytotal_r", "dbthirdbar_r", "awc_r"})
	f := &layer.Feature{FID: 1, Values: []layer.Value{layer.Whole(61), layer.String("Silty clay loam"), layer.Number(10), layer.Number(35), layer.Number(1.31), layer.Number(0.19)}}
	u = c.ground(f)
	if !near(u.DepthM.Or(0), 0.61) || u.Texture != soil.SiltyClayLoam || u.DensityGCm3.Or(0) != 1.31 || u.AWC.Or(0) != 0.19 || u.ClayPct.Or(0) != 35 {
		t.Errorf("got %+v", u)
	}
	// A word that is not known falls back to the shares; other units.
	f.Values[1] = layer.String("muck")
	if u = c.ground(f); u.Texture != soil.SiltyClayLoam {
		t.Errorf("from the shares: %v", u.Texture)
	}
	c, _ = bindSoilNames(t, []string{"Depth (in)", "BulkDensity_kg_m3", "AWC (in/in)", "Texture"})
	u = c.ground(&layer.Feature{FID: 1, Values: []layer.Value{layer.String("40"), layer.Number(1450), layer.String("0.12"), layer.String("SL")}})
	if !near(u.DepthM.Or(0), 1.016) || !near(u.DensityGCm3.Or(0), 1.45) || u.AWC.Or(0) != 0.12 || u.Texture != soil.SandyLoam {
		t.Errorf("got %+v", u)
	}
	// What cannot be true is left out and said.
	c, _ = bindSoilNames(t, []string{"depth_m", "density", "sand", "silt", "clay", "awc"})
	u = c.ground(numberFeature(7, 201, 1400, 60, 60, 60, 19))
	if u.DepthM.Known || u.DensityGCm3.Known || u.Texture != soil.NoTexture || !near(u.AWC.Or(0), 0.19) {
		t.Errorf("got %+v", u)
	}
	said = strings.Join(c.sentences(), "\n")
	for _, w := range []string{`"201" in feature 7`, `"1400" in feature 7`, `do not make 100 in 1 record ("60 + 60 + 60" in feature 7)`, "over 1 and read as percent"} {
		if !strings.Contains(said, w) {
			t.Errorf("not said: %s\n%s", w, said)
		}
	}
	if _, _, err := bindSoil(schemaOf("name", "owner"), nil, bindOptions{File: "soil.gpkg"}); err == nil || !strings.Contains(err.Error(), "--soil-field") || !strings.Contains(err.Error(), "name, owner") {
		t.Errorf("nothing of soil: %v", err)
	}
}

// The typical soils of the twelve classes, sand and clay in percent, as printed
// in the class table of the Green-Ampt documentation after Saxton & Rawls 2006.
func TestTextureOfTypicalSoils(t *testing.T) {
	for _, c := range []struct {
		sand, clay float64
		want       soil.Texture
	}{
		{88, 5, soil.Sand}, {80, 5, soil.LoamySand}, {65, 10, soil.SandyLoam}, {40, 20, soil.Loam}, {20, 15, soil.SiltLoam}, {10, 5, soil.Silt},
		{60, 25, soil.SandyClayLoam}, {30, 35, soil.ClayLoam}, {10, 35, soil.SiltyClayLoam}, {10, 45, soil.SiltyClay}, {50, 40, soil.SandyClay}, {25, 50, soil.Clay},
	} {
		if got := textureOf(c.sand, 100-c.sand-c.clay, c.clay); got != c.want {
			t.Errorf("sand %g clay %g: got %v, want %v", c.sand, c.clay, got, c.want)
		}
	}
}

// Every soil lies in one class and no other, by the definitions of the Soil
// Survey Manual written out one by one.
func TestTextureIsOneClass(t *testing.T) {
	definitions := map[soil.Texture]func(s, i, c float64) bool{
		soil.Sand:      func(s, i, c float64) bool { return i+1.5*c < 15 },
		soil.LoamySand: func(s, i, c float64) bool { return i+1.5*c >= 15 && i+2*c < 30 },
		soil.SandyLoam: func(s, i, c float64) bool {
			return c >= 7 && c < 20 && s > 52 && i+2*c >= 30 || c < 7 && i < 50 && i+2*c >= 30
		},
		soil.Loam:          func(s, i, c float64) bool { return c >= 7 && c < 27 && i >= 28 && i < 50 && s <= 52 },
		soil.SiltLoam:      func(s, i, c float64) bool { return i >= 50 && c >= 12 && c < 27 || i >= 50 && i < 80 && c < 12 },
		soil.Silt:          func(s, i, c float64) bool { return i >= 80 && c < 12 },
		soil.SandyClayLoam: func(s, i, c float64) bool { return c >= 20 && c < 35 && i < 28 && s > 45 },
		soil.ClayLoam:      func(s, i, c float64) bool { return c >= 27 && c < 40 && s > 20 && s <= 45 },
		soil.SiltyClayLoam: func(s, i, c float64) bool { return c >= 27 && c < 40 && s <= 20 },
		soil.SandyClay:     func(s, i, c float64) bool { return c >= 35 && s > 45 },
		soil.SiltyClay:     func(s, i, c float64) bool { return c >= 40 && i >= 40 },
		soil.Clay:          func(s, i, c float64) bool { return c >= 40 && s <= 45 && i < 40 },
	}
	seen := map[soil.Texture]int{}
	for a := 0; a <= 200; a++ {
		for b := 0; a+b <= 200; b++ {
			s, c := float64(a)/2, float64(b)/2
			i := 100 - s - c
			got := textureOf(s, i, c)
			seen[got]++
			for texture, holds := range definitions {
				if holds(s, i, c) != (texture == got) {
					t.Fatalf("sand %g silt %g clay %g: %v, but the definition of %v says %v", s, i, c, got, texture, holds(s, i, c))
				}
			}
		}
	}
	if len(seen) != 12 {
		t.Errorf("%d classes met", len(seen))
	}
}

func TestRootableColumns(t *testing.T) {
	told, err := parseMappings("--rootable-field", rootableFieldNames(), []string{"usable=SOIL_PART:%"})
	if err != nil {
		t.Fatal(err)
	}
	c, _, err := bindRootable(schemaOf("NAME", "DEPTH_FT", "SOIL_PART"), told, bindOptions{File: "rootable.geojson"})
	if err != nil {
		t.Fatal(err)
	}
	g := c.ground(textFeature(1, "cells", "3", "20"))
	if !near(g.DepthM.Or(0), 0.9144) || !near(g.Usable.Or(0), 0.2) {
		t.Errorf("got %+v", g)
	}
	if g = c.ground(textFeature(2, "cells", "NA", "120")); g.DepthM.Known || g.Usable.Known || len(c.sentences()) != 2 {
		t.Errorf("got %+v %q", g, c.sentences())
	}
	// Without columns there is nothing to say, and it is no error.
	c, notes, err := bindRootable(schemaOf("NAME"), nil, bindOptions{File: "rootable.geojson"})
	if err != nil || len(notes) != 0 || c.ground(textFeature(1, "x")) != (rootableGround{}) {
		t.Errorf("%v %v", notes, err)
	}
}
