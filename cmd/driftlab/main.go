// Command driftlab judges the model on invented fleets, whose truth is known: each
// fleet's records come in as an agent takes them, are replayed without looking
// ahead, and what was answered is compared with what would have come. See `driftlab
// --help`.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"

	"golang.org/x/term"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	e := env{stdout: os.Stdout, stderr: os.Stderr, terminal: term.IsTerminal(int(os.Stderr.Fd()))}
	code := e.run(ctx, os.Args[1:])
	stop()
	os.Exit(code)
}

// env is what the program is given from outside.
type env struct {
	stdout, stderr io.Writer
	// terminal is whether a person sees stderr.
	terminal bool
}

// The exit codes.
const (
	exitDone   = 0
	exitFailed = 1 // a bar is not met, or it could not
	exitUsage  = 2
)

// run carries out one command line and returns the exit code.
func (e *env) run(ctx context.Context, args []string) int {
	began := false
	root := rootCommand(e, &began)
	root.SetArgs(append([]string{}, args...)) // of nil, cobra would take the process's own
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitDone
	}
	fmt.Fprintln(e.stderr, "driftlab:", err)
	if !began || errors.As(err, new(usageError)) {
		return exitUsage
	}
	return exitFailed
}

// usageError is the user's own: a flag is wrong.
type usageError struct{ error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }
