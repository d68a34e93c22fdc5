package wind

import "math"

// Tree is what the wind finds: all in SI units, nothing unknown.
type Tree struct {
	DBHM       float64 // 0.02 to 3
	HeightM    float64 // 1 to 110
	CrownM     float64 // spread, 0.2 to 60
	CrownBaseM float64 // height of the lowest living branches, below 0.9 of the height
	Kind       Kind
	Wood       Wood

	LeanDeg     float64 // from the vertical, 0 to 60
	LeanBearing float64 // degrees, where the top hangs; no matter when upright

	ReachM   [Bearings]float64 // free distance of roots from the stem; +Inf is free
	DepthM   float64           // rooting depth
	RootsCut bool              // a walk or kerb beside it was replaced
	// HoldLost is the part of the roots' resistance, in every direction, that is
	// lost to roots known to be cut, 0 to 0.95.
	HoldLost float64

	// StoodYears is for how many years it has stood, at about today's size and
	// with today's roots, in this climate. A tree that came through them is not
	// one of the weak ones of its kind; 0 gives no such credit. Held at 30. The
	// collar gets none of it: girdling grows.
	StoodYears float64
}

func (t Tree) held() Tree {
	t.DBHM = within(t.DBHM, 0.02, 3)
	t.HeightM = within(t.HeightM, 1, 110)
	t.CrownM = within(t.CrownM, 0.2, 60)
	t.CrownBaseM = within(t.CrownBaseM, 0, 0.9*t.HeightM)
	t.LeanDeg = within(t.LeanDeg, 0, maxLeanDeg)
	if !(math.Abs(t.LeanBearing) <= 1e6) {
		t.LeanBearing = 0
	}
	t.DepthM = within(t.DepthM, 0, 10)
	t.HoldLost = within(t.HoldLost, 0, 0.95)
	t.StoodYears = within(t.StoodYears, 0, 30)
	return t
}

// Climate is the wind of a place.
type Climate struct {
	Gumbel
	Terrain Terrain
	// InLeaf is the share of the strongest gusts of the years that come while
	// deciduous trees are in leaf.
	InLeaf float64
	// Wet is the share that finds the soil near saturation.
	Wet float64
	// From weighs the bearings that strong gusts come from. All zero: from
	// anywhere alike.
	From [Bearings]float64
	// Load multiplies the load of the wind-tunnel figures, and LoadSpread is the
	// standard deviation of its logarithm: what is not known of it, the same for
	// all trees and years. 0 stands for 1: the figures as they are.
	Load, LoadSpread float64
	// Size is the power of the DBH, over 40 cm, that the load is multiplied by too,
	// and SizeSpread the standard deviation of that power. 0 and 0 leave the figures
	// as they are.
	Size, SizeSpread float64

	ready *gusts
}

// load is the factor on the load, held between 0.02 and 10.
func (c *Climate) load() float64 {
	if c.Load > 0 {
		return within(c.Load, 0.02, 10)
	}
	return 1
}

// logSize is ln(DBH/40 cm). Beyond 15 cm and 1 m, where no survey looked, the
// size no longer counts.
func logSize(dbhM float64) float64 { return math.Log(within(dbhM, 0.15, 1) / 0.4) }

// SizeFactor is what the size of the stem multiplies the load by.
func (c *Climate) SizeFactor(dbhM float64) float64 {
	return math.Exp(within(c.Size, -3, 3) * logSize(dbhM))
}

// loadSpreadOf is the standard deviation of ln(load) that is common to all trees
// of a size and to all years: that of the level, and that of the size's power.
func (c *Climate) loadSpreadOf(dbhM float64) float64 {
	return within(math.Hypot(within(c.LoadSpread, 0, 2), within(c.SizeSpread, 0, 3)*logSize(dbhM)), 0, 2)
}

// NewClimate returns a climate in a built-up terrain with the defaults: all
// strongest gusts in leaf (thunderstorm country; the careful side elsewhere), a
// fifth of them on wet soil (setting, no source), from anywhere alike. Change the
// fields as the place needs, then Prepare.
func NewClimate(g Gumbel) Climate {
	return Climate{Gumbel: g, Terrain: BuiltUp, InLeaf: 1, Wet: 0.2}.Prepare()
}

// loadSpread is the standard deviation of ln(moment) of the load at a given gust:
// 0.25, a setting. Between the published hardwood coefficients (0.15 to 0.22)
// alone lies a standard deviation of about 0.15; the outline from an inventory's
// spread and height adds the rest.
const loadSpread = 0.25

// gusts is the yearly distribution of the strongest gust, tabled.
type gusts struct {
	of     Gumbel
	inLeaf float64
	perZ   int     // nodes over z
	logLo  float64 // ln of the lowest gust that counts
	perLog float64 // steps of the grid below to 1 of ln(v)
	below  float64 // probability below the lowest

	// A grid even in ln(v) to integrate over. It goes on without mass, for the
	// gusts that break a sound collar where a girdled one breaks at the top.
	halfMass [gustSteps + 1]float64 // half of the probability between v[j-1] and v[j]
	perMass  [gustSteps]float64     // 1 over that probability after v[j], or 0
	// What a cubic through four values of the grid, v[j-2] to v[j+1], integrates
	// to over the probability between v[j-1] and v[j].
	rule [gustSteps + 1][4]float64
	// P(gust > v), on the same grid, finer.
	exceed [gustSteps*finer + 1]float64
	// ln of the probability that a year passes without a gust above the middle of
	// step j, in and out of leaf, and all year.
	passes [2][gustSteps + 1]float64
	always [gustSteps + 1]float64
}

const (
	gustSteps = 24
	allSteps  = 60
	finer     = 32
)

