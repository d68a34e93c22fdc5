package layer

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"soilshed/geo/crs"
)

// format is a kind of file this package knows.
type format uint8

const (
	formatUnknown format = iota
	formatGeoJSON
	formatShapefile
	formatGeoPackage
	formatCSV
	formatZip
	formatGeoParquet
	formatFlatGeobuf
)

const formatsRead = "GeoJSON (.geojson, .json, .geojsonl, .ndjson, each also .gz), shapefile (.shp, or zipped), GeoPackage (.gpkg), GeoParquet (.parquet, .geoparquet), FlatGeobuf (.fgb, also .gz), points in CSV (.csv, .tsv, each also .gz) and PostGIS (postgres://HOST/DATABASE?table=NAME) are read"

// formatOf goes by the ending of a path.
func formatOf(path string) format {
	n := strings.ToLower(path)
	packed := strings.HasSuffix(n, ".gz")
	n = strings.TrimSuffix(n, ".gz")
	switch filepath.Ext(n) {
	case ".geojson", ".json", ".geojsonl", ".geojsons", ".geojsonseq", ".ndjson", ".ndgeojson", ".jsonl":
		return formatGeoJSON
	case ".shp":
		if !packed {
			return formatShapefile
		}
	case ".gpkg":
		if !packed {
			return formatGeoPackage
		}
	case ".csv", ".tsv":
		return formatCSV
	case ".zip":
		if !packed {
			return formatZip
		}
	case ".parquet", ".geoparquet":
		if !packed {
			return formatGeoParquet
		}
	case ".fgb":
		return formatFlatGeobuf
	}
	return formatUnknown
}

// tableMark stands between the name of a file and that of a layer in it, as it
// does in the address of a database.
const tableMark = "?table="

// SplitTable parts FILE?table=NAME, which names a layer of a file with several.
// Without a table it is "", and so it is for the address of a database and for a
// file that is there under the whole name.
func SplitTable(path string) (file, table string) {
	at := strings.LastIndex(path, tableMark)
	if at < 0 || IsDatabase(path) {
		return path, ""
	}
	if _, err := os.Stat(path); err == nil {
		return path, ""
	}
	return path[:at], path[at+len(tableMark):]
}

// Open opens the layer in a file. The format goes by the ending of the name, or
// by the first bytes where the ending says nothing. FILE?table=NAME names a
// layer of a file with several, as Options.Layer does.
func Open(path string, o Options) (Source, error) {
	if o.Spooled != nil {
		return o.Spooled.open(o)
	}
	if IsDatabase(path) {
		return openPostGIS(path, o)
	}
	path, table := SplitTable(path)
	if table != "" {
		if o.Layer != "" && o.Layer != table {
			return nil, &Error{File: path, Err: fmt.Errorf("two layers are named for it, %q and %q", o.Layer, table), Remedy: "name one"}
		}
		o.Layer = table
	}
	info, err := os.Stat(path)
	if err != nil {
		return nil, missing(path, err)
	}
	if info.IsDir() {
		e := &Error{File: path, Err: errors.New("is a folder"), Remedy: "name the file in it"}
		if strings.EqualFold(filepath.Ext(path), ".gdb") {
			e.Err, e.Remedy = errors.New("is a file geodatabase, which is not read"), "convert it: ogr2ogr layer.gpkg "+filepath.Base(path)
		}
		return nil, e
	}
	if info.Size() == 0 {
		return nil, &Error{File: path, Err: errors.New("is empty"), Remedy: "copy or export it again"}
	}
	f := formatOf(path)
	if f == formatUnknown {
		if f, err = sniff(path); err != nil {
			return nil, err
		}
	}
	if table != "" && f != formatGeoPackage && f != formatZip {
		return nil, &Error{File: path, Err: fmt.Errorf("holds one layer, and no table %q", table), Remedy: "leave " + tableMark + table + " away"}
	}
	switch f {
	case formatGeoJSON:
		return openGeoJSON(path, o)
	case formatShapefile:
		return openShapefile(path, o)
	case formatGeoPackage:
		return openGeoPackage(path, o)
	case formatCSV:
		return openCSV(path, o)
	case formatZip:
		return openZip(path, o)
	case formatGeoParquet:
		return openGeoParquet(path, o)
	case formatFlatGeobuf:
		return openFlatGeobuf(path, o)
	}
	return nil, &Error{File: path, Err: errors.New("is of no known format"), Remedy: formatsRead}
}

