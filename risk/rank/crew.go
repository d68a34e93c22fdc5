package rank

import (
	"math"
	"slices"
)

// Crew is a crew's day.
type Crew struct {
	HoursPerDay float64 // on the road and on site together; 0: 7
	SpeedKMH    float64 // door to door in town; 0: 20
	MoveH       float64 // to pack up and set up at another stop; 0: 0.15
}

// The defaults are common practice, no source.
func (c Crew) held() Crew {
	def := func(v, d, lo, hi float64) float64 {
		if !(v > 0) {
			return d
		}
		return min(max(v, lo), hi)
	}
	return Crew{def(c.HoursPerDay, 7, 0.5, 24), def(c.SpeedKMH, 20, 1, 200), def(c.MoveH, 0.15, 0, 4)}
}

const (
	// detour is the length of a way in town over that of the crow's flight:
	// between 1 and the 1.41 of a square grid (setting, no source).
	detour = 1.3
	// sameStopM is how far hose and cones reach: a tree on the same street within
	// it is done without moving the truck (common practice, no source).
	sameStopM = 40
	// rangeM is how far from its first stop a day may reach.
	rangeM = 3000
	// triedFirst is how many first stops are tried for a day; the best day stays.
	triedFirst = 6
)

// travelH returns the hours from one tree to the next.
func (c Crew) travelH(a, b *Job) float64 {
	d := math.Hypot(a.EastM-b.EastM, a.NorthM-b.NorthM)
	if a.Street == b.Street && d <= sameStopM {
		return d / 1000 / 4 // on foot, 4 km/h
	}
	return c.MoveH + detour*d/1000/c.SpeedKMH
}

// Stop is one tree of a day.
type Stop struct {
	Job
	TravelH float64 // from the stop before; 0 for the first of the day
	StartH  float64 // hours into the day at which work on it starts
}

// Day is a crew's day, its stops in driving order. The way from and to the yard is
// not in it.
type Day struct {
	Stops   []Stop
	WorkH   float64
	TravelH float64
	Gain    float64
	Over    bool // a single job that takes longer than a day
}

// Plan is the crew days, the most worthwhile first.
type Plan struct {
	Days []Day
	// AllGain is what looking at every collar would bring.
	AllGain float64
}

// After tells what the first n days of the plan do: trees looked at, what it
// gains, and the share of all that looking at every collar would bring.
func (p Plan) After(n int) (trees int, gain, ofAll float64) {
	for _, d := range p.Days[:min(max(n, 0), len(p.Days))] {
		trees += len(d.Stops)
		gain += d.Gain
	}
	if p.AllGain > 0 {
		ofAll = min(gain/p.AllGain, 1)
	}
	return trees, gain, ofAll
}

// CrewDays gathers jobs into at most the given number of crew days. Ask for twice
// the days that there are, and Plan.After answers what as many again would bring.
//
// Each day starts from one of the best jobs left and takes in, again and again,
// the job that gains most for each hour that it adds, way included, until the
// day is full. So near trees, and those of one street, come together. It is a
// greedy rule; the tests hold it against the best day found by trying all. Jobs
// that gain nothing, or stand nowhere (coordinates not finite), get no day.
func CrewDays(jobs []Job, days int, crew Crew) Plan {
	crew = crew.held()
	var plan Plan
	left := make([]Job, 0, len(jobs))
	for _, j := range jobs {
		if j.Worth() > 0 && !math.IsInf(j.Worth(), 0) && math.Abs(j.EastM) < 1e9 && math.Abs(j.NorthM) < 1e9 {
			left = append(left, j)
		}
	}
	Order(left)
	for _, j := range left {
		plan.AllGain += j.Gain
	}
	done := make([]bool, len(left))
	near := newNeighbours(left)
	next := 0
	for range days {
		for next < len(left) && done[next] {
			next++
		}
		var best Day
		var bestTook []int
		tried := 0
		for s := next; s < len(left) && tried < triedFirst; s++ {
			if done[s] {
				continue
			}
			tried++
			d, took := crew.day(left, done, near, s)
			if d.Gain > best.Gain {
				best, bestTook = d, took
			}
		}
		if len(bestTook) == 0 {
			break
		}
		for _, i := range bestTook {
			done[i] = true
		}
		plan.Days = append(plan.Days, best)
	}
	// A later day may have come out better than an earlier one, of which it took
	// nothing: the crew goes there first.
	slices.SortStableFunc(plan.Days, func(a, b Day) int {
		switch {
		case a.Gain > b.Gain:
			return -1
		case a.Gain < b.Gain:
			return 1
		}
		return before(a.Stops[0].Job, b.Stops[0].Job)
	})
	return plan
}

