package main

import (
	"bytes"
	"context"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

func drawn(t *testing.T, args ...string) string {
	t.Helper()
	dir := runOn(t, append([]string{"draw", "--out", "OUT/tree.svg", "--quiet"}, args...)...)
	b, err := os.ReadFile(filepath.Join(dir, "tree.svg"))
	if err != nil {
		t.Fatal(err)
	}
	wellFormed(t, string(b))
	return string(b)
}

func wellFormed(t *testing.T, text string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(text))
	for {
		if _, err := d.Token(); err == io.EOF {
			return
		} else if err != nil {
			t.Fatalf("no XML: %v", err)
		}
	}
}

// The picture is to scale: tree 2 has half of a pit of 4 m by 2 m.
func TestDrawIsToScale(t *testing.T) {
	svg := drawn(t, "--tree", "2")
	scale := regexp.MustCompile(`1 : (\d+) when`).FindStringSubmatch(svg)
	if scale == nil {
		t.Fatal("no scale on the picture")
	}
	var per float64
	fmt.Sscan(scale[1], &per)
	share := regexp.MustCompile(`<path d="([^"]*)" fill-rule="evenodd" fill="[^"]*" fill-opacity="0.8"`).FindStringSubmatch(svg)
	if share == nil {
		t.Fatal("no share in the picture")
	}
	var pts [][2]float64
	for _, m := range regexp.MustCompile(`[ML]([-\d.]+) ([-\d.]+)`).FindAllStringSubmatch(share[1], -1) {
		var p [2]float64
		fmt.Sscan(m[1], &p[0])
		fmt.Sscan(m[2], &p[1])
		pts = append(pts, p)
	}
	area := 0.0
	for i, p := range pts {
		q := pts[(i+1)%len(pts)]
		area += (p[0]*q[1] - q[0]*p[1]) / 2
	}
	if m2 := math.Abs(area) * per * per / 1e6; math.Abs(m2-4) > 0.03 {
		t.Errorf("the share measures %.3f m2 in the picture, want 4", m2)
	}
	// The scale bar is as long as it says.
	bar := regexp.MustCompile(`v1.6h([\d.]+)v-1.6"[^>]*/>\s*<text[^>]*>0</text>\s*<text[^>]*>(\d+) m</text>`).FindStringSubmatch(svg)
	if bar == nil {
		t.Fatal("no scale bar")
	}
	var mm, m float64
	fmt.Sscan(bar[1], &mm)
	fmt.Sscan(bar[2], &m)
	if math.Abs(mm*per/1000-m) > 0.01 {
		t.Errorf("the bar of %g m is %g mm long at 1 : %g", m, mm, per)
	}
	for _, want := range []string{"Tree 2", ">3</text>", "certified arborist", "walk", "fall zone"} {
		if !strings.Contains(svg, want) {
			t.Errorf("the picture lacks %q", want)
		}
	}
}

func TestDrawOfATreeThatIsGone(t *testing.T) {
	if svg := drawn(t, "--tree", "11"); !strings.Contains(svg, "Gone on record") || strings.Contains(svg, "NaN") {
		t.Error("a tree that is gone is drawn as if it stood")
	}
}

func TestDrawRefuses(t *testing.T) {
	street := "../../fixtures/cli/street/"
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--out", "x.svg"}, "--tree NUMBER"},
		{[]string{"--tree", "2", "--out", "x.png"}, "SVG"},
		{[]string{"--tree", "77", "--out", "x.svg"}, "no tree has the number 77"},
		{[]string{"--tree", "2", "--out", "x.svg", "3"}, `not "3"`},
	} {
		var out, errs bytes.Buffer
		args := append([]string{"draw", "--trees", street + "trees.geojson", "--pavement", street + "paving.geojson", "--year", "2024"}, c.args...)
		if code := run(context.Background(), args, &out, &errs); code != exitUsage || !strings.Contains(errs.String(), c.want) {
			t.Errorf("%v: exit code %d, %s", c.args, code, errs.String())
		}
	}
}

// A picture of a tree with hostile texts has no element and no attribute that it
// would not have.
func TestDrawOfHostileTree(t *testing.T) {
	trees := hostileTrees(t)
	for k, word := range hostile {
		path := filepath.Join(t.TempDir(), "tree.svg")
		var out, errs bytes.Buffer
		args := []string{"draw", "--trees", trees, "--pavement", "../../fixtures/cli/street/paving.geojson", "--year", "2024", "--out", path, "--tree", fmt.Sprint(k, word)}
		if code := run(context.Background(), args, &out, &errs); code != exitDone {
			t.Errorf("tree %q: exit code %d: %s", word, code, errs.String())
			continue
		}
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, string(b))
		d := xml.NewDecoder(bytes.NewReader(b))
		for tok, err := d.Token(); err == nil; tok, err = d.Token() {
			e, ok := tok.(xml.StartElement)
			if !ok {
				continue
			}
			switch e.Name.Local {
			case "svg", "title", "desc", "g", "path", "rect", "circle", "text", "clipPath":
			default:
				t.Errorf("tree %q: an element %s", word, e.Name.Local)
			}
			for _, a := range e.Attr {
				if strings.HasPrefix(a.Name.Local, "on") || a.Name.Local == "href" {
					t.Errorf("tree %q: an attribute %s", word, a.Name.Local)
				}
			}
		}
	}
}

func TestDrawEscapes(t *testing.T) {
	if got := plainText("<svg onload=\"x\">&\x01"); strings.ContainsAny(got, "<>\"\x01") {
		t.Errorf("%q", got)
	}
}
