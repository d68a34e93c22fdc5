package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"soilshed/geo/layer"
)

// What is far larger, denser or farther away than a layer should be. Each run ends
// with the answer that a closed form gives, or with a sentence.

// loadLayer writes a GeoJSON layer. Coordinates are in EPSG:26975 (metres) unless
// degrees is set.
type loadLayer struct {
	f *os.File
	w *bufio.Writer
	n int
}

func newLoadLayer(t *testing.T, path string, degrees bool) *loadLayer {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	l := &loadLayer{f: f, w: bufio.NewWriterSize(f, 1<<20)}
	l.w.WriteString(`{"type":"FeatureCollection",`)
	if !degrees {
		l.w.WriteString(`"crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::26975"}},`)
	}
	l.w.WriteString("\"features\":[\n")
	return l
}

func (l *loadLayer) feature(kind string) {
	if l.n++; l.n > 1 {
		l.w.WriteString(",\n")
	}
	fmt.Fprintf(l.w, `{"type":"Feature","properties":{"id":%d,"diam_cm":30,"kind":"sidewalk"},"geometry":{"type":%q,"coordinates":`, l.n, kind)
}

func (l *loadLayer) tree(x, y float64) {
	l.feature("Point")
	fmt.Fprintf(l.w, "[%.10g,%.10g]}}", x, y)
}

// polygon writes rings, of which ring k has n(k) corners, corner(k, i) the i-th.
func (l *loadLayer) polygon(rings int, n func(k int) int, corner func(k, i int) (x, y float64)) {
	l.feature("Polygon")
	for k := range rings {
		l.w.WriteString(map[bool]string{true: "[[", false: ",["}[k == 0])
		for i := range n(k) + 1 {
			x, y := corner(k, i%n(k))
			if i > 0 {
				l.w.WriteByte(',')
			}
			l.w.WriteByte('[')
			l.w.Write(strconv.AppendFloat(l.w.AvailableBuffer(), x, 'f', 10, 64))
			l.w.WriteByte(',')
			l.w.Write(strconv.AppendFloat(l.w.AvailableBuffer(), y, 'f', 10, 64))
			l.w.WriteByte(']')
		}
		l.w.WriteByte(']')
	}
	l.w.WriteString("]}}")
}

// frame is paving 8 by 8 with an opening of w by h in its middle, in steps of so
// many units; turn, if any, is applied to each x.
func (l *loadLayer) frame(x, y, w, h, unit float64, turn func(x float64) float64) {
	l.polygon(2, func(int) int { return 4 }, func(k, i int) (float64, float64) {
		a, b := 4.0, 4.0
		if k == 1 {
			a, b = w/2, h/2
		}
		p := [4][2]float64{{-a, -b}, {a, -b}, {a, b}, {-a, b}}[i]
		x := x + p[0]*unit
		if turn != nil {
			x = turn(x)
		}
		return x, y + p[1]*unit
	})
}

func (l *loadLayer) close(t *testing.T) {
	t.Helper()
	l.w.WriteString("\n]}\n")
	if err := l.w.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := l.f.Close(); err != nil {
		t.Fatal(err)
	}
}

// loaded runs assess on trees.geojson and paving.geojson of a folder and returns
// what it found by the tree's number, with what it said. The time is printed.
func loaded(t *testing.T, status int, dir string, more ...string) (trees map[string]map[string]layer.Value, said string) {
	t.Helper()
	in := func(name string) string { return filepath.Join(dir, name) }
	out := in("out.gpkg")
	os.Remove(out)
	began := time.Now()
	stdout, stderr := soilshedRuns(t, status, append([]string{"assess", "--trees", in("trees.geojson"), "--pavement", in("paving.geojson"), "--year", "2024",
		"--reach", "6", "--jitters", "0", "--design-gust", "30", "--out", out}, more...)...)
	t.Logf("%.1f s", time.Since(began).Seconds())
	said = strings.Join(strings.Fields(stdout+stderr), " ")
	if status == exitDone {
		trees = columnsByTree(t, out, "trees", "open_m2", "share_m2", "mates", "ground", "soil_m3")
		for id, tree := range trees {
			for name, v := range tree {
				if x, ok := v.Float(); ok && (math.IsNaN(x) || math.IsInf(x, 0)) {
					t.Errorf("tree %s: %s is %v", id, name, x)
				}
			}
		}
	} else if _, err := os.Stat(out); err == nil {
		t.Error("an output in spite of an error")
	}
	return trees, said
}

