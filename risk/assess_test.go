package risk

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"soilshed/risk/collar"
	"soilshed/risk/soil"
	"soilshed/risk/species"
)

// weather is a year with rain every ninth day.
func weather() (days []soil.Day, etoMM []float64) {
	at := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)
	for i := range 366 {
		d := soil.Day{Date: at.AddDate(0, 0, i)}
		if i%9 == 0 {
			d.RainMM = 12
		}
		days = append(days, d)
		etoMM = append(etoMM, 3-2.5*math.Cos(2*math.Pi*float64(d.Date.YearDay())/365))
	}
	return days, etoMM
}

var wet = sync.OnceValue(func() *Model {
	days, eto := weather()
	m, err := NewModel(DefaultSettings(2024), collar.DefaultEvidence(), place(), days, eto)
	if err != nil {
		panic(err)
	}
	return m
})

// with is the model under another rule of need. The tables of water are shared.
func with(m *Model, need NeedRule) *Model {
	return &Model{Settings: func() Settings { s := m.Settings; s.Need = need; return s }(), Evidence: m.Evidence, Wind: m.Wind, girdling: m.girdling, water: m.water, typical: m.typical}
}

var kinds = []string{"Acer rubrum", "Acer platanoides 'Columnare'", "Linden, Littleleaf", "Pinus nigra", "Quercus sp.", "Gleditsia", "Malus", "", "nobody knows"}

// anyTree draws a record in which any input may be missing.
func anyTree(rng *rand.Rand) Tree {
	known := func(v float64) Maybe[float64] {
		if rng.IntN(3) == 0 {
			return Maybe[float64]{}
		}
		return Known(v)
	}
	d := 3 + 100*rng.Float64()*rng.Float64()
	t := Tree{
		Species: kinds[rng.IntN(len(kinds))], DBHCm: known(d), HeightM: known(3 + 0.25*d), CrownM: known(2 + 0.12*d),
		LeanDeg: known(20 * rng.Float64() * rng.Float64()), Condition: known(rng.Float64()),
		Stock: collar.Stock(rng.IntN(5)), Corrected: collar.Answer(rng.IntN(3)),
		FlareCm: known(25 * rng.Float64()), FlareSeen: collar.Answer(rng.IntN(3)),
		MulchCm: known(20 * rng.Float64()), MulchTouches: collar.Answer(rng.IntN(3)),
		DepthM: known(rng.Float64()), Texture: soil.Texture(rng.IntN(13)),
	}
	if rng.IntN(2) == 0 {
		t.PlantedYear = Known(2023 - rng.IntN(60))
	}
	if rng.IntN(5) == 0 {
		t.WalkReplacedYr = Known(2024 - rng.IntN(20))
	}
	return t
}

// anyGround draws a ground for a reach.
func anyGround(rng *rand.Rand, reachM float64) Ground {
	g := ground(reachM, 30*rng.Float64()*rng.Float64(), reachM*rng.Float64())
	switch rng.IntN(5) {
	case 0:
		g.Measured, g.How = false, "assumed"
	case 1:
		g.Measured, g.Unsurveyed, g.How = false, true, "uncovered"
	}
	g.Mates = rng.IntN(3)
	for b := range g.TargetW {
		g.TargetW[b] = rng.Float64()
	}
	return g
}

func anyOdd(rng *rand.Rand) (o Odd) {
	if rng.IntN(2) == 0 {
		o.Z = Known(6*rng.Float64() - 2)
		o.Flagged = rng.IntN(2) == 0
	}
	return o
}

