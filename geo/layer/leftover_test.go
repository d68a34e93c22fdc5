package layer

import (
	"os"
	"path/filepath"
	"testing"
)

// A run that was killed while its set moved in: every step of the way, the next
// run finds the older set whole again, or the new one.
func TestCleanUp(t *testing.T) {
	write := func(path, text string) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	read := func(path string) string { b, _ := os.ReadFile(path); return string(b) }
	for moves := range 6 {
		dir := t.TempDir()
		main, side := filepath.Join(dir, "a.shp"), filepath.Join(dir, "a.dbf")
		write(main, "older")
		write(side, "older")
		set, err := newAside(main)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range []string{main, side} {
			if err := set.text(f, "newer"); err != nil {
				t.Fatal(err)
			}
		}
		// A kill is a rename that never returns.
		n := 0
		set.rename = func(from, to string) error {
			if n++; n > moves {
				set.done = true // nobody clears up after a kill
				panic("killed")
			}
			return os.Rename(from, to)
		}
		func() {
			defer func() { recover() }()
			set.commit()
		}()
		back, err := CleanUp(main)
		if err != nil {
			t.Fatal(err)
		}
		m, s := read(main), read(side)
		if m != s || m != "older" && m != "newer" {
			t.Errorf("killed after %d moves: %q and %q", moves, m, s)
		}
		if want := moves >= 1 && moves < 4; back != want {
			t.Errorf("killed after %d moves: put back %v, want %v", moves, back, want)
		}
		if es, _ := os.ReadDir(dir); len(es) != 2 {
			t.Errorf("killed after %d moves: left %v", moves, es)
		}
	}
}
