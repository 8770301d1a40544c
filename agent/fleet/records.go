package fleet

import (
	"slices"

	"arcdrift/drift"
)

// Records are the records of a fleet in memory, as a store gives them. It is a
// [Book].
type Records struct {
	machines map[string][]drift.Entry
	setups   []drift.Entry
}

// NewRecords takes records in time order; each arrived when it happened.
func NewRecords(all []drift.Record) *Records {
	b := &Records{machines: map[string][]drift.Entry{}}
	for i, r := range all {
		e := drift.Entry{Record: r, Received: r.Time, StoreSeq: uint64(i + 1)}
		if r.Type == drift.TypeSetup {
			b.setups = append(b.setups, e)
			continue
		}
		b.machines[r.Machine] = append(b.machines[r.Machine], e)
	}
	return b
}

// Machines returns the names in order.
func (b *Records) Machines() ([]string, error) {
	names := make([]string, 0, len(b.machines))
	for name := range b.machines {
		names = append(names, name)
	}
	slices.Sort(names)
	return names, nil
}

// History returns everything of one machine.
func (b *Records) History(machine string) ([]drift.Entry, error) {
	return slices.Clone(b.machines[machine]), nil
}

// Setups returns the setups of all scopes.
func (b *Records) Setups() ([]drift.Entry, error) { return slices.Clone(b.setups), nil }

// Refused is empty: these records are valid.
func (b *Records) Refused() (map[string]int, error) { return map[string]int{}, nil }
