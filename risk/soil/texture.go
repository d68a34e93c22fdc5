package soil

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"strconv"
	"strings"
)

// Texture is one of the twelve classes of the USDA texture triangle. Its zero
// is no class: every table has zeros there, and it is for the caller to assume
// a class before asking.
type Texture uint8

const (
	NoTexture Texture = iota
	Sand
	LoamySand
	SandyLoam
	Loam
	SiltLoam
	Silt
	SandyClayLoam
	ClayLoam
	SiltyClayLoam
	SiltyClay
	SandyClay
	Clay
)

// Textures are the twelve classes, from coarse to fine.
var Textures = [...]Texture{Sand, LoamySand, SandyLoam, Loam, SiltLoam, Silt,
	SandyClayLoam, ClayLoam, SiltyClayLoam, SiltyClay, SandyClay, Clay}

//go:embed texture.csv
var textureCSV string

type textureRow struct {
	name, abbrev string
	water        Water
	limit        Limit
	source       string
}

var (
	textureRows  [Clay + 1]textureRow
	textureNames = map[string]Texture{}
)

func init() {
	rows := mustTable("texture.csv", textureCSV, 8)
	if len(rows) != len(Textures) {
		panic("soil: texture.csv does not hold the twelve classes")
	}
	for i, r := range rows {
		t := Texture(i + 1)
		n := mustNumbers("texture.csv", r[2:7])
		w, err := SaxtonRawls(n[0], n[1], ClassOrganicPct)
		if err != nil {
			panic(err)
		}
		textureRows[t] = textureRow{r[0], r[1], w, Limit{n[2], n[3], n[4]}, r[7]}
		for _, name := range []string{r[0], r[1]} {
			textureNames[squeeze(name)] = t
		}
	}
	// Words that soil layers use for the same classes.
	for name, t := range map[string]Texture{
		"loamysands": LoamySand, "sandyloams": SandyLoam,
		"sands": Sand, "loams": Loam, "silts": Silt, "clays": Clay,
		"siltyloam": SiltLoam, "clayloams": ClayLoam, "siltloams": SiltLoam,
		"sil": SiltLoam, "si": Silt, "sicl": SiltyClayLoam, "sic": SiltyClay,
		"ls": LoamySand, "cos": Sand, "fs": Sand, "vfs": Sand,
		"coarsesand": Sand, "finesand": Sand, "mediumsand": Sand, "veryfinesand": Sand,
		"lcos": LoamySand, "lfs": LoamySand, "lvfs": LoamySand,
		"loamyfinesand": LoamySand, "loamycoarsesand": LoamySand, "loamyveryfinesand": LoamySand,
		"cosl": SandyLoam, "fsl": SandyLoam, "vfsl": SandyLoam,
		"finesandyloam": SandyLoam, "coarsesandyloam": SandyLoam, "veryfinesandyloam": SandyLoam,
	} {
		textureNames[name] = t
	}
}

// mustTable reads a table built into the package; a fault in it is a bug.
func mustTable(name, text string, columns int) [][]string {
	r := csv.NewReader(strings.NewReader(text))
	r.FieldsPerRecord = columns
	rows, err := r.ReadAll()
	if err != nil {
		panic(fmt.Sprintf("soil: %s: %v", name, err))
	}
	return rows[1:]
}

func mustNumbers(name string, cells []string) []float64 {
	out := make([]float64, len(cells))
	for i, c := range cells {
		if c == "" {
			continue
		}
		v, err := strconv.ParseFloat(c, 64)
		if err != nil {
			panic(fmt.Sprintf("soil: %s: %v", name, err))
		}
		out[i] = v
	}
	return out
}

// squeeze keeps the letters of a name, in lower case.
func squeeze(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		case r >= 'a' && r <= 'z':
			return r
		}
		return -1
	}, s)
}

// ParseTexture reads the name or the usual abbreviation of a USDA class:
// "Sandy Loam", "silt-loam", "SL", "SiCL", "fine sandy loam". Sub-classes of
// sand size fall to their class. It is false for anything else, for "" too.
func ParseTexture(s string) (Texture, bool) {
	t, ok := textureNames[squeeze(s)]
	return t, ok
}

// String is the name of the class, in lower case; "" for NoTexture.
func (t Texture) String() string {
	if t > Clay {
		return ""
	}
	return textureRows[t].name
}

// Abbrev is the usual abbreviation, such as SiCL.
func (t Texture) Abbrev() string {
	if t > Clay {
		return ""
	}
	return textureRows[t].abbrev
}

// Source says where the numbers of the class come from.
func (t Texture) Source() string {
	if t > Clay {
		return ""
	}
	return textureRows[t].source
}

// Water returns what a soil of the class holds, at its typical sand and clay
// and ClassOrganicPct of organic matter. Zeros for NoTexture.
func (t Texture) Water() Water {
	if t > Clay {
		return Water{}
	}
	return textureRows[t].water
}

// AvailableWater is the available water capacity of the class, as a fraction
// by volume (m3 of water per m3 of soil): field capacity less wilting point,
// Saxton & Rawls 2006. It is 0 for NoTexture.
func AvailableWater(t Texture) float64 { return t.Water().Available() }
