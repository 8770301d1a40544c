// Package auth says who may read and write what. An account is a device, which writes
// for its own machines and reads about them, or a person with a role, see [Role] and
// [Right]. Either may be limited to the machines of some customers, see [Limit].
// Accounts are in one file beside the store, with hashes of their secrets.
// Secrets are long random texts that are made here and shown once.
//
// While there is no account, clients on this computer may do everything, and others
// nothing. Once there is one, every client needs a name and a secret. That a connection
// comes from this computer proves little, as it may come through a proxy or a tunnel.
// Only the commands that open the store's file themselves need no account.
package auth

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"strings"
	"time"

	"arcdrift/drift"
)

// Machines are names of machines. A name that ends in * stands for all machines whose
// names begin so; * alone stands for every machine and for setups of the whole fleet.
type Machines []string

// ParseMachines checks a list of names.
func ParseMachines(names []string) (Machines, error) {
	if len(names) == 0 {
		return nil, errors.New("a device needs machines to write for, like K-07, K-0* or *")
	}
	field, _ := drift.FieldNamed("machine")
	for _, name := range names {
		r := drift.Record{Type: drift.TypeUsage}
		switch start := strings.TrimSuffix(name, "*"); {
		case name == "":
			return nil, errors.New("a machine's name is empty")
		case start == "":
			continue
		default:
			if err := field.Set(&r, start); err != nil {
				return nil, err
			}
		}
	}
	return Machines(names), nil
}

// Cover says whether the machine is one of these.
func (m Machines) Cover(machine string) bool {
	for _, name := range m {
		start, many := strings.CutSuffix(name, "*")
		if machine == name || many && (start == "" || machine != "" && strings.HasPrefix(machine, start)) {
			return true
		}
	}
	return false
}

// Principal is an authenticated client. Name is the name of its account, "" if it needed
// none. It is valid as long as the account and its secret are, see
// [Authenticator.Refresh].
type Principal struct {
	Name     string
	Role     Role
	Machines Machines
	// Forwards: the device is an agent that forwards records of others.
	Forwards bool
	// Limit are the customers and depots whose machines it may know of.
	Limit Limit

	assignments Assignments

	owner bool      // may open the store's file, so accounts do not matter
	from  net.IP    // the client's address
	key   string    // the hash that its secret matched
	ends  time.Time // when that hash expires, zero for never
	read  uint64    // the reading of the accounts that it was last checked against
}

// Owner is the principal of a command that opens the store's file itself.
func Owner() Principal { return Principal{Role: Manager, owner: true} }

// MayWrite says whether the principal may write for the machine.
func (p Principal) MayWrite(machine string) bool {
	return p.Sees(machine) && (p.Role.May(Log) || p.Role == Device && p.Machines.Cover(machine))
}

// MayWriteSome says whether the principal may write anything at all.
func (p Principal) MayWriteSome() bool { return p.Role.May(HandIn) }

// Mark identifies the secret that the client used, see [Authenticator.Resume].
func (p Principal) Mark() string {
	sum := sha256.Sum256([]byte(p.key))
	return hex.EncodeToString(sum[:16])
}

// Account is the name of the principal's account.
func (p Principal) Account() string { return p.Name }

// Relays says whether to believe the principal when it reports how records came to it:
// a device that forwards, and a manager who imports.
func (p Principal) Relays(via string) bool {
	switch via {
	case "forward":
		return p.Role == Device && p.Forwards || p.Role == Manager && p.Name == ""
	case "import":
		return p.Role == Manager
	case "log": // a command on this computer
		return p.Role == Manager && p.Name == ""
	}
	return false
}

// Check is the one rule for what an account may write, whatever source the record came
// by: a device writes about its own machines, and records about several machines only
// if it may write for all; a person writes what the role allows. It returns why not,
// or nil.
func (p Principal) Check(r *drift.Record) *drift.Problem {
	about := r.About()
	outside := p.outside(r)
	switch {
	case outside != nil:
		return outside
	case p.Role == Device && r.Setup != nil && r.Setup.Customer != "" && !p.Machines.Cover(""):
		return assigns("customer", r.Setup.Customer)
	case p.Role == Device && p.Machines.Cover(about), p.Role.May(needs(r)):
		return nil
	case p.Role != Device:
		return &drift.Problem{Field: "type", Value: string(r.Type), Reason: fmt.Sprintf("needs a right that the role %s does not have", p.Role)}
	case about == "" && p.Machines.Cover(r.Machine):
		return &drift.Problem{Field: "scope", Reason: "must be machine: " + p.Name + " may write for its own machines only"}
	default:
		return p.notItsOwn("machine", r.Machine)
	}
}

// MayRead says whether the principal may read about the machine.
func (p Principal) MayRead(machine string) bool {
	return p.Sees(machine) && (p.Role.May(Read) || p.Role == Device && p.Machines.Cover(machine))
}

// MayReadAll says whether the principal may read about every machine.
func (p Principal) MayReadAll() bool { return p.Role.May(Read) && !p.Limited() }
