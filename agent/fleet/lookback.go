package fleet

import (
	"context"
	"sync"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/lookback"
)

// lookedBack is the machine's history as a look-back reads it.
func (l *life) lookedBack(w *world) lookback.Past {
	return lookback.Past{
		Machine: l.name, Kind: w.pop.For(l.Key), Settings: l.Settings, Zone: w.zones.named(l.Settings.Zone),
		Entries: l.entries, Events: l.events,
	}
}

// PastsOf returns the histories that look-backs read, of one machine or, with "", of
// all, by what a book told by a moment.
func PastsOf(book Reader, machine string, asOf time.Time) ([]lookback.Past, error) {
	w, err := look(book, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	names := w.named(machine)
	out := make([]lookback.Past, len(names))
	err = w.each(context.Background(), names, func(i int, l *life) { out[i] = l.lookedBack(w) })
	return out, err
}

// lookBack answers a question about splices from the world's history. No more is in
// memory at once than the histories that are looked at.
func (w *world) lookBack(ctx context.Context, q lookback.Question) (lookback.Report, error) {
	if err := q.Check(); err != nil {
		return lookback.Report{}, err
	}
	names := w.named(q.Machine)
	if q.Machine != "" && len(names) == 0 {
		return lookback.Report{}, &drift.Problem{Field: "machine", Value: q.Machine, Reason: "is not known here: no record names it"}
	}
	report, err := lookback.All(len(names), func(visit func(int, *lookback.Past)) error {
		return w.each(ctx, names, func(i int, l *life) {
			p := l.lookedBack(w)
			visit(i, &p)
		})
	}, q, w.cut.asOf)
	if err == nil && q.Job != "" && len(report.Entries) == 0 && len(report.Warnings) == 0 {
		return lookback.Report{}, &drift.Problem{Field: "job", Value: q.Job, Reason: "is not known here: no splice record names it"}
	}
	return report, err
}

// LookBack answers which splices to doubt, by what is known now.
func (a *Answers) LookBack(q lookback.Question) (lookback.Report, error) {
	w, err := a.eras.at(a.book, a.now())
	if err != nil {
		return lookback.Report{}, err
	}
	return w.lookBack(context.Background(), q)
}

// LookBack answers which splices to doubt, by what is known now. What was found out
// lately is worked out beside all else (see [Fleet.Run]) and may be some minutes old.
func (f *Fleet) LookBack(q lookback.Question) (lookback.Report, error) {
	lately := q == lookback.Question{}
	if report, known := f.OpenLookBacks(); lately && known {
		return report, nil
	}
	w, err := f.at(f.now())
	if err != nil {
		return lookback.Report{}, err
	}
	report, err := w.lookBack(context.Background(), q)
	if err == nil && lately {
		f.open.put(report, 0)
	}
	return report, err
}

// OpenLookBacks is what was found out lately; false until that was worked out.
func (f *Fleet) OpenLookBacks() (lookback.Report, bool) {
	f.open.mu.Lock()
	defer f.open.mu.Unlock()
	return f.open.report, f.open.known
}

// openLookBacks holds what was found out lately, as of a version of the snapshot.
type openLookBacks struct {
	mu      sync.Mutex
	report  lookback.Report
	version uint64
	known   bool
	next    time.Time // when it is worked out again, of Run's own
}

func (o *openLookBacks) put(r lookback.Report, version uint64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.report, o.version, o.known = r, version, true
}

func (o *openLookBacks) of() uint64 {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.version
}

// Looking back on a fleet of 300 takes some seconds of a processor: after it the fleet
// rests from it at least so long, and so many times as long as it took.
const (
	lookBackRest  = time.Minute
	lookBackTimes = 30
)

// lookBackAgain works out what was found out lately, where something has changed and
// the last time is long enough ago.
func (f *Fleet) lookBackAgain(ctx context.Context) {
	version, began := f.Snapshot().Version, f.now()
	w := f.world.Load()
	if w == nil || version == f.open.of() || began.Before(f.open.next) {
		return
	}
	then, err := w.at(began)
	if err == nil {
		then.processors = f.processors()
		var report lookback.Report
		if report, err = then.lookBack(ctx, lookback.Question{}); err == nil {
			f.open.put(report, version)
		}
	}
	f.told(err)
	f.open.next = f.now().Add(max(lookBackRest, lookBackTimes*f.now().Sub(began)))
}
