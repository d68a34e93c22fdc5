package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"html"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/species"
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

//go:embed page
var pageFiles embed.FS

// pageStepM is the step of coordinates in the page.
const pageStepM = 0.1

// pageHead is what the page says of itself, and how its blocks are read.
type pageHead struct {
	Title    string       `json:"title"`
	Place    string       `json:"place"` // file of the trees
	Caution  string       `json:"caution"`
	Notes    []string     `json:"notes"`
	Settings string       `json:"settings"`
	Year     int          `json:"year"`
	Trees    int          `json:"trees"`
	Details  int          `json:"details"`
	Ranked   int          `json:"ranked"`
	StepM    float64      `json:"stepM"`
	WestM    float64      `json:"westM"` // place of step 0, 0 in the plane
	SouthM   float64      `json:"southM"`
	US       bool         `json:"us"`
	Map      []pageColumn `json:"map"`
	List     []pageColumn `json:"list"`
	Detail   []pageColumn `json:"detail"`
	Tones    []pageTone   `json:"tones"` // soil classes, ground not known, not assessed
	Failure  []pageStep   `json:"failure"`
	Girdling []pageStep   `json:"girdling"`
	Bounds   []float64    `json:"bounds"` // of the classes, part of the need, good to bad
	Ground   pageGround   `json:"ground"`
	// Common names of the species column's words.
	Common []string `json:"common"`
}

type pageTone struct {
	Colour string `json:"colour"`
	Words  string `json:"words"`
}

type pageStep struct {
	MM    float64 `json:"mm"`
	Words string  `json:"words"`
}

// pageColumn is a column of a block. A number is (stored - 1 + Min) / 10^Digits,
// a word is Words[stored - 1]; 0 stored is null. Text lies line by line.
type pageColumn struct {
	Name   string   `json:"name"`
	Alias  string   `json:"alias,omitempty"`
	Unit   string   `json:"unit,omitempty"`
	Doc    string   `json:"doc,omitempty"`
	Kind   string   `json:"kind"` // number, words, text
	Digits int      `json:"digits,omitempty"`
	Min    int64    `json:"min,omitempty"`
	Bytes  int      `json:"bytes,omitempty"`
	Words  []string `json:"words,omitempty"`
}

