package main

import (
	"context"
	"path/filepath"
	"slices"

	"soilshed/geo"
	"soilshed/geo/layer"
	"soilshed/risk"
)

// The page: results as one HTML file that needs no other and asks no network.
//
// Trees lie in it as columns in the order of a space-filling curve, so that near
// ones lie together: whole numbers in steps of the digits that are written, byte
// by byte (all low bytes, then the next), which gzip packs well. There are packed
// blocks, so that the first view need not wait for the rest: map (place and
// symbol), list (what every tree has), detail (what only the trees at the head of
// the list have, in a big city), ground (paving, shares, roses) and, with an
// older output to compare with, changes.

// pageHead is what the page says of itself, and how its blocks are read.
type pageHead struct {
	pageBase
	Ranked int          `json:"ranked"`
	Detail []pageColumn `json:"detail"`
}

// pageFields are fields of the page that the layer trees has not, or has in
// other words.
var pageFields = []outField{
	{name: "street", alias: "street", doc: "Street, as recorded.",
		get: func(a *assessment, i int, _ *row, _ *risk.Size) layer.Value { return words(a.in.trees.street(i)) }},
	{name: "planted", kind: layer.Integer, alias: "planted", doc: "Year of planting, as recorded.",
		get: func(a *assessment, i int, _ *row, _ *risk.Size) layer.Value {
			if y := a.in.trees.at(i).PlantedYear; y.Known {
				return layer.Whole(int64(y.Value))
			}
			return layer.Value{}
		}},
	{name: "stock", alias: "stock", doc: "How it was grown in the nursery.",
		get: func(a *assessment, i int, _ *row, _ *risk.Size) layer.Value {
			return words(a.in.trees.at(i).Stock.String())
		}},
	{name: "why", alias: "reasons", doc: "The three strongest reasons.",
		get: func(a *assessment, _ int, r *row, _ *risk.Size) layer.Value { return words(a.local(r.res.Why())) }},
	{name: "look", alias: "what to look for", doc: "What to look for first, and on which side.",
		get: forRanked(func(a *assessment, i int) string { return a.local(a.look(i)) })},
	{name: "tools", alias: "tools", doc: "Tools for the ground it stands in. Common practice, no source.",
		get: forRanked(func(a *assessment, i int) string { return tools[a.digging(i, a.rows.at(i))] })},
	{name: "cautions", alias: "cautions", doc: "What to mind.",
		get: forRanked(func(a *assessment, i int) string { return a.cautions(i) })},
	{name: "crew_h", kind: layer.Real, unit: "h", digits: 2, alias: "hours on site", doc: "Hours of a crew of two on site. Common practice, no source.",
		get: func(_ *assessment, _ int, r *row, _ *risk.Size) layer.Value {
			if r.rank == 0 {
				return layer.Value{}
			}
			return number(r.crewHours)
		}},
}

func forRanked(get func(a *assessment, i int) string) func(*assessment, int, *row, *risk.Size) layer.Value {
	return func(a *assessment, i int, r *row, _ *risk.Size) layer.Value {
		if r.rank == 0 {
			return layer.Value{}
		}
		return words(get(a, i))
	}
}

// What the page has of every tree, and what of those with details.
var (
	pageList   = []string{"tree_id", "species", "street", "planted", "stock", "dbh_cm", "ground", "soil_m3", "need_m3", "soil_pct", "sgr_p", "fail_yr", "rank"}
	pageDetail = []string{"do_next", "why", "look", "tools", "cautions", "missing", "crew_h", "crown_m", "open_m2", "mates", "share_m2", "depth_m", "soil_p10", "soil_p90", "need_by",
		"dry_days", "reach_m", "reach_brg", "sgr_lo", "sgr_hi", "odd_z", "gust_ms", "weak_brg", "exposure", "harm_yr"}
)

// pageField finds a field of the page by name.
func pageField(name string) *outField {
	for _, table := range [][]outField{pageFields, treeFields} {
		if k := slices.IndexFunc(table, func(f outField) bool { return f.name == name }); k >= 0 {
			return &table[k]
		}
	}
	panic("no field " + name)
}

