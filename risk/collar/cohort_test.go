package collar

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// Modified z by hand, formula of Iglewicz & Hoaglin 1993, 0.6745 (x - median)/MAD.
func TestRobustByHand(t *testing.T) {
	values := []float64{3.2, 4.1, 3.9, 4.0, 4.3, 3.8, 4.2, 9.5, 4.1, 3.7}
	center, sd := robust(slices.Clone(values))
	near(t, "median", center, 4.05, 1e-12)
	near(t, "MAD", sd/consistent, 0.20, 1e-12)
	near(t, "z of 9.5", (9.5-center)/sd, 18.38, 0.005)
	near(t, "z of 3.2", (3.2-center)/sd, -2.87, 0.005)
	near(t, "consistency", consistent, 1/distuv.UnitNormal.Quantile(0.75), 1e-9)
	// More than half alike: the median deviation is 0, the mean one is not.
	_, sd = robust([]float64{1, 1, 1, 1, 1, 1, 1, 0.2})
	near(t, "sd with MAD 0", sd, math.Sqrt(math.Pi/2)*0.8/8, 1e-12)
}

func TestMedian(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for n := 1; n < 300; n++ {
		v := make([]float64, n)
		for i := range v {
			v[i] = float64(rng.IntN(1 + n/3))
		}
		s := slices.Sorted(slices.Values(v))
		want := (s[n/2] + s[(n-1)/2]) / 2
		if got := median(v); got != want {
			t.Fatalf("median of %v: %g, want %g", s, got, want)
		}
	}
}

// Benjamini & Hochberg 1995, section 4: 15 hypotheses, 4 rejected at 0.05, 9 at
// 0.10; whatever their order.
func TestDiscoveriesOfTheOriginalExample(t *testing.T) {
	p := []float64{.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590, 1}
	slices.Reverse(p)
	for q, want := range map[float64]int{0.05: 4, 0.10: 9} {
		n := 0
		for i, found := range discoveries(p, q) {
			if found {
				n++
			}
			if found != (i >= len(p)-want) {
				t.Errorf("q %g: p %g found %v", q, p[i], found)
			}
		}
		if n != want {
			t.Errorf("q %g: %d rejected, want %d", q, n, want)
		}
	}
}

// Beta(2, 18), 7 of 40 found -> Beta(9, 51): of the next 10, none with
// probability .221726; and the tail against summing the printed formula.
func TestBetaBinomial(t *testing.T) {
	near(t, "none of 10", 1-betaBinomialTail(1, 10, 9, 51), 0.221726, 5e-7)
	lbeta := func(a, b float64) float64 {
		x, _ := math.Lgamma(a)
		y, _ := math.Lgamma(b)
		z, _ := math.Lgamma(a + b)
		return x + y - z
	}
	sum, choose := 0.0, []float64{1, 6, 15, 20, 15, 6, 1}
	for k := 6; k >= 0; k-- {
		sum += choose[k] * math.Exp(lbeta(float64(k)+1.5, float64(6-k)+4)-lbeta(1.5, 4))
		near(t, fmt.Sprint("tail at ", k), betaBinomialTail(k, 6, 1.5, 4), sum, 1e-12)
	}
}

// street makes n trees of a town in which nothing but chance and species differ.
func street(n int, seed uint64) []Member {
	rng := rand.New(rand.NewPCG(seed, 3))
	species := []string{"Acer rubrum", "Acer platanoides", "Tilia cordata", "Quercus bicolor", "Gleditsia triacanthos", "Ulmus americana"}
	side := 100 * math.Sqrt(float64(n)/15)
	out := make([]Member, n)
	for i := range out {
		s := rng.IntN(len(species))
		genus, _, _ := strings.Cut(species[s], " ")
		year := 1985 + float64(rng.IntN(30))
		age := 2025 - year
		dbh := (2 + 0.2*float64(s)) * math.Pow(age, 0.75) * math.Exp(0.2*rng.NormFloat64())
		out[i] = Member{Species: species[s], Genus: genus, Supplier: fmt.Sprint("nursery ", rng.IntN(4)),
			PlantedYear: Read(year), X: side * rng.Float64(), Y: side * rng.Float64(),
			Condition: Read(0.7 - 0.02*float64(s) + 0.1*rng.NormFloat64()), DBHCm: Read(dbh),
			CrownM: Read(0.9 * math.Pow(dbh, 0.69) * math.Exp(0.15*rng.NormFloat64())),
			Dead:   rng.Float64() < 0.03, Removed: rng.Float64() < 0.03}
	}
	return out
}

