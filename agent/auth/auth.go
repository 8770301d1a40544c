// Package auth says who may read and write what. An account is a device, which
// writes for its own machines and hears of them, or a person with a role, see
// [Role] and [Right]. Accounts lie in one file beside the store, with hashes of
// secrets that are made here, long and at random, and shown once.
//
// While there is no account, whoever is on this computer may do everything and
// nobody else anything. Once there are, everybody says a name and a secret: that
// a connection comes from this computer says little, as a proxy or a tunnel may
// stand at its beginning. Only who may read the store's file itself needs none.
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

// Machines are names of machines; one that ends in * stands for all that begin
// so, * alone for every machine and for what is set up for a whole fleet.
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
			return nil, errors.New("a machine without a name is none")
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

// Cover says whether the machine is among them.
func (m Machines) Cover(machine string) bool {
	for _, name := range m {
		start, many := strings.CutSuffix(name, "*")
		if machine == name || many && (start == "" || machine != "" && strings.HasPrefix(machine, start)) {
			return true
		}
	}
	return false
}

// Principal is what somebody was let in as. Name is "" for whoever needed none. A pass
// lasts as long as what it was given for, see [Authenticator.Holds].
type Principal struct {
	Name     string
	Role     Role
	Machines Machines
	// Forwards: the device is an agent that sends on what others gave to it.
	Forwards bool

	owner bool      // has the store's file in hand, whatever the accounts say
	from  net.IP    // whence its holder came
	key   string    // the hash that its secret fitted
	ends  time.Time // when that is right no more, zero for never
	read  uint64    // which reading of the accounts it was last held against
}

// Owner is the pass of whoever has the store's file in hand.
func Owner() Principal { return Principal{Role: Manager, owner: true} }

// MayWrite says whether the holder may write for the machine.
func (p Principal) MayWrite(machine string) bool {
	return p.Role.May(Log) || p.Role == Device && p.Machines.Cover(machine)
}

// MayWriteSome says whether the holder may hand in anything at all.
func (p Principal) MayWriteSome() bool { return p.Role.May(HandIn) }

// Mark stands for the secret that the holder said, as the accounts have it: see
// [Authenticator.Recall].
func (p Principal) Mark() string {
	sum := sha256.Sum256([]byte(p.key))
	return hex.EncodeToString(sum[:16])
}

// Account is the name of the holder's account.
func (p Principal) Account() string { return p.Name }

// Relays says whether the holder is believed in what it tells of how records came
// before: a device that forwards, and whoever may write everything and imports.
func (p Principal) Relays(via string) bool {
	switch via {
	case "forward":
		return p.Role == Device && p.Forwards || p.Role == Manager && p.Name == ""
	case "import":
		return p.Role == Manager
	case "log": // by a command on this computer
		return p.Role == Manager && p.Name == ""
	}
	return false
}

// Check is the one rule for what an account may write, whatever door the record
// came by: a device writes of its own machines, and what holds for more than one
// machine only if it may write for all; people write what their role is for. It
// returns why not, or nil.
func (p Principal) Check(r *drift.Record) *drift.Problem {
	about := r.About()
	switch {
	case p.Role == Device && p.Machines.Cover(about), p.Role.May(needs(r)):
		return nil
	case p.Role != Device:
		return &drift.Problem{Field: "type", Value: string(r.Type), Reason: fmt.Sprintf("is not for the role %s to write", p.Role)}
	case about == "" && p.Machines.Cover(r.Machine):
		return &drift.Problem{Field: "scope", Reason: "must be machine: " + p.Name + " writes for its own machines only"}
	default:
		return &drift.Problem{Field: "machine", Value: r.Machine, Reason: "is not one that " + p.Name + " may write for"}
	}
}

// MayRead says whether the holder may hear of the machine.
func (p Principal) MayRead(machine string) bool {
	return p.MayReadAll() || p.Role == Device && p.Machines.Cover(machine)
}

// MayReadAll says whether the holder may hear of every machine.
func (p Principal) MayReadAll() bool { return p.Role.May(Read) }
