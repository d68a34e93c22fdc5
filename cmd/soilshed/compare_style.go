package main

import (
	"fmt"
	"math"

	"soilshed/geo/ground"
	"soilshed/geo/layer"
)

// How the layer of differences is drawn: trees by what becomes of them, works by
// what is done. Each proposal is a group of rules, and the first is switched on.

// tone is how one value of a field is drawn.
type tone struct {
	value, colour, shape, words string
	mm                          float64
}

// outcomeTones are, from good to bad, the scheme BrBG of five classes turned
// round, of ColorBrewer 2.0 (see soilTones); safe for the colour-blind.
var outcomeTones = []tone{
	{broughtUp.String(), "#018571", "circle", "Brought up to the standard", 3.4},
	{gains.String(), "#80cdc1", "circle", "Gains, and is short or was up to it before", 2.6},
	{same.String(), "#f5f5f5", "circle", "The same", 2},
	{loses.String(), "#dfc27d", "circle", "Loses", 2.6},
	{fallsBelow.String(), "#a6611a", "circle", "Falls below the standard", 3.4},
	{plantedUp.String(), "#018571", "triangle", "Planted, up to the standard", 3},
	{plantedShort.String(), "#dfc27d", "triangle", "Planted, short", 3},
	{isRemoved.String(), ink, "x", "Removed", 2.4},
	{notKnown.String(), unknownTone, "square", "Not compared", 1.6},
}

// workTones are the scheme Dark2 of ColorBrewer 2.0.
var workTones = []tone{
	{value: ground.Opened.String(), colour: "#1b9e77", words: "Paving opened"},
	{value: ground.Closed.String(), colour: "#d95f02", words: "Open ground paved"},
	{value: ground.Underlaid.String(), colour: "#7570b3", words: "Paving over new rootable ground"},
	{value: ground.ClosedUnderlaid.String(), colour: "#e7298a", words: "Open ground paved over new rootable ground"},
	{value: ground.Lost.String(), colour: "#666666", words: "Rootable ground lost"},
}

// is makes the condition that a tone draws.
func (t *tone) is(field string) condition {
	return condition{field: field, is: equal, text: t.value}
}

// styles are the map styles of both layers.
func (c *sideBySide) styles(schemas []layer.Schema) []layer.Style {
	var options []string
	for _, s := range c.schemes[1:] {
		options = append(options, s.name)
	}
	return []layer.Style{
		{Layer: 0, Name: "what becomes of the trees", QML: tonedQML(&schemas[0], 0, "outcome", "option", options, outcomeTones), SLD: tonedSLD(&schemas[0], "outcome", "option", options[:1], outcomeTones)},
		{Layer: 1, Name: "what is to be built", QML: tonedQML(&schemas[1], 2, "change", "option", options, workTones), SLD: tonedSLD(&schemas[1], "change", "option", options[:1], workTones)},
	}
}

// tonedQML draws a layer by the values of a field; kind is 0 for points and 2
// for polygons. group, when not "", is a field by whose values the rules are
// grouped; of several groups the first is switched on.
func tonedQML(schema *layer.Schema, kind int, field, group string, groups []string, tones []tone) string {
	var s ruleSet
	factor := "(" + qgisFactor() + ")"
	for n, name := range groups {
		var rules []qmlRule
		for k := range tones {
			t := &tones[k]
			rules = append(rules, s.add(t.words, t.is(field).qgis(), func(id string) qmlSymbol {
				if kind == 2 {
					return fillSymbol(id, t.colour)
				}
				shape := t.shape
				if shape == "x" {
					shape = "cross2"
				}
				return marker(id, shape, rgba(t.colour, 255), rgba(ink, 255), t.mm, outlineMM, [2]string{"size", shortest(t.mm) + " * " + factor})
			}))
		}
		if group == "" {
			s.rules = append(s.rules, rules...)
			continue
		}
		g := qmlRule{Key: fmt.Sprintf("group%d", n), Label: name, Filter: condition{field: group, is: equal, text: name}.qgis(), Rules: rules}
		if n > 0 {
			g.Off = "0"
		}
		s.rules = append(s.rules, g)
	}
	q := s.qml(schema, kind)
	q.Preview = `"` + field + `"`
	return xmlText(q)
}

// tonedSLD is the same as SLD, which has no switches: the first group alone.
func tonedSLD(schema *layer.Schema, field, group string, groups []string, tones []tone) string {
	var rules []sldRule
	for _, name := range groups {
		for k := range tones {
			t := &tones[k]
			is := []condition{t.is(field)}
			if group != "" {
				is = append(is, condition{field: group, is: equal, text: name})
			}
			r := sldRule{Title: t.words, Filter: ogcAll(is...)}
			if schema.Shape == layer.Polygons {
				r.Polygon = &sldPolygon{Fill: fillOf(t.colour, shareOpacity), Stroke: strokeOf(ink, outlineMM)}
			} else {
				r.Point = &sldGraphic{Name: t.shape, Fill: fillOf(t.colour, 1), Stroke: strokeOf(ink, outlineMM), Size: pixels(t.mm)}
			}
			rules = append(rules, r)
		}
	}
	return sldOf(schema.Name, schema.Title, rules)
}

// fillSymbol is a polygon of a colour, half seen through.
func fillSymbol(name, colour string) qmlSymbol {
	return qmlSymbol{Name: name, Type: "fill", Alpha: "1", Clip: 1, Layer: symbolLayer("SimpleFill", []qmlProp{
		{"color", rgba(colour, int(math.Round(255*shareOpacity)))}, {"style", "solid"},
		{"outline_color", rgba(ink, 255)}, {"outline_style", "solid"}, {"outline_width", shortest(outlineMM)}, {"outline_width_unit", "MM"}, {"joinstyle", "round"},
	})}
}
