package crs

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// PROJJSON is the form in JSON that PROJ gave to WKT2 (proj.org, "PROJJSON", schema
// 0.7); GeoParquet has it. What is written is what all readers know of version 0.5.

const projJSONSchema = "https://proj.org/schemas/v0.5/projjson.schema.json"

// crs84 is longitude and latitude on WGS 84 as the GeoParquet specification 1.1.0
// has it (section "OGC:CRS84 details"): a reader need look at its id alone.
const crs84 = `{"$schema":"` + projJSONSchema + `","type":"GeographicCRS","name":"WGS 84 longitude-latitude",` +
	`"datum":{"type":"GeodeticReferenceFrame","name":"World Geodetic System 1984","ellipsoid":{"name":"WGS 84","semi_major_axis":6378137,"inverse_flattening":298.257223563}},` +
	`"coordinate_system":{"subtype":"ellipsoidal","axis":[` +
	`{"name":"Geodetic longitude","abbreviation":"Lon","direction":"east","unit":"degree"},{"name":"Geodetic latitude","abbreviation":"Lat","direction":"north","unit":"degree"}]},` +
	`"id":{"authority":"OGC","code":"CRS84"}}`

// projSystem is a system in PROJJSON.
type projSystem struct {
	Schema     string          `json:"$schema,omitempty"`
	Type       string          `json:"type,omitempty"`
	Name       string          `json:"name,omitempty"`
	Components []projSystem    `json:"components,omitempty"` // of a compound one: the ground, then heights
	Source     *projSystem     `json:"source_crs,omitempty"` // of a bound one
	Target     *projSystem     `json:"target_crs,omitempty"`
	Shift      *projOperation  `json:"transformation,omitempty"`
	Base       *projSystem     `json:"base_crs,omitempty"`
	Conversion *projOperation  `json:"conversion,omitempty"`
	Datum      *projDatum      `json:"datum,omitempty"`
	Ensemble   *projDatum      `json:"datum_ensemble,omitempty"`
	Axes       *projAxes       `json:"coordinate_system,omitempty"`
	Derived    json.RawMessage `json:"deriving_conversion,omitempty"`
	ID         *projID         `json:"id,omitempty"`
}

type projID struct {
	Authority string `json:"authority"`
	Code      any    `json:"code"` // a number or a text
}

type projDatum struct {
	Type      string         `json:"type,omitempty"`
	Name      string         `json:"name"`
	Ellipsoid *projEllipsoid `json:"ellipsoid,omitempty"`
	Prime     *projPrime     `json:"prime_meridian,omitempty"`
	ID        *projID        `json:"id,omitempty"`
}

type projEllipsoid struct {
	Name  string      `json:"name"`
	A     *projNumber `json:"semi_major_axis,omitempty"`
	B     *projNumber `json:"semi_minor_axis,omitempty"`
	InvF  *projNumber `json:"inverse_flattening,omitempty"`
	Round *projNumber `json:"radius,omitempty"`
}

type projPrime struct {
	Name      string     `json:"name"`
	Longitude projNumber `json:"longitude"`
}

type projAxes struct {
	Subtype string     `json:"subtype"`
	Axis    []projAxis `json:"axis"`
}

type projAxis struct {
	Name         string    `json:"name"`
	Abbreviation string    `json:"abbreviation"`
	Direction    string    `json:"direction"`
	Unit         *projUnit `json:"unit,omitempty"`
}

type projOperation struct {
	Name       string          `json:"name"`
	Method     projMethod      `json:"method"`
	Parameters []projParameter `json:"parameters"`
}

type projMethod struct {
	Name string  `json:"name"`
	ID   *projID `json:"id,omitempty"`
}

type projParameter struct {
	Name  string    `json:"name"`
	Value float64   `json:"value"`
	Unit  *projUnit `json:"unit,omitempty"`
	ID    *projID   `json:"id,omitempty"`
}

// projNumber is a number, or one with a unit.
type projNumber struct {
	Value float64
	Unit  *projUnit
}

func (n projNumber) MarshalJSON() ([]byte, error) { return json.Marshal(n.Value) }

