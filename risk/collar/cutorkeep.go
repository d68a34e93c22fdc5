package collar

import (
	"fmt"
	"math"
	"strings"
)

// Found is a girdling root as excavated.
type Found struct {
	StemCm       float64   // diameter of the stem at the collar, > 0
	RootCm       float64   // diameter of the girdling root, > 0
	Share        float64   // share of the stem's circumference it holds, 0 to 1
	EmbeddedCm   Reading   // how deep it lies in the stem
	OtherRootsCm []float64 // diameters of the other main roots, as far as seen

	StemGrowthCm Reading // growth of the stem's diameter, cm a year
	RootGrowthCm Reading // growth of the root's diameter, cm a year
	Years        Reading // to look ahead; 10 when not known
}

// Outcome is what one choice costs, each as a share, 0 to 1, now and after the
// years looked ahead.
type Outcome struct {
	SectionNow, SectionLater float64 // of the stem's resistance to bending at the collar, lost
	RootsNow, RootsLater     float64 // of the root system by cross-section, lost
	// AnchorLo to AnchorHi is the loss of the force that tips the tree, for the
	// roots lost.
	AnchorLo, AnchorHi float64
}

// Weighing sets cutting a root against keeping it.
type Weighing struct {
	Keep, Cut Outcome
	Years     float64
	Assumed   []string // what was not given, and taken instead
	Cautions  []string
}

const (
	// Growth where none is given. 0.8 cm a year is the middle of London plane in
	// its first 60 years (McPherson et al. 2016: 54.7 cm at 60); a root's share of
	// that goes as its share of the stem's diameter (assumption).
	stemGrowthCm = 0.8

	// inward is the part of a root's thickening that goes into the stem
	// (assumption: half, the other half goes outwards).
	inward = 0.5

	// Loss of pulling force per share of the buttress roots cut. Smiley 2008 (AUF
	// 34(2):123, willow oak): half of the roots, 30 %; one root, 12 %, which of 8
	// roots is 0.96 a share. Smiley et al. 2014 (AUF 40(4):230, red maple): nearly
	// linear, to half of the circumference.
	anchorLow, anchorHigh = 0.6, 1.0
	anchorTested          = 0.5
)

// CutOrKeep weighs cutting a girdling root against keeping it. It informs: a
// certified arborist decides on site.
//
//	Keep: the stem grows round the root, so the indentation deepens by the stem's
//	gain in radius and half the root's gain in diameter, and the arc held is at
//	least that of a chord at this depth, 2 acos(1 - depth/radius).
//	Cut:  the indentation stays as deep as it is, in a stem that grows; the root's
//	share of the cross-section of all main roots is lost and not made up.
//
// Where the other roots were not seen, all main roots together are taken to
// have the stem's cross-section (pipe model; from memory).
func CutOrKeep(f Found) (Weighing, error) {
	switch {
	case !(f.StemCm > 0 && f.StemCm < 1000):
		return Weighing{}, fmt.Errorf("stem diameter %g cm: must be above 0 and below 1000", f.StemCm)
	case !(f.RootCm > 0 && f.RootCm < f.StemCm):
		return Weighing{}, fmt.Errorf("root diameter %g cm: must be above 0 and below the stem's %g cm", f.RootCm, f.StemCm)
	case !(f.Share >= 0 && f.Share <= 1):
		return Weighing{}, fmt.Errorf("share of the circumference %g: must be 0 to 1", f.Share)
	case f.EmbeddedCm.Known && !(f.EmbeddedCm.Value >= 0 && f.EmbeddedCm.Value <= f.StemCm/2):
		return Weighing{}, fmt.Errorf("embedded %g cm: must be 0 to half the stem's diameter", f.EmbeddedCm.Value)
	}
	w := Weighing{Years: 10}
	take := func(r Reading, other float64, what string) float64 {
		if r.Known && r.Value >= 0 && !math.IsInf(r.Value, 0) {
			return r.Value
		}
		w.Assumed = append(w.Assumed, what)
		return other
	}
	if f.Years.Known && f.Years.Value >= 0 && !math.IsInf(f.Years.Value, 0) {
		w.Years = f.Years.Value
	}
	embedded := take(f.EmbeddedCm, min(0.4*f.RootCm, f.StemCm/2), "embedded to 0.4 of the root's thickness (assumption)")
	stemGrowth := take(f.StemGrowthCm, stemGrowthCm, "stem thickens by 0.8 cm a year")
	rootGrowth := take(f.RootGrowthCm, stemGrowth*f.RootCm/f.StemCm, "root thickens in proportion to the stem (assumption)")

	radius := f.StemCm / 2
	radiusLater := radius + stemGrowth*w.Years/2
	now := sectionLoss(f.Share, embedded/radius)

	deeper := min(embedded+stemGrowth*w.Years/2+inward*rootGrowth*w.Years, radiusLater)
	if f.Share == 0 {
		deeper = 0 // it does not touch the stem yet: nothing is foretold
	}
	arc := max(f.Share, math.Acos(1-deeper/radiusLater)/math.Pi)
	w.Keep = Outcome{SectionNow: now, SectionLater: sectionLoss(arc, deeper/radiusLater)}

	area := 0.0
	for _, d := range f.OtherRootsCm {
		area += d * d
	}
	share := f.RootCm * f.RootCm / (f.RootCm*f.RootCm + area)
	if area == 0 {
		w.Assumed = append(w.Assumed, "all main roots together have the stem's cross-section (pipe model, from memory)")
		share = f.RootCm * f.RootCm / (f.StemCm * f.StemCm)
	}
	w.Cut = Outcome{
		SectionNow: now, SectionLater: sectionLoss(f.Share, embedded/radiusLater),
		RootsNow: share, RootsLater: share,
		AnchorLo: anchorLow * share, AnchorHi: anchorHigh * share,
	}
	if share > anchorTested {
		w.Cautions = append(w.Cautions, "more than half of the root system: beyond what was tested by pulling")
	}
	w.Cautions = append(w.Cautions,
		"cut roots often grow back, several for one (Watson 1993): look again in a few years",
		"a cut at the stem wounds it and may let decay in",
		"for a certified arborist to decide on site")
	return w, nil
}

// String tells both choices in words.
func (w Weighing) String() string {
	pc := func(v float64) string { return fmt.Sprintf("%.0f %%", 100*v) }
	var b strings.Builder
	fmt.Fprintf(&b, "Kept: the stem has lost %s of its resistance to bending at the collar now, %s in %g years. ",
		pc(w.Keep.SectionNow), pc(w.Keep.SectionLater), w.Years)
	fmt.Fprintf(&b, "Cut: %s now, %s in %g years, and %s of the roots with %s to %s of the hold against tipping.",
		pc(w.Cut.SectionNow), pc(w.Cut.SectionLater), w.Years, pc(w.Cut.RootsNow), pc(w.Cut.AnchorLo), pc(w.Cut.AnchorHi))
	if len(w.Assumed) > 0 {
		b.WriteString(" Assumed: " + strings.Join(w.Assumed, "; ") + ".")
	}
	b.WriteString(" Mind: " + strings.Join(w.Cautions, "; ") + ".")
	return b.String()
}
