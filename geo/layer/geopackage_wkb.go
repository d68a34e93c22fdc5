package layer

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/paulmach/orb"
)

// reasonCurve is why a record with an arc is left out.
const reasonCurve = "curved line or surface"

// wkbRepairs counts what was put right in polygons.
type wkbRepairs struct {
	closed  int // rings that did not end where they began
	dropped int // rings of fewer than three corners
}

// tableRepairs counts what was put right in the records of a GeoPackage, a
// GeoParquet or a FlatGeobuf file.
type tableRepairs struct {
	wkbRepairs
	infinite int // cells
	text     int // cells
}

// mended is a text with what is no UTF-8 shown as U+FFFD.
func (r *tableRepairs) mended(s string) string {
	if utf8.ValidString(s) {
		return s
	}
	r.text++
	return strings.ToValidUTF8(s, "\uFFFD")
}

// number is a cell of a number, missing where it is not finite.
func (r *tableRepairs) number(x float64) Value {
	if x-x != 0 {
		r.infinite++
		return Value{}
	}
	return Number(x)
}

// single is a cell of single precision: the shortest number that is this one, 0.1
// and not 0.10000000149.
func (r *tableRepairs) single(x float32) Value {
	short, _ := strconv.ParseFloat(strconv.FormatFloat(float64(x), 'g', -1, 32), 64)
	return r.number(short)
}

// unsigned is a cell of a whole number: as text where no signed one is as large.
func unsigned(u uint64) Value {
	if u > math.MaxInt64 {
		return String(strconv.FormatUint(u, 10))
	}
	return Whole(int64(u))
}

func (r *tableRepairs) notes() (notes []string) {
	note := func(n int, one, many string) {
		if n > 0 {
			notes = append(notes, count(n, one, many))
		}
	}
	note(r.closed, "ring that did not end where it began was closed", "rings that did not end where they began were closed")
	note(r.dropped, "ring of fewer than three corners was left out", "rings of fewer than three corners were left out")
	note(r.infinite, "value that is no finite number is taken as missing", "values that are no finite number are taken as missing")
	note(r.text, "text is not UTF-8; what could not be read is shown as \uFFFD", "texts are not UTF-8; what could not be read is shown as \uFFFD")
	return notes
}

// decodeGPKG reads the blob of a geometry. Heights and measures are dropped. An
// empty geometry is nil.
func decodeGPKG(b []byte, repairs *wkbRepairs) (g orb.Geometry, srs int32, err error) {
	if len(b) < gpkgHeaderBytes || b[0] != 'G' || b[1] != 'P' {
		return nil, 0, damagedFault("the blob does not begin as a GeoPackage geometry")
	}
	if b[2] != 0 {
		return nil, 0, damagedFault("the geometry is of version %d, which is not known", b[2])
	}
	flags := b[3]
	var order binary.ByteOrder = binary.BigEndian
	if flags&1 != 0 {
		order = binary.LittleEndian
	}
	srs = int32(order.Uint32(b[4:]))
	if flags&(1<<5) != 0 {
		return nil, srs, &recordFault{reasonShape, -1, errors.New("the geometry is of a kind of its own (ExtendedGeoPackageBinary), which is not read")}
	}
	envelopes := [...]int{0, 32, 48, 48, 64}
	kind := int(flags >> 1 & 7)
	if kind >= len(envelopes) {
		return nil, srs, damagedFault("the geometry has an envelope of kind %d, which there is not", kind)
	}
	start := gpkgHeaderBytes + envelopes[kind]
	if start > len(b) {
		return nil, srs, damagedFault("the blob ends in its envelope")
	}
	if flags&(1<<4) != 0 { // empty
		return nil, srs, nil
	}
	r := wkbReader{b: b[start:], repairs: repairs}
	g, err = r.geometry(0)
	return g, srs, err
}

func damagedFault(format string, a ...any) error {
	return &recordFault{reasonDamaged, -1, fmt.Errorf(format, a...)}
}

// wkbReader reads ISO WKB (OGC 06-103r4), and the flags that EWKB sets in the
// type. Of the libraries at hand orb's does not know heights and go-geom's
// believes counts unless a global says otherwise; here no count is taken
// before the bytes for it are there.
type wkbReader struct {
	b       []byte // what is left
	repairs *wkbRepairs
}

// Geometry types of ISO WKB.
const (
	wkbPoint = iota + 1
	wkbLineString
	wkbPolygon
	wkbMultiPoint
	wkbMultiLineString
	wkbMultiPolygon
	wkbCollection
	wkbCircularString
	wkbCompoundCurve
	wkbCurvePolygon
	wkbMultiCurve
	wkbMultiSurface
)

