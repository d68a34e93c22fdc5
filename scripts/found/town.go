package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"soilshed/scripts/plat"
)

// table is the evidence as the command prints it, read here anew: what is drawn
// by it is not drawn by the code that is measured.
type table struct {
	rows  []map[string]string
	draws map[string]float64 // the town's own weights, by key and level
	group map[string]float64 // spread between the members of a group
	rates map[string]float64 // of members, drawn when first met
	d     *plat.Dice
}

func (r *runner) evidence(d *plat.Dice) (*table, error) {
	b, err := r.output(r.soilshed, "evidence")
	if err != nil {
		return nil, err
	}
	return newTable(b, d)
}

// newTable draws a town's own weights by a table.
func newTable(b []byte, d *plat.Dice) (*table, error) {
	all, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		return nil, err
	}
	t := &table{draws: map[string]float64{}, group: map[string]float64{}, rates: map[string]float64{}, d: d}
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, name := range all[0] {
			row[name] = cells[i]
		}
		if row["key"] == "version" {
			continue
		}
		t.rows = append(t.rows, row)
		if row["level"] == "*" {
			t.group[row["key"]] = num(row["spread"])
			continue
		}
		t.draws[row["key"]+":"+row["level"]] = d.Normal(num(row["weight"]), num(row["spread"]))
	}
	return t, nil
}

func num(s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0
	}
	return v
}

// level is the effect of a level: the town's weight less the average tree's.
func (t *table) level(key, level string) float64 {
	mean := 0.0
	for _, r := range t.rows {
		if r["key"] == key {
			mean += num(r["share"]) * t.draws[key+":"+r["level"]]
		}
	}
	return t.draws[key+":"+level] - mean
}

// degree is the effect of a value: the town's weight times how far it is from
// the average tree's.
func (t *table) degree(key string, v float64) float64 {
	for _, r := range t.rows {
		if r["key"] == key {
			return t.draws[key+":"] * (plat.Clamp(v, num(r["low"]), num(r["high"])) - num(r["mean"]))
		}
	}
	panic("the evidence table has no " + key)
}

// member is the rate of a member of a group.
func (t *table) member(group, name string) float64 {
	k := group + ":" + name
	if _, ok := t.rates[k]; !ok {
		t.rates[k] = t.d.Normal(0, t.group[group])
	}
	return t.rates[k]
}

// pick draws a level by the shares of the table.
func (t *table) pick(key string, d *plat.Dice) string {
	u, last := d.Unit(), ""
	for _, r := range t.rows {
		if r["key"] == key {
			last = r["level"]
			if u -= num(r["share"]); u < 0 {
				break
			}
		}
	}
	return last
}

// genus finds the level of a species among the genera of the table.
func (t *table) genus(species string) string {
	genus, _, _ := strings.Cut(species, " ")
	for _, name := range []string{species, genus} {
		if _, ok := t.draws["genus:"+name]; ok {
			return name
		}
	}
	return "other"
}

// ownSpread is what no sign tells of a tree, in log-odds (made up).
const ownSpread = 0.5

