package forward

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"slices"
	"sync"
	"time"

	"arcdrift/agent/backoff"
	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

const (
	// maxBatch is how many records one request carries, maxBody how many bytes before
	// compression: the hub takes 1 MiB.
	maxBatch = 500
	maxBody  = 512 << 10
	// idle is how often the store is asked for new records.
	idle = time.Second
	// askEvery is how often a van that has nothing to send asks whether its hub still
	// has its records: so it notices a hub that was restored from an old copy.
	askEvery = 10 * time.Minute
	// firstPause and longestPause are the bounds of the pauses after failures.
	firstPause, longestPause = time.Second, 5 * time.Minute
)

// Store is the store whose records are sent, and that keeps the cursor.
type Store interface {
	SincePseudonymous(epoch, seq uint64, limit int) ([]drift.Entry, error)
	PeopleSince(change uint64, limit int) ([]store.Person, error)
	RefusalsSince(change uint64, limit int) ([]store.ChangedRefusal, error)
	Cursor(name string) (store.Cursor, error)
	SetCursor(name string, c store.Cursor) error
}

// Sparse is a store whose numbers may have gaps although nothing is missing, as in a
// database of several processes, or in a file that was made of one.
type Sparse interface{ Sparse() bool }

// Forwarder sends the records of a store to a hub.
type Forwarder struct {
	store Store
	hub   *client
	log   *slog.Logger

	askEvery time.Duration

	mu     sync.Mutex // guards status
	status Status

	at     store.Cursor
	asked  time.Time // when the hub last answered about its records
	looked bool      // it was checked that the hub still has its records
	runs   []string  // of the hub's processes at such checks, oldest first; another run may be another hub, or an old copy
	batch  int       // how many records the next request carries
	fails  int       // in a row
	logged string    // the last failure that was logged
	// doubted: it was logged that the hub does not believe arrivals.
	doubted bool
	// nameless: the hub did not take people at the last check; namelessLogged: that was
	// logged.
	nameless, namelessLogged bool
	gone                     uint64 // compacted records between those that were sent, which cannot be sent
}

// New returns a forwarder that does nothing until it runs.
func New(hub Hub, s Store, log *slog.Logger) *Forwarder {
	return &Forwarder{store: s, hub: newClient(hub), log: log, batch: maxBatch, askEvery: askEvery}
}

// Status is how sending goes.
type Status struct {
	// Up says that the hub took the last request; otherwise Why says why not, "" before
	// the first.
	Up  bool
	Why string
	// Refused counts the records that the hub refused since the start.
	Refused uint64
	// Sent is the store's number of the last record that the hub has.
	Sent uint64
	// Oldest is the arrival of the oldest record that the hub does not have, zero when it
	// has all.
	Oldest time.Time
}

// Status returns how sending goes now.
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

// noted sets the result of the last step for Status.
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

// Ready returns nil: a van is ready without a network too.
func (f *Forwarder) Ready() error { return nil }

