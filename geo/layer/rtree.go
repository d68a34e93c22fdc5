package layer

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"

	"zombiezen.com/go/sqlite"
)

// SQLite's R*Tree module keeps an index in three ordinary tables:
//
//	NAME_node(nodeno, data)     one blob a node; node 1 is the root
//	NAME_rowid(rowid, nodeno)   the leaf that holds a row
//	NAME_parent(nodeno, parentnode)
//
// A node is a big-endian blob of a fixed size:
//
//	bytes 0-1   height of the tree (root only, 0 when the root is a leaf)
//	bytes 2-3   number of cells
//	then cells  int64 row or child, float32 minx, maxx, miny, maxy
//
// (SQLite source, ext/rtree/rtree.c, "Database Format of R-Tree Tables".)
//
// Filled through SQL, a row at a time, the index takes three quarters of the
// time of writing a GeoPackage. Here all boxes of a layer are known before the
// index is wanted, so the tree is packed from the leaves up (sort-tile-recursive:
// Leutenegger, Lopez and Edgington, ICDE 1997) and its tables are written in
// the order of their keys, once.
const (
	rtreeCellBytes = 8 + 4*4
	rtreeMaxCells  = 51 // RTREE_MAXCELLS of rtree.c
	// rtree.c makes a node as large as a page allows, up to this.
	rtreeNodeBytes = 4 + rtreeMaxCells*rtreeCellBytes
)

// rtreeBox is one cell: a row, or a node of the level below, and its box.
type rtreeBox struct {
	id                     int64
	minX, maxX, minY, maxY float32
}

// newRTreeBox rounds a box outward to the 32 bits that the index holds, as
// rtree.c does.
func newRTreeBox(id int64, minX, minY, maxX, maxY float64) rtreeBox {
	return rtreeBox{id: id,
		minX: rtreeDown(minX), maxX: rtreeUp(maxX),
		minY: rtreeDown(minY), maxY: rtreeUp(maxY),
	}
}

func rtreeDown(d float64) float32 {
	if f := float32(d); float64(f) <= d {
		return f
	}
	return math.Nextafter32(float32(d), float32(math.Inf(-1)))
}

func rtreeUp(d float64) float32 {
	if f := float32(d); float64(f) >= d {
		return f
	}
	return math.Nextafter32(float32(d), float32(math.Inf(1)))
}

func (b *rtreeBox) grow(o rtreeBox) {
	b.minX, b.maxX = min(b.minX, o.minX), max(b.maxX, o.maxX)
	b.minY, b.maxY = min(b.minY, o.minY), max(b.maxY, o.maxY)
}

// rtreeLevel groups boxes into nodes: node g holds boxes[i] for the low 32 bits
// i of order[start(g):start(g+1)].
type rtreeLevel struct {
	boxes []rtreeBox
	nodes int
	order []uint64
}

func (l *rtreeLevel) start(g int) int { return g * len(l.order) / l.nodes }

// packRTreeLevel sorts boxes into tiles, a node a tile: by x into about as many
// strips as there are nodes in a strip, then each strip by y. Nodes are filled
// evenly, none beyond what SQLite allows. Equal keys keep the order of boxes.
func packRTreeLevel(boxes []rtreeBox) rtreeLevel {
	n := len(boxes)
	l := rtreeLevel{boxes: boxes, nodes: (n + rtreeMaxCells - 1) / rtreeMaxCells, order: make([]uint64, n)}
	for i, b := range boxes {
		l.order[i] = rtreeKey(b.minX, b.maxX) | uint64(i)
	}
	slices.Sort(l.order)
	strips := int(math.Ceil(math.Sqrt(float64(l.nodes))))
	for s := range strips {
		strip := l.order[l.start(s*l.nodes/strips):l.start((s+1)*l.nodes/strips)]
		for k, key := range strip {
			b := boxes[uint32(key)]
			strip[k] = rtreeKey(b.minY, b.maxY) | key&math.MaxUint32
		}
		slices.Sort(strip)
	}
	return l
}

// rtreeKey is the middle of an interval as bits that sort like it, in the upper
// half of the word.
func rtreeKey(lo, hi float32) uint64 {
	u := math.Float32bits(lo/2 + hi/2)
	if u&(1<<31) != 0 {
		u = ^u
	} else {
		u |= 1 << 31
	}
	return uint64(u) << 32
}

