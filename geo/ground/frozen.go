package ground

import (
	"encoding/binary"
	"errors"
	"io"
	"math"

	"soilshed/geo"
)

// A map can be written as it lies in memory and be read again in a fraction of
// the time of building it: lists of numbers, little endian, each with its length
// before it.

// ErrNoMap tells that bytes are no map that was written whole.
var ErrNoMap = errors.New("no whole map")

// Write writes the map; ReadMap reads it again.
func (m *Map) Write(w io.Writer) error {
	p := putter{w: w, b: make([]byte, 0, 1<<16)}
	for _, has := range m.has {
		p.bool(has)
	}
	p.int32(int32(m.copied))
	p.count(len(m.verts.chunks))
	for _, c := range m.verts.chunks {
		p.count(len(c))
		for _, v := range c {
			p.float64(v.X)
			p.float64(v.Y)
		}
	}
	p.count(len(m.rings))
	for i := range m.rings {
		r := &m.rings[i]
		for _, x := range [...]int32{r.chunk, r.first, r.n, r.part, r.boxes} {
			p.int32(x)
		}
		p.bool(r.hole)
	}
	p.count(len(m.parts))
	for i := range m.parts {
		t := &m.parts[i]
		p.int32(int32(t.kind))
		for _, x := range [...]float32{t.weight, t.depthM, t.usable} {
			p.float32(x)
		}
		p.int32(t.tag)
	}
	p.boxes(m.boxes)
	p.count(len(m.tree.ids))
	for _, id := range m.tree.ids {
		p.int32(id)
	}
	p.count(len(m.tree.levels))
	for _, level := range m.tree.levels {
		p.boxes(level)
	}
	p.bool(m.cover != nil)
	if c := m.cover; c != nil {
		for _, x := range [...]float64{c.x0, c.y0, c.cell} {
			p.float64(x)
		}
		p.count(c.nx)
		p.count(c.ny)
		for _, x := range c.outside {
			p.bool(x)
		}
	}
	p.flush()
	return p.err
}

// putter writes numbers. An error is held until the end.
type putter struct {
	w   io.Writer
	b   []byte
	err error
}

func (p *putter) flush() {
	if p.err == nil {
		_, p.err = p.w.Write(p.b)
	}
	p.b = p.b[:0]
}

// room sees to it that a number finds room.
func (p *putter) room() {
	if len(p.b)+8 > cap(p.b) {
		p.flush()
	}
}

func (p *putter) int32(x int32) {
	p.room()
	p.b = binary.LittleEndian.AppendUint32(p.b, uint32(x))
}

func (p *putter) count(n int) {
	p.room()
	p.b = binary.LittleEndian.AppendUint64(p.b, uint64(n))
}

func (p *putter) float32(x float32) { p.int32(int32(math.Float32bits(x))) }

func (p *putter) float64(x float64) {
	p.room()
	p.b = binary.LittleEndian.AppendUint64(p.b, math.Float64bits(x))
}

func (p *putter) bool(x bool) {
	p.room()
	n := byte(0)
	if x {
		n = 1
	}
	p.b = append(p.b, n)
}

func (p *putter) boxes(list []box) {
	p.count(len(list))
	for _, b := range list {
		for _, x := range [...]float32{b.x0, b.y0, b.x1, b.y1} {
			p.float32(x)
		}
	}
}

// ReadMap reads a map that Write has written, of so many bytes; ErrNoMap where
// they are none. No count is believed that the bytes left cannot hold, and no
// index that leads out of its list; that the numbers are right is for a checksum
// to tell.
func ReadMap(r io.Reader, bytes int64) (*Map, error) {
	t := taker{r: r, left: bytes, b: make([]byte, 1<<16)}
	m := &Map{}
	for k := range m.has {
		m.has[k] = t.bool()
	}
	m.copied = int(t.int32())
	m.verts.chunks = make([][]geo.XY, t.count(8))
	for k := range m.verts.chunks {
		c := make([]geo.XY, t.count(16))
		t.each(len(c), 16, func(i int, b []byte) {
			c[i] = geo.XY{X: math.Float64frombits(binary.LittleEndian.Uint64(b)), Y: math.Float64frombits(binary.LittleEndian.Uint64(b[8:]))}
		})
		m.verts.chunks[k] = c
		m.verts.n += len(c)
	}
	m.rings = make([]ring, t.count(21))
	t.each(len(m.rings), 21, func(i int, b []byte) {
		m.rings[i] = ring{chunk: int32At(b, 0), first: int32At(b, 4), n: int32At(b, 8), part: int32At(b, 12), boxes: int32At(b, 16), hole: b[20] != 0}
	})
	m.parts = make([]part, t.count(20))
	t.each(len(m.parts), 20, func(i int, b []byte) {
		m.parts[i] = part{kind: kind(min(uint32(kinds), uint32(int32At(b, 0)))), weight: float32At(b, 4), depthM: float32At(b, 8), usable: float32At(b, 12), tag: int32At(b, 16)}
	})
	m.boxes = t.boxes()
	m.tree.ids = make([]int32, t.count(4))
	t.each(len(m.tree.ids), 4, func(i int, b []byte) { m.tree.ids[i] = int32At(b, 0) })
	for range t.count(8) {
		m.tree.levels = append(m.tree.levels, t.boxes())
	}
	if t.bool() {
		c := &coverage{x0: t.float64(), y0: t.float64(), cell: t.float64()}
		c.nx = t.count(1)
		c.ny = t.count(1)
		if c.ny > 0 && c.nx > int(t.left)/c.ny {
			return nil, ErrNoMap
		}
		c.outside = make([]bool, c.nx*c.ny)
		t.each(len(c.outside), 1, func(i int, b []byte) { c.outside[i] = b[0] != 0 })
		m.cover = c
	}
	if t.err || t.left != 0 || !m.sound() {
		return nil, ErrNoMap
	}
	return m, nil
}

