package crs

import (
	"math"
	"testing"
)

// The plane goes there and back to within a micrometre, both as a copy of a
// projected layer and as a transverse Mercator of its own.
func TestPlaneRoundTrip(t *testing.T) {
	utm10, err := FromEPSG(32610)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		base *System
		x, y float64
	}{{WGS84(), -123.25, 49.26}, {utm10, 482000, 5456000}, {utm10, 700000, 5456000}} {
		p, err := NewPlane(c.base, c.x, c.y)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range []*System{WGS84(), utm10} {
			from, _, err := p.From(s)
			if err != nil {
				t.Fatal(err)
			}
			to, _, err := p.To(s)
			if err != nil {
				t.Fatal(err)
			}
			u := 1.0
			if s.Geographic() {
				u = 111e3
			}
			for _, d := range []float64{0, 10, 3000, 40000} {
				lon, lat, err := c.base.ToLonLat(c.x, c.y)
				if err != nil {
					t.Fatal(err)
				}
				x, y, err := s.FromLonLat(lon, lat)
				if err != nil {
					t.Fatal(err)
				}
				x, y = x+d/u, y-d/u
				q, err := from(x, y)
				if err != nil {
					t.Fatal(err)
				}
				gx, gy, err := to(q)
				if err != nil {
					t.Fatal(err)
				}
				if math.Hypot(gx-x, gy-y)*u > 1e-6 {
					t.Errorf("%s in the plane of %s: (%.9f, %.9f) came back as (%.9f, %.9f)", s.Name(), c.base.Name(), x, y, gx, gy)
				}
			}
		}
	}
}