// Prepare tables the gust distribution, so that Fail need not do so for every
// tree. The result may be shared by goroutines.
func (c Climate) Prepare() Climate {
	g := c.Gumbel.held()
	t := &gusts{of: c.Gumbel, inLeaf: within(c.InLeaf, 0, 1), perZ: nodesPerZ(g)}
	t.logLo = math.Log(math.Max(1, g.MuMS-3*g.BetaMS))
	// To the gust of once in three million years.
	step := (math.Log(g.MuMS+15*g.BetaMS) - t.logLo) / gustSteps
	t.perLog = 1 / step
	at := func(steps float64) float64 { return g.Exceedance(math.Exp(t.logLo + steps*step)) }
	t.below = 1 - at(0)
	passes := func(share, above float64) float64 { return math.Log1p(-math.Min(share*above, 1-1e-12)) }
	for j := range t.halfMass {
		above := 1.
		if j > 0 {
			t.halfMass[j] = (at(float64(j-1)) - at(float64(j))) / 2
			above = at(float64(j) - 0.5)
		}
		t.passes[0][j] = passes(t.inLeaf, above)
		t.passes[1][j] = passes(1-t.inLeaf, above)
		t.always[j] = passes(1, above)
	}
	for i := range t.exceed {
		t.exceed[i] = at(float64(i) / finer)
	}
	for j := 1; j <= gustSteps; j++ {
		// At the ends of the grid the four lie to one side.
		first := min(max(0, j-2), gustSteps-3)
		for i := range finer {
			m := t.exceed[(j-1)*finer+i] - t.exceed[(j-1)*finer+i+1]
			for k, part := range cubic(float64(j-1-first) + (float64(i)+0.5)/finer) {
				t.rule[j][k] += m * part
			}
		}
	}
	for j := range t.perMass {
		if m := t.exceed[j*finer] - t.exceed[(j+1)*finer]; m > 0 {
			t.perMass[j] = 1 / m
		}
	}
	c.ready = t
	return c
}

// above returns the yearly probability of a gust above the one at x steps of the
// grid.
func (t *gusts) above(x float64) float64 {
	x *= finer
	if !(x < gustSteps*finer) {
		return 0
	}
	if x <= 0 {
		return 1
	}
	i := int(x)
	return t.exceed[i] + (x-float64(i))*(t.exceed[i+1]-t.exceed[i])
}

// SectionNode is one state that the section of a girdled collar may be in.
type SectionNode struct {
	ShareOfCircumference float64 // girdled, 0 to 1
	DepthFraction        float64 // of the radius taken, 0 to 1
	Weight               float64 // relative probability
}

// DefaultSections is what "a third or more of the circumference girdled" is taken
// to mean for the section where nothing more is known: shares from a third to
// nine tenths, a root pressed a seventh to a half of the radius into the stem
// (setting, no source). Excavations should replace it.
func DefaultSections() []SectionNode {
	var nodes []SectionNode
	for _, s := range []struct{ share, w float64 }{{1. / 3, 0.3}, {0.5, 0.35}, {0.7, 0.2}, {0.9, 0.15}} {
		for _, d := range []struct{ depth, w float64 }{{0.15, 0.35}, {0.3, 0.4}, {0.5, 0.25}} {
			nodes = append(nodes, SectionNode{s.share, d.depth, s.w * d.w})
		}
	}
	return nodes
}

// Girdling is a distribution of girdled sections, worked out once and shared by
// all trees that have it.
type Girdling struct {
	left []part
	mean float64
	// breaks is the chance that a girdled collar breaks under a load, its logarithm
	// over that of the median sound strength in units of collarAlone, tabled from
	// breaksFrom up to 8.
	breaks     []float64
	breaksFrom float64
}

// part is a share w of the distribution in which the section modulus is
// exp(logLeft) of the sound one.
type part struct{ logLeft, w float64 }

// NewGirdling works out what is left of the section over the nodes and over the
// direction of the wind against the girdled side, which is not known. Nodes
// without a positive weight do not count; if none is left, DefaultSections.
func NewGirdling(nodes []SectionNode) *Girdling {
	// Trapezium over a quarter turn: the section modulus is symmetric about both
	// axes. Gathered in steps of 0.1 of ln(left), a quarter of the spread of stem
	// strength.
	quarter := [4]float64{1. / 6, 1. / 3, 1. / 3, 1. / 6}
	var w, wl [76]float64
	var sum, mean float64
	for _, n := range nodes {
		if !(n.Weight > 0) || n.Weight > 1e12 {
			continue
		}
		s := Section{RM: 1, Share: n.ShareOfCircumference, Depth: n.DepthFraction}
		for i, q := range quarter {
			left := within(s.Left(30*float64(i)), 1e-3, 1)
			bin := int(-10*math.Log(left) + 0.5)
			w[bin] += n.Weight * q
			wl[bin] += n.Weight * q * math.Log(left)
			sum += n.Weight * q
			mean += n.Weight * q * left
		}
	}
	if sum == 0 {
		return NewGirdling(DefaultSections())
	}
	g := &Girdling{mean: mean / sum}
	for i := range w {
		if w[i] > 0 {
			g.left = append(g.left, part{wl[i] / w[i], w[i] / sum})
		}
	}
	least := g.left[len(g.left)-1].logLeft
	g.breaksFrom = math.Floor(least/collarAlone) - 8
	g.breaks = make([]float64, int(8-g.breaksFrom)*perSpread+1)
	for i := range g.breaks {
		y := g.breaksFrom + float64(i)/perSpread
		for _, p := range g.left {
			g.breaks[i] += p.w * normalCDF(y-p.logLeft/collarAlone)
		}
	}
	return g
}

// MeanLeft returns the mean share of the section modulus that is left.
func (g *Girdling) MeanLeft() float64 { return g.mean }

// The load on collar and anchorage is the same load: its error is common to both
// ways of failing. z is the standard deviate of ln(anchorage/load); given z, the
// expected error of the load is known, and what is left is independent.
var (
	anchorAlone = math.Hypot(anchorSpread, loadSpread)
	collarAlone = math.Hypot(stemSpread, loadSpread)
	// Given z, ln(moment) is off by -loadShift*z on average.
	loadShift   = loadSpread * loadSpread / anchorAlone
	collarGiven = math.Sqrt(stemSpread*stemSpread + loadSpread*loadSpread - loadShift*loadShift)
)

