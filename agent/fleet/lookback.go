package fleet

import (
	"context"
	"slices"
	"sync"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/lookback"
	"arcdrift/drift/model"
)

// lookedBack is the machine's history as a look-back reads it.
func (l *life) lookedBack(g *generation) lookback.Past {
	past := lookback.Past{
		Machine: l.name, Kind: g.pop.For(l.Key), Settings: l.Settings, Zone: g.zones.named(l.Settings.Zone),
		Entries: l.entries, Events: l.events,
	}
	if since := g.part.Since(l.name); !since.IsZero() {
		past.Entries = slices.DeleteFunc(slices.Clone(l.entries), func(e drift.Entry) bool { return e.When().Before(since) || e.Received.Before(since) })
		past.Events = slices.DeleteFunc(slices.Clone(l.events), func(ev model.Event) bool { return ev.Time.Before(since) })
	}
	return past
}

// of is the generation with a part of its machines only.
func (g *generation) of(part drift.Part) *generation {
	if part == nil {
		return g
	}
	some := *g
	some.part = part
	some.names = slices.DeleteFunc(slices.Clone(g.names), func(name string) bool { return !part.Has(name) })
	return &some
}

// PastsOf returns the histories that look-backs read, of one machine or, with "", of
// all, by what a reader told by a moment.
func PastsOf(reader Reader, machine string, asOf time.Time) ([]lookback.Past, error) {
	g, err := look(reader, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	names := g.named(machine)
	out := make([]lookback.Past, len(names))
	err = g.each(context.Background(), names, func(i int, l *life) { out[i] = l.lookedBack(g) })
	return out, err
}

// lookBack answers a question about splices from the generation's history. No more is in
// memory at once than the histories that are looked at.
func (g *generation) lookBack(ctx context.Context, q lookback.Question) (lookback.Report, error) {
	if err := q.Check(); err != nil {
		return lookback.Report{}, err
	}
	names := g.named(q.Machine)
	if q.Machine != "" && (len(names) == 0 || !g.part.Has(q.Machine)) {
		return lookback.Report{}, &drift.Problem{Field: "machine", Value: q.Machine, Reason: "is not known here: no record names it"}
	}
	report, err := lookback.All(len(names), func(visit func(int, *lookback.Past)) error {
		return g.each(ctx, names, func(i int, l *life) {
			p := l.lookedBack(g)
			visit(i, &p)
		})
	}, q, g.cut.asOf)
	if err == nil && q.Job != "" && len(report.Entries) == 0 && len(report.Warnings) == 0 {
		return lookback.Report{}, &drift.Problem{Field: "job", Value: q.Job, Reason: "is not known here: no splice record names it"}
	}
	return report, err
}

// LookBack answers which splices to doubt, by what is known now.
func (a *Answers) LookBack(q lookback.Question) (lookback.Report, error) {
	g, err := a.priors.at(a.reader, a.now())
	if err != nil {
		return lookback.Report{}, err
	}
	return g.lookBack(context.Background(), q)
}

// LookBack answers which splices of a part of the fleet to doubt, by what is known now.
// The answer to the empty question about the whole fleet, about the latest findings, is
// computed by [Fleet.Run] and may be some minutes old.
func (f *Fleet) LookBack(part drift.Part, q lookback.Question) (lookback.Report, error) {
	lately := part == nil && q == lookback.Question{}
	if report, known := f.OpenLookBacks(); lately && known {
		return report, nil
	}
	g, err := f.at(f.now())
	if err != nil {
		return lookback.Report{}, err
	}
	report, err := g.of(part).lookBack(context.Background(), q)
	if err == nil && lately {
		f.open.put(report, 0)
	}
	return report, err
}

// OpenLookBacks is the answer to the empty question; false until it was computed.
func (f *Fleet) OpenLookBacks() (lookback.Report, bool) {
	f.open.mu.Lock()
	defer f.open.mu.Unlock()
	return f.open.report, f.open.known
}

// openLookBacks holds the answer to the empty question, as of a version of the snapshot.
type openLookBacks struct {
	mu      sync.Mutex
	report  lookback.Report
	version uint64
	known   bool
	next    time.Time // when it is computed again; used by one goroutine only
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

// A look-back on a fleet of 300 takes some seconds of a processor. The next one begins
// at least lookBackRest later, and lookBackTimes as long as it took.
const (
	lookBackRest  = time.Minute
	lookBackTimes = 30
)

// lookBackAgain answers the empty question again, if something has changed and the last
// answer is old enough.
func (f *Fleet) lookBackAgain(ctx context.Context) {
	version, began := f.Snapshot().Version, f.now()
	g := f.generation.Load()
	if !f.learns() { // whoever takes this over answers for the machines first
		f.open.next = began.Add(lookBackRest)
		return
	}
	if g == nil || version == f.open.of() || began.Before(f.open.next) {
		return
	}
	then, err := f.near(g, began)
	if err == nil {
		then.processors = f.processors()
		if f.share != nil {
			then.giveWay = f.days.giveWay
		}
		var report lookback.Report
		if report, err = then.lookBack(ctx, lookback.Question{}); err == nil {
			f.open.put(report, version)
			err = f.publishOpen(&report)
		}
	}
	f.logError(err)
	f.open.next = f.now().Add(max(lookBackRest, lookBackTimes*f.now().Sub(began)))
}

// lookBackBeside looks back beside the work on new records until ctx ends: in a fleet that
// several processes share it reads so many machines that records cannot wait for it.
func (f *Fleet) lookBackBeside(ctx context.Context) {
	for ctx.Err() == nil {
		if f.ready.Load() {
			f.lookBackAgain(ctx)
		}
		pause(ctx, time.Second)
	}
}
