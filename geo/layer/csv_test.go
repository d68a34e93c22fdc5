package layer

import (
	"archive/zip"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/paulmach/orb"
)

func writeIn(t *testing.T, dir, name, text string) string {
	t.Helper()
	path := filepath.Join(dir, name)
	b := []byte(text)
	if strings.HasSuffix(name, ".gz") {
		var z bytes.Buffer
		w := gzip.NewWriter(&z)
		w.Write(b)
		w.Close()
		b = z.Bytes()
	}
	if err := os.WriteFile(path, b, 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

// asLines returns the records as text, with the reasons of those left out.
func asLines(t *testing.T, s Source) (rows []string) {
	t.Helper()
	for f, err := range s.Features() {
		var bad *RecordError
		switch {
		case errors.As(err, &bad):
			rows = append(rows, "left out: "+bad.Reason+": "+bad.Error())
			continue
		case err != nil:
			t.Fatal(err)
		}
		row := fmt.Sprint(f.Geometry)
		for _, v := range f.Values {
			row += "|" + v.Text()
		}
		rows = append(rows, row)
	}
	return rows
}

func TestCSV(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		name, text string
		options    Options
		kinds      []Kind
		rows       []string
		system     bool
	}{
		{"a.csv", "id,lon,lat,dbh,code,note\n1,-94.4,43.2,12.5,007,\"two\nlines\"\n2,-94.5,43.3,,012,x\n", Options{}, []Kind{Integer, Real, Text, Text},
			[]string{"[-94.4 43.2]|1|12.5|007|two\nlines", "[-94.5 43.3]|2||012|x"}, true},
		{"b.csv.gz", "Longitude;Latitude;n\n-94,4;43,2;1\n", Options{}, []Kind{Integer}, []string{"[-94.4 43.2]|1"}, true},
		{"c.tsv", "\xEF\xBB\xBFX_COORD\tY_COORD\tspecies\n1425000.5\t1196000\tAcer\n\t\tTilia\n", Options{}, []Kind{Text}, []string{"[1.4250005e+06 1.196e+06]|Acer", "<nil>|Tilia"}, false},
		{"d.csv", "east,north,a,b\n1,2,3,4\n", Options{XY: [2]string{"a", "B"}}, []Kind{Integer, Integer}, []string{"[3 4]|1|2"}, false},
		{"e.csv", "id,the_geom\n1,POINT (3 4)\n2,SRID=4326;POINT(5 6)\n3,\n4,\"LINESTRING (0 0, 1 1)\"\n", Options{}, []Kind{Integer},
			[]string{"[3 4]|1", "[5 6]|2", "<nil>|3", "left out: coordinate that is no number: " + filepath.Join(dir, "e.csv") + `, feature 4: line 5: "LINESTRING (0 0, 1 1)" is no point in well-known text`}, false},
		{"f.csv", "x,y,name\n1,2,Gr\xfcne Allee\n", Options{}, []Kind{Text}, []string{"[1 2]|Grüne Allee"}, false},
		{"g.csv", "x,y,n\n1,2,3\n1,two,3\n1,2,3,4\n1\n5,6,7\n", Options{}, []Kind{Integer}, []string{"[1 2]|3",
			"left out: coordinate that is no number: " + filepath.Join(dir, "g.csv") + `, feature 2: line 3: "two" is no coordinate`,
			"left out: line of another number of columns: " + filepath.Join(dir, "g.csv") + ", feature 3: line 4: 4 columns where the first line names 3 (a separator within an unquoted text?)",
			"left out: line of another number of columns: " + filepath.Join(dir, "g.csv") + ", feature 4: line 5: 1 columns where the first line names 3 (a separator within an unquoted text?)",
			"[5 6]|7"}, false},
		{"h.csv", "x,y,big,small\n1,2,9007199254740993,1e-3\n", Options{}, []Kind{Integer, Real}, []string{"[1 2]|9007199254740993|0.001"}, false},
		{"i.csv", "x,y,n,m\n1,2,3,4\n", Options{Columns: []string{"m"}}, []Kind{Integer}, []string{"[1 2]|4"}, false},
	} {
		s, err := Open(writeIn(t, dir, c.name, c.text), c.options)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		var kinds []Kind
		for _, f := range s.Schema().Fields {
			kinds = append(kinds, f.Kind)
		}
		if fmt.Sprint(kinds) != fmt.Sprint(c.kinds) || (s.Schema().System != nil) != c.system {
			t.Errorf("%s: kinds %v, want %v; system %v", c.name, kinds, c.kinds, s.Schema().System)
		}
		for range 2 { // as often as one likes
			if rows := asLines(t, s); fmt.Sprintf("%q", rows) != fmt.Sprintf("%q", c.rows) {
				t.Errorf("%s:\n%q, want\n%q", c.name, rows, c.rows)
			}
		}
		s.Close()
	}
	for _, c := range []struct {
		name, text, want string
		options          Options
	}{
		{"no.csv", "a,b\n1,2\n", "no columns of coordinates are recognised (name them: --xy X,Y; the columns are a, b)", Options{}},
		{"no.csv", "a,b\n1,2\n", "field z: there is no such column (the columns are a, b)", Options{XY: [2]string{"a", "z"}}},
		{"bytes.csv", "a\x00b\n", "is no text in UTF-8 or a one-byte encoding (save it as CSV UTF-8)", Options{}},
		{"empty.csv", "", "is empty", Options{}},
		{"blank.csv", "\n\n", "the line of column names: EOF", Options{}},
	} {
		_, err := Open(writeIn(t, dir, c.name, c.text), c.options)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// Whatever the bytes, reading ends, and every record is given or told of.
func FuzzCSV(f *testing.F) {
	for _, s := range []string{"x,y,n\n1,2,3\n", "lon;lat\n1,5;2,5\n", "wkt\n\"POINT (1 2)\"\n", "x,y\n\"1,2\n", "x\ty\n1\t2\n3\n", "x,y\n1,2,\"\"\"\n\xff"} {
		f.Add([]byte(s))
	}
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, b []byte) {
		path := filepath.Join(dir, "f.csv")
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		bounded(t, len(b), 4<<20, 100, func() {
			s, err := Open(path, Options{})
			if err != nil {
				return
			}
			defer s.Close()
			for f, err := range s.Features() {
				if err == nil && len(f.Values) != len(s.Schema().Fields) {
					t.Fatal("values and fields differ in number")
				}
				if p, ok := f.Geometry.(orb.Point); ok && (math.IsNaN(p[0]) || math.IsInf(p[0], 0)) {
					t.Fatal("a coordinate that is no number")
				}
			}
		})
	})
}

func TestZip(t *testing.T) {
	dir := t.TempDir()
	street := "../../fixtures/town/trees-ftus"
	pack := func(name string, files map[string]string) string {
		path := filepath.Join(dir, name)
		w, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		z := zip.NewWriter(w)
		for inner, from := range files {
			b, err := os.ReadFile(from)
			if err != nil {
				t.Fatal(err)
			}
			f, err := z.Create(inner)
			if err != nil {
				t.Fatal(err)
			}
			f.Write(b)
		}
		if err := errors.Join(z.Close(), w.Close()); err != nil {
			t.Fatal(err)
		}
		return path
	}
	parts := func(stem string) map[string]string {
		m := map[string]string{}
		for _, e := range []string{".shp", ".shx", ".dbf", ".prj", ".cpg"} {
			m[stem+e] = street + e
		}
		return m
	}
	temp := t.TempDir()
	t.Setenv("TMPDIR", temp)
	plain, err := Open(street+".shp", Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := asLines(t, plain)
	s, err := Open(pack("a.zip", parts("city/Trees")), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if got := asLines(t, s); len(got) < 100 || fmt.Sprint(got) != fmt.Sprint(want) || s.Schema().System == nil {
		t.Errorf("%d records of a zipped shapefile, %d of the plain one, or others", len(got), len(want))
	}
	s.Close()

	two := parts("one")
	for k, v := range parts("two") {
		two[k] = v
	}
	pack("two.zip", two)
	if _, err := Open(filepath.Join(dir, "two.zip"), Options{}); err == nil || !strings.Contains(err.Error(), "two.zip: holds several layers: ") {
		t.Error(err)
	}
	if s, err := Open(filepath.Join(dir, "two.zip"), Options{Layer: "two"}); err != nil {
		t.Error(err)
	} else {
		s.Close()
	}
	if _, err := Open(filepath.Join(dir, "two.zip"), Options{Layer: "three"}); err == nil || !strings.Contains(err.Error(), "two.zip, layer three: is not in the archive") {
		t.Error(err)
	}
	if _, err := Open(pack("none.zip", map[string]string{"readme.txt": "csv_test.go"}), Options{}); err == nil || !strings.Contains(err.Error(), "holds no layer that can be read") {
		t.Error(err)
	}
	half := parts("half")
	delete(half, "half.dbf")
	half["half.shp"] = "csv_test.go"
	if _, err := Open(pack("half.zip", half), Options{}); err == nil || !strings.Contains(err.Error(), "half.zip/half.shp") || strings.Contains(err.Error(), temp) {
		t.Errorf("%v, want an error that names half.zip/half.shp and no other folder", err)
	}
	b, _ := os.ReadFile(filepath.Join(dir, "a.zip"))
	for _, n := range []int{4, 100, len(b) / 2, len(b) - 10} {
		path := writeIn(t, dir, "cut.zip", string(b[:n]))
		if _, err := Open(path, Options{}); err == nil || !strings.Contains(err.Error(), "cut.zip: cannot be read as a zip archive") {
			t.Errorf("cut after %d bytes: %v", n, err)
		}
	}
	for i := len(b) / 4; i < len(b)/4+40; i++ {
		b[i] ^= 0x55
	}
	if s, err := Open(writeIn(t, dir, "bad.zip", string(b)), Options{}); err == nil {
		s.Close()
		t.Error("a damaged archive was read")
	} else if !strings.Contains(err.Error(), "bad.zip/") || strings.Contains(err.Error(), temp) {
		t.Error(err)
	}
	if es, _ := os.ReadDir(temp); len(es) != 0 {
		t.Errorf("left in the folder for temporary files: %v", es)
	}
}
