package crs

import (
	"math"
	"strings"
)

// A unit is a name as OGC WKT1 spells it and the size in metres (lengths) or
// radians (angles).
type unit struct {
	name string
	size float64
	epsg int
	esri string // the name in an ESRI .prj
}

// The units of the EPSG dataset (v10.076, unit_of_measure) that coordinate
// systems of towns are given in. The US survey foot is 1200/3937 m exactly (US
// Metric Law of 1866 as kept by the 1959 refinement of the yard), two parts in
// a million longer than the international foot: 1.2 m at 2,000,000 ft.
var (
	metre  = unit{"metre", 1, 9001, "Meter"}
	usFoot = unit{"US survey foot", 1200.0 / 3937.0, 9003, "Foot_US"}
	foot   = unit{"foot", 0.3048, 9002, "Foot"}

	degree = unit{"degree", math.Pi / 180, 9122, "Degree"}
	grad   = unit{"grad", math.Pi / 200, 9105, "Grad"}
	radian = unit{"radian", 1, 9101, "Radian"}
)

var lengths = []unit{
	metre, usFoot, foot,
	{"kilometre", 1000, 9036, "Kilometer"},
	{"Clarke's foot", 0.3047972654, 9005, "Foot_Clarke"},
	{"Clarke's yard", 0.9143917962, 9037, "Yard_Clarke"},
	{"Clarke's link", 0.201166195164, 9039, "Link_Clarke"},
	{"Gold Coast foot", 6378300.0 / 20926201, 9094, "Foot_Gold_Coast"},
	{"Indian yard", 36.0 / 39.370142, 9084, "Yard_Indian"},
	{"British yard (Sears 1922)", 36.0 / 39.370147, 9040, "Yard_Sears"},
	{"British foot (Sears 1922)", 12.0 / 39.370147, 9041, "Foot_Sears"},
	{"British chain (Sears 1922)", 792.0 / 39.370147, 9042, "Chain_Sears"},
	{"British chain (Sears 1922 truncated)", 20.116756, 9301, "Chain_Sears_1922_Truncated"},
	{"German legal metre", 1.0000135965, 9031, "Meter_German"},
	{"link", 0.201168, 9098, "Link"},
	{"yard", 0.9144, 9096, "Yard"},
}

var angles = []unit{degree, grad, radian}

// snap returns the known unit of the same size, if the size given is that
// size as far as a careless writer's digits go (parts in ten million: the two
// feet are twenty times that apart), else a unit of the given name and size.
func snap(known []unit, name string, size float64) unit {
	for _, u := range known {
		if math.Abs(size-u.size) <= 1e-7*u.size {
			return u
		}
	}
	return unit{name: name, size: size, esri: strings.ReplaceAll(name, " ", "_")}
}
