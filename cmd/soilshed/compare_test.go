package main

import (
	"crypto/sha256"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"soilshed/geo"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
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

// What is opened, closed and underlaid is what GEOS finds on the same layers. The
// layers are in degrees here and were in metres there, so that a plane lies between.
func TestCompareAgainstGEOS(t *testing.T) {
	table, err := openTable("../../fixtures/reference/redesign.csv")
	if err != nil {
		t.Fatal(err)
	}
	c := townComparison(t, "corridor.geojson")
	if len(table.Rows) != 2 {
		t.Fatalf("%d rows", len(table.Rows))
	}
	for i := range table.Rows {
		s, r := c.schemes[i+1], &table.Rows[i]
		if s.name != r.cell(0) {
			t.Fatalf("%s and %s", s.name, r.cell(0))
		}
		for k, got := range []float64{s.takeoff.openedM2, s.takeoff.closedM2, s.takeoff.underlaidM2} {
			want, ok := plainNumber(r.cell(k + 1))
			if !ok || !(math.Abs(got-want) <= 0.005+1e-4*want) {
				t.Errorf("%s, %s: %.4f, GEOS has %s", s.name, table.Header[k+1], got, r.cell(k+1))
			}
		}
	}
}

// Every value of a field that is drawn has its tone, each style is well-formed
// XML, and its rules ask for fields that the layer has.
func TestCompareStyles(t *testing.T) {
	c := &sideBySide{schemes: []*scheme{{name: "today", a: &assessment{o: &options{}}}, {name: "a & b"}, {name: "c"}}}
	c.schemes[0].a.in.system = wgs84
	schemas := c.differenceSchemas("x.gpkg")
	var spots layer.Schema
	spots.Name = "spots"
	for i := range spotFields {
		spots.Fields = append(spots.Fields, spotFields[i].field(false))
	}
	var places layer.Schema
	places.Name = "places"
	for i := range placeFields {
		places.Fields = append(places.Fields, placeFields[i].field(false))
	}
	all := []struct {
		schemas []layer.Schema
		styles  []layer.Style
	}{{schemas, c.styles(schemas)}, {[]layer.Schema{places, places, spots}, placeStyles([]layer.Schema{places, places, spots})}}
	for _, x := range all {
		for _, st := range x.styles {
			for _, text := range []string{st.QML, st.SLD} {
				d := xml.NewDecoder(strings.NewReader(text))
				for {
					if _, err := d.Token(); err == io.EOF {
						break
					} else if err != nil {
						t.Fatalf("%s: %v", st.Name, err)
					}
				}
			}
			asked := regexp.MustCompile(`<ogc:PropertyName>([^<]*)<|filter="&#34;([^&]*)&#34;`).FindAllStringSubmatch(st.SLD+st.QML, -1)
			if len(asked) < 2 {
				t.Errorf("%s asks for %d fields", st.Name, len(asked))
			}
			for _, m := range asked {
				if s := &x.schemas[st.Layer]; s.Index(m[1]+m[2]) < 0 {
					t.Errorf("%s asks for %q, which %s has not", st.Name, m[1]+m[2], s.Name)
				}
			}
		}
	}
	if qml := all[0].styles[0].QML; strings.Count(qml, `checkstate="0"`) != 1 || !strings.Contains(qml, "a &amp; b") {
		t.Error("the second proposal alone is to be switched off")
	}
	for o := range outcomes {
		if !slices.ContainsFunc(outcomeTones, func(t tone) bool { return t.value == o.String() }) {
			t.Errorf("%s is not drawn", o)
		}
	}
}

// The manifest of a comparison names the bytes that went into each design.
func TestComparisonManifest(t *testing.T) {
	dir := t.TempDir()
	town := func(name string) string { return filepath.Join("../../fixtures/town", name) }
	out := filepath.Join(dir, "designs.geojson")
	if code := run(t.Context(), []string{"compare", "--before", town("today.toml"), "--after", town("option-a.toml"), "--within", town("corridor.geojson"),
		"--prices", town("prices.csv"), "--out", out, "--csv", filepath.Join(dir, "designs.csv"), "--quiet"}, io.Discard, io.Discard); code != 0 {
		t.Fatalf("exit status %d", code)
	}
	var m comparisonManifest
	b, err := os.ReadFile(filepath.Join(dir, "designs-manifest.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	digest := func(file string) string {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprintf("%x", sha256.Sum256(b))
	}
	holds := func(what string, list []manifestInput, role, file string) {
		t.Helper()
		if !slices.ContainsFunc(list, func(i manifestInput) bool { return i.Role == role && i.SHA256 == digest(file) }) {
			t.Errorf("%s: no %s with the digest of %s", what, role, file)
		}
	}
	holds("the comparison", m.Inputs, "corridor", town("corridor.geojson"))
	holds("the comparison", m.Inputs, "prices", town("prices.csv"))
	if len(m.Designs) != 2 || m.Designs[0].Name != "today" || m.Designs[1].Name != "option-a" {
		t.Fatalf("designs %+v", m.Designs)
	}
	holds("today", m.Designs[0].Inputs, "pavement", town("sidewalks.geojson"))
	holds("option-a", m.Designs[1].Inputs, "pavement", town("option-a/sidewalks.geojson"))
	holds("option-a", m.Designs[1].Inputs, "configuration", town("option-a.toml"))
	if d := m.Designs[1]; d.Trees < 50 || len(d.Layers) < 3 || len(d.Warnings) == 0 {
		t.Errorf("option-a: %d trees, %d layers, warnings %q", d.Trees, len(d.Layers), d.Warnings)
	}
	for _, o := range m.Outputs {
		if o.SHA256 != digest(o.File) {
			t.Errorf("%s has another digest than the manifest says", o.File)
		}
	}
	if len(m.Outputs) < 2 {
		t.Errorf("outputs %v", m.Outputs)
	}
	if code := run(t.Context(), []string{"compare", "--before", town("today.toml"), "--after", town("option-a.toml"), "--prices", filepath.Join(dir, "designs-manifest.json"),
		"--out", out}, io.Discard, io.Discard); code != 2 {
		t.Errorf("the manifest was written over an input of its name: exit status %d", code)
	}
}
