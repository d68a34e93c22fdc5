package main

import (
	"math"
	"math/rand/v2"

	"soilshed/geo"
)

type ring = []geo.XY
type polygon = []ring

type tree struct {
	At     geo.XY  `json:"at"`
	ReachM float64 `json:"reach_m"`
}

// scene is a few metres of town.
type scene struct {
	Hard     []polygon `json:"hard"`
	Beds     []polygon `json:"beds"`
	Rootable []polygon `json:"rootable"`
	Walls    []ring    `json:"walls"`
	Trees    []tree    `json:"trees"`
	SnapM    float64   `json:"snap_m"`
	GapM     float64   `json:"gap_m"`
	// Framed: hard ground runs all round, nearer than any reach, so that no
	// circle matters and the two answers can be held together closely.
	Framed bool     `json:"framed"`
	Drawn  []string `json:"drawn"` // what it holds
}

const half = 8.0 // of a scene's side

type artist struct {
	*rand.Rand
	s    *scene
	grid float64 // vertices lie on multiples of it; 0 anywhere
}

func (a *artist) put(v float64) float64 {
	if a.grid > 0 {
		return math.Round(v/a.grid) * a.grid
	}
	return v
}

func (a *artist) at() geo.XY {
	return geo.XY{X: a.put(half * (2*a.Float64() - 1)), Y: a.put(half * (2*a.Float64() - 1))}
}

func (a *artist) hard(p ...ring) { a.s.Hard = append(a.s.Hard, p) }

func box(x0, y0, x1, y1 float64) ring {
	return ring{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}}
}

// placed turns a ring by an angle and moves it to c.
func placed(r ring, turn float64, c geo.XY) ring {
	sin, cos := math.Sincos(turn)
	out := make(ring, len(r))
	for i, p := range r {
		out[i] = geo.XY{X: p.X*cos - p.Y*sin + c.X, Y: p.X*sin + p.Y*cos + c.Y}
	}
	return out
}

func reversed(r ring) ring {
	out := make(ring, len(r))
	for i := range r {
		out[i] = r[len(r)-1-i]
	}
	return out
}

func (a *artist) between(lo, hi float64) float64 { return lo + (hi-lo)*a.Float64() }

// side is a length of a shape, on the grid where there is one.
func (a *artist) side(lo, hi float64) float64 { return max(a.put(a.between(lo, hi)), a.grid) }

func (a *artist) angle() float64 {
	if a.grid > 0 {
		return float64(a.IntN(4)) * math.Pi / 2
	}
	return a.between(0, 2*math.Pi)
}

