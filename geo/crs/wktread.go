package crs

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
)

const remedy = "say which coordinate system the layer has (--crs), or reproject it first (ogr2ogr -t_srs EPSG:4326 OUT IN)"

// ParseWKT reads a coordinate system from well-known text: an ESRI .prj, OGC
// WKT1 (OGC 01-009, as GDAL writes it) or WKT2 (ISO 19162:2015 and 2019). Of a
// compound system it takes the horizontal part; of a bound one, and of TOWGS84,
// the datum shift too. The code is the one the text claims, if its numbers
// agree with the table; else that of the row of the same numbers.
func ParseWKT(text string) (*System, error) {
	roots, err := parseNodes(text)
	if err != nil {
		return nil, err
	}
	for _, r := range roots[1:] {
		switch r.key {
		case "VERTCS", "VERT_CS", "VERTCRS", "VERTICALCRS":
		default:
			return nil, fmt.Errorf("well-known text: %s follows after the end of %s", r.key, roots[0].key)
		}
	}
	s, err := readSystem(roots[0], nil, 0)
	if err != nil {
		return nil, fmt.Errorf("well-known text: %w", err)
	}
	return s, nil
}

// readSystem reads a system; shift is that of a surrounding BOUNDCRS.
func readSystem(n *node, shift *helmert, depth int) (*System, error) {
	if depth > 4 {
		return nil, errors.New("coordinate systems are nested too deep")
	}
	switch n.key {
	case "PROJCS", "PROJCRS", "PROJECTEDCRS":
		return readProjected(n, shift)
	case "GEOGCS", "GEOGCRS", "GEOGRAPHICCRS", "GEODCRS", "GEODETICCRS", "BASEGEOGCRS", "BASEGEODCRS":
		s, err := readGeographic(n, shift)
		if err != nil {
			return nil, err
		}
		return identify(s, n.code()), nil
	case "COMPD_CS", "COMPOUNDCRS":
		for _, a := range n.args {
			if a.node != nil && !metadata[a.node.key] {
				return readSystem(a.node, shift, depth+1)
			}
		}
		return nil, fmt.Errorf("%s[%q] has no horizontal part", n.key, n.name())
	case "BOUNDCRS":
		return readBound(n, depth)
	case "LOCAL_CS", "ENGCRS", "ENGINEERINGCRS":
		return nil, fmt.Errorf("%q is a local system of a site and does not say where on the Earth it lies: %s", n.name(), remedy)
	case "GEOCCS":
		return nil, fmt.Errorf("%q is geocentric (X, Y, Z from the Earth's centre): %s", n.name(), remedy)
	}
	return nil, fmt.Errorf("%s is not a horizontal coordinate system: %s", n.key, remedy)
}

var metadata = map[string]bool{
	"AUTHORITY": true, "ID": true, "REMARK": true, "USAGE": true, "SCOPE": true, "AREA": true, "BBOX": true,
	"VERTICALEXTENT": true, "TIMEEXTENT": true, "EXTENSION": true,
}

// readBound reads BOUNDCRS[SOURCECRS[..],TARGETCRS[..],ABRIDGEDTRANSFORMATION[..]].
func readBound(n *node, depth int) (*System, error) {
	src := n.child("SOURCECRS")
	if src == nil || len(src.args) == 0 || src.args[0].node == nil {
		return nil, errors.New("BOUNDCRS lacks its SOURCECRS")
	}
	var shift *helmert
	if t := n.child("ABRIDGEDTRANSFORMATION"); t != nil {
		var err error
		if shift, err = readTransformation(t); err != nil {
			return nil, err
		}
		if target := n.child("TARGETCRS"); shift != nil && (target == nil || !strings.Contains(strings.ToUpper(target.deepName()), "WGS")) {
			shift = nil // a shift to another datum tells us nothing we can use
		}
	}
	return readSystem(src.args[0].node, shift, depth+1)
}

// deepName returns the name of the item inside.
func (n *node) deepName() string {
	if len(n.args) > 0 && n.args[0].node != nil {
		return n.args[0].node.name()
	}
	return n.name()
}

