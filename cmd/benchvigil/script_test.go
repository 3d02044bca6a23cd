package main

import (
	"flag"
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

var update = flag.Bool("update", false, "rewrite the expected output in testdata/script")

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"benchvigil": main})
}

// TestScripts runs the program as people do: testdata/script/*.txtar.
func TestScripts(t *testing.T) {
	profiles, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:           "testdata/script",
		UpdateScripts: *update,
		Setup: func(e *testscript.Env) error {
			e.Setenv("PROFILES", profiles+"/../../configs/profiles")
			e.Setenv("CONFIGS", profiles+"/../../configs")
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"exits": exits},
	})
}

// exits runs benchvigil and wants this exit code: exits 3 run --config x.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 {
		ts.Fatalf("usage: exits CODE [ARG ...]")
	}
	err := ts.Exec("benchvigil", args[1:]...)
	got := "0"
	if err != nil {
		got = exitStatus(err)
	}
	if got != args[0] {
		ts.Fatalf("benchvigil %v exits %s, want %s\n%s", args[1:], got, args[0], ts.ReadFile("stderr"))
	}
}
