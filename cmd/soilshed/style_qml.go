package main

import (
	"encoding/xml"
	"fmt"
	"math"
	"strings"

	"soilshed/geo/layer"
	"soilshed/risk/soil"
)

// The style as QGIS reads it from layer_styles and from .qml files: the elements
// that QGIS 3 writes itself, without those that say nothing.

type qmlRoot struct {
	XMLName     xml.Name   `xml:"qgis"`
	Version     string     `xml:"version,attr"`
	Categories  string     `xml:"styleCategories,attr"`
	Labels      int        `xml:"labelsEnabled,attr"`
	ByScale     int        `xml:"hasScaleBasedVisibilityFlag,attr"`
	MinScale    string     `xml:"minScale,attr"`
	MaxScale    string     `xml:"maxScale,attr"`
	Renderer    qmlRules   `xml:"renderer-v2"`
	Labeling    *qmlLabels `xml:"labeling,omitempty"`
	Aliases     []qmlAlias `xml:"aliases>alias"`
	Tip         string     `xml:"mapTip"`
	Preview     string     `xml:"previewExpression"`
	Opacity     string     `xml:"layerOpacity"`
	GeometryKey int        `xml:"layerGeometryType"`
}

type qmlAlias struct {
	Index int    `xml:"index,attr"`
	Field string `xml:"field,attr"`
	Name  string `xml:"name,attr"`
}

type qmlRules struct {
	Type    string      `xml:"type,attr"`
	Levels  int         `xml:"symbollevels,attr"`
	Ordered int         `xml:"enableorderby,attr"`
	Root    qmlRule     `xml:"rules"`
	Symbols []qmlSymbol `xml:"symbols>symbol"`
	Order   *qmlOrder   `xml:"orderby>orderByClause,omitempty"`
}

type qmlOrder struct {
	Asc        int    `xml:"asc,attr"`
	NullsFirst int    `xml:"nullsFirst,attr"`
	By         string `xml:",chardata"`
}

type qmlRule struct {
	Key    string    `xml:"key,attr"`
	Label  string    `xml:"label,attr,omitempty"`
	Filter string    `xml:"filter,attr,omitempty"`
	Symbol string    `xml:"symbol,attr,omitempty"`
	Off    string    `xml:"checkstate,attr,omitempty"` // "0" switches it off
	Rules  []qmlRule `xml:"rule"`
}

type qmlSymbol struct {
	Name  string   `xml:"name,attr"`
	Type  string   `xml:"type,attr"`
	Alpha string   `xml:"alpha,attr"`
	Clip  int      `xml:"clip_to_extent,attr"`
	Layer qmlLayer `xml:"layer"`
}

type qmlLayer struct {
	Class   string     `xml:"class,attr"`
	Enabled int        `xml:"enabled,attr"`
	Pass    int        `xml:"pass,attr"`
	Props   qmlOption  `xml:"Option"`
	Old     []qmlProp  `xml:"prop"` // as releases before 3.20 have it
	Data    *qmlOption `xml:"data_defined_properties>Option,omitempty"`
}

type qmlProp struct {
	K string `xml:"k,attr"`
	V string `xml:"v,attr"`
}

type qmlOption struct {
	Type    string      `xml:"type,attr,omitempty"`
	Name    string      `xml:"name,attr,omitempty"`
	Value   *string     `xml:"value,attr"`
	Options []qmlOption `xml:"Option"`
}

type qmlLabels struct {
	Type     string      `xml:"type,attr"`
	Settings qmlSettings `xml:"settings"`
}

type qmlSettings struct {
	Callout   string       `xml:"calloutType,attr"`
	Text      qmlTextStyle `xml:"text-style"`
	Placement qmlAttrs     `xml:"placement"`
	Rendering qmlAttrs     `xml:"rendering"`
}

type qmlTextStyle struct {
	Attrs  qmlAttrs `xml:"-"`
	Buffer qmlAttrs `xml:"text-buffer"`
}

// MarshalXML writes the attributes, then the buffer.
func (t qmlTextStyle) MarshalXML(e *xml.Encoder, start xml.StartElement) error {
	start.Attr = t.Attrs.attr()
	if err := e.EncodeToken(start); err != nil {
		return err
	}
	if err := e.EncodeElement(t.Buffer, xml.StartElement{Name: xml.Name{Local: "text-buffer"}}); err != nil {
		return err
	}
	return e.EncodeToken(start.End())
}

// qmlAttrs is an element with nothing but attributes: name, value, name, ...
type qmlAttrs []string