// near tells whether a number that is written with two decimals is what is
// expected; the map's grid is up to 1e-4 off true scale, so areas are 2e-4.
func checkArea(t *testing.T, id, what string, v layer.Value, want float64) {
	t.Helper()
	if got, ok := v.Float(); !ok || math.Abs(got-want) > 0.0051+3e-4*want {
		t.Errorf("tree %s: %s %v, want %.3f", id, what, v.Text(), want)
	}
}

// lens is what two disks have in common, d from centre to centre.
func lens(r, q, d float64) float64 {
	return r*r*math.Acos((d*d+r*r-q*q)/(2*d*r)) + q*q*math.Acos((d*d+q*q-r*r)/(2*d*q)) -
		math.Sqrt((-d+r+q)*(d+r-q)*(d-r+q)*(d+r+q))/2
}

// One ring of a million corners, a disk, and trees at its rim.
func TestLoadMillionCorners(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	const corners, radius, x0, y0 = 1_000_000, 500.0, 1425000.0, 1196000.0
	dir := t.TempDir()
	paving := newLoadLayer(t, filepath.Join(dir, "paving.geojson"), false)
	paving.polygon(1, func(int) int { return corners }, func(_, i int) (float64, float64) {
		s, c := math.Sincos(2 * math.Pi * float64(i) / corners)
		return x0 + radius*c, y0 + radius*s
	})
	paving.close(t)
	trees := newLoadLayer(t, filepath.Join(dir, "trees.geojson"), false)
	var off []float64
	for i := range 12 {
		s, c := math.Sincos(2 * math.Pi * (float64(i) + 0.3) / 12)
		off = append(off, 0.4+float64(i)/2)
		trees.tree(x0+(radius+off[i])*c, y0+(radius+off[i])*s)
	}
	trees.close(t)
	got, said := loaded(t, exitDone, dir)
	if len(got) != 12 || !strings.Contains(said, "1 record, 1 polygon") {
		t.Fatalf("%d trees: %s", len(got), said)
	}
	for i, d := range off {
		id := strconv.Itoa(i + 1)
		want := math.Pi*36 - lens(6, radius, radius+d)
		if d > 6 {
			want = math.Pi * 36
		}
		checkArea(t, id, "share", got[id]["share_m2"], want)
	}
}

// One polygon with a hundred thousand holes, and a tree in every fiftieth.
func TestLoadHundredThousandHoles(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	const holes, row, x0, y0 = 100_000, 400, 1425000.0, 1196000.0
	dir := t.TempDir()
	side := func(hole int) float64 { return 2 + float64(hole%13)/10 }
	at := func(hole int) (x, y float64) { return x0 + float64(hole%row)*8, y0 + float64(hole/row)*8 }
	paving := newLoadLayer(t, filepath.Join(dir, "paving.geojson"), false)
	paving.polygon(1+holes, func(int) int { return 4 }, func(k, i int) (float64, float64) {
		if k == 0 {
			return [4][2]float64{{x0 - 4, y0 - 4}, {x0 + row*8, y0 - 4}, {x0 + row*8, y0 + holes/row*8}, {x0 - 4, y0 + holes/row*8}}[i][0],
				[4][2]float64{{x0 - 4, y0 - 4}, {x0 + row*8, y0 - 4}, {x0 + row*8, y0 + holes/row*8}, {x0 - 4, y0 + holes/row*8}}[i][1]
		}
		x, y := at(k - 1)
		h := side(k-1) / 2
		p := [4][2]float64{{-h, -h}, {-h, h}, {h, h}, {h, -h}}[i]
		return x + p[0], y + p[1]
	})
	paving.close(t)
	trees := newLoadLayer(t, filepath.Join(dir, "trees.geojson"), false)
	for hole := 0; hole < holes; hole += 50 {
		x, y := at(hole)
		trees.tree(x+0.3, y-0.4)
	}
	trees.close(t)
	got, _ := loaded(t, exitDone, dir)
	if len(got) != holes/50 {
		t.Fatalf("%d trees", len(got))
	}
	for i := range holes / 50 {
		id, s := strconv.Itoa(i+1), side(50*i)
		checkArea(t, id, "open", got[id]["open_m2"], s*s)
		checkArea(t, id, "share", got[id]["share_m2"], s*s)
		if n, _ := got[id]["mates"].Float(); n != 0 {
			t.Errorf("tree %s: %v others in its opening", id, n)
		}
	}
}

