package layer

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
	"unsafe"

	"github.com/paulmach/orb"
)

// recordFault is what is wrong with one record.
type recordFault struct {
	reason string // the fixed phrase by which it is counted
	at     int    // byte of the record, -1 when no single one is meant
	err    error
}

func (f *recordFault) Error() string { return f.err.Error() }

// reasonOf is the phrase by which a fault in a record is counted.
func reasonOf(err error) string {
	var f *recordFault
	if errors.As(err, &f) {
		return f.reason
	}
	return reasonDamaged
}

// Reasons for which a record is left out.
const (
	reasonSyntax   = "broken JSON"
	reasonType     = "wrong type"
	reasonCoords   = "no coordinates"
	reasonNumber   = "coordinate that is no number"
	reasonDegrees  = "coordinates outside longitude and latitude"
	reasonRing     = "polygon of fewer than three corners"
	reasonShape    = "geometry type that is not read"
	reasonDamaged  = "damaged record"
	reasonNoRecord = "no attributes for the shape"
)

// jsonCursor reads a JSON text that lies in memory.
type jsonCursor struct {
	b []byte
	i int
}

func (c *jsonCursor) fault(reason, format string, a ...any) error {
	return &recordFault{reason, c.i, fmt.Errorf(format, a...)}
}

// unexpected says what stands at the cursor instead of what was wanted.
func (c *jsonCursor) unexpected(want string) error {
	if c.i >= len(c.b) {
		return c.fault(reasonSyntax, "the record ends where %s belongs", want)
	}
	return c.fault(reasonSyntax, "%s where %s belongs", excerpt(c.b[c.i:]), want)
}

// excerpt quotes the beginning of b.
func excerpt(b []byte) string {
	if i := bytes.IndexAny(b, ",]}\n"); i > 0 {
		b = b[:i]
	}
	if len(b) > 24 {
		return strconv.Quote(string(b[:20])) + "..."
	}
	return strconv.Quote(string(b))
}

// next returns the next byte that is not white space, 0 at the end.
func (c *jsonCursor) next() byte {
	for c.i < len(c.b) {
		switch k := c.b[c.i]; k {
		case ' ', '\n', '\t', '\r':
			c.i++
		default:
			return k
		}
	}
	return 0
}

// string takes a string and returns what stands between its quotes, and
// whether there are escapes in it.
func (c *jsonCursor) string() (raw []byte, escaped bool, err error) {
	if c.next() != '"' {
		return nil, false, c.unexpected("a string")
	}
	from := c.i + 1
	for i := from; i < len(c.b); i++ {
		switch k := c.b[i]; {
		case k == '"':
			c.i = i + 1
			return c.b[from:i], escaped, nil
		case k == '\\':
			escaped = true
			i++
		case k < 0x20:
			c.i = i
			return nil, false, c.fault(reasonSyntax, "control character 0x%02x in a string", k)
		}
	}
	return nil, false, c.fault(reasonSyntax, "a string without a closing quote")
}

// text turns what stands between a string's quotes into Go text.
func (c *jsonCursor) text(raw []byte, escaped bool) (string, error) {
	if !escaped {
		if utf8.Valid(raw) {
			return string(raw), nil
		}
		return strings.ToValidUTF8(string(raw), "\uFFFD"), nil
	}
	quoted := make([]byte, 0, len(raw)+2)
	quoted = append(append(append(quoted, '"'), raw...), '"')
	var s string
	if err := json.Unmarshal(quoted, &s); err != nil {
		return "", c.fault(reasonSyntax, "string %s: %w", excerpt(raw), err)
	}
	return s, nil
}

// skip takes a value of any kind and returns its bytes.
func (c *jsonCursor) skip() ([]byte, error) {
	k := c.next()
	from := c.i
	switch jsonClass[k] {
	case quote:
		_, _, err := c.string()
		return c.b[from:c.i], err
	case plain:
		for c.i < len(c.b) && jsonClass[c.b[c.i]] == plain {
			c.i++
		}
		switch w := c.b[from:c.i]; {
		case string(w) == "null", string(w) == "true", string(w) == "false", isNumber(w):
			return w, nil
		}
		c.i = from
		return nil, c.unexpected("a value")
	case open:
		var stack [maxJSONDepth]byte
		depth := 0
		for {
			b, i := c.b, c.i
			for i < len(b) && skips[b[i]] {
				i++
			}
			if c.i = i; i == len(b) {
				break
			}
			k := b[i]
			switch jsonClass[k] {
			case quote:
				if _, _, err := c.string(); err != nil {
					return nil, err
				}
				continue
			case open:
				if depth == maxJSONDepth {
					return nil, c.fault(reasonSyntax, "arrays and objects more than %d deep", maxJSONDepth)
				}
				stack[depth] = k + 2
				depth++
			case shut:
				if depth--; stack[depth] != k {
					return nil, c.fault(reasonSyntax, "%q where %q belongs", k, stack[depth])
				}
				if depth == 0 {
					c.i++
					return c.b[from:c.i], nil
				}
			default:
				return nil, c.fault(reasonSyntax, "control character 0x%02x outside a string", k)
			}
			c.i++
		}
		return nil, c.fault(reasonSyntax, "the record ends inside an array or object")
	}
	return nil, c.unexpected("a value")
}

