package main

import (
	"math"
	"strconv"
	"testing"
)

func TestAmounts(t *testing.T) {
	for _, c := range []struct {
		text  string
		join  joining
		value float64
		unit  string
		how   howRead
	}{
		{"12", oneNumber, 12, "", asWritten},
		{" 12.50 ", oneNumber, 12.5, "", asWritten},
		{"12.", oneNumber, 12, "", asWritten},
		{"12 in", oneNumber, 12, "in", asWritten},
		{"12in.", oneNumber, 12, "in", asWritten},
		{`12"`, oneNumber, 12, "in", asWritten},
		{"30.5cm", oneNumber, 30.5, "cm", asWritten},
		{"9,5", oneNumber, 9.5, "", asWritten},
		{"9,5 m", stemsInCell, 9.5, "m", asWritten},
		{"1,912", stemsInCell, 1912, "", asWritten},
		{"0,250", oneNumber, 0.25, "", asWritten},
		{"6-12", oneNumber, 9, "", asMiddle},
		{"6 - 12 in", oneNumber, 9, "in", asMiddle},
		{"6–12\"", oneNumber, 9, "in", asMiddle},
		{"6 to 12 inches", oneNumber, 9, "in", asMiddle},
		{"6..12", oneNumber, 9, "", asMiddle},
		{"6in - 1ft", oneNumber, 9, "in", asMiddle},
		{"<6", oneNumber, 3, "", asMiddle},
		{"under 6 in", oneNumber, 3, "in", asMiddle},
		{"36+", oneNumber, 36, "", asBound},
		{"36+ in", oneNumber, 36, "in", asBound},
		{"> 36", oneNumber, 36, "", asBound},
		{"over 36 in", oneNumber, 36, "in", asBound},
		{"36 and over", stemsInCell, 0, "", asWritten}, // not understood
		{"ca. 40 cm", oneNumber, 40, "cm", asWritten},
		{"~40", oneNumber, 40, "", asWritten},
		{"5'6\"", oneNumber, 5.5, "ft", asWritten},
		{"5' 6", oneNumber, 5.5, "ft", asWritten},
		{"5 ft 6 in", oneNumber, 5.5, "ft", asWritten},
		{"5 1/2 in", oneNumber, 5.5, "in", asWritten},
		{"5½", oneNumber, 5.5, "", asWritten},
		{"3/4", oneNumber, 0.75, "", asWritten},
		{"3,4", stemsInCell, 3.4, "", asWritten},
		{"3; 4", stemsInCell, 5, "", asJoined},
		{"3 + 4 in", stemsInCell, 5, "in", asJoined},
		{"3, 4", stemsInCell, 5, "", asJoined},
		{"3 & 4", stemsInCell, 5, "", asJoined},
		{"4.0,3.0", stemsInCell, 5, "", asJoined},
		{"2,3,6", stemsInCell, 7, "", asJoined},
		{"3,4", stemList, 5, "", asJoined},
		{"12", stemList, 12, "", asWritten},
		{"-5", oneNumber, -5, "", asWritten},
		{"1e2", oneNumber, 100, "", asWritten},
		// Not understood.
		{"about", oneNumber, 0, "", asWritten},
		{"tall", oneNumber, 0, "", asWritten},
		{"12 parsec", oneNumber, 0, "", asWritten},
		{"3; 4", oneNumber, 0, "", asWritten},
		{"12-6", oneNumber, 0, "", asWritten},
		{"6-12-18", oneNumber, 0, "", asWritten},
		{"inf", oneNumber, 0, "", asWritten},
		{"0x1p4", oneNumber, 0, "", asWritten},
		{"12 in cm", oneNumber, 0, "", asWritten},
		{"12;", stemsInCell, 0, "", asWritten},
	} {
		a, ok := readAmount(c.text, ofLength, c.join)
		if c.value == 0 {
			if ok {
				t.Errorf("%q is understood as %+v", c.text, a)
			}
			continue
		}
		if !ok || math.Abs(a.value-c.value) > 1e-12 || a.unit.name != c.unit || a.how != c.how {
			t.Errorf("%q: got %g %s how %d (%v), want %g %s how %d", c.text, a.value, a.unit.name, a.how, ok, c.value, c.unit, c.how)
		}
	}
}

func TestYears(t *testing.T) {
	for _, c := range []struct {
		text string
		year int
		how  howDated
	}{
		{"2015", 2015, datedPlainly},
		{"2015.0", 2015, datedPlainly},
		{"2015-04-03", 2015, datedPlainly},
		{"2015-04-03T10:20:30.000Z", 2015, datedPlainly},
		{"4/3/2015", 2015, datedPlainly},
		{"4/3/2015 12:00:00 AM", 2015, datedPlainly},
		{"03.04.2015", 2015, datedPlainly},
		{"20150403", 2015, datedPlainly},
		{"20200106224254", 2020, datedPlainly},
		{"201504", 2015, datedPlainly},
		{"Spring 2015", 2015, datedPlainly},
		{"April 3, 2015", 2015, datedPlainly},
		{"2015/16", 2015, datedPlainly},
		{"2010-2015", 2012, datedMiddle},
		{"1990s", 1995, datedMiddle},
		{"before 1980", 1980, datedBound},
		{"1980+", 1980, datedBound},
		{"4/3/15", 2015, datedShort},
		{"4/3/87", 1987, datedShort},
		{"'15", 2015, datedShort},
		{"1428019200000", 2015, datedEpoch}, // 2015-04-03 UTC
		{"1420070400000", 2015, datedEpoch}, // the first moment of a year
		{"1428019200", 2015, datedEpoch},
		{"42097", 2015, datedDayNumber}, // 2015-04-03 in spreadsheets
		{"1900-01-01", 0, datedByNullDate},
		{"1/1/1900", 0, datedByNullDate},
		{"1899-12-30", 0, datedByNullDate},
		{"12/30/1899", 0, datedByNullDate},
		{"1970-01-01T00:00:00Z", 0, datedByNullDate},
		{"0001-01-01", 0, datedByNullDate},
		{"11", 11, datedPlainly}, // read, and not believed later
		{"2930", 2930, datedPlainly},
		{"4019", 4019, datedPlainly},
	} {
		y, how, ok := readYear(c.text, 2026)
		if !ok || y != c.year || how != c.how {
			t.Errorf("%q: got %d how %d (%v), want %d how %d", c.text, y, how, ok, c.year, c.how)
		}
	}
	for _, bad := range []string{"old", "spring", "", "1.2.3", "12-34", "soon"} {
		if y, _, ok := readYear(bad, 2026); ok {
			t.Errorf("%q is read as %d", bad, y)
		}
	}
}

