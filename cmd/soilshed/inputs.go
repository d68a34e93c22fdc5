package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"github.com/paulmach/orb"

	"soilshed/geo"
	"soilshed/geo/crs"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
	"soilshed/risk/soil"
	"soilshed/risk/wind"
)

// inputs are the layers of a run, in the run's plane.
type inputs struct {
	plane  *crs.Plane
	system *crs.System // of the trees
	source layer.Source
	cols   *columns

	trees treeList
	kinds []recordKind
	at    []geo.XY
	fids  []int64 // of each tree in its file
	// inventory is how many trees are in the inventory; the others are to be
	// planted.
	inventory int
	// units are the soil polygons' descriptions, by the tag of the map.
	units []mapUnit
	m     *ground.Map
	// untextured are the trees whose bulk density is known and whose texture is not.
	untextured int

	report   report
	progress *progress
}

// layerCount is what was met in one layer.
type layerCount struct {
	Role, File     string
	Records, Taken int // records read; polygons, lines or points taken from them
	Strays         int // geometries of another kind within records
	Empty          int // records without geometry
	Crossing       int // polygons that cross themselves
	Failed         map[string]int
	FirstFailed    []string
	box            [4]float64 // in the plane
	raw            [4]float64 // in the layer's own numbers
	system         *crs.System
}

func (c *layerCount) left(reason string, err error) {
	if c.Failed == nil {
		c.Failed = map[string]int{}
	}
	c.Failed[reason]++
	if len(c.FirstFailed) < 5 && err != nil {
		c.FirstFailed = append(c.FirstFailed, err.Error())
	}
}

// nothing is the error of a layer of which nothing could be used.
func (c *layerCount) nothing(thing, things string) error {
	if len(c.FirstFailed) > 0 {
		return &layer.Error{File: c.File, Err: fmt.Errorf("no %s that can be used in %s; the first: %s", thing, countOf(c.Records, "record", "records"), c.FirstFailed[0]),
			Remedy: "does it show the place of the trees? --crs FILE=EPSG:CODE says what its coordinates mean"}
	}
	return &layer.Error{File: c.File, Err: fmt.Errorf("no %s in %s", thing, countOf(c.Records, "record", "records")), Remedy: "is it a layer of " + things + "?"}
}

// leftOut is the number of records of which nothing could be used.
func (c *layerCount) leftOut() int {
	n := c.Empty
	for _, k := range c.Failed {
		n += k
	}
	return n
}

// report is what a run says of its inputs.
type report struct {
	Layers []*layerCount
	Notes  []string
	Bytes  map[string]int64
	// newest is the time of the newest input.
	newest int64
}

func (r *report) note(format string, args ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, args...))
}

// of adds notes about a file.
func (r *report) of(path string, notes []string) {
	for _, n := range notes {
		r.note("%s: %s", path, n)
	}
}

// open opens a layer and settles its coordinate system.
func (o *options) open(path string, columns []string, layerName string) (layer.Source, *crs.System, error) {
	lo := layer.Options{Encoding: o.encoding, Columns: columns, Layer: layerName, System: o.systems[path]}
	if x, y, ok := strings.Cut(o.xy, ","); ok && path == o.trees {
		lo.XY = [2]string{strings.TrimSpace(x), strings.TrimSpace(y)}
	}
	if path == pipe {
		lo.Spooled = o.stdin
	}
	src, err := layer.Open(path, lo)
	if general := o.systems[""]; err != nil && general != nil && lo.System == nil {
		// What the file says of its coordinates cannot be: that is not saying.
		lo.System = general
		src, err = layer.Open(path, lo)
	}
	if err != nil {
		return nil, nil, err
	}
	sys := src.Schema().System
	if sys == nil {
		sys = o.systems[""]
	}
	if sys == nil {
		src.Close()
		return nil, nil, &layer.Error{File: path, Err: errors.New("the file does not say what its coordinates mean"),
			Remedy: fmt.Sprintf("say it: --crs %s=EPSG:CODE", path)}
	}
	return src, sys, nil
}

// begin opens a layer and the count of what is met in it.
func (in *inputs) begin(o *options, role, path string, columns []string, layerName string) (layer.Source, *layerCount, error) {
	src, sys, err := o.open(path, columns, layerName)
	if err != nil {
		return nil, nil, err
	}
	c := &layerCount{Role: role, File: path, box: noBox, raw: noBox, system: sys}
	in.report.Layers = append(in.report.Layers, c)
	return src, c, nil
}

