package main

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/soil"
)

// soilField is one thing that is read of a soil polygon.
type soilField uint8

const (
	slDepth soilField = iota
	slTexture
	slSand
	slSilt
	slClay
	slDensity
	slWater
	soilFields
)

// soilTable is what --soil-field maps. Beside the plain names stand those of
// the US soil survey's published tables, with the units of their description
// (from memory).
var soilTable = [soilFields]mapping{
	slDepth: {name: "depth", doc: "depth to a layer that stops roots", of: ofLength, unit: "m", us: "in", perBase: 1, low: 0.02, high: 20, zeroIsGap: true,
		columns: spellings("restrictivedepth depthtorestrictivelayer restrictivelayerdepth depthtorestriction resdeptr dep2reslyr brockdepmin depthtobedrock bedrockdepth soildepth rootingdepth rootdepth rootzonedepth rootznemc usabledepth depth thickness soilthickness gruendigkeit"),
		units:   map[string]string{"resdeptr": "cm", "dep2reslyr": "cm", "brockdepmin": "cm", "rootznemc": "cm"}},
	slTexture: {name: "texture", doc: "USDA texture class",
		columns: spellings("texture soiltexture textureclass soiltextureclass texcl texturecl usdatexture texdesc texturedescription textclass")},
	slSand: {name: "sand", doc: "sand, by weight of the fine earth", of: ofFraction, unit: "%", us: "%", perBase: 100, low: 0, high: 100,
		columns: spellings("sand totalsand sandtotal sandtotalr totalsandpct sandpct sandpercent sandcontent")},
	slSilt: {name: "silt", doc: "silt, by weight of the fine earth", of: ofFraction, unit: "%", us: "%", perBase: 100, low: 0, high: 100,
		columns: spellings("silt totalsilt silttotal silttotalr totalsiltpct siltpct siltpercent siltcontent")},
	slClay: {name: "clay", doc: "clay, by weight of the fine earth", of: ofFraction, unit: "%", us: "%", perBase: 100, low: 0, high: 100,
		columns: spellings("clay totalclay claytotal claytotalr totalclaypct claypct claypercent claycontent")},
	slDensity: {name: "density", doc: "dry bulk density", of: ofDensity, unit: "g/cm3", us: "g/cm3", perBase: 1, low: 0.05, high: 2.65, zeroIsGap: true,
		columns: spellings("bulkdensity bulkdens drybulkdensity bulkdensitydry dbthirdbarr dbovendryr soilbulkdensity bdod density")},
	slWater: {name: "awc", doc: "available water capacity, by volume", of: ofFraction, unit: "fraction", us: "fraction", perBase: 1, low: 0.01, high: 0.45, zeroIsGap: true,
		columns: spellings("awc awcr availablewatercapacity availablewater awhc availablewaterholdingcapacity plantavailablewater paw")},
}

// mapUnit is what a soil polygon says of its ground.
type mapUnit struct {
	DepthM      risk.Maybe[float64] // to a layer that stops roots; for a survey's thickness see Notes
	Texture     soil.Texture        // zero is unknown
	SandPct     risk.Maybe[float64] // by weight, of sand + silt + clay = 100
	ClayPct     risk.Maybe[float64]
	DensityGCm3 risk.Maybe[float64]
	AWC         risk.Maybe[float64] // m3 of water per m3 of soil
}

// soilColumns knows which column of a soil layer serves what, and counts what
// it meets. It is used by one goroutine.
type soilColumns struct {
	bound    []binding
	tallies  [soilFields][reasons]tally
	values   [soilFields]int
	records  int
	sums     tally // sand, silt and clay that do not make 100
	textures map[string]textureText
}

