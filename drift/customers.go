package drift

import (
	"slices"
	"time"
)

// Customers says to which customer of a hub each machine belongs, from the setups of
// machines. A machine of which no setup names a customer belongs to nobody. Sites and
// models do not count: they are labels in records that a crew types, and a crew must not
// move a machine to another customer. The zero value is empty and ready.
type Customers struct {
	setups Setups
	any    bool
	stated map[string]Assignment // by the name under which it was stated
}

// Assignment is to whom a machine belongs, and at which depot its own setups say that it
// is.
type Assignment struct {
	Customer, Depot string
	// Since is when it came from another customer; zero where there was none before.
	// What happened before is not the business of this one.
	Since time.Time
}

// CustomersOf reads the setups as they are at a moment. coming is when the next of them
// begins to count, zero for none. It changes the order of the entries.
func CustomersOf(setups []Entry, now time.Time) (c Customers, coming time.Time) {
	Clocks(setups)
	Order(setups)
	for i := range setups {
		at := setups[i].When()
		if at.After(now) {
			if coming.IsZero() || at.Before(coming) {
				coming = at
			}
			continue
		}
		c.Take(&setups[i])
	}
	return c, coming
}

// Take adds the next setup, in order.
func (c *Customers) Take(e *Entry) {
	c.setups.Take(&e.Record)
	if e.Setup == nil || e.Setup.Scope != ScopeMachine {
		return
	}
	if c.stated == nil {
		c.stated = map[string]Assignment{}
	}
	a := c.stated[e.Machine]
	if to := e.Setup.Customer; to != "" {
		if a.Customer != "" && a.Customer != to {
			a.Since = e.When()
		}
		a.Customer, c.any = to, true
	}
	if e.Setup.Depot != "" {
		a.Depot = e.Setup.Depot
	}
	c.stated[e.Machine] = a
	if to := e.Setup.RenamedTo; to != "" && to != e.Machine {
		c.stated[to] = a.renamed(c.stated[to], e.When())
	}
}

// renamed is the assignment of the new name of a machine. If the new name belongs to
// another customer, what happened under the old name is not its business.
func (a Assignment) renamed(to Assignment, when time.Time) Assignment {
	switch {
	case to.Customer == "":
		to.Customer, to.Since = a.Customer, a.Since
	case a.Customer != to.Customer:
		to.Since = when
	case a.Since.After(to.Since):
		to.Since = a.Since
	}
	if to.Depot == "" {
		to.Depot = a.Depot
	}
	return to
}

// Any says whether any machine belongs to somebody.
func (c *Customers) Any() bool { return c.any }

// Of is the assignment of a machine under its present name or an earlier one.
func (c *Customers) Of(machine string) Assignment { return c.stated[c.setups.Named(machine)] }

// Former says whether the name is an earlier one of a machine.
func (c *Customers) Former(machine string) bool { return c.setups.Named(machine) != machine }

// Part says which machines somebody may know of, and from which moment on; a zero moment
// is always. Nil is the whole fleet.
type Part func(machine string) (since time.Time, in bool)

// Has says whether the machine is in the part.
func (p Part) Has(machine string) bool {
	if p == nil {
		return true
	}
	_, in := p(machine)
	return in
}

// Since is from when on the machine is in the part.
func (p Part) Since(machine string) time.Time {
	if p == nil {
		return time.Time{}
	}
	since, _ := p(machine)
	return since
}

// Holds says whether the part has what happened to the machine at a moment.
func (p Part) Holds(machine string, at time.Time) bool {
	return p.Has(machine) && !at.Before(p.Since(machine))
}

// HasEntry says whether the part has the entry. One that arrived before the machine came is
// not in it, whatever its clock says.
func (p Part) HasEntry(e *Entry) bool {
	return p.Holds(e.Machine, e.When()) && (e.Received.IsZero() || p.Holds(e.Machine, e.Received))
}

// Entries leaves those of the entries that are in the part. Entries of no machine are in
// the whole fleet only.
func (p Part) Entries(all []Entry) []Entry {
	if p == nil {
		return all
	}
	return slices.DeleteFunc(all, func(e Entry) bool { return !p.HasEntry(&e) })
}