// isNumber tells whether w is a number by JSON's grammar.
func isNumber(w []byte) bool {
	i := 0
	digits := func() bool {
		from := i
		for i < len(w) && '0' <= w[i] && w[i] <= '9' {
			i++
		}
		return i > from
	}
	if i < len(w) && w[i] == '-' {
		i++
	}
	if i < len(w) && w[i] == '0' {
		i++
	} else if !digits() {
		return false
	}
	if i < len(w) && w[i] == '.' {
		if i++; !digits() {
			return false
		}
	}
	if i < len(w) && w[i]|0x20 == 'e' {
		if i++; i < len(w) && (w[i] == '+' || w[i] == '-') {
			i++
		}
		if !digits() {
			return false
		}
	}
	return i == len(w)
}

var powersOfTen = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// number takes a coordinate. A decimal of up to 2^53 with up to 22 digits after
// the point is one exact integer divided by one exact power of ten, so that one
// rounding gives the nearest float64 (Clinger 1990); others go to strconv,
// which rounds as well.
func (c *jsonCursor) number() (float64, error) {
	b, i := c.b, c.i
	for i < len(b) && (b[i] == ' ' || b[i] == '\n' || b[i] == '\r' || b[i] == '\t') {
		i++
	}
	c.i = i
	from := i
	minus := i < len(b) && b[i] == '-'
	if minus {
		i++
	}
	var m uint64
	first := i
	for i < len(b) && b[i]-'0' <= 9 {
		m = m*10 + uint64(b[i]-'0')
		i++
	}
	whole := i - first
	if whole == 0 || whole > 1 && b[first] == '0' {
		return 0, c.notNumber()
	}
	frac := 0
	if i < len(b) && b[i] == '.' {
		i++
		dot := i
		for i < len(b) && b[i]-'0' <= 9 {
			m = m*10 + uint64(b[i]-'0')
			i++
		}
		if frac = i - dot; frac == 0 {
			return 0, c.notNumber()
		}
	}
	if i < len(b) && jsonClass[b[i]] == plain || whole+frac > 19 || m > 1<<53 || frac > 22 {
		for i < len(b) && jsonClass[b[i]] == plain {
			i++
		}
		if !isNumber(b[from:i]) {
			return 0, c.notNumber()
		}
		f, err := strconv.ParseFloat(unsafe.String(&b[from], i-from), 64)
		if err != nil || math.IsInf(f, 0) {
			return 0, c.fault(reasonNumber, "coordinate %s is out of range", excerpt(b[from:i]))
		}
		c.i = i
		return f, nil
	}
	c.i = i
	f := float64(m) / powersOfTen[frac]
	if minus {
		f = -f
	}
	return f, nil
}

func (c *jsonCursor) notNumber() error {
	if c.i >= len(c.b) {
		return c.unexpected("a coordinate")
	}
	if c.b[c.i] == ']' {
		return c.fault(reasonCoords, "a position without two coordinates")
	}
	return c.fault(reasonNumber, "coordinate %s is not a number", excerpt(c.b[c.i:]))
}

// members calls f for every member of the object at the cursor, which f must
// take.
func (c *jsonCursor) members(f func(key []byte) error) error {
	if c.next() != '{' {
		return c.unexpected("an object")
	}
	c.i++
	if c.next() == '}' {
		c.i++
		return nil
	}
	for {
		key, escaped, err := c.string()
		if err != nil {
			return err
		}
		if escaped {
			s, err := c.text(key, true)
			if err != nil {
				return err
			}
			key = []byte(s)
		}
		if c.next() != ':' {
			return c.unexpected("a colon")
		}
		c.i++
		if err := f(key); err != nil {
			return err
		}
		switch c.next() {
		case ',':
			c.i++
		case '}':
			c.i++
			return nil
		default:
			return c.unexpected("a comma or closing brace")
		}
	}
}