// pageFields are fields of the page that the layer trees has not, or has in
// other words.
var pageFields = []outField{
	{name: "street", alias: "street", doc: "Street, as recorded.",
		get: func(a *assessment, i int, _ *row, _ *risk.Size) layer.Value { return words(a.in.trees[i].Street) }},
	{name: "planted", kind: layer.Integer, alias: "planted", doc: "Year of planting, as recorded.",
		get: func(a *assessment, i int, _ *row, _ *risk.Size) layer.Value {
			if y := a.in.trees[i].PlantedYear; y.Known {
				return layer.Whole(int64(y.Value))
			}
			return layer.Value{}
		}},
	{name: "stock", alias: "stock", doc: "How it was grown in the nursery.",
		get: func(a *assessment, i int, _ *row, _ *risk.Size) layer.Value {
			return words(a.in.trees[i].Stock.String())
		}},
	{name: "why", alias: "reasons", doc: "The three strongest reasons.",
		get: func(a *assessment, _ int, r *row, _ *risk.Size) layer.Value { return words(a.local(r.res.Why())) }},
	{name: "look", alias: "what to look for", doc: "What to look for first, and on which side.",
		get: forRanked(func(a *assessment, i int) string { return a.local(a.look(i)) })},
	{name: "tools", alias: "tools", doc: "Tools for the ground it stands in. Common practice, no source.",
		get: forRanked(func(a *assessment, i int) string { return tools[a.digging(i)] })},
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
	h.Trees, h.Details, h.StepM, h.US = len(p.list), len(p.detail), pageStepM, p.us
	for k := range soilTones {
		h.Tones = append(h.Tones, pageTone{soilTones[k].colour, toneWords(k, a.model.Bounds)})
	}
	h.Tones = append(h.Tones, pageTone{unknownTone, "Ground not known"}, pageTone{ink, "Gone or empty site, not assessed"})
	for _, s := range failureSteps {
		h.Failure = append(h.Failure, pageStep{s.mm, s.words})
	}
	for _, s := range girdlingSteps {
		h.Girdling = append(h.Girdling, pageStep{s.mm, s.words})
	}
	h.Bounds = a.model.Bounds[:]

	blocks := make([][]byte, 5)
	blocks[0] = p.mapBlock()
	for _, name := range pageList {
		blocks[1] = p.column(blocks[1], &h.List, pageField(name), p.list)
	}
	if a.o.crewDays > 0 {
		blocks[1] = p.days(blocks[1], work)
	}
	if a.older != nil {
		blocks[1] = p.changed(blocks[1])
	}
	for _, name := range pageDetail {
		blocks[2] = p.column(blocks[2], &h.Detail, pageField(name), p.detail)
	}
	var err error
	if blocks[3], err = p.groundBlock(ctx); err != nil {
		return nil, err
	}
	if blocks[4], err = p.changesBlock(); err != nil {
		return nil, err
	}
	return p.html(blocks)
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

// order puts the trees along a Z-order curve (Morton 1966) over the steps of the
// page.
func (p *pageMaker) order() {
	at := p.a.in.at
	west, south := math.Inf(1), math.Inf(1)
	for _, q := range at {
		west, south = min(west, q.X), min(south, q.Y)
	}
	p.head.WestM, p.head.SouthM = math.Floor(west), math.Floor(south)
	keys := make([]uint64, len(at))
	p.list = make([]int32, len(at))
	for i := range at {
		x, y := p.step(i)
		keys[i] = interleave(uint32(x)) | interleave(uint32(y))<<1
		p.list[i] = int32(i)
	}
	slices.SortFunc(p.list, func(i, j int32) int {
		switch {
		case keys[i] < keys[j]:
			return -1
		case keys[i] > keys[j]:
			return 1
		}
		return int(i - j)
	})
}

// step is the place of a tree in steps from the south-west corner.
func (p *pageMaker) step(i int) (x, y int) {
	q := p.a.in.at[i]
	return int(math.Round((q.X - p.head.WestM) / pageStepM)), int(math.Round((q.Y - p.head.SouthM) / pageStepM))
}

// interleave puts a 0 between the bits of v.
func interleave(v uint32) uint64 {
	x := uint64(v)
	x = (x | x<<16) & 0x0000FFFF0000FFFF
	x = (x | x<<8) & 0x00FF00FF00FF00FF
	x = (x | x<<4) & 0x0F0F0F0F0F0F0F0F
	x = (x | x<<2) & 0x3333333333333333
	return (x | x<<1) & 0x5555555555555555
}

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

// tone is the place of a tree's colour in the head's tones.
func (p *pageMaker) tone(i int32) int {
	r := &p.a.rows[i]
	switch {
	case !r.res.Assessed:
		return len(soilTones) + 1
	case !r.res.Graded:
		return len(soilTones)
	}
	return int(r.res.Class)
}

// mapBlock holds place, tone and marks of the trees. A mark is the step of
// failure, that of girdling x 4, and 16 where the tree has details.
func (p *pageMaker) mapBlock() []byte {
	n := len(p.list)
	x, y, tone, mark := make([]uint32, n), make([]uint32, n), make([]uint32, n), make([]uint32, n)
	px, py := 0, 0
	for k, i := range p.list {
		sx, sy := p.step(int(i))
		x[k], y[k] = zigzag(sx-px), zigzag(sy-py)
		px, py = sx, sy
		r := &p.a.rows[i]
		tone[k] = uint32(p.tone(i))
		mark[k] = uint32(stepOf(failureSteps, r.res.FailYr) | stepOf(girdlingSteps, r.res.GirdledP)<<2)
		if p.has[i] {
			mark[k] |= 16
		}
	}
	var b []byte
	for _, c := range []struct {
		name string
		v    []uint32
	}{{"x", x}, {"y", y}, {"tone", tone}, {"mark", mark}} {
		col := pageColumn{Name: c.name, Kind: "number", Bytes: bytesOf(c.v)}
		b = planes(b, c.v, col.Bytes)
		p.head.Map = append(p.head.Map, col)
	}
	return b
}

// zigzag makes small numbers of either sign small: 0, -1, 1, -2 become 0, 1, 2, 3.
func zigzag(v int) uint32 { return uint32(v)<<1 ^ uint32(v>>63) }

// bytesOf is the number of bytes that the largest takes, at least 1.
func bytesOf(v []uint32) int {
	n := 1
	for _, x := range v {
		for n < 4 && x>>(8*n) > 0 {
			n++
		}
	}
	return n
}

// planes appends the low bytes of all, then the next, and so on.
func planes(b []byte, v []uint32, n int) []byte {
	for k := range n {
		for _, x := range v {
			b = append(b, byte(x>>(8*k)))
		}
	}
	return b
}

// mostWords is how many different words a column may have before it is kept as
// text.
const mostWords = 1<<16 - 2

// column appends a column of the given trees.
func (p *pageMaker) column(b []byte, to *[]pageColumn, f *outField, trees []int32) []byte {
	a := p.a
	field := f.field(p.us)
	c := pageColumn{Name: f.name, Alias: field.Alias, Unit: field.Unit, Doc: field.Doc, Kind: "number"}
	value := func(i int32) layer.Value {
		size := a.model.Size(&a.in.trees[i])
		return f.value(a, int(i), &a.rows[i], &size, p.us)
	}
	if f.kind != layer.Text {
		c.Digits = f.digits
		scale := math.Pow10(f.digits)
		q := make([]int64, len(trees))
		low, high := int64(math.MaxInt64), int64(math.MinInt64)
		for k, i := range trees {
			v, ok := value(i).Float()
			if !ok || math.Abs(v*scale) > 1<<31 {
				q[k] = math.MinInt64
				continue
			}
			q[k] = int64(math.Round(v * scale))
			low, high = min(low, q[k]), max(high, q[k])
		}
		if low > high {
			low = 0
		}
		c.Min = low
		stored := make([]uint32, len(trees))
		for k := range q {
			if q[k] != math.MinInt64 {
				stored[k] = uint32(q[k]-low) + 1
			}
		}
		c.Bytes = bytesOf(stored)
		*to = append(*to, c)
		return planes(b, stored, c.Bytes)
	}
	text := make([]string, len(trees))
	seen := map[string]uint32{}
	for k, i := range trees {
		text[k] = oneLine(value(i).Text())
		if len(seen) <= mostWords {
			seen[text[k]] = 0
		}
	}
	delete(seen, "")
	// A word met twice is worth a place in a dictionary.
	if len(seen) <= mostWords && len(seen) <= len(trees)/2+1 {
		c.Kind = "words"
		for w := range seen {
			c.Words = append(c.Words, w)
		}
		slices.Sort(c.Words)
		for k, w := range c.Words {
			seen[w] = uint32(k + 1)
		}
		stored := make([]uint32, len(trees))
		for k := range text {
			stored[k] = seen[text[k]]
		}
		c.Bytes = bytesOf(stored)
		if f.name == "species" {
			p.head.Common = commonNames(c.Words)
		}
		*to = append(*to, c)
		return planes(b, stored, c.Bytes)
	}
	c.Kind = "text"
	*to = append(*to, c)
	lines := []byte(strings.Join(text, "\n"))
	return append(binary.LittleEndian.AppendUint32(b, uint32(len(lines))), lines...)
}

// oneLine keeps a text on one line.
func oneLine(s string) string {
	if !strings.ContainsAny(s, "\n\r") {
		return s
	}
	return strings.Join(strings.Fields(s), " ")
}

// common are the common names of species, for the search.
func commonNames(latin []string) []string {
	names := make([]string, len(latin))
	for k, w := range latin {
		if sp, ok := species.Lookup(w); ok && sp.Latin == w {
			names[k] = sp.Common
		}
	}
	return names
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

// html puts the page together.
func (p *pageMaker) html(blocks [][]byte) ([]byte, error) {
	// JSON in Go escapes <, > and &, so that no word of the data ends its element.
	head, err := json.Marshal(p.head)
	if err != nil {
		return nil, err
	}
	var file [3]string
	for k, name := range []string{"page.html", "page.css", "page.js"} {
		b, err := pageFiles.ReadFile("page/" + name)
		if err != nil {
			return nil, err
		}
		file[k] = string(b)
	}
	var packed strings.Builder
	for k, name := range []string{"map", "list", "detail", "ground", "changes"} {
		if name == "changes" && blocks[k] == nil {
			continue
		}
		text, err := pack(blocks[k])
		if err != nil {
			return nil, err
		}
		fmt.Fprintf(&packed, "<script type=\"text/plain\" id=\"block-%s\">%s</script>\n", name, text)
	}
	var out bytes.Buffer
	strings.NewReplacer(
		"{{policy}}", fmt.Sprintf("default-src 'none'; script-src '%s'; style-src '%s'; base-uri 'none'; form-action 'none'", hashOf(file[2]), hashOf(file[1])),
		"{{title}}", html.EscapeString(p.head.Title+": "+p.head.Place),
		"{{caution}}", html.EscapeString(caution),
		"{{style}}", file[1], "{{head}}", string(head), "{{blocks}}", packed.String(), "{{script}}", file[2],
	).WriteString(&out, file[0])
	return out.Bytes(), nil
}

// hashOf is the hash by which the policy lets a script or style of the page be.
func hashOf(s string) string {
	sum := sha256.Sum256([]byte(s))
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}

func pack(b []byte) (string, error) {
	var z bytes.Buffer
	w, err := gzip.NewWriterLevel(&z, gzip.DefaultCompression)
	if err != nil {
		return "", err
	}
	if _, err := w.Write(b); err != nil {
		return "", err
	}
	if err := w.Close(); err != nil {
		return "", err
	}
	return base64.StdEncoding.EncodeToString(z.Bytes()), nil
}
