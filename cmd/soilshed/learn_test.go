package main

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"soilshed/geo/ground"
	"soilshed/risk/collar"
)

// ranks reads the place of every tree in the list.
func ranks(t *testing.T, path string) map[string]float64 {
	t.Helper()
	out := map[string]float64{}
	for id, x := range columnsByTree(t, path, "trees", "rank") {
		if r, ok := x["rank"].Float(); ok {
			out[id] = r
		}
	}
	return out
}

func TestLearnMovesTheListTowardsWhatWasFound(t *testing.T) {
	dir, flags := townFlags(t)
	in := func(name string) string { return filepath.Join(dir, name) }
	digs := in("town/excavations.csv")
	told, _ := soilshedRuns(t, 0, with("learn", flags, "--excavations", digs, "--out", in("evidence.csv"), "--report", in("report.txt"))...)

	// The report: what was left out and where, calibration, rates.
	for _, want := range []string{"62 trees in the inventory", "9999 on line 65", "Brier score", "Three Gates Nursery", "solid container", "80 % interval"} {
		if !strings.Contains(told, want) {
			t.Errorf("the report lacks %q:\n%s", want, told)
		}
	}
	report, err := os.ReadFile(in("report.txt"))
	if err != nil || !strings.HasPrefix(told, string(report)) {
		t.Errorf("the report written is not the one told (%v)", err)
	}
	// The rates: counts are those of the file, intervals hold the chance.
	rates := readRecords(t, in("evidence-rates.csv"))
	n := map[string]float64{}
	for i := range rates.rows {
		n[rates.text(t, i, "group")] += rates.number(t, i, "dug")
		p, lo, hi := rates.number(t, i, "sgr_p"), rates.number(t, i, "sgr_lo"), rates.number(t, i, "sgr_hi")
		if !(0 < lo && lo < p && p < hi && hi < 1) || rates.number(t, i, "girdled") > rates.number(t, i, "dug") {
			t.Errorf("%q: %g in %g to %g", rates.rows[i], p, lo, hi)
		}
	}
	if n["stock"] < 30 || n["supplier"] < 30 || n["species"] < 50 || n["stock"] > 62 {
		t.Errorf("counts by group: %v", n)
	}

	// The evidence is taken, and moves the list: of the trees that were not dug
	// at, those girdled in truth come up.
	soilshedRuns(t, 0, with("assess", flags, "--out", in("before.geojson"), "--quiet")...)
	soilshedRuns(t, 0, with("assess", flags, "--out", in("after.geojson"), "--quiet", "--evidence", in("evidence.csv"))...)
	before, after := ranks(t, in("before.geojson")), ranks(t, in("after.geojson"))
	dug := map[string]bool{}
	for _, id := range readRecords(t, digs).all(t, "tree") {
		dug[id] = true
	}
	truth := readRecords(t, in("town/truth.csv"))
	var girdled, was, is, moved float64
	for i := range truth.rows {
		id := truth.text(t, i, "tree")
		if before[id] == 0 || dug[id] {
			continue
		}
		if before[id] != after[id] {
			moved++
		}
		if truth.text(t, i, "girdled") == "1" {
			girdled++
			was, is = was+before[id], is+after[id]
		}
	}
	t.Logf("%.0f girdled trees nobody dug at: mean rank %.0f before, %.0f after; %.0f trees moved", girdled, was/girdled, is/girdled, moved)
	if moved < 100 || girdled < 50 || is > was-3*girdled {
		t.Errorf("%.0f trees moved; mean rank of %.0f girdled trees %.0f before and %.0f after", moved, girdled, was/girdled, is/girdled)
	}
}

