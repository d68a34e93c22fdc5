// Package risk is the method: from a tree as recorded and the ground that was
// found for it, to what it needs, how likely its collar is girdled, in which
// wind it fails and how much harm that may do.
//
// It screens. It rates and clears no tree: that is for a certified arborist on
// site.
package risk

import (
	"soilshed/risk/collar"
	"soilshed/risk/soil"
)

// Maybe is a value that may not be known. Its zero is not known.
type Maybe[T any] struct {
	Value T
	Known bool
}

// Known returns a value that is known.
func Known[T any](v T) Maybe[T] { return Maybe[T]{v, true} }

// Or returns the value, or other when it is not known.
func (m Maybe[T]) Or(other T) T {
	if m.Known {
		return m.Value
	}
	return other
}

// Tree is one record of an inventory, in SI units. What the inventory does not
// say is not known: nothing is filled in here.
type Tree struct {
	ID      string
	Species string // as recorded: Latin, cultivar or common name
	Street  string
	Site    string

	DBHCm   Maybe[float64] // diameter at breast height, 1.3 to 1.4 m above ground
	HeightM Maybe[float64]
	CrownM  Maybe[float64] // crown spread, diameter
	LeanDeg Maybe[float64] // from the vertical

	PlantedYear  Maybe[int]
	PlantedMonth int    // 1 to 12; 0 is unknown
	Season       string // planting season as recorded, "spring" to "winter" or a name of its own; "" is unknown
	Crew         string // planting crew or contract; "" is unknown
	Removed      bool
	Dead         bool
	// Condition runs from 0 (dead) to 1 (as good as can be).
	Condition Maybe[float64]

	Stock     collar.Stock  // how it was grown; zero is unknown
	Supplier  string        // nursery or planting contract; "" is unknown
	Corrected collar.Answer // roots corrected at planting

	FlareCm      Maybe[float64] // soil over the first main roots
	FlareSeen    collar.Answer  // is a root flare visible
	MulchCm      Maybe[float64]
	MulchTouches collar.Answer // mulch against the trunk

	PitLM, PitWM   Maybe[float64] // recorded opening, metres
	DepthM         Maybe[float64] // recorded usable soil depth
	Texture        soil.Texture   // zero is unknown
	DensityGCm3    Maybe[float64]
	WalkReplacedYr Maybe[int] // year of sidewalk or kerb work beside the tree
}
