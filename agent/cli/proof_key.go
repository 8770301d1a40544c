package cli

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"arcdrift/agent/storekey"
	"arcdrift/drift/phrase"
)

func proofKeyCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "key",
		Short: "The key by which the store signs packs of proof",
		Long: `The store signs by an Ed25519 key. It is made at the first start of the agent, or with
the first pack, and lies beside the store: FILE.key, which only its owner can read.
FILE.keys beside it lists the public keys, the earlier ones too.

A backup of the store does not hold the key, as whoever has it can sign in your name.
Back it up apart (proof key backup), keep that file where only you reach it, and give
the fingerprint to your customers.

Replace it when the person who holds it leaves, and every few years: the old key then
signs the new one, so that customers who know the old fingerprint can rely on new packs.
Old packs stay valid. If the key is lost, or may be in other hands, replace it with --because lost or
stolen: nothing vouches for the new key then, so give customers its fingerprint again.`,
		Example: "  arcdrift proof key show\n  arcdrift proof key backup key-2026.pem",
	}
	cmd.AddCommand(keyShowCommand(env), keyBackupCommand(env), keyRestoreCommand(env), keyRotateCommand(env))
	return cmd
}

func keyShowCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "show",
		Short:   "The fingerprint of the key in use, and of those before it",
		Example: "  arcdrift proof key show",
	}
	format := formatFlag(cmd, formatText, formatJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		ring, err := env.ring(cmd)
		if err != nil {
			return err
		}
		return env.writeKeys(ring.Keys(), format.value)
	}
	return cmd
}

// ring is the store's key. The store must be there: a mistyped name makes no key.
func (env *Env) ring(cmd *cobra.Command) (*storekey.Ring, error) {
	if err := env.location(cmd).MustBe(); err != nil {
		return nil, err
	}
	return storekey.Open(storekey.Path(dbPath(cmd)), env.Now())
}

func (env *Env) writeKeys(keys []storekey.Key, format string) error {
	if format == formatJSON {
		return writeJSONLines(env.Stdout, keys)
	}
	var out strings.Builder
	table(&out, func(row func(...string)) {
		row("FINGERPRINT", "MADE", "WHY", "SIGNED BY THE ONE BEFORE")
		for i := len(keys) - 1; i >= 0; i-- {
			vouched := "no"
			if keys[i].Follows() {
				vouched = "yes"
			}
			row(keys[i].Fingerprint(), phrase.Moment(keys[i].Made), reasons[keys[i].Because], vouched)
		}
	})
	_, err := fmt.Fprint(env.Stdout, out.String())
	return err
}

var reasons = map[storekey.Reason]string{
	storekey.First: "the first", storekey.Planned: "replaced as planned",
	storekey.Lost: "the one before was lost", storekey.Stolen: "the one before may be in other hands",
}

func keyBackupCommand(env Env) *cobra.Command {
	return &cobra.Command{
		Use:   "backup FILE",
		Short: "Copy the key to a file of its own",
		Long: `Writes the private key and the list of public keys to a new file. Whoever has that
file can sign in your name: keep it apart from the store and its backups.`,
		Example: "  arcdrift proof key backup key-copy.pem",
		RunE: func(cmd *cobra.Command, args []string) error {
			ring, err := env.ring(cmd)
			if err != nil {
				return err
			}
			if err := ring.Backup(args[0]); err != nil {
				return err
			}
			fmt.Fprintln(env.Stderr, "Whoever has this file can sign in your name: keep it apart from the store and its backups.")
			_, err = fmt.Fprintf(env.Stdout, "Copied the key %s.\n", ring.Current().Fingerprint())
			return err
		},
	}
}

func keyRestoreCommand(env Env) *cobra.Command {
	return &cobra.Command{
		Use:     "restore FILE",
		Short:   "Bring a copy of the key back",
		Long:    `Puts the key from a copy beside the store. Another key that is there is not overwritten.`,
		Example: "  arcdrift proof key restore key-2026.pem",
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := env.location(cmd).MustBe(); err != nil {
				return err
			}
			ring, err := storekey.Restore(args[0], storekey.Path(dbPath(cmd)), env.Now())
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(env.Stdout, "The store has the key %s again.\n", ring.Current().Fingerprint())
			return err
		},
	}
}

func keyRotateCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "rotate",
		Short: "Make a new key",
		Long: `Makes a new key. Planned: the old key signs the new one and is then destroyed. Lost or
stolen: nothing vouches for the new key, and customers must be given its fingerprint.
Packs that were signed before stay as they are.`,
		Example: "  arcdrift proof key rotate --because planned\n  arcdrift proof key rotate --because lost",
	}
	because := choice{"", []string{string(storekey.Planned), string(storekey.Lost), string(storekey.Stolen)}}
	cmd.Flags().Var(&because, "because", "why the key is replaced")
	because.complete(cmd, "because")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if because.value == "" {
			return seeHelp(cmd, "--because is missing")
		}
		ring, err := env.ring(cmd)
		switch lost := errors.Is(err, storekey.ErrLost); {
		case lost && because.value == string(storekey.Planned):
			return err
		case err != nil && !lost:
			return err
		}
		if err := ring.Replace(storekey.Reason(because.value), env.Now()); err != nil {
			return err
		}
		if because.value != string(storekey.Planned) {
			fmt.Fprintln(env.Stderr, "Nothing vouches for the new key: give its fingerprint to everybody who checks packs.")
		}
		fmt.Fprintln(env.Stderr, "Back the new key up (proof key backup).")
		_, err = fmt.Fprintf(env.Stdout, "The new key has the fingerprint %s.\n", ring.Current().Fingerprint())
		return err
	}
	return cmd
}
