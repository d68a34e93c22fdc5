package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"soilshed/geo/layer"
)

// startPostGIS starts a server that lives as long as the test, or takes the one
// of SOILSHED_POSTGRES.
func startPostGIS(t *testing.T) string {
	t.Helper()
	if address := os.Getenv("SOILSHED_POSTGRES"); address != "" {
		return address
	}
	c := exec.Command("../../scripts/nightly/postgis.sh")
	var said strings.Builder
	c.Stderr = &said
	input, err := c.StdinPipe()
	out, err2 := c.StdoutPipe()
	if err := errors.Join(err, err2); err != nil {
		t.Fatal(err)
	}
	err = c.Start()
	lines := bufio.NewScanner(out)
	if err != nil || !lines.Scan() {
		if err == nil {
			err = fmt.Errorf("%w: %s", c.Wait(), said.String())
		}
		if os.Getenv("CI") == "true" {
			t.Fatalf("no PostGIS to test with: %v", err)
		}
		t.Skipf("no PostGIS to test with: %v", err)
	}
	t.Cleanup(func() { input.Close(); c.Wait() })
	return lines.Text()
}

// A night from tables to tables is a night from files to files.
func TestNightInDatabase(t *testing.T) {
	server := startPostGIS(t)
	dir := t.TempDir()
	layOutRows(t, dir, 600)
	t.Chdir(dir)
	night := func(want int, args ...string) string {
		t.Helper()
		var said bytes.Buffer
		if code := run(t.Context(), append([]string{"assess", "--quiet"}, args...), &said, &said); code != want {
			t.Fatalf("exit code %d: %s", code, said.String())
		}
		return said.String()
	}
	ask := func(sql string) string {
		t.Helper()
		c, err := pgx.Connect(context.Background(), server)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close(context.Background())
		results, err := c.PgConn().Exec(context.Background(), sql).ReadAll()
		if err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
		var rows []string
		for _, row := range results[len(results)-1].Rows {
			rows = append(rows, string(bytes.Join(row, []byte("|"))))
		}
		return strings.Join(rows, "\n")
	}
	// The tables of the city, by way of the layers that are tested elsewhere.
	ask("CREATE SCHEMA IF NOT EXISTS night")
	for file, table := range map[string]string{"trees.geojson": "inventory", "paving.geojson": "paving"} {
		src, err := layer.Open(file, layer.Options{})
		if err != nil {
			t.Fatal(err)
		}
		s := *src.Schema()
		if s.Shape = layer.Points; table == "paving" {
			s.Shape = layer.Polygons
		}
		sink, err := layer.Create(server+"&table=night."+table, []layer.Schema{s}, layer.CreateOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for f, err := range src.Features() {
			if err := errors.Join(err, sink.Write(0, f)); err != nil {
				t.Fatal(err)
			}
		}
		if err := sink.Commit(); err != nil {
			t.Fatal(err)
		}
		src.Close()
	}
	trees, paving, out := server+"&table=night.inventory", server+"&table=night.paving", server+"&table=night.trees"
	night(exitDone, "--trees", "trees.geojson", "--pavement", "paving.geojson", "--year", "2024", "--design-gust", "30", "--out", "city.gpkg")
	night(exitDone, "--trees", trees, "--pavement", paving, "--year", "2024", "--design-gust", "30", "--out", out, "--since", out)

	src, err := layer.Open("city.gpkg", layer.Options{Layer: "trees"})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	db, err := layer.Open(out, layer.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var files, tables []string
	of := func(s layer.Source) (rows []string) {
		for f, err := range s.Features() {
			if err != nil {
				t.Fatal(err)
			}
			row := fmt.Sprint(f.Geometry)
			for _, o := range treeFields {
				row += "|" + o.name + "=" + f.Values[s.Schema().Index(o.name)].Text()
			}
			rows = append(rows, row)
		}
		return rows
	}
	files, tables = of(src), of(db)
	if len(files) != 600 || len(tables) != 600 {
		t.Fatalf("%d trees in the file, %d in the table", len(files), len(tables))
	}
	for i := range files {
		if files[i] != tables[i] {
			t.Fatalf("tree %d:\n%s\n%s", i, files[i], tables[i])
		}
	}
	if n := ask("SELECT count(*) FROM night.trees_openings"); n != "600" {
		t.Errorf("%s openings", n)
	}
	m, err := readManifest(out)
	if err != nil || m == nil || m.Layers[0].Records != 600 || m.Counts.Ranked != 600 {
		t.Errorf("manifest: %v, %+v", err, m)
	}
	for _, f := range []string{"trees-worklist.csv", "trees-manifest.json"} {
		if _, err := os.Stat(f); err != nil {
			t.Error(err)
		}
	}

	// The second night: a tree is felled and one has grown.
	ask("DELETE FROM night.inventory WHERE id = 12; UPDATE night.inventory SET diam_cm = 40 WHERE id = 5; GRANT SELECT ON night.trees TO PUBLIC")
	night(exitDone, "--trees", trees, "--pavement", paving, "--year", "2024", "--design-gust", "30", "--out", out, "--since", out)
	if got := ask("SELECT tree_id, change, why FROM night.trees_changes WHERE change IN ('gone', 'failure') ORDER BY tree_id"); got != "12|gone|not in the inventory any more\n5|failure|diam_cm is 40, was 14" {
		t.Errorf("changes:\n%s", got)
	}
	if page, err := os.ReadFile("trees-changes.txt"); err != nil || !bytes.Contains(page, []byte("diam_cm is 40, was 14")) {
		t.Errorf("%v, %s", err, page)
	}
	if acl := ask("SELECT relacl::text FROM pg_class WHERE oid = 'night.trees'::regclass"); !strings.Contains(acl, "=r/") {
		t.Errorf("grants: %s", acl)
	}

	// What goes wrong is said without the password, and with the right code.
	for _, c := range []struct {
		code int
		args []string
		want string
	}{
		{exitUsage, []string{"--trees", trees, "--pavement", paving, "--out", out}, "no year that trees are assessed for: --year YEAR"},
		{exitUsage, []string{"--trees", trees, "--pavement", paving, "--year", "2024", "--out", trees}, "would be written over the input of this name"},
		{exitFailed, []string{"--trees", trees, "--pavement", paving, "--year", "2024", "--out", "postgres://nobody@/city?host=/nowhere&table=trees"}, "does the server run"},
		{exitFailed, []string{"--trees", "postgres://nobody@/city?host=/nowhere&table=trees", "--pavement", paving, "--year", "2024", "--out", out}, "does the server run"},
		{exitData, []string{"--trees", server + "&table=night.treez", "--pavement", paving, "--year", "2024", "--out", out}, `there is no table "night"."treez" (tables with geometry are night.inventory, night.paving,`},
		{exitUsage, []string{"--trees", trees, "--pavement", paving, "--year", "2024", "--out", strings.Replace(out, "postgres://postgres@", "postgres://postgres:hunter2@", 1)}, "a password does not belong on a command line"},
	} {
		said := night(c.code, c.args...)
		if !strings.Contains(said, c.want) || strings.Contains(said, "hunter2") {
			t.Errorf("%q, want %q", said, c.want)
		}
		t.Log(strings.TrimSpace(said))
	}
	if n := ask("SELECT count(*) FROM night.trees"); n != "599" {
		t.Errorf("%s trees after failures", n)
	}

	// Killed or stopped in the midst: the older tables stand, nothing else does.
	if testing.Short() {
		return
	}
	for _, signal := range []os.Signal{os.Interrupt, os.Kill} {
		c := command(dir, "assess", "--quiet", "--log", "json", "--trees", trees, "--pavement", paving, "--year", "2024", "--out", out, "--reach", "4")
		pipe, err := c.StderrPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(pipe)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			if strings.Contains(lines.Text(), `"phase":"assess"`) {
				c.Process.Signal(signal)
			}
		}
		if err := c.Wait(); err == nil {
			t.Errorf("%v: not stopped", signal)
		}
		if n := ask("SELECT count(*) FROM night.trees; SELECT count(*) FROM pg_class WHERE relname LIKE 'soilshed_new%'"); n != "0" {
			t.Errorf("%v: %s tables are left", signal, n)
		}
		if n := ask("SELECT count(*) FROM night.trees"); n != "599" {
			t.Errorf("%v: %s trees", signal, n)
		}
	}
	night(exitDone, "--trees", trees, "--pavement", paving, "--year", "2024", "--design-gust", "30", "--out", out)
}
