package wind

import (
	"math"
	"strings"
	"testing"
)

func TestEveryWoodRowHasASourceAndAKnownBasis(t *testing.T) {
	rows := WoodTable()
	byName := map[string]WoodRow{}
	for _, r := range rows {
		if byName[r.Species].Species != "" {
			t.Errorf("%s stands twice", r.Species)
		}
		byName[r.Species] = r
	}
	for _, r := range rows {
		if strings.TrimSpace(r.Source) == "" {
			t.Errorf("%s has no source", r.Species)
		}
		switch r.Basis {
		case "printed", "transcribed", "from memory":
			if r.StandsFor != "" {
				t.Errorf("%s is %s, yet stands for %s", r.Species, r.Basis, r.StandsFor)
			}
		case "proxy":
			p, ok := byName[r.StandsFor]
			if !ok || p.Basis == "proxy" || p.MORkPa != r.MORkPa {
				t.Errorf("%s: proxy %q is no measured row of the same figure", r.Species, r.StandsFor)
			}
		default:
			t.Errorf("%s: unknown basis %q", r.Species, r.Basis)
		}
		if r.MORkPa < 25e3 || r.MORkPa > 100e3 {
			t.Errorf("%s: %v kPa is outside what green wood does", r.Species, r.MORkPa)
		}
	}
}

// Where the psi figure is given beside the kPa, they must agree: psi x 6.8948,
// rounded to 1,000 kPa and, in the psi column, to 100 psi.
func TestWoodUnitsAgree(t *testing.T) {
	seen := 0
	for _, r := range WoodTable() {
		i := strings.Index(r.Source, " psi")
		if i < 0 || r.Basis == "proxy" || strings.HasPrefix(r.Source[i:], " psi (") {
			continue
		}
		j := i
		for j > 0 && strings.ContainsRune("0123456789,", rune(r.Source[j-1])) {
			j--
		}
		psi := number(t, strings.ReplaceAll(r.Source[j:i], ",", ""))
		seen++
		if math.Abs(psi*6.8948-r.MORkPa) > 900 {
			t.Errorf("%s: %v psi is %.0f kPa, the table says %v", r.Species, psi, psi*6.8948, r.MORkPa)
		}
	}
	if seen < 40 {
		t.Errorf("only %d rows state psi", seen)
	}
}

func TestWoodOfFindsSpeciesGenusKind(t *testing.T) {
	for _, c := range []struct {
		latin string
		kind  Kind
		basis string
		of    string
		kPa   float64
	}{
		{"Acer saccharum", Broadleaf, "printed", "acer saccharum", 65000},
		{"ACER RUBRUM", Broadleaf, "transcribed", "acer rubrum", 53000},
		{"Tilia cordata 'Greenspire'", Broadleaf, "proxy", "tilia americana", 34000},
		{"Platanus × acerifolia", Broadleaf, "proxy", "platanus occidentalis", 45000},
		{"Platanus x acerifolia 'Bloodgood'", Broadleaf, "proxy", "platanus occidentalis", 45000},
		{"Acer ×freemanii", Broadleaf, "proxy", "acer saccharinum", 40000},
		{"Zelkova", Broadleaf, "proxy", "ulmus americana", 50000},
		{"Fraxinus ornus", Broadleaf, "genus", "fraxinus", (66000 + 66000 + 41000) / 3.},
		{"Malus 'Prairifire'", Broadleaf, "proxy", "prunus serotina", 55000},
	} {
		w := WoodOf(c.latin, c.kind)
		if w.Basis != c.basis || w.Of != c.of || math.Abs(w.MORkPa-c.kPa) > 1 {
			t.Errorf("%s: %v kPa by %s of %s, want %v by %s of %s", c.latin, w.MORkPa, w.Basis, w.Of, c.kPa, c.basis, c.of)
		}
	}
	broad, conifer := WoodOf("", Broadleaf), WoodOf("Metasequoia glyptostroboides", Conifer)
	if broad.Basis != "kind" || conifer.Basis != "kind" || !(broad.MORkPa > conifer.MORkPa) {
		t.Errorf("by kind: broadleaf %v, conifer %v", broad, conifer)
	}
}

// Whole stems scatter more than clear wood, never less.
func TestStemSpread(t *testing.T) {
	const clearSpread = 0.16
	if !(stemSpread > clearSpread) {
		t.Error("whole stems cannot scatter less than small clear specimens")
	}
	// ASTM D2555 as transcribed: standard deviation over mean.
	for _, c := range [][2]float64{{1062, 6640}, {1027, 6420}, {878, 5490}} {
		near(t, "coefficient of variation", c[0]/c[1], clearSpread, 0.001)
	}
	// Kane and Clouston 2008, table 4: 86,741 - 62,068 x DBH in kPa at DBH 0.45 m,
	// root mean square error 19,084.
	near(t, "stem spread", 19084/(86741-62068*0.45), stemSpread, 0.01)
}
