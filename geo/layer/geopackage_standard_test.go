package layer

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"zombiezen.com/go/sqlite"

	"soilshed/geo/crs"
)

// What is written is held against OGC 12-128r19 (version 1.3) requirement by
// requirement, in SQL as its abstract test suite (annex A) puts it. Each query
// gives the rows that break the requirement.
func TestGeoPackageStandard(t *testing.T) {
	path := filepath.Join(t.TempDir(), "town.gpkg")
	writeTown(t, path, 500)
	raw, err := os.ReadFile(path)
	noError(t, err)
	if string(raw[:16]) != "SQLite format 3\x00" {
		t.Error("Req 1: header")
	}
	if string(raw[68:72]) != "GPKG" || binary.BigEndian.Uint32(raw[60:]) != 10300 {
		t.Error("Req 2: application_id, user_version")
	}
	conn, err := sqlite.OpenConn(path, sqlite.OpenReadOnly)
	noError(t, err)
	defer conn.Close()

	if got := cellOf(t, conn, "PRAGMA integrity_check"); got != "ok" {
		t.Error("Req 6:", got)
	}
	for _, c := range []struct{ req, breaks string }{
		{"5: column types", `SELECT m.name, c.name, c.type FROM sqlite_master m, pragma_table_info(m.name) c
			WHERE m.name IN ('trees','openings','changes','layer_styles')
			AND c.type NOT IN ('BOOLEAN','INTEGER','REAL','TEXT','DATE','DATETIME','POINT','MULTIPOLYGON') AND c.type NOT LIKE 'TEXT(%'`},
		{"7: foreign keys", `PRAGMA foreign_key_check`},
		{"10: gpkg_spatial_ref_sys", `SELECT 1 WHERE (SELECT group_concat(name || ' ' || type || ' ' || "notnull" || pk) FROM pragma_table_info('gpkg_spatial_ref_sys'))
			<> 'srs_name TEXT 10,srs_id INTEGER 01,organization TEXT 10,organization_coordsys_id INTEGER 10,definition TEXT 10,description TEXT 00'`},
		{"11: rows that are always there", `SELECT 1 WHERE 3 <> (SELECT count(*) FROM gpkg_spatial_ref_sys WHERE
			(srs_id, lower(organization), organization_coordsys_id) IN (VALUES (4326,'epsg',4326), (-1,'none',-1), (0,'none',0))
			AND (definition = 'undefined') = (srs_id <= 0))`},
		{"12, 16: systems are defined", `SELECT srs_id FROM gpkg_contents WHERE srs_id NOT IN (SELECT srs_id FROM gpkg_spatial_ref_sys)`},
		{"13: gpkg_contents", `SELECT 1 WHERE (SELECT group_concat(name || ' ' || type || ' ' || "notnull" || pk) FROM pragma_table_info('gpkg_contents'))
			<> 'table_name TEXT 11,data_type TEXT 10,identifier TEXT 00,description TEXT 00,last_change DATETIME 10,min_x DOUBLE 00,min_y DOUBLE 00,max_x DOUBLE 00,max_y DOUBLE 00,srs_id INTEGER 00'`},
		{"14: contents are tables", `SELECT table_name FROM gpkg_contents WHERE table_name NOT IN (SELECT name FROM sqlite_master)`},
		{"15: times", `SELECT last_change FROM gpkg_contents WHERE last_change NOT GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].[0-9][0-9][0-9]Z'`},
		{"17, 18, 118: contents", `SELECT 1 WHERE (SELECT group_concat(table_name || ' ' || data_type) FROM gpkg_contents)
			<> 'trees features,openings features,changes attributes,layer_styles attributes'`},
		{"19: blobs", `SELECT fid FROM trees WHERE hex(substr(geom,1,8)) <> '47500001697F0000' OR length(geom) <> 29
			UNION ALL SELECT fid FROM openings WHERE hex(substr(geom,1,8)) <> '47500003697F0000'`},
		{"21, 22, 23: gpkg_geometry_columns", `SELECT table_name FROM gpkg_contents WHERE data_type='features' AND table_name NOT IN (SELECT table_name FROM gpkg_geometry_columns)
			UNION ALL SELECT table_name FROM gpkg_geometry_columns WHERE table_name NOT IN (SELECT table_name FROM gpkg_contents WHERE data_type='features')`},
		{"24, 25, 31: geometry columns", `SELECT table_name FROM gpkg_geometry_columns g WHERE NOT EXISTS
			(SELECT 1 FROM pragma_table_info(g.table_name) c WHERE c.name = g.column_name AND c.type = g.geometry_type_name AND c.type = upper(c.type))`},
		{"26, 146: systems of geometry columns", `SELECT g.table_name FROM gpkg_geometry_columns g JOIN gpkg_contents c USING (table_name) WHERE g.srs_id <> c.srs_id`},
		{"27, 28: no heights, no measures", `SELECT table_name FROM gpkg_geometry_columns WHERE z <> 0 OR m <> 0`},
		{"29, 119: keys", `SELECT m.name FROM sqlite_master m WHERE m.name IN ('trees','openings','changes') AND NOT EXISTS
			(SELECT 1 FROM pragma_table_info(m.name) c WHERE c.pk = 1 AND c.type = 'INTEGER')`},
		{"32: geometries of the column's type", `SELECT fid FROM trees WHERE hex(substr(geom,9,5)) <> '0101000000'
			UNION ALL SELECT fid FROM openings WHERE hex(substr(geom,41,5)) <> '0106000000'`},
		{"58: gpkg_extensions", `SELECT 1 WHERE (SELECT group_concat(name || ' ' || type || ' ' || "notnull") FROM pragma_table_info('gpkg_extensions'))
			<> 'table_name TEXT 0,column_name TEXT 0,extension_name TEXT 1,definition TEXT 1,scope TEXT 1'`},
		{"59, 62: extensions are registered", `SELECT 1 WHERE (SELECT group_concat(DISTINCT extension_name) FROM (SELECT * FROM gpkg_extensions ORDER BY extension_name)) <> 'gpkg_metadata,gpkg_rtree_index,gpkg_schema'`},
		{"60: extended tables", `SELECT table_name FROM gpkg_extensions WHERE table_name NOT IN (SELECT name FROM sqlite_master)`},
		{"63, 64: scopes", `SELECT table_name FROM gpkg_extensions WHERE definition NOT LIKE 'http://www.geopackage.org/spec130/#extension_%' OR
			scope <> CASE extension_name WHEN 'gpkg_rtree_index' THEN 'write-only' ELSE 'read-write' END`},
		{"75, 76: the index is registered", `SELECT table_name FROM gpkg_geometry_columns EXCEPT SELECT table_name FROM gpkg_extensions WHERE extension_name='gpkg_rtree_index' AND column_name='geom'`},
		{"77: the index", `SELECT table_name FROM gpkg_geometry_columns WHERE NOT EXISTS (SELECT 1 FROM sqlite_master WHERE
			sql = 'CREATE VIRTUAL TABLE "rtree_' || table_name || '_' || column_name || '" USING rtree(id, minx, maxx, miny, maxy)')`},
		{"77: its triggers", `SELECT table_name, s.column1 FROM gpkg_geometry_columns, (VALUES ('insert'),('update1'),('update2'),('update3'),('update4'),('delete')) s
			WHERE NOT EXISTS (SELECT 1 FROM sqlite_master WHERE type='trigger' AND tbl_name=table_name AND name='rtree_'||table_name||'_geom_'||s.column1)`},
		{"77: its rows", `SELECT fid FROM trees EXCEPT SELECT id FROM rtree_trees_geom UNION ALL SELECT id FROM rtree_openings_geom EXCEPT SELECT fid FROM openings`},
		{"93, 95: metadata tables", `SELECT 1 WHERE (SELECT group_concat(name || ' ' || type) FROM pragma_table_info('gpkg_metadata')) <> 'id INTEGER,md_scope TEXT,md_standard_uri TEXT,mime_type TEXT,metadata TEXT'
			OR (SELECT group_concat(name || ' ' || type) FROM pragma_table_info('gpkg_metadata_reference')) <> 'reference_scope TEXT,table_name TEXT,column_name TEXT,row_id_value INTEGER,timestamp DATETIME,md_file_id INTEGER,md_parent_id INTEGER'`},
		{"96, 97, 98, 99: metadata of what", `SELECT * FROM gpkg_metadata_reference WHERE column_name IS NOT NULL OR row_id_value IS NOT NULL OR
			CASE reference_scope WHEN 'geopackage' THEN table_name IS NOT NULL WHEN 'table' THEN table_name NOT IN (SELECT table_name FROM gpkg_contents) ELSE 1 END`},
		{"100: time of metadata", `SELECT timestamp FROM gpkg_metadata_reference WHERE timestamp <> '2024-05-01T02:00:00.000Z'`},
		{"101, 102: metadata rows", `SELECT md_file_id FROM gpkg_metadata_reference WHERE md_file_id NOT IN (SELECT id FROM gpkg_metadata) OR md_parent_id IS NOT NULL`},
		{"103, 104, 105: columns described", `SELECT d.table_name FROM gpkg_data_columns d WHERE table_name NOT IN (SELECT table_name FROM gpkg_contents)
			OR column_name NOT IN (SELECT name FROM pragma_table_info(d.table_name))`},
		{"140, 141: two rows an extension", `SELECT extension_name FROM gpkg_extensions WHERE extension_name <> 'gpkg_rtree_index' GROUP BY 1 HAVING count(*) <> 2 OR max(column_name) IS NOT NULL`},
		{"148: extents hold the features", `SELECT table_name FROM gpkg_contents c, rtree_openings_geom r WHERE c.table_name='openings' AND
			(r.minx < c.min_x - 1 OR r.maxx > c.max_x + 1 OR r.miny < c.min_y - 1 OR r.maxy > c.max_y + 1)`},
		{"(desktop GIS) styles", `SELECT * FROM layer_styles WHERE f_table_schema IS NOT '' OR f_geometry_column IS NOT 'geom' OR useAsDefault IS NOT 1 OR coalesce(styleQML,'') = '' OR coalesce(styleSLD,'') = ''
			OR f_table_name NOT IN (SELECT table_name FROM gpkg_contents)`},
		{"(ours) metadata", `SELECT 1 WHERE (SELECT mime_type || metadata FROM gpkg_metadata) <> 'text/plain' || 'reach 12 x DBH' || char(10) || 'Confirm on site.'`},
		{"(ours) names and units", `SELECT 1 WHERE (SELECT name || '|' || title || '|' || coalesce(description,'') FROM gpkg_data_columns WHERE column_name='dbh_cm')
			<> 'Diameter|Diameter [cm]|At breast height.'`},
	} {
		err := query(conn, c.breaks, nil, func(row *sqlite.Stmt) error {
			var cells []string
			for i := range row.ColumnCount() {
				cells = append(cells, row.ColumnText(i))
			}
			t.Errorf("Req %s: broken by %q", c.req, cells)
			return nil
		})
		if err != nil {
			t.Errorf("Req %s: %v", c.req, err)
		}
	}
	checkIndex(t, path, "trees")
	checkIndex(t, path, "openings")

	// Req 19: the envelope is minx, maxx, miny, maxy.
	err = query(conn, "SELECT fid, geom FROM openings", nil, func(row *sqlite.Stmt) error {
		blob := make([]byte, row.ColumnLen(1))
		row.ColumnBytes(1, blob)
		g, _, err := decodeGPKG(blob, new(wkbRepairs))
		noError(t, err)
		var e [4]float64
		noError(t, binary.Read(bytes.NewReader(blob[gpkgHeaderBytes:]), binary.LittleEndian, &e))
		if b := g.Bound(); e != [4]float64{b.Min[0], b.Max[0], b.Min[1], b.Max[1]} {
			t.Errorf("Req 19: envelope of %d: %v, box %v", row.ColumnInt64(0), e, b)
		}
		return nil
	})
	noError(t, err)
}