// Of the flagged, no more than about the stated share are so by chance, and most
// of the truly odd are found; a town with none flags next to none.
func TestFalseDiscoveriesAreHeld(t *testing.T) {
	const n = 12000
	town := street(n, 1)
	c := NewCohorts(town, CohortOptions{Year: 2025})
	flagged := 0
	for i := range town {
		if c.Flagged(i) {
			flagged++
		}
	}
	if flagged > n/500 {
		t.Errorf("%d of %d trees of a town without odd ones are flagged", flagged, n)
	}
	odd := map[int]bool{}
	for i := 0; i < n; i += 40 {
		if town[i].Dead || town[i].Removed {
			continue
		}
		odd[i] = true
		town[i].Condition.Value -= 0.4
		town[i].DBHCm.Value *= 0.6
		town[i].CrownM.Value *= 0.5
	}
	c = NewCohorts(town, CohortOptions{Year: 2025})
	right, wrong := 0, 0
	for i := range town {
		switch {
		case c.Flagged(i) && odd[i]:
			right++
		case c.Flagged(i):
			wrong++
		}
	}
	t.Logf("%d truly odd, %d of them flagged, %d others", len(odd), right, wrong)
	if share := float64(wrong) / float64(max(right+wrong, 1)); share > 0.13 {
		t.Errorf("%.0f %% of the flagged are so by chance, stated 10 %%", 100*share)
	}
	if float64(right) < 0.6*float64(len(odd)) {
		t.Errorf("only %d of %d odd trees found", right, len(odd))
	}
}

func TestCohortsDoNotDependOnOrderOrPlace(t *testing.T) {
	town := street(3000, 2)
	for i := 0; i < 400; i++ {
		town[i].Supplier, town[i].PlantedYear, town[i].Species, town[i].Genus = "worst", Read(2005), "Tilia cordata", "Tilia"
		town[i].Condition.Value -= 0.3
	}
	want := NewCohorts(town, CohortOptions{})
	order := rand.New(rand.NewPCG(4, 4)).Perm(len(town))
	mixed := make([]Member, len(town))
	for to, from := range order {
		mixed[to] = town[from]
		mixed[to].X += 512 // exact in binary
		mixed[to].Y -= 4096
	}
	got := NewCohorts(mixed, CohortOptions{})
	for to, from := range order {
		a, ka := got.Odd(to)
		b, kb := want.Odd(from)
		wa, _ := got.Whole(to)
		wb, _ := want.Whole(from)
		if ka != kb || math.Abs(a-b) > 1e-9 || got.Flagged(to) != want.Flagged(from) || wa != wb {
			t.Fatalf("tree %d: %v %v %q, in another order and place %v %v %q", from, b, want.Flagged(from), wb, a, got.Flagged(to), wa)
		}
	}
}

func TestCohortsDoNotDependOnWorkers(t *testing.T) {
	town := street(3*partOf, 9) // several parts
	for i := range town {
		if i%7 == 0 {
			town[i].Species, town[i].Genus = "Tilia cordata", "Tilia"
		}
	}
	want := NewCohorts(town, CohortOptions{})
	for _, n := range []int{2, 16} {
		got := NewCohorts(town, CohortOptions{Workers: n})
		for i := range town {
			if math.Float64bits(got.z[i]) != math.Float64bits(want.z[i]) || got.flagged[i] != want.flagged[i] || got.whole[i] != want.whole[i] {
				t.Fatalf("tree %d with %d workers: %v %v %q, with one %v %v %q", i, n, got.z[i], got.flagged[i], got.whole[i], want.z[i], want.flagged[i], want.whole[i])
			}
		}
	}
}

func TestOddIsWorseForWorse(t *testing.T) {
	one := func(condition float64) Member {
		return Member{Species: "Tilia cordata", Genus: "Tilia", PlantedYear: Read(2010), Condition: Read(condition)}
	}
	town := []Member{one(0.2)}
	for range 9 {
		town = append(town, one(0.8)) // all alike: MAD 0
	}
	town = append(town, one(1))
	c := NewCohorts(town, CohortOptions{})
	low, _ := c.Odd(0)
	mid, _ := c.Odd(1)
	high, known := c.Odd(10)
	if !(low > 2 && math.Abs(mid) < 0.5 && high < 0 && known) {
		t.Errorf("z %.2f for 0.2, %.2f for 0.8, %.2f for 1", low, mid, high)
	}
	// Too few of a kind, dead, removed, no measure, no number.
	for name, m := range map[string]Member{
		"few":         {Species: "Ginkgo biloba", Genus: "Ginkgo", Condition: Read(0.5)},
		"no species":  {Condition: Read(0.1)},
		"dead":        {Species: "Tilia cordata", Genus: "Tilia", Dead: true, Condition: Read(0)},
		"removed":     {Species: "Tilia cordata", Genus: "Tilia", Removed: true, Condition: Read(0)},
		"no measures": {Species: "Tilia cordata", Genus: "Tilia"},
		"NaN":         {Species: "Tilia cordata", Genus: "Tilia", X: math.NaN(), Condition: Reading{math.NaN(), true}},
	} {
		c := NewCohorts(append([]Member{m}, town...), CohortOptions{})
		if z, known := c.Odd(0); known {
			t.Errorf("%s: z %.2f", name, z)
		}
	}
	if _, known := c.Odd(99); known || c.Flagged(-1) {
		t.Error("a member that is not there is known")
	}
}

