package layer

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"zombiezen.com/go/sqlite"
)

// BusyError tells that an output was written in full but not under its name,
// because another program has the file of that name open.
type BusyError struct {
	Path string // the name that was asked for; the file there is as it was
	Kept string // where the new output is
	Why  string // what shows that the old file is in use
}

func (e *BusyError) Error() string {
	return fmt.Sprintf("%s: %s; the new output is in %s (close the other program, then rename it)", e.Path, e.Why, e.Kept)
}

// settle moves the finished file to its final name. A file that somebody has
// open is not replaced: a journal or write-ahead log that was begun for the old
// file would be played into the new one and destroy it. The new one then stays
// beside it as NAME_new.gpkg (or NAME_new2.gpkg, ... when that is in use too).
func (s *geoPackageSink) settle() error {
	why, err := inUse(s.path)
	if err != nil {
		return err
	}
	if why == "" {
		return s.aside.commit()
	}
	ext := filepath.Ext(s.path)
	stem := strings.TrimSuffix(s.path, ext) + "_new"
	for n := 1; n < 100; n++ {
		kept := stem + ext
		if n > 1 {
			kept = fmt.Sprintf("%s%d%s", stem, n, ext)
		}
		other, err := inUse(kept)
		if err != nil {
			return err
		}
		if other != "" {
			continue
		}
		s.aside.files[0].final = kept
		if err := s.aside.commit(); err != nil {
			return err
		}
		return &BusyError{Path: s.path, Kept: kept, Why: why}
	}
	return &Error{File: s.path, Err: errors.New(why), Remedy: "close the programs that have it and its copies open"}
}

// inUse tells what shows that the SQLite file of this name is in use; "" when
// nothing does. The file itself is left as it is.
func inUse(path string) (why string, err error) {
	for _, sidecar := range []struct{ suffix, what string }{
		{"-wal", "a write-ahead log"}, {"-shm", "a shared-memory file"}, {"-journal", "a journal"},
	} {
		if _, err := os.Lstat(path + sidecar.suffix); err == nil {
			return fmt.Sprintf("%s (%s) lies beside it, so another program has it open or stopped without closing it",
				sidecar.what, filepath.Base(path)+sidecar.suffix), nil
		} else if !errors.Is(err, os.ErrNotExist) {
			return "", err
		}
	}
	file, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	var header [20]byte
	_, err = io.ReadFull(file, header[:])
	file.Close()
	// A database in WAL mode (bytes 18 and 19 are 2) without its log is not open
	// anywhere, and asking would make the log.
	if err != nil || string(header[:16]) != sqliteMagic || header[18] != 1 || header[19] != 1 {
		return "", nil
	}
	conn, err := sqlite.OpenConn(path, sqlite.OpenReadWrite)
	if err != nil {
		return "", nil // not to be opened for writing by us, and not locked
	}
	defer conn.Close()
	conn.SetBusyTimeout(0)
	switch err := run(conn, "BEGIN EXCLUSIVE"); sqlite.ErrCode(err).ToPrimary() {
	case sqlite.ResultBusy, sqlite.ResultLocked:
		return "it is locked by another program", nil
	}
	return "", nil
}

const sqliteMagic = "SQLite format 3\x00"