func (a qmlAttrs) attr() (out []xml.Attr) {
	for i := 0; i+1 < len(a); i += 2 {
		out = append(out, xml.Attr{Name: xml.Name{Local: a[i]}, Value: a[i+1]})
	}
	return out
}

func (a qmlAttrs) MarshalXML(e *xml.Encoder, start xml.StartElement) error {
	start.Attr = a.attr()
	if err := e.EncodeToken(start); err != nil {
		return err
	}
	return e.EncodeToken(start.End())
}

// qgis is the condition as a QGIS expression.
func (c condition) qgis() string {
	name := `"` + c.field + `"`
	switch c.is {
	case equal:
		return name + " = '" + strings.ReplaceAll(c.text, "'", "''") + "'"
	case atLeast:
		return name + " >= " + shortest(c.number)
	case below:
		return name + " < " + shortest(c.number)
	case belowOrNull:
		return "(" + name + " IS NULL OR " + name + " < " + shortest(c.number) + ")"
	case isNull:
		return name + " IS NULL"
	}
	return name + " IS NOT NULL"
}

func qgisAll(all ...condition) string {
	var s []string
	for _, c := range all {
		s = append(s, c.qgis())
	}
	return strings.Join(s, " AND ")
}

// symbolLayer makes the one layer of a symbol: its fixed properties, and those
// that an expression sets (key and expression).
func symbolLayer(class string, props []qmlProp, data ...[2]string) qmlLayer {
	l := qmlLayer{Class: class, Enabled: 1, Old: props, Props: qmlOption{Type: "Map"}}
	for _, p := range props {
		l.Props.Options = append(l.Props.Options, qmlOption{Type: "QString", Name: p.K, Value: &p.V})
	}
	if len(data) > 0 {
		set := qmlOption{Type: "Map", Name: "properties"}
		yes, byExpression := "true", "3"
		for _, d := range data {
			set.Options = append(set.Options, qmlOption{Type: "Map", Name: d[0], Options: []qmlOption{
				{Type: "bool", Name: "active", Value: &yes}, {Type: "QString", Name: "expression", Value: &d[1]}, {Type: "int", Name: "type", Value: &byExpression},
			}})
		}
		none, kind := "", "collection"
		l.Data = &qmlOption{Type: "Map", Options: []qmlOption{{Type: "QString", Name: "name", Value: &none}, set, {Type: "QString", Name: "type", Value: &kind}}}
	}
	return l
}

// rgba is a colour as QGIS has it, from #rrggbb.
func rgba(colour string, alpha int) string {
	var r, g, b int
	fmt.Sscanf(colour, "#%02x%02x%02x", &r, &g, &b)
	return fmt.Sprintf("%d,%d,%d,%d", r, g, b, alpha)
}

// qgisFactor is the factor by which symbols are drawn at the scale of the map.
func qgisFactor() string {
	var b strings.Builder
	b.WriteString("CASE")
	for _, s := range scaleBands[:len(scaleBands)-1] {
		fmt.Fprintf(&b, " WHEN @map_scale >= %s THEN %s", shortest(s.from), shortest(s.factor))
	}
	fmt.Fprintf(&b, " ELSE %s END", shortest(scaleBands[len(scaleBands)-1].factor))
	return b.String()
}

// qgisStep picks a number by the step that a field is in.
func qgisStep(field string, steps []drawStep) string {
	var b strings.Builder
	b.WriteString("CASE")
	for k := len(steps) - 1; k > 0; k-- {
		fmt.Fprintf(&b, ` WHEN "%s" >= %s THEN %s`, field, shortest(steps[k].from), shortest(steps[k].mm))
	}
	fmt.Fprintf(&b, " ELSE %s END", shortest(steps[0].mm))
	return b.String()
}

func marker(name, shape, fill, stroke string, size, width float64, data ...[2]string) qmlSymbol {
	style := "solid"
	if width == 0 {
		style = "no"
	}
	return qmlSymbol{Name: name, Type: "marker", Alpha: "1", Clip: 1, Layer: symbolLayer("SimpleMarker", []qmlProp{
		{"name", shape}, {"color", fill}, {"outline_color", stroke}, {"outline_style", style},
		{"outline_width", shortest(width)}, {"outline_width_unit", "MM"}, {"size", shortest(size)}, {"size_unit", "MM"},
		{"scale_method", "diameter"},
	}, data...)}
}

// ruleSet collects rules and their symbols.
type ruleSet struct {
	rules   []qmlRule
	symbols []qmlSymbol
}

