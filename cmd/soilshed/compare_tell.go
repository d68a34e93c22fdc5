package main

import (
	"fmt"
	"io"
	"math"
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
	fmt.Fprintf(w, "\n%s\n\n", wrap(fmt.Sprintf("%s are compared, %s in all. Their ground is worked out with all their neighbours and all layers, and their cohorts "+
		"from the whole inventory, as in a full run. Up to the standard is a tree that has %s.", capital(where), grouped(len(c.trees)), c.standard()), 92))
	c.tellTable(w)
	c.tellLeads(w)
	c.tellLosers(w)
	c.tellOnPaving(w)
	fmt.Fprintf(w, "\n%s\n", wrap("Yearly probabilities of failure compare trees and designs; no record of failures has set their level. "+
		"Areas and volumes are those of the layers: what lies below the paving (utilities, bases, old fill) is not in them. "+c.pricesSay(), 92))
}

func (c *sideBySide) pricesSay() string {
	if c.prices == nil {
		return "Nothing is priced without a file of prices (--prices)."
	}
	return "Prices are those of " + c.prices.file + "."
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

// tellTable prints the measures side by side; * marks what does best.
func (c *sideBySide) tellTable(w io.Writer) {
	us := c.schemes[0].a.o.units == "us"
	var lines [][]string
	head := []string{""}
	for _, s := range c.schemes {
		head = append(head, s.name+" ")
	}
	lines = append(lines, head)
	add := func(m *compareMeasure, words string) {
		line := []string{words}
		if unit := m.field(us).Unit; unit != "" && unit != "trees" {
			line[0] += ", " + unit
		}
		lead, alike := c.best(m)
		for _, s := range c.schemes {
			mark := " "
			for _, l := range lead {
				if l == s && !alike {
					mark = "*"
				}
			}
			line = append(line, shownMeasure(m, s, us)+mark)
		}
		lines = append(lines, line)
	}
	for i := range compareMeasures {
		if m := &compareMeasures[i]; c.told(m) {
			add(m, m.words)
		}
		if compareMeasures[i].name != "cost" || c.prices == nil {
			continue
		}
		for k := range priceItems {
			p := &priceItems[k]
			m := &compareMeasure{from: func(s *scheme) float64 { return s.takeoff.costOf(p) }}
			for _, s := range c.schemes {
				if m.from(s) > 0 {
					add(m, "  "+p.name)
					break
				}
			}
		}
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

// tellLeads says who does best by what, and where schemes tie.
func (c *sideBySide) tellLeads(w io.Writer) {
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
			if len(by[names]) == 0 {
				order = append(order, names)
			}
			by[names] = append(by[names], m.words)
		}
	}
	fmt.Fprintln(w, "\nWho does best")
	for _, names := range order {
		tie := ""
		if strings.Contains(names, ", ") {
			tie = " (a tie)"
		}
		fmt.Fprintln(w, indent(wrap(names+tie+": "+strings.Join(by[names], "; "), 92), "  ", "    "))
	}
	if len(alike) > 0 {
		fmt.Fprintln(w, indent(wrap("all alike: "+strings.Join(alike, "; "), 92), "  ", "    "))
	}
	for j := range c.schemes {
		for k := j + 1; k < len(c.schemes); k++ {
			same, both := c.alike(j, k)
			if same == 0 {
				continue
			}
			fmt.Fprintf(w, "  %s and %s: the same soil for %s of %s trees that stand in both\n", c.schemes[j].name, c.schemes[k].name, grouped(same), grouped(both))
		}
	}
}

// tellOnPaving names the trees that a proposal puts on paving.
func (c *sideBySide) tellOnPaving(w io.Writer) {
	said := false
	for k := 1; k < len(c.schemes); k++ {
		ids := c.onPaving(k)
		if len(ids) == 0 {
			continue
		}
		if !said {
			fmt.Fprintln(w, "\nStems on paving that are not so today: a pit is taken for them, recorded or assumed. Does the\ndesign leave one?")
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
