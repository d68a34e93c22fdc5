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
	Years        Reading // to look ahead, 0 to 50; 10 when not known
}

// Outcome is what one choice costs, each as a share, 0 to 1, now and after the
// years looked ahead.
type Outcome struct {
	SectionNow, SectionLater float64 // of the stem's resistance to bending at the collar, lost
	// ArcNow and ArcLater are the share of the circumference that is pressed in,
	// DepthNow and DepthLater how deep, as a share of the stem's radius.
	ArcNow, ArcLater     float64
	DepthNow, DepthLater float64
	RootsNow, RootsLater float64 // of the root system by cross-section, lost
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

// Formula is how one number of a weighing is reckoned, and where that is from.
type Formula struct{ What, How, Source string }

// Formulas are those of CutOrKeep, in its order. R is the stem's radius, h half
// of the angle that is held, p the depth of the indentation.
var Formulas = []Formula{
	{"loss of section", "1 - W/W0: the section modulus W of a disc less a ring sector (angle 2h, from R-p to R), the weaker of bending towards, away from and across it, over that of the whole disc, pi R^3/4",
		"any handbook of mechanics; tested by summation"},
	{"depth, if kept", "p + half of the stem's gain in diameter + half of the root's", "assumption: the root holds on and the stem grows round it all the way. An upper value: a thin root may break, or be grown over without harm"},
	{"arc, if kept", "the arc as found, or that of a chord at this depth, 2 acos(1 - p/R), if that is more", "geometry"},
	{"depth, if cut", "p as it is, in a stem that grows on", "assumption: no more is pressed in; the dent itself may fill, and is counted whole"},
	{"loss of roots, if cut", "d^2 over the sum of d^2 of all main roots; where the others were not seen, over the stem's diameter squared", "cross-section; pipe model from memory"},
	{"loss of hold, if cut", "0.6 to 1.0 x the loss of roots", "pulling tests: Smiley 2008 (AUF 34(2):123), half of the roots cut, 30 %, one root, 12 %; Smiley et al. 2014 (AUF 40(4):230), nearly linear to half of the circumference"},
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

	// Bounds of what is believed (settings, no source).
	mostGrowthCm, mostYears = 10, 50
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
	case f.StemGrowthCm.Known && !(f.StemGrowthCm.Value >= 0 && f.StemGrowthCm.Value <= mostGrowthCm):
		return Weighing{}, fmt.Errorf("stem thickens by %g cm a year: must be 0 to %d", f.StemGrowthCm.Value, mostGrowthCm)
	case f.RootGrowthCm.Known && !(f.RootGrowthCm.Value >= 0 && f.RootGrowthCm.Value <= mostGrowthCm):
		return Weighing{}, fmt.Errorf("root thickens by %g cm a year: must be 0 to %d", f.RootGrowthCm.Value, mostGrowthCm)
	case f.Years.Known && !(f.Years.Value >= 0 && f.Years.Value <= mostYears):
		return Weighing{}, fmt.Errorf("%g years ahead: must be 0 to %d", f.Years.Value, mostYears)
	}
	for _, d := range f.OtherRootsCm {
		if !(d > 0 && d < 1000) {
			return Weighing{}, fmt.Errorf("another main root of %g cm: must be above 0 and below 1000", d)
		}
	}
	w := Weighing{Years: 10}
	take := func(r Reading, other float64, what string) float64 {
		if r.Known {
			return r.Value
		}
		w.Assumed = append(w.Assumed, what)
		return other
	}
	if f.Years.Known {
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
	w.Keep = Outcome{
		SectionNow: now, SectionLater: sectionLoss(arc, deeper/radiusLater),
		ArcNow: f.Share, ArcLater: arc, DepthNow: embedded / radius, DepthLater: deeper / radiusLater,
	}

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
		ArcNow: f.Share, ArcLater: f.Share, DepthNow: embedded / radius, DepthLater: embedded / radiusLater,
		RootsNow: share, RootsLater: share,
		AnchorLo: anchorLow * share, AnchorHi: anchorHigh * share,
	}
	if share > anchorTested {
		w.Cautions = append(w.Cautions, "more than half of the root system: beyond what was tested by pulling")
	}
	w.Cautions = append(w.Cautions,
		"what keeping costs later is an upper value, above all for a thin root, which may break or be grown over",
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
