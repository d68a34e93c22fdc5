package layer

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
)

// An archive of map tiles in one file, PMTiles version 3: a head of 127 bytes, a
// root directory, metadata as JSON, leaf directories where the root cannot hold
// all, and the tiles in the order of their numbers
// (github.com/protomaps/PMTiles, spec/v3/spec.md, version 3.1). It is written
// here, since the library of that project brings the clients of three clouds
// (113 modules more) for what are two hundred lines.

// TileArchive gathers the tiles of an archive.
type TileArchive struct {
	tiles   bytes.Buffer
	zip     *gzip.Writer
	entries []tileEntry
	zooms   [2]uint8 // least and greatest
}

type tileEntry struct {
	id, offset   uint64
	length, runs uint32
}

// ArchiveAbout is what an archive says of itself.
type ArchiveAbout struct {
	Metadata any // as JSON
	// Bounds in degrees, WGS 84: west, south, east, north.
	Bounds [4]float64
	// CentreZoom is the zoom at which to begin.
	CentreZoom uint8
}

// tileID is the place of a tile among all of all zooms, along Hilbert curves:
// zoom 0, then zoom 1, and so on.
func tileID(z uint8, x, y uint32) uint64 {
	id := (uint64(1)<<(2*z) - 1) / 3
	for s := uint32(1) << z >> 1; s > 0; s >>= 1 {
		var rx, ry uint32
		if x&s != 0 {
			rx = 1
		}
		if y&s != 0 {
			ry = 1
		}
		id += uint64(s) * uint64(s) * uint64(3*rx^ry)
		x, y = x&(s-1), y&(s-1)
		if ry == 0 {
			if rx == 1 {
				x, y = s-1-x, s-1-y
			}
			x, y = y, x
		}
	}
	return id
}

// TileOrder is the order in which tiles must be added.
func TileOrder(z uint8, x, y uint32) uint64 { return tileID(z, x, y) }

// Add adds a vector tile, in the order of TileOrder. What is empty is left out.
func (t *TileArchive) Add(z uint8, x, y uint32, mvt []byte) error {
	if len(mvt) == 0 {
		return nil
	}
	id := tileID(z, x, y)
	if n := len(t.entries); n > 0 && id <= t.entries[n-1].id {
		return fmt.Errorf("tile %d/%d/%d does not come after the one before", z, x, y)
	} else if n == 0 {
		t.zooms[0] = z
	}
	t.zooms[1] = z
	start := t.tiles.Len()
	if t.zip == nil {
		t.zip = gzip.NewWriter(&t.tiles)
	} else {
		t.zip.Reset(&t.tiles)
	}
	if _, err := t.zip.Write(mvt); err != nil {
		return err
	}
	if err := t.zip.Close(); err != nil {
		return err
	}
	long := t.tiles.Len() - start
	if long > math.MaxUint32 {
		return fmt.Errorf("tile %d/%d/%d is too large", z, x, y)
	}
	t.entries = append(t.entries, tileEntry{id, uint64(start), uint32(long), 1})
	return nil
}

// Tiles is the number of tiles.
func (t *TileArchive) Tiles() int { return len(t.entries) }

func gzipped(b []byte) ([]byte, error) {
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	if _, err := z.Write(b); err != nil {
		return nil, err
	}
	err := z.Close()
	return out.Bytes(), err
}

// directory packs entries: their number, then all numbers of tiles as
// differences, all runs, all lengths, all places (0 for right after the one
// before, else one more than the place).
func directory(entries []tileEntry) ([]byte, error) {
	b := binary.AppendUvarint(nil, uint64(len(entries)))
	last := uint64(0)
	for _, e := range entries {
		b = binary.AppendUvarint(b, e.id-last)
		last = e.id
	}
	for _, e := range entries {
		b = binary.AppendUvarint(b, uint64(e.runs))
	}
	for _, e := range entries {
		b = binary.AppendUvarint(b, uint64(e.length))
	}
	for k, e := range entries {
		if k > 0 && e.offset == entries[k-1].offset+uint64(entries[k-1].length) {
			b = append(b, 0)
		} else {
			b = binary.AppendUvarint(b, e.offset+1)
		}
	}
	return gzipped(b)
}

const (
	archiveHead = 127
	archiveRoot = 16384 - archiveHead // head and root together, at most
)

// directories are the root and the leaves: as few leaves as the root can hold.
func (t *TileArchive) directories() (root, leaves []byte, err error) {
	if root, err = directory(t.entries); err != nil || len(root) <= archiveRoot {
		return root, nil, err
	}
	for size := 4096; ; size *= 2 {
		leaves = leaves[:0]
		var top []tileEntry
		for k := 0; k < len(t.entries); k += size {
			leaf, err := directory(t.entries[k:min(k+size, len(t.entries))])
			if err != nil {
				return nil, nil, err
			}
			top = append(top, tileEntry{t.entries[k].id, uint64(len(leaves)), uint32(len(leaf)), 0})
			leaves = append(leaves, leaf...)
		}
		if root, err = directory(top); err != nil || len(root) <= archiveRoot {
			return root, leaves, err
		}
	}
}

// Bytes is the archive.
func (t *TileArchive) Bytes(about ArchiveAbout) ([]byte, error) {
	if len(t.entries) == 0 {
		return nil, errors.New("an archive without tiles")
	}
	root, leaves, err := t.directories()
	if err != nil {
		return nil, err
	}
	text, err := json.Marshal(about.Metadata)
	if err != nil {
		return nil, err
	}
	metadata, err := gzipped(text)
	if err != nil {
		return nil, err
	}
	b := append(make([]byte, 0, archiveHead+len(root)+len(metadata)+len(leaves)+t.tiles.Len()), "PMTiles\x03"...)
	at := uint64(archiveHead)
	for _, long := range []int{len(root), len(metadata), len(leaves), t.tiles.Len()} {
		b = binary.LittleEndian.AppendUint64(b, at)
		b = binary.LittleEndian.AppendUint64(b, uint64(long))
		at += uint64(long)
	}
	for range 3 { // tiles addressed, entries, contents: each tile is one of each
		b = binary.LittleEndian.AppendUint64(b, uint64(len(t.entries)))
	}
	const inOrder, zipped, vector = 1, 2, 1
	b = append(b, inOrder, zipped, zipped, vector, t.zooms[0], t.zooms[1])
	degrees := func(v float64) { b = binary.LittleEndian.AppendUint32(b, uint32(int32(math.Round(v*1e7)))) }
	for _, v := range about.Bounds {
		degrees(v)
	}
	b = append(b, about.CentreZoom)
	degrees((about.Bounds[0] + about.Bounds[2]) / 2)
	degrees((about.Bounds[1] + about.Bounds[3]) / 2)
	b = append(append(append(b, root...), metadata...), leaves...)
	return append(b, t.tiles.Bytes()...), nil
}
