package layer

import (
	"errors"
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/agnivade/levenshtein"
)

// Quantity is what a unit measures.
type Quantity uint8

const (
	Length  Quantity = iota // SI: metre
	Area                    // square metre
	Volume                  // cubic metre
	Density                 // kilogram per cubic metre
	Angle                   // degree (which SI allows)
	Share                   // 1
)

var quantityNames = [...]string{"length", "area", "volume", "density", "angle", "share"}

func (q Quantity) String() string { return quantityNames[q] }

// Unit is the unit of an attribute. The zero Unit is none.
type Unit struct {
	Name     string
	Quantity Quantity
	// Size is one unit in SI; for a girth, the diameter that a girth of one
	// unit means.
	Size float64
	// Girth marks a circumference, from which the diameter follows by pi.
	Girth bool
}

// SI turns a number in u into SI. A girth becomes a diameter.
func (u Unit) SI(v float64) float64 { return v * u.Size }

// units is the one table of attribute units. The international foot, yard and
// pound are exact by the agreement of 1959, the US survey foot by the Mendenhall
// order of 1893, the litre, hectare and acre follow (NIST SP 811, appendix B.8).
// The first name is the one that is shown.
var units = []struct {
	names    string
	quantity Quantity
	size     float64
}{
	{"mm millimetre millimetres millimeter millimeters", Length, 0.001},
	{"cm centimetre centimetres centimeter centimeters", Length, 0.01},
	{"dm decimetre decimetres decimeter decimeters", Length, 0.1},
	{"m metre metres meter meters", Length, 1},
	{"km kilometre kilometres kilometer kilometers", Length, 1000},
	{"in inch inches \" ″ ”", Length, 0.0254},
	{"ft foot feet ' ′ ’", Length, 0.3048},
	{"us-ft usft ftus us_ft survey-ft", Length, 1200.0 / 3937},
	{"yd yard yards", Length, 0.9144},
	{"mi mile miles", Length, 1609.344},
	{"cm2 cm^2 cm² sqcm", Area, 1e-4},
	{"m2 m^2 m² sqm", Area, 1},
	{"ha hectare hectares", Area, 1e4},
	{"in2 in^2 in² sqin", Area, 0.0254 * 0.0254},
	{"ft2 ft^2 ft² sqft", Area, 0.3048 * 0.3048},
	{"acre acres ac", Area, 4046.8564224},
	{"l litre litres liter liters", Volume, 0.001},
	{"m3 m^3 m³ cum cbm", Volume, 1},
	{"ft3 ft^3 ft³ cuft", Volume, 0.3048 * 0.3048 * 0.3048},
	{"yd3 yd^3 yd³ cuyd", Volume, 0.9144 * 0.9144 * 0.9144},
	{"kg/m3 kg/m^3 kg/m³", Density, 1},
	{"g/cm3 g/cm^3 g/cm³ g/cc mg/m3 mg/m^3 mg/m³ t/m3", Density, 1000},
	{"lb/ft3 lb/ft^3 lb/ft³ pcf", Density, 0.45359237 / (0.3048 * 0.3048 * 0.3048)},
	{"deg degree degrees °", Angle, 1},
	{"rad radian radians", Angle, 180 / math.Pi},
	{"% pct percent", Share, 0.01},
	{"1 fraction", Share, 1},
}

// girthWords mark a length as a circumference: "girth-cm", "circumference-in".
var girthWords = []string{"girth", "circumference", "circ", "gbh"}

