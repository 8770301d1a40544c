package cli

import (
	"context"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/proof"
	"arcdrift/agent/proof/pack"
	"arcdrift/agent/reach"
	"arcdrift/agent/store"
	"arcdrift/agent/storekey"
	"arcdrift/agent/version"
)

func proofCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "proof",
		Short: "A signed pack for a customer: was this machine good, and what of the gaps",
		Long: `Writes one signed file about a job, or about a machine over a time: the machines
used, each check as found and as left, the air, the rules kept and the gaps, work on the
electrodes, the doubt about each splice day, and what was decided. It is a ZIP archive
with a document to read or print (HTML and PDF) and with the data.

The same store, moment and version make the same bytes: --known-at counts only what had
arrived by then. Names of people are not in the pack, nor other jobs in the pack of a job.

The store's key signs. It lies beside the store (FILE.key) and is not in a backup of
the store: see arcdrift proof key. A time-stamp server (RFC 3161), if you name one,
adds that somebody else had seen the signature by then.`,
		Example: "  arcdrift proof --job J-114\n  arcdrift proof --machine K-07 --from 2026-03-01 --to 2026-03-31\n  arcdrift proof verify proof-job-J-114.zip",
	}
	job := cmd.Flags().String("job", "", "the `JOB`, as in the splice records")
	machine := cmd.Flags().String("machine", "", "the machine of this `ID`, with --from and --to")
	from := cmd.Flags().String("from", "", "the first `DAY`, like 2026-03-01, or a time with its offset")
	to := cmd.Flags().String("to", "", "the last `DAY`, or a time with its offset")
	var knownAt moment
	cmd.Flags().Var(&knownAt, "known-at", "from records that had arrived at or before this time; now")
	out := cmd.Flags().String("out", "", "the `FILE` to write; proof-job-J.zip or proof-machine-ID.zip")
	stamp := cmd.Flags().String("time-stamp-server", "", "the `URL` of a time-stamp server (RFC 3161)")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		q := proof.Question{Job: *job, Machine: *machine, KnownAt: knownAt.Or(time.Time{})}
		raw, err := env.withMaker(cmd, *stamp, func(ctx context.Context, m *proof.Maker) ([]byte, error) {
			zone, err := m.Zone(q.Machine)
			if err == nil {
				q.From, err = proof.Bound("from", *from, zone)
			}
			if err == nil {
				q.To, err = proof.Bound("to", *to, zone)
			}
			if err == nil {
				err = q.Check()
			}
			if err != nil {
				return nil, err
			}
			return m.Make(ctx, nil, q)
		})
		if err != nil {
			return err
		}
		name := *out
		if name == "" {
			name = q.FileName()
		}
		return env.leavePack(name, raw)
	}
	cmd.AddCommand(proofVerifyCommand(env), proofAgainCommand(env), proofKeyCommand(env))
	return cmd
}

// leavePack writes a pack and says by which key it was signed.
func (env *Env) leavePack(name string, raw []byte) error {
	found, _, err := pack.Check(raw)
	if err != nil {
		return err
	}
	if err := os.WriteFile(name, raw, 0o644); err != nil {
		return fmt.Errorf("the pack could not be written: %w", err)
	}
	fmt.Fprintf(env.Stderr, "Signed by the key with the fingerprint %s. Give it to the customer by another way than the pack.\n", found.Fingerprint)
	_, err = fmt.Fprintln(env.Stdout, name)
	return err
}

// withMaker makes something from a copy of the store.
func (env *Env) withMaker(cmd *cobra.Command, stampServer string, do func(context.Context, *proof.Maker) ([]byte, error)) (raw []byte, err error) {
	at := env.location(cmd)
	err = at.ReadCopy(cmd.Context(), func(s store.Reader, _ reach.Store) error {
		v := version.Running()
		raw, err = do(cmd.Context(), &proof.Maker{
			Store: s, Name: s.Name(), KeyFile: storekey.Path(at.Path), StampServer: stampServer, Now: env.Now,
			Software: pack.Software{Name: "arcdrift", Version: v.Version, Revision: v.Revision},
		})
		return err
	})
	return raw, err
}
