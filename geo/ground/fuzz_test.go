package ground

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"soilshed/geo"
)

// drawing is a scene read from bytes: small whole coordinates, so that shared
// vertices, edges in line with one another and stems on edges are common.
type drawing struct {
	hard, beds, rootable [][][]geo.XY
	walls                [][]geo.XY
	stands               []Stand
	o                    Options
}

// draw reads a scene from bytes. Every string of bytes is a scene.
func draw(data []byte) *drawing {
	next := func() int {
		if len(data) == 0 {
			return 0
		}
		b := data[0]
		data = data[1:]
		return int(b)
	}
	at := func() geo.XY {
		b := next()
		return geo.XY{X: float64(b%16) - 8, Y: float64(b/16) - 8}
	}
	d := &drawing{o: still()}
	flags := next()
	if flags&1 != 0 {
		d.o.CloseGapM = 0
	}
	if flags&2 != 0 {
		d.o.SnapM = 0
	}
	if flags&4 != 0 {
		d.o.PitM = 0
	}
	d.o.ByCrown = flags&8 != 0
	scale, turn := 1., 0.
	if flags&16 != 0 {
		scale = .047 // no width is just that of a gap
	}
	if flags&32 != 0 {
		turn = float64(next()) / 40
	}
	var by geo.XY
	if flags&64 != 0 {
		by = geo.XY{X: 31234.5, Y: -20123.25}
	}
	ring := func(n int) (r []geo.XY) {
		for range n {
			r = append(r, at())
		}
		return
	}
	for len(data) > 0 && len(d.hard)+len(d.beds)+len(d.rootable)+len(d.walls) < 10 && len(d.stands) < 6 {
		op := next()
		n := 3 + op/16%5
		switch op % 16 {
		case 0, 1, 2, 3:
			d.hard = append(d.hard, poly(ring(n)))
		case 4: // an upright rectangle
			a, b := at(), at()
			d.hard = append(d.hard, poly(rect(a.X, a.Y, b.X+1, b.Y+1)))
		case 5:
			a, b := at(), at()
			d.hard = append(d.hard, poly(rect(-9, -9, 9, 9), rect(a.X, a.Y, b.X+1, b.Y+1)))
		case 6: // a hole
			if k := len(d.hard); k > 0 {
				d.hard[k-1] = append(d.hard[k-1], ring(n))
			}
		case 7:
			d.beds = append(d.beds, poly(ring(n)))
		case 8:
			d.rootable = append(d.rootable, poly(ring(n)))
		case 9:
			d.walls = append(d.walls, ring(n-1))
		case 10:
			if k := len(d.hard); k > 0 {
				d.hard = append(d.hard, d.hard[next()%k])
			}
		case 11: // a crack
			a := at()
			w := float64(next()) / 1000
			d.hard = append(d.hard, poly(rect(a.X, a.Y, a.X+5, a.Y+2)), poly(rect(a.X, a.Y+2+w, a.X+5, a.Y+4)))
		default:
			b := next()
			st := Stand{At: at(), ReachM: 2 + float64(b%8), CrownM2: float64(1 + b/8%4*3)}
			if b&128 != 0 {
				st.At.X += .05
			}
			if b&64 != 0 {
				st.At = st.At.Add(geo.XY{X: .5, Y: .25})
			}
			d.stands = append(d.stands, st)
		}
	}
	if len(d.stands) == 0 {
		d.stands = []Stand{{At: at(), ReachM: 6, CrownM2: 20}}
	}
	move := func(r []geo.XY) []geo.XY {
		out := turned(r, turn)
		for i, p := range out {
			out[i] = geo.XY{X: p.X*scale + by.X, Y: p.Y*scale + by.Y}
		}
		return out
	}
	for _, layer := range [][][][]geo.XY{d.hard, d.beds, d.rootable} {
		for i, p := range layer {
			q := make([][]geo.XY, len(p))
			for k := range p {
				q[k] = move(p[k])
			}
			layer[i] = q
		}
	}
	for i := range d.walls {
		d.walls[i] = move(d.walls[i])
	}
	for i := range d.stands {
		d.stands[i].At = move([]geo.XY{d.stands[i].At})[0]
	}
	return d
}

