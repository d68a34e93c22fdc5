// Found measures how many of the truly girdled trees the first of the list finds,
// beside other orders in which a crew might dig, and how the list moves after a
// hundred excavations. It runs the command as a user does:
//
//	go run ./scripts/found                     the demo town and four simulated towns
//	go run ./scripts/found --towns 8 --trees 2000
//
// A simulated town has the ground of scripts/city. Its truth is drawn by the
// model of the evidence table: first the town's own weights, each by its spread,
// with rates of suppliers, species and seasons; then each tree by its signs, by
// signs that no inventory has, and by a chance of its own. Then the inventory
// forgets part of the signs. What the numbers show is how far the list gets where
// the table is right about what is likely; no real town is in them.
//
// Two things are counted. How many girdled trees an order finds is counted in the
// truth alone. How much of the harm that girdling does lies with them is reckoned
// by the program's own wind and targets: it tells what the list makes of the
// chance of girdling, and cannot tell whether wind and targets are right.
package main

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"log"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"soilshed/scripts/plat"
)

func main() {
	log.SetFlags(0)
	log.SetPrefix("found: ")
	trees := flag.Int("trees", 3000, "trees of a simulated town")
	towns := flag.Int("towns", 4, "simulated towns")
	seed := flag.Uint64("seed", 1, "another seed, other towns")
	flag.Parse()
	if flag.NArg() > 0 || *trees < 500 || *towns < 0 {
		log.Fatal("wants flags alone, and at least 500 trees a town")
	}
	dir, err := os.MkdirTemp("", "found-")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	if err := measure(dir, *trees, *towns, *seed); err != nil {
		os.RemoveAll(dir)
		log.Fatal(err)
	}
}

func measure(dir string, trees, towns int, seed uint64) error {
	r := runner{dir: dir, soilshed: filepath.Join(dir, "soilshed")}
	if err := r.run("go", "build", "-o", r.soilshed, "./cmd/soilshed"); err != nil {
		return err
	}
	demo, err := r.demoTown()
	if err != nil {
		return err
	}
	if err := r.show("The demo town", demo, seed); err != nil {
		return err
	}
	var all totals
	for k := range towns {
		s := seed + uint64(k)
		town, err := r.simulatedTown(trees, s)
		if err != nil {
			return err
		}
		if err := r.show(fmt.Sprintf("Simulated town %d", s), town, s); err != nil {
			return err
		}
		all.add(town)
	}
	if towns > 1 {
		all.print(towns)
	}
	return nil
}

// runner runs commands in the repository, whose root is the working directory.
type runner struct{ dir, soilshed string }

func (r *runner) run(name string, args ...string) error {
	_, err := r.output(name, args...)
	return err
}

func (r *runner) output(name string, args ...string) ([]byte, error) {
	var errs bytes.Buffer
	c := exec.Command(name, args...)
	c.Stderr = &errs
	out, err := c.Output()
	if err != nil {
		return nil, fmt.Errorf("%s %s: %w\n%s", filepath.Base(name), strings.Join(args, " "), err, errs.String())
	}
	return out, nil
}

// tree is one ranked tree of a town: what the run says, and the truth.
type tree struct {
	id      string
	rank    int
	byFinds int     // rank in the list by girdling
	p       float64 // of girdling
	dbhCm   float64
	openM2  float64
	girdled bool
	share   float64
	// harm is what girdling adds to the expected harm a year of this tree, were
	// it girdled: with a collar that is sure to be, less one that is sure not to.
	harm float64
}

// town is a town with a known truth.
type town struct {
	folder string
	flags  []string         // that read its layers
	truth  map[string]share // by tree
	harm   map[string]float64
	before []tree
	days   [len(aims)][2]int // trees looked at in the crew days by each aim, and girdled among them
	result result
}

type share struct {
	girdled bool
	share   float64
}

// demoTown lays out the town of the demo, which has its truth in a file.
func (r *runner) demoTown() (*town, error) {
	folder := filepath.Join(r.dir, "demo")
	if err := r.run(r.soilshed, "demo", "--dir", folder); err != nil {
		return nil, err
	}
	in := func(name string) string { return filepath.Join(folder, "wrenfold", name) }
	t := &town{folder: folder, truth: map[string]share{}, flags: []string{
		"--trees", in("trees.geojson"), "--field", "dbh=DIAM:in", "--field", "removed=REMOVED",
		"--pavement", in("roads.geojson"), "--pavement", in("sidewalks.geojson"),
		"--pavement", in("driveways.geojson"), "--pavement", in("buildings.geojson"),
		"--bed", in("beds.geojson"), "--rootable", in("rootable.geojson"), "--barrier", in("walls.geojson"),
		"--soil", in("soil.geojson"), "--gusts", in("gusts.csv"), "--year", "2024",
	}}
	f, err := os.Open(in("truth.csv"))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		return nil, err
	}
	column := func(name string) int { return slices.Index(rows[0], name) }
	for _, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[column("share_girdled")], 64)
		if err != nil {
			return nil, err
		}
		t.truth[row[column("tree")]] = share{row[column("girdled")] == "1", v}
	}
	return t, r.first(t)
}

