package forward

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"sync"
	"time"

	"arcdrift/agent/backoff"
	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

const (
	// maxBatch is how many records one request carries, maxBody how many bytes
	// before they are pressed: the hub takes 1 MiB.
	maxBatch = 500
	maxBody  = 512 << 10
	// idle is how often the store is asked for news.
	idle = time.Second
	// askEvery is how often a van that has nothing to send asks whether its hub still
	// has what it had: one put back to an old copy is found so.
	askEvery = 10 * time.Minute
	// firstPause and longestPause are the bounds of the pauses after failures.
	firstPause, longestPause = time.Second, 5 * time.Minute
)

// Store is what is sent on, and where it is noted how far that is done.
type Store interface {
	SincePseudonymous(epoch, seq uint64, limit int) ([]drift.Entry, error)
	PeopleSince(change uint64, limit int) ([]store.Person, error)
	RefusalsSince(change uint64, limit int) ([]store.ChangedRefusal, error)
	Cursor(name string) (store.Cursor, error)
	SetCursor(name string, c store.Cursor) error
}

// Forwarder sends a store on to a hub.
type Forwarder struct {
	store Store
	hub   *client
	log   *slog.Logger

	askEvery time.Duration

	mu     sync.Mutex // guards what Status tells
	status Status

	at     store.Cursor
	asked  time.Time // when the hub last said anything of what it has
	looked bool      // whether the hub still has what it had
	run    string    // the hub's run that was looked at; another is another hub, or an older copy
	batch  int       // how many records the next request carries
	fails  int       // in a row
	said   string    // what went wrong last
	// doubted: it was said that the hub believes nothing of arrivals
	doubted bool
	// unheard: the hub did not want to hear of people when it was last looked at;
	// unheardSaid: that was said
	unheard, unheardSaid bool
	gone                 uint64 // records between those that were sent, of which too little is left
}

// New returns a forwarder that does nothing until it runs.
func New(hub Hub, s Store, log *slog.Logger) *Forwarder {
	return &Forwarder{store: s, hub: newClient(hub), log: log, batch: maxBatch, askEvery: askEvery}
}

// Status is how sending goes.
type Status struct {
	// Up says that the hub took what it was last sent; else Why it did not, "" before
	// anything was tried.
	Up  bool
	Why string
	// Refused counts the records that the hub refused since the start.
	Refused uint64
	// Sent is the number of the last record that the hub has.
	Sent uint64
	// Oldest is when the oldest record arrived that the hub does not have, the zero
	// time when it has all.
	Oldest time.Time
}

// Status tells how sending goes now.
func (f *Forwarder) Status() (Status, error) {
	f.mu.Lock()
	s := f.status
	f.mu.Unlock()
	at, err := f.store.Cursor(f.hub.URL)
	if err != nil {
		return s, err
	}
	s.Sent = at.Seq
	next, err := f.store.SincePseudonymous(at.Epoch, at.Seq, 1)
	if len(next) > 0 {
		s.Oldest = next[0].Received
	}
	return s, err
}

// noted keeps how the last step went for whoever asks.
func (f *Forwarder) noted(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.status.Up, f.status.Why = err == nil, ""
	if err != nil {
		f.status.Why = err.Error()
	}
}

// String names the runner.
func (f *Forwarder) String() string { return "forwarding to " + f.hub.URL }

// Ready returns nil: a van without a network is as ready as one with.
func (f *Forwarder) Ready() error { return nil }

// Run sends until ctx ends. A hub that cannot be reached is waited for, for
// days: that is no error.
func (f *Forwarder) Run(ctx context.Context) error {
	defer f.hub.close()
	var err error
	if f.at, err = f.store.Cursor(f.hub.URL); err != nil {
		return fmt.Errorf("how far the hub has got cannot be read: %w", err)
	}
	for {
		more, err := f.step(ctx)
		if ctx.Err() != nil {
			return nil
		}
		pause := f.after(more, err)
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(pause):
		}
	}
}

