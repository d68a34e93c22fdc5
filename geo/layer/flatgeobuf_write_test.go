package layer

import (
	"bytes"
	"encoding/binary"
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/wkt"

	"soilshed/geo/crs"
)

// The curve steps from cell to cell and meets each once, in every quarter before it
// goes to the next (Hilbert 1891), and begins as the files of the format have it: the
// first cells of a square of 2^16 to a side are (0, 0), (1, 0), (1, 1), (0, 1), (0, 2),
// since the size of it is an even power of two.
func TestFGBHilbert(t *testing.T) {
	for i, c := range [][2]uint32{{0, 0}, {1, 0}, {1, 1}, {0, 1}, {0, 2}, {0, 3}, {1, 3}, {1, 2}, {2, 2}} {
		if got := fgbHilbert(c[0], c[1]); got != uint32(i) {
			t.Errorf("%v lies at %d, want %d", c, got, i)
		}
	}
	if got := fgbHilbert(math.MaxUint16, 0); got != math.MaxUint32 {
		t.Errorf("the curve ends at %d", got)
	}
	// The cells of one corner and of one amidst, by where they lie.
	for _, corner := range [][2]uint32{{0, 0}, {1<<15 - 64, 1<<15 + 64}, {65536 - 128, 128}} {
		const side = 64
		type cell struct{ x, y, along uint32 }
		var cells []cell
		for x := range uint32(side) {
			for y := range uint32(side) {
				cells = append(cells, cell{corner[0] + x, corner[1] + y, fgbHilbert(corner[0]+x, corner[1]+y)})
			}
		}
		slices.SortFunc(cells, func(a, b cell) int { return int(int64(a.along) - int64(b.along)) })
		for i := 1; i < len(cells); i++ {
			a, b := cells[i-1], cells[i]
			if b.along != a.along+1 || math.Abs(float64(a.x)-float64(b.x))+math.Abs(float64(a.y)-float64(b.y)) != 1 {
				t.Fatalf("from %v to %v", a, b)
			}
		}
		if first := cells[0].along; first%(side*side) != 0 {
			t.Errorf("the square at %v begins at %d", corner, first)
		}
	}
	for _, c := range []struct {
		middle, lo, size float64
		want             uint32
	}{{5, 0, 10, 32767}, {0, 0, 10, 0}, {10, 0, 10, 65535}, {10.000001, 0, 10, 65535}, {7, 7, 0, 0}, {-1, 0, 10, 0}} {
		if got := fgbCell(c.middle, c.lo, c.size); got != c.want {
			t.Errorf("%v: cell %d", c, got)
		}
	}
}

// fgbParts are the parts of a file that is whole, as the layout of the format has
// them, told without the reader.
type fgbParts struct {
	head    fgbTable
	count   int
	levels  [][]fgbNode // the root first
	records map[uint64][]byte
}

type fgbNode struct {
	box    [4]float64
	number uint64
}

func partsOf(t *testing.T, path string) (p fgbParts) {
	t.Helper()
	b := mustBytes(t, path)
	if string(b[:8]) != "fgb\x03fgb\x01" {
		t.Fatalf("first bytes %q", b[:8])
	}
	size := int(binary.LittleEndian.Uint32(b[8:]))
	var err error
	p.head, err = fgbRoot(b[12 : 12+size])
	noError(t, err)
	if (12+size)%8 != 0 {
		t.Errorf("the index begins at byte %d", 12+size)
	}
	at, has, err := p.head.field(fgbHeaderCount, 8)
	noError(t, err)
	if has {
		p.count = int(p.head.GetUint64(at))
	}
	b = b[12+size:]
	// From the leaves up to the root, sixteen nodes under one.
	var sizes []int
	for n := p.count; n > 0; n = (n + 15) / 16 {
		sizes = append(sizes, n)
		if n == 1 && len(sizes) > 1 {
			break
		}
	}
	for _, n := range slices.Backward(sizes) {
		level := make([]fgbNode, n)
		for i := range level {
			for k := range 4 {
				level[i].box[k] = math.Float64frombits(binary.LittleEndian.Uint64(b[8*k:]))
			}
			level[i].number = binary.LittleEndian.Uint64(b[32:])
			b = b[40:]
		}
		p.levels = append(p.levels, level)
	}
	p.records = map[uint64][]byte{}
	for from := uint64(0); len(b) > 0; {
		n := 4 + int(binary.LittleEndian.Uint32(b))
		p.records[from] = b[4:n]
		from += uint64(n)
		b = b[n:]
		if n%8 != 0 {
			t.Errorf("a record of %d bytes", n)
		}
	}
	return p
}