// records hands on the records of a layer that have a geometry, counts them and
// the others, and takes the source's notes when it is through.
func (in *inputs) records(ctx context.Context, src layer.Source, c *layerCount, take func(f *layer.Feature) error) error {
	for f, err := range ahead(src.Features(), true) {
		if err != nil {
			var bad *layer.RecordError
			if !errors.As(err, &bad) {
				return err
			}
			c.Records++
			c.left(bad.Reason, bad)
			continue
		}
		if c.Records++; c.Records%1024 == 0 && in.progress.stopped(ctx, 1024) {
			return ctx.Err()
		}
		if f.Geometry == nil {
			c.Empty++
			continue
		}
		if err := take(&f); err != nil {
			return err
		}
	}
	for _, n := range src.Notes() {
		in.report.note("%s: %s", c.File, n)
	}
	return nil
}

// way is the way from a layer's coordinates to the plane.
func (in *inputs) way(c *layerCount) (func(x, y float64) (geo.XY, error), error) {
	conv, note, err := in.plane.From(c.system)
	if err != nil {
		return nil, &layer.Error{File: c.File, Err: err}
	}
	if note != "" {
		in.report.note("%s: %s", c.File, note)
	}
	return conv, nil
}

// farM is how far from the middle of the trees a place may lie; one farther off
// is an error of its record.
const farM = 200e3

// readTrees reads the tree layer whole: neighbours, cohorts and ranks need all.
func (in *inputs) readTrees(ctx context.Context, o *options, year int) error {
	src, c, err := in.begin(o, "trees", o.trees, nil, o.treeLayer)
	if err != nil {
		return err
	}
	in.source, in.system = src, c.system
	cols, notes, err := bind(src.Schema(), o.told.trees, bindOptions{File: o.trees, US: o.units == "us", Year: year})
	if err != nil {
		return err
	}
	in.cols = cols
	in.report.Notes = append(in.report.Notes, notes...)
	room := src.Schema().Records
	in.trees.grow(room)
	xs, ys := make([]float64, 0, room), make([]float64, 0, room)
	in.kinds, in.fids = make([]recordKind, 0, room), make([]int64, 0, room)
	if err := in.records(ctx, src, c, func(f *layer.Feature) error {
		p, err := layer.PointOf(f.Geometry)
		if err != nil {
			c.left("not a point", &layer.Error{File: o.trees, Feature: f.FID, Err: err})
			return nil
		}
		if !(math.Abs(p[0]) < 1e12 && math.Abs(p[1]) < 1e12) {
			c.left("no place on earth", &layer.Error{File: o.trees, Feature: f.FID, Err: fmt.Errorf("coordinates %g, %g", p[0], p[1])})
			return nil
		}
		t, kind := cols.tree(f)
		in.trees.add(&t)
		in.kinds = append(in.kinds, kind)
		in.fids = append(in.fids, f.FID)
		xs, ys = append(xs, p[0]), append(ys, p[1])
		return nil
	}); err != nil {
		return err
	}
	in.report.Notes = append(in.report.Notes, cols.census.sentences()...)
	cols.seen = nil // the numbers are unique by now
	if in.trees.len() == 0 {
		return &layer.Error{File: o.trees, Err: fmt.Errorf("no tree with a point in %s", countOf(c.Records, "record", "records")), Remedy: "is it the tree layer?"}
	}
	var x, y float64
	var wg sync.WaitGroup
	wg.Go(func() { c.raw[0], x, c.raw[2] = middle(xs) })
	wg.Go(func() { c.raw[1], y, c.raw[3] = middle(ys) })
	wg.Wait()
	if in.system, err = in.plausible(o, o.trees, in.system, c.raw); err != nil {
		return err
	}
	if in.plane == nil { // else that of the run with which this one is compared
		if in.plane, err = crs.NewPlane(in.system, x, y); err != nil {
			return &layer.Error{File: o.trees, Err: err}
		}
	}
	c.system = in.system
	conv, err := in.way(c)
	if err != nil {
		return err
	}
	n, far := 0, make([]bool, in.trees.len())
	in.at = make([]geo.XY, 0, in.trees.len())
	for i := range in.trees.len() {
		p, err := conv(xs[i], ys[i])
		if err == nil && math.Hypot(p.X, p.Y) > farM {
			err = fmt.Errorf("lies %.0f km from the middle of the trees", math.Hypot(p.X, p.Y)/1000)
		}
		if err != nil {
			c.left("far from the other trees", &layer.Error{File: o.trees, Feature: in.fids[i], Err: err})
			far[i] = true
			continue
		}
		in.kinds[n], in.fids[n] = in.kinds[i], in.fids[i]
		in.at = append(in.at, p)
		c.take(p)
		n++
	}
	in.trees.keep(func(i int) bool { return !far[i] })
	in.kinds, in.fids = in.kinds[:n], in.fids[:n]
	c.Taken = n
	if n == 0 {
		return &layer.Error{File: o.trees, Err: errors.New("no two trees lie near one another"), Remedy: "are the coordinates right? --crs says what they mean"}
	}
	in.markSecondRecords()
	if err := in.readPlanting(ctx, o, year); err != nil {
		return err
	}
	if err := in.readRemovals(o); err != nil {
		return err
	}
	places, of := make([]geo.XY, 0, len(in.at)), make([]int, 0, len(in.at))
	for i, p := range in.at {
		if in.kinds[i] != secondRecord {
			places, of = append(places, p), append(of, i)
		}
	}
	if same := sharedPlaces(places, samePlaceM); same.Trees > 0 {
		in.report.note("%s of the trees stand on a place that another has too (within 1 cm); they share its ground equally. The fullest place holds %d, among them tree %s.", grouped(same.Trees), same.Most, in.trees.id(of[same.At]))
	}
	return nil
}

