package layer

import (
	"math"
	"strings"
	"testing"
)

func TestParseUnit(t *testing.T) {
	for _, c := range []struct {
		text string
		v    float64
		want float64
	}{
		{"cm", 30, 0.3}, {"in", 12, 0.3048}, {"inches", 12, 0.3048}, {`"`, 12, 0.3048}, {"mm", 7, 0.007}, {"m", 2, 2}, {"ft", 3, 0.9144}, {"Feet", 3, 0.9144},
		{"'", 3, 0.9144}, {"us-ft", 3937, 1200}, {"m2", 2, 2}, {"m²", 2, 2}, {"ft2", 1, 0.09290304}, {"ft3", 1, 0.028316846592}, {"g/cm3", 1.4, 1400},
		{"Mg/m3", 1.4, 1400}, {"lb/ft3", 1, 16.018463}, // NIST SP 811, appendix B.8: 1.601 846 E+01
		{"%", 50, 0.5}, {"deg", 15, 15}, {"rad", math.Pi, 180}, {" CM ", 1, 0.01},
		{"girth-cm", 100, 1 / math.Pi}, {"girth-in", 40 * math.Pi, 1.016}, {"girth-m", math.Pi, 1}, {"girth cm", 100, 1 / math.Pi}, {"circumference-cm", 100, 1 / math.Pi}, {"GBH_cm", 100, 1 / math.Pi},
	} {
		u, err := ParseUnit(c.text)
		if err != nil {
			t.Errorf("%q: %v", c.text, err)
		} else if got := u.SI(c.v); math.Abs(got-c.want) > 1e-6*c.want {
			t.Errorf("%g %s: %g, want %g", c.v, c.text, got, c.want)
		} else if u.Girth != (strings.Contains(u.Name, "girth")) {
			t.Errorf("%q: girth %v", c.text, u.Girth)
		}
	}
	for text, want := range map[string]string{
		"centimetrs": `mean "cm"`, "inchs": `mean "in"`, "meterz": `mean "m"`, "": "say for example", "furlong": "known are", "girth": "girth-cm", "girth-kg": "girth-cm", "girth-m2": "girth-cm", "girth-girth-m": "girth-cm",
		strings.Repeat("x", 1000): "known are",
	} {
		if u, err := ParseUnit(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.20q: %v %v, want %q", text, u, err, want)
		}
	}
	// Every name in the table is understood, and none twice.
	seen := map[string]bool{}
	for _, u := range units {
		for _, n := range strings.Fields(u.names) {
			if got, err := ParseUnit(n); err != nil || got.Size != u.size || seen[n] {
				t.Errorf("%q: %v %v", n, got, err)
			}
			seen[n] = true
		}
	}
}

func TestParseNumber(t *testing.T) {
	for text, c := range map[string]struct {
		v    float64
		how  string
		unit string
	}{
		"12": {12, "", ""}, " 12.50 ": {12.5, "", ""}, "0": {0, "", ""}, "-3.5": {-3.5, "", ""}, "1e3": {1000, "", ""}, ".5": {0.5, "", ""}, "7.": {7, "", ""},
		"12 in": {12, "", "in"}, "12in": {12, "", "in"}, "12 in.": {12, "", "in"}, `12"`: {12, "", "in"}, "12''": {12, "", "in"}, "45 cm": {45, "", "cm"}, "3 m²": {3, "", "m2"}, "12 inches": {12, "", "in"},
		"6-12": {9, HowRange, ""}, "6 - 12": {9, HowRange, ""}, "6–12": {9, HowRange, ""}, `6" - 12"`: {9, HowRange, "in"}, "6 to 12 in": {9, HowRange, "in"}, "6in-12in": {9, HowRange, "in"}, "6..12": {9, HowRange, ""}, "6-12 cm": {9, HowRange, "cm"},
		"0.5-1,5": {1, HowRange, ""},
		"12,5":    {12.5, HowComma, ""}, "0,125": {0.125, HowComma, ""}, "1,200": {1200, "", ""}, "1,234,567.5": {1234567.5, "", ""},
		"~30": {30, HowAbout, ""}, "ca. 30 cm": {30, HowAbout, "cm"}, "≈30": {30, HowAbout, ""}, "about 30": {30, HowAbout, ""},
		"> 60": {60, HowBound, ""}, ">60": {60, HowBound, ""}, "30+": {30, HowBound, ""}, "30 in +": {30, HowBound, "in"}, ">= 24 in": {24, HowBound, "in"}, "< 5": {5, HowBound, ""}, "over 60 cm": {60, HowBound, "cm"},
		"\u00a012\u00a0cm": {12, "", "cm"}, "\u22125": {-5, "", ""},
	} {
		v, how, ok := ParseNumber(text)
		if !ok || v != c.v || how != c.how {
			t.Errorf("%q: %v %q %v, want %v %q", text, v, how, ok, c.v, c.how)
		}
		u, has := TextUnit(text)
		if has != (c.unit != "") || u.Name != c.unit {
			t.Errorf("%q: unit %q, want %q", text, u.Name, c.unit)
		}
	}
	for _, text := range []string{
		"", " ", "-", "N/A", "n/a", "NA", "None", "none", "<Null>", "null", "unknown", "Unknown", "?", "NaN", "Inf", "1.2x2.4", "1.2 x 2.4 m", "12 bananas", "oak", "3.5.2",
		"2012-05-04", "12/15", "6-", "12-6", "6-12-18", "1,2,3", "12, 15", "6 in - 12 cm", "-6-12", "1e999", "12 15", "0x10", "5'6\"", "--5", "+", ".", ">", "~", "30++", ">6-12",
		strings.Repeat("9", 100), "١٢",
	} {
		if v, how, ok := ParseNumber(text); ok {
			t.Errorf("%q is read as %v %q", text, v, how)
		}
	}
}

func FuzzParseNumber(f *testing.F) {
	for _, s := range []string{"12 in", "6-12", `6" - 12"`, "12,5", "~30", "> 60", "30+", "1.2x2.4", "N/A", "1,200", "\u22125", "1e5"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, how, ok := ParseNumber(s)
		if !ok && (v != 0 || how != "") {
			t.Errorf("%q: %v %q without a number", s, v, how)
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Errorf("%q: %v", s, v)
		}
		if ok && IsNothing(s) {
			t.Errorf("%q is nothing and a number", s)
		}
		TextUnit(s)
	})
}
