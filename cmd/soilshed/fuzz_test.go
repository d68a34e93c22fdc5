package main

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"runtime/metrics"
	"slices"
	"strings"
	"testing"
	"time"

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
		var err error
		bounded(t, len(b), 2<<20, 400, func() { err = configure(flags) })
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
		size := 0
		for _, v := range record.Values {
			size += len(v.Text())
		}
		var u mapUnit
		bounded(t, size, 1<<20, 100, func() { u = c.ground(record) })
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

// Whatever stands in a file of prices: each price that is taken is a finite amount
// for a unit that is known, or the file is refused with its name and what to do.
func FuzzPrices(f *testing.F) {
	for _, s := range []string{
		"item,unit,price,note\ndemolition,m2,40,\n", "item,unit,price\nDEMOLITION,ft2,1250.50\nplanting,tree,0\n", "item;unit;price\nplanting;tree;1,5\n",
		"item,unit,price\nplanting,tree,1e999\n", "item,unit,price\nplanting,tree,NaN\n", "item,unit,price\nplanting,tree,-1\n", "item,unit,price\nplanting,tree,5\nplanting,tree,5\n",
		"unit,item\n", "item,unit,price\nplantnig,tree,5\n", "item,unit,price\nplanting,m2,$5\n", "\xff\xfei\x00", "", "item,unit,price,note\n\"a\nb\",,,\n", "item,unit,price,price\n",
	} {
		f.Add([]byte(s))
	}
	if b, err := os.ReadFile("../../fixtures/town/prices.csv"); err != nil {
		f.Fatal(err)
	} else {
		f.Add(b)
	}
	path := filepath.Join(f.TempDir(), "prices.csv")
	f.Fuzz(func(t *testing.T, b []byte) {
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		var list *priceList
		var err error
		bounded(t, len(b), 1<<20, 200, func() { list, err = readPrices(path) })
		if err != nil {
			if !strings.Contains(err.Error(), path) {
				t.Errorf("an error without the file: %v", err)
			}
			return
		}
		for name, v := range list.price {
			if !slices.Contains(priceNames(), name) || !(v >= 0) || math.IsInf(v, 0) {
				t.Errorf("%s costs %v", name, v)
			}
		}
	})
}

// bounded asserts that do, given so many bytes, takes no second and no more memory
// than a multiple of them. What is slow is tried again, as the machine may have been
// at other things.
func bounded(t *testing.T, size, base, times int, do func()) {
	t.Helper()
	allocated := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(allocated)
	bytes, began := allocated[0].Value.Uint64(), time.Now()
	do()
	took := time.Since(began)
	metrics.Read(allocated)
	if bytes, most := allocated[0].Value.Uint64()-bytes, uint64(base+times*size); bytes > most {
		t.Errorf("%d bytes of memory for %d of input, %d at most", bytes, size, most)
	}
	for again := 0; again < 3 && took > time.Second; again++ {
		began := time.Now()
		do()
		took = time.Since(began)
	}
	if took > time.Second {
		t.Errorf("%v for %d bytes of input", took, size)
	}
}