// samePlaceM is how near two records lie that have one place.
const samePlaceM = 0.01

// markSecondRecords finds the records that have the number and the place of an
// earlier one.
func (in *inputs) markSecondRecords() {
	// Numbers that come again have been told apart by ~2, ~3, ...
	var again []int
	var of []string           // the number that came again
	first := map[string]int{} // by number, -1 before it is met
	for i := range in.trees.len() {
		id := in.trees.id(i)
		if k := strings.LastIndexByte(id, '~'); k >= 0 {
			again, of = append(again, i), append(of, id[:k])
			first[id[:k]] = -1
		}
	}
	if len(again) == 0 {
		return
	}
	for i := range in.trees.len() {
		if _, asked := first[in.trees.id(i)]; asked {
			first[in.trees.id(i)] = i
		}
	}
	n, example := 0, ""
	for k, i := range again {
		if in.trees.removed(i) {
			continue
		}
		j := first[of[k]]
		if j >= 0 && j < i && !in.trees.removed(j) && in.at[i].Distance(in.at[j]) <= samePlaceM {
			in.trees.remove(i)
			in.kinds[i] = secondRecord
			if n++; n == 1 {
				example = in.trees.id(j)
			}
		}
	}
	if n > 0 {
		in.report.note("%s the number and the place of an earlier record (tree %s is the first): the same tree, assessed once, by the first.", countOf(n, "record has", "records have"), example)
	}
}

var noBox = [4]float64{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}

func (c *layerCount) take(p geo.XY) {
	b := &c.box
	b[0], b[1] = min(b[0], p.X), min(b[1], p.Y)
	b[2], b[3] = max(b[2], p.X), max(b[3], p.Y)
}

// middle returns the median of values, and between what they lie without the odd
// one far off.
func middle(v []float64) (lo, median, hi float64) {
	s := slices.Clone(v)
	slices.Sort(s)
	n := len(s)
	return s[n/50], s[n/2], s[n-1-n/50]
}

func median(v []float64) float64 {
	_, m, _ := middle(v)
	return m
}

