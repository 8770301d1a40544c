package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"arcdrift/agent/store"
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
			report, err := backup(cmd.Context(), env, dbPath(cmd), args[0])
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(env.Stdout, "Copied and checked: %s.\n", counted(report))
			return err
		},
	}
}

// backup copies the store, checks the copy and puts it at path.
func backup(ctx context.Context, env Env, db, path string) (store.Report, error) {
	staged, err := copyStore(ctx, env, db, filepath.Dir(path))
	if err != nil {
		return store.Report{}, err
	}
	defer func() { _ = os.Remove(staged) }() // gone once it has its name
	report, err := sound(staged)
	if err != nil {
		return report, fmt.Errorf("the copy was not kept, as the store is not sound; see arcdrift verify: %w", err)
	}
	if err := os.Rename(staged, path); err != nil {
		return report, fmt.Errorf("the backup could not be put in its place: %w", err)
	}
	return report, nil
}

// copyStore copies the store to a file of its own in dir, durably.
func copyStore(ctx context.Context, env Env, db, dir string) (path string, err error) {
	if err := mustBe(db); err != nil {
		return "", err
	}
	f, err := os.CreateTemp(dir, ".arcdrift-copy-")
	if err != nil {
		return "", fmt.Errorf("there is no place for a copy: %w", err)
	}
	err = errors.Join(writeCopy(ctx, env, db, f), f.Sync(), f.Close())
	if err != nil {
		return "", errors.Join(fmt.Errorf("the store could not be copied: %w", err), os.Remove(f.Name()))
	}
	return f.Name(), nil
}

func writeCopy(ctx context.Context, env Env, db string, w io.Writer) error {
	s, err := store.Open(db, env.Now, store.Options{ReadOnly: true, Lock: shortly})
	if errors.Is(err, store.ErrHeld) {
		r, err := holder(ctx, env, db, err)
		if err != nil {
			return err
		}
		return r.Backup(ctx, w)
	}
	if err != nil {
		return err
	}
	return errors.Join(s.Backup(w), s.Close())
}

// sound checks a store that nobody holds; what is wrong is an error.
func sound(path string) (store.Report, error) {
	report, err := store.VerifyFile(path)
	if err == nil && report.First != nil {
		err = report.First
	}
	return report, err
}

// same says whether two paths lead to one file.
func same(a, b string) bool {
	x, errX := os.Stat(a)
	y, errY := os.Stat(b)
	return errX == nil && errY == nil && os.SameFile(x, y)
}

// counted says what was found.
func counted(r store.Report) string {
	thinned := ""
	if r.Compacted > 0 {
		thinned = fmt.Sprintf(" (%s thinned)", count(r.Compacted, "old arc count"))
	}
	return fmt.Sprintf("%s%s of %s, %s", count(r.Entries, "record"), thinned, count(r.Machines, "machine"), count(r.Refused, "refusal"))
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
	verdict, readable, err := runCheck(ctx, env, backup, checkTime(info.Size()))
	switch {
	case err != nil:
		return fmt.Errorf("the backup could not be checked, and was not restored: %w", err)
	case !readable:
		return fmt.Errorf("the backup was not restored: %s", verdict)
	}
	return nil
}
