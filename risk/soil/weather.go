package soil

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Day is a day of weather. What was not measured is NaN; Blank gives such a
// day.
type Day struct {
	Date         time.Time // midnight UTC
	TminC, TmaxC float64
	RainMM       float64 // precipitation; snow counts on the day it falls

	DewC               float64
	RHMinPct, RHMaxPct float64
	RHMeanPct          float64
	WindMS             float64 // at the height of the station's gauge
	SolarMJ            float64 // MJ per m2 and day
	SunH               float64 // hours of bright sunshine
	Bridged, Missing   bool    // set by Prepare
}

// Blank is a day on which nothing was measured.
func Blank(date time.Time) Day {
	n := math.NaN()
	return Day{Date: date, TminC: n, TmaxC: n, RainMM: n, DewC: n, RHMinPct: n,
		RHMaxPct: n, RHMeanPct: n, WindMS: n, SolarMJ: n, SunH: n}
}

// Finding is something that was wrong with a weather record, and what was done.
type Finding struct {
	From, To time.Time // first and last day
	Days     int
	What     string
	Done     string
}

// String is the finding in words.
func (f Finding) String() string {
	when := f.From.Format(time.DateOnly)
	if f.Days > 1 {
		when += fmt.Sprintf(" to %s (%d days)", f.To.Format(time.DateOnly), f.Days)
	}
	return fmt.Sprintf("%s: %s; %s", when, f.What, f.Done)
}

// DefaultBridgeDays is the longest gap that is bridged. Common practice, no
// source.
const DefaultBridgeDays = 3

// Limits of what a thermometer and a rain gauge can have seen; beyond them a
// value is a slip or in other units. The world records are -89.2 and 56.7
// degrees and 1825 mm in a day (from memory); cities keep well inside.
const (
	coldestC  = -70
	hottestC  = 58
	wettestMM = 1000
)

