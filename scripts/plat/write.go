package plat

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
)

// Prop is one attribute of a record. Value is nil (null), string, int or Num.
type Prop struct {
	Name  string
	Value any
}

// Num is a number with a fixed count of decimals.
type Num struct {
	Value    float64
	Decimals int
}

// Column describes an attribute for formats that want it beforehand.
type Column struct {
	Name     string // ten characters or fewer
	Text     bool
	Size     int // characters
	Decimals int
}

// Sink takes the records of one layer. A geometry is nil, a Point, a []Point
// (line) or a []Polygon (one or several), in grid metres.
type Sink interface {
	Add(geometry any, props []Prop) error
	Close() error
}

// GeoJSON is an RFC 7946 file in longitude and latitude, or, with metres set,
// the older form with a "crs" member that holds the grid's own numbers: what
// reference programs without a projection library read.
type GeoJSON struct {
	grid   *Grid
	metres bool
	file   *os.File
	w      *bufio.Writer
	buf    []byte
	n      int
}

// CreateGeoJSON begins a layer.
func CreateGeoJSON(path, layer string, grid *Grid, metres bool) (*GeoJSON, error) {
	f, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	g := &GeoJSON{grid: grid, metres: metres, file: f, w: bufio.NewWriterSize(f, 1<<20)}
	fmt.Fprintf(g.w, "{\"type\": \"FeatureCollection\", \"name\": %q", layer)
	if metres {
		fmt.Fprintf(g.w, ", \"crs\": {\"type\": \"name\", \"properties\": {\"name\": \"urn:ogc:def:crs:EPSG::%d\"}}", grid.EPSG)
	}
	_, err = g.w.WriteString(", \"features\": [")
	return g, err
}

func (g *GeoJSON) point(b []byte, p Point) []byte {
	decimals := 5 // 0.01 mm
	if !g.metres {
		p.X, p.Y = g.grid.Inverse(p)
		decimals = 10 // 0.01 mm
	}
	b = append(b, '[')
	b = strconv.AppendFloat(b, p.X, 'f', decimals, 64)
	b = append(b, ',')
	b = strconv.AppendFloat(b, p.Y, 'f', decimals, 64)
	return append(b, ']')
}

func (g *GeoJSON) polygon(b []byte, p Polygon) []byte {
	b = append(b, '[')
	for i, r := range p {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, '[')
		for _, q := range r {
			b = append(g.point(b, q), ',')
		}
		b = append(g.point(b, r[0]), ']')
	}
	return append(b, ']')
}

// Add writes one record.
func (g *GeoJSON) Add(geometry any, props []Prop) error {
	b := g.buf[:0]
	if g.n > 0 {
		b = append(b, ',')
	}
	g.n++
	b = append(b, "\n{\"type\": \"Feature\", \"geometry\": "...)
	switch v := geometry.(type) {
	case nil:
		b = append(b, "null"...)
	case Point:
		b = g.point(append(b, `{"type": "Point", "coordinates": `...), v)
	case []Point:
		b = append(b, `{"type": "LineString", "coordinates": [`...)
		for i, p := range v {
			if i > 0 {
				b = append(b, ',')
			}
			b = g.point(b, p)
		}
		b = append(b, ']')
	case []Polygon:
		if len(v) == 1 {
			b = g.polygon(append(b, `{"type": "Polygon", "coordinates": `...), v[0])
			break
		}
		b = append(b, `{"type": "MultiPolygon", "coordinates": [`...)
		for i, p := range v {
			if i > 0 {
				b = append(b, ',')
			}
			b = g.polygon(b, p)
		}
		b = append(b, ']')
	default:
		return fmt.Errorf("no geometry is made of %T", geometry)
	}
	if geometry != nil {
		b = append(b, '}')
	}
	b = append(b, ", \"properties\": {"...)
	for i, p := range props {
		if i > 0 {
			b = append(b, ", "...)
		}
		b = append(strconv.AppendQuote(b, p.Name), ": "...)
		switch v := p.Value.(type) {
		case nil:
			b = append(b, "null"...)
		case int:
			b = strconv.AppendInt(b, int64(v), 10)
		case Num:
			b = strconv.AppendFloat(b, v.Value, 'f', v.Decimals, 64)
		case string:
			text, err := json.Marshal(v)
			if err != nil {
				return err
			}
			b = append(b, text...)
		default:
			return fmt.Errorf("attribute %s: no value is made of %T", p.Name, p.Value)
		}
	}
	g.buf = append(b, "}}"...)
	_, err := g.w.Write(g.buf)
	return err
}