// readTransformation returns the Helmert parameters of an abridged
// transformation, nil for another kind.
func readTransformation(t *node) (*helmert, error) {
	m := t.child("METHOD")
	if m == nil {
		return nil, nil
	}
	name := fold(m.name())
	sign := 1.0
	switch {
	case strings.HasPrefix(name, "positionvector"):
	case strings.HasPrefix(name, "coordinateframe"):
		sign = -1
	case strings.HasPrefix(name, "geocentrictranslations"):
	default:
		return nil, nil
	}
	v := make([]float64, 7)
	err := t.children(func(p *node) error {
		x, err := p.number(1)
		if err != nil {
			return err
		}
		unit := 0.0
		if u := p.child("LENGTHUNIT", "ANGLEUNIT", "SCALEUNIT", "UNIT"); u != nil {
			if unit, err = u.number(1); err != nil {
				return err
			}
		}
		switch pn := fold(p.name()); pn {
		case "xaxistranslation", "yaxistranslation", "zaxistranslation":
			if unit != 0 {
				x *= unit
			}
			v[pn[0]-'x'] = x
		case "xaxisrotation", "yaxisrotation", "zaxisrotation":
			if unit != 0 {
				x *= unit / (rad / 3600)
			}
			v[3+pn[0]-'x'] = sign * x
		case "scaledifference":
			switch {
			case unit == 1 && math.Abs(x) > 0.5: // GDAL writes 1 + ds here
				x = (x - 1) * 1e6
			case unit != 0:
				x *= unit * 1e6
			}
			v[6] = x
		}
		return nil
	}, "PARAMETER")
	if err != nil {
		return nil, err
	}
	h, err := newHelmert(v)
	return &h, err
}

// readUnit reads UNIT and WKT2's LENGTHUNIT and ANGLEUNIT.
func readUnit(n *node, known []unit) (unit, error) {
	size, err := n.number(1)
	if err != nil {
		return unit{}, err
	}
	if !(size > 1e-9 && size < 1e6) {
		return unit{}, fmt.Errorf("%s[%q]: size %g is out of range", n.key, n.name(), size)
	}
	return snap(known, n.name(), size), nil
}

// knownPrime returns the meridian of the table that the text means: WKT1 writers
// give its longitude now in degrees, now in the unit of the system.
func knownPrime(name string, v float64, angle unit) (meridian, bool) {
	for _, g := range geographics().list {
		p := g.prime
		if math.Abs(v-p.deg) < 1e-6 || math.Abs(v*angle.size/rad-p.deg) < 1e-6 {
			if fold(p.name) == fold(name) || p.deg == 0 {
				return p, true
			}
		}
	}
	return meridian{}, false
}

