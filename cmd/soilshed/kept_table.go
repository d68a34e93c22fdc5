package main

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"io"
	"math"
	"slices"

	"github.com/paulmach/orb"

	"soilshed/geo/layer"
)

// Of the layer trees, what the next run compares with its own is kept behind the
// records of the ground: numbers of the trees, places, compared fields and the
// inventory's own columns, as they come out of the output when it is read again
// (layer.Again). The next run takes them from here and not out of the output,
// where the manifest says that both belong together: it is the output's own by its
// digest, and has the digest of what was kept.
//
//	uint32    length of the head
//	head      names of the columns, as JSON
//	uint32    how many trees
//	then      a byte that is 1 and a tree, for each; a byte that is 0 at the end
//
// A tree is its place (two float64), then the columns, the first the number of the
// tree, as a length and a text. Another text is 0, its length and itself, or 1 and
// the same where it gets the next number in the list of its column, or its number
// there and 2. A number of d decimals is 0 where there is none, 1 and a float64, or
// 2 and more for the whole number x * 10^d in zigzag.

// tableEnds are what stands in place of a tree.
const (
	tableWhole = 0
	tableTree  = 1
	tableGone  = 2 // a value whose way through the output is not known
)

// leastTreeBytes is what a tree takes beside its columns, of a byte each at least.
const leastTreeBytes = 1 + 2*8

// listedTexts is how many texts of a column may be in its list.
const listedTexts = 4096

// keptTable writes the columns that are kept.
type keptTable struct {
	to      *keptWriter
	again   func(k int, v layer.Value) (layer.Value, bool)
	columns []keptColumn
	buf     []byte
	gone    bool
}

// keptColumn is a column of the layer trees that is kept.
type keptColumn struct {
	name   string
	number bool
	power  float64 // 10 to the number of its decimals
	at     int     // among the values of a record
	listed map[string]uint64
}

// comparedColumns are the columns of an output that are compared, as they are
// written: the number of the tree, then the compared fields. The inventory's own
// come after them.
func comparedColumns(us bool) (list []keptColumn) {
	for i := range treeFields {
		f := &treeFields[i]
		if f.name != "tree_id" && !slices.Contains(compared, f.name) {
			continue
		}
		c := keptColumn{name: f.field(us).Name, number: f.kind != layer.Text, power: math.Pow10(f.digits), at: i}
		if f.name == "tree_id" {
			list = slices.Insert(list, 0, c)
		} else {
			list = append(list, c)
		}
	}
	return list
}

func columnNames(list []keptColumn) (names []string) {
	for _, c := range list {
		names = append(names, c.name)
	}
	return names
}

// newKeptTable ends the records and begins the table; nil where nothing is kept,
// or the output's format does not give back its values in a way that is known.
func (w *writer) newKeptTable() (*keptTable, error) {
	if w.a.reuse == nil {
		return nil, nil
	}
	t := &keptTable{to: w.a.reuse.new, again: layer.Again(w.a.o.out, &w.schema)}
	t.to.write(make([]byte, 4)) // no record is of no bytes
	if t.again == nil {
		return nil, nil
	}
	for _, c := range comparedColumns(w.us) {
		c.at += len(w.own)
		t.columns = append(t.columns, c)
	}
	for k, name := range w.ownNames {
		t.columns = append(t.columns, keptColumn{name: name, at: k})
	}
	for k := range t.columns {
		t.columns[k].listed = map[string]uint64{}
	}
	head, err := json.Marshal(columnNames(t.columns))
	if err != nil {
		return nil, err
	}
	t.to.list(head)
	t.to.write(binary.LittleEndian.AppendUint32(nil, uint32(len(w.a.rows))))
	return t, nil
}

// add keeps a tree as it was written.
func (t *keptTable) add(f *layer.Feature) {
	if t == nil || t.gone {
		return
	}
	p, ok := f.Geometry.(orb.Point)
	b := append(t.buf[:0], tableTree)
	b = binary.LittleEndian.AppendUint64(b, math.Float64bits(p[0]))
	b = binary.LittleEndian.AppendUint64(b, math.Float64bits(p[1]))
	for k := range t.columns {
		c := &t.columns[k]
		v, known := t.again(c.at, f.Values[c.at])
		ok = ok && known
		switch {
		case c.number:
			b = c.putNumber(b, v)
		case k == 0: // each tree's own
			b = putPlain(b, v.Text())
		default:
			b = c.putText(b, v.Text())
		}
	}
	if t.buf = b; !ok {
		t.gone = true
		return
	}
	t.to.write(b)
}