func normalCDF(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// perSpread is how many entries the tables of distributions have a standard
// deviation.
const perSpread = 128

// normal is normalCDF tabled between -8 and 8; the error is below 5e-4 of the
// value in the tail and 4e-6 in the middle.
func normal(z float64) float64 {
	x := (z + 8) * perSpread
	if !(x > 0) {
		return 0
	}
	if x >= 16*perSpread {
		return 1
	}
	i := int(x)
	return normalTable[i] + (x-float64(i))*(normalTable[i+1]-normalTable[i])
}

var normalTable = func() (t [16*perSpread + 1]float64) {
	for i := range t {
		t[i] = normalCDF(float64(i)/perSpread - 8)
	}
	return t
}()

// Nodes over z, a trapezium rule from zLo to zHi; the last node, where hardly
// anything fails, carries all that is stronger. In climates of little spread a
// little more strength saves a tree, so that there the nodes lie closer. The
// collar, which z sways little, is worked out whole steps apart.
const (
	zLo, zHi  = -4.25, 2.75
	zWide     = int(zHi - zLo)
	zCoarsest = 2
	zFinest   = 8
	zMost     = zFinest*zWide + 1

	zRule = 0.8
)

// zWeights has, for so many nodes to 1, the normal weights, and those that multiply
// the odds of uprooting by cutOdds: with F the normal distribution,
// odds*F/(1+F*(odds-1)) has the density odds/(1+F*(odds-1))^2 times the normal one.
var zWeights = func() (w [zFinest + 1]struct{ whole, cut [zMost]float64 }) {
	for per := zCoarsest; per <= zFinest; per++ {
		last := per * zWide
		whole, cut := &w[per].whole, &w[per].cut
		whole[last], cut[last] = 1, 1
		for i := range last {
			z := zLo + float64(i)/float64(per)
			d := 1 + normalCDF(z)*(cutOdds-1)
			whole[i] = math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) / float64(per)
			cut[i] = whole[i] * cutOdds / (d * d)
			whole[last] -= whole[i]
			cut[last] -= cut[i]
		}
	}
	return w
}()

// zBlend has the weights of the four collars about a node: a cubic, and where the
// gusts of all years are alike a straight line between two. There a collar that
// stood is one thing on one side of a step and another beyond it, and a cubic
// swings to chances below none.
var zBlend = func() (w [zFinest + 1][zMost]blend) {
	for per := zCoarsest; per <= zFinest; per++ {
		for i := range per*zWide + 1 {
			first := min(max(0, i/per-1), zWide-3)
			x := float64(i)/float64(per) - float64(first)
			w[per][i] = blend{first, cubic(x)}
			if per == zFinest {
				w[per][i].part = straight(x)
			}
		}
	}
	return w
}()

type blend struct {
	first int
	part  [4]float64
}

// nodesPerZ says how fine the nodes must be. A z of 1 moves the gust that uproots
// by anchorAlone/n in ln(v), which changes its chance by a factor e for every
// beta/v of that. With more than zRule nodes to such a factor the rule is off by
// less than half a per cent, with 0.4 by more than ten (found with the test).
func nodesPerZ(g Gumbel) int {
	width := inLeaf.Exponent / anchorAlone * g.BetaMS / (g.MuMS + 3*g.BetaMS)
	return int(within(math.Ceil(zRule/width), zCoarsest, zFinest))
}

// Parts are the steps between a tree and its failure, for explaining.
type Parts struct {
	OutlineM2    float64 // crown seen from the side
	ArmM         float64 // lever of the load at the collar
	StreetFactor float64 // gust at the crown over the station's gust
	Drag         Drag    // in leaf, or evergreen
	// MomentNm1 is the moment at the collar in a station gust of 1 m/s by the
	// power law: M = MomentNm1 * V^Drag.Exponent (V above 5 m/s at the crown).
	MomentNm1 float64
	LeanNm    float64           // moment by the weight of the leaning crown
	StemNm    float64           // median resistance of the sound stem at the collar, lean taken off
	UprootNm  [Bearings]float64 // median resistance of the roots in moist soil, by fall bearing, lean taken off
	PlateM    float64           // radius of a full root plate
}

// MomentNm returns the median moment at the collar in a station gust.
func (p Parts) MomentNm(vMS float64) float64 {
	return p.MomentNm1 * math.Pow(within(vMS, 0, 200), p.Drag.Exponent)
}

// perMetre returns the moment of a power law at 1 m/s.
func perMetre(d Drag, areaM2, armM, factor float64) float64 {
	return 0.613 * d.Cd20 * math.Pow(20, 2-d.Exponent) * areaM2 * armM * math.Pow(factor, d.Exponent)
}

// Parts returns the steps for a tree, in leaf.
func (c Climate) Parts(t Tree) Parts {
	t = t.held()
	var p Parts
	p.OutlineM2, p.ArmM = Outline(t.Kind, t.HeightM, t.CrownM, t.CrownBaseM)
	p.StreetFactor = c.Terrain.StreetFactor(p.ArmM)
	p.Drag = DragOf(t.Kind, true)
	p.MomentNm1 = c.load() * c.SizeFactor(t.DBHM) * perMetre(p.Drag, p.OutlineM2, p.ArmM, p.StreetFactor)
	p.PlateM = PlateRadius(t.DBHM)
	p.UprootNm = UprootNm(t.DBHM, t.HeightM, t.DepthM, &t.ReachM)
	if t.HoldLost > 0 {
		for b := range p.UprootNm {
			p.UprootNm[b] *= 1 - t.HoldLost
		}
	}
	p.StemNm = StemNm(t.Wood, t.DBHM)
	if t.LeanDeg > 0 {
		// The wind has to supply less on the side the tree hangs to, more on the
		// other. The collar is taken as loaded by the whole of it whatever the
		// wind: the careful side.
		p.LeanNm = LeanMoment(t.DBHM, t.HeightM, t.LeanDeg)
		p.StemNm = math.Max(p.StemNm-p.LeanNm, minAnchored*p.StemNm)
		for b, m := range p.UprootNm {
			off := p.LeanNm * math.Cos((float64(b)*360/Bearings-t.LeanBearing)*math.Pi/180)
			p.UprootNm[b] = math.Max(m-off, minAnchored*m)
		}
	}
	return p
}

