package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"soilshed/geo"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
)

// The page of a comparison: today's ground and that of one proposal on one map
// with a divider that moves, and all that is told of them. It is packed as the
// page of an assessment is. What differs by design stands in columns of its own,
// NAME_K for scheme K.

// comparePageHead is what the page says of itself, and how its blocks are read.
type comparePageHead struct {
	pageBase
	Schemes  []pageScheme  `json:"schemes"` // today's first
	Outcomes []pageOutcome `json:"outcomes"`
	Works    []pageTone    `json:"works"` // kinds of ground from FirstWork on
	// FirstWork is the kind of ground of the first of the works; the last kind is
	// the corridor.
	FirstWork int           `json:"firstWork"`
	Sets      [][]int       `json:"sets"` // of schemes that have a polygon
	Table     []pageMeasure `json:"table"`
	Leads     []string      `json:"leads"`
	Scope     string        `json:"scope"`
	Limits    string        `json:"limits"`
	Paved     string        `json:"paved"` // a warning
}

type pageScheme struct {
	Name     string   `json:"name"`
	About    string   `json:"about"`
	OnPaving []string `json:"onPaving"` // trees
}

// pageOutcome is what may become of a tree.
type pageOutcome struct {
	Name  string `json:"name"`
	Words string `json:"words"`
	Side  string `json:"side"` // win, tie, lose, turnover, unknown
}

type pageMeasure struct {
	Words string   `json:"words"`
	Unit  string   `json:"unit,omitempty"`
	Doc   string   `json:"doc"`
	Part  bool     `json:"part,omitempty"` // of the cost
	Cells []string `json:"cells"`
	Best  []bool   `json:"best"`
}

// outcomeSides say who wins, ties and loses, and who comes and goes, in the order
// of the outcomes.
var outcomeSides = [outcomes]string{"win", "win", "tie", "lose", "lose", "turnover", "turnover", "turnover", "unknown"}

// turn orders the list: who loses first, then who comes and goes, who wins and
// who stays as he is; the largest change first.
var outcomeTurn = [outcomes]int{broughtUp: 5, gains: 6, same: 7, loses: 1, fallsBelow: 0, plantedUp: 4, plantedShort: 3, isRemoved: 2, notKnown: 8}

// What the page has of every tree in each scheme.
var comparePageFields = []string{"ground", "open_m2", "soil_m3", "need_m3", "soil_pct", "dry_days", "gust_ms", "fail_yr"}

// compareMarginM is how far round the trees paving is drawn (setting).
const compareMarginM = 60

// compareDetails is how many trees have their shares drawn; where there are more,
// those to which a proposal does something (setting).
const compareDetails = 20000

type comparePageMaker struct {
	c    *sideBySide
	us   bool
	at   []geo.XY // of the trees of c
	list []int32  // trees of c in the order of the page
	has  []bool   // by tree: has details
	head comparePageHead
}

// page makes the page.
func (c *sideBySide) page(ctx context.Context) ([]byte, error) {
	a := c.schemes[0].a
	p := &comparePageMaker{c: c, us: a.o.units == "us", at: make([]geo.XY, len(c.trees)), has: make([]bool, len(c.trees))}
	for t := range c.trees {
		s, i := p.last(t)
		p.at[t] = s.in.at[i]
	}
	h := &p.head
	p.list = h.over(p.at)
	p.chooseDetails()
	h.Title, h.Caution = "Designs side by side", caution
	var names []string
	for k, s := range c.schemes {
		names = append(names, s.name)
		sch := pageScheme{Name: s.name, About: s.aboutIn(c.schemes[0])}
		if k > 0 {
			sch.OnPaving = c.onPaving(k)
		}
		h.Schemes = append(h.Schemes, sch)
	}
	h.Place = strings.Join(names, ", ")
	h.Notes, h.Settings, h.Year = c.notes(), c.pageSettings(), a.year
	h.Trees, h.US = len(p.list), p.us
	h.symbols(a.model.Bounds, "Removed, or dead on record")
	for o := range outcomes {
		h.Outcomes = append(h.Outcomes, pageOutcome{o.String(), outcomeTones[o].words, outcomeSides[o]})
	}
	for _, l := range c.table() {
		h.Table = append(h.Table, pageMeasure{l.words, l.unit, l.doc, l.part, l.cells, l.best})
	}
	where := "All trees"
	if c.within != "" {
		where = "Trees within " + filepath.Base(c.within)
	}
	h.Leads, h.Scope, h.Limits, h.Paved = c.leads(), c.scope(where), c.limits(filepath.Base), pavedWarning

	places := p.mapBlock()
	list := p.listBlock()
	ground, err := p.groundBlock(ctx)
	if err != nil {
		return nil, err
	}
	return assemble("compare", h.Title+": "+h.Place, h, []pageBlock{{"map", places}, {"list", list}, {"ground", ground}})
}

