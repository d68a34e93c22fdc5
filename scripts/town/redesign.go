package main

import (
	"fmt"
	"strconv"

	"soilshed/scripts/plat"
)

// redesign draws two futures of Lantern Street: trenches cut from pit to pit
// (option A), and soil hung under the walks with beds where cars park
// (option B). Each holds whole layers that take the place of today's.
func (t *town) redesign() {
	first := t.blocks[5]
	y0, y1 := first.North, first.North+streetM[2]
	const walkM = 3.8
	t.pave("corridor", plat.Ring{{X: 1, Y: y0 - walkM - 0.5}, {X: t.width - 1, Y: y0 - walkM - 0.5}, {X: t.width - 1, Y: y1 + walkM + 0.5}, {X: 1, Y: y1 + walkM + 0.5}},
		text("NAME", "Lantern Street"))
	t.layers["option-b/rootable"] = append([]record(nil), t.layers["rootable"]...)
	t.layers["option-b/beds"] = append([]record(nil), t.layers["beds"]...)

	trenches := map[string][]plat.Ring{} // holes by walk
	for _, b := range t.blocks {
		for s := plat.South; s <= plat.West; s++ {
			if b.streets[s] != "Lantern Street" {
				continue
			}
			from, to := b.propertyM((s+3)%4)+1, b.Length(s)-b.propertyM((s+1)%4)-1
			t.pave("may-open", b.Rect(s, from, to, 0.3, 2.6), text("STREET", "Lantern Street"))
			t.pave("option-b/rootable", b.Rect(s, from, to, 0.2, 3.2), text("KIND", "suspended pavement"), num("depth_m", 1.0, 2), num("usable", 0.9, 2))
			key := group(b, s)
			for i := 0; i < len(b.pits[s]); i += 2 {
				a0 := b.pits[s][i] - 2
				a1 := b.pits[s][i] + 2
				if i+1 < len(b.pits[s]) && b.pits[s][i+1]-b.pits[s][i] < 14 && clearOf(b, s, b.pits[s][i], b.pits[s][i+1]) {
					a1 = b.pits[s][i+1] + 2
				} else {
					i--
				}
				trenches[key] = append(trenches[key], plat.Reverse(t.warp.Ring(b.Rect(s, max(a0, from), min(a1, to), 0.5, 2.5), stepM)))
			}
			// A bed in the parking lane before every third pit.
			for i := 1; i < len(b.pits[s]); i += 3 {
				a := b.pits[s][i]
				t.pave("option-b/beds", b.Rect(s, a-4.5, a+4.5, -2.1, 0.5), text("KIND", "bed in the parking lane"))
				t.pave("option-b/beds", b.Rect(s, a-1.2, a+1.2, 0.3, 1.7), text("KIND", "bed in the parking lane"))
			}
		}
	}
	// Walks are in the order of blocks and sides.
	for _, rec := range t.layers["sidewalks"] {
		if rec.geometry == nil || rec.props[0].Value != "walk" || rec.props[1].Value != "Lantern Street" {
			t.layers["option-a/sidewalks"] = append(t.layers["option-a/sidewalks"], rec)
			continue
		}
		shell := rec.geometry.([]plat.Polygon)[0][0]
		poly := plat.Polygon{shell}
		for _, b := range t.blocks {
			for s := plat.South; s <= plat.West; s++ {
				if b.streets[s] == "Lantern Street" && within(t.warp(b.At(s, b.Length(s)/2, walkM/2)), shell) {
					poly = append(poly, trenches[group(b, s)]...)
				}
			}
		}
		t.layers["option-a/sidewalks"] = append(t.layers["option-a/sidewalks"], record{[]plat.Polygon{poly}, rec.props})
	}
	id := 5001
	for _, s := range t.empty {
		if s.street != "Lantern Street" {
			continue
		}
		for _, option := range []string{"option-a/plant", "option-b/plant"} {
			t.add(option, s.at, plat.Prop{Name: "TREEID", Value: id}, text("SPP_BOT", "Quercus bicolor"), text("COMMON", "swamp white oak"),
				text("DIAM", "2"), plat.Prop{Name: "PLANT_YR", Value: surveyYear + 1}, text("STOCK", "bare root"), text("STREET", s.street), text("SITE", s.site), text("PIT", s.pit))
		}
		id++
	}
	remove := table{header: []string{"tree", "reason"}}
	for _, rec := range t.layers["trees"] {
		value := func(name string) any {
			for _, p := range rec.props {
				if p.Name == name {
					return p.Value
				}
			}
			return nil
		}
		if value("STREET") == "Lantern Street" && value("COND") == "Dead" && value("REMOVED") == nil {
			remove.rows = append(remove.rows, []string{fmt.Sprint(value("TREEID")), "dead"})
		}
	}
	for _, option := range []string{"option-a", "option-b"} {
		remove.name = option + "/remove.csv"
		t.tables = append(t.tables, remove)
	}
	t.layerNames = append(t.layerNames, "corridor", "may-open", "option-a/sidewalks", "option-a/plant", "option-b/rootable", "option-b/beds", "option-b/plant")
}

