package crs

import (
	"errors"
	"fmt"
	"math"
)

// ErrSwapped is in the error of Plausible where latitude seems to stand before
// longitude.
var ErrSwapped = errors.New("look like latitude before longitude")

// southernmostTown: no street tree grows farther south, in degrees (Puerto
// Williams and its like lie at 55; Antarctica begins at 60).
const southernmostTown = -60

// Plausible tells whether a layer's extent can be what the system says: an
// error is a plain sentence with the remedy. It looks at the extent as a whole
// and lets it pass where any of it can lie in the system's area of use, so
// that one stray point does not condemn a layer; the stray point itself fails
// when it is converted.
func (s *System) Plausible(minX, minY, maxX, maxY float64) error {
	for _, v := range []float64{minX, minY, maxX, maxY} {
		if !finite(v) {
			return fmt.Errorf("the layer's extent (%g, %g to %g, %g) is not a number", minX, minY, maxX, maxY)
		}
	}
	if minX > maxX || minY > maxY {
		return fmt.Errorf("the layer has no extent: it holds no coordinates")
	}
	if s.Geographic() {
		return s.plausibleDegrees(minX, minY, maxX, maxY)
	}
	degrees := minX >= -180 && maxX <= 180 && minY >= -90 && maxY <= 90
	home := s.epsg == 0 && s.conv.fe == 0 && s.conv.fn == 0 // a site's own map may lie around 0, 0
	if degrees && !home {
		return fmt.Errorf("the values (%g, %g to %g, %g) are longitude and latitude, but the layer's coordinate system is the projected %q: if so, say --crs EPSG:4326, else reproject the layer", minX, minY, maxX, maxY, s.name)
	}
	// The extent in degrees, from a 5 x 5 grid on it.
	west, south, east, north := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	mid := s.conv.lon0 + s.prime.deg
	if s.area != (box{}) {
		mid = s.area.west + s.area.width()/2
	}
	for i := range 25 {
		x := minX + (maxX-minX)*float64(i%5)/4
		y := minY + (maxY-minY)*float64(i/5)/4
		lon, lat, err := s.ToLonLat(x, y)
		if err != nil {
			continue
		}
		lon = near(lon, mid)
		west, east = min(west, lon), max(east, lon)
		south, north = min(south, lat), max(north, lat)
	}
	if west > east {
		return fmt.Errorf("the values (%g, %g to %g, %g) lie outside the layer's coordinate system %q: say which it is with --crs", minX, minY, maxX, maxY, s.name)
	}
	use := s.area
	margin := 0.0 // degrees beyond the one of touches: feet read as metres must show
	if use == (box{}) {
		r := methods[s.conv.method].reachDeg
		use = box{mid - r, -90, mid + r, 90}
		if s.conv.method != webMercMethod && s.conv.method != merc1Method && s.conv.method != merc2Method {
			use.south, use.north = s.middleLat()-r, s.middleLat()+r
		}
	} else if s.conv.method == tmMethod && s.conv.k0 == 0.9996 {
		margin = 2 // neighbouring UTM zones are often kept in one
	}
	if !use.grown(margin).touches(west, south, east, north) {
		return fmt.Errorf("the values (%g, %g to %g, %g) in the coordinate system %q would lie at longitude %.2f, latitude %.2f, far outside of where it is used (%.1f to %.1f, %.1f to %.1f): is it the layer's own, and in its unit (%s)? Say which it is with --crs",
			minX, minY, maxX, maxY, s.name, (west+east)/2, (south+north)/2, use.west, use.east, use.south, use.north, s.length.name)
	}
	return nil
}

func (s *System) middleLat() float64 {
	switch s.conv.method {
	case lcc2Method, albersMethod:
		return (s.conv.lat1 + s.conv.lat2) / 2
	}
	return s.conv.lat0
}

func (s *System) plausibleDegrees(minX, minY, maxX, maxY float64) error {
	k := s.angle.size / rad
	w, so, e, n := minX*k+s.prime.deg, minY*k, maxX*k+s.prime.deg, maxY*k
	switch {
	case n < southernmostTown && so >= -360 && w >= -90 && e <= 90 && (s.area == (box{}) || s.area.width() >= 360 || !s.area.touches(w, so, e, n)):
		return fmt.Errorf("the values (%g, %g to %g, %g) %w: x must be the longitude; swap them at the export", minX, minY, maxX, maxY, ErrSwapped)
	case w >= -360 && e <= 360 && so >= -90 && n <= 90:
		if s.area == (box{}) || s.area.touches(w, so, e, n) {
			return nil
		}
		if s.area.touches(minY*k+s.prime.deg, minX*k, maxY*k+s.prime.deg, maxX*k) {
			return fmt.Errorf("the values (%g, %g to %g, %g) %w in %q: x must be the longitude; swap them at the export", minX, minY, maxX, maxY, ErrSwapped, s.name)
		}
		return fmt.Errorf("the values (%g, %g to %g, %g) lie far outside of where %q is used (%.1f to %.1f, %.1f to %.1f): say which coordinate system the layer has with --crs", minX, minY, maxX, maxY, s.name, s.area.west, s.area.east, s.area.south, s.area.north)
	case w >= -90 && e <= 90 && so >= -360 && n <= 360:
		return fmt.Errorf("the values (%g, %g to %g, %g) %w: x must be the longitude; swap them at the export", minX, minY, maxX, maxY, ErrSwapped)
	case w > 360 || e < -360 || so > 90 || n < -90:
		return fmt.Errorf("the values (%g, %g to %g, %g) are no degrees, but the layer's coordinate system is %q (longitude, latitude): say in which projected one it is with --crs (for example --crs EPSG:2263)", minX, minY, maxX, maxY, s.name)
	}
	return nil // stray points among others
}

// grown returns b with so many degrees more on every side.
func (b box) grown(by float64) box {
	if b.width()+2*by >= 360 {
		return box{-180, b.south - by, 180, b.north + by}
	}
	return box{b.west - by, b.south - by, b.east + by, b.north + by}
}

// width is the box's extent in longitude.
func (b box) width() float64 {
	if b.west > b.east {
		return b.east - b.west + 360
	}
	return b.east - b.west
}

// touches tells whether a box of longitudes and latitudes meets b, give or take
// a degree at the edge.
func (b box) touches(west, south, east, north float64) bool {
	mid, half := b.west+b.width()/2, b.width()/2+1
	w := near(west, mid)
	e := w + (east - west)
	return (half >= 180 || w <= mid+half && e >= mid-half || e >= mid+360-half) && south <= b.north+1 && north >= b.south-1
}

// Beside returns x, in a system of longitudes by whole turns, within half a turn
// of by: what lies together stays together where the antimeridian crosses it.
func (s *System) Beside(x, by float64) float64 {
	if s.proj != nil || !finite(x) || !finite(by) {
		return x
	}
	turn := 360 * rad / s.angle.size
	if math.Abs(x-by) <= turn/2 {
		return x
	}
	return x - turn*math.Round((x-by)/turn)
}

// near returns lon, by whole turns, within half a turn of mid.
func near(lon, mid float64) float64 { return mid + math.Remainder(lon-mid, 360) }
