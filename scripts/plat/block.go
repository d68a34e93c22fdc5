package plat

import "math"

// Ring is closed by its first point, which is not repeated. Counter-clockwise
// is a shell, clockwise a hole.
type Ring []Point

// Polygon is a shell and its holes.
type Polygon []Ring

// Side of a block, counter-clockwise.
type Side int

const (
	South Side = iota
	East
	North
	West
)

func (s Side) String() string { return [...]string{"south", "east", "north", "west"}[s] }

// Block is the ground between the kerbs of four streets: a rectangle on the
// sheet.
type Block struct{ West, South, East, North float64 }

// Length of a side in metres.
func (b Block) Length(s Side) float64 {
	if s == South || s == North {
		return b.East - b.West
	}
	return b.North - b.South
}

// At is the sheet point alongM from the start of a side (counter-clockwise) and
// inM metres into the block.
func (b Block) At(s Side, alongM, inM float64) Point {
	switch s {
	case South:
		return Point{b.West + alongM, b.South + inM}
	case East:
		return Point{b.East - inM, b.South + alongM}
	case North:
		return Point{b.East - alongM, b.North - inM}
	default:
		return Point{b.West + inM, b.North - alongM}
	}
}

// Rect is the rectangle on a side from a0 to a1 along it and from d0 to d1 into
// the block.
func (b Block) Rect(s Side, a0, a1, d0, d1 float64) Ring {
	return Ring{b.At(s, a0, d0), b.At(s, a1, d0), b.At(s, a1, d1), b.At(s, a0, d1)}
}

// arcSteps is the number of chords in a quarter circle at a corner.
const arcSteps = 6

// outline is the block's kerb moved inM[side] into the block, its corners
// rounded, cut in the middle of each corner arc into one line a side.
func (b Block) outline(inM [4]float64, radiusM float64) [4][]Point {
	corner := func(s Side) []Point { // the arc at the end of side s
		next := (s + 1) % 4
		c := b.Length(s) - inM[next] - radiusM
		arc := make([]Point, 0, arcSteps+1)
		for i := 0; i <= arcSteps; i++ {
			sin, cos := math.Sincos(float64(i) / arcSteps * math.Pi / 2)
			arc = append(arc, b.At(s, c+radiusM*sin, inM[s]+radiusM-radiusM*cos))
		}
		return arc
	}
	var lines [4][]Point
	for s := South; s <= West; s++ {
		before, after := corner((s+3)%4), corner(s)
		lines[s] = append(append([]Point{}, before[arcSteps/2:]...), after[:arcSteps/2+1]...)
	}
	return lines
}

// Kerb is the block's outline with rounded corners, as a shell.
func (b Block) Kerb(radiusM float64) Ring {
	var r Ring
	for _, line := range b.outline([4]float64{}, radiusM) {
		r = append(r, line[:len(line)-1]...)
	}
	return r
}

// Walk is the sidewalk of one side: from inM to inM + widthM, mitred where it
// meets the walks of the neighbouring sides.
func (b Block) Walk(s Side, inM, widthM [4]float64, radiusM float64) Ring {
	inner := inM
	for i := range inner {
		inner[i] += widthM[i]
	}
	r := append(Ring{}, b.outline(inM, radiusM)[s]...)
	back := b.outline(inner, 0.4)[s]
	for i := len(back) - 1; i >= 0; i-- {
		r = append(r, back[i])
	}
	return r
}

// CornerPad is the paved corner at the end of side s, from the kerb to the
// walks of both sides, armM along each.
func (b Block) CornerPad(s Side, inM [4]float64, kerbRadiusM, armM float64) Ring {
	next := (s + 1) % 4
	l := b.Length(s)
	end, start := b.outline([4]float64{}, kerbRadiusM)[s], b.outline([4]float64{}, kerbRadiusM)[next]
	r := Ring{b.At(s, l-armM, 0)}
	r = append(r, end[len(end)-1-arcSteps/2:]...)
	r = append(r, start[1:arcSteps/2+1]...)
	// The inner corner laps over the walks, and stays behind the arc.
	const lap = 0.2
	in, inNext := max(inM[s]+lap, kerbRadiusM/2), max(inM[next]+lap, kerbRadiusM/2)
	return append(r, b.At(next, armM, 0), b.At(next, armM, inNext),
		b.At(s, l-inNext, in), b.At(s, l-armM, in))
}

// Warp bends the sheet: from straight streets to the town's own.
type Warp func(Point) Point

// Ring bends a ring, putting points no farther apart than stepM on its long
// edges first, so that they curve.
func (w Warp) Ring(r Ring, stepM float64) Ring {
	out := make(Ring, 0, 2*len(r))
	for i, p := range r {
		q := r[(i+1)%len(r)]
		n := int(math.Ceil(math.Hypot(q.X-p.X, q.Y-p.Y) / stepM))
		for k := 0; k < max(n, 1); k++ {
			f := float64(k) / float64(max(n, 1))
			out = append(out, w(Point{p.X + f*(q.X-p.X), p.Y + f*(q.Y-p.Y)}))
		}
	}
	return out
}

// Line bends an open line in the same way.
func (w Warp) Line(l []Point, stepM float64) []Point {
	var out []Point
	for i := 0; i+1 < len(l); i++ {
		p, q := l[i], l[i+1]
		n := max(int(math.Ceil(math.Hypot(q.X-p.X, q.Y-p.Y)/stepM)), 1)
		for k := 0; k < n; k++ {
			f := float64(k) / float64(n)
			out = append(out, w(Point{p.X + f*(q.X-p.X), p.Y + f*(q.Y-p.Y)}))
		}
	}
	return append(out, w(l[len(l)-1]))
}

// Rigid is a rectangle that keeps its measures: lengthM along the side's
// direction and widthM across it, around a point of the sheet, laid as the
// sheet lies there.
func (w Warp) Rigid(centre Point, s Side, lengthM, widthM float64) Ring {
	c := w(centre)
	ahead := centre
	if s == South || s == North {
		ahead.X += 0.5
	} else {
		ahead.Y += 0.5
	}
	a := w(ahead)
	h := math.Hypot(a.X-c.X, a.Y-c.Y)
	ux, uy := (a.X-c.X)/h*lengthM/2, (a.Y-c.Y)/h*lengthM/2
	vx, vy := -(a.Y-c.Y)/h*widthM/2, (a.X-c.X)/h*widthM/2
	return Ring{
		{c.X - ux - vx, c.Y - uy - vy}, {c.X + ux - vx, c.Y + uy - vy},
		{c.X + ux + vx, c.Y + uy + vy}, {c.X - ux + vx, c.Y - uy + vy},
	}
}

// Reverse turns a shell into a hole.
func Reverse(r Ring) Ring {
	out := make(Ring, len(r))
	for i, p := range r {
		out[len(r)-1-i] = p
	}
	return out
}

// Area is positive for a counter-clockwise ring.
func Area(r Ring) float64 {
	var s float64
	for i, p := range r {
		q := r[(i+1)%len(r)]
		s += (p.X-r[0].X)*(q.Y-r[0].Y) - (q.X-r[0].X)*(p.Y-r[0].Y)
	}
	return s / 2
}
