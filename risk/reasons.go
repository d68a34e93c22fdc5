package risk

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"unique"

	"soilshed/risk/collar"
	"soilshed/risk/soil"
)

// Missing is the set of inputs that a tree lacks.
type Missing uint32

const (
	MissingDBH Missing = 1 << iota
	MissingHeight
	MissingCrown
	MissingSpecies
	MissingPlanted
	MissingStock
	MissingCorrected
	MissingFlareDepth
	MissingFlareSeen
	MissingMulch
	MissingMulchContact
	MissingCondition
	MissingDepth
	MissingTexture
	MissingOpening
)

var missingWords = [...]string{
	"DBH", "height", "crown spread", "species", "planting year", "nursery stock", "roots corrected",
	"soil over the first main roots", "root flare visible", "mulch depth", "mulch contact", "condition",
	"soil depth", "soil texture", "opening",
}

// Words lists the missing inputs, the most telling of the list's order first.
func (m Missing) Words() string {
	var b strings.Builder
	for i, w := range missingWords {
		if m>>i&1 == 1 {
			if b.Len() > 0 {
				b.WriteString(", ")
			}
			b.WriteString(w)
		}
	}
	return b.String()
}

// MissingNames lists the words in the order of the bits.
func MissingNames() []string { return missingWords[:] }

func (m *Model) missing(t *Tree, s *Size, g *Ground) (x Missing) {
	lacks := func(bit Missing, yes bool) {
		if yes {
			x |= bit
		}
	}
	lacks(MissingDBH, s.DBH != AsRecorded)
	lacks(MissingHeight, s.Height != AsRecorded)
	lacks(MissingCrown, s.Crown != AsRecorded)
	lacks(MissingSpecies, !s.NameKnown)
	lacks(MissingPlanted, !t.PlantedYear.Known)
	lacks(MissingStock, t.Stock == collar.StockUnknown)
	lacks(MissingCorrected, t.Corrected == collar.Unknown)
	lacks(MissingFlareDepth, !t.FlareCm.Known)
	lacks(MissingFlareSeen, t.FlareSeen == collar.Unknown)
	lacks(MissingMulch, !t.MulchCm.Known)
	lacks(MissingMulchContact, t.MulchTouches == collar.Unknown)
	lacks(MissingCondition, !t.Condition.Known)
	lacks(MissingDepth, !t.DepthM.Known)
	lacks(MissingTexture, t.Texture == soil.NoTexture && g.Texture == soil.NoTexture)
	lacks(MissingOpening, !g.Measured)
	return x
}

// reasonKind is what a reason is about.
type reasonKind uint8

const (
	noReason reasonKind = iota
	reasonCollar
	reasonSoil
	reasonCohort
	reasonOneSide
	reasonRootsCut
	reasonTarget
	reasonGust
	reasonDry
	reasonDead
)

// Reason is one of the things that put a tree where it stands in the list.
type Reason struct {
	kind  reasonKind
	score float32
	a, b  float32
	words unique.Handle[string] // few kinds for many trees
}

// String is the reason in words with its number; "" for none.
func (r Reason) String() string {
	switch r.kind {
	case reasonCollar, reasonCohort:
		return r.words.Value()
	case reasonSoil:
		if math.IsInf(float64(r.b), 1) {
			return fmt.Sprintf("%.3g m3 of soil, where no volume is enough", r.a)
		}
		return fmt.Sprintf("%.3g of %.3g m3 of soil", r.a, r.b)
	case reasonOneSide:
		return fmt.Sprintf("hard ground %.1f m from the stem to the %s, ground on one side", r.a, compass(float64(r.b)))
	case reasonRootsCut:
		return fmt.Sprintf("walk or kerb beside it replaced in %.0f", r.a)
	case reasonTarget:
		return fmt.Sprintf("targets where it would fall (exposure %.2f of 1)", r.a)
	case reasonGust:
		return fmt.Sprintf("base fails near %.0f m/s", r.a)
	case reasonDry:
		return fmt.Sprintf("%.0f dry days in a mean season", r.a)
	case reasonDead:
		return "dead on record"
	}
	return ""
}

// Append codes a reason, for TakeReason to take.
func (r Reason) Append(b []byte) []byte {
	b = append(b, byte(r.kind))
	for _, x := range [...]float32{r.score, r.a, r.b} {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(x))
	}
	var words string
	if r.words != (unique.Handle[string]{}) {
		words = r.words.Value()
	}
	return append(binary.AppendUvarint(b, uint64(len(words))), words...)
}

// TakeReason takes a reason from coded bytes, and returns what follows it.
func TakeReason(b []byte) (r Reason, rest []byte, err error) {
	const fixed = 1 + 3*4
	if len(b) < fixed {
		return r, nil, io.ErrUnexpectedEOF
	}
	r.kind = reasonKind(b[0])
	for k, x := range [...]*float32{&r.score, &r.a, &r.b} {
		*x = math.Float32frombits(binary.LittleEndian.Uint32(b[1+4*k:]))
	}
	n, k := binary.Uvarint(b[fixed:])
	if k <= 0 || n > uint64(len(b)-fixed-k) {
		return r, nil, io.ErrUnexpectedEOF
	}
	b = b[fixed+k:]
	if n > 0 || r.kind == reasonCollar || r.kind == reasonCohort {
		r.words = unique.Make(string(b[:n]))
	}
	return r, b[n:], nil
}

