package species

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"github.com/agnivade/levenshtein"
	"golang.org/x/text/unicode/norm"
)

//go:embed species.csv
var speciesCSV string

//go:embed synonym.csv
var synonymCSV string

var (
	list    []Species          // in the order of the table
	byName  = map[string]int{} // folded Latin or common name -> list
	genera  = map[string]Species{}
	renamed = map[string]string{} // folded synonym -> folded accepted name
	general Species
)

func init() {
	loadSpecies()
	loadCurves()
	for i := range list {
		list[i].grown = list[i].growth()
	}
	for g, s := range genera {
		s.grown = s.growth()
		genera[g] = s
	}
	general.grown = general.growth()
}

func loadSpecies() {
	for _, r := range mustTable("species.csv", speciesCSV, 6) {
		h, c := mustNumber("species.csv", r[3]), mustNumber("species.csv", r[4])
		s := Species{
			Latin: r[0], Genus: strings.Fields(r[0])[0], Common: r[1],
			MatureHeightM: h, MatureCrownM: c, Size: sizeOf(h),
			Leaf: mustLeaf(r[2]), Source: r[5], Rank: OfSpecies,
		}
		byName[fold(r[0])] = len(list)
		byName[fold(r[1])] = len(list)
		list = append(list, s)
	}
	of := map[string][]Species{}
	for _, s := range list {
		g := fold(s.Genus)
		of[g] = append(of[g], s)
	}
	for g, all := range of {
		s := typical(all)
		s.Latin, s.Genus, s.Rank = all[0].Genus, all[0].Genus, OfGenus
		genera[g] = s
	}
	general = typical(list)
	general.Rank = General
	for _, r := range mustTable("synonym.csv", synonymCSV, 3) {
		to := fold(r[1])
		_, isSpecies := byName[to]
		if _, isGenus := genera[to]; !isGenus && !isSpecies {
			panic("species: synonym.csv: means nothing known: " + r[1])
		}
		renamed[fold(r[0])] = to
	}
}

// typical is the tree of median size, with the leaf that most of all carry.
func typical(all []Species) Species {
	var h, c []float64
	var n [Conifer + 1]int
	for _, s := range all {
		h, c = append(h, s.MatureHeightM), append(c, s.MatureCrownM)
		n[s.Leaf]++
	}
	s := Species{
		MatureHeightM: median(h), MatureCrownM: median(c),
		Source: fmt.Sprintf("median of %d species in the table", len(all)),
	}
	s.Size = sizeOf(s.MatureHeightM)
	for l, k := range n {
		if k > n[s.Leaf] {
			s.Leaf = Leaf(l)
		}
	}
	return s
}

func median(v []float64) float64 {
	slices.Sort(v)
	if n := len(v); n%2 == 0 {
		return (v[n/2-1] + v[n/2]) / 2
	}
	return v[len(v)/2]
}

func mustTable(name, text string, columns int) [][]string {
	r := csv.NewReader(strings.NewReader(text))
	r.FieldsPerRecord = columns
	rows, err := r.ReadAll()
	if err != nil {
		panic(fmt.Sprintf("species: %s: %v", name, err))
	}
	return rows[1:]
}

func mustNumber(name, cell string) float64 {
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		panic(fmt.Sprintf("species: %s: %v", name, err))
	}
	return v
}

func mustLeaf(word string) Leaf {
	for l := Deciduous; l <= Conifer; l++ {
		if l.String() == word {
			return l
		}
	}
	panic("species: no such leaf: " + word)
}

// fold turns a name into lower-case words of plain letters with single spaces:
// accents, hybrid signs, quotes and byte-order marks are gone.
func fold(s string) string {
	var b strings.Builder
	space := true
	for _, r := range norm.NFKD.String(s) {
		switch {
		case unicode.Is(unicode.Mn, r), r == '\uFEFF', r == '\u200B', r == '\'', r == '\u2019', r == '`':
			continue // accents and marks vanish, and "Turk's" is one word
		case r == '\u00DF':
			b.WriteString("ss")
			space = false
		case unicode.IsLetter(r):
			b.WriteRune(unicode.ToLower(r))
			space = false
		default:
			if !space {
				b.WriteByte(' ')
				space = true
			}
		}
	}
	return strings.TrimSpace(b.String())
}