// build adds the layers; a polygon or line that is refused is left out, as a
// reader of layers does.
func (d *drawing) build(b *Builder) {
	for _, p := range d.hard {
		_ = b.Hard(p, 1)
	}
	for _, p := range d.beds {
		_ = b.Bed(p)
	}
	for _, p := range d.rootable {
		_ = b.Rootable(p, .6, .2)
	}
	for _, l := range d.walls {
		_ = b.Barrier(l)
	}
}

// found are the sites of a drawing with a worker that still holds their
// openings.
func (d *drawing) survey(t testing.TB) ([]Site, *worker) {
	b := NewBuilder()
	d.build(b)
	d.o.CellM = 1e6
	v, err := NewSurvey(b.Freeze(d.o), d.stands, d.o)
	must(t, err)
	w := v.NewWorker()
	sites := make([]Site, len(d.stands))
	for _, c := range v.Cells() {
		w.Do(c, func(i int32, s *Site) { sites[i] = *s })
		if len(v.Cells()) > 1 { // about the origin a scene lies in four
			break
		}
	}
	if len(v.Cells()) > 1 {
		all := make([]int32, len(d.stands))
		for i := range all {
			all[i] = int32(i)
		}
		w.Do(Cell{Stands: all}, func(i int32, s *Site) { sites[i] = *s })
	}
	return sites, &w.worker
}

func ringArea(r []geo.XY) (a float64) {
	for i, p := range r {
		p, q := p.Sub(r[0]), r[(i+1)%len(r)].Sub(r[0])
		a += (p.X*q.Y - p.Y*q.X) / 2
	}
	return a
}

// sound checks what must hold for any site; alone is one that shares its spot
// with nobody.
func sound(t *testing.T, st *Stand, s *Site, alone bool) {
	t.Helper()
	disk := math.Pi * sq(st.ReachM)
	for name, v := range map[string]float64{"open": s.OpenM2, "share": s.ShareM2, "rain": s.RainM2, "soil": s.SoilM3, "depth": s.DepthM, "short": s.ShortM, "lopsided": s.Lopsided, "moved": s.MovedM} {
		if math.IsNaN(v) || math.IsInf(v, 0) || v < -1e-12 {
			t.Errorf("%s is %v", name, v)
		}
	}
	if s.OpenM2 > disk*(1+1e-9) || s.ShareM2 > s.OpenM2*(1+1e-6)+1e-6 || s.RainM2 > s.ShareM2*(1+1e-9)+1e-9 {
		t.Errorf("disk %v, opening %v, share %v, rain %v", disk, s.OpenM2, s.ShareM2, s.RainM2)
	}
	for k, r := range s.ReachM {
		if !(r >= 0 && float64(r) <= st.ReachM*(1+1e-6)) {
			t.Errorf("bearing %d: %v of a reach of %v", 10*k, r, st.ReachM)
		}
	}
	drawn := 0.0
	for _, p := range s.Share {
		for i, r := range p {
			if len(r) < 3 {
				t.Errorf("a ring of %d vertices", len(r))
				continue
			}
			a := ringArea(r)
			drawn += a
			if (a > 0) != (i == 0) {
				t.Errorf("ring %d of a polygon has %v m2", i, a)
			}
			for k, p := range r {
				if math.IsNaN(p.X + p.Y) {
					t.Errorf("a vertex is not a number")
				}
				if p == r[(k+1)%len(r)] {
					t.Errorf("a vertex twice in a row: %v", p)
				}
			}
		}
	}
	// Chords inside a circle take ground away, those round a hole add it. Of
	// ground that trees on one spot share each draws the whole.
	if off := 1e-4 + sagM*outlineM(s); drawn < s.ShareM2-off || alone && drawn > s.ShareM2+off {
		t.Errorf("the polygon drawn has %v m2, the share %v", drawn, s.ShareM2)
	}
}