// simulatedTown draws a town on the ground of scripts/city: its ground is
// surveyed first, then its truth is drawn, then its inventory is written, with
// gaps.
func (r *runner) simulatedTown(trees int, seed uint64) (*town, error) {
	folder := filepath.Join(r.dir, fmt.Sprintf("town-%d", seed))
	if err := r.run("go", "run", "./scripts/city", "--out", folder, "--trees", strconv.Itoa(trees), "--polygons", strconv.Itoa(trees*6/10), "--crs", "lonlat", "--seed", strconv.FormatUint(seed, 10)); err != nil {
		return nil, err
	}
	ground := filepath.Join(folder, "ground.geojson")
	flags := []string{"--pavement", filepath.Join(folder, "pavement.geojson"), "--design-gust", "35", "--year", "2024"}
	points := filepath.Join(folder, "trees.geojson")
	if err := r.run(r.soilshed, append([]string{"assess", "--trees", points, "--out", ground, "--jitters", "0", "--quiet"}, flags...)...); err != nil {
		return nil, err
	}
	list, err := features(ground)
	if err != nil {
		return nil, err
	}
	d := plat.NewDice(seed, 501)
	e, err := r.evidence(d)
	if err != nil {
		return nil, err
	}
	type lot struct {
		stock, supplier string
		corrected       bool
	}
	lots := map[string]lot{}
	t := &town{folder: folder, truth: map[string]share{}, flags: append([]string{"--trees", filepath.Join(folder, "inventory.geojson")}, flags...)}
	var inventory []feature
	for _, f := range list {
		p := f.Properties
		id, _ := p["tree_id"].(string)
		species, _ := p["species"].(string)
		dbh, hasDBH := p["dbh_cm"].(float64)
		planted, hasYear := p["planted"].(float64)
		street, _ := p["street"].(string)
		if !hasYear {
			planted = 1995
		}
		years := 2024 - planted
		key := fmt.Sprint(street, planted)
		l, ok := lots[key]
		if !ok {
			l = lot{e.pick("stock", d), fmt.Sprintf("Nursery %d", 1+d.Below(8)), d.Chance(0.15)}
			lots[key] = l
		}
		flare := plat.Clamp(d.Normal(6, 6), 0, 30)
		mulch := plat.Clamp(d.Normal(6, 5), 0, 40)
		touches := e.pick("mulch_touches", d)
		x := e.draws["prior:"] + e.degree("flare_cm", flare) + e.level("stock", l.stock) + e.level("corrected", yesNo(l.corrected)) +
			e.degree("years", years) + e.degree("mulch_cm", mulch) + e.level("mulch_touches", touches) + e.level("genus", e.genus(species)) +
			e.member("supplier", l.supplier) + e.member("species", species) + e.member("season", fmt.Sprint(planted)) +
			// Signs that no inventory here has, and the tree's own.
			e.level("flat_side", e.pick("flat_side", d)) + e.level("texture", e.pick("texture", d)) + e.member("crew", fmt.Sprint(d.Below(6))) + d.Normal(0, ownSpread)
		if how, _ := p["ground"].(string); how == "measured" || how == "snapped" || how == "open" {
			if v, ok := p["reach_m"].(float64); ok {
				x += e.degree("reach_m", v)
			}
			if v, ok := p["soil_pct"].(float64); ok {
				x += e.degree("soil_share", v/100)
			}
		}
		truth := share{girdled: d.Chance(1 / (1 + math.Exp(-x)))}
		vigour := plat.Clamp(d.Normal(0.8, 0.12), 0.3, 1)
		truth.share = plat.Clamp(d.Normal(0.08, 0.08), 0, 0.32)
		if truth.girdled {
			truth.share = plat.Clamp(0.34+d.Gamma2(0.2), 0.34, 1)
			if years > 7 {
				vigour -= d.Between(0, 0.4)
				dbh *= d.Between(0.8, 1)
			}
		}
		t.truth[id] = truth
		condition := "Good"
		switch {
		case vigour < 0.45:
			condition = "Poor"
		case vigour < 0.68:
			condition = "Fair"
		}
		q := map[string]any{"id": id, "street": street, "species": species}
		know := func(part float64, name string, v any) {
			if d.Chance(part) {
				q[name] = v
			}
		}
		if hasDBH {
			q["dbh_cm"] = math.Round(dbh*10) / 10
		}
		know(0.8, "planted", planted)
		know(0.6, "stock", l.stock)
		know(0.7, "supplier", l.supplier)
		know(0.5, "corrected", yesNo(l.corrected))
		know(0.4, "flare_cm", math.Round(flare))
		know(0.6, "flare_seen", yesNo(flare+d.Normal(0, 1.5) < 4))
		know(0.5, "mulch_cm", math.Round(mulch))
		know(0.5, "mulch_contact", touches)
		know(0.9, "condition", condition)
		inventory = append(inventory, feature{"Feature", f.Geometry, q})
	}
	slices.SortFunc(inventory, func(a, b feature) int {
		return strings.Compare(a.Properties["id"].(string), b.Properties["id"].(string))
	})
	b, err := json.Marshal(map[string]any{"type": "FeatureCollection", "features": inventory})
	if err != nil {
		return nil, err
	}
	if err := os.WriteFile(filepath.Join(folder, "inventory.geojson"), b, 0o666); err != nil {
		return nil, err
	}
	return t, r.first(t)
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}
