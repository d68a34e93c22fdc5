package rank

import (
	"cmp"
	"slices"
)

// Job is one collar to look at.
type Job struct {
	ID            string
	Street        string
	EastM, NorthM float64 // in the run's local plane

	HarmYr float64 // expected harm a year as things stand
	Gain   float64 // what the list is for: harm a year that looking and acting averts, on average, or girdled collars that it finds
	HoursH float64 // crew hours on site, travel not counted

	// Key is the caller's own: it is carried along and decides nothing.
	Key int
}

// minHours keeps a job that claims to take no time from coming first for that.
const minHours = 0.1

func (j Job) hours() float64 { return max(nonNegative(j.HoursH), minHours) }

// Worth returns the gain of one crew hour on site.
func (j Job) Worth() float64 { return nonNegative(j.Gain) / j.hours() }

// Order sorts jobs by the gain of an hour, the most first; then by
// expected harm, then by ID, so that the order does not hang on how they came.
// NaN counts as 0.
func Order(jobs []Job) { slices.SortFunc(jobs, before) }

// Key stands for a job where there are millions: what settles nearly every pair,
// and the caller's number of the job.
type Key struct {
	Worth float64 // Job.Worth
	Of    int32
}

// OrderKeys sorts keys as Order does their jobs. job tells one of them, and is
// asked only where two are worth the same.
func OrderKeys(keys []Key, job func(of int32) Job) {
	slices.SortFunc(keys, func(a, b Key) int {
		if c := cmp.Compare(b.Worth, a.Worth); c != 0 {
			return c
		}
		return before(job(a.Of), job(b.Of))
	})
}

func before(a, b Job) int {
	// One after the other: nearly every pair is settled by the first.
	if c := cmp.Compare(b.Worth(), a.Worth()); c != 0 {
		return c
	}
	if c := cmp.Compare(nonNegative(b.HarmYr), nonNegative(a.HarmYr)); c != 0 {
		return c
	}
	if c := cmp.Compare(a.ID, b.ID); c != 0 {
		return c
	}
	// The same ID twice is the caller's fault, but no reason to waver.
	return cmp.Or(
		cmp.Compare(a.EastM, b.EastM),
		cmp.Compare(a.NorthM, b.NorthM),
		cmp.Compare(a.Street, b.Street),
		cmp.Compare(a.HoursH, b.HoursH),
	)
}
