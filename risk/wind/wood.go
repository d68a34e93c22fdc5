package wind

import (
	_ "embed"
	"encoding/csv"
	"strconv"
	"strings"
)

//go:embed wood.csv
var woodCSV string

// Wood is the green modulus of rupture of a species: small clear specimens, so an
// upper value for a stem with knots.
type Wood struct {
	MORkPa float64
	// Basis says where the figure is from: "printed" (seen on a page of the
	// source), "transcribed" (seen in another's copy), "from memory", "proxy" (a
	// related species stands for it), "genus" or "kind" (mean of the rows of the
	// genus or of all rows of the kind).
	Basis string
	// Of is the species (or genus) whose figure it is.
	Of     string
	Source string
}

// WoodRow is one row of the table.
type WoodRow struct {
	Species, Common string
	MORkPa          float64
	Basis           string
	StandsFor       string // the species that a proxy row is taken from
	Source          string
}

var woodRows = readWood(woodCSV)

// WoodTable returns the rows of the table in the file's order.
func WoodTable() []WoodRow { return append([]WoodRow(nil), woodRows...) }

// readWood reads the embedded table; a fault in it is a fault of the build.
func readWood(text string) []WoodRow {
	records, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		panic("wood.csv: " + err.Error())
	}
	rows := make([]WoodRow, 0, len(records)-1)
	for _, r := range records[1:] {
		mor, err := strconv.ParseFloat(r[2], 64)
		if err != nil {
			panic("wood.csv: " + err.Error())
		}
		rows = append(rows, WoodRow{r[0], r[1], mor, r[3], r[4], r[5]})
	}
	return rows
}

var woodBySpecies, woodByGenus, woodByKind = indexWood(woodRows)

func indexWood(rows []WoodRow) (species, genus map[string]Wood, kind map[bool]Wood) {
	species, genus, kind = map[string]Wood{}, map[string]Wood{}, map[bool]Wood{}
	type sum struct{ n, kPa float64 }
	byGenus, byKind := map[string]sum{}, map[bool]sum{}
	for _, r := range rows {
		of := r.Species
		if r.StandsFor != "" {
			of = r.StandsFor
		}
		species[r.Species] = Wood{r.MORkPa, r.Basis, of, r.Source}
		g, _, _ := strings.Cut(r.Species, " ")
		if _, measured := byGenus[g]; !measured {
			// A genus known by proxies alone takes the first of them.
			genus[g] = Wood{r.MORkPa, r.Basis, of, r.Source}
		}
		if r.Basis == "proxy" {
			continue
		}
		s := byGenus[g]
		s.n, s.kPa = s.n+1, s.kPa+r.MORkPa
		byGenus[g] = s
		genus[g] = Wood{s.kPa / s.n, "genus", g, "mean of the table's measured rows of the genus"}
		s = byKind[softwood[g]]
		s.n, s.kPa = s.n+1, s.kPa+r.MORkPa
		byKind[softwood[g]] = s
	}
	kind[false] = Wood{byKind[false].kPa / byKind[false].n, "kind", "broadleaves", "mean of the table's measured rows of broadleaves"}
	kind[true] = Wood{byKind[true].kPa / byKind[true].n, "kind", "conifers", "mean of the table's measured rows of conifers"}
	return species, genus, kind
}

// softwood holds the genera of the table that are conifers.
var softwood = map[string]bool{
	"abies": true, "chamaecyparis": true, "picea": true, "pinus": true,
	"sequoia": true, "taxodium": true, "tsuga": true,
}

// WoodOf returns the wood of a species by its Latin name ("Acer rubrum", "Tilia
// cordata 'Greenspire'"), else of its genus, else the mean of the kind.
func WoodOf(latin string, k Kind) Wood {
	f := strings.Fields(strings.ToLower(strings.ReplaceAll(latin, "×", " x ")))
	if len(f) == 0 {
		return woodByKind[k == Conifer]
	}
	if len(f) >= 3 && f[1] == "x" {
		f[1] = "x " + f[2]
	}
	if len(f) >= 2 {
		if w, ok := woodBySpecies[f[0]+" "+f[1]]; ok {
			return w
		}
	}
	if w, ok := woodByGenus[f[0]]; ok {
		return w
	}
	return woodByKind[k == Conifer]
}

// knotFactor turns the strength of small clear specimens into that of a stem with
// knots: 0.85, from memory (used in forest models for conifers).
const knotFactor = 0.85

// stemSpread is the standard deviation of ln(strength) of a whole stem of known
// species: 0.33, twice that of small clear specimens (16 %, ASTM D2555). Shade-tree maples pulled to failure of the stem scattered by
// 19.1 MPa about 58.8 MPa at DBH 0.45 m (Kane and Clouston 2008, AUF 34(2):105,
// table 4, regression on DBH, n = 11; our reading of the printed estimates).
const stemSpread = 0.33

// StemNm returns the median moment in N*m that breaks a sound stem of diameter
// dM: MOR * knot factor * pi*d^3/32.
func StemNm(mor Wood, dM float64) float64 {
	return within(mor.MORkPa, 5e3, 200e3) * 1e3 * knotFactor * WholeModulus(dM)
}
