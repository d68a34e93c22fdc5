package layer

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"math/big"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go/deprecated"
	pq "github.com/parquet-go/parquet-go/format"
	"github.com/paulmach/orb"

	"soilshed/geo/crs"
)

// geoParquet reads GeoParquet (specification 1.1.0 and older), and Parquet with
// the logical type GEOMETRY. A file is read page by page; a column with lists or
// groups in it is left out. What a page holds is in geoparquet_page.go.
type geoParquet struct {
	path   string
	file   *os.File
	size   int64 // bytes of the file before its footer
	schema Schema
	groups []parquetGroup
	// The columns that are read: that of the geometry, then one a field.
	columns []parquetLeaf
	opened  []string     // notes on opening it
	seen    tableRepairs // of reading through the file
}

// parquetLeaf is a column of plain cells.
type parquetLeaf struct {
	name     string
	index    int // among the leaves of the file
	physical pq.Type
	width    int  // bytes of a FIXED_LEN_BYTE_ARRAY
	optional bool // cells may be null
	kind     Kind
	value    func(*geoParquet, []byte) Value // nil for the geometry
}

const (
	remedyNoParquet = "GeoParquet is made by many programs, or by: ogr2ogr layer.parquet FILE; or give the layer in another format"
)

// geoMetadata is the text under the key geo (GeoParquet 1.1.0, "File metadata").
type geoMetadata struct {
	Version string                     `json:"version"`
	Primary string                     `json:"primary_column"`
	Columns map[string]json.RawMessage `json:"columns"`
}

type geoColumn struct {
	Encoding string          `json:"encoding"`
	Types    []string        `json:"geometry_types"`
	CRS      json.RawMessage `json:"crs"` // PROJJSON; null is unknown, and none is OGC:CRS84
	Edges    string          `json:"edges"`
	Covering struct {
		BBox struct {
			XMin []string `json:"xmin"`
		} `json:"bbox"`
	} `json:"covering"`
}

func openGeoParquet(path string, o Options) (Source, error) {
	g := &geoParquet{path: path}
	err := guarded(func() error { return g.open(o) })
	if err == nil {
		return g, nil
	}
	if g.file != nil {
		g.file.Close()
	}
	return nil, g.fault(err, 0, "")
}

// fault gives an error its file, and a remedy where it has none.
func (g *geoParquet) fault(err error, feature int64, field string) error {
	var e *Error
	if errors.As(err, &e) {
		e.File = g.path
		return err
	}
	return &Error{File: g.path, Feature: feature, Field: field, Err: err, Remedy: remedyCopyAgain}
}

func (g *geoParquet) open(o Options) error {
	var err error
	if g.file, err = os.Open(g.path); err != nil {
		return missing(g.path, err)
	}
	meta, err := g.footer()
	if err != nil {
		return err
	}
	g.schema = Schema{Name: strings.TrimSuffix(strings.TrimSuffix(fileBase(g.path), ".parquet"), ".geoparquet")}
	for _, kv := range meta.KeyValueMetadata {
		if kv.Key == parquetMetadata {
			g.schema.Metadata = kv.Value
		}
	}
	geometry, others, err := g.geometryColumn(meta, o.System)
	if err != nil {
		return err
	}
	leaves, err := g.fields(meta.Schema, geometry, others, o.Columns)
	if err != nil {
		return err
	}
	return g.rowGroups(meta, leaves)
}

