package main

import (
	"fmt"
	"strconv"
	"strings"
)

// reason is why a cell gave no value, or by what licence it gave one.
type reason uint8

const (
	// No value.
	gapBlank reason = iota
	gapWordy        // "NA", "<Null>", "unknown"
	gapZero
	gapCode // 999, -1, ...
	gapNullDate
	leftUnreadable
	leftTooSmall
	leftTooLarge
	leftFuture // a year after the year of the data
	leftNoOrder
	leftUnknownWord
	// A value, with a word to say about it.
	tookMiddle
	tookBound
	tookJoined
	tookCellUnit
	tookShortYear
	tookEpoch
	tookDayNumber
	tookSquare
	tookCommon
	tookGenus
	tookGirth
	tookMean
	tookPercent
	tookParts
	madeUnique
	madeNumber
	reasons // how many there are
)

// gaps ends the reasons for which there is no value.
const gaps = tookMiddle

// reasonWords follow a count: "12 given as a range, ...".
var reasonWords = [reasons]string{
	gapBlank:        "blank",
	gapWordy:        "given as a word for unknown",
	gapZero:         "given as 0, which stands for not measured",
	gapCode:         "given as a code for not measured",
	gapNullDate:     "given as a date that stands for none",
	leftUnreadable:  "not understood",
	leftTooSmall:    "too small to be true",
	leftTooLarge:    "too large to be true",
	leftFuture:      "after the year of the data",
	leftNoOrder:     "given as a number whose order is not stated",
	leftUnknownWord: "in words that are not known",
	tookMiddle:      "given as a range: its middle is taken",
	tookBound:       "open-ended: the bound is taken",
	tookJoined:      "with several stems, joined by the root of the sum of squares",
	tookCellUnit:    "read in the unit that the cell names",
	tookShortYear:   "with a year of two digits",
	tookEpoch:       "given as a time counted from 1970",
	tookDayNumber:   "given as a spreadsheet's day number",
	tookSquare:      "given as one side or an area: a square is taken",
	tookCommon:      "named by it, as there is no other name",
	tookGenus:       "with the genus put before the epithet",
	tookGirth:       "of which the girth over pi is taken as DBH",
	tookPercent:     "over 1 and read as percent",
	tookParts:       "used with the other shares to find the texture class",
	tookMean:        "averaged with the first diameter",
	madeUnique:      "with a number that an earlier record has, made unique by ~2, ~3, ...",
	madeNumber:      "without a number: # and the place in the file is used",
}

// ordinary reasons need no examples.
func (r reason) ordinary() bool {
	return r == gapBlank || r == gapZero || r == tookGenus || r == tookMean || r == tookGirth || r == tookCommon || r == tookParts
}

// examplesKept is how many examples of a reason are named.
const examplesKept = 3

// tally counts one reason for one field, with the first examples.
type tally struct {
	count    int
	examples [examplesKept]example
}

type example struct {
	fid  int64
	text string
}

// census counts what was met in the cells of an inventory. Its zero is ready.
type census struct {
	columns *columns
	records int
	tallies [inventoryFields][reasons]tally
	values  [inventoryFields]int // records with a value
	spreads [inventoryFields]spread

	// Records by what they are.
	hedges, gone, empty, dead int
	kinds                     [recordKinds][examplesKept]example
	unknownStatus             tally
}

func (c *census) add(in inventoryField, why reason, fid int64, text string) {
	c.tallies[in][why].add(fid, text)
}

func (t *tally) add(fid int64, text string) {
	if t.count < examplesKept {
		t.examples[t.count] = example{fid, text}
	}
	t.count++
}

// spread is a histogram of the readings of a column as written, by which a
// wrong unit shows: halves up to 1,024, then one last bin.
type spread struct {
	n    int
	bins [2049]uint32
}

func (s *spread) add(v float64) {
	s.n++
	i := len(s.bins) - 1
	if v < 1024 {
		i = max(0, int(v*2))
	}
	s.bins[i]++
}

// quantile returns the reading below which the share q of the readings lies,
// to the half.
func (s *spread) quantile(q float64) float64 {
	want := q * float64(s.n)
	sum := 0.0
	for i, b := range s.bins {
		sum += float64(b)
		if sum >= want && b > 0 {
			return (float64(i) + 0.5) / 2
		}
	}
	return 0
}

// sentences tells what was met, for the summary: the same input gives the same
// sentences in the same order.
func (c *census) sentences() []string {
	var list []string
	say := func(format string, a ...any) { list = append(list, fmt.Sprintf(format, a...)) }
	if c.gone > 0 {
		say("%s recorded as removed or missing%s.", countOf(c.gone, "tree is", "trees are"), examplesOf(c.kinds[goneTree][:], c.gone))
	}
	if c.empty > 0 {
		say("%s stumps or empty planting sites%s.", countOf(c.empty, "record is for", "records are for"), examplesOf(c.kinds[emptySite][:], c.empty))
	}
	if c.hedges > 0 {
		say("%s hedges, not single trees%s: they keep their ground and are left out of the worklist.", countOf(c.hedges, "record is for", "records are for"), examplesOf(c.kinds[hedgeRow][:], c.hedges))
	}
	if c.dead > 0 {
		say("%s recorded as dead.", countOf(c.dead, "tree is", "trees are"))
	}
	if t := &c.unknownStatus; t.count > 0 {
		say("%s says nothing of removal or death%s: taken as standing.", countOf(t.count, "status", "statuses"), examplesOf(t.examples[:], t.count))
	}
	for in := range inventoryField(inventoryFields) {
		b := &c.columns.bound[in]
		if b.column < 0 {
			continue
		}
		what := fmt.Sprintf("%s (column %s)", inventory[in].name, shownName(b.name))
		list = append(list, cellSentences(what, &c.tallies[in], c.values[in], c.records)...)
		if w := c.unitDoubt(in); w != "" {
			list = append(list, w)
		}
	}
	return list
}

