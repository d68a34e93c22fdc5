package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/pflag"
)

// serving are the verbs that take flags of an assessment.
var serving = []string{"assess", "check", "explain", "draw", "weigh", "compare", "place", "learn"}

// A flag that does nothing in a verb is not in its help, is refused on its command
// line with the verbs that it is for, and its key in a configuration file is
// checked and left alone.
func TestFlagsServeVerbs(t *testing.T) {
	refused := 0
	for _, verb := range serving {
		var o options
		flagsOf(&o, verb).VisitAll(func(fl *pflag.Flag) {
			for _, v := range fl.Annotations[servesOthers] {
				if !slices.Contains(serving, v) || v == verb {
					t.Errorf("%s: --%s is marked for %q", verb, fl.Name, v)
				}
			}
			inHelp := false
			if verb != "compare" { // it takes files of flags alone
				inHelp = flagsOfVerb(t, verb)[fl.Name]
				if inHelp == fl.Hidden {
					t.Errorf("soilshed %s: --%s in the help: %v, hidden: %v", verb, fl.Name, inHelp, fl.Hidden)
				}
			}
			if fl.Annotations[servesOthers] == nil || verb == "compare" {
				return
			}
			refused++
			value := map[string]string{"string": "x", "stringArray": "x", "float64": "3", "int": "3", "bool": "true"}[fl.Value.Type()]
			var out, bad bytes.Buffer
			args := []string{verb, "--" + fl.Name + "=" + value}
			if c := run(context.Background(), args, &out, &bad); c != exitUsage || !strings.Contains(bad.String(), "--"+fl.Name+" does nothing in soilshed "+verb) {
				t.Errorf("%q: exit %d: %s", args, c, bad.String())
			}
			if fl.Value.Type() == "string" || fl.Value.Type() == "stringArray" {
				value = `"x"`
			}
			file := filepath.Join(t.TempDir(), "city.toml")
			for text, good := range map[string]bool{fl.Name + " = " + value: true, fl.Name + " = 1979-05-27": false} {
				if err := os.WriteFile(file, []byte(text), 0o666); err != nil {
					t.Fatal(err)
				}
				var o options
				f := flagsOf(&o, verb)
				err := f.Parse([]string{"--config", file})
				if err == nil {
					err = configure(f)
				}
				if (err == nil) != good {
					t.Errorf("%s with %q: %v", verb, text, err)
				}
				if now := f.Lookup(fl.Name); now.Changed || now.Value.String() != fl.DefValue {
					t.Errorf("%s with %q: it was set to %s", verb, text, now.Value)
				}
			}
		})
	}
	if refused < 30 {
		t.Errorf("only %d flags are refused: the marks are not read", refused)
	}
	// A name near that of a flag which does nothing here is no hint.
	var out, bad bytes.Buffer
	if c := run(context.Background(), []string{"weigh", "--chart", "x"}, &out, &bad); c != exitUsage || strings.Contains(bad.String(), "--charts") {
		t.Errorf("exit %d: %s", c, bad.String())
	}
}

// The output that a configuration file names is an assessment's: no verb that
// writes another kind of file takes it for its own.
func TestConfiguredOutputIsOfAssess(t *testing.T) {
	file := filepath.Join(t.TempDir(), "city.toml")
	if err := os.WriteFile(file, []byte(`out = "city.gpkg"`), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, verb := range serving {
		var o options
		f := flagsOf(&o, verb)
		if err := f.Parse([]string{"--config", file}); err != nil {
			t.Fatal(err)
		}
		if err := configure(f); err != nil {
			t.Fatal(err)
		}
		want := ""
		if verb == "assess" || verb == "check" {
			want = filepath.Join(filepath.Dir(file), "city.gpkg")
		}
		if o.out != want {
			t.Errorf("%s: --out is %q, want %q", verb, o.out, want)
		}
	}
	// As a user meets it: the evidence does not land in the layer.
	var out, bad bytes.Buffer
	args := []string{"learn", "--config", file, "--excavations", "digs.csv"}
	if c := run(context.Background(), args, &out, &bad); c != exitUsage || !strings.Contains(bad.String(), "no output") {
		t.Errorf("exit %d: %s", c, bad.String())
	}
}
