package layer

import (
	"archive/zip"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A layer tells of its own bytes alone: whatever other file it names, by a link in
// an archive, a view, a virtual table or a description in another program's form,
// is not opened for it.
func TestInputsReachNoOtherFile(t *testing.T) {
	const secret = "TOPSECRET"
	dir := t.TempDir()
	put := func(name string, b []byte) string {
		path := filepath.Join(dir, name)
		noError(t, os.WriteFile(path, b, 0o666))
		return path
	}
	other := put("secret.csv", []byte("lon,lat,word\n1,2,"+secret+"\n"))
	writeTown(t, filepath.Join(dir, "other.gpkg"), 3)
	edits := []string{"UPDATE trees SET tree_id='" + secret + "'"}
	for n := 4; n >= 1; n-- { // the triggers call functions that only a GIS has
		edits = append([]string{fmt.Sprintf("DROP TRIGGER rtree_trees_geom_update%d", n)}, edits...)
	}
	editGPKG(t, filepath.Join(dir, "other.gpkg"), edits...)

	// read is all that can be learnt of a file: records, notes, errors.
	read := func(path string, o Options) string {
		s, err := Open(path, o)
		if err != nil {
			return err.Error()
		}
		defer s.Close()
		var b strings.Builder
		fmt.Fprintln(&b, s.Schema())
		for f, err := range s.Features() {
			fmt.Fprintln(&b, f, err)
			var bad *RecordError
			if err != nil && !errors.As(err, &bad) {
				break
			}
		}
		fmt.Fprintln(&b, s.Notes())
		return b.String()
	}
	if !strings.Contains(read(other, Options{}), secret) || !strings.Contains(read(filepath.Join(dir, "other.gpkg"), Options{Layer: "trees"}), secret) {
		t.Fatal("the secret is not read where it lies: the check finds nothing")
	}

	linked := func(target string) string {
		f, err := os.Create(filepath.Join(dir, "linked.zip"))
		noError(t, err)
		z := zip.NewWriter(f)
		h := &zip.FileHeader{Name: "a.csv"}
		h.SetMode(os.ModeSymlink | 0o777)
		w, err := z.CreateHeader(h)
		noError(t, err)
		_, err = w.Write([]byte(target))
		noError(t, errors.Join(err, z.Close(), f.Close()))
		return f.Name()
	}
	// Each file is sound but for what it asks: it is an error or what it is itself.
	gpkg := func(name string, statements ...string) (string, Options) {
		path := filepath.Join(dir, name)
		writeTown(t, path, 3)
		listed := `INSERT INTO gpkg_contents SELECT 'v', 'attributes', 'v', '', last_change, NULL, NULL, NULL, NULL, NULL FROM gpkg_contents WHERE table_name = 'trees'`
		editGPKG(t, path, append(statements, listed)...)
		return path, Options{Layer: "v"}
	}
	db := strings.ReplaceAll(filepath.Join(dir, "other.gpkg"), "'", "''")
	type file struct {
		path string
		o    Options
	}
	ask := map[string]file{
		"link in an archive":          {linked(other), Options{}},
		"link upwards in an archive":  {linked("../secret.csv"), Options{}},
		"description, as GeoJSON":     {put("a.geojson", []byte(`<OGRVRTDataSource><OGRVRTLayer name="secret"><SrcDataSource>`+other+`</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>`)), Options{}},
		"description, as CSV":         {put("a.csv", []byte(`<OGRVRTDataSource><OGRVRTLayer name="secret"><SrcDataSource>`+other+"</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>\n")), Options{}},
		"description, as shapefile":   {put("a.shp", []byte(`<OGRVRTDataSource><OGRVRTLayer name="secret"><SrcDataSource>`+other+`</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>`)), Options{}},
		"coordinate system of a file": {put("b.geojson", []byte(`{"type":"FeatureCollection","crs":{"type":"link","properties":{"href":"`+other+`","type":"ogcwkt"}},"features":[]}`)), Options{}},
		"path of another program":     {"/vsizip/" + filepath.Join(dir, "linked.zip") + "/a.csv", Options{}},
	}
	for name, statement := range map[string]string{
		"function that reads files": `CREATE VIEW v AS SELECT 1 AS id, readfile('` + other + `') AS word`,
		"function of an extension":  `CREATE VIEW v AS SELECT 1 AS id, load_extension('` + other + `') AS word`,
		"virtual table":             `CREATE VIEW v AS SELECT 1 AS id, data AS word FROM fsdir('` + dir + `')`,
	} {
		path, o := gpkg(strings.ReplaceAll(name, " ", "-")+".gpkg", statement)
		ask[name] = file{path, o}
	}
	path, o := gpkg("attached.gpkg", "PRAGMA writable_schema=ON",
		`INSERT INTO sqlite_master (type,name,tbl_name,rootpage,sql) VALUES ('view','v','v',0,'CREATE VIEW v AS SELECT 1 AS id, tree_id AS word FROM other.trees')`)
	ask["another database"] = file{path, o}
	path, o = gpkg("attach.gpkg", `CREATE VIEW v AS SELECT 1 AS id, 'ATTACH DATABASE "`+db+`" AS other' AS word`,
		`CREATE TRIGGER t INSTEAD OF INSERT ON v BEGIN SELECT load_extension('`+other+`'); END`)
	ask["a statement as text"] = file{path, o}
	for name, f := range ask {
		if said := read(f.path, f.o); strings.Contains(said, secret) {
			t.Errorf("%s: another file was read:\n%s", name, said)
		}
	}
}
