package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"soilshed/geo/crs"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
)

// Most nights no layer but the trees has changed. A run with --since keeps the
// map of the ground beside its output, NAME-kept-map.bin, with what was met in
// the layers that it was made of; a run whose layers are those very files, in the
// same plane and by the same settings, takes the map from there and need not read
// them. The map hangs on nothing else: all words on which it does stand at the
// head of the file, and where one of them is another, the layers are read.
//
//	magic, uint32, words    as in NAME-kept.bin
//	uint32, census          what was met in the layers (keptCensus)
//	map                     ground.Map.Write
//	digest                  of all that, SHA-256

const (
	keptMapName  = "soilshed kept map "
	keptMapMagic = keptMapName + "1\n"
)

// keptMapPath is where the kept map of an output lies: NAME-kept-map.bin.
func keptMapPath(out string) string { return strings.TrimSuffix(keptPath(out), ".bin") + "-map.bin" }

// mapReuse is the part of a run that takes over the map.
type mapReuse struct {
	taken bool
	why   string      // why not, where that is worth a word
	new   *keptWriter // what this run keeps; nil when nothing is to be written
	drop  string      // what is kept beside the output of other layers, and no good any more
}

// keptCensus is what reading the layers of the ground gave beside the map.
type keptCensus struct {
	Layers []keptLayer
	Notes  []string
	Units  []mapUnit
}

// keptLayer is a layerCount, all of it.
type keptLayer struct {
	Role, File     string
	Records, Taken int
	Strays         int
	Empty          int
	Crossing       int
	Reasons        []string // of the records left out, in order
	Failed         []int    // how many, by reason
	FirstFailed    []string
	Box, Raw       [4]float64
	EPSG           int
	WKT            string // "" where the code says it
}

var censusCoding = codingOf(reflect.TypeFor[keptCensus]())

func (c *layerCount) keep() (k keptLayer, ok bool) {
	k = keptLayer{Role: c.Role, File: c.File, Records: c.Records, Taken: c.Taken, Strays: c.Strays, Empty: c.Empty, Crossing: c.Crossing,
		FirstFailed: c.FirstFailed, Box: c.box, Raw: c.raw, EPSG: c.system.EPSG()}
	for reason := range c.Failed {
		k.Reasons = append(k.Reasons, reason)
	}
	slices.Sort(k.Reasons)
	for _, reason := range k.Reasons {
		k.Failed = append(k.Failed, c.Failed[reason])
	}
	// Of the system, its name, code and kind are told; it must come back with them,
	// by its text or by its code.
	for _, k.WKT = range []string{c.system.WKT(), ""} {
		if s, err := k.system(); err == nil && s.Name() == c.system.Name() && s.EPSG() == c.system.EPSG() && s.Geographic() == c.system.Geographic() {
			return k, true
		}
	}
	return k, false
}

func (k *keptLayer) system() (*crs.System, error) {
	if k.WKT != "" {
		return crs.ParseWKT(k.WKT)
	}
	return crs.FromEPSG(k.EPSG)
}

func (k *keptLayer) count() (*layerCount, error) {
	system, err := k.system()
	if err != nil || len(k.Reasons) != len(k.Failed) {
		return nil, errShort
	}
	c := &layerCount{Role: k.Role, File: k.File, Records: k.Records, Taken: k.Taken, Strays: k.Strays, Empty: k.Empty, Crossing: k.Crossing,
		FirstFailed: k.FirstFailed, box: k.Box, raw: k.Raw, system: system}
	for i, reason := range k.Reasons {
		if c.Failed == nil {
			c.Failed = map[string]int{}
		}
		c.Failed[reason] = k.Failed[i]
	}
	return c, nil
}

// ofMap are the roles of the layers of which the map is made.
var ofMap = []string{"pavement", "bed", "rootable", "soil", "target", "study area", "barrier"}

// notOfMap are the flags that the map and its census do not hang on; a flag that
// is not named here counts.
var notOfMap = []string{
	"config", "out", "since", "weather", "gusts", "evidence", "excavations", "plant", "remove", "field", "tree-layer",
	"weather-field", "gust-field", "excavation-field", "year", "latitude", "elevation", "list-by",
	"crew-days", "crew-hours", "crew-speed", "page", "page-details", "charts", "tiles", "tile-paving", "out-format", "keep", "workers", "cell", "max-skipped", "quiet", "log",
}

