package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"soilshed/risk/wind"
)

func gustText(t *testing.T, text string, flags ...string) (*gustRecord, error) {
	t.Helper()
	told, err := parseMappings("--gust-field", namesOf(gustTable[:]), flags)
	if err != nil {
		t.Fatal(err)
	}
	return gustsFrom(readText(t, text), told, false)
}

func TestYearlyGusts(t *testing.T) {
	// The same three years in each unit: 20, 25 and 30 m/s.
	for name, c := range map[string]struct {
		unit string
		per  float64
	}{"m/s": {"gust_ms", 1}, "km/h": {"Gust (km/h)", 1 / 3.6}, "mph": {"gust_mph", 0.44704}, "knots": {"gust [kn]", 1852.0 / 3600}} {
		g, err := gustText(t, fmt.Sprintf("year,%s\n2003,%.12g\n2001,%.12g\n2002,%.12g\n", c.unit, 30/c.per, 20/c.per, 25/c.per))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for i, want := range []float64{20, 25, 30} {
			if g.Years[i] != 2001+i || math.Abs(g.MaximaMS[i]-want) > 1e-9 {
				t.Errorf("%s: %v %v", name, g.Years, g.MaximaMS)
			}
		}
	}
	// Blanks, codes and slips are left out with a word.
	g, err := gustText(t, "year,gust\n2001,21\n2002,\n2003,-999\n2004,300\n2005,calm\n20x6,22\n2007,\"24,5\"\n")
	if err != nil {
		t.Fatal(err)
	}
	said := strings.Join(g.Notes, "\n")
	if fmt.Sprint(g.Years, g.MaximaMS) != "[2001 2007] [21 24.5]" {
		t.Errorf("got %v %v", g.Years, g.MaximaMS)
	}
	for _, w := range []string{"2004 (300 m/s on line 5)", `"calm" on line 6`, `"20x6" on line 7`, "2 years of gusts tell little", "in m/s: it states no unit"} {
		if !strings.Contains(said, w) {
			t.Errorf("not said: %q in\n%s", w, said)
		}
	}
}

func TestDailyGusts(t *testing.T) {
	text := "STATION,DATE,TMAX,TMIN,WSF5\n"
	for day := time.Date(2016, 6, 1, 0, 0, 0, 0, time.UTC); day.Year() < 2019; day = day.AddDate(0, 0, 1) {
		gust := 20.0
		switch day.Format(time.DateOnly) {
		case "2016-11-11":
			gust = 90 // in a year that is not whole
		case "2017-03-14":
			gust = 50
		case "2018-10-10":
			gust = 60
		}
		text += fmt.Sprintf("X,%s,70,50,%g\n", day.Format(time.DateOnly), gust)
	}
	g, err := gustText(t, text)
	if err != nil {
		t.Fatal(err)
	}
	if len(g.Years) != 2 || g.Years[0] != 2017 || math.Abs(g.MaximaMS[0]-50*0.44704) > 1e-9 || math.Abs(g.MaximaMS[1]-60*0.44704) > 1e-9 {
		t.Errorf("got %v %v", g.Years, g.MaximaMS)
	}
	if said := strings.Join(g.Notes, "\n"); !strings.Contains(said, "2016 (214 days)") || !strings.Contains(said, "in mph, as the temperatures beside it are in F") {
		t.Errorf("got %s", said)
	}
}