// readMap reads all layers of polygons and lines into the map.
func (in *inputs) readMap(ctx context.Context, o *options) error {
	b := ground.NewBuilder()
	first := len(in.report.Layers)
	for _, path := range o.pavement {
		if err := in.readHard(ctx, o, b, path, "pavement", len(o.target) == 0); err != nil {
			return err
		}
	}
	if err := in.pavementApart(o, in.report.Layers[first:]); err != nil {
		return err
	}
	for _, path := range o.bed {
		if err := in.readPolygons(ctx, o, b, path, "bed", []string{}, func(*layer.Schema) (polygonFunc, error) {
			return func(f *layer.Feature, rings [][]geo.XY) error { return b.Bed(rings) }, nil
		}); err != nil {
			return err
		}
	}
	for _, path := range o.rootable {
		if err := in.readRootable(ctx, o, b, path); err != nil {
			return err
		}
	}
	for _, path := range o.soilLayer {
		if err := in.readSoil(ctx, o, b, path); err != nil {
			return err
		}
	}
	for _, path := range o.target {
		if err := in.readHard(ctx, o, b, path, "target", true); err != nil {
			return err
		}
	}
	for _, path := range o.studyArea {
		if err := in.readPolygons(ctx, o, b, path, "study area", []string{}, func(*layer.Schema) (polygonFunc, error) {
			return func(f *layer.Feature, rings [][]geo.XY) error { return b.Study(rings) }, nil
		}); err != nil {
			return err
		}
	}
	for _, path := range o.barrier {
		if err := in.readLines(ctx, o, path, "barrier", b.Barrier); err != nil {
			return err
		}
	}
	in.m = b.Freeze(o.groundOptions())
	if n := in.m.Copies(); n > 0 {
		in.report.note("Drawn more than once: %s the same outline and use as another; each such place counts once.", countOf(n, "polygon or line has", "polygons or lines have"))
	}
	return nil
}

// pavementApart is an error where the layers of pavement lie nowhere near the
// trees.
func (in *inputs) pavementApart(o *options, pavement []*layerCount) error {
	trees := in.report.Layers[0]
	apart := true
	for _, c := range pavement {
		apart = apart && !meets(c.box, trees.box, 500)
	}
	if apart {
		remedy := "do both layers show one place? If a layer does not say rightly what its coordinates mean, --crs FILE=EPSG:CODE does"
		for _, c := range pavement {
			turned := [4]float64{c.raw[1], c.raw[0], c.raw[3], c.raw[2]}
			if c.system.Geographic() && trees.system.Geographic() && meets(turned, trees.raw, 0.01) {
				remedy = fmt.Sprintf("%s or %s has latitude before longitude, so it seems: x must be the longitude; swap them at the export", o.trees, c.File)
			}
		}
		return &layer.Error{File: strings.Join(o.pavement, ", "), Err: fmt.Errorf("no hard ground lies within 500 m of any tree of %s: %s from the trees' middle", o.trees, farAway(pavement[0].box, trees.box)),
			Remedy: remedy}
	}
	return nil
}

// meets tells whether two boxes come within m metres of each other.
func meets(a, b [4]float64, m float64) bool {
	return a[0] <= b[2]+m && b[0] <= a[2]+m && a[1] <= b[3]+m && b[1] <= a[3]+m
}

func farAway(a, b [4]float64) string {
	if math.IsInf(a[0], 0) {
		return "no polygon was read"
	}
	d := math.Hypot((a[0]+a[2]-b[0]-b[2])/2, (a[1]+a[3]-b[1]-b[3])/2)
	if d > 1e6 { // the plane is none any more
		return "its own is more than 1,000 km"
	}
	return fmt.Sprintf("its own is %.1f km", d/1000)
}

// polygonFunc takes one polygon of a feature, in the plane.
type polygonFunc func(f *layer.Feature, rings [][]geo.XY) error

