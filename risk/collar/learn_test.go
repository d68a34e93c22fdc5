package collar

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The mode and covariance of scripts/collar-reference.py (scipy: adaptive
// quadrature, trust-region and hybrid solvers, curvature by differences).
func TestRegressionAgainstSciPy(t *testing.T) {
	f, err := os.Open("../../fixtures/reference/collar-logit.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	r.FieldsPerRecord = -1
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var mean, spread, mode []float64
	var cov [][]float64
	p := problem{}
	for _, line := range lines {
		v := make([]float64, len(line)-1)
		for i, s := range line[1:] {
			if v[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		switch line[0] {
		case "prior":
			mean = v
		case "spread":
			spread = v
		case "mode":
			mode = v
		case "cov":
			cov = append(cov, v)
		case "tree":
			o := observation{y: v[0] == 1, sd: v[1], x: v[2:]}
			for j := range o.x {
				o.rows = append(o.rows, j)
			}
			p.observations = append(p.observations, o)
		}
	}
	if len(p.observations) < 100 || len(cov) != len(mean) {
		t.Fatalf("fixture has %d trees, %d rows of covariance", len(p.observations), len(cov))
	}
	e := &Evidence{}
	for j := range mean {
		p.free = append(p.free, j)
		e.rows = append(e.rows, Row{Spread: spread[j]})
	}
	p.mean = mean
	if err := p.setPrior(e, [len(keys)][]int{}, nil); err != nil {
		t.Fatal(err)
	}
	if err := p.solve(); err != nil {
		t.Fatal(err)
	}
	for i := range mode {
		if d := math.Abs(p.theta[i] - mode[i]); d > 1e-6 {
			t.Errorf("mode %d: %.9f, reference %.9f", i, p.theta[i], mode[i])
		}
		for j := range mode {
			if d := math.Abs(p.cov.At(i, j) - cov[i][j]); d > 1e-6 {
				t.Errorf("covariance %d,%d: %.9f, reference %.9f", i, j, p.cov.At(i, j), cov[i][j])
			}
		}
	}
}

// town is a made-up town whose true weights are drawn from the table.
type town struct {
	e     *Evidence
	truth []float64
	rng   *rand.Rand
	names map[int][]string
}

func newTown(e *Evidence, seed uint64) *town {
	w := &town{rng: rand.New(rand.NewPCG(seed, 7)), names: map[int][]string{}}
	var records []Record
	for i := range 12 {
		records = append(records, Record{Signs: Signs{
			Supplier: fmt.Sprintf("supplier %d", i), Species: fmt.Sprintf("species %d", i%8),
			Season: fmt.Sprintf("season %d", i), Crew: fmt.Sprintf("crew %d", i%4)}})
	}
	w.e = e.withMembers(records)
	for _, r := range w.e.rows {
		w.truth = append(w.truth, r.Weight+r.Spread*w.rng.NormFloat64())
		if k := keyOf(r.Key); keys[k].kind == group && r.Level != anyone {
			w.names[k] = append(w.names[k], r.Level)
		}
	}
	return w
}

// draw makes one tree: as it is, and as its record tells (each sign but the
// group's members missing with probability hidden).
func (w *town) draw(hidden float64) (whole, told Signs) {
	pick := func(k int) int {
		u := w.rng.Float64()
		for l, i := range w.e.factors[k].rows {
			if u -= w.e.rows[i].Share; u < 0 {
				return l
			}
		}
		return 0
	}
	enum := func(k int) int {
		level := w.e.rows[w.e.factors[k].rows[pick(k)]].Level
		return slices.Index(keys[k].levels, level) + 1
	}
	number := func(k int) Reading {
		r := w.e.rows[w.e.factors[k].rows[0]]
		return Read(r.Mean + r.SD*w.rng.NormFloat64())
	}
	one := func(k int) string { return w.names[k][w.rng.IntN(len(w.names[k]))] }
	whole = Signs{
		Stock: Stock(enum(kStock)), Corrected: Answer(enum(kCorrected)), FlareCm: number(kFlareCm),
		FlatSide: Answer(enum(kFlatSide)), YearsSincePlanting: number(kYears), MulchCm: number(kMulchCm),
		MulchTouches: Answer(enum(kMulchTouches)), SoilShare: number(kSoilShare), ReachM: number(kReachM),
		Texture: Texture(enum(kTexture)), Genus: w.e.rows[w.e.factors[kGenus].rows[pick(kGenus)]].Level, OddZ: number(kOddZ),
		Supplier: one(kSupplier), Species: one(kSpecies), Season: one(kSeason), Crew: one(kCrew),
	}
	told = whole
	hide := func(f func()) {
		if w.rng.Float64() < hidden {
			f()
		}
	}
	hide(func() { told.Stock = StockUnknown })
	hide(func() { told.Corrected = Unknown })
	hide(func() { told.FlareCm = Reading{} })
	hide(func() { told.FlatSide = Unknown })
	hide(func() { told.YearsSincePlanting = Reading{} })
	hide(func() { told.MulchCm = Reading{} })
	hide(func() { told.MulchTouches = Unknown })
	hide(func() { told.SoilShare = Reading{} })
	hide(func() { told.ReachM = Reading{} })
	hide(func() { told.Texture = TextureUnknown })
	hide(func() { told.OddZ = Reading{} })
	return whole, told
}

func (w *town) logOdds(s Signs) float64 {
	o := w.e.observe(&s, false)
	sum := 0.0
	for k, r := range o.rows {
		sum += o.x[k] * w.truth[r]
	}
	return sum
}

func (w *town) dig(n int, hidden float64) []Record {
	records := make([]Record, n)
	for i := range records {
		whole, told := w.draw(hidden)
		share := 0.1
		if w.rng.Float64() < logistic(w.logOdds(whole)) {
			share = 0.5
		}
		records[i] = Record{ID: strconv.Itoa(i), Signs: told, GirdledShare: share}
	}
	return records
}

// wide is the default table with the clamps of degrees taken away, so that a
// town's signs are drawn from exactly the distributions that are integrated
// over.
func wide(t *testing.T) *Evidence {
	rows := DefaultEvidence().Rows()
	for i := range rows {
		rows[i].Low, rows[i].High = rows[i].Low-1e3, rows[i].High+1e3
	}
	e, err := newEvidence(rows)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// In 200 towns with known truth, drawn from the prior, the 80 % intervals of
// weights, of members' rates and of trees hold the truth 76 to 84 times in 100.
func TestIntervalsCoverInSimulatedTowns(t *testing.T) {
	e := wide(t)
	const towns, digs, asked = 200, 150, 20
	kinds := map[string]*[2]int{"weights": {}, "groups": {}, "trees": {}, "trees before": {}}
	count := func(kind string, in bool) {
		kinds[kind][1]++
		if in {
			kinds[kind][0]++
		}
	}
	for seed := range towns {
		w := newTown(e, uint64(seed))
		learned, err := learn(e, w.dig(digs, 0.25))
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range w.e.rows {
			if r.Level == anyone {
				continue
			}
			l := learned.rows[learned.row(r.Key, r.Level)]
			kind := "weights"
			if keys[keyOf(r.Key)].kind == group {
				kind = "groups"
			}
			count(kind, math.Abs(l.Weight-w.truth[i]) <= z80*l.Spread)
		}
		for range asked {
			whole, told := w.draw(0.25)
			truth := logistic(w.logOdds(whole))
			_, lo, hi := learned.Chance(told)
			count("trees", lo <= truth && truth <= hi)
			_, lo, hi = e.Chance(told)
			count("trees before", lo <= truth && truth <= hi)
		}
	}
	for kind, c := range kinds {
		cover := float64(c[0]) / float64(c[1])
		t.Logf("%s: %.1f %% of %d", kind, 100*cover, c[1])
		if cover < 0.76 || cover > 0.84 {
			t.Errorf("80 %% intervals of %s hold the truth %.1f times in 100", kind, 100*cover)
		}
	}
}

// Learning in two batches is nearly learning at once (not exactly: the second
// batch starts from a normal approximation, and the groups' spread from a new
// table).
func TestBatchesAddUp(t *testing.T) {
	e := DefaultEvidence()
	w := newTown(e, 3)
	records := w.dig(300, 0.1)
	once, err := learn(e, records)
	if err != nil {
		t.Fatal(err)
	}
	first, err := learn(e, records[:150])
	if err != nil {
		t.Fatal(err)
	}
	var text strings.Builder
	if err := first.Write(&text); err != nil {
		t.Fatal(err)
	}
	kept, err := ReadEvidence(strings.NewReader(text.String()))
	if err != nil {
		t.Fatal(err)
	}
	twice, err := learn(kept, records[150:])
	if err != nil {
		t.Fatal(err)
	}
	worst, moved := 0.0, 0.0
	for range 200 {
		_, told := w.draw(0.3)
		a, _, _ := once.Chance(told)
		b, _, _ := twice.Chance(told)
		c, _, _ := e.Chance(told)
		worst, moved = max(worst, math.Abs(a-b)), max(moved, math.Abs(a-c))
	}
	if worst > 0.05 || moved < 0.1 {
		t.Errorf("two batches differ from one by up to %.3f in P; learning moved P by up to %.3f", worst, moved)
	}
	if s := twice.rows[0].Source; !strings.HasSuffix(s, learnedMark+"300") {
		t.Errorf("source of the prior after two batches: %q", s)
	}
}

// More girdled finds at one supplier raise its rate and leave the others be;
// few finds move it less than many (partial pooling).
func TestSupplierRatesArePooled(t *testing.T) {
	rec := func(supplier string, n, girdled int) []Record {
		out := make([]Record, n)
		for i := range out {
			out[i] = Record{ID: fmt.Sprint(supplier, i), Signs: Signs{Supplier: supplier}, GirdledShare: 0}
			if i < girdled {
				out[i].GirdledShare = 0.6
			}
		}
		return out
	}
	records := slices.Concat(rec("a", 40, 8), rec("b", 40, 26), rec("c", 2, 2), rec("d", 40, 8))
	_, report, err := Learn(DefaultEvidence(), records, LearnOptions{})
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]Rate{}
	for _, r := range report.Suppliers {
		got[r.Name] = r
	}
	if !(got["b"].P > got["c"].P && got["c"].P > got["a"].P) {
		t.Errorf("rates a %.2f, b %.2f, c %.2f: want b (26 of 40) above c (2 of 2) above a (8 of 40)", got["a"].P, got["b"].P, got["c"].P)
	}
	if got["c"].Hi-got["c"].Lo <= got["b"].Hi-got["b"].Lo {
		t.Errorf("interval of 2 trees is no wider than that of 40")
	}
	if d := math.Abs(got["a"].P - got["d"].P); d > 1e-6 {
		t.Errorf("equal records, rates %g apart", d)
	}
	if got["b"].N != 40 || got["b"].Girdled != 26 || report.Girdled != 44 {
		t.Errorf("counts %+v, girdled %d", got["b"], report.Girdled)
	}
	if !report.Brier.Known || report.Brier.Value >= report.BrierBefore.Value {
		t.Errorf("Brier score %v out of sample, %v before learning", report.Brier, report.BrierBefore)
	}
	n := 0
	for _, b := range report.Bins {
		n += b.N
		if b.Found < b.FoundLo-1e-9 && b.Girdled > 0 || b.Found > b.FoundHi+1e-9 && b.Girdled < b.N {
			t.Errorf("bin %+v: share found outside its own interval", b)
		}
	}
	if n != len(records) {
		t.Errorf("bins hold %d of %d records", n, len(records))
	}
}

// The order of records does not matter.
func TestLearningIgnoresOrder(t *testing.T) {
	w := newTown(DefaultEvidence(), 9)
	records := w.dig(80, 0.3)
	_, a, err := Learn(DefaultEvidence(), records, LearnOptions{})
	if err != nil {
		t.Fatal(err)
	}
	slices.Reverse(records)
	_, b, err := Learn(DefaultEvidence(), records, LearnOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(a.Brier.Value-b.Brier.Value) > 1e-9 {
		t.Errorf("Brier score %v, in reverse order %v", a.Brier, b.Brier)
	}
}

func TestLearnRefusesWhatItCannotUse(t *testing.T) {
	for _, share := range []float64{-0.1, 1.2, 35, math.NaN()} {
		_, _, err := Learn(DefaultEvidence(), []Record{{ID: "T7", GirdledShare: share}}, LearnOptions{})
		if err == nil || !strings.Contains(err.Error(), "T7") {
			t.Errorf("share %g: error %v does not name the tree", share, err)
		}
	}
	if _, _, err := Learn(DefaultEvidence(), nil, LearnOptions{}); err == nil {
		t.Error("no records: no error")
	}
}

// A lot is its supplier and its stock: their effects add, and the counts are
// those of the records that know both.
func TestLotsAreSupplierAndStock(t *testing.T) {
	var records []Record
	for i := range 120 {
		r := Record{ID: fmt.Sprint(i), Signs: Signs{Supplier: "A", Stock: SolidContainer, Season: "2012 spring", Crew: "Blue"}}
		switch {
		case i%3 == 1:
			r.Signs.Supplier, r.Signs.Stock = "B", Balled
		case i%3 == 2:
			r.Signs.Stock = StockUnknown
		}
		if i%3 == 0 && i%4 > 0 || i%3 > 0 && i%10 == 0 {
			r.GirdledShare = 0.5
		}
		records = append(records, r)
	}
	e, report, err := Learn(DefaultEvidence(), records, LearnOptions{Folds: -1})
	if err != nil {
		t.Fatal(err)
	}
	if len(report.Lots) != 2 || report.Lots[0].Name != "A, solid container" || report.Lots[1].Name != "B, balled" {
		t.Fatalf("lots %+v", report.Lots)
	}
	for i, s := range []Signs{{Supplier: "A", Stock: SolidContainer}, {Supplier: "B", Stock: Balled}} {
		l := report.Lots[i]
		if l.N != 40 || l.Girdled != [...]int{30, 4}[i] {
			t.Errorf("%s: %d of %d", l.Name, l.Girdled, l.N)
		}
		// What is missing widens, and shifts nothing.
		near(t, l.Name, float64(Logit(l.Lo)+Logit(l.Hi))/2, float64(e.Girdled(s).Mean), 1e-9)
	}
	if a, b := report.Lots[0], report.Lots[1]; !(a.Worse > 0.9 && b.Worse < 0.5 && a.Lo > b.Hi) {
		t.Errorf("worse than average: %+v", report.Lots)
	}
	if len(report.Seasons) != 1 || report.Seasons[0].Name != "2012 spring" || report.Seasons[0].N != 120 || len(report.Crews) != 1 || report.Crews[0].Name != "Blue" {
		t.Errorf("seasons %+v, crews %+v", report.Seasons, report.Crews)
	}
}

// Two bins by hand; the interval of one of two by Jeffreys' prior, Beta(1.5, 1.5),
// is symmetric about a half.
func TestBinsByHand(t *testing.T) {
	found := func(share float64) Record { return Record{GirdledShare: share} }
	got := bins([]float64{0.12, 0.18, 0.95, 1}, []Record{found(0.9), found(0), found(0.9), found(0.9)})
	if len(got) != 2 || got[0].N != 2 || got[0].Girdled != 1 || got[1].N != 2 || got[1].Girdled != 2 {
		t.Fatalf("%+v", got)
	}
	for name, x := range map[string][2]float64{
		"from": {got[0].From, 0.1}, "to": {got[0].To, 0.2}, "foretold": {got[0].Foretold, 0.15}, "found": {got[0].Found, 0.5},
		"middle": {(got[0].FoundLo + got[0].FoundHi) / 2, 0.5}, "foretold, last": {got[1].Foretold, 0.975}, "last": {got[1].To, 1},
	} {
		if math.Abs(x[0]-x[1]) > 1e-9 {
			t.Errorf("%s: %g, want %g", name, x[0], x[1])
		}
	}
}

// What a supplier that nobody has dug at may be like: more doubt after suppliers
// that differed than after suppliers that were alike.
func TestSpreadOfOtherSuppliersIsLearned(t *testing.T) {
	spread := func(girdled ...int) float64 {
		var records []Record
		for k, n := range girdled {
			for i := range 40 {
				r := Record{ID: fmt.Sprint(k, "-", i), Signs: Signs{Supplier: fmt.Sprint("s", k)}}
				if i < n {
					r.GirdledShare = 0.6
				}
				records = append(records, r)
			}
		}
		e, _, err := Learn(DefaultEvidence(), records, LearnOptions{Folds: -1})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range e.rows {
			if r.Key == "supplier" && r.Level == anyone {
				return r.Spread
			}
		}
		t.Fatal("no row for other suppliers")
		return 0
	}
	was := 0.0
	for _, r := range DefaultEvidence().rows {
		if r.Key == "supplier" && r.Level == anyone {
			was = r.Spread
		}
	}
	alike, apart := spread(12, 12, 12, 12, 12, 12), spread(2, 30, 3, 34, 4, 28)
	if !(alike < was && was < apart) {
		t.Errorf("spread %.2f after suppliers alike, %.2f before, %.2f after suppliers apart", alike, was, apart)
	}
}
