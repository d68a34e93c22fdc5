package main

import (
	"context"
	"encoding/json"
	"math"
	"slices"

	"github.com/paulmach/orb"

	"soilshed/geo"
	"soilshed/geo/layer"
)

// The layer of differences: what each proposal does to each tree, and what is to
// be built, for a desktop GIS.

// outcome is what a proposal does for a tree, in one word of the map.
type outcome uint8

const (
	broughtUp outcome = iota
	gains
	same
	loses
	fallsBelow
	plantedUp
	plantedShort
	isRemoved
	notKnown // dead on record, or of unknown ground, in one of the two
	outcomes
)

var outcomeNames = [outcomes]string{"brought up", "gains", "same", "loses", "falls below", "planted, up to it", "planted, short", "removed", "not compared"}

func (o outcome) String() string { return outcomeNames[o] }

// outcome of tree t in proposal k.
func (c *sideBySide) outcome(t *comparedTree, k int) outcome {
	was, is := c.row(t, 0), c.row(t, k)
	switch t.fate(k) {
	case removed:
		return isRemoved
	case planted:
		if is != nil && is.upTo() {
			return plantedUp
		}
		return plantedShort
	}
	if was == nil || is == nil || was.how == uncoveredGround || is.how == uncoveredGround {
		return notKnown
	}
	d := is.hasSoil() - was.hasSoil()
	switch {
	case !was.upTo() && is.upTo():
		return broughtUp
	case was.upTo() && !is.upTo():
		return fallsBelow
	case d > soilNoiseM3:
		return gains
	case d < -soilNoiseM3:
		return loses
	}
	return same
}

// treeChange is one tree in one proposal.
type treeChange struct {
	c       *sideBySide
	t       *comparedTree
	k       int
	was, is *row
}

// last is the assessment, and the place in it, that says what the tree is: the
// proposal's where it stands there, else today's.
func (x *treeChange) last() (*assessment, int) {
	if i := x.t.in[x.k]; i >= 0 {
		return x.c.schemes[x.k].a, i
	}
	return x.c.schemes[0].a, x.t.in[0]
}

// changeField is a field of the layer differences.
type changeField struct {
	outField
	from func(x *treeChange) layer.Value
}

// wasIs makes the two fields of a number before and after.
func wasIs(f outField, was, is string, usWas, usIs string, get func(r *row) float64) []changeField {
	of := func(pick func(x *treeChange) *row) func(x *treeChange) layer.Value {
		return func(x *treeChange) layer.Value {
			if r := pick(x); r != nil {
				return number(get(r))
			}
			return layer.Value{}
		}
	}
	a, b := f, f
	a.name, a.usName, a.alias, a.doc = was, usWas, f.alias+", today", f.doc+" Today."
	b.name, b.usName, b.alias, b.doc = is, usIs, f.alias+", proposal", f.doc+" In the proposal."
	return []changeField{
		{a, of(func(x *treeChange) *row { return x.was })},
		{b, of(func(x *treeChange) *row { return x.is })},
	}
}

// onlyWhere gives NaN where the ground is not known.
func onlyWhere(get func(r *row) float64) func(r *row) float64 {
	return func(r *row) float64 {
		if r.how == uncoveredGround {
			return math.NaN()
		}
		return get(r)
	}
}