// A crowd on one spot shares its opening in equal parts.
func TestLoadOneSpot(t *testing.T) {
	crowd := 10_000
	if testing.Short() {
		crowd = 1000
	}
	dir := t.TempDir()
	paving := newLoadLayer(t, filepath.Join(dir, "paving.geojson"), false)
	paving.frame(1425000, 1196000, 7, 6, 1, nil)
	paving.close(t)
	trees := newLoadLayer(t, filepath.Join(dir, "trees.geojson"), false)
	for range crowd {
		trees.tree(1425000, 1196000)
	}
	trees.close(t)
	got, _ := loaded(t, exitDone, dir)
	if len(got) != crowd {
		t.Fatalf("%d trees", len(got))
	}
	for id, tree := range got {
		checkArea(t, id, "open", tree["open_m2"], 42)
		checkArea(t, id, "share", tree["share_m2"], 42/float64(crowd))
		if n, _ := tree["mates"].Float(); n != float64(crowd-1) {
			t.Fatalf("tree %s: %v others in its opening", id, n)
		}
	}
}

// A street across the antimeridian, at 16.5 degrees south, gives what the same
// street gives at 30 degrees east: to the last digit, since both lie on a plane of
// their own. Half of it is written with longitudes that go on past 180 or that turn
// to -180, and one polygon is cut in two there, as RFC 7946 (3.1.9) advises.
func TestLoadAntimeridian(t *testing.T) {
	const n, unit = 41, 9e-6 // about a metre
	street := func(middle float64, turn func(x float64) float64) (map[string]map[string]layer.Value, string) {
		dir := t.TempDir()
		paving := newLoadLayer(t, filepath.Join(dir, "paving.geojson"), true)
		trees := newLoadLayer(t, filepath.Join(dir, "trees.geojson"), true)
		for i := range n {
			lon := middle + float64(i-n/2)*10*unit
			trees.tree(turn(lon), -16.5)
			if i != n/2 {
				paving.frame(lon, -16.5, 3, 1+float64(i%5), unit, turn)
			}
		}
		// The one in the middle: two half frames, each on its side.
		half := func(side float64) {
			ring := [][2]float64{{0, -4}, {4, -4}, {4, 4}, {0, 4}, {0, 1}, {1.5, 1}, {1.5, -1}, {0, -1}}
			paving.polygon(1, func(int) int { return len(ring) }, func(_, i int) (float64, float64) {
				x := middle + side*ring[i][0]*unit
				if ring[i][0] == 0 && side > 0 && turn(middle+unit) < 0 {
					x -= 360 // its edge at -180
				} else {
					x = turn(x)
				}
				return x, -16.5 + ring[i][1]*unit
			})
		}
		half(-1)
		half(1)
		paving.close(t)
		trees.close(t)
		got, said := loaded(t, exitDone, dir)
		// No opening spans the world.
		src, err := layer.Open(filepath.Join(dir, "out.gpkg"), layer.Options{Layer: "openings"})
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		shapes := 0
		for f, err := range src.Features() {
			if err != nil {
				t.Fatal(err)
			}
			shapes++
			if b := f.Geometry.Bound(); b.Max[0]-b.Min[0] > 20*unit {
				t.Errorf("opening %d goes from %v to %v", f.FID, b.Min[0], b.Max[0])
			}
		}
		if shapes != n {
			t.Errorf("%d openings", shapes)
		}
		return got, said
	}
	same := func(x float64) float64 { return x }
	want, _ := street(30, same)
	if len(want) != n {
		t.Fatalf("%d trees", len(want))
	}
	for id, tree := range want {
		i, _ := strconv.Atoi(id)
		metresOfDegree := func() (east, north float64) { // WGS 84, at the latitude
			const a, e2 = 6378137.0, 0.00669437999014
			s, c := math.Sincos(-16.5 * math.Pi / 180)
			w := math.Sqrt(1 - e2*s*s)
			return math.Pi / 180 * a / w * c, math.Pi / 180 * a * (1 - e2) / (w * w * w)
		}
		east, north := metresOfDegree()
		h := 1 + float64((i-1)%5)
		if i-1 == n/2 {
			h = 2
		}
		checkArea(t, id, "share", tree["share_m2"], 3*unit*east*h*unit*north)
	}
	for name, turn := range map[string]func(float64) float64{
		"turned":  func(x float64) float64 { return x - 360*math.Round(x/360) },
		"goes on": same,
	} {
		got, said := street(180, turn)
		if len(got) != n || strings.Contains(said, "left out") {
			t.Errorf("%s: %d trees: %s", name, len(got), said)
		}
		for id := range want {
			for field, w := range want[id] {
				if g := got[id][field]; g.Text() != w.Text() {
					t.Errorf("%s: tree %s: %s %s, elsewhere %s", name, id, field, g.Text(), w.Text())
				}
			}
		}
	}
}

