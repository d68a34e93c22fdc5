package layer

import (
	"encoding/binary"
	"math"

	flatbuffers "github.com/google/flatbuffers/go"
	"github.com/paulmach/orb"
)

// Numbers of the fields of FlatGeobuf's tables, in the order in which its schemas
// list them (FlatGeobuf 3.0, src/fbs/header.fbs and feature.fbs; fields that later
// patches of it brought stand behind).
const (
	fgbHeaderName = iota
	fgbHeaderEnvelope
	fgbHeaderType
	fgbHeaderZ
	fgbHeaderM
	fgbHeaderT
	fgbHeaderTM
	fgbHeaderColumns
	fgbHeaderCount    // 0 is not known
	fgbHeaderNodeSize // 16 when it is not there, 0 for a file without an index
	fgbHeaderCRS
	fgbHeaderTitle
	fgbHeaderDescription
	fgbHeaderMetadata
	fgbHeaderFields
)

const (
	fgbColumnName = iota
	fgbColumnType
	fgbColumnTitle
	fgbColumnDescription
	fgbColumnWidth // letters; -1 is not known
	fgbColumnPrecision
	fgbColumnScale
	fgbColumnNullable
	fgbColumnUnique
	fgbColumnKey
	fgbColumnMetadata
	fgbColumnFields
)

const (
	fgbCRSOrg  = iota // EPSG when it is not there
	fgbCRSCode        // 0 is not known
	fgbCRSName
	fgbCRSDescription
	fgbCRSWKT
	fgbCRSCodeText // of an organization whose codes are no numbers
	fgbCRSFields
)

const (
	fgbFeatureGeometry = iota
	fgbFeatureProperties
	fgbFeatureColumns
	fgbFeatureFields
)

const (
	fgbGeometryEnds = iota // corners at which a ring or line ends, counted from the first of the geometry
	fgbGeometryXY
	fgbGeometryZ
	fgbGeometryM
	fgbGeometryT
	fgbGeometryTM
	fgbGeometryType
	fgbGeometryParts
	fgbGeometryFields
)

// Types of columns (header.fbs, ColumnType).
const (
	fgbByte = iota
	fgbUByte
	fgbBool
	fgbShort
	fgbUShort
	fgbInt
	fgbUInt
	fgbLong
	fgbULong
	fgbFloat
	fgbDouble
	fgbString
	fgbJSON
	fgbDateTime
	fgbBinary
	fgbColumnTypes
)

// fgbWidths are the bytes of a value of each type of column; of the others, texts
// and bytes, a length of four bytes stands before them.
var fgbWidths = [fgbColumnTypes]int{fgbByte: 1, fgbUByte: 1, fgbBool: 1, fgbShort: 2, fgbUShort: 2, fgbInt: 4, fgbUInt: 4, fgbLong: 8, fgbULong: 8, fgbFloat: 4, fgbDouble: 8}

// fgbTable is a table in a flat buffer. The library follows offsets wherever they
// lead; here none is followed before it is known to stay in the buffer.
type fgbTable struct{ flatbuffers.Table }

// fgbRoot is the table that a buffer holds.
func fgbRoot(b []byte) (fgbTable, error) {
	if len(b) < 4 {
		return fgbTable{}, damagedFault("%d bytes, which are too few for a table", len(b))
	}
	return fgbTableAt(b, int64(flatbuffers.GetUOffsetT(b)))
}

// fgbTableAt is the table at a byte of a buffer: it begins with how far before it
// the list of its fields lies, and that with its own length and the table's, each
// in two bytes (FlatBuffers, "Internals": "Tables").
func fgbTableAt(b []byte, at int64) (t fgbTable, err error) {
	n := int64(len(b))
	if at+4 > n {
		return t, damagedFault("a table at byte %d, where there are %d bytes", at, n)
	}
	t.Bytes, t.Pos = b, flatbuffers.UOffsetT(at)
	list := at - int64(t.GetSOffsetT(t.Pos))
	if list < 0 || list+4 > n {
		return t, damagedFault("a table whose fields are listed at byte %d, where there are %d bytes", list, n)
	}
	if size := int64(flatbuffers.GetVOffsetT(b[list:])); size < 4 || list+size > n || size%2 != 0 {
		return t, damagedFault("a table whose list of fields is of %d bytes", size)
	}
	return t, nil
}

// field is where a field of so many bytes stands; has is false where it is left
// out, and means what its schema says.
func (t fgbTable) field(number, bytes int) (at flatbuffers.UOffsetT, has bool, err error) {
	off := t.Offset(flatbuffers.VOffsetT(4 + 2*number))
	if off == 0 {
		return 0, false, nil
	}
	at = t.Pos + flatbuffers.UOffsetT(off)
	if int64(at)+int64(bytes) > int64(len(t.Bytes)) {
		return 0, false, damagedFault("a field at byte %d, where there are %d bytes", at, len(t.Bytes))
	}
	return at, true, nil
}

