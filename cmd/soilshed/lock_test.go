package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"soilshed/geo/layer"
)

// The test binary is the command itself, with its signals, when a test asks.
func init() {
	if os.Getenv("SOILSHED_AS_COMMAND") != "" {
		main()
	}
}

func command(dir string, args ...string) *exec.Cmd {
	c := exec.Command(os.Args[0], args...)
	c.Dir = dir
	c.Env = append(os.Environ(), "SOILSHED_AS_COMMAND=1")
	return c
}

// layOutRows writes streets of pits, a tree in each, as trees.geojson and
// paving.geojson: a city of any size.
func layOutRows(t *testing.T, dir string, trees int) {
	t.Helper()
	const head = `{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::26975"}},"features":[`
	var points, paving bytes.Buffer
	points.WriteString(head)
	paving.WriteString(head)
	const row = 250
	for i := range trees {
		x, y := 1425000+float64(i%row)*8, 1196000+float64(i/row)*12
		if i > 0 {
			points.WriteString(",\n")
		}
		fmt.Fprintf(&points, `{"type":"Feature","properties":{"id":%d,"species":"Acer rubrum","diam_cm":%d},"geometry":{"type":"Point","coordinates":[%.1f,%.1f]}}`, i+1, 10+i%40, x, y)
		if i > 0 {
			paving.WriteString(",\n")
		}
		fmt.Fprintf(&paving, `{"type":"Feature","properties":{"kind":"sidewalk"},"geometry":{"type":"Polygon","coordinates":[[[%.1f,%.1f],[%.1f,%.1f],[%.1f,%.1f],[%.1f,%.1f],[%.1f,%.1f]],[[%.1f,%.1f],[%.1f,%.1f],[%.1f,%.1f],[%.1f,%.1f],[%.1f,%.1f]]]}}`,
			x-4, y-3, x+4, y-3, x+4, y+3, x-4, y+3, x-4, y-3, x-1, y-1, x-1, y+1, x+1, y+1, x+1, y-1, x-1, y-1)
	}
	for name, b := range map[string]*bytes.Buffer{"trees.geojson": &points, "paving.geojson": &paving} {
		b.WriteString("\n]}\n")
		if err := os.WriteFile(filepath.Join(dir, name), b.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

func listing(t *testing.T, dir string) string {
	t.Helper()
	es, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range es {
		names = append(names, e.Name())
	}
	return strings.Join(names, " ")
}

func sumOf(t *testing.T, path string) [32]byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return sha256.Sum256(b)
}

// A signal in any phase of a run on a large city ends it within a second, and
// leaves what was there before.
func TestSignalStopsWithinASecond(t *testing.T) {
	if testing.Short() {
		t.Skip("a large city takes half a minute")
	}
	dir := t.TempDir()
	layOutRows(t, dir, 12000)
	args := []string{"assess", "--trees", "trees.geojson", "--pavement", "paving.geojson", "--year", "2024", "--jitters", "2", "--log", "json", "--quiet", "--out"}
	for _, out := range []string{"city.gpkg", "city.geojson"} {
		path := filepath.Join(dir, out)
		run := func(more ...string) {
			t.Helper()
			if said, err := command(dir, slices.Concat(args, []string{out}, more)...).CombinedOutput(); err != nil {
				t.Fatalf("%v: %s", err, said)
			}
		}
		run()
		whole := sumOf(t, path)
		run("--reach", "1")
		was, files := sumOf(t, path), listing(t, dir)
		// stop sends a signal some time after a phase, and tells whether it came too late: the
		// new output was in its place already.
		stop := func(t *testing.T, after string, wait time.Duration, signal os.Signal) (late bool) {
			c := command(dir, append(args, out)...)
			pipe, err := c.StderrPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := c.Start(); err != nil {
				t.Fatal(err)
			}
			var sent time.Time
			if after == "" {
				lock := filepath.Join(dir, "."+out+".lock") // it runs, and listens
				for range 1000 {
					if _, err := os.Stat(lock); err == nil {
						break
					}
					time.Sleep(10 * time.Millisecond)
				}
				sent = time.Now()
				c.Process.Signal(signal)
			}
			lines := bufio.NewScanner(pipe)
			lines.Buffer(nil, 1<<20)
			var last string
			for lines.Scan() {
				last = lines.Text()
				var e struct{ Msg, Phase string }
				json.Unmarshal(lines.Bytes(), &e)
				if sent.IsZero() && e.Msg == "phase done" && e.Phase == after {
					time.Sleep(wait)
					sent = time.Now()
					c.Process.Signal(signal)
				}
			}
			err = c.Wait()
			took := time.Since(sent)
			t.Logf("stopped after %v", took)
			// A second is promised, and one more given for a busy machine.
			if took > 2*time.Second {
				t.Errorf("took %v to stop", took)
			}
			if now := listing(t, dir); now != files {
				t.Errorf("files are %s\nwere %s", now, files)
			}
			sum := sumOf(t, path)
			if sum == whole {
				return true
			}
			var x *exec.ExitError
			if !errors.As(err, &x) || x.ExitCode() != exitFailed {
				t.Errorf("exit %v, want code %d", err, exitFailed)
			}
			if !strings.Contains(last, "stopped by a signal") {
				t.Errorf("the last word was %q", last)
			}
			if sum != was {
				t.Error("the output is neither the older one nor the new one, whole")
			}
			return false
		}
		for k, after := range []string{"", "read trees", "read layers", "model", "assess", "rank", "write trees"} {
			t.Run(out+"/after "+after, func(t *testing.T) {
				for _, wait := range []time.Duration{20 * time.Millisecond, 5 * time.Millisecond, 0, 0, 0} {
					if !stop(t, after, wait, []os.Signal{os.Interrupt, syscall.SIGTERM}[k%2]) {
						return
					}
					run("--reach", "1")
				}
				t.Error("the signal came too late five times")
			})
		}
	}
}

// A run that is killed at any moment leaves a whole output, the older or the new
// one, and what else it leaves the next run takes away.
func TestKilledAtAnyMoment(t *testing.T) {
	if testing.Short() {
		t.Skip("forty runs take half a minute")
	}
	dir := t.TempDir()
	layOutRows(t, dir, 1500)
	out := filepath.Join(dir, "city.gpkg")
	args := func(reach int) []string {
		return []string{"assess", "--trees", "trees.geojson", "--pavement", "paving.geojson", "--year", "2024", "--jitters", "1", "--quiet", "--out", "city.gpkg", "--reach", fmt.Sprint(reach)}
	}
	whole := func(reach int) (sum [32]byte, took time.Duration) {
		began := time.Now()
		if said, err := command(dir, args(reach)...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, said)
		}
		return sumOf(t, out), time.Since(began)
	}
	newer, _ := whole(6)
	older, took := whole(5)
	files := listing(t, dir)
	dice := rand.New(rand.NewPCG(1, 20))
	var killed, finished, left int
	for range 20 {
		c := command(dir, args(6)...)
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(dice.Float64() * 1.1 * float64(took)))
		c.Process.Kill()
		if c.Wait() == nil {
			finished++
		} else {
			killed++
		}
		if listing(t, dir) != files {
			left++
		}
		if sum := sumOf(t, out); sum != older && sum != newer {
			t.Fatal("neither the older output nor the new one")
		}
		if n := countTrees(t, out); n != 1500 {
			t.Fatalf("%d trees", n)
		}
		if sum, d := whole(5); sum != older {
			t.Fatal("the run after it wrote other bytes")
		} else {
			took = (took + d) / 2
		}
		if now := listing(t, dir); now != files {
			t.Fatalf("files are %s\nwant %s", now, files)
		}
	}
	t.Logf("%d killed, %d of which left something; %d came to their end", killed, left, finished)
	if killed < 10 || left == 0 {
		t.Errorf("%d killed, %d left something: the moments are wrong", killed, left)
	}
}

