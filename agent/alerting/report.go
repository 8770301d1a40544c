package alerting

import (
	"arcdrift/agent/alert"
	"arcdrift/drift"
	"time"
)

// Histories are the records in which the bench's findings are.
type Histories interface {
	Machines() ([]string, error)
	History(machine string) ([]drift.Entry, error)
}

// Sent reports how the messages sent turned out, for a store that no agent holds.
func Sent(decided Decisions, s Histories, now time.Time) (alert.Card, error) {
	m, err := recall(decided)
	if err != nil {
		return alert.Card{}, err
	}
	machines, err := s.Machines()
	if err != nil {
		return alert.Card{}, err
	}
	var found []alert.Found
	for _, name := range machines {
		history, err := s.History(name)
		if err != nil {
			return alert.Card{}, err
		}
		drift.Order(history)
		for _, e := range drift.Correct(history) {
			if e.Service != nil && (e.Service.Finding == drift.Worn || e.Service.Finding == drift.Dirty) {
				found = append(found, alert.Found{Machine: name, Time: e.When()})
			}
		}
	}
	var policy alert.Policy
	m.judge(&policy)
	return policy.Card(m.state, m.outcomes, found, len(machines), now), nil
}