// outlineM is the length of all outlines of a share.
func outlineM(s *Site) (l float64) {
	for _, p := range s.Share {
		for _, r := range p {
			for i := range r {
				l += r[i].Distance(r[(i+1)%len(r)])
			}
		}
	}
	return l
}

// rimArea is the area inside an outline, by Green's theorem.
func rimArea(rims []rim) (a float64) {
	for i := range rims {
		e := &rims[i]
		if e.side == 0 {
			a += (e.x0 + e.x1) / 2 * (e.y1 - e.y0)
		} else {
			a += e.cx*(e.y1-e.y0) + float64(e.side)*(halfDisk(e.y1-e.cy, e.r)-halfDisk(e.y0-e.cy, e.r))
		}
	}
	return a
}

// winds is the winding number of a ring round p.
func winds(r []geo.XY, p geo.XY) (n int) {
	for i, a := range r {
		b := r[(i+1)%len(r)]
		if (a.Y > p.Y) != (b.Y > p.Y) && a.X+(p.Y-a.Y)/(b.Y-a.Y)*(b.X-a.X) > p.X {
			if b.Y > a.Y {
				n++
			} else {
				n--
			}
		}
	}
	return n
}

func covers(p [][]geo.XY, at geo.XY) bool {
	if len(p) == 0 || winds(p[0], at) == 0 {
		return false
	}
	for _, h := range p[1:] {
		if winds(h, at) != 0 {
			return false
		}
	}
	return true
}

// blocked tells by the definition whether roots are shut out at p.
func (d *drawing) blocked(p geo.XY) bool {
	in := func(layer [][][]geo.XY) bool {
		return slices.ContainsFunc(layer, func(q [][]geo.XY) bool { return covers(q, p) })
	}
	return in(d.hard) && !in(d.beds) && !in(d.rootable)
}

// crossed tells whether any line of the drawing runs between p and q or nearly.
func (d *drawing) crossed(p, q geo.XY) bool {
	mid := geo.XY{X: (p.X + q.X) / 2, Y: (p.Y + q.Y) / 2}
	r := p.Distance(q)/2 + 1e-7
	hit := func(l []geo.XY, closed bool) bool {
		for i, a := range l {
			if i+1 == len(l) && !closed {
				break
			}
			n := nearestPoint(a.Sub(mid), l[(i+1)%len(l)].Sub(mid))
			if math.Hypot(n.X, n.Y) < r {
				return true
			}
		}
		return false
	}
	for _, layer := range [][][][]geo.XY{d.hard, d.beds, d.rootable} {
		for _, p := range layer {
			for _, ring := range p {
				if hit(ring, true) {
					return true
				}
			}
		}
	}
	return slices.ContainsFunc(d.walls, func(l []geo.XY) bool { return hit(l, false) })
}

func seeds(f *testing.F) {
	f.Add([]byte{})
	files, err := filepath.Glob("../../fixtures/broken/ground/*.scene")
	if err != nil || len(files) == 0 {
		f.Fatal("no scenes in fixtures/broken/ground", err)
	}
	for _, name := range files {
		b, err := os.ReadFile(name)
		must(f, err)
		f.Add(b)
	}
}

// bounded fails a scene of a few dozen vertices that takes seconds.
func bounded(t *testing.T, began time.Time) {
	if took := time.Since(began); took > 10*time.Second {
		t.Errorf("took %v", took)
	}
}

