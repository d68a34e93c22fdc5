package main

import (
	"math"
	"strconv"
	"time"

	"soilshed/scripts/plat"
)

// Invented month by month: a temperate place far from the sea.
var (
	minC      = [12]float64{-12.5, -10.5, -4.5, 2, 8.5, 14.5, 17, 15.8, 10.8, 4, -3, -9.5}
	maxC      = [12]float64{-3.5, -1, 6, 14.5, 21.5, 26.8, 29, 27.6, 23.2, 15.8, 7, -0.5}
	wetShare  = [12]float64{.20, .20, .25, .32, .36, .34, .29, .28, .26, .25, .23, .21}
	wetMM     = [12]float64{3, 3.5, 5.5, 7, 8.5, 10, 10.5, 10, 8, 6.5, 5, 3.5}
	windMeanM = [12]float64{4.6, 4.6, 4.9, 4.9, 4.3, 3.8, 3.3, 3.2, 3.6, 4.1, 4.5, 4.5}
)

// dry spells that the demo needs: first day, days.
var dryFrom = []struct {
	day  string
	days int
}{
	{"2016-06-03", 17}, {"2017-07-08", 33}, {"2019-08-11", 19}, {"2021-06-19", 26}, {"2021-08-02", 16}, {"2023-05-27", 22}, {"2023-08-20", 24},
}

// weather makes ten years of days. The wind is the day's mean at 2 m.
func weather() table {
	d := plat.NewDice(seed, 6)
	t := table{name: "weather.csv", header: []string{"date", "tmin_c", "tmax_c", "rain_mm", "wind_ms", "dew_c"}}
	dry := map[string]bool{}
	for _, s := range dryFrom {
		day, err := time.Parse(time.DateOnly, s.day)
		if err != nil {
			panic(err)
		}
		for i := range s.days {
			dry[day.AddDate(0, 0, i).Format(time.DateOnly)] = true
		}
	}
	// Between the middles of two months, in a straight line.
	normal := func(m [12]float64, day time.Time) float64 {
		x := float64(day.YearDay()-1)/365.25*12 - 0.5
		i := int(math.Floor(x))
		f := x - float64(i)
		return m[(i+12)%12]*(1-f) + m[(i+13)%12]*f
	}
	anomaly, wet := 0.0, false
	for day := time.Date(2015, 1, 1, 0, 0, 0, 0, time.UTC); day.Year() < 2025; day = day.AddDate(0, 0, 1) {
		date := day.Format(time.DateOnly)
		summer := (1 - math.Cos(2*math.Pi*float64(day.YearDay()-20)/365.25)) / 2
		anomaly = 0.72*anomaly + d.Normal(0, 3.6-1.6*summer)
		p := normal(wetShare, day)
		if wet {
			p = p + 0.22*(1-p)
		} else {
			p *= 0.88
		}
		wet = d.Chance(p)
		mm := d.Gamma2(normal(wetMM, day))
		if d.Chance(0.06) {
			mm *= 2.2
		}
		lo, hi := normal(minC, day)+anomaly+d.Normal(0, 1.2), normal(maxC, day)+anomaly+d.Normal(0, 1.2)
		dewUnder := d.Between(0.5, 3)
		wind := normal(windMeanM, day) * 0.75 * math.Sqrt(-math.Log(1-d.Unit())) / 0.886
		if dry[date] {
			wet = false
			hi += 2.5
			dewUnder += 2
		}
		if !wet {
			mm = 0
		} else {
			hi -= 2
			lo += 1
			dewUnder -= 1
		}
		hi = max(hi, lo+1.2)
		t.rows = append(t.rows, []string{date, f(1, lo), f(1, hi), f(1, mm), f(1, plat.Clamp(wind, 0.3, 12)), f(1, min(lo-dewUnder*0.8, lo))})
	}
	return t
}

// gusts are thirty yearly maxima at 10 m, drawn from a Gumbel law with mode
// 23 m/s and scale 3 m/s.
func gusts() table {
	d := plat.NewDice(seed, 7)
	t := table{name: "gusts.csv", header: []string{"year", "gust_ms"}}
	for year := 1995; year < 2025; year++ {
		t.rows = append(t.rows, []string{strconv.Itoa(year), f(1, 23-3*math.Log(-math.Log(d.Between(1e-9, 1))))})
	}
	return t
}
