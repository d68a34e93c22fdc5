package layer

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"github.com/paulmach/orb"

	"soilshed/geo/crs"
)

// What Again says of a value is what comes out of the file.
func TestAgain(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.gpkg")
	s := Schema{Name: "trees", System: crs.WGS84(), Shape: Points}
	for k, kind := range []Kind{Text, Integer, Real, Boolean, Date} {
		s.Fields = append(s.Fields, Field{Name: fmt.Sprint("c", k), Kind: kind})
	}
	dice := rand.New(rand.NewPCG(1, 2))
	numbers := []float64{0, math.Copysign(0, -1), 1, -1, 12.3, 0.1 + 0.2, 1e15, 1 << 53, 1<<53 + 2, 1e17, 9.3e18, 1e19, 1e300, math.SmallestNonzeroFloat64, math.MaxFloat64, math.NaN(), math.Inf(1), math.Inf(-1)}
	texts := []string{"", "a", "oak", "12", " 12 ", "+5", "007", "1e3", "12.0", "-0", "9223372036854775807", "9223372036854775808", "true", "2024-02-29", "2023-02-29", "2024-1-1", "a\x00b", "\xff", "Ö", "0x10"}
	any := func() Value {
		n, x := numbers[dice.IntN(len(numbers))], texts[dice.IntN(len(texts))]
		switch dice.IntN(7) {
		case 0:
			return Value{}
		case 1:
			return String(x)
		case 2:
			return Number(n)
		case 3:
			return Number(dice.NormFloat64())
		case 4:
			return Whole(int64(dice.Uint64()) >> dice.IntN(64))
		case 5:
			return Truth(dice.IntN(2) == 0)
		default:
			return Day(x)
		}
	}
	sink, err := Create(path, []Schema{s}, CreateOptions{Changed: "2024-05-01T00:00:00.000Z"})
	noError(t, err)
	again := Again(path, &s)
	var want []Feature
	var known [][]bool
	unknown := 0
	for i := range 5000 {
		f := Feature{FID: int64(i + 1), Geometry: orb.Point{180 * dice.Float64(), math.Copysign(0, -1)}}
		g := f
		var is []bool
		for k := range s.Fields {
			v := any()
			w, ok := again(k, v)
			f.Values, g.Values, is = append(f.Values, v), append(g.Values, w), append(is, ok)
			if !ok {
				unknown++
			}
		}
		noError(t, sink.Write(0, f))
		want, known = append(want, g), append(known, is)
	}
	noError(t, sink.Commit())
	if unknown == 0 || unknown > 500 {
		t.Errorf("%d values are not known", unknown)
	}
	src, err := Open(path, Options{})
	noError(t, err)
	defer src.Close()
	n := 0
	for f, err := range src.Features() {
		noError(t, err)
		w := want[n]
		p, q := f.Geometry.(orb.Point), w.Geometry.(orb.Point)
		if f.FID != w.FID || math.Float64bits(p[0]) != math.Float64bits(q[0]) || math.Float64bits(p[1]) != math.Float64bits(q[1]) {
			t.Fatalf("feature %d at %v, not %v", n, p, q)
		}
		for k, v := range f.Values {
			x, xok := v.Float()
			y, yok := w.Values[k].Float()
			if known[n][k] && (v.Text() != w.Values[k].Text() || v.Null() != w.Values[k].Null() || xok != yok || math.Float64bits(x) != math.Float64bits(y)) {
				t.Errorf("feature %d, column %d: %#v, not %#v", n, k, v, w.Values[k])
			}
		}
		n++
	}
	if n != len(want) {
		t.Errorf("%d features", n)
	}
	s.Fields[0].Name = "fid"
	if Again(path, &s) != nil || Again("a.geojson", &Schema{}) != nil {
		t.Error("known of a column with another name, or of another format")
	}
}
