package alert

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// shortCaution is as much of them as a short message has room for.
const shortCaution = "Unplug first."

// logIt is what to answer.
const logIt = "When it is done, log the service with what you found: worn, dirty, fine, cleaver or other. That closes the case and tells whether it was right."

// headline is what is wrong or to be done, one sentence without its full stop.
func headline(matter Matter, about subject) string {
	switch {
	case about.machine != nil:
		return about.name + " " + demand(matter, about.machine, about.zone)
	case about.door != nil:
		return fmt.Sprintf("Nothing has come in by %s since %s", about.name, moment(about.door.Last, about.zone))
	default:
		return fmt.Sprintf("Messages by %s reach nobody; %d wait", about.name, about.channel.Waiting)
	}
}

// touches says whether somebody is sent to the electrodes.
func touches(rule Rule, about subject) bool {
	return rule.Bench && about.machine.Electrode.Action != advise.None
}

// alertText says what, by when, why, where the spare is, what would clear it and
// what to answer.
func (s *step) alertText(c Case, rule Rule, about subject) Message {
	if about.machine != nil {
		return s.machineText(c, rule, about)
	}
	title, why := "Door silent: "+about.name, "Look at the network and the broker; until then no state is to be trusted."
	if about.channel != nil {
		title, why = "Channel dead: "+about.name, about.channel.Why
	}
	clears := "Clears " + exit(rule) + "."
	return Message{
		Title: title,
		Short: fit(part{c.What + ".", 0, true}, part{why, 2, true}, part{clears, 1, false}),
		Body:  paragraphs(c.What+".", why, clears),
	}
}

// machineText is the alert of a machine, mostly for the bench to answer. What is
// to be done stands in the title, and the body goes on from there.
func (s *step) machineText(c Case, rule Rule, about subject) Message {
	m := about.machine
	why, left := shortWhy(m), arcsLeft(&m.Electrode)
	var spare, caution, cautions string
	if rule.Matter == MachineSilent {
		// Whoever asks where it is needs no pair.
		why, left = "Ask where it is; calibrate before the next splice.", ""
	} else if m.Spare != "" {
		spare = "Spare: " + m.Spare + "."
	}
	if c.Touches {
		caution, cautions = shortCaution, advise.CautionText()
	}
	ends, reply, answer := "Ends: service or "+span(rule.Clear)+" good.", "Then log worn/dirty/fine.", logIt
	if !rule.Bench {
		ends, reply, answer = "Ends "+exit(rule)+".", "", ""
	}
	return Message{
		Title: c.What,
		Short: fit(part{c.What + ".", 0, true}, part{why, 3, true}, part{spare, 4, true},
			part{caution, 1, false}, part{ends, 2, false}, part{reply, 5, false}),
		Body: paragraphs(listed("Why", m.Reasons), left, spare, "Clears "+exit(rule)+".",
			answer,
			"Seen "+moment(s.now, about.zone)+".", s.page(m.Machine), cautions),
	}
}