// elements calls f for every element of the array at the cursor, which f must
// take.
func (c *jsonCursor) elements(f func() error) error {
	if c.next() != '[' {
		return c.fault(reasonType, "%s where an array belongs", excerpt(c.b[c.i:]))
	}
	c.i++
	if c.next() == ']' {
		c.i++
		return nil
	}
	for {
		if err := f(); err != nil {
			return err
		}
		switch c.next() {
		case ',':
			c.i++
		case ']':
			c.i++
			return nil
		default:
			return c.unexpected("a comma or closing bracket")
		}
	}
}

// geometryParser reads coordinates. Its scratch is used again for every
// geometry; what it returns is not.
type geometryParser struct {
	points []orb.Point
	rings  []int // end of each ring in points
	parts  []int // end of each polygon or line in rings

	closed, dropped int // rings that were mended or left out
}

// position takes [x, y, ...]. What follows y is read over.
func (p *geometryParser) position(c *jsonCursor) (pt orb.Point, err error) {
	if c.next() != '[' {
		if c.i < len(c.b) {
			return pt, c.fault(reasonType, "%s where a position [x, y] belongs", excerpt(c.b[c.i:]))
		}
		return pt, c.unexpected("a position")
	}
	c.i++
	if pt[0], err = c.number(); err != nil {
		return pt, err
	}
	if c.next() != ',' {
		return pt, c.fault(reasonCoords, "a position without two coordinates")
	}
	c.i++
	if pt[1], err = c.number(); err != nil {
		return pt, err
	}
	for {
		switch c.next() {
		case ']':
			c.i++
			return pt, nil
		case ',':
			c.i++
			if _, err := c.skip(); err != nil { // height, measure
				return pt, err
			}
		default:
			return pt, c.unexpected("a comma or closing bracket")
		}
	}
}

func (p *geometryParser) positions(c *jsonCursor) error {
	if c.next() != '[' {
		return c.fault(reasonType, "%s where an array of positions belongs", excerpt(c.b[c.i:]))
	}
	c.i++
	if c.next() == ']' {
		c.i++
		return nil
	}
	for {
		pt, err := p.position(c)
		if err != nil {
			return err
		}
		p.points = append(p.points, pt)
		switch c.next() {
		case ',':
			c.i++
		case ']':
			c.i++
			return nil
		default:
			return c.unexpected("a comma or closing bracket")
		}
	}
}

// polygon takes the rings of one polygon. A ring is closed if it is open and
// left out if it has fewer than three corners; with an outer ring go its holes.
func (p *geometryParser) polygon(c *jsonCursor) error {
	ring, lost := 0, false
	err := c.elements(func() error {
		from := len(p.points)
		if err := p.positions(c); err != nil {
			return err
		}
		p.endRing(from, ring, &lost)
		ring++
		return nil
	})
	if len(p.rings) > p.lastPart() {
		p.parts = append(p.parts, len(p.rings))
	}
	return err
}

func (p *geometryParser) lastPart() int {
	if len(p.parts) == 0 {
		return 0
	}
	return p.parts[len(p.parts)-1]
}

// endRing settles the ring-th ring of a polygon: the points from from on.
func (p *geometryParser) endRing(from, ring int, lost *bool) {
	n := len(p.points) - from
	if n > 2 && p.points[from] != p.points[len(p.points)-1] {
		p.points = append(p.points, p.points[from])
		p.closed++
		n++
	}
	if n < 4 || *lost {
		p.points = p.points[:from]
		p.dropped++
		if ring == 0 {
			*lost = true
		}
		return
	}
	p.rings = append(p.rings, len(p.points))
}

// build cuts an exact copy of the scratch into polygons.
func (p *geometryParser) build() orb.MultiPolygon {
	points := append(make([]orb.Point, 0, len(p.points)), p.points...)
	rings := make([]orb.Ring, len(p.rings))
	from := 0
	for i, to := range p.rings {
		rings[i] = points[from:to:to]
		from = to
	}
	polygons := make(orb.MultiPolygon, len(p.parts))
	from = 0
	for i, to := range p.parts {
		polygons[i] = rings[from:to:to]
		from = to
	}
	return polygons
}