// Prepare turns a record into a gapless series in order of date, and tells with
// dates what it found:
//
//   - days given twice: the first is kept;
//   - minimum over maximum, temperatures and rain that cannot be: taken as not
//     measured;
//   - gaps up to bridgeDays: temperatures and the rest go straight from side to
//     side, rain is 0;
//   - longer gaps stay, marked Missing: no season with such a day is counted.
//
// It is an error when there is no day at all, or when so many temperatures are
// impossible (a tenth or more) that the units must be wrong.
func Prepare(record []Day, bridgeDays int) ([]Day, []Finding, error) {
	if len(record) == 0 {
		return nil, nil, fmt.Errorf("the weather record is empty: it needs a row for each day")
	}
	days := slices.Clone(record)
	slices.SortStableFunc(days, func(a, b Day) int { return a.Date.Compare(b.Date) })
	var found []Finding
	note := func(d time.Time, what, done string) {
		if n := len(found) - 1; n >= 0 && found[n].What == what && found[n].Done == done && d.Sub(found[n].To) <= 24*time.Hour {
			if d.After(found[n].To) {
				found[n].To = d
				found[n].Days++
			}
			return
		}
		found = append(found, Finding{d, d, 1, what, done})
	}

	kept := days[:1]
	for _, d := range days[1:] {
		if d.Date.Equal(kept[len(kept)-1].Date) {
			note(d.Date, "given more than once", "the first was kept")
			continue
		}
		kept = append(kept, d)
	}
	days = kept

	impossible, measured := 0, 0
	for i := range days {
		d := &days[i]
		if !math.IsNaN(d.TminC) || !math.IsNaN(d.TmaxC) {
			measured++
		}
		if out(d.TminC, coldestC, hottestC) || out(d.TmaxC, coldestC, hottestC) {
			impossible++
			note(d.Date, fmt.Sprintf("a temperature outside %d to %d degrees C", coldestC, hottestC), "taken as not measured")
			d.TminC, d.TmaxC = math.NaN(), math.NaN()
		}
		if d.TminC > d.TmaxC {
			note(d.Date, "minimum temperature over maximum", "both taken as not measured")
			d.TminC, d.TmaxC = math.NaN(), math.NaN()
		}
		if d.RainMM < 0 {
			note(d.Date, "negative rain", "taken as not measured")
			d.RainMM = math.NaN()
		}
		if d.RainMM > wettestMM {
			note(d.Date, fmt.Sprintf("rain over %d mm", wettestMM), "taken as not measured")
			d.RainMM = math.NaN()
		}
		for _, v := range []struct {
			value  *float64
			lo, hi float64
			what   string
		}{
			{&d.DewC, coldestC, hottestC, "a dew point that cannot be"},
			{&d.RHMinPct, 0, 100, "a relative humidity outside 0 to 100 %"},
			{&d.RHMaxPct, 0, 100, "a relative humidity outside 0 to 100 %"},
			{&d.RHMeanPct, 0, 100, "a relative humidity outside 0 to 100 %"},
			{&d.WindMS, 0, 75, "a wind outside 0 to 75 m/s"},
			{&d.SolarMJ, 0, 50, "a radiation outside 0 to 50 MJ/m2"},
			{&d.SunH, 0, 24, "sunshine outside 0 to 24 hours"},
		} {
			if out(*v.value, v.lo, v.hi) {
				note(d.Date, v.what, "taken as not measured")
				*v.value = math.NaN()
			}
		}
	}
	if measured > 0 && 10*impossible >= measured {
		return nil, found, fmt.Errorf("%d of %d days have temperatures outside %d to %d degrees C, the first on %s: are they in Fahrenheit, or in tenths of a degree?",
			impossible, measured, coldestC, hottestC, found[0].From.Format(time.DateOnly))
	}

	// One entry a day; what is not there is blank.
	var series []Day
	for _, d := range days {
		for len(series) > 0 && d.Date.Sub(series[len(series)-1].Date) >= 36*time.Hour {
			series = append(series, Blank(series[len(series)-1].Date.AddDate(0, 0, 1)))
		}
		series = append(series, d)
	}
	// Edges that hold nothing are cut off: nothing stands on their far side.
	whole := func(d Day) bool {
		return !math.IsNaN(d.TminC) && !math.IsNaN(d.TmaxC) && !math.IsNaN(d.RainMM)
	}
	end := len(series)
	for end > 0 && !whole(series[end-1]) {
		end--
	}
	for _, d := range series[end:] {
		note(d.Date, "no temperatures or no rain at the end of the record", "left out")
	}
	series = series[:end]
	for len(series) > 0 && !whole(series[0]) {
		note(series[0].Date, "no temperatures or no rain at the start of the record", "left out")
		series = series[1:]
	}
	if len(series) == 0 {
		return nil, found, fmt.Errorf("no day of the weather record has minimum, maximum and rain")
	}
	for i := 1; i < len(series); {
		if whole(series[i]) {
			i++
			continue
		}
		j := i
		for !whole(series[j]) {
			j++
		}
		f := Finding{From: series[i].Date, To: series[j-1].Date, Days: j - i}
		if j-i <= bridgeDays {
			f.What, f.Done = "a gap", "bridged: temperatures from side to side, no rain where none was measured"
			bridge(series, i-1, j)
		} else {
			f.What, f.Done = "a gap too long to bridge", "seasons that hold it are not counted"
			for k := i; k < j; k++ {
				series[k].Missing = true
			}
		}
		found = append(found, f)
		i = j
	}
	slices.SortStableFunc(found, func(a, b Finding) int { return a.From.Compare(b.From) })
	return series, found, nil
}

func out(v, lo, hi float64) bool { return v < lo || v > hi }

// bridge fills the days between a and b, both whole.
func bridge(s []Day, a, b int) {
	for k := a + 1; k < b; k++ {
		f := float64(k-a) / float64(b-a)
		at := func(x, y float64) float64 { return x + f*(y-x) }
		d := &s[k]
		if math.IsNaN(d.TminC) || math.IsNaN(d.TmaxC) {
			d.TminC, d.TmaxC = at(s[a].TminC, s[b].TminC), at(s[a].TmaxC, s[b].TmaxC)
		}
		if math.IsNaN(d.RainMM) {
			d.RainMM = 0
		}
		d.Bridged = true
	}
}

// Date is a day at midnight UTC, as Day wants it.
func Date(year, month, day int) time.Time {
	return time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
}
