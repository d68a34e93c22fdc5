package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"
)

func TestMutants(t *testing.T) {
	src := "package p\n\nfunc f(a, b float64) bool {\n\ta = -a * 2.5\n\treturn a < b\n}\n"
	all, err := mutants("p.go", []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, m := range all {
		got = append(got, m.String())
	}
	want := []string{
		"p.go:4: a = -a * 2.5 -> (left out)", "p.go:4: * -> /", "p.go:4: - -> (left out)", "p.go:4: 2.5 -> 2.750000001",
		"p.go:5: < -> <=", "p.go:5: < -> >=",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

// A package with a test of one of its two functions: what is bent in the other
// one survives.
func TestTry(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{
		"go.mod":    "module bent\n\ngo 1.24\n",
		"a.go":      "package bent\n\nfunc held(a int) bool { return a == 0 }\n\nfunc loose(a int) bool { return a != 0 }\n",
		"a_test.go": "package bent\n\nimport \"testing\"\n\nfunc TestHeld(t *testing.T) {\n\tif !held(0) || held(1) {\n\t\tt.Fail()\n\t}\n\tloose(2)\n}\n",
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	t.Chdir(dir)
	s, err := try(io.Discard, ".", 100, 1, true, time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	if want := (score{places: 4, killed: 2, survived: 2}); s != want {
		t.Errorf("got %v, want %v", fmt.Sprint(s), want)
	}
}