// meeting are the numbers of the leaves that the index finds to meet a box.
func (p fgbParts) meeting(w [4]float64) (found []uint64) {
	var look func(level, from int)
	first := 0 // node of each level, counted from the root
	firsts := []int{}
	for _, l := range p.levels {
		firsts = append(firsts, first)
		first += len(l)
	}
	look = func(level, from int) {
		for i := from; i < min(from+16, len(p.levels[level])); i++ {
			n := p.levels[level][i]
			if n.box[2] < w[0] || n.box[3] < w[1] || n.box[0] > w[2] || n.box[1] > w[3] {
				continue
			}
			if level == len(p.levels)-1 {
				found = append(found, n.number)
			} else {
				look(level+1, int(n.number)-firsts[level+1])
			}
		}
	}
	if len(p.levels) > 0 {
		look(0, 0)
	}
	return found
}

// Whatever is written: the records stand along the curve, the index finds the ones
// that meet a window and no others, and reading gives what was written.
func TestFlatGeobufRoundTripAndIndex(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	sys := system(t, "EPSG:2263")
	for _, n := range []int{0, 1, 2, 15, 16, 17, 255, 256, 257, 4100} {
		for _, shape := range []Shape{Points, Lines, Polygons} {
			path := filepath.Join(t.TempDir(), "a.fgb")
			schema := Schema{Name: "a", System: sys, Shape: shape, Fields: []Field{{Name: "id", Kind: Integer}, {Name: "t"}, {Name: "x", Kind: Real}, {Name: "b", Kind: Boolean}, {Name: "d", Kind: Date}}}
			var rows []Feature
			at := func() orb.Point { return orb.Point{980000 + 1000*rnd.Float64(), 200000 + 500*rnd.Float64()} }
			for i := range n {
				f := Feature{FID: int64(i + 1), Values: make([]Value, 5)}
				f.Values[0] = Whole(int64(i))
				for k, v := range []Value{String(fmt.Sprint("Straße ", rnd.IntN(1000))), Number(rnd.NormFloat64()), Truth(rnd.IntN(2) == 0), Day(fmt.Sprintf("2024-05-%02d", 1+rnd.IntN(31)))} {
					if rnd.IntN(4) > 0 {
						f.Values[1+k] = v
					}
				}
				p := at()
				switch {
				case rnd.IntN(20) == 0: // none
				case shape == Points:
					f.Geometry = p
				case shape == Lines:
					f.Geometry = orb.MultiLineString{{p, at()}, {p, at(), at()}}[:1+rnd.IntN(2)]
				default:
					s := 5 * rnd.Float64()
					ring := func(x, y, s float64) orb.Ring {
						return orb.Ring{{x, y}, {x + s, y}, {x + s, y + s}, {x, y + s}, {x, y}}
					}
					hole := ring(p[0]+s/4, p[1]+s/4, s/2)
					hole.Reverse()
					f.Geometry = []orb.MultiPolygon{{{ring(p[0], p[1], s)}}, {{ring(p[0], p[1], s), hole}}, {{ring(p[0], p[1], s)}, {ring(p[0]+2*s, p[1], s), ring(p[0]+2.25*s, p[1]+s/4, s/2)}}}[rnd.IntN(3)]
					if m := f.Geometry.(orb.MultiPolygon); len(m) == 2 {
						m[1][1].Reverse()
					}
				}
				rows = append(rows, f)
			}
			sink := write(t, path, []Schema{schema}, CreateOptions{}, rows)
			if notes := sink.(*flatSink).Notes(); len(notes) != 0 {
				t.Errorf("%q", notes)
			}
			s, got := mustRead(t, path, Options{})
			if len(got) != n || !s.Schema().System.Same(sys) || s.Schema().Shape != shape || s.Schema().Records != n || len(s.Notes()) != 0 {
				t.Fatalf("%d of %d records; %+v; %q", len(got), n, s.Schema(), s.Notes())
			}
			all := emptyBound()
			for _, f := range rows {
				if f.Geometry != nil {
					all = all.Union(f.Geometry.Bound())
				}
			}
			p := partsOf(t, path)
			if p.count != n || len(p.records) != n {
				t.Fatalf("it counts %d records and has %d, want %d", p.count, len(p.records), n)
			}
			last, lastID := int64(math.MaxInt64), int64(0)
			ids := map[uint64]int64{} // by the byte of the record
			if n > 0 {
				var froms []uint64
				for from := range p.records {
					froms = append(froms, from)
				}
				slices.Sort(froms)
				leaves := p.levels[len(p.levels)-1]
				for i, from := range froms {
					ids[from], _ = got[i].Values[0].Int()
					if leaves[i].number != from {
						t.Fatalf("leaf %d leads to byte %d, want %d", i, leaves[i].number, from)
					}
				}
			}
			for i, f := range got {
				id, _ := f.Values[0].Int()
				was := rows[id]
				if fmt.Sprintf("%q", texts(f)) != fmt.Sprintf("%q", texts(was)) || (f.Geometry == nil) != (was.Geometry == nil) || f.Geometry != nil && !orb.Equal(f.Geometry, was.Geometry) {
					t.Fatalf("record %d: %v %q, want %v %q", i+1, f.Geometry, texts(f), was.Geometry, texts(was))
				}
				along := int64(0)
				if f.Geometry != nil {
					c := f.Geometry.Bound().Center()
					x := uint32(65535 * (c[0] - all.Min[0]) / max(all.Max[0]-all.Min[0], 1e-300))
					y := uint32(65535 * (c[1] - all.Min[1]) / max(all.Max[1]-all.Min[1], 1e-300))
					along = int64(fgbHilbert(x, y))
				}
				if along > last || along == last && id < lastID {
					t.Fatalf("record %d lies at %d of the curve, behind one at %d", i+1, along, last)
				}
				last, lastID = along, id
			}
			for range 20 {
				a, b := at(), at()
				w := [4]float64{min(a[0], b[0]), min(a[1], b[1]), max(a[0], b[0]), max(a[1], b[1])}
				if rnd.IntN(4) == 0 {
					w = [4]float64{-1e300, -1e300, 1e300, 1e300}
				}
				var found, want []int
				for _, from := range p.meeting(w) {
					found = append(found, int(ids[from]))
				}
				for id, f := range rows {
					if f.Geometry != nil && f.Geometry.Bound().Intersects(orb.Bound{Min: orb.Point{w[0], w[1]}, Max: orb.Point{w[2], w[3]}}) {
						want = append(want, id)
					}
				}
				if slices.Sort(found); !slices.Equal(found, want) {
					t.Fatalf("%d records: the index finds %d in %v, want %d", n, len(found), w, len(want))
				}
			}
		}
	}
}

