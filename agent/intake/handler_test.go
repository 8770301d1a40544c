package intake_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"arcdrift/agent/intake"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// fixture is a running handler with a store in memory, and what it announced.
type fixture struct {
	*intake.Handler
	store     *storetest.Memory
	mu        sync.Mutex
	announced []drift.Entry
}

func start(t *testing.T) *fixture {
	d := &fixture{store: &storetest.Memory{}}
	d.Handler = intake.New(d.store, storetest.Received, func(e []drift.Entry) {
		d.mu.Lock()
		defer d.mu.Unlock()
		d.announced = append(d.announced, e...)
	})
	run(t, d.Handler)
	t.Cleanup(func() { storetest.Invariants(t, d.store) })
	return d
}

func run(t *testing.T, d *intake.Handler) {
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- d.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		require.NoError(t, <-done)
	})
}

func (d *fixture) take(t *testing.T, all ...intake.Submission) []intake.Receipt {
	t.Helper()
	receipts, err := d.Take(t.Context(), all)
	require.NoError(t, err)
	require.Len(t, receipts, len(all))
	return receipts
}

// submission is a calibration as a sender without ids sends it.
func submission(machine string, arcs int, change ...func(*drift.Record)) intake.Submission {
	r := storetest.Calibration(machine, arcs).Record
	r.ID = ""
	for _, f := range change {
		f(&r)
	}
	return intake.Submission{Raw: r.AppendCanonical(nil), Record: r, Via: "http"}
}

func TestTakeGivesIdsOrderAndAnnouncesWhatIsNew(t *testing.T) {
	d := start(t)
	first := d.take(t, submission("K-07", 1), submission("K-07", 2), submission("K-07", 1))
	assert.Equal(t, storetest.Calibration("K-07", 1).ID, first[0].ID)
	assert.Equal(t, []uint64{1, 2, 1}, []uint64{first[0].Seq, first[1].Seq, first[2].Seq})
	assert.True(t, first[2].Duplicate)
	again := d.take(t, submission("K-07", 2))
	assert.Equal(t, intake.Receipt{ID: first[1].ID, Epoch: first[1].Epoch, Seq: 2, Duplicate: true}, again[0])
	other := submission("K-07", 3, func(r *drift.Record) { r.ID = first[0].ID })
	conflict := d.take(t, other)[0]
	assert.True(t, conflict.Conflict)
	require.Len(t, d.announced, 2, "neither repeats nor conflicts are announced")
	h, err := d.store.History("K-07")
	require.NoError(t, err)
	assert.Equal(t, h, d.announced)
}

func TestRefusals(t *testing.T) {
	onChannelOf := func(s intake.Submission, machine string) intake.Submission { s.Machine = machine; return s }
	for name, test := range map[string]struct {
		submitted      intake.Submission
		field, machine string
	}{
		"out of bounds": {submission("K-07", 1, func(r *drift.Record) { r.Calibration.Humidity = drift.Some(140.0) }), "humidity_pct", "K-07"},
		"not decoded":   {intake.Submission{Raw: []byte("{"), Problem: &drift.Problem{Field: "type", Reason: "is missing"}, Machine: "K-07"}, "type", "K-07"},
		"another's":     {onChannelOf(submission("K-08", 1), "K-07"), "machine", "K-07"},
		"hostile name":  {submission("\x00../K", 1), "machine", ""},
		"no machine":    {onChannelOf(submission("", 1), "K-07"), "machine", "K-07"},
	} {
		t.Run(name, func(t *testing.T) {
			d := start(t)
			test.submitted.Line = 4
			receipts := d.take(t, test.submitted, submission("K-09", 1))
			require.NotNil(t, receipts[0].Refused)
			assert.Equal(t, test.field, receipts[0].Refused.Field)
			assert.Equal(t, 4, receipts[0].Line)
			assert.Zero(t, receipts[0].Seq)
			assert.Nil(t, receipts[1].Refused, "its neighbour is taken")
			kept, err := d.store.Refusals("", 0)
			require.NoError(t, err)
			require.Len(t, kept, 1)
			assert.Equal(t, test.submitted.Raw, kept[0].Raw)
			assert.Equal(t, test.machine, kept[0].Machine)
			assert.Equal(t, 4, kept[0].Line)
		})
	}
	t.Run("huge", func(t *testing.T) {
		d := start(t)
		raw := []byte(strings.Repeat("x", drift.MaxRaw+1000))
		d.take(t, intake.Submission{Raw: raw, Problem: &drift.Problem{Reason: "is no JSON"}})
		kept, err := d.store.Refusals("", 0)
		require.NoError(t, err)
		assert.Len(t, kept[0].Raw, drift.MaxRaw)
		assert.Equal(t, len(raw), kept[0].Size)
	})
}

