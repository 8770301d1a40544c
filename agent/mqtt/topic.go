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

// filters are the subscriptions that bring in everything senders publish.
func filters() []string {
	every := address{machine: "+"}
	out := []string{every.with(ask)}
	for _, t := range drift.Types() {
		out = append(out, every.with(string(t)))
	}
	return out
}
