package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/proof"
	"arcdrift/agent/proof/pack"
	"arcdrift/drift/phrase"
)

func proofVerifyCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "verify PACK",
		Short: "Check a pack on any computer, without a store and without a network",
		Long: `Checks that every file of a pack is as it was signed, and names what was changed.

The pack alone cannot say whose key signed it. Name the fingerprint that the contractor
gave you by another way with --key (--key "14e3 9c7b …"); a key that was replaced as planned vouches for the
ones after it.`,
		Example: "  arcdrift proof verify proof-job-J-114.zip",
	}
	format := formatFlag(cmd, formatText, formatJSON)
	key := cmd.Flags().String("key", "", "the `FINGERPRINT` that the contractor gave you")
	cmd.RunE = func(_ *cobra.Command, args []string) error {
		digits := ""
		if *key != "" {
			var err error
			if digits, err = pack.Digits(*key); err != nil {
				return usageError{err}
			}
		}
		raw, err := readPack(args[0])
		if err != nil {
			return err
		}
		found, _, err := pack.Check(raw)
		if err != nil {
			return err
		}
		if digits != "" && len(found.Wrong) == 0 && !found.SignedBy(digits) {
			found.Wrong = append(found.Wrong, fmt.Sprintf("The pack was signed by the key %s, and the key you named does not stand behind it.", found.Fingerprint))
		}
		if err := writeVerdict(&env, found, format.value, digits != ""); err != nil {
			return err
		}
		if len(found.Wrong) > 0 {
			return errors.New("do not rely on this pack")
		}
		return nil
	}
	return cmd
}

// mostPack is how large a pack may be that is read.
const mostPack = 1 << 30

func readPack(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("the pack cannot be read: %w", err)
	}
	defer func() { _ = f.Close() }() // it was only read
	raw, err := io.ReadAll(io.LimitReader(f, mostPack+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("the pack cannot be read: %w", err)
	case len(raw) > mostPack:
		return nil, fmt.Errorf("%s has more than %d bytes: it is not a pack of proof", path, mostPack)
	}
	return raw, nil
}

// checkedPack is the JSON form of a verdict.
type checkedPack struct {
	Sound       bool        `json:"sound"`
	Wrong       []string    `json:"wrong"`
	Job         *string     `json:"job"`
	Machine     *string     `json:"machine"`
	From        *time.Time  `json:"from"`
	To          *time.Time  `json:"to"`
	KnownAt     *time.Time  `json:"known_at"`
	Store       *string     `json:"store"`
	Fingerprint *string     `json:"fingerprint"`
	KeyMatches  *bool       `json:"key_matches"`
	TimeStamp   *pack.Stamp `json:"time_stamp"`
}

func writeVerdict(env *Env, f *pack.Finding, format string, named bool) error {
	w, m := env.Stdout, &f.Manifest
	sound := len(f.Wrong) == 0
	if format == formatJSON {
		verdict := checkedPack{Sound: sound, Wrong: append([]string{}, f.Wrong...), TimeStamp: f.Stamp}
		if f.Fingerprint != "" {
			verdict.Job, verdict.Machine, verdict.Store, verdict.Fingerprint = optional(m.Job), optional(m.Machine), optional(m.Store), optional(f.Fingerprint)
			verdict.From, verdict.To, verdict.KnownAt = m.From, m.To, &m.KnownAt
		}
		if named {
			verdict.KeyMatches = &sound
		}
		return writeJSON(w, &verdict)
	}
	var out strings.Builder
	for _, text := range f.Wrong {
		fmt.Fprintln(&out, text)
	}
	if sound {
		q := proof.Question{Job: m.Job, Machine: m.Machine}
		fmt.Fprintf(&out, "Sound: every file in the pack is as it was signed.\nIt is about %s, as known on %s. It was made by %s %s from the store %s.\n", q, phrase.Moment(env.local(m.KnownAt)), m.Software.Name, m.Software.Version, m.Store)
		if f.Stamp != nil {
			fmt.Fprintf(&out, "A time-stamp authority had seen the signature by %s: %s. Whether to trust it is for you to decide.\n", phrase.Moment(env.local(f.Stamp.Time)), f.Stamp.By)
		}
		if named {
			fmt.Fprintf(&out, "The key you named stands behind it.\n")
		} else {
			fmt.Fprintf(&out, "It was signed by the key %s. Compare that with the fingerprint that the contractor gave you by another way, or name it with --key.\n", f.Fingerprint)
		}
	}
	_, err := io.WriteString(w, out.String())
	return err
}

// optional is a text that may be missing.
func optional(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}

func proofAgainCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "again PACK",
		Short: "Make a pack again for the same moment, and say what has changed since",
		Long: `Makes the pack again from the store, for the same question and the same moment, and
says whether every byte is the same. If not, it names what has changed: records that
came late from a van, another version of the program, another key.`,
		Example: "  arcdrift proof again proof-job-J-114.zip",
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		raw, err := readPack(args[0])
		if err != nil {
			return err
		}
		var found *pack.Finding
		var changed []string
		_, err = env.withMaker(cmd, "", func(ctx context.Context, m *proof.Maker) ([]byte, error) {
			found, changed, err = m.Again(ctx, raw)
			return nil, err
		})
		switch {
		case err != nil:
			return err
		case len(found.Wrong) > 0:
			return fmt.Errorf("the pack is not as it was signed: %s", strings.Join(found.Wrong, " "))
		case len(changed) > 0:
			_, err = fmt.Fprintln(env.Stdout, strings.Join(changed, "\n"))
			return err
		}
		_, err = fmt.Fprintln(env.Stdout, "The store makes the same pack, byte for byte.")
		return err
	}
	return cmd
}