func (n *projNumber) UnmarshalJSON(b []byte) error {
	if bytes.HasPrefix(b, []byte("{")) {
		var with struct {
			Value float64   `json:"value"`
			Unit  *projUnit `json:"unit"`
		}
		err := json.Unmarshal(b, &with)
		n.Value, n.Unit = with.Value, with.Unit
		return err
	}
	return json.Unmarshal(b, &n.Value)
}

// projUnit is a unit by its name alone, or with its size.
type projUnit struct {
	Type string  `json:"type"`
	Name string  `json:"name"`
	Size float64 `json:"conversion_factor"`
}

// projUnits are those that need no size.
var projUnits = map[string]projUnit{
	"metre": {"LinearUnit", "metre", 1}, "degree": {"AngularUnit", "degree", degree.size}, "unity": {"ScaleUnit", "unity", 1},
}

func (u projUnit) MarshalJSON() ([]byte, error) {
	if projUnits[u.Name] == u {
		return json.Marshal(u.Name)
	}
	type plain projUnit
	return json.Marshal(plain(u))
}

func (u *projUnit) UnmarshalJSON(b []byte) error {
	var name string
	if json.Unmarshal(b, &name) == nil {
		known, ok := projUnits[name]
		if !ok {
			return fmt.Errorf("the unit %q has no size", name)
		}
		*u = known
		return nil
	}
	type plain projUnit
	return json.Unmarshal(b, (*plain)(u))
}

func lengthUnit(u unit) *projUnit { return &projUnit{"LinearUnit", u.name, u.size} }
func angleUnit(u unit) *projUnit  { return &projUnit{"AngularUnit", u.name, u.size} }

func epsgID(code int) *projID {
	if code == 0 {
		return nil
	}
	return &projID{"EPSG", code}
}

// projParam is a parameter of a method under its name and number in the EPSG
// dataset.
type projParam struct {
	code int
	wktParam
}

var (
	projLat0  = projParam{8801, pLat0("Latitude of natural origin")}
	projLon0  = projParam{8802, pLon0("Longitude of natural origin")}
	projK0    = projParam{8805, pK0("Scale factor at natural origin")}
	projFE    = projParam{8806, pFE("False easting")}
	projFN    = projParam{8807, pFN("False northing")}
	projLat1  = projParam{8823, pLat1("Latitude of 1st standard parallel")}
	projCone  = []projParam{{8821, pLat0("Latitude of false origin")}, {8822, pLon0("Longitude of false origin")}, projLat1, {8824, pLat2("Latitude of 2nd standard parallel")}, {8826, pFE("Easting at false origin")}, {8827, pFN("Northing at false origin")}}
	projCent  = []projParam{{8811, pLat0("Latitude of projection centre")}, {8812, pLon0("Longitude of projection centre")}, {8813, pAzim("Azimuth at projection centre")}, {8814, pRect("Angle from Rectified to Skew Grid")}, {8815, pK0("Scale factor at projection centre")}}
	projPlain = []projParam{projLat0, projLon0, projK0, projFE, projFN}
)

// projMethods are the methods under their names and numbers in the EPSG dataset
// (v10.076, with the names that PROJ 9.1.1 writes).
var projMethods = [...]struct {
	name   string
	code   int
	params []projParam
}{
	tmMethod:      {"Transverse Mercator", 9807, projPlain},
	lcc1Method:    {"Lambert Conic Conformal (1SP)", 9801, projPlain},
	lcc2Method:    {"Lambert Conic Conformal (2SP)", 9802, projCone},
	albersMethod:  {"Albers Equal Area", 9822, projCone},
	laeaMethod:    {"Lambert Azimuthal Equal Area", 9820, []projParam{projLat0, projLon0, projFE, projFN}},
	merc1Method:   {"Mercator (variant A)", 9804, projPlain},
	merc2Method:   {"Mercator (variant B)", 9805, []projParam{projLat1, projLon0, projFE, projFN}},
	webMercMethod: {"Popular Visualisation Pseudo Mercator", 1024, []projParam{projLat0, projLon0, projFE, projFN}},
	stereoMethod:  {"Oblique Stereographic", 9809, projPlain},
	hotineAMethod: {"Hotine Oblique Mercator (variant A)", 9812, append(projCent[:5:5], projFE, projFN)},
	hotineBMethod: {"Hotine Oblique Mercator (variant B)", 9815, append(projCent[:5:5], projParam{8816, pFE("Easting at projection centre")}, projParam{8817, pFN("Northing at projection centre")})},
	krovakMethod:  {"Krovak (North Orientated)", 1041, []projParam{projCent[0], {8833, pLon0("Longitude of origin")}, {1036, pAzim("Co-latitude of cone axis")}, {8818, pLat1("Latitude of pseudo standard parallel")}, {8819, pK0("Scale factor on pseudo standard parallel")}, projFE, projFN}},
}