// checkResult holds what is true of any tree, also of nonsense.
func checkResult(t *testing.T, m *Model, tree *Tree, s *Size, g *Ground, r *Result) {
	t.Helper()
	bad := func(what string, v ...any) { t.Errorf("%s: %v\n%+v\n%+v\n%+v", what, v, *tree, *s, *r) }
	finite := func(what string, lo, hi float64, v ...float64) {
		t.Helper()
		for _, v := range v {
			if !(v >= lo && v <= hi) {
				bad(what+" out of range", v)
			}
		}
	}
	const most = 1e9
	finite("size", 1e-3, most, s.DBHCm, s.HeightM, s.CrownM, s.CrownM2, s.ReachM)
	if s.DBHBy == "" || s.HeightBy == "" || s.CrownBy == "" {
		bad("a size does not say where it is from")
	}
	if r.Assessed == tree.Removed {
		bad("assessed")
	}
	numbers := []float64{r.GirdledP, r.GirdledLo, r.GirdledHi, r.FailYr, r.FailSoundYr, r.UprootYr, r.CollarYr, r.Exposure, r.HarmYr, r.GustMS, r.GustSoundMS}
	if tree.Removed {
		for _, v := range append(numbers, r.Need, r.SoilPct, r.DryDays, r.OddZ, r.WeakBearing) {
			if !math.IsNaN(v) {
				bad("a removed tree has numbers", v)
			}
		}
		if r.Why() != "" || m.NextStep(tree, g, r) != "" || r.Graded {
			bad("a removed tree has words")
		}
		return
	}
	finite("probability", 0, 1, numbers[:9]...)
	finite("gust", 3, 150, r.GustMS, r.GustSoundMS)
	if !(r.GirdledLo <= r.GirdledP+1e-9 && r.GirdledP <= r.GirdledHi+1e-9) && r.GirdledHi-r.GirdledLo > 1e-6 {
		// The mean of a skewed distribution may leave its middle 80 %: far out alone.
		if r.GirdledP > 0.05 && r.GirdledP < 0.95 {
			bad("interval does not hold the probability")
		}
	}
	if r.GirdledLo > r.GirdledHi {
		bad("interval is the wrong way round")
	}
	if r.FailSoundYr > r.FailYr*1.0001+1e-12 || r.GustSoundMS < r.GustMS*0.999 {
		bad("sound is worse than as known")
	}
	if math.Abs(r.HarmYr-r.FailYr*r.Exposure) > 1e-12 {
		bad("harm")
	}
	if !math.IsNaN(r.WeakBearing) {
		finite("weak bearing", 0, 359.999, r.WeakBearing)
	}
	for rule, v := range r.NeedM3 {
		switch {
		case NeedRule(rule) == NeedClimate && (math.IsInf(v, 1) && m.HasWater() || math.IsNaN(v) && !m.HasWater()):
		default:
			finite("need "+NeedRule(rule).String(), 0, most, v)
		}
	}
	if r.Graded == g.Unsurveyed || r.Graded == math.IsNaN(r.SoilPct) {
		bad("graded without ground, or ground without grade")
	}
	if r.Graded && m.HasWater() {
		finite("dry days", 0, 366, r.DryDays, r.Water.LongestDays)
		finite("water", 0, most, r.Water.ShortMM, r.Water.WaterMM)
	}
	last := math.Inf(1)
	for i, x := range r.Reasons {
		words := x.String()
		if (words == "") != (x.kind == noReason) || strings.Contains(words, "NaN") || strings.Contains(words, "Inf") {
			bad("a reason in bad words", words)
		}
		if words == "" {
			last = -1
			continue
		}
		if !(float64(x.score) > 0) || float64(x.score) > last || math.IsInf(float64(x.score), 0) {
			bad("reasons out of order", i, x.score, last)
		}
		last = float64(x.score)
	}
	if m.NextStep(tree, g, r) == "" {
		bad("no next step")
	}
}

func TestAnyTree(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for _, m := range []*Model{newModel(t, DefaultSettings(2024)), wet(), with(wet(), NeedClimate)} {
		for range 400 {
			tree := anyTree(rng)
			tree.Removed, tree.Dead = rng.IntN(20) == 0, rng.IntN(20) == 0
			s := m.Size(&tree)
			g, odd := anyGround(rng, s.ReachM), anyOdd(rng)
			r := m.Assess(&tree, &s, &g, odd, nil)
			checkResult(t, m, &tree, &s, &g, &r)

			// The chain that is explained is the chain that is run.
			var tr Trace
			traced := m.Assess(&tree, &s, &g, odd, &tr)
			if a, b := fmt.Sprintf("%+v", r), fmt.Sprintf("%+v", traced); a != b {
				t.Fatalf("with a trace\n%s\nwithout\n%s", b, a)
			}
			if tree.Removed != (len(tr.Steps) == 0) {
				t.Errorf("%d steps for a tree removed: %v", len(tr.Steps), tree.Removed)
			}
			for _, st := range tr.Steps {
				if st.What == "" || st.Link == "" || strings.Contains(st.What+st.From, "NaN") || strings.Contains(st.From, "%!") {
					t.Errorf("step %+v", st)
				}
			}
		}
	}
}