// Result is what the wind does to the base of a tree. Gusts are the station's
// (three seconds, 10 m, open ground), so that they can be set beside a forecast.
type Result struct {
	// GustMS is the gust from a direction drawn from the rose in which the base
	// fails with even odds, the tree being girdled with the probability given.
	// GustSoundMS and GustGirdledMS are those of the same tree with a sound and
	// with a girdled collar. Held between 3 and 150: at 150 nothing known fells it.
	GustMS, GustSoundMS, GustGirdledMS float64
	// WeakBearing is the most likely way to fall, degrees. AnyWay is set when no
	// way is more than 10 % likelier than the mean: then it says nothing.
	WeakBearing float64
	AnyWay      bool
	ByBearing   [Bearings]float64 // probability of each way, given that it falls; sums to 1
	FailYr      float64           // yearly probability that the base fails
	FailSoundYr float64           // that of the same tree, were its collar known to be sound
	UprootYr    float64           // the roots give way, whatever the collar would do
	CollarYr    float64           // the collar breaks, whatever the roots would do
	Decides     string            // "anchorage" or "collar section", the likelier of the two
	// Stood is how likely a tree of this description came through Tree.StoodYears.
	Stood float64
}

// What decides, in Result.Decides.
const (
	Anchorage     = "anchorage"
	CollarSection = "collar section"
)

// state is one combination of leaf and soil that the yearly gust may find.
type state struct {
	w, logK, n float64 // weight; ln of the moment at 1 m/s; exponent
	season     int
	logUproot  float64 // ln of the factor on anchorage
}

// Fail returns how likely the base of a tree gives way, by integrating over the
// strongest gust of the year and its direction, leaf and soil, the error of load,
// anchorage and stem strength, and the collar: sound, or with probability
// girdledP in one of the states of g (nil: DefaultSections).
//
// Strength and load of a tree stay what they are from year to year; only gust,
// leaf and soil are drawn anew. Hence the credit for years stood.
//
// Where the load is uncertain (LoadSpread, SizeSpread), probabilities are means
// over it, each level weighed by its chance to have left the tree standing; gusts
// are those of the middle.
//
// Against a dense integral of the same model the yearly probability is good to
// 0.5 %, CollarYr to 2 %, and gusts to 0.05 m/s; the test holds them to it.
func (c Climate) Fail(t Tree, girdledP float64, g *Girdling) Result {
	if c.ready == nil || c.ready.of != c.Gumbel || c.ready.inLeaf != within(c.InLeaf, 0, 1) {
		c = c.Prepare()
	}
	if g == nil {
		g = defaultGirdling
	}
	spread := c.loadSpreadOf(t.DBHM)
	var a base
	a.prepare(&c, t.held(), within(girdledP, 0, 1), g)
	r := a.at(0)
	a.gusts(&r, g)
	if spread == 0 {
		return r
	}
	out := r
	out.ByBearing = [Bearings]float64{}
	out.FailYr, out.FailSoundYr, out.UprootYr, out.CollarYr, out.Stood = 0, 0, 0, 0, 0
	var sum float64
	for k, n := range loadNodes {
		if k > 0 {
			level := Climate{Load: c.load() * math.Exp(n.z*spread)}
			r = a.at(math.Log(level.load() / c.load()))
		}
		w := n.w * math.Max(r.Stood, 1e-12) // none is ruled out whole
		sum += w
		out.Stood += n.w * r.Stood
		out.FailYr += w * r.FailYr
		out.FailSoundYr += w * r.FailSoundYr
		out.UprootYr += w * r.UprootYr
		out.CollarYr += w * r.CollarYr
		for b, p := range r.ByBearing {
			out.ByBearing[b] += w * r.FailYr * p
		}
	}
	out.FailYr, out.FailSoundYr = out.FailYr/sum, out.FailSoundYr/sum
	out.UprootYr, out.CollarYr = out.UprootYr/sum, out.CollarYr/sum
	out.decide()
	out.ways(&a.toward)
	return out
}

// loadNodes are the three points of a normal distribution that keep its mean,
// variance and kurtosis (Gauss-Hermite), the middle first.
var loadNodes = [...]struct{ z, w float64 }{{0, 2. / 3}, {math.Sqrt(3), 1. / 6}, {-math.Sqrt(3), 1. / 6}}

func (r *Result) decide() {
	r.Decides = Anchorage
	if r.CollarYr > r.UprootYr {
		r.Decides = CollarSection
	}
}

// base is the base of a tree, for any level of the load.
type base struct {
	t      *gusts
	all    [4]state // at the middle load
	count  int      // of them
	toward [Bearings]float64
	roots  rootGroups

	logStem, girdledP, stoodYears float64
	cut                           bool // its roots
	whole                         *[zMost]float64
	collars                       [2]collar // by season
}

func (a *base) prepare(c *Climate, t Tree, girdledP float64, g *Girdling) {
	p := c.Parts(t)
	a.t, a.toward = c.ready, c.toward()
	a.all, a.count = c.states(t, p)
	a.roots = gather(&p.UprootNm, &a.toward, c.ready.perZ < zFinest)
	a.logStem, a.girdledP, a.stoodYears, a.cut = math.Log(p.StemNm), girdledP, t.StoodYears, t.RootsCut
	a.whole = &zWeights[c.ready.perZ].whole
	if t.RootsCut {
		a.whole = &zWeights[c.ready.perZ].cut
	}
	states := a.all[:a.count]
	for s := range states {
		if st := &states[s]; begins(states, s) {
			passes := &c.ready.passes[st.season]
			if states[0].season == states[a.count-1].season {
				passes = &c.ready.always
			}
			a.collars[st.season].prepare(c.ready, passes, t.StoodYears, st, g, girdledP)
		}
	}
}

// begins tells whether state s is the first of its season.
func begins(states []state, s int) bool { return s == 0 || states[s].season != states[s-1].season }

