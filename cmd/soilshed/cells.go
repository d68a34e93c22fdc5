package main

import (
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// This file reads what people type into the cells of an inventory: "12 in",
// "6-12", "5'6\"", "1,2 x 2,4", "Spring 2015", "<Null>". It knows no columns.

// gapWord reports whether a text says that nothing is known.
func gapWord(s string) bool {
	if len(s) > 16 {
		return false
	}
	switch lowerASCII(s) {
	case "", "na", "n/a", "n.a.", "n.a", "#n/a", "none", "null", "<null>", "(null)", "[null]", "nil", "nan", `\n`,
		"unknown", "unk", "unkn", "unknow", "undefined", "undetermined", "undet.", "unassigned", "unspecified",
		"not known", "not recorded", "not available", "not applicable", "no data", "nodata", "no value", "blank",
		"-", "--", "---", "_", ".", "..", "?", "??", "???", "*", "x", "tbd", "tba", "#ref!", "#value!", "#div/0!",
		"unbekannt", "k.a.", "keine angabe", "inconnu", "inconnue", "non renseigne", "onbekend", "desconocido", "sconosciuto":
		return true
	}
	return false
}

// lowerASCII lowers the ASCII letters of s without allocating when there are
// none.
func lowerASCII(s string) string {
	for i := range len(s) {
		if s[i] >= 'A' && s[i] <= 'Z' {
			return strings.ToLower(s)
		}
	}
	return s
}

// trimCell takes blanks off both ends, the no-break kinds too.
func trimCell(s string) string {
	if s == "" || (s[0] > ' ' && s[0] < 0x80 && s[len(s)-1] > ' ' && s[len(s)-1] < 0x80) {
		return s
	}
	return strings.TrimFunc(s, func(r rune) bool {
		return r <= ' ' || r == 0xA0 || r == 0x2007 || r == 0x202F || r == 0xFEFF || r == 0x200B
	})
}

// plainNumber reads a number with nothing around it.
func plainNumber(s string) (float64, bool) {
	s = trimCell(s)
	if s == "" || (s[0] != '-' && s[0] != '+' && s[0] != '.' && (s[0] < '0' || s[0] > '9')) {
		return 0, false // no "inf", "nan" or names
	}
	if len(s) > 1 && s[0] == '0' && (s[1] == 'x' || s[1] == 'X' || s[1] == 'b' || s[1] == 'o') {
		return 0, false
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, false
	}
	return v, true
}

// howRead tells by what licence a cell became a number.
type howRead uint8

const (
	asWritten howRead = iota
	asMiddle          // a range: its middle
	asBound           // open-ended: the bound that is given
	asJoined          // several stems: root of the sum of squares
)

// amount is what a cell says of a measure.
type amount struct {
	value   float64
	unit    unit // zero where the cell names none
	how     howRead
	inOther bool // the cell names a unit
}

// joining says what several numbers in one cell are.
type joining uint8

const (
	oneNumber   joining = iota // a mistake
	stemsInCell                // stems of one tree; "4,5" is a decimal comma
	stemList                   // stems of one tree; every comma parts two of them
)

// readAmount reads a measure from free text. It is false for text that is no
// measure.
func readAmount(s string, of quantity, join joining) (amount, bool) {
	s = trimCell(s)
	if v, ok := plainNumber(s); ok {
		return amount{value: v}, true
	}
	p := amountParser{s: s, of: of, join: join}
	if !p.run() || p.n == 0 {
		return amount{}, false
	}
	return p.result()
}

// part is a number with the unit that follows it.
type part struct {
	value float64
	unit  unit
	has   bool // has a unit
	link  byte // what stood before it: 0 nothing, '-' a range, ';' a list
}

// maxParts is the most numbers that one cell may hold.
const maxParts = 24

type amountParser struct {
	s     string
	of    quantity
	join  joining
	parts [maxParts]part
	n     int
	link  byte
	below bool // "<", "under"
	above bool // ">", "+", "over"
}

func (p *amountParser) run() bool {
	for len(p.s) > 0 {
		c := p.s[0]
		switch {
		case c == ' ' || c == '\t':
			p.s = p.s[1:]
		case c >= '0' && c <= '9' || c == '.' && len(p.s) > 1 && isDigit(p.s[1]) || c == '-' && p.n == 0 && p.link == 0 && len(p.s) > 1 && isDigit(p.s[1]):
			if !p.number() {
				return false
			}
		case c == '-':
			p.s = p.s[1:]
			if !p.linked('-') {
				return false
			}
		case c == ';' || c == '&' || c == '/' || c == ',' || c == '|':
			p.s = p.s[1:]
			if !p.linked(';') {
				return false
			}
		case c == '+':
			p.s = strings.TrimLeft(p.s[1:], " ")
			if p.s == "" || !isDigit(p.s[0]) && p.s[0] != '.' { // 36+, 36+ in
				p.above = true
			} else if !p.linked(';') {
				return false
			}
		case c == '<' || c == '>' || c == '~' || c == '=':
			p.below = p.below || c == '<'
			p.above = p.above || c == '>'
			p.s = p.s[1:]
		case c == '(' || c == ')' || c == ':':
			p.s = p.s[1:]
		default:
			if !p.word() {
				return false
			}
		}
	}
	return p.link == 0
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// linked notes what links the next number to the last.
func (p *amountParser) linked(link byte) bool {
	if p.n == 0 || p.link != 0 {
		return false
	}
	p.link = link
	return true
}

// number reads digits with a decimal point or comma, thousands commas, and a
// carpenter's fraction (5 1/2).
func (p *amountParser) number() bool {
	s := p.s
	i := 0
	if s[0] == '-' {
		i = 1
	}
	for i < len(s) && (isDigit(s[i]) || (s[i] == '.' || s[i] == ',') && i+1 < len(s) && isDigit(s[i+1])) {
		i++
	}
	text, rest := s[:i], s[i:]
	if len(rest) > 0 && rest[0] == '.' && (len(rest) == 1 || rest[1] != '.') {
		rest = rest[1:] // "12." is 12; "4..6" is a range
	}
	if commas := strings.Count(text, ","); commas > 0 {
		last := strings.LastIndexByte(text, ',')
		tail := len(text) - last - 1
		switch {
		case p.join == stemList || p.join == stemsInCell && (commas > 1 && tail != 3 || strings.Contains(text, ".") || p.n > 0):
			// "8,10,3", "4.8,5.9": a list of stems.
			first := strings.IndexByte(text, ',')
			rest = text[first:] + rest
			text = text[:first]
		case commas == 1 && tail != 3 || commas == 1 && (text[0] == '0' || last > 3):
			text = text[:last] + "." + text[last+1:] // decimal comma
		case tail == 3 && !strings.Contains(text[last:], "."):
			text = strings.ReplaceAll(text, ",", "")
		case strings.Contains(text[last:], ".") && strings.IndexByte(text[last:], '.') == 4:
			text = strings.ReplaceAll(text, ",", "") // 1,234.5
		default:
			return false
		}
	}
	v, ok := plainNumber(text)
	if !ok || p.n == maxParts {
		return false
	}
	// A fraction after it.
	if f, after, ok := fraction(rest); ok {
		v += f
		rest = after
	} else if strings.HasPrefix(rest, "/") && p.join == oneNumber {
		if d, n := leadingInt(rest[1:]); n > 0 && (d == 2 || d == 4 || d == 8 || d == 16) && v < float64(d) && v > 0 {
			v /= float64(d)
			rest = rest[1+n:]
		}
	}
	p.parts[p.n] = part{value: v, link: p.link}
	p.n++
	p.link = 0
	p.s = rest
	return true
}

// fraction reads " 1/2" or "½" at the start of s.
func fraction(s string) (f float64, rest string, ok bool) {
	t := strings.TrimLeft(s, " ")
	for _, v := range []struct {
		sign string
		f    float64
	}{{"½", 0.5}, {"¼", 0.25}, {"¾", 0.75}} {
		if after, ok := strings.CutPrefix(t, v.sign); ok {
			return v.f, after, true
		}
	}
	if len(t) == len(s) {
		return 0, s, false
	}
	a, n := leadingInt(t)
	if n == 0 || n >= len(t) || t[n] != '/' {
		return 0, s, false
	}
	b, m := leadingInt(t[n+1:])
	if m == 0 || (b != 2 && b != 4 && b != 8 && b != 16) || a >= b {
		return 0, s, false
	}
	return float64(a) / float64(b), t[n+1+m:], true
}

// leadingInt reads up to nine digits at the start of s and says how many.
func leadingInt(s string) (v, n int) {
	for n < len(s) && n < 9 && isDigit(s[n]) {
		v = v*10 + int(s[n]-'0')
		n++
	}
	return v, n
}

// word reads a unit, a dash of another alphabet or a word of comparison.
func (p *amountParser) word() bool {
	s := p.s
	// Dashes and dots of a range.
	for _, dash := range []string{"–", "—", "−", "‐", "‑", "..", "…"} {
		if after, ok := strings.CutPrefix(s, dash); ok {
			p.s = strings.TrimLeft(after, ".")
			return p.linked('-')
		}
	}
	for _, sign := range []string{"≤", "≥", "±", "≈"} {
		if after, ok := strings.CutPrefix(s, sign); ok {
			p.s = after
			p.below = p.below || sign == "≤"
			p.above = p.above || sign == "≥"
			return true
		}
	}
	if strings.HasPrefix(s, "\u00a0") || strings.HasPrefix(s, "\u202f") {
		_, n := utf8.DecodeRuneInString(s)
		p.s = s[n:]
		return true
	}
	// A word runs to a blank, a digit that starts a number, or a separator; a
	// unit may hold / ^ and a digit (g/cm^3).
	i := 0
	for i < len(s) {
		r, n := utf8.DecodeRuneInString(s[i:])
		if r == ' ' || r == '\t' || r == ';' || r == ',' || r == ')' || r == '(' || r == '-' || r == '+' || r == '&' || r == 0xA0 {
			break
		}
		if r >= '0' && r <= '9' && (i == 0 || s[i-1] != '^' && s[i-1] != 'm') {
			break
		}
		i += n
	}
	w := strings.ToLower(s[:i])
	rest := s[i:]
	if w == "" {
		return false
	}
	if p.n > 0 && p.link == 0 {
		u, ok := findUnit(p.of, w)
		if !ok {
			u, ok = findUnit(p.of, strings.TrimSuffix(w, "."))
		}
		if ok {
			if p.parts[p.n-1].has {
				return false
			}
			p.parts[p.n-1].unit, p.parts[p.n-1].has = u, true
			p.s = rest
			return true
		}
		switch strings.TrimSuffix(w, ".") {
		case "to", "bis", "à", "a", "tot", "hasta", "thru", "through":
			p.s = rest
			return p.linked('-')
		case "and", "und", "et", "y", "en":
			p.s = rest
			return p.linked(';')
		case "dbh", "dia", "diam", "diameter", "tall", "high", "wide", "deep", "approx", "est", "estimated", "measured", "stem", "stems":
			p.s = rest
			return true
		case "above", "over", "more", "plus", "up", "greater", "larger", "mehr":
			p.above = true
			p.s = rest
			return true
		case "or", "and/or", "oder", "less", "under", "below":
			p.below = p.below || w == "less" || w == "under" || w == "below"
			p.s = rest
			return true
		}
		return false
	}
	switch strings.Trim(w, ".:") {
	case "ca", "c", "about", "approx", "approximately", "est", "estimated", "around", "circa", "dbh", "environ", "etwa", "than", "to":
	case "under", "below", "less", "up", "max", "unter", "bis":
		p.below = true
	case "over", "above", "more", "greater", "min", "at", "über":
		p.above = true
	default:
		return false
	}
	p.s = rest
	return true
}

// result makes one amount of the parts.
func (p *amountParser) result() (amount, bool) {
	parts := p.parts[:p.n]
	// A unit after the last number serves all that have none.
	last := parts[p.n-1]
	for i := range parts {
		if !parts[i].has && last.has {
			parts[i].unit, parts[i].has = last.unit, true
		}
	}
	one := func(a part) amount { return amount{value: a.value, unit: a.unit, inOther: a.has} }
	if p.n == 1 {
		a := one(parts[0])
		switch {
		case p.below && p.above:
			return amount{}, false
		case p.below:
			a.value, a.how = a.value/2, asMiddle
		case p.above:
			a.how = asBound
		}
		return a, true
	}
	if p.below || p.above && p.n > 2 {
		return amount{}, false
	}
	// Feet and inches.
	if p.n == 2 && parts[1].link == 0 && parts[0].unit.name == "ft" && (parts[1].unit.name == "in" || !parts[1].has) {
		a := one(parts[0])
		a.value += parts[1].value / 12
		return a, true
	}
	if p.n == 2 && parts[1].link == '-' {
		a := one(parts[0])
		other := parts[1].value
		if parts[1].has && parts[0].unit.per != 0 {
			other *= parts[1].unit.per / parts[0].unit.per
		}
		if other < a.value {
			return amount{}, false
		}
		a.value, a.how = (a.value+other)/2, asMiddle
		return a, true
	}
	if p.join == oneNumber {
		return amount{}, false
	}
	sum := 0.0
	for i, q := range parts {
		if i > 0 && q.link != ';' {
			return amount{}, false
		}
		v := q.value
		if q.has && parts[0].unit.per != 0 {
			v *= q.unit.per / parts[0].unit.per
		}
		sum += v * v
	}
	a := one(parts[0])
	a.value, a.how = math.Sqrt(sum), asJoined
	return a, true
}

// Reading of years.

// howDated tells by what licence a cell became a year.
type howDated uint8

const (
	datedPlainly    howDated = iota
	datedMiddle              // a range of years: its middle
	datedBound               // "before 1980", "1990+": the year that is given
	datedShort               // two digits
	datedEpoch               // seconds or milliseconds since 1970
	datedDayNumber           // a spreadsheet's day number
	datedByNullDate          // 1900-01-01 and the like, which stand for nothing
)

// readYear reads a year from a number or a text such as 2015, "2015-04-03",
// "4/3/2015", "20150403", "Spring 2015", "2010-2015". thisYear settles two-digit
// years: none lies after it. It is false for what holds no year; whether the
// year can be true is for the caller.
func readYear(s string, thisYear int) (year int, how howDated, ok bool) {
	s = trimCell(s)
	if v, ok := plainNumber(s); ok {
		return yearOfNumber(v)
	}
	low := lowerASCII(s)
	bound := strings.HasPrefix(low, "before") || strings.HasPrefix(low, "pre") || strings.HasPrefix(low, "after") || strings.HasPrefix(low, "<") ||
		strings.HasPrefix(low, ">") || strings.HasSuffix(low, "+") || strings.HasPrefix(low, "prior") || strings.HasPrefix(low, "vor ")
	// Runs of digits with what stands between them.
	type run struct{ at, n, v int }
	var runs [8]run
	count := 0
	for i := 0; i < len(s) && count < len(runs); {
		if !isDigit(s[i]) {
			i++
			continue
		}
		v, n := leadingInt(s[i:])
		runs[count] = run{i, n, v}
		count++
		i += n
	}
	if count == 0 {
		return 0, 0, false
	}
	r := runs[:count]
	var four [2]run // the first runs of four digits
	fours := 0
	for _, q := range r {
		if q.n == 4 {
			if fours < len(four) {
				four[fours] = q
			}
			fours++
		}
	}
	switch {
	case fours == 2 && count == 2 && four[1].v >= four[0].v: // 2010-2015
		return (four[0].v + four[1].v) / 2, datedMiddle, true
	case fours >= 1:
		q := four[0]
		end := q.at + q.n
		if strings.HasPrefix(s[end:], "s") || strings.HasPrefix(s[end:], "'s") { // 1990s
			return q.v + 5, datedMiddle, true
		}
		if count == 3 || count >= 6 || (count > 3 && q.at == 0) { // a whole date
			if nullDate(q.v, r[0].v, r[1].v, r[min(2, count-1)].v, q.at == r[0].at) {
				return 0, datedByNullDate, true
			}
		}
		if bound {
			return q.v, datedBound, true
		}
		return q.v, datedPlainly, true
	case r[0].n == 8 || r[0].n == 9: // 20150403T..., with something behind it
		if y := r[0].v / 10000; r[0].n == 8 {
			return y, datedPlainly, true
		}
	case count >= 3 && r[0].n <= 2 && r[1].n <= 2 && r[2].n == 2: // 4/3/15
		return fullYear(r[2].v, thisYear), datedShort, true
	case count == 1 && r[0].n == 2 && len(s) > 2: // '15, Spring 15
		if low != s || strings.HasPrefix(s, "'") {
			return fullYear(r[0].v, thisYear), datedShort, true
		}
	}
	return 0, 0, false
}

// nullDate reports whether a whole date is one of those by which databases and
// spreadsheets write none at all.
func nullDate(year, a, b, c int, yearFirst bool) bool {
	first, second := b, c
	if !yearFirst {
		first, second = a, b
	}
	switch year {
	case 1, 1601, 1753, 1900, 1970:
		return first == 1 && second == 1
	case 1899:
		return (first == 12 && second >= 30) || (second == 12 && first >= 30)
	case 0, 9999:
		return true
	}
	return false
}

func fullYear(two, thisYear int) int {
	if thisYear == 0 {
		thisYear = 2099
	}
	y := thisYear - thisYear%100 + two
	if y > thisYear {
		y -= 100
	}
	return y
}

// yearOfNumber reads a year from a number of any of the usual codings.
func yearOfNumber(v float64) (year int, how howDated, ok bool) {
	whole := math.Trunc(v)
	switch {
	case math.Abs(v) >= 1e16 || math.IsNaN(v):
		return 0, 0, false
	case whole >= 1e13 && whole < 1e14 && plausibleYear(int(whole/1e10)) && int(whole/1e8)%100 <= 12: // 20150403120000
		return int(whole / 1e10), datedPlainly, true
	case whole == -2208988800000 || whole == -2209161600000: // 1900-01-01 and 1899-12-30 in milliseconds
		return 0, datedByNullDate, true
	case math.Abs(whole) >= 1e11: // milliseconds since 1970
		return time.UnixMilli(int64(whole)).UTC().Year(), datedEpoch, true
	case whole >= 1e7 && whole < 1e8: // 20150403
		return int(whole / 1e4), datedPlainly, true
	case math.Abs(whole) >= 1e8: // seconds since 1970
		return time.Unix(int64(whole), 0).UTC().Year(), datedEpoch, true
	case whole >= 1e5 && whole < 1e6 && plausibleYear(int(whole/100)) && int(whole)%100 >= 1 && int(whole)%100 <= 12: // 201504
		return int(whole / 100), datedPlainly, true
	case whole >= 20000 && whole < 70000: // days since 1899-12-30
		return time.Date(1899, 12, 30+int(whole), 0, 0, 0, 0, time.UTC).Year(), datedDayNumber, true
	}
	return int(whole), datedPlainly, true
}

func plausibleYear(y int) bool { return y >= 1700 && y <= 2100 }

// pitSize is what a cell says of an opening.
type pitSize struct {
	length, width float64
	unit          unit
	hasUnit       bool
	square        bool // one side or an area was given: a square is taken
	middle        bool
}

// readPit reads "1.2x2.4", "4x6 ft", "1.2 m x 2.4 m", "1,2 x 2,4", "4' by 6'",
// "1.5" (a square) or "24 sq ft" (a square of that area).
func readPit(s string) (pitSize, bool) {
	s = lowerASCII(trimCell(s))
	s = strings.NewReplacer("×", "x", "✕", "x", "*", "x", " by ", "x", "mal", "x").Replace(s)
	for _, area := range []string{"sq ft", "sqft", "sq. ft.", "sq.ft.", "square feet", "ft2", "ft²", "sf", "m2", "m²", "sq m", "sqm", "qm"} {
		before, found := strings.CutSuffix(s, area)
		if !found {
			continue
		}
		a, ok := readAmount(before, ofText, oneNumber)
		if !ok || a.value <= 0 {
			return pitSize{}, false
		}
		u, _ := findUnit(ofLength, "m")
		if strings.ContainsAny(area, "f") {
			u, _ = findUnit(ofLength, "ft")
		}
		side := math.Sqrt(a.value)
		return pitSize{side, side, u, true, true, a.how == asMiddle}, true
	}
	sides := strings.Split(s, "x")
	if len(sides) > 3 {
		return pitSize{}, false
	}
	var p pitSize
	var got [2]amount
	for i, side := range sides[:min(2, len(sides))] {
		a, ok := readAmount(side, ofLength, oneNumber)
		if !ok {
			return pitSize{}, false
		}
		got[i] = a
	}
	p.middle = got[0].how == asMiddle || got[1].how == asMiddle
	if len(sides) == 1 {
		got[1], p.square = got[0], true
	}
	// A unit after the last serves both.
	if !got[0].inOther && got[1].inOther {
		got[0].unit, got[0].inOther = got[1].unit, true
	}
	if got[0].inOther && !got[1].inOther {
		got[1].unit, got[1].inOther = got[0].unit, true
	}
	p.length, p.width = got[0].value, got[1].value
	if got[0].inOther {
		p.unit, p.hasUnit = got[0].unit, true
		p.width *= got[1].unit.per / got[0].unit.per
	}
	return p, true
}

// compassPoints are the sixteen points of the compass, from north clockwise.
var compassPoints = [...]string{"n", "nne", "ne", "ene", "e", "ese", "se", "sse", "s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw"}

// readBearing reads a direction in degrees clockwise from north: a number from 0
// to 360, or a point of the compass ("SW", "south-west", "wsw"). North is 0.
func readBearing(s string) (deg float64, ok bool) {
	s = strings.ToLower(trimCell(s))
	for _, unit := range []string{"degrees", "degree", "deg", "°"} {
		if bare, cut := strings.CutSuffix(s, unit); cut {
			s = trimCell(bare)
			break
		}
	}
	if v, ok := plainNumber(s); ok {
		return math.Mod(v, 360), v >= 0 && v <= 360
	}
	s = strings.NewReplacer("north", "n", "south", "s", "east", "e", "west", "w", "-", "", " ", "", ".", "").Replace(s)
	for k, p := range compassPoints {
		if s == p {
			return float64(k) * 360 / float64(len(compassPoints)), true
		}
	}
	return 0, false
}

// seasonWords name the seasons; the first word of each is the one that is written.
var seasonWords = [...][]string{
	{"spring", "fruehjahr", "frühjahr", "frühling", "printemps", "primavera", "voorjaar", "lente"},
	{"summer", "sommer", "été", "verano", "zomer"},
	{"autumn", "fall", "herbst", "automne", "otoño", "najaar", "herfst"},
	{"winter", "hiver", "invierno"},
}

var monthNames = [...]string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}

// readSeason reads the season of a date of planting: in words ("Fall 2014"), or
// by its month, 1 to 12 (0 where it tells neither). Of 4/3/2015 the month comes
// first, as in the United States, unless it cannot; of 4.3.2015 it is second.
// The first of January stands for a year alone.
func readSeason(s string) (season string, month int) {
	s = strings.ToLower(trimCell(s))
	for _, names := range seasonWords {
		for _, n := range names {
			if strings.Contains(s, n) {
				return names[0], 0
			}
		}
	}
	if v, ok := plainNumber(s); ok { // 20150403, 20150403101500, milliseconds
		switch {
		case v >= 17000101 && v < 21001232:
			return seasonOfDay(int(v)/100%100, int(v)%100)
		case v >= 17000101e6 && v < 21001232e6:
			return seasonOfDay(int(v/1e8)%100, int(v/1e6)%100)
		case v >= 1e11 && v < 5e12:
			d := time.UnixMilli(int64(v)).UTC()
			return seasonOfDay(int(d.Month()), d.Day())
		}
		return "", 0
	}
	for k, n := range monthNames {
		if strings.Contains(s, n) {
			return "", k + 1
		}
	}
	var runs []int
	sep := byte(0)
	for i := 0; i < len(s) && len(runs) < 3; {
		if !isDigit(s[i]) {
			if sep == 0 && len(runs) == 1 {
				sep = s[i]
			}
			i++
			continue
		}
		v, n := leadingInt(s[i:])
		runs = append(runs, v)
		i += n
	}
	switch {
	case len(runs) == 2 && runs[0] >= 1700 && runs[1] <= 12: // 2015-04
		return "", runs[1]
	case len(runs) < 3:
		return "", 0
	case runs[0] >= 1700:
		return seasonOfDay(runs[1], runs[2])
	case sep == '.' || runs[0] > 12:
		return seasonOfDay(runs[1], runs[0])
	}
	return seasonOfDay(runs[0], runs[1])
}

func seasonOfDay(month, day int) (string, int) {
	if month < 1 || month > 12 || day < 1 || day > 31 || month == 1 && day == 1 {
		return "", 0
	}
	return "", month
}
