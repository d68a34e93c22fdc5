package layer

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Spooled is what came by standard input, kept in a file, as layers are read
// more than once.
type Spooled struct {
	Bytes  int64
	SHA256 string // of what came, in hexadecimal digits
	folder string
	path   string
}

// spooledName is what standard input is called in messages.
const spooledName = "standard input"

// SpoolForms are the forms that Spool takes, by their endings.
var SpoolForms = []string{"geojson", "geojsonl", "csv", "tsv", "gpkg", "parquet", "fgb", "zip"}

// Spool reads r to its end into a file in the folder for temporary files. form is
// one of SpoolForms; "" tells it from the first bytes. Any of them but gpkg, parquet
// and zip may be gzipped.
func Spool(r io.Reader, form string) (*Spooled, error) {
	if form != "" && !slices.Contains(SpoolForms, form) {
		return nil, &Error{File: spooledName, Err: fmt.Errorf("the form %q is not known", form), Remedy: "one of " + strings.Join(SpoolForms, ", ")}
	}
	folder, err := os.MkdirTemp("", "soilshed-input-")
	if err != nil {
		return nil, &Error{File: spooledName, Err: fmt.Errorf("cannot be kept while it is read: %w", err), Remedy: "is there room in the folder for temporary files? TMPDIR names another"}
	}
	s := &Spooled{folder: folder, path: filepath.Join(folder, "input")}
	if err := s.take(r, form); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

func (s *Spooled) take(r io.Reader, form string) error {
	f, err := os.Create(s.path)
	if err != nil {
		return writing(s.path, err)
	}
	sum := sha256.New()
	s.Bytes, err = io.Copy(io.MultiWriter(f, sum), r)
	if err = errors.Join(err, f.Close()); err != nil {
		return &Error{File: spooledName, Err: fmt.Errorf("reading: %w", err), Remedy: "is there room in the folder for temporary files? TMPDIR names another"}
	}
	s.SHA256 = hex.EncodeToString(sum.Sum(nil))
	if s.Bytes == 0 {
		return &Error{File: spooledName, Err: errors.New("is empty"), Remedy: "did the program before it in the pipe fail?"}
	}
	if form == "" {
		found, err := sniff(s.path)
		if err != nil {
			return s.named(err)
		}
		switch found {
		case formatGeoJSON:
			form = "geojson"
		case formatGeoPackage:
			form = "gpkg"
		case formatGeoParquet:
			form = "parquet"
		case formatFlatGeobuf:
			form = "fgb"
		case formatZip:
			form = "zip"
		case formatShapefile:
			return &Error{File: spooledName, Err: errors.New("is one part of a shapefile"), Remedy: "pack its files into a zip archive and send that"}
		default:
			form = "csv"
		}
	}
	to := s.path + "." + form
	if err := os.Rename(s.path, to); err != nil {
		return writing(to, err)
	}
	s.path = to
	return nil
}

// Folder is where the file lies.
func (s *Spooled) Folder() string { return s.folder }

// Close removes the file.
func (s *Spooled) Close() error { return os.RemoveAll(s.folder) }

func (s *Spooled) called(file string) string {
	if rest, ok := strings.CutPrefix(file, s.path); ok {
		return spooledName + filepath.ToSlash(rest)
	}
	if file == strings.TrimSuffix(s.path, filepath.Ext(s.path)) {
		return spooledName
	}
	return file
}

func (s *Spooled) named(err error) error { return renamed(err, s.called) }

// open opens the layer.
func (s *Spooled) open(o Options) (Source, error) {
	o.Spooled = nil
	src, err := Open(s.path, o)
	if err != nil {
		return nil, s.named(err)
	}
	return &renamedSource{src, s.called}, nil
}
