package cli

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"arcdrift/agent/reach"
	"arcdrift/agent/store"
	"arcdrift/drift/phrase"
)

func verifyCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "verify",
		Short: "Check the whole record; name the first bad entry",
		Long: `Checks every record of the store against its checksum and against the chain that
ties it to the one before it, and the indexes. A store that a running agent holds
is checked in a copy.

--digests also lists a digest of each machine's records, of the setups of the
fleet, and of the refused list. A van and its hub that took the same have the
same ones, whatever order it came in and whatever was compacted.`,
		Example: "  arcdrift verify\n  arcdrift verify --db monday.db --format json\n  arcdrift verify --digests",
		Args:    cobra.NoArgs,
	}
	format := formatFlag(cmd, formatText, formatJSON)
	digests := cmd.Flags().Bool("digests", false, "also list a digest of what each machine has, to compare two stores by")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		var listed []digest
		list := func(s reach.Kept) (err error) {
			if *digests {
				listed, err = digestsOf(s)
			}
			return err
		}
		report, err := env.location(cmd).Verify(cmd.Context(), list)
		if err != nil {
			return err
		}
		if err := writeVerified(env, report, format.value); err != nil {
			return err
		}
		if report.First != nil {
			return fmt.Errorf("the store is not as it was written: %w", report.First)
		}
		return writeDigests(env, listed, format.value)
	}
	return cmd
}

// digest is a line of --digests.
type digest struct {
	What    string `json:"digest_of"` // a machine, "fleet" or "refused"
	Records uint64 `json:"records"`
	Digest  string `json:"digest"`
}

func digestsOf(s reach.Kept) (all []digest, err error) {
	machines, err := s.Digests()
	refused, refusedErr := s.RefusedDigest()
	if err := errors.Join(err, refusedErr); err != nil {
		return nil, err
	}
	for _, name := range slices.Sorted(maps.Keys(machines)) {
		d := machines[name]
		all = append(all, digest{cmp.Or(name, "fleet"), d.Records, d.Sum})
	}
	return append(all, digest{"refused", refused.Records, refused.Sum}), nil
}

func writeDigests(env Env, all []digest, format string) error {
	if len(all) == 0 {
		return nil
	}
	if format == formatJSON {
		for i := range all {
			if err := writeJSON(env.Stdout, &all[i]); err != nil {
				return err
			}
		}
		return nil
	}
	var out strings.Builder
	table(&out, func(row func(...string)) {
		row("DIGEST OF", "RECORDS", "DIGEST")
		for _, d := range all {
			row(d.What, phrase.Integer(d.Records), d.Digest[:16])
		}
	})
	_, err := io.WriteString(env.Stdout, out.String())
	return err
}

// writeVerified writes what the check found.
func writeVerified(env Env, r store.Report, format string) error {
	if format == formatText {
		verdict := "Sound"
		if r.Wrong > 0 {
			verdict = phrase.Integer(r.Wrong) + " wrong"
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
	}{r.Entries, r.Compacted, r.Machines, r.Conflicts, r.Refused, r.Wrong, first})
}