// first lists the town by the built-in evidence, and finds what girdling would
// do to each tree: the same chain with evidence that is sure of the one, and of
// the other.
func (r *runner) first(t *town) error {
	table, err := r.output(r.soilshed, "evidence")
	if err != nil {
		return err
	}
	t.harm = map[string]float64{}
	for _, sure := range []struct{ name, weight, sign string }{{"all girdled", "40", "+"}, {"none girdled", "-40", "-"}} {
		rows, err := csv.NewReader(bytes.NewReader(table)).ReadAll()
		if err != nil {
			return err
		}
		for _, row := range rows {
			if row[0] == "prior" {
				row[slices.Index(rows[0], "weight")] = sure.weight
			}
		}
		var b bytes.Buffer
		if err := csv.NewWriter(&b).WriteAll(rows); err != nil {
			return err
		}
		evidence := filepath.Join(t.folder, sure.name+".csv")
		if err := os.WriteFile(evidence, b.Bytes(), 0o666); err != nil {
			return err
		}
		if _, err := r.assess(t, sure.name, evidence); err != nil {
			return err
		}
		list, err := features(filepath.Join(t.folder, sure.name+".geojson"))
		if err != nil {
			return err
		}
		for _, f := range list {
			id, _ := f.Properties["tree_id"].(string)
			v, _ := f.Properties["harm_yr"].(float64)
			if sure.sign == "-" {
				v = -v
			}
			t.harm[id] += v
		}
	}
	if t.before, err = r.assess(t, "before", ""); err != nil {
		return err
	}
	finds, err := r.assess(t, "finds", "", "--list-by", "girdling")
	if err != nil {
		return err
	}
	place := map[string]int{}
	for _, x := range finds {
		place[x.id] = x.rank
	}
	for i := range t.before {
		t.before[i].byFinds = place[t.before[i].id]
	}
	for k, aim := range aims {
		if _, err := r.assess(t, "days", "", "--list-by", aim, "--crew-days", fmt.Sprint(crewDays)); err != nil {
			return err
		}
		f, err := os.Open(filepath.Join(t.folder, "days-worklist.csv"))
		if err != nil {
			return err
		}
		rows, err := csv.NewReader(f).ReadAll()
		f.Close()
		if err != nil {
			return err
		}
		column := slices.Index(rows[0], "tree_id")
		for _, row := range rows[1:] {
			if x, known := t.truth[row[column]]; known {
				t.days[k][0]++
				if x.girdled {
					t.days[k][1]++
				}
			}
		}
	}
	return nil
}

// aims are those that the list may be ordered by, and crewDays the days of a crew
// for which both are set side by side.
var aims = [...]string{"harm", "girdling"}

const crewDays = 10

// assess runs the main job and returns the ranked trees whose truth is known, in
// the order of the list.
func (r *runner) assess(t *town, name, evidence string, more ...string) ([]tree, error) {
	out := filepath.Join(t.folder, name+".geojson")
	args := append([]string{"assess", "--out", out, "--jitters", "0", "--keep", "none", "--quiet"}, t.flags...)
	if evidence != "" {
		args = append(args, "--evidence", evidence)
	}
	args = append(args, more...)
	if err := r.run(r.soilshed, args...); err != nil {
		return nil, err
	}
	list, err := features(out)
	if err != nil {
		return nil, err
	}
	var trees []tree
	for _, f := range list {
		id, _ := f.Properties["tree_id"].(string)
		rank, ranked := f.Properties["rank"].(float64)
		truth, known := t.truth[id]
		if !ranked || !known {
			continue
		}
		x := tree{id: id, rank: int(rank), girdled: truth.girdled, share: truth.share, openM2: 1e9, harm: t.harm[id]}
		x.p, _ = f.Properties["sgr_p"].(float64)
		x.dbhCm, _ = f.Properties["dbh_cm"].(float64)
		if v, ok := f.Properties["open_m2"].(float64); ok {
			x.openM2 = v
		}
		trees = append(trees, x)
	}
	slices.SortFunc(trees, func(a, b tree) int { return cmp.Compare(a.rank, b.rank) })
	return trees, nil
}

// feature is a point of GeoJSON.
type feature struct {
	Type       string          `json:"type"`
	Geometry   json.RawMessage `json:"geometry"`
	Properties map[string]any  `json:"properties"`
}

