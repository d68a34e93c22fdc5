package crs

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// point is a row of fixtures/reference/crs.csv, made with PROJ's cs2cs by
// scripts/crs-reference.
type point struct {
	code           int
	lon, lat, x, y float64
}

func readPoints(t testing.TB, path string) []point {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var points []point
	for _, l := range lines[1:] {
		var p point
		for i, dst := range []*float64{nil, &p.lon, &p.lat, &p.x, &p.y} {
			if dst == nil {
				p.code, err = strconv.Atoi(l[0])
			} else {
				*dst, err = strconv.ParseFloat(l[i], 64)
			}
			if err != nil {
				t.Fatalf("%s: %v: %v", path, l, err)
			}
		}
		points = append(points, p)
	}
	return points
}

// offBy returns how far, in metres on the ground, s is off a reference point,
// both ways.
func (p point) offBy(s *System) (forward, inverse float64, err error) {
	x, y, err := s.FromLonLat(p.lon, p.lat)
	if err != nil {
		return 0, 0, err
	}
	lon, lat, err := s.ToLonLat(p.x, p.y)
	if err != nil {
		return 0, 0, err
	}
	const perDegree = 111320
	_, u := s.Unit()
	if s.Geographic() {
		u = perDegree
	}
	cos := math.Cos(p.lat * rad)
	dLon := math.Abs(lon - p.lon)
	if dLon > 180 {
		dLon = 360 - dLon
	}
	return math.Hypot(x-p.x, y-p.y) * u, math.Hypot(dLon*cos, lat-p.lat) * perDegree, nil
}

// toleranceM is a hundredth of a millimetre; cs2cs prints 1e-9 of a unit.
const toleranceM = 1e-5

func TestAgainstPROJ(t *testing.T) {
	path := "../../fixtures/reference/crs.csv"
	if p := os.Getenv("CRS_POINTS"); p != "" { // made by scripts/crs-reference every
		path = p
	}
	worst := map[string]float64{}
	bad := map[int]bool{}
	for _, p := range readPoints(t, path) {
		s, err := FromEPSG(p.code)
		if err != nil {
			t.Error(err)
			continue
		}
		f, i, err := p.offBy(s)
		if err != nil {
			t.Errorf("EPSG:%d: %v", p.code, err)
			continue
		}
		if (f > toleranceM || i > toleranceM) && !bad[p.code] {
			bad[p.code] = true
			t.Errorf("EPSG:%d %s at %g, %g: forward off by %.3g m, inverse by %.3g m", p.code, s.Name(), p.lon, p.lat, f, i)
		}
		key := "longitude-latitude"
		if !s.Geographic() {
			key = methods[s.conv.method].plain
		}
		worst[key] = max(worst[key], f, i)
	}
	for k, w := range worst {
		t.Logf("%s: at most %.2g mm", k, w*1000)
	}
	if len(worst) < 10 && !t.Failed() {
		t.Errorf("only %d kinds of system were compared", len(worst))
	}
}

// Every system of the table in four dialects of well-known text, as PROJ's
// projinfo writes them (scripts/crs-reference wkt), hits the same points and
// is told for what it is.
func TestWKTAgainstPROJ(t *testing.T) {
	points := map[int][]point{}
	for _, p := range readPoints(t, "../../fixtures/reference/crs.csv") {
		points[p.code] = append(points[p.code], p)
	}
	for _, form := range []string{"wkt1-esri", "wkt1-gdal", "wkt2-2015", "wkt2-2019"} {
		data, err := os.ReadFile(filepath.Join("../../fixtures/reference/crs", form+".txt"))
		if err != nil {
			t.Fatal(err)
		}
		compared := 0
		for line := range strings.Lines(string(data)) {
			code, text, _ := strings.Cut(line, "\t")
			want, err := strconv.Atoi(code)
			if err != nil {
				t.Fatal(err)
			}
			s, err := ParseWKT(text)
			if err != nil {
				t.Errorf("%s of %s: %v", form, code, err)
				continue
			}
			if s.EPSG() != want {
				t.Errorf("%s of EPSG:%s is taken for EPSG:%d %s", form, code, s.EPSG(), s.Name())
			}
			if want == 0 {
				want = 27700 // BOUND in the script: the same map by hand
			}
			for _, p := range points[want] {
				f, i, err := p.offBy(s)
				if err != nil || f > toleranceM || i > toleranceM {
					t.Errorf("%s of EPSG:%s: off by %.3g m and %.3g m: %v", form, code, f, i, err)
					break
				}
				compared++
			}
			for how, write := range map[string]func() string{"WKT": s.WKT, "ESRI": s.ESRI} {
				again, err := ParseWKT(write())
				if err != nil {
					t.Errorf("%s of EPSG:%s does not read its own %s: %v", form, code, how, err)
				} else if !again.Same(s) && s.EPSG() != 0 {
					t.Errorf("%s of EPSG:%s is another system after %s:\n%s", form, code, how, write())
				}
			}
		}
		t.Logf("%s: %d points", form, compared)
		if compared < 900 {
			t.Errorf("%s: only %d points were compared", form, compared)
		}
	}
}

// The datum shifts of the table do what the operations of the EPSG dataset
// that they name do in PROJ (scripts/crs-reference points).
func TestShiftAgainstPROJ(t *testing.T) {
	f, err := os.ReadFile("../../fixtures/reference/crs-shift.csv")
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(strings.NewReader(string(f)))
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	worst := 0.0
	for _, l := range lines[1:] {
		code, _ := strconv.Atoi(l[0])
		s, err := FromEPSG(code)
		if err != nil {
			t.Fatal(err)
		}
		shift, note, err := shifter(s, WGS84())
		if err != nil || shift == nil || !strings.Contains(note, l[5]) {
			t.Fatalf("EPSG:%d: note %q, error %v; want a shift by %s", code, note, err, l[5])
		}
		var v [4]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(l[1+i], 64); err != nil {
				t.Fatal(err)
			}
		}
		lon, lat := shift(v[0], v[1])
		off := math.Hypot((lon-v[2])*math.Cos(lat*rad), lat-v[3]) * 111320
		worst = max(worst, off)
		if off > 1e-4 {
			t.Errorf("EPSG:%d %s at %g, %g: shift off by %.3g m", code, s.Name(), v[0], v[1], off)
		}
	}
	t.Logf("%d points, at most %.2g mm", len(lines)-1, worst*1000)
}