func countTrees(t *testing.T, path string) int {
	t.Helper()
	src, err := layer.Open(path, layer.Options{Layer: "trees"})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	n := 0
	for _, err := range src.Features() {
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	return n
}

// Two runs on one output: the second says who has it and leaves it alone. A lock
// file without a run is no obstacle.
func TestSecondRun(t *testing.T) {
	dir := t.TempDir()
	layOutRows(t, dir, 100)
	t.Chdir(dir)
	args := []string{"assess", "--trees", "trees.geojson", "--pavement", "paving.geojson", "--quiet", "--out", "city.gpkg"}
	lock := ".city.gpkg.lock"
	if err := os.WriteFile(lock, []byte("process 1 on elsewhere, since long ago\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	if code := run(context.Background(), args, &said, &said); code != exitDone {
		t.Fatalf("a stale lock: exit code %d: %s", code, said.String())
	}
	if _, err := os.Stat(lock); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the lock is left: %v", err)
	}
	h, _, err := holdOutput([]string{"city.gpkg"})
	if err != nil {
		t.Fatal(err)
	}
	was := sumOf(t, "city.gpkg")
	code := run(context.Background(), args, &said, &said)
	want := fmt.Sprintf("city.gpkg: another run is writing it: process %d on ", os.Getpid())
	if code != exitFailed || !strings.Contains(said.String(), want) {
		t.Errorf("exit code %d, %q; want %d, %q", code, said.String(), exitFailed, want)
	}
	if sumOf(t, "city.gpkg") != was {
		t.Error("the output was touched")
	}
	h.release()
	said.Reset()
	if code := run(context.Background(), args, &said, &said); code != exitDone {
		t.Errorf("after the first: exit code %d: %s", code, said.String())
	}
}

// The other verbs that write hold what they write as well, and take away what a
// run that was killed has left.
func TestSecondRunOfOthers(t *testing.T) {
	dir := t.TempDir()
	town := func(name string) string { return filepath.Join("../../fixtures/town", name) }
	in := func(name string) string { return filepath.Join(dir, name) }
	for _, x := range []struct {
		first string
		args  []string
	}{
		{in("map.geojson"), []string{"compare", "--before", town("today.toml"), "--after", town("option-a.toml"), "--prices", town("prices.csv"), "--within", town("corridor.geojson"), "--quiet", "--out", in("map.geojson"), "--csv", in("map.csv")}},
		{in("alone.csv"), []string{"compare", "--before", town("today.toml"), "--after", town("option-a.toml"), "--prices", town("prices.csv"), "--within", town("corridor.geojson"), "--quiet", "--csv", in("alone.csv")}},
		{in("places.geojson"), []string{"place", "--config", town("today.toml"), "--may-open", town("may-open.geojson"), "--within", town("corridor.geojson"), "--quiet", "--out", in("places.geojson")}},
		{in("learned.csv"), []string{"learn", "--config", town("today.toml"), "--excavations", town("excavations.csv"), "--quiet", "--out", in("learned.csv")}},
	} {
		h, _, err := holdOutput([]string{x.first})
		if err != nil {
			t.Fatal(err)
		}
		var said bytes.Buffer
		code := run(context.Background(), x.args, &said, &said)
		if want := x.first + ": another run is writing it: process"; code != exitFailed || !strings.Contains(said.String(), want) {
			t.Errorf("%s: exit code %d, %q; want %d, %q", x.args[0], code, said.String(), exitFailed, want)
		}
		if _, err := os.Stat(x.first); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s wrote beside the run that holds the output: %v", x.args[0], err)
		}
		h.release()
		left := filepath.Join(dir, "."+filepath.Base(x.first)+".new-1")
		if err := os.Mkdir(left, 0o777); err != nil {
			t.Fatal(err)
		}
		said.Reset()
		if code := run(context.Background(), x.args, &said, &said); code != exitDone {
			t.Fatalf("%s: exit code %d: %s", x.args[0], code, said.String())
		}
		if hidden, _ := filepath.Glob(filepath.Join(dir, ".*")); len(hidden) != 0 {
			t.Errorf("%s leaves %q", x.args[0], hidden)
		}
		if _, err := os.Stat(x.first); err != nil {
			t.Error(err)
		}
	}
}