// A system without a code is written whole, once, under a number of our own
// (Req 12); a layer that does not know its system is of the undefined one.
func TestGeoPackageOwnSystem(t *testing.T) {
	local, err := crs.ParseWKT(`PROJCS["Town grid",GEOGCS["NAD83",DATUM["North_American_Datum_1983",SPHEROID["GRS 1980",6378137,298.257222101]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",45],PARAMETER["central_meridian",-75.25],PARAMETER["scale_factor",1],PARAMETER["false_easting",1000],PARAMETER["false_northing",2000],UNIT["metre",1]]`)
	noError(t, err)
	path := filepath.Join(t.TempDir(), "own.gpkg")
	sink, err := createGeoPackage(path, []Schema{
		{Name: "a", Shape: Points, System: local}, {Name: "b", Shape: Lines, System: local}, {Name: "c", Shape: Points}, {Name: "d", Shape: Points, System: crs.WGS84()},
	}, CreateOptions{Changed: testChanged})
	noError(t, err)
	for i := range 4 {
		var g orb.Geometry = orb.Point{1, 2}
		if i == 1 {
			g = orb.LineString{{1, 2}, {3, 4}}
		}
		noError(t, sink.Write(i, Feature{Geometry: g}))
	}
	noError(t, sink.Commit())
	conn, err := sqlite.OpenConn(path, sqlite.OpenReadOnly)
	noError(t, err)
	defer conn.Close()
	if got := cellOf(t, conn, "SELECT group_concat(table_name || srs_id) FROM gpkg_geometry_columns"); got != "a100000,b100000,c-1,d4326" {
		t.Error(got)
	}
	if got := cellOf(t, conn, "SELECT group_concat(srs_id || organization) FROM (SELECT * FROM gpkg_spatial_ref_sys ORDER BY srs_id)"); got != "-1NONE,0NONE,4326EPSG,100000NONE" {
		t.Error(got)
	}
	s := openTestGPKG(t, path, Options{Layer: "b"})
	if !s.Schema().System.Same(local) {
		t.Errorf("read back: %v", s.Schema().System)
	}
	features, _ := recordsOf(t, s)
	if len(features) != 1 || !orb.Equal(features[0].Geometry, orb.MultiLineString{{{1, 2}, {3, 4}}}) {
		t.Errorf("read back: %v", features)
	}
}