// Lookup finds the species that a name of an inventory means: a Latin name with
// or without author, hybrid sign, variety and cultivar; a genus alone; a common
// name, also turned round ("Maple, Red"); or both in one field. A slip of the
// pen in a Latin name is forgiven and told. It falls back on the genus, and is
// false when it knows neither; then use Unknown.
func Lookup(name string) (Species, bool) {
	words := words(name)
	// The longest run of words that names a species, the earliest first: Latin
	// and common name may share a field, in either order.
	for n := min(len(words), 5); n >= 2; n-- {
		for i := 0; i+n <= len(words); i++ {
			if s, ok := named(words[i : i+n]); ok {
				return s, true
			}
		}
	}
	if s, ok := respelled(words); ok {
		return s, true
	}
	for _, w := range words {
		if s, ok := genera[w]; ok {
			return s, true
		}
		if to, ok := renamed[w]; ok {
			if s, ok := genera[to]; ok {
				return s, true
			}
			return list[byName[to]], true
		}
	}
	for _, w := range words {
		if i, ok := byName[w]; ok {
			return list[i], true
		}
	}
	return Species{}, false
}

func named(run []string) (Species, bool) {
	key := strings.Join(run, " ")
	if to, ok := renamed[key]; ok {
		key = to
	}
	if i, ok := byName[key]; ok {
		return list[i], true
	}
	// "Maple, Red" and "Maple Red Autumn Blaze": the noun first.
	if turned := strings.Join(append(slices.Clone(run[1:]), run[0]), " "); turned != key {
		if to, ok := renamed[turned]; ok {
			turned = to
		}
		if i, ok := byName[turned]; ok {
			return list[i], true
		}
	}
	if g, ok := genera[key]; ok {
		return g, true
	}
	return Species{}, false
}

// respelled finds a Latin name with a slip in it: an epithet that is within two
// letters of just one species of its genus ("Carpinus betula", "Acer
// plantanoids"), or a genus within one letter of just one ("Ginko biloba").
// Short words are left alone: there the neighbour is another plant.
func respelled(words []string) (Species, bool) {
	for i, w := range words {
		g, known := genera[w]
		if !known {
			if _, means := renamed[w]; means {
				continue
			}
			if g, known = nearGenus(w); !known {
				continue
			}
			if i+1 == len(words) {
				g.Respelled = true
				return g, true
			}
		}
		if i+1 == len(words) {
			continue
		}
		best, n := 3, 0
		var found Species
		for _, s := range list {
			if s.Genus != g.Genus {
				continue
			}
			epithet := fold(s.Latin)[len(fold(s.Genus))+1:]
			d := levenshtein.ComputeDistance(words[i+1], epithet)
			if d > 0 && (len(epithet) < 6 || len(words[i+1]) < 6 || abs(len(epithet)-len(words[i+1])) > 1) {
				continue
			}
			switch {
			case d < best:
				best, n, found = d, 1, s
			case d == best:
				n++
			}
		}
		if best <= 2 && n == 1 {
			found.Respelled = true
			return found, true
		}
		if _, ok := genera[w]; !ok {
			g.Respelled = true
			return g, true
		}
	}
	return Species{}, false
}

func nearGenus(word string) (Species, bool) {
	if len(word) < 5 {
		return Species{}, false
	}
	var found Species
	n := 0
	for _, s := range list {
		if g := fold(s.Genus); s.Genus != found.Genus && levenshtein.ComputeDistance(word, g) == 1 && len(g) >= 5 {
			found, n = genera[g], n+1
		}
	}
	return found, n == 1
}

func abs(n int) int { return max(n, -n) }

// words folds a name and leaves out what stands between genus and epithet.
func words(name string) []string {
	var out []string
	for _, w := range strings.Fields(fold(name)) {
		switch w {
		case "x", "sp", "spp", "species", "hybrid", "hybrids", "var", "subsp", "ssp", "cv", "f":
			continue
		}
		out = append(out, w)
	}
	return out
}
