package layer

import (
	"errors"
	"fmt"
)

// layerFile is one layer in files of its own, while they are written aside.
type layerFile interface {
	write(f Feature) error
	finish() error   // all but the move to its place
	notes() []string // what could not be written as it was given; after finish
	close()          // lets go of what finish has not
}

// fileSink writes files of its own for each layer, aside, and moves all of them to
// their place together. A format says how one layer is written.
type fileSink struct {
	path    string
	schemas []Schema
	options CreateOptions
	set     *aside
	finals  []string    // by layer: where it goes
	files   []layerFile // by layer: nil until it is begun
	last    func() error
	told    []string
	err     error // of an earlier write: nothing may be committed after it
}

// newFileSink makes a sink of layers that were checked.
func newFileSink(path string, schemas []Schema, o CreateOptions) (fileSink, error) {
	set, err := newAside(path)
	if err != nil {
		return fileSink{}, err
	}
	set.settle = o.Settle
	s := fileSink{path: path, schemas: schemas, options: o, set: set, files: make([]layerFile, len(schemas))}
	for i := range schemas {
		s.finals = append(s.finals, layerPath(path, schemas, i))
	}
	return s, nil
}

// newTypedSink is newFileSink for a format with a type for each column, after the
// layers are checked.
func newTypedSink(path string, schemas []Schema, o CreateOptions) (fileSink, error) {
	if err := checkLayers(path, schemas); err != nil {
		return fileSink{}, err
	}
	for _, s := range schemas {
		if len(s.Fields) > maxJSONFields { // more are not read again
			return fileSink{}, &Error{File: path, Layer: s.Name, Err: fmt.Errorf("%d fields, where %d are the limit", len(s.Fields), maxJSONFields), Remedy: "keep fewer"}
		}
	}
	return newFileSink(path, schemas, o)
}

// open begins all layers: tables as CSV, the others as start does, which puts a
// file at its place in files. Where it fails, nothing is left.
func (s *fileSink) open(start func(i int) error) error {
	err := inOrder(s.schemas, func(i int) error {
		if s.schemas[i].Shape != NoShape {
			return start(i)
		}
		t, err := newCSVTable(s.set, s.finals[i], &s.schemas[i])
		if err == nil {
			s.files[i] = t
		}
		return err
	})
	if err == nil {
		err = writeStyles(s.set, s.path, s.schemas, s.options.Styles)
	}
	if err != nil {
		s.Abort()
	}
	return err
}

func (s *fileSink) Write(i int, f Feature) error {
	if s.err != nil {
		return s.err
	}
	if err := checkFeature(s.finals[i], &s.schemas[i], f); err != nil {
		return err
	}
	s.err = s.files[i].write(f)
	return s.err
}

func (s *fileSink) Notes() []string { return s.told }

func (s *fileSink) Commit() error {
	if s.err != nil {
		s.Abort()
		return s.err
	}
	s.err = errClosed
	err := s.finish()
	if err == nil {
		err = s.set.commit()
	}
	s.close()
	return errors.Join(err, s.set.abort())
}

func (s *fileSink) finish() error {
	for _, l := range s.files {
		if err := l.finish(); err != nil {
			return err
		}
		s.told = append(s.told, l.notes()...)
	}
	if s.last != nil {
		return s.last()
	}
	return nil
}

func (s *fileSink) close() {
	for _, l := range s.files {
		if l != nil {
			l.close()
		}
	}
}

func (s *fileSink) Abort() error {
	if s.err == nil {
		s.err = errClosed
	}
	s.close()
	return s.set.abort()
}

var errClosed = errors.New("the output is closed already")
