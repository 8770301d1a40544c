package alert

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// shortCaution is as much of them as a short message has room for.
const shortCaution = "Unplug first."

// logIt is what to answer.
const logIt = "After the work, log the service with what you found: worn, dirty, fine, cleaver or other. This closes the case and shows whether the alert was right."

// headline is what is wrong or to be done, one sentence without its full stop.
func headline(rule RuleName, about subject, now time.Time) string {
	switch {
	case about.machine != nil:
		return about.name + ": " + demand(rule, about, now)
	case about.source != nil:
		return fmt.Sprintf("No data from %s since %s", about.name, moment(about.source.Last, about.zone))
	default:
		return fmt.Sprintf("Channel %s delivers nothing, %s waiting", about.name, phrase.Count(about.channel.Waiting, "message"))
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
	title, why := "Source silent: "+about.name, "Check the network and the broker. Until data arrives, no state is up to date."
	if about.channel != nil {
		title, why = "Channel failing: "+about.name, about.channel.Why
	}
	ends := clears(rule, about)
	return Message{
		Title: title,
		Short: fit(part{c.What + ".", 0, true}, part{why, 2, true}, part{ends, 1, false}),
		Body:  paragraphs(c.What+".", why, ends, s.help(rule.Name)),
	}
}

// machineText is the alert of a machine, mostly for the bench to answer. What is
// to be done is in the title, and the body goes on from there with the
// assessment's own reasons: what clears it is among them, and stated once.
func (s *step) machineText(c Case, rule Rule, about subject) Message {
	m := about.machine
	why := shortWhy(m)
	var spare, caution, cautions string
	if rule.Name == MachineSilent {
		// Whoever asks where it is needs no pair.
		why = m.NextStep(s.now)
	} else if m.Spare != "" {
		spare = "Spare: " + m.Spare + "."
	}
	if c.RequiresOpening {
		caution, cautions = shortCaution, advise.CautionText()
	}
	reply, answer := "Log the finding.", logIt
	if !rule.Bench {
		reply, answer = "", ""
	}
	ends := m.ClearsShort()
	reasons := slices.DeleteFunc(slices.Clone(m.Reasons), func(r string) bool { return r == m.Clears() })
	return Message{
		Title: c.What,
		Short: fit(part{shortTitle(c.What+".", caution, ends), 0, true}, part{why, 3, true}, part{spare, 4, true},
			part{caution, 1, false}, part{ends, 2, false}, part{reply, 5, false}),
		Body: paragraphs(listed("Why", reasons), spare, clears(rule, about),
			answer,
			"Assessed "+moment(s.now, about.zone)+".", s.page(m.Machine), s.help(rule.Name), cautions),
	}
}

// shortTitle is the title as far as the others leave it room in a short message. With
// a long name it goes without what STOP says already, then without its end.
func shortTitle(title string, others ...string) string {
	space := room
	for _, other := range others {
		if other != "" {
			space -= utf8.RuneCountInString(other) + 1
		}
	}
	if utf8.RuneCountInString(title) > space {
		title = strings.Replace(title, "STOP. Do not use this machine.", "STOP.", 1)
	}
	return cut(plain(title), space)
}

// shortWhy is the reason in a few words: the failed attempts of the streak and the
// arcs to plan on, or the first of the assessment's own.
func shortWhy(m *Machine) string {
	var why []string
	if n := m.Streak.Attempts; n > 0 {
		why = append(why, phrase.Count(n, "failed attempt"))
	}
	if q := m.Electrode.ToFailure; q != nil && (m.State != advise.Stop || m.Streak.Attempts == 0) {
		why = append(why, "plan on "+phrase.About(q.P10)+" arcs")
	}
	if len(why) == 0 && len(m.Reasons) > 0 {
		return m.Reasons[0]
	}
	text := strings.Join(why, ", ")
	if text == "" {
		return ""
	}
	return phrase.Sentence(text) + "."
}

// demand is what is asked of people and by when, without the machine's name and the
// full stop: the assessment's own words.
func demand(rule RuleName, about subject, now time.Time) string {
	m := about.machine
	words := ""
	switch rule {
	case MustStop:
		words = "STOP. " + m.NextStep(now)
	case ElectrodesDue:
		words = m.BenchStep(now)
	case CheckFirst:
		words = m.CrewStep()
		if m.Due.Binds() && m.Streak.Attempts == 0 {
			return strings.TrimSuffix(words, ".") + " (" + m.Due.Phrase() + ")"
		}
	default:
		words = "No record yet."
		if last, ok := m.Data.Last.Get(); ok {
			words = "No record since " + moment(last, about.zone) + "."
		}
	}
	return strings.TrimSuffix(words, ".")
}

// clears says what clears a case: of a machine what the assessment says, unless the
// state has changed already.
func clears(rule Rule, about subject) string {
	switch {
	case about.source != nil:
		return "Clears when data has arrived for " + phrase.Span(rule.Clear) + "."
	case about.channel != nil:
		return "Clears when the channel has worked for " + phrase.Span(rule.Clear) + "."
	case about.now == gone:
		return fmt.Sprintf("The state is now %s. The alert ends when this has lasted %s.", phrase.Code(about.machine.State), phrase.Span(rule.Clear))
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
		what = fmt.Sprintf("The bench %s the pair on %s%s. Calibrate before the next splice.", about.service.Action,
			moment(about.service.Time, about.zone), found(about.service.Finding))
	default:
		what = fmt.Sprintf("The state is now %s.", phrase.Code(about.machine.State))
	}
	ends := fmt.Sprintf("This ends the alert of %s.", moment(c.SentAt, about.zone))
	link := ""
	if about.machine != nil {
		link = s.page(subject)
	}
	title := "Cleared: " + subject
	return Message{Short: fit(part{title + ".", 0, true}, part{what, 1, true}, part{ends, 2, false}), Title: title, Body: paragraphs(what, ends, link)}
}

func found(f drift.Finding) string {
	if f == "" {
		return ""
	}
	return ", found " + string(f)
}

// listText is the morning list of the open ones of the cases, new ones first. It reports
// whether there is any.
func (s *step) listText(v View, cases []Case) (Message, bool) {
	fleet := len(v.Machines)
	var fresh, old, names, tally []string
	counts := map[RuleName]int{}
	hands := false
	for i := range cases {
		c := &cases[i]
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
	if len(fresh)+len(old) == 0 && s.withheld() == "" {
		return Message{}, false
	}
	for _, r := range Rules() {
		if n := counts[r.Name]; n > 0 {
			tally = append(tally, fmt.Sprintf("%d %s", n, r.Name.short()))
		}
	}
	sum := phrase.Count(fleet, "machine") + ": " + strings.Join(tally, ", ")
	short := ""
	if len(names) > 0 {
		short = "New: " + strings.Join(names, ", ") + "."
	}
	cautions := ""
	if hands {
		cautions = advise.CautionText()
	}
	return Message{
		Title: "Morning list. " + sum,
		Short: fit(part{sum + ".", 0, true}, part{short, 1, true}),
		Body:  paragraphs(listed("New", fresh), listed("Still open", old), s.withheld(), s.first(v), cautions),
	}, true
}

// withheld says which rules are not sent.
func (s *step) withheld() string {
	var lines []string
	for _, one := range s.Withheld() {
		lines = append(lines, one.String())
	}
	return strings.Join(lines, "\n")
}

// first counts the machines that must be calibrated before their first splice.
func (s *step) first(v View) string {
	n := 0
	for i := range v.Machines {
		if d := v.Machines[i].Due; d != nil && !d.Binds() {
			n++
		}
	}
	if n == 0 {
		return ""
	}
	return phrase.Count(n, "more machine") + " must be calibrated before the first splice."
}

// remark says why nothing is sent of a case.
func (s *step) remark(c *Case) string {
	switch {
	case c.Acknowledged != nil:
		return "; acknowledged by " + c.Acknowledged.By
	case c.Silence != nil:
		return fmt.Sprintf("; silenced until %s: %s", moment(c.Silence.Until, s.Zone), c.Silence.Reason)
	case s.rules[c.Rule].Severity != Note && !s.sends(s.rules[c.Rule]):
		return "; not sent: this rule is not expected to be right 8 times in 10 here"
	}
	return ""
}

// Word names a rule for people.
func (r RuleName) Word() string {
	return map[RuleName]string{
		MustStop: "Stop", ElectrodesDue: "Service soon", CheckFirst: "Check first",
		MachineSilent: "Machine silent", SourceSilent: "Source silent", ChannelDead: "Channel failing",
	}[r]
}

// short is the word beside a number of cases.
func (r RuleName) short() string {
	switch r {
	case ElectrodesDue:
		return "electrodes due"
	case MachineSilent:
		return "silent"
	}
	return strings.ToLower(r.Word())
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
	return phrase.Moment(t.In(zone))
}

// paragraphs joins what is not empty with a blank line between.
func paragraphs(parts ...string) string {
	parts = slices.DeleteFunc(parts, func(s string) bool { return s == "" })
	return strings.Join(parts, "\n\n")
}
