package crs

import (
	"fmt"
	"math"
)

type method int

const (
	_ method = iota
	tmMethod
	lcc1Method
	lcc2Method
	albersMethod
	laeaMethod
	merc1Method
	merc2Method
	webMercMethod
	stereoMethod
	hotineAMethod
	hotineBMethod
	krovakMethod
)

// methodRow is what the dialects of WKT1 call a method and its parameters when
// we write them (choose, in wktread.go, knows all that are read). reachDeg is how far from the origin, in degrees of longitude
// and of latitude, its maps are drawn.
type methodRow struct {
	key   string // in projected.csv
	plain string
	ogc   string // PROJECTION of OGC WKT1 as GDAL spells it
	esri  string // PROJECTION of an ESRI .prj
	ogcP  []wktParam
	esriP []wktParam

	reachDeg float64
}

// wktParam is the name of a parameter and where it is kept.
type wktParam struct {
	name string
	kind paramKind
	get  func(*conversion) *float64
}

type paramKind int

const (
	angleParam paramKind = iota
	lengthParam
	scaleParam
)

func pLat0(n string) wktParam {
	return wktParam{n, angleParam, func(c *conversion) *float64 { return &c.lat0 }}
}
func pLon0(n string) wktParam {
	return wktParam{n, angleParam, func(c *conversion) *float64 { return &c.lon0 }}
}
func pLat1(n string) wktParam {
	return wktParam{n, angleParam, func(c *conversion) *float64 { return &c.lat1 }}
}
func pLat2(n string) wktParam {
	return wktParam{n, angleParam, func(c *conversion) *float64 { return &c.lat2 }}
}
func pAzim(n string) wktParam {
	return wktParam{n, angleParam, func(c *conversion) *float64 { return &c.azimuth }}
}
func pRect(n string) wktParam {
	return wktParam{n, angleParam, func(c *conversion) *float64 { return &c.rectified }}
}
func pK0(n string) wktParam {
	return wktParam{n, scaleParam, func(c *conversion) *float64 { return &c.k0 }}
}
func pFE(n string) wktParam {
	return wktParam{n, lengthParam, func(c *conversion) *float64 { return &c.fe }}
}
func pFN(n string) wktParam {
	return wktParam{n, lengthParam, func(c *conversion) *float64 { return &c.fn }}
}

func fixed(n string, kind paramKind, v float64) wktParam {
	return wktParam{n, kind, func(*conversion) *float64 { return &v }}
}

var (
	ogcFalse  = []wktParam{pFE("false_easting"), pFN("false_northing")}
	esriFalse = []wktParam{pFE("False_Easting"), pFN("False_Northing")}
)

func with(p []wktParam, q ...wktParam) []wktParam { return append(p[:len(p):len(p)], q...) }