// areal returns the polygons in the scratch as the smallest geometry.
func (p *geometryParser) areal() orb.Geometry {
	if len(p.parts) == 1 {
		points := append(make([]orb.Point, 0, len(p.points)), p.points...)
		polygon := make(orb.Polygon, len(p.rings))
		from := 0
		for i, to := range p.rings {
			polygon[i] = points[from:to:to]
			from = to
		}
		return polygon
	}
	return p.build()
}

func (p *geometryParser) reset() {
	p.points, p.rings, p.parts = p.points[:0], p.rings[:0], p.parts[:0]
}

// coordinates takes the coordinates of a geometry of the named type. The result
// is nil where the array is empty.
func (p *geometryParser) coordinates(c *jsonCursor, kind string) (orb.Geometry, error) {
	p.reset()
	if c.next() != '[' {
		if string(c.b[c.i:min(c.i+4, len(c.b))]) == "null" {
			return nil, c.fault(reasonCoords, "a %s whose coordinates are null", kind)
		}
		return nil, c.fault(reasonType, "%s where the coordinates of a %s belong", excerpt(c.b[c.i:]), kind)
	}
	switch kind {
	case "Point":
		from := c.i
		c.i++
		if c.next() == ']' {
			c.i++
			return nil, nil
		}
		c.i = from
		pt, err := p.position(c)
		if err != nil {
			return nil, err
		}
		return pt, nil
	case "MultiPoint", "LineString":
		if err := p.positions(c); err != nil {
			return nil, err
		}
		if len(p.points) == 0 {
			return nil, nil
		}
		points := append([]orb.Point(nil), p.points...)
		if kind == "LineString" {
			return orb.LineString(points), nil
		}
		return orb.MultiPoint(points), nil
	case "MultiLineString":
		var lines orb.MultiLineString
		err := c.elements(func() error {
			p.reset()
			if err := p.positions(c); err != nil {
				return err
			}
			if len(p.points) > 0 {
				lines = append(lines, append(orb.LineString(nil), p.points...))
			}
			return nil
		})
		if err != nil || len(lines) == 0 {
			return nil, err
		}
		return lines, nil
	case "Polygon", "MultiPolygon":
		from, was := c.i, p.dropped
		var err error
		if kind == "Polygon" {
			err = p.polygon(c)
		} else {
			err = c.elements(func() error { return p.polygon(c) })
		}
		switch {
		case err != nil:
			return nil, err
		case len(p.parts) > 0:
			return p.areal(), nil
		case p.dropped > was:
			c.i = from
			return nil, c.fault(reasonRing, "a %s without a ring of three corners or more", kind)
		}
		return nil, nil
	}
	return nil, c.fault(reasonShape, "geometry type %q is not read", kind)
}

var geometryTypes = [...]string{"Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon", "GeometryCollection"}

// geometryType returns the known name equal to raw without allocation, "" if
// there is none.
func geometryType(raw []byte) string {
	for _, t := range geometryTypes {
		if string(raw) == t {
			return t
		}
	}
	return ""
}

// maxCollections is how deep geometry collections may lie in one another.
const maxCollections = 16

// geometry takes the geometry object at the cursor.
func (p *geometryParser) geometry(c *jsonCursor, depth int) (g orb.Geometry, err error) {
	if k := c.next(); k != '{' {
		if k == 'n' {
			_, err := c.skip()
			return nil, err
		}
		return nil, c.fault(reasonType, "%s where a geometry belongs", excerpt(c.b[c.i:]))
	}
	if depth > maxCollections {
		return nil, c.fault(reasonShape, "geometry collections more than %d deep", maxCollections)
	}
	start, kind, later, done := c.i, "", -1, false
	err = c.members(func(key []byte) error {
		switch string(key) {
		case "type":
			if c.next() != '"' {
				return c.fault(reasonType, "%s where the type of a geometry belongs", excerpt(c.b[c.i:]))
			}
			raw, _, err := c.string()
			if err != nil {
				return err
			}
			if kind = geometryType(raw); kind == "" {
				return c.fault(reasonShape, "geometry type %s is not read", excerpt(raw))
			}
			return nil
		case "coordinates", "geometries":
			if kind == "" {
				later = c.next0()
				_, err := c.skip()
				return err
			}
			if (kind == "GeometryCollection") != (key[0] == 'g') {
				_, err := c.skip()
				return err
			}
			done = true
			g, err = p.content(c, kind, depth)
			return err
		}
		_, err := c.skip()
		return err
	})
	if err != nil || done {
		return g, err
	}
	if kind == "" {
		c.i = start
		return nil, c.fault(reasonType, "a geometry without a type")
	}
	if later < 0 {
		c.i = start
		return nil, c.fault(reasonCoords, "a %s without coordinates", kind)
	}
	after := c.i
	c.i = later
	g, err = p.content(c, kind, depth)
	if err == nil {
		c.i = after
	}
	return g, err
}