var wkbNames = [...]string{
	"", "Point", "LineString", "Polygon", "MultiPoint", "MultiLineString", "MultiPolygon", "GeometryCollection",
	"CircularString", "CompoundCurve", "CurvePolygon", "MultiCurve", "MultiSurface",
	"Curve", "Surface", "PolyhedralSurface", "TIN", "Triangle",
}

// wkbMaxDepth: collections in collections deeper than this are no map data.
const wkbMaxDepth = 16

// wkbHead is how a geometry begins.
type wkbHead struct {
	order  binary.ByteOrder
	kind   int
	stride int // bytes of a point
}

func (r *wkbReader) head() (h wkbHead, err error) {
	if len(r.b) < 5 {
		return h, damagedFault("the geometry ends where another part should begin")
	}
	switch r.b[0] {
	case 0:
		h.order = binary.BigEndian
	case 1:
		h.order = binary.LittleEndian
	default:
		return h, damagedFault("the geometry has a byte order of %d, which is neither 0 nor 1", r.b[0])
	}
	code := h.order.Uint32(r.b[1:])
	r.b = r.b[5:]
	// EWKB: flags for height, measure, and a coordinate system of its own.
	const ewkbZ, ewkbM, ewkbSRID = 1 << 31, 1 << 30, 1 << 29
	flags := code & (ewkbZ | ewkbM | ewkbSRID)
	code &^= flags
	if flags&ewkbSRID != 0 {
		if len(r.b) < 4 {
			return h, damagedFault("the geometry ends where its coordinate system should be")
		}
		r.b = r.b[4:]
	}
	h.stride = 16
	switch dims := code / 1000; {
	case dims > 3:
		return h, damagedFault("the geometry is of type %d, which there is not", code)
	case dims == 3 || flags&ewkbZ != 0 && flags&ewkbM != 0:
		h.stride = 32
	case dims > 0 || flags&(ewkbZ|ewkbM) != 0:
		h.stride = 24
	}
	h.kind = int(code % 1000)
	if h.kind == 0 || h.kind >= len(wkbNames) {
		return h, damagedFault("the geometry is of type %d, which there is not", code)
	}
	return h, nil
}

// count reads how many items follow, each of at least so many bytes.
func (r *wkbReader) count(h wkbHead, size int) (int, error) {
	if len(r.b) < 4 {
		return 0, damagedFault("the geometry ends where a count should be")
	}
	n := int64(h.order.Uint32(r.b))
	r.b = r.b[4:]
	if n*int64(size) > int64(len(r.b)) {
		return 0, damagedFault("the geometry says %d items, for which its %d bytes are too few", n, len(r.b))
	}
	return int(n), nil
}

func (r *wkbReader) geometry(depth int) (orb.Geometry, error) {
	if depth > wkbMaxDepth {
		return nil, damagedFault("the geometry holds collections in collections more than %d deep", wkbMaxDepth)
	}
	h, err := r.head()
	if err != nil {
		return nil, err
	}
	switch h.kind {
	case wkbPoint:
		p, has, err := r.point(h)
		if err != nil || !has {
			return nil, err
		}
		return p, nil
	case wkbLineString:
		line, err := r.points(h)
		if err != nil || len(line) == 0 {
			return nil, err
		}
		return orb.LineString(line), nil
	case wkbPolygon, wkbCurvePolygon:
		was := r.repairs.dropped
		p, err := r.polygon(h)
		if err != nil {
			return nil, err
		}
		if len(p) == 0 {
			return nil, r.repairs.nothing(was)
		}
		return p, nil
	case wkbMultiPoint:
		var all orb.MultiPoint
		err := r.members(h, func(m wkbHead) error {
			if m.kind != wkbPoint {
				return wkbStray(h, m)
			}
			p, has, err := r.point(m)
			if has {
				all = append(all, p)
			}
			return err
		})
		if err != nil || len(all) == 0 {
			return nil, err
		}
		return all, nil
	case wkbMultiLineString, wkbMultiCurve:
		var all orb.MultiLineString
		err := r.members(h, func(m wkbHead) error {
			if m.kind != wkbLineString {
				return wkbStray(h, m)
			}
			line, err := r.points(m)
			if len(line) > 0 {
				all = append(all, line)
			}
			return err
		})
		if err != nil || len(all) == 0 {
			return nil, err
		}
		return all, nil
	case wkbMultiPolygon, wkbMultiSurface:
		was := r.repairs.dropped
		var all orb.MultiPolygon
		err := r.members(h, func(m wkbHead) error {
			if m.kind != wkbPolygon && m.kind != wkbCurvePolygon {
				return wkbStray(h, m)
			}
			p, err := r.polygon(m)
			if len(p) > 0 {
				all = append(all, p)
			}
			return err
		})
		if err != nil {
			return nil, err
		}
		if len(all) == 0 {
			return nil, r.repairs.nothing(was)
		}
		return all, nil
	case wkbCollection:
		n, err := r.count(h, 9)
		if err != nil {
			return nil, err
		}
		var all orb.Collection
		for range n {
			g, err := r.geometry(depth + 1)
			if err != nil {
				return nil, err
			}
			if g != nil {
				all = append(all, g)
			}
		}
		if len(all) == 0 {
			return nil, nil
		}
		return all, nil
	}
	return nil, wkbUnread(h)
}

