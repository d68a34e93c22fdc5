package main

import (
	"fmt"
	"math"
	"path/filepath"
	"reflect"
	"testing"

	"soilshed/geo"
	"soilshed/geo/ground"
)

// townComparison compares the designs of Wrenfold.
func townComparison(t *testing.T, within string) *sideBySide {
	t.Helper()
	town := func(name string) string { return filepath.Join("../../fixtures/town", name) }
	o := compareOptions{before: town("today.toml"), after: []string{town("option-a.toml"), town("option-b.toml")}, prices: town("prices.csv"), log: "text", quiet: true}
	if within != "" {
		o.within = town(within)
	}
	c, err := o.understand()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.compare(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	return c
}

// A tree within the corridor gets what a full run gives it, to the last bit; the
// designs change nothing outside of their street.
func TestCompareWithinIsAFullRun(t *testing.T) {
	part, all := townComparison(t, "corridor.geojson"), townComparison(t, "")
	if len(part.trees) < 50 || len(part.trees) >= len(all.trees) {
		t.Fatalf("%d trees within, %d in all", len(part.trees), len(all.trees))
	}
	at := map[string]*comparedTree{}
	for i := range all.trees {
		at[all.trees[i].id] = &all.trees[i]
	}
	differ := 0
	for i := range part.trees {
		x, y := &part.trees[i], at[part.trees[i].id]
		if y == nil {
			t.Fatalf("tree %s is not in the full run", x.id)
		}
		for k := range part.schemes {
			a, b := part.row(x, k), all.row(y, k)
			if (a == nil) != (b == nil) || x.fate(k) != y.fate(k) {
				t.Fatalf("tree %s, %s: stands in one run alone", x.id, part.schemes[k].name)
			}
			if a != nil && fmt.Sprintf("%+v", *a) != fmt.Sprintf("%+v", *b) {
				t.Errorf("tree %s, %s:\n%+v\n%+v", x.id, part.schemes[k].name, *a, *b)
			}
		}
		if a, b := part.row(x, 0), part.row(x, 1); a != nil && b != nil && a.soilM3 != b.soilM3 {
			differ++
		}
		delete(at, x.id)
	}
	if differ < 40 {
		t.Errorf("only %d trees have other soil in option A", differ)
	}
	for id, x := range at {
		for k := 1; k < 3; k++ {
			if a, b := all.row(x, 0), all.row(x, k); a != nil && b != nil && math.Abs(a.soilM3-b.soilM3) > 1e-6 {
				// A tree round the corner may reach the new ground.
				if d := nearest(part, all.schemes[0].a.in.at[x.in[0]]); d > 25 {
					t.Errorf("tree %s, %.0f m from the corridor's trees, has %.3f and %.3f m3", id, d, a.soilM3, b.soilM3)
				}
			}
		}
	}
	// What has to be built lies within the corridor, all of it.
	for k := 1; k < 3; k++ {
		a, b := part.schemes[k].takeoff, all.schemes[k].takeoff
		if math.Abs(a.openedM2-b.openedM2) > 1e-6 || math.Abs(a.engineeredM3-b.engineeredM3) > 1e-6 || a.planted != b.planted || a.removed != b.removed {
			t.Errorf("%s: within %+v, in all %+v", part.schemes[k].name, a.items, b.items)
		}
	}
}

// nearest is how far p lies from the nearest tree that is compared.
func nearest(c *sideBySide, p geo.XY) float64 {
	d := math.Inf(1)
	for i := range c.trees {
		if j := c.trees[i].in[0]; j >= 0 {
			d = min(d, c.schemes[0].a.in.at[j].Distance(p))
		}
	}
	return d
}

// The sums of a comparison are those of its trees, and a design compared with
// itself changes nothing.
func TestCompareAddsUp(t *testing.T) {
	c := townComparison(t, "corridor.geojson")
	for k, s := range c.schemes {
		sum, diff := 0.0, 0.0
		for i := range c.trees {
			if r := c.row(&c.trees[i], k); r != nil {
				sum += r.soilM3
			}
			if a, b := c.row(&c.trees[i], 0), c.row(&c.trees[i], k); a != nil && b != nil {
				diff += b.soilM3 - a.soilM3
			}
		}
		if math.Abs(sum-s.totals.SoilM3) > 1e-6 {
			t.Errorf("%s: %.6f m3, the trees have %.6f", s.name, s.totals.SoilM3, sum)
		}
		if k == 0 {
			continue
		}
		if d := s.totals.GainedM3 - s.totals.LostM3; math.Abs(d-diff) > soilNoiseM3*float64(len(c.trees)) {
			t.Errorf("%s: gained less lost %.4f, the trees say %.4f", s.name, d, diff)
		}
		cost := 0.0
		for i := range s.takeoff.items {
			cost += s.takeoff.items[i].cost()
		}
		if math.Abs(cost-s.takeoff.cost) > 1e-6 || !(cost > 0) {
			t.Errorf("%s costs %.2f, its items %.2f", s.name, s.takeoff.cost, cost)
		}
		back := map[ground.What]float64{}
		for _, x := range ground.Changes(s.a.in.m, c.schemes[0].a.in.m, c.region, s.a.o.groundOptions()) {
			back[x.What] += x.AreaM2
		}
		if math.Abs(back[ground.Closed]+back[ground.ClosedUnderlaid]-s.takeoff.openedM2) > 1e-6 {
			t.Errorf("%s opens %.4f m2, and the way back closes %.4f", s.name, s.takeoff.openedM2, back[ground.Closed])
		}
	}
	if reflect.DeepEqual(c.schemes[1].totals, c.schemes[2].totals) {
		t.Error("both designs come to the same")
	}
}
