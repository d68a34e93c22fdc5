package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"soilshed/geo"
	"soilshed/geo/layer"
)

// What has changed since an older output: which trees came, went and moved, and
// whose class, rank or probability is another, with the reason. Trees are told
// apart by their numbers, those without one by their place.
//
// Reasons are found by comparing what went into both outputs: the inventory
// columns kept in them, the ground found, and, by the older output's manifest,
// the input files and settings. Where all that is the same, or the older output
// has no manifest, the reason is said to be not known.

// A change below these is noise: what reaches a tree from changes elsewhere, by
// way of its cohort and of the list, is smaller as a rule (settings, no source).
const (
	movedM        = 0.1    // a point's shift, m
	oddsBy        = 1.2    // factor of the odds of girdling
	girdledBy     = 0.01   // and the least difference in probability
	failBy        = 1.2    // factor of the yearly probability of failure
	failLeast     = 0.0002 // and the least difference
	rankBy        = 1.25   // factor of the rank
	rankLeast     = 10     // and the least places
	changesListed = 20     // of each kind, on the page of text
)

// reasonNotKnown is said where no reason is found.
const reasonNotKnown = "reason not known"

// kinds of change, in the order of the report.
var changeKinds = []struct{ name, words string }{
	{"class", "Soil class"},
	{"failure", "Yearly probability of failure"},
	{"girdling", "Probability of girdling"},
	{"rank", "Rank"},
	{"added", "Trees added"},
	{"gone", "Trees gone"},
	{"moved", "Trees moved"},
}

// change is one line of the report.
type change struct {
	tree        int // in the inventory; -1 for one that is gone
	id, species string
	street      string
	kind        int
	was, is     string
	weight      float64 // the greater ones come first on the page
	why         string
	rank        int
}

// changeFields are the columns of the table changes.
var changeFields = []layer.Field{
	{Name: "tree_id", Alias: "tree", Doc: "Number of the tree, as in the layer trees; # marks one that has none."},
	{Name: "species", Alias: "species", Doc: "Species, as in the layer trees."},
	{Name: "street", Alias: "street", Doc: "Street, as recorded; empty for a tree that is gone."},
	{Name: "change", Alias: "change", Doc: "What has changed: class, failure, girdling, rank, added, gone, moved."},
	{Name: "was", Alias: "was", Doc: "What the older output says."},
	{Name: "is", Alias: "is", Doc: "What this one says."},
	{Name: "why", Alias: "reason", Doc: "What changed among the inputs that this hangs on; reason not known where that cannot be told."},
}

// compared are the fields of the layer trees that are compared; units as in SI.
var compared = []string{"species", "ground", "soil_class", "dbh_cm", "crown_m", "open_m2", "mates", "share_m2", "depth_m", "soil_m3", "soil_p10", "soil_p90",
	"need_m3", "reach_m", "sgr_p", "odd_z", "fail_yr", "exposure", "harm_yr", "rank"}

// texts keeps words once each.
type texts struct {
	at   map[string]uint32
	list []string
}

func (t *texts) of(s string) uint32 {
	if n, ok := t.at[s]; ok {
		return n
	}
	n := uint32(len(t.list))
	t.at[s], t.list = n, append(t.list, s)
	return n
}

// older is the layer trees of an older output.
type older struct {
	file     string
	ids      []string
	at       []geo.XY
	byID     map[string]int32
	words    map[string][]uint32  // of compared fields that are texts
	numbers  map[string][]float64 // of the others, in SI, NaN for null
	columns  map[string][]uint32  // of the inventory's own
	text     texts
	manifest *manifest
	noReason string // why there is no manifest
	seen     []bool
	found    []change
	matched  int
	notes    []string

	// Columns of the older output: those that are compared, and the inventory's own.
	takes []taken
	own   []string
	ownAt []int // among its columns

	// Of the output that is written: where the compared fields stand in a record,
	// what turns them into SI, and what the rounding of both makes of nothing.
	place    map[string]int
	inSI     map[string]float64
	tolerant map[string]float64
	d        *differences // nil when not known
}

