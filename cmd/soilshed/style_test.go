package main

import (
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"soilshed/geo/layer"
	"soilshed/risk/soil"
)

// linear is a colour in linear light, 0 to 1, by IEC 61966-2-1 (sRGB).
func linear(t *testing.T, colour string) (c [3]float64) {
	var v [3]int
	if _, err := fmt.Sscanf(colour, "#%02x%02x%02x", &v[0], &v[1], &v[2]); err != nil {
		t.Fatalf("%s: %v", colour, err)
	}
	for i := range c {
		x := float64(v[i]) / 255
		if x <= 0.04045 {
			c[i] = x / 12.92
		} else {
			c[i] = math.Pow((x+0.055)/1.055, 2.4)
		}
	}
	return c
}

func times(m [3][3]float64, v [3]float64) (out [3]float64) {
	for i := range m {
		for j := range v {
			out[i] += m[i][j] * v[j]
		}
	}
	return out
}

// lab turns linear sRGB into CIELAB, white D65 (CIE 15; matrix of IEC 61966-2-1).
func lab(c [3]float64) [3]float64 {
	xyz := times([3][3]float64{{0.4124, 0.3576, 0.1805}, {0.2126, 0.7152, 0.0722}, {0.0193, 0.1192, 0.9505}}, c)
	f := func(v float64) float64 {
		if v > 216.0/24389 {
			return math.Cbrt(v)
		}
		return (24389.0/27*v + 16) / 116
	}
	x, y, z := f(xyz[0]/0.9505), f(xyz[1]), f(xyz[2]/1.089)
	return [3]float64{116*y - 16, 500 * (x - y), 200 * (y - z)}
}

// seenBy is a colour as a dichromat sees it: Viénot, Brettel and Mollon 1999,
// Color Research & Application 24(4), 243-252; the matrix between RGB and cones
// is theirs.
func seenBy(kind string, c [3]float64) [3]float64 {
	lms := times([3][3]float64{{17.8824, 43.5161, 4.11935}, {3.45565, 27.1554, 3.86714}, {0.0299566, 0.184309, 1.46709}}, c)
	switch kind {
	case "protanope":
		lms[0] = 2.02344*lms[1] - 2.52581*lms[2]
	case "deuteranope":
		lms[1] = 0.494207*lms[0] + 1.24827*lms[2]
	}
	return times([3][3]float64{{0.0809444479, -0.130504409, 0.116721066}, {-0.0102485335, 0.0540193266, -0.113614708}, {-0.000365296938, -0.00412161469, 0.693511405}}, lms)
}

// A difference of 10 in CIELAB is seen at a glance; grey print keeps lightness
// alone.
func TestSoilTones(t *testing.T) {
	for k := 1; k < len(soilTones); k++ {
		a, b := lab(linear(t, soilTones[k-1].colour)), lab(linear(t, soilTones[k].colour))
		if b[0]-a[0] < 10 {
			t.Errorf("in grey, %s (L* %.0f) is not lighter than %s (L* %.0f) by 10", soilTones[k].class, b[0], soilTones[k-1].class, a[0])
		}
	}
	for _, kind := range []string{"trichromat", "protanope", "deuteranope"} {
		for i := range soilTones {
			for j := range i {
				a, b := lab(seenBy(kind, linear(t, soilTones[i].colour))), lab(seenBy(kind, linear(t, soilTones[j].colour)))
				if d := math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2])); d < 10 {
					t.Errorf("a %s sees %s and %s %.0f apart", kind, soilTones[i].class, soilTones[j].class, d)
				}
			}
		}
	}
	if got := lab(linear(t, ink))[0]; got > 20 {
		t.Errorf("outlines have L* %.0f: too light to be seen in print", got)
	}
	var classes []string
	for _, s := range soilTones {
		classes = append(classes, s.class)
	}
	if !slices.Equal(classes, classNames) {
		t.Errorf("classes are %v, tones %v", classNames, classes)
	}
}

func TestToneWords(t *testing.T) {
	for k, want := range []string{"Severe: below 40 % of its need", "Constrained: 40 to 75 %", "Adequate: 75 to 110 %", "Ample: 110 % or more"} {
		if got := toneWords(k, soil.Bounds{1.1, 0.75, 0.4}); got != want {
			t.Errorf("class %d: %q, want %q", k, got, want)
		}
	}
}

