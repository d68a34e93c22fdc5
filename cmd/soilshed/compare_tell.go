package main

import (
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"soilshed/geo/layer"
)

// losersNamed is how many trees that lose are named of each proposal.
const losersNamed = 12

// tell prints the comparison: what is compared, the table, who leads, who ties
// and who loses.
func (c *sideBySide) tell(w io.Writer) {
	for k, s := range c.schemes {
		role := "before"
		if k > 0 {
			role = "after"
		}
		fmt.Fprintf(w, "%-7s %s: %s\n", role, s.name, s.differs(c.schemes[0]))
	}
	where := "all trees"
	if c.within != "" {
		where = "trees within " + c.within
	}
	fmt.Fprintf(w, "\n%s\n\n", wrap(c.scope(where), 92))
	c.tellTable(w)
	c.tellLeads(w)
	c.tellLosers(w)
	c.tellOnPaving(w)
	fmt.Fprintf(w, "\n%s\n", wrap(c.limits(filepath.Clean), 92))
}

// scope says what is compared, and by what.
func (c *sideBySide) scope(where string) string {
	return fmt.Sprintf("%s are compared, %s in all. Their ground is worked out with all their neighbours and all layers, and their cohorts "+
		"from the whole inventory, as in a full run. Up to the standard is a tree that has %s.", capital(where), grouped(len(c.trees)), c.standard())
}

// limits says what the numbers are not; shown is how a file is named.
func (c *sideBySide) limits(shown func(file string) string) string {
	return "Yearly probabilities of failure compare trees and designs; surveys of storms set their level, to a factor of about three either way. " +
		"Areas and volumes are those of the layers: what lies below the paving (utilities, bases, old fill) is not in them. " + c.pricesSay(shown)
}

func (c *sideBySide) pricesSay(shown func(file string) string) string {
	if c.prices == nil {
		return "Nothing is priced without a file of prices (--prices)."
	}
	return "Prices are those of " + shown(c.prices.file) + "."
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// differs names the layers in which a scheme differs from today's.
func (s *scheme) differs(today *scheme) string {
	if s == today {
		return s.file
	}
	var list []string
	for _, name := range []string{"trees", "pavement", "bed", "rootable", "barrier", "soil", "target", "study-area", "plant", "remove"} {
		if shownValue(s.a.o.flags.Lookup(name)) != shownValue(today.a.o.flags.Lookup(name)) {
			list = append(list, name)
		}
	}
	if len(list) == 0 {
		return s.file + ", with the same layers as today"
	}
	return s.file + ", with other " + strings.Join(list, ", ")
}

// shownMeasure is a number as the table shows it.
func shownMeasure(m *compareMeasure, s *scheme, us bool) string {
	v, ok := m.value(s, us).Float()
	if !ok {
		return "-"
	}
	return groupedNumber(v, m.digits)
}

// groupedNumber writes a number with so many decimals and commas between
// thousands.
func groupedNumber(v float64, digits int) string {
	text := strconv.FormatFloat(math.Abs(v), 'f', digits, 64)
	whole, rest, dotted := strings.Cut(text, ".")
	n, err := strconv.Atoi(whole)
	if err == nil {
		whole = grouped(n)
	}
	if dotted {
		whole += "." + rest
	}
	if v < 0 && strings.Trim(text, "0.") != "" {
		whole = "-" + whole
	}
	return whole
}

// measureLine is a line of the table: a measure, or a part of the cost.
type measureLine struct {
	words, unit, doc string
	part             bool
	cells            []string
	best             []bool // which do best, when not all are alike
}

// table lists the lines that have something to say.
func (c *sideBySide) table() (lines []measureLine) {
	us := c.schemes[0].a.o.units == "us"
	add := func(m *compareMeasure, l measureLine) {
		if unit := m.field(us).Unit; unit != "trees" {
			l.unit = unit
		}
		lead, alike := c.best(m)
		for _, s := range c.schemes {
			l.cells = append(l.cells, shownMeasure(m, s, us))
			l.best = append(l.best, !alike && slices.Contains(lead, s))
		}
		lines = append(lines, l)
	}
	for i := range compareMeasures {
		m := &compareMeasures[i]
		if c.told(m) {
			add(m, measureLine{words: m.words, doc: m.doc})
		}
		if m.name != "cost" || c.prices == nil {
			continue
		}
		for k := range priceItems {
			p := &priceItems[k]
			m := &compareMeasure{from: func(s *scheme) float64 { return s.takeoff.costOf(p) }}
			if slices.ContainsFunc(c.schemes, func(s *scheme) bool { return m.from(s) > 0 }) {
				add(m, measureLine{words: p.name, doc: "Part of the cost: " + p.doc + ".", part: true})
			}
		}
	}
	return lines
}

// tellTable prints the measures side by side; * marks what does best.
func (c *sideBySide) tellTable(w io.Writer) {
	head := []string{""}
	for _, s := range c.schemes {
		head = append(head, s.name+" ")
	}
	lines := [][]string{head}
	for _, l := range c.table() {
		name := l.words
		if l.part {
			name = "  " + name
		}
		if l.unit != "" {
			name += ", " + l.unit
		}
		line := []string{name}
		for k, cell := range l.cells {
			mark := " "
			if l.best[k] {
				mark = "*"
			}
			line = append(line, cell+mark)
		}
		lines = append(lines, line)
	}
	width := make([]int, len(head))
	for _, line := range lines {
		for i, cell := range line {
			width[i] = max(width[i], utf8.RuneCountInString(cell))
		}
	}
	for _, line := range lines {
		var b strings.Builder
		for i, cell := range line {
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(cell))
			if i == 0 {
				b.WriteString(cell + pad)
			} else {
				b.WriteString("  " + pad + cell)
			}
		}
		fmt.Fprintln(w, strings.TrimRight(b.String(), " "))
	}
	fmt.Fprintln(w, "* does best by this line")
}

