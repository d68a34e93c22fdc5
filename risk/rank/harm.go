package rank

// Harm returns the expected harm a year: the yearly probability that the base
// fails times the exposure (what lies where it would fall, 0 to 1). It has no
// unit beyond a year: 1 is a tree that is sure to fall onto a target of weight 1.
func Harm(failYr, exposure float64) float64 {
	return share(failYr) * share(exposure)
}

// Relief is the part of the harm that girdling adds which a find takes away: the
// root is cut, the tree is watched or replaced. 0.7, setting, no source; removed
// roots grow again in places (Watson 1993, AUF 19(5):278), so never 1.
const Relief = 0.7

// Averted returns the harm a year that looking at the collar averts on average.
//
// Looking alone averts nothing. A tree found girdled (as it is with the
// probability that went into harmYr) is treated and goes from the harm of a
// girdled tree toward that of a sound one; the expectation of that step is harmYr
// less soundYr, the harm of the same tree with a sound collar.
func Averted(harmYr, soundYr, relief float64) float64 {
	d := nonNegative(harmYr) - nonNegative(soundYr)
	return nonNegative(d) * share(relief)
}

// Ground is what a crew has to dig in.
type Ground int

// The grounds, from easy to slow.
const (
	Loose Ground = iota // mulch, loam, open planting strip
	Firm                // clay, stony or compacted soil, turf
	Tight               // small pit; grate, pavers or guards to lift
)

// Hours returns the crew hours that one collar takes on site: setting up and
// clearing, then a trench around the stem, a hand's breadth (0.3 m) wide and down
// to 0.15 m below the first main roots, with an air tool and two people.
//
//	0.25 h + ring volume / rate + 0.25 h to look, photograph and fill in
//
// with 0.25, 0.15 and 0.10 m3 an hour in loose, firm and tight ground. Common
// practice, no source: put in your own crew's figures once it has dug a hundred.
// dbhM is held between 0.05 and 3 m, flareM (soil over the first main roots) to 1 m.
func Hours(dbhM, flareM float64, g Ground) float64 {
	const widthM, belowM = 0.3, 0.15
	d := min(max(nonNegative(dbhM), 0.05), 3)
	depth := min(nonNegative(flareM), 1) + belowM
	rate := 0.25
	switch g {
	case Firm:
		rate = 0.15
	case Tight:
		rate = 0.10
	}
	const pi = 3.141592653589793
	return 0.5 + pi*(d+widthM)*widthM*depth/rate
}

// share holds v between 0 and 1, NaN at 0.
func share(v float64) float64 { return min(nonNegative(v), 1) }

// nonNegative holds v at 0 or above, NaN at 0.
func nonNegative(v float64) float64 {
	if v > 0 {
		return v
	}
	return 0
}