// readPolygons reads a layer of polygons. bindTo is given the schema once, and
// returns what takes each polygon.
func (in *inputs) readPolygons(ctx context.Context, o *options, b *ground.Builder, path, role string, columns []string, bindTo func(*layer.Schema) (polygonFunc, error)) error {
	src, c, err := in.begin(o, role, path, columns, "")
	if err != nil {
		return err
	}
	defer src.Close()
	take, err := bindTo(src.Schema())
	if err != nil {
		return err
	}
	conv, err := in.way(c)
	if err != nil {
		return err
	}
	b.Crossing = 0
	b.Grow(src.Schema().Records)
	var flat []geo.XY
	var rings [][]geo.XY
	if err := in.records(ctx, src, c, func(f *layer.Feature) error {
		polys, strays := layer.PolygonsOf(f.Geometry)
		c.Strays += strays
		if c.Taken == 0 && len(polys) > 0 {
			// What the numbers mean must be settled before the first is used.
			b := polys.Bound()
			was := c.system
			if c.system, err = in.plausible(o, path, was, [4]float64{b.Min[0], b.Min[1], b.Max[0], b.Max[1]}); err != nil {
				return err
			}
			if c.system != was {
				if conv, _, err = in.plane.From(c.system); err != nil {
					return &layer.Error{File: path, Err: err}
				}
			}
		}
		for _, poly := range polys {
			flat, rings = flat[:0], rings[:0]
			n := 0
			for _, r := range poly {
				n += len(r)
			}
			flat = slices.Grow(flat, n)
			var bad error
			for _, r := range poly {
				first := len(flat)
				for _, p := range r {
					c.raw[0], c.raw[1] = min(c.raw[0], p[0]), min(c.raw[1], p[1])
					c.raw[2], c.raw[3] = max(c.raw[2], p[0]), max(c.raw[3], p[1])
					q, err := conv(p[0], p[1])
					if err != nil {
						bad = err
						break
					}
					c.take(q)
					flat = append(flat, q)
				}
				rings = append(rings, flat[first:])
			}
			if bad == nil {
				bad = take(f, rings)
			}
			if bad != nil {
				c.left("a polygon that cannot be used", &layer.Error{File: path, Feature: f.FID, Err: bad})
				continue
			}
			c.Taken++
		}
		return nil
	}); err != nil {
		return err
	}
	c.Crossing = b.Crossing
	if c.Taken == 0 {
		return c.nothing("polygon", "polygons")
	}
	c.system, err = in.plausible(o, path, c.system, c.raw)
	return err
}

// plausible tells in which system a box of numbers lies: the one that the file
// names, else the one of --crs when the file is plainly wrong.
func (in *inputs) plausible(o *options, path string, sys *crs.System, box [4]float64) (*crs.System, error) {
	err := sys.Plausible(box[0], box[1], box[2], box[3])
	if err == nil {
		return sys, nil
	}
	if other := o.systems[""]; other != nil && o.systems[path] == nil && other.Plausible(box[0], box[1], box[2], box[3]) == nil {
		in.report.note("%s says that it is in %s, which its numbers cannot be; it is read in %s, as --crs says.", path, sys.Name(), other.Name())
		return other, nil
	}
	remedy := "for this file alone: --crs " + path + "=EPSG:CODE"
	if errors.Is(err, crs.ErrSwapped) {
		remedy = "no --crs mends that; of a CSV file, --xy names the columns, the longitude's first"
	}
	return nil, &layer.Error{File: path, Err: err, Remedy: remedy}
}

// classColumns are the columns that tell what a hard polygon is, when none is
// named.
var classColumns = []string{"kind", "class", "type", "surface", "category", "feature", "lshard_type", "fclass", "landuse", "descriptio", "description"}

func (in *inputs) readHard(ctx context.Context, o *options, b *ground.Builder, path, role string, isTarget bool) error {
	add := b.Hard
	if role == "target" {
		add = b.Target
	}
	// The file's own name tells what it shows when no column does.
	base := strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))
	if _, table := layer.SplitTable(path); table != "" {
		base = table
	}
	ofFile, known := classOf(base)
	if !known {
		ofFile, _ = classOf("other")
	}
	want := []string{}
	if isTarget {
		var err error
		if want, err = in.classColumn(o, path); err != nil {
			return err
		}
	}
	byColumn := map[string]int{}
	var unknown []string
	err := in.readPolygons(ctx, o, b, path, role, want, func(s *layer.Schema) (polygonFunc, error) {
		seen := map[string]wind.TargetClass{}
		return func(f *layer.Feature, rings [][]geo.XY) error {
			class := ofFile
			if len(want) > 0 && len(f.Values) > 0 && !f.Values[0].Null() {
				word := f.Values[0].Text()
				k, ok := seen[word]
				if !ok {
					if k, ok = classOf(word); !ok {
						k = ofFile
						if len(unknown) < 6 {
							unknown = append(unknown, word)
						}
					}
					seen[word] = k
				}
				class = k
			}
			byColumn[class.Name]++
			return add(rings, class.Weight)
		}, nil
	})
	if err != nil {
		return err
	}
	if isTarget {
		var parts []string
		for _, c := range wind.TargetClasses() {
			if n := byColumn[c.Name]; n > 0 {
				parts = append(parts, fmt.Sprintf("%s %s", c.Name, grouped(n)))
			}
		}
		how := "by its name"
		if len(want) > 0 {
			how = "by column " + want[0]
		}
		in.report.note("%s as targets, %s: %s.", path, how, strings.Join(parts, ", "))
		if len(unknown) > 0 {
			in.report.note("%s: %s %s not understood as a class of target and taken as %s.", path, strings.Join(unknown, ", "), isAre(len(unknown)), ofFile.Name)
		}
	}
	return nil
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// classColumn finds the column that tells the class of a hard polygon: none, or
// one name.
func (in *inputs) classColumn(o *options, path string) ([]string, error) {
	src, _, err := o.open(path, nil, "")
	if err != nil {
		return nil, err
	}
	defer src.Close()
	s := src.Schema()
	if o.classField != "" {
		if k := s.Index(o.classField); k >= 0 {
			return []string{s.Fields[k].Name}, nil
		}
		return []string{}, nil
	}
	for _, name := range classColumns {
		if k := s.Index(name); k >= 0 && s.Fields[k].Kind == layer.Text {
			return []string{s.Fields[k].Name}, nil
		}
	}
	return []string{}, nil
}

