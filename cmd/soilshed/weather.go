package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"soilshed/geo/layer"
	"soilshed/risk/soil"
)

// weatherField is one thing that soilshed can read of a day.
type weatherField uint8

const (
	wxDate weatherField = iota
	wxYear
	wxMonth
	wxDay
	wxTmin
	wxTmax
	wxRain
	wxDew
	wxRHMin
	wxRHMax
	wxRH
	wxWind
	wxSolar
	wxSun
	wxStation
	weatherFields
)

// weatherTable is what --weather-field maps, and how columns are recognised.
var weatherTable = [weatherFields]mapping{
	wxDate: {name: "date", doc: "the day: 2018-01-31, 20180131, 1/31/2018 or 31.1.2018",
		columns: spellings("date yyyymmdd datum dateutc datelocal observationdate obsdate time datetime valid messdatum fecha")},
	wxYear:  {name: "year", doc: "year, where the date stands in three columns", columns: spellings("year yr yyyy jahr")},
	wxMonth: {name: "month", doc: "month, 1 to 12", columns: spellings("month mon mo mm monat")},
	wxDay:   {name: "day", doc: "day of the month", columns: spellings("day dayofmonth dom dd tag dy")},
	wxTmin: {name: "tmin", doc: "minimum temperature", of: ofTemperature, unit: "C", us: "F", perBase: 1,
		columns: spellings("tmin tempmin mintemp mintemperature temperaturemin minimumtemperature temperature2mmin tn tnk tnn airtempmin mint tlow")},
	wxTmax: {name: "tmax", doc: "maximum temperature", of: ofTemperature, unit: "C", us: "F", perBase: 1,
		columns: spellings("tmax tempmax maxtemp maxtemperature temperaturemax maximumtemperature temperature2mmax tx txk txx airtempmax maxt thigh")},
	wxRain: {name: "rain", doc: "precipitation of the day", of: ofRain, unit: "mm", us: "in", perBase: 1,
		columns: spellings("rain precipitation prcp precip ppt rainfall precipitationsum precipitationtotal preciptotal rr rsk rainsum pcp precipamount totalprecip niederschlag rainmm")},
	wxDew: {name: "dew", doc: "dew point", of: ofTemperature, unit: "C", us: "F", perBase: 1,
		columns: spellings("dew dewpoint dewpt tdew dewp dewpointtemperature tdmean adpt dewpointmean")},
	wxRHMin: {name: "rh_min", doc: "minimum relative humidity", of: ofFraction, unit: "%", us: "%", perBase: 100,
		columns: spellings("rhmin minrh humiditymin relativehumiditymin minhumidity minrelativehumidity rhmn")},
	wxRHMax: {name: "rh_max", doc: "maximum relative humidity", of: ofFraction, unit: "%", us: "%", perBase: 100,
		columns: spellings("rhmax maxrh humiditymax relativehumiditymax maxhumidity maxrelativehumidity rhmx")},
	wxRH: {name: "rh", doc: "mean relative humidity", of: ofFraction, unit: "%", us: "%", perBase: 100,
		columns: spellings("rh humidity relativehumidity rhmean rhavg relhum meanhumidity upm rav relativehumiditymean")},
	wxWind: {name: "wind", doc: "mean wind speed", of: ofSpeed, unit: "m/s", us: "mph", perBase: 1,
		columns: spellings("wind windspeed awnd ws windspeedmean windmean meanwind fm wspd windspeedavg avgwind u2 windavg")},
	wxSolar: {name: "radiation", doc: "solar radiation", of: ofRadiation, unit: "MJ/m2", us: "MJ/m2", perBase: 1,
		columns: spellings("radiation solarradiation srad solar solarrad shortwaveradiation shortwaveradiationsum rs globalradiation insolation ghi")},
	wxSun: {name: "sunshine", doc: "bright sunshine", of: ofHours, unit: "h", us: "h", perBase: 1,
		columns: spellings("sunshine sunshineduration sunhours tsun sdk sunshinehours sun hoursofsun")},
	wxStation: {name: "station", doc: "station, where a file may hold several", columns: spellings("station stationid stationsid stid stn")},
}

