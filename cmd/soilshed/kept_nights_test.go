package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// town of a test: layers that are kept as they are written, so that one thing at
// a time can be changed.
type smallTown struct {
	trees, paving, beds, soils []map[string]any
	args                       []string
	second                     []map[string]any // a second layer of paving, if there is one
	turned                     bool             // it comes first
	evidence                   string
	dice                       *rand.Rand
	next                       int // number of the next tree
}

func (s *smallTown) square(x, y, w, h float64, properties map[string]any) map[string]any {
	return map[string]any{"type": "Feature", "properties": properties, "geometry": map[string]any{"type": "Polygon",
		"coordinates": [][][2]float64{{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}, {x, y}}}}}
}

func (s *smallTown) tree(x, y float64) map[string]any {
	s.next++
	d := s.dice
	p := map[string]any{
		"id": s.next, "species": pick(d, "Acer rubrum", "Acer rubrum", "Acer platanoides", "Tilia cordata"), "dbh_cm": 5 + d.IntN(50), "planted": 1985 + d.IntN(3),
		"condition": pick(d, "good", "fair", "poor"), "supplier": pick(d, "Alder & Sons", "Brook Nursery"), "status": nil, "stock": pick(d, "container", "bare root"),
		"height_m": 4 + d.IntN(12), "crown_m": 3 + d.IntN(8), "mulch_depth_cm": d.IntN(12), "soil_depth_m": nil, "texture": nil, "bulk_density": nil, "lean": nil,
		"flare_depth_cm": nil, "flare_seen": nil, "sidewalk_year": nil, "pit": nil, "mulch_contact": nil, "roots_corrected": nil, "planting_crew": nil, "dead": "no",
	}
	if d.IntN(4) == 0 { // what is typical is taken
		p["dbh_cm"], p["height_m"], p["crown_m"], p["planted"] = nil, nil, nil, nil
	}
	return map[string]any{"type": "Feature", "properties": p, "geometry": map[string]any{"type": "Point", "coordinates": [2]float64{x, y}}}
}

func pick[T any](d *rand.Rand, of ...T) T { return of[d.IntN(len(of))] }

// newSmallTown is four streets of trees, walks with pits in strips, two soils.
func newSmallTown(dice *rand.Rand) *smallTown {
	s := &smallTown{dice: dice}
	for street := range 4 {
		y := 1196500 + 40*float64(street)
		for k := range 16 {
			s.trees = append(s.trees, s.tree(1425005+9*float64(k)+dice.Float64(), y+1+dice.Float64()))
		}
		s.paving = append(s.paving,
			s.square(1425000, y-10, 150, 10, map[string]any{"kind": "road"}),
			s.square(1425000, y+3, 150, 2, map[string]any{"kind": "sidewalk"}))
		for k := range 5 {
			s.paving = append(s.paving, s.square(1425017+27*float64(k), y, 4, 3, map[string]any{"kind": "driveway"}))
		}
		s.soils = append(s.soils, s.square(1425000, y-20, 150, 40, map[string]any{"texture": "loam", "depth_m": 0.8, "awc": 0.15}))
	}
	s.beds = append(s.beds, s.square(1425050, 1196498, 3, 2, map[string]any{}))
	return s
}

func (s *smallTown) write(t *testing.T, dir string) (args []string) {
	t.Helper()
	type layer struct {
		flag string
		list []map[string]any
	}
	layers := []layer{{"trees", s.trees}, {"pavement", s.paving}, {"bed", s.beds}, {"soil", s.soils}}
	if len(s.second) > 0 {
		layers = append(layers, layer{"pavement", s.second})
		if s.turned {
			slices.Reverse(layers)
		}
	}
	for _, l := range layers {
		b, err := json.Marshal(map[string]any{"type": "FeatureCollection", "features": l.list,
			"crs": map[string]any{"type": "name", "properties": map[string]any{"name": "urn:ogc:def:crs:EPSG::26975"}}})
		file := filepath.Join(dir, l.flag+".geojson")
		if l.flag == "pavement" && &l.list[0] != &s.paving[0] {
			file = filepath.Join(dir, "second.geojson")
		}
		if err == nil {
			err = os.WriteFile(file, b, 0o666)
		}
		if err == nil { // as if nothing had been written: the time tells nothing
			err = os.Chtimes(file, time.Time{}, time.Unix(1714500000, 0))
		}
		if err != nil {
			t.Fatal(err)
		}
		args = append(args, "--"+l.flag, file)
	}
	if s.evidence != "" {
		file := filepath.Join(dir, "evidence.csv")
		if err := os.WriteFile(file, []byte(s.evidence), 0o666); err != nil {
			t.Fatal(err)
		}
		args = append(args, "--evidence", file)
	}
	return append(append(args, "--year", "2024", "--jitters", "2"), s.args...)
}

