package crs

import (
	"strconv"
	"strings"
)

// wktWriter writes WKT1 in GDAL's or ESRI's manner.
type wktWriter struct {
	strings.Builder
	esri bool
}

func (w *wktWriter) num(v float64) {
	t := strconv.FormatFloat(v, 'f', -1, 64)
	if w.esri && !strings.Contains(t, ".") {
		t += ".0"
	}
	w.WriteString(t)
}

func (w *wktWriter) item(key, name string, v ...float64) {
	w.WriteString(key)
	w.WriteString("[\"")
	w.WriteString(strings.ReplaceAll(name, `"`, `""`))
	w.WriteByte('"')
	for _, x := range v {
		w.WriteByte(',')
		w.num(x)
	}
}

func (w *wktWriter) authority(code int) {
	if code != 0 && !w.esri {
		w.WriteString(`,AUTHORITY["EPSG","` + strconv.Itoa(code) + `"]`)
	}
}

// WKT returns the system as OGC WKT1 (OGC 01-009) as GDAL spells it, which is
// what the rows of gpkg_spatial_ref_sys hold. Without AXIS: x is east.
func (s *System) WKT() string {
	w := &wktWriter{}
	s.write(w)
	return w.String()
}

// ESRI returns the system as the text of a .prj.
func (s *System) ESRI() string {
	w := &wktWriter{esri: true}
	s.write(w)
	return w.String()
}

func (s *System) write(w *wktWriter) {
	if s.Geographic() {
		s.writeGeographic(w, s.epsg)
		return
	}
	row := &methods[s.conv.method]
	name, method, params := s.name, row.ogc, row.ogcP
	if w.esri {
		name, method, params = s.esri, row.esri, row.esriP
		if name == "" {
			name = esriName(s.name)
		}
	}
	w.item("PROJCS", name)
	w.WriteByte(',')
	code := s.datum.code
	if g := geographics().byCode[code]; g != nil && (g.angle != s.angle || g.prime != s.prime) {
		code = 0
	}
	s.writeGeographic(w, code)
	w.WriteByte(',')
	c := s.conv
	if w.esri && c.rectified != c.azimuth {
		switch c.method {
		case hotineAMethod:
			method = "Rectified_Skew_Orthomorphic_Natural_Origin"
		case hotineBMethod:
			method = "Rectified_Skew_Orthomorphic_Center"
		}
	}
	w.item("PROJECTION", method)
	w.WriteByte(']')
	if c.method == lcc2Method && c.k0 != 1 {
		params = with(params, pK0(map[bool]string{false: "scale_factor", true: "Scale_Factor"}[w.esri]))
	}
	if w.esri && c.method == merc1Method {
		params = with(esriFalse, pLon0("Central_Meridian"), pK0("Scale_Factor"))
		if c.k0 == 1 {
			params = with(esriFalse, pLon0("Central_Meridian"), fixed("Standard_Parallel_1", angleParam, 0))
		}
	}
	if w.esri && c.rectified != c.azimuth && (c.method == hotineAMethod || c.method == hotineBMethod) {
		params = with(params, pRect("XY_Plane_Rotation"))
	}
	for _, p := range params {
		v := *p.get(&c)
		if p.kind == angleParam && s.angle != degree {
			v *= rad / s.angle.size
		}
		w.WriteByte(',')
		w.item("PARAMETER", p.name, v)
		w.WriteByte(']')
	}
	w.WriteByte(',')
	un := s.length.name
	if w.esri {
		un = s.length.esri
	}
	w.item("UNIT", un, s.length.size)
	w.authority(s.length.epsg)
	w.WriteByte(']')
	if c.method == webMercMethod && !w.esri {
		w.WriteString(`,EXTENSION["PROJ4","+proj=merc +a=6378137 +b=6378137 +lat_ts=0 +lon_0=` + strconv.FormatFloat(c.lon0, 'f', -1, 64) +
			` +x_0=` + strconv.FormatFloat(c.fe, 'f', -1, 64) + ` +y_0=` + strconv.FormatFloat(c.fn, 'f', -1, 64) +
			` +k=1 +units=m +nadgrids=@null +wktext +no_defs"]`)
	}
	w.authority(s.epsg)
	w.WriteByte(']')
}

func (s *System) writeGeographic(w *wktWriter, code int) {
	d := s.datum
	name, datumName, ellName, unitName := d.system, d.name, d.ell.name, s.angle.name
	if s.Geographic() {
		name = s.name
	}
	if w.esri {
		name, datumName, ellName, unitName = d.esriSystem, d.esri, esriName(ellName), s.angle.esri
	}
	w.item("GEOGCS", name)
	w.WriteByte(',')
	w.item("DATUM", datumName)
	w.WriteByte(',')
	w.item("SPHEROID", ellName, d.ell.a, d.ell.invF)
	w.authority(d.ell.epsg)
	w.WriteByte(']')
	if d.given && !w.esri {
		w.WriteString(",TOWGS84[")
		for i, v := range d.toWGS84.arcsec {
			if i > 0 {
				w.WriteByte(',')
			}
			w.num(v)
		}
		w.WriteByte(']')
	}
	w.authority(d.datumCode)
	w.WriteString("],")
	w.item("PRIMEM", s.prime.name, s.prime.deg)
	w.authority(s.prime.epsg)
	w.WriteString("],")
	w.item("UNIT", unitName, s.angle.size)
	w.authority(s.angle.epsg)
	w.WriteByte(']')
	w.authority(code)
	w.WriteByte(']')
}

// esriName spells a name as ESRI does: words joined by underscores.
func esriName(name string) string {
	var b strings.Builder
	gap := false
	for _, r := range name {
		switch {
		case r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '+' || r == '-' || r == '.' || r > 127:
			if gap && b.Len() > 0 {
				b.WriteByte('_')
			}
			gap = false
			b.WriteRune(r)
		default:
			gap = true
		}
	}
	return b.String()
}