// classWords lead from the words of layers to the classes of targets.
var classWords = []struct{ word, class string }{
	{"school", "school"}, {"playground", "playground"}, {"transit", "transit stop"}, {"bus stop", "transit stop"},
	{"arterial", "main road"}, {"highway", "main road"}, {"main road", "main road"},
	{"driveway", "driveway"}, {"parking", "parking"}, {"car park", "parking"},
	{"sidewalk", "sidewalk"}, {"footway", "sidewalk"}, {"pedestrian", "sidewalk"}, {"pavement", "sidewalk"}, {"walk", "sidewalk"}, {"plaza", "sidewalk"}, {"corner", "sidewalk"},
	{"path", "path"}, {"trail", "path"},
	{"building", "building"}, {"house", "building"}, {"roof", "building"}, {"structure", "building"}, {"garage", "building"}, {"shed", "building"},
	{"road", "road"}, {"street", "road"}, {"carriageway", "road"}, {"alley", "road"}, {"lane", "road"}, {"court", "driveway"},
	{"power", "power line"}, {"lawn", "lawn"}, {"grass", "lawn"},
	{"concrete", "other"}, {"other", "other"}, {"water", "other"},
}

func classOf(word string) (wind.TargetClass, bool) {
	w := strings.ToLower(strings.ReplaceAll(strings.ReplaceAll(word, "_", " "), "-", " "))
	if s := strings.TrimSpace(w); s == "drive" || s == "drives" {
		w = "driveway" // alone; "Harbour Drive" may be a street
	}
	for _, c := range classWords {
		if strings.Contains(w, c.word) {
			weight, _ := wind.TargetWeight(c.class)
			return wind.TargetClass{Name: c.class, Weight: weight}, true
		}
	}
	return wind.TargetClass{}, false
}

// rootableDepthM and rootableUsable stand where a layer of rootable ground does
// not say: depth as in open ground, and one part in five that is soil, as in a
// stone-soil mix of about 80 to 20 by mass (from memory).
const (
	rootableDepthM = 0.9
	rootableUsable = 0.2
)

func (in *inputs) readRootable(ctx context.Context, o *options, b *ground.Builder, path string) error {
	var cols *rootableColumns
	assumed := 0
	err := in.readPolygons(ctx, o, b, path, "rootable", nil, func(s *layer.Schema) (polygonFunc, error) {
		var notes []string
		var err error
		if cols, notes, err = bindRootable(s, o.told.rootable, bindOptions{File: path, US: o.units == "us"}); err != nil {
			return nil, err
		}
		in.report.of(path, notes)
		return func(f *layer.Feature, rings [][]geo.XY) error {
			g := cols.ground(f)
			if !g.DepthM.Known || !g.Usable.Known {
				assumed++
			}
			return b.Rootable(rings, g.DepthM.Or(rootableDepthM), g.Usable.Or(rootableUsable))
		}, nil
	})
	if err != nil {
		return err
	}
	in.report.Notes = append(in.report.Notes, cols.sentences()...)
	if assumed > 0 {
		in.report.note("%s: %s depth or usable fraction: %.1f m and %.1f are assumed.", path, countOf(assumed, "polygon of rootable ground lacks", "polygons of rootable ground lack"), rootableDepthM, rootableUsable)
	}
	return nil
}

