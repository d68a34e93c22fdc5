package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"soilshed/geo/ground"
	"soilshed/geo/layer"
)

// manifest tells of a run for those who come after it: what went in, what was
// done with it, what came out. It is written last, whole; all that differs
// between two runs on the same input stands here alone.
type manifest struct {
	Program  string             `json:"program"`
	Version  string             `json:"version"`
	Schema   int                `json:"schema"` // outputVersion; 0 in those of builds that wrote none
	Caution  string             `json:"caution"`
	Run      manifestRun        `json:"run"`
	Year     int                `json:"year"` // that trees are assessed for
	Settings map[string]setting `json:"settings"`
	Inputs   []manifestInput    `json:"inputs"`
	Layers   []manifestLayer    `json:"layers"`
	Columns  []manifestColumn   `json:"columns"`
	Counts   manifestCounts     `json:"counts"`
	Notes    []string           `json:"notes"`
	Warnings []string           `json:"warnings"`
	Reuse    string             `json:"reuse,omitempty"` // what was taken over from the older run, or why nothing was
	Outputs  []manifestFile     `json:"outputs"`
	Kept     string             `json:"kept_sha256,omitempty"` // that stands at the end of NAME-kept.bin: it is of this output
}

// outputVersion is that of the form of the layers and of the manifest; it goes up
// when a program that knows the older form would read them wrongly. What was
// written before there was a number is of version 1.
const outputVersion = 1

// checkOutputVersion refuses what a newer program wrote. 0 is said by none.
func checkOutputVersion(file string, said int) error {
	if said >= 0 && said <= outputVersion {
		return nil
	}
	return &layer.Error{File: file, Err: fmt.Errorf("it is of version %d, and this program (soilshed %s) reads version %d", said, version, outputVersion),
		Remedy: "use the soilshed that wrote it or a newer one; or run once without --since, which writes it anew"}
}

type manifestRun struct {
	Started string          `json:"started"`
	Ended   string          `json:"ended"`
	Seconds float64         `json:"seconds"`
	Phases  []manifestPhase `json:"phases,omitempty"`
	System  string          `json:"system"`
	Workers int             `json:"workers"`
	PeakMB  float64         `json:"heap_mb"`
}

type manifestPhase struct {
	Name    string  `json:"name"`
	Seconds float64 `json:"seconds"`
}

// setting is the value of a flag, and who gave it: "command line", the name of
// a configuration file, or "default".
type setting struct {
	Value any    `json:"value"`
	From  string `json:"from"`
}