// mapWords is all that the map hangs on; nil where that cannot be told, as the
// layers are no files of which the digests say all.
func (a *assessment) mapWords() map[string]string {
	m := map[string]string{
		"program":          version + ", build " + ownDigest(),
		"the local plane":  a.in.plane.String(),
		"trees' system":    a.in.system.WKT(),
		"settings of maps": fmt.Sprintf("%+v", a.o.groundOptions()),
	}
	a.o.flags.VisitAll(func(f *pflag.Flag) {
		if !f.Hidden && !slices.Contains(notOfMap, f.Name) {
			m["--"+f.Name] = fmt.Sprint(flagValue(a.o.flags, f))
		}
	})
	for i, in := range a.inputs.list {
		if !slices.Contains(ofMap, in.Role) {
			continue
		}
		if !plainFile(in.File) || in.SHA256 == "" {
			return nil
		}
		m[fmt.Sprintf("layer %04d, %s", i, in.Role)] = in.File + " " + in.SHA256
	}
	return m
}

// plainEndings are those of files whose digests, with those of the parts of a
// shapefile, tell all that is read. A file without one may be anything.
var plainEndings = []string{".shp", ".dbf", ".shx", ".prj", ".cpg", ".geojson", ".json", ".geojsonl", ".geojsons", ".geojsonseq", ".ndjson", ".ndgeojson", ".jsonl", ".gz",
	".gpkg", ".csv", ".tsv", ".zip", ".parquet", ".geoparquet", ".fgb"}

// plainFile tells whether the bytes of a file are all that is read of it.
func plainFile(file string) bool {
	if file == pipe || layer.IsDatabase(file) || !slices.Contains(plainEndings, strings.ToLower(filepath.Ext(file))) {
		return false
	}
	for _, log := range []string{"-wal", "-journal"} { // of a database that is at work in it
		if _, err := os.Lstat(file + log); err == nil {
			return false
		}
	}
	return true
}

// readLayers reads the layers of the ground, or takes over what an older run has
// made of them.
func (a *assessment) readLayers(ctx context.Context) error {
	if a.o.since == "" || a.inputs == nil {
		return a.in.readMap(ctx, a.o)
	}
	<-a.inputs.done
	r := &mapReuse{}
	a.reuseMap = r
	words := a.mapWords()
	to := keptMapPath(a.o.out)
	if words == nil || a.inputs.err != nil { // the reader says better what is wrong
		r.drop = to
		return a.in.readMap(ctx, a.o)
	}
	from := keptMapPath(a.o.since)
	var census *keptCensus
	var m *ground.Map
	m, census, r.why = openKeptMap(from, words)
	if m != nil && a.in.takeCensus(census) {
		a.in.m, r.taken = m, true
		layers := slices.Clone(a.in.report.Layers[len(a.in.report.Layers)-len(census.Layers):])
		pavement := slices.DeleteFunc(layers, func(c *layerCount) bool { return c.Role != "pavement" })
		if err := a.in.pavementApart(a.o, pavement); err != nil || sameName(from, to) {
			return err
		}
		return r.begin(to, words, census, m)
	}
	notes, layers, units := len(a.in.report.Notes), len(a.in.report.Layers), len(a.in.units)
	if err := a.in.readMap(ctx, a.o); err != nil {
		return err
	}
	census = &keptCensus{Notes: a.in.report.Notes[notes:], Units: a.in.units[units:]}
	for _, c := range a.in.report.Layers[layers:] {
		k, ok := c.keep()
		if !ok {
			r.drop = to
			return nil
		}
		census.Layers = append(census.Layers, k)
	}
	// The digests were taken before the layers were read: what was read must be what
	// they are of.
	same, err := a.sameLayers(ctx)
	if err != nil || !same {
		r.drop = to
		return err
	}
	return r.begin(to, words, census, a.in.m)
}