// fillRTree puts boxes into the R-tree called name, which has just been made by
// CREATE VIRTUAL TABLE and is empty. The ids must differ; they are best in
// rising order, because the table of rows is written in the order of boxes.
func fillRTree(conn *sqlite.Conn, name string, boxes []rtreeBox) error {
	if len(boxes) == 0 {
		return nil
	}
	if int64(len(boxes)) > math.MaxUint32 {
		return fmt.Errorf("%d rows are more than the spatial index can sort", len(boxes))
	}
	// Levels from the leaves up to the one that has a single node: the root.
	levels := []rtreeLevel{packRTreeLevel(boxes)}
	for levels[len(levels)-1].nodes > 1 {
		below := &levels[len(levels)-1]
		parents := make([]rtreeBox, below.nodes)
		for g := range parents {
			members := below.order[below.start(g):below.start(g+1)]
			b := below.boxes[uint32(members[0])]
			for _, key := range members[1:] {
				b.grow(below.boxes[uint32(key)])
			}
			parents[g] = b
		}
		// Node numbers: the root is 1, leaves follow from 2, then level by level.
		first := int64(2)
		for _, l := range levels[:len(levels)-1] {
			first += int64(l.nodes)
		}
		for g := range parents {
			parents[g].id = first + int64(g)
		}
		levels = append(levels, packRTreeLevel(parents))
	}

	quoted := func(suffix string) string { return quoteName(name + suffix) }
	nodes, err := conn.Prepare("INSERT INTO " + quoted("_node") + "(nodeno,data) VALUES (?,?)")
	if err != nil {
		return err
	}
	data := make([]byte, rtreeNodeBytes)
	leafOf := make([]uint32, len(boxes)) // node number of the leaf of boxes[i]
	nodeno := int64(2)
	type edge struct{ child, parent int64 }
	var edges []edge
	for depth, l := range levels {
		root := depth == len(levels)-1
		for g := range l.nodes {
			clear(data)
			no := nodeno
			if root {
				no = 1
				binary.BigEndian.PutUint16(data, uint16(depth))
			}
			members := l.order[l.start(g):l.start(g+1)]
			binary.BigEndian.PutUint16(data[2:], uint16(len(members)))
			at := data[4:]
			for _, key := range members {
				b := l.boxes[uint32(key)]
				binary.BigEndian.PutUint64(at, uint64(b.id))
				binary.BigEndian.PutUint32(at[8:], math.Float32bits(b.minX))
				binary.BigEndian.PutUint32(at[12:], math.Float32bits(b.maxX))
				binary.BigEndian.PutUint32(at[16:], math.Float32bits(b.minY))
				binary.BigEndian.PutUint32(at[20:], math.Float32bits(b.maxY))
				at = at[rtreeCellBytes:]
				if depth == 0 {
					leafOf[uint32(key)] = uint32(no)
				} else {
					edges = append(edges, edge{b.id, no})
				}
			}
			if root {
				if err := run(conn, "UPDATE "+quoted("_node")+" SET data=? WHERE nodeno=1", data); err != nil {
					return err
				}
				continue
			}
			nodes.BindInt64(1, no)
			nodes.BindBytes(2, data)
			if err := stepDone(nodes); err != nil {
				return err
			}
			nodeno++
		}
	}

	rows := newPairInserter(conn, quoted("_rowid")+"(rowid,nodeno)")
	for i, b := range boxes {
		if err := rows.add(b.id, int64(leafOf[i])); err != nil {
			return err
		}
	}
	if err := rows.flush(); err != nil {
		return err
	}
	slices.SortFunc(edges, func(a, b edge) int { return cmp.Compare(a.child, b.child) })
	parents := newPairInserter(conn, quoted("_parent")+"(nodeno,parentnode)")
	for _, e := range edges {
		if err := parents.add(e.child, e.parent); err != nil {
			return err
		}
	}
	return parents.flush()
}

// pairInserter inserts rows of two whole numbers, many to a statement, which
// halves the time.
type pairInserter struct {
	conn  *sqlite.Conn
	into  string
	full  *sqlite.Stmt
	pairs [][2]int64
}

const pairsPerStatement = 64

func newPairInserter(conn *sqlite.Conn, into string) *pairInserter {
	return &pairInserter{conn: conn, into: into, pairs: make([][2]int64, 0, pairsPerStatement)}
}

func (p *pairInserter) add(a, b int64) error {
	p.pairs = append(p.pairs, [2]int64{a, b})
	if len(p.pairs) < pairsPerStatement {
		return nil
	}
	return p.flush()
}

func (p *pairInserter) flush() error {
	n := len(p.pairs)
	if n == 0 {
		return nil
	}
	stmt := p.full
	if stmt == nil || n < pairsPerStatement {
		var err error
		stmt, err = p.conn.Prepare("INSERT INTO " + p.into + " VALUES (?,?)" + strings.Repeat(",(?,?)", n-1))
		if err != nil {
			return err
		}
		if n == pairsPerStatement {
			p.full = stmt
		}
	}
	for i, pair := range p.pairs {
		stmt.BindInt64(2*i+1, pair[0])
		stmt.BindInt64(2*i+2, pair[1])
	}
	p.pairs = p.pairs[:0]
	return stepDone(stmt)
}