// shortWhy is the reason in a few words: the fails that stand and the arcs to
// plan on, or the first of the assessment's own.
func shortWhy(m *Machine) string {
	var why []string
	if n := m.Streak.Attempts; n > 0 {
		why = append(why, fmt.Sprintf("%d fails", n))
	}
	if q := m.Electrode.ToFailure; q != nil {
		why = append(why, fmt.Sprintf("plan on %.0f arcs", q.P10))
	}
	if len(why) == 0 && len(m.Reasons) > 0 {
		return m.Reasons[0]
	}
	text := strings.Join(why, ", ")
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

// demand is what is asked of people and by when, without the machine's name.
func demand(matter Matter, m *Machine, zone *time.Location) string {
	work := map[advise.Action]string{
		advise.Clean: "clean electrodes", advise.Replace: "replace electrode pair", advise.Inspect: "look at electrodes",
	}[m.Electrode.Action]
	switch matter {
	case MustStop:
		if work != "" {
			return "STOP, do not splice: " + work
		}
		return "STOP, do not splice"
	case ElectrodesDue:
		if work == "" {
			work = "service electrodes"
		}
		return work + " " + byWhen(m.Electrode.ActBy)
	case CheckFirst:
		if m.Streak.EndsFirst() {
			return "try another cleaver, calibrate before splicing"
		}
		return "calibrate before splicing"
	default:
		return "has told nothing" + sinceLast(m, zone)
	}
}

func sinceLast(m *Machine, zone *time.Location) string {
	if last, ok := m.Data.Last.Get(); ok {
		return " since " + moment(last, zone)
	}
	return " yet"
}

// byWhen says a date as people do; the date is already the machine's own.
func byWhen(date drift.Opt[string]) string {
	d, err := time.Parse(time.DateOnly, date.Or(""))
	if err != nil {
		return "soon"
	}
	return "by " + d.Format("Mon 2 Jan")
}

// exit is the rule by which a case ends.
func exit(rule Rule) string {
	switch rule.Matter {
	case DoorSilent:
		return "when records have come in for " + span(rule.Clear)
	case ChannelDead:
		return "when it has worked for " + span(rule.Clear)
	case CheckFirst:
		return "after a calibration that passes"
	case MachineSilent:
		return "with its next calibration"
	}
	state := map[Matter]advise.State{MustStop: advise.Stop, ElectrodesDue: advise.ServiceSoon}[rule.Matter]
	return fmt.Sprintf("when a service is logged, or when the state has not been %s for %s", spaced(state), span(rule.Clear))
}

// clearedText is the one note that a case has ended.
func (s *step) clearedText(c Case, about subject) Message {
	subject := c.Subject
	var what string
	switch {
	case about.machine == nil:
		what = "It works again."
	case about.service.Time.After(c.Service):
		what = fmt.Sprintf("The bench %s the pair %s%s. Calibrate before splicing.", about.service.Action,
			moment(about.service.Time, about.zone), found(about.service.Finding))
	default:
		what = fmt.Sprintf("The state is now %s.", spaced(about.machine.State))
	}
	ends := fmt.Sprintf("This ends the alert of %s.", moment(c.ToldAt, about.zone))
	link := ""
	if about.machine != nil {
		link = s.page(subject)
	}
	title := "Cleared: " + subject
	return Message{Short: fit(part{title + ".", 0, true}, part{what, 1, true}, part{ends, 2, false}), Title: title, Body: paragraphs(what, ends, link)}
}

// spaced is a state as people read it.
func spaced(state advise.State) string { return strings.ReplaceAll(string(state), "-", " ") }

func found(f drift.Finding) string {
	if f == "" {
		return ""
	}
	return ", found " + string(f)
}

// listText is the morning list of all open cases, new ones first. It reports
// whether there is any.
func (s *step) listText(fleet int) (Message, bool) {
	var fresh, old, names, tally []string
	counts := map[Matter]int{}
	hands := false
	for i := range s.cases {
		c := &s.cases[i]
		if c.Phase != Open {
			continue
		}
		counts[c.Matter]++
		hands = hands || c.Touches
		line := fmt.Sprintf("%s. Since %s; clears %s%s.", c.What, moment(c.Opened, s.Zone), exit(s.rules[c.Matter]), s.remark(c))
		if c.Listed {
			old = append(old, line)
			continue
		}
		fresh = append(fresh, line)
		if !slices.Contains(names, c.Subject) {
			names = append(names, c.Subject)
		}
	}
	if len(fresh)+len(old) == 0 {
		return Message{}, false
	}
	for _, r := range Rules() {
		if n := counts[r.Matter]; n > 0 {
			tally = append(tally, fmt.Sprintf("%d %s", n, said(r.Matter)))
		}
	}
	machines := "machines"
	if fleet == 1 {
		machines = "machine"
	}
	sum := fmt.Sprintf("%d %s: %s", fleet, machines, strings.Join(tally, ", "))
	short := ""
	if len(names) > 0 {
		short = "New: " + strings.Join(names, ", ") + "."
	}
	cautions := ""
	if hands {
		cautions = advise.CautionText()
	}
	return Message{
		Title: "Morning list, " + sum,
		Short: fit(part{sum + ".", 0, true}, part{short, 1, true}),
		Body:  paragraphs(listed("New", fresh), listed("Still open", old), cautions),
	}, true
}

// remark says why a case is quiet.
func (s *step) remark(c *Case) string {
	switch {
	case c.Taken != nil:
		return "; taken on by " + c.Taken.By
	case c.Quiet != nil:
		return fmt.Sprintf("; quiet until %s: %s", moment(c.Quiet.Until, s.Zone), c.Quiet.Reason)
	case s.rules[c.Matter].Class != Note && !s.sends(s.rules[c.Matter]):
		return "; not sent, this rule is not known to be right 8 times in 10 here"
	}
	return ""
}

func said(m Matter) string {
	return map[Matter]string{
		MustStop: "stop", ElectrodesDue: "electrodes due", CheckFirst: "check first",
		MachineSilent: "silent", DoorSilent: "door silent", ChannelDead: "channel dead",
	}[m]
}

func listed(title string, lines []string) string {
	if len(lines) == 0 {
		return ""
	}
	return title + "\n- " + strings.Join(lines, "\n- ")
}

// arcsLeft plans on the early end of the forecast.
func arcsLeft(e *advise.Electrode) string {
	if e.ToFailure == nil {
		return ""
	}
	text := fmt.Sprintf("Between %.0f and %.0f arcs left; plan on %.0f", e.ToFailure.P10, e.ToFailure.P90, e.ToFailure.P10)
	perDay := e.ArcsPerDay.Or(0)
	switch days := e.ToFailure.P10 / perDay; {
	case perDay <= 0:
	case days < 1:
		text += ", less than a day"
	default:
		text += ", about " + span(time.Duration(days*24)*time.Hour)
	}
	return text + "."
}

func (p *Policy) page(machine string) string {
	if p.Page == "" {
		return ""
	}
	return strings.TrimRight(p.Page, "/") + "/machines/" + url.PathEscape(machine)
}

// moment is a time on the wall at the place, with its zone.
func moment(t time.Time, zone *time.Location) string {
	return t.In(zone).Format("Mon 2 Jan 15:04 MST")
}

// span says a duration in the largest unit that fits it.
func span(d time.Duration) string {
	count := func(n int, unit string) string {
		if n == 1 {
			return "1 " + unit
		}
		return fmt.Sprintf("%d %ss", n, unit)
	}
	switch {
	case d >= 24*time.Hour:
		return count(int(d.Hours()/24), "day")
	case d >= time.Hour:
		return count(int(d.Hours()), "hour")
	default:
		return count(int(d.Minutes()), "minute")
	}
}

// paragraphs joins what is not empty with a blank line between.
func paragraphs(parts ...string) string {
	parts = slices.DeleteFunc(parts, func(s string) bool { return s == "" })
	return strings.Join(parts, "\n\n")
}