// Every last number of the chain is told.
func TestTraceTellsTheResult(t *testing.T) {
	m := wet()
	tree := Tree{Species: "Tilia cordata", DBHCm: Known(40.0)}
	s := m.Size(&tree)
	g := ground(s.ReachM, 10, 1)
	var tr Trace
	r := m.Assess(&tree, &s, &g, Odd{}, &tr)
	for what, v := range map[string]float64{
		"need": r.Need, "share": r.SoilPct, "dry days": r.DryDays, "girdled": r.GirdledP, "gust": r.GustMS,
		"failure": r.FailYr, "exposure": r.Exposure, "harm": r.HarmYr, "soil": g.SoilM3, "crown": s.CrownM, "climate": r.NeedM3[NeedClimate],
	} {
		told := false
		for _, st := range tr.Steps {
			told = told || st.Value == v
		}
		if !told {
			t.Errorf("no step tells the %s, %v", what, v)
		}
	}
}

// Not to know is never good news, and never certain: of each input, some answer
// would have lowered the probability, or none raises it, and what is missing makes
// the interval no narrower than an average answer would.
func TestWhatIsMissingWidens(t *testing.T) {
	m := newModel(t, DefaultSettings(2024))
	rng := rand.New(rand.NewPCG(2, 2))
	readings := func(f func(*Tree) *Maybe[float64], values ...float64) (all []func(*Tree)) {
		all = append(all, func(t *Tree) { *f(t) = Maybe[float64]{} })
		for _, v := range values {
			all = append(all, func(t *Tree) { *f(t) = Known(v) })
		}
		return all
	}
	answers := func(f func(*Tree) *collar.Answer) (all []func(*Tree)) {
		for _, a := range []collar.Answer{collar.Unknown, collar.No, collar.Yes} {
			all = append(all, func(t *Tree) { *f(t) = a })
		}
		return all
	}
	inputs := map[string][]func(*Tree){
		"flare depth":   readings(func(t *Tree) *Maybe[float64] { return &t.FlareCm }, 0, 3, 6, 15, 30),
		"mulch":         readings(func(t *Tree) *Maybe[float64] { return &t.MulchCm }, 0, 5, 20, 40),
		"flare seen":    answers(func(t *Tree) *collar.Answer { return &t.FlareSeen }),
		"corrected":     answers(func(t *Tree) *collar.Answer { return &t.Corrected }),
		"mulch touches": answers(func(t *Tree) *collar.Answer { return &t.MulchTouches }),
	}
	for stock := range 5 {
		inputs["stock"] = append(inputs["stock"], func(t *Tree) { t.Stock = collar.Stock(stock) })
	}
	for _, x := range []soil.Texture{soil.NoTexture, soil.Sand, soil.Loam, soil.Clay} {
		inputs["texture"] = append(inputs["texture"], func(t *Tree) { t.Texture = x })
	}
	for range 200 {
		base := anyTree(rng)
		base.DBHCm, base.CrownM = Known(30.0), Known(8.0) // so that the ground's share does not move
		for name, set := range inputs {
			var p, width []float64
			for _, f := range set {
				tree := base
				if name == "flare seen" {
					tree.FlareCm = Maybe[float64]{} // a depth speaks for it
				}
				f(&tree)
				s := m.Size(&tree)
				g := ground(3, 20, 2)
				r := m.Assess(&tree, &s, &g, Odd{}, nil)
				p = append(p, r.GirdledP)
				width = append(width, float64(collar.Logit(r.GirdledHi)-collar.Logit(r.GirdledLo)))
			}
			best, narrowest := math.Inf(1), math.Inf(1)
			for i := range p[1:] {
				best, narrowest = math.Min(best, p[i+1]), math.Min(narrowest, width[i+1])
			}
			if p[0] < best {
				t.Errorf("%s not known: %v, best answer %v", name, p[0], best)
			}
			if width[0] < narrowest-1e-9 {
				t.Errorf("%s not known: interval %v wide in log-odds, narrowest with an answer %v", name, width[0], narrowest)
			}
		}
	}

	// Nothing known against all known and average.
	bare := Tree{Species: "Fraxinus", DBHCm: Known(30.0), CrownM: Known(8.0)}
	full := bare
	full.FlareCm, full.MulchCm, full.PlantedYear = Known(6.0), Known(6.0), Known(2024-18)
	full.Corrected, full.MulchTouches, full.Texture, full.Stock = collar.No, collar.No, soil.Loam, collar.Balled
	s := m.Size(&bare)
	need := soil.NeedCrownM3(s.CrownM2, m.CrownM3M2)
	open := ground(s.ReachM, 0.9*need, 3)
	dark := open
	dark.Measured, dark.Unsurveyed = false, true
	a := m.Assess(&bare, &s, &dark, Odd{}, nil)
	b := m.Assess(&full, &s, &open, Odd{Z: Known(0.0)}, nil)
	if !(a.GirdledLo < b.GirdledLo && a.GirdledHi > b.GirdledHi) {
		t.Errorf("nothing known %.3f to %.3f, all average %.3f to %.3f", a.GirdledLo, a.GirdledHi, b.GirdledLo, b.GirdledHi)
	}
	if a.Missing&b.Missing != b.Missing || a.Missing == b.Missing {
		t.Errorf("missing %q and %q", a.Missing.Words(), b.Missing.Words())
	}
}

