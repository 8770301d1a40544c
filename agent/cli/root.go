package cli

import (
	"arcdrift/agent/setting"
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
)

// Run carries out one command line and returns the exit code.
func Run(ctx context.Context, env Env) int {
	err := run(ctx, env)
	if err != nil {
		// Errors that came together stand on one line.
		fmt.Fprintf(env.Stderr, "%s: %s\n", cmp.Or(env.Variant.Name, "arcdrift"), strings.ReplaceAll(err.Error(), "\n", "; "))
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

// run carries one command out.
func run(ctx context.Context, env Env) error {
	if env.Stdin != nil {
		env.Stdin = &interruptible{ctx: ctx, from: env.Stdin}
	}
	root := rootCommand(env)
	root.SetArgs(append([]string{}, env.Args...)) // of nil, cobra would take the process's own
	// Whatever fails before a command begins is the user's to put right.
	began := false
	root.PersistentPreRunE = func(cmd *cobra.Command, _ []string) error {
		if err := applySettings(cmd.Flags(), settingNames(root), env.Environ); err != nil {
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

// apply gives the root command what the variant says of itself.
func (v *Variant) apply(root *cobra.Command) {
	if v.Name != "" {
		root.Use, root.Short, root.Long, root.Example = v.Name, v.Short, v.Long, "  "+v.Name+" assess"
	}
	if v.Flags != nil {
		v.Flags(root.PersistentFlags())
	}
}

// commands adds the variant's own commands and takes out those that it does not have.
func (v *Variant) commands(root *cobra.Command, env Env) {
	for _, cmd := range root.Commands() {
		if slices.Contains(v.Without, cmd.Name()) {
			root.RemoveCommand(cmd)
		}
	}
	if v.Commands != nil {
		root.AddCommand(v.Commands(env)...)
	}
}

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
--db. Answers go to standard output, messages to standard error. Text states times
in the time zone of this computer.

Exit status: 0 done, 1 failed, 2 wrong command line or setting, 3 some records were
refused.`,
		Example:       "  arcdrift import results.csv\n  arcdrift assess",
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.PersistentFlags().String("db", "arcdrift.db", "the store, a `FILE`")
	env.Variant.apply(root)
	root.AddCommand(serveCommand(env), demoCommand(env, run), logCommand(env), importCommand(env),
		assessCommand(env), siteCheckCommand(env), lookBackCommand(env), compareCommand(env), evaluateCommand(env), reportCommand(env), exportCommand(env), backupCommand(env),
		restoreCommand(env), verifyCommand(env), sparesCommand(env), planCommand(env), proofCommand(env), whatIfCommand(env), deviceCommand(env), personCommand(env), certificateCommand(env), bootCheckCommand(env), healthcheckCommand(env), versionCommand(env))
	env.Variant.commands(root, env)
	root.SetHelpCommand(helpCommand())
	plain(root)
	root.SetIn(env.Stdin)
	root.SetOut(env.Stdout)
	root.SetErr(env.Stderr)
	return root
}
