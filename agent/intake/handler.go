package intake

import (
	"context"
	"crypto/rand"
	"maps"
	"sync"
	"sync/atomic"
	"time"

	"arcdrift/drift"
)

// The limits of the queue. A group, which is one transaction, takes no more jobs
// once it holds maxGroup records; a larger upload is one group of its own. Once
// maxWaiting records wait, the handler is busy.
const (
	maxGroup   = 4096
	maxWaiting = 8192
	maxJobs    = 1024
)

// Handler takes submissions and gives receipts. Run must be running for Take to
// return.
type Handler struct {
	store    Store
	now      func() time.Time
	announce func([]drift.Entry)

	jobs    chan *job
	waiting atomic.Int64

	mu      sync.RWMutex // held while a job goes in; stopped is set under it
	stopped bool

	// Used by the writer only: the arc counters, nil until Run has read them, and
	// the arrival of the last record that came without a time.
	counters map[string]drift.Counter
	arrival  time.Time

	heardMu sync.Mutex
	heard   map[string]drift.Counter // see Counted
}

// job is the submissions of one Take.
type job struct {
	submissions []Submission
	problems    []*drift.Problem // one for each submission, nil where it is valid
	now         time.Time
	receipts    []Receipt
	err         error
	done        chan struct{}
}

// New returns a handler that writes to the store. now is the wall clock. announce
// is given the new entries, without duplicates and conflicts, after each commit and
// before the receipts; it runs on the writer's goroutine and must return quickly.
func New(store Store, now func() time.Time, announce func([]drift.Entry)) *Handler {
	return &Handler{store: store, now: now, announce: announce, jobs: make(chan *job, maxJobs)}
}