func (in *inputs) readSoil(ctx context.Context, o *options, b *ground.Builder, path string) error {
	var cols *soilColumns
	err := in.readPolygons(ctx, o, b, path, "soil", nil, func(s *layer.Schema) (polygonFunc, error) {
		var notes []string
		var err error
		if cols, notes, err = bindSoil(s, o.told.soil, bindOptions{File: path, US: o.units == "us"}); err != nil {
			return nil, err
		}
		in.report.of(path, notes)
		before, last := len(in.units), int64(0)
		return func(f *layer.Feature, rings [][]geo.XY) error {
			if len(in.units) == before || f.FID != last { // once a feature, however many parts it has
				in.units = append(in.units, cols.ground(f))
				last = f.FID
			}
			u := &in.units[len(in.units)-1]
			depth := u.DepthM.Or(o.depth)
			if u.DensityGCm3.Known && u.Texture != soil.NoTexture {
				depth = soil.UsableDepthM(u.DepthM.Or(o.depth), o.maxDepth, soil.Layer{TopM: denseFromM, Texture: u.Texture, DensityGCm3: u.DensityGCm3.Value})
			}
			return b.Soil(rings, depth, int32(len(in.units)-1))
		}, nil
	})
	if err != nil {
		return err
	}
	in.report.Notes = append(in.report.Notes, cols.sentences()...)
	return nil
}

// denseFromM is where soil that is too dense for roots is taken to begin when a
// layer gives one density for the whole profile: below the depth that planting
// loosens. Common practice, no source.
const denseFromM = 0.3

// readLines reads a layer of lines, each in the plane.
func (in *inputs) readLines(ctx context.Context, o *options, path, role string, take func([]geo.XY) error) error {
	src, c, err := in.begin(o, role, path, []string{}, "")
	if err != nil {
		return err
	}
	defer src.Close()
	conv, err := in.way(c)
	if err != nil {
		return err
	}
	if err := in.records(ctx, src, c, func(f *layer.Feature) error {
		lines, strays := linesOf(f.Geometry)
		c.Strays += strays
		for _, l := range lines {
			pts := make([]geo.XY, 0, len(l))
			var bad error
			for _, p := range l {
				q, err := conv(p[0], p[1])
				if err != nil {
					bad = err
					break
				}
				c.take(q)
				pts = append(pts, q)
			}
			if bad == nil {
				bad = take(pts)
			}
			if bad != nil {
				c.left("a line that cannot be used", &layer.Error{File: path, Feature: f.FID, Err: bad})
				continue
			}
			c.Taken++
		}
		return nil
	}); err != nil {
		return err
	}
	if c.Taken == 0 {
		return c.nothing("line", "lines")
	}
	return nil
}

// linesOf takes the lines of a geometry; rings of polygons count as lines, as
// walls are drawn either way.
func linesOf(g orb.Geometry) (lines []orb.LineString, strays int) {
	switch g := g.(type) {
	case orb.LineString:
		return []orb.LineString{g}, 0
	case orb.MultiLineString:
		return g, 0
	case orb.Ring:
		return []orb.LineString{orb.LineString(g)}, 0
	case orb.Polygon:
		for _, r := range g {
			lines = append(lines, orb.LineString(r))
		}
		return lines, 0
	case orb.MultiPolygon:
		for _, p := range g {
			l, s := linesOf(p)
			lines, strays = append(lines, l...), strays+s
		}
		return lines, strays
	case orb.Collection:
		for _, p := range g {
			l, s := linesOf(p)
			lines, strays = append(lines, l...), strays+s
		}
		return lines, strays
	}
	return nil, 1
}

// stat notes the sizes and times of the input files.
func (r *report) stat(o *options) error {
	r.Bytes = map[string]int64{}
	for _, f := range o.inputFiles() {
		if layer.IsDatabase(f) || f == pipe {
			continue
		}
		info, err := os.Stat(f)
		if err != nil {
			return &layer.Error{File: f, Err: errors.Unwrap(err), Remedy: "is the name right?"}
		}
		r.Bytes[f] = info.Size()
		r.newest = max(r.newest, info.ModTime().Unix())
	}
	return nil
}
