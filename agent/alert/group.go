package alert

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"arcdrift/drift/advise"
)

// electrodeAlert is an alert of electrodes that this step sends: the place of its action,
// and the machine.
type electrodeAlert struct {
	action int
	what   string
	depot  string
	about  *Machine
}

// group makes one message of all that are due at a depot at one moment,
// of one customer, for the channels that people read. Each case stays its own: it ends by itself,
// and is sent alone where machines read.
func (s *step) group() {
	type place struct{ depot, customer string }
	byPlace := map[place][]electrodeAlert{}
	for _, d := range s.dues {
		if at := (place{d.depot, d.about.Customer}); d.depot != "" {
			byPlace[at] = append(byPlace[at], d)
		}
	}
	places := slices.SortedFunc(maps.Keys(byPlace), func(a, b place) int {
		return cmp.Or(cmp.Compare(a.depot, b.depot), cmp.Compare(a.customer, b.customer))
	})
	for _, at := range places {
		if all := byPlace[at]; len(all) > 1 {
			s.together(at.depot, at.customer, all)
		}
	}
	s.actions = slices.DeleteFunc(s.actions, func(a Action) bool { return len(a.To) == 0 })
}

// together takes the alerts off the channels that get them as one.
func (s *step) together(depot, customer string, all []electrodeAlert) {
	slices.SortFunc(all, func(a, b electrodeAlert) int { return strings.Compare(a.about.Machine, b.about.Machine) })
	place := depot
	if customer != "" {
		place += " of " + customer
	}
	id := fmt.Sprintf("%s/depot %s/%s", ElectrodesDue, place, s.now.UTC().Format("20060102T150405.000Z"))
	one := Action{
		Key: id + "/alert", Case: id, Kind: Alert, Severity: s.rules[ElectrodesDue].Severity, Rule: ElectrodesDue,
		Depot: depot, Opened: s.now, At: s.now, Message: s.depotText(depot, all),
	}
	for _, d := range all {
		a := &s.actions[d.action]
		one.Cases = append(one.Cases, a.Case)
		for _, name := range a.To {
			if slices.Contains(s.Together, name) && !slices.Contains(one.To, name) {
				one.To = append(one.To, name)
			}
		}
		a.To = slices.DeleteFunc(a.To, func(name string) bool { return slices.Contains(s.Together, name) })
	}
	if len(one.To) > 0 {
		s.actions = append(s.actions, one)
	}
}

// depotText lists the machines, what each needs, and says once what holds for all.
func (s *step) depotText(depot string, all []electrodeAlert) Message {
	title := fmt.Sprintf("%s: %d machines to service", depot, len(all))
	var short, lines []string
	caution, cautions := "", ""
	for _, d := range all {
		short = append(short, d.what)
		line := d.what + "."
		if len(d.about.Reasons) > 0 {
			line += " " + d.about.Reasons[0]
		}
		if d.about.Spare != "" {
			line += " Spare: " + d.about.Spare + "."
		}
		if link := s.page(d.about.Machine); link != "" {
			line += " " + link
		}
		lines = append(lines, line)
		if d.about.Electrode.Action != advise.None {
			caution, cautions = shortCaution, advise.CautionText()
		}
	}
	return Message{
		Title: title,
		Short: fit(part{title + ":", 0, true}, part{strings.Join(short, "; ") + ".", 2, true}, part{caution, 1, false}, part{"Log each service.", 3, false}),
		Body: paragraphs(listed("Machines", lines), advise.ServiceClears, logIt,
			"Assessed "+moment(s.now, s.Zone)+".", cautions),
	}
}