var differenceFields = func() []changeField {
	list := []changeField{
		{outField{name: "option", alias: "proposal", doc: "Name of the proposal: that of its configuration file."},
			func(x *treeChange) layer.Value { return words(x.c.schemes[x.k].name) }},
		{outField{name: "tree_id", alias: "tree", doc: "Number of the tree, as in the layer trees."},
			func(x *treeChange) layer.Value { return words(x.t.id) }},
		{outField{name: "species", alias: "species", doc: "Species, as in the layer trees."},
			func(x *treeChange) layer.Value {
				a, i := x.last()
				if s := a.sizeOf(i); s.NameKnown {
					return words(s.Species.Latin)
				}
				return words(a.in.trees.species(i))
			}},
		{outField{name: "outcome", alias: "outcome", doc: "brought up (to the standard), gains, same, loses, falls below (the standard), planted (up to it, or short), removed, not compared (dead on record, or its ground is not known)."},
			func(x *treeChange) layer.Value { return words(x.c.outcome(x.t, x.k).String()) }},
		{outField{name: "ground", alias: "ground found", doc: "How its ground was found in the proposal, as in the layer trees. recorded or assumed: it stands on paving there."},
			func(x *treeChange) layer.Value {
				if x.is == nil {
					return layer.Value{}
				}
				return words(x.is.how.String())
			}},
		{outField{name: "diff_m3", usName: "diff_ft3", kind: layer.Real, of: volumeM3, digits: 2, alias: "soil gained", doc: "Available soil in the proposal less that of today; below 0 it loses."},
			func(x *treeChange) layer.Value {
				if x.was == nil || x.is == nil || x.was.how == uncoveredGround || x.is.how == uncoveredGround {
					return layer.Value{}
				}
				return number(x.is.soilM3 - x.was.soilM3)
			}},
	}
	add := func(f []changeField) { list = append(list, f...) }
	add(wasIs(outField{kind: layer.Real, of: volumeM3, digits: 2, alias: "soil", doc: "Available soil volume."}, "was_m3", "is_m3", "was_ft3", "is_ft3", onlyWhere(func(r *row) float64 { return r.soilM3 })))
	add(wasIs(outField{kind: layer.Real, unit: "%", digits: 1, alias: "soil of need", doc: "100 x available soil volume / need, rounded down."}, "was_pct", "is_pct", "", "", soilPct))
	add(wasIs(outField{kind: layer.Real, unit: "days", digits: 1, alias: "dry days", doc: "Mean days of water stress in a growing season."}, "was_dry", "is_dry", "", "", onlyWhere(func(r *row) float64 { return r.res.DryDays })))
	add(wasIs(outField{kind: layer.Real, of: speedMS, digits: 1, alias: "gust of failure", doc: "Gust at which the base fails with even odds; empty beyond 100 m/s."}, "was_ms", "is_ms", "was_mph", "is_mph", func(r *row) float64 {
		if r.res.GustMS > mostGustMS {
			return math.NaN()
		}
		return r.res.GustMS
	}))
	add(wasIs(outField{kind: layer.Real, digits: 6, alias: "failure a year", doc: "Yearly probability that the base fails. It compares, and rates no tree."}, "was_fail", "is_fail", "", "", func(r *row) float64 { return r.res.FailYr }))
	return list
}()

// differenceField finds a field of the layer by name.
func differenceField(name string) *changeField {
	k := slices.IndexFunc(differenceFields, func(f changeField) bool { return f.name == name })
	return &differenceFields[k]
}

// work is a polygon of what a proposal has to build.
type work struct {
	option         string
	what           string
	areaM2         float64
	depthM, usable float64 // 0 when it has none
	polygon        [][]geo.XY
}

// workField is a field of the layer works.
type workPieceField struct {
	outField
	from func(w *work) layer.Value
}

// positive is a number, null when it is 0.
func positive(v float64) layer.Value {
	if v == 0 {
		return layer.Value{}
	}
	return number(v)
}

var pieceFields = []workPieceField{
	{outField{name: "option", alias: "proposal", doc: "Name of the proposal."}, func(w *work) layer.Value { return words(w.option) }},
	{outField{name: "change", alias: "change", doc: "opened (paved today, open in the proposal), closed (the other way round), underlaid (paving over rootable ground that is new, or of another depth or mix), closed and underlaid, rootable ground lost."},
		func(w *work) layer.Value { return words(w.what) }},
	{outField{name: "area_m2", usName: "area_ft2", kind: layer.Real, of: areaM2, digits: 2, alias: "area", doc: "Area of the piece. Long pieces are cut along a grid of 200 m."},
		func(w *work) layer.Value { return number(w.areaM2) }},
	{outField{name: "depth_m", usName: "depth_ft", kind: layer.Real, of: lengthM, digits: 2, alias: "depth", doc: "Usable depth of soil where ground is opened, depth of the rootable ground where it is underlaid."},
		func(w *work) layer.Value { return positive(w.depthM) }},
	{outField{name: "usable", kind: layer.Real, digits: 2, alias: "part that is soil", doc: "Part of that volume that is soil."},
		func(w *work) layer.Value { return positive(w.usable) }},
	{outField{name: "volume_m3", usName: "volume_ft3", kind: layer.Real, of: volumeM3, digits: 2, alias: "volume", doc: "Area x depth."},
		func(w *work) layer.Value { return positive(w.areaM2 * w.depthM) }},
}

// leastPieceM2 is the area below which a piece is not drawn: a line where two
// layers were drawn or written a hair apart. The sums hold it.
const leastPieceM2 = 0.01

