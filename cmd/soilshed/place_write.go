package main

import (
	"context"
	"fmt"
	"io"
	"slices"

	"github.com/paulmach/orb"

	"soilshed/geo/ground"
	"soilshed/geo/layer"
)

// What place writes: the enlargements as polygons, the trees for which there is
// none as points, the spots for new trees, and the first two as a table.

// placeField is a field of what was found for a tree.
type placeField struct {
	outField
	from func(p *placing, x *shortTree) layer.Value
}

func ofGrown(get func(g *ground.Enlargement) layer.Value) func(*placing, *shortTree) layer.Value {
	return func(_ *placing, x *shortTree) layer.Value {
		if x.grown == nil {
			return layer.Value{}
		}
		return get(x.grown)
	}
}

var placeFields = []placeField{
	{outField{name: "tree_id", alias: "tree", doc: "Number of the tree, as in the layer trees."},
		func(p *placing, x *shortTree) layer.Value { return words(p.a.in.trees.id(x.tree)) }},
	{outField{name: "species", alias: "species", doc: "Species, as in the layer trees."},
		func(p *placing, x *shortTree) layer.Value {
			if s := p.a.sizeOf(x.tree); s.NameKnown {
				return words(s.Species.Latin)
			}
			return words(p.a.in.trees.species(x.tree))
		}},
	{outField{name: "street", alias: "street", doc: "Street, as recorded."},
		func(p *placing, x *shortTree) layer.Value { return words(p.a.in.trees.street(x.tree)) }},
	{outField{name: "result", alias: "result", doc: "enlarge; nothing to open (no paving that may be opened touches its opening within reach); not enough (all of it does not do); takes from a neighbour (it would leave one with less than its own)."},
		func(p *placing, x *shortTree) layer.Value { return words(x.result()) }},
	{outField{name: "side", alias: "side", doc: "Side or sides on which the opening grows, or all round."},
		ofGrown(func(g *ground.Enlargement) layer.Value { return words(sidesSay(g)) })},
	{outField{name: "by_m", usName: "by_ft", kind: layer.Real, of: lengthM, digits: 2, alias: "by", doc: "How far that side moves outwards from the frame of the opening."},
		ofGrown(func(g *ground.Enlargement) layer.Value { return number(g.ByM) })},
	{outField{name: "dig_m2", usName: "dig_ft2", kind: layer.Real, of: areaM2, digits: 2, alias: "paving to open", doc: "Paved ground to open."},
		ofGrown(func(g *ground.Enlargement) layer.Value { return number(g.AreaM2) })},
	{outField{name: "depth_m", usName: "depth_ft", kind: layer.Real, of: lengthM, digits: 2, alias: "depth", doc: "Usable depth of soil there, mean."},
		ofGrown(func(g *ground.Enlargement) layer.Value { return positive(g.DepthM) })},
	{outField{name: "was_m3", usName: "was_ft3", kind: layer.Real, of: volumeM3, digits: 2, alias: "soil now", doc: "Available soil volume now."},
		func(_ *placing, x *shortTree) layer.Value { return number(x.was.soilM3) }},
	{outField{name: "is_m3", usName: "is_ft3", kind: layer.Real, of: volumeM3, digits: 2, alias: "soil then", doc: "Available soil volume with the enlargement; of a tree without one, the most that it can get."},
		func(_ *placing, x *shortTree) layer.Value {
			if x.grown != nil {
				return number(x.grown.After.SoilM3)
			}
			return number(x.refusal.MostM3)
		}},
	{outField{name: "need_m3", usName: "need_ft3", kind: layer.Real, of: volumeM3, digits: 2, alias: "need", doc: "What it shall have: --up-to of its need."},
		func(_ *placing, x *shortTree) layer.Value { return number(x.needM3) }},
	{outField{name: "why", alias: "in words", doc: "What is found, or why nothing is."},
		func(p *placing, x *shortTree) layer.Value { return words(p.a.local(p.why(x))) }},
	{outField{name: "cautions", alias: "cautions", doc: "What to mind."},
		func(p *placing, x *shortTree) layer.Value { return words(p.a.local(p.cautions(x))) }},
}

// spotField is a field of the layer spots.
type spotField struct {
	outField
	from func(p *placing, s *spot) layer.Value
}