// last is the assessment, and the place in it, that says what tree t is: that of
// the last scheme in which it stands.
func (p *comparePageMaker) last(t int) (*assessment, int) {
	for k := len(p.c.schemes) - 1; ; k-- {
		if i := p.c.trees[t].in[k]; i >= 0 {
			return p.c.schemes[k].a, i
		}
	}
}

// aboutIn says in what a scheme differs, without the folders of its files: the
// page may be sent on.
func (s *scheme) aboutIn(today *scheme) string {
	return filepath.Base(s.file) + strings.TrimPrefix(s.differs(today), s.file)
}

// notes are what was assumed and noticed: of all designs, then of some.
func (c *sideBySide) notes() (list []string) {
	in := map[string][]string{}
	var order []string
	for _, s := range c.schemes {
		for _, n := range s.a.in.report.Notes {
			if len(in[n]) == 0 {
				order = append(order, n)
			}
			if !slices.Contains(in[n], s.name) {
				in[n] = append(in[n], s.name)
			}
		}
	}
	for _, all := range []bool{true, false} {
		for _, n := range order {
			if (len(in[n]) == len(c.schemes)) != all {
				continue
			}
			if !all {
				n = strings.Join(in[n], ", ") + ": " + n
			}
			list = append(list, n)
		}
	}
	return list
}

// pageSettings are the settings, which all designs share, and the files of each.
func (c *sideBySide) pageSettings() string {
	inputs := map[string]any{}
	for _, s := range c.schemes {
		inputs[s.name] = s.a.inputNames()
	}
	b, err := json.MarshalIndent(map[string]any{"comparison": json.RawMessage(c.metadata()), "settings": json.RawMessage(c.schemes[0].a.metadata()), "inputs": inputs}, "", " ")
	if err != nil {
		return c.metadata()
	}
	return string(b)
}

// chooseDetails takes all trees where that is not too many, else those to which
// a proposal does something.
func (p *comparePageMaker) chooseDetails() {
	for _, t := range p.list {
		tree := &p.c.trees[t]
		p.has[t] = len(p.list) <= compareDetails
		for k := 1; k < len(p.c.schemes) && !p.has[t] && p.head.Details < compareDetails; k++ {
			o := p.c.outcome(tree, k)
			p.has[t] = o != same && o != notKnown
		}
		if p.has[t] {
			p.head.Details++
		}
	}
}

// absentTone is the tone of a tree that does not stand in a scheme, nor is to be
// shown there.
func (p *comparePageMaker) absentTone() uint32 { return uint32(len(p.head.Tones)) }

// mapBlock holds place, tones and marks of the trees.
func (p *comparePageMaker) mapBlock() []byte {
	n := len(p.list)
	b := p.head.places(nil, n, func(k int) geo.XY { return p.at[p.list[k]] })
	for k := range p.c.schemes {
		tone, mark := make([]uint32, n), make([]uint32, n)
		for j, t := range p.list {
			tree := &p.c.trees[t]
			tone[j] = p.absentTone() - 1
			switch r := p.c.row(tree, k); {
			case r != nil:
				tone[j] = uint32(r.pageTone())
				mark[j] = uint32(stepOf(failureSteps, r.res.FailYr))
			case tree.in[k] < 0 && tree.in[0] < 0:
				tone[j] = p.absentTone()
			}
			if p.has[t] {
				mark[j] |= markDetails
			}
			if tree.in[0] < 0 {
				mark[j] |= markPlanted
			}
		}
		b = p.head.mapColumn(b, fmt.Sprintf("tone_%d", k), tone)
		b = p.head.mapColumn(b, fmt.Sprintf("mark_%d", k), mark)
	}
	return b
}

