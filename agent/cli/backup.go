package cli

import (
	"context"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"arcdrift/agent/bootcheck"
	"arcdrift/agent/store"
	"arcdrift/drift/phrase"
)

func backupCommand(env Env) *cobra.Command {
	return &cobra.Command{
		Use:   "backup FILE",
		Short: "Copy the store while it is in use, and check the copy",
		Long: `Writes a copy of the store as it is at this moment, also while an agent runs, and
checks every record of the copy before it takes the place of an older one.`,
		Example: "  arcdrift backup monday.db",
		RunE: func(cmd *cobra.Command, args []string) error {
			if same(args[0], dbPath(cmd)) {
				return usagef("the backup would take the place of the store itself")
			}
			report, err := env.location(cmd).Backup(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(env.Stdout, "Copied and checked: %s.\n", counted(report))
			return err
		},
	}
}

// same says whether two paths lead to one file.
func same(a, b string) bool {
	x, errX := os.Stat(a)
	y, errY := os.Stat(b)
	return errX == nil && errY == nil && os.SameFile(x, y)
}

// counted says what was found.
func counted(r store.Report) string {
	compacted := ""
	if r.Compacted > 0 {
		compacted = fmt.Sprintf(" (%s compacted)", phrase.Count(r.Compacted, "old arc count"))
	}
	return fmt.Sprintf("%s%s of %s, %s", phrase.Count(r.Entries, "record"), compacted, phrase.Count(r.Machines, "machine"), phrase.Count(r.Refused, "refusal"))
}

func restoreCommand(env Env) *cobra.Command {
	return &cobra.Command{
		Use:   "restore FILE",
		Short: "Put a backup in the place of the store, once it is checked",
		Long: `Checks every record of the backup and puts it in the place of the store. A store
that was there is kept beside it, in quarantine. The agent must not run.`,
		Example: "  arcdrift restore monday.db --db restored.db",
		RunE: func(cmd *cobra.Command, args []string) error {
			if same(args[0], dbPath(cmd)) {
				return usagef("the backup is the store itself")
			}
			f, err := os.Open(args[0])
			if err != nil {
				return fmt.Errorf("the backup cannot be read: %w", err)
			}
			if err := mayBeRead(cmd.Context(), env, args[0]); err != nil {
				return err
			}
			defer func() { _ = f.Close() }() // it was only read
			report, err := store.Restore(f, dbPath(cmd), env.Now())
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(env.Stdout, "Restored and checked: %s.\n", counted(report))
			return err
		},
	}
}

// mayBeRead has the backup checked by a process that may be lost: reading corrupt
// pages can hang or kill who does it.
func mayBeRead(ctx context.Context, env Env, backup string) error {
	info, err := os.Stat(backup)
	switch {
	case err != nil:
		return err
	case info.IsDir():
		return fmt.Errorf("the backup %s is a directory: name the file in it", backup)
	case !info.Mode().IsRegular():
		return nil // what comes through a pipe can be read once only
	}
	verdict, readable, err := bootcheck.Run(ctx, env.Program, backup, bootcheck.Limit(info.Size()))
	switch {
	case err != nil:
		return fmt.Errorf("the backup could not be checked, and was not restored: %w", err)
	case !readable:
		return fmt.Errorf("the backup was not restored: %s", verdict)
	}
	return nil
}
