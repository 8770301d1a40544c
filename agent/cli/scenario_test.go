package cli_test

import (
	"flag"
	"net"
	"os"
	"path/filepath"
	"time"

	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

var update = flag.Bool("update", false, "rewrite the answers in testdata/scenarios")

// TestScenarios runs the command lines of testdata/scenarios as a user would.
func TestScenarios(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join("..", "..", "testdata", "scenarios"),
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("TZ", "UTC")
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"await":    await,
			"freeport": freePort,
		},
	})
}

// await waits until a file is there: await FILE.
func await(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: await FILE")
	}
	for range 3000 {
		if _, err := os.Stat(ts.MkAbs(args[0])); err == nil {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	ts.Fatalf("%s did not come", args[0])
}

// freePort puts a free port into the environment: freeport NAME.
func freePort(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: freeport NAME")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	ts.Check(err)
	_, port, err := net.SplitHostPort(l.Addr().String())
	ts.Check(err)
	ts.Check(l.Close())
	ts.Setenv(args[0], port)
}