func (s *smallTown) any(list []map[string]any) map[string]any { return list[s.dice.IntN(len(list))] }

// set changes a property of one tree.
func (s *smallTown) set(name string, of ...any) {
	p := s.any(s.trees)["properties"].(map[string]any)
	p[name] = pick(s.dice, of...)
}

func (s *smallTown) move(f map[string]any, by float64) {
	var move func(c any)
	move = func(c any) {
		switch c := c.(type) {
		case [2]float64:
			panic("a copy")
		case []any:
			if x, ok := c[0].(float64); ok {
				c[0] = x + by
				return
			}
			for _, p := range c {
				move(p)
			}
		}
	}
	b, _ := json.Marshal(f["geometry"])
	var g map[string]any
	json.Unmarshal(b, &g)
	move(g["coordinates"])
	f["geometry"] = g
}

// nightsOf are the kinds of change that a night may bring. Those of one tree or
// polygon are to leave most of the others' rows to be taken over.
func nightsOf() (names []string, do map[string]func(s *smallTown)) {
	do = map[string]func(s *smallTown){
		"nothing":        func(s *smallTown) {},
		"tree added":     func(s *smallTown) { s.trees = append(s.trees, s.tree(1425030+s.dice.Float64()*90, 1196501.5)) },
		"tree gone":      func(s *smallTown) { k := s.dice.IntN(len(s.trees)); s.trees = slices.Delete(s.trees, k, k+1) },
		"tree moved":     func(s *smallTown) { s.move(s.any(s.trees), 0.3) },
		"first tree":     func(s *smallTown) { s.trees = slices.Insert(s.trees, 0, s.tree(1425060, 1196541.2)) },
		"trees turned":   func(s *smallTown) { slices.Reverse(s.trees) },
		"removed":        func(s *smallTown) { s.set("status", "removed") },
		"dead":           func(s *smallTown) { s.set("dead", "yes") },
		"species":        func(s *smallTown) { s.set("species", "Quercus rubra", "Acer platanoides") },
		"dbh":            func(s *smallTown) { s.set("dbh_cm", 33.3, nil) },
		"height":         func(s *smallTown) { s.set("height_m", 17.5) },
		"crown":          func(s *smallTown) { s.set("crown_m", 9.5) },
		"planted":        func(s *smallTown) { s.set("planted", 1971, nil) },
		"condition":      func(s *smallTown) { s.set("condition", "poor", "excellent") },
		"supplier":       func(s *smallTown) { s.set("supplier", "Cray & Co") },
		"stock":          func(s *smallTown) { s.set("stock", "balled and burlapped") },
		"corrected":      func(s *smallTown) { s.set("roots_corrected", "yes") },
		"mulch":          func(s *smallTown) { s.set("mulch_depth_cm", 19) },
		"mulch contact":  func(s *smallTown) { s.set("mulch_contact", "yes") },
		"flare":          func(s *smallTown) { s.set("flare_depth_cm", 21) },
		"flare seen":     func(s *smallTown) { s.set("flare_seen", "no") },
		"lean":           func(s *smallTown) { s.set("lean", 12) },
		"walk":           func(s *smallTown) { s.set("sidewalk_year", 2021) },
		"pit":            func(s *smallTown) { s.set("pit", "1.5x1.5") },
		"depth":          func(s *smallTown) { s.set("soil_depth_m", 0.55) },
		"density":        func(s *smallTown) { s.set("bulk_density", 1.7) },
		"texture":        func(s *smallTown) { s.set("texture", "clay", "sand") },
		"crew":           func(s *smallTown) { s.set("planting_crew", "North") },
		"pavement moved": func(s *smallTown) { s.move(s.any(s.paving), 0.4) },
		"pavement gone":  func(s *smallTown) { k := s.dice.IntN(len(s.paving)); s.paving = slices.Delete(s.paving, k, k+1) },
		"pavement added": func(s *smallTown) {
			s.paving = append(s.paving, s.square(1425000+s.dice.Float64()*140, 1196500, 3, 3, map[string]any{"kind": "parking"}))
		},
		"pavement edited": func(s *smallTown) { // to as many bytes
			for _, p := range s.paving {
				was, _ := json.Marshal(p)
				before := p["geometry"]
				if s.move(p, 1); true {
					if is, _ := json.Marshal(p); len(was) == len(is) {
						return
					}
				}
				p["geometry"] = before
			}
			panic("no paving keeps its length")
		},
		"pavement's second layer": func(s *smallTown) {
			s.second = append(s.second, s.square(1425000+s.dice.Float64()*140, 1196540, 2, 2, map[string]any{"kind": "path"}))
		},
		"pavement's layers turned": func(s *smallTown) {
			if s.turned = !s.turned; len(s.second) == 0 {
				s.second = append(s.second, s.square(1425044.3, 1196580, 2, 2, map[string]any{"kind": "path"}))
			}
		},
		"pavement's layer gone": func(s *smallTown) { s.second = nil },
		"another plane": func(s *smallTown) {
			for k := range 2 * len(s.trees) {
				s.trees = append(s.trees, s.tree(1425000.5+0.8*float64(k), 1196493))
			}
		},
		"other depth":       func(s *smallTown) { s.args = []string{"--depth", "0.7"} },
		"other class field": func(s *smallTown) { s.args = []string{"--class-field", "none"} },
		"class of paving":   func(s *smallTown) { s.any(s.paving)["properties"].(map[string]any)["kind"] = "school" },
		"bed added": func(s *smallTown) {
			s.beds = append(s.beds, s.square(1425000+s.dice.Float64()*140, 1196537, 3, 3, map[string]any{}))
		},
		"soil's texture": func(s *smallTown) { s.any(s.soils)["properties"].(map[string]any)["texture"] = "sandy clay" },
		"soil's depth":   func(s *smallTown) { s.any(s.soils)["properties"].(map[string]any)["depth_m"] = 0.6 },
		"soil's water":   func(s *smallTown) { s.any(s.soils)["properties"].(map[string]any)["awc"] = 0.09 },
		"evidence": func(s *smallTown) {
			var b bytes.Buffer
			run(context.Background(), []string{"evidence"}, &b, os.Stderr)
			s.evidence = b.String()
		},
		"another gust": func(s *smallTown) {
			s.args = []string{"--design-gust", strconv.Itoa(30 + s.dice.IntN(10))}
		},
		"another need":  func(s *smallTown) { s.args = []string{"--need", pick(s.dice, "crown", "water")} },
		"other bounds":  func(s *smallTown) { s.args = []string{"--class-bounds", "100,80," + strconv.Itoa(40+s.dice.IntN(30))} },
		"other texture": func(s *smallTown) { s.args = []string{"--texture", pick(s.dice, "sand", "clay")} },
		"other units":   func(s *smallTown) { s.args = []string{"--units", "us"} },
		"other columns": func(s *smallTown) { s.args = []string{"--field", "condition="} },
	}
	for name := range do {
		names = append(names, name)
	}
	slices.Sort(names)
	return names, do
}

