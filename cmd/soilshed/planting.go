package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"soilshed/geo/layer"
)

// What a redesign does to the trees: --plant names a layer of trees to plant,
// --remove a list of trees to fell. Both change the inventory of the run, and
// leave its file alone.

// plantingYears is how far after the year of the assessment trees may be planned
// to be planted.
const plantingYears = 25

// readPlanting adds the trees to plant after those of the inventory.
func (in *inputs) readPlanting(ctx context.Context, o *options, year int) error {
	in.inventory = in.trees.len()
	if o.plant == "" {
		return nil
	}
	src, c, err := in.begin(o, "plant", o.plant, nil, "")
	if err != nil {
		return err
	}
	defer src.Close()
	// The inventory's mappings serve as far as the columns are there.
	schema := src.Schema()
	told := o.told.trees[:0:0]
	for _, t := range o.told.trees {
		name, _, _ := strings.Cut(t.Column, ":")
		if t.Column == "" || schema.Index(t.Column) >= 0 || schema.Index(strings.TrimSpace(name)) >= 0 {
			told = append(told, t)
		}
	}
	cols, notes, err := bind(schema, told, bindOptions{File: o.plant, US: o.units == "us", Year: year + plantingYears})
	if err != nil {
		return err
	}
	in.report.of(o.plant, notes)
	conv, err := in.way(c)
	if err != nil {
		return err
	}
	has := map[string]bool{}
	for i := range in.trees.len() {
		has[in.trees.id(i)] = true
	}
	if err := in.records(ctx, src, c, func(f *layer.Feature) error {
		p, err := layer.PointOf(f.Geometry)
		if err != nil {
			c.left("not a point", &layer.Error{File: o.plant, Feature: f.FID, Err: err})
			return nil
		}
		q, err := conv(p[0], p[1])
		if err == nil && !(math.Hypot(q.X, q.Y) <= farM) {
			err = fmt.Errorf("lies %.0f km from the middle of the trees", math.Hypot(q.X, q.Y)/1000)
		}
		if err != nil {
			c.left("far from the trees", &layer.Error{File: o.plant, Feature: f.FID, Err: err})
			return nil
		}
		t, kind := cols.tree(f)
		if strings.HasPrefix(t.ID, "#") {
			t.ID = "new" + t.ID
		}
		if has[t.ID] {
			return &layer.Error{File: o.plant, Feature: f.FID, Err: fmt.Errorf("tree %s is in the inventory already", t.ID), Remedy: "give each tree to plant a number of its own"}
		}
		has[t.ID] = true
		in.trees.add(&t)
		in.kinds, in.fids, in.at = append(in.kinds, kind), append(in.fids, f.FID), append(in.at, q)
		c.take(q)
		c.Taken++
		return nil
	}); err != nil {
		return err
	}
	in.report.of(o.plant, cols.census.sentences())
	if c.Taken == 0 {
		return c.nothing("tree", "points")
	}
	in.report.note("%s: %s to plant, with the columns that --field names where they are there.", o.plant, countOf(c.Taken, "tree", "trees"))
	return nil
}

// removalColumns are what the list of trees to remove holds.
var removalColumns = []string{"tree", "reason"}

// readRemovals takes out the trees that are to be removed.
func (in *inputs) readRemovals(o *options) error {
	if o.remove == "" {
		return nil
	}
	t, err := openTable(o.remove)
	if err != nil {
		return err
	}
	in.report.Notes = append(in.report.Notes, t.Notes...)
	column, err := t.strict(removalColumns, "tree")
	if err != nil {
		return err
	}
	at := map[string]int{}
	for i := range in.inventory {
		at[in.trees.id(i)] = i
	}
	listed := map[string]int{}
	gone := 0
	for i := range t.Rows {
		r := &t.Rows[i]
		id := givenID(r.cell(column["tree"]))
		k, ok := at[id]
		switch first := listed[id]; {
		case id == "":
			return t.lineError(r.Line, "tree", errors.New("no tree is named"), "each line names one tree of the inventory by its number")
		case !ok:
			return t.lineError(r.Line, "tree", fmt.Errorf("no tree has the number %s in %s", id, layer.Shown(o.trees)), "correct the number, or take the line out")
		case first > 0:
			return t.lineError(r.Line, "tree", fmt.Errorf("tree %s is on line %d already", id, first), "take one of the lines out")
		case in.trees.removed(k):
			return t.lineError(r.Line, "tree", fmt.Errorf("tree %s is gone already on record", id), "take the line out")
		}
		listed[id] = r.Line
		in.trees.remove(k)
		in.kinds[k] = goneTree
		gone++
	}
	in.report.note("%s: %s to remove: they use no ground and are not assessed.", o.remove, countOf(gone, "tree", "trees"))
	return nil
}
