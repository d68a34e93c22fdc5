package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"soilshed/geo/layer"
)

// gustField is one thing that is read of a gust file.
type gustField uint8

const (
	gxYear gustField = iota
	gxDate
	gxGust
	gxFrom
	gxStation
	gxTmax // tells in which units a station's file is
	gustFields
)

var gustTable = [gustFields]mapping{
	gxYear: {name: "year", doc: "year of the highest gust", columns: spellings("year yr yyyy jahr season")},
	gxDate: {name: "date", doc: "day, where the file is a daily one", columns: weatherTable[wxDate].columns},
	gxGust: {name: "gust", doc: "highest gust", of: ofSpeed, unit: "m/s", us: "mph", perBase: 1, low: 2, high: 115, zeroIsGap: true,
		columns: spellings("gust wsf5 maxgust gustmax windgust windgustmax peakgust gustspeed annualmaxgust annualmax maxima maximum fx fxx windgusts10mmax gustmaxima peakwindgust wsfg wsfi wsf3")},
	gxFrom: {name: "from", doc: "where the gust came from, degrees clockwise from north, or SW and the like; then falls and targets are weighted by it",
		columns: spellings("from gustdirection gustdir winddirection winddir wdir direction dir wdf5 wdfg wdfi wdf2 windgustdirection winddirectiongust windrichtung")},
	gxStation: {name: "station", doc: "station, where a file may hold several", columns: weatherTable[wxStation].columns},
	gxTmax:    {name: "tmax", doc: "maximum temperature, which tells the units of a daily file", of: ofTemperature, unit: "C", us: "F", perBase: 1, columns: weatherTable[wxTmax].columns},
}

// gustRecord is the highest gust of each year, for fitting.
type gustRecord struct {
	File     string
	Years    []int
	MaximaMS []float64 // runs parallel to Years
	// FromDeg are the directions that strong gusts came from, as far as the file
	// tells: of each year's highest gust, or of every day with a gust as high as
	// the lowest of these.
	FromDeg []float64
	Notes   []string
}

// yearIsWhole is the number of days with a gust from which a year counts:
// a storm that falls into a longer hole is missed (common practice, no source).
const yearIsWhole = 350

// plausibleMaxMS is the median of annual highest gusts above which the unit
// can't be m/s: 42 m/s (150 km/h) is the mean yearly gust of no city away from
// mountain tops (common practice, no source).
const plausibleMaxMS = 42

// readGusts reads a file of annual highest gusts (year, gust), or a daily file
// with a gust column, of which the highest of each whole calendar year is
// taken. flags are --gust-field NAME=COLUMN[:UNIT].
func readGusts(path string, flags []string, us bool) (*gustRecord, error) {
	told, err := parseMappings("--gust-field", namesOf(gustTable[:]), flags)
	if err != nil {
		return nil, err
	}
	t, err := openTable(path)
	if err != nil {
		return nil, err
	}
	return gustsFrom(t, told, us)
}

