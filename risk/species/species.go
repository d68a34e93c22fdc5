// Package species holds the names of street trees and what is published of
// them: how big they grow, and how crown, height and age go with the trunk.
//
// It is a handbook: every row of its tables says where it comes from, and every
// number it returns says in words by which equation.
//
// The sizes at maturity in species.csv are the middle of the range that the
// source gives, or its one number, feet made metres, rounded to the metre (a
// half goes up). The source stands beside them with the range in its own units.
// The figures are of the species, not of a cultivar, as it grows in streets and
// gardens where a source tells that from the forest. Where sources differ by more
// than a third, the cell names both, and an extension or forest service's sheet
// goes first. A row "from memory" rests on no source yet.
package species

// Size is the size of a tree at maturity.
type Size uint8

const (
	Small Size = iota
	Medium
	Large
)

// String is the word for the size.
func (s Size) String() string { return [...]string{"small", "medium", "large"}[min(s, Large)] }

// Mature heights that part the sizes: small below 30 ft, large above 50 ft, as
// in the Aspen/Pitkin CO table of soil volumes (seen in a compilation). They are
// rounded to the metre as the species table is; else a sheet's "20 to 40 ft",
// whose middle is 30 ft and thus 9 m here, would make a small tree.
const (
	mediumFromM = 9.0  // 30 ft
	mediumToM   = 15.0 // 50 ft
)

func sizeOf(heightM float64) Size {
	switch {
	case heightM < mediumFromM:
		return Small
	case heightM <= mediumToM:
		return Medium
	}
	return Large
}

// Leaf is how a tree carries its leaves. A conifer that drops its needles is
// Deciduous.
type Leaf uint8

const (
	Deciduous Leaf = iota
	BroadleafEvergreen
	Conifer
)

// String is the word for the leaf.
func (l Leaf) String() string {
	return [...]string{"deciduous", "broadleaf evergreen", "conifer"}[min(l, Conifer)]
}

// Species is a species, a genus, or the general street tree.
type Species struct {
	Latin  string // "Acer rubrum"; "Acer" for the genus; "" for the general one
	Genus  string // "Acer"; "" for the general one
	Common string

	MatureHeightM float64 // usual height of an open-grown street tree at maturity
	MatureCrownM  float64 // usual crown spread at maturity
	Size          Size
	Leaf          Leaf
	Source        string // of the mature sizes: who, the range as published, where

	// Rank says what the name gave: a species, only a genus, or nothing.
	Rank Rank
	// Respelled is set when the name was not spelled so, but nearly.
	Respelled bool

	grown *growth // how it grows; nil is looked up by name
}

// Rank is how closely a name was known.
type Rank uint8

const (
	General Rank = iota
	OfGenus
	OfSpecies
)

// Unknown is the general street tree, for names that say nothing: the median of
// the species table.
func Unknown() Species { return general }