// PROJJSON returns the system as PROJJSON, all of it: a reader needs no table of
// codes. Longitude and latitude on WGS 84 are OGC:CRS84. The axes of the others
// stand in the order of the EPSG dataset, which formats with x before y pass over.
func (s *System) PROJJSON() []byte {
	if s.Same(WGS84()) {
		return []byte(crs84)
	}
	p := s.projJSON()
	if h := s.datum.toWGS84; s.datum.given && h != nil {
		p.Schema = ""
		p = &projSystem{Type: "BoundCRS", Source: p, Target: WGS84().projJSON(), Shift: projShift(h.arcsec)}
	}
	p.Schema = projJSONSchema
	b, err := json.Marshal(p)
	if err != nil {
		panic("PROJJSON of " + s.name + ": " + err.Error()) // numbers that are none: checked when the system was made
	}
	return b
}

func (s *System) projJSON() *projSystem {
	if s.Geographic() {
		return s.projGeographic(s.name, s.epsg)
	}
	code := s.datum.code
	if g := geographics().byCode[code]; g != nil && (g.angle != s.angle || g.prime != s.prime) {
		code = 0
	}
	base := s.projGeographic(s.datum.system, code)
	base.Type = ""
	return &projSystem{
		Type: "ProjectedCRS", Name: s.name, Base: base, Conversion: s.projConversion(),
		Axes: axesOf("Cartesian", projAxis{"Easting", "E", "east", lengthUnit(s.length)}, projAxis{"Northing", "N", "north", lengthUnit(s.length)}, s.turned),
		ID:   epsgID(s.epsg),
	}
}

func axesOf(subtype string, east, north projAxis, northFirst bool) *projAxes {
	a := &projAxes{subtype, []projAxis{east, north}}
	if northFirst {
		a.Axis[0], a.Axis[1] = north, east
	}
	return a
}

func (s *System) projGeographic(name string, code int) *projSystem {
	d := s.datum
	e := &projEllipsoid{Name: d.ell.name}
	if a := (&projNumber{Value: d.ell.a}); d.ell.invF == 0 {
		e.Round = a
	} else {
		e.A, e.InvF = a, &projNumber{Value: d.ell.invF}
	}
	frame := &projDatum{Type: "GeodeticReferenceFrame", Name: d.title(), Ellipsoid: e}
	if s.prime.deg != 0 {
		frame.Prime = &projPrime{s.prime.name, projNumber{Value: s.prime.deg}}
	}
	return &projSystem{
		Type: "GeographicCRS", Name: name, Datum: frame,
		Axes: axesOf("ellipsoidal", projAxis{"Geodetic longitude", "Lon", "east", angleUnit(s.angle)}, projAxis{"Geodetic latitude", "Lat", "north", angleUnit(s.angle)}, !s.turned || !s.Geographic()),
		ID:   epsgID(code),
	}
}

