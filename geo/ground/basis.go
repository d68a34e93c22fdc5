package ground

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"

	"soilshed/geo"
)

// Basis tells what the site of a stand was worked out from: the parts of the
// plane that were looked at on the way. What lies elsewhere has no part in it.
// So a site that was found before is still right where the stand, and all that
// Worker.Key finds within its basis, are the same: the same work would ask the
// same questions, one after the other, and get the same answers.
type Basis struct {
	// Rings holds all windows in which edges were gathered.
	Rings Window
	// Ground holds the openings that were set beside the disks of others: a stand
	// counts whose disk, widened by the snap, meets it.
	Ground Window
	// Spots holds the places round which stands on one spot were looked for: a
	// stand counts that lies in it.
	Spots Window
}

// Window is a rectangle of the plane in single precision, rounded outwards: x0,
// y0, x1, y1. x0 > x1 where it is empty.
type Window [4]float32

func (b box) window() Window { return Window{b.x0, b.y0, b.x1, b.y1} }
func (w Window) box() box    { return box{w[0], w[1], w[2], w[3]} }

// sees tells whether the box meets the box from (x0, y0) to (x1, y1).
func (b box) sees(x0, y0, x1, y1 float64) bool {
	return float64(b.x0) <= x1 && x0 <= float64(b.x1) && float64(b.y0) <= y1 && y0 <= float64(b.y1)
}

func boxOf(x0, y0, x1, y1 float64) box { return box{down32(x0), down32(y0), up32(x1), up32(y1)} }

// Key stands for a stand and all within its basis.
type Key [16]byte

// sums are digests of the stands and of the rings of the map.
type sums struct {
	stands, rings []Key
}

// Digest makes ready for Key and StandKey: it works through the whole map once.
// It must be called before work begins.
func (v *Survey) Digest() {
	d := &sums{stands: make([]Key, len(v.stands)), rings: make([]Key, len(v.m.rings))}
	var b []byte
	for i := range v.stands {
		st := &v.stands[i]
		b = b[:0]
		for _, x := range [...]float64{st.At.X, st.At.Y, st.ReachM, st.FallM, st.DepthM, st.CrownM2, st.PitLM, st.PitWM} {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
		}
		if v.gone(int32(i)) {
			b = append(b, 1)
		}
		d.stands[i] = shortSum(b)
	}
	for i := range v.m.rings {
		r := &v.m.rings[i]
		p := &v.m.parts[r.part]
		b = append(b[:0], byte(p.kind))
		if r.hole {
			b[0] |= 0x80
		}
		for _, x := range [...]float32{p.weight, p.depthM, p.usable} {
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(x))
		}
		for _, p := range v.m.ringOf(r) {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(p.X))
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(p.Y))
		}
		d.rings[i] = shortSum(b)
	}
	v.sums = d
}

func shortSum(b []byte) (k Key) {
	s := sha256.Sum256(b)
	copy(k[:], s[:])
	return k
}

// StandKey stands for a stand alone. Digest must have been called.
func (v *Survey) StandKey(i int32) Key { return v.sums.stands[i] }

// Globals is what every site of the survey hangs on beside its basis, in words:
// the settings, and which kinds of layers there are.
func (v *Survey) Globals() (settings, layers string) {
	return fmt.Sprintf("%+v, longest reach %v", v.o, v.maxReach), fmt.Sprint(v.m.has)
}

// Key stands for stand i and all that counts within b. Digest must have been
// called.
func (k *Worker) Key(i int32, b *Basis) Key {
	w := &k.worker
	v, m, s := w.v, w.m, &w.s
	buf := append(w.keyed[:0], v.sums.stands[i][:]...)

	// The stands, in the order in which the work meets them.
	ground, spots, rings := b.Ground.box(), b.Spots.box(), b.Rings.box()
	all := spots
	if ground.x0 <= ground.x1 {
		far := v.maxReach + v.o.SnapM
		all.join(boxOf(float64(ground.x0)-far, float64(ground.y0)-far, float64(ground.x1)+far, float64(ground.y1)+far))
	}
	if all.x0 <= all.x1 {
		w.wide = v.grid.within(float64(all.x0), float64(all.y0), float64(all.x1), float64(all.y1), w.wide[:0])
		for _, j := range w.wide {
			if j == i {
				buf = append(buf, "itself"...)
				continue
			}
			if v.gone(j) {
				continue
			}
			o := &v.stands[j]
			r := o.ReachM + v.o.SnapM
			if ground.sees(o.At.X-r, o.At.Y-r, o.At.X+r, o.At.Y+r) || spots.sees(o.At.X, o.At.Y, o.At.X, o.At.Y) {
				buf = append(buf, v.sums.stands[j][:]...)
			}
		}
	}

	// The rings, in the order of the index, and which of them are of one polygon.
	buf = append(buf, "rings"...)
	if rings.x0 <= rings.x1 {
		s.clear()
		s.epoch++
		if s.epoch == 0 {
			clear(s.seen)
			s.epoch = 1
		}
		s.hits = m.tree.query(rings, s.hits[:0])
		for _, id := range s.hits {
			buf = append(buf, v.sums.rings[id][:]...)
			buf = binary.LittleEndian.AppendUint32(buf, uint32(s.slot(m, m.rings[id].part)))
		}
		buf = m.cover.within(rings, buf)
	}
	w.keyed = buf
	return shortSum(buf)
}

// within appends what the coverage is in a box: where its cells lie does not
// matter when all of them are covered.
func (c *coverage) within(b box, out []byte) []byte {
	if c == nil {
		return out
	}
	first := len(out)
	for _, x := range [...]float64{c.x0, c.y0, c.cell} {
		out = binary.LittleEndian.AppendUint64(out, math.Float64bits(x))
	}
	x0, y0 := c.place(geo.XY{X: float64(b.x0), Y: float64(b.y0)})
	x1, y1 := c.place(geo.XY{X: float64(b.x1), Y: float64(b.y1)})
	all := true
	for y := y0; y <= y1; y++ {
		for x := x0; x <= x1; x++ {
			state := byte('o')
			if x >= 0 && y >= 0 && x < c.nx && y < c.ny && !c.outside[y*c.nx+x] {
				state = 'c'
			}
			all = all && state == 'c'
			out = append(out, state)
		}
	}
	if all {
		return append(out[:first], "covered"...)
	}
	return out
}