// at is Fail at one level of the load, but for the gusts; logLoad is ln of the
// load over that in the middle.
func (a *base) at(logLoad float64) Result {
	t, roots, states := a.t, &a.roots, a.all[:a.count]
	n := roots.n
	// Gust that uproots at each node of the roots in state s at z = 0, and by how
	// much a z of 1 raises it, in steps of the grid.
	var uproots [4][rootNodes]float64
	var stronger [4]float64
	for s := range states {
		st := &states[s]
		perMoment := t.perLog / st.n
		stronger[s] = anchorAlone * perMoment
		from := (st.logUproot-st.logK-logLoad)*perMoment - t.logLo*t.perLog
		for k, m := range roots.logNm[:n] {
			uproots[s][k] = m*perMoment + from
		}
	}

	// Weights of z after the years stood, by the roots alone.
	per := t.perZ
	nodes := per*zWide + 1
	var weights, uprooted [zMost]float64
	var least float64 // of the probability that comes out
	for i := range nodes {
		z := zLo + float64(i)/float64(per)
		var all float64
		for s := range states {
			var sum float64
			x := uproots[s][:n]
			w := roots.weight[:len(x)]
			for k := range x {
				sum += w[k] * t.above(x[k]+stronger[s]*z)
			}
			all += states[s].w * sum
		}
		all = within(all, 0, 1)
		weights[i] = a.whole[i] * passed(all, a.stoodYears)
		uprooted[i] = all
		least += weights[i] * all
	}

	for s := range states {
		if st := &states[s]; begins(states, s) {
			a.collars[st.season].load(st.logK + logLoad - a.logStem)
		}
	}
	var (
		r      Result
		posted float64
		falls  [rootNodes]float64 // by node of the roots
		sound  [rootNodes]float64 // the same, were the collar sound
	)
	for i, w := range weights[:nodes] {
		if w < 1e-5*least {
			continue // hardly any such tree is left standing
		}
		z := zLo + float64(i)/float64(per)
		var breaks float64
		var known, asSound [2]*brokenBy // by season
		for s := range states {
			st := &states[s]
			if begins(states, s) {
				// The steps of the grid that are asked for below.
				from, to := math.Inf(1), math.Inf(-1)
				for o := s; o < len(states) && states[o].season == st.season; o++ {
					from, to = min(from, uproots[o][0]+stronger[o]*z), max(to, uproots[o][n-1]+stronger[o]*z)
				}
				var stood float64
				known[st.season], asSound[st.season], stood = a.collars[st.season].at(t, &zBlend[per][i], from, to)
				w *= stood
			}
			breaks += st.w * known[st.season].sum[gustSteps]
		}
		posted += w
		r.UprootYr += w * uprooted[i]
		r.CollarYr += w * breaks
		for s := range states {
			st := &states[s]
			known, asSound := known[st.season], asSound[st.season]
			ws, further := w*st.w, stronger[s]*z
			x := uproots[s][:n]
			falls, sound := falls[:len(x)], sound[:len(x)]
			k := 0
			for ; k < len(x) && !(x[k]+further > 0); k++ { // uprooted by any gust
				falls[k] += ws
				sound[k] += ws
			}
			for ; k < len(x); k++ {
				at := x[k] + further
				if !(at < gustSteps) {
					break
				}
				up := t.above(at)
				// Broken before it is uprooted.
				j := int(at)
				below := (t.exceed[j*finer] - up) * t.perMass[j]
				// Held, as a cubic through collars may swing past them.
				f := asSound.below(j, below)
				if !(f > 0) {
					f = 0
				}
				sound[k] += ws * (up + f)
				if known := known.below(j, below); known > f {
					f = known
				}
				falls[k] += ws * (up + f)
			}
			if k < len(x) { // uprooted by none
				f := max(0, asSound.below(gustSteps-1, 1))
				with := ws * max(f, known.below(gustSteps-1, 1))
				for ; k < len(x); k++ {
					falls[k] += with
					sound[k] += ws * f
				}
			}
		}
	}
	var total float64
	for k, f := range falls[:n] {
		total += roots.weight[k] * f
		r.FailSoundYr += roots.weight[k] * sound[k]
	}
	if posted > 0 {
		total, r.FailSoundYr = total/posted, r.FailSoundYr/posted
		r.UprootYr, r.CollarYr = r.UprootYr/posted, r.CollarYr/posted
	}
	r.FailYr, r.FailSoundYr = within(total, 0, 1), within(r.FailSoundYr, 0, 1)
	r.UprootYr, r.CollarYr = within(r.UprootYr, 0, 1), within(r.CollarYr, 0, 1)
	r.Stood = posted
	r.decide()
	r.ByBearing = roots.byBearing(&falls, &a.toward)
	r.ways(&a.toward)
	return r
}

// gusts fills in the gusts of even odds, at the middle load.
func (a *base) gusts(r *Result, g *Girdling) {
	e := evenOdds{states: a.all[:a.count], roots: &a.roots, logStem: a.logStem, cut: a.cut, g: g}
	r.GustSoundMS = e.gust(0)
	r.GustGirdledMS, r.GustMS = r.GustSoundMS, r.GustSoundMS
	if r.GustSoundMS > minGustMS {
		r.GustGirdledMS = e.gust(1)
		r.GustMS = r.GustSoundMS
		if a.girdledP > 0 {
			r.GustMS = e.gust(a.girdledP)
		}
	}
}

// passed returns the chance that so many years go by without what has the
// probability p in each, good to 1e-8 of it.
func passed(p, years float64) float64 {
	x := p * years
	switch {
	case x < 1e-4:
		return 1 - x
	case p < 0.01 && x < decayTo:
		return decay(x * (1 + p*(1./2+p*(1./3+p/4)))) // years times -ln(1-p)
	}
	return math.Exp(years * math.Log1p(-min(p, 1-1e-12)))
}

// decay is exp(-x) by a table and a series, for x from 0 to a little over decayTo:
// the library's takes six times as long, a fiftieth of the whole program.
func decay(x float64) float64 {
	k := int(x * decaySteps)
	r := x - float64(k)*(1./decaySteps)
	return decays[k] * (1 - r*(1-r/2*(1-r/3*(1-r/4*(1-r/5)))))
}

const decayTo, decaySteps = 30, 8

var decays = func() (t [(decayTo + 2) * decaySteps]float64) {
	for k := range t {
		t[k] = math.Exp(-float64(k) / decaySteps)
	}
	return
}()