var methods = [...]methodRow{
	tmMethod: {
		key: "tm", plain: "transverse Mercator", ogc: "Transverse_Mercator", esri: "Transverse_Mercator",
		ogcP:     append([]wktParam{pLat0("latitude_of_origin"), pLon0("central_meridian"), pK0("scale_factor")}, ogcFalse...),
		esriP:    with(esriFalse, pLon0("Central_Meridian"), pK0("Scale_Factor"), pLat0("Latitude_Of_Origin")),
		reachDeg: 20,
	},
	lcc1Method: {
		key: "lcc1", plain: "Lambert conformal conic with one parallel", ogc: "Lambert_Conformal_Conic_1SP", esri: "Lambert_Conformal_Conic",
		ogcP:     append([]wktParam{pLat0("latitude_of_origin"), pLon0("central_meridian"), pK0("scale_factor")}, ogcFalse...),
		esriP:    with(esriFalse, pLon0("Central_Meridian"), pLat0("Standard_Parallel_1"), pK0("Scale_Factor"), pLat0("Latitude_Of_Origin")),
		reachDeg: 60,
	},
	lcc2Method: {
		key: "lcc2", plain: "Lambert conformal conic with two parallels", ogc: "Lambert_Conformal_Conic_2SP", esri: "Lambert_Conformal_Conic",
		ogcP:     append([]wktParam{pLat0("latitude_of_origin"), pLon0("central_meridian"), pLat1("standard_parallel_1"), pLat2("standard_parallel_2")}, ogcFalse...),
		esriP:    with(esriFalse, pLon0("Central_Meridian"), pLat1("Standard_Parallel_1"), pLat2("Standard_Parallel_2"), pLat0("Latitude_Of_Origin")),
		reachDeg: 90,
	},
	albersMethod: {
		key: "albers", plain: "Albers equal-area conic", ogc: "Albers_Conic_Equal_Area", esri: "Albers",
		ogcP:     append([]wktParam{pLat0("latitude_of_center"), pLon0("longitude_of_center"), pLat1("standard_parallel_1"), pLat2("standard_parallel_2")}, ogcFalse...),
		esriP:    with(esriFalse, pLon0("Central_Meridian"), pLat1("Standard_Parallel_1"), pLat2("Standard_Parallel_2"), pLat0("Latitude_Of_Origin")),
		reachDeg: 90,
	},
	laeaMethod: {
		key: "laea", plain: "Lambert azimuthal equal-area", ogc: "Lambert_Azimuthal_Equal_Area", esri: "Lambert_Azimuthal_Equal_Area",
		ogcP:     append([]wktParam{pLat0("latitude_of_center"), pLon0("longitude_of_center")}, ogcFalse...),
		esriP:    with(esriFalse, pLon0("Central_Meridian"), pLat0("Latitude_Of_Origin")),
		reachDeg: 90,
	},
	merc1Method: {
		key: "merc1", plain: "Mercator", ogc: "Mercator_1SP", esri: "Mercator",
		ogcP:     append([]wktParam{pLon0("central_meridian"), pK0("scale_factor")}, ogcFalse...),
		reachDeg: 360,
	},
	merc2Method: {
		key: "merc2", plain: "Mercator with a standard parallel", ogc: "Mercator_2SP", esri: "Mercator",
		ogcP:     append([]wktParam{pLat1("standard_parallel_1"), pLon0("central_meridian")}, ogcFalse...),
		esriP:    with(esriFalse, pLon0("Central_Meridian"), pLat1("Standard_Parallel_1")),
		reachDeg: 360,
	},
	webMercMethod: {
		key: "webmerc", plain: "Web Mercator", ogc: "Mercator_1SP", esri: "Mercator_Auxiliary_Sphere",
		ogcP:     append([]wktParam{pLon0("central_meridian"), fixed("scale_factor", scaleParam, 1)}, ogcFalse...),
		esriP:    with(esriFalse, pLon0("Central_Meridian"), fixed("Standard_Parallel_1", angleParam, 0), fixed("Auxiliary_Sphere_Type", scaleParam, 0)),
		reachDeg: 360,
	},
	stereoMethod: {
		key: "stereo", plain: "oblique stereographic", ogc: "Oblique_Stereographic", esri: "Double_Stereographic",
		ogcP:     append([]wktParam{pLat0("latitude_of_origin"), pLon0("central_meridian"), pK0("scale_factor")}, ogcFalse...),
		esriP:    with(esriFalse, pLon0("Central_Meridian"), pK0("Scale_Factor"), pLat0("Latitude_Of_Origin")),
		reachDeg: 30,
	},
	hotineAMethod: {
		key: "hotineA", plain: "Hotine oblique Mercator (variant A)", ogc: "Hotine_Oblique_Mercator", esri: "Hotine_Oblique_Mercator_Azimuth_Natural_Origin",
		ogcP:     append([]wktParam{pLat0("latitude_of_center"), pLon0("longitude_of_center"), pAzim("azimuth"), pRect("rectified_grid_angle"), pK0("scale_factor")}, ogcFalse...),
		esriP:    with(esriFalse, pK0("Scale_Factor"), pAzim("Azimuth"), pLon0("Longitude_Of_Center"), pLat0("Latitude_Of_Center")),
		reachDeg: 30,
	},
	hotineBMethod: {
		key: "hotineB", plain: "Hotine oblique Mercator (variant B)", ogc: "Hotine_Oblique_Mercator_Azimuth_Center", esri: "Hotine_Oblique_Mercator_Azimuth_Center",
		ogcP:     append([]wktParam{pLat0("latitude_of_center"), pLon0("longitude_of_center"), pAzim("azimuth"), pRect("rectified_grid_angle"), pK0("scale_factor")}, ogcFalse...),
		esriP:    with(esriFalse, pK0("Scale_Factor"), pAzim("Azimuth"), pLon0("Longitude_Of_Center"), pLat0("Latitude_Of_Center")),
		reachDeg: 30,
	},
	krovakMethod: {
		key: "krovak", plain: "Krovak, east and north", ogc: "Krovak", esri: "Krovak",
		ogcP: append([]wktParam{pLat0("latitude_of_center"), pLon0("longitude_of_center"), pAzim("azimuth"), pLat1("pseudo_standard_parallel_1"), pK0("scale_factor")}, ogcFalse...),
		esriP: with(esriFalse, pLat1("Pseudo_Standard_Parallel_1"), pK0("Scale_Factor"), pAzim("Azimuth"), pLon0("Longitude_Of_Center"), pLat0("Latitude_Of_Center"),
			fixed("X_Scale", scaleParam, -1), fixed("Y_Scale", scaleParam, 1), fixed("XY_Plane_Rotation", angleParam, 90)),
		reachDeg: 20,
	},
}