// day builds the day that starts from job s.
func (c Crew) day(jobs []Job, done []bool, near *neighbours, s int) (Day, []int) {
	route := []int{s}
	used := jobs[s].hours()
	if used <= c.HoursPerDay {
		candidates := near.of(jobs[s].EastM, jobs[s].NorthM)
		for {
			pick, at, pickAdds, rate := -1, 0, 0.0, 0.0
			for _, i := range candidates {
				j := &jobs[i]
				if done[i] || used+j.hours() > c.HoursPerDay || j.Gain/j.hours() <= rate || slices.Contains(route, i) {
					continue
				}
				k, extra := c.insertion(jobs, route, i)
				adds := j.hours() + extra
				if used+adds <= c.HoursPerDay && j.Gain/adds > rate {
					pick, at, pickAdds, rate = i, k, adds, j.Gain/adds
				}
			}
			if pick < 0 {
				break
			}
			route = slices.Insert(route, at, pick)
			used += pickAdds
		}
	}
	var d Day
	var clock float64
	for n, i := range route {
		st := Stop{Job: jobs[i]}
		if n > 0 {
			st.TravelH = c.travelH(&jobs[route[n-1]], &jobs[i])
		}
		clock += st.TravelH
		st.StartH = clock
		clock += jobs[i].hours()
		d.WorkH += jobs[i].hours()
		d.TravelH += st.TravelH
		d.Gain += jobs[i].Gain
		d.Stops = append(d.Stops, st)
	}
	d.Over = d.WorkH > c.HoursPerDay
	return d, route
}

// insertion returns where in the route job i costs least travel, and how much.
func (c Crew) insertion(jobs []Job, route []int, i int) (at int, extraH float64) {
	extraH = math.Inf(1)
	for k := range len(route) + 1 {
		var e float64
		if k > 0 {
			e += c.travelH(&jobs[route[k-1]], &jobs[i])
		}
		if k < len(route) {
			e += c.travelH(&jobs[i], &jobs[route[k]])
		}
		if k > 0 && k < len(route) {
			e -= c.travelH(&jobs[route[k-1]], &jobs[route[k]])
		}
		if e <= extraH { // of equals the latest: drive on rather than back
			at, extraH = k, e
		}
	}
	return at, max(extraH, 0)
}

// neighbours finds the jobs around a place by square cells.
type neighbours struct {
	cells map[[2]int][]int
	jobs  []Job
}

// mostNear is how many of the jobs around a first stop, the best of them, are
// considered for its day, besides all within closeM: many times what a day holds.
const (
	mostNear = 400
	closeM   = 300
)

func newNeighbours(jobs []Job) *neighbours {
	n := &neighbours{map[[2]int][]int{}, jobs}
	for i := range jobs {
		c := n.cell(jobs[i].EastM, jobs[i].NorthM)
		n.cells[c] = append(n.cells[c], i)
	}
	return n
}

func (n *neighbours) cell(eastM, northM float64) [2]int {
	return [2]int{int(math.Floor(eastM / rangeM)), int(math.Floor(northM / rangeM))}
}

// of returns the mostNear best jobs within rangeM and all within closeM, the best
// first.
func (n *neighbours) of(eastM, northM float64) []int {
	var got []int
	at := n.cell(eastM, northM)
	for dx := -1; dx <= 1; dx++ {
		for dy := -1; dy <= 1; dy++ {
			for _, i := range n.cells[[2]int{at[0] + dx, at[1] + dy}] {
				if math.Hypot(n.jobs[i].EastM-eastM, n.jobs[i].NorthM-northM) <= rangeM {
					got = append(got, i)
				}
			}
		}
	}
	slices.Sort(got) // jobs are in order of worth
	if len(got) <= mostNear {
		return got
	}
	kept := got[:mostNear]
	for _, i := range got[mostNear:] {
		if math.Hypot(n.jobs[i].EastM-eastM, n.jobs[i].NorthM-northM) <= closeM {
			kept = append(kept, i)
		}
	}
	return kept
}