// missing says that a file cannot be opened.
func missing(path string, err error) error {
	e := &Error{File: path, Err: err}
	var p *fs.PathError
	if errors.As(err, &p) {
		e.Err = p.Err
	}
	if errors.Is(err, fs.ErrNotExist) {
		e.Remedy = "is the name right?"
		if old := keptAside(path); old != "" {
			e.Remedy = "a run was stopped while it moved new files in; the older ones are kept in " + old
		}
	}
	return e
}

// sniff tells a format from the first bytes of a file.
func sniff(path string) (format, error) {
	ext := strings.ToLower(filepath.Ext(path))
	switch ext {
	case ".dbf", ".shx", ".prj", ".cpg":
		return 0, &Error{File: path, Err: errors.New("is one part of a shapefile"), Remedy: "name the .shp"}
	}
	f, err := openUnpacked(path)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	head := make([]byte, 512)
	n, err := io.ReadFull(f, head)
	if err != nil && err != io.ErrUnexpectedEOF && err != io.EOF {
		return 0, &Error{File: path, Err: fmt.Errorf("reading: %w", err)}
	}
	head = head[:n]
	text := bytes.TrimLeft(bytes.TrimPrefix(head, []byte("\xEF\xBB\xBF")), " \t\r\n\x1E")
	switch {
	case bytes.HasPrefix(head, []byte("SQLite format 3\x00")):
		return formatGeoPackage, nil
	case bytes.HasPrefix(head, []byte("PK\x03\x04")):
		return formatZip, nil
	case bytes.HasPrefix(head, []byte{0, 0, 0x27, 0x0A}):
		return formatShapefile, nil
	case bytes.HasPrefix(text, []byte("{")):
		return formatGeoJSON, nil
	case bytes.HasPrefix(head, []byte(fgbMagic)):
		return formatFlatGeobuf, nil
	case bytes.HasPrefix(head, []byte("PAR1")), bytes.HasPrefix(head, []byte("PARE")): // Apache Parquet, "File format"; PARE is encrypted
		return formatGeoParquet, nil
	}
	return formatUnknown, nil
}

// Create makes an output of one or more layers; the format goes by the ending
// of the name. A GeoPackage holds them all. GeoJSON, GeoParquet, FlatGeobuf and shapefile write
// layer 0 to path and each other layer beside it, to NAME-LAYER with the same ending;
// tables without geometry go to NAME-LAYER.csv. The address of a table in PostGIS
// (postgres://...?table=NAME) gets layer 0 as that table and the others as
// NAME_LAYER.
//
// A Sink of a file also has a method Notes() []string that tells,
// once Commit has returned, what the format could not hold: names cut, texts
// shortened, numbers left empty.
func Create(path string, schemas []Schema, o CreateOptions) (Sink, error) {
	if len(schemas) == 0 {
		return nil, &Error{File: path, Err: errors.New("no layer to write")}
	}
	if IsDatabase(path) {
		return createPostGIS(path, schemas, o)
	}
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		return nil, &Error{File: path, Err: errors.New("is a folder"), Remedy: "give the name of a file"}
	}
	folder := filepath.Dir(path)
	if info, err := os.Stat(folder); err != nil || !info.IsDir() {
		return nil, &Error{File: path, Err: fmt.Errorf("there is no folder %s", folder), Remedy: "make it first"}
	}
	switch formatOf(path) {
	case formatGeoJSON:
		return createGeoJSON(path, schemas, o)
	case formatShapefile:
		return createShapefile(path, schemas, o)
	case formatGeoPackage:
		return createGeoPackage(path, schemas, o)
	case formatGeoParquet:
		return createGeoParquet(path, schemas, o)
	case formatFlatGeobuf:
		return createFlatGeobuf(path, schemas, o)
	}
	return nil, &Error{File: path, Err: fmt.Errorf("the ending %q names no format that is written", filepath.Ext(path)), Remedy: "end the name in .gpkg, .geojson, .parquet, .fgb or .shp"}
}

// SystemFor returns the coordinate system in which Create's file at path is to
// be written when the trees are in the given one: WGS 84 for GeoJSON (RFC 7946,
// section 4), the trees' own for the others.
func SystemFor(path string, trees *crs.System) *crs.System {
	if formatOf(path) == formatGeoJSON && !IsDatabase(path) {
		return crs.WGS84()
	}
	return trees
}