type manifestFile struct {
	File   string `json:"file"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

type manifestInput struct {
	Role string `json:"role"`
	manifestFile
	Modified string `json:"modified,omitempty"`
}

// manifestLayer accounts for the records of a layer: records = used + left out,
// where a record is used when anything was taken from it.
type manifestLayer struct {
	Role      string         `json:"role"`
	File      string         `json:"file"`
	System    string         `json:"crs"`
	Records   int            `json:"records"`
	Taken     int            `json:"taken"` // trees, polygons or lines
	LeftOut   int            `json:"left_out"`
	Reasons   map[string]int `json:"left_out_by_reason,omitempty"`
	First     []string       `json:"left_out_first,omitempty"`
	Repaired  int            `json:"repaired_crossing,omitempty"`
	OtherKind int            `json:"other_geometry,omitempty"`
}

type manifestColumn struct {
	Field  string `json:"field"`
	Column string `json:"column"`
	Unit   string `json:"unit,omitempty"`
	How    string `json:"how"`
	UnitBy string `json:"unit_by,omitempty"`
}

type manifestCounts struct {
	Trees       int            `json:"trees"`
	Assessed    int            `json:"assessed"`
	Ranked      int            `json:"ranked"`
	DeadRecords int            `json:"dead"`
	Ground      map[string]int `json:"by_ground"`
	Classes     map[string]int `json:"by_soil_class"`
	Polygons    int            `json:"map_polygons"`
	Vertices    int            `json:"map_vertices"`
}

// manifestPath is where the manifest of an output goes: NAME-manifest.json.
func manifestPath(out string) string {
	return strings.TrimSuffix(layer.TablePath(out, "manifest"), ".csv") + ".json"
}

// digests are the sizes and hashes of the input files, taken while the run is at
// other things.
type digests struct {
	done chan struct{}
	list []manifestInput
	err  error
}

// inputRole is a file by what it is for.
type inputRole struct{ role, file string }

// roles are the input files by what they are for.
func (o *options) roles() (list []inputRole) {
	for _, r := range []struct {
		role  string
		files []string
	}{
		{"trees", []string{o.trees}}, {"plant", []string{o.plant}}, {"remove", []string{o.remove}}, {"pavement", o.pavement}, {"bed", o.bed}, {"rootable", o.rootable}, {"soil", o.soilLayer},
		{"target", o.target}, {"study area", o.studyArea}, {"barrier", o.barrier}, {"weather", []string{o.weather}}, {"gusts", []string{o.gusts}},
		{"evidence", []string{o.evidence}}, {"excavations", []string{o.excavations}}, {"configuration", []string{o.config}},
	} {
		for _, f := range r.files {
			if f != "" {
				list = append(list, inputRole{r.role, f})
			}
		}
	}
	return list
}

// digest begins to hash the input files.
func (o *options) digest(ctx context.Context) *digests { return digestOf(ctx, o.roles(), o.stdin) }

// digestOf begins to hash files; stdin tells of what came on standard input.
func digestOf(ctx context.Context, roles []inputRole, stdin *layer.Spooled) *digests {
	d := &digests{done: make(chan struct{}), list: []manifestInput{}}
	go func() {
		defer close(d.done)
		for _, r := range roles {
			file, _ := layer.SplitTable(r.file)
			for _, f := range withSidecars(file) {
				x := manifestInput{Role: r.role, manifestFile: manifestFile{File: layer.Shown(f)}}
				if f == pipe && stdin != nil {
					x.Bytes, x.SHA256 = stdin.Bytes, stdin.SHA256
				}
				if !layer.IsDatabase(f) && f != pipe {
					info, err := os.Stat(f)
					if err == nil {
						x.Modified = info.ModTime().UTC().Format(time.RFC3339Nano)
						x.manifestFile, err = hashFile(ctx, f)
					}
					if err != nil {
						d.err = err
						return
					}
				}
				d.list = append(d.list, x)
			}
		}
	}()
	return d
}

// wait returns them once they are there.
func (d *digests) wait() ([]manifestInput, error) {
	<-d.done
	return d.list, d.err
}

// withSidecars are the files of which a layer consists.
func withSidecars(file string) []string {
	files := []string{file}
	if ext := filepath.Ext(file); strings.EqualFold(ext, ".shp") {
		stem := strings.TrimSuffix(file, ext)
		names, _ := os.ReadDir(filepath.Dir(file))
		for _, s := range []string{".dbf", ".shx", ".prj", ".cpg"} {
			found := []string{stem + s, stem + strings.ToUpper(s)}
			for _, n := range names { // however it is spelled, as the reader finds it
				if strings.EqualFold(n.Name(), filepath.Base(stem)+s) {
					found = append(found, filepath.Join(filepath.Dir(file), n.Name()))
				}
			}
			for _, f := range found {
				if info, err := os.Stat(f); err == nil && info.Mode().IsRegular() {
					files = append(files, f)
					break
				}
			}
		}
	}
	return files
}

// hashFile reads a file through.
func hashFile(ctx context.Context, path string) (manifestFile, error) {
	f, err := os.Open(path)
	if err != nil {
		return manifestFile{}, err
	}
	defer f.Close()
	h := sha256.New()
	buf := make([]byte, 1<<20)
	x := manifestFile{File: path}
	for {
		n, err := f.Read(buf)
		h.Write(buf[:n])
		x.Bytes += int64(n)
		if err == io.EOF {
			x.SHA256 = hex.EncodeToString(h.Sum(nil))
			return x, nil
		}
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return x, err
		}
	}
}

// written are those of files that a run wrote which began then, with their hashes.
func written(ctx context.Context, files []string, began time.Time) (list []manifestFile, err error) {
	for _, f := range files {
		info, err := os.Stat(f)
		if errors.Is(err, os.ErrNotExist) || err == nil && (info.IsDir() || info.ModTime().Before(began.Add(-2*time.Second))) {
			continue // not of this run
		}
		x, err := hashFile(ctx, f)
		if err != nil {
			return nil, err
		}
		list = append(list, x)
	}
	return list, nil
}

// filesOf are all files that the output may consist of but for the manifest,
// in the order of their names, the first layer first.
func (o *options) filesOf() []string {
	files := o.outputFiles()
	for _, f := range slices.Clone(files) {
		ext := filepath.Ext(f)
		if strings.EqualFold(ext, ".gz") {
			f = strings.TrimSuffix(f, ext)
			ext = filepath.Ext(f)
		}
		stem := strings.TrimSuffix(f, ext)
		for _, s := range []string{".dbf", ".shx", ".prj", ".cpg", ".qml", ".sld"} {
			files = append(files, stem+s)
		}
	}
	files = append(files, strings.TrimSuffix(layer.TablePath(o.out, "readme"), ".csv")+".txt")
	files = append(files, changesPage(o.out))
	files = append(files, o.extraFiles()...)
	slices.Sort(files[1:])
	return slices.Compact(files)
}

// allOutputFiles are those by which the parts of the output are opened, with the
// manifest.
func (o *options) allOutputFiles() []string {
	files := append(o.outputFiles(), manifestPath(o.out), changesPage(o.out), keptPath(o.out), keptMapPath(o.out))
	return append(files, o.extraFiles()...)
}

// extraFiles are those that are written when they are asked for.
func (o *options) extraFiles() []string {
	var files []string
	if o.page != "" {
		files = append(files, o.page)
	}
	if o.tiles != "" {
		files = append(files, o.tiles)
	}
	if o.charts != "" {
		files = append(files, o.chartFiles()...)
	}
	return files
}

// shownOut is the output's name as it may be shown.
func (o *options) shownOut() string { return layer.Shown(o.out) }

// settingsOf are the values of the flags.
func settingsOf(f *pflag.FlagSet) map[string]setting {
	m := map[string]setting{}
	f.VisitAll(func(fl *pflag.Flag) {
		if fl.Hidden {
			return
		}
		s := setting{Value: flagValue(f, fl), From: "default"}
		if file := fl.Annotations[fromConfig]; len(file) > 0 {
			s.From = file[0]
		} else if fl.Changed {
			s.From = "command line"
		}
		m[fl.Name] = s
	})
	return m
}

// flagValue is the value of a flag in its own type.
func flagValue(f *pflag.FlagSet, fl *pflag.Flag) any {
	switch fl.Value.Type() {
	case "float64":
		if v, err := f.GetFloat64(fl.Name); err == nil {
			return v
		}
	case "int":
		if v, err := f.GetInt(fl.Name); err == nil {
			return v
		}
	case "bool":
		if v, err := f.GetBool(fl.Name); err == nil {
			return v
		}
	case "stringArray":
		if v, err := f.GetStringArray(fl.Name); err == nil {
			list := make([]string, len(v))
			for i := range v {
				list[i] = layer.Shown(v[i])
			}
			return list
		}
	}
	return layer.Shown(fl.Value.String())
}

// runOf tells of a run that ends now.
func runOf(began time.Time, workers int) manifestRun {
	var mem runtime.MemStats
	runtime.ReadMemStats(&mem)
	now := time.Now()
	return manifestRun{Started: began.UTC().Format(time.RFC3339), Ended: now.UTC().Format(time.RFC3339), Seconds: now.Sub(began).Seconds(),
		System: runtime.GOOS + "/" + runtime.GOARCH + " " + runtime.Version(), Workers: workers, PeakMB: float64(mem.HeapSys>>10) / 1024}
}

// seconds are how long each phase took.
func (a *assessment) seconds() (list []manifestPhase) {
	for _, p := range a.phases {
		list = append(list, manifestPhase(p))
	}
	return list
}

// layersRead accounts for the layers that were read, and warns of what was odd in
// them or in the files of the inputs.
func (a *assessment) layersRead(inputs []manifestInput) (layers []manifestLayer, warnings []string) {
	r := &a.in.report
	layers, warnings = []manifestLayer{}, []string{}
	for _, in := range inputs {
		if was, ok := r.Bytes[in.File]; ok && was != in.Bytes {
			warnings = append(warnings, in.File+" has changed in size while the run was reading it")
		}
	}
	for _, l := range r.Layers {
		x := manifestLayer{Role: l.Role, File: layer.Shown(l.File), System: systemName(l.system), Records: l.Records, Taken: l.Taken, LeftOut: l.leftOut(),
			Reasons: l.Failed, First: l.FirstFailed, Repaired: l.Crossing, OtherKind: l.Strays}
		if l.Empty > 0 {
			x.Reasons = map[string]int{"without geometry": l.Empty}
			for k, n := range l.Failed {
				x.Reasons[k] += n
			}
		}
		layers = append(layers, x)
		if n := l.leftOut(); n > 0 {
			warnings = append(warnings, fmt.Sprintf("%s: %s left out of %s", layer.Shown(l.File), countOf(n, "record", "records"), grouped(l.Records)))
		}
	}
	return layers, warnings
}

// writeManifest writes it beside the output at out.
func (a *assessment) writeManifest(ctx context.Context, out string) error {
	inputs, err := a.inputs.wait()
	if err != nil {
		return &layer.Error{File: out, Err: err, Remedy: "the output was written; its manifest was not"}
	}
	files, err := written(ctx, a.o.filesOf(), a.began)
	if err != nil {
		return err
	}
	m := manifest{
		Program: "soilshed", Version: version, Schema: outputVersion, Caution: caution, Year: a.year,
		Run:      runOf(a.began, a.o.workers),
		Settings: settingsOf(a.o.flags), Inputs: inputs, Notes: a.in.report.Notes, Outputs: files,
		Counts: manifestCounts{Trees: a.in.trees.len(), Ground: map[string]int{}, Classes: map[string]int{}, Polygons: a.in.m.Polygons(), Vertices: a.in.m.Vertices()},
	}
	if a.reuse != nil {
		m.Reuse, m.Kept = a.reuse.sentence(a), a.reuse.sum
	}
	m.Run.Phases = a.seconds()
	m.Layers, m.Warnings = a.layersRead(inputs)
	for _, c := range a.in.cols.read() {
		m.Columns = append(m.Columns, manifestColumn{c.Name, c.Column, c.Unit, c.How, c.UnitBy})
	}
	hows := ground.Hows()
	for i, row := range a.rows.all() {
		if a.in.trees.dead(i) {
			m.Counts.DeadRecords++
		}
		if !row.res.Assessed {
			continue
		}
		m.Counts.Assessed++
		m.Counts.Ground[hows[row.how]]++
		if row.rank > 0 {
			m.Counts.Ranked++
		}
		if row.res.Graded {
			m.Counts.Classes[className(row)]++
		}
	}
	return writeJSON(manifestPath(out), m)
}

// writeJSON writes a file whole or not at all.
func writeJSON(path string, v any) error {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(v); err != nil {
		return err
	}
	return layer.WriteFile(path, b.Bytes())
}

// readManifest reads the manifest of an output; nil when there is none.
func readManifest(out string) (*manifest, error) {
	b, err := os.ReadFile(manifestPath(out))
	if err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return nil, nil
		}
		return nil, err
	}
	var head struct{ Schema int }
	if json.Unmarshal(b, &head) == nil {
		if err := checkOutputVersion(manifestPath(out), head.Schema); err != nil {
			return nil, err
		}
	}
	var m manifest
	if err := json.Unmarshal(b, &m); err != nil {
		return nil, &layer.Error{File: manifestPath(out), Err: err, Remedy: "remove it; the changes are then found without it"}
	}
	return &m, nil
}
