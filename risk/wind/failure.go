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

	ready *gusts
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
	logLo  float64 // ln of the lowest gust that counts
	perLog float64 // steps of the grid below to 1 of ln(v)
	below  float64 // probability below the lowest

	// A grid even in ln(v) to integrate over. It goes on without mass, for the
	// gusts that break a sound collar where a girdled one breaks at the top.
	logV    [allSteps + 1]float64
	mass    [gustSteps + 1]float64 // probability between logV[j-1] and logV[j]
	between [gustSteps + 1]float64 // P(gust > v) in the middle of that step
	perMass [gustSteps]float64     // 1/mass[j+1], or 0
	// P(gust > v), on the same grid, finer.
	exceed [gustSteps*finer + 1]float64
}

const (
	gustSteps = 48
	allSteps  = 112
	finer     = 64
)

// Prepare tables the gust distribution, so that Fail need not do so for every
// tree. The result may be shared by goroutines.
func (c Climate) Prepare() Climate {
	g := c.Gumbel.held()
	t := &gusts{of: c.Gumbel}
	t.logLo = math.Log(math.Max(1, g.MuMS-3*g.BetaMS))
	// To the gust of once in three million years.
	step := (math.Log(g.MuMS+15*g.BetaMS) - t.logLo) / gustSteps
	t.perLog = 1 / step
	at := func(steps float64) float64 { return g.Exceedance(math.Exp(t.logLo + steps*step)) }
	t.below = 1 - at(0)
	for j := range t.logV {
		t.logV[j] = t.logLo + float64(j)*step
	}
	for j := 1; j <= gustSteps; j++ {
		t.mass[j] = at(float64(j-1)) - at(float64(j))
		t.between[j] = at(float64(j) - 0.5)
	}
	for i := range t.exceed {
		t.exceed[i] = at(float64(i) / finer)
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
	most float64 // largest -logLeft
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
			g.most = math.Max(g.most, -wl[i]/w[i])
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

// normal is normalCDF tabled between -8 and 8; the error is below 2e-4 of the
// value in the tail and 1e-6 in the middle.
func normal(z float64) float64 {
	x := (z + 8) * 256
	if !(x > 0) {
		return 0
	}
	if x >= 4096 {
		return 1
	}
	i := int(x)
	return normalTable[i] + (x-float64(i))*(normalTable[i+1]-normalTable[i])
}

var normalTable = func() (t [4097]float64) {
	for i := range t {
		t[i] = normalCDF(float64(i)/256 - 8)
	}
	return t
}()

// Nodes over z, a trapezium rule from -4.25 in steps of 0.5; the last node, where
// hardly anything fails, carries all that is stronger. zWhole has the normal
// weights, zCut those that multiply the odds of uprooting by cutOdds: with F the
// normal distribution, odds*F/(1+F*(odds-1)) has the density
// odds/(1+F*(odds-1))^2 times the normal one.
const (
	zNodes = 15
	zStep  = 0.5
)

var zAt, zWhole, zCut = func() (z, whole, cut [zNodes]float64) {
	whole[zNodes-1], cut[zNodes-1] = 1, 1
	for i := range z {
		z[i] = -4.25 + zStep*float64(i)
		if i == zNodes-1 {
			break
		}
		whole[i] = zStep * math.Exp(-z[i]*z[i]/2) / math.Sqrt(2*math.Pi)
		d := 1 + normalCDF(z[i])*(cutOdds-1)
		cut[i] = whole[i] * cutOdds / (d * d)
		whole[zNodes-1] -= whole[i]
		cut[zNodes-1] -= cut[i]
	}
	return z, whole, cut
}()

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
	p.MomentNm1 = perMetre(p.Drag, p.OutlineM2, p.ArmM, p.StreetFactor)
	p.PlateM = PlateRadius(t.DBHM)
	p.UprootNm = UprootNm(t.DBHM, t.HeightM, t.DepthM, &t.ReachM)
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
	// way is more than 2 % likelier than the mean: then it says nothing.
	WeakBearing float64
	AnyWay      bool
	ByBearing   [Bearings]float64 // probability of each way, given that it falls; sums to 1
	FailYr      float64           // yearly probability that the base fails
	FailSoundYr float64           // that of the same tree, were its collar known to be sound
	UprootYr    float64           // the roots give way, whatever the collar would do
	CollarYr    float64           // the collar breaks, whatever the roots would do
	Decides     string            // "anchorage" or "collar section", the likelier of the two
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
	seasonW    float64 // weight of the season
	logUproot  float64 // ln of the factor on anchorage
}

// Fail returns how likely the base of a tree gives way, by integrating over the
// strongest gust of the year and its direction, leaf and soil, the error of load,
// anchorage and stem strength, and the collar: sound, or with probability
// girdledP in one of the states of g (nil: DefaultSections).
//
// Strength and load of a tree stay what they are from year to year; only gust,
// leaf and soil are drawn anew. Hence the credit for years stood.
func (c Climate) Fail(t Tree, girdledP float64, g *Girdling) Result {
	if c.ready == nil || c.ready.of != c.Gumbel {
		c = c.Prepare()
	}
	if g == nil {
		g = defaultGirdling
	}
	girdledP = within(girdledP, 0, 1)
	t = t.held()
	p := c.Parts(t)
	states, count := c.states(t, p)
	toward := c.toward()

	weights := &zWhole
	if t.RootsCut {
		weights = &zCut
	}

	// Gust that uproots toward b in state s at z = 0, in steps of the grid.
	var uproots [4][Bearings]float64
	for s, st := range states[:count] {
		for b, m := range p.UprootNm {
			logV := (math.Log(m) + st.logUproot - st.logK) / st.n
			uproots[s][b] = (logV - c.ready.logLo) * c.ready.perLog
		}
	}

	logStem := math.Log(p.StemNm)
	var survives [2][gustSteps + 1]float64
	for _, st := range states[:count] {
		c.ready.survives(&survives[st.season], st.seasonW, t.StoodYears)
	}

	var (
		r             Result
		total, posted float64
		broken, sound [2][gustSteps + 1]float64 // collar as known, collar sound
	)
	for i, z := range zAt {
		stood := 1.0 // probability that the collar stood until now
		for s := range states[:count] {
			if st := &states[s]; s == 0 || st.season != states[s-1].season {
				shift := st.logK - logStem - loadShift*z
				stood *= c.ready.collar(&broken[st.season], &sound[st.season], &survives[st.season], shift, st.n, girdledP, g)
			}
		}
		var byBearing [Bearings]float64
		var falls, fallsSound, uprooted, collar float64
		for s := range states[:count] {
			st := &states[s]
			stronger := anchorAlone * z / st.n * c.ready.perLog
			table, soundTable := &broken[st.season], &sound[st.season]
			collar += st.w * table[gustSteps]
			for b := range byBearing {
				x := uproots[s][b] + stronger
				up := c.ready.above(x)
				w := st.w * toward[b]
				f, fSound := w*up, w*up
				if x > 0 { // broken before it is uprooted
					j, below := c.ready.inStep(x, up)
					f += w * (table[j] + below*(table[j+1]-table[j]))
					fSound += w * (soundTable[j] + below*(soundTable[j+1]-soundTable[j]))
				}
				byBearing[b] += f
				falls += f
				fallsSound += fSound
				uprooted += w * up
			}
		}
		w := weights[i]
		if t.StoodYears > 0 {
			w *= stood * math.Exp(t.StoodYears*math.Log1p(-math.Min(uprooted, 1-1e-12)))
		}
		posted += w
		total += w * falls
		r.FailSoundYr += w * fallsSound
		r.UprootYr += w * uprooted
		r.CollarYr += w * collar
		for b, f := range byBearing {
			r.ByBearing[b] += w * f
		}
	}
	if posted > 0 {
		total, r.FailSoundYr = total/posted, r.FailSoundYr/posted
		r.UprootYr, r.CollarYr = r.UprootYr/posted, r.CollarYr/posted
	}
	r.FailYr, r.FailSoundYr = within(total, 0, 1), within(r.FailSoundYr, 0, 1)
	r.UprootYr, r.CollarYr = within(r.UprootYr, 0, 1), within(r.CollarYr, 0, 1)
	r.Decides = Anchorage
	if r.CollarYr > r.UprootYr {
		r.Decides = CollarSection
	}
	r.ways(&toward)
	r.GustSoundMS = c.evenOdds(t, p, states[:count], &toward, 0, g)
	r.GustGirdledMS = c.evenOdds(t, p, states[:count], &toward, 1, g)
	r.GustMS = c.evenOdds(t, p, states[:count], &toward, girdledP, g)
	return r
}

var defaultGirdling = NewGirdling(DefaultSections())

// states lists what the gust may find, seasons in order.
func (c Climate) states(t Tree, p Parts) (s [4]state, count int) {
	leaf, wet := within(c.InLeaf, 0, 1), within(c.Wet, 0, 1)
	if t.Kind != Broadleaf {
		leaf = 1
	}
	add := func(w float64, logK, n float64, season int) {
		for _, soil := range [2]struct{ w, f float64 }{{1 - wet, 1}, {wet, wetFactor}} {
			if w*soil.w > 0 {
				s[count] = state{w * soil.w, logK, n, season, w, math.Log(soil.f)}
				count++
			}
		}
	}
	if leaf > 0 {
		add(leaf, math.Log(p.MomentNm1), p.Drag.Exponent, 0)
	}
	if leaf < 1 {
		d := DragOf(t.Kind, false)
		add(1-leaf, math.Log(perMetre(d, p.OutlineM2, p.ArmM, p.StreetFactor)), d.Exponent, 1)
	}
	return s, count
}

// toward returns the probability of each fall bearing that the gusts' rose gives.
func (c Climate) toward() (w [Bearings]float64) {
	var sum float64
	for b, f := range c.From {
		f = within(f, 0, 1e9)
		w[(b+Bearings/2)%Bearings] = f
		sum += f
	}
	for b := range w {
		if sum > 0 {
			w[b] /= sum
		} else {
			w[b] = 1. / Bearings
		}
	}
	return w
}

// survives fills p[j] with the probability that a tree that fails in gusts above
// the middle of step j came through the years; share is that of the season.
func (t *gusts) survives(p *[gustSteps + 1]float64, share, years float64) {
	for j := range p {
		p[j] = 1
		if years > 0 {
			above := share
			if j > 0 {
				above *= t.between[j]
			}
			p[j] = math.Exp(years * math.Log1p(-math.Min(above, 1-1e-12)))
		}
	}
}

// collar fills table[j] with the yearly probability that the strongest gust is
// below v[j] and breaks the collar, and soundTable[j] with that of a sound collar. It
// returns the probability that a sound
// collar came through the years stood.
func (t *gusts) collar(table, soundTable, survives *[gustSteps + 1]float64, shift, n, girdledP float64, g *Girdling) (stood float64) {
	// Chance that the sound collar breaks at v[j], as known now: that before the
	// years stood, each strength weighed by its chance to come through.
	var sound [allSteps + 1]float64
	need := gustSteps
	if girdledP > 0 {
		need = min(allSteps, gustSteps+1+int(g.most/n*t.perLog))
	}
	if shift+n*t.logV[gustSteps]+g.most < -8*collarGiven {
		*table, *soundTable = [gustSteps + 1]float64{}, [gustSteps + 1]float64{}
		return 1
	}
	var last, sum float64
	from := need // where it begins to break
	y, step := (shift+n*t.logLo)/collarGiven, n/t.perLog/collarGiven
	for j := range need + 1 {
		f := normal(y + float64(j)*step)
		if f < 1e-12 {
			continue
		}
		from = min(from, j)
		if j <= gustSteps {
			sum += (f - last) * survives[j]
		} else {
			sum += f - last
		}
		sound[j], last = sum, f
	}
	stood = sum + 1 - last
	if stood < 1e-9 {
		// It can hardly have stood: the record, or its size, is not believed.
		for j := range need + 1 {
			sound[j] = normal((shift + n*t.logV[j]) / collarGiven)
		}
		stood = 1e-9
	} else if stood != 1 {
		scale := 1 / stood
		for j := range need + 1 {
			if sound[j] *= scale; sound[j] > 1 { // by rounding
				sound[j] = 1
			}
		}
	}
	var breaks [gustSteps + 1]float64
	for j, f := range sound[:gustSteps+1] {
		breaks[j] = f * (1 - girdledP)
	}
	if girdledP > 0 {
		for _, p := range g.left {
			// It breaks where a sound one breaks in a gust left^(-1/n) as strong.
			off := -p.logLeft / n * t.perLog
			if off > allSteps-gustSteps-1 {
				// Beyond the grid, where no gust has tried it yet.
				for j := range breaks {
					f := normal((shift+n*t.logV[j]-p.logLeft)/collarGiven) - normal((shift+n*t.logV[gustSteps])/collarGiven)
					breaks[j] += p.w * girdledP * math.Min(1, sound[gustSteps]+f/stood)
				}
				continue
			}
			k := int(off)
			hi := p.w * girdledP * (off - float64(k))
			lo := p.w*girdledP - hi
			at := max(0, from-k-1)
			if at > gustSteps {
				continue
			}
			into := breaks[at:]
			ahead := sound[at+k:][:len(into)+1]
			a := ahead[0]
			for j := range into {
				b := ahead[j+1]
				into[j] += lo*a + hi*b
				a = b
			}
		}
	}
	t.overGusts(soundTable, (*[gustSteps + 1]float64)(sound[:]))
	t.overGusts(table, &breaks)
	return stood
}

// overGusts sums the chance of breaking at v[j] over the strongest gust of a year.
func (t *gusts) overGusts(table, breaks *[gustSteps + 1]float64) {
	total := breaks[0] * t.below
	table[0] = total
	for j := 1; j <= gustSteps; j++ {
		total += (breaks[j-1] + breaks[j]) / 2 * t.mass[j]
		table[j] = total
	}
}

// inStep returns which step of the grid x lies in, and how much of the probability
// of that step lies below it, given that x, above 0, is exceeded with probability
// above.
func (t *gusts) inStep(x, above float64) (step int, below float64) {
	if !(x < gustSteps) {
		return gustSteps - 1, 1
	}
	step = int(x)
	return step, (t.exceed[step*finer] - above) * t.perMass[step]
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
	r.AnyWay = r.ByBearing[top] < 1.02/Bearings
}

// evenOdds returns the gust in which the base fails with probability one half.
func (c Climate) evenOdds(t Tree, p Parts, states []state, toward *[Bearings]float64, girdledP float64, g *Girdling) float64 {
	logStem := math.Log(p.StemNm)
	// Bearings of like resistance together, in steps of 0.1 of its logarithm (a
	// fifth of the spread), each step by its mean.
	var logRoots, weight [Bearings]float64
	least := math.Inf(1)
	for _, m := range p.UprootNm {
		least = math.Min(least, m)
	}
	groups := 0
	for b, m := range p.UprootNm {
		r := math.Log(m / least)
		k := min(int(r*10), Bearings-1)
		groups = max(groups, k+1)
		weight[k] += toward[b]
		logRoots[k] += toward[b] * r
	}
	for k := range groups {
		if weight[k] > 0 {
			logRoots[k] = logRoots[k]/weight[k] + math.Log(least)
		}
	}
	fails := func(logV float64) float64 {
		var sum float64
		for _, s := range states {
			x := s.logK + s.n*logV
			y := x - logStem
			collar := (1 - girdledP) * normal(y/collarAlone)
			if girdledP > 0 {
				for _, p := range g.left {
					collar += girdledP * p.w * normal((y-p.logLeft)/collarAlone)
				}
			}
			x -= s.logUproot
			var roots float64
			for k, w := range weight[:groups] {
				if w == 0 {
					continue
				}
				f := normal((x - logRoots[k]) / anchorAlone)
				if t.RootsCut {
					f *= cutOdds / (1 + f*(cutOdds-1))
				}
				roots += w * f
			}
			sum += s.w * (1 - (1-collar)*(1-roots))
		}
		return sum
	}
	lo, hi := math.Log(minGustMS), math.Log(maxGustMS)
	if fails(lo) >= 0.5 {
		return minGustMS
	}
	if fails(hi) <= 0.5 {
		return maxGustMS
	}
	fLo, fHi := 0., 1.
	for range 9 {
		mid := (lo + hi) / 2
		if f := fails(mid); f < 0.5 {
			lo, fLo = mid, f
		} else {
			hi, fHi = mid, f
		}
	}
	return math.Exp(lo + (hi-lo)*(0.5-fLo)/(fHi-fLo))
}

const minGustMS, maxGustMS = 3, 150
