package main

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"soilshed/geo/layer"
)

// A configuration file of any bytes sets flags or is refused as wrong use, with
// the file's name.
func FuzzConfig(f *testing.F) {
	for _, s := range []string{
		"trees = \"a.shp\"\nyear = 2024\n[field]\ndbh = \"DIAM:in\"\n", "pavement = [\"a\", \"b\"]\nquiet = true\n", "year = 1e400", "year = nan\ndepth = -inf",
		"out = \"postgres://u:secret@h/d?table=t\"", "a.b.c.d = 1", strings.Repeat("[a", 300), strings.Repeat("a = [", 2000), "trees = \"\"\"\n", "\xff\xfe", "year = 99999999999999999999",
		"field = [\"dbh=X\"]\n[field]\ndbh = 1", "year = 2024\r\nyear = 2025", "config = \"x\"", "trees = 1979-05-27T07:32:00Z",
	} {
		f.Add([]byte(s))
	}
	path := filepath.Join(f.TempDir(), "a.toml")
	f.Fuzz(func(t *testing.T, b []byte) {
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		flags := flagsOf(&options{}, "assess")
		if err := flags.Set("config", path); err != nil {
			t.Fatal(err)
		}
		err := configure(flags)
		if err == nil {
			return
		}
		var use usageError
		if !errors.As(err, &use) || !strings.Contains(err.Error(), path) {
			t.Errorf("no usage error of the file: %v", err)
		}
		if strings.Contains(err.Error(), ":secret@") {
			t.Errorf("a password is told: %v", err)
		}
	})
}

// Whatever stands in the cells of a soil polygon, what is taken for known lies
// within the ranges that the README gives.
func FuzzSoil(f *testing.F) {
	f.Add("0.61", "SiL", "10", "55", "35", "1.31", "0.19")
	f.Add("24 in", "muck", "0.4", "0.4", "0.2", "1310", "12 %")
	f.Add("NaN", "", "-1", "1e308", "Inf", "999", "-0")
	f.Add("5'6\"", "\xff", "100", "100", "100", "0x1p3", "1,5")
	names := []string{"depth", "texture", "sand", "silt", "clay", "density", "awc"}
	f.Fuzz(func(t *testing.T, depth, texture, sand, silt, clay, density, awc string) {
		c, _, err := bindSoil(schemaOf(names...), nil, bindOptions{File: "soil.gpkg"})
		if err != nil {
			t.Fatal(err)
		}
		record := &layer.Feature{FID: 1}
		for _, s := range []string{depth, texture, sand, silt, clay, density, awc} {
			record.Values = append(record.Values, layer.String(s))
		}
		u := c.ground(record)
		for _, v := range []struct {
			name      string
			value     float64
			known     bool
			low, high float64
		}{
			{"depth", u.DepthM.Value, u.DepthM.Known, 0.02, 20}, {"density", u.DensityGCm3.Value, u.DensityGCm3.Known, 0.05, 2.65},
			{"available water", u.AWC.Value, u.AWC.Known, 0.01, 0.45}, {"sand", u.SandPct.Value, u.SandPct.Known, 0, 100}, {"clay", u.ClayPct.Value, u.ClayPct.Known, 0, 100},
		} {
			if v.known && !(v.value >= v.low*(1-1e-12) && v.value <= v.high*(1+1e-12)) || math.IsNaN(v.value) {
				t.Errorf("%s %g", v.name, v.value)
			}
		}
		c.sentences()
	})
}