var shapes = []struct {
	name string
	draw func(a *artist)
}{
	{"rectangle", func(a *artist) {
		a.hard(placed(box(0, 0, a.side(.5, 6), a.side(.5, 6)), a.angle(), a.at()))
	}},
	{"long road", func(a *artist) {
		a.hard(placed(box(-40, 0, 40, a.side(1, 8)), a.angle(), a.at()))
	}},
	{"concave star", func(a *artist) {
		c := a.at()
		n := 5 + a.IntN(9)
		r := make(ring, n)
		for i := range r {
			u := geo.Bearing(360 * (float64(i) + .3*a.Float64()) / float64(n)).Step()
			l := a.between(.2, 4)
			r[i] = geo.XY{X: a.put(c.X + l*u.X), Y: a.put(c.Y + l*u.Y)}
		}
		a.hard(r)
	}},
	{"ring through any points", func(a *artist) { // crosses itself mostly
		r := make(ring, 3+a.IntN(5))
		for i := range r {
			r[i] = a.at()
		}
		a.hard(r)
	}},
	{"bow-tie", func(a *artist) {
		l, h := a.side(.5, 3), a.side(.5, 3)
		a.hard(placed(ring{{X: -l, Y: -h}, {X: l, Y: -h}, {X: -l, Y: h}, {X: l, Y: h}}, a.angle(), a.at()))
	}},
	{"shell that overlaps itself", func(a *artist) {
		c, turn := a.at(), a.angle()
		a.hard(placed(ring{{X: 0, Y: 0}, {X: 4, Y: 0}, {X: 4, Y: 3}, {X: 1, Y: 3}, {X: 1, Y: -1}, {X: 2, Y: -1}, {X: 2, Y: 2}, {X: 0, Y: 2}}, turn, c))
	}},
	{"sliver", func(a *artist) {
		w := math.Pow(10, a.between(-7, -1.5))
		a.hard(placed(box(0, 0, a.side(1, 9), w), a.angle(), a.at()))
	}},
	{"crack", func(a *artist) {
		c, turn := a.at(), a.angle()
		w, lean := a.between(0, .3), 0.
		if a.IntN(2) == 0 {
			lean = a.between(-.05, .05)
		}
		l, h := a.side(1, 7), a.side(.5, 4)
		a.hard(placed(ring{{X: 0, Y: -h}, {X: l, Y: -h}, {X: l, Y: 0}, {X: 0, Y: 0}}, turn, c))
		a.hard(placed(ring{{X: -.3, Y: w}, {X: l + .4, Y: max(0, w+lean)}, {X: l + .4, Y: h + 1}, {X: -.3, Y: h + 1}}, turn, c))
	}},
	{"wedge", func(a *artist) {
		c, turn := a.at(), a.angle()
		l, open := a.between(1, 6), a.between(.02, 1.2)
		a.hard(placed(ring{{X: 0, Y: 0}, {X: l, Y: 0}, {X: l, Y: -2}, {X: 0, Y: -2}}, turn, c))
		a.hard(placed(ring{{X: 0, Y: 0}, {X: l, Y: open}, {X: l, Y: 3}, {X: 0, Y: 3}}, turn, c))
	}},
	{"copy", func(a *artist) {
		if n := len(a.s.Hard); n > 0 {
			a.s.Hard = append(a.s.Hard, a.s.Hard[a.IntN(n)])
		}
	}},
	{"copy the other way round", func(a *artist) {
		if n := len(a.s.Hard); n > 0 {
			var p polygon
			for _, r := range a.s.Hard[a.IntN(n)] {
				p = append(p, reversed(r))
			}
			a.s.Hard = append(a.s.Hard, p)
		}
	}},
	{"copy a hair off", func(a *artist) {
		if n := len(a.s.Hard); n > 0 {
			d := math.Pow(10, a.between(-10, -2))
			var p polygon
			for _, r := range a.s.Hard[a.IntN(n)] {
				p = append(p, placed(r, 0, geo.XY{X: d * a.between(-1, 1), Y: d * a.between(-1, 1)}))
			}
			a.s.Hard = append(a.s.Hard, p)
		}
	}},
	{"spike", func(a *artist) {
		l, h := a.side(.5, 3), a.side(.5, 3)
		w := 0.
		if a.IntN(2) == 0 {
			w = math.Pow(10, a.between(-9, -2))
		}
		tip := a.side(1, 6)
		a.hard(placed(ring{{X: 0, Y: 0}, {X: l, Y: 0}, {X: l, Y: h / 2}, {X: l + tip, Y: h / 2}, {X: l, Y: h/2 + w}, {X: l, Y: h}, {X: 0, Y: h}}, a.angle(), a.at()))
	}},
	{"slabs along an edge, T-junctions", func(a *artist) {
		c, turn := a.at(), a.angle()
		lean := 0.
		if a.grid == 0 {
			lean = a.between(-.3, .3)
		}
		l := a.side(4, 12)
		on := func(x float64) geo.XY { return geo.XY{X: x, Y: lean * x} }
		a.hard(placed(ring{on(0), on(l), {X: l, Y: -3 + lean*l}, {X: 0, Y: -3}}, turn, c))
		for x := 0.; x < l; {
			w := a.side(.3, 3)
			a.hard(placed(ring{on(x), on(x + w), {X: x + w, Y: 2 + lean*l}, {X: x, Y: 2 + lean*l}}, turn, c))
			x += w
			if a.IntN(3) == 0 {
				x += a.side(.1, 2)
			}
		}
	}},
	{"nearly straight edges", func(a *artist) {
		c, turn := a.at(), a.angle()
		l, h := a.side(2, 9), a.side(.5, 3)
		r := ring{{X: 0, Y: 0}}
		for x := l / 9; x < l; x += l / 9 {
			r = append(r, geo.XY{X: x, Y: math.Pow(10, a.between(-12, -3)) * float64(a.IntN(3)-1)})
		}
		a.hard(placed(append(r, geo.XY{X: l, Y: 0}, geo.XY{X: l, Y: h}, geo.XY{X: 0, Y: h}), turn, c))
	}},
	{"islands", func(a *artist) {
		for range 2 + a.IntN(6) {
			a.hard(placed(box(0, 0, a.side(.1, .8), a.side(.1, .8)), a.angle(), a.at()))
		}
	}},
	{"slab with pits", func(a *artist) {
		c, turn := a.at(), a.angle()
		l, h := a.side(4, 12), a.side(2, 5)
		p := polygon{placed(box(0, 0, l, h), turn, c)}
		for range 1 + a.IntN(3) {
			x, w := a.put(l*a.Float64()*.8), a.side(.5, 2)
			y0, y1 := a.put(h*a.between(.1, .4)), a.put(h*a.between(.5, .9))
			switch a.IntN(4) {
			case 0:
				y0 = 0 // shares an edge with the shell
			case 1: // touches it with a corner
				p = append(p, placed(ring{{X: x, Y: 0}, {X: x + w, Y: h / 3}, {X: x, Y: h / 2}}, turn, c))
				continue
			}
			p = append(p, placed(box(x, y0, min(x+w, l), y1), turn, c))
		}
		a.hard(p...)
	}},
	{"holes that touch and overlap", func(a *artist) {
		c, turn := a.at(), a.angle()
		a.hard(placed(box(-5, -5, 5, 5), turn, c), placed(box(-3, -3, 0, 0), turn, c), placed(box(0, 0, 3, 2), turn, c), placed(box(-1, -1, 1, 1), turn, c))
	}},
	{"pit among four slabs", func(a *artist) {
		c, turn := a.at(), a.angle()
		g := func() float64 {
			if a.IntN(2) == 0 {
				return 0
			}
			return a.between(0, .2)
		}
		w, h := a.side(.4, 1.5), a.side(.4, 2)
		a.hard(placed(box(-9, -9, 9, -h), turn, c))
		a.hard(placed(box(-9, h, 9, 9), turn, c))
		a.hard(placed(box(-9, -h+g(), -w, h-g()), turn, c))
		a.hard(placed(box(w, -h+g(), 9, h-g()), turn, c))
	}},
	{"comb", func(a *artist) {
		c, turn := a.at(), a.angle()
		r := ring{{X: 0, Y: 0}}
		x := 0.
		for range 2 + a.IntN(4) {
			w, g := a.between(.2, .8), a.between(.04, .8)
			r = append(r, geo.XY{X: x, Y: 3}, geo.XY{X: x + w, Y: 3}, geo.XY{X: x + w, Y: .5}, geo.XY{X: x + w + g, Y: .5})
			x += w + g
		}
		a.hard(placed(append(r, geo.XY{X: x, Y: 0}), turn, c))
	}},
}