// Run sends until ctx ends. It waits for a hub that cannot be reached, for days: that is
// not an error.
func (f *Forwarder) Run(ctx context.Context) error {
	defer f.hub.close()
	var err error
	if f.at, err = f.store.Cursor(f.hub.URL); err != nil {
		return fmt.Errorf("the cursor of the hub cannot be read: %w", err)
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

// after handles the result of a step and returns how long to wait for the next. It logs a
// failure once, and again when the reason changes.
func (f *Forwarder) after(more bool, err error) time.Duration {
	f.noted(err)
	if err == nil {
		if f.fails > 0 {
			f.log.Info("the hub takes records again", "hub", f.hub.URL)
		}
		f.fails, f.logged, f.batch = 0, "", min(2*f.batch, maxBatch)
		if more {
			return 0
		}
		return idle
	}
	why := err.Error()
	var busy *busyError
	if errors.As(err, &busy) {
		why = "busy" // the time to wait differs each time
	}
	level := slog.LevelDebug
	if why != f.logged {
		level = slog.LevelWarn
	}
	f.logged = why
	f.log.Log(context.Background(), level, "the hub does not take records; they are kept and will be sent again", "hub", f.hub.URL, "error", err)
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
	if more, err := f.people(ctx); more || err != nil { // also those who were forgotten since
		return true, err
	}
	if f.gone > 0 {
		f.log.Warn("some arc counts were compacted before this hub had them, and cannot be sent in full; unless the hub has them already, its digests differ from this agent's", "hub", f.hub.URL, "counts", f.gone)
		f.gone = 0
	}
	n, err = f.refusals(ctx)
	if err == nil && n == 0 && time.Since(f.asked) > f.askEvery {
		f.looked = false // at the next step
	}
	return n > 0, err
}

// entries sends the next records, after the people whom they name, and moves the cursor
// by their receipts.
func (f *Forwarder) entries(ctx context.Context) (int, error) {
	next, err := f.store.SincePseudonymous(f.at.Epoch, f.at.Seq, f.batch)
	if len(next) == 0 {
		return f.corrupt(err)
	}
	next = next[:fitting(next)]
	if more, err := f.people(ctx); more || err != nil {
		return len(next), err // the next step sends these
	}
	receipts, run, err := f.hub.entries(ctx, next)
	if err != nil {
		return 0, err
	}
	if f.hub.doubted && !f.doubted {
		f.doubted = true
		f.log.Warn("the hub takes the records as if they came now and from this agent, as the account there is not one that forwards; add it again at the hub with arcdrift device add --forwards", "hub", f.hub.URL, "user", f.hub.User)
	}
	if len(f.runs) > 0 && !slices.Contains(f.runs, run) {
		if err := f.lookBack(ctx); err != nil {
			return 0, err
		}
		// Behind a balancer another process of the hub may have answered this time, which has
		// the same store. Otherwise requests that go round would ask about each other for ever.
		f.at.People = 0
		f.meet(run)
		return len(next), nil // the next step sends these again, which is harmless
	}
	f.meet(run)
	f.asked = time.Now()
	last := &next[len(next)-1]
	to := f.at
	to.Epoch, to.Seq = last.StoreEpoch, last.StoreSeq
	gone := uint64(0)
	if of, may := f.store.(Sparse); !may || !of.Sparse() {
		gone = to.Seq - f.at.Seq - uint64(len(next))
	}
	for i, r := range receipts {
		if r.Refused != nil {
			f.mu.Lock()
			f.status.Refused++
			f.mu.Unlock()
			f.log.Error("the hub refused a record that this agent took; it is in the hub's refused list", "hub", f.hub.URL, "machine", next[i].Machine, "id", next[i].ID, "error", r.Refused)
		}
	}
	if err := f.move(to); err != nil {
		return 0, err
	}
	f.gone += gone
	return len(next), nil
}

// corrupt skips an entry that the van's disk has corrupted: it cannot be sent and must
// not stop the entries behind it.
func (f *Forwarder) corrupt(err error) (int, error) {
	var damage *store.Damage
	if !errors.As(err, &damage) || damage.Seq == 0 {
		return 0, err
	}
	f.log.Error("a record is corrupt and cannot be sent to the hub", "hub", f.hub.URL, "error", damage)
	to := f.at
	to.Epoch, to.Seq = damage.Epoch, damage.Seq
	return 1, f.move(to)
}

// lookBack sends the last record that the hub has again, after a restart of the hub. If
// that is new to the hub, it has lost records: it was restored from an old copy, or is
// another hub. Then all records are sent again.
func (f *Forwarder) lookBack(ctx context.Context) error {
	var last []drift.Entry
	if f.at.Seq > 0 {
		var err error
		// If it is corrupt by now, nothing can be asked.
		if last, err = f.store.SincePseudonymous(f.at.Epoch, f.at.Seq-1, 1); err != nil && !errors.As(err, new(*store.Damage)) {
			return err
		}
	}
	if len(last) > 0 && last[0].StoreSeq == f.at.Seq {
		receipts, run, err := f.hub.entries(ctx, last)
		if err != nil {
			return err
		}
		if !slices.Contains(f.runs, run) {
			f.at.People = 0 // a hub with an old copy may have names again that it had forgotten
		}
		f.meet(run)
		if r := receipts[0]; !r.Duplicate && r.Refused == nil {
			f.log.Error("the hub has lost records that it had confirmed; all are sent again", "hub", f.hub.URL)
			if err := f.move(store.Cursor{}); err != nil {
				return err
			}
		}
	}
	f.looked, f.asked, f.nameless = true, time.Now(), false
	return nil
}

// mostRuns bounds the runs that are known: more than a hub has processes.
const mostRuns = 64

// meet notes a run of the hub that has been asked.
func (f *Forwarder) meet(run string) {
	if slices.Contains(f.runs, run) {
		return
	}
	f.runs = append(f.runs, run)
	f.runs = f.runs[max(0, len(f.runs)-mostRuns):]
}

// people sends the people that have changed, forgotten ones too, until there is a receipt.
// It says whether there may be more.
func (f *Forwarder) people(ctx context.Context) (more bool, err error) {
	if f.nameless {
		return false, nil
	}
	changed, err := f.store.PeopleSince(f.at.People, maxPeople)
	if err != nil || len(changed) == 0 {
		return false, err
	}
	err = f.hub.people(ctx, changed)
	var a *answeredError
	if errors.As(err, &a) && (a.status == http.StatusNotFound || a.status == http.StatusMethodNotAllowed || a.status == http.StatusForbidden) {
		f.nameless = true
		if !f.namelessLogged {
			f.namelessLogged = true
			f.log.Warn("the hub does not take people's names from this agent: it has an earlier version, or the account there is not one that forwards; records are sent with pseudonyms, and the names follow when the hub takes them", "hub", f.hub.URL, "error", err)
		}
		return false, nil
	}
	if err != nil {
		return false, err
	}
	f.namelessLogged = false
	to := f.at
	to.People = changed[len(changed)-1].Change
	return len(changed) == maxPeople, f.move(to)
}

// maxPeople go into one request.
const maxPeople = 1000

// refusals sends the refusals that have changed.
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

// move stores the cursor. Only receipts, and corrupt entries, move it.
func (f *Forwarder) move(to store.Cursor) error {
	if err := f.store.SetCursor(f.hub.URL, to); err != nil {
		return fmt.Errorf("the cursor of the hub cannot be stored: %w", err)
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
