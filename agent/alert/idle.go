package alert

import (
	"bytes"
	"encoding/json"
	"iter"
	"slices"
	"strings"
	"time"
)

// Idle says whether a step would do nothing about the named machines, of which some are in
// use: no case of theirs begins, changes or ends, and no list is due. The names are sorted.
// It looks at no other machine.
func (p *Policy) Idle(s State, names []string, some []Machine, now time.Time) bool {
	of := State{Cases: []Case{}, NextList: s.NextList}
	for _, name := range names {
		of.Cases = append(of.Cases, s.of(name)...)
	}
	next, actions, outcomes := p.Step(of, View{Machines: some}, now)
	if len(next.Cases) == 0 {
		next.Cases = []Case{}
	}
	before, err := json.Marshal(of)
	if err != nil {
		return false // the step says so
	}
	after, err := json.Marshal(next)
	return err == nil && bytes.Equal(before, after) && len(actions)+len(outcomes) == 0
}

// of are the cases of one machine.
func (s State) of(machine string) []Case {
	at, _ := slices.BinarySearchFunc(s.Cases, machine, func(c Case, machine string) int { return strings.Compare(c.Subject, machine) })
	var out []Case
	for _, c := range s.Cases[at:] {
		if c.Subject != machine {
			break
		}
		if c.Rule.OfMachine() {
			out = append(out, c)
		}
	}
	return out
}

// Machines yields the machines with an open case, each once.
func (s State) Machines() iter.Seq[string] {
	return func(yield func(string) bool) {
		last := ""
		for i := range s.Cases {
			c := &s.Cases[i]
			if c.Phase != Open || !c.Rule.OfMachine() || c.Subject == last {
				continue
			}
			if last = c.Subject; !yield(last) {
				return
			}
		}
	}
}
