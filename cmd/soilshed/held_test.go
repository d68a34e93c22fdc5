package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"runtime"
	"sync/atomic"
	"testing"
	"time"
)

// A run holds no more files and goroutines than the README says, and none once
// it is over: not after a good run, nor one that fails or is stopped.
func TestRunHoldsFewFilesAndLetsAllGo(t *testing.T) {
	dir := t.TempDir()
	layOutRows(t, dir, 400)
	t.Chdir(dir)
	if err := os.WriteFile("broken.geojson", []byte(`{"type":"FeatureCollection","features":[`), 0o666); err != nil {
		t.Fatal(err)
	}
	open := func() int {
		es, err := os.ReadDir("/proc/self/fd")
		if err != nil {
			return 0 // no such folder on this system
		}
		return len(es)
	}
	args := func(more ...string) []string {
		return append([]string{"assess", "--quiet", "--year", "2024", "--trees", "trees.geojson", "--pavement", "paving.geojson", "--workers", "8"}, more...)
	}
	var said bytes.Buffer
	run(context.Background(), args("--out", "warm.gpkg"), &said, &said) // what lives as long as the process
	files, goroutines := open(), runtime.NumGoroutine()

	var mostFiles, mostGoroutines atomic.Int64
	stop := make(chan struct{})
	watched := make(chan struct{})
	go func() {
		defer close(watched)
		for {
			mostFiles.Store(max(mostFiles.Load(), int64(open())))
			mostGoroutines.Store(max(mostGoroutines.Load(), int64(runtime.NumGoroutine())))
			select {
			case <-stop:
				return
			case <-time.After(time.Millisecond):
			}
		}
	}()
	stopped, cancel := context.WithCancel(context.Background())
	cancel()
	for _, c := range []struct {
		ctx  context.Context
		want int
		args []string
	}{
		{context.Background(), exitDone, args("--out", "city.gpkg", "--page", "city.html", "--since", "warm.gpkg")},
		{context.Background(), exitDone, args("--out", "city.geojson")},
		{context.Background(), exitDone, args("--out", "city.shp")},
		{context.Background(), exitData, args("--out", "city.gpkg", "--bed", "broken.geojson")},
		{context.Background(), exitFailed, args("--out", filepath.Join("nowhere", "city.gpkg"))},
		{stopped, exitFailed, args("--out", "city.gpkg")},
	} {
		said.Reset()
		if code := run(c.ctx, c.args, &said, &said); code != c.want && !(c.want == exitFailed && code != exitDone) {
			t.Errorf("%q: exit code %d, want %d: %s", c.args, code, c.want, said.String())
		}
	}
	close(stop)
	<-watched
	t.Logf("at most %d files and %d goroutines more", int(mostFiles.Load())-files, int(mostGoroutines.Load())-goroutines)
	if n := int(mostFiles.Load()) - files; n >= 40 {
		t.Errorf("%d files open", n)
	}
	if n := int(mostGoroutines.Load()) - goroutines - 1; n > 20+8 {
		t.Errorf("%d goroutines", n)
	}
	// What ends by itself is given a moment.
	for range 200 {
		if open() <= files && runtime.NumGoroutine() <= goroutines {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	var stacks [1 << 16]byte
	t.Errorf("%d files and %d goroutines are left, %d and %d before\n%s", open(), runtime.NumGoroutine(), files, goroutines, stacks[:runtime.Stack(stacks[:], true)])
}
