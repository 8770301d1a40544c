package alert

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// condition says whether the condition of a rule is met. Unknown leaves a case as it
// is: a machine that must stop may still have worn electrodes, and a silent one may
// still have every earlier fault.
type condition int

const (
	gone condition = iota
	met
	unknown
)

// subject is what a case may be about, with the condition of one rule.
type subject struct {
	name    string
	rule    RuleName
	now     condition
	service Service
	zone    *time.Location
	// one of these is set
	machine *Machine
	source  *Source
	channel *Channel
}

// step is one run of the state machine.
type step struct {
	*Policy
	now      time.Time
	rules    map[RuleName]Rule
	cases    []Case
	actions  []Action
	dues     []electrodeAlert
	outcomes []Outcome
}

// Step makes the next state and what is to be done, without touching s or v.
// Called again with the state it returned and nothing new, it does nothing.
func (p *Policy) Step(s State, v View, now time.Time) (State, []Action, []Outcome) {
	st := p.begin(now)
	s = p.bound(s, now)
	before := make(map[[2]string]Case, len(s.Cases))
	for _, c := range s.Cases {
		before[c.key()] = c
	}
	for _, about := range p.subjects(v, now) {
		at := [2]string{about.name, string(about.rule)}
		c, known := before[at]
		delete(before, at)
		st.advance(c, known, about)
	}
	for _, c := range before {
		if c.Phase == Open {
			st.end(c, LeftBehind, Service{})
		}
	}
	st.unannounced(s.Cases, v)
	st.group()
	st.sort()
	next := State{Cases: st.cases, NextList: st.list(s.NextList, v)}
	return next, st.actions, st.outcomes
}

func (p *Policy) begin(now time.Time) step {
	st := step{Policy: p, now: now, rules: map[RuleName]Rule{}}
	for _, r := range Rules() {
		if hold, set := p.Hold[r.Name]; set {
			r.Hold = hold
		}
		st.rules[r.Name] = r
	}
	return st
}

func (c *Case) key() [2]string { return [2]string{c.Subject, string(c.Rule)} }

// sort puts everything into an order that does not hang on that of a map.
func (s *step) sort() {
	slices.SortFunc(s.cases, func(a, b Case) int {
		return cmp.Or(cmp.Compare(a.Subject, b.Subject), cmp.Compare(a.Rule, b.Rule))
	})
	slices.SortFunc(s.outcomes, func(a, b Outcome) int {
		return cmp.Or(cmp.Compare(a.Subject, b.Subject), cmp.Compare(a.Rule, b.Rule))
	})
}

// subjects lists every condition and whether it is met.
func (p *Policy) subjects(v View, now time.Time) []subject {
	var out []subject
	for i := range v.Machines {
		m := &v.Machines[i]
		zone := m.Zone
		if zone == nil {
			zone = p.Zone
		}
		for _, rule := range []RuleName{MustStop, ElectrodesDue, CheckFirst, MachineSilent} {
			out = append(out, subject{
				name: m.Machine, rule: rule, now: ofState(rule, m.Assessment),
				service: m.Service, zone: zone, machine: m,
			})
		}
	}
	for i := range v.Sources {
		d := &v.Sources[i]
		out = append(out, subject{name: d.Name, rule: SourceSilent, now: when(now.Sub(d.Last) > d.Limit), zone: p.Zone, source: d})
	}
	for i := range v.Channels {
		c := &v.Channels[i]
		out = append(out, subject{name: c.Name, rule: ChannelDead, now: when(c.Dead), zone: p.Zone, channel: c})
	}
	return out
}

func when(b bool) condition {
	if b {
		return met
	}
	return gone
}

// ofState reads a machine's verdict: a worse state leaves the milder rules
// unknown.
func ofState(rule RuleName, a *advise.Assessment) condition {
	state := a.State
	switch {
	case rule == MachineSilent:
		return when(state == advise.NoData)
	case rule == MustStop && state == advise.Stop,
		rule == ElectrodesDue && (state == advise.ServiceSoon || a.ServiceDue()),
		rule == CheckFirst && state == advise.CheckFirst:
		return met
	case state == advise.NoData,
		state == advise.Stop,
		rule == ElectrodesDue && state == advise.CheckFirst:
		return unknown
	default:
		return gone
	}
}