// variants draws the same ground in other ways.
func (d *drawing) variants() map[string]*drawing {
	each := func(do func(r []geo.XY) []geo.XY) *drawing {
		v := *d
		for _, layer := range []*[][][]geo.XY{&v.hard, &v.beds, &v.rootable} {
			out := make([][][]geo.XY, len(*layer))
			for i, p := range *layer {
				for _, r := range p {
					out[i] = append(out[i], do(r))
				}
			}
			*layer = out
		}
		v.walls = nil
		for _, l := range d.walls {
			v.walls = append(v.walls, do(l))
		}
		return &v
	}
	back := each(func(r []geo.XY) []geo.XY {
		r = slices.Clone(r)
		slices.Reverse(r)
		return r
	})
	twice := *d
	twice.hard = slices.Concat(d.hard, d.hard)
	twice.walls = slices.Concat(d.walls, d.walls)
	order := *d
	order.hard = slices.Clone(d.hard)
	slices.Reverse(order.hard)
	return map[string]*drawing{"rings reversed": back, "polygons twice": &twice, "polygons in another order": &order}
}

// FuzzOpening holds the openings of small scenes of whole coordinates, where
// everything touches everything, to the definition: nothing of an opening is
// hard, it is connected, it ends only where something ends it, and it does not
// depend on how the layers are drawn.
func FuzzOpening(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 200 {
			return
		}
		defer bounded(t, time.Now())
		d := draw(data)
		d.stands = d.stands[:1]
		st := &d.stands[0]
		sites, w := d.survey(t)
		s, op := &sites[0], w.opening(0)
		sound(t, st, s, true)
		if op.how != Sealed {
			if a := rimArea(op.rims); math.Abs(a-s.OpenM2) > 1e-6*(1+s.OpenM2) {
				t.Errorf("the outline holds %v m2, the opening %v", a, s.OpenM2)
			}
		}
		// Points, and pairs of points with nothing between them.
		for k := range 200 {
			u := geo.Bearing(math.Mod(float64(k)*137.50776405, 360)).Step()
			l := st.ReachM * math.Sqrt((float64(k)+.5)/200)
			p := op.at.Add(geo.XY{X: l * u.X, Y: l * u.Y})
			q := op.at.Add(geo.XY{X: .97 * l * u.X, Y: .97 * l * u.Y})
			if d.crossed(p, q) {
				continue
			}
			in := op.holds(p)
			if in && op.how != Recorded && op.how != Assumed && d.blocked(p) {
				t.Errorf("%v is hard and lies in the opening", p)
			}
			if in != op.holds(q) && op.pit == (pit{}) && !w.closedBetween(op, p, q) {
				t.Errorf("%v and %v: nothing lies between them, and one is in the opening", p, q)
			}
		}
		// The rose stops where the ground does, and not before.
		for k, r := range s.ReachM {
			for _, part := range []float64{.01, .5, .99} {
				l := float64(r) * part
				p := op.at.Add(geo.XY{X: l * unit[k].X, Y: l * unit[k].Y})
				wide := 1e-6 + 2e-4*l // along an edge either side will do
				aside := geo.XY{X: -wide * unit[k].Y, Y: wide * unit[k].X}
				if l > 1e-4 && !op.holds(p) && !op.holds(p.Add(aside)) && !op.holds(p.Sub(aside)) {
					t.Errorf("bearing %d: free for %v m, but not at %v m", 10*k, r, l)
				}
			}
			beyond := geo.XY{X: (float64(r) + 1e-5) * unit[k].X, Y: (float64(r) + 1e-5) * unit[k].Y}
			if op.how != Sealed && len(d.walls) == 0 && op.how <= Snapped && float64(r) < st.ReachM-1e-3 {
				q := op.at.Add(beyond)
				side := geo.XY{X: -1e-5 * unit[k].Y, Y: 1e-5 * unit[k].X}
				if !d.crossed(q.Sub(side), q.Add(side)) && op.holds(q) && !w.closedBetween(op, op.at, q) && !d.crossed(op.at, q) {
					t.Errorf("bearing %d: stops at %v m for nothing", 10*k, r)
				}
			}
		}
		for what, v := range d.variants() {
			got, _ := v.survey(t)
			if math.Abs(got[0].OpenM2-s.OpenM2) > 1e-6*(1+s.OpenM2) || got[0].How != s.How {
				t.Errorf("%s: %v %v m2, was %v %v m2", what, got[0].How, got[0].OpenM2, s.How, s.OpenM2)
			}
		}
		// More pavement never means more ground.
		more := *d
		more.o.SnapM, more.o.PitM, more.o.CloseGapM = 0, 0, 0
		before, _ := more.survey(t)
		c := op.at
		more.hard = append(slices.Clone(d.hard), poly(rect(c.X+1, c.Y-1, c.X+3, c.Y+2)))
		after, _ := more.survey(t)
		if after[0].OpenM2 > before[0].OpenM2*(1+1e-9)+1e-6 {
			t.Errorf("%v m2, and %v with more pavement", before[0].OpenM2, after[0].OpenM2)
		}
	})
}

