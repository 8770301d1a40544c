package agent

import (
	"context"
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"arcdrift/agent/store"
)

func verifyCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "verify",
		Short: "Check the whole record; name the first bad entry",
		Long: `Checks every record of the store against its checksum and against the chain that
ties it to the one before it, and the indexes. A store that a running agent holds
is checked in a copy.`,
		Example: "  arcdrift verify\n  arcdrift verify --db monday.db --format json",
		Args:    cobra.NoArgs,
	}
	format := formatFlag(cmd, formatText, formatJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		report, err := verify(cmd.Context(), env, dbPath(cmd))
		if err != nil {
			return err
		}
		if err := tellReport(env, report, format.value); err != nil {
			return err
		}
		if report.First != nil {
			return fmt.Errorf("the store is not as it was written: %w", report.First)
		}
		return nil
	}
	return cmd
}

// verify checks the store, or a copy of one that an agent holds.
func verify(ctx context.Context, env Env, db string) (store.Report, error) {
	report, err := store.VerifyFile(db)
	if !errors.Is(err, store.ErrHeld) {
		return report, err
	}
	copied, err := copyStore(ctx, env, db, "")
	if err != nil {
		return store.Report{}, err
	}
	defer func() { _ = os.Remove(copied) }() // a copy that is left over harms nobody
	return store.VerifyFile(copied)
}

// tellReport writes what the check found.
func tellReport(env Env, r store.Report, format string) error {
	if format == formatText {
		verdict := "Sound"
		if r.Wrong > 0 {
			verdict = fmt.Sprintf("%d wrong", r.Wrong)
		}
		_, err := fmt.Fprintf(env.Stdout, "%s: %s.\n", verdict, counted(r))
		return err
	}
	var first *string
	if r.First != nil {
		text := r.First.Error()
		first = &text
	}
	return writeJSON(env.Stdout, struct {
		Records   uint64  `json:"records"`
		Thinned   uint64  `json:"thinned"`
		Machines  int     `json:"machines"`
		Conflicts uint64  `json:"conflicts"`
		Refused   uint64  `json:"refused"`
		Wrong     int     `json:"wrong"`
		First     *string `json:"first"`
	}{r.Entries, r.Thinned, r.Machines, r.Conflicts, r.Refused, r.Wrong, first})
}