// advance moves one case on and keeps what is left of it.
func (s *step) advance(c Case, known bool, about subject) {
	rule := s.rules[about.rule]
	if known && rule.Bench && about.service.Time.After(c.Service) {
		c, known = s.serviced(c, about)
	}
	if known && c.Phase == Resting && (about.now == gone || s.now.Sub(c.Answered) >= rule.Rest) {
		known = false
	}
	if !known {
		if about.now != met {
			return
		}
		c = Case{Subject: about.name, Rule: about.rule, Phase: Pending, Since: s.now, Service: about.service.Time}
	}
	if c.Phase == Pending {
		if about.now == gone {
			return
		}
		if about.now == met && s.now.Sub(c.Since) >= rule.Hold {
			c.Phase, c.Opened, c.Due = Open, s.now, s.due(c.Since, rule, about)
		}
	}
	if c.Phase == Open {
		c.SentTo = s.receivers(c.SentTo, about) // the machine may have come to another customer
		if s.ended(&c, rule, about) {
			return
		}
		if about.now == met {
			c.What, c.RequiresOpening, c.Clears = headline(c.Rule, about, s.now), requiresOpening(rule, about), clears(rule, about)
		}
		s.send(&c, rule, about)
	}
	s.cases = append(s.cases, c)
}

// serviced ends an open case by what the bench logged. A new pair starts from
// nothing; after anything else the rule rests.
func (s *step) serviced(c Case, about subject) (Case, bool) {
	if c.Phase == Open {
		s.end(c, ByService, about.service)
		s.clear(c, about)
	}
	if c.Phase == Pending || about.service.Action == drift.Replaced {
		return Case{}, false
	}
	return Case{
		Subject: c.Subject, Rule: c.Rule, Phase: Resting,
		Since: c.Since, Answered: s.now, Service: about.service.Time,
	}, true
}

// ended reports whether the condition has been gone for long enough.
func (s *step) ended(c *Case, rule Rule, about subject) bool {
	switch about.now {
	case met:
		c.Gone = time.Time{}
	case gone:
		if c.Gone.IsZero() {
			c.Gone = s.now
		}
		if s.now.Sub(c.Gone) >= rule.Clear {
			s.end(*c, ByItself, Service{})
			s.clear(*c, about)
			return true
		}
	}
	return false
}

func (s *step) end(c Case, how End, by Service) {
	s.outcomes = append(s.outcomes, Outcome{
		Subject: c.Subject, Rule: c.Rule, Opened: c.Opened, SentAt: c.SentAt, Ended: s.now,
		End: how, Service: by.Time, Action: by.Action, Finding: by.Finding,
	})
}

// unannounced keeps what the bench has just found worn or dirty at machines that
// had no case for it, open or answered a short while ago.
func (s *step) unannounced(before []Case, v View) {
	cased := map[string]bool{}
	for _, c := range before {
		cased[c.Subject] = cased[c.Subject] || s.rules[c.Rule].Bench && c.Phase != Pending
	}
	for i := range v.Machines {
		m := &v.Machines[i]
		worn := m.Service.Finding == drift.Worn || m.Service.Finding == drift.Dirty
		if !m.Service.Fresh || !worn || cased[m.Machine] {
			continue
		}
		s.outcomes = append(s.outcomes, Outcome{
			Subject: m.Machine, Rule: ElectrodesDue, Ended: s.now, End: Unannounced,
			Service: m.Service.Time, Action: m.Service.Action, Finding: m.Service.Finding,
		})
	}
}