// weather is a daily series ready for the water balance.
type weather struct {
	File string
	Days []soil.Day // gapless, in order
	// Has tells what was read besides temperatures and rain.
	Columns []columnRead
	// Notes are sentences about columns, units, repairs and gaps, with dates.
	Notes []string
}

// weatherFieldNames are what --weather-field takes.
func weatherFieldNames() []string { return namesOf(weatherTable[:]) }

func namesOf(table []mapping) []string {
	names := make([]string, len(table))
	for i, m := range table {
		names[i] = m.name
	}
	return names
}

// readWeather reads a daily weather file. flags are --weather-field
// NAME=COLUMN[:UNIT]; bridgeDays is the longest gap that is bridged
// (soil.DefaultBridgeDays).
func readWeather(path string, flags []string, us bool, bridgeDays int) (*weather, error) {
	told, err := parseMappings("--weather-field", weatherFieldNames(), flags)
	if err != nil {
		return nil, err
	}
	t, err := openTable(path)
	if err != nil {
		return nil, err
	}
	return weatherFrom(t, told, us, bridgeDays)
}

func weatherFrom(t *csvTable, told []fieldFlag, us bool, bridgeDays int) (*weather, error) {
	bound, notes, err := bindColumns(weatherTable[:], t.fields(), told, bindHow{File: t.File, Flag: "--weather-field", US: us, Things: "weather"})
	if err != nil {
		return nil, err
	}
	w := &weather{File: t.File, Notes: t.Notes}
	if d := &bound[wxDay]; bound[wxDate].column < 0 && bound[wxYear].column < 0 && d.column >= 0 { // a date under the name of a day
		bound[wxDate], *d = *d, binding{column: -1}
	}
	inParts := bound[wxYear].column >= 0 && bound[wxMonth].column >= 0 && bound[wxDay].column >= 0
	if bound[wxDate].column < 0 && !inParts {
		return nil, t.lacks("a date", "date", "YYYY-MM-DD")
	}
	for _, need := range []weatherField{wxTmin, wxTmax, wxRain} {
		if bound[need].column < 0 {
			return nil, t.lacks("a column of "+weatherTable[need].doc, weatherTable[need].name, weatherTable[need].unit)
		}
	}
	r := weatherReader{table: t, bound: bound, inParts: inParts && bound[wxDate].column < 0}
	if err := r.oneStation(); err != nil {
		return nil, err
	}
	if err := r.dates(); err != nil {
		return nil, err
	}
	if err := r.units(us); err != nil {
		return nil, err
	}
	// The notes on columns are written when the units are settled.
	for i := range bound {
		if b := &r.bound[i]; b.column >= 0 {
			w.Columns = append(w.Columns, columnRead{Name: weatherTable[i].name, Column: shownName(b.name), Unit: b.unit.name,
				How: map[bool]string{true: "told", false: "recognised"}[b.told], UnitBy: map[bool]string{true: [...]string{"assumed", "named", "told"}[b.from]}[b.unit.name != ""]})
		}
	}
	w.Notes = append(w.Notes, r.columnNotes(notes)...)
	record := r.days()
	if len(record) == 0 {
		return nil, &layer.Error{File: t.File, Err: errors.New("no line holds a day that can be read"), Remedy: "see --weather-field date=COLUMN"}
	}
	days, found, err := soil.Prepare(record, bridgeDays)
	if err != nil {
		return nil, &layer.Error{File: t.File, Err: err, Remedy: "state the units, as in --weather-field tmax=COLUMN:F"}
	}
	w.Days = days
	w.Notes = append(w.Notes, r.cellNotes()...)
	for i, f := range found {
		if i == findingsShown {
			w.Notes = append(w.Notes, fmt.Sprintf("%s: %s more of this kind.", t.File, countOf(len(found)-i, "repair or gap", "repairs or gaps")))
			break
		}
		w.Notes = append(w.Notes, t.File+": "+f.String()+".")
	}
	w.Notes = append(w.Notes, r.doubts(days)...)
	return w, nil
}

// findingsShown bounds how many repairs are told one by one.
const findingsShown = 20

