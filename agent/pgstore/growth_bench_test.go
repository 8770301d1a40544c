package pgstore_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/pgstore"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// generated gives so many machines one record each, by COPY of made-up rows: the tables
// and indexes are as large as after real intake, the chains are not valid.
func generated(b *testing.B, s *pgstore.Store, database string, machines int) {
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, server.URL(database))
	require.NoError(b, err)
	defer conn.Close(ctx)
	value, chain := make([]byte, 620), make([]byte, 32)
	copyInto := func(table string, columns []string, row func(machine string, n int) []any) {
		_, err := conn.CopyFrom(ctx, pgx.Identifier{table}, columns, pgx.CopyFromSlice(machines, func(n int) ([]any, error) {
			return row(fmt.Sprintf("K-%07d", n), n), nil
		}))
		require.NoError(b, err)
	}
	copyInto("heads", []string{"slot", "machine", "epoch", "seq", "entries", "conflicts", "chain"}, func(machine string, n int) []any {
		return []any{s.Slot(machine), machine, 1, n + 1, 1, 0, chain}
	})
	copyInto("entries", []string{"slot", "machine", "epoch", "seq", "kind", "id", "value"}, func(machine string, n int) []any {
		return []any{s.Slot(machine), machine, 1, n + 1, 0, store.IDKey(machine), value}
	})
	_, err = conn.Exec(ctx, `update slots set seq = $1`, machines)
	require.NoError(b, err)
	_, err = conn.Exec(ctx, `checkpoint`)
	require.NoError(b, err)
}

// BenchmarkMachines reads the history of machines that have 20 real records each, and
// stores records of machines at random, 4096 a call, in fleets of different sizes. One
// operation is one machine, or one record.
func BenchmarkMachines(b *testing.B) {
	for _, machines := range []int{1_000, 100_000, 1_000_000} {
		database := server.Database(b, template)
		s, err := pgstore.Open(b.Context(), server.URL(database), storetest.Received, pgstore.Options{})
		require.NoError(b, err)
		generated(b, s, database, machines)
		require.NoError(b, s.Close())
		s, err = pgstore.Open(b.Context(), server.URL(database), storetest.Received, pgstore.Options{})
		require.NoError(b, err)
		chance := rand.New(rand.NewPCG(18, 2))
		const real = 500
		known := func(n int) string { return fmt.Sprintf("K-%07d", n*(machines/real)) }
		for n := range 20 {
			var entries []drift.Entry
			for m := range real {
				entries = append(entries, storetest.Calibration(known(m), n))
			}
			_, err := s.Append(entries, nil)
			require.NoError(b, err)
		}
		b.Run(fmt.Sprintf("machine/%d", machines), func(b *testing.B) {
			for b.Loop() {
				h, _ := s.History(known(chance.IntN(real))) // the generated row cannot be decoded
				require.Len(b, h, 20)
			}
		})
		made := 20
		b.Run(fmt.Sprintf("record/%d", machines), func(b *testing.B) {
			var calls [][]drift.Entry
			for n := 0; n < b.N; n += 4096 {
				var entries []drift.Entry
				for range 4096 {
					made++
					entries = append(entries, storetest.Calibration(fmt.Sprintf("K-%07d", chance.IntN(machines)), made))
				}
				calls = append(calls, entries)
			}
			b.ResetTimer()
			for _, entries := range calls {
				_, err := s.Append(entries, nil)
				require.NoError(b, err)
			}
		})
		require.NoError(b, s.Close())
	}
}