// What the file says of itself.
func TestFlatGeobufHead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "city.fgb")
	sys := system(t, "EPSG:2193") // north before east in the EPSG dataset; x before y in the file all the same
	schemas := twoLayers(sys)
	schemas[0].Fields[2].Alias = "Soil"
	write(t, path, schemas, CreateOptions{Metadata: "Confirm on \"site\"."}, sampleRows(orb.Point{1750000.1, 5420000.1}, 10)...)
	for file, want := range map[string]struct {
		kind byte
		name string
		box  []float64
	}{
		"city.fgb":          {1, "trees", []float64{1750000.1, 5420000.1, 1750010.1, 5420000.1}},
		"city-openings.fgb": {6, "openings", []float64{1750000.1, 5420000.1, 1750350.1, 5420090.1}},
	} {
		h := partsOf(t, filepath.Join(filepath.Dir(path), file)).head
		kind, err := h.byte(fgbHeaderType)
		noError(t, err)
		name, err := h.text(fgbHeaderName)
		noError(t, err)
		b, _, err := h.vector(fgbHeaderEnvelope, 8)
		noError(t, err)
		var box []float64
		for i := 0; i < len(b); i += 8 {
			box = append(box, math.Float64frombits(binary.LittleEndian.Uint64(b[i:])))
		}
		c, _, err := h.table(fgbHeaderCRS)
		noError(t, err)
		code, err := c.int32(fgbCRSCode, 0)
		noError(t, err)
		org, _ := c.text(fgbCRSOrg)
		called, _ := c.text(fgbCRSName)
		text, _ := c.text(fgbCRSWKT)
		if kind != want.kind || name != want.name || fmt.Sprint(box) != fmt.Sprint(want.box) || org != "EPSG" || code != 2193 || called != sys.Name() || text != sys.WKT() {
			t.Errorf("%s: %d %s %v, %s:%d %s %s", file, kind, name, box, org, code, called, text)
		}
		metadata, _ := h.text(fgbHeaderMetadata)
		if metadata != `{"metadata":"Confirm on \"site\"."}` {
			t.Errorf("%s: metadata %s", file, metadata)
		}
	}
	s, err := Open(path, Options{})
	noError(t, err)
	if f := s.Schema().Fields[2]; s.Schema().Metadata != "Confirm on \"site\"." || f != (Field{Name: "soil_m3", Kind: Real, Unit: "m3", Alias: "Soil", Doc: "Available soil volume"}) {
		t.Errorf("%+v", s.Schema())
	}
	// A system that no code names.
	local := localSystem(t)
	path = filepath.Join(t.TempDir(), "a.fgb")
	write(t, path, []Schema{{Name: "a", System: local, Shape: Points}}, CreateOptions{}, []Feature{{Geometry: orb.Point{1000, 5}}})
	if s, all := mustRead(t, path, Options{}); !s.Schema().System.Same(local) || len(all) != 1 {
		t.Errorf("%v", s.Schema().System)
	}
}

