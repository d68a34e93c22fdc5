package ground

import (
	"fmt"
	"math"
	"slices"

	"soilshed/geo"
)

// Survey is a list of stands over a map, divided into cells.
type Survey struct {
	m        *Map
	o        Options
	stands   []Stand
	maxReach float64
	grid     grid
	cells    []Cell
	absent   []bool
	sums     *sums
}

// Absent marks a stand as one that uses no ground: it is surveyed, but shares
// with nobody and is nobody's mate. It must be called before work begins.
func (v *Survey) Absent(i int32) {
	if v.absent == nil {
		v.absent = make([]bool, len(v.stands))
	}
	v.absent[i] = true
}

// gone tells whether a stand is marked absent.
func (v *Survey) gone(i int32) bool { return v.absent != nil && v.absent[i] }

// Stand returns stand i.
func (v *Survey) Stand(i int32) *Stand { return &v.stands[i] }

// Cell is a square of the plane with the stands in it. What is found in a cell
// does not depend on the other cells, nor on the order in which they are done.
type Cell struct {
	X, Y   int32   // its column and row
	Stands []int32 // indexes, ascending
}

// NewSurvey prepares a survey. The stands must have a reach above 0 and a
// place; stands[i] that has not is an error that names i.
func NewSurvey(m *Map, stands []Stand, o Options) (*Survey, error) {
	v := &Survey{m: m, o: o, stands: stands}
	for i := range stands {
		st := &stands[i]
		if !(st.ReachM > 0) || math.IsInf(st.ReachM, 0) {
			return nil, fmt.Errorf("stand %d: a reach of %v m", i, st.ReachM)
		}
		if math.IsNaN(st.At.X+st.At.Y) || math.IsInf(st.At.X+st.At.Y, 0) || math.Abs(st.At.X) > 1e8 || math.Abs(st.At.Y) > 1e8 {
			return nil, fmt.Errorf("stand %d: no place in the plane: %v", i, st.At)
		}
		v.maxReach = max(v.maxReach, st.ReachM)
	}
	v.grid = newGrid(stands, max(4, v.maxReach))
	type at struct {
		x, y int32
		i    int32
	}
	all := make([]at, len(stands))
	for i, st := range stands {
		all[i] = at{int32(math.Floor(st.At.X / o.CellM)), int32(math.Floor(st.At.Y / o.CellM)), int32(i)}
	}
	slices.SortFunc(all, func(a, b at) int {
		switch {
		case a.y != b.y:
			return int(a.y) - int(b.y)
		case a.x != b.x:
			return int(a.x) - int(b.x)
		}
		return int(a.i) - int(b.i)
	})
	ids := make([]int32, len(all))
	for i, a := range all {
		ids[i] = a.i
		if n := len(v.cells); n > 0 && v.cells[n-1].X == a.x && v.cells[n-1].Y == a.y {
			c := &v.cells[n-1]
			c.Stands = ids[i-len(c.Stands) : i+1]
			continue
		}
		v.cells = append(v.cells, Cell{a.x, a.y, ids[i : i+1]})
	}
	return v, nil
}

// Cells lists the cells that hold stands, by row and column.
func (v *Survey) Cells() []Cell { return v.cells }

// grid finds the stands near a point.
type grid struct {
	cell  float64
	key   []uint64 // of each occupied square, ascending
	start []int32
	ids   []int32
}

func gridKey(x, y int32) uint64 {
	return uint64(uint32(y)^1<<31)<<32 | uint64(uint32(x)^1<<31)
}

func newGrid(stands []Stand, cell float64) grid {
	g := grid{cell: cell, ids: make([]int32, len(stands))}
	keys := make([]uint64, len(stands))
	for i := range stands {
		g.ids[i] = int32(i)
		keys[i] = gridKey(int32(math.Floor(stands[i].At.X/cell)), int32(math.Floor(stands[i].At.Y/cell)))
	}
	slices.SortFunc(g.ids, func(a, b int32) int {
		switch ka, kb := keys[a], keys[b]; {
		case ka < kb:
			return -1
		case ka > kb:
			return 1
		}
		return int(a) - int(b)
	})
	for i, id := range g.ids {
		if k := keys[id]; len(g.key) == 0 || g.key[len(g.key)-1] != k {
			g.key = append(g.key, k)
			g.start = append(g.start, int32(i))
		}
	}
	g.start = append(g.start, int32(len(stands)))
	return g
}

// near appends the stands in the squares that meet the square of half-side r
// round p.
func (g *grid) near(p geo.XY, r float64, out []int32) []int32 {
	return g.within(p.X-r, p.Y-r, p.X+r, p.Y+r, out)
}