func (t *csvTable) lacks(what, name, unit string) error {
	return &layer.Error{File: t.File, Err: fmt.Errorf("there is no column with %s", what),
		Remedy: fmt.Sprintf("name it: --weather-field %s=COLUMN:%s; the columns are: %s", name, unit, strings.Join(fieldNames(t.fields()), ", "))}
}

type weatherReader struct {
	table   *csvTable
	bound   []binding
	inParts bool
	date    []time.Time // of each row; zero where it could not be read
	badDate tallyLines
	badCell [weatherFields]tallyLines
	traces  int
	assumed []string // sentences on units that were assumed from the values
}

// tallyLines counts lines with the first of them.
type tallyLines struct {
	count, line int
	text        string
}

func (t *tallyLines) add(line int, text string) {
	if t.count == 0 {
		t.line, t.text = line, text
	}
	t.count++
}

// oneStation refuses a file of several stations: their days would be taken for
// doubles.
func (r *weatherReader) oneStation() error {
	c := r.bound[wxStation].column
	if c < 0 {
		return nil
	}
	first := ""
	for i := range r.table.Rows {
		s := r.table.Rows[i].cell(c)
		switch {
		case s == "":
		case first == "":
			first = s
		case s != first:
			return r.table.lineError(r.table.Rows[i].Line, r.bound[wxStation].name, fmt.Errorf("the file holds more than one station (%s, %s)", first, s), "keep the lines of one")
		}
	}
	return nil
}

// dates reads the dates of all rows, in one column or in three.
func (r *weatherReader) dates() error {
	rows := r.table.Rows
	r.date = make([]time.Time, len(rows))
	if r.inParts {
		for i := range rows {
			y, okY := plainNumber(rows[i].cell(r.bound[wxYear].column))
			m, okM := plainNumber(rows[i].cell(r.bound[wxMonth].column))
			d, okD := plainNumber(rows[i].cell(r.bound[wxDay].column))
			if date, ok := dayOf(int(y), int(m), int(d)); okY && okM && okD && ok {
				r.date[i] = date
			} else {
				r.badDate.add(rows[i].Line, strings.Join(rows[i].Cells, ","))
			}
		}
		return r.someDates()
	}
	var err error
	r.date, r.badDate, err = datesOf(r.table, &r.bound[wxDate], "--weather-field date")
	return err
}

func (r *weatherReader) someDates() error {
	if r.badDate.count == len(r.date) {
		return r.table.lineError(r.badDate.line, "", errors.New("year, month and day make no date"), "name the columns: --weather-field year=COLUMN, month=COLUMN, day=COLUMN")
	}
	return nil
}

// datesOf reads a column of dates; a zero time stands where there is none.
// Whether 3/4/2018 is in March or in April is settled over the file. It is an
// error when not one date can be read.
func datesOf(t *csvTable, b *binding, flag string) ([]time.Time, tallyLines, error) {
	rows := t.Rows
	dates := make([]time.Time, len(rows))
	var bad tallyLines
	monthFirst, dayFirst := false, false
	for i := range rows {
		if a, z, _, ok := slashedDate(rows[i].cell(b.column)); ok {
			monthFirst = monthFirst || z > 12
			dayFirst = dayFirst || a > 12
		}
	}
	if monthFirst && dayFirst {
		return nil, bad, &layer.Error{File: t.File, Field: shownName(b.name), Err: errors.New("some dates have the day first and some the month"), Remedy: "write them as YYYY-MM-DD"}
	}
	for i := range rows {
		s := rows[i].cell(b.column)
		if date, ok := isoDate(s); ok {
			dates[i] = date
			continue
		}
		if a, z, y, ok := slashedDate(s); ok {
			// With a point between them the day goes first, as it is written
			// where points are; else the month, unless the file shows otherwise.
			if dayFirst || !monthFirst && strings.Contains(s, ".") {
				a, z = z, a
			}
			if date, ok := dayOf(y, a, z); ok {
				dates[i] = date
				continue
			}
		}
		bad.add(rows[i].Line, s)
	}
	if bad.count == len(rows) {
		return nil, bad, t.lineError(bad.line, shownName(b.name), fmt.Errorf("%q is no date", bad.text), "write dates as YYYY-MM-DD, or name the column: "+flag+"=COLUMN")
	}
	return dates, bad, nil
}