// nothing tells of a polygon with no part left whether it was empty or had
// none that is fit for use.
func (r *wkbRepairs) nothing(droppedBefore int) error {
	if r.dropped == droppedBefore {
		return nil
	}
	r.dropped = droppedBefore
	return &recordFault{reasonRing, -1, errors.New("a polygon without a ring of three corners or more")}
}

// wkbUnread refuses a geometry by the name of its kind.
func wkbUnread(h wkbHead) error {
	name := wkbNames[h.kind]
	switch h.kind {
	case wkbCircularString, wkbCompoundCurve:
		return &recordFault{reasonCurve, -1, fmt.Errorf("a curved line (%s), which is not read", name)}
	case wkbCurvePolygon:
		return &recordFault{reasonCurve, -1, fmt.Errorf("a curved surface (%s), which is not read", name)}
	}
	return &recordFault{reasonShape, -1, fmt.Errorf("a %s, which is not read", name)}
}

// wkbStray refuses a member that is a curve, or has no place where it is.
func wkbStray(outer, inner wkbHead) error {
	if inner.kind >= wkbCircularString {
		return wkbUnread(inner)
	}
	return damagedFault("a %s holds a %s", wkbNames[outer.kind], wkbNames[inner.kind])
}

func (r *wkbReader) members(h wkbHead, member func(wkbHead) error) error {
	n, err := r.count(h, 9)
	if err != nil {
		return err
	}
	for range n {
		m, err := r.head()
		if err != nil {
			return err
		}
		if err := member(m); err != nil {
			return err
		}
	}
	return nil
}

// point reads a point; one of NaN is empty.
func (r *wkbReader) point(h wkbHead) (p orb.Point, has bool, err error) {
	if len(r.b) < h.stride {
		return p, false, damagedFault("the geometry ends in a point")
	}
	p = h.xy(r.b)
	r.b = r.b[h.stride:]
	if math.IsNaN(p[0]) && math.IsNaN(p[1]) {
		return p, false, nil
	}
	return p, true, finitePoint(p)
}

func (h wkbHead) xy(b []byte) orb.Point {
	return orb.Point{math.Float64frombits(h.order.Uint64(b)), math.Float64frombits(h.order.Uint64(b[8:]))}
}

func finitePoint(p orb.Point) error {
	if p[0]-p[0] != 0 || p[1]-p[1] != 0 {
		return &recordFault{reasonNumber, -1, fmt.Errorf("coordinates %g, %g", p[0], p[1])}
	}
	return nil
}

func (r *wkbReader) points(h wkbHead) ([]orb.Point, error) {
	n, err := r.count(h, h.stride)
	if err != nil || n == 0 {
		return nil, err
	}
	points := make([]orb.Point, n)
	for i := range points {
		points[i] = h.xy(r.b)
		r.b = r.b[h.stride:]
		if err := finitePoint(points[i]); err != nil {
			return nil, err
		}
	}
	return points, nil
}

// polygon closes rings that are open and drops those of fewer than three corners;
// without its outer ring nothing is left. It takes the place of the rings.
func (r *wkbRepairs) polygon(rings orb.Polygon) orb.Polygon {
	p := rings[:0]
	outer := true
	for i, ring := range rings {
		if len(ring) == 0 {
			continue
		}
		unclosed := ring[0] != ring[len(ring)-1]
		if unclosed {
			ring = append(ring, ring[0])
		}
		if len(ring) < 4 {
			r.dropped++
			outer = outer && i > 0
			continue
		}
		if unclosed {
			r.closed++
		}
		p = append(p, ring)
	}
	if !outer {
		return nil
	}
	return p
}

func (r *wkbReader) polygon(h wkbHead) (orb.Polygon, error) {
	size := 4
	if h.kind == wkbCurvePolygon {
		size = 9
	}
	n, err := r.count(h, size)
	if err != nil {
		return nil, err
	}
	var rings orb.Polygon
	for range n {
		part := h
		if h.kind == wkbCurvePolygon {
			// Its rings are geometries of their own; straight ones are as good as a
			// polygon's.
			if part, err = r.head(); err != nil {
				return nil, err
			}
			if part.kind != wkbLineString {
				if part.kind >= wkbCircularString {
					return nil, wkbUnread(h)
				}
				return nil, wkbStray(h, part)
			}
		}
		ring, err := r.points(part)
		if err != nil {
			return nil, err
		}
		rings = append(rings, ring)
	}
	return r.repairs.polygon(rings), nil
}
