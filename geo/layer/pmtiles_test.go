package layer

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"encoding/json"
	"io"
	"math/rand/v2"
	"testing"
)

// The places of tiles that the specification of PMTiles 3 lists (section 4.1).
func TestTileID(t *testing.T) {
	for _, c := range []struct {
		z    uint8
		x, y uint32
		want uint64
	}{{0, 0, 0, 0}, {1, 0, 0, 1}, {1, 0, 1, 2}, {1, 1, 1, 3}, {1, 1, 0, 4}, {2, 0, 0, 5}, {12, 3423, 1763, 19078479}} {
		if got := tileID(c.z, c.x, c.y); got != c.want {
			t.Errorf("tile %d/%d/%d is %d, want %d", c.z, c.x, c.y, got, c.want)
		}
	}
	// A Hilbert curve visits each tile once, and goes from one to one beside it.
	for z := uint8(1); z <= 6; z++ {
		side := uint32(1) << z
		at := map[uint64][2]uint32{}
		first := tileID(z, 0, 0)
		for x := range side {
			for y := range side {
				id := tileID(z, x, y)
				if p, twice := at[id]; twice {
					t.Fatalf("zoom %d: %v and %d,%d are both %d", z, p, x, y, id)
				}
				at[id] = [2]uint32{x, y}
				first = min(first, id)
			}
		}
		for id := first + 1; id < first+uint64(side)*uint64(side); id++ {
			a, b := at[id-1], at[id]
			if d := [2]int{int(a[0]) - int(b[0]), int(a[1]) - int(b[1])}; d[0]*d[0]+d[1]*d[1] != 1 {
				t.Fatalf("zoom %d: from %v the curve goes to %v", z, a, b)
			}
		}
	}
}

// archive is an archive taken apart, by the table of the specification.
type archive struct {
	b    []byte
	t    *testing.T
	root []tileEntry
}

func (a *archive) number(at int) uint64 { return binary.LittleEndian.Uint64(a.b[at:]) }

func (a *archive) unzip(from, long uint64) []byte {
	z, err := gzip.NewReader(bytes.NewReader(a.b[from : from+long]))
	if err != nil {
		a.t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		a.t.Fatal(err)
	}
	return b
}

func (a *archive) directory(from, long uint64) []tileEntry {
	b := a.unzip(from, long)
	next := func() uint64 {
		v, n := binary.Uvarint(b)
		if n <= 0 {
			a.t.Fatal("a directory ends early")
		}
		b = b[n:]
		return v
	}
	list := make([]tileEntry, next())
	last := uint64(0)
	for k := range list {
		last += next()
		list[k].id = last
	}
	for k := range list {
		list[k].runs = uint32(next())
	}
	for k := range list {
		list[k].length = uint32(next())
	}
	for k := range list {
		if v := next(); v > 0 {
			list[k].offset = v - 1
		} else {
			list[k].offset = list[k-1].offset + uint64(list[k-1].length)
		}
	}
	if len(b) != 0 {
		a.t.Fatalf("%d bytes are left of a directory", len(b))
	}
	return list
}

// tile finds a tile as a client does; nil where there is none.
func (a *archive) tile(id uint64) []byte {
	in := a.root
	for range 3 {
		var e *tileEntry
		for k := range in {
			if in[k].id <= id {
				e = &in[k]
			}
		}
		switch {
		case e == nil:
			return nil
		case e.runs == 0:
			in = a.directory(a.number(40)+e.offset, uint64(e.length))
			continue
		case id < e.id+uint64(e.runs):
			return a.unzip(a.number(56)+e.offset, uint64(e.length))
		}
		return nil
	}
	a.t.Fatal("directories in directories")
	return nil
}

// What is put in is found again, with few tiles and with so many that the root
// directory needs leaves.
func TestTileArchive(t *testing.T) {
	for _, zoom := range []uint8{3, 7} {
		var w TileArchive
		side := uint32(1) << zoom
		places := make([][2]uint32, side*side)
		base := tileID(zoom, 0, 0)
		for x := range side {
			for y := range side {
				base = min(base, tileID(zoom, x, y))
			}
		}
		for x := range side {
			for y := range side {
				places[tileID(zoom, x, y)-base] = [2]uint32{x, y}
			}
		}
		// Contents that do not pack, of all lengths, so that neither does the directory.
		content := func(x, y uint32) []byte {
			r := rand.New(rand.NewPCG(uint64(x), uint64(y)))
			b := make([]byte, r.IntN(400))
			for k := range b {
				b[k] = byte(r.Uint32())
			}
			return b
		}
		n := 0
		for _, p := range places {
			b := content(p[0], p[1])
			if len(b) > 0 {
				n++
			}
			if err := w.Add(zoom, p[0], p[1], b); err != nil {
				t.Fatal(err)
			}
		}
		b, err := w.Bytes(ArchiveAbout{Metadata: map[string]string{"name": "</script>"}, Bounds: [4]float64{-93.5, 43.25, -93.25, 43.5}, CentreZoom: zoom})
		if err != nil {
			t.Fatal(err)
		}
		a := &archive{b: b, t: t}
		if string(b[:8]) != "PMTiles\x03" || a.number(8) != 127 || a.number(8)+a.number(16) > 16384 || a.number(56)+a.number(64) != uint64(len(b)) {
			t.Fatalf("head %x", b[:127])
		}
		a.root = a.directory(a.number(8), a.number(16))
		if leaves := a.number(48) > 0; leaves != (zoom == 7) {
			t.Errorf("zoom %d: leaves of %d bytes", zoom, a.number(48))
		}
		if a.number(72) != uint64(n) || a.number(80) != uint64(n) || a.number(88) != uint64(n) {
			t.Errorf("the head counts %d, %d, %d tiles, want %d", a.number(72), a.number(80), a.number(88), n)
		}
		for k := 0; k < len(places); k += max(1, len(places)/60) {
			p := places[k]
			if got, want := a.tile(tileID(zoom, p[0], p[1])), content(p[0], p[1]); !bytes.Equal(got, want) {
				t.Fatalf("tile %d/%d/%d holds %.40q, want %.40q", zoom, p[0], p[1], got, want)
			}
		}
		if a.tile(tileID(zoom+1, 0, 0)) != nil {
			t.Error("a tile that was not put in is found")
		}
		if b[100] != zoom || b[101] != zoom || int32(binary.LittleEndian.Uint32(b[102:])) != -935000000 || int32(binary.LittleEndian.Uint32(b[114:])) != 435000000 || int32(binary.LittleEndian.Uint32(b[119:])) != -933750000 {
			t.Errorf("zooms and bounds: %x", b[100:127])
		}
		var said map[string]string
		if err := json.Unmarshal(a.unzip(a.number(24), a.number(32)), &said); err != nil || said["name"] != "</script>" {
			t.Errorf("metadata %v, %v", said, err)
		}
	}
}

func TestTileArchiveRefuses(t *testing.T) {
	var w TileArchive
	if _, err := w.Bytes(ArchiveAbout{}); err == nil {
		t.Error("an archive without tiles is written")
	}
	w.Add(1, 1, 1, []byte("x"))
	if err := w.Add(1, 0, 1, []byte("x")); err == nil {
		t.Error("a tile out of order is taken")
	}
}