// Geometries that are none, open and wrongly wound rings, and values that a column
// cannot hold.
func TestFlatGeobufShapesAndValues(t *testing.T) {
	ring := orb.Ring{{0, 0}, {0, 9}, {9, 9}, {9, 0}} // clockwise and open
	path := filepath.Join(t.TempDir(), "a.fgb")
	sys := system(t, "EPSG:32617")
	fields := []Field{{Name: "n", Kind: Integer}, {Name: "N", Kind: Date}}
	sink := write(t, path, []Schema{{Name: "a", System: sys, Shape: Polygons, Fields: fields}}, CreateOptions{}, []Feature{
		{Geometry: orb.Polygon{ring}, Values: []Value{String(" 9007199254740993 "), String("2024-02-30")}},
		{Geometry: orb.MultiPolygon{{{{0, 0}, {1, 1}, {0, 0}}}}, Values: []Value{Number(2.5), Day("2024-02-29")}},
		{Geometry: orb.Polygon{}, Values: []Value{Whole(-1), null}},
	})
	_, all := mustRead(t, path, Options{})
	var got []string
	for _, f := range all {
		text := "none"
		if f.Geometry != nil {
			text = wkt.MarshalString(f.Geometry)
		}
		got = append(got, fmt.Sprint(text, texts(f)))
	}
	sort.Strings(got)
	want := []string{"MULTIPOLYGON(((0 0,9 0,9 9,0 9,0 0)))[9007199254740993 null]", "none[-1 null]", "none[null 2024-02-29]"}
	if !slices.Equal(got, want) {
		t.Errorf("%q\nwant %q", got, want)
	}
	notes := strings.Join(sink.(*flatSink).Notes(), "; ")
	for _, want := range []string{"a.fgb: 1 ring of fewer than three corners not written", `field "N" is written as "N_2"`, `field n: 1 value is no whole number and left empty (the first: feature 2, "2.5")`, `field N: 1 value is no date`} {
		if !strings.Contains(notes, want) {
			t.Errorf("%s\nlacks %s", notes, want)
		}
	}
	if _, err := Create(filepath.Join(t.TempDir(), "a.fgb.gz"), []Schema{{Name: "a", System: sys, Shape: Points}}, CreateOptions{}); err == nil || !strings.Contains(err.Error(), "a packed file has no use of an index") || !strings.Contains(err.Error(), "end the name in .fgb") {
		t.Error(err)
	}
}