func (s *ruleSet) add(label string, filter string, symbol func(name string) qmlSymbol) qmlRule {
	name := fmt.Sprint(len(s.symbols))
	s.symbols = append(s.symbols, symbol(name))
	return qmlRule{Key: "rule" + name, Label: label, Filter: filter, Symbol: name}
}

func (s *ruleSet) group(label string, rules ...qmlRule) {
	s.rules = append(s.rules, qmlRule{Key: fmt.Sprintf("group%d", len(s.rules)), Label: label, Rules: rules})
}

// A tree is drawn by three rules, one upon the other: the ring, a dark disc that
// shows as its outline, and the colour of its soil. So the legend tells all three
// apart. Trees are drawn from those with most ground to those with least.
func treesQML(schema *layer.Schema, bounds soil.Bounds) string {
	var s ruleSet
	size := "(" + qgisStep("fail_yr", failureSteps) + ")"
	factor := "(" + qgisFactor() + ")"
	var rings, discs, soils []qmlRule
	for g := 1; g < len(girdlingSteps); g++ {
		mm := girdlingSteps[g].mm
		rings = append(rings, s.add(girdlingSteps[g].words, qgisAll(inStep("sgr_p", girdlingSteps, g)...), func(name string) qmlSymbol {
			return marker(name, "circle", rgba(unknownTone, 0), rgba(ink, 255), ringSize(failureSteps[1].mm, g, 1), mm,
				[2]string{"size", fmt.Sprintf("(%s + %s) * %s", size, shortest(ringSize(0, g, 1)), factor)},
				[2]string{"outlineWidth", fmt.Sprintf("%s * %s", shortest(mm), factor)})
		}))
	}
	for f := range failureSteps {
		mm := failureSteps[f].mm + 2*outlineMM
		discs = append(discs, s.add(failureSteps[f].words, qgisAll(append(inStep("fail_yr", failureSteps, f), wasAssessed)...), func(name string) qmlSymbol {
			return marker(name, "circle", rgba(ink, 255), rgba(ink, 255), mm, 0, [2]string{"size", fmt.Sprintf("%s * %s", shortest(mm), factor)})
		}))
	}
	disc := func(label, colour string, is ...condition) {
		soils = append(soils, s.add(label, qgisAll(is...), func(name string) qmlSymbol {
			return marker(name, "circle", rgba(colour, 255), rgba(ink, 255), failureSteps[1].mm, 0, [2]string{"size", size + " * " + factor})
		}))
	}
	for k := range soilTones {
		disc(toneWords(k, bounds), soilTones[k].colour, ofClass(k))
	}
	disc("ground not known", unknownTone, wasAssessed, withoutClass)
	soils = append(soils, s.add("gone or empty site, not assessed", qgisAll(notAssessed), func(name string) qmlSymbol {
		return marker(name, "cross2", rgba(ink, 255), rgba(ink, 255), failureSteps[0].mm, outlineMM, [2]string{"size", shortest(failureSteps[0].mm) + " * " + factor})
	}))
	s.group("Ring: chance of a girdled collar", rings...)
	s.group("Size: chance that the base fails", discs...)
	s.group("Colour: soil against need", soils...)
	q := s.qml(schema, 0)
	q.Renderer.Ordered, q.Renderer.Order = 1, &qmlOrder{Asc: 0, NullsFirst: 1, By: `"soil_pct"`}
	q.label(`"tree_id"`, labelScale, "TR,BR,TL,BL,R,L,TSR,BSR")
	q.Preview = `"tree_id"`
	q.Tip = treeTip
	return xmlText(q)
}

// label labels points by an expression, from a scale in; positions are those
// round the point that are tried, in order.
func (q *qmlRoot) label(expression string, from float64, positions string) {
	q.Labels = 1
	q.Labeling = &qmlLabels{Type: "simple", Settings: qmlSettings{
		Callout: "simple",
		Text: qmlTextStyle{
			Attrs: qmlAttrs{"isExpression", "1", "fieldName", expression, "fontSize", "8", "fontSizeUnit", "Point", "fontFamily", "Open Sans",
				"textColor", rgba(ink, 255), "textOpacity", "1", "fontWeight", "50", "multilineHeight", "1"},
			Buffer: qmlAttrs{"bufferDraw", "1", "bufferSize", "0.8", "bufferSizeUnits", "MM", "bufferColor", rgba("#ffffff", 255), "bufferOpacity", "1", "bufferNoFill", "1"},
		},
		// Round the point, farther off the bigger its disc.
		Placement: qmlAttrs{"placement", "6", "predefinedPositionOrder", positions, "dist", "3.5", "distUnits", "MM", "offsetType", "0", "priority", "5"},
		Rendering: qmlAttrs{"drawLabels", "1", "scaleVisibility", "1", "scaleMin", "1", "scaleMax", shortest(from), "obstacle", "1", "displayAll", "0"},
	}}
}