// next0 goes to the next byte that is not white space and returns its place.
func (c *jsonCursor) next0() int {
	c.next()
	return c.i
}

func (p *geometryParser) content(c *jsonCursor, kind string, depth int) (orb.Geometry, error) {
	if kind != "GeometryCollection" {
		return p.coordinates(c, kind)
	}
	var all orb.Collection
	err := c.elements(func() error {
		g, err := p.geometry(c, depth+1)
		if err == nil && g != nil {
			all = append(all, g)
		}
		return err
	})
	if err != nil || len(all) == 0 {
		return nil, err
	}
	return all, nil
}

// featureParser reads whole records.
type featureParser struct {
	geometryParser
	columns map[string]int // property name -> place in values
	kinds   []Kind
	values  []Value
	last    []string // the last text of each column, to share repeated ones
	order   []string // names in file order, to guess the next; order[k] is values[first+k]
	first   int
	idAt    int // place of the feature's own id in values, -1: not wanted
}

// parse reads the record b, a Feature or a bare geometry. The values are in
// p.values afterwards.
func (p *featureParser) parse(b []byte) (g orb.Geometry, err error) {
	clear(p.values)
	c := &jsonCursor{b: b}
	if c.next() != '{' {
		return nil, c.fault(reasonType, "%s where a Feature belongs", excerpt(c.b[c.i:]))
	}
	var kind []byte
	err = c.members(func(key []byte) (err error) {
		switch string(key) {
		case "type":
			if c.next() != '"' {
				return c.fault(reasonType, "%s where a type belongs", excerpt(c.b[c.i:]))
			}
			kind, _, err = c.string()
			return err
		case "geometry":
			g, err = p.geometry(c, 0)
			return err
		case "properties":
			return p.properties(c)
		case "id":
			if p.idAt >= 0 {
				p.values[p.idAt], err = p.value(c, p.idAt)
				return err
			}
		}
		_, err = c.skip()
		return err
	})
	if err != nil {
		return nil, err
	}
	if c.next() != 0 {
		return nil, c.unexpected("the end of the record")
	}
	if string(kind) == "Feature" {
		return g, nil
	}
	if geometryType(kind) != "" {
		clear(p.values)
		return p.geometry(&jsonCursor{b: b}, 0)
	}
	if kind == nil {
		return nil, &recordFault{reasonType, -1, errors.New("a record without a type, where a Feature belongs")}
	}
	return nil, &recordFault{reasonType, -1, fmt.Errorf("a record of type %s where a Feature belongs", excerpt(kind))}
}

func (p *featureParser) properties(c *jsonCursor) error {
	switch c.next() {
	case 'n':
		_, err := c.skip()
		return err
	case '{':
	default:
		return c.fault(reasonType, "%s where properties belong", excerpt(c.b[c.i:]))
	}
	if len(p.columns) == 0 {
		_, err := c.skip()
		return err
	}
	guess := 0
	return c.members(func(key []byte) error {
		var i int
		if guess < len(p.order) && string(key) == p.order[guess] {
			i = p.first + guess
		} else if j, ok := p.columns[string(key)]; ok {
			i = j
		} else {
			_, err := c.skip()
			return err
		}
		guess = i - p.first + 1
		v, err := p.value(c, i)
		p.values[i] = v
		return err
	})
}

// value takes the value of column i.
func (p *featureParser) value(c *jsonCursor, i int) (v Value, err error) {
	switch k := c.next(); k {
	case '"':
		raw, escaped, err := c.string()
		if err != nil {
			return v, err
		}
		if !escaped && string(raw) == p.last[i] {
			return String(p.last[i]), nil
		}
		s, err := c.text(raw, escaped)
		p.last[i] = s
		return String(s), err
	default:
		raw, err := c.skip()
		if err != nil {
			return v, err
		}
		switch k {
		case 'n':
			return v, nil
		case 't', 'f':
			if p.kinds[i] != Boolean {
				return String(string(raw)), nil
			}
			return Truth(k == 't'), nil
		case '{', '[':
			return String(strings.ToValidUTF8(string(raw), "\uFFFD")), nil
		}
		switch p.kinds[i] {
		case Integer:
			if n, err := strconv.ParseInt(string(raw), 10, 64); err == nil {
				return Whole(n), nil
			}
		case Real:
			if f, err := strconv.ParseFloat(string(raw), 64); err == nil {
				return Number(f), nil
			}
		}
		return String(string(raw)), nil
	}
}

