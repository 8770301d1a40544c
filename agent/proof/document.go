package proof

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"arcdrift/agent/proof/document"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// Document says the facts in words; fingerprint is that of the key that will sign.
func (f *Facts) Document(fingerprint string) *document.Document {
	d := &document.Document{
		Title:    "Proof of calibration: " + f.Question.String(),
		Subtitle: f.period() + ". As known on " + moment(f.KnownAt, time.UTC) + ".",
		Foot:     "Proof of calibration: " + f.Question.String() + ", key " + fingerprint,
	}
	add := func(blocks ...document.Block) { d.Blocks = append(d.Blocks, blocks...) }
	add(document.Heading{Text: "Summary"})
	add(f.summary()...)
	add(document.Heading{Text: "Machines"}, f.machinesTable())
	add(document.Heading{Text: "Splice days"}, document.Paragraph{Text: f.zones()}, f.daysTable())
	add(document.Heading{Text: "Doubt by splice day"})
	add(f.figures()...)
	add(document.Heading{Text: "Checks"}, document.Paragraph{Text: "A check is an arc calibration: two fibre ends are heated by the arc without joining them, and the machine measures how far they melt back. As found is the first attempt, before any correction. As left is the last."}, f.checksTable())
	add(document.Heading{Text: "Rules and gaps"})
	add(f.rules()...)
	add(document.Heading{Text: "Work on the electrodes"}, f.servicesTable())
	add(document.Heading{Text: "Look-back and decisions"})
	add(f.lookBack()...)
	add(document.Heading{Text: "Corrected records"}, f.correctionsTable())
	add(document.Heading{Text: "What limits this answer"}, document.Bullets{Items: f.limits()})
	add(document.Heading{Text: "Who made this and how to check it"})
	add(f.identity(fingerprint)...)
	return d
}

// moment is a time as people read it.
func moment(at time.Time, zone *time.Location) string { return phrase.Moment(at.In(zone)) }

// period is the time that the pack is about: of a job, its splice days.
func (f *Facts) period() string {
	first, last := "", ""
	for _, d := range f.spliceDays() {
		if first == "" || d.Day < first {
			first = d.Day
		}
		last = max(last, d.Day)
	}
	if f.Job == "" {
		zone := f.Machines[0].Zone
		return moment(f.From, zone) + " to " + moment(f.To, zone)
	}
	if first == last {
		return longDay(first)
	}
	return longDay(first) + " to " + longDay(last)
}

// zones says which zone the times in the tables are of.
func (f *Facts) zones() string {
	var zones []string
	for i := range f.Machines {
		note(&zones, f.Machines[i].Zone.String())
	}
	if len(zones) == 1 {
		return "All times in the tables are in the time zone " + zones[0] + "."
	}
	return "All times in the tables are in the time zone of the machine: " + phrase.Join(zones) + "."
}

func longDay(day string) string {
	at, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return at.Format("Mon ") + phrase.Date(at)
}

// spliceDays are the days of all machines, by day and machine.
func (f *Facts) spliceDays() []*Day {
	var out []*Day
	for i := range f.Machines {
		for j := range f.Machines[i].Days {
			out = append(out, &f.Machines[i].Days[j])
		}
	}
	slices.SortStableFunc(out, func(a, b *Day) int { return cmp.Compare(a.Day, b.Day) })
	return out
}

func (f *Facts) summary() []document.Block {
	splices, estimated, checked := 0, 0, 0
	days := map[string]bool{}
	all := f.spliceDays()
	for _, d := range all {
		splices += d.Splices
		days[d.Day] = true
		if !d.Counted {
			estimated += d.Splices
		}
		if d.CheckedThatDay(f.zone(d.Machine)) {
			checked++
		}
	}
	if splices == 0 {
		return []document.Block{document.Paragraph{Text: "No splice is on record for this time.", Strong: true}}
	}
	items := []string{fmt.Sprintf("%s made with %s on %s.", were(splices, "splice"), phrase.Count(len(f.Machines), "machine"), phrase.Count(len(days), "day"))}
	if estimated > 0 {
		items = append(items, fmt.Sprintf("%s of them are estimated from the arcs that were burnt: no splice record tells them.", phrase.Integer(estimated)))
	}
	items = append(items, f.likely()...)
	items = append(items, fmt.Sprintf("Counted by machine there are %s. On %d of them a calibration passed that day before the first splice record.", phrase.Count(len(all), "splice day"), checked))
	if owed, kept := f.owed(); owed > 0 {
		items = append(items, fmt.Sprintf("The rules asked for %s before a use that is on record. %s", phrase.Count(owed, "check"), madeInTime(kept)))
	}
	decided, open := 0, 0
	for i := range f.Doubt.Entries {
		e := &f.Doubt.Entries[i]
		switch {
		case e.Open:
			open++
		case e.Decision != nil:
			decided++
		}
	}
	if decided > 0 {
		items = append(items, fmt.Sprintf("Somebody decided what to do about %s.", phrase.Count(decided, "splice day")))
	}
	switch {
	case open == 1:
		items = append(items, "1 splice day waits for a decision.")
	case open > 1:
		items = append(items, phrase.Count(open, "splice day")+" wait for a decision.")
	}
	return []document.Block{document.Bullets{Items: items}, document.Paragraph{Text: "Outside tolerance means that the arc was further from its target than a check allows. It does not mean that a splice is bad. Each splice has its own test result, and a loss measured from both ends says more about it than any estimate in this document."}}
}

func madeInTime(kept int) string {
	if kept == 1 {
		return "1 was made in time."
	}
	return phrase.Integer(kept) + " were made in time."
}

