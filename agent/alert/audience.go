package alert

import (
	"maps"
	"slices"
	"strings"
)

// Audience names, by channel, the customers about whose machines the channel is informed. A
// channel that is not there is informed about everything, the agent itself included.
type Audience map[string][]string

// Hears says whether the channel is informed about the machine; nil is the agent itself.
func (a Audience) Hears(channel string, m *Machine) bool {
	customers, limited := a[channel]
	return !limited || m != nil && slices.Contains(customers, m.Customer)
}

// receivers are those of the channels that are informed about a subject.
func (p *Policy) receivers(channels []string, about subject) []string {
	return slices.DeleteFunc(slices.Clone(channels), func(name string) bool { return !p.Audience.Hears(name, about.machine) })
}

// morningLists are the lists of one morning: one for the channels that are informed about
// everything, and one for each group of customers that some channel is limited to.
func (s *step) morningLists(id string, v View) (out []Action) {
	byCustomers := map[string][]string{}
	for _, name := range s.To[Note] {
		key := strings.Join(slices.Sorted(slices.Values(s.Audience[name])), "\x00")
		byCustomers[key] = append(byCustomers[key], name)
	}
	for _, key := range slices.Sorted(maps.Keys(byCustomers)) {
		to := byCustomers[key]
		part, cases, id := v, s.cases, id
		if key != "" {
			part, cases = s.heard(to[0], v)
			id += "/" + strings.Join(strings.Split(key, "\x00"), ", ")
		}
		if text, any := s.listText(part, cases); any {
			out = append(out, Action{Key: id, Case: id, Kind: List, Severity: Note, At: s.now, To: to, Message: text})
		}
	}
	return out
}

// heard is what a limited channel is informed about.
func (s *step) heard(channel string, v View) (View, []Case) {
	var part View
	machines := map[string]bool{}
	for i := range v.Machines {
		if s.Audience.Hears(channel, &v.Machines[i]) {
			part.Machines = append(part.Machines, v.Machines[i])
			machines[v.Machines[i].Machine] = true
		}
	}
	return part, slices.DeleteFunc(slices.Clone(s.cases), func(c Case) bool { return !c.Rule.OfMachine() || !machines[c.Subject] })
}