// Of each record its box and place are held, and nothing else, however large it is;
// nothing is left beside the output, and all is in it, though it was copied in parts.
func TestFlatGeobufStaysSmall(t *testing.T) {
	const n, each = 60_000, 48
	long := strings.Repeat("0123456789", 40_000)
	text := func(i int) string {
		if i%5000 == 7 {
			return long[i%10 : 300_000+i]
		}
		return long[i%10 : 200+i%700]
	}
	at := func(i int) orb.Point { return orb.Point{float64(i * 7919 % 360), float64(i * 104729 % 90)} }
	folder := t.TempDir()
	path := filepath.Join(folder, "a.fgb")
	s, err := Create(path, []Schema{{Name: "a", System: crs.WGS84(), Shape: Points, Fields: []Field{{Name: "i", Kind: Integer}, {Name: "t"}}}}, CreateOptions{})
	noError(t, err)
	memory := func() uint64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.GC()
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	var before uint64
	for i := range n {
		noError(t, s.Write(0, Feature{Geometry: at(i), Values: []Value{Whole(int64(i)), String(text(i))}}))
		if i == 7 { // its room is that of the largest
			before = memory()
		}
	}
	if held := memory() - before; held > 2*each*n {
		t.Errorf("%d bytes a record", held/n)
	}
	noError(t, s.Commit())
	if got := names(t, folder); got != "a.fgb" {
		t.Errorf("left: %s", got)
	}
	again, err := Open(path, Options{})
	noError(t, err)
	seen := make([]bool, n)
	for f, err := range again.Features() {
		noError(t, err)
		i, _ := f.Values[0].Int()
		if f.Geometry != at(int(i)) || f.Values[1].Text() != text(int(i)) || seen[i] {
			t.Fatalf("record %d is another, or twice", i)
		}
		seen[i] = true
	}
	if slices.Contains(seen, false) {
		t.Error("records are lost")
	}
}