// leads says who does best by what, and where schemes tie, a sentence each.
func (c *sideBySide) leads() (list []string) {
	by := map[string][]string{}
	var order []string
	var alike []string
	for i := range compareMeasures {
		m := &compareMeasures[i]
		lead, all := c.best(m)
		switch {
		case all:
			alike = append(alike, m.words)
		case len(lead) > 0:
			names := schemeNames(lead)
			if len(lead) > 1 {
				names += " (a tie)"
			}
			if len(by[names]) == 0 {
				order = append(order, names)
			}
			by[names] = append(by[names], m.words)
		}
	}
	for _, names := range order {
		list = append(list, names+": "+strings.Join(by[names], "; "))
	}
	if len(alike) > 0 {
		list = append(list, "all alike: "+strings.Join(alike, "; "))
	}
	for j := range c.schemes {
		for k := j + 1; k < len(c.schemes); k++ {
			if same, both := c.alike(j, k); same > 0 {
				list = append(list, fmt.Sprintf("%s and %s: the same soil for %s of %s trees that stand in both", c.schemes[j].name, c.schemes[k].name, grouped(same), grouped(both)))
			}
		}
	}
	return list
}

// tellLeads says who does best by what.
func (c *sideBySide) tellLeads(w io.Writer) {
	fmt.Fprintln(w, "\nWho does best")
	for _, line := range c.leads() {
		fmt.Fprintln(w, indent(wrap(line, 92), "  ", "    "))
	}
}

// pavedWarning is what stems on paving ask.
const pavedWarning = "Stems on paving that are not so today: a pit is taken for them, recorded or assumed. Does the design leave one?"

// tellOnPaving names the trees that a proposal puts on paving.
func (c *sideBySide) tellOnPaving(w io.Writer) {
	said := false
	for k := 1; k < len(c.schemes); k++ {
		ids := c.onPaving(k)
		if len(ids) == 0 {
			continue
		}
		if !said {
			fmt.Fprintf(w, "\n%s\n", wrap(pavedWarning, 92))
			said = true
		}
		more := ""
		if n := len(ids) - losersNamed; n > 0 {
			ids, more = ids[:losersNamed], fmt.Sprintf(" and %s more", grouped(n))
		}
		fmt.Fprintln(w, indent(wrap(c.schemes[k].name+": "+strings.Join(ids, ", ")+more, 92), "  ", "    "))
	}
}

// tellLosers names the trees that a proposal leaves with less.
func (c *sideBySide) tellLosers(w io.Writer) {
	us := c.schemes[0].a.o.units == "us"
	volume := outField{kind: layer.Real, of: volumeM3, digits: 1}
	m3 := func(v float64) string {
		x, _ := volume.written(layer.Number(v), us).Float()
		return groupedNumber(x, 1) + " " + volume.field(us).Unit
	}
	fmt.Fprintln(w, "\nTrees that lose ground")
	for k := 1; k < len(c.schemes); k++ {
		list := c.losers(k)
		if len(list) == 0 {
			fmt.Fprintf(w, "  %s: none\n", c.schemes[k].name)
			continue
		}
		var told []string
		for _, x := range list[:min(losersNamed, len(list))] {
			word := fmt.Sprintf("%s (%s to %s", x.id, m3(x.was.hasSoil()), m3(x.is.hasSoil()))
			if x.fell {
				word += ", below the standard"
			}
			told = append(told, word+")")
		}
		more := ""
		if n := len(list) - len(told); n > 0 {
			more = fmt.Sprintf(" and %s more", grouped(n))
		}
		fmt.Fprintln(w, indent(wrap(fmt.Sprintf("%s: %s: %s%s", c.schemes[k].name, countOf(len(list), "tree", "trees"), strings.Join(told, ", "), more), 92), "  ", "    "))
	}
}