// More soil is never a worse class, nor more dry days, nor a likelier girdling,
// whatever the rule of need.
func TestMoreSoilIsNeverWorse(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for need := range needRules {
		m := with(wet(), need)
		seen := map[soil.Class]bool{}
		for range 40 {
			tree := anyTree(rng)
			s := m.Size(&tree)
			g := anyGround(rng, s.ReachM)
			g.Measured, g.Unsurveyed = true, false
			last := m.Assess(&tree, &s, &g, Odd{}, nil)
			if last.Need != last.NeedM3[need] {
				t.Fatalf("rule %s: need %v of %v", need, last.Need, last.NeedM3)
			}
			for range 8 {
				g.SoilM3 = g.SoilM3*1.5 + 0.5
				r := m.Assess(&tree, &s, &g, Odd{}, nil)
				seen[r.Class] = true
				if r.Class < last.Class || r.SoilPct < last.SoilPct || r.DryDays > last.DryDays+1e-9 || r.GirdledP > last.GirdledP+1e-9 {
					t.Errorf("rule %s: more soil made it worse: %+v\nbefore %+v", need, r, last)
				}
				last = r
			}
		}
		if !seen[soil.Severe] || !seen[soil.Ample] {
			t.Errorf("rule %s: classes seen %v, the test tests nothing", need, seen)
		}
	}
	s := DefaultSettings(2024)
	s.Need = NeedClimate
	if _, err := NewModel(s, collar.DefaultEvidence(), place(), nil, nil); err == nil || !strings.Contains(err.Error(), "--weather") {
		t.Errorf("need by climate without weather: %v", err)
	}
	for i := range needRules {
		if got, err := ParseNeedRule(i.String()); err != nil || got != i {
			t.Errorf("%s reads as %v, %v", i, got, err)
		}
	}
	if _, err := ParseNeedRule("crwn"); err == nil {
		t.Error("a rule that is none is read")
	}
}

