package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os"
	"strings"
	"testing"
	"time"
)

func TestProgressLine(t *testing.T) {
	for _, c := range []struct {
		done, total int64
		rate        float64
		left        time.Duration
		want        string
	}{
		{0, 0, 0, -1, "assess"},
		{0, 100, 0, -1, "assess"},
		{34000, 100000, 5120.4, 12890 * time.Millisecond, "assess: 34,000 of 100,000 trees, 34 %, 5,120 a second, 13s left"},
		{2048, 0, 100, -1, "assess: 2,048 trees, 100 a second"},
	} {
		if got := progressLine("assess", "trees", c.done, c.total, c.rate, c.left); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// Where there is no terminal a line tells every so often, and with --quiet none.
func TestProgressElsewhere(t *testing.T) {
	was := tellEvery
	tellEvery = time.Millisecond
	defer func() { tellEvery = was }()
	dir := t.TempDir()
	layOutRows(t, dir, 400)
	t.Chdir(dir)
	args := []string{"assess", "--trees", "trees.geojson", "--pavement", "paving.geojson", "--out", "city.gpkg"}
	var out, told bytes.Buffer
	if code := run(t.Context(), args, &out, &told); code != exitDone {
		t.Fatal(told.String())
	}
	if !strings.Contains(told.String(), "soilshed: assess: ") || !strings.Contains(told.String(), " of 400 trees, ") || strings.ContainsAny(told.String(), "\r\x1b") {
		t.Errorf("told %q", told.String())
	}
	told.Reset()
	if code := run(t.Context(), append(args, "--quiet"), &out, &told); code != exitDone || told.Len() > 0 {
		t.Errorf("--quiet: exit code %d, told %q", code, told.String())
	}

	// In JSON every line is a record, the error too.
	told.Reset()
	out.Reset()
	if code := run(t.Context(), append(args, "--log", "json"), &out, &told); code != exitDone {
		t.Fatal(told.String())
	}
	seen := map[string]bool{}
	type record struct {
		Msg, Phase, Error, Level string
		Status                   *int
		Done, Total              int
		PerSecond                *float64 `json:"per_second"`
	}
	var last record
	lines := bufio.NewScanner(&told)
	for lines.Scan() {
		last = record{}
		if err := json.Unmarshal(lines.Bytes(), &last); err != nil {
			t.Fatalf("%v in %s", err, lines.Text())
		}
		seen[last.Msg+" "+last.Phase] = true
		if last.Msg == "progress" && (last.PerSecond == nil || last.Done > last.Total && last.Total > 0) {
			t.Errorf("%s", lines.Text())
		}
	}
	for _, want := range []string{"phase done read trees", "phase done assess", "progress assess", "note "} {
		if !seen[want] {
			t.Errorf("no record of %q among %v", want, seen)
		}
	}
	if last.Msg != "done" || last.Status == nil || *last.Status != 0 {
		t.Errorf("the last record is %+v", last)
	}
	if !strings.Contains(out.String(), "First in the list") {
		t.Error("the summary is not on standard output")
	}
	if err := os.WriteFile("paving.geojson", []byte("{}"), 0o666); err != nil {
		t.Fatal(err)
	}
	told.Reset()
	code := run(t.Context(), append(args, "--log", "json"), &out, &told)
	all := strings.Split(strings.TrimSpace(told.String()), "\n")
	last = record{}
	if err := json.Unmarshal([]byte(all[len(all)-1]), &last); err != nil || code != exitData || last.Level != "ERROR" || last.Status == nil || *last.Status != exitData || !strings.Contains(last.Error, "paving.geojson") {
		t.Errorf("exit code %d, %v, told %q", code, err, told.String())
	}
}