// were is a count of things with its verb.
func were(n int, what string) string {
	if n == 1 {
		return phrase.Count(n, what) + " was"
	}
	return phrase.Count(n, what) + " were"
}

// likely says how many splices were likely made outside tolerance.
func (f *Facts) likely() []string {
	if len(f.Doubt.Jobs) == 1 {
		j := &f.Doubt.Jobs[0]
		if j.Out.High == 0 {
			return []string{"Most likely none of them was made outside tolerance."}
		}
		return []string{fmt.Sprintf("About %s of them were likely made outside tolerance: between %s and %s, eight times in ten.", phrase.About(j.Out.Mean), phrase.Integer(j.Out.Low), phrase.Integer(j.Out.High))}
	}
	var out []string
	for i := range f.Doubt.Jobs {
		out = append(out, f.Doubt.Jobs[i].Summary)
	}
	return out
}

func (f *Facts) owed() (owed, kept int) {
	for i := range f.Machines {
		for j := range f.Machines[i].Owed {
			owed++
			if f.Machines[i].Owed[j].Kept {
				kept++
			}
		}
	}
	return owed, kept
}

func (f *Facts) zone(machine string) *time.Location {
	for i := range f.Machines {
		if f.Machines[i].Machine == machine {
			return f.Machines[i].Zone
		}
	}
	return time.UTC
}

// rules says which checks were asked for and which of them are missing.
func (f *Facts) rules() []document.Block {
	tallies := map[advise.DueReason]*advise.Tally{}
	var gaps []string
	for i := range f.Machines {
		m := &f.Machines[i]
		for _, o := range m.Owed {
			if tallies[o.Rule] == nil {
				tallies[o.Rule] = &advise.Tally{}
			}
			tallies[o.Rule].Owed++
			if o.Kept {
				tallies[o.Rule].Kept++
				continue
			}
			where := ""
			if o.Site != "" {
				where = " at " + o.Site
			}
			gaps = append(gaps, fmt.Sprintf("%s was used%s on %s, and %s.", m.Machine, where, moment(o.Time, m.Zone), missing[o.Rule]))
		}
	}
	if len(tallies) == 0 {
		return []document.Block{document.Paragraph{Text: "No rule asked for a check before a use that is on record."}}
	}
	var rows [][2]string
	for _, rule := range []advise.DueReason{advise.StartOfDay, advise.ElectrodeWork, advise.Moved} {
		if t := tallies[rule]; t != nil {
			rows = append(rows, [2]string{ruleNames[rule], t.String() + " made in time"})
		}
	}
	out := []document.Block{document.Facts{Rows: rows}}
	if len(gaps) == 0 {
		return append(out, document.Paragraph{Text: "There are no gaps."})
	}
	return append(out, document.Paragraph{Text: "Gaps:", Strong: true}, document.Bullets{Items: gaps})
}

var ruleNames = map[advise.DueReason]string{
	advise.StartOfDay:    "Check before the first splice of a day",
	advise.ElectrodeWork: "Check after work on the electrodes",
	advise.Moved:         "Check after a move",
}

var missing = map[advise.DueReason]string{
	advise.StartOfDay:    "no calibration had passed that day",
	advise.ElectrodeWork: "no calibration had passed since work on the electrodes",
	advise.Moved:         "no calibration had passed since it was moved",
}

// limits are what a reader must bear in mind.
func (f *Facts) limits() []string {
	return append(slices.Clone(f.Doubt.Warnings),
		"The chances are estimated from the calibrations before and after the splices. They are no test of any splice.",
		"The pack shows that its records were not changed after they arrived. It cannot show that they were true when they were sent.",
		"A splice record tells of the splices since the one before it, not when in that time each was made.",
		"Only use that is on record counts: a machine that was used without any record shows no gap.",
		"What arrived after "+moment(f.KnownAt, time.UTC)+" is not in the pack.",
	)
}

// identity says who made the pack.
func (f *Facts) identity(fingerprint string) []document.Block {
	rows := [][2]string{
		{"Program", fmt.Sprintf("%s %s, revision %s. The model of the arc is part of the program.", f.Software.Name, f.Software.Version, f.Software.Revision)},
		{"Store", f.Store},
		{"Fingerprint of the key", fingerprint},
		{"Records count that had arrived by", f.KnownAt.UTC().Format(time.RFC3339Nano)},
	}
	for i, p := range f.Persons {
		rows = append(rows, [2]string{fmt.Sprintf("Person %d", i+1), p})
	}
	heads := document.Table{Columns: []document.Column{{Head: "Machine", Share: 2}, {Head: "Records", Share: 1, Right: true}, {Head: "Last number", Share: 1.3, Right: true}, {Head: "End of its chain", Share: 6}}, Empty: "No chain was begun."}
	for _, h := range f.Heads {
		heads.Rows = append(heads.Rows, []string{h.Machine, fmt.Sprint(h.Entries), fmt.Sprintf("%d/%d", h.Epoch, h.Seq), h.Chain})
	}
	return []document.Block{
		document.Facts{Rows: rows},
		document.Paragraph{Text: "The contractor knows who the persons are. Every record is tied to the one before it of the same machine by a SHA-256 digest. The ends of these chains, as they stood then:"},
		heads,
		document.Paragraph{Text: "To check the pack on any computer, without a network: arcdrift proof verify PACK --key \"" + fingerprint + "\". Compare the fingerprint with the one that the contractor gave you by another way. CHECKING.txt in the pack says how to write another checker."},
	}
}
