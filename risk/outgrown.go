package risk

import "math"

// OutgrownYears is how far ahead Outgrown looks: longer than most street trees
// stand (setting, no source).
const OutgrownYears = 60

// Outgrown is the first year, from the model's own on, in which the need of the
// tree, by the rule that decides, passes the ground it has. It is not known
// where that does not happen within OutgrownYears, where the published curve of
// growth ends before, or where the need does not grow (a municipality's table
// goes by the size at maturity).
//
// The stem grows as species.GrowDBH has it, and the crown with the stem: a tree
// whose crown is wider or narrower than the published curve keeps that ratio.
// need is of today, haveM3 the available soil volume.
func (m *Model) Outgrown(s *Size, need, haveM3 float64) Maybe[int] {
	if !(need > 0) || !(haveM3 >= 0) || math.IsInf(need, 1) {
		return Maybe[int]{}
	}
	if need > haveM3 {
		return Known(m.Year)
	}
	// The other three rules are so much for each square metre of crown.
	crown, _ := s.Species.CrownM(s.DBHCm)
	if m.Need == NeedStandard || !(crown > 0) {
		return Maybe[int]{}
	}
	age, _ := s.Species.AgeFromDBH(s.DBHCm) // GrowDBH, its inversion done once
	now, _ := s.Species.DBHFromAge(age)
	passes := func(years int) bool {
		then, _ := s.Species.DBHFromAge(age + float64(years))
		grown, _ := s.Species.CrownM(s.DBHCm + max(0, then-now))
		return need*(grown/crown)*(grown/crown) > haveM3
	}
	// No curve of the tables falls, so the years can be halved.
	if !passes(OutgrownYears) {
		return Maybe[int]{}
	}
	lo, hi := 0, OutgrownYears
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; passes(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return Known(m.Year + hi)
}

func (tr *Trace) outgrown(m *Model, s *Size, r *Result) {
	if tr == nil {
		return
	}
	_, by := s.Species.DBHFromAge(0)
	switch y := r.OutgrownYear; {
	case !y.Known:
		tr.add("need", "need does not pass the ground it has in 60 years, as far as its curve goes", math.NaN(), "", "stem by "+by)
	case y.Value == m.Year:
		tr.add("need", "need has passed the ground it has", math.NaN(), "", "")
	default:
		tr.add("need", "need passes the ground it has in", float64(y.Value), "", "stem by "+by+"; crown with the stem")
	}
}