func clearOf(b *block, s plat.Side, a0, a1 float64) bool {
	for _, x := range b.drives[s] {
		if a1 > x[0] && a0 < x[1] {
			return false
		}
	}
	return true
}

func within(p plat.Point, r plat.Ring) bool {
	in := false
	for i, a := range r {
		b := r[(i+1)%len(r)]
		if (a.Y > p.Y) != (b.Y > p.Y) && p.X < a.X+(p.Y-a.Y)/(b.Y-a.Y)*(b.X-a.X) {
			in = !in
		}
	}
	return in
}

// configurations are those of today's town and of the two designs, for a
// comparison. They differ in what a design changes.
func configurations() map[string]string {
	file := func(about, sidewalks, beds, rootable, trees string) string {
		return "# " + about + `
trees = "trees.geojson"
pavement = ["roads.geojson", "` + sidewalks + `", "driveways.geojson", "buildings.geojson"]
bed = ["` + beds + `"]
rootable = ["` + rootable + `"]
barrier = ["walls.geojson"]
soil = ["soil.geojson"]
` + trees + `weather = "weather.csv"
elevation = 360
gusts = "gusts.csv"
year = 2024

[field]
dbh = "DIAM:in"
removed = "REMOVED"
`
	}
	trees := func(option string) string {
		return "plant = \"" + option + "/plant.geojson\"\nremove = \"" + option + "/remove.csv\"\n"
	}
	const walks, beds, rootable = "sidewalks.geojson", "beds.geojson", "rootable.geojson"
	return map[string]string{
		"today.toml":    file("Wrenfold as it is.", walks, beds, rootable, ""),
		"option-a.toml": file("Lantern Street with trenches cut from pit to pit.", "option-a/"+walks, beds, rootable, trees("option-a")),
		"option-b.toml": file("Lantern Street with soil hung under the walks, and beds where cars park.", walks, "option-b/"+beds, "option-b/"+rootable, trees("option-b")),
	}
}

// prices are invented, in no currency.
func prices() table {
	t := table{name: "prices.csv", header: []string{"item", "unit", "price", "note"}}
	for _, r := range []struct {
		item, unit string
		price      int
		note       string
	}{
		{"remove pavement", "m2", 60, "break out, load, haul"},
		{"lay pavement", "m2", 110, "sidewalk, poured"},
		{"open bed", "m2", 45, "loosen, kerb, mulch"},
		{"soil", "m3", 70, "supplied and placed"},
		{"stone and soil mix", "m3", 140, "supplied, placed, compacted"},
		{"suspended pavement", "m3", 520, "frames, soil and deck"},
		{"plant tree", "tree", 650, "with two summers of water"},
		{"remove tree", "tree", 900, "with stump"},
	} {
		t.rows = append(t.rows, []string{r.item, r.unit, strconv.Itoa(r.price), r.note})
	}
	return t
}
