package cli

import (
	"arcdrift/agent/reach"
	"arcdrift/drift"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

// The output formats.
const (
	formatText = "text"
	formatJSON = "json"
	formatCSV  = "csv"
)

// formatFlag adds --format with the formats the command has, the default first.
func formatFlag(cmd *cobra.Command, formats ...string) *choice {
	c := &choice{formats[0], formats}
	cmd.Flags().Var(c, "format", "form of the answer")
	c.complete(cmd, "format")
	return c
}

// choice is a flag that takes one of a few words.
type choice struct {
	value string
	from  []string
}

// complete has a shell complete the words behind the command's flag of that name.
func (c *choice) complete(cmd *cobra.Command, name string) {
	if err := cmd.RegisterFlagCompletionFunc(name, cobra.FixedCompletions(c.from, cobra.ShellCompDirectiveNoFileComp)); err != nil {
		panic(err) // the command has no such flag, or it was offered before
	}
}

func (c *choice) String() string { return c.value }

func (c *choice) Type() string { return strings.Join(c.from, "|") }

// Set takes one of the words.
func (c *choice) Set(s string) error {
	if !slices.Contains(c.from, s) {
		return usagef("it must be one of %s", strings.Join(c.from, ", "))
	}
	c.value = s
	return nil
}

// moment is a flag that takes a time with its offset.
type moment struct{ drift.Opt[time.Time] }

func (m *moment) String() string {
	if t, ok := m.Get(); ok {
		return t.Format(time.RFC3339)
	}
	return ""
}

func (m *moment) Type() string { return "TIME" }

// Set reads RFC 3339.
func (m *moment) Set(s string) error {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return usagef("it must be a time with its offset, like 2026-03-02T18:00:00+01:00")
	}
	m.Opt = drift.Some(t)
	return nil
}

// dbPath is the value of --db.
func dbPath(cmd *cobra.Command) string { return cmd.Flag("db").Value.String() }

// location is the store that --db names.
func (env *Env) location(cmd *cobra.Command) reach.Location {
	return reach.Location{Path: dbPath(cmd), Now: env.Now, Log: env.Stderr, Engine: env.Variant.Engine}
}