// sound tells whether all indexes of a map lead into their lists.
func (m *Map) sound() bool {
	part := int32(0)
	for i := range m.rings {
		r := &m.rings[i]
		if r.chunk < 0 || int(r.chunk) >= len(m.verts.chunks) || r.part < part || int(r.part) >= len(m.parts) || r.n < 2 || r.first < 0 ||
			int64(r.first)+int64(r.n) > int64(len(m.verts.chunks[r.chunk])) {
			return false
		}
		part = r.part
		if r.n <= 2*fan {
			if r.boxes != -1 {
				return false
			}
			continue
		}
		n, all := (int(r.n)+fan-1)/fan, 0 // as index makes them
		for all = n; n > fan; all += n {
			n = (n + fan - 1) / fan
		}
		if r.boxes < 0 || int(r.boxes)+all > len(m.boxes) {
			return false
		}
	}
	for i := range m.parts {
		if m.parts[i].kind >= kinds {
			return false
		}
	}
	for _, id := range m.tree.ids {
		if id < 0 || int(id) >= len(m.rings) {
			return false
		}
	}
	// Each level of the tree over fan boxes of the one below, the last of fan or
	// fewer; a map of nothing has none.
	n := len(m.tree.ids)
	for k, level := range m.tree.levels {
		if len(level) != n || n == 0 || (n <= fan) != (k == len(m.tree.levels)-1) {
			return false
		}
		n = (n + fan - 1) / fan
	}
	if len(m.tree.levels) == 0 && n > 0 {
		return false
	}
	return true
}

// taker reads numbers. What does not suffice is held until the end.
type taker struct {
	r    io.Reader
	left int64  // bytes
	b    []byte // room
	have []byte // read and not yet taken
	err  bool
}

// next returns the next n bytes, at most len(t.b); zeros after an error.
func (t *taker) next(n int) []byte {
	if len(t.have) < n {
		t.fill(n)
	}
	b := t.have[:n]
	t.have = t.have[n:]
	t.left -= int64(n)
	return b
}

func (t *taker) fill(n int) {
	if !t.err && t.left >= int64(n) {
		kept := copy(t.b, t.have)
		want := min(int64(len(t.b)), t.left)
		if _, err := io.ReadFull(t.r, t.b[kept:want]); err == nil {
			t.have = t.b[:want]
			return
		}
	}
	t.err = true
	clear(t.b)
	t.have = t.b
}

// count is a length of a list whose items take so many bytes at least.
func (t *taker) count(least int) int {
	n := binary.LittleEndian.Uint64(t.next(8))
	if t.err || n > uint64(max(t.left, 0))/uint64(least) {
		t.err = true
		return 0
	}
	return int(n)
}

// each reads a list of n items of so many bytes.
func (t *taker) each(n, size int, take func(i int, b []byte)) {
	for i := 0; i < n && !t.err; {
		some := min(n-i, len(t.b)/size)
		b := t.next(some * size)
		for range some {
			take(i, b[:size])
			i, b = i+1, b[size:]
		}
	}
}

func int32At(b []byte, k int) int32     { return int32(binary.LittleEndian.Uint32(b[k:])) }
func float32At(b []byte, k int) float32 { return math.Float32frombits(uint32(int32At(b, k))) }

func (t *taker) int32() int32     { return int32At(t.next(4), 0) }
func (t *taker) float64() float64 { return math.Float64frombits(binary.LittleEndian.Uint64(t.next(8))) }
func (t *taker) bool() bool       { return t.next(1)[0] != 0 }

func (t *taker) boxes() []box {
	n := t.count(16)
	if n == 0 {
		return nil
	}
	list := make([]box, n)
	t.each(n, 16, func(i int, b []byte) {
		list[i] = box{float32At(b, 0), float32At(b, 4), float32At(b, 8), float32At(b, 12)}
	})
	return list
}
