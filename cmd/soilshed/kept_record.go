package main

import (
	"crypto/sha256"
	"encoding/binary"
	"math"
	"reflect"

	"soilshed/geo"
	"soilshed/geo/ground"
	"soilshed/risk"
)

// A record is what is kept of one tree:
//
//	stand     digest of the stand
//	ground    digest of all within the basis of its ground
//	chain     digest of what the steps after the ground hang on, beside the ground
//	place     basis of the ground, and where the stem was taken to stand
//	row       what was reckoned of it (rows.go)
//	share     its share of the ground
//	site      the rest of what was found of its ground
//
// Where ground agrees, the site need not be worked out again; where chain does
// too, it need not even be unpacked.
type record struct {
	bytes                    []byte // all of it
	stand, ground, chain     ground.Key
	place, row, share, sites []byte
}

const (
	keyBytes   = len(ground.Key{})
	placeBytes = 3*4*4 + 2*8
	keptHead   = 3*keyBytes + placeBytes + 3*4 // of the shortest record
)

var (
	siteCoding = codingOf(reflect.TypeFor[ground.Site]())
	treeCoding = codingOf(reflect.TypeFor[risk.Tree]())
	unitCoding = codingOf(reflect.TypeFor[mapUnit]())
)

// recordOf finds the parts of a record.
func recordOf(b []byte) (r record, err error) {
	if len(b) < keptHead {
		return r, errShort
	}
	r.bytes = b
	for _, k := range []*ground.Key{&r.stand, &r.ground, &r.chain} {
		b = b[copy(k[:], b):]
	}
	r.place, b = b[:placeBytes], b[placeBytes:]
	for _, part := range []*[]byte{&r.row, &r.share, &r.sites} {
		if len(b) < 4 {
			return r, errShort
		}
		n := binary.LittleEndian.Uint32(b)
		if b = b[4:]; uint64(n) > uint64(len(b)) {
			return r, errShort
		}
		*part, b = b[:n], b[n:]
	}
	return r, nil
}

// putRecord makes a record, with its length before it.
func putRecord(stand, under, chain ground.Key, place, row, share, site []byte) []byte {
	b := make([]byte, 4, 4+keptHead+len(row)+len(share)+len(site))
	b = append(append(append(append(b, stand[:]...), under[:]...), chain[:]...), place...)
	for _, part := range [][]byte{row, share, site} {
		b = append(binary.LittleEndian.AppendUint32(b, uint32(len(part))), part...)
	}
	binary.LittleEndian.PutUint32(b, uint32(len(b)-4))
	return b
}

func putPlace(b []byte, site *ground.Site) []byte {
	for _, w := range [...]ground.Window{site.Basis.Rings, site.Basis.Ground, site.Basis.Spots} {
		for _, x := range w {
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(x))
		}
	}
	return putXY(b, site.At)
}

func takePlace(b []byte, site *ground.Site) {
	for _, w := range [...]*ground.Window{&site.Basis.Rings, &site.Basis.Ground, &site.Basis.Spots} {
		for k := range w {
			w[k] = math.Float32frombits(binary.LittleEndian.Uint32(b))
			b = b[4:]
		}
	}
	site.At = takeXY(b)
}

func putXY(b []byte, p geo.XY) []byte {
	b = binary.LittleEndian.AppendUint64(b, math.Float64bits(p.X))
	return binary.LittleEndian.AppendUint64(b, math.Float64bits(p.Y))
}

func takeXY(b []byte) geo.XY {
	return geo.XY{X: math.Float64frombits(binary.LittleEndian.Uint64(b)), Y: math.Float64frombits(binary.LittleEndian.Uint64(b[8:]))}
}

// putShare and takeShare code a share: how many polygons, of each how many rings,
// of each how many corners, and these.
func putShare(b []byte, share [][][]geo.XY) []byte {
	b = binary.AppendUvarint(b, uint64(len(share)))
	for _, rings := range share {
		b = binary.AppendUvarint(b, uint64(len(rings)))
		for _, ring := range rings {
			b = binary.AppendUvarint(b, uint64(len(ring)))
			for _, p := range ring {
				b = putXY(b, p)
			}
		}
	}
	return b
}

