package main

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"soilshed/risk/soil"
)

// readText reads a table from text.
func readText(t *testing.T, text string) *csvTable {
	t.Helper()
	table, err := readTable("test.csv", strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return table
}

// weatherText reads weather from text.
func weatherText(t *testing.T, text string, flags ...string) (*weather, error) {
	t.Helper()
	told, err := parseMappings("--weather-field", weatherFieldNames(), flags)
	if err != nil {
		t.Fatal(err)
	}
	return weatherFrom(readText(t, text), told, false, soil.DefaultBridgeDays)
}

// A day written in SI and in US units, in station form and in plain form, with
// quotes and padded codes, is the same day.
func TestWeatherUnitsAndNames(t *testing.T) {
	si := "date,precipitation,temp_max,temp_min,wind,weather\n"
	us := "\"STATION\",\"NAME\",\"DATE\",\"AWND\",\"PGTM\",\"PRCP\",\"TMAX\",\"TMIN\",\"WDF2\"\n"
	tenths := "DATE;TMAX;TMIN;PRCP;AWND\n"
	for d := 1; d <= 28; d++ {
		si += fmt.Sprintf("2018-02-%02d,25.4,25.0,10.0,4.4704,rain\n", d)
		us += fmt.Sprintf("\"X1\",\"ELM AIRPORT, XX US\",\"2018-02-%02d\",\"10.00\",\" 0023\",\"1.00\",\"77\",\"50\",\"  110\"\n", d)
		tenths += fmt.Sprintf("201802%02d;250;100;254;44.704\n", d)
	}
	for name, text := range map[string]string{"SI": si, "US": us, "tenths": tenths} {
		w, err := weatherText(t, text)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if len(w.Days) != 28 {
			t.Errorf("%s: %d days", name, len(w.Days))
			continue
		}
		d := w.Days[2]
		if !d.Date.Equal(time.Date(2018, 2, 3, 0, 0, 0, 0, time.UTC)) || !near(d.TmaxC, 25) || !near(d.TminC, 10) || !near(d.RainMM, 25.4) || !near(d.WindMS, 4.4704) || !math.IsNaN(d.SolarMJ) {
			t.Errorf("%s: got %+v", name, d)
		}
		if said := strings.Join(w.Notes, "\n"); name == "US" && (!strings.Contains(said, "read in F: they reach 77 on 2018-02-01 and no unit is stated") || !strings.Contains(said, "rain, in in, as the temperatures are in F")) {
			t.Errorf("US units are assumed in silence: %s", said)
		}
	}
}

func TestWeatherThatIsTold(t *testing.T) {
	text := "d,hi,lo,p,rh,rs,sun,w\n"
	for d := 1; d <= 10; d++ {
		text += fmt.Sprintf("%d/3/2018,50,41,0.5,0.8,200,480,36\n", d)
	}
	w, err := weatherText(t, text, "date=d", "tmax=hi:F", "tmin=lo:F", "rain=p:in", "rh=rh", "radiation=rs:W/m2", "sunshine=sun:min", "wind=w:km/h")
	if err != nil {
		t.Fatal(err)
	}
	// 3 January or 1 March: nothing in the file tells, so the month goes first.
	if d := w.Days[0]; d.Date.Month() != 1 || d.Date.Day() != 3 || !near(d.TmaxC, 10) || !near(d.TminC, 5) || !near(d.RainMM, 12.7) || !near(d.RHMeanPct, 80) || !near(d.SolarMJ, 17.28) || !near(d.SunH, 8) || !near(d.WindMS, 10) {
		t.Errorf("got %+v", d)
	}
	// One date with a 13th first settles the file.
	w, err = weatherText(t, strings.Replace(text, "10/3/2018", "13/3/2018", 1), "date=d", "tmax=hi:F", "tmin=lo:F", "rain=p:in")
	if err != nil || w.Days[0].Date.Month() != 3 {
		t.Errorf("day first: %v", err)
	}
	// Year, month, day.
	w, err = weatherText(t, "Year,Month,Day,Tmin (C),Tmax (C),Rain (mm)\n2018,2,28,1,5,0\n2018,3,1,1,5,T\n")
	if err != nil || len(w.Days) != 2 || w.Days[1].RainMM != 0 || !strings.Contains(strings.Join(w.Notes, "\n"), "1 trace of rain read as 0") {
		t.Errorf("three columns: %v", err)
	}
}

func TestWeatherThatIsBad(t *testing.T) {
	days := func(change func(d int) string) string {
		s := "date,tmin,tmax,rain\n"
		for d := range 60 {
			s += change(d)
		}
		return s
	}
	on := func(d int) string { return time.Date(2018, 5, 1+d, 0, 0, 0, 0, time.UTC).Format(time.DateOnly) }
	fine := func(d int) string { return on(d) + ",8,19,1.5\n" }
	odd := func(at int, line string) func(int) string {
		return func(d int) string {
			if d == at {
				return line
			}
			return fine(d)
		}
	}
	// Counted repairs, with their dates.
	for name, c := range map[string]struct{ text, say string }{
		"tmin over tmax": {days(odd(9, on(9)+",21,19,0\n")), "2018-05-10"},
		"negative rain":  {days(odd(9, on(9)+",8,19,-3\n")), "2018-05-10"},
		"80 degrees":     {days(odd(9, on(9)+",8,80,0\n")), "2018-05-10"},
		"twice":          {days(odd(9, fine(9)+on(9)+",9,20,2\n")), "2018-05-10"},
		"missing day":    {days(odd(9, "")), "2018-05-10"},
		"long gap":       {days(func(d int) string { return map[bool]string{true: "", false: fine(d)}[d > 20 && d < 40] }), "2018-05-22 to 2018-06-09"},
		"code":           {days(odd(9, on(9)+",-9999,-9999,-9999\n")), "2018-05-10"},
		"bad date":       {days(odd(9, "2018-02-30,8,19,0\n")), `"2018-02-30" on line 11`},
		"words":          {days(odd(9, on(9)+",8,19,wet\n")), `"wet" on line 11`},
		"short line":     {days(odd(9, on(9)+",8\n")), "2018-05-10"},
		"short record":   {days(fine), "covers 60 days, less than a year"},
	} {
		w, err := weatherText(t, c.text)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		said := strings.Join(w.Notes, "\n")
		if !strings.Contains(said, c.say) {
			t.Errorf("%s: not said: %s", name, said)
		}
		if len(w.Days) != 60 {
			t.Errorf("%s: %d days", name, len(w.Days))
		}
		if name != "long gap" {
			for _, d := range w.Days {
				if math.IsNaN(d.TmaxC) || d.TmaxC < 18.9 || d.TmaxC > 20.1 || d.RainMM < 0 || math.IsNaN(d.RainMM) {
					t.Errorf("%s: got through: %+v", name, d)
				}
			}
		}
	}
	// Errors, with the way out.
	for name, c := range map[string]struct {
		text  string
		flags []string
		say   []string
	}{
		"told C, is F":   {days(func(d int) string { return on(d) + ",60,80,0\n" }), []string{"tmax=tmax:C"}, []string{"80 C is above any air temperature", "tmax=tmax:F"}},
		"no rain":        {"date,tmin,tmax\n2018-05-01,1,2\n", nil, []string{"precipitation", "--weather-field rain=", "date, tmin, tmax"}},
		"no date":        {"tmin,tmax,rain\n1,2,3\n", nil, []string{"date", "--weather-field date="}},
		"no dates":       {"date,tmin,tmax,rain\nMay,1,2,3\n", nil, []string{"line 2", `"May" is no date`}},
		"mixed dates":    {"date,tmin,tmax,rain\n13/5/2018,1,2,3\n5/14/2018,1,2,3\n", nil, []string{"day first"}},
		"two stations":   {"station,date,tmin,tmax,rain\nA,2018-05-01,1,2,3\nB,2018-05-01,1,2,3\n", nil, []string{"line 3", "more than one station (A, B)"}},
		"no thermometer": {"date,tmin,tmax,rain\n2018-05-01,,,3\n", nil, []string{"maximum temperature"}},
		"unknown unit":   {"date,tmin,tmax,rain\n2018-05-01,1,2,3\n", []string{"rain=rain:bucket"}, []string{`"bucket" is no unit of rain`, "mm, in"}},
	} {
		w, err := weatherText(t, c.text, c.flags...)
		if err == nil {
			t.Errorf("%s: no error: %q", name, w.Notes)
			continue
		}
		for _, say := range c.say {
			if !strings.Contains(err.Error(), say) {
				t.Errorf("%s: %q does not say %q", name, err, say)
			}
		}
	}
}

// A year whose rain adds up to nothing is doubted.
func TestRainInInchesIsDoubted(t *testing.T) {
	text := "date,tmin,tmax,rain\n"
	for d := range 365 {
		text += time.Date(2018, 1, 1+d, 0, 0, 0, 0, time.UTC).Format(time.DateOnly) + ",5,20,0.11\n"
	}
	w, err := weatherText(t, text)
	if err != nil {
		t.Fatal(err)
	}
	if said := strings.Join(w.Notes, "\n"); !strings.Contains(said, "WARNING: test.csv: rain adds up to only 40 mm a year") || !strings.Contains(said, "rain=rain:in") {
		t.Errorf("got %s", said)
	}
	if w, _ = weatherText(t, text, "rain=rain:in"); math.Abs(w.Days[0].RainMM-2.794) > 1e-12 || strings.Contains(strings.Join(w.Notes, "\n"), "WARNING") {
		t.Errorf("told: %v", w.Notes)
	}
}

func TestTables(t *testing.T) {
	for name, text := range map[string]string{
		"comma":        "a,b\n1,\"x, y\"\n",
		"semicolon":    "a;b\n1;x, y\n",
		"tab":          "a\tb\n1\tx, y\n",
		"mark":         "\uFEFFa,b\n1,\"x, y\"\n",
		"sep":          "sep=;\na;b\n1;x, y\n",
		"comments":     "# made by hand\n\n# twice\na;b\r\n1;x, y\r\n\r\n",
		"no last line": "a;b\n1;x, y",
	} {
		table := readText(t, text)
		if table.Header[0] != "a" || len(table.Rows) != 1 || table.Rows[0].cell(0) != "1" || table.Rows[0].cell(1) != "x, y" || table.Rows[0].cell(7) != "" {
			t.Errorf("%s: %q %+v", name, table.Header, table.Rows)
		}
	}
	table := readText(t, "a,Stra\xdfe\n1,\xd6hlweg\n")
	if table.Header[1] != "Straße" || table.Rows[0].cell(1) != "Öhlweg" || len(table.Notes) != 1 {
		t.Errorf("Windows-1252: %q %v", table.Header, table.Notes)
	}
	table = readText(t, "a,b\n1,2\n3,\"4\"5\n6,7\n")
	if len(table.Rows) != 2 || len(table.Notes) != 1 || !strings.Contains(table.Notes[0], "line 3") || table.Rows[1].Line != 4 {
		t.Errorf("broken quotes: %+v %v", table.Rows, table.Notes)
	}
	table = readText(t, "\xff\xfea\x00,\x00b\x00\n\x001\x00,\x002\x00")
	if len(table.Rows) != 1 || table.Rows[0].cell(1) != "2" {
		t.Errorf("UTF-16: %+v", table)
	}
	for name, text := range map[string]string{"empty": "", "blank": "\n \n", "names alone": "a,b\n"} {
		if _, err := readTable("test.csv", strings.NewReader(text)); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, err := openTable("nowhere.csv"); err == nil || strings.Count(err.Error(), "nowhere.csv") != 1 {
		t.Errorf("missing file: %v", err)
	}
	if _, err := readTable("x.csv.gz", strings.NewReader("a,b\n1,2\n")); err == nil {
		t.Error("plain text under .gz is no error")
	}
}

func FuzzTables(f *testing.F) {
	for _, s := range []string{"date,tmin,tmax,rain\n2018-05-01,1,2,3\n", "year,gust\n2018,30\n", "tree,share\n1,0.3\n", "a;\"b\n", "\xff\xfe", "sep=;"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		table, err := readTable("f.csv", strings.NewReader(s))
		if err != nil {
			return
		}
		// Any of them may refuse it; none may panic, and what passes is sound.
		if w, err := weatherFrom(table, nil, false, 3); err == nil {
			for i, d := range w.Days {
				if i > 0 && d.Date.Sub(w.Days[i-1].Date) != 24*time.Hour {
					t.Errorf("a gap in the series at %s", d.Date)
				}
			}
		}
		if g, err := gustsFrom(table, nil, false); err == nil {
			for _, v := range g.MaximaMS {
				if !(v > 0 && v <= 115) {
					t.Errorf("a gust of %g m/s", v)
				}
			}
		}
		if x, err := excavationsFrom(table, nil, false); err == nil {
			for _, e := range x.Records {
				if !(e.Share >= 0 && e.Share <= 1) || e.Tree == "" {
					t.Errorf("%+v", e)
				}
			}
		}
	})
}
