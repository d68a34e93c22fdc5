package crs

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"fmt"
	"strconv"
	"strings"
	"sync"
)

// The tables are made by scripts/crs-reference from the EPSG dataset; every row
// names its source. Besides them, UTM zones on WGS 84, NAD83 and ETRS89 come by
// formula (epsg.go).

//go:embed geographic.csv
var geographicCSV []byte

//go:embed projected.csv
var projectedCSV []byte

// box is an area of use in degrees; west > east where it spans the date line.
type box struct{ west, south, east, north float64 }

type geographicTable struct {
	list   []*System
	byCode map[int]*System
	solid  map[int]*System      // by code of the 3D system
	byName map[string][]*System // by folded name of datum or system, any dialect
}

type projectedTable struct {
	list   []*projectedRow
	byCode map[int]*projectedRow
	byName map[string][]*projectedRow // by folded name, any dialect
}

// projectedRow is a row of projected.csv, its projection not yet set up.
type projectedRow struct {
	System
	source string
}

var geographics = sync.OnceValue(func() *geographicTable {
	t := &geographicTable{byCode: map[int]*System{}, solid: map[int]*System{}, byName: map[string][]*System{}}
	for r := range rows("geographic.csv", geographicCSV) {
		d := &datum{
			code: r.int("code"), datumCode: r.int("datum_code"),
			system: r.text("name"), esriSystem: r.text("esri"),
			name: wkt1DatumName(r.text("datum")), epsg: r.text("datum"), esri: r.text("esri_datum"),
			ell:    ellipsoid{r.text("ellipsoid"), r.int("ellipsoid_code"), r.num("a"), r.num("inv_f")},
			source: r.text("source"),
		}
		if d.esri == "" {
			d.esri = "D_" + d.name
		}
		if d.esriSystem == "" {
			d.esriSystem = "GCS_" + wkt1DatumName(d.system)
		}
		if sh := r.text("shift"); sh != "" {
			d.toWGS84 = new(helmert)
			*d.toWGS84, _ = newHelmert(floats(sh))
			d.accuracyM = r.num("accuracy_m")
		}
		s := &System{
			name: d.system, epsg: d.code, datum: d,
			prime: meridian{r.text("prime"), r.int("prime_code"), r.num("prime_deg")},
			angle: degree, turned: r.text("axes") != "", area: r.box(),
		}
		if r.text("angle") == "grad" {
			s.angle = grad
		}
		t.list = append(t.list, s)
		t.byCode[d.code] = s
		if c := r.int("code_3d"); c != 0 {
			t.solid[c] = s
		}
		for _, n := range []string{r.text("datum"), d.name, d.esri, d.esriSystem, d.system} {
			t.byName[fold(n)] = append(t.byName[fold(n)], s)
		}
	}
	for name, code := range datumNames {
		t.byName[fold(name)] = append(t.byName[fold(name)], t.byCode[code])
	}
	return t
})

// datumNames are other spellings met in files.
var datumNames = map[string]int{
	"WGS_1984": 4326, "WGS84": 4326, "WGS_84": 4326, "World Geodetic System 1984": 4326,
	"NAD83": 4269, "NAD_1983": 4269, "NAD27": 4267,
	"ETRS89": 4258, "ETRF89": 4258, "European Terrestrial Reference System 1989": 4258, "European_Reference_System_1989": 4258,
	"OSGB_1936": 4277, "D_OSGB_1936": 4277, "Airy_1830_OSGB36": 4277,
	"NAD83_HARN": 4152, "NAD_1983_HARN": 4152, "D_North_American_1983_HARN": 4152,
	"NAD83_NSRS2007": 4759, "NAD83_2011": 6318, "NAD_1983_2011": 6318,
	"NAD83_CSRS": 4617, "NAD83_Canadian_Spatial_Reference_System": 4617, "D_North_American_1983_CSRS": 4617, "D_North_American_1983_CSRS98": 4617,
	"GDA94": 4283, "GDA1994": 4283, "GDA2020": 7844,
	"Reseau_Geodesique_Francais_1993": 4171, "RGF93": 4171,
	"CH1903plus": 4150, "D_CH1903_LV95": 4150,
}