func gustsFrom(t *csvTable, told []fieldFlag, us bool) (*gustRecord, error) {
	bound, notes, err := bindColumns(gustTable[:], t.fields(), told, bindHow{File: t.File, Flag: "--gust-field", US: us, Things: "gust"})
	if err != nil {
		return nil, err
	}
	g := &gustRecord{File: t.File, Notes: t.Notes}
	gust := &bound[gxGust]
	complain := func(what, name, unit string) error {
		return &layer.Error{File: t.File, Err: fmt.Errorf("there is no column with %s", what),
			Remedy: fmt.Sprintf("name it: --gust-field %s=COLUMN%s; the columns are: %s", name, unit, strings.Join(fieldNames(t.fields()), ", "))}
	}
	if gust.column < 0 {
		return nil, complain("gusts", "gust", ":m/s")
	}
	daily := bound[gxDate].column >= 0
	if !daily && bound[gxYear].column < 0 {
		return nil, complain("a year or a date", "year", "")
	}
	stations := weatherReader{table: t}
	stations.bound = make([]binding, weatherFields)
	stations.bound[wxStation] = bound[gxStation]
	if err := stations.oneStation(); err != nil {
		return nil, err
	}

	type yearly struct {
		max  float64 // as written
		days map[string]bool
		line int
	}
	type directed struct {
		year   int
		v, deg float64
	}
	years := map[int]*yearly{}
	var all []directed // gusts whose direction is known
	var bad, badYear, badFrom tallyLines
	enter := func(year int, day string, row *csvRow, v float64) {
		line := row.Line
		if s := row.cell(bound[gxFrom].column); s != "" && !gapWord(s) {
			if deg, ok := readBearing(s); ok {
				all = append(all, directed{year, v, deg})
			} else if x, number := plainNumber(s); !number || !codeForGap(x) {
				badFrom.add(line, s)
			}
		}
		y := years[year]
		if y == nil {
			y = &yearly{max: math.Inf(-1), days: map[string]bool{}}
			years[year] = y
		}
		y.days[day] = true
		if v > y.max {
			y.max, y.line = v, line
		}
	}
	number := func(row *csvRow) (float64, bool) {
		s := row.cell(gust.column)
		v, ok := plainNumber(s)
		if !ok && strings.Count(s, ",") == 1 {
			v, ok = plainNumber(strings.Replace(s, ",", ".", 1))
		}
		switch {
		case ok && (v <= 0 || codeForGap(v)):
			return 0, false
		case ok:
			return v, true
		case s == "" || gapWord(s) || strings.EqualFold(s, "M"):
			return 0, false
		}
		bad.add(row.Line, s)
		return 0, false
	}
	if daily {
		dates, badDates, err := datesOf(t, &bound[gxDate], "--gust-field date")
		if err != nil {
			return nil, err
		}
		badYear = badDates
		for i := range t.Rows {
			if dates[i].IsZero() {
				continue
			}
			if v, ok := number(&t.Rows[i]); ok {
				enter(dates[i].Year(), dates[i].Format("0102"), &t.Rows[i], v)
			}
		}
	} else {
		for i := range t.Rows {
			row := &t.Rows[i]
			y, how, ok := readYear(row.cell(bound[gxYear].column), 0)
			if !ok || how != datedPlainly || !plausibleYear(y) {
				badYear.add(row.Line, row.cell(bound[gxYear].column))
				continue
			}
			if v, ok := number(row); ok {
				enter(y, "", row, v)
			}
		}
	}
	order := make([]int, 0, len(years))
	for y := range years {
		order = append(order, y)
	}
	slices.Sort(order)
	var dropped []string
	if daily {
		order = slices.DeleteFunc(order, func(y int) bool {
			n := len(years[y].days)
			if n < yearIsWhole {
				dropped = append(dropped, fmt.Sprintf("%d (%s)", y, countOf(n, "day", "days")))
			}
			return n < yearIsWhole
		})
	}
	// The unit, before anything is believed.
	if gust.from == unitDefault {
		if err := g.settleUnit(t, bound, order, func(y int) float64 { return years[y].max }); err != nil {
			return nil, err
		}
	}
	for _, n := range notes {
		if !strings.HasPrefix(n, fmt.Sprintf("Column %s ", shownName(bound[gxTmax].name))) && (gust.from != unitDefault || !strings.HasPrefix(n, fmt.Sprintf("Column %s ", shownName(gust.name)))) {
			g.Notes = append(g.Notes, n)
		}
	}
	var slips []string
	for _, y := range order {
		v := years[y].max*gust.factor + gust.plus
		if v > gustTable[gxGust].high || v < gustTable[gxGust].low {
			slips = append(slips, fmt.Sprintf("%d (%g %s on line %d)", y, years[y].max, gust.unit.name, years[y].line))
			continue
		}
		g.Years, g.MaximaMS = append(g.Years, y), append(g.MaximaMS, v)
	}
	// Strong gusts are those of the yearly ones; of a daily file, all as high as
	// the lowest of them.
	for _, d := range all {
		k := slices.Index(g.Years, d.year)
		v := d.v*gust.factor + gust.plus
		switch {
		case daily && len(g.MaximaMS) > 0 && v >= slices.Min(g.MaximaMS) && v <= gustTable[gxGust].high,
			!daily && k >= 0 && v == g.MaximaMS[k]:
			g.FromDeg = append(g.FromDeg, d.deg)
		}
	}
	say := func(format string, a ...any) { g.Notes = append(g.Notes, t.File+": "+fmt.Sprintf(format, a...)) }
	if badYear.count > 0 {
		say("%s left out for a date or year that cannot be read (first %q on line %d).", countOf(badYear.count, "line is", "lines are"), shortened(badYear.text, 40), badYear.line)
	}
	if bad.count > 0 {
		say("%s left out for a gust that is no number (first %q on line %d).", countOf(bad.count, "line is", "lines are"), shortened(bad.text, 40), bad.line)
	}
	if badFrom.count > 0 {
		say("a direction is left out on %s: no number from 0 to 360 and no point of the compass (first %q on line %d).", countOf(badFrom.count, "line", "lines"), shortened(badFrom.text, 40), badFrom.line)
	}
	if len(dropped) > 0 {
		say("years with gusts on fewer than %d days are left out: %s.", yearIsWhole, listed(dropped, 10))
	}
	if len(slips) > 0 {
		say("WARNING: yearly gusts outside %g to %g m/s are left out: %s.", gustTable[gxGust].low, gustTable[gxGust].high, listed(slips, 10))
	}
	if len(g.MaximaMS) == 0 {
		return nil, &layer.Error{File: t.File, Field: shownName(gust.name), Err: errors.New("no year has a highest gust that can be used"),
			Remedy: "it needs a line a year, or daily gusts over whole calendar years"}
	}
	what := "the highest gust of each year is read"
	if daily {
		what = "the highest daily gust of each calendar year is taken"
	}
	say("%s: %s, %d to %d, from %.1f to %.1f m/s.", what, countOf(len(g.Years), "year", "years"), g.Years[0], g.Years[len(g.Years)-1], slices.Min(g.MaximaMS), slices.Max(g.MaximaMS))
	switch {
	case bound[gxFrom].column < 0:
		say("no column tells where gusts come from: from anywhere alike (--gust-field from=COLUMN).")
	case len(g.FromDeg) == 0:
		say("no strong gust has a direction: from anywhere alike.")
	default:
		say("directions of %s are taken.", countOf(len(g.FromDeg), "strong gust", "strong gusts"))
	}
	if len(g.Years) < 10 {
		say("WARNING: %s of gusts tell little of rare storms; twenty or more are usual.", countOf(len(g.Years), "year", "years"))
	}
	return g, nil
}

