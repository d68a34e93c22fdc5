package crs

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// everySystem are all that the tables have, and the zones that come by formula.
func everySystem(t *testing.T) (all []*System) {
	t.Helper()
	codes := []int{}
	for _, g := range geographics().list {
		codes = append(codes, g.epsg)
	}
	for _, p := range projecteds().list {
		codes = append(codes, p.epsg)
	}
	for _, f := range utmFamilies {
		for zone := f.first; zone <= f.last; zone++ {
			codes = append(codes, f.base+zone)
		}
	}
	if len(codes) < 5000 {
		t.Fatalf("%d systems", len(codes))
	}
	for _, code := range codes {
		s, err := FromEPSG(code)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, s)
	}
	return all
}

// ownSystems are such as a .prj describes and no code names.
var ownSystems = map[string]string{
	"a town's grid":          `PROJCS["Town",GEOGCS["GCS_North_American_1983",DATUM["D_North_American_1983",SPHEROID["GRS_1980",6378137.0,298.257222101]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],PARAMETER["False_Easting",1000.0],PARAMETER["False_Northing",0.0],PARAMETER["Central_Meridian",-70.1],PARAMETER["Scale_Factor",1.0],PARAMETER["Latitude_Of_Origin",42.0],UNIT["Foot_US",0.304800609601219]]`,
	"a cone of two scales":   `PROJCS["Cone",GEOGCS["GCS_North_American_1983",DATUM["D_North_American_1983",SPHEROID["GRS_1980",6378137.0,298.257222101]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]],PROJECTION["Lambert_Conformal_Conic"],PARAMETER["False_Easting",100000.0],PARAMETER["False_Northing",0.0],PARAMETER["Central_Meridian",-90.0],PARAMETER["Standard_Parallel_1",43.0],PARAMETER["Standard_Parallel_2",44.0],PARAMETER["Scale_Factor",1.0000382],PARAMETER["Latitude_Of_Origin",42.0],UNIT["Meter",1.0]]`,
	"a datum with its shift": `GEOGCS["own",DATUM["own datum",SPHEROID["Bessel 1841",6377397.155,299.1528128],TOWGS84[582,105,414,1.04,0.35,-3.08,8.3]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]`,
	"a datum of its own":     `GEOGCS["own",DATUM["own datum",SPHEROID["Bessel 1841",6377397.155,299.1528128]],PRIMEM["Paris",2.33722917],UNIT["grad",0.015707963267949]]`,
	"a sphere":               `GEOGCS["own",DATUM["own sphere",SPHEROID["Sphere",6371000,0]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]`,
}

// What is written comes back as the same system, by its id, and by its parameters
// where the id is taken away.
func TestPROJJSONRoundTrip(t *testing.T) {
	all := everySystem(t)
	if testing.Short() {
		all = all[:1000]
	}
	for name, text := range ownSystems {
		s, err := ParseWKT(text)
		if err != nil {
			t.Fatal(name, err)
		}
		all = append(all, s)
	}
	for _, s := range all {
		text := s.PROJJSON()
		back, err := ParsePROJJSON(text)
		if err != nil || !back.Same(s) {
			t.Fatalf("%s: %v: %v\n%s", s.Name(), back, err, text)
		}
		if back.EPSG() != s.EPSG() && !(s.Same(WGS84()) && back.EPSG() == 4326) {
			t.Errorf("%s: EPSG:%d, then EPSG:%d", s.Name(), s.EPSG(), back.EPSG())
		}
		var p map[string]any
		if err := json.Unmarshal(text, &p); err != nil {
			t.Fatal(err)
		}
		delete(p, "id")
		if base, ok := p["base_crs"].(map[string]any); ok {
			delete(base, "id")
		}
		bare, _ := json.Marshal(p)
		if back, err = ParsePROJJSON(bare); err != nil || !back.Same(s) {
			t.Errorf("%s, without its id: %v: %v\n%s", s.Name(), back, err, bare)
		}
	}
}