// draw draws the scene that follows from r.
func draw(r *rand.Rand) *scene {
	s := &scene{GapM: gapM, SnapM: []float64{0, .5, 1.5}[r.IntN(3)]}
	a := &artist{Rand: r, s: s, grid: []float64{0, 0, 1, .5, .1}[r.IntN(5)]}
	s.Framed = r.IntN(4) > 0
	if s.Framed {
		a.hard(box(-70, -70, 70, 70), box(-half-1, -half-1, half+1, half+1))
	}
	for range 1 + r.IntN(8) {
		k := shapes[r.IntN(len(shapes))]
		s.Drawn = append(s.Drawn, k.name)
		k.draw(a)
	}
	if r.IntN(5) == 0 {
		s.Beds = append(s.Beds, polygon{placed(box(0, 0, a.side(.3, 3), a.side(.3, 3)), a.angle(), a.at())})
	}
	if r.IntN(8) == 0 {
		for range 1 + r.IntN(2) {
			s.Rootable = append(s.Rootable, polygon{placed(box(0, 0, a.side(.5, 5), a.side(.5, 5)), a.angle(), a.at())})
		}
	}
	if r.IntN(8) == 0 {
		for range 1 + r.IntN(2) {
			l := make(ring, 2+r.IntN(3))
			for i := range l {
				l[i] = a.at()
			}
			for i := 1; i < len(l); i++ {
				if l[i] == l[i-1] {
					l[i].X++
				}
			}
			s.Walls = append(s.Walls, l)
		}
	}
	reach := func() float64 {
		if s.Framed {
			return a.between(28, 34)
		}
		return a.between(3, 9)
	}
	same := reach()
	for range 1 + r.IntN(6) {
		t := tree{At: a.at(), ReachM: same}
		if r.IntN(3) == 0 {
			t.ReachM = reach()
		}
		switch n, what := len(s.Trees), r.IntN(8); what {
		case 0: // on a corner or an edge
			if len(s.Hard) == 0 {
				break
			}
			p := s.Hard[r.IntN(len(s.Hard))]
			q := p[r.IntN(len(p))]
			k := r.IntN(len(q))
			b := q[(k+1)%len(q)]
			f := []float64{0, .5, r.Float64()}[r.IntN(3)]
			t.At = geo.XY{X: q[k].X + f*(b.X-q[k].X), Y: q[k].Y + f*(b.Y-q[k].Y)}
			if math.Abs(t.At.X) > half || math.Abs(t.At.Y) > half {
				t.At = a.at()
			}
		case 1:
			if n > 0 {
				u := geo.Bearing(360 * r.Float64()).Step()
				d := a.between(0, .15)
				o := s.Trees[r.IntN(n)].At
				t.At = geo.XY{X: o.X + d*u.X, Y: o.Y + d*u.Y}
			}
		case 2:
			if n > 0 {
				t.At = s.Trees[r.IntN(n)].At
			}
		}
		s.Trees = append(s.Trees, t)
	}
	a.carry()
	return s
}

