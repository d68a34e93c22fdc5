package collar

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
)

func TestDefaultTableIsSourced(t *testing.T) {
	for _, r := range DefaultEvidence().Rows() {
		if r.Source == "" {
			t.Errorf("%s has no source", r.name())
		}
	}
}

func TestTableWritesWhatItReads(t *testing.T) {
	var b strings.Builder
	if err := DefaultEvidence().Write(&b); err != nil {
		t.Fatal(err)
	}
	again, err := ReadEvidence(strings.NewReader(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(again, DefaultEvidence()) {
		t.Error("the table changed on its way out and in")
	}
	// A learned table carries how its weights move together.
	w := newTown(DefaultEvidence(), 1)
	e, err := learn(DefaultEvidence(), w.dig(60, 0.2))
	if err != nil {
		t.Fatal(err)
	}
	b.Reset()
	if err := e.Write(&b); err != nil {
		t.Fatal(err)
	}
	again, err = ReadEvidence(strings.NewReader(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	for range 50 {
		_, s := w.draw(0.3)
		a, b := e.Girdled(s), again.Girdled(s)
		if math.Abs(a.P-b.P) > 1e-12 || math.Abs(a.Lo-b.Lo) > 1e-9 || math.Abs(a.Hi-b.Hi) > 1e-9 {
			t.Fatalf("%v %v, read again %v %v", a.P, a.Lo, b.P, b.Lo)
		}
	}
}

func TestTableIsStrict(t *testing.T) {
	whole := string(defaultTable)
	change := func(old, new string) string {
		if !strings.Contains(whole, old) {
			t.Fatalf("no %q in the table", old)
		}
		return strings.Replace(whole, old, new, 1)
	}
	for _, c := range []struct{ name, table, want string }{
		{"empty", "", "empty"},
		{"unknown key", change("mulch_cm,", "mulch_mc,"), `line 16: unknown key "mulch_mc" (did you mean "mulch_cm"?)`},
		{"unknown column", change("spread,source", "spred,source"), `line 1: unknown column "spred" (did you mean "spread"?)`},
		{"missing column", change("key,level", "key,note"), "line 1"},
		{"unknown level", change("stock,balled", "stock,baled"), `(did you mean "balled"?)`},
		{"no number", change("balled,,,,,,0.45,0,0.8", "balled,,,,,,0.45,zero,0.8"), `line 11: stock: weight "zero" is no number`},
		{"infinite", change("balled,,,,,,0.45,0,0.8", "balled,,,,,,0.45,Inf,0.8"), "is no number"},
		{"negative spread", change("balled,,,,,,0.45,0,0.8", "balled,,,,,,0.45,0,-0.8"), "negative"},
		{"no source", change(`"reference level; genera not surveyed"`, ""), "source is empty"},
		{"shares", change("balled,,,,,,0.45", "balled,,,,,,0.35"), "stock: the shares of its levels add up to 0.9"},
		{"twice", change("stock,bare root,,,,,,0.1,", "stock,balled,,,,,,0.1,"), "stands twice, first on line 11"},
		{"left out", strings.Replace(whole, whole[strings.Index(whole, "odd_z"):strings.Index(whole, "supplier")], "", 1), "no row for odd_z"},
		{"mean outside", change("cm,0,30,6,6", "cm,0,30,60,6"), "low <= mean <= high"},
		{"unit", change("flare_cm,,cm", "flare_cm,,in"), `its weight is per "cm"`},
		{"columns", change("odd_z,,,-2", "odd_z,,-2"), "wrong number of fields"},
		{"together", whole + "together,prior,flare,,,,,,0.1,,,\n", "wants the names of two rows"},
		{"together too much", whole + "together,prior,flare_cm,,,,,,9,,,\n", "more than their spreads allow"},
	} {
		_, err := ReadEvidence(strings.NewReader(c.table))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want %q in it", c.name, err, c.want)
		}
	}
	if _, err := ReadEvidence(strings.NewReader("\ufeff" + whole)); err != nil {
		t.Errorf("byte order mark: %v", err)
	}
}

// A table says of which version it is; one that does not is of the first. Another is
// refused before its columns and keys are looked at, which may be others too.
func TestTableVersions(t *testing.T) {
	whole := string(defaultTable)
	row := "version,1,,,,,,,,,form of this table,\n"
	if strings.Count(whole, row) != 1 {
		t.Fatal("no version in the table")
	}
	without := strings.Replace(whole, row, "", 1)
	e, err := ReadEvidence(strings.NewReader(without))
	if err != nil || !reflect.DeepEqual(e, DefaultEvidence()) {
		t.Errorf("without a version: %v", err)
	}
	if e, err := ReadEvidence(strings.NewReader(without + row)); err != nil || !reflect.DeepEqual(e, DefaultEvidence()) {
		t.Errorf("the version at the end, as a spreadsheet may sort it: %v", err)
	}
	for name, c := range map[string]struct {
		table   string
		another bool
		want    string
	}{
		"newer":             {strings.Replace(whole, row, strings.Replace(row, "1", "2", 1), 1), true, "line 2: another version of the evidence table: it is of version 2, and this program reads version 1"},
		"newer, other form": {"key,level,probability\nversion,7,\nleaf,,0.5\n", true, "version 7"},
		"columns moved":     {"\ufefflevel,chance,key\n3,,version\n", true, "line 2: another version"},
		"other rows":        {"key,level\nroot\nversion,12\n", true, "line 3: another version"},
		"no number":         {strings.Replace(whole, row, strings.Replace(row, "1", "one", 1), 1), false, `line 2: version "one" is none`},
		"nought":            {strings.Replace(whole, row, strings.Replace(row, "1", "0", 1), 1), false, `version "0" is none`},
	} {
		_, err := ReadEvidence(strings.NewReader(c.table))
		if err == nil || !strings.Contains(err.Error(), c.want) || errors.Is(err, ErrVersion) != c.another {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Members of groups come from inventories. None runs in the spreadsheet in which the
// table is edited, and each is the same again when it is read.
func TestTableRunsNoFormula(t *testing.T) {
	names := []string{"=1+1", "@SUM(A1)", "'=1", "''+1", "x\n=1", "'plain", "-2", "＝1", "\u200b=1", "a=b"}
	rows := DefaultEvidence().Rows()
	for i, n := range names {
		rows = append(rows, Row{Key: "supplier", Level: n, Weight: -float64(i) / 10, Spread: 0.5, Source: "=learned", Note: "+1"})
	}
	e, err := newEvidence(rows)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := e.Write(&b); err != nil {
		t.Fatal(err)
	}
	again, err := ReadEvidence(strings.NewReader(b.String()))
	if err != nil || !reflect.DeepEqual(again, e) {
		t.Errorf("the table changed on its way out and in: %v\n%s", err, b.String())
	}
	cells, err := csv.NewReader(strings.NewReader(b.String())).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	safe := 0
	for _, row := range cells {
		for _, k := range []int{1, 2, 10, 11} { // level, unit, source, note: the others are keys and numbers
			for i, line := range strings.Split(row[k], "\n") {
				if strings.HasPrefix(row[k], "'") {
					safe++
				} else if strings.TrimLeft(line, " \t\u200b") != "" && strings.ContainsAny(strings.TrimLeft(line, " \t\u200b")[:1], "=+-@") || strings.HasPrefix(line, "＝") {
					t.Errorf("%q, line %d", row[k], i+1)
				}
			}
		}
	}
	if safe < 3*len(names)-2 {
		t.Errorf("%d cells made safe", safe)
	}
}

func FuzzReadEvidence(f *testing.F) {
	f.Add(string(defaultTable))
	f.Add("key,level,weight,spread,source\nprior,,1,1,x\n")
	f.Add(string(defaultTable) + "together,prior,flare_cm,,,,,,0.01,,,\n")
	f.Fuzz(func(t *testing.T, s string) {
		e, err := ReadEvidence(strings.NewReader(s))
		if err != nil {
			return
		}
		p := e.Girdled(Signs{FlareCm: Read(12), Stock: Balled, Genus: "Tilia"})
		if !(p.P >= 0 && p.P <= 1+1e-9 && p.Lo <= p.Hi) {
			t.Errorf("P %v, %v to %v", p.P, p.Lo, p.Hi)
		}
	})
}

// The mean of the logistic over a normal: by symmetry a half at 0, and against
// a fine trapezium sum.
func TestMeanLogistic(t *testing.T) {
	near(t, "at 0", meanLogistic(0, 2), 0.5, 1e-12)
	for _, m := range []float64{-5, -2.4, -1, 0.3, 3} {
		for _, sd := range []float64{0, 0.5, 1, 2, 3} {
			sum, n := 0.0, 0.0
			for z := -9.0; z <= 9; z += 1e-3 {
				w := math.Exp(-z * z / 2)
				sum += w * logistic(m+sd*z)
				n += w
			}
			near(t, fmt.Sprint("mean ", m, " sd ", sd), meanLogistic(m, sd), sum/n, 3e-5)
		}
	}
}

// P and interval of a tree with signs missing, against drawing the missing signs
// and the weights one by one: the normal stands for the mixture.
func TestMissingSignsAgainstDrawing(t *testing.T) {
	e := wide(t)
	rng := rand.New(rand.NewPCG(5, 6))
	for name, told := range map[string]Signs{
		"nothing known": {},
		"depth known":   {FlareCm: Read(15)},
		"stock unknown": {FlareCm: Read(2), Corrected: No, FlatSide: No, YearsSincePlanting: Read(10), MulchCm: Read(3),
			MulchTouches: No, SoilShare: Read(1), ReachM: Read(3), Texture: Loamy, Genus: "Acer", OddZ: Read(0)},
	} {
		const n = 40000
		sum, below, above := 0.0, 0, 0
		p := e.Girdled(told)
		for range n {
			w := newTownFrom(e, rng)
			whole, _ := w.draw(0)
			s := told
			fill(&s, whole)
			q := logistic(w.logOdds(s))
			sum += q
			if q < p.Lo {
				below++
			}
			if q > p.Hi {
				above++
			}
		}
		near(t, name+": P", p.P, sum/n, 0.01)
		near(t, name+": below the interval", float64(below)/n, 0.1, 0.02)
		near(t, name+": above the interval", float64(above)/n, 0.1, 0.02)
	}
}

// newTownFrom draws true weights, with one member a group.
func newTownFrom(e *Evidence, rng *rand.Rand) *town {
	w := &town{rng: rng, names: map[int][]string{kSupplier: {"a"}, kSpecies: {"a"}, kSeason: {"a"}, kCrew: {"a"}}}
	w.e = oneMember(e)
	w.truth = make([]float64, len(w.e.rows))
	for i, r := range w.e.rows {
		w.truth[i] = r.Weight + r.Spread*rng.NormFloat64()
	}
	return w
}

var oneMemberOf = map[*Evidence]*Evidence{}

func oneMember(e *Evidence) *Evidence {
	if oneMemberOf[e] == nil {
		oneMemberOf[e] = e.withMembers([]Record{{Signs: Signs{Supplier: "a", Species: "a", Season: "a", Crew: "a"}}})
	}
	return oneMemberOf[e]
}

func fill(s *Signs, from Signs) {
	to, src := reflect.ValueOf(s).Elem(), reflect.ValueOf(from)
	for i := range to.NumField() {
		if to.Field(i).IsZero() {
			to.Field(i).Set(src.Field(i))
		}
	}
}

// Each factor's known contributions average to nothing over trees, and the
// variance that missing adds is what they and their spreads come to.
func TestMissingIsTheMixtureOfLevels(t *testing.T) {
	e := DefaultEvidence()
	for k, what := range keys {
		if what.kind != levels {
			continue
		}
		f := e.factors[k]
		mean, vari := 0.0, 0.0
		for l, i := range f.rows {
			mean += e.rows[i].Share * f.effect[l]
			vari += e.rows[i].Share * (f.effect[l]*f.effect[l] + f.vari[l])
		}
		near(t, what.name+" mean", mean, 0, 1e-12)
		near(t, what.name+" variance", f.missing, vari, 1e-12)
	}
}

func TestTermsAddUp(t *testing.T) {
	e := DefaultEvidence()
	s := Signs{Stock: SolidContainer, FlareCm: Read(14), FlareSeen: No, Genus: "Acer", Species: "Acer platanoides", OddZ: Read(2.5)}
	p := e.Girdled(s)
	sum, squares := 0.0, 0.0
	for i, term := range p.Terms {
		sum += term.LogOdds
		squares += term.Spread * term.Spread
		if term.Source == "" || term.Words == "" {
			t.Errorf("term %+v without source or words", term)
		}
		if i > 1 && !term.Missing && p.Terms[i-1].Missing {
			t.Errorf("%s is known and comes after %s, which is missing", term.Key, p.Terms[i-1].Key)
		}
		if i > 1 && !term.Missing && math.Abs(term.LogOdds) > math.Abs(p.Terms[i-1].LogOdds) {
			t.Errorf("%s out of order", term.Key)
		}
		if term.Key == "flare_seen" {
			t.Error("a flare seen counts beside a depth that was measured")
		}
	}
	near(t, "log-odds", sum, float64(p.Mean), 1e-12)
	near(t, "spread", math.Sqrt(squares), p.Spread, 1e-12)
	if got := strings.Join(p.Missing, " "); got != "flat_side corrected years mulch_cm mulch_touches soil_share reach_m texture" {
		t.Errorf("missing: %s", got)
	}
	if got := p.Terms[1].String(); got != "a kind more prone than most: Acer platanoides" {
		t.Errorf("first reason %q", got)
	}
	var raise []Term
	for _, k := range p.Terms {
		if !k.Missing && k.Key != "prior" && k.LogOdds > 0 {
			raise = append(raise, k)
		}
	}
	if got := e.Raised(s); len(raise) < 2 || !slices.Equal(got.Terms, raise) || got.P != p.P || got.Lo != p.Lo || got.Hi != p.Hi {
		t.Errorf("what raises its odds is %v, of all terms %v", got.Terms, raise)
	}
	if q, lo, hi := e.Chance(s); q != p.P || lo != p.Lo || hi != p.Hi {
		t.Error("Chance and Girdled differ")
	}
	if none := e.Girdled(Signs{}); none.Hi-none.Lo <= 0 || none.Terms[1].Key != "flare_cm" || !none.Terms[1].Missing {
		t.Errorf("nothing known: %+v", none.Terms[1])
	}
}

// Evidence that is worse raises P, all else equal.
func TestDirections(t *testing.T) {
	e := DefaultEvidence()
	for _, c := range []struct {
		name          string
		better, worse Signs
	}{
		{"depth", Signs{FlareCm: Read(2)}, Signs{FlareCm: Read(14)}},
		{"flare", Signs{FlareSeen: Yes}, Signs{FlareSeen: No}},
		{"flat side", Signs{FlatSide: No}, Signs{FlatSide: Yes}},
		{"container", Signs{Stock: PrunedContainer}, Signs{Stock: SolidContainer}},
		{"corrected", Signs{Corrected: Yes}, Signs{Corrected: No}},
		{"mulch", Signs{MulchTouches: No}, Signs{MulchTouches: Yes}},
		{"odd", Signs{OddZ: Read(0)}, Signs{OddZ: Read(3)}},
		{"species", Signs{Genus: "Acer"}, Signs{Genus: "Acer", Species: "Acer platanoides"}},
	} {
		a, b := e.Girdled(c.better), e.Girdled(c.worse)
		if a.P >= b.P {
			t.Errorf("%s: %.3f, worse %.3f", c.name, a.P, b.P)
		}
	}
	deep, deeper := e.Girdled(Signs{FlareCm: Read(30)}), e.Girdled(Signs{FlareCm: Read(300)})
	if deep.P != deeper.P {
		t.Error("depth counts beyond the range it was seen in")
	}
	if odd := e.Girdled(Signs{FlareCm: Reading{math.NaN(), true}}); math.IsNaN(odd.P) || odd.P != e.Girdled(Signs{}).P {
		t.Error("a depth that is no number is not taken as unknown")
	}
}

func TestParse(t *testing.T) {
	for word, want := range map[string]Stock{"Container": SolidContainer, "B&B": Balled, "bare-root": BareRoot, "BARE ROOT": BareRoot,
		"air-pruned container": PrunedContainer, "Fabric": PrunedContainer, "field-grown": Balled, "field grown, balled": Balled, "unknown": StockUnknown} {
		if got, ok := ParseStock(word); !ok || got != want {
			t.Errorf("%q: %v, %v", word, got, ok)
		}
	}
	for _, word := range []string{"", "seedling", "??"} {
		if got, ok := ParseStock(word); ok || got != StockUnknown {
			t.Errorf("%q: %v, %v", word, got, ok)
		}
	}
	for word, want := range map[string]Answer{"Yes": Yes, "y": Yes, "TRUE": Yes, "1": Yes, "no": No, "F": No, "unknown": Unknown} {
		if got, ok := ParseAnswer(word); !ok || got != want {
			t.Errorf("%q: %v, %v", word, got, ok)
		}
	}
	if _, ok := ParseAnswer("maybe"); ok {
		t.Error(`"maybe" is an answer`)
	}
	for s := StockUnknown; s <= BareRoot; s++ {
		if got, ok := ParseStock(s.String()); !ok || got != s {
			t.Errorf("%v is not understood as itself", s)
		}
	}
}

func BenchmarkGirdled(b *testing.B) {
	bench(b, func(e *Evidence, s Signs) float64 { return e.Girdled(s).P })
}
func BenchmarkChance(b *testing.B) {
	bench(b, func(e *Evidence, s Signs) float64 { p, _, _ := e.Chance(s); return p })
}

func bench(b *testing.B, f func(*Evidence, Signs) float64) {
	w := newTown(DefaultEvidence(), 2)
	learned, err := learn(DefaultEvidence(), w.dig(200, 0.2))
	if err != nil {
		b.Fatal(err)
	}
	signs := make([]Signs, 1024)
	for i := range signs {
		_, signs[i] = w.draw(0.4)
	}
	for name, e := range map[string]*Evidence{"default": DefaultEvidence(), "learned": learned} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			sum, i := 0.0, 0
			for b.Loop() {
				sum += f(e, signs[i%len(signs)])
				i++
			}
			b.ReportMetric(sum/float64(i), "P")
		})
	}
}
