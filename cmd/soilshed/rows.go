package main

import (
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
	p := &s[i]
	r := &row{how: p.how, mates: p.mates, rank: p.rank, crewHours: float64(p.hours)}
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
	return r
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