func TestSize(t *testing.T) {
	m := newModel(t, DefaultSettings(2024))
	maple, _ := species.Lookup("Acer rubrum")
	h30, _ := maple.HeightM(30)
	c30, _ := maple.CrownM(30)
	d20, _ := maple.DBHFromAge(20)
	for _, c := range []struct {
		name  string
		tree  Tree
		dbhCm float64
		how   Assumption
		by    string
	}{
		{"recorded", Tree{DBHCm: Known(30.0)}, 30, AsRecorded, "recorded"},
		{"from height", Tree{HeightM: Known(h30)}, 30, FromPublished, "from height, PSW-GTR-253"},
		{"from crown", Tree{CrownM: Known(c30)}, 30, FromPublished, "from crown, PSW-GTR-253"},
		{"from age", Tree{PlantedYear: Known(2004)}, d20, FromPublished, "from age, PSW-GTR-253"},
		{"height goes before age", Tree{PlantedYear: Known(2004), HeightM: Known(h30)}, 30, FromPublished, "from height"},
		{"nothing", Tree{}, 20, Typical, "20 cm assumed"},
		{"planted next year", Tree{PlantedYear: Known(2025)}, 20, Typical, "20 cm assumed"},
		{"0 is not measured", Tree{DBHCm: Known(0.0), HeightM: Known(-1.0), CrownM: Known(c30)}, 30, FromPublished, "from crown"},
		{"not a number", Tree{DBHCm: Known(math.NaN())}, 20, Typical, "20 cm assumed"},
		{"wider than any tree", Tree{DBHCm: Known(1e6), CrownM: Known(math.Inf(1))}, 20, Typical, "20 cm assumed"},
		{"a stem of 3 cm under 10 m", Tree{DBHCm: Known(3.0), HeightM: Known(h30)}, 30, FromPublished, "too thin for the height"},
		{"a stem of 3 cm under 8 m of crown", Tree{DBHCm: Known(3.0), CrownM: Known(c30)}, 30, FromPublished, "too thin for the height or crown on record: from crown"},
	} {
		c.tree.Species = "Acer rubrum"
		s := m.Size(&c.tree)
		if math.Abs(s.DBHCm-c.dbhCm) > 0.01 || s.DBH != c.how || !strings.Contains(s.DBHBy, c.by) {
			t.Errorf("%s: %g cm (%d), %q", c.name, s.DBHCm, s.DBH, s.DBHBy)
		}
		if s.DBH == Typical && (s.Height != Typical || s.Crown != Typical) && !c.tree.CrownM.Known {
			t.Errorf("%s: sizes of a guessed stem are guesses: %+v", c.name, s)
		}
		missing := m.missing(&c.tree, &s, &Ground{})
		if (missing&MissingDBH != 0) != (c.how != AsRecorded) {
			t.Errorf("%s: missing %q", c.name, missing.Words())
		}
	}

	// Taller than its curve ends: as thick as where it ends, not as thick as can be.
	apple := Tree{Species: "Malus", HeightM: Known(11.0)}
	if s := m.Size(&apple); s.DBHCm > 60 {
		t.Errorf("a crab apple of 11 m is taken to be %g cm thick", s.DBHCm)
	}

	// Reach: a foot for an inch, held; or set.
	for _, c := range [][2]float64{{10, 3}, {50, 6}, {120, 9}} {
		tree := Tree{DBHCm: Known(c[0])}
		if s := m.Size(&tree); math.Abs(s.ReachM-c[1]) > 1e-9 {
			t.Errorf("DBH %g: reach %g, want %g", c[0], s.ReachM, c[1])
		}
	}
}

// The median of the genus where five trees of it are measured, else of all; what
// contradicts itself, is gone or is no measure does not count.
func TestTypicalStem(t *testing.T) {
	m := newModel(t, DefaultSettings(2024))
	var trees []Tree
	add := func(name string, cm ...float64) {
		for _, v := range cm {
			trees = append(trees, Tree{Species: name, DBHCm: Known(v)})
		}
	}
	add("Acer rubrum", 40, 44, 48)
	add("Acer saccharum", 52, 90)
	add("Malus", 5, 6, 7, 8)
	add("", 10, 10, 11)
	trees = append(trees,
		Tree{Species: "Acer", DBHCm: Known(1.0), HeightM: Known(20.0)}, Tree{Species: "Acer", DBHCm: Known(2.0), Removed: true},
		Tree{Species: "Acer"}, Tree{Species: "Acer", DBHCm: Known(0.0)}, Tree{Species: "Acer", DBHCm: Known(math.NaN())})
	m.LearnTypical(slices.All(trees))
	for _, c := range []struct {
		name  string
		dbhCm float64
		by    string
	}{
		{"Acer platanoides", 48, "median of this genus here"},
		{"Malus", 11, "median of all trees here"}, // four are too few
		{"nobody knows", 11, "median of all trees here"},
	} {
		s := m.Size(&Tree{Species: c.name})
		if s.DBHCm != c.dbhCm || !strings.Contains(s.DBHBy, c.by) || s.DBH != Typical || s.Crown != Typical {
			t.Errorf("%s: %g cm, %q", c.name, s.DBHCm, s.DBHBy)
		}
	}
}