// within appends the stands in the squares that meet a box.
func (g *grid) within(xMin, yMin, xMax, yMax float64, out []int32) []int32 {
	x0, x1 := int32(math.Floor(xMin/g.cell)), int32(math.Floor(xMax/g.cell))
	y0, y1 := int32(math.Floor(yMin/g.cell)), int32(math.Floor(yMax/g.cell))
	for y := y0; y <= y1; y++ {
		i, _ := slices.BinarySearch(g.key, gridKey(x0, y))
		for last := gridKey(x1, y); i < len(g.key) && g.key[i] <= last; i++ {
			out = append(out, g.ids[g.start[i]:g.start[i+1]]...)
		}
	}
	return out
}

// Worker does cells. It belongs to one goroutine.
type Worker struct{ worker }

type worker struct {
	v *Survey
	m *Map
	o Options
	s sweep

	// alike holds what was found for stands that have others on their very point:
	// those that are the same in all else have the same.
	alike     map[Stand]Site
	slots     map[int32]int32 // stand -> its place in ops
	ops       []*opening
	spare     []*opening
	near      []int32
	wide      []int32
	home      []int32 // near, of the stand that is displaced
	shareRims []rim
	rivals    []rival
	walls     []rim
	strikes   []strike
	ordered   []strike
	winds     []int32
	jitter    opening
	shifts    []shift
	vicinity  vicinity
	cutter    cutter
	cutaway   cutaway
	volumes   []float64
	keyed     []byte

	// What the stand at hand has looked at; the windows of edges are in s.look.
	ground, spots box
}

// NewWorker returns a worker for the survey.
func (v *Survey) NewWorker() *Worker {
	return &Worker{worker{v: v, m: v.m, o: v.o, slots: map[int32]int32{}}}
}

// Do surveys the stands of a cell and calls done for each, in the order of
// c.Stands. The site is used again: what is to be kept must be copied; its
// Share may be kept.
func (k *Worker) Do(c Cell, done func(stand int32, site *Site)) {
	w := &k.worker
	clear(w.slots)
	w.spare = append(w.spare, w.ops...)
	w.ops = w.ops[:0]
	var site Site
	clear(w.alike)
	for _, i := range c.Stands {
		st := w.v.stands[i]
		if was, ok := w.alike[st]; ok && !w.v.gone(i) {
			site = was
		} else {
			w.site(i, &site)
			if w.crowded(i) && !w.v.gone(i) {
				if w.alike == nil {
					w.alike = map[Stand]Site{}
				}
				w.alike[st] = site
			}
		}
		done(i, &site)
	}
}

// crowded tells whether another stand has the very point of stand i, which was
// done last.
func (w *worker) crowded(i int32) bool {
	return slices.ContainsFunc(w.near, func(j int32) bool { return j != i && w.v.stands[j].At == w.v.stands[i].At })
}

// opening returns the opening of a stand, working it out when this cell has not
// yet.
func (w *worker) opening(i int32) *opening {
	if slot, ok := w.slots[i]; ok {
		w.s.look.join(w.ops[slot].look)
		return w.ops[slot]
	}
	var op *opening
	if n := len(w.spare); n > 0 {
		op, w.spare = w.spare[n-1], w.spare[:n-1]
	} else {
		op = &opening{}
	}
	st := &w.v.stands[i]
	op.spotted = false
	outer := w.s.look
	w.s.look = noBox
	w.find(st.At, st, op)
	op.look = w.s.look
	w.s.look.join(outer)
	w.slots[i] = int32(len(w.ops))
	w.ops = append(w.ops, op)
	return op
}

func (w *worker) site(i int32, out *Site) {
	st := &w.v.stands[i]
	w.s.look, w.ground, w.spots = noBox, noBox, noBox
	op := w.opening(i)
	*out = Site{How: op.how, At: op.at, MovedM: op.at.Distance(st.At), OpenM2: op.areaM2, SoilP10M3: math.NaN(), SoilP90M3: math.NaN()}
	w.neighbours(i, op, st)
	for _, j := range w.near {
		if j != i && op.mate(w.opening(j).at) {
			out.Mates++
		}
	}
	w.walls = w.walls[:0]
	if w.m.has[barrier] {
		w.s.gather(w.m, op.at, op.r, 1<<barrier)
		for k := range w.s.edges {
			e := &w.s.edges[k]
			w.walls = append(w.walls, rim{x0: e.x0, y0: e.y0, x1: e.x1, y1: e.y1})
		}
	}
	op.rose(&out.ReachM, w.walls)
	out.rosette()
	sh := w.share(i, op, w.spotOf(i), true)
	out.ShareM2, out.RainM2, out.SoilM3, out.Share = sh.areaM2, sh.rainM2, sh.soilM3, sh.polygon
	out.DepthM = sh.depthM
	w.targets(op.at, st.FallM, &out.TargetW)
	if w.o.Jitters > 0 && w.o.PositionErrorM > 0 {
		w.spread(i, st, sh.soilM3, out)
	}
	out.Basis = Basis{w.s.look.window(), w.ground.window(), w.spots.window()}
}