// dayOf is a date that the calendar has.
func dayOf(y, m, d int) (time.Time, bool) {
	if y < 1700 || y > 2200 || m < 1 || m > 12 || d < 1 || d > 31 {
		return time.Time{}, false
	}
	t := soil.Date(y, m, d)
	return t, t.Day() == d
}

// isoDate reads YYYY-MM-DD, YYYY/MM/DD and YYYYMMDD, with or without a time.
func isoDate(s string) (time.Time, bool) {
	y, n := leadingInt(s)
	if n == 8 {
		return dayOf(y/10000, y/100%100, y%100)
	}
	if n != 4 || len(s) < 8 || s[4] != '-' && s[4] != '/' && s[4] != '.' {
		return time.Time{}, false
	}
	m, k := leadingInt(s[5:])
	if k == 0 || k > 2 || 5+k >= len(s) || s[5+k] != s[4] {
		return time.Time{}, false
	}
	d, l := leadingInt(s[6+k:])
	if l == 0 || l > 2 {
		return time.Time{}, false
	}
	return dayOf(y, m, d)
}

// slashedDate reads a/b/year.
func slashedDate(s string) (a, b, y int, ok bool) {
	a, n := leadingInt(s)
	if n == 0 || n > 2 || n >= len(s) || s[n] != '/' && s[n] != '.' && s[n] != '-' {
		return 0, 0, 0, false
	}
	sep := s[n]
	b, m := leadingInt(s[n+1:])
	at := n + 1 + m
	if m == 0 || m > 2 || at >= len(s) || s[at] != sep {
		return 0, 0, 0, false
	}
	y, k := leadingInt(s[at+1:])
	return a, b, y, k == 4
}

// number reads a cell of a measure as written: NaN where there is none.
func (r *weatherReader) number(in weatherField, row *csvRow) float64 {
	s := row.cell(r.bound[in].column)
	if s == "" {
		return math.NaN()
	}
	if v, ok := plainNumber(s); ok {
		if codeForGap(v) && (v < 0 && v != -1 && v != -9 || v >= 999) {
			return math.NaN()
		}
		return v
	}
	if gapWord(s) || strings.EqualFold(s, "M") { // M: missing
		return math.NaN()
	}
	if in == wxRain && (strings.EqualFold(s, "T") || strings.EqualFold(s, "trace")) {
		r.traces++
		return 0
	}
	// A decimal comma, where the separator leaves room for one.
	if strings.Count(s, ",") == 1 {
		if v, ok := plainNumber(strings.Replace(s, ",", ".", 1)); ok {
			return v
		}
	}
	r.badCell[in].add(row.Line, s)
	return math.NaN()
}

// readings lists the numbers of a column as written, with the rows they are on.
func (r *weatherReader) readings(in weatherField) (values []float64, rows []int) {
	before, traces := r.badCell[in], r.traces
	for i := range r.table.Rows {
		if v := r.number(in, &r.table.Rows[i]); !math.IsNaN(v) {
			values, rows = append(values, v), append(rows, i)
		}
	}
	r.badCell[in], r.traces = before, traces // they are counted when the days are made
	return values, rows
}

// highest returns the reading that one in a hundred passes (one at least, of
// ten), so that a slip of the pen settles no unit, and the first row that
// reaches it.
func (r *weatherReader) highest(in weatherField) (value float64, row int, ok bool) {
	values, rows := r.readings(in)
	if len(values) == 0 {
		return 0, 0, false
	}
	sorted := slices.Sorted(slices.Values(values))
	drop := len(sorted) / 100
	if drop == 0 && len(sorted) >= 10 {
		drop = 1
	}
	value = sorted[len(sorted)-1-drop]
	return value, rows[slices.IndexFunc(values, func(v float64) bool { return v >= value })], true
}

// hottestAirC is the highest air temperature ever accepted: 56.7 °C at Furnace
// Creek on 10 July 1913 (World Meteorological Organization, archive of weather
// extremes; from memory). A column that passes it is not in degrees C.
const hottestAirC = 56.7