// readOlder reads the output of an earlier run, before anything is written.
func (a *assessment) readOlder(ctx context.Context) (*older, error) {
	file := a.o.since
	name := ""
	if strings.EqualFold(filepath.Ext(file), ".gpkg") {
		name = "trees"
	}
	src, sys, err := a.o.open(file, nil, name)
	if errors.Is(err, os.ErrNotExist) && sameName(file, a.o.out) {
		a.in.report.note("There is no older %s to tell changes from: this is its first run.", layer.Shown(file))
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer src.Close()
	s := src.Schema()
	var head struct{ Schema int }
	if json.Unmarshal([]byte(s.Metadata), &head) == nil {
		if err := checkOutputVersion(file, head.Schema); err != nil {
			return nil, err
		}
	}
	b := &older{file: file}
	if err := b.readManifest(ctx); err != nil {
		return nil, err
	}
	conv, _, err := a.in.plane.From(sys)
	if err != nil {
		return nil, &layer.Error{File: file, Err: err}
	}
	ours := map[int]bool{}
	us := s.Index("soil_ft3") >= 0 && s.Index("soil_m3") < 0
	id, columns := -1, comparedColumns(us)
	for i := range treeFields {
		f := &treeFields[i]
		k := s.Index(f.field(us).Name)
		c := slices.IndexFunc(columns, func(c keptColumn) bool { return c.at == i })
		switch {
		case k >= 0:
			ours[k] = true
		case c >= 0:
			return nil, &layer.Error{File: file, Field: f.field(us).Name, Err: errors.New("there is no such column"), Remedy: "--since takes an output of soilshed assess, with its layer trees"}
		}
		switch {
		case f.name == "tree_id":
			id = k
		case c >= 0:
			factor := 1.0
			if us && f.of != plain {
				factor = 1 / usUnits[f.of].factor
			}
			b.takes = append(b.takes, taken{k, f, factor})
		}
	}
	for k, c := range s.Fields {
		if !ours[k] {
			b.own, b.ownAt = append(b.own, c.Name), append(b.ownAt, k)
		}
	}
	b.clear()
	if k := a.reuse.keptOf(b); k == nil || !b.readKept(ctx, k, append(columnNames(columns), b.own...), conv) {
		b.clear()
		if err := b.readTrees(ctx, a, src, id, conv); err != nil {
			return nil, err
		}
	}
	b.text.at = nil
	b.seen = make([]bool, len(b.ids))
	return b, ctx.Err()
}

// taken is a compared column of the older output.
type taken struct {
	k      int // among its columns
	f      *outField
	factor float64 // to SI
}

func (b *older) clear() {
	b.ids, b.at = nil, nil
	b.byID, b.words, b.numbers, b.columns, b.text = map[string]int32{}, map[string][]uint32{}, map[string][]float64{}, map[string][]uint32{}, texts{at: map[string]uint32{}}
	b.text.of("")
}

// tree begins a tree.
func (b *older) tree(id string, at geo.XY) {
	b.byID[treeKey(id, at)] = int32(len(b.ids))
	b.ids, b.at = append(b.ids, id), append(b.at, at)
}

// readTrees reads the trees out of the older output.
func (b *older) readTrees(ctx context.Context, a *assessment, src layer.Source, id int, conv func(x, y float64) (geo.XY, error)) error {
	for f, err := range ahead(src.Features(), true) {
		if err != nil {
			return err
		}
		if len(b.ids)%1024 == 0 && a.progress.stopped(ctx, 1024) {
			return ctx.Err()
		}
		p, err := layer.PointOf(f.Geometry)
		if err != nil {
			return &layer.Error{File: b.file, Feature: f.FID, Err: err, Remedy: "--since takes an output of soilshed assess"}
		}
		at, err := conv(p[0], p[1])
		if err != nil {
			return &layer.Error{File: b.file, Feature: f.FID, Err: err}
		}
		b.tree(f.Values[id].Text(), at)
		for _, t := range b.takes {
			v := f.Values[t.k]
			if t.f.kind == layer.Text {
				b.words[t.f.name] = append(b.words[t.f.name], b.text.of(v.Text()))
				continue
			}
			x, ok := v.Float()
			if !ok {
				x = math.NaN()
			}
			b.numbers[t.f.name] = append(b.numbers[t.f.name], x*t.factor)
		}
		for i, k := range b.ownAt {
			b.columns[b.own[i]] = append(b.columns[b.own[i]], b.text.of(f.Values[k].Text()))
		}
	}
	return nil
}

// keptOf is what was kept beside the older output b, if the manifest says that
// it was kept of this very output; else nil.
func (r *reuse) keptOf(b *older) *kept {
	if r == nil || r.old == nil || b.manifest == nil || b.manifest.Kept != r.old.sum {
		return nil
	}
	return r.old
}

// readKept takes the trees from what was kept of the older output, which is what
// reading them out of it would find. It tells whether it could.
func (b *older) readKept(ctx context.Context, k *kept, columns []string, conv func(x, y float64) (geo.XY, error)) bool {
	t, err := k.table(columns)
	if err != nil {
		return false
	}
	words, numbers, own := make([][]uint32, len(b.takes)), make([][]float64, len(b.takes)), make([][]uint32, len(b.own))
	b.ids, b.at, b.byID = make([]string, 0, t.trees), make([]geo.XY, 0, t.trees), make(map[string]int32, t.trees)
	for i, c := range b.takes {
		if c.f.kind == layer.Text {
			words[i] = make([]uint32, 0, t.trees)
		} else {
			numbers[i] = make([]float64, 0, t.trees)
		}
	}
	for i := range own {
		own[i] = make([]uint32, 0, t.trees)
	}
	for {
		p, more, err := t.next()
		if err != nil || len(b.ids)%1024 == 0 && ctx.Err() != nil {
			return false
		}
		if !more && len(b.ids) == t.trees {
			break
		}
		if !more || len(b.ids) == t.trees {
			return false
		}
		id, err := t.plain()
		if err != nil {
			return false
		}
		at, err := conv(p[0], p[1])
		if err != nil {
			return false
		}
		b.tree(id, at)
		for i, c := range b.takes {
			if c.f.kind == layer.Text {
				n, err := t.text(1+i, b.text.of)
				if err != nil {
					return false
				}
				words[i] = append(words[i], n)
				continue
			}
			x, err := t.number(math.Pow10(c.f.digits))
			if err != nil {
				return false
			}
			numbers[i] = append(numbers[i], x*c.factor)
		}
		for i := range own {
			n, err := t.text(1+len(b.takes)+i, b.text.of)
			if err != nil {
				return false
			}
			own[i] = append(own[i], n)
		}
	}
	for i, c := range b.takes {
		if c.f.kind == layer.Text {
			b.words[c.f.name] = words[i]
		} else {
			b.numbers[c.f.name] = numbers[i]
		}
	}
	for i, name := range b.own {
		b.columns[name] = own[i]
	}
	return true
}

// readManifest takes the manifest beside the older output, if it is its own.
func (b *older) readManifest(ctx context.Context) error {
	m, err := readManifest(b.file)
	if err != nil {
		return err
	}
	if m == nil {
		b.noReason = "the older output has no manifest"
		return nil
	}
	if layer.IsDatabase(b.file) { // no file to know it by
		if m.Settings["out"].Value == layer.Shown(b.file) {
			b.manifest = m
		} else {
			b.noReason = "the manifest of that name is of another output"
		}
		return nil
	}
	x, err := hashFile(ctx, b.file)
	if err != nil {
		return err
	}
	for _, f := range m.Outputs {
		if f.SHA256 == x.SHA256 {
			b.manifest = m
			return nil
		}
	}
	b.noReason = "the manifest beside the older output is not its own"
	return nil
}

// sameName tells whether two paths name one file, there or not.
func sameName(a, b string) bool {
	x, err1 := filepath.Abs(a)
	y, err2 := filepath.Abs(b)
	return err1 == nil && err2 == nil && x == y
}

// treeKey is what a tree is known again by: its number, or its place to a
// decimetre.
func treeKey(id string, at geo.XY) string {
	if !strings.HasPrefix(id, "#") {
		return id
	}
	return fmt.Sprintf("@%.1f,%.1f", at.X, at.Y)
}

// differences are what changed between the inputs of the two runs.
type differences struct {
	files    map[string][]string // role: names of files that are new, changed or no longer given
	settings map[string]string   // flag: "from 6 to 8"
	year     string
	version  string
}

func (a *assessment) differences(m *manifest) differences {
	d := differences{files: map[string][]string{}, settings: map[string]string{}}
	hashes := func(list []manifestInput) map[string]map[string]string {
		by := map[string]map[string]string{}
		for _, in := range list {
			if by[in.Role] == nil {
				by[in.Role] = map[string]string{}
			}
			by[in.Role][in.SHA256] = filepath.Base(in.File)
		}
		return by
	}
	was, is := hashes(m.Inputs), hashes(a.inputs.list)
	for _, role := range []string{"trees", "pavement", "bed", "rootable", "soil", "target", "study area", "barrier", "weather", "gusts", "evidence", "excavations"} {
		names := map[string]string{}
		for h, f := range is[role] {
			if _, same := was[role][h]; !same {
				names[f] = f
			}
		}
		for h, f := range was[role] {
			if _, same := is[role][h]; !same && names[f] == "" {
				names[f] = f + " (no longer given)"
			}
		}
		for _, n := range names {
			d.files[role] = append(d.files[role], n)
		}
		slices.Sort(d.files[role])
		if len(d.files[role]) == 0 {
			delete(d.files, role)
		}
	}
	now := settingsOf(a.o.flags)
	for _, list := range [][]string{groundSettings, needSettings, collarSettings, windSettings} {
		for _, name := range list {
			x, y := fmt.Sprint(m.Settings[name].Value), fmt.Sprint(now[name].Value)
			if x != y {
				d.settings[name] = fmt.Sprintf("--%s is %s, was %s", name, orNone(y), orNone(x))
			}
		}
	}
	if m.Year != a.year {
		d.year = fmt.Sprintf("assessed for %d, was %d", a.year, m.Year)
	}
	if m.Version != version {
		d.version = fmt.Sprintf("soilshed %s, was %s", version, m.Version)
	}
	return d
}

func orNone(s string) string {
	if s == "" || s == "[]" {
		return "not given"
	}
	return s
}

// What each step hangs on, by the names of flags.
var (
	groundSettings = []string{"reach", "depth", "max-depth", "snap", "close-gap", "assumed-pit", "position-error", "jitters", "share", "rootable-field", "soil-field", "crs"}
	needSettings   = []string{"need", "class-bounds", "standard", "pan", "critical-days", "texture", "awc", "max-dry-days", "runoff", "latitude", "elevation", "field", "weather-field"}
	collarSettings = []string{"field"}
	windSettings   = []string{"design-gust", "gust-years", "terrain", "wind-load", "wind-load-spread", "wind-load-size", "wind-load-size-spread", "class-field", "gust-field"}
)

// step is a part of the chain that a result hangs on.
type step uint8

const (
	ofGround step = 1 << iota
	ofNeed
	ofCollar
	ofWind
)

// treeDiff is what is known of one tree in both outputs.
type treeDiff struct {
	b       *older
	j       int32 // in the older output
	now     []layer.Value
	columns []string // "DIAM is 18, was 16.5", of the inventory's own columns
	movedM  float64
	d       *differences
}

func (t *treeDiff) value(name string) layer.Value { return t.now[t.b.place[name]] }

// number returns both numbers of a field, in SI, and whether they differ by more
// than the digits that are written.
func (t *treeDiff) number(name string) (was, is float64, differ bool) {
	was = t.b.numbers[name][t.j]
	is, ok := t.value(name).Float()
	if !ok {
		is = math.NaN()
	}
	is *= t.b.inSI[name]
	if math.IsNaN(was) || math.IsNaN(is) {
		return was, is, math.IsNaN(was) != math.IsNaN(is)
	}
	return was, is, math.Abs(was-is) > t.b.tolerant[name]
}

func (t *treeDiff) word(name string) (was, is string) {
	return t.b.text.list[t.b.words[name][t.j]], t.value(name).Text()
}

// files names those of the roles that have changed.
func (t *treeDiff) files(what string, roles ...string) []string {
	if t.d == nil {
		return nil
	}
	var names []string
	for _, r := range roles {
		names = append(names, t.d.files[r]...)
	}
	if len(names) == 0 {
		return nil
	}
	if len(names) > 3 {
		names = append(names[:3:3], fmt.Sprintf("%d more", len(names)-3))
	}
	return []string{what + " changed (" + strings.Join(names, ", ") + ")"}
}

func (t *treeDiff) settings(names []string) (list []string) {
	if t.d == nil {
		return nil
	}
	for _, n := range names {
		if s := t.d.settings[n]; s != "" {
			list = append(list, s)
		}
	}
	return list
}

// why finds the reasons of a change in a result that hangs on these steps.
func (t *treeDiff) why(of step) string {
	var list []string
	add := func(s ...string) {
		for _, r := range s {
			if !slices.Contains(list, r) {
				list = append(list, r)
			}
		}
	}
	add(t.columns...)
	if len(t.columns) == 0 { // the inventory's columns may not be kept
		for _, f := range []struct{ name, words, unit string }{{"dbh_cm", "DBH", "cm"}, {"crown_m", "crown spread", "m"}} {
			if was, is, differ := t.number(f.name); differ {
				add(fmt.Sprintf("%s is %s, was %s", f.words, withUnit(is, f.unit), withUnit(was, f.unit)))
			}
		}
		if was, is := t.word("species"); was != is {
			add(fmt.Sprintf("species is %s, was %s", orNone(is), orNone(was)))
		}
	}
	if t.movedM > movedM {
		add(fmt.Sprintf("its point was moved by %.1f m", t.movedM))
	}
	if of&ofGround != 0 {
		howWas, howIs := t.word("ground")
		_, _, open := t.number("open_m2")
		_, _, share := t.number("share_m2")
		_, _, reach := t.number("reach_m")
		matesWas, matesIs, mates := t.number("mates")
		_, _, depth := t.number("depth_m")
		_, _, soil := t.number("soil_m3")
		// Ground that is cut off elsewhere shows in the opening; one that is merely
		// divided otherwise shows in the share alone. The opening is that within
		// reach, which follows from the size too.
		own := len(list) > 0
		if howWas != howIs || reach || open && !own {
			add(t.files("pavement", "pavement")...)
			add(t.files("ground layers", "bed", "rootable", "barrier", "study area")...)
		}
		if open || share || soil {
			add(t.settings(groundSettings)...)
		}
		switch {
		case mates:
			add(fmt.Sprintf("trees in its opening beside it: %g, were %g", matesIs, matesWas))
		case share && !open && !own && matesIs > 0:
			add("another tree in its opening has come, gone or changed")
		}
		if depth {
			add(t.files("soil layer", "soil")...)
		}
	}
	if of&ofNeed != 0 {
		add(t.settings(needSettings)...)
		if _, _, need := t.number("need_m3"); need {
			add(t.files("weather", "weather")...)
		}
	}
	if of&ofCollar != 0 {
		if _, _, odd := t.number("odd_z"); odd && len(t.columns) == 0 {
			add("the trees of its cohort have changed")
		}
		if _, _, girdled := t.number("sgr_p"); girdled {
			add(t.files("evidence", "evidence")...)
		}
		add(t.settings(collarSettings)...)
	}
	if of&ofWind != 0 {
		add(t.files("gusts", "gusts")...)
		add(t.settings(windSettings)...)
	}
	if t.d != nil {
		if t.d.year != "" && of&(ofCollar|ofWind|ofNeed) != 0 {
			add(t.d.year)
		}
		if t.d.version != "" {
			add(t.d.version)
		}
	}
	if len(list) == 0 {
		if t.b.noReason != "" {
			return reasonNotKnown + " (" + t.b.noReason + ")"
		}
		return reasonNotKnown
	}
	return strings.Join(list, "; ")
}

func withUnit(v float64, unit string) string {
	if math.IsNaN(v) {
		return "not known"
	}
	return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64) + " " + unit
}

