package species

import (
	"math"
	"testing"
)

func TestLookup(t *testing.T) {
	for name, want := range map[string]string{
		"Acer rubrum":                   "Acer rubrum",
		"ACER RUBRUM":                   "Acer rubrum",
		"Acer rubrum 'Fall Scarlet'":    "Acer rubrum",
		"Acer rubrum L. var. trilobum":  "Acer rubrum",
		"Acer x freemanii":              "Acer freemanii",
		"Acer × freemanii 'Jeffersred'": "Acer freemanii",
		"Acer sp.":                      "Acer",
		"Acer spp":                      "Acer",
		"Acer":                          "Acer",
		"Red maple":                     "Acer rubrum",
		"Maple, Red":                    "Acer rubrum",
		"Maple, Red (Acer rubrum)":      "Acer rubrum",
		"Acer rubrum - Maple, Red":      "Acer rubrum",
		"\ufeffAcer  rubrum":            "Acer rubrum",
		"maple":                         "Acer",
		"Ahörn":                         "Acer",
		"Platanus x acerifolia":         "Platanus acerifolia",
		"London plane":                  "Platanus acerifolia",
		"Acer somethingnew":             "Acer",
		"Gleditsia triacanthos inermis": "Gleditsia triacanthos",
		"Honeylocust, Thornless":        "Gleditsia triacanthos",
		"Quercus robur 'Fastigiata'":    "Quercus robur",
		"Tilia cordata 'Greenspire'":    "Tilia cordata",
		"TILIA_CORDATA":                 "Tilia cordata",
	} {
		s, ok := Lookup(name)
		if !ok || s.Latin != want {
			t.Errorf("Lookup(%q) = %q, %v; want %q", name, s.Latin, ok, want)
		}
	}
	for _, name := range []string{"", "  ", "NA", "<Null>", "Vacant site", "12", "x", "'"} {
		if s, ok := Lookup(name); ok {
			t.Errorf("Lookup(%q) = %q; it says nothing", name, s.Latin)
		}
	}
}

func TestPublishedEquations(t *testing.T) {
	// PSW-GTR-253, as evaluated by those who transcribed it.
	for _, c := range []struct {
		name string
		f    func(Species, float64) (float64, string)
		x    float64
		want float64
		tol  float64
	}{
		{"Pyrus calleryana", Species.CrownM, 27.94, 8.383, .0005},
		{"Pyrus calleryana", Species.CrownM, 20, 6.118, .0005},
		{"Platanus acerifolia", Species.DBHFromAge, 40, 42.9, .05},
		{"Platanus acerifolia", Species.HeightM, 42.9, 14.2, .05},
		{"Quercus agrifolia", Species.CrownM, 30, 7.869, .0005},
		{"Quercus agrifolia", Species.HeightM, 30, 9.148, .0005},
		{"Quercus agrifolia", Species.DBHFromAge, 20, 31.30, .005},
	} {
		s, _ := Lookup(c.name)
		if got, by := c.f(s, c.x); !(math.Abs(got-c.want) <= c.tol) {
			t.Errorf("%s at %g: %g by %s, want %g", c.name, c.x, got, by, c.want)
		}
	}
}

func TestEveryRowHasASource(t *testing.T) {
	for _, f := range []struct {
		name, text string
		columns    int
	}{
		{"species.csv", speciesCSV, 6}, {"synonym.csv", synonymCSV, 3}, {"allometry.csv", allometryCSV, 12},
	} {
		for i, r := range mustTable(f.name, f.text, f.columns) {
			if r[len(r)-1] == "" {
				t.Errorf("%s row %d (%s) has no source", f.name, i+1, r[0])
			}
		}
	}
}
