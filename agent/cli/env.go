package cli

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"arcdrift/agent/reach"
)

// Env is everything the program is given from outside.
type Env struct {
	// Program is the name it was called by, Args the command line behind it.
	Program string
	Args    []string
	// Environ holds KEY=value pairs; those named ARCDRIFT_… are settings.
	Environ []string
	Stdin   io.Reader
	// Stdout takes the answers, Stderr the messages.
	Stdout, Stderr io.Writer
	// Terminal is whether a person sits in front of Stdin and Stderr, who can
	// be asked and shown progress.
	Terminal bool
	// Reloads begins to deliver the signals to reload, SIGHUP; until then they end the
	// program. nil if there are none.
	Reloads func() <-chan os.Signal
	Now     func() time.Time
	// Zone is the time zone of this computer, in which text states times; nil is UTC.
	// JSON and CSV have their times in UTC.
	Zone *time.Location
	// Variant is what another program than arcdrift does in another way.
	Variant Variant
}

// Variant is what tells a program that is built of these commands from arcdrift, which is
// the zero value.
type Variant struct {
	// Name is the program's, Short and Long what its help says of it.
	Name, Short, Long string
	// Engine opens the store; nil is [reach.Files].
	Engine reach.Engine
	// Flags adds the flags that name the store; nil for none but --db.
	Flags func(*pflag.FlagSet)
	// Commands are those that only this program has, Without those it does not have.
	Commands func(Env) []*cobra.Command
	Without  []string
}

// local is a moment in the time zone of this computer.
func (env *Env) local(t time.Time) time.Time {
	if env.Zone == nil {
		return t.UTC()
	}
	return t.In(env.Zone)
}

// reloads are the signals to reload, which no longer end the program; nil for none.
func (env *Env) reloads() <-chan os.Signal {
	if env.Reloads == nil {
		return nil
	}
	return env.Reloads()
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
