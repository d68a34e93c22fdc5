package layer

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// CleanUp takes away what a run that was killed has left beside the output at
// path, and puts an older output back that it had moved out of the way. It is
// for one who holds the output: a run still at work would lose its files. It
// tells whether an older output was put back.
func CleanUp(path string) (back bool, err error) {
	folder := filepath.Dir(path)
	entries, err := os.ReadDir(folder)
	if err != nil {
		return false, writing(path, err)
	}
	for _, e := range entries {
		if !e.IsDir() || !strings.HasPrefix(e.Name(), asideName(path)) {
			continue
		}
		left := filepath.Join(folder, e.Name())
		// The file that opens the set comes last: where it is missing and the old
		// one is kept, the set was not yet complete.
		if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
			was, err := restore(filepath.Join(left, "old"), path)
			if err != nil {
				return back, err
			}
			back = back || was
		}
		if err := os.RemoveAll(left); err != nil {
			return back, writing(path, err)
		}
	}
	return back, nil
}

// restore moves the files of the folder old back beside path, which goes last.
func restore(old, path string) (bool, error) {
	main := filepath.Base(path)
	if _, err := os.Lstat(filepath.Join(old, main)); err != nil {
		return false, nil
	}
	files, err := os.ReadDir(old)
	if err != nil {
		return false, writing(path, err)
	}
	for _, f := range files {
		if f.Name() == main {
			continue
		}
		if err := os.Rename(filepath.Join(old, f.Name()), filepath.Join(filepath.Dir(path), f.Name())); err != nil {
			return false, writing(path, err)
		}
	}
	if err := os.Rename(filepath.Join(old, main), path); err != nil {
		return false, writing(path, err)
	}
	return true, flushFolder(filepath.Dir(path))
}