// due is when the message of a case may leave whose condition has stood since a
// moment: for a plan the next working morning, by now if it passed in the hold
// time. What must be done on a day before that morning cannot wait for it.
func (s *step) due(since time.Time, rule Rule, about subject) time.Time {
	switch rule.Severity {
	case Stop:
		return s.now
	case Plan:
		morning := s.morning(since, about.zone)
		if about.machine == nil {
			return morning
		}
		by, err := time.ParseInLocation(time.DateOnly, about.machine.Electrode.ActBy.Or(""), about.zone)
		if day := by.AddDate(0, 0, 1); err == nil && !day.After(morning) {
			return s.now
		}
		return morning
	default:
		return time.Time{}
	}
}

// sends says whether the rule may leave the morning list.
func (p *Policy) sends(rule Rule) bool {
	return rule.Severity != Note && (!rule.Judged || p.Right[rule.Name] >= RightEnough)
}

// send sends the alert of an open case whose time has come.
func (s *step) send(c *Case, rule Rule, about subject) {
	if c.Silence != nil {
		if s.now.Before(c.Silence.Until) {
			return
		}
		c.Silence, c.Again = nil, !c.SentAt.IsZero()
	}
	if about.now != met || !c.SentAt.IsZero() && !c.Again || c.Acknowledged != nil || !s.sends(rule) || s.now.Before(c.Due) {
		return
	}
	to := s.receivers(s.To[rule.Severity], about)
	if about.channel != nil {
		// A dead channel cannot report itself.
		to = slices.DeleteFunc(to, func(name string) bool { return name == about.name })
	}
	if len(to) == 0 {
		return
	}
	c.SentTo = to
	if c.Again {
		c.Again = false
		c.Round++
	} else {
		c.SentAt = s.now
		if about.machine != nil {
			c.Depot = about.machine.Depot
		}
	}
	if c.Rule == ElectrodesDue {
		s.dues = append(s.dues, electrodeAlert{len(s.actions), c.What, c.Depot, about.machine})
	}
	s.actions = append(s.actions, s.action(*c, Alert, fmt.Sprintf("alert-%d", c.Round), s.alertText(*c, rule, about)))
}

// clear sends the note of the end to those who got the alert, once.
func (s *step) clear(c Case, about subject) {
	if c.SentTo = s.receivers(c.SentTo, about); len(c.SentTo) > 0 {
		s.actions = append(s.actions, s.action(c, Cleared, "cleared", s.clearedText(c, about)))
	}
}

func (s *step) action(c Case, kind Kind, event string, text Message) Action {
	id := c.ID()
	return Action{
		Key: id + "/" + event, Case: id, Kind: kind, Severity: s.rules[c.Rule].Severity, Rule: c.Rule, Subject: c.Subject,
		Depot: c.Depot, Opened: c.Opened, At: s.now, To: slices.Clone(c.SentTo), Message: text,
	}
}

// ID names the case for ever: subject, rule and when it opened.
func (c *Case) ID() string {
	return fmt.Sprintf("%s/%s/%s", c.Rule, c.Subject, c.Opened.UTC().Format("20060102T150405.000Z"))
}

// list makes the morning list when it is due and returns when the next one is.
// The first is due on the first working morning after the beginning.
func (s *step) list(due time.Time, v View) time.Time {
	if due.IsZero() {
		due = s.morning(s.now, s.Zone)
	}
	if s.now.Before(due) {
		return due
	}
	if lists := s.morningLists("list/"+due.In(s.Zone).Format(time.DateOnly), v); len(lists) > 0 {
		s.actions = append(s.actions, lists...)
		for i := range s.cases {
			s.cases[i].Listed = s.cases[i].Listed || s.cases[i].Phase == Open
		}
	}
	return s.morning(s.now.Add(time.Second), s.Zone)
}

// morning is the first start of a working day at or after t, in the zone.
func (p *Policy) morning(t time.Time, zone *time.Location) time.Time {
	local := t.In(zone)
	hour, minute := int(p.Morning/time.Hour), int(p.Morning%time.Hour/time.Minute)
	for day := 0; day <= 7; day++ {
		at := time.Date(local.Year(), local.Month(), local.Day()+day, hour, minute, 0, 0, zone)
		if p.WorkDays[at.Weekday()] && !at.Before(t) {
			return at
		}
	}
	return t // no working days: every moment is one
}
