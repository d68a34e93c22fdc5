package main

import (
	"encoding/xml"
	"math"
	"strconv"

	"soilshed/risk/soil"
)

// OGC Styled Layer Descriptor 1.0.0 (OGC 02-070), which readers of 1.1 take too.

type sldRoot struct {
	XMLName xml.Name `xml:"StyledLayerDescriptor"`
	Version string   `xml:"version,attr"`
	NS      string   `xml:"xmlns,attr"`
	OGC     string   `xml:"xmlns:ogc,attr"`
	Layer   sldLayer `xml:"NamedLayer"`
}

type sldLayer struct {
	Name     string    `xml:"Name"`
	Title    string    `xml:"UserStyle>Title"`
	Abstract string    `xml:"UserStyle>Abstract"`
	Types    []sldType `xml:"UserStyle>FeatureTypeStyle"`
}

// sldType is a pass over the features: a later one is drawn over the earlier.
type sldType struct {
	Rules []sldRule `xml:"Rule"`
}

type sldRule struct {
	Name    string      `xml:"Name,omitempty"`
	Title   string      `xml:"Title,omitempty"`
	Filter  *ogcFilter  `xml:"ogc:Filter,omitempty"`
	MinDen  string      `xml:"MinScaleDenominator,omitempty"`
	MaxDen  string      `xml:"MaxScaleDenominator,omitempty"`
	Polygon *sldPolygon `xml:"PolygonSymbolizer,omitempty"`
	Point   *sldGraphic `xml:"PointSymbolizer>Graphic,omitempty"`
	Text    *sldText    `xml:"TextSymbolizer,omitempty"`
}

type sldGraphic struct {
	Name   string    `xml:"Mark>WellKnownName"`
	Fill   *sldPaint `xml:"Mark>Fill,omitempty"`
	Stroke *sldPaint `xml:"Mark>Stroke,omitempty"`
	Size   string    `xml:"Size"`
}

type sldPolygon struct {
	Fill   *sldPaint `xml:"Fill"`
	Stroke *sldPaint `xml:"Stroke"`
}

type sldText struct {
	Label  string    `xml:"Label>ogc:PropertyName"`
	Font   *sldPaint `xml:"Font"`
	AX     string    `xml:"LabelPlacement>PointPlacement>AnchorPoint>AnchorPointX"`
	AY     string    `xml:"LabelPlacement>PointPlacement>AnchorPoint>AnchorPointY"`
	DX     string    `xml:"LabelPlacement>PointPlacement>Displacement>DisplacementX"`
	DY     string    `xml:"LabelPlacement>PointPlacement>Displacement>DisplacementY"`
	Radius string    `xml:"Halo>Radius"`
	Halo   *sldPaint `xml:"Halo>Fill"`
	Fill   *sldPaint `xml:"Fill"`
}

type sldPaint struct {
	Params []sldParam `xml:"CssParameter"`
}

type sldParam struct {
	Name  string `xml:"name,attr"`
	Value string `xml:",chardata"`
}

type ogcFilter struct{ Inner []ogcTerm }

// ogcTerm is an element of a filter: an operator over a property and a literal,
// or over other terms.
type ogcTerm struct {
	XMLName  xml.Name
	Property string    `xml:"ogc:PropertyName,omitempty"`
	Literal  string    `xml:"ogc:Literal,omitempty"`
	Terms    []ogcTerm `xml:",any"`
}

func ogc(name string) xml.Name { return xml.Name{Local: "ogc:" + name} }

func (c condition) ogc() ogcTerm {
	compare := func(op string) ogcTerm {
		return ogcTerm{XMLName: ogc(op), Property: c.field, Literal: shortest(c.number)}
	}
	null := ogcTerm{XMLName: ogc("PropertyIsNull"), Property: c.field}
	switch c.is {
	case equal:
		return ogcTerm{XMLName: ogc("PropertyIsEqualTo"), Property: c.field, Literal: c.text}
	case atLeast:
		return compare("PropertyIsGreaterThanOrEqualTo")
	case below:
		return compare("PropertyIsLessThan")
	case belowOrNull:
		return ogcTerm{XMLName: ogc("Or"), Terms: []ogcTerm{null, compare("PropertyIsLessThan")}}
	case isNull:
		return null
	}
	return ogcTerm{XMLName: ogc("Not"), Terms: []ogcTerm{null}}
}

func ogcAll(all ...condition) *ogcFilter {
	var terms []ogcTerm
	for _, c := range all {
		terms = append(terms, c.ogc())
	}
	if len(terms) > 1 {
		terms = []ogcTerm{{XMLName: ogc("And"), Terms: terms}}
	}
	return &ogcFilter{terms}
}

// sldPixelMM is the size of a pixel in SLD: 0.28 mm (OGC 02-070, 10.2).
const sldPixelMM = 0.28

// pixels turns millimetres on paper into pixels, to a tenth.
func pixels(mm float64) string { return shortest(math.Round(mm/sldPixelMM*10) / 10) }