// Where no map holds, a sentence says so.
func TestLoadFarAway(t *testing.T) {
	layOut := func(x, y, unit float64, degrees bool) string {
		dir := t.TempDir()
		paving := newLoadLayer(t, filepath.Join(dir, "paving.geojson"), degrees)
		trees := newLoadLayer(t, filepath.Join(dir, "trees.geojson"), degrees)
		for i := range 30 {
			trees.tree(x+10*unit*float64(i), y)
			paving.frame(x+10*unit*float64(i), y, 2, 2, unit, nil)
		}
		paving.close(t)
		trees.close(t)
		return dir
	}
	for _, c := range []struct {
		name string
		dir  string
		want string
		more []string
	}{
		{"pole", layOut(30, 89.9999, 9e-6, true), "the layer's centre lies at latitude 90.0: no street trees grow there", nil},
		{"southern pole", layOut(-100, -89.999, 9e-6, true), "latitude -90.0: no street trees grow there", nil},
		{"1e9 both", layOut(1e9, 1e9, 1, false), "far outside of where it is used", nil},
		{"1e9 east", layOut(1e9, 1196000, 1, false), "far outside of where it is used", nil},
		{"-1e9 north", layOut(1425000, -1e9, 1, false), "far outside of where it is used", nil},
		{"1e9, UTM", layOut(1e9, 4.7e6, 1, false), "lie outside the layer's coordinate system", []string{"--crs", "trees.geojson=EPSG:32615", "--crs", "paving.geojson=EPSG:32615"}},
		{"1e9, the web's map", layOut(1e9, 1e9, 1, false), "lie outside the layer's coordinate system", []string{"--crs", "trees.geojson=EPSG:3857", "--crs", "paving.geojson=EPSG:3857"}},
		{"1e9, degrees", layOut(1e9, 1e9, 1, true), "are no longitude and latitude", nil},
		{"1e300", layOut(1e300, 1e300, 1e290, false), "no tree with a point", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			for i := range c.more {
				if strings.Contains(c.more[i], "=") {
					c.more[i] = filepath.Join(c.dir, c.more[i])
				}
			}
			if _, said := loaded(t, exitData, c.dir, c.more...); !strings.Contains(said, c.want) || !strings.Contains(said, "trees.geojson: ") {
				t.Errorf("%s", said)
			}
		})
	}
}

// A stray tree at 0, 0, where an empty place was taken for a number, and paving
// that goes there: both are left out and told, and the city is what it is without.
func TestLoadNullIsland(t *testing.T) {
	city := func(stray bool) (map[string]map[string]layer.Value, string, string) {
		dir := t.TempDir()
		paving := newLoadLayer(t, filepath.Join(dir, "paving.geojson"), true)
		trees := newLoadLayer(t, filepath.Join(dir, "trees.geojson"), true)
		for i := range 300 {
			lon, lat := -93.3+float64(i%20)*2e-4, 44.9+float64(i/20)*2e-4
			trees.tree(lon, lat)
			paving.frame(lon, lat, 2, 2+float64(i%3), 1e-5, nil)
		}
		if stray {
			trees.tree(0, 0)
			paving.frame(0, 0, 2, 2, 1e-5, nil)
			corners := [][2]float64{{-93.3, 44.899}, {0, 0}, {-93.3, 44.8991}}
			paving.polygon(1, func(int) int { return 3 }, func(_, i int) (float64, float64) { return corners[i][0], corners[i][1] })
		}
		paving.close(t)
		trees.close(t)
		got, said := loaded(t, exitDone, dir)
		b, err := os.ReadFile(filepath.Join(dir, "out-manifest.json"))
		if err != nil {
			t.Fatal(err)
		}
		return got, said, string(b)
	}
	want, _, _ := city(false)
	got, said, manifestText := city(true)
	if len(want) != 300 || len(got) != 300 {
		t.Fatalf("%d and %d trees", len(want), len(got))
	}
	for id := range want {
		for field, w := range want[id] {
			if g := got[id][field]; g.Text() != w.Text() {
				t.Errorf("tree %s: %s %s, without the stray %s", id, field, g.Text(), w.Text())
			}
		}
	}
	for _, want := range []string{"301 records, 300 trees with a point left out: 1 far from the other trees", "302 records, 300 polygons"} {
		if !strings.Contains(said, want) {
			t.Errorf("no %q in: %s", want, said)
		}
	}
	var m manifest
	if err := json.Unmarshal([]byte(manifestText), &m); err != nil {
		t.Fatal(err)
	}
	for _, l := range m.Layers {
		if wantLeft := map[string]int{"trees": 1, "pavement": 2}[l.Role]; l.LeftOut != wantLeft {
			t.Errorf("%s: %d left out", l.Role, l.LeftOut)
		}
	}
}
