package alerting

import (
	"context"
	"slices"
	"time"

	"arcdrift/agent/alert"
	"arcdrift/agent/fleet"
	"arcdrift/drift/advise"
)

// lookEvery is how often the engine looks for a new snapshot, restTimes as long as a
// decision took it rests at least, retryEvery is the pause before it uses a store that
// failed again.
const (
	lookEvery  = time.Second
	restTimes  = 4
	readEvery  = 10 * time.Second
	retryEvery = 30 * time.Second
)

// watch decides on every new snapshot, from the first one with every machine: one that
// is missing would lose its cases. The fleet makes a snapshot a minute at least. A process
// that does not lead also looks every readEvery for what was decided. After each look the
// engine rests restTimes as long as that took.
func (a *engine) watch(ctx context.Context) error {
	var done uint64
	var last time.Time
	for {
		began := time.Now()
		s := a.fleet.Snapshot()
		if a.fleet.Ready() == nil && (s.Version != done || !a.leads() && began.Sub(last) >= readEvery) {
			done, last = s.Version, began
			if err := a.decide(s); err != nil {
				a.log.Error("alerts cannot be decided; the next step tries again", "error", err)
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(max(lookEvery, restTimes*time.Since(began))):
		}
	}
}

// idle says whether there is nothing to decide: only some machines have changed since the
// last decision, and a step that looked at these alone would do nothing. Sources and
// channels are looked at with the whole fleet, which changes at every tick.
func (a *engine) idle(s *fleet.Snapshot) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.seen == nil || !s.Whole.Equal(a.seen.Whole) {
		return false
	}
	names := slices.Collect(s.Changed(a.seen))
	some := make([]alert.Machine, 0, len(names))
	for _, name := range names {
		if m, about := s.Machine(name); m != nil {
			some = append(some, a.machineOf(m, about))
		}
	}
	policy := a.current()
	if !policy.Idle(a.state, names, some, a.now()) {
		return false
	}
	a.seen = s
	return true
}

// step decides on one snapshot.
func (a *engine) step(s *fleet.Snapshot) error {
	channels, err := a.notifier.Health()
	if err != nil {
		return err
	}
	now := a.now()
	view := alert.View{Channels: channels, Sources: a.sourcesAt(now)}
	a.mu.Lock()
	defer a.mu.Unlock()
	policy, all := a.current(), view
	all.Machines = a.machinesOf(s)
	next, actions, outcomes := policy.Step(a.state, all, now)
	if err := a.keep(next, actions, outcomes); err != nil {
		return err // nothing was decided: what was new still is
	}
	a.view, a.seen = view, s
	return nil
}

// machinesOf are the machines in use in the form that alert takes.
func (a *engine) machinesOf(s *fleet.Snapshot) []alert.Machine {
	out := make([]alert.Machine, 0, s.Len())
	for m, about := range s.All() {
		out = append(out, a.machineOf(m, about))
	}
	return out
}

// machineOf is a machine in that form. Its service is fresh if it was not known at the
// last decision; the first one counts all as known.
func (a *engine) machineOf(m *advise.Assessment, about *fleet.About) alert.Machine {
	out := alert.Machine{Assessment: m, Zone: about.Zone, Spare: sparePart(&about.Settings), Depot: about.Settings.Depot}
	if a.customer != nil {
		out.Customer = a.customer(m.Machine)
	}
	if about.Service != nil {
		out.Service = alert.Service{Time: about.Serviced, Action: about.Service.Action, Finding: about.Service.Finding}
		out.Service.Fresh = a.seen != nil && a.seen.Len() > 0 && about.Serviced.After(a.seen.About(m.Machine).Serviced)
	}
	return out
}