func TestContradicts(t *testing.T) {
	for _, c := range []struct {
		dbhCm, heightM, crownM float64 // 0 is not known
		want                   bool
	}{
		{30, 12, 8, false}, {5, 9, 0, false}, {5, 9.1, 0, true}, {5, 0, 3.5, false}, {5, 0, 3.6, true},
		{0, 30, 20, false}, {1, 3, 1, false}, {10, 0, 0, false},
	} {
		tree := Tree{}
		for _, f := range []struct {
			to *Maybe[float64]
			v  float64
		}{{&tree.DBHCm, c.dbhCm}, {&tree.HeightM, c.heightM}, {&tree.CrownM, c.crownM}} {
			if f.v > 0 {
				*f.to = Known(f.v)
			}
		}
		if got := Contradicts(&tree); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
}

// Each state has its next step, and no step clears a tree.
func TestNextStep(t *testing.T) {
	m := newModel(t, DefaultSettings(2024))
	measured := Ground{Measured: true}
	flare := MissingFlareDepth | MissingFlareSeen
	graded := func(c soil.Class, p float64, missing Missing) Result {
		return Result{Assessed: true, Graded: true, Class: c, GirdledP: p, Missing: missing}
	}
	for _, c := range []struct {
		tree Tree
		g    Ground
		r    Result
		want string
	}{
		{Tree{Removed: true}, measured, Result{}, ""},
		{Tree{Dead: true}, measured, graded(soil.Severe, 0.9, flare), "dead on record: have an arborist see it"},
		{Tree{}, Ground{Unsurveyed: true}, Result{Assessed: true, GirdledP: 0.6}, "excavate the root collar"},
		{Tree{}, Ground{Unsurveyed: true}, Result{Assessed: true, GirdledP: 0.4}, "map the paving here"},
		{Tree{}, Ground{}, graded(soil.Severe, 0.4, 0), "survey the opening on site"},
		{Tree{}, measured, graded(soil.Severe, 0.5, flare), "excavate the root collar"},
		{Tree{}, measured, func() Result { r := graded(soil.Severe, 0.3, 0); r.Flagged = true; return r }(), "excavate the root collar"},
		{Tree{}, measured, graded(soil.Severe, 0.49, flare), "look for the root flare"},
		{Tree{}, measured, graded(soil.Severe, 0.49, MissingFlareDepth), "enlarge the opening or its soil"},
		{Tree{}, measured, graded(soil.Constrained, 0.49, MissingDBH), "measure the DBH"},
		{Tree{}, measured, graded(soil.Constrained, 0.3, 0), "look at the collar on the next round"},
		{Tree{}, measured, graded(soil.Constrained, 0.1, 0), "enlarge the opening when the walk is renewed"},
		{Tree{}, measured, graded(soil.Ample, 0.1, flare), "see it on the usual round"},
	} {
		got := m.NextStep(&c.tree, &c.g, &c.r)
		if got != c.want {
			t.Errorf("%+v %+v: %q, want %q", c.tree, c.r, got, c.want)
		}
		for _, word := range []string{"safe", "nothing", "no action", "clear", "no risk", "fine", "ok", "leave"} {
			if strings.Contains(" "+got+" ", " "+word) && word != "ok" {
				t.Errorf("%q clears a tree", got)
			}
		}
		// Every step is something to do.
		if got != "" && !strings.ContainsAny(got, "abcdefghijklmnopqrstuvwxyz") {
			t.Errorf("%q says nothing", got)
		}
	}
}

// Reasons read as a forester would say them, and say nothing twice.
func TestReasonsInWords(t *testing.T) {
	m := newModel(t, DefaultSettings(2024))
	tree := Tree{Species: "Acer platanoides", DBHCm: Known(60.0), Stock: collar.SolidContainer, FlareCm: Known(20.0), WalkReplacedYr: Known(2020)}
	s := m.Size(&tree)
	g := ground(s.ReachM, 1.3, 0.6)
	g.Lopsided = 0.5
	for b := range g.TargetW {
		g.TargetW[b] = 0.8
	}
	all := m.Assess(&tree, &s, &g, Odd{Z: Known(3.0), Cohort: "the whole planting does badly"}, nil)
	for _, x := range all.Reasons {
		if x.String() == "" {
			t.Errorf("only %q", all.Why())
		}
	}
	// One cause at a time, on top of a tree without any.
	plain := Tree{Species: "Quercus", DBHCm: Known(40.0), FlareCm: Known(0.0), Texture: soil.Loam}
	room := ground(s.ReachM, 500, 0)
	for _, c := range []struct {
		change func(*Tree, *Ground, *Odd)
		want   string
	}{
		{func(*Tree, *Ground, *Odd) {}, ""},
		{func(t *Tree, _ *Ground, _ *Odd) { t.FlareCm = Known(20.0) }, "20 cm of soil over the first main roots"},
		{func(t *Tree, _ *Ground, _ *Odd) { t.WalkReplacedYr = Known(2020) }, "walk or kerb beside it replaced in 2020"},
		{func(t *Tree, _ *Ground, _ *Odd) { t.Dead = true }, "dead on record"},
		{func(_ *Tree, g *Ground, _ *Odd) { g.SoilM3 = 1.3 }, "1.3 of "},
		{func(_ *Tree, g *Ground, _ *Odd) { g.Lopsided, g.ShortM, g.ShortBearing = 0.5, 0.6, 90 }, "0.6 m from the stem to the east"},
		{func(_ *Tree, _ *Ground, o *Odd) { o.Cohort = "the whole planting does badly" }, "the whole planting does badly"},
		{func(_ *Tree, g *Ground, _ *Odd) {
			for b := range g.TargetW {
				g.TargetW[b] = 0.8
			}
		}, "targets where it would fall (exposure 0.36 of 1)"},
	} {
		tree, g, odd := plain, room, Odd{}
		c.change(&tree, &g, &odd)
		s := m.Size(&tree)
		r := m.Assess(&tree, &s, &g, odd, nil)
		if why := r.Why(); !strings.Contains(why, c.want) || c.want == "" && why != "" {
			t.Errorf("%q, want %q in it", why, c.want)
		} else if strings.Count(why, "of soil")+strings.Count(why, "of the soil") > 1 || strings.Count(why, "from the stem") > 1 {
			t.Errorf("%q says a thing twice", why)
		}
	}
	if got := (Reason{kind: reasonSoil, a: 2, b: float32(math.Inf(1))}).String(); strings.Contains(got, "Inf") {
		t.Error(got)
	}
	if got := Compass(math.NaN()) + Compass(-45) + Compass(359) + Compass(22.6); got != "north-westnorthnorth-east" {
		t.Error(got)
	}
}

// A model is only read: trees side by side come out as one after the other. Run
// with -race.
func TestSideBySide(t *testing.T) {
	days, eto := weather()
	m, err := NewModel(DefaultSettings(2024), collar.DefaultEvidence(), place(), days, eto)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(4, 4))
	trees, grounds := make([]Tree, 120), make([]Ground, 120)
	for i := range trees {
		trees[i] = anyTree(rng)
		grounds[i] = anyGround(rng, 4)
		if i%2 == 0 {
			trees[i].Species = "Acer rubrum"
		} else {
			trees[i].Species = "Quercus" // one table of water, asked for by all at once
		}
	}
	run := func(m *Model, i int) string {
		s := m.Size(&trees[i])
		r := m.Assess(&trees[i], &s, &grounds[i], Odd{}, nil)
		return fmt.Sprintf("%+v %s", r, m.NextStep(&trees[i], &grounds[i], &r))
	}
	got := make([]string, len(trees))
	var wait sync.WaitGroup
	for w := range 8 {
		wait.Go(func() {
			for i := w; i < len(trees); i += 4 { // each by two
				if x := run(m, i); w < 4 {
					got[i] = x
				}
			}
		})
	}
	wait.Wait()
	for i := range trees {
		if want := run(m, i); got[i] != want {
			t.Fatalf("tree %d side by side\n%s\nalone\n%s", i, got[i], want)
		}
	}
}