func readGeographic(n *node, shift *helmert) (*System, error) {
	s := &System{name: n.name(), prime: greenwich, angle: degree}
	if n.child("DERIVINGCONVERSION") != nil {
		return nil, fmt.Errorf("%q is derived from another system by a rotation, which is not handled: %s", s.name, remedy)
	}
	if cs := n.child("CS"); cs != nil && strings.EqualFold(cs.name(), "Cartesian") {
		return nil, fmt.Errorf("%q is geocentric (X, Y, Z from the Earth's centre): %s", s.name, remedy)
	}
	wkt2 := strings.HasSuffix(n.key, "CRS")
	angle := n.child("UNIT", "ANGLEUNIT")
	if angle == nil { // WKT2 may give it with each axis
		n.children(func(a *node) error {
			if u := a.child("ANGLEUNIT", "UNIT"); u != nil && angle == nil {
				angle = u
			}
			return nil
		}, "AXIS")
	}
	var err error
	if angle != nil {
		if s.angle, err = readUnit(angle, angles); err != nil {
			return nil, err
		}
		if s.angle.size > 1 {
			return nil, fmt.Errorf("unit %q is no angle", s.angle.name)
		}
	}
	if err := checkAxes(n, s.name); err != nil {
		return nil, err
	}
	d := n.child("DATUM", "GEODETICDATUM", "TRF", "ENSEMBLE")
	if d == nil {
		return nil, fmt.Errorf("%q lacks its DATUM", s.name)
	}
	el, err := readEllipsoid(d)
	if err != nil {
		return nil, err
	}
	p := n.child("PRIMEM", "PRIMEMERIDIAN")
	if p == nil {
		p = d.child("PRIMEM", "PRIMEMERIDIAN")
	}
	if p != nil {
		v, err := p.number(1)
		if err != nil {
			return nil, err
		}
		if u := p.child("ANGLEUNIT", "UNIT"); u != nil {
			au, err := readUnit(u, angles)
			if err != nil {
				return nil, err
			}
			v *= au.size / rad
		} else if wkt2 {
			v *= s.angle.size / rad
		}
		if !(math.Abs(v) <= 360) {
			return nil, fmt.Errorf("prime meridian %g is out of range", v)
		}
		s.prime = meridian{name: p.name(), deg: v}
		if k, ok := knownPrime(p.name(), v, s.angle); ok {
			s.prime = k
		}
	}
	if t := d.child("TOWGS84"); t != nil && shift == nil {
		v := make([]float64, len(t.args))
		for i := range v {
			if v[i], err = t.number(i); err != nil {
				return nil, err
			}
		}
		h, err := newHelmert(v)
		if err != nil {
			return nil, err
		}
		shift = &h
	}
	s.datum = findDatum(d, n, el, s.prime)
	if shift != nil && shift.null() && s.datum.code != 0 {
		shift = nil // many writers put zeros for "not known": the table knows better
	}
	if shift != nil && (s.datum.toWGS84 == nil || s.datum.toWGS84.arcsec != shift.arcsec) {
		own := *s.datum
		own.toWGS84, own.accuracyM, own.source, own.given = shift, 0, "", true
		s.datum = &own
	}
	return newSystem(*s)
}

func readEllipsoid(d *node) (ellipsoid, error) {
	e := d.child("SPHEROID", "ELLIPSOID")
	if e == nil {
		return ellipsoid{}, fmt.Errorf("datum %q lacks its ellipsoid", d.name())
	}
	el := ellipsoid{name: e.name(), epsg: e.code()}
	var err error
	if el.a, err = e.number(1); err != nil {
		return el, err
	}
	if el.invF, err = e.number(2); err != nil {
		return el, err
	}
	if u := e.child("LENGTHUNIT", "UNIT"); u != nil {
		lu, err := readUnit(u, lengths)
		if err != nil {
			return el, err
		}
		el.a *= lu.size
	}
	return el, nil
}

// findDatum returns the datum of the table that the text means, by code or
// name, or one of its own. A name whose ellipsoid is another's is not believed.
func findDatum(d, g *node, el ellipsoid, prime meridian) *datum {
	t := geographics()
	fits := func(s *System) bool {
		e := s.datum.ell
		return math.Abs(e.a-el.a) < 0.01 && math.Abs(e.f()-el.f()) < 1e-10
	}
	var best *System
	rank := 0
	consider := func(s *System, r int) {
		if s == nil || !fits(s) {
			return
		}
		if s.prime.deg == prime.deg {
			r += 8
		}
		if fold(s.name) == fold(g.name()) || fold(s.datum.esriSystem) == fold(g.name()) {
			r += 2
		}
		if r > rank {
			best, rank = s, r
		}
	}
	if c := d.code(); c != 0 {
		for _, s := range t.list {
			if s.datum.datumCode == c {
				consider(s, 4)
			}
		}
	}
	if c := g.code(); c != 0 {
		consider(t.byCode[c], 3)
		consider(t.solid[c], 3)
	}
	for _, s := range t.byName[fold(d.name())] {
		consider(s, 3)
	}
	for _, s := range t.byName[fold(g.name())] {
		consider(s, 1)
	}
	if best != nil {
		return best.datum
	}
	return &datum{
		system: g.name(), esriSystem: g.name(), name: d.name(), esri: d.name(), ell: el,
	}
}