// byte is a field of one byte, 0 where it is left out.
func (t fgbTable) byte(number int) (byte, error) {
	at, has, err := t.field(number, 1)
	if err != nil || !has {
		return 0, err
	}
	return t.GetByte(at), nil
}

// int32 is a field of a whole number.
func (t fgbTable) int32(number int, absent int32) (int32, error) {
	at, has, err := t.field(number, 4)
	if err != nil || !has {
		return absent, err
	}
	return t.GetInt32(at), nil
}

// at is where the offset at a byte leads.
func (t fgbTable) at(byte flatbuffers.UOffsetT) int64 {
	return int64(byte) + int64(t.GetUOffsetT(byte))
}

// table is a table that a field refers to.
func (t fgbTable) table(number int) (fgbTable, bool, error) {
	at, has, err := t.field(number, 4)
	if err != nil || !has {
		return fgbTable{}, false, err
	}
	inner, err := fgbTableAt(t.Bytes, t.at(at))
	return inner, err == nil, err
}

// vector are the elements, of so many bytes each, that a field refers to; nil for
// one that is left out.
func (t fgbTable) vector(number, bytes int) (elements []byte, start int64, err error) {
	at, has, err := t.field(number, 4)
	if err != nil || !has {
		return nil, 0, err
	}
	start = t.at(at) + 4
	if start > int64(len(t.Bytes)) {
		return nil, 0, damagedFault("a list at byte %d, where there are %d bytes", start-4, len(t.Bytes))
	}
	n := int64(flatbuffers.GetUOffsetT(t.Bytes[start-4:])) * int64(bytes)
	if n > int64(len(t.Bytes))-start {
		return nil, 0, damagedFault("a list of %d bytes at byte %d, where there are %d bytes", n, start, len(t.Bytes))
	}
	return t.Bytes[start : start+n : start+n], start, nil
}

// text is a copy of the text that a field refers to.
func (t fgbTable) text(number int) (string, error) {
	b, _, err := t.vector(number, 1)
	return string(b), err
}

// tables calls do for each table that a list refers to.
func (t fgbTable) tables(number int, do func(fgbTable) error) error {
	refs, start, err := t.vector(number, 4)
	for i := 0; err == nil && i < len(refs); i += 4 {
		var inner fgbTable
		if inner, err = fgbTableAt(t.Bytes, start+int64(i)+int64(flatbuffers.GetUOffsetT(refs[i:]))); err == nil {
			err = do(inner)
		}
	}
	return err
}

// fgbGeometry reads the geometry of a record. Offsets of a buffer may lead to the
// same bytes time and again, which no writer does; left are the bytes that may
// still be read, so that a small record makes no large geometry.
type fgbGeometry struct {
	repairs *wkbRepairs
	left    int
}

func (r *fgbGeometry) spend(bytes int) error {
	if r.left -= bytes; r.left < 0 {
		return damagedFault("the geometry refers to the same bytes time and again")
	}
	return nil
}

