package main

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
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