// A cohort of two of one species, poor both, in a genus that does well: the pair
// leans on its genus, so both stand out; alone with its like it would not.
func TestSmallCohortsLeanOnTheirParents(t *testing.T) {
	var town []Member
	rng := rand.New(rand.NewPCG(8, 8))
	for range 60 {
		town = append(town, Member{Species: "Acer rubrum", Genus: "Acer", PlantedYear: Read(2010), Condition: Read(0.8 + 0.05*rng.NormFloat64())})
	}
	for range 2 {
		town = append(town, Member{Species: "Acer ginnala", Genus: "Acer", PlantedYear: Read(2010), Condition: Read(0.3)})
	}
	c := NewCohorts(town, CohortOptions{})
	if z, known := c.Odd(60); !known || z < 1.5 {
		t.Errorf("z %.2f, known %v", z, known)
	}
}

func TestWholeCohorts(t *testing.T) {
	town := street(4000, 5)
	for i := range town {
		town[i].Dead, town[i].Removed = i%30 == 0, i%30 == 1
	}
	isPlanting, isPlace := map[int]bool{}, map[int]bool{}
	for i := range town {
		m := &town[i]
		switch {
		case i < 30: // one bad planting, over the whole town
			m.Species, m.Genus, m.Supplier, m.PlantedYear = "Tilia cordata", "Tilia", "nursery X", Read(2001)
			m.Condition.Value -= 0.2
			m.Dead = i%3 == 0
			isPlanting[i] = true
		case math.Hypot(m.X-800, m.Y-800) < 150: // one bad place, all kinds
			m.Condition.Value -= 0.25
			m.DBHCm.Value *= 0.8
			m.CrownM.Value *= 0.8
			isPlace[i] = true
		}
	}
	c := NewCohorts(town, CohortOptions{Year: 2025})
	var stock, stockWrong, soil, soilWrong int
	for i := range town {
		words, _ := c.Whole(i)
		if strings.Contains(words, "look at the stock") {
			if isPlanting[i] {
				stock++
			} else {
				stockWrong++
			}
		}
		if strings.Contains(words, "look at the soil") {
			if isPlace[i] {
				soil++
			} else if math.Hypot(town[i].X-800, town[i].Y-800) > 250 {
				soilWrong++
			}
		}
	}
	t.Logf("planting: %d of %d told, %d others; place: %d of %d told, %d others", stock, len(isPlanting), stockWrong, soil, len(isPlace), soilWrong)
	if stock != len(isPlanting) || stockWrong > 30 {
		t.Errorf("bad planting: %d of %d trees told, %d of other plantings", stock, len(isPlanting), stockWrong)
	}
	if soil < len(isPlace)/2 || soilWrong > 20 {
		t.Errorf("bad place: %d of %d trees told, %d elsewhere", soil, len(isPlace), soilWrong)
	}
	// A planting of which most are gone and the rest do well is told, too.
	town = street(2000, 6)
	for i := range 20 {
		town[i].Species, town[i].Genus, town[i].Supplier, town[i].PlantedYear = "Tilia cordata", "Tilia", "nursery X", Read(2001)
		town[i].Dead, town[i].Removed = false, i < 14
	}
	words, ok := NewCohorts(town, CohortOptions{}).Whole(19)
	if !ok || !strings.Contains(words, "14 dead or removed") {
		t.Errorf("planting with 14 of 20 removed: %q", words)
	}
}

// Many trees at one point, or far away, cost no more than others.
func TestCohortsStandCrowds(t *testing.T) {
	town := make([]Member, 40000)
	for i := range town {
		town[i] = Member{Species: "Acer rubrum", Genus: "Acer", PlantedYear: Read(2000), Condition: Read(float64(i%5) / 4)}
		if i%1000 == 0 {
			town[i].X, town[i].Y = math.Inf(1), 1e300
		}
	}
	c := NewCohorts(town, CohortOptions{})
	if _, known := c.Odd(1); !known {
		t.Error("not known")
	}
}

func BenchmarkCohorts(b *testing.B) {
	town := street(100000, 9)
	for b.Loop() {
		NewCohorts(town, CohortOptions{})
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/float64(len(town)), "us/tree")
}

// A species that does less well than its genus everywhere: two young ones that do
// as their species does are not odd, since they lean on the species before the
// genus.
func TestSmallCohortsLeanOnTheirSpeciesFirst(t *testing.T) {
	var town []Member
	rng := rand.New(rand.NewPCG(9, 9))
	add := func(n int, species string, year, condition float64) {
		for range n {
			town = append(town, Member{Species: species, Genus: "Acer", PlantedYear: Read(year), Condition: Read(condition + 0.05*rng.NormFloat64())})
		}
	}
	add(200, "Acer rubrum", 2010, 0.85)
	add(100, "Acer ginnala", 1980, 0.5)
	add(2, "Acer ginnala", 2010, 0.5)
	c := NewCohorts(town, CohortOptions{})
	for i := len(town) - 2; i < len(town); i++ {
		if z, known := c.Odd(i); !known || math.Abs(z) > 1.5 {
			t.Errorf("z %.2f, known %v", z, known)
		}
	}
}