// read reads a geometry of a kind, which has the number that WKB gives it; 0 says
// that the geometry tells its own. Heights and measures stand apart and are passed
// over. An empty geometry is nil.
func (r *fgbGeometry) read(t fgbTable, kind int, depth int) (orb.Geometry, error) {
	if depth > wkbMaxDepth {
		return nil, damagedFault("the geometry holds collections in collections more than %d deep", wkbMaxDepth)
	}
	if err := r.spend(8); err != nil {
		return nil, err
	}
	if kind == 0 {
		own, err := t.byte(fgbGeometryType)
		if err != nil {
			return nil, err
		}
		kind = int(own)
	}
	was := r.repairs.dropped
	switch kind {
	case wkbPoint:
		points, err := r.points(t)
		if err != nil || len(points) == 0 {
			return nil, err
		}
		if len(points) > 1 {
			return nil, damagedFault("a Point of %d points", len(points))
		}
		return points[0], nil
	case wkbMultiPoint:
		points, err := r.points(t)
		if err != nil || len(points) == 0 {
			return nil, err
		}
		return orb.MultiPoint(points), nil
	case wkbLineString:
		points, err := r.points(t)
		if err != nil || len(points) == 0 {
			return nil, err
		}
		return orb.LineString(points), nil
	case wkbMultiLineString, wkbMultiCurve:
		var all orb.MultiLineString
		add := func(line []orb.Point) {
			if len(line) > 0 {
				all = append(all, line)
			}
		}
		if err := r.lines(t, kind == wkbMultiCurve, kind, add); err != nil || len(all) == 0 {
			return nil, err
		}
		return all, nil
	case wkbPolygon, wkbCurvePolygon:
		p, err := r.polygon(t, kind)
		if err != nil {
			return nil, err
		}
		if len(p) == 0 {
			return nil, r.repairs.nothing(was)
		}
		return p, nil
	case wkbMultiPolygon, wkbMultiSurface:
		var all orb.MultiPolygon
		parts := 0
		err := t.tables(fgbGeometryParts, func(part fgbTable) error {
			parts++
			own, err := part.byte(fgbGeometryType)
			if err != nil {
				return err
			}
			inner := int(own)
			switch inner {
			case wkbPolygon, wkbCurvePolygon:
			case 0:
				inner = wkbPolygon
			default:
				return fgbStray(kind, inner)
			}
			if err := r.spend(8); err != nil {
				return err
			}
			p, err := r.polygon(part, inner)
			if len(p) > 0 {
				all = append(all, p)
			}
			return err
		})
		if err == nil && parts == 0 { // a polygon under the name of several
			var p orb.Polygon
			if p, err = r.polygon(t, wkbPolygon); len(p) > 0 {
				all = append(all, p)
			}
		}
		if err != nil {
			return nil, err
		}
		if len(all) == 0 {
			return nil, r.repairs.nothing(was)
		}
		return all, nil
	case wkbCollection:
		var all orb.Collection
		err := t.tables(fgbGeometryParts, func(part fgbTable) error {
			g, err := r.read(part, 0, depth+1)
			if g != nil {
				all = append(all, g)
			}
			return err
		})
		if err != nil || len(all) == 0 {
			return nil, err
		}
		return all, nil
	case 0:
		return nil, damagedFault("a geometry that does not say of what type it is")
	}
	if kind >= len(wkbNames) {
		return nil, damagedFault("the geometry is of type %d, which there is not", kind)
	}
	return nil, wkbUnread(wkbHead{kind: kind})
}

// fgbStray refuses a part that is a curve, or has no place where it is.
func fgbStray(outer, inner int) error {
	if inner >= len(wkbNames) {
		return damagedFault("the geometry is of type %d, which there is not", inner)
	}
	return wkbStray(wkbHead{kind: outer}, wkbHead{kind: inner})
}

func (r *fgbGeometry) points(t fgbTable) ([]orb.Point, error) {
	b, _, err := t.vector(fgbGeometryXY, 8)
	if err != nil || len(b) == 0 {
		return nil, err
	}
	if len(b)%16 != 0 {
		return nil, damagedFault("a geometry of %d numbers, which come by twos", len(b)/8)
	}
	if err := r.spend(len(b)); err != nil {
		return nil, err
	}
	points := make([]orb.Point, len(b)/16)
	for i := range points {
		points[i] = orb.Point{flatbuffers.GetFloat64(b[16*i:]), flatbuffers.GetFloat64(b[16*i+8:])}
		if err := finitePoint(points[i]); err != nil {
			if p := points[i]; len(points) == 1 && math.IsNaN(p[0]) && math.IsNaN(p[1]) {
				return nil, nil // how a point is written that is empty
			}
			return nil, err
		}
	}
	return points, nil
}

// lines calls add for each line or ring of a geometry: parts of their own where
// inParts, else stretches of its corners.
func (r *fgbGeometry) lines(t fgbTable, inParts bool, kind int, add func([]orb.Point)) error {
	if inParts {
		return t.tables(fgbGeometryParts, func(part fgbTable) error {
			own, err := part.byte(fgbGeometryType)
			if err != nil {
				return err
			}
			if own != wkbLineString {
				return fgbStray(kind, int(own))
			}
			if err := r.spend(8); err != nil {
				return err
			}
			line, err := r.points(part)
			add(line)
			return err
		})
	}
	points, err := r.points(t)
	if err != nil {
		return err
	}
	ends, _, err := t.vector(fgbGeometryEnds, 4)
	if err != nil {
		return err
	}
	if len(ends) == 0 {
		add(points)
		return nil
	}
	if err := r.spend(len(ends)); err != nil {
		return err
	}
	from := uint32(0)
	for i := 0; i < len(ends); i += 4 {
		to := binary.LittleEndian.Uint32(ends[i:])
		if to < from || int64(to) > int64(len(points)) {
			return damagedFault("a ring or line from corner %d to %d, where there are %d", from, to, len(points))
		}
		add(points[from:to:to])
		from = to
	}
	if int(from) != len(points) {
		return damagedFault("its last ring or line ends at corner %d of %d", from, len(points))
	}
	return nil
}

// polygon reads a polygon, whose rings are straight or not read.
func (r *fgbGeometry) polygon(t fgbTable, kind int) (orb.Polygon, error) {
	var rings orb.Polygon
	err := r.lines(t, kind == wkbCurvePolygon, kind, func(ring []orb.Point) { rings = append(rings, ring) })
	if err != nil {
		return nil, err
	}
	return r.repairs.polygon(rings), nil
}