// bindSoil finds the columns of a soil layer. flags are --soil-field
// NAME=COLUMN[:UNIT], parsed by parseMappings with soilFieldNames.
func bindSoil(schema *layer.Schema, told []fieldFlag, o bindOptions) (*soilColumns, []string, error) {
	bound, notes, err := bindColumns(soilTable[:], schema.Fields, told, bindHow{File: o.File, Flag: "--soil-field", US: o.US, Things: "soil"})
	if err != nil {
		return nil, nil, err
	}
	c := &soilColumns{bound: bound, textures: map[string]textureText{}}
	any := false
	for i := range bound {
		any = any || bound[i].column >= 0
	}
	if !any {
		return nil, nil, &layer.Error{File: o.File, Err: errors.New("no column says anything of the soil that is understood"),
			Remedy: fmt.Sprintf("name one: --soil-field NAME=COLUMN[:UNIT] with NAME one of %s; the columns are: %s", strings.Join(namesOf(soilTable[:]), ", "), strings.Join(fieldNames(schema.Fields), ", "))}
	}
	if b := &bound[slDepth]; b.column >= 0 && !b.told && strings.Contains(plainName(b.name), "thickness") {
		notes = append(notes, fmt.Sprintf("Column %s may be how deep the survey looked, not a layer that stops roots; --soil-field depth= leaves it out.", shownName(b.name)))
	}
	return c, notes, nil
}

// soilFieldNames are what --soil-field takes.
func soilFieldNames() []string { return namesOf(soilTable[:]) }

// ground reads a soil polygon.
func (c *soilColumns) ground(f *layer.Feature) mapUnit {
	c.records++
	u := mapUnit{DepthM: c.measure(slDepth, f), DensityGCm3: c.measure(slDensity, f), AWC: c.measure(slWater, f)}
	sand, silt, clay, ok := c.parts(f)
	if ok {
		u.SandPct, u.ClayPct = risk.Known(sand), risk.Known(clay)
	}
	if b := &c.bound[slTexture]; b.column >= 0 && b.column < len(f.Values) {
		v := &f.Values[b.column]
		t := &c.tallies[slTexture]
		said := textureText{gap: true}
		if !v.Null() {
			said = remembered(c.textures, v.Text(), thinkTexture)
		}
		switch {
		case said.known:
			c.values[slTexture]++
			u.Texture = said.texture
		case said.gap:
			addGap(t, f.FID, trimCell(v.Text()))
		default:
			t[leftUnknownWord].add(f.FID, v.Text())
		}
	}
	if u.Texture == soil.NoTexture && ok {
		u.Texture = textureOf(sand, silt, clay)
		c.tallies[slSand][tookParts].add(f.FID, "")
	}
	return u
}

func (c *soilColumns) measure(in soilField, f *layer.Feature) risk.Maybe[float64] {
	b := &c.bound[in]
	if b.column < 0 || b.column >= len(f.Values) {
		return risk.Maybe[float64]{}
	}
	v, _, ok := readMeasure(&f.Values[b.column], b, &soilTable[in], &c.tallies[in], oneNumber, f.FID)
	if ok {
		c.values[in]++
	}
	return risk.Maybe[float64]{Value: v, Known: ok}
}

// parts returns sand, silt and clay in percent, brought to a sum of 100. One
// that is not given is the rest.
func (c *soilColumns) parts(f *layer.Feature) (sand, silt, clay float64, ok bool) {
	s, i, k := c.measure(slSand, f), c.measure(slSilt, f), c.measure(slClay, f)
	known := 0
	for _, m := range []risk.Maybe[float64]{s, i, k} {
		if m.Known {
			known++
		}
	}
	switch {
	case known < 2:
		return 0, 0, 0, false
	case !s.Known:
		s.Value = 100 - i.Value - k.Value
	case !i.Known:
		i.Value = 100 - s.Value - k.Value
	case !k.Known:
		k.Value = 100 - s.Value - i.Value
	}
	sum := s.Value + i.Value + k.Value
	if sum > 0.9 && sum < 1.1 && known == 3 { // fractions under a name that says percent
		s.Value, i.Value, k.Value, sum = s.Value*100, i.Value*100, k.Value*100, sum*100
	}
	if sum < 90 || sum > 110 || s.Value < 0 || i.Value < 0 || k.Value < 0 {
		c.sums.add(f.FID, fmt.Sprintf("%g + %g + %g", s.Value, i.Value, k.Value))
		return 0, 0, 0, false
	}
	scale := 100 / sum
	return s.Value * scale, i.Value * scale, k.Value * scale, true
}

// sentences tells what was met in the soil layer.
func (c *soilColumns) sentences() []string {
	var list []string
	for in := range soilTable {
		if b := &c.bound[in]; b.column >= 0 {
			list = append(list, cellSentences(fmt.Sprintf("soil %s (column %s)", soilTable[in].name, shownName(b.name)), &c.tallies[in], c.values[in], c.records)...)
		}
	}
	if c.sums.count > 0 {
		list = append(list, fmt.Sprintf("soil: sand, silt and clay do not make 100 in %s%s: taken as unknown.", countOf(c.sums.count, "record", "records"), examplesOf(c.sums.examples[:], c.sums.count)))
	}
	return list
}

