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
func headline(rule RuleName, about subject) string {
	switch {
	case about.machine != nil:
		return about.name + " " + demand(rule, about.machine, about.zone)
	case about.source != nil:
		return fmt.Sprintf("Nothing has come in by %s since %s", about.name, moment(about.source.Last, about.zone))
	default:
		return fmt.Sprintf("Messages by %s reach nobody; %d wait", about.name, about.channel.Waiting)
	}
}

// requiresOpening says whether somebody is sent to the electrodes.
func requiresOpening(rule Rule, about subject) bool {
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
	ends := clears(rule, about)
	return Message{
		Title: title,
		Short: fit(part{c.What + ".", 0, true}, part{why, 2, true}, part{ends, 1, false}),
		Body:  paragraphs(c.What+".", why, ends, s.help(rule.Name)),
	}
}

// machineText is the alert of a machine, mostly for the bench to answer. What is
// to be done stands in the title, and the body goes on from there with the
// assessment's own reasons: what clears it is theirs too, and said once.
func (s *step) machineText(c Case, rule Rule, about subject) Message {
	m := about.machine
	why := shortWhy(m)
	var spare, caution, cautions string
	if rule.Name == MachineSilent {
		// Whoever asks where it is needs no pair.
		why = "Ask where it is; calibrate before the next splice."
	} else if m.Spare != "" {
		spare = "Spare: " + m.Spare + "."
	}
	if c.RequiresOpening {
		caution, cautions = shortCaution, advise.CautionText()
	}
	reply, answer := "Then log worn/dirty/fine.", logIt
	if !rule.Bench {
		reply, answer = "", ""
	}
	ends := "Ends: " + m.ClearsShort() + "."
	reasons := slices.DeleteFunc(slices.Clone(m.Reasons), func(r string) bool { return r == m.Clears() })
	return Message{
		Title: c.What,
		Short: fit(part{c.What + ".", 0, true}, part{why, 3, true}, part{spare, 4, true},
			part{caution, 1, false}, part{ends, 2, false}, part{reply, 5, false}),
		Body: paragraphs(listed("Why", reasons), spare, clears(rule, about),
			answer,
			"Seen "+moment(s.now, about.zone)+".", s.page(m.Machine), s.help(rule.Name), cautions),
	}
}

// shortWhy is the reason in a few words: the fails that stand and the arcs to
// plan on, or the first of the assessment's own.
func shortWhy(m *Machine) string {
	var why []string
	if n := m.Streak.Attempts; n > 0 {
		why = append(why, fmt.Sprintf("%d fails", n))
	}
	if q := m.Electrode.ToFailure; q != nil && (m.State != advise.Stop || m.Streak.Attempts == 0) {
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
func demand(rule RuleName, m *Machine, zone *time.Location) string {
	work := map[advise.Action]string{
		advise.Clean: "clean electrodes", advise.Replace: "replace electrode pair", advise.Inspect: "look at electrodes",
	}[m.Electrode.Action]
	switch rule {
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
		if m.Due.Binds() && m.Streak.Attempts == 0 {
			return "calibrate before splicing (" + m.Due.Phrase() + ")"
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

// clears says what clears a case: of a machine what the assessment says, unless the
// state has changed already.
func clears(rule Rule, about subject) string {
	switch {
	case about.source != nil:
		return "Clears when records have come in for " + span(rule.Clear) + "."
	case about.channel != nil:
		return "Clears when it has worked for " + span(rule.Clear) + "."
	case about.now == gone:
		return fmt.Sprintf("The state is now %s; this ends when it has been so for %s.", spaced(about.machine.State), span(rule.Clear))
	}
	return about.machine.Clears()
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
	ends := fmt.Sprintf("This ends the alert of %s.", moment(c.SentAt, about.zone))
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
func (s *step) listText(v View) (Message, bool) {
	fleet := len(v.Machines)
	var fresh, old, names, tally []string
	counts := map[RuleName]int{}
	hands := false
	for i := range s.cases {
		c := &s.cases[i]
		if c.Phase != Open {
			continue
		}
		counts[c.Rule]++
		hands = hands || c.RequiresOpening
		line := strings.TrimSpace(fmt.Sprintf("%s. Since %s%s. %s", c.What, moment(c.Opened, s.Zone), s.remark(c), c.Clears))
		if c.Listed {
			old = append(old, line)
			continue
		}
		fresh = append(fresh, line)
		if !slices.Contains(names, c.Subject) {
			names = append(names, c.Subject)
		}
	}
	if len(fresh)+len(old) == 0 && s.quiet() == "" {
		return Message{}, false
	}
	for _, r := range Rules() {
		if n := counts[r.Name]; n > 0 {
			tally = append(tally, fmt.Sprintf("%d %s", n, said(r.Name)))
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
		Body:  paragraphs(listed("New", fresh), listed("Still open", old), s.quiet(), s.first(v), cautions),
	}, true
}

// quiet says which rules have silenced themselves.
func (s *step) quiet() string {
	var lines []string
	for _, one := range s.Withheld() {
		lines = append(lines, one.String())
	}
	return strings.Join(lines, "\n")
}

// first counts the machines whose check of the day is before them.
func (s *step) first(v View) string {
	n := 0
	for i := range v.Machines {
		if d := v.Machines[i].Due; d != nil && !d.Binds() {
			n++
		}
	}
	switch n {
	case 0:
		return ""
	case 1:
		return "1 more machine has its check of the day before it: before its first splice."
	}
	return fmt.Sprintf("%d more machines have their check of the day before them: before their first splice.", n)
}

// remark says why a case is quiet.
func (s *step) remark(c *Case) string {
	switch {
	case c.Acknowledged != nil:
		return "; taken on by " + c.Acknowledged.By
	case c.Silence != nil:
		return fmt.Sprintf("; quiet until %s: %s", moment(c.Silence.Until, s.Zone), c.Silence.Reason)
	case s.rules[c.Rule].Severity != Note && !s.sends(s.rules[c.Rule]):
		return "; not sent, this rule is not known to be right 8 times in 10 here"
	}
	return ""
}

func said(m RuleName) string {
	return map[RuleName]string{
		MustStop: "stop", ElectrodesDue: "electrodes due", CheckFirst: "check first",
		MachineSilent: "silent", SourceSilent: "door silent", ChannelDead: "channel dead",
	}[m]
}

func listed(title string, lines []string) string {
	if len(lines) == 0 {
		return ""
	}
	return title + "\n- " + strings.Join(lines, "\n- ")
}

func (p *Policy) page(machine string) string {
	if p.Page == "" {
		return ""
	}
	return strings.TrimRight(p.Page, "/") + "/machines/" + url.PathEscape(machine)
}

// help is where the manual says what an alert of the rule means and what to do.
func (p *Policy) help(rule RuleName) string {
	if p.Page == "" {
		return ""
	}
	return "What it means and what to do: " + strings.TrimRight(p.Page, "/") + "/help/alerts#" + string(rule)
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
