package mqtt

import (
	"slices"
	"strings"

	"arcdrift/drift"
)

// What an outgoing topic carries.
const (
	Receipt = "receipt"
	Alert   = "alert"
	State   = "state"
	ask     = "site-check/ask"
	answer  = "site-check/answer"
)

// root begins every topic; v1 is the version of the names and payloads.
const root = "arcdrift/v1/"

// address is a topic taken apart: the machine it speaks for and what it says.
type address struct{ machine, what string }

// parse reads a topic and says whether it is one of ours, in or out.
func parse(topic string) (address, bool) {
	rest, ours := strings.CutPrefix(topic, root)
	machine, what, full := strings.Cut(rest, "/")
	return address{machine, what}, ours && full && machine != ""
}

// topic puts an address together.
func (a address) topic() string { return root + a.machine + "/" + a.what }

// with is another topic of the same machine.
func (a address) with(what string) string { return address{a.machine, what}.topic() }

// record says which type of record the topic takes, if it takes any.
func (a address) record() (drift.Type, bool) {
	t := drift.Type(a.what)
	return t, slices.Contains(drift.Types(), t)
}

// incoming says whether senders may publish there.
func (a address) incoming() bool {
	_, record := a.record()
	return record || a.what == ask
}

// outgoing says whether only the agent publishes there.
func (a address) outgoing() bool {
	return slices.Contains([]string{Receipt, Alert, State, answer}, a.what)
}

// speaksFor is the machine in whose name the topic stands, "" for none.
func speaksFor(topic string) string {
	rest, ours := strings.CutPrefix(topic, root)
	machine, _, _ := strings.Cut(rest, "/")
	if !ours {
		return ""
	}
	return machine
}

// misdirected says that nothing is taken on the topic, and on which the sender may
// have meant to publish.
func misdirected(topic string) *drift.Problem {
	machine, what := speaksFor(topic), topic[strings.LastIndex(topic, "/")+1:]
	if rest, under := strings.CutPrefix(topic, root+machine+"/"); under {
		what = rest
	}
	at := address{machine, what}
	p := &drift.Problem{Field: "topic", Value: topic[:min(len(topic), maxTopic)], Reason: "is none that the agent takes anything on"}
	if machine == "" {
		at.machine = "MACHINE"
	} else if at.outgoing() {
		p.Reason = "is one on which only the agent publishes"
	}
	var known []string
	for _, t := range drift.Types() {
		known = append(known, string(t))
	}
	if near := drift.NearestOf(what, append(known, ask)); near != "" {
		p.Reason += "; the nearest is " + at.with(near)
	} else {
		p.Reason += "; records go to " + at.with(strings.Join(known, ", ")) + " or a question to " + at.with(ask)
	}
	return p
}

// maxTopic is how much of a topic that is none of ours is kept.
const maxTopic = 512

// everything is the subscription that brings in all that senders publish, and what
// they meant to: also the agent's own answers, which it passes over.
const everything = root + "+/#"