// textureOf returns the USDA texture class of a soil with sand, silt and clay
// in percent by weight that make 100 (Soil Science Division Staff, Soil Survey
// Manual, USDA Handbook 18, 2017, ch. 3, "Definitions of the soil texture
// classes").
func textureOf(sand, silt, clay float64) soil.Texture {
	switch {
	case math.IsNaN(sand + silt + clay):
		return soil.NoTexture
	case silt+1.5*clay < 15:
		return soil.Sand
	case silt+2*clay < 30:
		return soil.LoamySand
	case clay >= 40 && silt >= 40:
		return soil.SiltyClay
	case clay >= 35 && sand > 45:
		return soil.SandyClay
	case clay >= 40:
		return soil.Clay
	case clay >= 27 && sand <= 20:
		return soil.SiltyClayLoam
	case clay >= 27 && sand <= 45:
		return soil.ClayLoam
	case clay >= 20 && silt < 28:
		return soil.SandyClayLoam
	case silt >= 80 && clay < 12:
		return soil.Silt
	case silt >= 50:
		return soil.SiltLoam
	case clay >= 7 && silt >= 28 && sand <= 52:
		return soil.Loam
	}
	return soil.SandyLoam
}

// Rootable ground under pavement.

type rootableField uint8

const (
	rtDepth rootableField = iota
	rtUsable
	rootableFields
)

var rootableTable = [rootableFields]mapping{
	rtDepth: {name: "depth", doc: "depth of the rootable ground", of: ofLength, unit: "m", us: "ft", perBase: 1, low: 0.05, high: 10, zeroIsGap: true,
		columns: spellings("depth soildepth mediadepth rootabledepth thickness celldepth layerdepth")},
	rtUsable: {name: "usable", doc: "share of it that is soil", of: ofFraction, unit: "fraction", us: "fraction", perBase: 1, low: 0.01, high: 1, zeroIsGap: true,
		columns: spellings("usable usablefraction usableshare usablepct soilfraction soilshare soilpct soilpercent fraction share soilcontent")},
}

// rootableGround is what a polygon of rootable ground says.
type rootableGround struct {
	DepthM risk.Maybe[float64]
	Usable risk.Maybe[float64] // 0 to 1
}

// rootableColumns is soilColumns for rootable ground.
type rootableColumns struct {
	bound   []binding
	tallies [rootableFields][reasons]tally
	values  [rootableFields]int
	records int
}

// rootableFieldNames are what --rootable-field takes.
func rootableFieldNames() []string { return namesOf(rootableTable[:]) }

// bindRootable finds the columns of a layer of rootable ground. A layer without
// any is no error: the caller's defaults hold.
func bindRootable(schema *layer.Schema, told []fieldFlag, o bindOptions) (*rootableColumns, []string, error) {
	bound, notes, err := bindColumns(rootableTable[:], schema.Fields, told, bindHow{File: o.File, Flag: "--rootable-field", US: o.US, Things: "rootable"})
	if err != nil {
		return nil, nil, err
	}
	return &rootableColumns{bound: bound}, notes, nil
}

// ground reads a polygon of rootable ground.
func (c *rootableColumns) ground(f *layer.Feature) rootableGround {
	c.records++
	read := func(in rootableField) risk.Maybe[float64] {
		b := &c.bound[in]
		if b.column < 0 || b.column >= len(f.Values) {
			return risk.Maybe[float64]{}
		}
		v, _, ok := readMeasure(&f.Values[b.column], b, &rootableTable[in], &c.tallies[in], oneNumber, f.FID)
		if ok {
			c.values[in]++
		}
		return risk.Maybe[float64]{Value: v, Known: ok}
	}
	return rootableGround{read(rtDepth), read(rtUsable)}
}

// sentences tells what was met in the layer.
func (c *rootableColumns) sentences() []string {
	var list []string
	for in := range rootableTable {
		if b := &c.bound[in]; b.column >= 0 {
			list = append(list, cellSentences(fmt.Sprintf("rootable %s (column %s)", rootableTable[in].name, shownName(b.name)), &c.tallies[in], c.values[in], c.records)...)
		}
	}
	return list
}
