// Package collar gives the probability that stem girdling roots hold a third or
// more of a stem's circumference, from what is known of the tree; it learns from
// excavations, finds the odd one out among trees of one planting, and weighs
// cutting a found root against keeping it.
//
// Everything is additive in log-odds: a prior, and named evidence, each with a
// weight, a spread and a source (evidence.csv; evidence.md tells how published
// figures became weights). What is not known of a tree is integrated over and
// widens the interval; it is never read as good news.
//
// No symptom is conclusive: only excavation of the root collar tells. The
// numbers rank what to excavate. They rate and clear no tree; that, and every
// decision to cut a root, is for a certified arborist.
package collar

import (
	"math"
	"strings"
)

// HeldShare is the event this package is about: stem girdling roots hold at
// least this share of the stem's circumference.
const HeldShare = 1.0 / 3

// Stock is how a tree was grown in the nursery.
type Stock uint8

const (
	StockUnknown    Stock = iota
	SolidContainer        // container with a solid wall
	PrunedContainer       // air- or fabric-pruned container
	Balled                // field-grown, balled
	BareRoot
)

var stockNames = [...]string{"unknown", "solid container", "pruned container", "balled", "bare root"}

func (s Stock) String() string { return name(stockNames[:], int(s)) }

// ParseStock reads stock in plain words, in any case. "container" alone is read
// as solid-walled, the usual kind; words it does not know give false.
func ParseStock(s string) (Stock, bool) {
	switch plain(s) {
	case "unknown":
		return StockUnknown, true
	case "container", "containers", "container grown", "containerised", "containerized", "solid container",
		"solid wall container", "plastic container", "pot", "potted", "pot grown", "cont", "c":
		return SolidContainer, true
	case "pruned container", "air pruned", "air pruned container", "air pot", "air pruning container", "root pruning container",
		"fabric", "fabric container", "fabric pruned", "fabric pruned container", "fabric bag", "grow bag", "porous container":
		return PrunedContainer, true
	case "balled", "field", "field grown", "field grown balled", "balled and burlapped", "balled burlapped", "ball and burlap",
		"b b", "bb", "b and b", "bnb", "root ball", "rootball", "root balled", "rootballed", "wire basket", "burlap", "tree spade":
		return Balled, true
	case "bare root", "bareroot", "bare rooted", "br", "b r", "naked root":
		return BareRoot, true
	}
	return StockUnknown, false
}

// Answer is what is known of a yes-or-no question.
type Answer uint8

const (
	Unknown Answer = iota
	No
	Yes
)

var answerNames = [...]string{"unknown", "no", "yes"}

func (a Answer) String() string { return name(answerNames[:], int(a)) }

// ParseAnswer reads yes and no in plain words, in any case; words it does not
// know give false.
func ParseAnswer(s string) (Answer, bool) {
	switch plain(s) {
	case "unknown":
		return Unknown, true
	case "no", "n", "false", "f", "0", "none", "not", "absent":
		return No, true
	case "yes", "y", "true", "t", "1", "present":
		return Yes, true
	}
	return Unknown, false
}

// Texture is the soil around the planting hole, as far as the collar cares.
type Texture uint8

const (
	TextureUnknown Texture = iota
	Sandy
	Loamy
	Clayey
)

var textureNames = [...]string{"unknown", "sandy", "loamy", "clayey"}

func (t Texture) String() string { return name(textureNames[:], int(t)) }

func name(names []string, i int) string {
	if i < len(names) {
		return names[i]
	}
	return "unknown"
}

// plain lowers the words of s and puts one space between them.
func plain(s string) string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(s), func(r rune) bool {
		return !('a' <= r && r <= 'z' || '0' <= r && r <= '9' || r > 127)
	}), " ")
}

// Reading is a number that may not be known. Its zero is not known.
type Reading struct {
	Value float64
	Known bool
}

// Read is a reading that is known, unless v is no finite number.
func Read(v float64) Reading {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return Reading{}
	}
	return Reading{v, true}
}

// LogOdds is the natural logarithm of the odds. Weights of evidence add in it.
type LogOdds float64

// P is the probability, 0 to 1.
func (l LogOdds) P() float64 { return logistic(float64(l)) }

// Logit is the log-odds of a probability between 0 and 1.
func Logit(p float64) LogOdds { return LogOdds(math.Log(p) - math.Log1p(-p)) }

func logistic(x float64) float64 {
	if x >= 0 {
		return 1 / (1 + math.Exp(-x))
	}
	e := math.Exp(x)
	return e / (1 + e)
}

// Signs is what is known of one root collar without digging. The zero value
// knows nothing.
type Signs struct {
	Stock     Stock
	Corrected Answer // circling roots corrected at planting

	FlareCm   Reading // soil over the first main roots, cm
	FlareSeen Answer  // is a root flare visible
	FlatSide  Answer  // stem flat on a side at the ground

	YearsSincePlanting Reading
	MulchCm            Reading // mulch depth, cm
	MulchTouches       Answer  // mulch against the trunk

	SoilShare Reading // soil volume it has over what it needs; 1 is enough
	ReachM    Reading // shortest free distance from the stem, m
	Texture   Texture

	OddZ Reading // how much worse than its cohort, robust z (Cohorts.Odd); positive is worse

	Genus   string // Latin
	Species string // Latin; a species of its own in the evidence goes before its genus

	// What learned rates are grouped by; "" is unknown.
	Supplier string
	Season   string // planting season, for instance "2012 spring"
	Crew     string // planting crew or contract
}