func features(path string) ([]feature, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var c struct{ Features []feature }
	if err := json.Unmarshal(b, &c); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return c.Features, nil
}

// An order in which a crew might dig.
type order struct {
	name string
	less func(a, b *tree) int
}

var orders = []order{
	{"the list: harm averted an hour", func(a, b *tree) int { return cmp.Compare(a.rank, b.rank) }},
	{"chance of girdling alone", func(a, b *tree) int { return cmp.Compare(b.p, a.p) }},
	{"the list by girdling: finds an hour", func(a, b *tree) int { return cmp.Compare(a.byFinds, b.byFinds) }},
	{"largest stem first", func(a, b *tree) int { return cmp.Compare(b.dbhCm, a.dbhCm) }},
	{"smallest opening first", func(a, b *tree) int { return cmp.Compare(a.openM2, b.openM2) }},
}

// by returns the trees in an order; ties go by id.
func by(trees []tree, o order) []tree {
	s := slices.Clone(trees)
	slices.SortFunc(s, func(a, b tree) int { return cmp.Or(o.less(&a, &b), cmp.Compare(a.id, b.id)) })
	return s
}

func girdled(trees []tree) int {
	n := 0
	for i := range trees {
		if trees[i].girdled {
			n++
		}
	}
	return n
}

// harmOf adds up what girdling does to the trees that are girdled.
func harmOf(trees []tree) float64 {
	sum := 0.0
	for i := range trees {
		if trees[i].girdled {
			sum += trees[i].harm
		}
	}
	return sum
}

// result is what one town shows.
type result struct {
	n, girdled int
	first      []int        // trees in the first 5, 10 and 20 %
	found      [][]int      // girdled among them, by order
	harm       [][]float64  // share of the harm that girdling does in the town, by order
	later      []afterwards // of what was dug first
}

var parts = []float64{0.05, 0.10, 0.20}

// afterwards is what a hundred excavations change for the trees that are left.
type afterwards struct {
	how           string
	dug, dugSick  int
	left, girdled int
	next          int    // trees looked at next
	found         [4]int // girdled among them: list before and after, chance before and after
	meanRank      [2]float64
}

// show measures a town and prints it.
func (r *runner) show(title string, t *town, seed uint64) error {
	x := &t.result
	x.n, x.girdled = len(t.before), girdled(t.before)
	for _, part := range parts {
		x.first = append(x.first, int(part*float64(x.n)+0.5))
	}
	for _, o := range orders {
		s := by(t.before, o)
		var f []int
		for _, k := range x.first {
			f = append(f, girdled(s[:k]))
		}
		x.found = append(x.found, f)
		var h []float64
		for _, k := range x.first {
			h = append(h, harmOf(s[:k])/harmOf(s))
		}
		x.harm = append(x.harm, h)
	}
	fmt.Printf("\n%s: %d ranked trees, %d of them girdled in truth (%.1f %%)\n", title, x.n, x.girdled, 100*float64(x.girdled)/float64(x.n))
	fmt.Println("  girdled trees found | share of the harm that girdling does in the town")
	fmt.Printf("  %-34s", "in the first")
	for i, k := range x.first {
		fmt.Printf(" %12s", fmt.Sprintf("%.0f %% (%d)", 100*parts[i], k))
	}
	fmt.Println()
	for i, o := range orders {
		fmt.Printf("  %-34s", o.name)
		for k, n := range x.found[i] {
			fmt.Printf(" %12s", fmt.Sprintf("%d | %.0f %%", n, 100*x.harm[i][k]))
		}
		fmt.Println()
	}
	fmt.Printf("  %-34s", "by lot, on average")
	for i, k := range x.first {
		fmt.Printf(" %12s", fmt.Sprintf("%.1f | %.0f %%", float64(k*x.girdled)/float64(x.n), 100*parts[i]))
	}
	fmt.Println()
	for k, aim := range aims {
		fmt.Printf("  %d crew days by %s: %d trees looked at, %d of them girdled\n", crewDays, aim, t.days[k][0], t.days[k][1])
	}

	const digs = 100
	d := plat.NewDice(seed, 77)
	list, chance := by(t.before, orders[0]), by(t.before, orders[1])
	lot := slices.Clone(t.before)
	for i := len(lot) - 1; i > 0; i-- {
		j := d.Below(i + 1)
		lot[i], lot[j] = lot[j], lot[i]
	}
	half := append(slices.Clone(list[:digs/2]), slices.DeleteFunc(slices.Clone(lot), func(x tree) bool { return x.rank <= list[digs/2-1].rank })[:digs/2]...)
	for _, h := range []struct {
		how string
		dug []tree
	}{{"first 100 of the list", list[:digs]}, {"100 likeliest", chance[:digs]}, {"50 of the list, 50 by lot", half}, {"100 by lot", lot[:digs]}} {
		a, err := r.after(t, h.how, h.dug, x.first[0])
		if err != nil {
			return err
		}
		x.later = append(x.later, a)
	}
	fmt.Printf("  after a hundred excavations, of the trees left: girdled among the next %d\n", x.first[0])
	fmt.Printf("  %-28s %8s %17s %17s %21s\n", "dug", "girdled", "list, as it was", "chance, as it was", "mean rank of girdled")
	for _, a := range x.later {
		fmt.Printf("  %-28s %8d %17s %17s %21s\n", a.how, a.dugSick, arrow(a.found[0], a.found[1]), arrow(a.found[2], a.found[3]), fmt.Sprintf("%.0f -> %.0f of %d", a.meanRank[0], a.meanRank[1], a.left))
	}
	return nil
}