// listBlock holds what is told of each tree.
func (p *comparePageMaker) listBlock() (b []byte) {
	h := &p.head
	column := func(f *outField, name string, value func(t int) layer.Value) *pageColumn {
		field := f.field(p.us)
		var c pageColumn
		b, c = packColumn(b, pageColumn{Name: name, Alias: field.Alias, Unit: field.Unit, Doc: field.Doc, Digits: f.digits}, f.kind, len(p.list), func(k int) layer.Value { return value(int(p.list[k])) })
		h.List = append(h.List, c)
		return &h.List[len(h.List)-1]
	}
	// of is the value of a field in an assessment.
	of := func(f *outField, a *assessment, i int) layer.Value {
		size := a.sizeOf(i)
		return f.value(a, i, a.rows.at(i), &size, p.us)
	}
	for _, name := range []string{"tree_id", "species", "street"} {
		f := pageField(name)
		c := column(f, name, func(t int) layer.Value {
			a, i := p.last(t)
			return of(f, a, i)
		})
		if name == "species" {
			h.Common = commonNames(c.Words)
		}
	}
	for k, s := range p.c.schemes {
		for _, name := range comparePageFields {
			f := pageField(name)
			column(f, fmt.Sprintf("%s_%d", name, k), func(t int) layer.Value {
				if p.c.row(&p.c.trees[t], k) == nil {
					return layer.Value{}
				}
				return of(f, s.a, p.c.trees[t].in[k])
			})
		}
		if k == 0 {
			continue
		}
		diff := differenceField("diff_m3")
		change := func(t int) layer.Value {
			tree := &p.c.trees[t]
			return diff.written(diff.from(&treeChange{p.c, tree, k, p.c.row(tree, 0), p.c.row(tree, k)}), p.us)
		}
		column(&diff.outField, fmt.Sprintf("diff_m3_%d", k), change)
		column(&outField{kind: layer.Integer}, fmt.Sprintf("outcome_%d", k), func(t int) layer.Value {
			if tree := &p.c.trees[t]; tree.fate(k) != absent {
				return layer.Whole(int64(p.c.outcome(tree, k)))
			}
			return layer.Value{}
		})
		turn := p.turns(k)
		column(&outField{kind: layer.Integer}, fmt.Sprintf("turn_%d", k), func(t int) layer.Value {
			if turn[t] == 0 {
				return layer.Value{}
			}
			return layer.Whole(int64(turn[t]))
		})
	}
	return b
}

// turns are the places of the trees in the list of proposal k, from 1.
func (p *comparePageMaker) turns(k int) []int {
	var in []int
	for t := range p.c.trees {
		if p.c.trees[t].fate(k) != absent {
			in = append(in, t)
		}
	}
	change := func(t int) float64 {
		was, is := p.c.row(&p.c.trees[t], 0), p.c.row(&p.c.trees[t], k)
		switch {
		case was == nil && is == nil:
			return 0
		case was == nil:
			return is.hasSoil()
		case is == nil:
			return was.hasSoil()
		}
		return max(is.hasSoil()-was.hasSoil(), was.hasSoil()-is.hasSoil())
	}
	slices.SortFunc(in, func(x, y int) int {
		return cmp.Or(cmp.Compare(outcomeTurn[p.c.outcome(&p.c.trees[x], k)], outcomeTurn[p.c.outcome(&p.c.trees[y], k)]), cmp.Compare(change(y), change(x)), cmp.Compare(x, y))
	})
	turn := make([]int, len(p.c.trees))
	for n, t := range in {
		turn[t] = n + 1
	}
	return turn
}

