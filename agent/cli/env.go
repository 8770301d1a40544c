package cli

import (
	"arcdrift/agent/reach"
	"arcdrift/agent/setting"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

// Env is everything the program is given from outside.
type Env struct {
	// Program is the name it was called by, Args the command line behind it.
	Program string
	Args    []string
	// Environ holds KEY=value pairs; those named ARCDRIFT_… are settings.
	Environ []string
	Stdin   io.Reader
	// Stdout takes the answers, Stderr the talk.
	Stdout, Stderr io.Writer
	// Terminal is whether a person sits in front of Stdin and Stderr, who can
	// be asked and shown progress.
	Terminal bool
	// Hangups asks for hangups, which end the program otherwise; nil if there are
	// none.
	Hangups func() <-chan os.Signal
	Now     func() time.Time
}

// hangups are those that were asked for; none end the program from now on.
func (env *Env) hangups() <-chan os.Signal {
	if env.Hangups == nil {
		return nil
	}
	return env.Hangups()
}

// The exit codes.
const (
	ExitDone    = 0
	ExitFailed  = 1
	ExitUsage   = 2
	ExitRefused = 3
)

// usageError is the user's own: a flag, an argument or a setting is wrong.
type usageError struct{ error }

func (u usageError) Unwrap() error { return u.error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// refusedError says that the work is done but some records were not taken.
type refusedError struct{ refused, of int }

func (r refusedError) Error() string {
	return fmt.Sprintf("%d of %d were refused; each is named above", r.refused, r.of)
}

// Run carries out one command line and returns the exit code.
func Run(ctx context.Context, env Env) int {
	err := run(ctx, env)
	if err != nil {
		// What failed together is told together.
		fmt.Fprintf(env.Stderr, "arcdrift: %s\n", strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	var refused refusedError
	switch {
	case err == nil:
		return ExitDone
	case errors.As(err, new(usageError)) || errors.As(err, new(*setting.Error)):
		return ExitUsage
	case errors.As(err, &refused):
		return ExitRefused
	default:
		return ExitFailed
	}
}

// location is the store that --db names.
func (env *Env) location(cmd *cobra.Command) reach.Location {
	return reach.Location{Path: dbPath(cmd), Now: env.Now, Log: env.Stderr}
}