// geometryColumn finds the column of the geometry and what its coordinates mean.
// others are columns that no note is needed for.
func (g *geoParquet) geometryColumn(meta *pq.FileMetaData, told *crs.System) (name string, others map[string]bool, err error) {
	text, found := "", false
	for _, kv := range meta.KeyValueMetadata {
		if kv.Key == "geo" {
			text, found = kv.Value, true
		}
	}
	if !found {
		return g.typedColumn(meta, told)
	}
	var geo geoMetadata
	if err := json.Unmarshal([]byte(text), &geo); err != nil {
		return "", nil, fmt.Errorf("its geo metadata are no JSON as GeoParquet has it: %w", err)
	}
	if geo.Primary == "" {
		return "", nil, errors.New("its geo metadata name no primary_column")
	}
	if _, ok := geo.Columns[geo.Primary]; !ok {
		return "", nil, fmt.Errorf("its geo metadata do not describe the primary column %q", geo.Primary)
	}
	others = map[string]bool{}
	var column geoColumn
	for name, raw := range geo.Columns {
		var c geoColumn
		if err := json.Unmarshal(raw, &c); err != nil {
			return "", nil, fmt.Errorf("its geo metadata of the column %q are no JSON as GeoParquet has it: %w", name, err)
		}
		if len(c.Covering.BBox.XMin) > 0 {
			others[c.Covering.BBox.XMin[0]] = true
		}
		if name == geo.Primary {
			column = c
		}
	}
	if column.Encoding != "WKB" {
		return "", nil, &Error{Field: geo.Primary, Err: fmt.Errorf("its geometry is encoded as %q, where WKB alone is read", column.Encoding), Remedy: "write it anew with the encoding WKB: ogr2ogr -lco GEOMETRY_ENCODING=WKB new.parquet " + fileBase(g.path)}
	}
	switch column.Edges {
	case "", "planar":
	default:
		g.opened = append(g.opened, fmt.Sprintf("its edges are said to be %s; they are taken as straight, which for edges as long as a street is the same", column.Edges))
	}
	g.schema.Shape = parquetShape(column.Types)
	return geo.Primary, others, g.system(column.CRS, told)
}

// typedColumn is geometryColumn for a file without geo metadata: the first column
// of the logical type GEOMETRY (Parquet format, "Geospatial.md").
func (g *geoParquet) typedColumn(meta *pq.FileMetaData, told *crs.System) (string, map[string]bool, error) {
	for _, e := range meta.Schema {
		switch t := e.LogicalType.Value.(type) {
		case *pq.GeometryType:
			raw := json.RawMessage(nil)
			switch name, key, _ := strings.Cut(t.CRS, ":"); {
			case t.CRS == "":
			case name == "srid":
				raw, _ = json.Marshal("EPSG:" + key)
				if key == "0" {
					raw = json.RawMessage("null")
				}
			case name == "projjson":
				for _, kv := range meta.KeyValueMetadata {
					if kv.Key == key {
						raw = json.RawMessage(kv.Value)
					}
				}
				if raw == nil {
					return "", nil, fmt.Errorf("its coordinate system is to stand in the metadata under %q, where there is nothing", key)
				}
			case strings.HasPrefix(t.CRS, "{"):
				raw = json.RawMessage(t.CRS)
			default:
				raw, _ = json.Marshal(t.CRS)
			}
			g.schema.Shape = Mixed
			return e.Name, nil, g.system(raw, told)
		case *pq.GeographyType:
			return "", nil, &Error{Field: e.Name, Err: errors.New("its geometry has edges along the curved earth (GEOGRAPHY), which is not read"), Remedy: "write it as GEOMETRY, or in another format"}
		}
	}
	return "", nil, &Error{Err: errors.New("is a Parquet file without geometry: it has no geo metadata"), Remedy: remedyNoParquet}
}

// parquetShape tells what the geometry_types of a column come down to.
func parquetShape(types []string) Shape {
	shape := NoShape
	for _, t := range types {
		t, _, _ = strings.Cut(t, " ") // "Point Z"
		is := gpkgShape(t)
		if shape == NoShape {
			shape = is
		} else if is != shape {
			return Mixed
		}
	}
	if shape == NoShape {
		return Mixed
	}
	return shape
}

// system settles what the coordinates mean. raw is PROJJSON or a text that names a
// system; nil is OGC:CRS84.
func (g *geoParquet) system(raw json.RawMessage, told *crs.System) error {
	own, why := parquetSystem(raw)
	note, err := g.schema.settleSystem(own, why, told)
	if note != "" {
		g.opened = append(g.opened, note)
	}
	return err
}

// parquetSystem is nil without an error for a system that is declared unknown.
func parquetSystem(raw json.RawMessage) (*crs.System, error) {
	var text string
	switch {
	case raw == nil:
		return crs.WGS84(), nil
	case string(raw) == "null":
		return nil, nil
	case json.Unmarshal(raw, &text) == nil:
		return crs.Lookup(text)
	}
	return crs.ParsePROJJSON(raw)
}