// settleUnit takes mph where the file's temperatures are in Fahrenheit, m/s
// where the gusts can be that, and else asks.
func (g *gustRecord) settleUnit(t *csvTable, bound []binding, order []int, maxOf func(int) float64) error {
	gust := &bound[gxGust]
	set := func(name string) {
		u, _ := findUnit(ofSpeed, name)
		gust.setUnit(&gustTable[gxGust], u)
	}
	if gust.unit.name == "m/s" && bound[gxTmax].column >= 0 && bound[gxTmax].from == unitDefault {
		r := weatherReader{table: t, bound: make([]binding, weatherFields)}
		r.bound[wxTmax] = bound[gxTmax]
		if hi, _, ok := r.highest(wxTmax); ok && hi > hottestAirC && hi < 150 {
			set("mph")
			g.Notes = append(g.Notes, fmt.Sprintf("Column %s is read as gust, in mph, as the temperatures beside it are in F (if it is in another, --gust-field gust=%s:UNIT).", shownName(gust.name), shownName(gust.name)))
			return nil
		}
	}
	values := make([]float64, len(order))
	for i, y := range order {
		values[i] = maxOf(y)
	}
	slices.Sort(values)
	if n := len(values); n > 0 && gust.unit.name == "m/s" && values[n/2] > plausibleMaxMS {
		return &layer.Error{File: t.File, Field: shownName(gust.name), Err: fmt.Errorf("the yearly gusts have no unit, and with a median of %g they are hardly m/s", values[n/2]),
			Remedy: fmt.Sprintf("state it: --gust-field gust=%s:UNIT with one of %s", shownName(gust.name), unitNames(ofSpeed))}
	}
	g.Notes = append(g.Notes, fmt.Sprintf("Column %s is read as gust, in %s: it states no unit (if it is in another, --gust-field gust=%s:UNIT).", shownName(gust.name), gust.unit.name, shownName(gust.name)))
	return nil
}

// listed joins the first n and counts the rest.
func listed(list []string, n int) string {
	if len(list) <= n {
		return strings.Join(list, ", ")
	}
	return strings.Join(list[:n], ", ") + fmt.Sprintf(" and %d more", len(list)-n)
}
