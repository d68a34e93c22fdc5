package layer

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"soilshed/geo/crs"
)

func TestOpenSaysWhatItCannot(t *testing.T) {
	folder := t.TempDir()
	os.Mkdir(filepath.Join(folder, "town.gdb"), 0o777)
	for name, c := range map[string]struct{ content, want string }{
		"town.gdb":    {"", "file geodatabase"},
		"nothing.shp": {"", "is the name right?"},
		"empty.gpkg":  {"", "is empty"},
		"a.dbf":       {"x", "name the .shp"},
		"a.zip":       {"PK", "cannot be read as a zip archive"},
		"a.csv":       {"id,a,b\n", "no columns of coordinates"},
		"a":           {"\x00\x00\x00", "no known format"},
		"a.shp":       {"x", "too few"},
	} {
		path := filepath.Join(folder, name)
		if c.content != "" || strings.HasPrefix(name, "empty") {
			os.WriteFile(path, []byte(c.content), 0o666)
		}
		_, err := Open(path, Options{})
		var e *Error
		if !errors.As(err, &e) || !strings.Contains(err.Error(), c.want) || e.Remedy == "" {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
		if strings.HasPrefix(name, "nothing") != errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestOpenSniffs(t *testing.T) {
	shp, _ := rawSHP(1, rawPoint(1, 3, 4))
	if _, all := mustRead(t, put(t, "layer.bin", string(shp)), Options{}); len(all) != 1 {
		t.Error("a shapefile under another ending")
	}
	if _, all := mustRead(t, put(t, "layer", oak), Options{}); len(all) != 1 {
		t.Error("GeoJSON without an ending")
	}
}

func TestSystemFor(t *testing.T) {
	ft := system(t, "EPSG:2263")
	for name, want := range map[string]*crs.System{"a.geojson": crs.WGS84(), "A.GEOJSON.GZ": crs.WGS84(), "a.ndjson": crs.WGS84(), "a.shp": ft, "a.gpkg": ft, "a.xyz": ft} {
		if got := SystemFor(name, ft); got != want {
			t.Errorf("%s: %s", name, got.Name())
		}
	}
}
