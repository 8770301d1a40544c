package hub

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"

	"github.com/spf13/cobra"

	"arcdrift/agent/cli"
	"arcdrift/agent/reach"
	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

func adoptCommand(env cli.Env, at *databases) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "adopt FILE",
		Short: "Take over all that the store of an arcdrift agent keeps",
		Long: `Copies the store of an agent (arcdrift.db) into this database: the records with the
times at which they arrived, what was refused, the names of people with their
pseudonyms, the alerts with how they turned out, and the messages that wait. At the end
it compares the digests of both. Stop the agent before, and let it not start again: vans
and devices send to the hub from then on.

The database must have no decisions of its own yet. Running the command again after an
interruption is harmless. The chains of the machines begin anew here: keep the old file
for as long as packs of proof that were made from it matter. Copy FILE.key to where
--db points, so that the hub signs with the same key.`,
		Example: "  arcdrift-hub adopt /var/lib/arcdrift/arcdrift.db",
		Args:    cobra.ExactArgs(1),
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		to, err := at.Open(cmd.Context(), reach.Location{Now: env.Now}, reach.Writing)
		if err != nil {
			return err
		}
		from, err := store.Open(args[0], env.Now, store.Options{ReadOnly: true})
		if err != nil {
			return errors.Join(err, to.Close())
		}
		n, err := adopt(cmd.Context(), from, to)
		if err := errors.Join(err, from.Close(), to.Close()); err != nil {
			return err
		}
		_, err = fmt.Fprintf(env.Stdout, "Taken over and compared: %s.\n", phrase.Count(n, "record"))
		return err
	}
	return cmd
}

// adopt copies a store and compares the copy. The order matters: people before the records
// that name them, decisions last.
func adopt(ctx context.Context, from *store.Store, to reach.Store) (records uint64, err error) {
	if err := mayDecide(from, to); err != nil {
		return 0, err
	}
	people, err := from.PeopleSince(0, math.MaxInt)
	if err != nil {
		return 0, err
	}
	known := make([]wire.Person, len(people))
	for i := range people {
		known[i] = people[i].Person
	}
	if err := to.Learn(known); err != nil {
		return 0, err
	}
	if records, err = adoptRecords(ctx, from, to); err != nil {
		return 0, err
	}
	if err := adoptRefusals(from, to); err != nil {
		return 0, err
	}
	if err := adoptDecisions(from, to); err != nil {
		return 0, err
	}
	return records, compare(from, to)
}

// mayDecide refuses to replace decisions that are not those of the file.
func mayDecide(from *store.Store, to reach.Store) error {
	theirs, err := from.Decided()
	if err != nil {
		return err
	}
	ours, err := to.Decided()
	if err == nil && ours != nil && string(ours) != string(theirs) {
		err = errors.New("the database has decided on alerts of its own: adopt a store before the hub runs for the first time; records alone go in by arcdrift export and arcdrift-hub import")
	}
	return err
}

func adoptRecords(ctx context.Context, from *store.Store, to reach.Store) (n uint64, err error) {
	const page = 1000
	for epoch, seq := uint64(0), uint64(0); ; {
		entries, err := from.SincePseudonymous(epoch, seq, page)
		if err != nil {
			return n, err
		}
		if _, err := to.Append(entries, nil); err != nil {
			return n, err
		}
		n += uint64(len(entries))
		if len(entries) < page {
			return n, ctx.Err()
		}
		epoch, seq = entries[len(entries)-1].StoreEpoch, entries[len(entries)-1].StoreSeq
		if ctx.Err() != nil {
			return n, ctx.Err()
		}
	}
}

// adoptRefusals copies what was refused as a van forwards it: again is harmless.
func adoptRefusals(from *store.Store, to reach.Store) error {
	refused, err := from.RefusalsSince(0, math.MaxInt)
	if err != nil {
		return err
	}
	all := make([]drift.Refusal, len(refused))
	for i := range refused {
		all[i] = refused[i].Refusal
		all[i].Forwarded = true
	}
	_, err = to.Append(nil, all)
	return err
}

func adoptDecisions(from *store.Store, to reach.Store) error {
	state, err := from.Decided()
	if err != nil || state == nil {
		return err
	}
	if ours, err := to.Decided(); err != nil || ours != nil {
		return err // by a run before
	}
	outcomes, err := from.Outcomes()
	if err != nil {
		return err
	}
	items, err := from.Items()
	if err != nil {
		return err
	}
	return to.Decide(state, outcomes, items)
}

// compare compares the digests of both stores.
func compare(from *store.Store, to reach.Store) error {
	theirs, err := from.Digests()
	if err != nil {
		return err
	}
	ours, err := to.Digests()
	if err != nil {
		return err
	}
	for machine, digest := range theirs {
		if ours[machine] != digest {
			return fmt.Errorf("the records of %s differ from those of the file after copying: was something taken for it here before? Compare both with verify --digests", cmp.Or(machine, "the fleet"))
		}
	}
	a, err := from.RefusedDigest()
	b, otherErr := to.RefusedDigest()
	if err := errors.Join(err, otherErr); err != nil {
		return err
	}
	if a != b && maps.Equal(theirs, ours) {
		return errors.New("what was refused differs from that of the file after copying: compare both with verify --digests")
	}
	return nil
}