func TestGeoPackageRefuses(t *testing.T) {
	dir := t.TempDir()
	ok := CreateOptions{Changed: testChanged}
	for _, c := range []struct {
		schema Schema
		o      CreateOptions
		want   string
	}{
		{Schema{Name: ""}, ok, "cannot be the name"},
		{Schema{Name: "gpkg_trees"}, ok, "reserved"},
		{Schema{Name: "Layer_Styles"}, ok, "taken"},
		{Schema{Name: "a", Shape: Mixed}, ok, "mixed"},
		{Schema{Name: "a", Fields: make([]Field, 1999)}, ok, "1999 fields"},
		{Schema{Name: "a"}, CreateOptions{Changed: "2024-05-01"}, "time of change"},
		{Schema{Name: "a"}, CreateOptions{Changed: testChanged, Styles: []Style{{Layer: 1}}}, "style"},
	} {
		sink, err := createGeoPackage(filepath.Join(dir, "no.gpkg"), []Schema{c.schema}, c.o)
		if err == nil {
			err = sink.Commit()
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v", c.want, err)
		}
	}
	left, _ := filepath.Glob(filepath.Join(dir, "*"))
	hidden, _ := filepath.Glob(filepath.Join(dir, ".*"))
	if len(left)+len(hidden) > 0 {
		t.Errorf("left behind: %v %v", left, hidden)
	}
}

