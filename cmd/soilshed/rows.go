package main

import (
	"encoding/binary"
	"iter"
	"math"
	"slices"

	"soilshed/geo/ground"
	"soilshed/risk"
	"soilshed/risk/soil"
	"soilshed/risk/wind"
)

// row is what is told of a tree.
type row struct {
	res              risk.Result
	how              ground.How
	mates            int32
	rank             int32 // 0: not ranked
	openM2, shareM2  float64
	rainM2           float64
	depthM           float64
	soilM3, p10, p90 float64
	shortM, shortBrg float64
	movedM           float64
	crewHours        float64
}

// rows keep what was found of all trees until they are ranked and written. They
// are most of the memory of a run, so each is packed: numbers in single
// precision, seven digits, of which no field of the output shows as many.
type rows []packedRow

type packedRow struct {
	numbers  [rowNumbers]float32
	reasons  [3]risk.Reason
	missing  risk.Missing
	mates    int32
	rank     int32   // 0: not ranked
	hours    float32 // of a crew
	outgrown int32   // year; unknownYear
	how      ground.How
	class    soil.Class
	decides  uint8 // of decidesWords
	marks    uint8 // bits, as of row.marks
}

const (
	rowNumbers  = 41
	unknownYear = math.MinInt32
)

var decidesWords = []string{"", wind.Anchorage, wind.CollarSection}

// numbers are the numbers of a row, in the order in which they are packed.
func (r *row) numbers() [rowNumbers]*float64 {
	x := &r.res
	w := &x.Water
	return [rowNumbers]*float64{
		&r.openM2, &r.shareM2, &r.rainM2, &r.depthM, &r.soilM3, &r.p10, &r.p90, &r.shortM, &r.shortBrg, &r.movedM,
		&x.NeedM3[0], &x.NeedM3[1], &x.NeedM3[2], &x.NeedM3[3], &x.Need, &x.SoilPct,
		&x.DryDays, &w.DryDays, &w.LongestDays, &w.ShortMM, &w.ShortDryMM, &w.WaterMM, &w.WaterDryMM, &w.Waterings, &w.TimesPerWeek,
		&x.Ratios.StorageMM, &x.Ratios.Intake,
		&x.GirdledP, &x.GirdledLo, &x.GirdledHi, &x.OddZ,
		&x.GustMS, &x.WeakBearing, &x.FailYr, &x.UprootYr, &x.CollarYr, &x.FailSoundYr, &x.GustSoundMS, &x.CarefulGustMS, &x.Exposure, &x.HarmYr,
	}
}

// marks are the yes-or-no of a row, in the order of their bits.
func (r *row) marks() [3]*bool { return [3]*bool{&r.res.Assessed, &r.res.Graded, &r.res.Flagged} }

// at is the row of a tree, unpacked; a change to it is kept by set alone.
func (s rows) at(i int) *row {
	r := new(row)
	s.unpack(i, r)
	return r
}

// all are the rows of all trees, in one row that is used again.
func (s rows) all() iter.Seq2[int, *row] {
	return func(yield func(int, *row) bool) {
		var r row
		for i := range s {
			if s.unpack(i, &r); !yield(i, &r) {
				return
			}
		}
	}
}

// unpack is at for those that go through all trees with one row in hand.
func (s rows) unpack(i int, r *row) {
	p := &s[i]
	*r = row{how: p.how, mates: p.mates, rank: p.rank, crewHours: float64(p.hours)}
	r.res.Reasons, r.res.Missing, r.res.Class, r.res.Decides = p.reasons, p.missing, p.class, decidesWords[p.decides]
	if p.outgrown != unknownYear {
		r.res.OutgrownYear = risk.Known(int(p.outgrown))
	}
	for k, v := range r.numbers() {
		*v = float64(p.numbers[k])
	}
	for k, v := range r.marks() {
		*v = p.marks>>k&1 != 0
	}
}

// set keeps the row of a tree. Rows of different trees may be set side by side.
func (s rows) set(i int, r row) {
	p := &s[i]
	*p = packedRow{
		reasons: r.res.Reasons, missing: r.res.Missing, mates: r.mates, rank: r.rank, hours: float32(r.crewHours), outgrown: unknownYear,
		how: r.how, class: r.res.Class, decides: uint8(slices.Index(decidesWords, r.res.Decides)),
	}
	if y := r.res.OutgrownYear; y.Known {
		p.outgrown = int32(y.Value)
	}
	for k, v := range r.numbers() {
		p.numbers[k] = float32(*v)
	}
	for k, v := range r.marks() {
		if *v {
			p.marks |= 1 << k
		}
	}
}

// oddZAt is where a row's z lies among its numbers.
var oddZAt = func() int {
	var r row
	for k, v := range r.numbers() {
		if v == &r.res.OddZ {
			return k
		}
	}
	panic("soilshed: a row without the z of its cohort")
}()

// setOddZ puts in what the cohorts say of the tree, as risk.Model.Assess does.
func (p *packedRow) setOddZ(odd risk.Odd) {
	p.numbers[oddZAt] = float32(math.NaN())
	if p.marks&1 != 0 && odd.Z.Known { // assessed
		p.numbers[oddZAt] = float32(odd.Z.Value)
	}
}

// append codes what was reckoned of a tree on its ground: all but the z of its
// cohort, and its rank and hours, which come after.
func (p *packedRow) append(b []byte) []byte {
	for k, x := range p.numbers {
		if k == oddZAt {
			x = 0
		}
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(x))
	}
	for _, x := range [...]uint32{uint32(p.missing), uint32(p.mates), uint32(p.outgrown)} {
		b = binary.LittleEndian.AppendUint32(b, x)
	}
	b = append(b, byte(p.how), byte(p.class), p.decides, p.marks)
	for _, r := range p.reasons {
		b = r.Append(b)
	}
	return b
}

// take is the other way of append.
func (p *packedRow) take(b []byte) (err error) {
	*p = packedRow{}
	if len(b) < 4*(rowNumbers+3)+4 {
		return errShort
	}
	word := func() uint32 {
		x := binary.LittleEndian.Uint32(b)
		b = b[4:]
		return x
	}
	for k := range p.numbers {
		p.numbers[k] = math.Float32frombits(word())
	}
	p.missing, p.mates, p.outgrown = risk.Missing(word()), int32(word()), int32(word())
	p.how, p.class, p.decides, p.marks = ground.How(b[0]), soil.Class(b[1]), b[2], b[3]
	b = b[4:]
	for k := range p.reasons {
		if p.reasons[k], b, err = risk.TakeReason(b); err != nil {
			return err
		}
	}
	return nil
}
