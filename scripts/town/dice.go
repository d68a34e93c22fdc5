package main

import (
	"math"
	"math/rand/v2"
)

// dice draws from a PCG stream by means that do not depend on how the standard
// library turns bits into numbers, so that the bytes stay the same under a
// newer Go. Each part of the town has a stream of its own: a change in one
// leaves the others as they were.
type dice struct{ src *rand.PCG }

func newDice(stream uint64) *dice { return &dice{rand.NewPCG(20240517, stream)} }

// unit is in [0, 1).
func (d *dice) unit() float64 { return float64(d.src.Uint64()>>11) / (1 << 53) }

func (d *dice) chance(p float64) bool { return d.unit() < p }

func (d *dice) between(lo, hi float64) float64 { return lo + d.unit()*(hi-lo) }

func (d *dice) below(n int) int { return int(d.unit() * float64(n)) }

func (d *dice) normal(mean, sd float64) float64 {
	return mean + sd*math.Sqrt(-2*math.Log(1-d.unit()))*math.Cos(2*math.Pi*d.unit())
}

// gamma2 has shape 2: the sum of two exponentials.
func (d *dice) gamma2(mean float64) float64 {
	return -mean / 2 * math.Log((1-d.unit())*(1-d.unit()))
}

func pick[T any](d *dice, from []T) T { return from[d.below(len(from))] }

func clamp(v, lo, hi float64) float64 { return min(max(v, lo), hi) }
