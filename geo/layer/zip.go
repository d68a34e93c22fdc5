package layer

import (
	"archive/zip"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"path"
	"path/filepath"
	"strings"
)

// zipLimit is how much of an archive is unpacked at most: no layer is as large.
const zipLimit = 64 << 30

// zipSource is a layer in a zip archive, unpacked to a folder of its own.
type zipSource struct {
	Source
	folder string
	inner  string // path of the unpacked layer
	shown  string // the same as it is told of: ARCHIVE/NAME
}

// openZip opens the layer in an archive: a shapefile with its parts, or a file of
// another format that is read. Of several, Options.Layer names one by its file's
// name.
func openZip(file string, o Options) (Source, error) {
	z, err := zip.OpenReader(file)
	if err != nil {
		return nil, &Error{File: file, Err: fmt.Errorf("cannot be read as a zip archive: %w", err), Remedy: "copy or pack it again"}
	}
	defer z.Close()
	var layers []*zip.File
	var names []string
	for _, f := range z.File {
		if k := formatOf(f.Name); k == formatUnknown || k == formatZip || f.FileInfo().IsDir() || strings.HasPrefix(f.Name, "__MACOSX/") || strings.HasPrefix(path.Base(f.Name), ".") {
			continue
		}
		base := path.Base(f.Name)
		if o.Layer != "" && formatOf(f.Name) != formatGeoPackage && o.Layer != base && o.Layer != strings.TrimSuffix(base, path.Ext(base)) {
			names = append(names, base)
			continue
		}
		layers = append(layers, f)
		names = append(names, base)
	}
	switch {
	case len(names) == 0:
		return nil, &Error{File: file, Err: errors.New("holds no layer that can be read"), Remedy: formatsRead}
	case len(layers) == 0:
		return nil, &Error{File: file, Layer: o.Layer, Err: errors.New("is not in the archive"), Remedy: "it holds " + strings.Join(names, ", ")}
	case len(layers) > 1:
		return nil, &Error{File: file, Err: fmt.Errorf("holds several layers: %s", strings.Join(names, ", ")), Remedy: "name one: " + file + tableMark + names[0]}
	}
	folder, err := os.MkdirTemp("", "soilshed-zip-")
	if err != nil {
		return nil, &Error{File: file, Err: fmt.Errorf("cannot be unpacked: %w", err), Remedy: "is there room in the folder for temporary files? TMPDIR names another"}
	}
	main := layers[0]
	stem := strings.TrimSuffix(main.Name, path.Ext(main.Name))
	left := int64(zipLimit)
	fail := func(name string, err error) (Source, error) {
		os.RemoveAll(folder)
		return nil, &Error{File: file + "/" + name, Err: fmt.Errorf("cannot be unpacked: %w", err), Remedy: "copy or pack the archive again"}
	}
	for _, f := range z.File {
		part := f == main || formatOf(main.Name) == formatShapefile && strings.EqualFold(strings.TrimSuffix(f.Name, path.Ext(f.Name)), stem)
		if !part || f.FileInfo().IsDir() {
			continue
		}
		if f.Flags&1 != 0 {
			return fail(f.Name, errors.New("it is locked with a password"))
		}
		n, err := unpack(f, filepath.Join(folder, filepath.Base(filepath.FromSlash(f.Name))), left)
		if err != nil {
			return fail(f.Name, err)
		}
		left -= n
	}
	s := &zipSource{folder: folder, inner: filepath.Join(folder, path.Base(main.Name)), shown: file + "/" + main.Name}
	if formatOf(main.Name) != formatGeoPackage {
		o.Layer = ""
	}
	if s.Source, err = Open(s.inner, o); err != nil {
		os.RemoveAll(folder)
		return nil, s.named(err)
	}
	return s, nil
}

// unpack writes one file of an archive, of at most so many bytes.
func unpack(f *zip.File, to string, most int64) (n int64, err error) {
	r, err := f.Open()
	if err != nil {
		return 0, err
	}
	defer r.Close()
	w, err := os.Create(to)
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, w.Close()) }()
	if n, err = io.Copy(w, io.LimitReader(r, most+1)); err == nil && n > most {
		err = fmt.Errorf("it is larger than %d bytes", int64(zipLimit))
	}
	return n, err
}

// named makes an error tell of the archive and not of the folder for temporary
// files.
func (s *zipSource) named(err error) error {
	rename := func(file string) string {
		if rest, ok := strings.CutPrefix(file, s.folder); ok {
			return path.Dir(s.shown) + filepath.ToSlash(rest)
		}
		return file
	}
	var record *RecordError
	var e *Error
	switch {
	case errors.As(err, &record):
		c := *record
		c.File = rename(c.File)
		return &c
	case errors.As(err, &e):
		c := *e
		c.File = rename(c.File)
		return &c
	}
	return err
}

func (s *zipSource) Features() iter.Seq2[Feature, error] {
	return func(yield func(Feature, error) bool) {
		for f, err := range s.Source.Features() {
			if err != nil {
				err = s.named(err)
			}
			if !yield(f, err) {
				return
			}
		}
	}
}

func (s *zipSource) Close() error {
	return errors.Join(s.Source.Close(), os.RemoveAll(s.folder))
}
