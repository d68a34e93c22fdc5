package geo_test

import (
	"math"
	"testing"

	"soilshed/geo"
)

func TestBearingOf(t *testing.T) {
	for _, c := range []struct {
		step geo.XY
		want geo.Bearing
	}{
		{geo.XY{X: 0, Y: 1}, 0}, {geo.XY{X: 1, Y: 0}, 90}, {geo.XY{X: 0, Y: -2}, 180},
		{geo.XY{X: -3, Y: 0}, 270}, {geo.XY{X: 1, Y: 1}, 45}, {geo.XY{X: -1e-300, Y: 1}, 0},
		{geo.XY{}, 0},
		// A step of half a degree: its tangent, from a table.
		{geo.XY{X: 0.008726867790759, Y: 1}, 0.5}, {geo.XY{X: -0.008726867790759, Y: 1}, 359.5},
	} {
		if got := geo.BearingOf(c.step); math.Abs(float64(got-c.want)) > 1e-12 {
			t.Errorf("BearingOf(%v) = %v, want %v", c.step, got, c.want)
		}
	}
}

func TestStepGoesBack(t *testing.T) {
	for b := geo.Bearing(0); b < 360; b += 7.5 {
		if got := geo.BearingOf(b.Step()); math.Abs(float64(got-b)) > 1e-9 {
			t.Errorf("bearing %v came back as %v", b, got)
		}
	}
}

func TestNormal(t *testing.T) {
	for in, want := range map[geo.Bearing]geo.Bearing{-90: 270, 720: 0, 359.5: 359.5, 0.5: 0.5, 360.5: 0.5, -0.5: 359.5, -1e-18: 0} {
		if got := in.Normal(); got != want {
			t.Errorf("Normal(%v) = %v, want %v", in, got, want)
		}
	}
}

// Three steps east and four north are five metres.
func TestAddSubDistance(t *testing.T) {
	p, step := geo.XY{X: 10, Y: -20}, geo.XY{X: 3, Y: 4}
	q := p.Add(step)
	if want := (geo.XY{X: 13, Y: -16}); q != want || q.Sub(p) != step || p.Sub(q) != (geo.XY{X: -3, Y: -4}) {
		t.Errorf("%v and back %v", q, q.Sub(p))
	}
	if p.Distance(q) != 5 || q.Distance(p) != 5 || p.Distance(p) != 0 {
		t.Errorf("%v from end to end", p.Distance(q))
	}
}