// units settles what nobody said from the values: a thermometer that passes
// the record is in Fahrenheit, and then the file is taken to be in US units.
func (r *weatherReader) units(us bool) error {
	tmax := &r.bound[wxTmax]
	hi, at, ok := r.highest(wxTmax)
	if !ok {
		return &layer.Error{File: r.table.File, Field: shownName(tmax.name), Err: errors.New("no day has a maximum temperature"), Remedy: "name the column: --weather-field tmax=COLUMN:C"}
	}
	usFile := us
	if tmax.from == unitDefault {
		unit := "C"
		switch {
		case hi > 150:
			unit = "0.1 C"
			low, _ := r.readings(wxTmin)
			if len(low) > 0 && slices.Min(low) > 200 && hi < 340 {
				unit = "K"
			}
		case hi > hottestAirC:
			unit = "F"
		case us:
			// Every day under 56.7 °F: told to be a US file, it stays one.
			unit = "F"
		}
		usFile = unit == "F"
		if unit != tmax.unit.name || unit != "C" {
			when := "a day"
			if !r.date[at].IsZero() {
				when = r.date[at].Format(time.DateOnly)
			}
			r.assumed = append(r.assumed, fmt.Sprintf("Temperatures (column %s) are read in %s: they reach %g on %s and no unit is stated; --weather-field tmax=%s:UNIT says otherwise.",
				shownName(tmax.name), unit, hi, when, shownName(tmax.name)))
		}
		r.setUnit(wxTmax, unit)
	} else {
		usFile = tmax.unit.name == "F"
		if top := hi*tmax.factor + tmax.plus; top > hottestAirC {
			return r.table.lineError(r.table.Rows[at].Line, shownName(tmax.name), fmt.Errorf("%g %s is above any air temperature measured on earth, and it is no single slip", hi, tmax.unit.name),
				fmt.Sprintf("state the unit: --weather-field tmax=%s:F", shownName(tmax.name)))
		}
	}
	for _, in := range []weatherField{wxTmin, wxDew} {
		if b := &r.bound[in]; b.column >= 0 && b.from == unitDefault {
			r.setUnit(in, r.bound[wxTmax].unit.name)
		}
	}
	for _, in := range []weatherField{wxRain, wxWind} {
		b, m := &r.bound[in], &weatherTable[in]
		if b.column < 0 || b.from != unitDefault {
			continue
		}
		unit := m.unit
		if usFile {
			unit = m.us
		}
		if in == wxRain && r.bound[wxTmax].unit.name == "0.1 C" {
			unit = "0.1 mm"
		}
		if in == wxWind && r.bound[wxTmax].unit.name == "0.1 C" {
			unit = "0.1 m/s"
		}
		r.setUnit(in, unit)
		why := ""
		if unit != m.unit {
			why = fmt.Sprintf(", as the temperatures are in %s", r.bound[wxTmax].unit.name)
		}
		r.assumed = append(r.assumed, fmt.Sprintf("Column %s is read as %s, in %s%s: it states no unit (if it is in another, --weather-field %s=%s:UNIT).",
			shownName(b.name), m.name, unit, why, m.name, shownName(b.name)))
	}
	for _, in := range []weatherField{wxRH, wxRHMin, wxRHMax} {
		b := &r.bound[in]
		if b.column < 0 || b.from != unitDefault {
			continue
		}
		if hi, _, ok := r.highest(in); ok && hi <= 1 {
			r.setUnit(in, "fraction")
			r.assumed = append(r.assumed, fmt.Sprintf("Column %s is read as a fraction: no value passes 1.", shownName(b.name)))
		}
	}
	return nil
}

func (r *weatherReader) setUnit(in weatherField, name string) {
	u, ok := findUnit(weatherTable[in].of, name)
	if !ok {
		panic("weather: no unit " + name)
	}
	r.bound[in].setUnit(&weatherTable[in], u)
}

