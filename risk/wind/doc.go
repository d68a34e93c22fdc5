// Package wind is the handbook of what a gust does to the base of a tree: the
// load on its crown, what its stem and its root plate hold against it, and how
// likely the base gives way in a year, which way and onto what.
//
// Numbers in, numbers out, SI units, in the literature's own symbols. Nothing
// here is "unknown": package risk decides what is assumed. Input outside the
// stated ranges is held at their bounds (NaN at the lower one), so that no
// result is ever NaN.
//
// It screens. It is no risk rating, clears no tree, and knows nothing of decay,
// cracks, forks or dead limbs. Confirm on site; a certified arborist and the
// local code come first.
//
// # What is in it and what is not
//
// Quasi-static: the three-second gust pushes, the base holds or fails. Left out,
// each small or without a usable source: swaying and the weight of the deflected
// crown, drag on the bare trunk (below 3 % for usual proportions), shelter by
// neighbours and buildings beyond the terrain factor, ice and snow.
//
// # How far to trust it
//
// The order of trees is worth more than the level. Tunnels and winches measured
// crowns and root plates one by one; taken as they are they fell several times as
// many trees as storms do. Climate.Load sets the level by surveys of storms
// (SurveyedLoad), to a factor of about three in the yearly probability, and
// Climate.Size what surveys say of thick and thin stems (SurveyedSize). Stems under
// about 15 cm bend out of the wind. Where a choice was open, the careful side was
// taken; each constant says where it is from, "from memory" or "setting, no
// source" where so.
//
// # Bearings
//
// Every rose has 36 sectors of 10 degrees: index i stands for the bearing
// 10*i degrees, clockwise from north. A fall bearing is the way the tree goes
// over; a gust comes from the opposite bearing.
package wind

// Bearings is the number of sectors of every rose in this package.
const Bearings = 36

// within holds v between lo and hi; NaN counts as lo.
func within(v, lo, hi float64) float64 {
	if v > hi {
		return hi
	}
	if v > lo {
		return v
	}
	return lo
}