// Close ends the file.
func (g *GeoJSON) Close() error {
	fmt.Fprint(g.w, "\n]}\n")
	if err := g.w.Flush(); err != nil {
		return err
	}
	return g.file.Close()
}

// Shapefile writes .shp, .shx, .dbf, .prj and .cpg (ESRI Shapefile Technical
// Description, 1998) in one pass and constant memory. Of the library at hand,
// go-shp v0.1.1, the writer is not used: it names the attribute file "treesdbf"
// for "trees.shp", so nothing finds it, and it seeks for every value.
type Shapefile struct {
	place    func(Point) Point
	kind     uint32 // 1 point, 3 line, 5 polygon
	columns  []Column
	shp, shx *half
	dbf      *half
	n        int
	minX     float64
	minY     float64
	maxX     float64
	maxY     float64
}

// half is a file that is filled front to back and whose header is put in last.
type half struct {
	f    *os.File
	w    *bufio.Writer
	size int64
}

func createHalf(path string, header int) (*half, error) {
	f, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	h := &half{f: f, w: bufio.NewWriterSize(f, 1<<18)}
	return h, h.put(make([]byte, header))
}

func (h *half) put(b []byte) error {
	h.size += int64(len(b))
	_, err := h.w.Write(b)
	return err
}

func (h *half) finish(header []byte) error {
	if err := h.w.Flush(); err != nil {
		return err
	}
	if _, err := h.f.Seek(0, io.SeekStart); err != nil {
		return err
	}
	if _, err := h.f.Write(header); err != nil {
		return err
	}
	return h.f.Close()
}

// The shape types of the format.
const (
	ShapePoint   = 1
	ShapeLine    = 3
	ShapePolygon = 5
)

// CreateShapefile begins a layer at path without ending. Place takes grid
// metres to the numbers of prj.
func CreateShapefile(path string, kind uint32, columns []Column, prj string, place func(Point) Point) (*Shapefile, error) {
	s := &Shapefile{place: place, kind: kind, columns: columns,
		minX: math.Inf(1), minY: math.Inf(1), maxX: math.Inf(-1), maxY: math.Inf(-1)}
	var err error
	if s.shp, err = createHalf(path+".shp", 100); err != nil {
		return nil, err
	}
	if s.shx, err = createHalf(path+".shx", 100); err != nil {
		return nil, err
	}
	if s.dbf, err = createHalf(path+".dbf", 33+32*len(columns)); err != nil {
		return nil, err
	}
	if err := os.WriteFile(path+".prj", []byte(prj), 0o644); err != nil {
		return nil, err
	}
	return s, os.WriteFile(path+".cpg", []byte("UTF-8"), 0o644)
}

// Add writes one record.
func (s *Shapefile) Add(geometry any, props []Prop) error {
	body, err := s.shape(geometry)
	if err != nil {
		return err
	}
	s.n++
	var head [8]byte
	binary.BigEndian.PutUint32(head[:4], uint32(s.shp.size/2))
	binary.BigEndian.PutUint32(head[4:], uint32(len(body)/2))
	if err := s.shx.put(head[:]); err != nil {
		return err
	}
	binary.BigEndian.PutUint32(head[:4], uint32(s.n))
	if err := s.shp.put(head[:]); err != nil {
		return err
	}
	if err := s.shp.put(body); err != nil {
		return err
	}
	return s.row(props)
}

func (s *Shapefile) shape(geometry any) ([]byte, error) {
	le := binary.LittleEndian
	var parts [][]Point
	switch v := geometry.(type) {
	case nil:
		return make([]byte, 4), nil
	case Point:
		p := s.place(v)
		s.grow(p.X, p.Y, p.X, p.Y)
		b := le.AppendUint32(nil, s.kind)
		b = le.AppendUint64(b, math.Float64bits(p.X))
		return le.AppendUint64(b, math.Float64bits(p.Y)), nil
	case []Point:
		parts = [][]Point{v}
	case []Polygon:
		for _, poly := range v {
			for _, r := range poly {
				// Shells clockwise, holes the other way: the reverse of ours.
				turned := Reverse(r)
				parts = append(parts, append(turned, turned[0]))
			}
		}
	default:
		return nil, fmt.Errorf("no geometry is made of %T", geometry)
	}
	b := le.AppendUint32(nil, s.kind)
	b = append(b, make([]byte, 32)...)
	b = le.AppendUint32(b, uint32(len(parts)))
	total := 0
	for _, p := range parts {
		total += len(p)
	}
	b = le.AppendUint32(b, uint32(total))
	total = 0
	for _, p := range parts {
		b = le.AppendUint32(b, uint32(total))
		total += len(p)
	}
	minX, minY, maxX, maxY := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, part := range parts {
		for _, p := range part {
			p = s.place(p)
			minX, minY, maxX, maxY = min(minX, p.X), min(minY, p.Y), max(maxX, p.X), max(maxY, p.Y)
			b = le.AppendUint64(b, math.Float64bits(p.X))
			b = le.AppendUint64(b, math.Float64bits(p.Y))
		}
	}
	for i, f := range []float64{minX, minY, maxX, maxY} {
		le.PutUint64(b[4+8*i:], math.Float64bits(f))
	}
	s.grow(minX, minY, maxX, maxY)
	return b, nil
}