// end closes the table.
func (t *keptTable) end() {
	switch {
	case t == nil:
	case t.gone:
		t.to.write([]byte{tableGone})
	default:
		t.to.write([]byte{tableWhole})
	}
}

func (c *keptColumn) putText(b []byte, s string) []byte {
	n, ok := c.listed[s]
	if ok {
		return binary.AppendUvarint(b, n+2)
	}
	new := uint64(0)
	if len(c.listed) < listedTexts {
		new = 1
		c.listed[s] = uint64(len(c.listed))
	}
	return putPlain(binary.AppendUvarint(b, new), s)
}

func putPlain(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

func (c *keptColumn) putNumber(b []byte, v layer.Value) []byte {
	x, ok := v.Float()
	if !ok {
		return binary.AppendUvarint(b, 0)
	}
	if i := int64(math.Round(x * c.power)); math.Abs(x*c.power) < 1<<53 && math.Float64bits(float64(i)/c.power) == math.Float64bits(x) {
		return binary.AppendUvarint(b, uint64(i)<<1^uint64(i>>63)+2)
	}
	b = binary.AppendUvarint(b, 1)
	return binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
}

// errTable tells that a kept table is of no use: the output is read instead.
var errTable = errors.New("the kept table is of no use")

// tableReader reads a kept table from the bytes of it.
type tableReader struct {
	b     []byte
	trees int        // how many there are
	lists [][]uint32 // the texts of each column, by their place among all
}

// table begins to read what is kept of the output's trees, if it has these columns.
func (k *kept) table(columns []string) (*tableReader, error) {
	b := make([]byte, k.tableBytes)
	if _, err := io.ReadFull(io.NewSectionReader(k.file, k.tableAt, k.tableBytes), b); err != nil || len(b) < 4 {
		return nil, errTable
	}
	n := binary.LittleEndian.Uint32(b)
	if b = b[4:]; uint64(n) > uint64(len(b)) {
		return nil, errTable
	}
	var names []string
	if json.Unmarshal(b[:n], &names) != nil || !slices.Equal(names, columns) {
		return nil, errTable
	}
	if b = b[n:]; len(b) < 4 {
		return nil, errTable
	}
	t := &tableReader{b: b[4:], trees: int(binary.LittleEndian.Uint32(b)), lists: make([][]uint32, len(names))}
	if t.trees > len(t.b)/(leastTreeBytes+len(names)) {
		return nil, errTable
	}
	return t, nil
}

// next tells whether another tree follows, and where it stands.
func (t *tableReader) next() (p orb.Point, more bool, err error) {
	switch {
	case len(t.b) == 1 && t.b[0] == tableWhole:
		return p, false, nil
	case len(t.b) < leastTreeBytes || t.b[0] != tableTree:
		return p, false, errTable
	}
	p[0] = math.Float64frombits(binary.LittleEndian.Uint64(t.b[1:]))
	p[1] = math.Float64frombits(binary.LittleEndian.Uint64(t.b[9:]))
	t.b = t.b[leastTreeBytes:]
	return p, true, nil
}

func (t *tableReader) uvarint() (uint64, error) {
	n, k := binary.Uvarint(t.b)
	if k <= 0 {
		return 0, errTable
	}
	t.b = t.b[k:]
	return n, nil
}

// text reads a text of column k; of gives it its place among all.
func (t *tableReader) text(k int, of func(string) uint32) (uint32, error) {
	n, err := t.uvarint()
	if err != nil {
		return 0, err
	}
	list := &t.lists[k]
	if n >= 2 {
		if n-2 >= uint64(len(*list)) {
			return 0, errTable
		}
		return (*list)[n-2], nil
	}
	s, err := t.plain()
	if err != nil {
		return 0, err
	}
	at := of(s)
	if n == 1 {
		*list = append(*list, at)
	}
	return at, nil
}

func (t *tableReader) plain() (string, error) {
	n, err := t.uvarint()
	if err != nil || n > uint64(len(t.b)) {
		return "", errTable
	}
	s := string(t.b[:n])
	t.b = t.b[n:]
	return s, nil
}

// number reads a number of a column; NaN where there is none.
func (t *tableReader) number(power float64) (float64, error) {
	n, err := t.uvarint()
	switch {
	case err != nil:
		return 0, err
	case n == 0:
		return math.NaN(), nil
	case n == 1:
		if len(t.b) < 8 {
			return 0, errTable
		}
		x := math.Float64frombits(binary.LittleEndian.Uint64(t.b))
		t.b = t.b[8:]
		return x, nil
	}
	n -= 2
	return float64(int64(n>>1)^-int64(n&1)) / power, nil
}
