package intake

import (
	"context"
	"crypto/rand"
	"sync"
	"sync/atomic"
	"time"

	"arcdrift/drift"
)

// Limits of the queue. A group is closed once it holds maxGroup records; an
// upload larger than that is one group of its own. Once maxWaiting records wait
// the door is busy.
const (
	maxGroup   = 4096
	maxWaiting = 8192
	maxJobs    = 1024
)

// Door takes offers and gives receipts. Run must be running for Take to return.
type Door struct {
	store    Store
	now      func() time.Time
	announce func([]drift.Entry)

	jobs    chan *job
	waiting atomic.Int64

	mu      sync.RWMutex // held while a job goes in; stopped is set under it
	stopped bool

	// The writer's own: the counters, and the arrival of the last without a time.
	counters map[string]drift.Counter
	arrival  time.Time
}

// job is the offers of one Take.
type job struct {
	offers   []Offer
	problems []*drift.Problem
	now      time.Time
	receipts []Receipt
	err      error
	done     chan struct{}
}

// New makes a door to the store. announce is given the new entries, without
// duplicates and conflicts, after each commit and before the receipts; it runs
// on the writer's goroutine and must hand over quickly.
func New(store Store, now func() time.Time, announce func([]drift.Entry)) *Door {
	return &Door{store: store, now: now, announce: announce, jobs: make(chan *job, maxJobs)}
}

// Take offers records and returns one receipt for each, in order, once all are
// durable. With an error nothing may be acknowledged, though some may have been
// kept: offering them again is harmless. The error is ErrBusy when too much is
// waiting, ErrStopped after Run ended, the context's, or the store's.
func (d *Door) Take(ctx context.Context, offers []Offer) ([]Receipt, error) {
	if len(offers) == 0 {
		return nil, nil
	}
	j := &job{offers: offers, problems: make([]*drift.Problem, len(offers)), now: d.now(), done: make(chan struct{})}
	for i := range offers {
		j.problems[i] = offers[i].check()
	}
	if err := d.enqueue(j); err != nil {
		return nil, err
	}
	select {
	case <-j.done:
		return j.receipts, j.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// enqueue lets one job in. An upload larger than the queue is let in when
// nothing else waits.
func (d *Door) enqueue(j *job) error {
	d.mu.RLock()
	defer d.mu.RUnlock()
	if d.stopped {
		return ErrStopped
	}
	n := int64(len(j.offers))
	if before := d.waiting.Add(n) - n; before > 0 && before+n > maxWaiting {
		d.waiting.Add(-n)
		return ErrBusy
	}
	select {
	case d.jobs <- j:
		return nil
	default:
		d.waiting.Add(-n)
		return ErrBusy
	}
}

// Waiting is how many records are offered and not yet answered.
func (d *Door) Waiting() int { return int(d.waiting.Load()) }

// Run is the one writer. It returns when the context ends, after everything
// that was let in has been answered, or with an error if the counters cannot be
// read.
func (d *Door) Run(ctx context.Context) error {
	counters, err := d.store.Counters()
	if err != nil {
		d.stop()
		return err
	}
	d.counters = counters
	for {
		select {
		case j := <-d.jobs:
			d.serve(j)
		case <-ctx.Done():
			d.stop()
			return nil
		}
	}
}

// stop lets nothing more in and answers what is there.
func (d *Door) stop() {
	d.mu.Lock()
	d.stopped = true
	d.mu.Unlock()
	for {
		select {
		case j := <-d.jobs:
			if d.counters == nil {
				d.answer([]*job{j}, ErrStopped)
			} else {
				d.serve(j)
			}
		default:
			return
		}
	}
}

// serve commits the job together with whatever else is waiting.
func (d *Door) serve(first *job) {
	group, n := []*job{first}, len(first.offers)
	for n < maxGroup {
		select {
		case j := <-d.jobs:
			group, n = append(group, j), n+len(j.offers)
			continue
		default:
		}
		break
	}
	d.answer(group, d.commit(group))
}

func (d *Door) answer(group []*job, err error) {
	for _, j := range group {
		if j.err = err; err != nil {
			j.receipts = nil
		}
		d.waiting.Add(-int64(len(j.offers)))
		close(j.done)
	}
}

// commit keeps a group in one transaction and fills in its receipts.
func (d *Door) commit(group []*job) error {
	var (
		entries  []drift.Entry
		refusals []drift.Refusal
		of       []*Receipt                   // the receipt of each entry
		counters = map[string]drift.Counter{} // as they are within this group
	)
	for _, j := range group {
		j.receipts = make([]Receipt, len(j.offers))
		for i := range j.offers {
			o, r := &j.offers[i], &j.receipts[i]
			r.Line, r.ID = o.Line, o.Record.ID
			if p := j.problems[i]; p != nil {
				r.Refused = p
				refusals = append(refusals, o.refusal(p, j.now))
				continue
			}
			before, ok := counters[o.Record.Machine]
			if !ok {
				before = d.counters[o.Record.Machine]
			}
			e := entry(o, j.now, before)
			if e.Time.IsZero() && e.Received.Equal(j.now) {
				d.arrival = rising(j.now, d.arrival)
				e.Received = d.arrival
			}
			counters[e.Machine] = before.Next(&e)
			r.ID, r.PossibleRepeat, r.Questions = e.ID, e.PossibleRepeat, questions(&e, before)
			if e.PossibleRepeat {
				r.Questions = append(r.Questions, "Was this sent before? Nothing in it tells, so sent twice it counts twice: give it a time, an id, or source and seq.")
			}
			entries, of = append(entries, e), append(of, r)
		}
	}
	placed, err := d.store.Append(entries, refusals)
	if err != nil {
		return err
	}
	fresh := settle(entries, of, placed)
	for i := range fresh {
		e := &fresh[i]
		d.counters[e.Machine] = d.counters[e.Machine].Next(e)
	}
	if len(fresh) > 0 {
		d.announce(fresh)
	}
	return nil
}

// rising is now, or just after what came before in the same moment: where nobody
// told a time, arrival is the order. A clock that was set back is followed.
func rising(now, before time.Time) time.Time {
	if ahead := before.Sub(now); ahead >= 0 && ahead < time.Second {
		return before.Add(1)
	}
	return now
}

// settle completes the receipts and returns the entries that are new.
func settle(entries []drift.Entry, of []*Receipt, placed []drift.Placement) []drift.Entry {
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

// entry is the offer's record with its arrival and its id: the sender's, or one
// derived from what it says, so that sending it again is harmless, or, where
// nothing tells it from a repeat, one made up.
func entry(o *Offer, now time.Time, before drift.Counter) drift.Entry {
	e := drift.Entry{Record: o.Record, Received: now, Via: o.Via, Account: o.account()}
	if !o.Received.IsZero() && o.Received.Sub(now) <= oddAhead {
		e.Received = o.Received
	}
	switch {
	case e.ID != "":
		e.PossibleRepeat = o.PossibleRepeat
	case e.Traceable(before.Rises(&e.Record)):
		e.ID = e.Identity()
	default:
		e.PossibleRepeat = true
		e.ID = rand.Text()
	}
	return e
}
