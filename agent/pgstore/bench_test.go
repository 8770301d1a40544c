package pgstore_test

import (
	"context"
	"fmt"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// calls are n calls of size calibrations each, of so many machines in turn. What a call
// holds depends on its number only.
func call(n, size, machines int) []drift.Entry {
	out := make([]drift.Entry, size)
	for i := range out {
		k := n*size + i
		out[i] = storetest.Calibration(fmt.Sprintf("K-%07d", k%machines), k)
	}
	return out
}

// peerRows are the same records as rows of a plain table.
func peerRows(entries []drift.Entry, first int) [][]any {
	out := make([][]any, len(entries))
	for i := range entries {
		e := &entries[i]
		out[i] = []any{e.Machine, int64(first + i), store.IDKey(e.ID), e.Received, e.Via + " " + e.Account, e.AppendCanonical(nil)}
	}
	return out
}

var peerColumns = []string{"machine", "seq", "id", "received", "via", "record"}

// plain makes a plain table for the same records, with the indexes that the questions
// need: history, order of taking, repeats.
func plain(b *testing.B) *pgx.Conn {
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, server.URL(server.Database(b, "template1")))
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, conn.Close(ctx)) })
	for _, sql := range []string{
		`create table records (machine text collate "C", seq bigint, id bytea, received timestamptz, via text, record bytea, primary key (machine, seq))`,
		`create index on records (seq)`, `create index on records (id)`,
	} {
		_, err := conn.Exec(ctx, sql)
		require.NoError(b, err)
	}
	return conn
}

// BenchmarkIntake stores calibrations, and beside it stores the same in a plain table in
// the two fast ways that pgx has, one transaction a call. One operation is one record. The
// peers do not look for repeats and conflicts, chain nothing and keep no heads. Making the
// records is not measured; writing their canonical form is, in all three.
func BenchmarkIntake(b *testing.B) {
	const machines = 1000
	ctx := context.Background()
	for _, size := range []int{4096, 512} {
		calls := func(b *testing.B, store func(n int, entries []drift.Entry) error) {
			all := make([][]drift.Entry, (b.N+size-1)/size)
			for n := range all {
				all[n] = call(n, size, machines)
			}
			b.ResetTimer()
			for n := range all {
				require.NoError(b, store(n, all[n]))
			}
			b.ReportMetric(float64(len(all)*size)/b.Elapsed().Seconds(), "records/s")
		}
		b.Run(fmt.Sprintf("store/%d", size), func(b *testing.B) {
			s := open(b, url(b))
			calls(b, func(_ int, entries []drift.Entry) error {
				_, err := s.Append(entries, nil)
				return err
			})
		})
		b.Run(fmt.Sprintf("copy/%d", size), func(b *testing.B) {
			conn := plain(b)
			calls(b, func(n int, entries []drift.Entry) error {
				_, err := conn.CopyFrom(ctx, pgx.Identifier{"records"}, peerColumns, pgx.CopyFromRows(peerRows(entries, n*size)))
				return err
			})
		})
		b.Run(fmt.Sprintf("batch/%d", size), func(b *testing.B) {
			conn := plain(b)
			calls(b, func(n int, entries []drift.Entry) error {
				batch := &pgx.Batch{}
				for _, row := range peerRows(entries, n*size) {
					batch.Queue(`insert into records values ($1, $2, $3, $4, $5, $6)`, row...)
				}
				return conn.SendBatch(ctx, batch).Close()
			})
		})
	}
}