// PROJJSON as PROJ writes it (fixtures/reference/crs, by projinfo, in the form of
// WKT2) is read as the system it is.
func TestPROJJSONOfOthers(t *testing.T) {
	zone, err := FromEPSG(32618)
	if err != nil {
		t.Fatal(err)
	}
	utm := string(zone.PROJJSON())
	for text, want := range map[string]int{
		`{"type":"CompoundCRS","name":"with heights","components":[` + utm + `,{"type":"VerticalCRS","name":"heights"}]}`: 32618,
		`{"type":"BoundCRS","source_crs":` + utm + `}`:                                                                    32618,
		`{"type":"ProjectedCRS","name":"own","id":{"authority":"EPSG","code":"2263"}}`:                                    2263,
		`{"type":"GeographicCRS","name":"WGS 84","datum_ensemble":{"name":"World Geodetic System 1984 ensemble","members":[{"name":"World Geodetic System 1984 (Transit)"}],"ellipsoid":{"name":"WGS 84","semi_major_axis":6378137,"inverse_flattening":298.257223563},"accuracy":"2.0"},"coordinate_system":{"subtype":"ellipsoidal","axis":[{"name":"Geodetic latitude","abbreviation":"Lat","direction":"north","unit":"degree"}]}}`:                                                                                                                                                 4326,
		`{"type":"GeographicCRS","name":"NTF (Paris)","datum":{"name":"Nouvelle Triangulation Francaise (Paris)","ellipsoid":{"name":"Clarke 1880 (IGN)","semi_major_axis":6378249.2,"semi_minor_axis":6356515},"prime_meridian":{"name":"Paris","longitude":{"value":2.5969213,"unit":{"type":"AngularUnit","name":"grad","conversion_factor":0.0157079632679489}}}},"coordinate_system":{"subtype":"ellipsoidal","axis":[{"name":"Geodetic latitude","abbreviation":"Lat","direction":"north","unit":{"type":"AngularUnit","name":"grad","conversion_factor":0.0157079632679489}}]}}`: 4807,
	} {
		if s, err := ParsePROJJSON([]byte(text)); err != nil || s.EPSG() != want {
			t.Errorf("%v, want EPSG:%d: %v\n%s", s, want, err, text)
		}
	}
	nested := strings.Repeat(`{"components":[`, 9) + utm + strings.Repeat(`]}`, 9)
	for text, want := range map[string]string{
		`7`: "no PROJJSON", `{}`: "says neither", nested: "nested too deep", strings.Repeat(" ", 2<<20): "too long",
		`{"type":"ProjectedCRS","name":"own","id":{"authority":"EPSG","code":999999}}`:                                                                                                   "EPSG:999999 is not a coordinate system that is built in",
		`{"type":"ProjectedCRS","name":"own","base_crs":{"name":"x","datum":{"name":"x","ellipsoid":{"name":"GRS 1980","semi_major_axis":6378137,"inverse_flattening":298.257222101}}}}`: `"own" lacks its UNIT`,
		`{"type":"GeographicCRS","name":"own","datum":{"name":"x"}}`:                                                                                                                     `datum "x" lacks its ellipsoid`,
		strings.Replace(utm[:strings.LastIndex(utm, `,"id"`)]+"}", "Transverse Mercator", "Cassini-Soldner", 1):                                                                          `the projection method "Cassini-Soldner" is not handled`,
		strings.ReplaceAll(utm[:strings.LastIndex(utm, `,"id"`)]+"}", `"direction":"north"`, `"direction":"south"`):                                                                      "points south",
		strings.Replace(utm[:strings.LastIndex(utm, `,"id"`)]+"}", `"parameters":[`, `"parameters":[{"name":"Skew","value":3},`, 1):                                                      "skew",
	} {
		if s, err := ParsePROJJSON([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v: %v, want %s", s, err, want)
		}
	}
}

// GDAL takes each of the systems for that of its code, as it knows it of PROJ,
// axes and all.
func TestPROJJSONByGDAL(t *testing.T) {
	const script = `
import sys
from osgeo import osr
osr.UseExceptions()
n = 0
for line in sys.stdin:
    code, text = line.split("\t", 1)
    ours = osr.SpatialReference()
    ours.SetFromUserInput(text)
    want = osr.SpatialReference()
    want.SetFromUserInput(code)
    n += 1
    how = ["CRITERION=EQUIVALENT"]
    if ":" not in code[:5]: # a text that has no axes
        how = ["CRITERION=EQUIVALENT_EXCEPT_AXIS_ORDER_GEOGCRS", "IGNORE_DATA_AXIS_TO_SRS_AXIS_MAPPING=YES"]
    if not ours.IsSame(want, how):
        print(code, ours.ExportToWkt(["FORMAT=WKT2_2019", "MULTILINE=NO"]), want.ExportToWkt(["FORMAT=WKT2_2019", "MULTILINE=NO"]), sep="\n  ")
print(n, "systems")
`
	python := "/usr/bin/python3" // Debian's, which has GDAL
	if err := exec.Command(python, "-c", "from osgeo import osr").Run(); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("GDAL for Python is not installed (Debian: python3-gdal)")
		}
		t.Skip("GDAL for Python is not installed (Debian: python3-gdal); its word on PROJJSON is not asked")
	}
	var in bytes.Buffer
	for i, s := range everySystem(t) {
		if testing.Short() && i%10 != 0 {
			continue
		}
		code := fmt.Sprintf("EPSG:%d", s.EPSG())
		if s.EPSG() == 4326 {
			code = "OGC:CRS84"
		}
		fmt.Fprintf(&in, "%s\t%s\n", code, s.PROJJSON())
	}
	for name, text := range ownSystems {
		s, err := ParseWKT(text)
		if err != nil {
			t.Fatal(err)
		}
		as := s.WKT()
		if name == "a cone of two scales" { // whose factor GDAL passes over in WKT1
			as = "+proj=lcc +lat_0=42 +lon_0=-90 +lat_1=43 +lat_2=44 +k_0=1.0000382 +x_0=100000 +y_0=0 +datum=NAD83 +type=crs"
		}
		fmt.Fprintf(&in, "%s\t%s\n", as, s.PROJJSON())
	}
	want := fmt.Sprintf("%d systems\n", strings.Count(in.String(), "\n"))
	cmd := exec.Command(python, "-c", script)
	cmd.Stdin = &in
	out, err := cmd.CombinedOutput()
	if err != nil || string(out) != want {
		t.Errorf("%v: %.4000s", err, out)
	}
}
