package auth

import (
	"slices"

	"arcdrift/drift"
)

// Role is what an account is for.
type Role string

// The roles.
const (
	Device  Role = "device"  // writes records of its machines and asks about them
	Reader  Role = "reader"  // reads everything
	Crew    Role = "crew"    // also logs calibrations, arc counts, splices and corrections
	Bench   Role = "bench"   // also logs services, answers alerts and decides on splices
	Manager Role = "manager" // also writes setups, manages the accounts and exports everything
)

// writer is the role manager in files from before the roles crew and bench.
const writer Role = "writer"

// Roles are the roles of people, from the one with the fewest rights.
func Roles() []Role { return []Role{Reader, Crew, Bench, Manager} }

// Right is the right to do one kind of thing.
type Right string

// The rights.
const (
	Read     Right = "read"       // pages and answers, of every machine
	Ask      Right = "ask"        // the site check
	HandIn   Right = "hand in"    // records, each checked against what the account may write
	Relay    Right = "relay"      // refusals of another agent
	Log      Right = "log"        // calibrations, arc counts, splices, corrections
	Service  Right = "service"    // services, answers to alerts, decisions on splices
	Settings Right = "settings"   // setups of every scope
	Accounts Right = "accounts"   // manage accounts
	Export   Right = "everything" // exports and copies of the store
)

// rights are the rights of a role.
func (r Role) rights() []Right {
	switch r {
	case Device:
		return []Right{Ask, HandIn, Relay}
	case Reader:
		return []Right{Read, Ask}
	case Crew:
		return append(Reader.rights(), HandIn, Log)
	case Bench:
		return append(Crew.rights(), Service)
	case Manager:
		return append(Bench.rights(), Relay, Settings, Accounts, Export)
	}
	return nil
}

// May says whether the role has the right.
func (r Role) May(right Right) bool { return slices.Contains(r.rights(), right) }

// needs is the right that a person needs to write the record.
func needs(r *drift.Record) Right {
	switch {
	case r.Type == drift.TypeSetup || r.About() == "":
		return Settings
	case r.Type == drift.TypeService || r.Type == drift.TypeDecision:
		return Service
	}
	return Log
}