func arrow(a, b int) string { return fmt.Sprintf("%d -> %d", a, b) }

// after digs at trees, learns from them and ranks the others anew.
func (r *runner) after(t *town, how string, dug []tree, next int) (afterwards, error) {
	a := afterwards{how: how, dug: len(dug), dugSick: girdled(dug), next: next}
	was := map[string]bool{}
	var b strings.Builder
	b.WriteString("tree,date,share\n")
	for _, x := range dug {
		was[x.id] = true
		fmt.Fprintf(&b, "%s,2024-06-01,%.2f\n", x.id, x.share)
	}
	records, evidence := filepath.Join(t.folder, "digs.csv"), filepath.Join(t.folder, "evidence.csv")
	if err := os.WriteFile(records, []byte(b.String()), 0o666); err != nil {
		return a, err
	}
	if err := r.run(r.soilshed, append([]string{"learn", "--excavations", records, "--out", evidence, "--quiet"}, t.flags...)...); err != nil {
		return a, err
	}
	learned, err := r.assess(t, "after", evidence)
	if err != nil {
		return a, err
	}
	for k, list := range [][]tree{t.before, learned} {
		left := slices.DeleteFunc(slices.Clone(list), func(x tree) bool { return was[x.id] })
		a.left, a.girdled = len(left), girdled(left)
		a.found[k] = girdled(by(left, orders[0])[:next])
		a.found[2+k] = girdled(by(left, orders[1])[:next])
		for place, x := range by(left, orders[0]) {
			if x.girdled {
				a.meanRank[k] += float64(place+1) / float64(a.girdled)
			}
		}
	}
	return a, nil
}

// totals adds up towns.
type totals struct {
	girdled, first, n int
	found             []int
	harm              []float64
	lot               float64
	days              [len(aims)][2]int
	later             map[string][4]int
	hows              []string
}

func (s *totals) add(t *town) {
	x := &t.result
	if s.found == nil {
		s.found, s.harm, s.later = make([]int, len(orders)), make([]float64, len(orders)), map[string][4]int{}
	}
	s.girdled, s.first, s.n = s.girdled+x.girdled, s.first+x.first[0], s.n+x.n
	for i := range orders {
		s.found[i] += x.found[i][0]
		s.harm[i] += x.harm[i][0]
	}
	for k := range t.days {
		s.days[k][0], s.days[k][1] = s.days[k][0]+t.days[k][0], s.days[k][1]+t.days[k][1]
	}
	s.lot += float64(x.first[0]*x.girdled) / float64(x.n)
	for _, a := range x.later {
		v, ok := s.later[a.how]
		if !ok {
			s.hows = append(s.hows, a.how)
		}
		for k := range v {
			v[k] += a.found[k]
		}
		s.later[a.how] = v
	}
}

func (s *totals) print(towns int) {
	fmt.Printf("\nAll %d simulated towns: %d trees, %d girdled; in the first 5 %% (%d)\n", towns, s.n, s.girdled, s.first)
	for i, o := range orders {
		fmt.Printf("  %-34s %6d girdled, %.1f times what a lot finds; %.0f %% of the harm of girdling\n", o.name, s.found[i], float64(s.found[i])/s.lot, 100*s.harm[i]/float64(towns))
	}
	fmt.Printf("  %-34s %8.1f\n", "by lot, on average", s.lot)
	for k, aim := range aims {
		fmt.Printf("  %d crew days in each by %s: %d trees looked at, %d of them girdled\n", crewDays, aim, s.days[k][0], s.days[k][1])
	}
	for _, h := range s.hows {
		v := s.later[h]
		fmt.Printf("  next 5 %% after %-26s list %s, chance %s\n", h, arrow(v[0], v[1]), arrow(v[2], v[3]))
	}
}