func (s *System) projConversion() *projOperation {
	c := s.conv
	m := &projMethods[c.method]
	name, code, params := m.name, m.code, m.params
	if c.method == lcc2Method && c.k0 != 1 {
		name, code, params = "Lambert Conic Conformal (2SP Michigan)", 1051, append(params[:len(params):len(params)], projParam{1038, pK0("Ellipsoid scaling factor")})
	}
	o := &projOperation{Name: "unnamed", Method: projMethod{name, epsgID(code)}}
	for _, p := range params {
		q := projParameter{Name: p.name, Value: *p.get(&c), ID: epsgID(p.code)}
		switch p.kind {
		case angleParam:
			q.Unit = angleUnit(degree)
		case lengthParam:
			q.Unit = lengthUnit(s.length)
		case scaleParam:
			q.Unit = &projUnit{"ScaleUnit", "unity", 1}
		}
		o.Parameters = append(o.Parameters, q)
	}
	return o
}

// projShift is a shift to WGS 84 of metres, arc-seconds and parts per million.
func projShift(v [7]float64) *projOperation {
	o := &projOperation{Name: "to WGS 84", Method: projMethod{"Position Vector transformation (geog2D domain)", epsgID(9606)}}
	for i, name := range [...]string{"X-axis translation", "Y-axis translation", "Z-axis translation", "X-axis rotation", "Y-axis rotation", "Z-axis rotation", "Scale difference"} {
		u := lengthUnit(metre)
		switch {
		case i > 5:
			u = &projUnit{"ScaleUnit", "parts per million", 1e-6}
		case i > 2:
			u = &projUnit{"AngularUnit", "arc-second", rad / 3600}
		}
		o.Parameters = append(o.Parameters, projParameter{name, v[i], u, epsgID(8605 + i)})
	}
	return o
}

// maxPROJJSON is far more than any system needs.
const maxPROJJSON = 1 << 20

// ParsePROJJSON reads a coordinate system from PROJJSON. It is that of its id
// where that is known; else that of the parameters, as ParseWKT reads them.
func ParsePROJJSON(text []byte) (*System, error) {
	if len(text) > maxPROJJSON {
		return nil, fmt.Errorf("PROJJSON of %d bytes is too long to be a coordinate system", len(text))
	}
	var p projSystem
	if err := json.Unmarshal(text, &p); err != nil {
		return nil, fmt.Errorf("no PROJJSON: %w", err)
	}
	s, err := p.read(0)
	if err != nil {
		return nil, fmt.Errorf("PROJJSON: %w", err)
	}
	return s, nil
}

func (p *projSystem) read(depth int) (*System, error) {
	switch {
	case depth > 4:
		return nil, errors.New("coordinate systems are nested too deep")
	case len(p.Components) > 0:
		return p.Components[0].read(depth + 1)
	}
	var named error // why the id is of no use
	for q := p; q != nil; q = q.Source {
		if q.ID != nil && p.Shift == nil {
			s, err := Lookup(q.ID.Authority + ":" + q.ID.code())
			if err == nil {
				return s, nil
			}
			named = fmt.Errorf("%q: %w", q.Name, err)
		}
	}
	n, why := p.node(depth)
	if why == nil {
		var s *System
		if s, why = readSystem(n, nil, depth); why == nil {
			return s, nil
		}
	}
	if p.Shift != nil && p.Source != nil {
		return p.Source.read(depth + 1)
	}
	if named != nil {
		return nil, named
	}
	return nil, why
}

func (id *projID) code() string {
	if number, ok := id.Code.(float64); ok {
		return strconv.FormatFloat(number, 'f', -1, 64)
	}
	return fmt.Sprint(id.Code)
}

// wkt makes an item of WKT2.
func wkt(key string, args ...any) *node {
	n := &node{key: key}
	for _, a := range args {
		switch a := a.(type) {
		case string:
			n.args = append(n.args, arg{text: a, quoted: true})
		case float64:
			n.args = append(n.args, arg{text: strconv.FormatFloat(a, 'g', -1, 64)})
		case *node:
			if a != nil {
				n.args = append(n.args, arg{node: a})
			}
		}
	}
	return n
}

