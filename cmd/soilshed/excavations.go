package main

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"soilshed/geo/layer"
	"soilshed/risk"
)

// digField is one thing that is read of an excavation.
type digField uint8

const (
	dgTree digField = iota
	dgDate
	dgShare
	dgRoot
	dgBearing
	dgEmbedded
	dgStem
	dgOtherRoots
	dgSeason
	dgCrew
	dgAction
	dgNotes
	digFields
)

var digTable = [digFields]mapping{
	dgTree: {name: "tree", doc: "the tree's number, as in the inventory",
		columns: spellings("tree treeid id treeno treenumber treenum treetag tag")},
	dgDate: {name: "date", doc: "day of the excavation", columns: spellings("date excavated excavationdate dateexcavated inspected inspectiondate day dugon")},
	dgShare: {name: "share", doc: "share of the stem's circumference that girdling roots hold, 0 to 1 or percent", of: ofFraction, unit: "fraction", us: "fraction", perBase: 1, low: 0, high: 1,
		columns: spellings("share girdled girdledshare sharegirdled girdling circumferencegirdled girdledcircumference encircled girdledpct")},
	dgRoot: {name: "largest_root", doc: "diameter of the largest girdling root", of: ofLength, unit: "cm", us: "in", perBase: 100, low: 0, high: 150,
		columns: spellings("largestroot largestrootdiameter rootdiameter largestgirdlingroot root rootsize rootdiam maxroot")},
	dgBearing: {name: "bearing", doc: "where the middle of what is held lies, degrees clockwise from north, or SW and the like",
		columns: spellings("bearing rootbearing azimuth arcbearing side direction")},
	dgEmbedded: {name: "embedded", doc: "how deep the largest girdling root lies in the stem", of: ofLength, unit: "cm", us: "in", perBase: 100, low: 0, high: 100,
		columns: spellings("embedded embeddeddepth embedment depthinstem indentation")},
	dgStem: {name: "stem", doc: "diameter of the stem at the collar; the DBH stands for it where it is not given", of: ofLength, unit: "cm", us: "in", perBase: 100, low: 0.5, high: 600,
		columns: spellings("stem stemdiameter collardiameter stematcollar stemdiam")},
	dgOtherRoots: {name: "other_roots", doc: "diameters of the other main roots, as a list", of: ofLength, unit: "cm", us: "in", perBase: 100, low: 0.2, high: 300,
		columns: spellings("otherroots mainroots otherrootdiameters rootsleft")},
	dgSeason: {name: "season", doc: "planting season, where the inventory does not say", columns: spellings("plantingseason seasonplanted plantseason")},
	dgCrew:   {name: "crew", doc: "planting crew or contract, where the inventory does not say", columns: spellings("plantingcrew plantedby plantcrew planter")},
	dgAction: {name: "action", doc: "what was done", columns: spellings("action done treatment work actiontaken")},
	dgNotes:  {name: "notes", doc: "notes", columns: spellings("notes note remarks remark comments comment")},
}

// excavation is a root collar that was dug free and looked at.
type excavation struct {
	Line   int    // in the file
	Tree   string // as plain as the inventory's ids: "1.0" is 1
	Date   risk.Maybe[time.Time]
	Share  float64             // of the circumference girdled, 0 to 1
	RootCm risk.Maybe[float64] // largest girdling root
	// As far as they were noted: where the middle of what is held lies, how deep
	// the root is in the stem, the stem at the collar, and the other main roots,
	// joined by the root of the sum of squares.
	BearingDeg, EmbeddedCm, StemCm, OtherRootsCm risk.Maybe[float64]
	Season, Crew                                 string // of planting
	Action                                       string
	Notes                                        string
}

// excavationFile is what an excavation file holds.
type excavationFile struct {
	File    string
	Records []excavation // in file order
	Notes   []string
}

// shareWords are answers in words.
var shareWords = map[string]float64{"none": 0, "no": 0, "no girdling": 0, "nil": 0, "not girdled": 0}

