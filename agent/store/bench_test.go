package store_test

import (
	"context"
	"fmt"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/intake"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

func doorTo(t testing.TB, s intake.Store) *intake.Handler {
	d := intake.New(s, storetest.Received, func([]drift.Entry) {})
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- d.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		require.NoError(t, <-done)
	})
	return d
}

// offerOf is the n-th record of a fleet of 1,000 machines.
func offerOf(n int) intake.Submission {
	r := storetest.Calibration(fmt.Sprintf("K-%03d", n%1000), n).Record
	r.ID = ""
	return intake.Submission{Record: r, Via: "mqtt"}
}

// BenchmarkTake: durable records from callers that each wait for their receipt.
func BenchmarkTake(b *testing.B) {
	for _, callers := range []int{1, 8, 64} {
		b.Run(fmt.Sprintf("callers=%d", callers), func(b *testing.B) {
			d := doorTo(b, open(b, dbPath(b)))
			next := make(chan int)
			done := make(chan error, callers)
			for range callers {
				go func() {
					var failed error
					for n := range next {
						if _, err := d.Take(b.Context(), []intake.Submission{offerOf(n)}); err != nil {
							failed = err
						}
					}
					done <- failed
				}()
			}
			b.ResetTimer()
			for n := range b.N {
				next <- n
			}
			close(next)
			for range callers {
				require.NoError(b, <-done)
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "records/s")
		})
	}
}

// BenchmarkImport: uploads, one after the other; -benchtime 100x is 100 of them.
func BenchmarkImport(b *testing.B) {
	for _, batch := range []int{1000, 5000} {
		b.Run(fmt.Sprintf("batch=%d", batch), func(b *testing.B) {
			d := doorTo(b, open(b, dbPath(b)))
			offers := make([]intake.Submission, batch)
			for i := range b.N {
				b.StopTimer()
				for n := range offers {
					offers[n] = offerOf(i*batch + n)
				}
				b.StartTimer()
				_, err := d.Take(b.Context(), offers)
				require.NoError(b, err)
			}
			b.ReportMetric(float64(b.N*batch)/b.Elapsed().Seconds(), "records/s")
		})
	}
}

// fill makes a store of n records of 1,000 machines.
func fill(b *testing.B, n int) *store.Store {
	s := open(b, dbPath(b))
	const batch = 10_000
	for at := 0; at < n; at += batch {
		entries := make([]drift.Entry, batch)
		for i := range entries {
			entries[i] = storetest.Calibration(fmt.Sprintf("K-%03d", i%1000), at+i)
		}
		_, err := s.Append(entries, nil)
		require.NoError(b, err)
	}
	return s
}

func BenchmarkVerifyMillion(b *testing.B) {
	const n = 1_000_000
	s := fill(b, n)
	for b.Loop() {
		r, err := s.Verify()
		require.NoError(b, err)
		require.Nil(b, r.First)
		require.EqualValues(b, n, r.Entries)
	}
	b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds(), "records/s")
}

// BenchmarkHistory: one machine's 100 records, decoded.
func BenchmarkHistory(b *testing.B) {
	s := fill(b, 100_000)
	for b.Loop() {
		h, err := s.History("K-500")
		require.NoError(b, err)
		require.Len(b, h, 100)
	}
	b.ReportMetric(100*float64(b.N)/b.Elapsed().Seconds(), "records/s")
}

// BenchmarkSettle is settling a message while so many keys are remembered: three months of
// alerts of a small and of a large fleet.
func BenchmarkSettle(b *testing.B) {
	for _, keys := range []int{100, 100_000} {
		b.Run(strconv.Itoa(keys), func(b *testing.B) {
			s := open(b, dbPath(b))
			items := make([]store.OutboxItem, keys)
			for i := range items {
				items[i] = store.OutboxItem{Queue: "q", Key: "remembered-" + strconv.Itoa(i)}
			}
			require.NoError(b, s.Decide(nil, nil, items))
			for n := 0; b.Loop(); n++ {
				key := "settled-" + strconv.Itoa(n)
				require.NoError(b, s.Decide(nil, nil, []store.OutboxItem{{Queue: "q", Key: key}}))
				require.NoError(b, s.Settle(key))
			}
		})
	}
}
