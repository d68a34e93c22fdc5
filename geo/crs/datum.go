package crs

import "errors"

type datum struct {
	name string
	ell  ellipsoid
}

var datumWGS84 = &datum{"WGS_1984", ellipsoid{"WGS 84", 7030, 6378137, 298.257223563}}

// Shift tells how numbers of one datum are taken for another's.
func Shift(from, to *System) (note string, err error) {
	if from.datum == to.datum {
		return "", nil
	}
	return "", errors.New("datum shift is not known")
}

// shifter returns the shift of longitude and latitude from one datum to the
// other, nil for none.
func shifter(from, to *System) (func(lon, lat float64) (float64, float64), string, error) {
	note, err := Shift(from, to)
	return nil, note, err
}
