package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gofrs/flock"

	"soilshed/geo/layer"
)

// hold is the right to write an output, which one run has at a time. It is a
// lock of the system's on a file beside the output, so that it ends with the
// process that has it, however that ends.
type hold struct {
	lock  *flock.Flock
	files []string // of the output

	mu sync.Mutex
	// settling is set once the new output takes its place: from then on the run
	// is to come to its end, which takes moments.
	settling bool
	gone     bool
}

// holdOutput takes the right to write these files, of which the first names the
// output, and takes away what a run that was killed has left of them. It tells of
// an older output that it had to put back.
func holdOutput(files []string) (*hold, []string, error) {
	out := files[0]
	path := filepath.Join(filepath.Dir(out), "."+filepath.Base(out)+".lock")
	h := &hold{files: files}
	for {
		h.lock = flock.New(path, flock.SetFlag(os.O_CREATE|os.O_RDWR), flock.SetPermissions(0o644))
		ok, err := h.lock.TryLock()
		if errors.Is(err, fs.ErrNotExist) {
			return nil, nil, fmt.Errorf("%s: cannot be written: there is no folder %s (make it first)", out, filepath.Dir(out))
		}
		if err != nil {
			if p := errors.Unwrap(err); p != nil {
				err = p
			}
			return nil, nil, fmt.Errorf("%s: cannot be locked against a second run: %w (the lock is the file %s: may you write there, and does that disk know locks?)", out, err, path)
		}
		if !ok {
			return nil, nil, fmt.Errorf("%s: another run is writing it%s (wait for its end, or give another name)", out, holder(path))
		}
		// The run that had it may have removed the file in between: a lock on a
		// file that nobody finds is none.
		mine, err := h.lock.Stat()
		there, err2 := os.Stat(path)
		if err == nil && err2 == nil && os.SameFile(mine, there) {
			break
		}
		h.lock.Close()
	}
	host, _ := os.Hostname()
	// For a person to read; a disk that is full shows later.
	os.WriteFile(path, fmt.Appendf(nil, "process %d on %s, since %s\n", os.Getpid(), host, time.Now().Format("2006-01-02 15:04:05")), 0o644)
	var notes []string
	for _, f := range files {
		back, err := layer.CleanUp(f)
		if err != nil {
			h.release()
			return nil, nil, err
		}
		if back {
			notes = append(notes, fmt.Sprintf("%s: an earlier run was killed while it moved its files in; the older ones were put back first.", f))
		}
	}
	return h, notes, nil
}

// holder tells who has the lock, as far as its file says.
func holder(path string) string {
	b, err := os.ReadFile(path)
	who := string(bytes.TrimSpace(b))
	if err != nil || who == "" || len(who) > 200 || strings.ContainsFunc(who, func(r rune) bool { return r < ' ' }) {
		return ""
	}
	return ": " + who
}

// settle is asked for when the new output is ready to take its place: not after
// the run was told to stop.
func (h *hold) settle(ctx context.Context) error {
	if h == nil {
		return ctx.Err()
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.gone {
		return context.Canceled
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	h.settling = true
	return nil
}

// release lets others write the output.
func (h *hold) release() {
	if h == nil {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.gone {
		h.gone = true
		os.Remove(h.lock.Path())
		h.lock.Close()
	}
}

// abandon takes away what was written aside, for a run that does not come to its
// end in time. It tells whether it could: not while the output takes its place.
func (h *hold) abandon() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case h.settling:
		return false
	case h.gone:
		return true
	}
	for _, f := range h.files {
		layer.CleanUp(f)
	}
	h.gone = true
	os.Remove(h.lock.Path())
	return true
}

// held is the output of the run, for main to abandon.
var held struct {
	sync.Mutex
	*hold
}

// holdForRun takes the right to write these files for the time of the run, and
// sees to it that a run that is told to stop takes away what it has left aside.
// Nothing to write needs no right.
func holdForRun(files []string) (h *hold, notes []string, err error) {
	files = slices.DeleteFunc(files, func(f string) bool { return f == "" })
	if len(files) == 0 {
		return nil, nil, nil
	}
	if h, notes, err = holdOutput(files); err != nil {
		return nil, nil, err
	}
	held.Lock()
	held.hold = h
	held.Unlock()
	return h, notes, nil
}

// graceful is how long a run may take to stop by itself when it is told to.
const graceful = 600 * time.Millisecond

// untilStopped waits for the exit code of a run. When ctx ends it waits no longer
// than a run needs that looks at ctx: some steps, such as packing an index, do
// not; what they have written aside goes then, and the process with it.
func untilStopped(ctx context.Context, code <-chan int) int {
	select {
	case c := <-code:
		return c
	case <-ctx.Done():
	}
	select {
	case c := <-code:
		return c
	case <-time.After(graceful):
	}
	held.Lock()
	h := held.hold
	held.Unlock()
	if h != nil && !h.abandon() {
		return <-code
	}
	fmt.Fprintf(os.Stderr, "soilshed: %s\n", stopped)
	return exitFailed
}
