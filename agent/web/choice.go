package web

import (
	"fmt"
	"maps"
	"net/url"
	"slices"

	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// fewMachines is up to how many machines are offered as tiles, not typed.
const fewMachines = 24

// mostOffered is how many names a page offers to choose from. Where there are more, people
// type them.
const mostOffered = 2000

// offered are the names to choose from, none where there are too many.
func offered(names []string) []string {
	if len(names) > mostOffered {
		return nil
	}
	return names
}

// machineChoice is the part of a form that asks for the machine.
type machineChoice struct {
	Typed    string
	Tiles    []tile   // when there are few machines, or one that was probably meant
	Machines []string // to choose from, when there are many
	Wrong    string
	// New is a name that no record bears: sent along, it is meant.
	New string
}

// chooseMachine offers few machines as tiles and many as a list. After a mistake it shows
// what was typed and, if that is close to a known machine, both as tiles.
func chooseMachine(known []string, typed string, wrong mistakes) machineChoice {
	c := machineChoice{Typed: typed, Wrong: wrong.At("machine")}
	near := ""
	if c.Wrong != "" && drift.ValidMachine(typed) {
		near = drift.NearestName(typed, known)
	}
	switch {
	case near != "":
		c.New = typed
		c.Tiles = []tile{{Value: near, Word: near}, {Value: typed, Word: typed + ", a new machine"}}
	case len(known) > fewMachines || c.Wrong != "" && typed != "":
		c.Machines = offered(known)
	default:
		for _, name := range known {
			c.Tiles = append(c.Tiles, tile{Value: name, Word: name, Chosen: name == typed})
		}
	}
	return c
}

// unknownMachine asks about a name that no record bears and that is close to a known one;
// nil where there is none such, or the form says that a new machine is meant.
func unknownMachine(known []string, typed url.Values) *drift.Problem {
	name := typed.Get("machine")
	if name == "" || slices.Contains(known, name) || typed.Get("new_machine") == name {
		return nil
	}
	near := drift.NearestName(name, known)
	if near == "" {
		return nil
	}
	return &drift.Problem{Field: "machine", Value: name, Reason: fmt.Sprintf("is not known here. Did you mean %s?", near)}
}

// standIns take the place of what is missing, so that the next mistake is found too.
var standIns = map[string]string{"machine": "x", "passed": "true", "action": "inspected", "reason": "x"}

// decoded reads the values of a form as a record, and reports all that is wrong with
// them.
func decoded(values url.Values) (drift.Record, []*drift.Problem) {
	v := maps.Clone(values)
	var problems []*drift.Problem
	for {
		record, err := wire.Form(v)
		p := problemOf(err)
		if p == nil {
			return record, problems
		}
		if slices.ContainsFunc(problems, func(other *drift.Problem) bool { return other.Field == p.Field }) {
			return record, problems
		}
		problems = append(problems, p)
		name := p.Field
		if part := "fields." + name; v.Has(part) {
			name = part
		}
		if v.Del(name); standIns[name] != "" {
			v.Set(name, standIns[name])
		}
	}
}