// checkAxes refuses axes that point south or west.
func checkAxes(n *node, name string) error {
	return n.children(func(a *node) error {
		if len(a.args) < 2 || a.args[1].node != nil {
			return nil
		}
		switch dir := strings.ToLower(a.args[1].text); dir {
		case "south", "west", "geocentricx", "geocentricy", "geocentricz":
			return fmt.Errorf("%q has an axis that points %s, which is not handled: %s", name, dir, remedy)
		}
		return nil
	}, "AXIS")
}

// kinds of parameter by folded name, all dialects together.
var paramNames = map[string]func(string) wktParam{
	"latitudeoforigin": pLat0, "latitudeofcenter": pLat0, "latitudeofcentre": pLat0, "latitudeofnaturalorigin": pLat0,
	"latitudeoffalseorigin": pLat0, "latitudeofprojectioncentre": pLat0, "latitudeofprojectioncenter": pLat0,
	"centralmeridian": pLon0, "longitudeofcenter": pLon0, "longitudeofcentre": pLon0, "longitudeoforigin": pLon0, "longitudeofnaturalorigin": pLon0,
	"longitudeoffalseorigin": pLon0, "longitudeofprojectioncentre": pLon0, "longitudeofprojectioncenter": pLon0,
	"standardparallel1": pLat1, "latitudeof1ststandardparallel": pLat1, "pseudostandardparallel1": pLat1, "latitudeofpseudostandardparallel": pLat1,
	"standardparallel2": pLat2, "latitudeof2ndstandardparallel": pLat2,
	"scalefactor": pK0, "scalefactoratnaturalorigin": pK0, "scalefactoroninitialline": pK0, "scalefactoratprojectioncentre": pK0, "scalefactoronpseudostandardparallel": pK0, "ellipsoidscalingfactor": pK0,
	"falseeasting": pFE, "eastingatfalseorigin": pFE, "eastingatprojectioncentre": pFE,
	"falsenorthing": pFN, "northingatfalseorigin": pFN, "northingatprojectioncentre": pFN,
	"azimuth": pAzim, "azimuthofinitialline": pAzim, "azimuthatprojectioncentre": pAzim, "colatitudeofconeaxis": pAzim,
	"rectifiedgridangle": pRect, "anglefromrectifiedtoskewgrid": pRect, "xyplanerotation": pRect,
}

func readProjected(n *node, shift *helmert) (*System, error) {
	s := System{name: n.name()}
	wkt2 := n.key != "PROJCS"
	base := n.child("GEOGCS", "BASEGEOGCRS", "BASEGEODCRS", "GEOGCRS", "GEODCRS")
	if base == nil {
		return nil, fmt.Errorf("%q lacks the geographic system it is based on", s.name)
	}
	g, err := readGeographic(base, shift)
	if err != nil {
		return nil, err
	}
	s.datum, s.prime, s.angle = g.datum, g.prime, g.angle

	un := n.child("UNIT", "LENGTHUNIT")
	if un == nil {
		n.children(func(a *node) error {
			if u := a.child("LENGTHUNIT", "UNIT"); u != nil && un == nil {
				un = u
			}
			return nil
		}, "AXIS")
	}
	if un == nil {
		return nil, fmt.Errorf("%q lacks its UNIT: nobody can tell its feet from its metres", s.name)
	}
	if s.length, err = readUnit(un, lengths); err != nil {
		return nil, err
	}
	if err := checkAxes(n, s.name); err != nil {
		return nil, err
	}

	params, methodName := n, ""
	if c := n.child("CONVERSION"); c != nil {
		params = c
	} else if wkt2 {
		return nil, fmt.Errorf("%q lacks its CONVERSION", s.name)
	}
	m := params.child("PROJECTION", "METHOD")
	if m == nil {
		return nil, fmt.Errorf("%q lacks its projection method", s.name)
	}
	methodName = m.name()

	given := map[string]float64{}
	err = params.children(func(p *node) error {
		v, err := p.number(1)
		if err != nil {
			return err
		}
		name := fold(p.name())
		mk, ok := paramNames[name]
		if !ok {
			given[name] = v
			return nil
		}
		w := mk(name)
		u := p.child("UNIT", "LENGTHUNIT", "ANGLEUNIT", "SCALEUNIT")
		size := 0.0
		if u != nil {
			if size, err = u.number(1); err != nil {
				return err
			}
		}
		switch w.kind {
		case angleParam:
			a := s.angle
			if u != nil {
				a = snap(angles, "", size)
			}
			if a != degree && !(methodName == "Krovak" && name == "xyplanerotation") {
				v *= a.size / rad
			}
		case lengthParam:
			if u != nil {
				if l := snap(lengths, "", size); l != s.length {
					v *= l.size / s.length.size
				}
			}
		case scaleParam:
			if u != nil {
				v *= size
			}
		}
		*w.get(&s.conv) = v
		given[w.slot()] = v
		return nil
	}, "PARAMETER")
	if err != nil {
		return nil, err
	}
	if err := s.conv.choose(methodName, n, given); err != nil {
		return nil, fmt.Errorf("%q: %w", s.name, err)
	}
	sys, err := newSystem(s)
	if err != nil {
		return nil, err
	}
	return identify(sys, n.code()), nil
}