// The manifest tells the truth: hashes, sizes, and records that add up.
func TestManifest(t *testing.T) {
	dir := t.TempDir()
	layOutRows(t, dir, 100)
	t.Chdir(dir)
	b, err := os.ReadFile("trees.geojson")
	if err != nil {
		t.Fatal(err)
	}
	b = bytes.Replace(b, []byte("features\":["), []byte(`features":[{"type":"Feature","properties":{},"geometry":null},`), 1)
	if err := os.WriteFile("trees.geojson", b, 0o666); err != nil {
		t.Fatal(err)
	}
	for _, out := range []string{"city.gpkg", "city.geojson", "city.shp"} {
		var said bytes.Buffer
		if code := run(context.Background(), []string{"assess", "--trees", "trees.geojson", "--pavement", "paving.geojson", "--quiet", "--year", "2024", "--out", out}, &said, &said); code != exitDone {
			t.Fatalf("exit code %d: %s", code, said.String())
		}
		m, err := readManifest(out)
		if err != nil || m == nil {
			t.Fatalf("%s: no manifest: %v", out, err)
		}
		if len(m.Inputs) != 2 || len(m.Outputs) < 2 {
			t.Errorf("%s: inputs %v, outputs %v", out, m.Inputs, m.Outputs)
		}
		files := m.Outputs
		for _, in := range m.Inputs {
			files = append(files, in.manifestFile)
		}
		for _, f := range files {
			info, err := os.Stat(f.File)
			if err != nil {
				t.Fatal(err)
			}
			if sum := fmt.Sprintf("%x", sumOf(t, f.File)); sum != f.SHA256 || info.Size() != f.Bytes {
				t.Errorf("%s: %s is told to have %d bytes, sum %s", out, f.File, f.Bytes, f.SHA256)
			}
			files = append(files, f)
		}
		// Every file that the run has made is told of, the manifest aside.
		told := map[string]bool{"trees.geojson": true, "paving.geojson": true, filepath.Base(manifestPath(out)): true}
		for _, f := range files {
			told[f.File] = true
		}
		stem := strings.TrimSuffix(out, filepath.Ext(out))
		es, _ := filepath.Glob(stem + "*")
		for _, f := range es {
			if !told[f] {
				t.Errorf("%s: the manifest does not tell of %s", out, f)
			}
			os.Remove(f)
		}
		l := m.Layers[0]
		if l.Role != "trees" || l.Records != 101 || l.Taken != 100 || l.LeftOut != 1 || l.Reasons["without geometry"] != 1 {
			t.Errorf("%s: %+v", out, l)
		}
		if m.Counts.Trees != 100 || m.Counts.Ground["measured"] != 100 || m.Counts.Ranked != 100 {
			t.Errorf("%s: %+v", out, m.Counts)
		}
		if m.Settings["year"].From != "command line" || m.Settings["depth"].From != "default" || m.Year != 2024 {
			t.Errorf("%s: settings %v", out, m.Settings)
		}
	}
}