// page makes the page.
func (a *assessment) page(ctx context.Context, work *worklist) ([]byte, error) {
	p := &pageMaker{a: a, us: a.o.units == "us"}
	p.order()
	p.chooseDetails(a.o.pageDetails)
	h := &p.head
	h.Title, h.Place, h.Caution = "Soil and collars of street trees", filepath.Base(a.o.trees), caution
	h.Notes, h.Settings, h.Year = a.in.report.Notes, a.metadata(), a.year
	h.Trees, h.Details, h.US = len(p.list), len(p.detail), p.us
	h.symbols(a.model.Bounds, "Gone or empty site, not assessed")

	places := p.mapBlock()
	var list, detail []byte
	for _, name := range pageList {
		list = p.column(list, &h.List, pageField(name), p.list)
	}
	if a.o.crewDays > 0 {
		list = p.days(list, work)
	}
	if a.older != nil {
		list = p.changed(list)
	}
	for _, name := range pageDetail {
		detail = p.column(detail, &h.Detail, pageField(name), p.detail)
	}
	ground, err := p.groundBlock(ctx)
	if err != nil {
		return nil, err
	}
	blocks := []pageBlock{{"map", places}, {"list", list}, {"detail", detail}, {"ground", ground}}
	changes, err := p.changesBlock()
	if err != nil {
		return nil, err
	}
	if changes != nil {
		blocks = append(blocks, pageBlock{"changes", changes})
	}
	return assemble("page", h.Title+": "+h.Place, h, blocks)
}

// pageMaker gathers a page.
type pageMaker struct {
	a      *assessment
	us     bool
	list   []int32 // trees in the order of the page
	detail []int32 // those with details, in the same order
	has    []bool  // by tree: has details
	head   pageHead
}

// order lays the grid and orders the trees.
func (p *pageMaker) order() { p.list = p.head.over(p.a.in.at) }

// step is the place of a tree in steps from the south-west corner.
func (p *pageMaker) step(i int) (x, y int) { return p.head.step(p.a.in.at[i]) }

// chooseDetails takes all trees where that is not too many, else those at the
// head of the list.
func (p *pageMaker) chooseDetails(most int) {
	rows := p.a.rows
	p.has = make([]bool, len(rows))
	for i := range rows {
		if rows[i].rank > 0 {
			p.head.Ranked++
		}
		p.has[i] = len(rows) <= most || rows[i].rank > 0 && int(rows[i].rank) <= most
	}
	for _, i := range p.list {
		if p.has[i] {
			p.detail = append(p.detail, i)
		}
	}
}

// mapBlock holds place, tone and marks of the trees.
func (p *pageMaker) mapBlock() []byte {
	n := len(p.list)
	tone, mark := make([]uint32, n), make([]uint32, n)
	var r row
	for k, i := range p.list {
		p.a.rows.unpack(int(i), &r)
		tone[k] = uint32(r.pageTone())
		mark[k] = uint32(stepOf(failureSteps, r.res.FailYr) | stepOf(girdlingSteps, r.res.GirdledP)<<2)
		if p.has[i] {
			mark[k] |= markDetails
		}
	}
	b := p.head.places(nil, n, func(k int) geo.XY { return p.a.in.at[p.list[k]] })
	return p.head.mapColumn(p.head.mapColumn(b, "tone", tone), "mark", mark)
}

// column appends a column of the given trees.
func (p *pageMaker) column(b []byte, to *[]pageColumn, f *outField, trees []int32) []byte {
	a := p.a
	field := f.field(p.us)
	var r row
	b, c := packColumn(b, pageColumn{Name: f.name, Alias: field.Alias, Unit: field.Unit, Doc: field.Doc, Digits: f.digits}, f.kind, len(trees), func(k int) layer.Value {
		i := trees[k]
		a.rows.unpack(int(i), &r)
		size := a.sizeOf(int(i))
		return f.value(a, int(i), &r, &size, p.us)
	})
	if f.name == "species" {
		p.head.Common = commonNames(c.Words)
	}
	*to = append(*to, c)
	return b
}

// days appends crew day and stop of the trees that have them.
func (p *pageMaker) days(b []byte, work *worklist) []byte {
	day, stop := make([]uint32, len(p.a.rows)), make([]uint32, len(p.a.rows))
	for _, s := range work.stops {
		day[s.tree], stop[s.tree] = uint32(s.day), uint32(s.stop)
	}
	for _, c := range []struct {
		name, alias string
		v           []uint32
	}{{"day", "crew day", day}, {"stop", "stop", stop}} {
		stored := make([]uint32, len(p.list))
		for k, i := range p.list {
			stored[k] = c.v[i]
		}
		col := pageColumn{Name: c.name, Alias: c.alias, Kind: "number", Min: 1, Bytes: bytesOf(stored)}
		b = planes(b, stored, col.Bytes)
		p.head.List = append(p.head.List, col)
	}
	return b
}