func shortest(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func fillOf(colour string, opacity float64) *sldPaint {
	return &sldPaint{[]sldParam{{"fill", colour}, {"fill-opacity", shortest(opacity)}}}
}

func strokeOf(colour string, mm float64) *sldPaint {
	return &sldPaint{[]sldParam{{"stroke", colour}, {"stroke-width", pixels(mm)}}}
}

// within puts a rule into a band of scales.
func (r sldRule) within(from, to float64) sldRule {
	if from > 0 {
		r.MinDen = shortest(from)
	}
	if to > 0 {
		r.MaxDen = shortest(to)
	}
	return r
}

func treesSLD(bounds soil.Bounds) string {
	var rings, discs []sldRule
	for _, band := range scaleBands {
		for f := range failureSteps {
			size := failureSteps[f].mm * band.factor
			inSize := inStep("fail_yr", failureSteps, f)
			for g := 1; g < len(girdlingSteps); g++ {
				rings = append(rings, sldRule{
					Title:  "Girdling " + girdlingSteps[g].words + "; base fails " + failureSteps[f].words,
					Filter: ogcAll(append(inStep("sgr_p", girdlingSteps, g), inSize...)...),
					Point:  &sldGraphic{Name: "circle", Fill: fillOf(unknownTone, 0), Stroke: strokeOf(ink, girdlingSteps[g].mm*band.factor), Size: pixels(ringSize(size, g, band.factor))},
				}.within(band.from, band.to))
			}
			disc := func(title, colour string, is ...condition) {
				discs = append(discs, sldRule{
					Title: title + "; base fails " + failureSteps[f].words, Filter: ogcAll(append(is, inSize...)...),
					Point: &sldGraphic{Name: "circle", Fill: fillOf(colour, 1), Stroke: strokeOf(ink, outlineMM*band.factor), Size: pixels(size)},
				}.within(band.from, band.to))
			}
			disc("Ground not known", unknownTone, wasAssessed, withoutClass)
			for k := len(soilTones) - 1; k >= 0; k-- {
				disc(toneWords(k, bounds), soilTones[k].colour, ofClass(k))
			}
		}
		discs = append(discs, sldRule{
			Title: "Gone or empty site, not assessed", Filter: ogcAll(notAssessed),
			Point: &sldGraphic{Name: "x", Fill: fillOf(ink, 1), Stroke: strokeOf(ink, outlineMM*band.factor), Size: pixels(failureSteps[0].mm * band.factor)},
		}.within(band.from, band.to))
	}
	labels := []sldRule{sldRule{Title: "Number of the tree", Text: &sldText{
		Label: "tree_id", Font: &sldPaint{[]sldParam{{"font-family", "sans-serif"}, {"font-size", "11"}}},
		AX: "0", AY: "0.5", DX: "9", DY: "6", Radius: "1.5", Halo: fillOf("#ffffff", 1), Fill: fillOf(ink, 1),
	}}.within(0, labelScale)}
	return sldOf("trees", "Soil by colour, girdling by ring, failure by size", rings, discs, labels)
}

// worklistSLD draws places in the worklist, those first in the list on top, each
// with its number.
func worklistSLD() string {
	var passes [][]sldRule
	for k := len(workSteps) - 1; k >= 0; k-- {
		var squares []sldRule
		for _, band := range scaleBands {
			squares = append(squares, sldRule{Title: workSteps[k].words, Filter: ogcAll(inWork(k)...),
				Point: &sldGraphic{Name: "square", Fill: fillOf(workSteps[k].colour, 1), Stroke: strokeOf(ink, 2*outlineMM*band.factor), Size: pixels(workSteps[k].mm * band.factor)},
			}.within(band.from, band.to))
		}
		passes = append(passes, squares)
	}
	// Farther out those that come first alone have their numbers.
	var labels []sldRule
	for k := range workSteps {
		from := float64(workLabels)
		if k == len(workSteps)-1 {
			from = labelScale
		}
		labels = append(labels, sldRule{Title: "Place in the list", Filter: ogcAll(inWork(k)...), Text: &sldText{
			Label: "rank", Font: &sldPaint{[]sldParam{{"font-family", "sans-serif"}, {"font-size", "11"}}},
			AX: "1", AY: "0.5", DX: "-9", DY: "6", Radius: "1.5", Halo: fillOf("#ffffff", 1), Fill: fillOf(ink, 1),
		}}.within(0, from))
	}
	return sldOf("worklist", "Places in the worklist: the darker, the sooner", append(passes, labels)...)
}

// outlineMM is the width of the line round discs and shares.
const outlineMM = 0.2

// ringSize is the diameter of the ring round a disc, to the middle of its line:
// a gap of a line's width lies between the two.
func ringSize(discMM float64, g int, factor float64) float64 {
	return discMM + (0.8+girdlingSteps[g].mm)*factor
}

func openingsSLD(bounds soil.Bounds) string {
	var rules []sldRule
	shape := func(title, colour string, is condition) {
		rules = append(rules, sldRule{Title: title, Filter: ogcAll(is), Polygon: &sldPolygon{Fill: fillOf(colour, shareOpacity), Stroke: strokeOf(ink, outlineMM)}}.within(0, openingScale))
	}
	for k := range soilTones {
		shape(toneWords(k, bounds), soilTones[k].colour, ofClass(k))
	}
	shape("Ground not known", unknownTone, withoutClass)
	return sldOf("openings", "Each tree's share of open ground, by soil class", rules)
}

const shareOpacity = 0.5

func sldOf(layer, title string, passes ...[]sldRule) string {
	r := sldRoot{Version: "1.0.0", NS: "http://www.opengis.net/sld", OGC: "http://www.opengis.net/ogc", Layer: sldLayer{Name: layer, Title: title, Abstract: caution}}
	for _, p := range passes {
		r.Layer.Types = append(r.Layer.Types, sldType{p})
	}
	return xmlText(r)
}

// xmlText is v as an XML document.
func xmlText(v any) string {
	b, err := xml.MarshalIndent(v, "", " ")
	if err != nil {
		panic(err) // the tables above cannot be written as XML: a test sees it
	}
	return xml.Header + string(b) + "\n"
}