var defaultGirdling = NewGirdling(DefaultSections())

var logWet = math.Log(wetFactor)

// states lists what the gust may find, seasons in order.
func (c Climate) states(t Tree, p Parts) (s [4]state, count int) {
	leaf, wet := within(c.InLeaf, 0, 1), within(c.Wet, 0, 1)
	if t.Kind != Broadleaf {
		leaf = 1
	}
	add := func(w float64, logK, n float64, season int) {
		for _, soil := range [2]struct{ w, log float64 }{{1 - wet, 0}, {wet, logWet}} {
			if w*soil.w > 0 {
				s[count] = state{w * soil.w, logK, n, season, soil.log}
				count++
			}
		}
	}
	if leaf > 0 {
		add(leaf, math.Log(p.MomentNm1), p.Drag.Exponent, 0)
	}
	if leaf < 1 {
		d := DragOf(t.Kind, false)
		add(1-leaf, math.Log(c.load()*c.SizeFactor(t.DBHM)*perMetre(d, p.OutlineM2, p.ArmM, p.StreetFactor)), d.Exponent, 1)
	}
	return s, count
}

// toward returns the probability of each fall bearing that the gusts' rose gives.
func (c *Climate) toward() (w [Bearings]float64) {
	var sum float64
	for b, f := range c.From {
		f = within(f, 0, 1e9)
		w[(b+Bearings/2)%Bearings] = f
		sum += f
	}
	if sum > 0 {
		sum = 1 / sum
	}
	for b := range w {
		if sum > 0 {
			w[b] *= sum
		} else {
			w[b] = 1. / Bearings
		}
	}
	return w
}

// rootGroups gathers the bearings on nodes even in ln(resistance): what is summed
// over bearings is summed over the nodes instead, each bearing shared out to the
// four about it by a cubic, so that any smooth function comes out as if it had
// been asked at the bearing itself. Where the gusts of all years are alike, so that
// uprooting is a step and not smooth, it is shared out to two.
type rootGroups struct {
	n      int
	logNm  [rootNodes]float64
	weight [rootNodes]float64 // sums to 1
	first  [Bearings]int      // of four nodes, or the only one
	part   [Bearings][4]float64
}

const (
	rootNodes = 40
	rootStep  = 0.08 // of ln(resistance), a sixth of its spread
)

func gather(uprootNm, toward *[Bearings]float64, smooth bool) (r rootGroups) {
	least, most := math.Inf(1), 0.
	for b, m := range uprootNm {
		if toward[b] > 0 {
			least, most = min(least, m), max(most, m)
		}
	}
	r.logNm[0] = math.Log(least)
	if most <= least*(1+1e-9) {
		r.n, r.weight[0] = 1, 1
		return r
	}
	// A side that holds twenty times the weakest is never the one to give way.
	const farthest = rootNodes - 1.001
	scale := 1 / rootStep
	r.n = min(rootNodes, max(4, 2+int(math.Log(most/least)*scale)))
	for k := range r.logNm[:r.n] {
		r.logNm[k] = r.logNm[0] + rootStep*float64(k)
	}
	last, x := 0., 0.
	for b, m := range uprootNm {
		if toward[b] == 0 {
			continue
		}
		if m != last {
			last, x = m, math.Min(math.Log(m/least)*scale, farthest)
		}
		k := max(0, min(int(x)-1, r.n-4))
		r.first[b] = k
		if smooth {
			r.part[b] = cubic(x - float64(k))
		} else {
			r.part[b] = straight(x - float64(k))
		}
		for i, part := range r.part[b] {
			r.weight[k+i] += toward[b] * part
		}
	}
	return r
}

// cubic returns the weights of the values at 0, 1, 2 and 3 in the cubic through
// them, at x.
func cubic(x float64) [4]float64 {
	a, b, c := x-1, x-2, x-3
	return [4]float64{-a * b * c / 6, x * b * c / 2, -x * a * c / 2, x * a * b / 6}
}

// straight returns those of the line between the two about x, from 0 to 3.
func straight(x float64) (w [4]float64) {
	i := min(int(x), 2)
	w[i+1] = x - float64(i)
	w[i] = 1 - w[i+1]
	return w
}

// byBearing takes a function at the nodes back to the bearings, each weighed by
// its share of the gusts.
func (r *rootGroups) byBearing(f *[rootNodes]float64, toward *[Bearings]float64) (at [Bearings]float64) {
	for b, w := range toward {
		if r.n == 1 {
			at[b] = w * f[0]
			continue
		}
		if w == 0 {
			continue
		}
		v, p := f[r.first[b]:][:4], &r.part[b]
		if at[b] = w * (p[0]*v[0] + p[1]*v[1] + p[2]*v[2] + p[3]*v[3]); at[b] < 0 {
			at[b] = 0
		}
	}
	return at
}

// brokenBy is how likely the strongest gust of a year breaks the collar and is
// below v[j]; bend is half of how much that grows faster at the end of the step
// after v[j] than at its start.
type brokenBy struct {
	sum  [gustSteps + 1]float64
	bend [gustSteps + 1]float64
}

// below returns it for a gust in step j above so much of the step's probability.
func (b *brokenBy) below(j int, part float64) float64 {
	return b.sum[j] + part*(b.sum[j+1]-b.sum[j]-(1-part)*b.bend[j])
}

// collarAt is a collar given z: as known, and were it sound, and the chance that
// it came through the years.
type collarAt struct {
	known, sound brokenBy
	stood        float64
}

// collar is what is known of a tree's collar in one season.
type collar struct {
	mixed collarAt // between them, as last asked for

	// The collars whole steps of z apart, once worked out.
	nodes [zWide + 1]collarAt
	done  [zWide + 1]bool

	n, shift float64 // ln(moment over strength) at 1 m/s, z = 0
	girdledP float64
	survives [gustSteps + 1]float64 // chance to come through the years, by strength
	need     int                    // steps of the grid that are looked at
	taps     [allSteps - gustSteps + 4]tap
	tapped   int    // how many count
	far      []part // girdled so deeply that no gust of the grid has tried it
}

