package auth

import (
	"slices"

	"arcdrift/drift"
)

// Role is what an account is for.
type Role string

// The roles.
const (
	Device  Role = "device"  // hands in records of its machines and asks about them
	Reader  Role = "reader"  // reads everything
	Crew    Role = "crew"    // and logs calibrations, arc counts, splices and corrections
	Bench   Role = "bench"   // and logs services and answers alerts
	Manager Role = "manager" // and sets up, keeps the accounts and takes everything out
)

// writer is what a manager was called in files of accounts before there were crew
// and bench.
const writer Role = "writer"

// Roles are those of people, from the one that may least.
func Roles() []Role { return []Role{Reader, Crew, Bench, Manager} }

// Right is one kind of thing that may be done.
type Right string

// The rights.
const (
	Read     Right = "read"       // pages and answers, of every machine
	Ask      Right = "ask"        // the site check
	HandIn   Right = "hand in"    // records, each held to what the account may write
	Relay    Right = "relay"      // what was refused elsewhere
	Log      Right = "log"        // calibrations, arc counts, splices, corrections
	Service  Right = "service"    // services, answers to alerts
	Settings Right = "settings"   // setups of every scope
	Accounts Right = "accounts"   // who may come in
	Export   Right = "everything" // exports and copies of the store
)

// rights are what a role may do.
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

// needs is the right that it takes to write the record.
func needs(r *drift.Record) Right {
	switch {
	case r.Type == drift.TypeSetup || r.About() == "":
		return Settings
	case r.Type == drift.TypeService || r.Type == drift.TypeDecision:
		return Service
	}
	return Log
}