// A run in a step that does not look up is abandoned: what it wrote aside goes,
// and it can settle no more. One that settles already is let finish.
func TestAbandon(t *testing.T) {
	dir := t.TempDir()
	out := filepath.Join(dir, "city.gpkg")
	if err := os.WriteFile(out, []byte("older"), 0o666); err != nil {
		t.Fatal(err)
	}
	begin := func() (*hold, layer.Sink) {
		h, _, err := holdOutput([]string{out})
		if err != nil {
			t.Fatal(err)
		}
		s, err := layer.Create(out, []layer.Schema{{Name: "trees", System: wgs84, Shape: layer.Points}},
			layer.CreateOptions{Changed: "1970-01-01T00:00:00.000Z", Settle: func() error { return h.settle(context.Background()) }})
		if err != nil {
			t.Fatal(err)
		}
		return h, s
	}
	h, s := begin()
	if listing(t, dir) == "city.gpkg" {
		t.Fatal("nothing was written aside")
	}
	if !h.abandon() {
		t.Error("not abandoned")
	}
	if l := listing(t, dir); l != "city.gpkg" {
		t.Errorf("left: %s", l)
	}
	if err := s.Commit(); err == nil {
		t.Error("an abandoned run wrote its output")
	}
	if b, _ := os.ReadFile(out); string(b) != "older" {
		t.Error("the older output was touched")
	}
	h, s = begin()
	if err := h.settle(context.Background()); err != nil {
		t.Fatal(err)
	}
	if h.abandon() {
		t.Error("a run that settles was abandoned")
	}
	if err := s.Commit(); err != nil {
		t.Error(err)
	}
	h.release()
	if l := listing(t, dir); l != "city.gpkg" {
		t.Errorf("left: %s", l)
	}
}

// A disk that is full or locked is no fault of the data.
func TestStatusOfWriting(t *testing.T) {
	dir := t.TempDir()
	missing := filepath.Join(dir, "nowhere", "a.csv")
	_, err := layer.CreateTable(missing, layer.Schema{Name: "a", Fields: []layer.Field{{Name: "b"}}})
	if !errors.Is(err, layer.ErrWriting) || statusOf(err) != exitFailed {
		t.Errorf("%v: status %d", err, statusOf(err))
	}
	for _, c := range []struct {
		err  error
		want int
	}{
		{&layer.Error{File: "a.gpkg", Err: syscall.ENOSPC}, exitFailed},
		{&layer.Error{File: "a.gpkg", Err: syscall.ENOENT}, exitData},
		{fmt.Errorf("writing: %w", context.Canceled), exitFailed},
		{toldError{usagef("no")}, exitUsage},
	} {
		if got := statusOf(c.err); got != c.want {
			t.Errorf("%v: status %d, want %d", c.err, got, c.want)
		}
	}
}
