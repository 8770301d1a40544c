package alerting

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"arcdrift/agent/alert"
	"arcdrift/agent/fleet"
	"arcdrift/agent/metrics"
	"arcdrift/agent/notify"
	"arcdrift/agent/store"
	"arcdrift/drift"
)

// expected is how often each judged rule is taken to be right where this fleet
// has not shown otherwise: the mean of a beta distribution that weighs as much as
// ten judged cases (see alert.Score.Expected), Beta(9, 1) and Beta(8, 2). A stop
// rests on sessions given up or on a failure expected within the day: in artificial
// fleets 95 in 100 were right. Of the services called there seven in ten failed
// within two weeks and more than nine in ten within four; a bench that comes in
// between is taken to see the wear before it fails, so what it finds lies between the
// two, and eight in ten nearer to the lower. From one such fleet to the next these
// shares differ as if twenty to fifty cases had shown them: a weight of ten adapts sooner.
//
// Eight in ten is also what sending takes. So services are sent until the first that
// was wrong, and from then on while four or more were right for each that was wrong,
// whatever the weight. Waiting for findings first would leave a small fleet without
// messages for months.
func expected() map[alert.RuleName]float64 {
	return map[alert.RuleName]float64{alert.MustStop: 0.9, alert.ElectrodesDue: 0.8}
}

// engine lets package alert decide on every new snapshot, stores the decisions
// together with the messages, and has them delivered.
type engine struct {
	store    Store
	fleet    *fleet.Fleet
	sources  func() map[string]time.Time
	customer func(machine string) string // nil where an agent serves one
	policy   alert.Policy                // without Right, which the outcomes decide
	quiet    time.Duration
	managers []manager
	outbox   *outbox
	notifier *notify.Notifier
	client   *http.Client
	leads    func() bool // see Using
	now      func() time.Time
	log      *slog.Logger

	mu sync.Mutex // guards what follows
	memory
	view  alert.View           // of the latest step, without machines
	seen  *fleet.Snapshot      // that was decided on last; nil before the first
	led   bool                 // at the last look; used by watch only
	ahead map[string]time.Time // see notAhead
}

// newEngine continues from the state in the store.
func newEngine(c Config, u Using) (*engine, error) {
	a := &engine{
		store: u.Store, fleet: u.Fleet, sources: u.Sources, customer: u.Customer, leads: u.Leads, quiet: c.Quiet, client: notify.Client(), now: u.Now, log: u.Log, outbox: newOutbox(u.Store),
		ahead: map[string]time.Time{}, policy: alert.Policy{To: c.To, Audience: c.Audience, Hold: c.Hold, Morning: c.Morning, WorkDays: c.WorkDays, Zone: c.Zone, Page: c.Page},
	}
	if a.leads == nil {
		a.leads = func() bool { return true }
	}
	channels := map[string]notify.Channel{}
	for name, open := range c.Channels {
		channels[name] = open(a.client, u.Now)
		if am, yes := channels[name].(*notify.Alertmanager); yes {
			a.managers = append(a.managers, manager{name, am, u.Log})
		}
		if !channels[name].Alone() {
			a.policy.Together = append(a.policy.Together, name)
		}
	}
	if u.Publish != nil {
		channels[MQTTChannel] = &notify.MQTT{Publish: u.Publish}
	}
	a.notifier = notify.New(a.outbox, channels, u.Log, u.Now)
	var err error
	a.memory, err = recall(u.Store)
	return a, err
}

// memory holds the earlier decisions, from the store.
type memory struct {
	state    alert.State
	kept     []byte // the state as the store has it
	outcomes []alert.Outcome
}

// recall reads what was decided before.
func recall(s Decisions) (m memory, err error) {
	if m.kept, err = s.Decided(); err != nil {
		return m, fmt.Errorf("the alerts cannot be read: %w", err)
	}
	if m.kept != nil {
		if err := json.Unmarshal(m.kept, &m.state); err != nil {
			return m, fmt.Errorf("the alerts cannot be read: %w", err)
		}
	}
	ended, err := s.Outcomes()
	if err != nil {
		return m, fmt.Errorf("how the alerts turned out cannot be read: %w", err)
	}
	for _, raw := range ended {
		var o alert.Outcome
		if err := json.Unmarshal(raw, &o); err != nil {
			return m, fmt.Errorf("how the alerts turned out cannot be read: %w", err)
		}
		m.outcomes = append(m.outcomes, o)
	}
	return m, nil
}

