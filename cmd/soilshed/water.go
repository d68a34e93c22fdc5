package main

import (
	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/soil"
)

// The water of the season, tree by tree: what the daily balance of the weather
// file says, in litres.

// watered tells whether the balance was done for the tree.
func (r *row) watered() bool {
	return r.res.Assessed && r.how != uncoveredGround && r.res.DryDays == r.res.DryDays // not NaN
}

// litres turns mm over a tree's crown projection into litres.
func litres(mm func(r *row) float64) func(*assessment, int, *row, *risk.Size) layer.Value {
	return func(_ *assessment, _ int, r *row, s *risk.Size) layer.Value {
		return number(soil.Site{CrownM2: s.CrownM2}.Litres(mm(r)))
	}
}

// The one table of the fields of the table water.
var waterFields = []outField{
	{name: "tree_id", alias: "tree", doc: "Number of the tree, as in the layer trees.",
		get: func(a *assessment, i int, _ *row, _ *risk.Size) layer.Value { return words(a.in.trees.id(i)) }},
	{name: "dry_days", kind: layer.Real, unit: "days", digits: 1, alias: "dry days", doc: "Mean days of water stress in a growing season: each day's part of the demand that was not met, summed.",
		get: func(_ *assessment, _ int, r *row, _ *risk.Size) layer.Value { return number(r.res.DryDays) }},
	{name: "dry_spell", kind: layer.Real, unit: "days", digits: 1, alias: "longest dry spell", doc: "Longest spell of days, in one season of the record, with less than half of the demand met; by look-up, and a shower more or less can join two spells: good to some weeks.",
		get: func(_ *assessment, _ int, r *row, _ *risk.Size) layer.Value { return number(r.res.Water.LongestDays) }},
	{name: "short_l", usName: "short_gal", kind: layer.Real, of: volumeL, digits: 0, alias: "short, mean", doc: "Water that it lacks in a mean season.",
		get: litres(func(r *row) float64 { return r.res.Water.ShortMM })},
	{name: "dry10_l", usName: "dry10_gal", kind: layer.Real, of: volumeL, digits: 0, alias: "short, dry year", doc: "Water that it lacks in a one-in-ten dry season.",
		get: litres(func(r *row) float64 { return r.res.Water.ShortDryMM })},
	{name: "holds_l", usName: "holds_gal", kind: layer.Real, of: volumeL, digits: 0, alias: "ground holds", doc: "Water that the ground it has holds for it when full: soil volume x available water capacity.",
		get: litres(func(r *row) float64 { return r.res.Ratios.StorageMM })},
	{name: "soil_m3", usName: "soil_ft3", kind: layer.Real, of: volumeM3, digits: 2, alias: "available soil", doc: "Available soil volume, as in the layer trees.",
		get: func(_ *assessment, _ int, r *row, _ *risk.Size) layer.Value { return number(r.soilM3) }},
	{name: "asks_m3", usName: "asks_ft3", kind: layer.Real, of: volumeM3, digits: 2, alias: "volume that this climate asks for", doc: "Soil volume, as open ground of its depth, that would hold dry days to --max-dry-days in a mean season; empty where none does without watering.",
		get: func(_ *assessment, _ int, r *row, _ *risk.Size) layer.Value {
			return number(r.res.NeedM3[risk.NeedClimate])
		}},
	{name: "dose_l", usName: "dose_gal", kind: layer.Real, of: volumeL, digits: 0, alias: "one watering", doc: "One watering that fills the ground when the readily available water is used up; 0 where none is needed.",
		get: litres(func(r *row) float64 { return r.res.Water.DoseMM() })},
	{name: "per_week", kind: layer.Real, digits: 1, alias: "times a week", doc: "Waterings a week in the thirstiest four weeks of a one-in-ten dry season.",
		get: func(_ *assessment, _ int, r *row, _ *risk.Size) layer.Value { return number(r.res.Water.TimesPerWeek) }},
	{name: "water_l", usName: "water_gal", kind: layer.Real, of: volumeL, digits: 0, alias: "watering, mean", doc: "Watering that bridges a mean season.",
		get: litres(func(r *row) float64 { return r.res.Water.WaterMM })},
	{name: "water10_l", usName: "water10gal", kind: layer.Real, of: volumeL, digits: 0, alias: "watering, dry year", doc: "Watering that bridges a one-in-ten dry season.",
		get: litres(func(r *row) float64 { return r.res.Water.WaterDryMM })},
	{name: "outgrown", kind: layer.Integer, alias: "outgrown", doc: "Year in which its need, grown by the published curves, passes the ground it has: the year of the assessment where it already does, empty where it does not within 60 years or its curve ends before.",
		get: func(_ *assessment, _ int, r *row, _ *risk.Size) layer.Value {
			if y := r.res.OutgrownYear; y.Known {
				return layer.Whole(int64(y.Value))
			}
			return layer.Value{}
		}},
}

func waterSchema(us bool) layer.Schema {
	s := layer.Schema{Name: "water", Title: "Water through the growing season, tree by tree", Abstract: caution, Shape: layer.NoShape}
	for i := range waterFields {
		s.Fields = append(s.Fields, waterFields[i].field(us))
	}
	return s
}
