package main

import (
	"context"

	"soilshed/geo/layer"
)

// comparisonManifest tells of a comparison for those who come after it, as manifest
// does of a run of assess: of each design what went into it.
type comparisonManifest struct {
	Program  string             `json:"program"`
	Version  string             `json:"version"`
	Schema   int                `json:"schema"` // outputVersion
	Caution  string             `json:"caution"`
	Run      manifestRun        `json:"run"`
	Year     int                `json:"year"` // that trees are assessed for
	Settings map[string]setting `json:"settings"`
	Inputs   []manifestInput    `json:"inputs"`  // corridor and prices
	Designs  []manifestDesign   `json:"designs"` // today first
	Outputs  []manifestFile     `json:"outputs"`
}

type manifestDesign struct {
	Name     string             `json:"name"`
	File     string             `json:"file"`
	Trees    int                `json:"trees_compared"`
	Phases   []manifestPhase    `json:"phases"`
	Settings map[string]setting `json:"settings"`
	Inputs   []manifestInput    `json:"inputs"`
	Layers   []manifestLayer    `json:"layers"`
	Notes    []string           `json:"notes"`
	Warnings []string           `json:"warnings"`
}

// manifest is where that of a comparison goes: beside the map of differences, or
// else the table or the page; "" where nothing is written.
func (o *compareOptions) manifest() string {
	for _, f := range []string{o.out, o.csv, o.page} {
		if f != "" {
			return manifestPath(f)
		}
	}
	return ""
}

// digest begins to hash the input files of all designs, and of the comparison.
func (c *sideBySide) digest(ctx context.Context, o *compareOptions) {
	if o.manifest() == "" {
		return
	}
	var own []inputRole
	for _, r := range []inputRole{{"corridor", o.within}, {"prices", o.prices}} {
		if r.file != "" {
			own = append(own, r)
		}
	}
	c.inputs = digestOf(ctx, own, nil)
	for _, s := range c.schemes {
		s.inputs = s.a.o.digest(ctx)
	}
}

// writeManifest writes it, when all else is written.
func (o *compareOptions) writeManifest(ctx context.Context, c *sideBySide) error {
	path := o.manifest()
	if path == "" {
		return nil
	}
	today := c.schemes[0].a
	m := comparisonManifest{
		Program: "soilshed", Version: version, Schema: outputVersion, Caution: caution,
		Run: runOf(c.began, today.o.workers), Year: today.year, Settings: settingsOf(o.flags),
	}
	failed := func(err error) error {
		return &layer.Error{File: path, Err: err, Remedy: "the comparison was written; its manifest was not"}
	}
	var err error
	if m.Inputs, err = c.inputs.wait(); err != nil {
		return failed(err)
	}
	for k, s := range c.schemes {
		d := manifestDesign{Name: s.name, File: s.file, Phases: s.a.seconds(), Settings: settingsOf(s.a.o.flags), Notes: s.a.in.report.Notes}
		if d.Inputs, err = s.inputs.wait(); err != nil {
			return failed(err)
		}
		d.Layers, d.Warnings = s.a.layersRead(d.Inputs)
		for i := range c.trees {
			if c.row(&c.trees[i], k) != nil {
				d.Trees++
			}
		}
		m.Designs = append(m.Designs, d)
	}
	var files []string
	for _, f := range o.files() {
		if !layer.IsDatabase(f) {
			files = append(files, withSidecars(f)...)
		}
	}
	if m.Outputs, err = written(ctx, files, c.began); err != nil {
		return failed(err)
	}
	return writeJSON(path, m)
}
