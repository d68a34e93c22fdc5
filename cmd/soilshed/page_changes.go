package main

import (
	"encoding/json"
	"path/filepath"

	"soilshed/geo/layer"
)

// What has changed since the older output, for the page: a column of the list
// that says what kinds of change a tree has met, and a block with the changes in
// words. Trees that are gone stand in the block alone.

// pageChanges is the block, as JSON.
type pageChanges struct {
	Since string           `json:"since"`
	Kinds []pageChangeKind `json:"kinds"`
	// Whys are reasons, once each; a row names its own by its place.
	Whys []string        `json:"whys"`
	Rows []pageChangeRow `json:"rows"`
}

type pageChangeKind struct {
	Words string `json:"words"`
	Count int    `json:"count"`
	Told  int    `json:"told"` // of which the rows tell
}

type pageChangeRow struct {
	Tree int    `json:"t"` // place of the tree in the page, -1 for one that is gone
	Kind int    `json:"k"`
	Why  int    `json:"y"`
	Was  string `json:"w,omitempty"`
	Is   string `json:"i,omitempty"`
	// Of a tree that is gone.
	ID      string `json:"id,omitempty"`
	Species string `json:"s,omitempty"`
}

// pageChangesTold is how many changes of a kind the page tells in words, those
// of trees first in the list before others (setting).
const pageChangesTold = 2000

// changed appends the column of kinds: the bits 1 << kind.
func (p *pageMaker) changed(b []byte) []byte {
	kinds := make([]uint32, len(p.a.rows))
	for _, c := range p.a.older.found {
		if c.tree >= 0 {
			kinds[c.tree] |= 1 << c.kind
		}
	}
	stored := make([]uint32, len(p.list))
	for k, i := range p.list {
		stored[k] = kinds[i]
	}
	col := pageColumn{Name: "changed", Kind: "number", Min: 1, Bytes: bytesOf(stored)}
	p.head.List = append(p.head.List, col)
	return planes(b, stored, col.Bytes)
}

// changesBlock holds the changes in words; empty where there is nothing to
// compare with.
func (p *pageMaker) changesBlock() ([]byte, error) {
	b := p.a.older
	if b == nil {
		return nil, nil
	}
	place := make([]int, len(p.a.rows))
	for k, i := range p.list {
		place[i] = k
	}
	// The page may be sent on: it tells no folder.
	since := b.name(p.a)
	if since == layer.Shown(b.file) {
		since = filepath.Base(since)
	}
	out := pageChanges{Since: since, Rows: []pageChangeRow{}}
	for _, k := range changeKinds {
		out.Kinds = append(out.Kinds, pageChangeKind{Words: k.words})
	}
	whys := texts{at: map[string]uint32{}}
	for _, c := range b.found {
		kind := &out.Kinds[c.kind]
		kind.Count++
		if kind.Told == pageChangesTold {
			continue
		}
		kind.Told++
		r := pageChangeRow{Tree: -1, Kind: c.kind, Why: int(whys.of(p.a.local(c.why))), Was: c.was, Is: c.is}
		if c.tree >= 0 {
			r.Tree = place[c.tree]
		} else {
			r.ID, r.Species = c.id, c.species
		}
		out.Rows = append(out.Rows, r)
	}
	out.Whys = whys.list
	return json.Marshal(out)
}