// cellSentences tells why cells of a column gave no value, and what was done to
// get others.
func cellSentences(what string, tallies *[reasons]tally, values, records int) []string {
	var list, none, took []string
	missing := 0
	for why := range reasons {
		t := &tallies[why]
		if t.count == 0 {
			continue
		}
		words := grouped(t.count) + " " + reasonWords[why]
		if !why.ordinary() {
			words += examplesOf(t.examples[:], t.count)
		}
		if why < gaps {
			missing += t.count
			none = append(none, words)
		} else {
			took = append(took, words)
		}
	}
	if missing > 0 {
		in := "no value in " + grouped(missing) + " of"
		if values == 0 {
			in = "no value in any of"
		}
		list = append(list, fmt.Sprintf("%s: %s %s: %s.", what, in, countOf(records, "record", "records"), strings.Join(none, "; ")))
	}
	if len(took) > 0 {
		list = append(list, fmt.Sprintf("%s: %s.", what, strings.Join(took, "; ")))
	}
	return list
}

// unitDoubt compares the readings with what the unit would make of them, and
// returns a warning when they look like another unit. The bounds are common
// practice, no source: few street trees pass 80 in or 45 m, and a city whose
// largest trees measure 60 cm is young or measured in inches.
func (c *census) unitDoubt(in inventoryField) string {
	b, s := &c.columns.bound[in], &c.spreads[in]
	if s.n < 20 || b.unit.name == "" || b.from == unitTold {
		return ""
	}
	median, most := s.quantile(0.5), s.quantile(0.99)
	looks := ""
	switch in {
	case inDBH:
		switch {
		case b.unit.name == "cm" && median < 20 && most < 60:
			looks = "in"
		case b.unit.name == "cm" && median >= 120:
			looks = "mm"
		case b.unit.name == "in" && median > 20 && most > 70:
			looks = "cm"
		}
		if (b.unit.name == "cm" || b.unit.name == "in") && most < 2.5 {
			looks = "m"
		}
	case inGirth:
		switch {
		case b.unit.name == "cm" && most < 10:
			looks = "m"
		case b.unit.name == "cm" && most < 150:
			looks = "in"
		case b.unit.name == "cm" && median > 400:
			looks = "mm"
		case b.unit.name == "m" && median > 10:
			looks = "cm"
		}
	case inHeight:
		switch {
		case b.unit.name == "m" && (median > 20 || most > 60):
			looks = "ft"
		case b.unit.name == "ft" && median < 12 && most < 35:
			looks = "m"
		}
	case inCrown:
		switch {
		case b.unit.name == "m" && (median > 15 || most > 35):
			looks = "ft"
		case b.unit.name == "ft" && median < 8 && most < 20:
			looks = "m"
		}
	}
	if looks == "" {
		return ""
	}
	return fmt.Sprintf("WARNING: %s (column %s) is read in %s, but half of the values are below %g and 99 in 100 below %g: they look like %s. State the unit: --field %s=%s:%s, or :%s if it is right.",
		inventory[in].name, shownName(b.name), b.unit.name, median, most, looks, inventory[in].name, shownName(b.name), looks, b.unit.name)
}

// examplesOf writes the first examples in brackets.
func examplesOf(list []example, count int) string {
	var b strings.Builder
	for i, e := range list {
		if i >= count {
			break
		}
		if b.Len() == 0 {
			b.WriteString(" (")
			if count > len(list) {
				b.WriteString("such as ")
			}
		} else {
			b.WriteString(", ")
		}
		if e.text != "" {
			b.WriteString(strconv.Quote(shortened(e.text, 40)))
			b.WriteString(" in ")
		}
		b.WriteString("feature ")
		b.WriteString(strconv.FormatInt(e.fid, 10))
	}
	if b.Len() > 0 {
		b.WriteByte(')')
	}
	return b.String()
}

// shortened cuts s to n letters.
func shortened(s string, n int) string {
	i := 0
	for at := range s {
		if i == n {
			return s[:at] + "…"
		}
		i++
	}
	return s
}

// countOf is "1 tree" or "1,234 trees".
func countOf(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return grouped(n) + " " + many
}

// grouped writes n with a comma between thousands.
func grouped(n int) string {
	s := strconv.Itoa(n)
	start := 0
	if n < 0 {
		start = 1
	}
	for i := len(s) - 3; i > start; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}
