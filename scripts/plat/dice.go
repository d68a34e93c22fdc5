package plat

import (
	"math"
	"math/rand/v2"
)

// Dice draws from a PCG stream by means that do not depend on how the standard
// library turns bits into numbers, so that the bytes stay the same under a
// newer Go. Each part of a town has a stream of its own: a change in one leaves
// the others as they were.
type Dice struct{ src *rand.PCG }

// NewDice begins a stream.
func NewDice(seed, stream uint64) *Dice { return &Dice{rand.NewPCG(seed, stream)} }

// Unit is in [0, 1).
func (d *Dice) Unit() float64 { return float64(d.src.Uint64()>>11) / (1 << 53) }

// Chance is true with probability p.
func (d *Dice) Chance(p float64) bool { return d.Unit() < p }

// Between is uniform.
func (d *Dice) Between(lo, hi float64) float64 { return lo + d.Unit()*(hi-lo) }

// Below is a whole number from 0 to n-1.
func (d *Dice) Below(n int) int { return int(d.Unit() * float64(n)) }

// Normal has the mean and standard deviation given.
func (d *Dice) Normal(mean, sd float64) float64 {
	return mean + sd*math.Sqrt(-2*math.Log(1-d.Unit()))*math.Cos(2*math.Pi*d.Unit())
}

// Gamma2 has shape 2: the sum of two exponentials.
func (d *Dice) Gamma2(mean float64) float64 {
	return -mean / 2 * math.Log((1-d.Unit())*(1-d.Unit()))
}

// Pick takes one of several.
func Pick[T any](d *Dice, from []T) T { return from[d.Below(len(from))] }

// Clamp holds v between lo and hi.
func Clamp(v, lo, hi float64) float64 { return min(max(v, lo), hi) }
