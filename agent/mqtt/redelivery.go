package mqtt

import (
	"crypto/sha256"
	"sync"
	"time"
)

// delivery is how a message came: its sender, its packet id, and whether the sender says
// that it was sent before (DUP; MQTT 3.1.1, sections 2.3.1 and 3.3.1.1). The packet id is
// 0 at QoS 0.
type delivery struct {
	sender string
	packet uint16
	again  bool
}

// The limits of what is remembered. A packet id is used again as soon as its message is
// acknowledged. So a record counts as sent before only if it came in the last minutes of
// the connection that broke: twice the keep-alive of common libraries.
const (
	redeliveredWithin = 2 * time.Minute
	maxNotes          = 2 * maxInFlight // of a sender
	maxSenders        = 10_000
)

// redeliveries remembers the ids of records that were stored lately. So a record without
// anything to distinguish it from a repeat is recognised when its sender, who missed the
// acknowledgement, delivers it again. It may be used by several goroutines, and lasts as
// long as the agent runs.
type redeliveries struct {
	now     func() time.Time
	mu      sync.Mutex
	senders map[string]*sender
}

// sender is one client id. heard is when it last said anything, since is from when on
// a message may be one that it missed the acknowledgement of.
type sender struct {
	lastSeen, since time.Time
	notes           map[uint16]stored
}

// stored is a record that was stored.
type stored struct {
	sum [sha256.Size]byte
	id  string
	at  time.Time
}

func newRedeliveries(now func() time.Time) *redeliveries {
	return &redeliveries{now: now, senders: map[string]*sender{}}
}

// of is the sender of that name; r.mu is held.
func (r *redeliveries) of(name string) *sender {
	s := r.senders[name]
	if s == nil {
		for other := range r.senders {
			if len(r.senders) < maxSenders {
				break
			}
			delete(r.senders, other) // any of them: what it sends again is a possible repeat
		}
		s = &sender{notes: map[uint16]stored{}}
		r.senders[name] = s
	}
	return s
}

// seen notes that the sender sent a packet.
func (r *redeliveries) seen(name string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.of(name).lastSeen = r.now()
}

// connected notes that the sender has connected again.
func (r *redeliveries) connected(name string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.of(name)
	s.since = s.lastSeen.Add(-redeliveredWithin)
}

// sumOf identifies the content of a message.
func sumOf(m *Message) [sha256.Size]byte {
	return sha256.Sum256(append([]byte(m.Topic+"\x00"), m.Payload...))
}

// id is the id of the record that a redelivered message was stored as, "" if it is not
// known.
func (r *redeliveries) id(m *Message) string {
	if !m.sent.again || m.sent.packet == 0 {
		return ""
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.of(m.sent.sender)
	n := s.notes[m.sent.packet]
	if n.at.Before(s.since) || n.sum != sumOf(m) {
		return ""
	}
	return n.id
}

// kept notes the id of the record that a message was stored as.
func (r *redeliveries) kept(m *Message, id string) {
	if m.sent.packet == 0 {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	s, now := r.of(m.sent.sender), r.now()
	if len(s.notes) >= maxNotes {
		for packet, n := range s.notes {
			if now.Sub(n.at) > redeliveredWithin || len(s.notes) >= maxNotes {
				delete(s.notes, packet)
			}
		}
	}
	s.notes[m.sent.packet] = stored{sumOf(m), id, now}
}