// readExcavations reads a file of excavations. flags are --excavation-field
// NAME=COLUMN[:UNIT]. Lines without a tree or without a share are counted and
// left out: an excavation that found nothing says 0.
func readExcavations(path string, flags []string, us bool) (*excavationFile, error) {
	told, err := parseMappings("--excavation-field", namesOf(digTable[:]), flags)
	if err != nil {
		return nil, err
	}
	t, err := openTable(path)
	if err != nil {
		return nil, err
	}
	return excavationsFrom(t, told, us)
}

func excavationsFrom(t *csvTable, told []fieldFlag, us bool) (*excavationFile, error) {
	bound, notes, err := bindColumns(digTable[:], t.fields(), told, bindHow{File: t.File, Flag: "--excavation-field", US: us, Things: "excavation"})
	if err != nil {
		return nil, err
	}
	x := &excavationFile{File: t.File, Notes: append(t.Notes, notes...)}
	for _, need := range []digField{dgTree, dgShare} {
		if bound[need].column < 0 {
			return nil, &layer.Error{File: t.File, Err: fmt.Errorf("there is no column with %s", digTable[need].doc),
				Remedy: fmt.Sprintf("name it: --excavation-field %s=COLUMN; the columns are: %s", digTable[need].name, strings.Join(fieldNames(t.fields()), ", "))}
		}
	}
	var dates []time.Time
	var badDate, noTree, noShare, badShare, badBearing tallyLines
	var badSize [digFields]tallyLines
	if bound[dgDate].column >= 0 {
		var bad tallyLines
		if dates, bad, err = datesOf(t, &bound[dgDate], "--excavation-field date"); err != nil {
			return nil, err
		}
		badDate = bad
	}
	if err := percentOrFraction(t, &bound[dgShare], x); err != nil {
		return nil, err
	}
	for i := range t.Rows {
		row := &t.Rows[i]
		e := excavation{Line: row.Line, Tree: plainID(row.cell(bound[dgTree].column)), Action: row.cell(bound[dgAction].column), Notes: row.cell(bound[dgNotes].column)}
		s := row.cell(bound[dgShare].column)
		if e.Tree == "" {
			noTree.add(row.Line, s)
			continue
		}
		share, isWord := shareWords[strings.ToLower(s)]
		if !isWord {
			if s == "" || gapWord(s) {
				noShare.add(row.Line, s)
				continue
			}
			a, ok := readAmount(s, ofFraction, oneNumber)
			share = a.value * bound[dgShare].factor
			if a.inOther {
				share = a.value * a.unit.per
			}
			if !ok || math.IsNaN(share) || share < 0 || share > 1 {
				badShare.add(row.Line, s)
				continue
			}
		}
		e.Share = share
		for _, m := range []struct {
			field digField
			join  joining
			to    *risk.Maybe[float64]
		}{{dgRoot, oneNumber, &e.RootCm}, {dgEmbedded, oneNumber, &e.EmbeddedCm}, {dgStem, oneNumber, &e.StemCm}, {dgOtherRoots, stemList, &e.OtherRootsCm}} {
			s := row.cell(bound[m.field].column)
			if s == "" || gapWord(s) {
				continue
			}
			a, ok := readAmount(s, ofLength, m.join)
			cm := a.value * bound[m.field].factor
			if a.inOther {
				cm = a.value * a.unit.per * 100
			}
			if ok && cm >= digTable[m.field].low && cm <= digTable[m.field].high {
				*m.to = risk.Known(cm)
			} else {
				badSize[m.field].add(row.Line, s)
			}
		}
		if s := row.cell(bound[dgBearing].column); s != "" && !gapWord(s) {
			if deg, ok := readBearing(s); ok {
				e.BearingDeg = risk.Known(deg)
			} else {
				badBearing.add(row.Line, s)
			}
		}
		words := func(field digField) string {
			if s := row.cell(bound[field].column); !gapWord(s) {
				return s
			}
			return ""
		}
		e.Season, e.Crew = words(dgSeason), words(dgCrew)
		if dates != nil && !dates[i].IsZero() {
			e.Date = risk.Known(dates[i])
		}
		x.Records = append(x.Records, e)
	}
	say := func(t tallyLines, what string) {
		if t.count > 0 {
			first := fmt.Sprintf("line %d", t.line)
			if t.text != "" {
				first = fmt.Sprintf("%q on line %d", shortened(t.text, 40), t.line)
			}
			x.Notes = append(x.Notes, fmt.Sprintf("%s: %s %s (first %s).", x.File, countOf(t.count, "line", "lines"), what, first))
		}
	}
	say(noTree, "left out: no tree is named")
	say(noShare, "left out: no share of the circumference is given (an excavation that found nothing says 0)")
	say(badShare, "left out: the share is no number from 0 to 1, or percent")
	say(badSize[dgRoot], "kept without the root's size, which cannot be read")
	say(badSize[dgEmbedded], "kept without how deep the root lies in the stem, which cannot be read")
	say(badSize[dgStem], "kept without the stem at the collar, which cannot be read")
	say(badSize[dgOtherRoots], "kept without the other roots, which cannot be read")
	say(badBearing, "kept without a bearing, which is no number from 0 to 360 and no point of the compass")
	say(badDate, "kept without a date, which cannot be read")
	if len(x.Records) == 0 {
		return nil, &layer.Error{File: t.File, Err: errors.New("no line can be used"), Remedy: "each needs a tree and the share of its circumference that is girdled"}
	}
	x.Notes = append(x.Notes, x.repeats()...)
	return x, nil
}