var projecteds = sync.OnceValue(func() *projectedTable {
	t := &projectedTable{byCode: map[int]*projectedRow{}, byName: map[string][]*projectedRow{}}
	keys := map[string]method{}
	for m, row := range methods {
		keys[row.key] = method(m)
	}
	for r := range rows("projected.csv", projectedCSV) {
		g := geographics().byCode[r.int("geographic")]
		p := &projectedRow{source: r.text("source")}
		p.System = System{
			name: r.text("name"), esri: r.text("esri"), epsg: r.int("code"), datum: g.datum, prime: g.prime, angle: g.angle, area: r.box(),
			length: lengthByCode(r.int("unit")), turned: r.text("axes") != "",
			conv: conversion{
				method: keys[r.text("method")],
				lat0:   r.num("lat0"), lon0: r.num("lon0"), lat1: r.num("lat1"), lat2: r.num("lat2"), k0: 1,
				fe: r.num("fe"), fn: r.num("fn"), azimuth: r.num("azimuth"), rectified: r.num("rectified"),
			},
		}
		if r.text("k0") != "" {
			p.conv.k0 = r.num("k0")
		}
		t.list = append(t.list, p)
		t.byCode[p.epsg] = p
		t.byName[fold(p.name)] = append(t.byName[fold(p.name)], p)
		if p.esri != "" && fold(p.esri) != fold(p.name) {
			t.byName[fold(p.esri)] = append(t.byName[fold(p.esri)], p)
		}
	}
	return t
})

func lengthByCode(code int) unit {
	for _, u := range lengths {
		if u.epsg == code {
			return u
		}
	}
	panic(fmt.Sprintf("projected.csv: unit %d is not in unit.go", code))
}

// record is a row of an embedded table by column name.
type record struct {
	file  string
	line  int
	cols  map[string]int
	cells []string
}

// rows reads an embedded table. A bad table is a bad build: it panics, and the
// tests read every row.
func rows(file string, data []byte) func(yield func(record) bool) {
	return func(yield func(record) bool) {
		r := csv.NewReader(bytes.NewReader(data))
		r.Comment = '#'
		r.ReuseRecord = true
		head, err := r.Read()
		if err != nil {
			panic(file + ": " + err.Error())
		}
		cols := map[string]int{}
		for i, h := range head {
			cols[h] = i
		}
		for n := 1; ; n++ {
			cells, err := r.Read()
			if cells == nil {
				return
			}
			if err != nil {
				panic(file + ": " + err.Error())
			}
			if !yield(record{file, n, cols, cells}) {
				return
			}
		}
	}
}

func (r record) text(col string) string {
	i, ok := r.cols[col]
	if !ok {
		panic(r.file + ": no column " + col)
	}
	return r.cells[i]
}

func (r record) num(col string) float64 {
	t := r.text(col)
	if t == "" {
		return 0
	}
	v, err := strconv.ParseFloat(t, 64)
	if err != nil {
		panic(fmt.Sprintf("%s: row %d: %s: %v", r.file, r.line, col, err))
	}
	return v
}

func (r record) int(col string) int { return int(r.num(col)) }

func (r record) box() box {
	return box{r.num("west"), r.num("south"), r.num("east"), r.num("north")}
}

func floats(text string) []float64 {
	var v []float64
	for f := range strings.FieldsSeq(text) {
		x, err := strconv.ParseFloat(f, 64)
		if err != nil {
			panic("geographic.csv: shift: " + err.Error())
		}
		v = append(v, x)
	}
	return v
}

// fold brings the spellings of a name together: letters and digits only, in
// lower case, without ESRI's D_ and GCS_ and EPSG's "ensemble". The plus of
// CH1903+ stays, since CH1903 is another datum.
func fold(name string) string {
	n := strings.ToLower(name)
	n = strings.TrimSuffix(n, " ensemble")
	n = strings.TrimSuffix(n, " (ensemble)")
	n = strings.TrimPrefix(strings.TrimPrefix(n, "d_"), "gcs_")
	var b strings.Builder
	for _, r := range n {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '+' || r > 127 {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// wkt1DatumName spells an EPSG datum name as WKT1 does: underscores for all
// that is neither letter nor digit.
func wkt1DatumName(name string) string {
	if strings.HasPrefix(name, "World Geodetic System 1984") {
		return "WGS_1984"
	}
	name = strings.TrimSuffix(name, " ensemble")
	var b strings.Builder
	gap := false
	for _, r := range name {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '+' || r == '-' {
			if gap && b.Len() > 0 {
				b.WriteByte('_')
			}
			gap = false
			b.WriteRune(r)
		} else {
			gap = true
		}
	}
	return b.String()
}
