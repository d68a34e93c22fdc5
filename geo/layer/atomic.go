package layer

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// aside is a set of files that replaces an older one whole or not at all. They
// are written to a folder of their own beside the final place and moved there
// by commit.
//
// The first file of the set is the one that opens it (the .shp, the main
// GeoJSON). While a set of several moves in, that one is not there: a crash in
// between leaves a set that does not open, and the older files in the folder
// aside, but never a mixture.
type aside struct {
	folder string
	files  []asideFile
	stale  []string // files that lie beside the old set and would lie about the new
	done   bool

	settle func() error // asked before the files move in, when it is there
	// os.Rename and flushFolder, but for tests.
	rename      func(from, to string) error
	flushFolder func(path string) error
}

type asideFile struct{ temp, final string }

// asideName begins the name of the folder in which a new path is made.
func asideName(path string) string { return "." + filepath.Base(path) + ".new-" }

// keptAside returns the folder in which a run that was killed in the midst of
// commit has left the older path, "" when there is none.
func keptAside(path string) string {
	es, _ := os.ReadDir(filepath.Dir(path))
	for _, e := range es {
		old := filepath.Join(filepath.Dir(path), e.Name(), "old")
		if strings.HasPrefix(e.Name(), asideName(path)) {
			if _, err := os.Stat(filepath.Join(old, filepath.Base(path))); err == nil {
				return old
			}
		}
	}
	return ""
}

// newAside makes the folder for a set that is to stand beside path.
func newAside(path string) (*aside, error) {
	if IsDatabase(path) { // else there were a folder of its name, with what stands in it
		return nil, &Error{File: Shown(path), Err: errors.New("is the address of a database, where a file is written"), Remedy: "give a file's name"}
	}
	folder, err := os.MkdirTemp(filepath.Dir(path), asideName(path))
	if err != nil {
		return nil, writing(path, err)
	}
	return &aside{folder: folder, rename: os.Rename, flushFolder: flushFolder}, nil
}

// ErrWriting marks the errors of an output that cannot be written: no fault of
// the data.
var ErrWriting = errors.New("writing")

type writingError struct{ err error }

func (e writingError) Error() string        { return "cannot be written: " + e.err.Error() }
func (e writingError) Unwrap() error        { return e.err }
func (e writingError) Is(target error) bool { return target == ErrWriting }

// writing says that an output cannot be written.
func writing(path string, err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		err = p.Err
	}
	remedy := "is there room on the disk, and may you write there?"
	if errors.Is(err, fs.ErrPermission) {
		remedy = "write to a folder in which you may"
	}
	return &Error{File: path, Err: writingError{err}, Remedy: remedy}
}

// place returns where to write the file that is to become final.
func (a *aside) place(final string) string {
	temp := filepath.Join(a.folder, filepath.Base(final))
	a.files = append(a.files, asideFile{temp, final})
	return temp
}

// create opens the file that is to become final.
func (a *aside) create(final string) (*os.File, error) {
	f, err := os.Create(a.place(final))
	if err != nil {
		return nil, writing(final, err)
	}
	return f, nil
}

// text writes a small file that is to become final.
func (a *aside) text(final, content string) error {
	if err := os.WriteFile(a.place(final), []byte(content), 0o666); err != nil {
		return writing(final, err)
	}
	return nil
}

// drop takes final away with the old set.
func (a *aside) drop(final string) { a.stale = append(a.stale, final) }

// abort removes what was written aside.
func (a *aside) abort() error {
	if a.done {
		return nil
	}
	a.done = true
	return os.RemoveAll(a.folder)
}

// commit moves the set to its place. On an error the old set stands as before.
func (a *aside) commit() (err error) {
	if a.done {
		return errClosed
	}
	defer a.abort()
	for _, f := range a.files {
		if err := flushFile(f.temp); err != nil {
			return writing(f.final, err)
		}
	}
	if a.settle != nil {
		if err := a.settle(); err != nil {
			return err
		}
	}
	old := filepath.Join(a.folder, "old")
	if err := os.Mkdir(old, 0o777); err != nil {
		return writing(a.files[0].final, err)
	}
	var moved []asideFile // what went where, for the way back
	move := func(from, to string) error {
		if err := a.rename(from, to); err != nil {
			return writing(to, err)
		}
		moved = append(moved, asideFile{from, to})
		return nil
	}
	defer func() {
		if err == nil {
			return
		}
		for i := len(moved) - 1; i >= 0; i-- {
			if back := a.rename(moved[i].final, moved[i].temp); back != nil {
				// What cannot go back stays where it is, and is not removed.
				a.done = true
				err = errors.Join(err, fmt.Errorf("the older file is kept in %s: %w", old, back))
			}
		}
	}()
	if len(a.files) > 1 || len(a.stale) > 0 {
		leave := a.stale
		for _, f := range a.files {
			leave = append(leave[:len(leave):len(leave)], f.final)
		}
		// The opening file goes first, and comes last.
		leave[0], leave[len(a.stale)] = leave[len(a.stale)], leave[0]
		for _, f := range leave {
			info, err := os.Lstat(f)
			if errors.Is(err, fs.ErrNotExist) {
				continue
			}
			if err == nil && info.IsDir() {
				return &Error{File: f, Err: errors.New("is a folder, where a file of the output belongs"), Remedy: "move it away or choose another name"}
			}
			if err := move(f, filepath.Join(old, filepath.Base(f))); err != nil {
				return err
			}
		}
		for _, f := range a.files[1:] {
			if err := move(f.temp, f.final); err != nil {
				return err
			}
		}
	}
	if err := move(a.files[0].temp, a.files[0].final); err != nil {
		return err
	}
	// The set stands. Of a single file nothing older is left to go back to.
	moved = nil
	if err := a.flushFolder(filepath.Dir(a.files[0].final)); err != nil {
		return &Error{File: a.files[0].final, Err: fmt.Errorf("is written and in its place, but the disk does not confirm it: %w", err), Remedy: "look after the disk, and run again"}
	}
	return nil
}

func flushFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

func flushFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, errors.ErrUnsupported) {
		return err
	}
	return nil
}