// A record that cannot be written is left out; the others are kept.
func TestGeoPackageRecordsLeftOut(t *testing.T) {
	path := filepath.Join(t.TempDir(), "some.gpkg")
	sink, err := createGeoPackage(path, []Schema{{Name: "a", Shape: Points, Fields: []Field{{Name: "n", Kind: Integer}}}}, CreateOptions{Changed: testChanged})
	noError(t, err)
	one := []Value{Whole(1)}
	nan := orb.Point{0, 0}
	nan[0] = nan[0] / nan[1]
	for _, c := range []struct {
		f      Feature
		reason string
	}{
		{Feature{Geometry: orb.Point{1, 1}, Values: one}, ""},
		{Feature{FID: 5, Geometry: orb.Point{1, 1}, Values: one}, ""},
		{Feature{FID: 5, Geometry: orb.Point{1, 1}, Values: one}, "number twice"},
		{Feature{FID: 1, Geometry: orb.Point{1, 1}, Values: one}, "number twice"},
		{Feature{FID: 3, Geometry: orb.Point{1, 1}, Values: one}, ""},
		{Feature{FID: -1, Geometry: orb.Point{1, 1}, Values: one}, "negative number"},
		{Feature{Geometry: nan, Values: one}, reasonNumber},
		{Feature{Geometry: orb.LineString{{1, 1}, {2, 2}}, Values: one}, reasonType},
		{Feature{Geometry: orb.Point{1, 1}}, "wrong number of values"},
		{Feature{Values: one}, ""},
	} {
		err := sink.Write(0, c.f)
		var bad *RecordError
		reason := ""
		if asFault(err, &bad) {
			reason = bad.Reason
		} else {
			noError(t, err)
		}
		if reason != c.reason {
			t.Errorf("%+v: %v", c.f, err)
		}
	}
	for range 20 { // past a full statement: a number from an earlier one
		noError(t, sink.Write(0, Feature{Geometry: orb.Point{1, 1}, Values: one}))
	}
	if err := sink.Write(0, Feature{FID: 3, Values: one}); err == nil {
		t.Error("a number twice")
	}
	noError(t, sink.Commit())
	features, _ := recordsOf(t, openTestGPKG(t, path, Options{}))
	var fids []int64
	for _, f := range features[:5] {
		fids = append(fids, f.FID)
	}
	if len(features) != 24 || fids[0] != 1 || fids[1] != 3 || fids[2] != 5 || fids[3] != 6 || features[3].Geometry != nil {
		t.Errorf("%d rows, %v", len(features), fids)
	}
	checkIndex(t, path, "a")
	if err := sink.Write(0, Feature{Values: one}); err == nil {
		t.Error("written after Commit")
	}
	noError(t, sink.Abort())
	if _, err := os.Stat(path); err != nil {
		t.Error("Abort after Commit:", err)
	}
}
