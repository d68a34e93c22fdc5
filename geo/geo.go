// Package geo holds the two measures that every part of soilshed shares: a
// point of the local metric plane and a compass bearing.
package geo

import "math"

// XY is a point of the local plane: metres east and metres north of its
// origin. It is a type of its own so that a pair of degrees cannot reach the
// computations on the ground.
type XY struct{ X, Y float64 }

// Sub returns the step from q to p in metres.
func (p XY) Sub(q XY) XY { return XY{p.X - q.X, p.Y - q.Y} }

// Add returns p moved by the step q.
func (p XY) Add(q XY) XY { return XY{p.X + q.X, p.Y + q.Y} }

// Distance returns the distance from p to q in metres.
func (p XY) Distance(q XY) float64 { return math.Hypot(p.X-q.X, p.Y-q.Y) }

// Bearing is a direction in degrees from north, clockwise, 0 <= b < 360.
type Bearing float64

// BearingOf returns the bearing of the step (east, north). The bearing of a
// step of no length is 0.
func BearingOf(step XY) Bearing {
	if step.X == 0 && step.Y == 0 {
		return 0
	}
	d := math.Atan2(step.X, step.Y) * 180 / math.Pi
	if d < 0 {
		d += 360
	}
	if d == 360 { // a hair west of north
		return 0
	}
	return Bearing(d)
}

// Normal returns b brought into [0, 360).
func (b Bearing) Normal() Bearing {
	d := math.Mod(float64(b), 360)
	if d < 0 {
		d += 360
	}
	if d >= 360 { // a tiny negative rounds up to 360
		d = 0
	}
	return Bearing(d)
}

// Step returns the unit step (east, north) in the direction of b.
func (b Bearing) Step() XY {
	s, c := math.Sincos(float64(b) * math.Pi / 180)
	return XY{s, c}
}
