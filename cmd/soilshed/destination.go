package main

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"soilshed/geo/layer"
)

// checkDestination finds a wrong --out before hours of work are spent on it: an
// ending that names no format, a folder that is not there or cannot be written
// to, and a file of the output that is one of the inputs.
func (o *options) checkDestination() error {
	for try := 1; ; try++ {
		err := o.probe()
		if err == nil {
			break
		}
		// A run that takes its hold of the output at this moment clears away what
		// lies beside it, the probe with the rest.
		if try == 3 || !errors.Is(err, layer.ErrWriting) || layer.IsDatabase(o.out) {
			return usageError{err}
		}
	}
	without := *o
	without.page, without.tiles = "", ""
	for _, extra := range [][2]string{{"--page", o.page}, {"--tiles", o.tiles}} {
		flag, path := extra[0], extra[1]
		if path == "" {
			continue
		}
		if err := besideFolder(flag, path); err != nil {
			return err
		}
		for _, f := range append(without.filesOf(), manifestPath(o.out)) {
			if sameName(f, path) {
				return usagef("%s %s: is the name of another file of the output (give another name)", flag, path)
			}
		}
	}
	if o.charts != "" {
		if err := os.MkdirAll(o.charts, 0o777); err != nil {
			return usagef("--charts %s: no folder can be made there (%v)", o.charts, errors.Unwrap(err))
		}
	}
	for _, in := range append(o.inputFiles(), o.config) {
		if in == o.out {
			return usagef("--out %s: would be written over the input of this name (give another name)", layer.Shown(o.out))
		}
		from, err := os.Stat(in)
		if err != nil {
			continue // said when it is opened
		}
		for _, f := range append(o.outputFiles(), keptPath(o.out)) {
			if to, err := os.Stat(f); err == nil && os.SameFile(from, to) {
				return usagef("--out %s: would be written over the input %s (give another name)", o.out, in)
			}
		}
		if to, err := os.Stat(o.page); err == nil && os.SameFile(from, to) {
			return usagef("--page %s: would be written over the input %s (give another name)", o.page, in)
		}
	}
	return nil
}

// besideFolder tells when the folder of a file that a flag names is not there.
func besideFolder(flag, path string) error {
	if info, err := os.Stat(filepath.Dir(path)); err != nil || !info.IsDir() {
		return usagef("%s %s: there is no folder %s (make it first)", flag, path, filepath.Dir(path))
	}
	return nil
}

// probe begins an output and gives it up.
func (o *options) probe() error {
	probe, err := layer.Create(o.out, []layer.Schema{{Name: "trees", System: wgs84, Shape: layer.Points}}, layer.CreateOptions{Changed: "1970-01-01T00:00:00.000Z"})
	if err != nil {
		return err
	}
	return probe.Abort()
}

// outputFiles are the files by which the layers of the output are opened.
func (o *options) outputFiles() []string {
	if layer.IsDatabase(o.out) { // what lies beside the tables
		return []string{layer.TablePath(o.out, "worklist"), layer.TablePath(o.out, "found"), layer.TablePath(o.out, "changes")}
	}
	stem, ending := o.out, ""
	for _, e := range []string{filepath.Ext(stem), ".geojson", ".json"} {
		if cut, ok := strings.CutSuffix(stem, e); ok && (ending == "" || ending == ".gz") {
			stem, ending = cut, e+ending
		}
	}
	files := []string{o.out}
	for _, name := range []string{"openings", "worklist", "found", "water", "changes"} {
		files = append(files, stem+"-"+name+ending, stem+"-"+name+".csv")
	}
	return files
}

// inputFiles are all files that the command line names as input.
func (o *options) inputFiles() []string {
	files := slices.Concat([]string{o.trees, o.plant, o.remove, o.weather, o.gusts, o.evidence, o.excavations},
		o.pavement, o.bed, o.rootable, o.barrier, o.soilLayer, o.target, o.studyArea)
	for i := range files {
		files[i], _ = layer.SplitTable(files[i])
	}
	return slices.DeleteFunc(files, func(f string) bool { return f == "" })
}
