package main

import (
	"fmt"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// house is the plan: each room of the module and the rooms that it may know.
// What is not drawn here fails: draw it first. "scripts/..." stands for all
// below scripts/ that are not drawn on their own.
var house = map[string][]string{
	"geo":          {},
	"geo/crs":      {"geo"},
	"geo/layer":    {"geo", "geo/crs"},
	"geo/ground":   {"geo"},
	"risk/species": {},
	"risk/soil":    {},
	"risk/collar":  {},
	"risk/wind":    {},
	"risk/rank":    {},
	"risk":         {"risk/species", "risk/soil", "risk/collar", "risk/wind"},
	"fixtures":     {},
	"cmd/soilshed": {"geo", "geo/crs", "geo/layer", "geo/ground", "risk", "risk/species", "risk/soil", "risk/collar", "risk/wind", "risk/rank", "fixtures"},
	"scripts/...":  {"scripts/..."},
	// Random scenes are worked out by ours and by a reference, without files.
	"scripts/scenes": {"scripts/...", "geo", "geo/ground"},
	// The ground alone is timed on the layers of a file.
	"scripts/core": {"geo", "geo/layer", "geo/ground"},
}

// guests are the modules from outside that a room of numbers may use; a room
// that is not listed may use any. Tests may use any.
var guests = map[string][]string{
	"geo":          {},
	"geo/crs":      {},
	"geo/ground":   {},
	"risk":         {},
	"risk/species": {"golang.org/x/text", "github.com/agnivade/levenshtein"},
	"risk/soil":    {"gonum.org/v1/gonum"},
	"risk/collar":  {"gonum.org/v1/gonum", "github.com/agnivade/levenshtein"},
	"risk/wind":    {"gonum.org/v1/gonum"},
	"risk/rank":    {"gonum.org/v1/gonum"},
}

// arrow is one import: who, in which file, of what.
type arrow struct {
	room, file, of string
}

func TestHouse(t *testing.T) {
	arrows := imports(t, "../..")
	if len(arrows) < 100 {
		t.Fatalf("only %d imports found: the walk is wrong", len(arrows))
	}
	for _, w := range wrongArrows(arrows) {
		t.Error(w)
	}
	// A room that is drawn stands: a plan of what has gone misleads.
	built := map[string]bool{}
	for _, a := range arrows {
		built[roomOf(a.room)] = true
	}
	for room := range house {
		if !built[room] && !strings.HasPrefix(room, "scripts/") {
			t.Errorf("%s is drawn in the house but not built", room)
		}
	}
}

// The plan itself is held to what it is for: each wrong arrow is found.
func TestHouseFindsWrongArrows(t *testing.T) {
	for _, c := range []struct {
		a    arrow
		want string // "" where the arrow is right
	}{
		{arrow{"risk/wind", "load.go", "soilshed/geo"}, "risk/wind must not know geo"},
		{arrow{"risk/wind", "load.go", "soilshed/risk/soil"}, "risk/wind must not know risk/soil"},
		{arrow{"risk/soil", "depth.go", "soilshed/risk"}, "risk/soil must not know risk"},
		{arrow{"risk", "assess.go", "soilshed/geo/ground"}, "risk must not know geo/ground"},
		{arrow{"risk", "assess.go", "soilshed/risk/rank"}, "risk must not know risk/rank"},
		{arrow{"geo/ground", "share.go", "soilshed/geo/layer"}, "geo/ground must not know geo/layer"},
		{arrow{"geo/ground", "share.go", "github.com/paulmach/orb"}, "geo/ground must not use github.com/paulmach/orb"},
		{arrow{"geo/layer", "open.go", "soilshed/cmd/soilshed"}, "geo/layer must not know cmd/soilshed"},
		{arrow{"geo/layer", "open_test.go", "soilshed/geo/ground"}, "geo/layer must not know geo/ground"},
		{arrow{"risk/util", "a.go", "fmt"}, "risk/util (a.go) is not drawn in the house: draw it first"},
		{arrow{"cmd/soilshed", "main.go", "soilshed/scripts/plat"}, "cmd/soilshed must not know scripts/plat"},
		{arrow{"geo/ground", "x_test.go", "pgregory.net/rapid"}, ""},
		{arrow{"geo/ground", "share.go", "math"}, ""},
		{arrow{"geo/crs", "crs_test.go", "soilshed/geo/crs"}, ""}, // its own outer test
		{arrow{"risk", "assess.go", "soilshed/risk/wind"}, ""},
		{arrow{"scripts/town", "main.go", "soilshed/scripts/plat"}, ""},
	} {
		got := wrongArrows([]arrow{c.a})
		if c.want == "" && len(got) > 0 || c.want != "" && (len(got) != 1 || !strings.Contains(got[0], c.want)) {
			t.Errorf("%s importing %s in %s: found %q, want %q", c.a.room, c.a.of, c.a.file, got, c.want)
		}
	}
}

// wrongArrows says which imports are not as drawn.
func wrongArrows(arrows []arrow) []string {
	var wrong []string
	for _, a := range arrows {
		may, drawn := house[roomOf(a.room)]
		if !drawn {
			wrong = append(wrong, fmt.Sprintf("%s (%s) is not drawn in the house: draw it first, in cmd/soilshed/house_test.go", a.room, a.file))
			continue
		}
		if ours, ok := strings.CutPrefix(a.of, "soilshed/"); ok {
			if ours != a.room && !slices.Contains(may, roomOf(ours)) {
				wrong = append(wrong, fmt.Sprintf("%s must not know %s (%s)", a.room, ours, a.file))
			}
			continue
		}
		list, strict := guests[a.room]
		if first, _, _ := strings.Cut(a.of, "/"); !strict || !strings.Contains(first, ".") || strings.HasSuffix(a.file, "_test.go") {
			continue // the standard library, or a room that may use any
		}
		if !slices.ContainsFunc(list, func(m string) bool { return a.of == m || strings.HasPrefix(a.of, m+"/") }) {
			wrong = append(wrong, fmt.Sprintf("%s must not use %s (%s)", a.room, a.of, a.file))
		}
	}
	return wrong
}

func roomOf(dir string) string {
	if _, own := house[dir]; !own && strings.HasPrefix(dir, "scripts/") {
		return "scripts/..."
	}
	return dir
}

// imports reads the imports of every Go file of the module. It opens the files
// itself, where `go list` would be shorter, so that the test cache sees them:
// go test then runs this anew when any of them has changed.
func imports(t *testing.T, root string) []arrow {
	var arrows []arrow
	err := filepath.WalkDir(root, func(file string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := d.Name()
		if d.IsDir() {
			if file != root && (name == "testdata" || strings.HasPrefix(name, ".") || strings.HasPrefix(name, "_")) {
				return filepath.SkipDir
			}
			return nil
		}
		if filepath.Ext(name) != ".go" || strings.HasPrefix(name, ".") || strings.HasPrefix(name, "_") {
			return nil
		}
		rel, err := filepath.Rel(root, file)
		if err != nil {
			return err
		}
		room := path.Dir(filepath.ToSlash(rel))
		src, err := os.ReadFile(file)
		if err != nil {
			return err
		}
		f, err := parser.ParseFile(token.NewFileSet(), file, src, parser.ImportsOnly)
		if err != nil {
			return err
		}
		arrows = append(arrows, arrow{room, name, ""}) // a file without imports counts too
		for _, im := range f.Imports {
			of, err := strconv.Unquote(im.Path.Value)
			if err != nil {
				return err
			}
			arrows = append(arrows, arrow{room, name, of})
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return arrows
}
