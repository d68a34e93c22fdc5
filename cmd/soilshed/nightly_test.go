package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// The stories of fixtures/nightly are those of a job that nobody watches; they
// have the folder and the commands of TestStories.
func TestNightlyStories(t *testing.T) {
	town, err := filepath.Abs("../../fixtures/town")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "../../fixtures/nightly", Cmds: storyCommands, RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("TOWN", town)
			return os.CopyFS(e.WorkDir, os.DirFS("../../fixtures/cli/street"))
		},
	})
}