func TestSizeAllocatesNothing(t *testing.T) {
	m := newModel(t, DefaultSettings(2024))
	tree := Tree{Species: "Acer rubrum", DBHCm: Known(30.0)}
	m.Size(&tree)
	if n := testing.AllocsPerRun(100, func() { m.Size(&tree) }); n != 0 {
		t.Errorf("%v allocations a tree", n)
	}
}

// go test -fuzz FuzzAssess ./risk
func FuzzAssess(f *testing.F) {
	nan, inf := math.NaN(), math.Inf(1)
	f.Add("Acer rubrum", 30., 10., 7., 0., 15., 6., 0.9, 8., 1., 0.3, 2., 2004, 2020, uint64(0))
	f.Add("", nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, 0, 0, uint64(1<<63))
	f.Add("\xff", inf, inf, inf, inf, inf, inf, inf, inf, inf, inf, inf, math.MaxInt, math.MinInt, uint64(math.MaxUint64))
	f.Add("Quercus", -1., -1., -1., -1., -1., -1., -1., -1., -1., -1., -1., -1, -1, uint64(12345))
	f.Add("Pinus", 0., 0., 0., 0., 0., 0., 0., 0., 0., 0., 0., 2024, 2024, uint64(0xfff))
	f.Add("Malus", 1e-300, 1e300, 1e-300, 89.9, 1e9, 1e9, 1e-9, 1e-9, 1e-9, 1e9, -1e9, 2024, 2030, uint64(0xf0f0f0))
	// Sixty days with rain every ninth are solved in a moment. A table of a whole
	// year takes seconds, and the fuzzer calls an input that takes ten a hang.
	m := &Model{Settings: wet().Settings, Evidence: wet().Evidence, Wind: wet().Wind, girdling: wet().girdling, typical: wet().typical, water: new([3]lazyTable)}
	for leaf := range m.water {
		c := soil.Drought(60, 4-float64(leaf))
		for i := 8; i < 60; i += 9 {
			c.RainMM[i] = 12
		}
		m.water[leaf].climate = c
	}
	models := []*Model{newModel(f, DefaultSettings(2024)), m, with(m, NeedClimate), with(m, NeedWater), with(m, NeedStandard)}
	f.Fuzz(func(t *testing.T, name string, dbh, height, crown, lean, flare, mulch, depth, soilM3, edge, target, z float64, planted, walk int, bits uint64) {
		take := func(n uint64) int { v := bits % n; bits /= n; return int(v) }
		maybe := func(v float64) Maybe[float64] { return Maybe[float64]{v, take(4) > 0} }
		m := models[take(uint64(len(models)))]
		tree := Tree{
			Species: name, DBHCm: maybe(dbh), HeightM: maybe(height), CrownM: maybe(crown), LeanDeg: maybe(lean),
			FlareCm: maybe(flare), MulchCm: maybe(mulch), DepthM: maybe(depth), Condition: maybe(target),
			PlantedYear: Maybe[int]{planted, take(3) > 0}, WalkReplacedYr: Maybe[int]{walk, take(2) > 0},
			Stock: collar.Stock(take(6)), Corrected: collar.Answer(take(4)), FlareSeen: collar.Answer(take(4)),
			MulchTouches: collar.Answer(take(4)), Texture: soil.Texture(take(13)), Removed: take(9) == 0, Dead: take(9) == 0,
		}
		s := m.Size(&tree)
		// The ground is the survey's: whatever it is, it is made of numbers.
		number := func(v, most float64) float64 {
			if !(v > 0) {
				return 0
			}
			return math.Min(v, most)
		}
		g := ground(s.ReachM, number(soilM3, 1e6), number(edge, s.ReachM))
		g.DepthM, g.Mates, g.Lopsided = number(depth, 5), take(3), number(target, 1)
		g.Measured, g.Unsurveyed = take(2) == 0, take(3) == 0
		for b := range g.TargetW {
			g.TargetW[b] = number(target, 1)
		}
		odd := Odd{Z: maybe(z), Flagged: take(2) == 0}
		r := m.Assess(&tree, &s, &g, odd, nil)
		checkResult(t, m, &tree, &s, &g, &r)
		var tr Trace
		m.Assess(&tree, &s, &g, odd, &tr)
		m.LearnTypical(slices.All([]Tree{tree}))
	})
}

func BenchmarkAssess(b *testing.B) {
	for _, c := range []struct {
		name string
		m    *Model
	}{{"without weather", newModel(b, DefaultSettings(2024))}, {"with weather", wet()}} {
		b.Run(c.name, func(b *testing.B) {
			rng := rand.New(rand.NewPCG(5, 5))
			trees, grounds := make([]Tree, 256), make([]Ground, 256)
			for i := range trees {
				trees[i] = anyTree(rng)
				s := c.m.Size(&trees[i])
				grounds[i] = anyGround(rng, s.ReachM)
				c.m.Assess(&trees[i], &s, &grounds[i], Odd{}, nil)
			}
			i := 0
			b.ReportAllocs()
			for b.Loop() {
				s := c.m.Size(&trees[i])
				r := c.m.Assess(&trees[i], &s, &grounds[i], Odd{}, nil)
				i = (i + 1 + int(r.FailYr)) % len(trees)
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N), "us/tree")
		})
	}
}