// slot names the place a parameter is kept in, whatever the dialect calls it.
func (w wktParam) slot() string {
	var c conversion
	p := w.get(&c)
	switch p {
	case &c.lat0:
		return "lat0"
	case &c.lon0:
		return "lon0"
	case &c.lat1:
		return "lat1"
	case &c.lat2:
		return "lat2"
	case &c.k0:
		return "k0"
	case &c.fe:
		return "fe"
	case &c.fn:
		return "fn"
	case &c.azimuth:
		return "azimuth"
	case &c.rectified:
		return "rectified"
	}
	return ""
}

// choose settles the method from its name and the parameters given, and
// refuses what the formulas do not cover.
func (c *conversion) choose(name string, n *node, given map[string]float64) error {
	has := func(slots ...string) bool {
		for _, s := range slots {
			if _, ok := given[s]; !ok {
				return false
			}
		}
		return true
	}
	if !has("k0") {
		c.k0 = 1
	}
	need := []string{"lat0", "lon0"}
	f := fold(name)
	switch f {
	case "transversemercator", "gausskruger", "transversemercatorcomplex":
		c.method = tmMethod
	case "lambertconformalconic", "lambertconformalconic1sp", "lambertconformalconic2sp", "lambertconicconformal1sp", "lambertconicconformal2sp", "lambertconicconformal1spvariantb", "lambertconicconformal2spmichigan":
		switch {
		case has("lat1", "lat2"):
			c.method = lcc2Method
		case has("lat1") && c.lat1 != c.lat0:
			c.method, c.lat2 = lcc2Method, c.lat1
		default:
			c.method, c.lat1 = lcc1Method, 0
			if !has("lat0") && has("lat1") {
				return errors.New("the parameter latitude of origin is missing")
			}
		}
		if strings.HasSuffix(f, "2sp") && c.method != lcc2Method {
			return errors.New("a standard parallel is missing")
		}
	case "albers", "albersconicequalarea", "albersequalarea", "albersequalareaconic":
		c.method = albersMethod
		need = append(need, "lat1", "lat2")
	case "lambertazimuthalequalarea":
		c.method = laeaMethod
	case "mercator", "mercator1sp", "mercator2sp", "mercatorvarianta", "mercatorvariantb":
		c.method = merc1Method
		need = []string{"lon0"}
		if c.lat0 != 0 {
			return fmt.Errorf("a Mercator map with latitude of origin %g is not handled: %s", c.lat0, remedy)
		}
		if has("lat1") && (f != "mercator" || c.lat1 != 0) {
			c.method = merc2Method
			if c.k0 != 1 {
				return fmt.Errorf("a Mercator map with both a standard parallel and a scale factor is not handled: %s", remedy)
			}
		}
		switch ext := n.proj4(); {
		case ext == "":
		case strings.Contains(ext, "+proj=merc") && strings.Contains(ext, "+a=6378137") && strings.Contains(ext, "+b=6378137") && !strings.Contains(ext, "+b=6378137."):
			c.method = webMercMethod // GDAL's WKT1 of Web Mercator
		}
	case "mercatorauxiliarysphere", "popularvisualisationpseudomercator":
		c.method = webMercMethod
		need = []string{"lon0"}
		if given["auxiliaryspheretype"] != 0 || c.lat1 != 0 || c.lat0 != 0 || c.k0 != 1 {
			return fmt.Errorf("this Mercator on an auxiliary sphere is not Web Mercator, and is not handled: %s", remedy)
		}
		delete(given, "auxiliaryspheretype")
	case "obliquestereographic", "doublestereographic":
		c.method = stereoMethod
	case "hotineobliquemercator", "hotineobliquemercatorvarianta", "hotineobliquemercatorazimuthnaturalorigin", "rectifiedskeworthomorphicnaturalorigin":
		c.method = hotineAMethod
		need = append(need, "azimuth")
	case "hotineobliquemercatorazimuthcenter", "hotineobliquemercatorvariantb", "obliquemercator", "rectifiedskeworthomorphiccenter":
		c.method = hotineBMethod
		need = append(need, "azimuth")
	case "swissobliquecylindrical", "swissobliquemercator":
		c.method, c.azimuth, c.rectified = hotineBMethod, 90, 90
		given["rectified"] = 90
	case "krovak", "krovaknorthorientated":
		c.method = krovakMethod
		need = append(need, "lat1", "azimuth", "k0")
		x, y, r := given["xscale"], given["yscale"], given["rectified"]
		esri := has("xscale") || has("yscale") || has("rectified")
		if esri && (x != -1 || y != 1 || r != 90) || f == "krovak" && !esri && n.key != "PROJCS" {
			return fmt.Errorf("a Krovak map with axes south and west is not handled: %s", remedy)
		}
		c.rectified = 0
		delete(given, "xscale")
		delete(given, "yscale")
	default:
		return fmt.Errorf("the projection method %q is not handled: reproject the layer first (ogr2ogr -t_srs EPSG:4326 OUT IN)", name)
	}
	for _, s := range need {
		if !has(s) {
			return fmt.Errorf("the parameter %s is missing", plainParam[s])
		}
	}
	if c.method == hotineAMethod || c.method == hotineBMethod {
		if !has("rectified") {
			c.rectified = c.azimuth // as ESRI's
		}
		if c.azimuth < 0 {
			c.azimuth += 360
		}
		if c.rectified < 0 {
			c.rectified += 360
		}
	}
	// Whatever else the text says and these formulas do not use would be ignored
	// in silence; a zero says nothing.
	used := "lat0 lon0 fe fn"
	switch c.method {
	case tmMethod, lcc1Method, stereoMethod:
		used += " k0"
	case lcc2Method:
		used += " lat1 lat2 k0"
	case albersMethod:
		used += " lat1 lat2"
	case merc1Method:
		used += " k0"
	case merc2Method:
		used += " lat1"
	case hotineAMethod, hotineBMethod:
		used += " azimuth rectified k0"
	case krovakMethod:
		used += " lat1 azimuth rectified k0"
	}
	for _, k := range slices.Sorted(maps.Keys(given)) {
		idle := given[k] == 0 || k == "k0" && given[k] == 1
		if !idle && !slices.Contains(strings.Fields(used), k) && !(k == "lat1" && c.method == lcc1Method) {
			if plain := plainParam[k]; plain != "" {
				k = plain
			}
			return fmt.Errorf("the parameter %q of the method %q is not handled: %s", k, name, remedy)
		}
	}
	return nil
}

var plainParam = map[string]string{
	"lat0": "latitude of origin", "lon0": "central meridian", "lat1": "first standard parallel", "lat2": "second standard parallel",
	"k0": "scale factor", "fe": "false easting", "fn": "false northing", "azimuth": "azimuth", "rectified": "rectified grid angle",
}

// proj4 returns the PROJ string that GDAL adds where WKT1 has no words.
func (n *node) proj4() string {
	if e := n.child("EXTENSION"); e != nil && len(e.args) == 2 && strings.EqualFold(e.name(), "PROJ4") {
		return e.args[1].text
	}
	return ""
}
