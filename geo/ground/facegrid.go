package ground

import (
	"math"

	"soilshed/geo"
)

// manyFaces is the number of faces above which pairs are looked for by squares;
// up to it, going through all is quicker.
const manyFaces = 128

// faceGrid tells which faces come near a place: squares over the window, each
// with the faces that pass within a gap of it.
type faceGrid struct {
	cellM, lowM float64
	n           int
	start       []int32 // of each square in ids, and one more
	ids         []int32
	seen        []int32 // of each face: the face or line that met it last
	look        int32
}

// fill lays the squares out. A face lies in every square that comes within g of
// it.
func (d *faceGrid) fill(faces []face, halfM, g float64) {
	const most = 256 // squares a side
	d.lowM = -halfM - float64(2*g)
	d.cellM = max(g, -2*d.lowM/most)
	d.n = int(-2*(d.lowM/d.cellM)) + 1
	d.start = append(d.start[:0], make([]int32, d.n*d.n+1)...)
	for i := range faces {
		d.over(faces[i].a, faces[i].b, g, func(k int) bool { d.start[k+1]++; return true })
	}
	for k := range d.n * d.n {
		d.start[k+1] += d.start[k]
	}
	d.ids = append(d.ids[:0], make([]int32, d.start[d.n*d.n])...)
	for i := len(faces) - 1; i >= 0; i-- { // each square's faces in falling order, filled from its end
		d.over(faces[i].a, faces[i].b, g, func(k int) bool {
			d.start[k+1]--
			d.ids[d.start[k+1]] = int32(i)
			return true
		})
	}
	// The starts have moved one place up.
	copy(d.start, d.start[1:])
	d.start[d.n*d.n] = int32(len(d.ids))
	d.seen = append(d.seen[:0], make([]int32, len(faces))...)
	d.look = 0
}

func (d *faceGrid) at(v float64) int {
	return max(0, min(d.n-1, int((v-d.lowM)/d.cellM)))
}

// over calls do for each square that comes within g of the line from a to b, and
// maybe for a few more, until do says no.
func (d *faceGrid) over(a, b geo.XY, g float64, do func(k int) bool) {
	if a.Y > b.Y {
		a, b = b, a
	}
	for row, last := d.at(a.Y-g), d.at(b.Y+g); row <= last; row++ {
		x0, x1 := a.X, b.X
		if b.Y > a.Y {
			y0 := d.lowM + float64(float64(row)*d.cellM)
			slope := (b.X - a.X) / (b.Y - a.Y)
			x0 = a.X + float64((max(a.Y, min(b.Y, y0-g))-a.Y)*slope)
			x1 = a.X + float64((max(a.Y, min(b.Y, y0+d.cellM+g))-a.Y)*slope)
		}
		if x0 > x1 {
			x0, x1 = x1, x0
		}
		for col, end := d.at(x0-g), d.at(x1+g); col <= end; col++ {
			if !do(row*d.n + col) {
				return
			}
		}
	}
}

// near calls do once for each face that comes within g of the line from a to b,
// and for some more, until do says no.
func (d *faceGrid) near(a, b geo.XY, do func(i int32) bool) {
	d.look++
	d.over(a, b, 0, func(k int) bool {
		for _, i := range d.ids[d.start[k]:d.start[k+1]] {
			if d.seen[i] == d.look {
				continue
			}
			d.seen[i] = d.look
			if !do(i) {
				return false
			}
		}
		return true
	})
}

// crosses tells whether a face meets the line of length l from p to q between
// its ends.
func (f *face) crosses(p, q geo.XY, l float64) bool {
	const none = 1e-9 // to rounding
	off := float64(none * l)
	dx, dy := q.X-p.X, q.Y-p.Y
	ax, ay, bx, by := f.a.X-p.X, f.a.Y-p.Y, f.b.X-p.X, f.b.Y-p.Y
	// How far the ends lie off the line and along it, times its length.
	sa, sb := float64(dx*ay)-float64(dy*ax), float64(dx*by)-float64(dy*bx)
	if sa > off && sb > off || sa < -off && sb < -off {
		return false
	}
	ta, tb := float64(dx*ax)+float64(dy*ay), float64(dx*bx)+float64(dy*by)
	low, high := off, float64(l*l)-off
	if math.Abs(sa) <= off || math.Abs(sb) <= off {
		return math.Abs(sa) <= off && ta > low && ta < high || math.Abs(sb) <= off && tb > low && tb < high
	}
	t := ta + float64(sa/(sa-sb)*(tb-ta))
	return t > low && t < high
}