// fields lays out the columns that are read, and returns how many leaves the file
// has. The schema is a tree written down from the root, each node with the number
// of its children (Parquet format, "Metadata").
func (g *geoParquet) fields(tree []pq.SchemaElement, geometry string, quiet map[string]bool, want []string) (leaves int, err error) {
	if len(tree) == 0 {
		return 0, errors.New("it has no schema")
	}
	g.columns = []parquetLeaf{{}}
	found := false
	at, top := 1, int(tree[0].NumChildren.V)
	for ; top > 0 && at < len(tree); top-- {
		e := &tree[at]
		// Over all that is below it.
		first := at
		for open := 1; open > 0; open-- {
			if at >= len(tree) {
				return 0, errors.New("its schema ends early")
			}
			n := int(tree[at].NumChildren.V)
			if n < 0 || n > len(tree) {
				return 0, fmt.Errorf("its schema has a column of %d parts", n)
			}
			if n == 0 {
				leaves++
			}
			open += n
			at++
		}
		nested := at-first > 1 || e.RepetitionType.V == pq.Repeated
		leaf := parquetLeaf{name: e.Name, index: leaves - 1, physical: e.Type.V, width: int(e.TypeLength.V), optional: e.RepetitionType.V == pq.Optional}
		switch {
		case e.Name == geometry && !found:
			if nested || leaf.physical != pq.ByteArray {
				return 0, &Error{Field: geometry, Err: errors.New("the column of the geometry does not hold WKB"), Remedy: "write it anew with the encoding WKB"}
			}
			g.columns[0], found = leaf, true
		case quiet[e.Name] || !wantedColumn(want, e.Name):
		case nested:
			g.opened = append(g.opened, fmt.Sprintf("its column %s holds lists or groups and is left out", e.Name))
		default:
			leaf.kind, leaf.value = parquetKind(e)
			if leaf.value == nil {
				g.opened = append(g.opened, fmt.Sprintf("its column %s holds %s and is left out", e.Name, parquetTypeName(e)))
				continue
			}
			if leaf.physical == pq.FixedLenByteArray && (leaf.width < 1 || leaf.width > 1<<16) {
				return 0, &Error{Field: e.Name, Err: fmt.Errorf("its cells are of %d bytes", leaf.width), Remedy: remedyCopyAgain}
			}
			g.columns = append(g.columns, leaf)
			g.schema.Fields = append(g.schema.Fields, Field{Name: e.Name, Kind: leaf.kind})
		}
	}
	if top != 0 || at != len(tree) {
		return 0, errors.New("its schema has other columns than it counts")
	}
	if !found {
		return 0, &Error{Err: fmt.Errorf("has no column %q, which is to hold the geometry", geometry), Remedy: remedyCopyAgain}
	}
	if n := len(g.schema.Fields); n > maxJSONFields {
		return 0, &Error{Err: fmt.Errorf("has %d columns, where %d are the limit", n, maxJSONFields), Remedy: "keep the columns that are wanted"}
	}
	return leaves, nil
}

func parquetTypeName(e *pq.SchemaElement) string {
	if e.LogicalType.Value != nil {
		return strings.ToLower(e.LogicalType.Value.String())
	}
	if e.Type.V == pq.ByteArray || e.Type.V == pq.FixedLenByteArray {
		return "bytes that are no text"
	}
	return strings.ToLower(e.Type.V.String())
}