func TestGustsThatAreRefused(t *testing.T) {
	for name, c := range map[string]struct{ text, say string }{
		"no unit, too high": {"year,gust\n2001,55\n2002,60\n2003,65\n", "state it: --gust-field gust=gust:UNIT with one of m/s, km/h, mph, kn"},
		"no gusts":          {"year,rain\n2001,55\n", "--gust-field gust=COLUMN"},
		"no years":          {"gust\n55\n", "--gust-field year=COLUMN"},
		"nothing whole":     {"date,gust\n2001-05-05,25\n", "no year has a highest gust"},
		"two stations":      {"station,year,gust\nA,2001,20\nB,2001,21\n", "more than one station"},
	} {
		_, err := gustText(t, c.text)
		if err == nil || !strings.Contains(err.Error(), c.say) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestGustDirections(t *testing.T) {
	g, err := gustText(t, "year,gust_ms,wind direction\n2001,21,W\n2002,22,270\n2003,23,360\n2004,24,\n2005,25,up\n2003,20,90\n")
	if err != nil {
		t.Fatal(err)
	}
	if fmt.Sprint(g.FromDeg) != "[270 270 0]" {
		t.Errorf("directions %v", g.FromDeg)
	}
	said := strings.Join(g.Notes, "\n")
	for _, w := range []string{"directions of 3 strong gusts are taken", `"up" on line 6`} {
		if !strings.Contains(said, w) {
			t.Errorf("not said: %q in\n%s", w, said)
		}
	}
	// Of a daily file all gusts as high as the lowest of the yearly ones.
	text := "date,gust (m/s),wdf5\n"
	for day := time.Date(2017, 1, 1, 0, 0, 0, 0, time.UTC); day.Year() < 2019; day = day.AddDate(0, 0, 1) {
		gust, from := 10, 90
		switch day.Format(time.DateOnly) {
		case "2017-03-14":
			gust, from = 30, 240
		case "2018-10-10":
			gust, from = 25, 310
		case "2017-06-06":
			gust, from = 26, 200
		}
		text += fmt.Sprintf("%s,%d,%d\n", day.Format(time.DateOnly), gust, from)
	}
	if g, err = gustText(t, text); err != nil || fmt.Sprint(g.FromDeg) != "[240 200 310]" {
		t.Errorf("%v; directions %v", err, g.FromDeg)
	}
}

// A tree in open ground, a road on one side of it: exposure is the road's weight in
// the falls, and these go by the gusts. And explain says so.
func TestGustsWeighTargetsByBearing(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	const x, y = 1425000, 1196500 // metres of EPSG:26975
	square := func(name string, x0, x1 float64) string {
		return write(name, fmt.Sprintf(`{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::26975"}},"features":[
{"type":"Feature","properties":{},"geometry":{"type":"Polygon","coordinates":[[[%g,%d],[%g,%d],[%g,%d],[%g,%d],[%g,%d]]]}}]}`, x0, y-30, x1, y-30, x1, y+30, x0, y+30, x0, y-30))
	}
	trees := write("trees.csv", fmt.Sprintf("id,species,dbh_cm,height_m,x,y\n1,Acer rubrum,40,12,%d,%d\n", x, y))
	far := square("far.geojson", x+28, x+30)
	east, west := square("east-road.geojson", x+4, x+20), square("west-road.geojson", x-20, x-4)
	gusts := "year,gust_ms,direction\n"
	for i := range 20 {
		gusts += fmt.Sprintf("%d,%d,%%s\n", 2001+i, 20+i%7)
	}
	from := func(point string) string {
		return write("gusts-"+point+".csv", strings.ReplaceAll(gusts, "%s", point))
	}
	args := func(target, gusts string) []string {
		return []string{"--trees", trees, "--crs", trees + "=EPSG:26975", "--xy", "x,y", "--pavement", far, "--target", target, "--study-area", square("area.geojson", x-30, x+30), "--gusts", gusts, "--reach", "6", "--jitters", "0", "--year", "2024"}
	}
	exposure := func(target, gusts string) float64 {
		out := filepath.Join(dir, "out.geojson")
		soilshedRuns(t, 0, with("assess", args(target, gusts), "--quiet", "--out", out)...)
		v, _ := columnsByTree(t, out, "trees", "exposure")["1"]["exposure"].Float()
		return v
	}
	// By hand: the tree is rooted evenly and upright, so it falls downwind; of its
	// 12 m towards the bearing b, what lies beyond 4 m east is over the road, whose
	// weight is 0.5; the stem's is (40/60)^2.
	byHand := func(rose [wind.Bearings]float64, side float64) (sum float64) {
		for b, p := range rose {
			towards := (float64(b)*10 + 180) * math.Pi / 180
			if to := side * math.Sin(towards); to > 1e-9 {
				sum += p * max(0, 12-4/to) / 12
			}
		}
		return sum * 0.5 * 4 / 9
	}
	twenty := func(deg float64) []float64 { return slices.Repeat([]float64{deg}, 20) }
	for _, c := range []struct {
		target, from string
		rose         [wind.Bearings]float64
		side         float64
	}{
		{east, "", wind.Rose(nil), 1}, {west, "", wind.Rose(nil), -1},
		{east, "W", wind.Rose(twenty(270)), 1}, {west, "W", wind.Rose(twenty(270)), -1}, {east, "S", wind.Rose(twenty(180)), 1},
	} {
		if got, want := exposure(c.target, from(c.from)), byHand(c.rose, c.side); !(math.Abs(got-want) < 0.06*want) {
			t.Errorf("%s, gusts from %q: exposure %g, by hand %.4f", filepath.Base(c.target), c.from, got, want)
		}
	}
	told, _ := soilshedRuns(t, 0, with("explain", args(east, from("W")), "1")...)
	for _, want := range []string{"strong gusts come most from the west: ", "most likely way to fall, to the east: 90 degrees", "most of what it may hit lies to the east: "} {
		if !strings.Contains(told, want) {
			t.Errorf("explain does not say %q:\n%s", want, told)
		}
	}
}