// GDAL opens what we write without a word, finds in it what we put there, in a window
// what lies in it, and would have put the records in the same order.
func TestFlatGeobufToGDAL(t *testing.T) {
	ogrinfo, ogr2ogr := gdalTool(t, "ogrinfo"), gdalTool(t, "ogr2ogr")
	dir := t.TempDir()
	for _, code := range []string{"EPSG:4326", "EPSG:2263", "EPSG:26910"} {
		at, size := orb.Point{987654.5, 200000}, 10.0
		if code == "EPSG:4326" {
			at, size = orb.Point{-71.123456, 42.5}, 1e-4
		}
		sys := system(t, code)
		path := filepath.Join(dir, "city.fgb")
		write(t, path, twoLayers(sys), CreateOptions{Metadata: "Confirm on site."}, sampleRows(at, size)...)
		trees := gdal(t, ogrinfo, "-ro", "-al", path)
		for _, want := range []string{"Layer name: trees", "Feature Count: 3", "ID[\"EPSG\"," + code[5:] + "]]", "Geometry: Point", "count: Integer64", "soil_m3: Real", "street: Integer(Boolean)", "planted: DateTime",
			"soil_m3 (Real) = 12.5", "Ü-1 \"x\"", "count (Integer64) = -123456789012", "2001/04/12", "street (Integer(Boolean)) = 1", "fail_yr (Real) = 1.25e-09"} {
			if !strings.Contains(trees, want) {
				t.Errorf("%s: ogrinfo does not say %q:\n%s", code, want, trees)
			}
		}
		open := gdal(t, ogrinfo, "-ro", "-al", layerPath(path, twoLayers(sys), 1))
		if n := strings.Count(open, "MULTIPOLYGON ((("); n != 2 || !strings.Contains(open, "Feature Count: 2") || !strings.Contains(open, "share_m2 (Real) = 1234.5") {
			t.Errorf("%s: %s", code, open)
		}
	}
	if empty := filepath.Join(dir, "empty.fgb"); true {
		write(t, empty, []Schema{{Name: "e", System: crs.WGS84(), Shape: Lines}}, CreateOptions{}, nil)
		if said := gdal(t, ogrinfo, "-ro", "-al", empty); !strings.Contains(said, "Feature Count: 0") || !strings.Contains(said, "Multi Line String") {
			t.Error(said)
		}
	}

	rnd := rand.New(rand.NewPCG(5, 6))
	path := filepath.Join(dir, "many.fgb")
	var rows []Feature
	for i := range 5000 {
		x, y, s := 500000+1000*rnd.Float64(), 4500000+700*rnd.Float64(), 5*rnd.Float64()
		rows = append(rows, Feature{FID: int64(i + 1), Geometry: orb.Polygon{{{x, y}, {x + s, y}, {x + s, y + s}, {x, y + s}, {x, y}}}, Values: []Value{Whole(int64(i))}})
	}
	write(t, path, []Schema{{Name: "many", System: system(t, "EPSG:26918"), Shape: Polygons, Fields: []Field{{Name: "id", Kind: Integer}}}}, CreateOptions{}, rows)
	ids := func(path string, more ...string) (all []int) {
		t.Helper()
		text := gdal(t, ogr2ogr, append([]string{"-f", "CSV", "/vsistdout/", path, "-select", "id"}, more...)...)
		table := csv.NewReader(strings.NewReader(text))
		table.FieldsPerRecord = -1 // GDAL ends its lines with a comma
		lines, err := table.ReadAll()
		noError(t, err)
		for _, l := range lines[1:] {
			id, err := strconv.Atoi(l[0])
			noError(t, err)
			all = append(all, id)
		}
		return all
	}
	meets := 0
	for range 5 {
		x, y, w, h := 500000+900*rnd.Float64(), 4500000+600*rnd.Float64(), 200*rnd.Float64(), 100*rnd.Float64()
		var want []int
		for i, f := range rows {
			b := f.Geometry.Bound()
			if b.Min[0] <= x+w && b.Max[0] >= x && b.Min[1] <= y+h && b.Max[1] >= y {
				want = append(want, i)
			}
		}
		got := ids(path, append([]string{"-spat"}, strings.Fields(fmt.Sprintf("%.17g %.17g %.17g %.17g", x, y, x+w, y+h))...)...)
		if slices.Sort(got); !slices.Equal(got, want) {
			t.Errorf("%d records in a window to GDAL, want %d", len(got), len(want))
		}
		meets += len(want)
	}
	if meets == 0 {
		t.Error("windows of nothing")
	}
	// The records by their numbers, without an order, to GDAL and back.
	table, theirs := filepath.Join(dir, "many.gpkg"), filepath.Join(dir, "theirs.fgb")
	write(t, table, []Schema{{Name: "many", System: system(t, "EPSG:26918"), Shape: Polygons, Fields: []Field{{Name: "id", Kind: Integer}}}}, CreateOptions{Changed: testChanged}, rows)
	gdal(t, ogr2ogr, theirs, table)
	if a, b := ids(path), ids(theirs); !slices.Equal(a, b) {
		t.Error("GDAL puts the records in another order")
	}
	ours, other := partsOf(t, path), mustBytes(t, theirs)
	for l, level := range ours.levels {
		for i, n := range level {
			var b []byte
			for _, x := range n.box {
				b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
			}
			if !bytes.Contains(other, b) {
				t.Fatalf("level %d, node %d: GDAL has no box %v", l, i, n.box)
			}
		}
	}
}

