package risk

import (
	"iter"
	"math"
	"slices"

	"soilshed/risk/species"
)

// Assumption says how a measure that the inventory lacks was filled in.
type Assumption uint8

const (
	AsRecorded    Assumption = iota
	FromPublished            // by a published equation from what is recorded
	Typical                  // the inventory's median: a guess
)

// Size is a tree with no measure left unknown.
type Size struct {
	Species *species.Species // shared, not to be changed
	// NameKnown is false when the species field says nothing that is understood.
	NameKnown                bool
	DBHCm, HeightM, CrownM   float64
	CrownM2                  float64 // crown projection
	ReachM                   float64
	DBH, Height, Crown       Assumption
	DBHBy, HeightBy, CrownBy string // in words
	AgeYr                    Maybe[float64]
}

// LearnTypical takes the median DBH by genus from the trees of an inventory. It
// must be called before Size, once, while the model is not shared yet.
func (m *Model) LearnTypical(trees iter.Seq2[int, Tree]) {
	by := map[string][]float64{}
	for _, t := range trees {
		if !measured(t.DBHCm, mostDBHCm) || t.Removed || Contradicts(&t) {
			continue
		}
		sp, _ := m.speciesOf(t.Species)
		by[""] = append(by[""], t.DBHCm.Value)
		if sp.Genus != "" {
			by[sp.Genus] = append(by[sp.Genus], t.DBHCm.Value)
		}
	}
	m.typical = map[string]float64{}
	for g, v := range by {
		// Five trees make a median that a single odd one does not carry.
		if g == "" || len(v) >= 5 {
			slices.Sort(v)
			m.typical[g] = v[len(v)/2]
		}
	}
}

// assumedDBHCm stands for the DBH where an inventory has none at all: a young
// street tree. Common practice, no source.
const assumedDBHCm = 20

// Size fills in the measures of a tree: recorded first, then by the published
// equations of its species, its genus or street trees in general, from
// whichever measure is recorded; the inventory's median DBH last.
func (m *Model) Size(t *Tree) Size {
	var s Size
	s.Species, s.NameKnown = m.speciesOf(t.Species)
	if t.PlantedYear.Known && t.PlantedYear.Value <= m.Year {
		s.AgeYr = Known(float64(m.Year - t.PlantedYear.Value))
	}
	sp := s.Species
	// from reads the stem off a measure that grows with it.
	from := func(measure string, of func(float64) (float64, string), v float64) {
		s.DBH, s.DBHCm = FromPublished, inverse(of, v)
		_, by := of(s.DBHCm)
		s.DBHBy = "from " + measure + ", " + by
		if measured(t.DBHCm, mostDBHCm) {
			s.DBHBy = "as the DBH on record is too thin for the height or crown on record: " + s.DBHBy
		}
	}
	switch {
	case measured(t.DBHCm, mostDBHCm) && !Contradicts(t):
		s.DBHCm, s.DBHBy = t.DBHCm.Value, "recorded"
	case measured(t.HeightM, mostHeightM):
		from("height", sp.HeightM, t.HeightM.Value)
	case measured(t.CrownM, mostCrownM):
		from("crown", sp.CrownM, t.CrownM.Value)
	case s.AgeYr.Known:
		s.DBH = FromPublished
		s.DBHCm, s.DBHBy = sp.DBHFromAge(s.AgeYr.Value)
		s.DBHCm, s.DBHBy = max(s.DBHCm, 2), "from age, "+s.DBHBy
	default:
		s.DBH, s.DBHBy = Typical, "not recorded: median of this genus here"
		var ok bool
		if s.DBHCm, ok = m.typical[sp.Genus]; !ok || sp.Genus == "" {
			s.DBHBy = "not recorded: median of all trees here"
			if s.DBHCm, ok = m.typical[""]; !ok {
				s.DBHCm, s.DBHBy = assumedDBHCm, "not recorded: 20 cm assumed"
			}
		}
	}
	if measured(t.HeightM, mostHeightM) {
		s.HeightM, s.HeightBy = t.HeightM.Value, "recorded"
	} else {
		s.Height = max(FromPublished, s.DBH)
		s.HeightM, s.HeightBy = sp.HeightM(s.DBHCm)
	}
	if measured(t.CrownM, mostCrownM) {
		s.CrownM, s.CrownBy = t.CrownM.Value, "recorded"
	} else {
		s.Crown = max(FromPublished, s.DBH)
		s.CrownM, s.CrownBy = sp.CrownM(s.DBHCm)
	}
	s.CrownM2 = math.Pi / 4 * s.CrownM * s.CrownM
	s.ReachM = m.ReachM
	if s.ReachM <= 0 {
		s.ReachM = min(m.MostReachM, max(m.LeastReachM, m.ReachPerDBH*s.DBHCm/100))
	}
	return s
}

// Contradicts tells whether the DBH on record cannot go with the height or the
// crown on record: the stem would be thinner than 1/150 of the height, or than
// 1/50 of the crown spread, after 1.5 m and 1 m of a whip's. Common practice,
// no source: beyond what slender trees of dense stands have.
func Contradicts(t *Tree) bool {
	d := t.DBHCm.Value / 100
	return measured(t.DBHCm, mostDBHCm) && (measured(t.HeightM, mostHeightM) && t.HeightM.Value > 1.5+150*d || measured(t.CrownM, mostCrownM) && t.CrownM.Value > 1+50*d)
}

// More than any tree has been measured at, rounded up (from memory: the Tule
// cypress, 11.6 m through; a coast redwood of 116 m; crowns of some 75 m).
const mostDBHCm, mostHeightM, mostCrownM = 1200, 120, 80

// measured tells whether a length is known, and one that a tree can have: 0 in an
// inventory, or nearly, means that nobody measured.
func measured(v Maybe[float64], most float64) bool {
	return v.Known && v.Value >= 0.1 && v.Value <= most
}

// speciesOf looks a name up, once for each name.
func (m *Model) speciesOf(name string) (*species.Species, bool) {
	type found struct {
		sp    *species.Species
		known bool
	}
	if v, ok := m.names.Load(name); ok {
		f := v.(found)
		return f.sp, f.known
	}
	sp, known := species.Lookup(name)
	if !known {
		sp = species.Unknown()
	}
	v, _ := m.names.LoadOrStore(name, found{&sp, known})
	f := v.(found)
	return f.sp, f.known
}

// inverse finds the DBH in cm, 1 to 250, at which a growing measure reaches v; of
// a tree beyond the end of the curve, the DBH at which it ends.
func inverse(of func(float64) (float64, string), v float64) float64 {
	lo, hi := 1.0, 250.0
	end, _ := of(hi)
	v = min(v, end)
	for range 40 {
		mid := (lo + hi) / 2
		if y, _ := of(mid); y < v {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}
