package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/drift"
)

// The output formats.
const (
	formatText = "text"
	formatJSON = "json"
	formatCSV  = "csv"
)

// rootCommand is the command tree.
func rootCommand(env Env) *cobra.Command {
	root := &cobra.Command{
		Use:   "arcdrift",
		Short: "Keeps a fleet of fusion splicing machines fit to splice",
		Long: `arcdrift takes the results of arc calibrations, with the air they were made in,
and answers: which machine is drifting and why, how many arcs are left on its
electrodes, and whether to calibrate again after a move.

Records are kept in the store, the file that --db names. If a running agent holds
it, commands ask that agent. Flags can come from the environment: ARCDRIFT_DB is
--db. Answers go to standard output, messages to standard error.

Exit status: 0 done, 1 failed, 2 wrong command line or setting, 3 some records were
refused.`,
		Example:       "  arcdrift import results.csv\n  arcdrift assess",
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.PersistentFlags().String("db", "arcdrift.db", "the store, a `FILE`")
	root.AddCommand(serveCommand(env), demoCommand(env), logCommand(env), importCommand(env),
		assessCommand(env), siteCheckCommand(env), lookBackCommand(env), evaluateCommand(env), reportCommand(env), exportCommand(env), backupCommand(env),
		restoreCommand(env), verifyCommand(env), sparesCommand(env), proofCommand(env), whatIfCommand(env), deviceCommand(env), personCommand(env), certificateCommand(env), bootCheckCommand(env), healthcheckCommand(env), versionCommand(env))
	root.SetHelpCommand(helpCommand())
	plain(root)
	root.SetIn(env.Stdin)
	root.SetOut(env.Stdout)
	root.SetErr(env.Stderr)
	return root
}

// run carries one command out.
func run(ctx context.Context, env Env) error {
	root := rootCommand(env)
	root.SetArgs(append([]string{}, env.Args...)) // of nil, cobra would take the process's own
	// Whatever fails before a command begins is the user's to put right.
	began := false
	root.PersistentPreRunE = func(cmd *cobra.Command, _ []string) error {
		if err := settle(cmd.Flags(), settingNames(root), env.Environ); err != nil {
			return err
		}
		began = true
		return nil
	}
	err := root.ExecuteContext(ctx)
	if err != nil && !began {
		return usageError{err}
	}
	return err
}

// formatFlag adds --format with the formats the command has, the default first.
func formatFlag(cmd *cobra.Command, formats ...string) *choice {
	c := &choice{formats[0], formats}
	cmd.Flags().Var(c, "format", "form of the answer")
	c.offer(cmd, "format")
	return c
}

// choice is a flag that takes one of a few words.
type choice struct {
	value string
	from  []string
}

// offer has a shell complete the words behind the command's flag of that name.
func (c *choice) offer(cmd *cobra.Command, name string) {
	if err := cmd.RegisterFlagCompletionFunc(name, cobra.FixedCompletions(c.from, cobra.ShellCompDirectiveNoFileComp)); err != nil {
		panic(err) // the command has no such flag, or it was offered before
	}
}

func (c *choice) String() string { return c.value }
func (c *choice) Type() string   { return strings.Join(c.from, "|") }

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

// writeJSON writes one object on one line.
func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

// writeJSONLines writes each object on a line.
func writeJSONLines[T any](w io.Writer, all []T) error {
	for i := range all {
		if err := writeJSON(w, &all[i]); err != nil {
			return err
		}
	}
	return nil
}

// count says how many there are of something.
func count[N int | uint64](n N, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