// What GDAL makes of each type of geometry, with and without an index, heights and
// measures, is read as the text of it says; arcs are left out by their name.
func TestFlatGeobufTypesOfGDAL(t *testing.T) {
	ogr2ogr := gdalTool(t, "ogr2ogr")
	dir := t.TempDir()
	tried := 0
	for kind, texts := range map[string][]string{
		"POINT":              {"POINT (1 2)", "POINT (3 4)"},
		"MULTIPOINT":         {"MULTIPOINT ((1 2),(3 4))", "MULTIPOINT ((5 6))"},
		"LINESTRING":         {"LINESTRING (1 2,3 4)", "LINESTRING (1 2,3 4,9 9)"},
		"MULTILINESTRING":    {"MULTILINESTRING ((1 2,3 4),(5 6,7 8,9 9))", "MULTILINESTRING ((1 2,3 4))"},
		"POLYGON":            {"POLYGON ((0 0,9 0,9 9,0 9,0 0),(1 1,1 2,2 2,1 1))", "POLYGON ((0 0,9 0,9 9,0 0))"},
		"MULTIPOLYGON":       {"MULTIPOLYGON (((0 0,9 0,9 9,0 9,0 0),(1 1,1 2,2 2,1 1)),((20 0,29 0,29 9,20 0)))", "MULTIPOLYGON (((0 0,9 0,9 9,0 0)))"},
		"GEOMETRYCOLLECTION": {"GEOMETRYCOLLECTION (POINT (1 2),POLYGON ((0 0,9 0,9 9,0 0)),LINESTRING (1 2,3 4))", "GEOMETRYCOLLECTION (MULTIPOLYGON (((0 0,9 0,9 9,0 0))))"},
		"GEOMETRY":           {"POINT (1 2)", "MULTIPOLYGON (((0 0,9 0,9 9,0 0)))", "LINESTRING (1 2,3 4)", "MULTIPOINT ((1 2),(3 4))"},
		"CIRCULARSTRING":     {"CIRCULARSTRING (0 0,1 1,2 0)"},
		"COMPOUNDCURVE":      {"COMPOUNDCURVE (CIRCULARSTRING (0 0,1 1,2 0),(2 0,3 0))"},
		"CURVEPOLYGON":       {"CURVEPOLYGON (CIRCULARSTRING (0 0,1 1,2 0,1 -1,0 0))", "CURVEPOLYGON ((0 0,9 0,9 9,0 0))"},
		"MULTICURVE":         {"MULTICURVE (CIRCULARSTRING (0 0,1 1,2 0))", "MULTICURVE ((1 2,3 4))"},
		"MULTISURFACE":       {"MULTISURFACE (CURVEPOLYGON (CIRCULARSTRING (0 0,1 1,2 0,1 -1,0 0)))", "MULTISURFACE (((0 0,9 0,9 9,0 0)))"},
		"TIN":                {"TIN (((0 0,9 0,9 9,0 0)))"},
	} {
		table := "id,WKT\n"
		for i, text := range texts {
			table += fmt.Sprintf("%d,\"%s\"\n", i, text)
		}
		from := filepath.Join(dir, kind+".csv")
		noError(t, os.WriteFile(from, []byte(table), 0o666))
		for i, more := range [][]string{{"-lco", "SPATIAL_INDEX=YES"}, {"-lco", "SPATIAL_INDEX=NO"}, {"-dim", "XYZM", "-lco", "SPATIAL_INDEX=NO"}} {
			to := filepath.Join(dir, fmt.Sprint(kind, i, ".fgb"))
			args := append([]string{"-a_srs", "EPSG:32617", "-oo", "GEOM_POSSIBLE_NAMES=WKT", "-oo", "KEEP_GEOM_COLUMNS=NO", "-oo", "AUTODETECT_TYPE=YES"}, more...)
			if len(more) == 2 && more[0] == "-lco" {
				args = append(args, "-nlt", kind)
			}
			if kind == "TIN" && i > 1 {
				continue // GDAL does not raise it
			}
			gdal(t, ogr2ogr, append(args, to, from)...)
			_, all, bad, err := readAll(t, to, Options{})
			noError(t, err)
			for _, r := range bad {
				if curve := strings.Contains(kind, "CURVE") || strings.Contains(kind, "CIRCULAR") || kind == "MULTISURFACE"; curve != (r.Reason == reasonCurve) || !curve && r.Reason != reasonShape {
					t.Errorf("%s: %v (%s)", to, r, r.Reason)
				}
			}
			for _, f := range all {
				id, _ := f.Values[0].Int()
				text := strings.NewReplacer("CURVEPOLYGON", "POLYGON", "MULTICURVE", "MULTILINESTRING", "MULTISURFACE", "MULTIPOLYGON").Replace(texts[id])
				want, err := wkt.Unmarshal(text)
				if err != nil || !orb.Equal(f.Geometry, want) {
					t.Errorf("%s: %v, want %s (%v)", to, f.Geometry, text, err)
				}
			}
			if len(all)+len(bad) != len(texts) {
				t.Errorf("%s: %d records and %v left out, want %d", to, len(all), bad, len(texts))
			}
			tried++
		}
	}
	if tried != 41 {
		t.Errorf("%d files", tried)
	}
}
