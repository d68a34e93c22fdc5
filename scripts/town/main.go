// Town writes fixtures/town: Wrenfold, a town that does not exist, with its
// streets, trees, soil, weather and records, for the demo and the tests.
//
//	go run ./scripts/town
//
// It writes the same bytes on every run. fixtures/town.md tells what the files
// hold. With --metres DIR it also writes the layers there in grid metres
// (GeoJSON with a "crs" member), for scripts/reference.
package main

import (
	"encoding/csv"
	"flag"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"strings"

	"soilshed/scripts/plat"
)

// seed of everything that is drawn by chance.
const seed = 20240517

func main() {
	log.SetFlags(0)
	log.SetPrefix("town: ")
	out := flag.String("out", "fixtures/town", "folder to write to")
	metres := flag.String("metres", "", "also write the layers in grid metres to this folder")
	flag.Parse()
	if flag.NArg() > 0 {
		log.Fatalf("unexpected argument %q", flag.Arg(0))
	}
	if err := run(*out, *metres); err != nil {
		log.Fatal(err)
	}
}

// record is one feature of a layer, in grid metres.
type record struct {
	geometry any
	props    []plat.Prop
}

type table struct {
	name   string
	header []string
	rows   [][]string
}

func run(out, metres string) error {
	t := drawStreets()
	t.plant()
	t.redesign()
	for _, dir := range []string{out, filepath.Join(out, "option-a"), filepath.Join(out, "option-b")} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return err
		}
	}
	for _, name := range t.layerNames {
		if err := t.writeGeoJSON(out, name, false); err != nil {
			return err
		}
		if metres == "" {
			continue
		}
		if err := os.MkdirAll(filepath.Join(metres, filepath.Dir(name)), 0o755); err != nil {
			return err
		}
		if err := t.writeGeoJSON(metres, name, true); err != nil {
			return err
		}
	}
	for _, name := range []string{"trees", "sidewalks"} {
		if err := t.writeSurveyFeet(out, name); err != nil {
			return err
		}
	}
	for name, text := range configurations() {
		if err := os.WriteFile(filepath.Join(out, name), []byte(text), 0o644); err != nil {
			return err
		}
	}
	for _, tab := range append(t.tables, weather(), gusts(), prices()) {
		if err := writeCSV(filepath.Join(out, tab.name), tab); err != nil {
			return err
		}
	}
	return nil
}

func (t *town) writeGeoJSON(dir, name string, metres bool) error {
	sink, err := plat.CreateGeoJSON(filepath.Join(dir, name+".geojson"), filepath.Base(name), t.grid, metres)
	if err != nil {
		return err
	}
	return pour(sink, t.layers[name])
}

func (t *town) writeSurveyFeet(dir, name string) error {
	kind := uint32(plat.ShapePolygon)
	if name == "trees" {
		kind = plat.ShapePoint
	}
	recs := t.layers[name]
	props := make([][]plat.Prop, len(recs))
	for i, r := range recs {
		props[i] = r.props
	}
	sink, err := plat.CreateShapefile(filepath.Join(dir, name+"-ftus"), kind, plat.Columns(props), t.grid.ESRISurveyFeet, t.grid.SurveyFeet)
	if err != nil {
		return err
	}
	return pour(sink, recs)
}

func pour(sink plat.Sink, recs []record) error {
	for _, r := range recs {
		if err := sink.Add(r.geometry, r.props); err != nil {
			return err
		}
	}
	return sink.Close()
}

func writeCSV(path string, t table) error {
	var b strings.Builder
	w := csv.NewWriter(&b)
	if err := w.Write(t.header); err != nil {
		return err
	}
	if err := w.WriteAll(t.rows); err != nil {
		return err
	}
	return os.WriteFile(path, []byte(b.String()), 0o644)
}

func f(decimals int, v float64) string { return fmt.Sprintf("%.*f", decimals, v) }