var spotFields = []spotField{
	{outField{name: "line", kind: layer.Integer, alias: "line", doc: "Line along which it lies, by its place in the file of --along."},
		func(_ *placing, s *spot) layer.Value { return layer.Whole(int64(s.line)) }},
	{outField{name: "along_m", usName: "along_ft", kind: layer.Real, of: lengthM, digits: 1, alias: "along the line", doc: "How far along the line."},
		func(_ *placing, s *spot) layer.Value { return number(s.alongM) }},
	{outField{name: "size", alias: "size", doc: "Mature size of the new tree."},
		func(p *placing, s *spot) layer.Value { return words(p.o.newTree) }},
	{outField{name: "soil_m3", usName: "soil_ft3", kind: layer.Real, of: volumeM3, digits: 2, alias: "soil", doc: "Available soil volume that it would have, with all other trees and the spots before it."},
		func(_ *placing, s *spot) layer.Value { return number(s.site.SoilM3) }},
	{outField{name: "need_m3", usName: "need_ft3", kind: layer.Real, of: volumeM3, digits: 2, alias: "need", doc: "What the table of --standard asks for that size, alone or shared; --up-to of it."},
		func(_ *placing, s *spot) layer.Value { return number(s.needM3) }},
	{outField{name: "mates", kind: layer.Integer, alias: "other trees in it", doc: "Other stems in the opening."},
		func(_ *placing, s *spot) layer.Value { return layer.Whole(int64(s.site.Mates)) }},
	{outField{name: "free_m", usName: "free_ft", kind: layer.Real, of: lengthM, digits: 2, alias: "shortest reach", doc: "Shortest free distance from the stem to hard ground."},
		func(_ *placing, s *spot) layer.Value { return number(s.site.ShortM) }},
	{outField{name: "cautions", alias: "cautions", doc: "What to mind."},
		func(_ *placing, s *spot) layer.Value { return words(spotCaution) }},
}

const spotCaution = placeCaution + " Nothing here knows of lines overhead, sight lines, doors, drives to come or the species that will do."

// write writes the layers and the table.
func (p *placing) write(ctx context.Context, h *hold) error {
	a, o := p.a, p.o
	us, system := o.units == "us", layer.SystemFor(o.out, a.in.system)
	fields := func() (list []layer.Field) {
		for i := range placeFields {
			list = append(list, placeFields[i].field(us))
		}
		return list
	}
	schemas := []layer.Schema{
		{Name: "places", Title: "Paving to open so that short trees have ground enough", Abstract: caution, System: system, Shape: layer.Polygons, Fields: fields()},
		{Name: "refused", Title: "Short trees for which no opening does", Abstract: caution, System: system, Shape: layer.Points, Fields: fields()},
		{Name: "spots", Title: "Spots where a new tree has ground enough", Abstract: caution, System: system, Shape: layer.Points},
	}
	for i := range spotFields {
		schemas[2].Fields = append(schemas[2].Fields, spotFields[i].field(us))
	}
	to, _, err := a.in.plane.To(system)
	if err != nil {
		return &layer.Error{File: o.out, Err: err}
	}
	sink, err := layer.Create(o.out, schemas, layer.CreateOptions{Changed: a.changed(), Metadata: a.metadata(), Styles: placeStyles(schemas)})
	if err != nil {
		return err
	}
	defer sink.Abort()
	table, err := layer.CreateTable(layer.TablePath(o.out, "table"), layer.Schema{Name: "table", Fields: fields()})
	if err != nil {
		return err
	}
	defer table.Abort()
	draw := &writer{to: to, system: system}
	var n [3]int64
	for k := range p.places {
		if k%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		x := &p.places[k]
		f := layer.Feature{FID: int64(k + 1)}
		for i := range placeFields {
			pf := &placeFields[i]
			f.Values = append(f.Values, pf.written(pf.from(p, x), us))
		}
		if err := table.Write(f); err != nil {
			return err
		}
		into := 1
		if x.grown != nil && len(x.grown.Polygons) > 0 {
			into = 0
			if f.Geometry, err = draw.multi(x.grown.Polygons); err != nil {
				return &layer.Error{File: o.out, Layer: "places", Err: err}
			}
		} else {
			px, py, err := to(a.in.at[x.tree])
			if err != nil {
				return &layer.Error{File: o.out, Layer: "refused", Err: err}
			}
			f.Geometry = orb.Point{px, py}
		}
		n[into]++
		f.FID = n[into]
		if err := sink.Write(into, f); err != nil {
			return err
		}
	}
	for k := range p.spots {
		s := &p.spots[k]
		px, py, err := to(s.at)
		if err != nil {
			return &layer.Error{File: o.out, Layer: "spots", Err: err}
		}
		f := layer.Feature{FID: int64(k + 1), Geometry: orb.Point{px, py}}
		for i := range spotFields {
			sf := &spotFields[i]
			f.Values = append(f.Values, sf.written(sf.from(p, s), us))
		}
		if err := sink.Write(2, f); err != nil {
			return err
		}
	}
	if err := h.settle(ctx); err != nil {
		return err
	}
	if err := sink.Commit(); err != nil {
		return err
	}
	return table.Commit()
}

// placeTones draw what was found.
var placeTones = []tone{
	{value: "enlarge", colour: "#1b9e77", shape: "circle", words: "Open this", mm: 2.4},
	{value: "not enough", colour: "#fd8d3c", shape: "circle", words: "All that may be opened is not enough", mm: 2.4},
	{value: "takes from a neighbour", colour: "#7570b3", shape: "circle", words: "Would take from a neighbour", mm: 2.4},
	{value: "nothing to open", colour: unknownTone, shape: "circle", words: "Nothing to open within reach", mm: 1.8},
}