// testSchemas are those of the layers that have styles, and of a table.
func testSchemas() []layer.Schema {
	trees, openings := layer.Schema{Name: "trees"}, layer.Schema{Name: "openings"}
	for i := range treeFields {
		trees.Fields = append(trees.Fields, treeFields[i].field(true))
	}
	for i := range treeFields {
		if slices.Contains(openingFields, treeFields[i].name) {
			openings.Fields = append(openings.Fields, treeFields[i].field(true))
		}
	}
	work := layer.Schema{Name: "worklist"}
	for i := range workFields {
		work.Fields = append(work.Fields, workFields[i].field(true))
	}
	return []layer.Schema{trees, work, openings, {Name: "water"}}
}

// The styles name only fields that the layers have, in every unit, and are XML.
func TestStylesFitTheirLayers(t *testing.T) {
	schemas := testSchemas()
	all := styles(schemas, soil.DefaultBounds)
	if len(all) != 3 || all[0].Layer != 0 || all[1].Layer != 1 || all[2].Layer != 2 {
		t.Fatalf("styles for %+v", all)
	}
	quoted := regexp.MustCompile(`"([a-z0-9_]+)"`)
	for _, s := range all {
		schema := &schemas[s.Layer]
		used := map[string]bool{}
		scales := 0
		for name, text := range map[string]string{"QML": s.QML, "SLD": s.SLD} {
			d := xml.NewDecoder(strings.NewReader(text))
			inside := ""
			for {
				tok, err := d.Token()
				if err == io.EOF {
					break
				}
				if err != nil {
					t.Fatalf("%s of %s: %v", name, schema.Name, err)
				}
				switch x := tok.(type) {
				case xml.StartElement:
					inside = x.Name.Local
					for _, a := range x.Attr {
						if inside == "rule" && a.Name.Local == "filter" || inside == "Option" && a.Name.Local == "value" {
							for _, m := range quoted.FindAllStringSubmatch(a.Value, -1) {
								used[m[1]] = true
							}
						}
					}
				case xml.CharData:
					if word := strings.TrimSpace(string(x)); word != "" && inside == "PropertyName" {
						used[word] = true
					} else if word != "" && inside == "MaxScaleDenominator" {
						scales++
					}
				}
			}
		}
		if len(used) == 0 || scales == 0 {
			t.Errorf("style of %s: fields %v, %d rules with a scale", schema.Name, used, scales)
		}
		for f := range used {
			if schema.Index(f) < 0 {
				t.Errorf("style of %s: no field %s", schema.Name, f)
			}
		}
	}
}

// Whatever a layer is called, the style stays XML and adds no element.
func TestStylesEscape(t *testing.T) {
	for _, word := range hostile {
		schemas := testSchemas()
		for i := range schemas {
			for k := range schemas[i].Fields {
				schemas[i].Fields[k].Alias = word
			}
		}
		for _, s := range styles(schemas, soil.DefaultBounds) {
			for name, text := range map[string]string{"QML": s.QML, "SLD": s.SLD} {
				for _, element := range []string{"<script", "<image", "<svg", "<!--"} {
					if strings.Contains(text, element) {
						t.Errorf("%s of %s: an alias becomes %s", name, schemas[s.Layer].Name, element)
					}
				}
				wellFormed(t, text)
			}
		}
	}
}

// No text of a tree is in a style at all, but by its field's name.
func TestStylesHoldNoTreesTexts(t *testing.T) {
	dir := t.TempDir()
	runOnHostile(t, "--out", filepath.Join(dir, "a.geojson"))
	files, err := filepath.Glob(filepath.Join(dir, "*.[qs][ml][ld]"))
	if err != nil || len(files) != 6 {
		t.Fatalf("styles: %v, %v", files, err)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, string(b))
		for _, word := range []string{"alert(1)", "example.org", "two lines", "two\nlines"} {
			if strings.Contains(string(b), word) {
				t.Errorf("%s holds %q", f, word)
			}
		}
	}
}

// Places in the list keep their order in grey print.
func TestWorkSteps(t *testing.T) {
	for k := 1; k < len(workSteps); k++ {
		if a, b := lab(linear(t, workSteps[k-1].colour)), lab(linear(t, workSteps[k].colour)); b[0]-a[0] < 10 || workSteps[k].mm >= workSteps[k-1].mm {
			t.Errorf("%s is not darker and larger than %s", workSteps[k-1].words, workSteps[k].words)
		}
	}
}

func TestStepOf(t *testing.T) {
	for _, c := range []struct {
		v    float64
		want int
	}{{math.NaN(), 0}, {0, 0}, {0.0009, 0}, {0.001, 1}, {0.0033, 1}, {0.0034, 2}, {1, 2}} {
		if got := stepOf(failureSteps, c.v); got != c.want {
			t.Errorf("%g is in step %d, want %d", c.v, got, c.want)
		}
	}
}
