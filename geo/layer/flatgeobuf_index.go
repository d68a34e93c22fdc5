package layer

import (
	"bufio"
	"encoding/binary"
	"math"

	"github.com/paulmach/orb"
)

// The index of a FlatGeobuf file is an R-tree that is packed: its leaves are the
// boxes of the records, in the order of these, each so many of them have a node
// above, and so on up to one, the root. Nodes stand from the root down, without a
// gap, each of four doubles and a number (little-endian): for a leaf the byte of
// its record, counted from the first record, for others the place of the first
// node below, counted from the root (FlatGeobuf 3.0, src/cpp/packedrtree.h, and
// src/ts/packedrtree.ts, "streamSearch").
const (
	fgbNodeBytes = 5 * 8
	fgbNodeSize  = 16 // nodes below one: what files have unless they say otherwise
	fgbMostNodes = 1 << 56
)

// fgbLevels counts the nodes of each level of an index, the leaves first. Without
// records there is none; more than there can be are the level of the leaves alone.
func fgbLevels(records uint64, nodeSize uint16) (levels []uint64) {
	if records == 0 || nodeSize == 0 {
		return nil
	}
	for n := records; ; {
		levels = append(levels, n)
		if len(levels) > 1 && n == 1 || records > fgbMostNodes {
			return levels
		}
		n = (n + uint64(nodeSize) - 1) / uint64(nodeSize)
	}
}

// fgbIndexBytes is how long the index is.
func fgbIndexBytes(records uint64, nodeSize uint16) int64 {
	nodes := uint64(0)
	for _, n := range fgbLevels(records, nodeSize) {
		nodes += n
	}
	if nodes > math.MaxInt64/fgbNodeBytes {
		return math.MaxInt64
	}
	return int64(nodes * fgbNodeBytes)
}

// fgbHilbert tells how far along the curve of Hilbert over a square of 2^16 cells
// to a side a cell lies, the way that goes from (0, 0) to (2^16-1, 0). Records
// stand in the order in which it falls (src/cpp/packedrtree.cpp, "hilbertSort").
// The square is cut into quarters time and again; in each the curve goes the same
// way, turned or mirrored (Hilbert 1891).
func fgbHilbert(x, y uint32) (along uint32) {
	const side = 1 << 16
	for s := uint32(side / 2); s > 0; s /= 2 {
		right, up := x&s != 0, y&s != 0
		along *= 4
		switch {
		case !right && !up:
			x, y = y, x
		case right && !up:
			along += 3
			x, y = side-1-y, side-1-x
		case right:
			along += 2
		default:
			along++
		}
	}
	return along
}

// fgbCell is the cell of a middle between lo and lo+size, from 0 to 2^16-1.
func fgbCell(middle, lo, size float64) uint32 {
	if size <= 0 {
		return 0
	}
	return uint32(min(max(math.Floor(math.MaxUint16*(middle-lo)/size), 0), math.MaxUint16))
}

// fgbOrder is a number by which records are sorted: those that lie farther along
// the curve first, then as they came; one without a geometry as if at the start of
// it. The lower 32 bits are the place i.
func fgbOrder(box, all orb.Bound, i int) uint64 {
	if box.IsEmpty() {
		return math.MaxUint32<<32 | uint64(i)
	}
	size := [2]float64{all.Max[0] - all.Min[0], all.Max[1] - all.Min[1]}
	x := fgbCell(box.Min[0]/2+box.Max[0]/2, all.Min[0], size[0])
	y := fgbCell(box.Min[1]/2+box.Max[1]/2, all.Min[1], size[1])
	return uint64(^fgbHilbert(x, y))<<32 | uint64(i)
}

// writeFGBIndex writes the index over records of which each has a box and so many
// bytes. One without a geometry has an empty box, which nothing meets.
func writeFGBIndex(out *bufio.Writer, records int, record func(i int) (box orb.Bound, bytes int64)) error {
	levels := fgbLevels(uint64(records), fgbNodeSize)
	// The boxes above the leaves, from the lowest level up.
	above := make([][]orb.Bound, len(levels))
	below := func(i int) orb.Bound { box, _ := record(i); return box }
	for l := 1; l < len(levels); l++ {
		level := make([]orb.Bound, levels[l])
		for i := range level {
			level[i] = emptyBound()
			for k := i * fgbNodeSize; k < min((i+1)*fgbNodeSize, int(levels[l-1])); k++ {
				level[i] = level[i].Union(below(k))
			}
		}
		above[l], below = level, func(k int) orb.Bound { return level[k] }
	}
	var node [fgbNodeBytes]byte
	put := func(b orb.Bound, number uint64) error {
		for k, x := range [...]float64{b.Min[0], b.Min[1], b.Max[0], b.Max[1]} {
			binary.LittleEndian.PutUint64(node[8*k:], math.Float64bits(x))
		}
		binary.LittleEndian.PutUint64(node[32:], number)
		_, err := out.Write(node[:])
		return err
	}
	first := uint64(0) // node of the level that is written
	for l := len(levels) - 1; l > 0; l-- {
		first += levels[l]
		for i, b := range above[l] {
			if err := put(b, first+uint64(i*fgbNodeSize)); err != nil {
				return err
			}
		}
	}
	at := int64(0)
	for i := range records {
		box, bytes := record(i)
		if err := put(box, uint64(at)); err != nil {
			return err
		}
		at += bytes
	}
	return nil
}
