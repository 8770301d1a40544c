package server

import (
	"arcdrift/agent/alerting"
	"arcdrift/agent/reach"
	"arcdrift/agent/wire"
)

// people are those whom the records of a running agent name. Who is forgotten there is
// forgotten in the alerts too.
type people struct {
	store  reach.Kept
	alerts *alerting.Service
}

// Forget implements web.People.
func (p people) Forget(name string) (pseudonym string, err error) {
	err = p.alerts.ChangeStore(func() error {
		pseudonym, err = p.store.Forget(name)
		return err
	})
	return pseudonym, err
}

// Learn implements web.People.
func (p people) Learn(persons []wire.Person) error {
	return p.alerts.ChangeStore(func() error { return p.store.Learn(persons) })
}