// parquetKind tells what a column holds by its logical type, else by its converted
// type, as older writers have it (Parquet format, "LogicalTypes.md"). A nil func is
// a column that is no cell of a table.
func parquetKind(e *pq.SchemaElement) (Kind, func(*geoParquet, []byte) Value) {
	logical := e.LogicalType.Value
	if logical == nil && e.ConvertedType.Valid {
		switch e.ConvertedType.V {
		case deprecated.UTF8, deprecated.Enum, deprecated.Json:
			logical = &pq.StringType{}
		case deprecated.Date:
			logical = &pq.DateType{}
		case deprecated.Decimal:
			logical = &pq.DecimalType{Scale: e.Scale.V, Precision: e.Precision.V}
		case deprecated.TimestampMillis:
			logical = &pq.TimestampType{IsAdjustedToUTC: true, Unit: pq.TimeUnit{Value: &pq.MilliSeconds{}}}
		case deprecated.TimestampMicros:
			logical = &pq.TimestampType{IsAdjustedToUTC: true, Unit: pq.TimeUnit{Value: &pq.MicroSeconds{}}}
		case deprecated.TimeMillis:
			logical = &pq.TimeType{Unit: pq.TimeUnit{Value: &pq.MilliSeconds{}}}
		case deprecated.TimeMicros:
			logical = &pq.TimeType{Unit: pq.TimeUnit{Value: &pq.MicroSeconds{}}}
		case deprecated.Uint8, deprecated.Uint16, deprecated.Uint32, deprecated.Uint64:
			logical = &pq.IntType{}
		case deprecated.Bson, deprecated.Interval:
			logical = &pq.BsonType{}
		}
	}
	switch physical := e.Type.V; physical {
	case pq.Boolean:
		return Boolean, func(_ *geoParquet, b []byte) Value { return Truth(b[0] != 0) }
	case pq.Int32, pq.Int64:
		whole := func(b []byte) int64 { return int64(int32(binary.LittleEndian.Uint32(b))) }
		if physical == pq.Int64 {
			whole = func(b []byte) int64 { return int64(binary.LittleEndian.Uint64(b)) }
		}
		switch t := logical.(type) {
		case *pq.DateType:
			return Date, func(_ *geoParquet, b []byte) Value {
				return parquetDay(time.Unix(whole(b)*86400, 0).UTC())
			}
		case *pq.TimestampType:
			if t.Unit.Value == nil {
				return Text, nil
			}
			unit, layout := int64(time.Second/t.Unit.Value.Duration()), "2006-01-02T15:04:05.999999999"
			if t.IsAdjustedToUTC {
				layout += "Z"
			}
			return Text, func(_ *geoParquet, b []byte) Value {
				n := whole(b)
				return parquetTime(time.Unix(n/unit, n%unit*int64(t.Unit.Value.Duration())).UTC(), layout)
			}
		case *pq.TimeType:
			if t.Unit.Value == nil {
				return Text, nil
			}
			return Text, func(_ *geoParquet, b []byte) Value {
				n := whole(b)
				if n < 0 || n > int64(24*time.Hour/t.Unit.Value.Duration()) {
					return Value{}
				}
				return String(time.Unix(0, n*int64(t.Unit.Value.Duration())).UTC().Format("15:04:05.999999999"))
			}
		case *pq.DecimalType:
			return parquetDecimal(t, func(b []byte) *big.Int { return big.NewInt(whole(b)) })
		case *pq.IntType:
			if !t.IsSigned && physical == pq.Int32 {
				return Integer, func(_ *geoParquet, b []byte) Value { return Whole(int64(binary.LittleEndian.Uint32(b))) }
			}
			if !t.IsSigned {
				return Integer, func(_ *geoParquet, b []byte) Value {
					return unsigned(binary.LittleEndian.Uint64(b))
				}
			}
		}
		return Integer, func(_ *geoParquet, b []byte) Value { return Whole(whole(b)) }
	case pq.Int96: // nanoseconds of a day, and its Julian number
		return Text, func(_ *geoParquet, b []byte) Value {
			day := int64(int32(binary.LittleEndian.Uint32(b[8:]))) - 2440588 // 1970-01-01
			nanos := int64(binary.LittleEndian.Uint64(b))
			return parquetTime(time.Unix(day*86400+nanos/1e9, nanos%1e9).UTC(), "2006-01-02T15:04:05.999999999Z")
		}
	case pq.Float:
		return Real, func(g *geoParquet, b []byte) Value {
			return g.seen.single(math.Float32frombits(binary.LittleEndian.Uint32(b)))
		}
	case pq.Double:
		return Real, func(g *geoParquet, b []byte) Value {
			return g.seen.number(math.Float64frombits(binary.LittleEndian.Uint64(b)))
		}
	case pq.ByteArray, pq.FixedLenByteArray:
		switch t := logical.(type) {
		case *pq.StringType, *pq.EnumType, *pq.JsonType:
			return Text, func(g *geoParquet, b []byte) Value { return String(g.seen.mended(string(b))) }
		case *pq.DecimalType:
			return parquetDecimal(t, func(b []byte) *big.Int {
				n := new(big.Int).SetBytes(b) // two's complement, the highest byte first
				if len(b) > 0 && b[0] >= 0x80 {
					n.Sub(n, new(big.Int).Lsh(big.NewInt(1), uint(8*len(b))))
				}
				return n
			})
		case *pq.UUIDType:
			if e.TypeLength.V == 16 {
				return Text, func(_ *geoParquet, b []byte) Value {
					return String(fmt.Sprintf("%x-%x-%x-%x-%x", b[:4], b[4:6], b[6:8], b[8:10], b[10:]))
				}
			}
		}
	}
	return Text, nil
}