// columnNotes are the notes on columns, but those whose unit was settled from
// the values, which have their own.
func (r *weatherReader) columnNotes(notes []string) []string {
	var list []string
	for i := range r.bound {
		b := &r.bound[i]
		if b.column < 0 {
			continue
		}
		settled := b.from == unitDefault && b.unit.name != ""
		if b.told && !settled {
			continue
		}
		if settled {
			switch weatherField(i) {
			case wxRain, wxWind:
				continue
			case wxTmin, wxTmax, wxDew:
				if !b.told {
					list = append(list, fmt.Sprintf("Column %s is read as %s, in %s.", shownName(b.name), weatherTable[i].name, b.unit.name))
				}
				continue
			}
		}
		prefix := fmt.Sprintf("Column %s ", shownName(b.name))
		for _, n := range notes {
			if strings.HasPrefix(n, prefix) {
				list = append(list, n)
				break
			}
		}
	}
	return append(list, r.assumed...)
}

// days makes the record of the rows that have a date.
func (r *weatherReader) days() []soil.Day {
	record := make([]soil.Day, 0, len(r.table.Rows))
	for i := range r.table.Rows {
		if r.date[i].IsZero() {
			continue
		}
		row := &r.table.Rows[i]
		d := soil.Blank(r.date[i])
		for _, c := range []struct {
			in weatherField
			to *float64
		}{{wxTmin, &d.TminC}, {wxTmax, &d.TmaxC}, {wxRain, &d.RainMM}, {wxDew, &d.DewC}, {wxRHMin, &d.RHMinPct}, {wxRHMax, &d.RHMaxPct},
			{wxRH, &d.RHMeanPct}, {wxWind, &d.WindMS}, {wxSolar, &d.SolarMJ}, {wxSun, &d.SunH}} {
			b := &r.bound[c.in]
			if b.column < 0 {
				continue
			}
			*c.to = r.number(c.in, row)*b.factor + b.plus
		}
		record = append(record, d)
	}
	return record
}

// cellNotes tell of lines and cells that could not be read.
func (r *weatherReader) cellNotes() []string {
	var list []string
	if t := r.badDate; t.count > 0 {
		list = append(list, fmt.Sprintf("%s: %s left out for a date that cannot be read (first %q on line %d).", r.table.File, countOf(t.count, "line is", "lines are"), shortened(t.text, 40), t.line))
	}
	for i := range r.badCell {
		if t := r.badCell[i]; t.count > 0 {
			list = append(list, fmt.Sprintf("%s: %s of %s taken as not measured for text that is no number (first %q on line %d).",
				r.table.File, countOf(t.count, "value", "values"), weatherTable[i].name, shortened(t.text, 40), t.line))
		}
	}
	if r.traces > 0 {
		list = append(list, fmt.Sprintf("%s: %s of rain read as 0.", r.table.File, countOf(r.traces, "trace", "traces")))
	}
	return list
}

// doubts warn of sums that look like another unit, and of a short record.
func (r *weatherReader) doubts(days []soil.Day) []string {
	var list []string
	rain, n := 0.0, 0
	for _, d := range days {
		if !math.IsNaN(d.RainMM) {
			rain += d.RainMM
			n++
		}
	}
	b := &r.bound[wxRain]
	// A mean year on land holds from a few mm in deserts to 12 m (Mawsynram,
	// 11.9 m; from memory). Under 100 mm a forester has no street trees without
	// irrigation, and inches read as mm are the likelier reading.
	if n >= 300 && b.from != unitTold {
		year := rain / float64(n) * 365.25
		switch {
		case year < 100 && b.unit.name == "mm":
			list = append(list, fmt.Sprintf("WARNING: %s: rain adds up to only %.0f mm a year: perhaps column %s is in inches: --weather-field rain=%s:in, or :mm if it is right.", r.table.File, year, shownName(b.name), shownName(b.name)))
		case year > 12000:
			list = append(list, fmt.Sprintf("WARNING: %s: rain adds up to %.0f mm a year: column %s is read in %s; state its unit with --weather-field rain=%s:UNIT.", r.table.File, year, shownName(b.name), b.unit.name, shownName(b.name)))
		}
	}
	if len(days) < 365 {
		list = append(list, fmt.Sprintf("%s: it covers %s, less than a year: no mean of seasons can be told.", r.table.File, countOf(len(days), "day", "days")))
	}
	return list
}
