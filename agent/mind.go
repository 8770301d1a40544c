package agent

import (
	"context"
	"time"

	"arcdrift/agent/store"
	"arcdrift/agent/web"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// INTERIM: stands in for agent/fleet's Fleet until that is there, with the
// methods the assembly needs of it. It knows which machines there are and
// answers that it has no model of them.
type mind struct {
	store *store.Store
	now   func() time.Time
}

func openMind(s *store.Store, now func() time.Time) (*mind, error) { return &mind{s, now}, nil }

// Announce hands over new entries.
func (m *mind) Announce([]drift.Entry) {}

// Run keeps the models up to date until ctx ends.
func (m *mind) Run(ctx context.Context) error { <-ctx.Done(); return nil }

// Ready returns nil once every machine has its model.
func (m *mind) Ready() error { return nil }

// String names the runner.
func (m *mind) String() string { return "fleet" }

// Board is what is known now.
func (m *mind) Board() ([]web.Machine, uint64) {
	all, err := m.AssessAt("", drift.Opt[time.Time]{}, drift.Opt[time.Time]{})
	if err != nil {
		return nil, 0
	}
	stats, err := m.store.Stats()
	if err != nil {
		return nil, 0
	}
	var out []web.Machine
	for _, a := range all {
		out = append(out, web.Machine{Assessment: a})
	}
	return out, stats.Seq + 1
}

// AssessAt answers at a moment.
func (m *mind) AssessAt(machine string, asOf, _ drift.Opt[time.Time]) ([]advise.Assessment, error) {
	names, err := m.store.Machines()
	if err != nil {
		return nil, err
	}
	var out []advise.Assessment
	for _, name := range names {
		if machine == "" || name == machine {
			out = append(out, advise.Assessment{Machine: name, AsOf: asOf.Or(m.now()).UTC(), State: advise.NoData,
				Reasons: []string{"No model yet."}, Warnings: []string{},
				Data: advise.Data{Grade: advise.NoRecords}, Electrode: advise.Electrode{Action: advise.None}})
		}
	}
	return out, nil
}

// Move answers a crew that has moved.
func (m *mind) Move(q advise.Move) (advise.MoveAnswer, error) {
	return advise.MoveAnswer{AskID: q.AskID, Machine: q.Machine, AsOf: q.AsOf, Answer: advise.CannotTell, Evidence: advise.RuleOfThumb, Reasons: []string{"No model yet."}}, nil
}

// Trace is what was seen of one machine.
func (m *mind) Trace(string, time.Time) (advise.Trace, error) { return advise.Trace{}, nil }