// groundBlock holds the paving of all designs, each polygon once with those that
// have it, their works and the corridor, then the shares of each scheme.
func (p *comparePageMaker) groundBlock(ctx context.Context) ([]byte, error) {
	h := &p.head
	g := &h.Ground
	h.FirstWork = len(pavedKinds)
	g.Kinds = slices.Clone(pavedKinds)
	for _, t := range workTones {
		h.Works = append(h.Works, pageTone{t.colour, t.words})
		g.Kinds = append(g.Kinds, "work")
	}
	corridor := len(g.Kinds)
	g.Kinds = append(g.Kinds, "corridor")

	polygons := p.gather()
	for k, s := range p.c.schemes {
		if err := s.a.paving(ctx, func(q paved) { polygons.add(k, int(q.kind), q.rings) }); err != nil {
			return nil, err
		}
		for _, w := range p.c.works(k) {
			kind := slices.IndexFunc(workTones, func(t tone) bool { return t.value == w.what })
			polygons.add(k, h.FirstWork+kind, w.polygon)
		}
		for _, rings := range p.c.corridor {
			polygons.add(k, corridor, rings)
		}
	}
	all := polygons.packed(&h.Sets)
	g.Of = len(all)
	all = fewPolygons(all)
	g.Polygons = len(all)
	b := polygonBytes(all, true)
	g.PolygonBytes = len(b)

	slot := make([]int, len(p.c.trees))
	n := 0
	for _, t := range p.list {
		if slot[t] = -1; p.has[t] {
			slot[t] = n
			n++
		}
	}
	for k, s := range p.c.schemes {
		tree := make([]int, s.a.in.trees.len()) // tree of c that has details, + 1
		for t := range p.c.trees {
			if p.has[t] && p.c.row(&p.c.trees[t], k) != nil {
				tree[p.c.trees[t].in[k]] = t + 1
			}
		}
		shares := make([][]byte, n)
		for j := range shares {
			shares[j] = []byte{0} // no ring, where it does not stand
		}
		if err := s.a.sitesOf(ctx, func(i int32) bool { return tree[i] > 0 }, func(i int32, site *ground.Site) {
			t := tree[i] - 1
			x, y := h.step(p.at[t])
			shares[slot[t]] = h.shareBytes(site.Share, x, y)
		}); err != nil {
			return nil, err
		}
		for _, share := range shares {
			b = append(b, share...)
		}
	}
	return b, nil
}

// polygonSets gathers polygons that several schemes may have.
type polygonSets struct {
	grid          *pageGrid
	westM, southM float64 // the ground that is drawn
	eastM, northM float64
	all           []packedPolygon
	in            [][]int // schemes that have it
	at            map[string]int
}

// gather begins to gather polygons round the trees.
func (p *comparePageMaker) gather() *polygonSets {
	g := &polygonSets{grid: &p.head.pageGrid, at: map[string]int{}, westM: p.at[0].X, eastM: p.at[0].X, southM: p.at[0].Y, northM: p.at[0].Y}
	for _, q := range p.at {
		g.westM, g.eastM = min(g.westM, q.X-compareMarginM), max(g.eastM, q.X+compareMarginM)
		g.southM, g.northM = min(g.southM, q.Y-compareMarginM), max(g.northM, q.Y+compareMarginM)
	}
	return g
}

// add takes a polygon of scheme k, unless it lies elsewhere.
func (g *polygonSets) add(k, kind int, rings [][]geo.XY) {
	if len(rings) == 0 || len(rings[0]) == 0 {
		return
	}
	low, high := rings[0][0], rings[0][0]
	for _, v := range rings[0] {
		low.X, high.X = min(low.X, v.X), max(high.X, v.X)
		low.Y, high.Y = min(low.Y, v.Y), max(high.Y, v.Y)
	}
	if high.X < g.westM || low.X > g.eastM || high.Y < g.southM || low.Y > g.northM {
		return
	}
	q, steps := g.grid.packPolygon(kind, rings)
	if steps == nil {
		return
	}
	key := fmt.Sprintf("%d %d %d %s", kind, q.x, q.y, q.bytes)
	i, ok := g.at[key]
	if !ok {
		i = len(g.all)
		g.at[key] = i
		g.all, g.in = append(g.all, q), append(g.in, nil)
	}
	if !slices.Contains(g.in[i], k) {
		g.in[i] = append(g.in[i], k)
	}
}

// packed are the polygons, with the sets that they name.
func (g *polygonSets) packed(sets *[][]int) []packedPolygon {
	*sets = [][]int{}
	known := map[string]int{}
	for i := range g.all {
		key := fmt.Sprint(g.in[i])
		n, ok := known[key]
		if !ok {
			n = len(*sets)
			known[key] = n
			*sets = append(*sets, g.in[i])
		}
		g.all[i].set = n
	}
	return g.all
}
