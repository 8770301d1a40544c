package mqtt

import (
	"slices"
	"strings"

	"arcdrift/drift"
)

// The last part of outgoing topics.
const (
	Receipt = "receipt"
	Alert   = "alert"
	State   = "state"
	air     = "air"
	ask     = "site-check/ask"
	answer  = "site-check/answer"
)

// root is the beginning of every topic; v1 is the version of names and payloads.
const root = "arcdrift/v1/"

// address is a topic in parts: the machine and the kind of message.
type address struct{ machine, what string }

// parse reads a topic and says whether it has the form of ours.
func parse(topic string) (address, bool) {
	rest, ours := strings.CutPrefix(topic, root)
	machine, what, full := strings.Cut(rest, "/")
	return address{machine, what}, ours && full && machine != ""
}

// topic is the topic of the address.
func (a address) topic() string { return root + a.machine + "/" + a.what }

// with is the topic of another kind for the same machine.
func (a address) with(what string) string { return address{a.machine, what}.topic() }

// record is the type of record that the topic takes, and whether it takes one.
func (a address) record() (drift.Type, bool) {
	t := drift.Type(a.what)
	return t, slices.Contains(drift.Types(), t)
}

// incoming says whether clients publish there.
func (a address) incoming() bool {
	_, record := a.record()
	return record || a.what == ask || a.what == air
}

// outgoing says whether only the agent publishes there.
func (a address) outgoing() bool {
	return slices.Contains([]string{Receipt, Alert, State, answer}, a.what)
}

// machineOf is the machine in the topic, "" for none.
func machineOf(topic string) string {
	rest, ours := strings.CutPrefix(topic, root)
	machine, _, _ := strings.Cut(rest, "/")
	if !ours {
		return ""
	}
	return machine
}

// misdirected is the problem of a message on an unknown topic; it names the topic that
// the sender may have meant.
func misdirected(topic string) *drift.Problem {
	machine, what := machineOf(topic), topic[strings.LastIndex(topic, "/")+1:]
	if rest, under := strings.CutPrefix(topic, root+machine+"/"); under {
		what = rest
	}
	at := address{machine, what}
	p := &drift.Problem{Field: "topic", Value: topic[:min(len(topic), maxTopic)], Reason: "is not a topic for records or questions"}
	if machine == "" {
		at.machine = "MACHINE"
	} else if at.outgoing() {
		p.Reason = "is a topic on which only the agent publishes"
	}
	var known []string
	for _, t := range drift.Types() {
		known = append(known, string(t))
	}
	if near := drift.NearestOf(what, append(known, air, ask)); near != "" {
		p.Reason += "; the nearest is " + at.with(near)
	} else {
		p.Reason += "; records go to " + at.with(strings.Join(known, ", ")) + ", a reading of the air to " + at.with(air) + " or a question to " + at.with(ask)
	}
	return p
}

// maxTopic is how many bytes of an unknown topic are kept.
const maxTopic = 512

// everything is the subscription to all topics of the agent, unknown ones too. The
// agent's own answers come with it and are ignored.
const everything = root + "+/#"