// percentOrFraction settles the unit of the share where nobody states it: what
// passes 1 is percent. In a column that holds both kinds nobody can tell whether
// 0.5 is a half or half a percent: up to one number in ten is taken for a slip,
// more is an error.
func percentOrFraction(t *csvTable, b *binding, x *excavationFile) error {
	if b.from != unitDefault {
		return nil
	}
	numbers, over := 0, 0
	var below tallyLines
	for i := range t.Rows {
		s := t.Rows[i].cell(b.column)
		v, ok := plainNumber(s)
		if !ok || v <= 0 {
			continue
		}
		numbers++
		if v > 1 {
			over++
		}
		if v < 1 {
			below.add(t.Rows[i].Line, s)
		}
	}
	switch {
	case over == 0 || over*10 <= numbers:
		return nil
	case below.count*10 > numbers:
		return t.lineError(below.line, shownName(b.name), fmt.Errorf("%s may be a share or percent: the column holds numbers below 1 and above 1", below.text),
			fmt.Sprintf("state it: --excavation-field share=%s:%% or :fraction", shownName(b.name)))
	}
	u, _ := findUnit(ofFraction, "%")
	b.setUnit(&digTable[dgShare], u)
	x.Notes = append(x.Notes, fmt.Sprintf("Column %s (share) is read in percent, as it passes 1; --excavation-field share=%s:UNIT says otherwise.", shownName(b.name), shownName(b.name)))
	return nil
}

// repeats tells of trees that were dug at more than once; each is a record of
// its own, and the reader of the records decides.
func (x *excavationFile) repeats() []string {
	seen := map[string]int{}
	var again tallyLines
	for _, e := range x.Records {
		if seen[e.Tree] > 0 {
			again.add(e.Line, e.Tree)
		}
		seen[e.Tree]++
	}
	if again.count == 0 {
		return nil
	}
	return []string{fmt.Sprintf("%s: %s for trees that an earlier line has (first tree %s on line %d): all are kept.", x.File, countOf(again.count, "line is", "lines are"), again.text, again.line)}
}

// latest returns, for each tree, its latest excavation: the one with the
// latest date, or the last in the file where dates do not tell.
func (x *excavationFile) latest() map[string]excavation {
	m := make(map[string]excavation, len(x.Records))
	for _, e := range x.Records {
		old, ok := m[e.Tree]
		if ok && old.Date.Known && (!e.Date.Known || e.Date.Value.Before(old.Date.Value)) {
			continue
		}
		m[e.Tree] = e
	}
	return m
}