func (s *Shapefile) grow(minX, minY, maxX, maxY float64) {
	s.minX, s.minY, s.maxX, s.maxY = min(s.minX, minX), min(s.minY, minY), max(s.maxX, maxX), max(s.maxY, maxY)
}

func (s *Shapefile) row(props []Prop) error {
	b := []byte{' '}
	for i, c := range s.columns {
		if i >= len(props) || props[i].Name != c.Name {
			return fmt.Errorf("attribute %d of a record is not %s", i, c.Name)
		}
		var text string
		switch v := props[i].Value.(type) {
		case nil:
		case string:
			text = v
		case int:
			text = strconv.Itoa(v)
		case Num:
			text = strconv.FormatFloat(v.Value, 'f', c.Decimals, 64)
		}
		if len(text) > c.Size {
			return fmt.Errorf("attribute %s: %q is longer than %d", c.Name, text, c.Size)
		}
		pad := make([]byte, c.Size-len(text))
		for i := range pad {
			pad[i] = ' '
		}
		if c.Text {
			b = append(append(b, text...), pad...)
		} else {
			b = append(append(b, pad...), text...)
		}
	}
	return s.dbf.put(b)
}

// Close writes the headers.
func (s *Shapefile) Close() error {
	header := func(size int64) []byte {
		b := make([]byte, 100)
		binary.BigEndian.PutUint32(b, 9994)
		binary.BigEndian.PutUint32(b[24:], uint32(size/2))
		binary.LittleEndian.PutUint32(b[28:], 1000)
		binary.LittleEndian.PutUint32(b[32:], s.kind)
		if s.minX <= s.maxX {
			for i, f := range []float64{s.minX, s.minY, s.maxX, s.maxY} {
				binary.LittleEndian.PutUint64(b[36+8*i:], math.Float64bits(f))
			}
		}
		return b
	}
	if s.shp.size > 2*math.MaxInt32 {
		return fmt.Errorf("%d bytes are more than a shapefile can say", s.shp.size)
	}
	if err := s.shp.finish(header(s.shp.size)); err != nil {
		return err
	}
	if err := s.shx.finish(header(s.shx.size)); err != nil {
		return err
	}
	width := 1
	for _, c := range s.columns {
		width += c.Size
	}
	// dBASE III header; its date is fixed so that the bytes are too.
	b := make([]byte, 32, 33+32*len(s.columns))
	b[0], b[1], b[2], b[3] = 3, 125, 1, 1
	binary.LittleEndian.PutUint32(b[4:], uint32(s.n))
	binary.LittleEndian.PutUint16(b[8:], uint16(33+32*len(s.columns)))
	binary.LittleEndian.PutUint16(b[10:], uint16(width))
	for _, c := range s.columns {
		d := make([]byte, 32)
		copy(d, c.Name)
		d[11] = 'N'
		if c.Text {
			d[11] = 'C'
		}
		d[16], d[17] = byte(c.Size), byte(c.Decimals)
		b = append(b, d...)
	}
	if err := s.dbf.put([]byte{0x1a}); err != nil {
		return err
	}
	return s.dbf.finish(append(b, '\r'))
}

// Columns measures the attributes of records: names, kinds and widths.
func Columns(records [][]Prop) []Column {
	var cs []Column
	for _, rec := range records {
		for i, p := range rec {
			if i == len(cs) {
				cs = append(cs, Column{Name: p.Name, Size: 1})
			}
			c := &cs[i]
			switch v := p.Value.(type) {
			case string:
				c.Text = true
				c.Size = max(c.Size, len(v))
			case int:
				c.Size = max(c.Size, len(strconv.Itoa(v)))
			case Num:
				c.Decimals = max(c.Decimals, v.Decimals)
				c.Size = max(c.Size, len(strconv.FormatFloat(v.Value, 'f', v.Decimals, 64))+1)
			}
		}
	}
	return cs
}