// ParseUnit understands the name of an attribute's unit: a length, area,
// volume, density, angle or share, or a length before which stands "girth-" for
// a circumference from which a diameter is wanted. Case does not count.
func ParseUnit(text string) (Unit, error) {
	s := strings.ToLower(strings.TrimSpace(text))
	for _, w := range girthWords {
		rest, ok := strings.CutPrefix(s, w)
		if !ok {
			continue
		}
		u, err := ParseUnit(strings.TrimLeft(rest, "-_ :"))
		if err == nil && u.Quantity == Length && !u.Girth {
			return Unit{Name: "girth-" + u.Name, Quantity: Length, Size: u.Size / math.Pi, Girth: true}, nil
		}
		return Unit{}, fmt.Errorf("unit %q: a girth is a length: girth-cm, girth-in, girth-m, girth-ft or girth-mm", text)
	}
	best, near := "", 3
	for _, u := range units {
		names := strings.Fields(u.names)
		for _, n := range names {
			if n == s {
				return Unit{Name: names[0], Quantity: u.quantity, Size: u.size}, nil
			}
			if d := levenshtein.ComputeDistance(n, s); d < near && d < utf8.RuneCountInString(n) {
				best, near = names[0], d
			}
		}
	}
	if s == "" {
		return Unit{}, errors.New("no unit given; say for example cm, in, m, ft or girth-cm")
	}
	if best != "" {
		return Unit{}, fmt.Errorf("unit %q is not known: did you mean %q?", text, best)
	}
	var all []string
	for _, u := range units {
		all = append(all, strings.Fields(u.names)[0])
	}
	sort.Strings(all)
	return Unit{}, fmt.Errorf("unit %q is not known; known are %s, and girth-cm and the like", text, strings.Join(all, ", "))
}

// How a number was read from a text that is more than a number.
const (
	HowRange = "range: middle taken"
	HowBound = "bound taken as value"
	HowAbout = "approximate value"
	HowComma = "comma read as decimal point"
)

// nothings are words by which inventories say that there is no value.
var nothings = map[string]bool{
	"": true, "-": true, "--": true, "---": true, "?": true, "n/a": true, "na": true, "n.a.": true, "none": true,
	"null": true, "<null>": true, "nil": true, "nan": true, "unknown": true, "unk": true, "not recorded": true,
	"n/k": true, "nd": true, "n.d.": true, "#n/a": true, "tbd": true, ".": true,
}

// IsNothing tells whether a text says that there is no value ("N/A", "None",
// "<Null>", "unknown", "-", blanks).
func IsNothing(text string) bool {
	return nothings[strings.ToLower(strings.TrimSpace(text))]
}

// ParseNumber reads a number as inventories write it. how is "" where the text
// is a plain number, with or without a unit behind it, and else says what was
// made of it: the middle of a range ("6-12"), a bound ("> 60", "30+"), an
// approximate value ("~30"), a decimal comma. ok is false for what is no single
// number: no value ("N/A"), a size ("1.2x2.4"), a list, other words.
//
// A unit in the text is passed over; TextUnit returns it.
func ParseNumber(text string) (value float64, how string, ok bool) {
	value, how, _, ok = parseNumber(text)
	return value, how, ok
}

// TextUnit returns the unit that stands behind the number in a text such as
// "12 in" or "6\" - 12\"", and whether there is one that is known.
func TextUnit(text string) (Unit, bool) {
	_, _, unit, ok := parseNumber(text)
	if !ok || unit == "" {
		return Unit{}, false
	}
	u, err := ParseUnit(unit)
	return u, err == nil
}

func parseNumber(text string) (value float64, how, unit string, ok bool) {
	if len(text) > 64 || IsNothing(text) {
		return 0, "", "", false
	}
	s := strings.TrimSpace(strings.Map(func(r rune) rune {
		switch r {
		case '\u00A0', '\u202F', '\u2009':
			return ' '
		case '\u2012', '\u2013', '\u2014', '\u2212': // dashes and the minus sign
			return '-'
		}
		return unicode.ToLower(r)
	}, text))
	s, bound := trimMarks(s, ">=", "≥", ">", "<=", "≤", "<", "over ", "under ", "up to ", "at least ", "more than ", "less than ")
	s, about := trimMarks(s, "~", "≈", "approx.", "approx", "about ", "ca.", "ca ", "c. ", "circa ", "est.", "est ")
	a, comma, rest, ok := leadingNumber(s)
	if !ok {
		return 0, "", "", false
	}
	unit, rest = leadingUnit(rest)
	if t, plus := strings.CutPrefix(rest, "+"); plus {
		bound, rest = true, strings.TrimSpace(t)
	}
	// A range: "6-12", "6 to 12", "6\" - 12\"".
	tail, dash := strings.CutPrefix(rest, "-")
	if !dash {
		if tail, dash = strings.CutPrefix(rest, "to "); !dash {
			tail, dash = strings.CutPrefix(rest, "..")
		}
	}
	if dash && !bound {
		b, _, rest, ok := leadingNumber(strings.TrimSpace(tail))
		if !ok || b < 0 || a < 0 {
			return 0, "", "", false
		}
		unit2, rest := leadingUnit(rest)
		if rest != "" || unit != "" && unit2 != "" && !sameUnit(unit, unit2) || b < a {
			return 0, "", "", false
		}
		if unit == "" {
			unit = unit2
		}
		return a + (b-a)/2, HowRange, unit, true
	}
	if rest != "" {
		return 0, "", "", false
	}
	switch {
	case bound:
		how = HowBound
	case about:
		how = HowAbout
	case comma:
		how = HowComma
	}
	return a, how, unit, true
}

