package main

import (
	"strconv"

	"soilshed/geo/layer"
	"soilshed/risk/soil"
)

// How results are drawn: the colours, sizes and rings of the maps. The styles
// for desktop GIS, the page and the drawings of single trees come from these
// tables.

// soilTone is the colour of a soil class.
type soilTone struct {
	class  string // value of the field soil_class
	colour string // #rrggbb
	words  string // in a legend, before the bounds
}

// soilTones run from bad to good. The colours are the scheme YlOrRd of four
// classes, turned round, of C. Brewer and M. Harrower, ColorBrewer 2.0
// (Pennsylvania State University; colorbrewer2.org, Apache licence 2.0), which
// is safe for the colour-blind; lightness rises all the way, so that the classes
// keep their order in grey print. TestSoilTones holds both.
var soilTones = []soilTone{
	{soil.Severe.String(), "#e31a1c", "Severe"},
	{soil.Constrained.String(), "#fd8d3c", "Constrained"},
	{soil.Adequate.String(), "#fecc5c", "Adequate"},
	{soil.Ample.String(), "#ffffb2", "Ample"},
}

// unknownTone fills a tree whose ground is not known, and ink draws outlines and
// rings.
const (
	unknownTone = "#ffffff"
	ink         = "#2a2a33"
)

// drawStep is a step of a number that is drawn by size or by ring.
type drawStep struct {
	from  float64 // the step holds values from here on
	mm    float64 // size of the disc, or width of the ring (0 is none)
	words string
}

// failureSteps draw the yearly probability that the base fails by size. They
// divide a list, and say nothing of what is tolerable (setting, no source).
var failureSteps = []drawStep{
	{0, 1.8, "below 1 in 1000 a year"},
	{0.001, 2.6, "1 in 1000 to 1 in 300 a year"},
	{1. / 300, 3.8, "1 in 300 a year or more"},
}

// girdlingSteps draw the probability of girdling by a ring (setting, no source).
var girdlingSteps = []drawStep{
	{0, 0, "below 1 in 5"},
	{0.2, 0.3, "1 in 5 to 1 in 3"},
	{1.0 / 3, 0.75, "1 in 3 or more"},
}

// workSteps draw the worklist by the place of a tree in it: a square whose colour
// is darker the sooner it comes. The colours are PuBu of three classes, turned
// round, of ColorBrewer 2.0 as above; they are none of the soil classes', as both
// layers lie on one map. The bounds are settings.
var workSteps = []struct {
	from   float64 // rank
	mm     float64 // side
	colour string
	words  string
}{
	{1, 3.2, "#2b8cbe", "first ten of the list"},
	{11, 2.3, "#a6bddb", "to number 50"},
	{51, 1.2, "#ece7f2", "after those"},
}

// inWork are the conditions of a step of the worklist.
func inWork(k int) []condition {
	c := []condition{{field: "rank", is: atLeast, number: workSteps[k].from}}
	if k+1 < len(workSteps) {
		c = append(c, condition{field: "rank", is: below, number: workSteps[k+1].from})
	}
	return c
}

// stepOf is the step of steps that v belongs to; the first when v is not known.
func stepOf(steps []drawStep, v float64) int {
	k := 0
	for i := range steps {
		if v >= steps[i].from {
			k = i
		}
	}
	return k
}

// toneWords name a class with its bounds, in percent of the need.
func toneWords(k int, b soil.Bounds) string {
	// bound is the lower bound of a class; the bounds run from good to bad.
	bound := func(k int) string { return strconv.FormatFloat(100*b[len(b)-k], 'g', 4, 64) }
	switch k {
	case 0:
		return soilTones[k].words + ": below " + bound(1) + " % of its need"
	case len(b):
		return soilTones[k].words + ": " + bound(k) + " % or more"
	}
	return soilTones[k].words + ": " + bound(k) + " to " + bound(k+1) + " %"
}

// scaleBand is a range of map scales; from and to are denominators, 0 for no
// bound. Symbols are drawn at their size x factor.
type scaleBand struct{ from, to, factor float64 }

// A city, a district, a quarter, a street, a tree pit (settings).
var scaleBands = []scaleBand{{40000, 0, 0.25}, {12000, 40000, 0.4}, {3000, 12000, 0.6}, {800, 3000, 1}, {0, 800, 1.6}}

const (
	labelScale   = 1500  // labels from here in
	workLabels   = 6000  // places in the worklist, of which there are fewer
	openingScale = 12000 // shares of the ground from here in
)

// condition is one condition on a field of a layer; those of a rule all hold.
type condition struct {
	field  string
	is     comparison
	text   string  // of equal
	number float64 // of atLeast, below, belowOrNull
}

type comparison uint8

const (
	equal comparison = iota
	atLeast
	below
	belowOrNull // what is not known is drawn as the first step
	isNull
	isKnown
)

// inStep are the conditions of a step.
func inStep(field string, steps []drawStep, k int) []condition {
	if k == 0 {
		return []condition{{field: field, is: belowOrNull, number: steps[1].from}}
	}
	c := []condition{{field: field, is: atLeast, number: steps[k].from}}
	if k+1 < len(steps) {
		c = append(c, condition{field: field, is: below, number: steps[k+1].from})
	}
	return c
}

// A tree that was not assessed has no word on its ground; one whose ground the
// map does not cover has no class.
var (
	wasAssessed  = condition{field: "ground", is: isKnown}
	notAssessed  = condition{field: "ground", is: isNull}
	withoutClass = condition{field: "soil_class", is: isNull}
)

func ofClass(k int) condition {
	return condition{field: "soil_class", is: equal, text: soilTones[k].class}
}

// styles are the map styles of those layers that have one.
func styles(schemas []layer.Schema, b soil.Bounds) []layer.Style {
	var out []layer.Style
	for i := range schemas {
		switch schemas[i].Name {
		case "trees":
			out = append(out, layer.Style{Layer: i, Name: "soil, girdling, failure", QML: treesQML(&schemas[i], b), SLD: treesSLD(b)})
		case "worklist":
			out = append(out, layer.Style{Layer: i, Name: "places in the worklist", QML: worklistQML(&schemas[i]), SLD: worklistSLD()})
		case "openings":
			out = append(out, layer.Style{Layer: i, Name: "shares of the ground", QML: openingsQML(&schemas[i], b), SLD: openingsSLD(b)})
		}
	}
	return out
}
