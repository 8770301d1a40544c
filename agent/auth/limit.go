package auth

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"arcdrift/drift"
)

// Limit are the customers and depots that an account is limited to. Without customers
// every customer counts, without depots every depot. The zero value is no limit.
type Limit struct {
	Customers []string `json:"customers,omitempty"`
	Depots    []string `json:"depots,omitempty"`
}

// ParseLimit checks the names of customers and depots.
func ParseLimit(customers, depots []string) (Limit, error) {
	for _, names := range []struct {
		field string
		all   []string
	}{{"customer", customers}, {"depot", depots}} {
		field, _ := drift.FieldNamed(names.field)
		for _, name := range names.all {
			r := drift.Record{Type: drift.TypeSetup, Setup: &drift.Setup{}}
			if name == "" {
				return Limit{}, errors.New("the name of a " + names.field + " is empty")
			}
			if err := field.Set(&r, name); err != nil {
				return Limit{}, err
			}
		}
	}
	return Limit{customers, depots}, nil
}

// None says whether the account is not limited.
func (l Limit) None() bool { return len(l.Customers) == 0 && len(l.Depots) == 0 }

// String says what the account is limited to, "" for nothing.
func (l Limit) String() string {
	var out []string
	if len(l.Customers) > 0 {
		out = append(out, "customer "+strings.Join(l.Customers, " or "))
	}
	if len(l.Depots) > 0 {
		out = append(out, "depot "+strings.Join(l.Depots, " or "))
	}
	return strings.Join(out, ", ")
}

// Key is the same for the same limit, and another for any other.
func (l Limit) Key() string { return fmt.Sprintf("%q %q", l.Customers, l.Depots) }

// covers says whether a machine with this assignment is within the limit.
func (l Limit) covers(a drift.Assignment) bool {
	return (len(l.Customers) == 0 || slices.Contains(l.Customers, a.Customer)) && (len(l.Depots) == 0 || slices.Contains(l.Depots, a.Depot))
}

// within says whether everything that l covers is covered by the other, too.
func (l Limit) within(other Limit) bool {
	inside := func(names, of []string) bool {
		return len(of) == 0 || len(names) > 0 && !slices.ContainsFunc(names, func(n string) bool { return !slices.Contains(of, n) })
	}
	return inside(l.Customers, other.Customers) && inside(l.Depots, other.Depots)
}

// Assignments says to whom machines belong; former says that the name is an earlier one.
type Assignments interface {
	Of(machine string) (a drift.Assignment, former bool)
	// Version differs after every change of an assignment.
	Version() uint64
}

// UseAssignments lets limited accounts see the machines of their customers. Without it
// they see none.
func (g *Authenticator) UseAssignments(a Assignments) { g.assignments = a }

// Limited says whether the principal sees only some machines.
func (p Principal) Limited() bool { return !p.Limit.None() }

// Part says which machines the principal may know of, and from when on. It is nil for a
// principal without a limit. A machine that came from another customer is seen from then
// on, under its present name.
func (p Principal) Part() drift.Part {
	if !p.Limited() {
		return nil
	}
	return func(machine string) (since time.Time, in bool) {
		if p.assignments == nil || machine == "" {
			return time.Time{}, false
		}
		a, former := p.assignments.Of(machine)
		if !p.Limit.covers(a) || former && !a.Since.IsZero() {
			return time.Time{}, false
		}
		return a.Since, true
	}
}

// Assigned is the version of what [Principal.Part] says: the same as long as no machine
// changes hands.
func (p Principal) Assigned() uint64 {
	if p.assignments == nil {
		return 0
	}
	return p.assignments.Version()
}

// Sees says whether the principal may know that the machine exists.
func (p Principal) Sees(machine string) bool { return p.Part().Has(machine) }

// MayManage says whether the principal, who may manage accounts, may manage this one.
func (p Principal) MayManage(a *Account) bool { return a.Limit.within(p.Limit) }

// outside is why a record goes beyond the principal's limit, or nil. A machine of another
// customer is refused as one that does not exist.
func (p Principal) outside(r *drift.Record) *drift.Problem {
	about := r.About()
	switch {
	case !p.Limited():
		return nil
	case about == "" && (r.Machine == "" || p.Sees(r.Machine)):
		return &drift.Problem{Field: "scope", Reason: "must be machine: " + p.Name + " may write for its own machines only"}
	case !p.Sees(r.Machine):
		return p.notItsOwn("machine", r.Machine)
	case r.Setup == nil:
		return nil
	case r.Setup.RenamedTo != "" && !p.Sees(r.Setup.RenamedTo):
		return p.notItsOwn("renamed_to", r.Setup.RenamedTo)
	case r.Setup.Customer != "":
		return assigns("customer", r.Setup.Customer)
	case r.Setup.Depot != "" && len(p.Limit.Depots) > 0:
		return assigns("depot", r.Setup.Depot)
	}
	return nil
}

func (p Principal) notItsOwn(field, machine string) *drift.Problem {
	return &drift.Problem{Field: field, Value: machine, Reason: "is not one that " + p.Name + " may write for"}
}

// assigns is why a setup may not say to whom a machine belongs: that decides who sees it.
func assigns(field, value string) *drift.Problem {
	return &drift.Problem{Field: field, Value: value, Reason: fmt.Sprintf("decides who sees the machine: only a manager without a limit may state the %s", field)}
}