func TestPossibleRepeat(t *testing.T) {
	bare := func(arcs drift.Opt[int64]) intake.Submission {
		return submission("K-07", 0, func(r *drift.Record) { r.Time, r.ArcCount = time.Time{}, arcs })
	}
	d := start(t)
	none := drift.Opt[int64]{}
	r := d.take(t, bare(none), bare(none), bare(drift.Some(int64(7))), bare(drift.Some(int64(7))), bare(drift.Some(int64(8))))
	for i, flagged := range []bool{true, true, false, true, false} {
		assert.Equal(t, flagged, r[i].PossibleRepeat, "submission %d", i)
		assert.False(t, r[i].Duplicate, "submission %d", i)
	}
	assert.NotEqual(t, r[0].ID, r[1].ID)
	assert.Equal(t, r[2].ID, bareIdentity(7), "with a risen count the id is derived")
	assert.Len(t, d.announced, 5)
}

func bareIdentity(arcs int64) string {
	o := submission("K-07", 0, func(r *drift.Record) { r.Time, r.ArcCount = time.Time{}, drift.Some(arcs) })
	return o.Record.Identity()
}

// daily sets how often the check of the day is due.
func daily(days int64) intake.Submission {
	return intake.Submission{Record: drift.Record{Type: drift.TypeSetup, Time: storetest.Received(), Setup: &drift.Setup{Scope: drift.ScopeFleet, DailyCheck: drift.Some(days)}}}
}

func TestQuestions(t *testing.T) {
	now := storetest.Received()
	at := func(when time.Time) func(*drift.Record) { return func(r *drift.Record) { r.Time = when } }
	air := func(hPa, m float64) func(*drift.Record) {
		return func(r *drift.Record) { r.Calibration.Pressure, r.Calibration.Altitude = drift.Some(hPa), drift.Some(m) }
	}
	for name, test := range map[string]struct {
		submitted intake.Submission
		asks      string // "": nothing
	}{
		// 795 hPa is 2000 m in the US Standard Atmosphere 1976, table I.
		"another height":         {submission("K-07", 1000, air(795, 200)), "A pressure of 795 hPa is usual at about 2,000 m, and the record says 200 m: which is right?"},
		"weather":                {submission("K-07", 1000, air(1013.25-38, 0)), ""},
		"beyond weather":         {submission("K-07", 1000, air(1013.25-42, 0)), "which is right?"},
		"sender slightly ahead":  {submission("K-07", 1000, at(now.Add(5*time.Minute))), ""},
		"sender ahead":           {submission("K-07", 1000, at(now.Add(61*time.Minute))), "1 h 1 min ahead"},
		"no battery":             {submission("K-07", 1000, at(time.Date(1970, 1, 1, 0, 0, 9, 0, time.UTC))), "in the year 1970"},
		"counter fell":           {submission("K-07", 12, at(now)), "fell from 900 to 12"},
		"the daily check":        {daily(0), "The check after electrodes were cleaned or replaced stays"},
		"the daily check stays":  {daily(1), ""},
		"every third day":        {daily(3), ""},
		"counter of a late file": {submission("K-07", 12, at(now.Add(-90*24*time.Hour))), ""},
	} {
		t.Run(name, func(t *testing.T) {
			d := start(t)
			d.take(t, submission("K-07", 900, at(now.Add(-time.Hour))))
			got := d.take(t, test.submitted)[0]
			require.Nil(t, got.Refused, "a question refuses nothing")
			if test.asks == "" {
				assert.Empty(t, got.Questions)
				return
			}
			require.Len(t, got.Questions, 1)
			assert.Contains(t, got.Questions[0], test.asks)
			assert.Empty(t, d.take(t, test.submitted)[0].Questions, "a repeat is not asked about")
		})
	}
	t.Run("replaced", func(t *testing.T) {
		d := start(t)
		service := drift.Record{Type: drift.TypeService, Machine: "K-07", Time: now.Add(-30 * time.Minute), ArcCount: drift.Some(int64(0)), Service: &drift.Service{Action: drift.Replaced}}
		r := d.take(t, submission("K-07", 900, at(now.Add(-time.Hour))), intake.Submission{Record: service}, submission("K-07", 3, at(now)))
		for i := range r {
			assert.Empty(t, r[i].Questions)
		}
	})
}