// node is the system as the item of WKT2 that says the same.
func (p *projSystem) node(depth int) (*node, error) {
	if depth > 4 {
		return nil, errors.New("coordinate systems are nested too deep")
	}
	switch {
	case p.Source != nil:
		source, err := p.Source.node(depth + 1)
		if err != nil || p.Shift == nil || p.Target == nil {
			return source, err
		}
		return wkt("BOUNDCRS", wkt("SOURCECRS", source), wkt("TARGETCRS", wkt("GEOGCRS", p.Target.Name)), p.Shift.node("ABRIDGEDTRANSFORMATION")), nil
	case p.Base != nil:
		base, err := p.Base.node(depth + 1)
		if err != nil {
			return nil, err
		}
		base.key = "BASEGEOGCRS"
		n := wkt("PROJCRS", p.Name, base)
		if p.Conversion != nil {
			n.args = append(n.args, arg{node: p.Conversion.node("CONVERSION")})
		}
		return p.finish(n), nil
	case p.Datum != nil || p.Ensemble != nil:
		d := p.Datum
		if d == nil {
			d = p.Ensemble
		}
		n := wkt("GEOGCRS", p.Name)
		if p.Derived != nil {
			n.args = append(n.args, arg{node: wkt("DERIVINGCONVERSION")})
		}
		frame := wkt("DATUM", d.Name, d.Ellipsoid.node(), d.ID.node())
		n.args = append(n.args, arg{node: frame})
		if d.Prime != nil {
			n.args = append(n.args, arg{node: wkt("PRIMEM", d.Prime.Name, d.Prime.Longitude.Value, d.Prime.Longitude.unit(degree))})
		}
		return p.finish(n), nil
	}
	return nil, fmt.Errorf("%s %q says neither which system it is, by an id, nor on what datum it lies", p.Type, p.Name)
}

// finish adds what all systems have.
func (p *projSystem) finish(n *node) *node {
	if p.Axes != nil {
		n.args = append(n.args, arg{node: wkt("CS", p.Axes.Subtype)})
		for _, a := range p.Axes.Axis {
			n.args = append(n.args, arg{node: wkt("AXIS", a.Name, a.Direction, a.Unit.node())})
		}
	}
	if id := p.ID.node(); id != nil {
		n.args = append(n.args, arg{node: id})
	}
	return n
}

func (id *projID) node() *node {
	if id == nil {
		return nil
	}
	return wkt("ID", id.Authority, id.code())
}

// node is the ellipsoid with its axis in metres.
func (e *projEllipsoid) node() *node {
	if e == nil {
		return nil
	}
	metres := func(v *projNumber) float64 {
		if v == nil {
			return 0
		}
		if v.Unit != nil {
			return v.Value * v.Unit.Size
		}
		return v.Value
	}
	a, invF := metres(e.A), 0.0
	switch b := metres(e.B); {
	case e.A == nil:
		a = metres(e.Round)
	case e.InvF != nil:
		invF = e.InvF.Value
	case b != 0 && b != a:
		invF = a / (a - b)
	}
	return wkt("ELLIPSOID", e.Name, a, invF)
}

func (n *projNumber) unit(usual unit) *node {
	if n.Unit == nil {
		return angleUnit(usual).node()
	}
	return n.Unit.node()
}

func (u *projUnit) node() *node {
	if u == nil {
		return nil
	}
	key := map[string]string{"LinearUnit": "LENGTHUNIT", "AngularUnit": "ANGLEUNIT", "ScaleUnit": "SCALEUNIT"}[u.Type]
	if key == "" {
		key = "UNIT"
	}
	return wkt(key, u.Name, u.Size)
}

func (o *projOperation) node(key string) *node {
	n := wkt(key, o.Name, wkt("METHOD", o.Method.Name))
	for _, p := range o.Parameters {
		if !math.IsNaN(p.Value) {
			n.args = append(n.args, arg{node: wkt("PARAMETER", p.Name, p.Value, p.Unit.node())})
		}
	}
	return n
}

// title is the datum's name as the EPSG dataset has it, which for an ensemble says
// so; its bare name means the same to readers.
func (d *datum) title() string {
	if d.epsg != "" {
		return strings.TrimSuffix(d.epsg, " ensemble")
	}
	return strings.ReplaceAll(d.name, "_", " ")
}