// What learn takes for known of a tree is what assess takes: the same chance.
func TestLearnSeesWhatAssessSees(t *testing.T) {
	_, flags := townFlags(t)
	var o options
	if err := parse(flagsOf(&o, "learn"), flags, "learn", "", nil); err != nil {
		t.Fatal(err)
	}
	if err := o.understand(); err != nil {
		t.Fatal(err)
	}
	a := &assessment{o: &o}
	if err := a.prepare(context.Background()); err != nil {
		t.Fatal(err)
	}
	defer a.in.source.Close()
	a.rows = make(rows, a.in.trees.len())
	w := a.survey.NewWorker()
	var all []int32
	for _, c := range a.survey.Cells() {
		w.Do(c, func(i int32, s *ground.Site) {
			a.rows.set(int(i), a.one(i, s, nil))
			all = append(all, i)
		})
	}
	// Every seventh tree alone, so that cells are cut.
	var some []int32
	for k := 0; k < len(all); k += 7 {
		some = append(some, all[k])
	}
	signs, err := a.signs(context.Background(), some)
	if err != nil {
		t.Fatal(err)
	}
	ground := 0
	for k, i := range some {
		if a.in.trees.removed(int(i)) {
			continue
		}
		// Rows are kept in single precision.
		if p := a.model.Evidence.Girdled(signs[k]).P; math.Abs(p-a.rows.at(int(i)).res.GirdledP) > 1e-7 {
			t.Errorf("tree %s: %g by learn's signs, %g by assess", a.in.trees.id(int(i)), p, a.rows.at(int(i)).res.GirdledP)
		}
		if signs[k].ReachM.Known {
			ground++
		}
	}
	if ground < 30 {
		t.Errorf("the ground of %d trees is known: the test tests little", ground)
	}
}

func TestFirstExcavationCounts(t *testing.T) {
	x, err := digText(t, "tree,date,share\n7,2022-05-01,0\n8,2021-04-01,0.5\n7,2020-05-01,0.6\n9,,0.2\n9,2024-01-01,0\n")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range x.first() {
		got = append(got, fmt.Sprint(e.Tree, " ", e.Share))
	}
	if s := strings.Join(got, "; "); s != "7 0.6; 8 0.5; 9 0.2" {
		t.Errorf("first excavations: %s", s)
	}
}

// An older evidence table stands where learning ends in an error, and each error
// says what to do.
func TestLearnRefuses(t *testing.T) {
	dir, flags := townFlags(t)
	in := func(name string) string { return filepath.Join(dir, name) }
	write := func(name, text string) string {
		if err := os.WriteFile(in(name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		return in(name)
	}
	strange := write("strange.csv", "tree,share\nX1,0.5\nX2,0\n")
	old := write("evidence.csv", "older\n")
	for _, c := range []struct {
		status int
		args   []string
		says   string
	}{
		{exitUsage, []string{"--out", old}, "--excavations FILE"},
		{exitUsage, []string{"--excavations", strange}, "--out FILE"},
		{exitUsage, []string{"--excavations", strange, "--out", strange}, "written over"},
		{exitUsage, []string{"--excavations", strange, "--out", old, "--report", old}, "another name"},
		{exitUsage, []string{"--excavations", strange, "--out", old, "rest.csv"}, "flags alone"},
		{exitData, []string{"--excavations", in("none.csv"), "--out", old}, "none.csv"},
		{exitData, []string{"--excavations", strange, "--out", old}, "--excavation-field tree=COLUMN"},
		{exitData, []string{"--excavations", write("empty.csv", "tree,share\n"), "--out", old}, "empty.csv"},
		{exitFailed, []string{"--excavations", write("ok.csv", "tree,share\n1001,0.5\n"), "--out", filepath.Join(dir, "no", "evidence.csv")}, "cannot be written"},
	} {
		_, said := soilshedRuns(t, c.status, with("learn", flags, c.args...)...)
		if !strings.Contains(said, c.says) {
			t.Errorf("%v: %q does not say %q", c.args, said, c.says)
		}
		if b, _ := os.ReadFile(old); string(b) != "older\n" {
			t.Fatalf("%v: the older evidence is gone", c.args)
		}
	}
}

// What the verb prints is the table that is built in: given back, nothing moves.
func TestEvidenceIsPrintedToBeGivenBack(t *testing.T) {
	table, _ := soilshedRuns(t, 0, "evidence")
	e, err := collar.ReadEvidence(strings.NewReader(table))
	if err != nil {
		t.Fatal(err)
	}
	s := collar.Signs{Stock: collar.SolidContainer, FlareCm: collar.Read(14), Genus: "Tilia", Species: "Tilia cordata"}
	if got, want := e.Girdled(s), collar.DefaultEvidence().Girdled(s); got.P != want.P || got.Lo != want.Lo {
		t.Errorf("given back %g from %g, built in %g from %g", got.P, got.Lo, want.P, want.Lo)
	}
	soilshedRuns(t, exitUsage, "evidence", "extra")
}
