package crs

import "fmt"

// FromEPSG returns the system of an EPSG code.
func FromEPSG(code int) (*System, error) {
	switch {
	case code == 4326:
		return wgs84, nil
	case code >= 32601 && code <= 32660:
		return utm(datumWGS84, code, code-32600, false)
	case code >= 32701 && code <= 32760:
		return utm(datumWGS84, code, code-32700, true)
	}
	return nil, fmt.Errorf("EPSG:%d is not in the table of coordinate systems: reproject the layer first (ogr2ogr -t_srs EPSG:4326 OUT IN)", code)
}

func utm(d *datum, code, zone int, south bool) (*System, error) {
	c := conversion{method: tmMethod, lon0: float64(6*zone - 183), k0: 0.9996, fe: 500000}
	hemi := "N"
	if south {
		c.fn, hemi = 10000000, "S"
	}
	return newSystem(System{name: fmt.Sprintf("WGS 84 / UTM zone %d%s", zone, hemi), epsg: code, datum: d, length: metre, conv: c})
}
