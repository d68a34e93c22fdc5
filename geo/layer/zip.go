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
	"syscall"
)

// zipRoom returns how many bytes an archive of this size may unpack to. Attributes
// of blanks shrink to a hundredth, a bomb to a thousandth.
func zipRoom(size int64) int64 { return min(limit.zipMost, max(limit.zipFree, limit.zipTimes*size)) }

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
	if len(z.File) > limit.zipFiles {
		return nil, &Error{File: file, Err: fmt.Errorf("holds %d files, where %d are the limit", len(z.File), limit.zipFiles), Remedy: "pack the layer alone"}
	}
	info, err := os.Stat(file)
	if err != nil {
		return nil, missing(file, err)
	}
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
	left := zipRoom(info.Size())
	fail := func(name string, err error) (Source, error) {
		os.RemoveAll(folder)
		e := &Error{File: file + "/" + name, Err: fmt.Errorf("cannot be unpacked: %w", err), Remedy: "copy or pack the archive again"}
		if errors.Is(err, errBomb) {
			e.Err, e.Remedy = fmt.Errorf("the archive unpacks to more than %d bytes, the limit for one of %d bytes", zipRoom(info.Size()), info.Size()), "is it what it should be? Unpack it yourself, and name the file in it"
		} else if errors.Is(err, syscall.ENOSPC) {
			e.Remedy = "there is no room in the folder for temporary files; TMPDIR names another"
		}
		return nil, e
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
	inner, err := Open(s.inner, o)
	if err != nil {
		os.RemoveAll(folder)
		return nil, renamed(err, s.called)
	}
	s.Source = &renamedSource{inner, s.called}
	return s, nil
}

var errBomb = errors.New("too large")

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
		err = errBomb
	}
	return n, err
}

// called makes a name tell of the archive and not of the folder for temporary
// files.
func (s *zipSource) called(file string) string {
	if rest, ok := strings.CutPrefix(file, s.folder); ok {
		return path.Dir(s.shown) + filepath.ToSlash(rest)
	}
	return file
}

func (s *zipSource) Close() error {
	return errors.Join(s.Source.Close(), os.RemoveAll(s.folder))
}

// renamedSource is a source whose errors tell of its file by another name.
type renamedSource struct {
	Source
	called func(file string) string
}

func (s *renamedSource) Features() iter.Seq2[Feature, error] {
	return func(yield func(Feature, error) bool) {
		for f, err := range s.Source.Features() {
			if err != nil {
				err = renamed(err, s.called)
			}
			if !yield(f, err) {
				return
			}
		}
	}
}

// renamed changes the file that an error tells of.
func renamed(err error, called func(file string) string) error {
	var record *RecordError
	var e *Error
	switch {
	case errors.As(err, &record):
		c := *record
		c.File = called(c.File)
		return &c
	case errors.As(err, &e):
		c := *e
		c.File = called(c.File)
		return &c
	}
	return err
}