// tap is a share w of girdled collars that break where a sound one breaks in a
// gust by so many steps stronger.
type tap struct {
	steps int
	w     float64
}

// tapStep is about how far apart in ln(strength) the taps lie: half of the spread
// of a stem's strength.
const tapStep = 0.2

func (c *collar) prepare(t *gusts, passes *[gustSteps + 1]float64, years float64, st *state, g *Girdling, girdledP float64) {
	c.n, c.girdledP, c.need = st.n, girdledP, gustSteps
	for j := range c.survives {
		x := years * passes[j]
		if x > -1e-5 {
			c.survives[j] = 1 + x
		} else {
			c.survives[j] = math.Exp(x)
		}
	}
	if girdledP == 0 {
		return
	}
	// Parts are shared out to taps at whole steps, each to the four about it.
	perMoment := t.perLog / c.n
	every := max(1, int(tapStep*perMoment))
	last := (allSteps-gustSteps-1)/every - 1 // the last tap but one
	if last < 2 {
		c.far = g.left
		return
	}
	var w [allSteps - gustSteps + 4]float64
	top := 0
	for i, p := range g.left {
		x := -p.logLeft * perMoment / float64(every)
		if x > float64(last) {
			c.far = g.left[i:]
			break
		}
		k := max(0, int(x)-1)
		for d, part := range cubic(x - float64(k)) {
			w[k+d] += p.w * part
		}
		top = max(top, k+4)
	}
	for k, w := range w[:top] {
		if w != 0 {
			c.taps[c.tapped] = tap{k * every, w}
			c.tapped++
			c.need = gustSteps + k*every
		}
	}
	if c.tapped > 0 {
		for k := c.tapped; k%4 != 0; k++ {
			c.taps[k] = tap{c.taps[c.tapped-1].steps, 0}
		}
	}
}

// load sets ln(moment over strength) at 1 m/s, z = 0.
func (c *collar) load(shift float64) {
	c.shift = shift
	c.done = [zWide + 1]bool{}
}

// at returns the collar at a node over z, as known and were it sound, as far as it
// is asked for, and the chance that a sound one came through the years. Asked for
// are the whole of the gusts, and the steps of the grid from the place from to the
// place to.
func (c *collar) at(t *gusts, b *blend, from, to float64) (known, sound *brokenBy, stood float64) {
	for k, part := range b.part {
		if part != 0 && !c.done[b.first+k] {
			c.done[b.first+k] = true
			c.nodes[b.first+k].fill(c, t, c.shift-loadShift*(zLo+float64(b.first+k)))
		}
	}
	now := &c.mixed
	four := c.nodes[b.first:][:4]
	for k, part := range b.part {
		if part == 1 {
			now = &four[k]
		}
	}
	known, sound = &now.known, &now.sound
	if c.girdledP == 0 {
		known = sound
	}
	if now != &c.mixed {
		return known, sound, now.stood
	}
	lo := int(within(from, 0, gustSteps-1))
	hi := int(within(to, 0, gustSteps-1)) + 1
	p := &b.part
	mix := func(into, a, b, c, d *brokenBy) {
		for j := lo; j <= hi; j++ {
			into.sum[j] = p[0]*a.sum[j] + p[1]*b.sum[j] + p[2]*c.sum[j] + p[3]*d.sum[j]
			into.bend[j] = p[0]*a.bend[j] + p[1]*b.bend[j] + p[2]*c.bend[j] + p[3]*d.bend[j]
		}
		const j = gustSteps
		into.sum[j] = p[0]*a.sum[j] + p[1]*b.sum[j] + p[2]*c.sum[j] + p[3]*d.sum[j]
	}
	w, x, y, z := &four[0], &four[1], &four[2], &four[3]
	mix(&now.sound, &w.sound, &x.sound, &y.sound, &z.sound)
	if c.girdledP != 0 {
		mix(&now.known, &w.known, &x.known, &y.known, &z.known)
	}
	return known, sound, within(p[0]*w.stood+p[1]*x.stood+p[2]*y.stood+p[3]*z.stood, leastStood, 1)
}

// leastStood is the chance to have stood below which the record, or its size, is
// not believed.
const leastStood = 1e-9

// fill computes the collar for a load over its strength, ln at 1 m/s.
func (a *collarAt) fill(c *collar, t *gusts, shift float64) {
	// Chance that the sound collar breaks at v[j], as known now: that before the
	// years stood, each strength weighed by its chance to come through.
	y, step := (shift+c.n*t.logLo)/collarGiven, c.n/t.perLog/collarGiven
	const nothing = -7
	from := 0 // where it begins to break
	if y < nothing {
		from = int(math.Min(math.Ceil((nothing-y)/step), allSteps))
	}
	a.stood = 1
	if from > c.need && len(c.far) == 0 {
		*a = collarAt{stood: 1}
		return
	}
	var sound [allSteps + 1]float64
	var last, sum float64
	for j := from; j <= gustSteps; j++ {
		f := normal(y + float64(j)*step)
		sum += (f - last) * c.survives[j]
		sound[j], last = sum, f
	}
	for j := max(from, gustSteps+1); j <= c.need; j++ {
		f := normal(y + float64(j)*step)
		sum += f - last
		sound[j], last = sum, f
	}
	a.stood = sum + 1 - last
	if a.stood < leastStood {
		// It can hardly have stood.
		for j := from; j <= c.need; j++ {
			sound[j] = normal(y + float64(j)*step)
		}
		a.stood = leastStood
	} else if a.stood != 1 {
		scale := 1 / a.stood
		for j := from; j <= c.need; j++ {
			if sound[j] *= scale; sound[j] > 1 { // by rounding
				sound[j] = 1
			}
		}
	}
	t.overGusts(&a.sound, (*[gustSteps + 1]float64)(sound[:]))
	if c.girdledP == 0 {
		return
	}
	var breaks [gustSteps + 1]float64
	// Four taps at a time; those after the last have no weight.
	for k := 0; k < c.tapped; k += 4 {
		a, b, d, e := c.taps[k], c.taps[k+1], c.taps[k+2], c.taps[k+3]
		at := max(0, from-e.steps)
		if at > gustSteps {
			continue
		}
		into := breaks[at:]
		u, v, x, y := sound[at+a.steps:][:len(into)], sound[at+b.steps:][:len(into)], sound[at+d.steps:][:len(into)], sound[at+e.steps:][:len(into)]
		for j := range into {
			into[j] += a.w*u[j] + b.w*v[j] + d.w*x[j] + e.w*y[j]
		}
	}
	for _, p := range c.far {
		beyond := p.logLeft/collarGiven - y
		for j := range breaks {
			f := normal(float64(j)*step-beyond) - normal(y+gustSteps*step)
			breaks[j] += p.w * math.Min(1, sound[gustSteps]+f/a.stood)
		}
	}
	for j, f := range breaks {
		s := sound[j]
		if f < s { // by rounding, or the cubic
			f = s
		} else if f > 1 {
			f = 1
		}
		breaks[j] = f - s
	}
	t.overGusts(&a.known, &breaks)
	for j := range a.known.sum {
		a.known.sum[j] = a.sound.sum[j] + c.girdledP*a.known.sum[j]
		a.known.bend[j] = a.sound.bend[j] + c.girdledP*a.known.bend[j]
	}
}

