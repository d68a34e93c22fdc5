package risk

import (
	"math"
	"testing"

	"soilshed/risk/soil"
)

// The year found by halving is that of the plain walk through the years by
// species.GrowDBH, year after year, with the need reckoned anew.
func TestOutgrownIsTheFirstYearOfThePlainWalk(t *testing.T) {
	m := &Model{Settings: DefaultSettings(2024)}
	found := 0
	for _, name := range []string{"Acer rubrum", "Quercus rubra", "Ginkgo", "Pinus nigra", "no such tree"} {
		for _, dbh := range []float64{3, 8, 20, 45, 90} {
			for _, wide := range []float64{0.7, 1, 1.4} { // recorded crown over the curve's
				tree := Tree{Species: name, DBHCm: Known(dbh)}
				s := m.Size(&tree)
				tree.CrownM = Known(wide * s.CrownM)
				s = m.Size(&tree)
				// Measures that contradict each other are not both kept.
				curve, _ := s.Species.CrownM(s.DBHCm)
				wide, dbh := s.CrownM/curve, s.DBHCm
				need := soil.NeedCrownM3(s.CrownM2, m.CrownM3M2)
				for _, have := range []float64{0, 0.9 * need, need, 1.3 * need, 3 * need, 30 * need} {
					want, ok := soil.OutgrownYear(2024, OutgrownYears, have, func(year int) float64 {
						if year == 2024 {
							return need
						}
						then, _ := s.Species.GrowDBH(dbh, float64(year-2024))
						crown, _ := s.Species.CrownM(then)
						return soil.NeedCrownM3(soil.CrownAreaM2(wide*crown), m.CrownM3M2)
					})
					got := m.Outgrown(&s, need, have)
					if got.Known != ok || got.Value != want {
						t.Errorf("%s of %g cm, crown x %g, %g of %g m3: %v, want %d %v", name, dbh, wide, have, need, got, want, ok)
					}
					if ok && want > 2024 {
						found++
					}
				}
			}
		}
	}
	if found < 20 {
		t.Errorf("only %d cases in which a tree grows out of its ground: the test tests nothing", found)
	}
}

func TestOutgrownWhereNothingCanBeSaid(t *testing.T) {
	m := &Model{Settings: DefaultSettings(2024)}
	s := m.Size(&Tree{Species: "Acer rubrum", DBHCm: Known(10.0)})
	for _, c := range []struct{ need, have float64 }{{math.NaN(), 5}, {math.Inf(1), 5}, {0, 5}, {-1, 5}, {5, math.NaN()}, {5, 1e9}} {
		if y := m.Outgrown(&s, c.need, c.have); y.Known {
			t.Errorf("need %g, ground %g: outgrown in %d", c.need, c.have, y.Value)
		}
	}
	m.Need = NeedStandard // goes by the size at maturity: does not grow
	if y := m.Outgrown(&s, 20, 21); y.Known {
		t.Errorf("a municipality's table: outgrown in %d", y.Value)
	}
	if y := m.Outgrown(&s, 20, 19); y != Known(2024) {
		t.Errorf("short today by a municipality's table: %v", y)
	}
}

func BenchmarkOutgrown(b *testing.B) {
	m := &Model{Settings: DefaultSettings(2024)}
	for _, name := range []string{"Acer rubrum", "no such tree"} {
		s := m.Size(&Tree{Species: name, DBHCm: Known(10.0)})
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				m.Outgrown(&s, 10, 15)
			}
		})
	}
}
