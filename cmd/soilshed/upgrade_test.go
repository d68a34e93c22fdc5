package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"soilshed/geo/layer"
)

// What an older or a newer build of the program left is read, or refused with a
// sentence that tells file, version, what is read, and what to do.
func TestUpgrade(t *testing.T) {
	dir := t.TempDir()
	layOutRows(t, dir, 20)
	t.Chdir(dir)
	args := []string{"assess", "--trees", "trees.geojson", "--pavement", "paving.geojson", "--quiet", "--year", "2024", "--design-gust", "30", "--jitters", "2"}
	night := func(status int, more ...string) string {
		t.Helper()
		_, said := soilshedRuns(t, status, append(args[:len(args):len(args)], more...)...)
		return said
	}
	lie := func(file, old, new string) {
		t.Helper()
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if n := bytes.Count(b, []byte(old)); n != 1 {
			t.Fatalf("%q stands %d times in %s", old, n, file)
		}
		if err := os.WriteFile(file, bytes.Replace(b, []byte(old), []byte(new), 1), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	fresh := func() {
		t.Helper()
		night(exitDone, "--out", "a.gpkg")
		night(exitDone, "--out", "a.gpkg", "--since", "a.gpkg")
	}
	fresh()
	now := fmt.Sprintf(`"schema": %d`, outputVersion)

	t.Run("an output says its version", func(t *testing.T) {
		src, err := layer.Open("a.gpkg", layer.Options{Layer: "trees"})
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		var head struct{ Schema int }
		if err := json.Unmarshal([]byte(src.Schema().Metadata), &head); err != nil || head.Schema != outputVersion {
			t.Errorf("GeoPackage: %d, %v", head.Schema, err)
		}
		if m, err := readManifest("a.gpkg"); err != nil || m.Schema != outputVersion {
			t.Errorf("manifest: %v, %v", m, err)
		}
	})

	const remedy = "use the soilshed that wrote it or a newer one; or run once without --since, which writes it anew"
	t.Run("manifest of a newer program", func(t *testing.T) {
		defer fresh()
		was := sumOf(t, "a.gpkg")
		lie("a-manifest.json", now, `"schema": 7`)
		// Whatever a newer form may look like.
		lie("a-manifest.json", `"inputs": [`, `"inputs_of": [`)
		lie("a-manifest.json", `"year": 2024`, `"year": "2024 CE"`)
		said := night(exitData, "--out", "a.gpkg", "--since", "a.gpkg")
		want := fmt.Sprintf("a-manifest.json: it is of version 7, and this program (soilshed %s) reads version %d (%s)", version, outputVersion, remedy)
		if !strings.Contains(said, want) {
			t.Errorf("%q, want %q in it", said, want)
		}
		if sumOf(t, "a.gpkg") != was {
			t.Error("the older output has changed")
		}
		night(exitDone, "--out", "a.gpkg") // as the remedy says
		night(exitDone, "--out", "a.gpkg", "--since", "a.gpkg")
	})
	t.Run("layers of a newer program", func(t *testing.T) {
		defer fresh()
		lie("a.gpkg", now, `"schema": 8`)
		if err := os.Remove("a-manifest.json"); err != nil {
			t.Fatal(err)
		}
		said := night(exitData, "--out", "b.gpkg", "--since", "a.gpkg")
		if !strings.Contains(said, "a.gpkg: it is of version 8, ") || !strings.Contains(said, remedy) {
			t.Errorf("%q", said)
		}
		// As a layer of trees it is like any other.
		night(exitDone, "--out", "c.gpkg", "--trees", "a.gpkg", "--tree-layer", "trees")
	})
	t.Run("manifest and layers from before there was a number", func(t *testing.T) {
		defer fresh()
		lie("a.gpkg", now, `"schemb": 1`)
		lie("a-manifest.json", "\n  "+now+",", "")
		// The manifest knows its layers by their hash.
		x, err := hashFile(t.Context(), "a.gpkg")
		if err != nil {
			t.Fatal(err)
		}
		m, err := readManifest("a.gpkg")
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range m.Outputs {
			if f.File == "a.gpkg" {
				lie("a-manifest.json", f.SHA256, x.SHA256)
			}
		}
		night(exitDone, "--out", "b.gpkg", "--since", "a.gpkg", "--depth", "0.5")
		b, _ := os.ReadFile(changesPage("b.gpkg"))
		if !strings.Contains(string(b), "--depth is 0.5, was 0.9") {
			t.Errorf("reasons are not found:\n%s", b)
		}
	})

	// What is kept for speed alone is never worth an error.
	t.Run("kept by a newer program", func(t *testing.T) {
		defer fresh()
		lie(keptPath("a.gpkg"), keptMagic, "soilshed kept 9\n")
		night(exitDone, "--out", "b.gpkg", "--since", "a.gpkg")
		m, err := readManifest("b.gpkg")
		if err != nil {
			t.Fatal(err)
		}
		if want := "Nothing was taken over from the older run: a-kept.bin is of version 9, and this program reads version 3 (it is written anew beside this output)."; !strings.HasPrefix(m.Reuse, want) {
			t.Errorf("%q", m.Reuse)
		}
		night(exitDone, "--out", "c.gpkg", "--since", "b.gpkg")
		if m, err = readManifest("c.gpkg"); err != nil || !strings.HasPrefix(m.Reuse, "The ground of 20 of 20 trees") {
			t.Errorf("%q, %v", m.Reuse, err)
		}
	})

	t.Run("evidence", func(t *testing.T) {
		table, _ := soilshedRuns(t, exitDone, "evidence")
		row := "version,1,,,,,,,,,form of this table,\n"
		if strings.Count(table, row) != 1 {
			t.Fatal("soilshed evidence prints no version")
		}
		write := func(name, text string) string {
			if err := os.WriteFile(name, []byte(text), 0o666); err != nil {
				t.Fatal(err)
			}
			return filepath.Join(dir, name)
		}
		night(exitDone, "--out", "now.geojson", "--evidence", write("now.csv", table))
		night(exitDone, "--out", "old.geojson", "--evidence", write("old.csv", strings.Replace(table, row, "", 1)))
		if sumOf(t, "now.geojson") != sumOf(t, "old.geojson") {
			t.Error("a table without a version gives another result")
		}
		said := night(exitData, "--out", "new.geojson", "--evidence", write("new.csv", "key,level,odds\nversion,3,\n"))
		for _, want := range []string{"new.csv: line 2: ", "it is of version 3, and this program reads version 1", "use the soilshed that wrote it, or write it anew: soilshed learn"} {
			if !strings.Contains(said, want) {
				t.Errorf("%q, want %q in it", said, want)
			}
		}
	})
}