// closedBetween tells whether the opening has a line of its own (a closed gap,
// the circle) between p and q.
func (w *worker) closedBetween(op *opening, p, q geo.XY) bool {
	if math.Abs(p.Distance(op.at)-op.r) < 1e-6 || (p.Distance(op.at) > op.r) != (q.Distance(op.at) > op.r) {
		return true
	}
	for i := range op.rims {
		e := &op.rims[i]
		a, b := geo.XY{X: e.x0, Y: e.y0}.Add(op.at), geo.XY{X: e.x1, Y: e.y1}.Add(op.at)
		if e.side == 0 && turn(a, b, p)*turn(a, b, q) <= 0 && turn(p, q, a)*turn(p, q, b) <= 0 && w.o.CloseGapM > 0 {
			return true
		}
	}
	return false
}

// FuzzShare holds the shares of several trees to the definition, worked out
// again line by line: along each of many level lines the ends of the openings
// and the bisectors are found, and every stretch between them goes to its
// owners.
func FuzzShare(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 200 {
			return
		}
		defer bounded(t, time.Now())
		d := draw(data)
		sites, w := d.survey(t)
		for i := range sites {
			alone := true
			for j := range sites {
				alone = alone && (j == i || w.spotOf(int32(j)).id != w.spotOf(int32(i)).id)
			}
			sound(t, &d.stands[i], &sites[i], alone)
		}
		want, union, off := w.byLines(len(sites))
		sum, drawn := 0.0, 0.0
		for i := range sites {
			sum += sites[i].ShareM2
			for _, p := range sites[i].Share {
				for _, r := range p {
					drawn += ringArea(r)
				}
			}
			if math.Abs(sites[i].ShareM2-want[i]) > off {
				t.Errorf("tree %d: share %v, by lines %v", i, sites[i].ShareM2, want[i])
			}
		}
		if math.Abs(sum-union) > off {
			t.Errorf("the shares sum to %v, their union has %v", sum, union)
		}
		for what, v := range d.variants() {
			got, _ := v.survey(t)
			for i := range got {
				if math.Abs(got[i].ShareM2-sites[i].ShareM2) > 1e-6*(1+sites[i].ShareM2) {
					t.Errorf("%s: share of tree %d %v, was %v", what, i, got[i].ShareM2, sites[i].ShareM2)
				}
			}
		}
	})
}

