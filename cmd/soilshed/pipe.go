package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"

	"github.com/paulmach/orb"

	"soilshed/geo/layer"
)

// "-" stands for standard input as a layer, and for standard output as --out.
// Layers are read more than once and an output appears whole or not at all, so
// both go by a file in the folder for temporary files.

const pipe = "-"

// outForms are what can be written to standard output.
var outForms = []string{"geojson", "geojsonl", "csv"}

// scratch are the folders that must not outlive the process.
var scratch struct {
	sync.Mutex
	folders []string
}

func keepInScratch(folder string) {
	scratch.Lock()
	scratch.folders = append(scratch.folders, folder)
	scratch.Unlock()
}

func clearScratch() {
	scratch.Lock()
	defer scratch.Unlock()
	for _, f := range scratch.folders {
		os.RemoveAll(f)
	}
	scratch.folders = nil
}

// layerFiles are the inputs that are layers.
func (o *options) layerFiles() []string {
	return slices.Concat([]string{o.trees}, o.pavement, o.bed, o.rootable, o.barrier, o.soilLayer, o.target, o.studyArea)
}

// checkPipes finds a wrong use of "-".
func (o *options) checkPipes() error {
	n := 0
	for _, f := range o.layerFiles() {
		if f == pipe {
			n++
		}
	}
	if n > 1 {
		return usagef("standard input (-) is given for %d layers; it holds one", n)
	}
	for _, x := range []struct{ flag, file string }{{"weather", o.weather}, {"gusts", o.gusts}, {"evidence", o.evidence}, {"excavations", o.excavations}, {"since", o.since}, {"page", o.page}} {
		if x.file == pipe {
			return usagef("--%s -: a pipe serves for layers and for --out alone", x.flag)
		}
	}
	switch {
	case o.inFormat != "" && !slices.Contains(layer.SpoolForms, o.inFormat):
		return usagef("--in-format %s: one of %s", o.inFormat, strings.Join(layer.SpoolForms, ", "))
	case o.inFormat != "" && n == 0:
		return usagef("--in-format is for standard input, as in --trees -; the ending of a file's name tells its format")
	case !slices.Contains(outForms, o.outFormat):
		return usagef("--out-format %s: one of %s", o.outFormat, strings.Join(outForms, ", "))
	case o.outFormat != outForms[0] && o.out != pipe:
		return usagef("--out-format is for standard output, --out -; the ending of a file's name tells its format")
	case o.out == pipe && o.since != "":
		return usagef("--since asks for an --out FILE, beside which the changes can be written")
	}
	return nil
}

// spool takes in standard input, when a layer is to come from there.
func (o *options) spool() (err error) {
	if o.stdin != nil || !slices.Contains(o.layerFiles(), pipe) {
		return nil
	}
	if o.stdin, err = layer.Spool(os.Stdin, o.inFormat); err == nil {
		keepInScratch(o.stdin.Folder())
	}
	return err
}

// toStdout makes the output go to a folder of its own, from which pour takes it.
func (o *options) toStdout() error {
	folder, err := os.MkdirTemp("", "soilshed-output-")
	if err != nil {
		return fmt.Errorf("standard output: cannot be kept while it is written: %w (is there room in the folder for temporary files? TMPDIR names another)", err)
	}
	keepInScratch(folder)
	// A reader that has gone is an error of writing like any other, so that what
	// was put aside is cleared away.
	signal.Ignore(syscall.SIGPIPE)
	ending := o.outFormat
	if ending == "csv" {
		ending = "geojsonl"
	}
	o.out, o.poured = filepath.Join(folder, "trees."+ending), true
	return nil
}

// pour writes the layer trees to standard output.
func (o *options) pour(ctx context.Context, to io.Writer) error {
	err := o.pourTo(ctx, to)
	if errors.Is(err, syscall.EPIPE) {
		return errors.New("standard output was closed before all was written")
	}
	return err
}

func (o *options) pourTo(ctx context.Context, to io.Writer) error {
	from := o.out
	if o.outFormat == "csv" {
		from = strings.TrimSuffix(o.out, filepath.Ext(o.out)) + "-points.csv"
		if err := pointsToCSV(ctx, o.out, from); err != nil {
			return err
		}
	}
	f, err := os.Open(from)
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = io.Copy(to, f)
	return err
}

// pointsToCSV turns a layer of points into a table, with their places before
// their attributes.
func pointsToCSV(ctx context.Context, from, to string) error {
	src, err := layer.Open(from, layer.Options{})
	if err != nil {
		return err
	}
	defer src.Close()
	s := *src.Schema()
	place := []layer.Field{{Name: "lon", Kind: layer.Real, Unit: "degrees"}, {Name: "lat", Kind: layer.Real, Unit: "degrees"}}
	for i := range place { // an attribute of that name is another thing
		for s.Index(place[i].Name) >= 0 {
			place[i].Name += "_wgs84"
		}
	}
	s.Fields = append(place, s.Fields...)
	table, err := layer.CreateTable(to, s)
	if err != nil {
		return err
	}
	defer table.Abort()
	n := 0
	for f, err := range src.Features() {
		if err != nil {
			return err
		}
		if n++; n%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		values := []layer.Value{{}, {}}
		if p, ok := f.Geometry.(orb.Point); ok {
			values = []layer.Value{layer.Number(p[0]), layer.Number(p[1])}
		}
		f.Values = append(values, f.Values...)
		if err := table.Write(f); err != nil {
			return err
		}
	}
	return table.Commit()
}
