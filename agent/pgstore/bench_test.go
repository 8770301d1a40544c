package pgstore_test

import (
	"context"
	"fmt"
	"runtime"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"

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

// pooled are as many connections as the store takes at once, whose commits do not wait.
func pooled(b *testing.B, url string) *pgxpool.Pool {
	config, err := pgxpool.ParseConfig(url)
	require.NoError(b, err)
	config.MaxConns = int32(max(8, 4*runtime.GOMAXPROCS(0)) - 2)
	config.ConnConfig.RuntimeParams["synchronous_commit"] = "off"
	pool, err := pgxpool.NewWithConfig(context.Background(), config)
	require.NoError(b, err)
	b.Cleanup(pool.Close)
	return pool
}

func inserts(rows [][]any) *pgx.Batch {
	batch := &pgx.Batch{}
	for _, row := range rows {
		batch.Queue(`insert into records values ($1, $2, $3, $4, $5, $6)`, row...)
	}
	return batch
}

// BenchmarkIntake stores calibrations, and beside it stores the same in a plain table in
// the two fast ways that pgx has, one transaction a call. One operation is one record. The
// peers do not look for repeats and conflicts, chain nothing and keep no heads. Making the
// records is not measured; writing their canonical form is, in all of them. The two peers
// "by slot" commit as often as the store does: once for each slot that a call has records
// of, at several connections at once, and they wait for one flush at the end.
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
				return conn.SendBatch(ctx, inserts(peerRows(entries, n*size))).Close()
			})
		})
		bySlot := func(name string, put func(c *pgxpool.Conn, rows [][]any) error) {
			b.Run(fmt.Sprintf("%s-by-slot/%d", name, size), func(b *testing.B) {
				s, pool := open(b, url(b)), pooled(b, plain(b).Config().ConnString())
				calls(b, func(n int, entries []drift.Entry) error {
					slots := map[int][][]any{}
					for i, row := range peerRows(entries, n*size) {
						slot := s.Slot(entries[i].Machine)
						slots[slot] = append(slots[slot], row)
					}
					var group errgroup.Group
					for _, rows := range slots {
						group.Go(func() error {
							return pool.AcquireFunc(ctx, func(c *pgxpool.Conn) error { return put(c, rows) })
						})
					}
					if err := group.Wait(); err != nil {
						return err
					}
					_, err := pool.Exec(ctx, `select set_config('synchronous_commit', 'on', true), pg_logical_emit_message(true, 'peer', '')`)
					return err
				})
			})
		}
		bySlot("copy", func(c *pgxpool.Conn, rows [][]any) error {
			_, err := c.CopyFrom(ctx, pgx.Identifier{"records"}, peerColumns, pgx.CopyFromRows(rows))
			return err
		})
		bySlot("batch", func(c *pgxpool.Conn, rows [][]any) error { return c.SendBatch(ctx, inserts(rows)).Close() })
	}
}