// changeStore runs change, which alters what the store holds of the alerts, and reads it
// again. No decision runs meanwhile: it could store again what change removes.
func (a *engine) changeStore(change func() error) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if err := change(); err != nil {
		return err
	}
	now, err := recall(a.store)
	if err == nil {
		a.memory = now
	}
	return err
}

// judge sets in a policy how often each judged rule is expected to be right, from what
// the bench has found.
func (m *memory) judge(p *alert.Policy) {
	known := expected()
	p.Right, p.Scores = map[alert.RuleName]float64{}, map[alert.RuleName]alert.Score{}
	for _, score := range alert.Scores(m.outcomes) {
		p.Right[score.Rule], p.Scores[score.Rule] = score.Expected(known[score.Rule]), score
	}
}

func (a *engine) Ready() error   { return nil }
func (a *engine) String() string { return "alerts" }

// Run decides and delivers until ctx ends. A store that cannot be written ends neither:
// the next step decides again what could not be stored.
func (a *engine) Run(ctx context.Context) error {
	defer a.client.CloseIdleConnections()
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error {
		return a.whileLeading(ctx, func(ctx context.Context) error {
			return retry(ctx, retryEvery, func() error {
				err := a.notifier.Run(ctx)
				if err != nil {
					a.log.Error("messages are not delivered while the store fails", "error", err)
				}
				return err
			})
		})
	})
	group.Go(func() error { return a.watch(ctx) })
	for _, m := range a.managers {
		group.Go(func() error {
			return a.whileLeading(ctx, func(ctx context.Context) error {
				m.repeat(ctx, a.Open)
				return nil
			})
		})
	}
	return group.Wait()
}

// retry calls f until it succeeds or ctx ends. The pause is always the same: f reads a
// local store and disturbs nobody.
func retry(ctx context.Context, pause time.Duration, f func() error) error {
	for f() != nil {
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(pause):
		}
	}
	return nil
}

// sourcesAt are the sources of records; days off do not count towards their limit.
func (a *engine) sourcesAt(now time.Time) []alert.Source {
	var out []alert.Source
	for name, last := range a.sources() {
		quiet := a.quiet
		last = a.notAhead(name, last, now)
		for day := last.In(a.policy.Zone); day.Before(now); day = day.AddDate(0, 0, 1) {
			if !a.policy.WorkDays[day.Weekday()] {
				quiet += 24 * time.Hour
			}
		}
		out = append(out, alert.Source{Name: name, Last: last, Limit: quiet})
	}
	return out
}

// notAhead is when a source last sent something or, if the clock was ahead then, when
// that was noticed.
func (a *engine) notAhead(source string, last, now time.Time) time.Time {
	if !last.After(now) {
		delete(a.ahead, source)
		return last
	}
	found, known := a.ahead[source]
	if !known || found.After(now) {
		found = now
		a.ahead[source] = found
	}
	return found
}

// current is the policy with how often each rule was right in this fleet.
func (a *engine) current() alert.Policy {
	policy := a.policy
	a.judge(&policy)
	return policy
}

// keep makes a state the current one once it, the messages and the outcomes are durable.
func (a *engine) keep(next alert.State, actions []alert.Action, outcomes []alert.Outcome) error {
	state, err := json.Marshal(next)
	if err != nil {
		return fmt.Errorf("the alerts have no JSON form: %w", err)
	}
	if bytes.Equal(state, a.kept) && len(actions) == 0 && len(outcomes) == 0 {
		return nil
	}
	var ended [][]byte
	for i := range outcomes {
		raw, err := json.Marshal(&outcomes[i])
		if err != nil {
			return fmt.Errorf("an outcome has no JSON form: %w", err)
		}
		ended = append(ended, raw)
	}
	items := notify.Items(actions)
	queued := make([]store.OutboxItem, len(items))
	for i := range items {
		if queued[i], err = outboxItem(items[i]); err != nil {
			return err
		}
	}
	if err := a.store.Decide(state, ended, queued); err != nil {
		return err
	}
	a.state, a.kept, a.outcomes = next, state, append(a.outcomes, outcomes...)
	for _, action := range actions {
		a.log.Info("message", "kind", action.Kind, "rule", action.Rule, "subject", action.Subject, "to", action.To)
	}
	if len(items) > 0 {
		a.notifier.Wake()
	}
	return nil
}

// Open lists the open cases with their texts, for the pages.
func (a *engine) Open() []alert.Shown {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.seen == nil {
		return nil
	}
	policy, view := a.current(), a.view
	for machine := range a.state.Machines() {
		if m, about := a.seen.Machine(machine); m != nil {
			view.Machines = append(view.Machines, a.machineOf(m, about))
		}
	}
	return policy.Show(a.state, view, a.now())
}

