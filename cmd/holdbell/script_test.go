package main

import (
	"errors"
	"os"
	"os/exec"
	"strconv"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"holdbell": main,
	})
}

// TestVerbs runs the verbs as a shell would, each script in a folder of its own.
func TestVerbs(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		UpdateScripts:       os.Getenv("HOLDBELL_UPDATE") == "1",
		Cmds:                map[string]func(*testscript.TestScript, bool, []string){"status": status},
	})
}

// status runs a command and wants its exit status: `status 3 holdbell replay …`. Both outputs are kept
// for stdout, stderr and cmp, as exec keeps them.
func status(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: status N command [args...]")
	}
	err := ts.Exec(args[1], args[2:]...)
	got := "0"
	if err != nil {
		var ended *exec.ExitError
		if !errors.As(err, &ended) {
			ts.Fatalf("%v", err)
		}
		got = strconv.Itoa(ended.ExitCode())
	}
	if got != args[0] {
		ts.Fatalf("%s ended with %s, want %s", args[1], got, args[0])
	}
}
