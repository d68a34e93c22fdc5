package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jonas-p/go-shp"
	"github.com/paulmach/orb"
	"github.com/rogpeppe/go-internal/testscript"

	"soilshed/geo/crs"
	"soilshed/geo/layer"
)

// The command as a person runs it: each file of fixtures/cli is one story, with
// its input beside its commands. The files of fixtures/cli/street lie in the
// folder of every story: a block drawn in round metres, so that what comes out
// can be worked out by hand; $TOWN is the folder of the invented town. Numbers
// in a story come from such arithmetic, never from what the program printed.
//
// Beside testscript's own commands a story has those of storyCommands.

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"soilshed": func() { os.Exit(run(context.Background(), os.Args[1:], os.Stdout, os.Stderr)) },
	})
}

func TestStories(t *testing.T) {
	town, err := filepath.Abs("../../fixtures/town")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "../../fixtures/cli", Cmds: storyCommands, RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("TOWN", town)
			e.Setenv("SOURCE_DATE_EPOCH", "1700000000")
			return os.CopyFS(e.WorkDir, os.DirFS("../../fixtures/cli/street"))
		},
	})
}

// Every damaged file that was ever collected, given to the command as trees and
// as paving: it does its work or says what is wrong, never anything else, and an
// older output is replaced whole or left alone.
func TestDamagedFiles(t *testing.T) {
	broken, err := filepath.Abs("../../fixtures/broken")
	if err != nil {
		t.Fatal(err)
	}
	var files []string
	err = filepath.WalkDir(broken, func(path string, d fs.DirEntry, err error) error {
		switch filepath.Ext(path) {
		case ".geojson", ".geojsonl", ".geojsons", ".gz", ".shp", ".gpkg", ".fgb":
			files = append(files, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 100 {
		t.Fatalf("only %d damaged files in %s", len(files), broken)
	}
	dir := t.TempDir()
	out := filepath.Join(dir, "out.geojson")
	// Paving where the damaged files have their points, by their format, and a
	// tree where they have their polygons.
	write := func(name, features string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(`{"type":"FeatureCollection","features":[`+features+`]}`), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	square := func(name string, x, y float64) string {
		const d = 1e-4
		return write(name, fmt.Sprintf(`{"type":"Feature","properties":{},"geometry":{"type":"Polygon","coordinates":[[[%g,%g],[%g,%g],[%g,%g],[%g,%g]]]}}`, x-d, y-d, x+d, y-d, x+d, y+d, x-d, y-d))
	}
	trees := write("trees.geojson", `{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[0.5,0.5]}}`)
	paving := square("paving.geojson", 0.5, 0.5)
	pavingOf := map[string]string{".shp": square("a.geojson", 3, 4), ".gpkg": square("b.geojson", 1, 2)}
	pavingOf[".fgb"] = pavingOf[".gpkg"]
	inJSON := square("c.geojson", -71.125, 42.75)
	good := []string{"assess", "--trees", trees, "--pavement", paving, "--reach", "6", "--jitters", "0", "--quiet", "--out", out}
	if code := run(t.Context(), good, os.Stdout, os.Stderr); code != exitDone {
		t.Fatal("exit code", code)
	}
	names := func() string {
		es, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprint(es)
	}
	older, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	whole := names()
	refused := 0
	for _, file := range files {
		rel, err := filepath.Rel(broken, file)
		if err != nil {
			t.Fatal(err)
		}
		for k, role := range map[int]string{2: "trees", 4: "pavement"} {
			t.Run(role+"/"+filepath.ToSlash(rel), func(t *testing.T) {
				args := slices.Clone(good)
				args[k] = file
				if role == "trees" {
					if args[4] = pavingOf[filepath.Ext(file)]; args[4] == "" {
						args[4] = inJSON
					}
				}
				var said bytes.Buffer
				code := run(t.Context(), args, &said, &said)
				now, err := os.ReadFile(out)
				if err != nil {
					t.Fatal(err)
				}
				if names() != whole {
					t.Errorf("files beside the output: %s, were %s", names(), whole)
				}
				switch code {
				case exitDone:
					if !json.Valid(now) {
						t.Error("the output is not whole")
					}
				case exitData:
					refused++
					stem := strings.TrimSuffix(filepath.Base(file), filepath.Ext(file))
					if !strings.Contains(said.String(), stem) || !strings.Contains(said.String(), "(") && !strings.Contains(said.String(), "--crs") {
						t.Errorf("no file or remedy in %q", said.String())
					}
					if !bytes.Equal(now, older) {
						t.Error("an older output was touched")
					}
				default:
					t.Errorf("exit code %d: %s", code, said.String())
				}
				if !bytes.Equal(now, older) {
					if err := os.WriteFile(out, older, 0o666); err != nil {
						t.Fatal(err)
					}
				}
			})
		}
	}
	if refused < 50 || refused == 2*len(files) {
		t.Errorf("%d of %d runs were refused", refused, 2*len(files))
	}
}

var storyCommands = map[string]func(ts *testscript.TestScript, neg bool, args []string){
	// exits CODE COMMAND...: the exit code, where exec knows only good and bad.
	"exits": func(ts *testscript.TestScript, neg bool, args []string) {
		want, err := strconv.Atoi(args[0])
		ts.Check(err)
		got := 0
		if err := ts.Exec(args[1], args[2:]...); err != nil {
			var x *exec.ExitError
			if !errors.As(err, &x) {
				ts.Fatalf("%v", err)
			}
			got = x.ExitCode()
		}
		if got != want {
			ts.Fatalf("exit code %d, want %d", got, want)
		}
	},
	// remember, and unchanged: no file has changed, come or gone since.
	"remember": func(ts *testscript.TestScript, neg bool, args []string) {
		ts.Setenv("REMEMBERED", snapshot(ts, ts.MkAbs(".")))
	},
	"unchanged": func(ts *testscript.TestScript, neg bool, args []string) {
		was, is := ts.Getenv("REMEMBERED"), snapshot(ts, ts.MkAbs("."))
		if was == "" {
			ts.Fatalf("nothing was remembered")
		}
		if was != is {
			ts.Fatalf("files have changed; they were\n%sand are\n%s", was, is)
		}
	},
	// same A B...: the same bytes.
	"same": func(ts *testscript.TestScript, neg bool, args []string) {
		for _, other := range args[1:] {
			if (ts.ReadFile(args[0]) == ts.ReadFile(other)) == neg {
				ts.Fatalf("%s and %s: same bytes %v", args[0], other, neg)
			}
		}
	},
	// fields FILE NAME...: these columns, in this order, and no other.
	"fields": func(ts *testscript.TestScript, neg bool, args []string) {
		var got []string
		for _, f := range readLayer(ts, args[0], "").schema.Fields {
			got = append(got, f.Name)
		}
		if !slices.Equal(got, args[1:]) {
			ts.Fatalf("the columns of %s are\n%s\nwant\n%s", args[0], strings.Join(got, " "), strings.Join(args[1:], " "))
		}
	},
	// holds FILE TREE FIELD=VALUE...: a number agrees to one in its last digit,
	// null is null.
	"holds": func(ts *testscript.TestScript, neg bool, args []string) {
		l := readLayer(ts, args[0], "trees")
		row := l.row(ts, args[1])
		for _, a := range args[2:] {
			name, want, ok := strings.Cut(a, "=")
			k := l.schema.Index(name)
			if !ok || k < 0 {
				ts.Fatalf("%s has no column %s", args[0], name)
			}
			got := row[k]
			good := got.Text() == want
			if want == "null" {
				good = got.Null()
			} else if w, err := strconv.ParseFloat(want, 64); err == nil && !got.Null() {
				g, isNumber := got.Float()
				_, digits, _ := strings.Cut(want, ".")
				good = isNumber && !(math.Abs(g-w) > 1.0001*math.Pow10(-len(digits))) || !isNumber && got.Text() == want
			}
			if good == neg {
				ts.Fatalf("tree %s has %s = %q (null: %v), want %s", args[1], name, got.Text(), got.Null(), want)
			}
		}
	},
	// agree A B: two outputs, of any format, tell of the same trees and shares.
	"agree": func(ts *testscript.TestScript, neg bool, args []string) {
		for _, of := range []string{"trees", "openings"} {
			a, b := readLayer(ts, args[0], of), readLayer(ts, args[1], of)
			if strings.HasSuffix(args[1], ".fgb") { // its records stand along a curve
				a.byTree(ts)
				b.byTree(ts)
			}
			if len(a.rows) == 0 || len(a.rows) != len(b.rows) {
				ts.Fatalf("%s: %d records in %s, %d in %s", of, len(a.rows), args[0], len(b.rows), args[1])
			}
			for i := range a.rows {
				for k, f := range a.schema.Fields {
					j := b.schema.Index(f.Name)
					if j < 0 {
						ts.Fatalf("%s has no column %s in its %s", args[1], f.Name, of)
					}
					if x, y := a.rows[i][k], b.rows[i][j]; !alike(x, y) {
						ts.Fatalf("%s, record %d, %s: %q and %q", of, i+1, f.Name, x.Text(), y.Text())
					}
				}
				p, q := a.middle(ts, i), b.middle(ts, i)
				if d := math.Hypot((p[0]-q[0])*81000, (p[1]-q[1])*111000); !(d < 0.01) {
					ts.Fatalf("%s, record %d: %.3f m apart", of, i+1, d)
				}
			}
		}
	},
	// close A B FIELD BY [N]: each tree has the same number in both, give or
	// take; all but N, where a story says why.
	// Records that bear one number are left aside: their order tells them apart.
	"close": func(ts *testscript.TestScript, neg bool, args []string) {
		by, err := strconv.ParseFloat(args[3], 64)
		ts.Check(err)
		allowed := 0
		if len(args) > 4 {
			allowed, err = strconv.Atoi(args[4])
			ts.Check(err)
		}
		a, b := readLayer(ts, args[0], "trees"), readLayer(ts, args[1], "trees")
		ka, kb, id := a.schema.Index(args[2]), b.schema.Index(args[2]), a.schema.Index("tree_id")
		if ka < 0 || kb < 0 || len(a.rows) != len(b.rows) {
			ts.Fatalf("%d and %d trees, columns %d and %d", len(a.rows), len(b.rows), ka, kb)
		}
		rows := map[string][]layer.Value{}
		for _, r := range b.rows {
			rows[r[b.schema.Index("tree_id")].Text()] = r
		}
		far := 0
		for _, r := range a.rows {
			name := r[id].Text()
			other, ok := rows[name]
			if !ok {
				ts.Fatalf("%s has no tree %s", args[1], name)
			}
			if base, _, _ := strings.Cut(name, "~"); rows[base+"~2"] != nil {
				continue
			}
			x, okx := r[ka].Float()
			y, oky := other[kb].Float()
			if okx != oky || !(math.Abs(x-y) <= by) {
				far++
				ts.Logf("tree %s, %s: %q and %q", name, args[2], r[ka].Text(), other[kb].Text())
			}
		}
		if far > allowed {
			ts.Fatalf("%s differs by more than %g for %d of %d trees", args[2], by, far, len(a.rows))
		}
	},
	// sameset A B: the same lines, in any order, but for commas at their ends.
	"sameset": func(ts *testscript.TestScript, neg bool, args []string) {
		lines := func(file string) []string {
			l := strings.Split(strings.ReplaceAll(ts.ReadFile(file), "}},\n", "}}\n"), "\n")
			slices.Sort(l)
			return l
		}
		a, b := lines(args[0]), lines(args[1])
		if len(a) != len(b) {
			ts.Fatalf("%d lines and %d", len(a), len(b))
		}
		for i := range a {
			if a[i] != b[i] {
				ts.Fatalf("%.1000s\nand\n%.1000s", a[i], b[i])
			}
		}
	},
	// converted SI US: the second holds the first in feet, inches and miles.
	"converted": func(ts *testscript.TestScript, neg bool, args []string) {
		si, us := readLayer(ts, args[0], ""), readLayer(ts, args[1], "")
		if len(si.rows) == 0 || len(si.rows) != len(us.rows) || len(si.schema.Fields) != len(us.schema.Fields) {
			ts.Fatalf("%d records of %d columns, and %d of %d", len(si.rows), len(si.schema.Fields), len(us.rows), len(us.schema.Fields))
		}
		seen := 0
		for i := range si.rows {
			for k, f := range si.schema.Fields {
				x, g := si.rows[i][k], us.rows[i][k]
				c, measure := inUS[f.Name]
				if f.Name == "why" {
					if usWords(x.Text()) != g.Text() {
						ts.Fatalf("record %d, why: %q became %q", i+1, x.Text(), g.Text())
					}
					continue
				}
				if !measure {
					if us.schema.Fields[k].Name != f.Name || !alike(x, g) {
						ts.Fatalf("record %d, %s: %q became %s %q", i+1, f.Name, x.Text(), us.schema.Fields[k].Name, g.Text())
					}
					continue
				}
				if us.schema.Fields[k].Name != c.name {
					ts.Fatalf("%s became %s, want %s", f.Name, us.schema.Fields[k].Name, c.name)
				}
				a, ok := x.Float()
				b, also := g.Float()
				if ok != also {
					ts.Fatalf("record %d, %s: %q became %q", i+1, f.Name, x.Text(), g.Text())
				}
				// Both were rounded where they were written.
				if ok && !(math.Abs(a*c.factor-b) <= 0.5001*math.Pow10(-c.digits)*(c.factor+1)) {
					ts.Fatalf("record %d: %s %g became %s %g, want %g", i+1, f.Name, a, c.name, b, a*c.factor)
				}
				if ok && a > 0 {
					seen++
				}
			}
		}
		if seen < 10*len(si.rows)/2 {
			ts.Fatalf("only %d measures to compare", seen)
		}
	},
	// shuffle SEED FILE...: the features of a GeoJSON file in another order,
	// the file's time as it was.
	"shuffle": func(ts *testscript.TestScript, neg bool, args []string) {
		seed, err := strconv.ParseUint(args[0], 10, 64)
		ts.Check(err)
		for _, file := range args[1:] {
			file = ts.MkAbs(file)
			info, err := os.Stat(file)
			ts.Check(err)
			b, err := os.ReadFile(file)
			ts.Check(err)
			var doc map[string]json.RawMessage
			ts.Check(json.Unmarshal(b, &doc))
			var features []json.RawMessage
			ts.Check(json.Unmarshal(doc["features"], &features))
			if len(features) < 2 {
				ts.Fatalf("%s has %d features", file, len(features))
			}
			r := rand.New(rand.NewPCG(seed, 0))
			r.Shuffle(len(features), func(i, j int) { features[i], features[j] = features[j], features[i] })
			if doc["features"], err = json.Marshal(features); err != nil {
				ts.Fatalf("%v", err)
			}
			b, err = json.Marshal(doc)
			ts.Check(err)
			ts.Check(os.WriteFile(file, b, 0o666))
			ts.Check(os.Chtimes(file, time.Time{}, info.ModTime()))
		}
	},
	// pack FILE: FILE.gz.
	"pack": func(ts *testscript.TestScript, neg bool, args []string) {
		var b bytes.Buffer
		w := gzip.NewWriter(&b)
		_, err := w.Write([]byte(ts.ReadFile(args[0])))
		ts.Check(err)
		ts.Check(w.Close())
		ts.Check(os.WriteFile(ts.MkAbs(args[0]+".gz"), b.Bytes(), 0o666))
	},
	// cut FILE BYTES: its first so many bytes.
	"cut": func(ts *testscript.TestScript, neg bool, args []string) {
		n, err := strconv.ParseInt(args[1], 10, 64)
		ts.Check(err)
		ts.Check(os.Truncate(ts.MkAbs(args[0]), n))
	},
	// year FILE YEAR: the file's time.
	"year": func(ts *testscript.TestScript, neg bool, args []string) {
		y, err := strconv.Atoi(args[1])
		ts.Check(err)
		at := time.Date(y, 6, 1, 0, 0, 0, 0, time.UTC)
		ts.Check(os.Chtimes(ts.MkAbs(args[0]), at, at))
	},
	// shapefile IN.geojson OUT.shp KIND [EPSG]: points, pointz, pointm or
	// multipoint, as another library writes them.
	"shapefile": func(ts *testscript.TestScript, neg bool, args []string) {
		writeShapefile(ts, args[0], ts.MkAbs(args[1]), args[2])
		if len(args) > 3 {
			s, err := crs.Lookup(args[3])
			ts.Check(err)
			prj := strings.TrimSuffix(ts.MkAbs(args[1]), ".shp") + ".prj"
			ts.Check(os.WriteFile(prj, []byte(s.ESRI()), 0o666))
		}
	},
}

// inUS are the measures among the columns, by their names in SI, with the
// factor and the decimals written. Exact: the foot is 0.3048 m, the inch 2.54 cm,
// the mile 1609.344 m (NIST SP 811, appendix B).
var inUS = map[string]struct {
	name   string
	factor float64
	digits int
}{
	"dbh_cm": {"dbh_in", 1 / 2.54, 1}, "crown_m": {"crown_ft", 1 / 0.3048, 1},
	"open_m2": {"open_ft2", 10.763910416709722, 2}, "share_m2": {"share_ft2", 10.763910416709722, 2},
	"depth_m": {"depth_ft", 1 / 0.3048, 2}, "reach_m": {"reach_ft", 1 / 0.3048, 2},
	"soil_m3": {"soil_ft3", 35.31466672148859, 2}, "need_m3": {"need_ft3", 35.31466672148859, 2},
	"soil_p10": {"p10_ft3", 35.31466672148859, 2}, "soil_p90": {"p90_ft3", 35.31466672148859, 2},
	"gust_ms": {"gust_mph", 2.2369362920544025, 1},
}

// snapshot lists the files of a story with a sum of each.
func snapshot(ts *testscript.TestScript, dir string) string {
	var b strings.Builder
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if d.Name() == ".tmp" {
				return filepath.SkipDir
			}
			return nil
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		fmt.Fprintf(&b, "%s %d %x\n", filepath.ToSlash(rel), len(text), sha256.Sum256(text))
		return err
	})
	ts.Check(err)
	return b.String()
}

// table is a layer that was read whole.
type table struct {
	file   string
	schema *layer.Schema
	rows   [][]layer.Value
	shapes []orb.Geometry
}

// readLayer reads the layer of an output that is called trees or openings: the
// table of a GeoPackage, or a file of its own.
func readLayer(ts *testscript.TestScript, file, of string) *table {
	var o layer.Options
	path := ts.MkAbs(file)
	if strings.HasSuffix(file, ".gpkg") {
		if o.Layer = of; of == "" {
			o.Layer = "trees"
		}
	} else if of == "openings" {
		ext := filepath.Ext(path)
		path = strings.TrimSuffix(path, ext) + "-openings" + ext
	}
	src, err := layer.Open(path, o)
	ts.Check(err)
	defer src.Close()
	l := &table{file: file, schema: src.Schema()}
	for f, err := range src.Features() {
		ts.Check(err)
		l.rows = append(l.rows, slices.Clone(f.Values))
		l.shapes = append(l.shapes, f.Geometry)
	}
	if l.schema.System == nil {
		ts.Fatalf("%s does not say what its coordinates mean", path)
	}
	return l
}

func (l *table) row(ts *testscript.TestScript, id string) []layer.Value {
	k := l.schema.Index("tree_id")
	if k < 0 {
		ts.Fatalf("%s has no column tree_id", l.file)
	}
	for _, r := range l.rows {
		if r[k].Text() == id {
			return r
		}
	}
	ts.Fatalf("%s has no tree %s", l.file, id)
	return nil
}

// byTree puts the records in the order of the trees' numbers.
func (l *table) byTree(ts *testscript.TestScript) {
	k := l.schema.Index("tree_id")
	if k < 0 {
		ts.Fatalf("%s has no column tree_id", l.file)
	}
	order := make([]int, len(l.rows))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int { return strings.Compare(l.rows[i][k].Text(), l.rows[j][k].Text()) })
	rows, shapes := l.rows, l.shapes
	l.rows, l.shapes = nil, nil
	for _, i := range order {
		l.rows, l.shapes = append(l.rows, rows[i]), append(l.shapes, shapes[i])
	}
}

// middle is the middle of a geometry's box in longitude and latitude.
func (l *table) middle(ts *testscript.TestScript, i int) [2]float64 {
	b := l.shapes[i].Bound()
	if l.schema.System.Geographic() {
		return b.Center()
	}
	lon0, lat0, err := l.schema.System.ToLonLat(b.Min[0], b.Min[1])
	ts.Check(err)
	lon1, lat1, err := l.schema.System.ToLonLat(b.Max[0], b.Max[1])
	ts.Check(err)
	return [2]float64{(lon0 + lon1) / 2, (lat0 + lat1) / 2}
}

// alike compares cells of two formats: a shapefile holds no null text.
func alike(a, b layer.Value) bool {
	x, ok := a.Float()
	y, also := b.Float()
	if ok && also {
		return !(math.Abs(x-y) > 1e-9*math.Max(math.Abs(x), 1))
	}
	return strings.TrimRight(a.Text(), " ") == strings.TrimRight(b.Text(), " ")
}

// writeShapefile copies a GeoJSON layer of points to a shapefile by a library
// that is not ours.
func writeShapefile(ts *testscript.TestScript, in, out, kind string) {
	type feature struct {
		Properties map[string]any
		Geometry   struct{ Coordinates [2]float64 }
	}
	var doc struct{ Features []feature }
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(in)), &doc))
	kinds := map[string]shp.ShapeType{"point": shp.POINT, "pointz": shp.POINTZ, "pointm": shp.POINTM, "multipoint": shp.MULTIPOINT}
	w, err := shp.Create(out, kinds[kind])
	ts.Check(err)
	var names []string
	for n := range doc.Features[0].Properties {
		names = append(names, n)
	}
	slices.Sort(names)
	var fields []shp.Field
	for _, n := range names {
		fields = append(fields, shp.StringField(n, 30))
	}
	ts.Check(w.SetFields(fields))
	for i, f := range doc.Features {
		x, y := f.Geometry.Coordinates[0], f.Geometry.Coordinates[1]
		switch kind {
		case "pointz":
			w.Write(&shp.PointZ{X: x, Y: y, Z: 351.5})
		case "pointm":
			w.Write(&shp.PointM{X: x, Y: y, M: 7})
		case "multipoint":
			w.Write(&shp.MultiPoint{Box: shp.Box{MinX: x, MinY: y, MaxX: x, MaxY: y}, NumPoints: 1, Points: []shp.Point{{X: x, Y: y}}})
		default:
			w.Write(&shp.Point{X: x, Y: y})
		}
		for k, n := range names {
			text := ""
			if v := f.Properties[n]; v != nil {
				text = fmt.Sprint(v)
			}
			ts.Check(w.WriteAttribute(i, k, text))
		}
	}
	w.Close()
	// go-shp v0.1.1 forgets the dot of the table's name.
	base := strings.TrimSuffix(out, ".shp")
	ts.Check(os.Rename(base+"dbf", base+".dbf"))
}
