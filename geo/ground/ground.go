// Package ground works out the ground that each tree really has: the opening
// in the pavement that holds its stem, its share of that opening where other
// trees stand in it too, how far its roots can run in each direction, and the
// volume of soil below.
//
// It knows edges, disks and depths in metres of one local plane, and nothing
// of files or of trees' health. A Builder takes the layers, Freeze makes a Map
// of them that is only read from then on, and a Survey of stands goes over it
// cell by cell; any number of goroutines may do cells side by side.
//
// The method is a sweep over one small local arrangement a tree; DEVELOPERS.md
// draws it and says why.
package ground

import (
	"math"

	"soilshed/geo"
)

// Bearings is the number of directions of a rose, 360/Bearings degrees apart,
// the first due north and then clockwise.
const Bearings = 36

// Options are the settings of a survey. The zero value is not useful; start
// from Defaults.
type Options struct {
	// CloseGapM: a passage between hard edges narrower than this is drawing
	// error and lets no root through. 0 closes nothing.
	CloseGapM float64
	// SnapM is how far a stem on hard ground is moved to open ground.
	SnapM float64
	// PitM is the side of the square pit that is assumed for a stem on hard
	// ground with no open ground near and no recorded pit. 0 assumes none.
	PitM float64
	// DepthM is the usable depth where neither the tree nor a soil polygon
	// says; MaxDepthM caps every depth.
	DepthM, MaxDepthM float64
	// ByCrown divides common ground by distance squared over crown area
	// instead of by distance alone.
	ByCrown bool
	// OneSpotM: stems closer than this stand on one spot and share equally.
	OneSpotM float64
	// PositionErrorM is the distance that 68 % of the recorded points keep
	// from the true stems; Jitters is how many displaced points are tried for
	// the spread of the volume. Either 0 gives no spread.
	PositionErrorM float64
	Jitters        int
	// CellM is the side of the square cells of work, and CoverCellM that of
	// the cells by which the extent of the hard layers is told.
	CellM, CoverCellM float64
}

// Defaults are the settings of soilshed's design: 0.10 m gaps, 1.5 m snap, a
// 1.2 m pit and 0.9 m of depth (common practice, no source), 1.2 m at most.
func Defaults() Options {
	return Options{
		CloseGapM: 0.10, SnapM: 1.5, PitM: 1.2, DepthM: 0.9, MaxDepthM: 1.2,
		OneSpotM: 0.10, PositionErrorM: 1, Jitters: 8, CellM: 400, CoverCellM: 50,
	}
}

// Stand is a tree as the ground sees it.
type Stand struct {
	At     geo.XY
	ReachM float64 // farthest that its roots are counted, > 0
	FallM  float64 // how far it strikes when it falls; 0 asks for no targets
	// DepthM is the usable soil depth recorded for this tree; 0 when none is.
	DepthM  float64
	CrownM2 float64 // crown projection, for Options.ByCrown
	// PitLM and PitWM are the recorded size of its opening; 0 when none is.
	PitLM, PitWM float64
}

// How tells how a tree's ground was found.
type How uint8

const (
	Measured  How = iota // the stem stands in open ground between hard edges
	Snapped              // moved from hard ground to open ground near by
	Recorded             // its recorded pit, in hard ground
	Assumed              // an assumed pit, in hard ground
	Sealed               // hard ground, and no pit assumed
	Open                 // nothing hard within reach
	Uncovered            // the hard layers do not extend here
)

var hows = [...]string{"measured", "snapped", "recorded", "assumed", "sealed", "open", "uncovered"}

func (h How) String() string { return hows[h] }

// Hows lists all, in the order of their values.
func Hows() []string { return hows[:] }

// Site is the ground found for one stand.
type Site struct {
	How    How
	At     geo.XY  // where the stem was taken to stand
	MovedM float64 // how far that is from where it was recorded
	Mates  int     // other stems standing in its opening
	// OpenM2 is the area of its opening, ground under pavement that roots can
	// use included; ShareM2 its own share of that; RainM2 the part of the share
	// that is open to the sky.
	OpenM2, ShareM2, RainM2 float64
	// SoilM3 is the available soil volume: the sum over the share of area x
	// depth x usable fraction. DepthM is the mean depth over the share.
	SoilM3, DepthM float64
	// SoilP10M3 and SoilP90M3 are percentiles of SoilM3 when the point is
	// displaced by the position error; NaN when no spread was asked for.
	SoilP10M3, SoilP90M3 float64
	// ReachM is the free distance from the stem in each direction, up to the
	// reach; ShortM its minimum, in the direction ShortBearing.
	ReachM       [Bearings]float32
	ShortM       float64
	ShortBearing geo.Bearing
	// Lopsided is the length of the mean step to the edge over its mean
	// distance: 0 when the ground is even all round, near 1 when it lies all on
	// one side.
	Lopsided float64
	// TargetW is, for each direction, the mean target weight along a line of
	// length FallM from the stem.
	TargetW [Bearings]float32
	// Share is the polygon of the share: polygons of rings, the outer one
	// first and counter-clockwise, rings not closed by a repeated point.
	// Circles are drawn with chords that stray by at most 1 cm, so its area is
	// a little less than ShareM2.
	Share [][][]geo.XY
	// Basis is what it was worked out from.
	Basis Basis
}

// kind is what a polygon of the map is.
type kind uint8

const (
	hard kind = iota
	bed
	rootable
	soil
	target
	study
	barrier
	kinds
)

const (
	// joinM is the least width through which roots pass when no gap is closed,
	// and thinM the width below which a strip is rounding noise.
	joinM = 1e-6
	thinM = 1e-8
	// levelM: heights closer than this are one.
	levelM = 1e-11
	// uncutM: a slab is not cut nearer than this to its border.
	uncutM = 10 * levelM
	// onEdgeM: a stem this close to open ground stands in it.
	onEdgeM = 1e-6
	// sagM is how far the chords of a drawn circle stray from it.
	sagM = 0.01
)

var unit = func() (u [Bearings]geo.XY) {
	for i := range u {
		u[i] = geo.Bearing(i * 360 / Bearings).Step()
	}
	return
}()

func sq(x float64) float64 { return float64(x * x) }

// rosette fills in what follows from the rose.
func (s *Site) rosette() {
	var sum geo.XY
	var total float64
	s.ShortM = math.Inf(1)
	for i, r := range s.ReachM {
		d := float64(r)
		if d < s.ShortM {
			s.ShortM, s.ShortBearing = d, geo.Bearing(i*360/Bearings)
		}
		sum = sum.Add(geo.XY{X: float64(unit[i].X * d), Y: float64(unit[i].Y * d)})
		total += d
	}
	if total > 0 {
		s.Lopsided = math.Hypot(sum.X, sum.Y) / total
	}
}
