package main

import (
	"iter"
	"math"
	"strings"

	"soilshed/risk"
	"soilshed/risk/collar"
	"soilshed/risk/soil"
)

// treeList keeps the records of an inventory. A risk.Tree has 376 bytes and many
// pointers; of millions each is packed, without a pointer for the collector of
// rubbish to follow. Nothing of a record is lost but a value that is said not to
// be known.
type treeList struct {
	packed []packedTree
	texts  []string          // those that records share: species, streets, crews
	place  map[string]uint32 // of each in texts
	ids    []*strings.Builder
}

type packedTree struct {
	numbers       [treeNumbers]float64 // NaN: not known
	texts         [treeTexts]uint32
	idIn          uint32 // place in ids,
	idFrom, idTo  uint32 // and in that
	planted, walk int32  // years; unknownYear
	month         int32
	stock         collar.Stock
	corrected     collar.Answer
	flareSeen     collar.Answer
	mulchTouches  collar.Answer
	texture       soil.Texture
	removed, dead bool
}

const (
	treeNumbers = 11
	treeTexts   = 6
	// idsTogether is how many bytes of tree numbers lie in one text.
	idsTogether = 64 << 10
)

// numbersOf are the numbers of a record in the order in which they are packed.
func numbersOf(t *risk.Tree) [treeNumbers]*risk.Maybe[float64] {
	return [...]*risk.Maybe[float64]{
		&t.DBHCm, &t.HeightM, &t.CrownM, &t.LeanDeg, &t.Condition, &t.FlareCm, &t.MulchCm, &t.PitLM, &t.PitWM, &t.DepthM, &t.DensityGCm3,
	}
}

func textsOf(t *risk.Tree) [treeTexts]*string {
	return [...]*string{&t.Species, &t.Street, &t.Site, &t.Season, &t.Crew, &t.Supplier}
}

// grow makes room for n trees.
func (s *treeList) grow(n int) { s.packed = make([]packedTree, 0, n) }

func (s *treeList) len() int { return len(s.packed) }

// add keeps one more record.
func (s *treeList) add(t *risk.Tree) {
	last := len(s.ids) - 1
	if last < 0 || s.ids[last].Cap()-s.ids[last].Len() < len(t.ID) {
		b := new(strings.Builder)
		b.Grow(max(idsTogether, len(t.ID)))
		s.ids = append(s.ids, b)
		last++
	}
	from := s.ids[last].Len()
	s.ids[last].WriteString(t.ID)
	s.packed = append(s.packed, packedTree{idIn: uint32(last), idFrom: uint32(from), idTo: uint32(from + len(t.ID))})
	s.set(len(s.packed)-1, t)
}

// set changes all of a record but its number.
func (s *treeList) set(i int, t *risk.Tree) {
	p := &s.packed[i]
	for k, v := range numbersOf(t) {
		p.numbers[k] = v.Or(math.NaN())
	}
	for k, v := range textsOf(t) {
		p.texts[k] = s.text(*v)
	}
	year := func(y risk.Maybe[int]) int32 { return int32(y.Or(unknownYear)) }
	p.planted, p.walk, p.month = year(t.PlantedYear), year(t.WalkReplacedYr), int32(t.PlantedMonth)
	p.stock, p.corrected, p.flareSeen, p.mulchTouches, p.texture = t.Stock, t.Corrected, t.FlareSeen, t.MulchTouches, t.Texture
	p.removed, p.dead = t.Removed, t.Dead
}

func (s *treeList) text(v string) uint32 {
	k, ok := s.place[v]
	if !ok {
		if s.place == nil {
			s.place = map[string]uint32{}
		}
		k = uint32(len(s.texts))
		s.place[v], s.texts = k, append(s.texts, v)
	}
	return k
}

// at is the record of a tree. A change to it is kept by set alone.
func (s *treeList) at(i int) (t risk.Tree) {
	p := &s.packed[i]
	t.ID = s.id(i)
	for k, v := range numbersOf(&t) {
		if x := p.numbers[k]; x == x {
			*v = risk.Known(x)
		}
	}
	for k, v := range textsOf(&t) {
		*v = s.texts[p.texts[k]]
	}
	year := func(y int32) (m risk.Maybe[int]) {
		if y != unknownYear {
			m = risk.Known(int(y))
		}
		return m
	}
	t.PlantedYear, t.WalkReplacedYr, t.PlantedMonth = year(p.planted), year(p.walk), int(p.month)
	t.Stock, t.Corrected, t.FlareSeen, t.MulchTouches, t.Texture = p.stock, p.corrected, p.flareSeen, p.mulchTouches, p.texture
	t.Removed, t.Dead = p.removed, p.dead
	return t
}

// all are the records in their order.
func (s *treeList) all() iter.Seq2[int, risk.Tree] {
	return func(yield func(int, risk.Tree) bool) {
		for i := range s.packed {
			if !yield(i, s.at(i)) {
				return
			}
		}
	}
}

// keep leaves the trees that want says.
func (s *treeList) keep(want func(i int) bool) {
	n := 0
	for i := range s.packed {
		if want(i) {
			s.packed[n] = s.packed[i]
			n++
		}
	}
	s.packed = s.packed[:n]
}

func (s *treeList) id(i int) string {
	p := &s.packed[i]
	return s.ids[p.idIn].String()[p.idFrom:p.idTo]
}

func (s *treeList) species(i int) string { return s.texts[s.packed[i].texts[0]] }
func (s *treeList) street(i int) string  { return s.texts[s.packed[i].texts[1]] }
func (s *treeList) site(i int) string    { return s.texts[s.packed[i].texts[2]] }
func (s *treeList) removed(i int) bool   { return s.packed[i].removed }
func (s *treeList) dead(i int) bool      { return s.packed[i].dead }

// remove marks a tree as gone.
func (s *treeList) remove(i int) { s.packed[i].removed = true }