// carry turns the scene, moves it to where coordinates are large and rounds it
// to millimetres, or leaves any of that.
func (a *artist) carry() {
	turn, by := 0., geo.XY{}
	if a.IntN(2) == 0 {
		turn = a.between(0, 2*math.Pi)
	}
	switch a.IntN(4) {
	case 0:
		by = geo.XY{X: a.between(-5e4, 5e4), Y: a.between(-5e4, 5e4)}
	case 1:
		by = geo.XY{X: math.Round(a.between(-5e4, 5e4)), Y: math.Round(a.between(-5e4, 5e4))}
	}
	mm := a.IntN(3) == 0
	move := func(r ring) ring {
		out := placed(r, turn, by)
		for i := range out {
			if mm {
				out[i] = geo.XY{X: math.Round(out[i].X*1e3) / 1e3, Y: math.Round(out[i].Y*1e3) / 1e3}
			}
		}
		return out
	}
	for _, layer := range []*[]polygon{&a.s.Hard, &a.s.Beds, &a.s.Rootable} {
		var kept []polygon
		for _, p := range *layer {
			q := make(polygon, len(p))
			for k := range p {
				q[k] = move(p[k])
			}
			if corners(q[0]) >= 3 { // rounding may leave nothing of a sliver
				kept = append(kept, q)
			}
		}
		*layer = kept
	}
	for i := range a.s.Walls {
		a.s.Walls[i] = move(a.s.Walls[i])
	}
	for i := range a.s.Trees {
		a.s.Trees[i].At = placed(ring{a.s.Trees[i].At}, turn, by)[0]
	}
}

// corners counts the vertices of a ring that differ from the one before.
func corners(r ring) (n int) {
	for i := range r {
		if r[i] != r[(i+1)%len(r)] {
			n++
		}
	}
	return n
}