func TestNothingIsAcknowledgedWhenTheStoreFails(t *testing.T) {
	d := start(t)
	d.store.Fail = errors.New("disk full")
	receipts, err := d.Take(t.Context(), []intake.Submission{submission("K-07", 1)})
	assert.ErrorIs(t, err, d.store.Fail)
	assert.Nil(t, receipts)
	assert.Empty(t, d.announced)
	d.store.Fail = nil
	assert.False(t, d.take(t, submission("K-07", 1))[0].Duplicate)
}

// slow is a store whose Append waits until it is released.
type slow struct {
	storetest.Memory
	entered, release chan struct{}
	sizes            []int
}

func (s *slow) Append(e []drift.Entry, r []drift.Refusal) ([]drift.Placement, error) {
	s.entered <- struct{}{}
	<-s.release
	s.sizes = append(s.sizes, len(e))
	return s.Memory.Append(e, r)
}

func TestFullQueueIsBusyAndAGroupSharesOneCommit(t *testing.T) {
	s := &slow{entered: make(chan struct{}), release: make(chan struct{})}
	d := intake.New(s, storetest.Received, func([]drift.Entry) {})
	run(t, d)
	var callers sync.WaitGroup
	send := func(machine string, n int) {
		all := make([]intake.Submission, n)
		for i := range all {
			all[i] = submission(machine, i)
		}
		callers.Go(func() {
			receipts, err := d.Take(t.Context(), all)
			assert.NoError(t, err)
			assert.Len(t, receipts, n)
		})
	}
	send("K-00", 10_000) // larger than the queue, accepted as nothing else waits
	<-s.entered
	_, err := d.Take(t.Context(), []intake.Submission{submission("K-07", 1)})
	assert.ErrorIs(t, err, intake.ErrBusy)
	s.release <- struct{}{}
	require.Eventually(t, func() bool { return d.Waiting() == 0 }, time.Minute, time.Millisecond)

	send("K-01", 1)
	<-s.entered // the writer is held; what comes now waits together
	for i := range 40 {
		send(fmt.Sprintf("K-1%02d", i), 1)
	}
	require.Eventually(t, func() bool { return d.Waiting() == 41 }, time.Minute, time.Millisecond)
	s.release <- struct{}{}
	<-s.entered
	s.release <- struct{}{}
	callers.Wait()
	assert.Equal(t, []int{10_000, 1, 40}, s.sizes)
}

func TestStop(t *testing.T) {
	s := &slow{entered: make(chan struct{}), release: make(chan struct{})}
	d := intake.New(s, storetest.Received, func([]drift.Entry) {})
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- d.Run(ctx) }()
	var callers sync.WaitGroup
	take := func(arcs int) {
		callers.Go(func() {
			_, err := d.Take(t.Context(), []intake.Submission{submission("K-07", arcs)})
			assert.NoError(t, err, "what is in the queue is answered")
		})
	}
	take(1)
	<-s.entered
	take(2)
	require.Eventually(t, func() bool { return d.Waiting() == 2 }, time.Minute, time.Millisecond)
	stop()
	s.release <- struct{}{}
	<-s.entered
	s.release <- struct{}{}
	require.NoError(t, <-done)
	callers.Wait()
	_, err := d.Take(t.Context(), []intake.Submission{submission("K-07", 3)})
	assert.ErrorIs(t, err, intake.ErrStopped)
}

func TestACancelledTakeGetsNoReceipt(t *testing.T) {
	s := &slow{entered: make(chan struct{}), release: make(chan struct{})}
	d := intake.New(s, storetest.Received, func([]drift.Entry) {})
	run(t, d)
	ctx, giveUp := context.WithCancel(t.Context())
	done := make(chan error)
	go func() {
		_, err := d.Take(ctx, []intake.Submission{submission("K-07", 1)})
		done <- err
	}()
	<-s.entered
	giveUp()
	assert.ErrorIs(t, <-done, context.Canceled)
	s.release <- struct{}{}
}

// An agent that forwards is believed about when it took a record, but not what no store
// could keep: an arrival in the year 1026 would be read as one in 2195, which lies in the
// future.
func TestArrivalBefore1970IsNotBelieved(t *testing.T) {
	d := start(t)
	for i, c := range []struct{ said, want time.Time }{
		{storetest.Received().AddDate(0, -1, 0), storetest.Received().AddDate(0, -1, 0)},
		{storetest.Received().AddDate(-1000, 0, 0), storetest.Received()},
		{storetest.Received().Add(time.Hour), storetest.Received()},
	} {
		s := submission("K-07", i)
		s.Received = c.said
		d.take(t, s)
		all, err := d.store.History("K-07")
		require.NoError(t, err)
		assert.Equal(t, c.want, all[i].Received, c.said)
	}
}