func placeStyles(schemas []layer.Schema) []layer.Style {
	spots := []tone{}
	for _, size := range sizeNames() {
		spots = append(spots, tone{value: size, colour: "#1b9e77", shape: "triangle", words: "Spot for a " + size + " tree", mm: 3})
	}
	style := func(k, kind int, name, field string, tones []tone) layer.Style {
		return layer.Style{Layer: k, Name: name, QML: tonedQML(&schemas[k], kind, field, "", []string{""}, tones), SLD: tonedSLD(&schemas[k], field, "", []string{""}, tones)}
	}
	return []layer.Style{
		style(0, 2, "paving to open", "result", placeTones[:1]),
		style(1, 0, "trees for which nothing is found", "result", placeTones),
		style(2, 0, "spots for new trees", "size", spots),
	}
}

// placesShown is how many lines of each kind are printed.
const placesShown = 15

// tell prints what was found.
func (p *placing) tell(w io.Writer) {
	a := p.a
	a.tellInputs(w)
	if len(p.offers) > 0 {
		counts := map[string]int{}
		area := 0.0
		var found []*shortTree
		for k := range p.places {
			x := &p.places[k]
			counts[x.result()]++
			if x.grown != nil {
				area += x.grown.AreaM2
				found = append(found, x)
			}
		}
		slices.SortStableFunc(found, func(x, y *shortTree) int {
			switch {
			case x.grown.AreaM2 < y.grown.AreaM2:
				return -1
			case x.grown.AreaM2 > y.grown.AreaM2:
				return 1
			}
			return x.tree - y.tree
		})
		fmt.Fprintf(w, "\nShort trees (below %g %% of the need by %s)\n", p.o.upTo, a.model.Need)
		fmt.Fprintf(w, "  %-24s %5s\n", "in all", grouped(p.short))
		for _, t := range placeTones {
			fmt.Fprintf(w, "  %-24s %5s\n", t.value, grouped(counts[t.value]))
		}
		if len(found) > 0 {
			fmt.Fprintf(w, "\nSmallest enlargements, least digging first; %s in all\n", a.local(fmt.Sprintf("%.1f m2", area)))
		}
		for _, x := range found[:min(placesShown, len(found))] {
			fmt.Fprintln(w, indent(wrap(a.in.trees.id(x.tree)+": "+a.local(p.why(x)), 92), "  ", "    "))
		}
		shown := 0
		for k := range p.places {
			x := &p.places[k]
			if x.grown != nil || x.refusal.Nothing {
				continue
			}
			if shown == 0 {
				fmt.Fprintln(w, "\nNot to be had")
			}
			if shown++; shown <= placesShown {
				fmt.Fprintln(w, indent(wrap(a.in.trees.id(x.tree)+": "+a.local(p.why(x)), 92), "  ", "    "))
			}
		}
		if shown > placesShown {
			fmt.Fprintf(w, "  and %s more\n", grouped(shown-placesShown))
		}
		fmt.Fprintf(w, "\n%s\n", wrap("Each is found by itself, on today's ground: of two neighbours that both grow, the second may find less. Draw what you choose and run compare. "+
			"Smallest means: among rectangles along the opening's longest edge, grown on one side, on two by the same depth, or all round, cut to what may be opened, to the reach and to the middle lines to the neighbours. "+
			"A neighbour keeps what it has, or at least what it needs.", 92))
	}
	if len(p.lines) > 0 {
		fmt.Fprintf(w, "\nSpots for new trees, %s at maturity: %s (%s tried)\n", p.o.newTree, grouped(len(p.spots)), grouped(p.tried))
		for k := range p.spots {
			if k == placesShown {
				fmt.Fprintf(w, "  and %s more\n", grouped(len(p.spots)-k))
				break
			}
			s := &p.spots[k]
			fmt.Fprintf(w, "  %s\n", a.local(fmt.Sprintf("line %d, %.1f m along: %.1f m3, needs %.1f m3", s.line, s.alongM, s.site.SoilM3, s.needM3)))
		}
		fmt.Fprintf(w, "%s\n", wrap(fmt.Sprintf("A spot stands in open ground, %s at least from other stems, has what %s's table asks for, and leaves every neighbour what it has, or what it needs. Spots are taken from the beginning of each line, each with those before it.",
			a.local(fmt.Sprintf("%g m", p.o.spacing)), a.model.Standard.Name), 92))
	}
	if p.o.out != "" {
		fmt.Fprintf(w, "\nWritten: %s, %s\n", p.o.out, layer.TablePath(p.o.out, "table"))
	}
	fmt.Fprintf(w, "\n%s\n", wrap(caution, 92))
}