// Withheld lists the rules that no longer send because they were wrong too often.
func (a *engine) Withheld() []alert.Withheld {
	a.mu.Lock()
	defer a.mu.Unlock()
	policy := a.current()
	return policy.Withheld()
}

// Ended lists the alerts that ended, oldest first. The caller must not change them.
func (a *engine) Ended() []alert.Outcome {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.outcomes
}

// Card says how the alerts about a part of the fleet turned out.
func (a *engine) Card(part drift.Part) alert.Card {
	a.mu.Lock()
	defer a.mu.Unlock()
	policy := a.current()
	state, outcomes, machines := a.state, a.outcomes, 0
	if a.seen != nil {
		machines = a.seen.Len()
	}
	if part != nil {
		state.Cases = slices.DeleteFunc(slices.Clone(state.Cases), func(c alert.Case) bool { return !part.Holds(c.Subject, c.Opened) })
		outcomes = slices.DeleteFunc(slices.Clone(outcomes), func(o alert.Outcome) bool { return !part.Holds(o.Subject, o.Opened) })
		machines = a.countIn(part)
	}
	return policy.Card(state, outcomes, alert.FoundIn(outcomes), machines, a.now())
}

// countIn is how many machines of a part there are.
func (a *engine) countIn(part drift.Part) (machines int) {
	if a.seen == nil {
		return 0
	}
	for m := range a.seen.All() {
		if part.Has(m.Machine) {
			machines++
		}
	}
	return machines
}

// Acknowledge marks a case as acknowledged by somebody.
func (a *engine) Acknowledge(subject string, rule alert.RuleName, by string) error {
	return a.answered(func(s alert.State) (alert.State, error) {
		next, err := s.Acknowledge(subject, rule, by, a.now())
		if err != nil {
			return next, &drift.Problem{Reason: err.Error()}
		}
		return next, nil
	})
}

// Silence silences a case for a while.
func (a *engine) Silence(subject string, rule alert.RuleName, quiet alert.Silence) error {
	return a.answered(func(s alert.State) (alert.State, error) {
		next, err := s.Silence(subject, rule, quiet, a.now())
		if err != nil {
			return next, &drift.Problem{Reason: err.Error()}
		}
		return next, nil
	})
}

// facts adds what one scrape reports of alerts.
func (a *engine) facts(f *metrics.Facts) {
	a.mu.Lock()
	if a.seen != nil {
		f.Firing = a.state.Firing()
	}
	policy := a.current()
	f.Silenced = map[string]bool{}
	for rule := range policy.Scores {
		f.Silenced[string(rule)] = false
	}
	for _, one := range policy.Withheld() {
		f.Silenced[string(one.Rule)] = true
	}
	a.mu.Unlock()
	channels, err := a.notifier.Health()
	if err != nil {
		return // the store cannot be read; its own metrics say so
	}
	for _, c := range channels {
		f.Channels = append(f.Channels, metrics.Channel{Name: c.Name, Waiting: c.Waiting, Dead: c.Dead})
	}
}

func (a *engine) recordsSeen(machine string) int {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.seen == nil {
		return 0
	}
	seen, _ := a.seen.Assessment(machine)
	return seen.Data.Records
}

// Store keeps what was decided and what has to be sent. [store.Store] says what each
// method does.
type Store interface {
	Decisions
	Outbox
}

// Decisions are what was concluded from the records.
type Decisions interface {
	Decide(state []byte, outcomes [][]byte, items []store.OutboxItem) error
	Decided() ([]byte, error)
	Outcomes() ([][]byte, error)
}

// Outbox are the messages that have to be sent.
type Outbox interface {
	Oldest(queue string) (store.OutboxItem, bool, error)
	Waiting(queue string) (int, error)
	Replace(store.OutboxItem) error
	Settle(key string) error
}

// Using is what alerting works with.
type Using struct {
	Store Store
	Fleet *fleet.Fleet
	// Sources is when each source that should send something last did.
	Sources func() map[string]time.Time
	// Customer is whose machine it is, "" for nobody's; nil for an agent that serves one.
	Customer func(machine string) string
	// Publish sends a message to the alert topic of a machine; nil without MQTT.
	Publish func(ctx context.Context, machine string, payload []byte) error
	// Leads says whether this process decides and sends for the fleet, where several do
	// the same work; nil for always.
	Leads func() bool
	Now   func() time.Time
	Log   *slog.Logger
}