// overGusts sums the chance of breaking at v[j] over the strongest gust of a year.
func (t *gusts) overGusts(by *brokenBy, breaks *[gustSteps + 1]float64) {
	total := breaks[0] * t.below
	by.sum[0] = total
	a, b, c, d := breaks[0], breaks[1], breaks[2], breaks[3]
	for j := 1; j <= gustSteps; j++ {
		if j > 2 && j < gustSteps { // the four about the step; at the ends they lie to one side
			a, b, c, d = b, c, d, breaks[j+1]
		}
		r := &t.rule[j]
		more := r[0]*a + r[1]*b + r[2]*c + r[3]*d
		if !(more > 0) {
			more = 0
		}
		total += more
		by.sum[j] = total
		// Held so that the sum never falls within the step.
		bend := (breaks[j] - breaks[j-1]) * t.halfMass[j]
		if bend > more {
			bend = more
		} else if bend < -more {
			bend = -more
		}
		by.bend[j-1] = bend
	}
}

// ways turns the sums by bearing into probabilities and names the likeliest.
func (r *Result) ways(toward *[Bearings]float64) {
	var sum float64
	for _, f := range r.ByBearing {
		sum += f
	}
	if !(sum > 1e-300) {
		r.ByBearing, sum = *toward, 1
	}
	top := 0
	for b := range r.ByBearing {
		r.ByBearing[b] /= sum
		if r.ByBearing[b] > r.ByBearing[top]*(1+1e-9) {
			top = b
		}
	}
	r.WeakBearing = float64(top) * 360 / Bearings
	r.AnyWay = r.ByBearing[top] < 1.1/Bearings
}

// evenOdds finds the gust in which the base fails with probability one half.
type evenOdds struct {
	states  []state
	roots   *rootGroups
	logStem float64
	cut     bool
	g       *Girdling
}

// fails returns the probability that the base fails in a gust.
func (e *evenOdds) fails(logV, girdledP float64) float64 {
	var sum float64
	for i := range e.states {
		s := &e.states[i]
		x := s.logK + s.n*logV
		y := (x - e.logStem) / collarAlone
		collar := (1-girdledP)*normal(y) + girdledP*e.g.breaksAt(y)
		x -= s.logUproot
		var roots float64
		for k, w := range e.roots.weight[:e.roots.n] {
			f := normal((x - e.roots.logNm[k]) / anchorAlone)
			if e.cut {
				f *= cutOdds / (1 + f*(cutOdds-1))
			}
			roots += w * f
		}
		sum += s.w * (1 - (1-collar)*(1-roots))
	}
	return sum
}

// breaksAt is the table, read between its entries.
func (g *Girdling) breaksAt(y float64) float64 {
	x := (y - g.breaksFrom) * perSpread
	if !(x > 0) {
		return 0
	}
	i := int(math.Min(x, 1e6))
	if i+1 >= len(g.breaks) {
		return 1
	}
	return g.breaks[i] + (x-float64(i))*(g.breaks[i+1]-g.breaks[i])
}

// gust returns it, held between minGustMS and maxGustMS.
func (e *evenOdds) gust(girdledP float64) float64 {
	// From where the weakest roots would give way at their median, outward.
	st := &e.states[0]
	x := within((math.Min(e.roots.logNm[0], e.logStem)-st.logK)/st.n, logMinGust+0.01, logMaxGust-0.01)
	f := e.fails(x, girdledP) - 0.5
	lo, hi, fLo, fHi := x, x, f, f
	for step := 0.2; fLo > 0; step *= 2 {
		if lo == logMinGust {
			return minGustMS
		}
		hi, fHi = lo, fLo
		lo = math.Max(logMinGust, lo-step)
		fLo = e.fails(lo, girdledP) - 0.5
	}
	for step := 0.2; fHi < 0; step *= 2 {
		if hi == logMaxGust {
			return maxGustMS
		}
		lo, fLo = hi, fHi
		hi = math.Min(logMaxGust, hi+step)
		fHi = e.fails(hi, girdledP) - 0.5
	}
	// False position, the end that stays weighed down (Illinois).
	side := 0
	for range 60 {
		if hi-lo < 1e-5 {
			break
		}
		if fHi == fLo {
			x = (lo + hi) / 2
		} else {
			x = within(lo-fLo*(hi-lo)/(fHi-fLo), lo, hi)
		}
		f = e.fails(x, girdledP) - 0.5
		switch {
		case math.Abs(f) < 5e-5:
			return math.Exp(x)
		case f < 0:
			lo, fLo = x, f
			if side < 0 {
				fHi /= 2
			}
			side = -1
		default:
			hi, fHi = x, f
			if side > 0 {
				fLo /= 2
			}
			side = 1
		}
	}
	return math.Exp((lo + hi) / 2)
}

const minGustMS, maxGustMS = 3, 150

var logMinGust, logMaxGust = math.Log(minGustMS), math.Log(maxGustMS)