// Take submits records and returns one receipt for each, in order, once all are
// durable. With an error nothing may be acknowledged, though some may have been
// stored: submitting them again is harmless. The error is ErrBusy when too much is
// waiting, ErrStopped after Run ended, the context's, or the store's.
func (h *Handler) Take(ctx context.Context, submissions []Submission) ([]Receipt, error) {
	if len(submissions) == 0 {
		return nil, nil
	}
	j := &job{submissions: submissions, problems: make([]*drift.Problem, len(submissions)), now: h.now(), done: make(chan struct{})}
	for i := range submissions {
		j.problems[i] = submissions[i].check()
	}
	if err := h.enqueue(j); err != nil {
		return nil, err
	}
	select {
	case <-j.done:
		return j.receipts, j.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// enqueue puts a job into the queue. An upload larger than the queue is accepted
// when nothing else waits.
func (h *Handler) enqueue(j *job) error {
	h.mu.RLock()
	defer h.mu.RUnlock()
	if h.stopped {
		return ErrStopped
	}
	n := int64(len(j.submissions))
	if before := h.waiting.Add(n) - n; before > 0 && before+n > maxWaiting {
		h.waiting.Add(-n)
		return ErrBusy
	}
	select {
	case h.jobs <- j:
		return nil
	default:
		h.waiting.Add(-n)
		return ErrBusy
	}
}

// Counted reports arc counters that other processes with the same store have brought
// forward. It does not block.
func (h *Handler) Counted(counters map[string]drift.Counter) {
	h.heardMu.Lock()
	defer h.heardMu.Unlock()
	if h.heard == nil {
		h.heard = map[string]drift.Counter{}
	}
	maps.Copy(h.heard, counters)
}

// hear takes over what was reported.
func (h *Handler) hear() {
	h.heardMu.Lock()
	defer h.heardMu.Unlock()
	maps.Copy(h.counters, h.heard)
	h.heard = nil
}

// Waiting is how many records are submitted and not yet answered.
func (h *Handler) Waiting() int { return int(h.waiting.Load()) }

// Run is the one writer. It returns nil when ctx ends, after everything in the
// queue has been answered, or an error if the counters cannot be read.
func (h *Handler) Run(ctx context.Context) error {
	counters, err := h.store.Counters()
	if err != nil {
		h.stop()
		return err
	}
	h.counters = counters
	for {
		select {
		case j := <-h.jobs:
			h.serve(j)
		case <-ctx.Done():
			h.stop()
			return nil
		}
	}
}

// stop accepts no more jobs and answers those in the queue.
func (h *Handler) stop() {
	h.mu.Lock()
	h.stopped = true
	h.mu.Unlock()
	for {
		select {
		case j := <-h.jobs:
			if h.counters == nil {
				h.answer([]*job{j}, ErrStopped)
			} else {
				h.serve(j)
			}
		default:
			return
		}
	}
}

// serve commits the job together with those that wait behind it.
func (h *Handler) serve(first *job) {
	group, n := []*job{first}, len(first.submissions)
	for n < maxGroup {
		select {
		case j := <-h.jobs:
			group, n = append(group, j), n+len(j.submissions)
			continue
		default:
		}
		break
	}
	h.answer(group, h.commit(group))
}

func (h *Handler) answer(group []*job, err error) {
	for _, j := range group {
		if j.err = err; err != nil {
			j.receipts = nil
		}
		h.waiting.Add(-int64(len(j.submissions)))
		close(j.done)
	}
}

// commit stores a group in one transaction and fills in its receipts.
func (h *Handler) commit(group []*job) error {
	h.hear()
	var (
		entries  []drift.Entry
		refusals []drift.Refusal
		of       []*Receipt                   // the receipt of each entry
		counters = map[string]drift.Counter{} // as they are within this group
	)
	for _, j := range group {
		j.receipts = make([]Receipt, len(j.submissions))
		for i := range j.submissions {
			s, r := &j.submissions[i], &j.receipts[i]
			r.Line, r.ID = s.Line, s.Record.ID
			if p := j.problems[i]; p != nil {
				r.Refused = p
				refusals = append(refusals, s.refusal(p, j.now))
				continue
			}
			before, ok := counters[s.Record.Machine]
			if !ok {
				before = h.counters[s.Record.Machine]
			}
			e := entry(s, j.now, before)
			if e.Time.IsZero() && e.Received.Equal(j.now) {
				h.arrival = rising(j.now, h.arrival)
				e.Received = h.arrival
			}
			counters[e.Machine] = before.Next(&e)
			r.ID, r.PossibleRepeat, r.Questions = e.ID, e.PossibleRepeat, questions(&e, before)
			if e.PossibleRepeat {
				r.Questions = append(r.Questions, "Was this sent before? Nothing in the record says so; if it is sent twice, it counts twice. To prevent that, give it a time, an id, or source and seq.")
			}
			entries, of = append(entries, e), append(of, r)
		}
	}
	placed, err := h.store.Append(entries, refusals)
	if err != nil {
		return err
	}
	fresh := complete(entries, of, placed)
	for i := range fresh {
		e := &fresh[i]
		h.counters[e.Machine] = h.counters[e.Machine].Next(e)
	}
	if len(fresh) > 0 {
		h.announce(fresh)
	}
	return nil
}

// rising is now, or one nanosecond after the arrival before it: records without a
// time are ordered by arrival, so two must not share one. A clock that was set back
// by a second or more is followed.
func rising(now, before time.Time) time.Time {
	if ahead := before.Sub(now); ahead >= 0 && ahead < time.Second {
		return before.Add(1)
	}
	return now
}

// complete fills in the receipts and returns the entries that are new.
func complete(entries []drift.Entry, of []*Receipt, placed []drift.Placement) []drift.Entry {
	var fresh []drift.Entry
	for i, p := range placed {
		r := of[i]
		r.Epoch, r.Seq, r.Duplicate, r.Conflict = p.Epoch, p.Seq, p.Duplicate, p.Conflict
		switch {
		case p.Duplicate:
			r.Questions = nil
		case !p.Conflict:
			e := entries[i]
			e.StoreEpoch, e.StoreSeq = p.Epoch, p.Seq
			fresh = append(fresh, e)
		}
	}
	return fresh
}

// entry is the submitted record with its arrival and its id: the sender's; or one
// derived from the record, so that sending it again is harmless; or, where nothing
// distinguishes it from a repeat, a random one.
func entry(s *Submission, now time.Time, before drift.Counter) drift.Entry {
	e := drift.Entry{Record: s.Record, Received: now, Via: s.Via, Account: s.account()}
	// Stores keep the nanoseconds since 1970: from before 1678 they would read as later.
	if s.Received.After(time.Unix(0, 0)) && s.Received.Sub(now) <= oddAhead {
		e.Received = s.Received
	}
	switch {
	case e.ID != "":
		e.PossibleRepeat = s.PossibleRepeat
	case e.Traceable(before.Rises(&e.Record)):
		e.ID = e.Identity()
	default:
		e.PossibleRepeat = true
		e.ID = rand.Text()
	}
	return e
}