func takeShare(b []byte) (share [][][]geo.XY, err error) {
	// Each takes so many bytes at least.
	count := func(least int) int {
		n, k := binary.Uvarint(b)
		if k <= 0 || n > uint64((len(b)-k)/least) {
			err = errShort
			return 0
		}
		b = b[k:]
		return int(n)
	}
	n := count(1)
	if n == 0 {
		return nil, err
	}
	share = make([][][]geo.XY, n)
	for i := range share {
		share[i] = make([][]geo.XY, count(1))
		for j := range share[i] {
			ring := make([]geo.XY, count(16))
			for k := range ring {
				ring[k], b = takeXY(b), b[16:]
			}
			share[i][j] = ring
		}
	}
	return share, err
}

// putSite codes a site but for its share; takeSite takes both.
func putSite(b []byte, site *ground.Site) []byte {
	bare := *site
	bare.Share = nil
	return siteCoding.put(b, reflect.ValueOf(&bare).Elem())
}

func (r *record) takeSite(site *ground.Site) (err error) {
	if _, err = siteCoding.get(r.sites, reflect.ValueOf(site).Elem()); err == nil {
		site.Share, err = takeShare(r.share)
	}
	return err
}

// chainOf is the chainKey of tree i.
func (t *taker) chainOf(i int32, at geo.XY, odd risk.Odd) ground.Key {
	t.tree = t.a.in.trees.at(int(i))
	return t.chainKey(&t.tree, at, odd)
}

// chainKey stands for all that the steps after the ground hang on for a tree,
// beside the ground itself and what counts for all trees: the record, what was
// filled in of its size, the soil under the stem, and what its cohort says.
func (t *taker) chainKey(tree *risk.Tree, at geo.XY, odd risk.Odd) ground.Key {
	a := t.a
	b := treeCoding.put(t.buf[:0], reflect.ValueOf(tree).Elem())
	s := a.model.Size(tree) // by way of the typical DBH it hangs on other trees
	for _, x := range [...]float64{s.DBHCm, s.HeightM, s.CrownM, s.CrownM2, s.ReachM, s.AgeYr.Value} {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
	}
	b = append(b, byte(s.DBH), byte(s.Height), byte(s.Crown), bit(s.NameKnown), bit(s.AgeYr.Known))
	if tag, ok := a.in.m.SoilAt(at); ok {
		b = unitCoding.put(append(b, 1), reflect.ValueOf(&a.in.units[tag]).Elem())
	} else {
		b = append(b, 0)
	}
	told := odd.Told()
	b = binary.LittleEndian.AppendUint64(b, math.Float64bits(told.Value))
	b = append(append(b, bit(told.Known), bit(odd.Flagged)), odd.Cohort...)
	t.buf = b
	sum := sha256.Sum256(b)
	return ground.Key(sum[:keyBytes])
}

func bit(yes bool) byte {
	if yes {
		return 1
	}
	return 0
}

// takeRow takes over the row of tree i; what its cohort says goes on changing in
// digits that nothing else hangs on.
func (t *taker) takeRow(i int32, r *record, odd risk.Odd) error {
	p := &t.a.rows[i]
	if err := p.take(r.row); err != nil {
		return err
	}
	p.setOddZ(odd)
	return nil
}

// fresh is what is to be kept of a tree whose ground was worked out.
func (t *taker) fresh(i int32, site *ground.Site) []byte {
	return putRecord(t.a.survey.StandKey(i), t.w.Key(i, &site.Basis), t.chainOf(i, site.At, t.a.odd(i)),
		putPlace(nil, site), t.a.rows[i].append(nil), putShare(nil, site.Share), putSite(nil, site))
}

// again is what is to be kept of a tree whose ground was taken over and whose
// chain was not.
func (t *taker) again(i int32, r *record, chain ground.Key) []byte {
	return putRecord(r.stand, r.ground, chain, r.place, t.a.rows[i].append(nil), r.share, r.sites)
}

// whole appends a record that was taken over as it is.
func (r *record) whole(b []byte) []byte {
	return append(binary.LittleEndian.AppendUint32(b, uint32(len(r.bytes))), r.bytes...)
}