// works lists the pieces of proposal k.
func (c *sideBySide) works(k int) (list []work) {
	s := c.schemes[k]
	for i := range s.takeoff.changes {
		x := &s.takeoff.changes[i]
		for _, p := range x.Polygons {
			if a := ringsAreaM2(p); a >= leastPieceM2 {
				list = append(list, work{s.name, x.What.String(), a, x.DepthM, x.Usable, p})
			}
		}
	}
	return list
}

// ringsAreaM2 is the area of a polygon of rings, holes turning the other way.
func ringsAreaM2(rings [][]geo.XY) float64 {
	sum := 0.0
	for _, r := range rings {
		o := r[0] // small numbers lose less
		for i := range r {
			a, b := r[i].Sub(o), r[(i+1)%len(r)].Sub(o)
			sum += (a.X*b.Y - a.Y*b.X) / 2
		}
	}
	return sum
}

// differenceSchemas are the schemas of both layers.
func (c *sideBySide) differenceSchemas(file string) []layer.Schema {
	a := c.schemes[0].a
	us, system := a.o.units == "us", layer.SystemFor(file, a.in.system)
	trees := layer.Schema{Name: "differences", Title: "What each proposal does for each tree", Abstract: caution, System: system, Shape: layer.Points}
	for i := range differenceFields {
		trees.Fields = append(trees.Fields, differenceFields[i].field(us))
	}
	pieces := layer.Schema{Name: "works", Title: "What each proposal opens, closes and underlays", Abstract: caution, System: system, Shape: layer.Polygons}
	for i := range pieceFields {
		pieces.Fields = append(pieces.Fields, pieceFields[i].field(us))
	}
	return []layer.Schema{trees, pieces}
}

// writeLayer writes both layers aside.
func (c *sideBySide) writeLayer(ctx context.Context, file string) (sink layer.Sink, err error) {
	a := c.schemes[0].a
	us := a.o.units == "us"
	schemas := c.differenceSchemas(file)
	to, _, err := a.in.plane.To(schemas[0].System)
	if err != nil {
		return nil, &layer.Error{File: file, Err: err}
	}
	for _, s := range c.schemes { // the output carries the time of the newest input
		a.in.report.newest = max(a.in.report.newest, s.a.in.report.newest)
	}
	if sink, err = layer.Create(file, schemas, layer.CreateOptions{Changed: a.changed(), Metadata: c.metadata(), Styles: c.styles(schemas)}); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			sink.Abort()
		}
	}()
	draw := &writer{to: to, system: schemas[0].System}
	fid, piece := int64(0), int64(0)
	for k := 1; k < len(c.schemes); k++ {
		for i := range c.trees {
			if i%1024 == 0 && ctx.Err() != nil {
				return sink, ctx.Err()
			}
			t := &c.trees[i]
			if t.fate(k) == absent {
				continue
			}
			x := &treeChange{c, t, k, c.row(t, 0), c.row(t, k)}
			from, j := x.last()
			px, py, err := to(from.in.at[j])
			if err != nil {
				return sink, &layer.Error{File: file, Layer: "differences", Err: err}
			}
			fid++
			f := layer.Feature{FID: fid, Geometry: orb.Point{px, py}}
			for n := range differenceFields {
				d := &differenceFields[n]
				f.Values = append(f.Values, d.written(d.from(x), us))
			}
			if err = sink.Write(0, f); err != nil {
				return sink, err
			}
		}
		for _, w := range c.works(k) {
			g, err := draw.multi([][][]geo.XY{w.polygon})
			if err != nil {
				return sink, &layer.Error{File: file, Layer: "works", Err: err}
			}
			piece++
			f := layer.Feature{FID: piece, Geometry: g}
			for n := range pieceFields {
				p := &pieceFields[n]
				f.Values = append(f.Values, p.written(p.from(&w), us))
			}
			if err = sink.Write(1, f); err != nil {
				return sink, err
			}
		}
	}
	return sink, nil
}

// metadata is the text that goes with the layers.
func (c *sideBySide) metadata() string {
	var after []string
	for _, s := range c.schemes[1:] {
		after = append(after, s.name+": "+s.file)
	}
	b, err := json.MarshalIndent(map[string]any{
		"caution": caution, "program": "soilshed " + version, "schema": outputVersion, "before": c.schemes[0].file, "after": after, "within": c.within,
		"year": c.schemes[0].a.model.Year, "standard": c.standard(),
	}, "", " ")
	if err != nil {
		return caution
	}
	return string(b)
}