// after notes how a step went and says how long to wait for the next. What goes
// wrong is logged once, and again when it is something else.
func (f *Forwarder) after(more bool, err error) time.Duration {
	f.noted(err)
	if err == nil {
		if f.fails > 0 {
			f.log.Info("the hub takes records again", "hub", f.hub.URL)
		}
		f.fails, f.said, f.batch = 0, "", min(2*f.batch, maxBatch)
		if more {
			return 0
		}
		return idle
	}
	why := err.Error()
	var busy *busyError
	if errors.As(err, &busy) {
		why = "busy" // for how long differs
	}
	level := slog.LevelDebug
	if why != f.said {
		level = slog.LevelWarn
	}
	f.said = why
	f.log.Log(context.Background(), level, "the hub does not take records; they are kept and sent again", "hub", f.hub.URL, "error", err)
	f.batch = max(f.batch/2, 1)
	f.fails++
	pause := backoff.Pauses{First: firstPause, Longest: longestPause, Jitter: 1}.After(f.fails, rand.Float64())
	if busy != nil {
		pause += busy.after
	}
	return pause
}

// step sends one batch and says whether there may be more.
func (f *Forwarder) step(ctx context.Context) (more bool, err error) {
	if !f.looked {
		if err := f.lookBack(ctx); err != nil {
			return false, err
		}
	}
	n, err := f.entries(ctx)
	if err != nil || n > 0 {
		return true, err
	}
	if more, err := f.people(ctx); more || err != nil { // who was forgotten since
		return true, err
	}
	if f.gone > 0 {
		f.log.Warn("arc counts that were thinned before this hub had them are not sent, as what their sender added to them is gone; the hub's digests differ from this agent's unless it has them already", "hub", f.hub.URL, "counts", f.gone)
		f.gone = 0
	}
	n, err = f.refusals(ctx)
	if err == nil && n == 0 && time.Since(f.asked) > f.askEvery {
		f.looked = false // at the next step
	}
	return n > 0, err
}

// entries sends the next records, once the hub has been told whom they name, and moves
// the cursor by their receipts.
func (f *Forwarder) entries(ctx context.Context) (int, error) {
	next, err := f.store.SincePseudonymous(f.at.Epoch, f.at.Seq, f.batch)
	if len(next) == 0 {
		return f.spoilt(err)
	}
	next = next[:fitting(next)]
	if more, err := f.people(ctx); more || err != nil {
		return len(next), err // and then these
	}
	receipts, run, err := f.hub.entries(ctx, next)
	if err != nil {
		return 0, err
	}
	if f.hub.doubted && !f.doubted {
		f.doubted = true
		f.log.Warn("the hub takes the records, but as if they came now and from this agent: there its account is not one that forwards; make it anew with arcdrift device add --forwards", "hub", f.hub.URL, "user", f.hub.User)
	}
	if f.run != "" && run != f.run {
		return len(next), f.lookBack(ctx) // and then these again, which is harmless
	}
	f.run, f.asked = run, time.Now()
	last := &next[len(next)-1]
	to := f.at
	to.Epoch, to.Seq = last.StoreEpoch, last.StoreSeq
	gone := to.Seq - f.at.Seq - uint64(len(next)) // an agent's numbers have no gaps
	for i, r := range receipts {
		if r.Refused != nil {
			f.mu.Lock()
			f.status.Refused++
			f.mu.Unlock()
			f.log.Error("the hub refused a record that this agent took; it stands in the hub's refused list", "hub", f.hub.URL, "machine", next[i].Machine, "id", next[i].ID, "error", r.Refused)
		}
	}
	if err := f.move(to); err != nil {
		return 0, err
	}
	f.gone += gone
	return len(next), nil
}

// spoilt passes over an entry that the van's disk has spoilt: it cannot be sent
// and must not hold up what is behind it.
func (f *Forwarder) spoilt(err error) (int, error) {
	var damage *store.Damage
	if !errors.As(err, &damage) || damage.Seq == 0 {
		return 0, err
	}
	f.log.Error("a record is spoilt and cannot be sent to the hub", "hub", f.hub.URL, "error", damage)
	to := f.at
	to.Epoch, to.Seq = damage.Epoch, damage.Seq
	return 1, f.move(to)
}