// A place in the worklist is a square with its number, or with day and stop of
// the crew; those first in the list lie on top. Labels stand on the left, where
// those of the trees are tried last.
func worklistQML(schema *layer.Schema) string {
	var s ruleSet
	factor := "(" + qgisFactor() + ")"
	for k, w := range workSteps {
		s.rules = append(s.rules, s.add(w.words, qgisAll(inWork(k)...), func(name string) qmlSymbol {
			return marker(name, "square", rgba(w.colour, 255), rgba(ink, 255), w.mm, 2*outlineMM, [2]string{"size", shortest(w.mm) + " * " + factor})
		}))
	}
	q := s.qml(schema, 0)
	q.Renderer.Ordered, q.Renderer.Order = 1, &qmlOrder{Asc: 0, By: `"rank"`}
	// Farther out those that come first alone have their numbers.
	number := `CASE WHEN "day" IS NULL THEN 'no. ' || "rank" ELSE 'day ' || "day" || ', stop ' || "stop" END`
	q.label(fmt.Sprintf(`CASE WHEN "rank" < %s OR @map_scale <= %s THEN %s END`, shortest(workSteps[len(workSteps)-1].from), shortest(labelScale), number), workLabels, "TL,BL,L,TR,BR,R")
	q.Preview = `"tree_id"`
	q.Tip = `<b>[% ` + escaped(`"tree_id"`) + ` %]</b>: [% ` + escaped(`coalesce("look", '')`) + ` %]<br>[% ` + escaped(`coalesce("cautions", '')`) + ` %]`
	return xmlText(q)
}

// treeTip is what QGIS shows under the pointer. The data go into HTML there, so
// they are escaped by an expression.
var treeTip = `<b>[% ` + escaped(`"tree_id"`) + ` %]</b> <i>[% ` + escaped(`coalesce("species", 'species unknown')`) + ` %]</i><br>` +
	`soil: [% coalesce("soil_class", 'not known') %] ([% coalesce(to_string(floor("soil_pct")), '-') %] % of its need)<br>` +
	`[% ` + escaped(`coalesce("why", '')`) + ` %]`

// escaped is the QGIS expression of a text as HTML.
func escaped(e string) string {
	for _, r := range [][2]string{{"&", "&amp;"}, {"<", "&lt;"}, {">", "&gt;"}} {
		e = fmt.Sprintf("replace(%s, '%s', '%s')", e, r[0], r[1])
	}
	return e
}

func openingsQML(schema *layer.Schema, bounds soil.Bounds) string {
	var s ruleSet
	shape := func(label, colour string, is condition) {
		s.rules = append(s.rules, s.add(label, is.qgis(), func(name string) qmlSymbol {
			return qmlSymbol{Name: name, Type: "fill", Alpha: "1", Clip: 1, Layer: symbolLayer("SimpleFill", []qmlProp{
				{"color", rgba(colour, int(math.Round(255*shareOpacity)))}, {"style", "solid"},
				{"outline_color", rgba(ink, 255)}, {"outline_style", "solid"}, {"outline_width", shortest(outlineMM)}, {"outline_width_unit", "MM"}, {"joinstyle", "round"},
			})}
		}))
	}
	for k := range soilTones {
		shape(toneWords(k, bounds), soilTones[k].colour, ofClass(k))
	}
	shape("ground not known", unknownTone, withoutClass)
	q := s.qml(schema, 2)
	q.ByScale, q.MinScale = 1, shortest(openingScale)
	q.Preview = `"tree_id"`
	return xmlText(q)
}

// qml makes the style of the rules; kind is 0 for points and 2 for polygons.
func (s *ruleSet) qml(schema *layer.Schema, kind int) *qmlRoot {
	q := &qmlRoot{
		Version: "3.22.0", Categories: "Symbology|Labeling|Fields|MapTips|Rendering", MinScale: "100000000", MaxScale: "0",
		Renderer: qmlRules{Type: "RuleRenderer", Root: qmlRule{Key: "all", Rules: s.rules}, Symbols: s.symbols},
		Opacity:  "1", GeometryKey: kind,
	}
	for i, f := range schema.Fields {
		if f.Alias != "" {
			name := f.Alias
			if f.Unit != "" {
				name += " (" + f.Unit + ")"
			}
			q.Aliases = append(q.Aliases, qmlAlias{i + 1, f.Name, name})
		}
	}
	return q
}