// ready makes ready to compare with what w writes.
func (b *older) ready(w *writer) {
	<-w.a.inputs.done
	if b.manifest != nil {
		d := w.a.differences(b.manifest)
		b.d = &d
	}
	b.place, b.inSI, b.tolerant = map[string]int{}, map[string]float64{}, map[string]float64{}
	for k, o := range w.fields {
		b.place[o.name] = len(w.own) + k
		b.inSI[o.name] = 1
		if w.us && o.of != plain {
			b.inSI[o.name] = 1 / usUnits[o.of].factor
		}
		b.tolerant[o.name] = 1.01 * math.Pow10(-o.digits) * max(1, b.inSI[o.name])
	}
}

// compare sets one tree, as it is written, beside the older output.
func (b *older) compare(w *writer, i int, f *layer.Feature) {
	a := w.a
	id := a.in.trees.id(i)
	c := change{tree: i, id: id, street: a.in.trees.street(i), rank: int(a.rows[i].rank)}
	c.species = f.Values[b.place["species"]].Text()
	add := func(kind string, was, is, why string, weight float64) {
		c.kind = slices.IndexFunc(changeKinds, func(k struct{ name, words string }) bool { return k.name == kind })
		c.was, c.is, c.why, c.weight = was, is, why, weight
		b.found = append(b.found, c)
	}
	j, ok := b.byID[treeKey(id, a.in.at[i])]
	r := a.rows.at(i)
	assessed := r.res.Assessed
	if !ok {
		if assessed {
			add("added", "", "", "not in the older output", r.res.HarmYr)
		}
		return
	}
	b.seen[j] = true
	b.matched++
	x := treeDiff{b: b, j: j, now: f.Values, d: b.d, movedM: math.Hypot(a.in.at[i].X-b.at[j].X, a.in.at[i].Y-b.at[j].Y)}
	for k := range w.own {
		name := w.ownNames[k]
		col, ok := b.columns[name]
		if !ok {
			continue
		}
		if was, is := b.text.list[col[j]], f.Values[k].Text(); was != is {
			x.columns = append(x.columns, fmt.Sprintf("%s is %s, was %s", name, orNone(is), orNone(was)))
		}
	}
	howWas, _ := x.word("ground")
	switch was := howWas != ""; {
	case was && !assessed:
		add("gone", "", "", orReason(strings.Join(x.columns, "; "), "recorded as gone"), 0)
		return
	case !was && assessed:
		add("added", "", "", orReason(strings.Join(x.columns, "; "), "no longer recorded as gone"), r.res.HarmYr)
		return
	case !was && !assessed:
		return
	}
	if x.movedM > movedM {
		add("moved", "", fmt.Sprintf("%.1f m away", x.movedM), "the inventory has it elsewhere", x.movedM)
	}
	if was, is := x.word("soil_class"); was != is {
		steps := slices.Index(classNames, was) - slices.Index(classNames, is)
		why := x.why(ofGround | ofNeed)
		if _, soil, differ := x.number("soil_m3"); differ && soil >= b.numbers["soil_p10"][j] && soil <= b.numbers["soil_p90"][j] {
			why += "; the volume is within the spread that it had"
		}
		add("class", orNone(was), orNone(is), why, float64(steps))
	}
	if was, is, _ := x.number("sgr_p"); math.IsNaN(was) != math.IsNaN(is) ||
		math.Abs(was-is) >= girdledBy && math.Abs(math.Log(was/(1-was))-math.Log(is/(1-is))) >= math.Log(oddsBy) {
		add("girdling", probability(was), probability(is), x.why(ofCollar), is-was)
	}
	if was, is, _ := x.number("fail_yr"); math.IsNaN(was) != math.IsNaN(is) || math.Abs(was-is) >= failLeast && beyond(was, is, failBy) {
		add("failure", probability(was), probability(is), x.why(ofGround|ofCollar|ofWind), is-was)
	}
	if was, is, _ := x.number("rank"); math.IsNaN(was) != math.IsNaN(is) || math.Abs(was-is) >= rankLeast && beyond(was, is, rankBy) {
		var why string
		_, _, harm := x.number("harm_yr")
		_, _, girdling := x.number("sgr_p")
		_, _, exposure := x.number("exposure")
		why = x.why(ofGround | ofCollar | ofWind)
		if exposure && len(x.columns) == 0 && x.movedM <= movedM { // else by its size or place
			if t := x.files("targets", "target", "pavement"); len(t) > 0 && !strings.Contains(why, "pavement changed") {
				why = strings.TrimPrefix(strings.TrimPrefix(why, reasonNotKnown)+"; "+t[0], "; ")
			}
		}
		if aim := x.settings([]string{"list-by"}); len(aim) > 0 {
			why = aim[0]
		} else if !harm && !girdling && len(x.columns) == 0 {
			why = "its own probability is the same: the trees around it in the list have changed"
		}
		add("rank", place(was), place(is), why, math.Abs(math.Log(orOne(was)/orOne(is))))
	}
}

