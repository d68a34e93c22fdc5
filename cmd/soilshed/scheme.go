package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"soilshed/geo"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
)

// scheme is one state of the ground and the trees: today, or what a redesign
// proposes, as a configuration file tells it.
type scheme struct {
	name string // the file's, without folder and ending
	file string
	a    *assessment
	// inputs are the digests of its files, where a manifest is written.
	inputs *digests
	// at finds a tree of the scheme by its number.
	at      map[string]int
	takeoff takeoff
	totals  totals
}

// freeInScheme are the flags in which schemes may differ: their layers and trees,
// how these are read, and what has no part in a comparison. In all others they
// must agree, or what differs would be the method and not the design.
var freeInScheme = []string{
	"trees", "plant", "remove", "pavement", "bed", "rootable", "barrier", "soil", "target", "study-area",
	"field", "soil-field", "rootable-field", "class-field", "crs", "encoding", "xy", "tree-layer",
	"position-error", "jitters", "excavations", "excavation-field", "list-by", "crew-days", "crew-hours", "crew-speed",
	"config", "out", "out-format", "page", "page-details", "charts", "tiles", "tile-paving", "since", "keep", "workers", "cell", "max-skipped", "quiet", "log",
}

// readScheme reads a configuration file; today, when not nil, is what the scheme
// will be compared with.
func readScheme(file, flag string, today *scheme) (*scheme, error) {
	o := &options{}
	f := flagsOf(o, "compare")
	if err := parse(f, []string{"--config", file}, "compare", "", io.Discard); err != nil {
		return nil, err
	}
	if err := o.understand(); err != nil {
		return nil, usagef("--%s %s: %w", flag, file, err)
	}
	s := &scheme{name: strings.TrimSuffix(filepath.Base(file), filepath.Ext(file)), file: file, a: &assessment{o: o}}
	o.jitters = 0 // the spread over the position error is not compared
	if today == nil {
		return s, nil
	}
	var err error
	f.VisitAll(func(y *pflag.Flag) {
		if err != nil || slices.Contains(freeInScheme, y.Name) {
			return
		}
		x := today.a.o.flags.Lookup(y.Name)
		if one, other := settingOf(x), settingOf(y); one != other {
			said := func(file, v string) string {
				if v == "" {
					return file + " gives none"
				}
				return file + " has " + v
			}
			err = usagef("--%s %s, %s: %s, and %s; what is compared must be the design alone (give both the same)", flag, file, y.Name, said(file, other), said(today.file, one))
		}
	})
	if err != nil {
		return nil, err
	}
	return s, nil
}

// settingOf is the value of a flag, the name of a file without what does not
// matter.
func settingOf(fl *pflag.Flag) string {
	form, _ := pflag.UnquoteUsage(fl)
	if v := fl.Value.String(); strings.HasPrefix(form, "FILE") && v != "" && !layer.IsDatabase(v) {
		return filepath.Clean(v)
	}
	return shownValue(fl)
}

// prepare reads the layers of a scheme onto the plane of today's.
func (s *scheme) prepare(ctx context.Context, p *progress, today *scheme) error {
	s.a.progress, s.a.in.progress = p, p
	if today != nil {
		s.a.in.plane = today.a.in.plane
		s.a.o.year = today.a.year
	}
	if err := s.a.prepare(ctx); err != nil {
		return err
	}
	if today != nil {
		s.a.model.WaterOf(today.a.model)
	}
	s.a.in.source.Close()
	s.at = make(map[string]int, s.a.in.trees.len())
	for i := range s.a.in.trees.len() {
		s.at[s.a.in.trees.id(i)] = i
	}
	return nil
}

// stands tells whether a tree counts as standing in the scheme: not gone, and no
// second record of one that does.
func (s *scheme) stands(i int) bool {
	return !s.a.in.trees.removed(i) && s.a.in.kinds[i] == singleTree
}

// readWithin reads the polygons of a corridor onto the plane of a scheme: as a
// map, and to be drawn.
func (s *scheme) readWithin(ctx context.Context, file string) (*ground.Map, [][][]geo.XY, error) {
	b := ground.NewBuilder()
	var drawn [][][]geo.XY
	if err := s.a.in.readPolygons(ctx, s.a.o, b, file, "within", []string{}, func(*layer.Schema) (polygonFunc, error) {
		return func(f *layer.Feature, rings [][]geo.XY) error {
			var copied [][]geo.XY
			for _, r := range rings {
				copied = append(copied, slices.Clone(r))
			}
			drawn = append(drawn, copied)
			return b.Study(rings)
		}, nil
	}); err != nil {
		return nil, nil, err
	}
	return b.Freeze(s.a.o.groundOptions()), drawn, nil
}

// names makes the schemes' names different.
func names(all []*scheme) {
	taken := []string{}
	for _, s := range all {
		name := s.name
		for k := 2; slices.Contains(taken, s.name); k++ {
			s.name = fmt.Sprintf("%s-%d", name, k)
		}
		taken = append(taken, s.name)
	}
}