// parquetDecimal makes numbers of digits and a scale. Those of the scale 0 stay
// whole.
func parquetDecimal(t *pq.DecimalType, digits func([]byte) *big.Int) (Kind, func(*geoParquet, []byte) Value) {
	if t.Scale < 0 || t.Scale > 76 { // the largest decimals that writers have
		return Text, nil
	}
	kind := Real
	if t.Scale == 0 {
		kind = Integer
	}
	return kind, func(g *geoParquet, b []byte) Value {
		if len(b) > 32 {
			return g.seen.number(math.NaN())
		}
		n := digits(b)
		if t.Scale == 0 && n.IsInt64() {
			return Whole(n.Int64())
		}
		x, _ := strconv.ParseFloat(n.String()+"e-"+strconv.Itoa(int(t.Scale)), 64)
		return g.seen.number(x)
	}
}

// parquetDay and parquetTime take no year that has other than four digits.
func parquetDay(t time.Time) Value {
	if y := t.Year(); y < 1 || y > 9999 {
		return Value{}
	}
	return Day(t.Format(time.DateOnly))
}

func parquetTime(t time.Time, layout string) Value {
	if y := t.Year(); y < 1 || y > 9999 {
		return Value{}
	}
	return String(t.Format(layout))
}

func (g *geoParquet) Schema() *Schema { return &g.schema }

func (g *geoParquet) Close() error {
	if g.file == nil {
		return nil
	}
	err := g.file.Close()
	g.file = nil
	return err
}

// Features reads one row group after the other, in each all columns side by side.
func (g *geoParquet) Features() iter.Seq2[Feature, error] {
	return func(yield func(Feature, error) bool) {
		g.seen = tableRepairs{}
		if g.file == nil {
			yield(Feature{}, &Error{File: g.path, Err: os.ErrClosed})
			return
		}
		f := Feature{Values: make([]Value, len(g.schema.Fields))}
		allowance := &parquetAllowance{left: zipRoom(g.size), whole: zipRoom(g.size), size: g.size}
		for _, group := range g.groups {
			columns := make([]parquetColumn, len(g.columns))
			for i := range columns {
				columns[i] = parquetColumn{leaf: &g.columns[i], file: g.file, chunk: group.chunks[i], left: group.rows, allowance: allowance}
			}
			for range group.rows {
				f.FID++
				f.Geometry = nil
				var bad *RecordError
				for i := range columns {
					c := &columns[i]
					if c.at == c.n {
						if err := guarded(c.next); err != nil {
							if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
								err = fmt.Errorf("it ends early: %w", io.ErrUnexpectedEOF)
							}
							yield(Feature{}, g.fault(err, f.FID, c.leaf.name))
							return
						}
					}
					cell, err := c.cell()
					if err != nil {
						yield(Feature{}, g.fault(err, f.FID, c.leaf.name))
						return
					}
					if i > 0 {
						f.Values[i-1] = Value{}
						if cell != nil && bad == nil {
							f.Values[i-1] = c.leaf.value(g, cell)
						}
						continue
					}
					if f.Geometry, err = g.geometry(cell); err != nil {
						bad = &RecordError{Fault: Error{File: g.path, Feature: f.FID, Err: err}, Reason: reasonOf(err)}
					}
				}
				more := false
				if bad != nil {
					more = yield(Feature{}, bad)
				} else {
					more = yield(f, nil)
				}
				if !more {
					return
				}
			}
			for i := range columns {
				allowance.held -= columns[i].held + columns[i].dictHeld
			}
		}
	}
}

func (g *geoParquet) geometry(cell []byte) (orb.Geometry, error) {
	if len(cell) == 0 {
		return nil, nil
	}
	r := wkbReader{b: cell, repairs: &g.seen.wkbRepairs}
	geometry, err := r.geometry(0)
	if err == nil {
		err = limit.fits(geometry)
	}
	return geometry, err
}

func (g *geoParquet) Notes() []string {
	return append(append([]string(nil), g.opened...), g.seen.notes()...)
}