var points = [...]string{"north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"}

// compass is the point of the compass nearest to a bearing.
func compass(deg float64) string {
	return points[int(math.Floor(deg/45+0.5))%8]
}

// Compass is the point of the compass nearest to a bearing in degrees, in words.
func Compass(deg float64) string {
	if math.IsNaN(deg) {
		return ""
	}
	return compass(math.Mod(deg+360, 360))
}

// reasons picks the three that raise the expected harm of this tree most over
// that of an ordinary one, by natural logarithm of the factor.
func (m *Model) reasons(t *Tree, s *Size, g *Ground, odd Odd, r *Result, post collar.Posterior) (out [3]Reason) {
	var room [32]Reason
	all := room[:0]
	add := func(x Reason) {
		if x.score > 0.1 {
			all = append(all, x)
		}
	}
	if t.Dead {
		add(Reason{kind: reasonDead, score: 100})
	}
	short := r.Graded && r.SoilPct < 100*m.Bounds[1]
	oneSide := g.Measured && g.Lopsided > 0.3 && g.ShortM < 0.5*s.ReachM
	for i := range post.Terms {
		// What the ground says below need not be said twice.
		if k := post.Terms[i].Key; k == "soil_share" && short || k == "reach_m" && oneSide {
			continue
		}
		// Log-odds of girdling move the harm by less: girdling is one way to
		// fail of two.
		if k := &post.Terms[i]; !k.Missing && k.Key != "prior" && k.LogOdds > 0 {
			add(Reason{kind: reasonCollar, score: float32(k.LogOdds), a: float32(i)})
		}
	}
	if odd.Cohort != "" {
		add(Reason{kind: reasonCohort, score: 0.6, words: unique.Make(odd.Cohort)})
	}
	if short {
		add(Reason{kind: reasonSoil, score: float32(min(2, -math.Log(max(r.SoilPct, 1)/100))), a: float32(g.SoilM3), b: float32(r.Need)})
	}
	if oneSide {
		add(Reason{kind: reasonOneSide, score: float32(g.Lopsided), a: float32(g.ShortM), b: float32(g.ShortBearing)})
	}
	if y := t.WalkReplacedYr; y.Known && m.Year-y.Value >= 0 && m.Year-y.Value <= m.RootsCutYears {
		add(Reason{kind: reasonRootsCut, score: 0.8, a: float32(y.Value)}) // ln 2.24
	}
	if r.Exposure > 0.2 {
		add(Reason{kind: reasonTarget, score: float32(math.Log(r.Exposure / 0.15)), a: float32(r.Exposure)})
	}
	// 35 m/s is about the middle of street trees by the tunnels' figures as they
	// are; the level moves it.
	if careful := r.CarefulGustMS; careful < 35 {
		add(Reason{kind: reasonGust, score: float32((40 - careful) / 10), a: float32(r.GustMS)})
	}
	if r.DryDays > m.MaxDryDays {
		add(Reason{kind: reasonDry, score: float32(min(2, math.Log(r.DryDays/m.MaxDryDays))), a: float32(r.DryDays)})
	}
	slices.SortStableFunc(all, func(a, b Reason) int { return cmp.Compare(b.score, a.score) })
	copy(out[:], all)
	for i := range out {
		if x := &out[i]; x.kind == reasonCollar {
			x.words = unique.Make(post.Terms[int(x.a)].String())
		}
	}
	return out
}

// Why joins the reasons in words.
func (r *Result) Why() string {
	var parts []string
	for _, x := range r.Reasons {
		if w := x.String(); w != "" {
			parts = append(parts, w)
		}
	}
	return strings.Join(parts, "; ")
}

// NextStep says what to do next. It never says that nothing need be done about
// a tree's safety: a screen cannot know.
func (m *Model) NextStep(t *Tree, g *Ground, r *Result) string {
	switch {
	case !r.Assessed:
		return ""
	case t.Dead:
		return "dead on record: have an arborist see it"
	case r.GirdledP >= 0.5 || r.Flagged && r.GirdledP >= 0.3:
		return "excavate the root collar" // whatever its ground
	case g.Unsurveyed:
		return "map the paving here"
	case !g.Measured:
		return "survey the opening on site"
	case r.Missing&(MissingFlareDepth|MissingFlareSeen) == MissingFlareDepth|MissingFlareSeen && r.GirdledP >= 0.25:
		return "look for the root flare"
	case r.Graded && r.Class == soil.Severe:
		return "enlarge the opening or its soil"
	case r.Missing&MissingDBH != 0:
		return "measure the DBH"
	case r.GirdledP >= 0.3:
		return "look at the collar on the next round"
	case r.Graded && r.Class == soil.Constrained:
		return "enlarge the opening when the walk is renewed"
	}
	return "see it on the usual round"
}
