package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"soilshed/fixtures"
)

// demoTree is the tree of which the README tells.
const demoTree = "1455"

const aboutDemo = `soilshed demo lays out the invented town of Wrenfold (trees, paving, soil, weather,
gusts; all made up), runs the main job on it and says what to open.`

func runDemo(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	f := pflag.NewFlagSet("demo", pflag.ContinueOnError)
	dir := f.String("dir", "demo-out", "`FOLDER` to write to")
	if err := parse(f, args, "demo", aboutDemo, stdout); err != nil {
		if err == pflag.ErrHelp {
			return nil
		}
		return err
	}
	if err := os.MkdirAll(*dir, 0o777); err != nil {
		return err
	}
	town := filepath.Join(*dir, "wrenfold")
	if err := fixtures.LayOutTown(town); err != nil {
		return err
	}
	in := func(name string) string { return filepath.Join(town, name) }
	out, page := filepath.Join(*dir, "wrenfold.gpkg"), filepath.Join(*dir, "wrenfold.html")
	flags := []string{
		"--trees", in("trees.geojson"), "--field", "dbh=DIAM:in", "--field", "removed=REMOVED",
		"--pavement", in("roads.geojson"), "--pavement", in("sidewalks.geojson"),
		"--pavement", in("driveways.geojson"), "--pavement", in("buildings.geojson"),
		"--bed", in("beds.geojson"), "--rootable", in("rootable.geojson"), "--barrier", in("walls.geojson"),
		"--soil", in("soil.geojson"), "--weather", in("weather.csv"), "--elevation", "360", "--gusts", in("gusts.csv"),
		"--year", "2024",
	}
	if err := runAssess(ctx, append(flags[:len(flags):len(flags)], "--out", out, "--page", page), stdout, stderr); err != nil {
		return err
	}
	fmt.Fprintf(stdout, `
Open %s in a desktop GIS: the layer trees holds the results, openings the
ground that each tree has. Or open %s in a browser.
The chain of one tree, from its numbers to its rank:

  go run ./cmd/soilshed explain %s %s

Two designs for Lantern Street, side by side:

  go run ./cmd/soilshed compare --before %s --after %s --after %s --within %s --prices %s

Everything about Wrenfold is invented.
`, out, page, demoTree, strings.Join(flags, " "), in("today.toml"), in("option-a.toml"), in("option-b.toml"), in("corridor.geojson"), in("prices.csv"))
	return nil
}