// sameLayers tells whether the files of the map still have the digests that they
// had at the beginning.
func (a *assessment) sameLayers(ctx context.Context) (bool, error) {
	for _, in := range a.inputs.list {
		if !slices.Contains(ofMap, in.Role) {
			continue
		}
		x, err := hashFile(ctx, in.File)
		if ctx.Err() != nil {
			return false, ctx.Err()
		}
		if err != nil || x.SHA256 != in.SHA256 || !plainFile(in.File) {
			return false, nil
		}
	}
	return true, nil
}

// takeCensus takes over what was met in the layers; it tells whether it could.
func (in *inputs) takeCensus(k *keptCensus) bool {
	var layers []*layerCount
	for i := range k.Layers {
		c, err := k.Layers[i].count()
		if err != nil {
			return false
		}
		layers = append(layers, c)
	}
	in.report.Layers = append(in.report.Layers, layers...)
	in.report.Notes = append(in.report.Notes, k.Notes...)
	in.units = append(in.units, k.Units...)
	return true
}

// begin writes what is kept beside the output, to be put in its place at the end.
func (r *mapReuse) begin(path string, words map[string]string, census *keptCensus, m *ground.Map) (err error) {
	if r.new, err = createKept(path, keptMapMagic, words); err != nil {
		return err
	}
	r.new.list(censusCoding.put(nil, reflect.ValueOf(census).Elem()))
	if r.new.err == nil {
		r.new.err = m.Write(r.new.buf)
	}
	return nil
}

// openKeptMap reads the map at path. Where it is of no use, it says why, if that
// is worth a word: not that there is none, or that a layer is another.
func openKeptMap(path string, words map[string]string) (m *ground.Map, c *keptCensus, why string) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil, ""
	}
	if err != nil {
		return nil, nil, fmt.Sprintf("%s cannot be read: %v", path, err)
	}
	defer f.Close()
	damaged := path + " is damaged, so the layers were read"
	info, err := f.Stat()
	if err != nil {
		return nil, nil, damaged
	}
	left := info.Size() - sha256.Size
	sum := sha256.New()
	in := bufio.NewReaderSize(io.TeeReader(io.LimitReader(f, max(left, 0)), sum), 1<<18)
	take := func(n int64) []byte {
		if n > left {
			left = -1
			return nil
		}
		b := make([]byte, n)
		left -= n
		if _, err := io.ReadFull(in, b); err != nil {
			left = -1
			return nil
		}
		return b
	}
	list := func() []byte {
		if b := take(4); b != nil {
			return take(int64(binary.LittleEndian.Uint32(b)))
		}
		return nil
	}
	magic := take(int64(len(keptMapMagic)))
	if magic != nil && string(magic) != keptMapMagic && strings.HasPrefix(string(magic), keptMapName) {
		return nil, nil, path + " is of another version (it is written anew beside this output)"
	}
	text := list()
	was := map[string]string{}
	if string(magic) != keptMapMagic || text == nil || json.Unmarshal(text, &was) != nil {
		return nil, nil, damaged
	}
	if differing(was, words) != "" {
		return nil, nil, ""
	}
	b := list()
	if left < 0 {
		return nil, nil, damaged
	}
	c = &keptCensus{}
	if rest, err := censusCoding.get(b, reflect.ValueOf(c).Elem()); err != nil || len(rest) > 0 {
		return nil, nil, damaged
	}
	if m, err = ground.ReadMap(in, left); err != nil {
		return nil, nil, damaged
	}
	var end [sha256.Size]byte
	if _, err := f.ReadAt(end[:], info.Size()-sha256.Size); err != nil || !bytes.Equal(end[:], sum.Sum(nil)) {
		return nil, nil, damaged
	}
	return m, c, ""
}

// finish puts the map beside the output, or takes one away that is none of its.
func (r *mapReuse) finish() (err error) {
	switch {
	case r == nil:
	case r.new != nil:
		_, err = r.new.commit()
	case r.drop != "":
		if err = os.Remove(r.drop); errors.Is(err, fs.ErrNotExist) {
			err = nil
		}
	}
	return err
}

func (r *mapReuse) abort() {
	if r != nil {
		r.new.abort()
	}
}