func orReason(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

func orOne(v float64) float64 {
	if math.IsNaN(v) {
		return 1
	}
	return v
}

// beyond tells whether two numbers above 0 differ by more than a factor.
func beyond(a, b, factor float64) bool { return a > b*factor || b > a*factor }

func probability(p float64) string {
	if math.IsNaN(p) {
		return "not known"
	}
	return strconv.FormatFloat(p, 'g', 3, 64)
}

func place(r float64) string {
	if math.IsNaN(r) {
		return "not ranked"
	}
	return strconv.FormatFloat(r, 'f', 0, 64)
}

// finish adds the trees that are gone, and puts all in order.
func (b *older) finish() {
	for j, id := range b.ids {
		if b.seen[j] || b.text.list[b.words["ground"][j]] == "" {
			continue
		}
		b.found = append(b.found, change{tree: -1, id: id, species: b.text.list[b.words["species"][j]], kind: slices.IndexFunc(changeKinds, func(k struct{ name, words string }) bool { return k.name == "gone" }),
			why: "not in the inventory any more", weight: b.numbers["harm_yr"][j]})
	}
	slices.SortStableFunc(b.found, func(x, y change) int {
		return cmp.Or(cmp.Compare(x.kind, y.kind), cmp.Compare(placeOf(x.rank), placeOf(y.rank)), cmp.Compare(x.id, y.id))
	})
	if n := len(b.ids); n > 0 && b.matched < n/2 {
		b.notes = append(b.notes, fmt.Sprintf("%s of %s trees of %s were known again by their numbers: have the numbers changed?", grouped(b.matched), grouped(n), b.file))
	}
}

// placeOf sorts trees without a rank last.
func placeOf(rank int) int {
	if rank == 0 {
		return math.MaxInt
	}
	return rank
}

// values are a change as a record of the table.
func (c *change) values() []layer.Value {
	return []layer.Value{words(c.id), words(c.species), words(c.street), words(changeKinds[c.kind].name), words(c.was), words(c.is), words(c.why)}
}

// page is the report as text, for mail.
func (b *older) page(a *assessment) []byte {
	d := b.d
	var w bytes.Buffer
	fmt.Fprintf(&w, "Changes of %s since %s\n\n", filepath.Base(layer.Shown(a.o.out)), b.name(a))
	counts := make([]int, len(changeKinds))
	for i := range b.found {
		counts[b.found[i].kind]++
	}
	for k, n := range counts {
		fmt.Fprintf(&w, "  %-30s %7s\n", changeKinds[k].words, grouped(n))
	}
	fmt.Fprintf(&w, "  %-30s %7s\n", "Trees in both", grouped(b.matched))
	if len(b.found) == 0 {
		fmt.Fprintf(&w, "\nNothing has changed beyond noise.\n")
	}
	fmt.Fprintf(&w, "\nWhat changed among the inputs\n")
	some := false
	if d == nil {
		some = true
		fmt.Fprintf(&w, "  not known: %s\n", b.noReason)
	} else {
		for _, role := range []string{"trees", "pavement", "bed", "rootable", "soil", "target", "study area", "barrier", "weather", "gusts", "evidence", "excavations"} {
			if f := d.files[role]; len(f) > 0 {
				some = true
				fmt.Fprintf(&w, "  %s: %s\n", role, strings.Join(f, ", "))
			}
		}
		var names []string
		for n := range d.settings {
			names = append(names, n)
		}
		slices.Sort(names)
		for _, n := range names {
			some = true
			fmt.Fprintf(&w, "  %s\n", d.settings[n])
		}
		for _, s := range []string{d.year, d.version} {
			if s != "" {
				some = true
				fmt.Fprintf(&w, "  %s\n", s)
			}
		}
	}
	if !some {
		fmt.Fprintln(&w, "  nothing")
	}
	for _, n := range b.notes {
		fmt.Fprintln(&w, indent(wrap(n, 74), "  ", "  "))
	}
	for k, n := range counts {
		if n == 0 {
			continue
		}
		var list []change
		for _, c := range b.found {
			if c.kind == k {
				list = append(list, c)
			}
		}
		slices.SortStableFunc(list, func(x, y change) int { return cmp.Compare(y.weight, x.weight) })
		fmt.Fprintf(&w, "\n%s", changeKinds[k].words)
		if n > changesListed {
			fmt.Fprintf(&w, ": the first %d of %s", changesListed, grouped(n))
			list = list[:changesListed]
		}
		fmt.Fprintln(&w)
		for _, c := range list {
			line := "tree " + c.id + ", " + orUnknown(c.species)
			if c.street != "" {
				line += ", " + c.street
			}
			switch {
			case c.was != "":
				line += ": " + c.was + " to " + c.is
			case c.is != "":
				line += ": " + c.is
			}
			if changeKinds[k].name != "rank" && c.rank > 0 {
				line += fmt.Sprintf(" (rank %d)", c.rank)
			}
			fmt.Fprintln(&w, indent(wrap(line+": "+c.why+".", 74), "  ", "    "))
		}
	}
	fmt.Fprintf(&w, "\nAll of them: %s", filepath.Base(layer.TablePath(layer.Shown(a.o.out), "changes")))
	fmt.Fprintf(&w, ". A change of probability counts from a factor of %g on, one of rank from %g and %d places.\n\n%s\n", failBy, rankBy, rankLeast, wrap(caution, 76))
	return w.Bytes()
}

// changesPage is where the page of text goes: NAME-changes.txt.
func changesPage(out string) string {
	return strings.TrimSuffix(layer.TablePath(out, "changes"), ".csv") + ".txt"
}

// changeSchema is that of the table changes.
func changeSchema() layer.Schema {
	return layer.Schema{Name: "changes", Title: "What has changed since the older output", Abstract: caution, Fields: changeFields}
}

// write writes the changes as a table of the output, and as one beside it where
// the output itself is a single file.
func (b *older) write(ctx context.Context, w *writer) (err error) {
	b.finish()
	if !w.sideTables() {
		if w.beside.changed, err = layer.CreateTable(layer.TablePath(w.a.o.out, "changes"), changeSchema()); err != nil {
			return err
		}
	}
	for k := range b.found {
		if k%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		f := layer.Feature{FID: int64(k + 1), Values: b.found[k].values()}
		if err := w.sink.Write(w.beside.changes, f); err != nil {
			return err
		}
		if w.beside.changed != nil {
			if err := w.beside.changed.Write(f); err != nil {
				return err
			}
		}
	}
	return nil
}

// sideTables tells whether the output writes its tables as files of their own.
func (w *writer) sideTables() bool {
	return !strings.EqualFold(filepath.Ext(w.a.o.out), ".gpkg") && !layer.IsDatabase(w.a.o.out)
}

// commit puts what stands beside the output in its place.
func (b *older) commit(w *writer) error {
	if t := w.beside.changed; t != nil {
		if err := t.Commit(); err != nil {
			return err
		}
	}
	return layer.WriteFile(changesPage(w.a.o.out), b.page(w.a))
}

// tell says in short what has changed.
func (b *older) tell(a *assessment, out io.Writer) {
	counts := make([]int, len(changeKinds))
	for i := range b.found {
		counts[b.found[i].kind]++
	}
	fmt.Fprintf(out, "\nChanges since %s: %s\n", b.name(a), changesPage(layer.Shown(a.o.out)))
	for k, n := range counts {
		if n > 0 {
			fmt.Fprintf(out, "  %-30s %7s\n", changeKinds[k].words, grouped(n))
		}
	}
	if len(b.found) == 0 {
		fmt.Fprintln(out, "  nothing beyond noise")
	}
}

// name is what the older output is called in the report.
func (b *older) name(a *assessment) string {
	if sameName(b.file, a.o.out) {
		return "the output that it replaces"
	}
	return layer.Shown(b.file)
}
