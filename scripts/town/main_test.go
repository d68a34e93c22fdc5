package main

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
)

// fixtures/town is what this program writes: every file of it, the same bytes.
func TestTheTownIsAsItIsDrawn(t *testing.T) {
	dir := t.TempDir()
	if err := run(dir, ""); err != nil {
		t.Fatal(err)
	}
	const kept = "../../fixtures/town"
	files := func(root string) map[string]bool {
		m := map[string]bool{}
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err == nil && !d.IsDir() {
				rel, _ := filepath.Rel(root, path)
				m[rel] = true
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	drawn, there := files(dir), files(kept)
	if len(drawn) < 25 {
		t.Fatalf("only %d files", len(drawn))
	}
	for name := range there {
		if !drawn[name] {
			t.Errorf("%s is not drawn", name)
		}
	}
	for name := range drawn {
		a, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if b, err := os.ReadFile(filepath.Join(kept, name)); err != nil || !bytes.Equal(a, b) {
			t.Errorf("%s differs (go run ./scripts/town): %v", name, err)
		}
	}
}