func sameUnit(a, b string) bool {
	u, err1 := ParseUnit(a)
	v, err2 := ParseUnit(b)
	return err1 == nil && err2 == nil && u == v
}

// trimMarks takes one of the marks from the front of s.
func trimMarks(s string, marks ...string) (string, bool) {
	for _, m := range marks {
		if t, ok := strings.CutPrefix(s, m); ok {
			return strings.TrimSpace(t), true
		}
	}
	return s, false
}

// leadingNumber takes a number from the front of s: "12", "-3.5", "12,5" (a
// comma with other than three digits behind it), "1,200" (with three it parts
// thousands), "1e3".
func leadingNumber(s string) (v float64, comma bool, rest string, ok bool) {
	i := 0
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		i++
	}
	digits := func(from int) int {
		for from < len(s) && s[from] >= '0' && s[from] <= '9' {
			from++
		}
		return from
	}
	first := i
	i = digits(i)
	whole := i - first
	text := s[:i]
	switch {
	case i < len(s) && s[i] == '.' && !strings.HasPrefix(s[i:], ".."):
		j := digits(i + 1)
		if j == i+1 && whole == 0 {
			return 0, false, s, false
		}
		text, i = s[:j], j
	case i < len(s) && s[i] == ',' && whole > 0:
		j := digits(i + 1)
		switch n := j - i - 1; {
		case n == 0:
			return 0, false, s, false
		case n == 3 && whole <= 3 && s[first] != '0':
			for j < len(s) && s[j] == ',' {
				k := digits(j + 1)
				if k-j-1 != 3 {
					return 0, false, s, false
				}
				j = k
			}
			if j < len(s) && s[j] == '.' {
				j = digits(j + 1)
			}
			text, i = strings.ReplaceAll(s[:j], ",", ""), j
		default:
			text, comma, i = s[:i]+"."+s[i+1:j], true, j
		}
	case whole == 0:
		return 0, false, s, false
	}
	if i < len(s) && s[i] == 'e' {
		j := i + 1
		if j < len(s) && (s[j] == '-' || s[j] == '+') {
			j++
		}
		if k := digits(j); k > j {
			text, i = text+s[i:k], k
		}
	}
	v, err := strconv.ParseFloat(strings.TrimSuffix(text, "."), 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, false, s, false
	}
	return v, comma, strings.TrimSpace(s[i:]), true
}

// leadingUnit takes a known unit of length, area, volume, angle or share from
// the front of s.
func leadingUnit(s string) (unit, rest string) {
	end := len(s)
	for i, r := range s {
		if r == ' ' || r == '-' || r == '+' || r == '.' || r == ',' || r == ';' || r == '(' {
			end = i
			break
		}
	}
	word := s[:end]
	if word == "" {
		return "", s
	}
	if word == "''" { // two feet marks for inches
		return "in", strings.TrimSpace(s[end:])
	}
	if _, err := ParseUnit(word); err != nil {
		return "", s
	}
	if word[0] >= '0' && word[0] <= '9' { // "1" is a unit's name, but not behind a number
		return "", s
	}
	rest = strings.TrimPrefix(s[end:], ".") // "in."
	return word, strings.TrimSpace(rest)
}
