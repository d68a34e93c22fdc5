package soil

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// readReference reads a table of fixtures/reference by column name; lines that
// start with # say where it comes from.
func readReference(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "fixtures", "reference", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(rows), err)
	}
	var out []map[string]string
	for _, cells := range rows[1:] {
		m := map[string]string{}
		for i, c := range cells {
			m[rows[0][i]] = c
		}
		out = append(out, m)
	}
	return out
}

func number(t testing.TB, m map[string]string, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(m[column], 64)
	if err != nil {
		t.Fatalf("column %s: %v", column, err)
	}
	return v
}

// A hundred random trees over ten years against scripts/water-reference.py, a
// second implementation in numpy and scipy: evapotranspiration by both methods,
// the balance, the one-in-ten season, watering, and the storage for five dry
// days by scipy's root finder.
func TestAgainstSecondImplementation(t *testing.T) {
	var record []Day
	for _, m := range readReference(t, "soil-weather.csv") {
		d, err := time.Parse(time.DateOnly, m["date"])
		if err != nil {
			t.Fatal(err)
		}
		day := Blank(d)
		day.TminC, day.TmaxC, day.RainMM = number(t, m, "tmin_c"), number(t, m, "tmax_c"), number(t, m, "rain_mm")
		day.DewC, day.WindMS, day.SunH = number(t, m, "dew_c"), number(t, m, "wind_ms"), number(t, m, "sun_h")
		record = append(record, day)
	}
	days, found, err := Prepare(record, DefaultBridgeDays)
	if err != nil || len(found) > 0 {
		t.Fatal(err, found)
	}
	at := Station{LatDeg: 44, HeightM: 120, WindM: 10}
	eto := map[string][]float64{}
	mm, how, fellBack := Reference(days, at)
	if how != ByPenmanMonteith || fellBack != 0 {
		t.Fatalf("%v, %d days fell back", how, fellBack)
	}
	eto["penman"] = mm
	for i := range days {
		days[i].SunH = math.NaN()
	}
	if eto["hargreaves"], how, _ = Reference(days, at); how != ByHargreaves {
		t.Fatal(how)
	}
	climates, tables := map[string]*Climate{}, map[string]*Table{}
	for method := range eto {
		for kind, l := range kinds() {
			c, err := NewClimate(days, eto[method], l)
			if err != nil {
				t.Fatal(err)
			}
			climates[method+kind] = c
		}
	}
	trees, storages, tabled := 0, 0, 0
	for i, m := range readReference(t, "soil-balance.csv") {
		key := m["method"] + m["kind"]
		c := climates[key]
		if c == nil {
			t.Fatalf("tree %d: no climate %s", i, key)
		}
		q := Site{
			SoilM3: number(t, m, "soil_m3"), AWC: number(t, m, "awc"), OpenM2: number(t, m, "open_m2"),
			PavingM2: number(t, m, "paving_m2"), Runoff: number(t, m, "runoff"),
			CrownM2: number(t, m, "crown_m2"), Relative: number(t, m, "relative"),
		}.Ratios()
		s, led := c.Run(q)
		for _, v := range []struct {
			column string
			got    float64
		}{
			{"dry_days", s.DryDays}, {"longest_days", s.LongestDays}, {"short_mm", s.ShortMM}, {"short_dry_mm", s.ShortDryMM},
			{"water_mm", s.WaterMM}, {"water_dry_mm", s.WaterDryMM}, {"waterings", s.Waterings}, {"times_week", s.TimesPerWeek},
			{"used_mm", led.Used}, {"lost_mm", led.Lost},
		} {
			// Seven digits are printed.
			if want := number(t, m, v.column); !(math.Abs(v.got-want) <= 1e-6*(1+math.Abs(want))) {
				t.Errorf("tree %d (%s) %+v: %s is %.7g, reference %.7g", i, key, q, v.column, v.got, want)
			}
		}
		trees++
		if m["storage5_mm"] != "" {
			storages++
			want := number(t, m, "storage5_mm")
			if s := c.dryDays(Ratios{want, q.Intake}); math.Abs(s-5) > 0.01 {
				t.Errorf("tree %d: the reference's storage %g mm gives %g dry days, want 5", i, want, s)
			}
			if testing.Short() && m["kind"] != "deciduous" {
				continue // a table takes a second
			}
			if tables[key] == nil {
				tables[key] = NewTable(c)
			}
			tabled++
			mm, ok := tables[key].StorageFor(5, q.Intake)
			// The look-up is within half a day.
			if s := c.dryDays(Ratios{mm, q.Intake}); !ok || math.Abs(s-5) > 0.5 {
				t.Errorf("tree %d: storage for five dry days %g mm gives %g, reference %g mm", i, mm, s, want)
			}
		}
	}
	if trees != 100 || storages == 0 || tabled == 0 {
		t.Errorf("compared %d trees and %d storages, %d of them with the table", trees, storages, tabled)
	}
}