// byLines works the shares out along level lines, from the openings and the
// definition alone. It returns the area of the union too, and how far both may
// be off.
func (w *worker) byLines(n int) (share []float64, union, off float64) {
	share = make([]float64, n)
	var ops []*opening
	var sp []spot
	y0, y1 := math.Inf(1), math.Inf(-1)
	for i := range n {
		op := w.opening(int32(i))
		ops = append(ops, op)
		sp = append(sp, w.spotOf(int32(i)))
		if op.how != Sealed {
			y0, y1 = min(y0, op.y0), max(y1, op.y1)
		}
	}
	if y0 > y1 {
		return share, 0, 1e-9
	}
	const lines = 3000
	h := (y1 - y0) / lines
	var xs []float64
	inside := make([][]float64, n)
	for k := range lines {
		y := y0 + (float64(k)+.5)*h
		xs = xs[:0]
		for i, op := range ops {
			inside[i] = inside[i][:0]
			if op.how == Sealed {
				continue
			}
			for r := range op.rims {
				e := &op.rims[r]
				ly := y - op.at.Y
				if (e.y0 > ly) == (e.y1 > ly) {
					continue
				}
				x := e.x0 + (ly-e.y0)/(e.y1-e.y0)*(e.x1-e.x0)
				if e.side != 0 {
					x = e.cx + float64(e.side)*math.Sqrt(max(0, e.r*e.r-sq(ly-e.cy)))
				}
				inside[i] = append(inside[i], x+op.at.X)
			}
			slices.Sort(inside[i])
			xs = append(xs, inside[i]...)
			for j := range i {
				// (x-a)2 + u2 = q ((x-b)2 + v2), with q the ratio of the weights
				a, b := sp[i].at, sp[j].at
				q := sp[i].weight / sp[j].weight
				c2, c1, c0 := 1-q, -2*(a.X-q*b.X), sq(a.X)+sq(y-a.Y)-q*(sq(b.X)+sq(y-b.Y))
				if math.Abs(c2) < 1e-12 {
					if c1 != 0 {
						xs = append(xs, -c0/c1)
					}
				} else if disc := c1*c1 - 4*c2*c0; disc > 0 {
					xs = append(xs, (-c1-math.Sqrt(disc))/(2*c2), (-c1+math.Sqrt(disc))/(2*c2))
				}
			}
		}
		slices.Sort(xs)
		for m := 1; m < len(xs); m++ {
			wide := xs[m] - xs[m-1]
			if wide < 1e-12 {
				continue
			}
			p := geo.XY{X: (xs[m] + xs[m-1]) / 2, Y: y}
			best := math.Inf(1)
			for i := range ops {
				if at, _ := slices.BinarySearch(inside[i], p.X); at%2 == 1 {
					best = min(best, (sq(p.X-sp[i].at.X)+sq(p.Y-sp[i].at.Y))/sp[i].weight)
				}
			}
			if math.IsInf(best, 1) {
				continue
			}
			total := 0.0
			owns := func(i int) bool {
				at, _ := slices.BinarySearch(inside[i], p.X)
				return at%2 == 1 && (sq(p.X-sp[i].at.X)+sq(p.Y-sp[i].at.Y))/sp[i].weight <= best*(1+1e-12)
			}
			for i := range ops {
				if owns(i) {
					total += w.weight(int32(i))
				}
			}
			for i := range ops {
				if owns(i) {
					share[i] += wide * h * w.weight(int32(i)) / total
				}
			}
			union += wide * h
		}
	}
	// A level edge between two lines moves a stretch by up to half a step; ends
	// of circles converge more slowly.
	levels := map[string]float64{}
	for _, op := range ops {
		for r := range op.rims {
			e := &op.rims[r]
			if e.side == 0 && math.Abs(e.y1-e.y0) < h {
				levels[fmt.Sprintf("%.4f", e.y0+op.at.Y)] += math.Abs(e.x1 - e.x0)
			}
		}
	}
	off = .002 + 30*h*h
	for i := range ops {
		for j := range i { // a level bisector is a level edge
			if d := sp[i].at.Sub(sp[j].at); math.Abs(d.X) < .05*math.Abs(d.Y) {
				off += h * min(ops[i].r, ops[j].r)
			}
		}
	}
	for _, l := range levels {
		off += h * l / 2
	}
	return share, union, off + 2*h*.2
}