// local tells whether a kind of night leaves most trees as they were.
func local(name string) bool {
	return !strings.HasPrefix(name, "other") && !strings.HasPrefix(name, "another") && name != "evidence"
}

// Whatever enters a tree's row, a change of it is not missed: after each kind of
// night, and after several at once, what is taken over and what is worked out
// give the same bytes.
func TestEveryKindOfNight(t *testing.T) {
	t.Setenv("SOURCE_DATE_EPOCH", "1714530000")
	names, do := nightsOf()
	dice := rand.New(rand.NewPCG(11, 12))
	s := newSmallTown(dice)
	dir := t.TempDir()
	out, before := filepath.Join(dir, "out"), filepath.Join(dir, "before")
	file := filepath.Join(out, "town.gpkg")
	job := func(night string, more ...string) string {
		said := keptRun(t, append(append(s.write(t, dir), "--since", file, "--out", file), more...)...)
		return strings.Join(strings.Fields(said), " ")
	}
	os.MkdirAll(out, 0o777)
	job("first")
	dice.Shuffle(len(names), func(i, j int) { names[i], names[j] = names[j], names[i] })
	taken, maps, last := 0, 0, filepath.Join(dir, "last")
	var same []string
	for n, name := range names {
		if testing.Short() && n >= 12 {
			break
		}
		do[name](s)
		what := []string{name}
		for n%3 == 2 && dice.IntN(2) == 0 { // several at once
			more := pick(dice, names...)
			do[more](s)
			what = append(what, more)
		}
		os.RemoveAll(before)
		if err := os.CopyFS(before, os.DirFS(out)); err != nil {
			t.Fatal(err)
		}
		said := job(name, "--workers", "2")
		chains := 0
		if _, after, ok := strings.Cut(said, "is the same; of "); ok {
			fmt.Sscan(after, &chains)
		}
		taken += chains
		// The map is taken over where no layer of the ground and no setting of it is
		// another, and nowhere else.
		if mapTaken := strings.Contains(said, "were not read again"); len(what) == 1 && n > 0 && local(names[n-1]) {
			another := strings.HasPrefix(name, "pav") || strings.HasPrefix(name, "bed") || strings.HasPrefix(name, "soil") || name == "class of paving" ||
				slices.Contains([]string{"another plane", "other depth", "other class field", "other units"}, name)
			if mapTaken == another && (local(name) || another) && name != "pavement's layer gone" {
				t.Errorf("%s: the map was taken over: %v", name, mapTaken)
			}
			maps += int(bit(mapTaken))
		}
		if len(what) == 1 && local(name) && n > 0 && local(names[n-1]) && name != "nothing" && (chains == 0 || chains >= len(s.trees)+1) {
			t.Errorf("%s: %d rows of %d were taken over: %s", name, chains, len(s.trees), said)
		}
		got := filepath.Join(dir, "taken")
		os.RemoveAll(got)
		os.Rename(out, got)
		os.Rename(before, out)
		os.Remove(keptPath(file))
		os.Remove(keptMapPath(file))
		job(name)
		sameOutputs(t, got, out)
		was, _ := os.ReadFile(filepath.Join(got, "town-kept.bin"))
		if is, _ := os.ReadFile(last); bytes.Equal(was, is) && len(what) == 1 {
			same = append(same, name)
		} else if err := os.WriteFile(last, was, 0o666); err != nil {
			t.Fatal(err)
		}
		if t.Failed() {
			t.Fatalf("after %v", what)
		}
		if !local(name) && name != "evidence" {
			s.args = nil
		}
	}
	// What was kept of another town is of no use, and does no harm.
	other, there := newSmallTown(rand.New(rand.NewPCG(13, 14))), t.TempDir()
	elsewhere := filepath.Join(there, "town.geojson")
	keptRun(t, append(other.write(t, there), "--since", elsewhere, "--out", elsewhere)...)
	os.RemoveAll(before)
	os.CopyFS(before, os.DirFS(out))
	os.Remove(keptPath(filepath.Join(before, "town.gpkg")))
	b, err := os.ReadFile(keptPath(elsewhere))
	if err == nil {
		err = os.WriteFile(keptPath(file), b, 0o666)
	}
	if err != nil {
		t.Fatal(err)
	}
	foreign := filepath.Join(dir, "foreign")
	job("foreign")
	os.Rename(out, foreign)
	os.Rename(before, out)
	job("foreign, all anew")
	sameOutputs(t, foreign, out)
	// By their spelling, or by chance, nights may bring nothing new: not many.
	if t.Logf("as the night before: %q", same); len(same) > 4 {
		t.Errorf("nothing was new in %q", same)
	}
	if maps < 5 {
		t.Errorf("the map was taken over %d times", maps)
	}
	if taken < 100 {
		t.Errorf("%d rows were taken over in all: nothing was tried", taken)
	}
}