// lookBack sends again what the hub had last, whenever the hub has been started
// anew. If that is new to it, it has lost what it had: it was put back to an old
// copy, or is another. Then all is sent again.
func (f *Forwarder) lookBack(ctx context.Context) error {
	var last []drift.Entry
	if f.at.Seq > 0 {
		var err error
		// One that is spoilt by now tells nothing, nor does what comes after it.
		if last, err = f.store.SincePseudonymous(f.at.Epoch, f.at.Seq-1, 1); err != nil && !errors.As(err, new(*store.Damage)) {
			return err
		}
	}
	if len(last) > 0 && last[0].StoreSeq == f.at.Seq {
		receipts, run, err := f.hub.entries(ctx, last)
		if err != nil {
			return err
		}
		if run != f.run {
			f.at.People = 0 // one put back to an old copy may know again whom it had forgotten
		}
		f.run = run
		if r := receipts[0]; !r.Duplicate && r.Refused == nil {
			f.log.Error("the hub has lost records that it had confirmed; all are sent again", "hub", f.hub.URL)
			if err := f.move(store.Cursor{}); err != nil {
				return err
			}
		}
	}
	f.looked, f.asked, f.unheard = true, time.Now(), false
	return nil
}

// people tells the hub who the pseudonyms are and whom this agent has forgotten, until
// it has a receipt of that; it says whether there may be more.
func (f *Forwarder) people(ctx context.Context) (more bool, err error) {
	if f.unheard {
		return false, nil
	}
	changed, err := f.store.PeopleSince(f.at.People, maxPeople)
	if err != nil || len(changed) == 0 {
		return false, err
	}
	err = f.hub.people(ctx, changed)
	var a *answeredError
	if errors.As(err, &a) && (a.status == http.StatusNotFound || a.status == http.StatusMethodNotAllowed || a.status == http.StatusForbidden) {
		f.unheard = true
		if !f.unheardSaid {
			f.unheardSaid = true
			f.log.Warn("the hub does not take from this agent whom its records name: it is of an earlier version, or there this agent's account is not one that forwards; records go with pseudonyms, and the names follow when it does", "hub", f.hub.URL, "error", err)
		}
		return false, nil
	}
	if err != nil {
		return false, err
	}
	f.unheardSaid = false
	to := f.at
	to.People = changed[len(changed)-1].Change
	return len(changed) == maxPeople, f.move(to)
}

// maxPeople go into one request.
const maxPeople = 1000

// refusals sends what has changed in the refused list.
func (f *Forwarder) refusals(ctx context.Context) (int, error) {
	changed, err := f.store.RefusalsSince(f.at.Refusal, min(f.batch, maxRefusals))
	if err != nil || len(changed) == 0 {
		return 0, err
	}
	if err := f.hub.refusals(ctx, changed); err != nil {
		return 0, err
	}
	to := f.at
	to.Refusal = changed[len(changed)-1].Change
	return len(changed), f.move(to)
}

// maxRefusals go into one request: each holds up to [drift.MaxRaw] bytes, a
// third more in base64, and its reason.
const maxRefusals = maxBody / (2 * drift.MaxRaw)

// move keeps the cursor. Only receipts lead here.
func (f *Forwarder) move(to store.Cursor) error {
	if err := f.store.SetCursor(f.hub.URL, to); err != nil {
		return fmt.Errorf("how far the hub has got cannot be kept: %w", err)
	}
	f.at = to
	return nil
}

// fitting is how many of the entries go into one request, at least one.
func fitting(entries []drift.Entry) int {
	size := 0
	for i := range entries {
		size += len(wire.AppendEntry(nil, &entries[i])) + 1
		if size > maxBody && i > 0 {
			return i
		}
	}
	return len(entries)
}