func TestPits(t *testing.T) {
	for _, c := range []struct {
		text          string
		length, width float64
		unit          string
		square        bool
	}{
		{"1.2x2.4", 1.2, 2.4, "", false},
		{"1.2 X 2.4", 1.2, 2.4, "", false},
		{"4x6 ft", 4, 6, "ft", false},
		{"4' x 6'", 4, 6, "ft", false},
		{"1.2 m x 2.4 m", 1.2, 2.4, "m", false},
		{"1,2 x 2,4", 1.2, 2.4, "", false},
		{"1.2 × 2.4", 1.2, 2.4, "", false},
		{"4 by 6 feet", 4, 6, "ft", false},
		{"3x4x2.5", 3, 4, "", false},
		{"48in x 6ft", 48, 72, "in", false},
		{"1.5", 1.5, 1.5, "", true},
		{"5 ft", 5, 5, "ft", true},
		{"25 sq ft", 5, 5, "ft", true},
		{"2.25 m2", 1.5, 1.5, "m", true},
	} {
		p, ok := readPit(c.text)
		if !ok || math.Abs(p.length-c.length) > 1e-12 || math.Abs(p.width-c.width) > 1e-12 || p.unit.name != c.unit || p.square != c.square {
			t.Errorf("%q: got %+v (%v)", c.text, p, ok)
		}
	}
	for _, bad := range []string{"open", "lawn", "4x", "x", "1x2x3x4", "a x b"} {
		if p, ok := readPit(bad); ok {
			t.Errorf("%q is read as %+v", bad, p)
		}
	}
}

// Any bytes give a finite number or none, and what is written plainly is read
// as it was.
func FuzzCells(f *testing.F) {
	for _, s := range []string{"12 in", "6-12", "5'6\"", "1,2 x 2,4", "Spring 2015", "<Null>", "1428019200000", "3; 4", "½", "–", "\xff", "1/2/3", "9999999999999999999"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for _, join := range []joining{oneNumber, stemsInCell, stemList} {
			if a, ok := readAmount(s, ofLength, join); ok && (math.IsNaN(a.value) || math.IsInf(a.value, 0) && len(s) < 300) {
				t.Errorf("%q: %g", s, a.value)
			}
		}
		readYear(s, 2026)
		readPit(s)
		thinkStatus(s)
		thinkCondition(s)
		thinkSpecies(s)
		plainID(s)
		if v, err := strconv.ParseFloat(s, 64); err == nil && s != "" && !math.IsInf(v, 0) && isDigit(s[0]) && isDigit(s[len(s)-1]) && len(s) < 20 {
			if a, ok := readAmount(s, ofLength, oneNumber); ok && a.value != v {
				t.Errorf("%q: got %g, want %g", s, a.value, v)
			}
		}
	})
}

func TestReadBearing(t *testing.T) {
	for s, want := range map[string]float64{"0": 0, "360": 0, "225": 225, "90°": 90, "45 deg": 45, "N": 0, "nnw": 337.5, "South-West": 225, "south west": 225, "WSW": 247.5, "east": 90} {
		if got, ok := readBearing(s); !ok || got != want {
			t.Errorf("%q: %g %v, want %g", s, got, ok, want)
		}
	}
	for _, s := range []string{"", "-1", "361", "up", "NN", "SWN", "nan", "1e9"} {
		if got, ok := readBearing(s); ok {
			t.Errorf("%q is read as %g", s, got)
		}
	}
}

func TestReadSeason(t *testing.T) {
	for _, c := range []struct {
		s, season string
		month     int
	}{
		{"Spring 2015", "spring", 0}, {"FALL", "autumn", 0}, {"Herbst 2014", "autumn", 0}, {"winter 2014/15", "winter", 0},
		{"2015-04-03", "", 4}, {"2015-04-03T10:20:30.000Z", "", 4}, {"20150403", "", 4}, {"4/3/2015", "", 4}, {"4/3/15", "", 4},
		{"23/4/2015", "", 4}, {"03.04.2015", "", 4}, {"April 3, 2015", "", 4}, {"3-Nov-2014", "", 11}, {"2015-11", "", 11},
		{"1428019200000", "", 4}, // 3 April 2015 in milliseconds
		{"2015", "", 0}, {"1/1/2015", "", 0}, {"2015-01-01", "", 0}, {"", "", 0}, {"2015-13-01", "", 0}, {"2010-2015", "", 0}, {"old", "", 0},
	} {
		if season, month := readSeason(c.s); season != c.season || month != c.month {
			t.Errorf("%q: %q, month %d; want %q, %d", c.s, season, month, c.season, c.month)
		}
	}
}