// check refuses parameters that no map has.
func (c *conversion) check() error {
	for _, v := range []struct {
		name  string
		v     float64
		limit float64
	}{
		{"latitude of origin", c.lat0, 90}, {"first standard parallel", c.lat1, 90}, {"second standard parallel", c.lat2, 90},
		{"central meridian", c.lon0, 360}, {"azimuth", c.azimuth, 360}, {"rectified grid angle", c.rectified, 720},
		{"false easting", c.fe, 1e9}, {"false northing", c.fn, 1e9},
	} {
		if !(math.Abs(v.v) <= v.limit) {
			return fmt.Errorf("%s %g is out of range", v.name, v.v)
		}
	}
	if !(c.k0 > 0.1 && c.k0 < 10) {
		return fmt.Errorf("scale factor %g is out of range", c.k0)
	}
	return nil
}

// project sets up the projection of c on the ellipsoid.
func (c *conversion) project(el ellipsoid) (projection, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	lat0, lat1, lat2 := c.lat0*rad, c.lat1*rad, c.lat2*rad
	switch c.method {
	case tmMethod:
		return newTransverseMercator(el, lat0, c.k0), nil
	case lcc1Method:
		return newLambert(el, lat0, lat0, lat0, c.k0)
	case lcc2Method:
		return newLambert(el, lat0, lat1, lat2, c.k0)
	case albersMethod:
		return newAlbers(el, lat0, lat1, lat2)
	case laeaMethod:
		return newLambertAzimuthal(el, lat0)
	case merc1Method:
		return newMercator(el, c.k0), nil
	case merc2Method:
		s, cos := math.Sincos(lat1)
		return newMercator(el, cos/math.Sqrt(1-el.e2()*s*s)), nil
	case webMercMethod:
		return newMercator(ellipsoid{a: el.a}, 1), nil
	case stereoMethod:
		return newStereographic(el, lat0, c.k0)
	case hotineAMethod, hotineBMethod:
		return newObliqueMercator(el, lat0, c.azimuth*rad, c.rectified*rad, c.k0, c.method == hotineBMethod)
	case krovakMethod:
		return newKrovak(el, lat0, c.azimuth*rad, lat1, c.k0)
	}
	return nil, fmt.Errorf("projection method %d has no formulas", c.method)
}
