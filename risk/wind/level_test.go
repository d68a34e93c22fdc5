package wind

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A load times k is a gust slower by k^(1/1.64), in one season above 5 m/s.
func TestLoadMovesTheGustByItsPower(t *testing.T) {
	c := midland()
	whole := c.Fail(maple(), 0.3, nil)
	for _, k := range []float64{0.25, 0.5, 2} {
		c.Load = k
		near(t, "gust", c.Fail(maple(), 0.3, nil).GustMS, whole.GustMS*math.Pow(k, -1/1.64), 0.02)
	}
	// And a climate of gusts stronger by the same breaks as many trees.
	c = midland()
	c.Load = 0.5
	slow := c.Fail(maple(), 0.3, nil)
	by := math.Pow(0.5, 1/1.64)
	near(t, "probability", slow.FailYr, NewClimate(Gumbel{24 * by, 3 * by}).Fail(maple(), 0.3, nil).FailYr, 2e-3*slow.FailYr)
}

// With the level uncertain, probabilities are means over three levels, each
// weighed by its chance to have left the tree standing; gusts are the middle's.
func TestUncertainLevelIsTheMeanOfThree(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	for range 100 {
		tree, c, p := randomTree(rng), randomClimate(rng), rng.Float64()
		c.Load, c.LoadSpread = 0.3+rng.Float64(), 0.5*rng.Float64()
		var sum, fail, sound float64
		var way [Bearings]float64
		for _, n := range []struct{ z, w float64 }{{-math.Sqrt(3), 1. / 6}, {0, 4. / 6}, {math.Sqrt(3), 1. / 6}} {
			at := c
			at.Load, at.LoadSpread = c.Load*math.Exp(n.z*c.LoadSpread), 0
			r := at.Fail(tree, p, nil)
			w := n.w * max(r.Stood, 1e-12)
			sum += w
			fail += w * r.FailYr
			sound += w * r.FailSoundYr
			for b := range way {
				way[b] += w * r.FailYr * r.ByBearing[b]
			}
		}
		r := c.Fail(tree, p, nil)
		checkResult(t, r, 0.05)
		near(t, "probability", r.FailYr, fail/sum, 1e-9)
		near(t, "sound", r.FailSoundYr, sound/sum, 1e-9)
		if fail > 1e-12 {
			for b := range way {
				near(t, "way", r.ByBearing[b], way[b]/fail, 1e-9)
			}
		}
		middle := c
		middle.LoadSpread = 0
		near(t, "gust", r.GustMS, middle.Fail(tree, p, nil).GustMS, 1e-9)
	}
	// A tree that stood thirty years in storms that would fell it at the high level
	// speaks against that level.
	c := midland()
	c.LoadSpread = 0.5
	tree := maple()
	tree.StoodYears = 0
	fresh := c.Fail(tree, 0, nil).FailYr
	tree.StoodYears = 30
	if stood := c.Fail(tree, 0, nil).FailYr; !(stood < fresh/2) {
		t.Errorf("%g after thirty years, %g before", stood, fresh)
	}
}

// The size of the stem multiplies the load by a power of the DBH over 40 cm, held
// between 15 cm and 1 m, and widens the spread the farther a stem is from 40 cm.
func TestSizeOfTheStemOnTheLoad(t *testing.T) {
	c := midland()
	c.Load, c.Size = 0.5, 0.6
	for _, x := range []struct{ dbhM, factor float64 }{
		{0.4, 1}, {0.2, math.Pow(0.5, 0.6)}, {0.8, math.Pow(2, 0.6)}, {0.05, math.Pow(0.15/0.4, 0.6)}, {2, math.Pow(2.5, 0.6)},
	} {
		near(t, "factor", c.SizeFactor(x.dbhM), x.factor, 1e-12)
		tree, at := maple(), c
		tree.DBHM = x.dbhM
		at.Size, at.Load = 0, 0.5*x.factor
		if got, want := c.Fail(tree, 0.3, nil), at.Fail(tree, 0.3, nil); math.Abs(got.FailYr-want.FailYr) > 1e-12 || math.Abs(got.GustMS-want.GustMS) > 1e-9 {
			t.Errorf("DBH %.2f: %g in %g m/s, at that load %g in %g m/s", x.dbhM, got.FailYr, got.GustMS, want.FailYr, want.GustMS)
		}
		near(t, "moment", c.Parts(tree).MomentNm(30), at.Parts(tree).MomentNm(30), 1e-9)
		bare, bareAt := c, at
		bare.InLeaf, bareAt.InLeaf = 0.3, 0.3
		near(t, "in both seasons", bare.Fail(tree, 0.3, nil).FailYr, bareAt.Fail(tree, 0.3, nil).FailYr, 1e-12)

		c, at := c, at
		c.LoadSpread, c.SizeSpread = 0.3, 0.25
		at.LoadSpread = math.Hypot(0.3, 0.25*math.Log(min(1, max(0.15, x.dbhM))/0.4))
		near(t, "spread", c.Fail(tree, 0.3, nil).FailYr, at.Fail(tree, 0.3, nil).FailYr, 1e-9)
	}
	// Without a power the figures are as they are, whatever the size.
	c.Size = 0
	near(t, "none", c.SizeFactor(0.15), 1, 0)
}

// At the level of the surveys the published facts hold as they do without it: a
// sound open-grown tree stands in an ordinary storm, and among the trees that fail
// girdled ones are far above their share (Johnson and Hauer: most of the lindens
// lost to storms broke at girdling roots).
func TestFactsHoldAtTheSurveyedLevel(t *testing.T) {
	storm := Climate{Gumbel: Gumbel{25, 0.05}, InLeaf: 1, Wet: 0.2, Load: SurveyedLoad, LoadSpread: SurveyedLoadSpread, Size: SurveyedSize, SizeSpread: SurveyedSizeSpread}.Prepare()
	year := NewClimate(Gumbel{24, 3})
	year.Load, year.LoadSpread = SurveyedLoad, SurveyedLoadSpread
	year.Size, year.SizeSpread = SurveyedSize, SurveyedSizeSpread
	severe := NewGirdling([]SectionNode{{0.5, 0.4, 1}, {0.7, 0.5, 1}, {0.9, 0.5, 1}})
	const share = 0.3
	var girdled, sound float64
	for d := 0.15; d < 0.81; d += 0.05 {
		tree := Tree{DBHM: d, HeightM: 4 + 20*d, CrownM: 3 + 14*d, CrownBaseM: 1 + 5*d, Wood: WoodOf("Tilia cordata", Broadleaf), ReachM: freeRose(), DepthM: 0.9}
		if p := storm.Fail(tree, 0, nil).FailYr; p > 0.02 { // 25 m/s: a storm by the Beaufort scale
			t.Errorf("DBH %.2f: a sound open-grown tree fails with %.4f in an ordinary storm", d, p)
		}
		tree.StoodYears = 20
		girdled += share * year.Fail(tree, 1, severe).FailYr
		sound += (1 - share) * year.Fail(tree, 0, severe).FailYr
	}
	among := girdled / (girdled + sound)
	t.Logf("girdled: %.2f of the standing, %.2f of those that fail", share, among)
	if odds := among / (1 - among) / (share / (1 - share)); odds < 3 {
		t.Errorf("girdled trees are %.2f of the failures and %.2f of the trees", among, share)
	}
}
