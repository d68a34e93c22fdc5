package collar

import (
	"math"
	"strings"
	"testing"
)

// Half a disc: W_back/W0 .243 and W_cut/W0 .329 from (pi/8 - 8/(9 pi)) R^4 and
// 4R/(3 pi), any handbook of mechanics; a thinner disc: (r/R)^3.
func TestSectionLossClosedForms(t *testing.T) {
	inertia := math.Pi/8 - 8/(9*math.Pi)
	c := 4 / (3 * math.Pi)
	near(t, "half a disc", 1-sectionLoss(0.5, 1), min(inertia/(1-c), inertia/c)/(math.Pi/4), 1e-12)
	near(t, "half a disc, printed", 1-sectionLoss(0.5, 1), 0.243, 5e-4)
	near(t, "ring gone all round", sectionLoss(1, 0.3), 1-0.7*0.7*0.7, 1e-12)
	near(t, "nothing held", sectionLoss(0, 0.5), 0, 0)
	near(t, "no depth", sectionLoss(0.5, 0), 0, 0)
}

// Against the section summed up in small cells.
func TestSectionLossAgainstSummation(t *testing.T) {
	sum := func(share, depth float64) float64 {
		const n = 1200
		h, r := math.Pi*share, 1-depth
		var a, sx, xx, yy float64
		low, high, side := 0.0, 0.0, 0.0
		for i := range n {
			for j := range n {
				x, y := (float64(i)+0.5)*2/n-1, (float64(j)+0.5)*2/n-1
				d := math.Hypot(x, y)
				if d > 1 || d > r && math.Abs(math.Atan2(y, x)) < h {
					continue
				}
				a, sx, xx, yy = a+1, sx+x, xx+x*x, yy+y*y
				low, high, side = min(low, x), max(high, x), max(side, y)
			}
		}
		c := sx / a
		i, k := (xx-a*c*c)*4/n/n, yy*4/n/n
		return 1 - min(i/(high-c), i/(c-low), k/side)/(math.Pi/4)
	}
	for _, s := range []float64{0.1, 0.33, 0.5, 0.7, 0.9} {
		for _, d := range []float64{0.1, 0.3, 0.6} {
			near(t, "section", sectionLoss(s, d), sum(s, d), 0.006)
		}
	}
}

// (Near the middle of the stem it need not: taking away a far thin edge can
// raise the elastic section modulus.)
func TestSectionLossGrowsWithDepth(t *testing.T) {
	for share := 0.05; share <= 1; share += 0.05 {
		last := 0.0
		for depth := 0.02; depth < 0.8; depth += 0.02 {
			l := sectionLoss(share, depth)
			if !(l >= last-1e-9 && l <= 1) {
				t.Fatalf("share %.2f: loss %.4f at depth %.2f after %.4f", share, l, depth, last)
			}
			last = l
		}
	}
}

func TestShareDistribution(t *testing.T) {
	a := shareMean * sharePrecision
	near(t, "precision from Wells et al. 2006", sharePrecision, precision(), 0.005)
	near(t, "held in a tree of which nothing is known", event(shareMean), DefaultEvidence().Girdled(Signs{}).P, 0.005)
	all := 0.0
	for _, girdled := range []bool{true, false} {
		weight, share, depth := 0.0, 0.0, 0.0
		for _, h := range ShareDistribution(girdled) {
			if (h.Share >= HeldShare) != girdled || h.Share > 1 || !(h.Depth > 0 && h.Depth < 1) {
				t.Errorf("girdled %v: node %+v", girdled, h)
			}
			weight, share, depth = weight+h.Weight, share+h.Weight*h.Share, depth+h.Weight*h.Depth
		}
		near(t, "weights", weight, 1, 1e-12)
		if girdled {
			near(t, "depth", depth, girdledDepth, 1e-9)
			all += event(a/sharePrecision) * share
		} else {
			near(t, "depth", depth, freeDepth, 1e-9)
			all += (1 - event(a/sharePrecision)) * share
		}
	}
	near(t, "mean share over both", all, shareMean, 2e-4)
}

func TestCutOrKeep(t *testing.T) {
	f := Found{StemCm: 40, RootCm: 8, Share: 0.4, EmbeddedCm: Read(3), OtherRootsCm: []float64{16, 16, 8},
		StemGrowthCm: Read(1), RootGrowthCm: Read(0.2)}
	w, err := CutOrKeep(f)
	if err != nil {
		t.Fatal(err)
	}
	// By hand: 8^2 / (8^2 + 16^2 + 16^2 + 8^2) = 0.1; keep, in 10 years, lies
	// 3 + 5 + 0.5*2 = 9 cm deep in a radius of 25 cm; cut, 3 in 25.
	near(t, "roots lost", w.Cut.RootsNow, 0.1, 1e-12)
	near(t, "hold lost, high", w.Cut.AnchorHi, 0.1, 1e-12)
	near(t, "section, kept", w.Keep.SectionLater, sectionLoss(0.4, 9.0/25), 1e-12)
	near(t, "section, cut", w.Cut.SectionLater, sectionLoss(0.4, 3.0/25), 1e-12)
	if !(w.Keep.SectionLater > w.Keep.SectionNow && w.Cut.SectionLater < w.Cut.SectionNow && w.Keep.RootsLater == 0) {
		t.Errorf("%+v", w)
	}
	if len(w.Assumed) != 0 || !strings.Contains(w.String(), "certified arborist") {
		t.Errorf("assumed %q; %s", w.Assumed, w)
	}
	// Smiley 2008: half of the buttress roots cut, 30 % of the force lost.
	w, _ = CutOrKeep(Found{StemCm: 40, RootCm: 10, Share: 0.4, OtherRootsCm: []float64{10}})
	near(t, "half of the roots cut", w.Cut.AnchorLo, 0.30, 1e-12)
	if len(w.Assumed) != 3 {
		t.Errorf("assumed %q", w.Assumed)
	}
	for _, bad := range []Found{{}, {StemCm: 10, RootCm: 12}, {StemCm: 10, RootCm: 1, Share: 2}, {StemCm: 10, RootCm: 1, EmbeddedCm: Read(7)}, {StemCm: math.NaN(), RootCm: 1}} {
		if _, err := CutOrKeep(bad); err == nil {
			t.Errorf("no error for %+v", bad)
		}
	}
}