// columnScan collects the names and kinds of the properties of a file.
type columnScan struct {
	index  map[string]int
	names  []string
	saw    []uint8
	id     uint8 // kinds of the features' own ids
	places bool  // all ids are the feature's place in the file, from 0 or 1
	shapes uint8
	n      int64
}

const (
	sawInteger = 1 << iota
	sawReal
	sawBoolean
	sawText
)

const (
	sawPoints = 1 << iota
	sawLines
	sawPolygons
	sawCollection
)

var errTooManyColumns = fmt.Errorf("more than %d different property names", maxJSONFields)

// record looks at one record. Faults are left for the reading to report.
func (s *columnScan) record(b []byte, properties bool) error {
	s.n++
	c := &jsonCursor{b: b}
	err := c.members(func(key []byte) error {
		switch string(key) {
		case "type": // of a bare geometry
			if c.next() == '"' {
				raw, _, err := c.string()
				s.shape(raw)
				return err
			}
		case "geometry":
			if c.next() == '{' {
				return c.members(func(key []byte) error {
					if string(key) == "type" && c.next() == '"' {
						raw, _, err := c.string()
						s.shape(raw)
						return err
					}
					_, err := c.skip()
					return err
				})
			}
		case "properties":
			if properties && c.next() == '{' {
				return s.properties(c)
			}
		case "id":
			raw, err := c.skip()
			if err == nil {
				k := kindOf(raw)
				s.id |= k
				if k == sawInteger {
					n, _ := strconv.ParseInt(string(raw), 10, 64)
					s.places = s.places && (n == s.n || n == s.n-1)
				}
			}
			return err
		}
		_, err := c.skip()
		return err
	})
	if err == errTooManyColumns {
		return err
	}
	return nil
}

func (s *columnScan) shape(raw []byte) {
	switch geometryType(raw) {
	case "Point", "MultiPoint":
		s.shapes |= sawPoints
	case "LineString", "MultiLineString":
		s.shapes |= sawLines
	case "Polygon", "MultiPolygon":
		s.shapes |= sawPolygons
	case "GeometryCollection":
		s.shapes |= sawCollection
	}
}

func (s *columnScan) properties(c *jsonCursor) error {
	guess := 0
	return c.members(func(key []byte) error {
		var i int
		if guess < len(s.names) && string(key) == s.names[guess] {
			i = guess
		} else if j, ok := s.index[string(key)]; ok {
			i = j
		} else {
			if len(s.names) == maxJSONFields {
				return errTooManyColumns
			}
			name := strings.ToValidUTF8(string(key), "\uFFFD")
			if i, ok = s.index[name]; !ok {
				i = len(s.names)
				s.names = append(s.names, name)
				s.saw = append(s.saw, 0)
			}
			s.index[name], s.index[string(key)] = i, i
		}
		guess = i + 1
		raw, err := c.skip()
		if err == nil {
			s.saw[i] |= kindOf(raw)
		}
		return err
	})
}

// kindOf classifies a JSON value. Integers beyond 64 bits count as text: they
// are names, and a float64 would lose their last digits.
func kindOf(raw []byte) uint8 {
	switch raw[0] {
	case 'n':
		return 0
	case 't', 'f':
		return sawBoolean
	case '"', '{', '[':
		return sawText
	}
	for _, k := range raw {
		if k == '.' || k|0x20 == 'e' {
			if f, err := strconv.ParseFloat(string(raw), 64); err != nil || math.IsInf(f, 0) {
				return sawText
			}
			return sawReal
		}
	}
	if len(raw) > 18 {
		if _, err := strconv.ParseInt(string(raw), 10, 64); err != nil {
			return sawText
		}
	}
	return sawInteger
}

// kind is the kind of a column in which the kinds saw were seen.
func kindFor(saw uint8) Kind {
	switch saw {
	case sawInteger:
		return Integer
	case sawReal, sawReal | sawInteger:
		return Real
	case sawBoolean:
		return Boolean
	}
	return Text
}

func (s *columnScan) shapeOf() Shape {
	switch s.shapes {
	case sawPoints:
		return Points
	case sawLines:
		return Lines
	case sawPolygons, sawPolygons | sawCollection:
		return Polygons
	}
	return Mixed
}
