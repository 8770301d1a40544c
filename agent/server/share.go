package server

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"iter"
	"os"
	"slices"
	"time"

	"arcdrift/agent/alerting"
	"arcdrift/agent/auth"
	"arcdrift/agent/fleet"
	"arcdrift/agent/metrics"
	"arcdrift/agent/reach"
	"arcdrift/agent/share"
	"arcdrift/agent/storekey"
	"arcdrift/agent/version"
	"arcdrift/drift/advise"
)

// group is the name under which the agents of one store share a broker's messages.
const group = "arcdrift"

// joinOthers has the fleet kept by this process and the others that have the store. A
// store that this process has to itself keeps a cache.
func (s *Server) joinOthers(env Env) (err error) {
	shared, several := s.store.(reach.Shared)
	if !several {
		s.fleet.UseCache(s.reader, version.Build)
		return nil
	}
	host, err := os.Hostname()
	if err != nil {
		host = "unnamed"
	}
	name := host + "-" + rand.Text()[:8] // a process that starts again is another one
	if s.share, err = share.Join(context.Background(), shared.Table(), s.reader, name, env.Now, s.log); err != nil {
		return err
	}
	s.fleet.UseShare(s.share, version.Build)
	if s.config.Broker != nil {
		s.config.Broker.Group = group
	}
	return nil
}

// followOthers has what this process knows follow what the others take and publish.
func (s *Server) followOthers() {
	if s.share != nil {
		s.share.Follow(followers{s.fleet.Fleet, s.customers}, s.intake.Counted, s.note)
		s.services = append(s.services, s.share)
	}
}

// followers are those who have to hear of what other processes took.
type followers struct {
	*fleet.Fleet
	customers *customers
}

// Relearn implements [share.Fleet].
func (f followers) Relearn() {
	f.customers.changed()
	f.Fleet.Relearn()
}

// signIns are those of browsers: in a file, or at all processes that have the store.
func (s *Server) signIns(env Env) (*auth.Sessions, error) {
	if shared, several := s.store.(reach.Shared); several {
		return auth.ShareSessions(whileReady{shared, s.share.Ready}, env.Now), nil
	}
	return auth.OpenSessions(s.config.DB+".sessions", env.Now)
}

// accounts are those beside a file, or of all processes that have the store.
func (s *Server) accounts(at reach.Location) (*auth.Keys, error) {
	if shared, several := s.store.(reach.Shared); several {
		return auth.OpenShared(auth.File(at.Path), whileReady{shared, s.share.Ready}, at.Now)
	}
	return reach.AccountsOf(s.store, at)
}

// whileReady is a store that several processes have, whose accounts and sign-ins are asked
// for only while it answers: a page is there at once, with what was known last, and does not
// wait for a database that hangs.
type whileReady struct {
	reach.Shared
	ready func() error
}

// Document implements [auth.Documents].
func (w whileReady) Document(name string) (body []byte, version int64, err error) {
	if err := w.ready(); err != nil {
		return nil, 0, err
	}
	return w.Shared.Document(name)
}

// SignIn implements [auth.SignIns].
func (w whileReady) SignIn(token string) (data []byte, ends time.Time, found bool, err error) {
	if err := w.ready(); err != nil {
		return nil, time.Time{}, false, err
	}
	return w.Shared.SignIn(token)
}

// keyDocument is the name of the public key by which the processes sign packs of proof.
const keyDocument = "signing key"

// compareKeys says in a sentence that this process signs packs of proof by another key than
// the others; "" if not. The first process notes its key, and so does one whose key
// follows on the one that is noted.
func (s *Server) compareKeys(now time.Time) string {
	shared, several := s.store.(reach.Shared)
	if !several {
		return ""
	}
	ring, err := storekey.Open(storekey.Path(s.config.DB), now)
	if err != nil {
		return unsigned(err)
	}
	mine := ring.Current().Public
	body, version, err := shared.Document(keyDocument)
	if err != nil {
		return fmt.Sprintf("The key for packs of proof could not be compared with that of the other processes: %v.", err)
	}
	theirs := string(body)
	if mine == theirs {
		return ""
	}
	before := slices.ContainsFunc(ring.Keys(), func(k storekey.Key) bool { return k.Public == theirs })
	if version == 0 || before {
		replaced, err := shared.ReplaceDocument(keyDocument, version, []byte(mine))
		if err == nil && replaced {
			return ""
		}
	}
	return "This process signs packs of proof by another key than the first process of the hub. Copy FILE.key and FILE.keys from there, and start this process again."
}

// decisions is where the alerting keeps what it decides.
func (s *Server) decisions() alerting.Store {
	if s.share == nil {
		return s.store
	}
	return s.store.(reach.Shared).Decisions(func() (share.Lease, bool) { return s.share.Lease(share.Whole) })
}

// leads says whether this process decides for the fleet; nil for always.
func (s *Server) leads() func() bool {
	if s.share == nil {
		return nil
	}
	return s.share.Leads
}

// note is what this process tells the others: when each source last sent something.
func (s *Server) note() []byte {
	raw, err := json.Marshal(s.intake.lastFrom("mqtt", "forward"))
	if err != nil {
		return nil // times of our own always have a form
	}
	return raw
}

// heard is when each source last sent something to any process.
func (s *Server) heard() map[string]time.Time {
	last := s.intake.lastFrom("mqtt", "forward")
	if s.share == nil {
		return last
	}
	for _, raw := range s.share.Notes() {
		var theirs map[string]time.Time
		if json.Unmarshal(raw, &theirs) != nil {
			continue // of another version
		}
		for source, at := range theirs {
			if at.After(last[source]) {
				last[source] = at
			}
		}
	}
	return last
}

// ownStates are the latest snapshot and the answers of the machines of this process that
// have changed since another, nil for all.
func (s *Server) ownStates(since *fleet.Snapshot) (machines iter.Seq[*advise.Assessment], now *fleet.Snapshot) {
	now = s.fleet.Snapshot()
	return func(yield func(*advise.Assessment) bool) {
		if since == nil {
			for a := range now.All() {
				if s.mine(a.Machine) && !yield(a) {
					return
				}
			}
			return
		}
		for name := range now.Changed(since) {
			if a, _ := now.Machine(name); a != nil && s.mine(name) && !yield(a) {
				return
			}
		}
	}, now
}

// mine says whether this process reports the machine.
func (s *Server) mine(machine string) bool { return s.share == nil || s.share.Mine(machine) }

// shareFacts adds what one scrape reports of the processes that share the store.
func (s *Server) shareFacts(f *metrics.Facts) {
	if s.share == nil {
		return
	}
	is := s.share.Status()
	f.Share = &metrics.Share{Processes: is.Processes, Held: is.Held, Slots: is.Slots, Taken: is.Taken, Leads: is.Leads}
	if p, can := s.store.(interface{ Connections() metrics.Pool }); can {
		pool := p.Connections()
		f.Pool = &pool
	}
}

// shareBroken says in a sentence, for the pages, that the others cannot be seen.
func (s *Server) shareBroken() []string {
	if s.share == nil {
		return nil
	}
	if err := s.share.Ready(); err != nil {
		return []string{fmt.Sprintf("%s. These pages show what this process knew last. Records wait at their senders.", upperFirst(err.Error()))}
	}
	return nil
}
