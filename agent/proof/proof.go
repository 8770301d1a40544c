// Package proof makes the pack that a customer or an auditor is given: what is known of
// the machines that made a job's splices, or of one machine over a time, with the checks,
// the air, the gaps, what was done about them, and the doubt that is left.
//
// [Gather] reads it from a store as it had arrived by a moment, [Facts.Document] says it
// in words once for HTML and PDF, and [Facts.Seal] puts these and the data into one signed
// archive, see package pack. Nothing of it depends on when it is made: the same store,
// moment and program make the same bytes.
//
// Names of people are not in a pack: their pseudonyms are. Nor are other customers' jobs
// in the pack of a job, nor what senders put into extra. What is said of splices comes
// from package lookback.
package proof

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"arcdrift/agent/fleet"
	"arcdrift/agent/proof/pack"
	"arcdrift/agent/store"
	"arcdrift/drift"
	"arcdrift/drift/lookback"
)

// Question is what a pack is asked for: of a job, or of a machine from one moment to
// another, as it was known at a moment.
type Question struct {
	Job, Machine string
	From, To     time.Time
	KnownAt      time.Time
}

// String names what it is about.
func (q Question) String() string {
	if q.Job != "" {
		return "job " + q.Job
	}
	return "machine " + q.Machine
}

// Store is what a pack is read from.
type Store interface {
	fleet.Reader
	// HeadAt is where a machine's chain stood at a moment.
	HeadAt(machine string, knownAt time.Time) (store.Head, bool, error)
	// Pseudonyms are the names of people with the pseudonyms that stand for them.
	Pseudonyms() (map[string]string, error)
}

// Facts are all that a pack says.
type Facts struct {
	Question
	Store    string // its name
	Software pack.Software
	Machines []Machine
	// Heads are where the machines' chains stood.
	Heads []pack.Head
	// Doubt is the look-back over the splices in question.
	Doubt lookback.Report
	// Persons are the pseudonyms of those who are named, in order of appearance: the
	// first is person 1.
	Persons []string
}

// Machine is one machine of a pack.
type Machine struct {
	fleet.Logbook
	// From and To bound the records that the pack has of it.
	From, To time.Time
	Checks   []Check
	Days     []Day
}

// Gather reads the facts from a part of the fleet, nil for all of it. look is the look-back
// over the same splices. A job or a machine that nobody knows is a [*drift.Problem].
func Gather(s Store, part drift.Part, q Question, look func(Question) (lookback.Report, error)) (*Facts, error) {
	f := &Facts{Question: q}
	books, err := f.books(s, part)
	if err != nil {
		return nil, err
	}
	if f.Doubt, err = look(q); err != nil {
		return nil, err
	}
	names, err := s.Pseudonyms()
	if err != nil {
		return nil, err
	}
	for i := range books {
		hide(&books[i], names)
		f.Machines = append(f.Machines, f.machine(&books[i]))
		if err := f.Machines[i].within(part.Since(books[i].Machine)); err != nil {
			return nil, err
		}
		for _, name := range append([]string{books[i].Machine}, books[i].Before...) {
			head, found, err := s.HeadAt(name, q.KnownAt)
			if err != nil {
				return nil, err
			}
			if found {
				f.Heads = append(f.Heads, pack.Head{Machine: name, Entries: head.Entries, Epoch: head.Epoch, Seq: head.Seq, Chain: head.Chain})
			}
		}
	}
	f.hideDecisions(names)
	f.number()
	return f, nil
}

// within is why a pack about this machine cannot be made by somebody who may know of it
// from that moment on only: a pack says all of its time or nothing.
func (m *Machine) within(since time.Time) error {
	earlier := func(e drift.Entry) bool { return e.When().Before(since) || e.Received.Before(since) }
	if slices.ContainsFunc(m.Kept, earlier) || slices.ContainsFunc(m.Checks, func(c Check) bool { return c.Began.Before(since) }) {
		return &drift.Problem{Field: "machine", Value: m.Machine, Reason: fmt.Sprintf("came from another customer on %s, and the pack needs records from before: ask the manager of the agent for it", since.UTC().Format(time.DateOnly))}
	}
	return nil
}

// books reads the machines that the question is about.
func (f *Facts) books(s Store, part drift.Part) ([]fleet.Logbook, error) {
	var mu sync.Mutex
	known := map[string]bool{}
	books, err := fleet.Logbooks(s, f.KnownAt, func(machine string, entries []drift.Entry) bool {
		if !part.Has(machine) {
			return false
		}
		if f.Job == "" {
			mu.Lock()
			known[machine] = true
			mu.Unlock()
			return machine == f.Machine
		}
		ours := false
		for i := range entries {
			if splice := entries[i].Splice; splice != nil && splice.Job != "" {
				mu.Lock()
				known[splice.Job] = true
				mu.Unlock()
				ours = ours || splice.Job == f.Job
			}
		}
		return ours
	})
	if err != nil || len(books) > 0 {
		return books, err
	}
	what, why := "machine", "is not known here: no record names it"
	asked := f.Machine
	if f.Job != "" {
		what, why, asked = "job", "is not known here: no splice record names it", f.Job
	}
	names := make([]string, 0, len(known))
	for name := range known {
		names = append(names, name)
	}
	slices.Sort(names)
	if near := drift.NearestOf(asked, names); near != "" {
		why += fmt.Sprintf("; the nearest known one is %s", near)
	}
	return nil, &drift.Problem{Field: what, Value: asked, Reason: why}
}

// hide puts pseudonyms in the place of names, and takes out what the sender kept for
// itself.
func hide(l *fleet.Logbook, names map[string]string) {
	for _, entries := range [][]drift.Entry{l.Kept, l.Entries} {
		for i := range entries {
			entries[i].Record = entries[i].WithPeople(func(name string) string { return hidden(name, names) })
			entries[i].Extra, entries[i].Account = nil, ""
		}
	}
}

func hidden(name string, names map[string]string) string {
	if pseudonym, ok := names[name]; ok {
		return pseudonym
	}
	if name == "" || drift.IsPseudonym(name) {
		return name
	}
	return "somebody" // a store of before pseudonyms
}

func (f *Facts) hideDecisions(names map[string]string) {
	for i := range f.Doubt.Entries {
		if d := f.Doubt.Entries[i].Decision; d != nil {
			bare := *d
			bare.By = hidden(d.By, names)
			f.Doubt.Entries[i].Decision = &bare
		}
	}
}

// machine works one machine out.
func (f *Facts) machine(l *fleet.Logbook) Machine {
	m := Machine{Logbook: *l}
	all := checksOf(l)
	m.From, m.To = f.From, f.To
	if f.Job != "" {
		m.From, m.To = window(l, all, f.Job)
	}
	inside := func(at time.Time) bool { return !at.Before(m.From) && (m.To.IsZero() || !at.After(m.To)) }
	m.Checks = slices.DeleteFunc(slices.Clone(all), func(c Check) bool { return !inside(c.Began) })
	others := func(e drift.Entry) bool {
		if e.Decision != nil && e.Decision.Verdict == drift.Bench {
			return true // a plan of the workshop proves nothing
		}
		if e.Decision != nil { // made later than the splices that it is about
			return f.Job != "" && e.Decision.Job != f.Job
		}
		return !inside(e.When()) || f.Job != "" && e.Splice != nil && e.Splice.Job != f.Job
	}
	m.Entries = slices.DeleteFunc(m.Entries, others)
	m.Kept = slices.DeleteFunc(m.Kept, func(e drift.Entry) bool { return e.Correction == nil && others(e) })
	ours := map[string]bool{}
	for i := range m.Kept {
		ours[m.Kept[i].ID] = true
	}
	// A correction belongs to its record, whenever it came.
	m.Kept = slices.DeleteFunc(m.Kept, func(e drift.Entry) bool { return e.Correction != nil && !ours[e.Correction.Corrects] })
	m.Days = f.days(&m, all)
	worked := map[string]bool{}
	for _, d := range m.Days {
		worked[d.Day] = true
	}
	m.Owed = slices.Clone(m.Owed)
	for i := len(m.Owed) - 1; i >= 0; i-- {
		if o := &m.Owed[i]; !inside(o.Time) || f.Job != "" && !worked[o.Time.In(l.Zone).Format(time.DateOnly)] {
			m.Owed = slices.Delete(m.Owed, i, i+1)
		}
	}
	return m
}

// window is the time of a job on a machine: from the last pass before its first splice to
// the first check after its last one. Without a check after it, it is open.
func window(l *fleet.Logbook, checks []Check, job string) (from, to time.Time) {
	var first, last time.Time
	for i := range l.Entries {
		if e := &l.Entries[i]; e.Splice != nil && e.Splice.Job == job {
			if first.IsZero() {
				first = e.When()
			}
			last = e.When()
		}
	}
	from = first
	for _, c := range checks {
		if c.Passed && c.Ended.Before(first) {
			from = c.Began
		}
		if c.Began.After(last) && to.IsZero() {
			to = c.Ended
		}
	}
	return from, to
}

// number gives each person a number, in order of appearance.
func (f *Facts) number() {
	for i := range f.Machines {
		for j := range f.Machines[i].Kept {
			for _, name := range f.Machines[i].Kept[j].People() {
				f.person(name)
			}
		}
	}
	for i := range f.Doubt.Entries {
		if d := f.Doubt.Entries[i].Decision; d != nil {
			f.person(d.By)
		}
	}
}

// person is what stands for a pseudonym in the document.
func (f *Facts) person(pseudonym string) string {
	if pseudonym == "" {
		return "not said"
	}
	at := slices.Index(f.Persons, pseudonym)
	if at < 0 {
		at = len(f.Persons)
		f.Persons = append(f.Persons, pseudonym)
	}
	return fmt.Sprintf("person %d", at+1)
}

// FileName is what the pack is called when nobody names it otherwise.
func (q Question) FileName() string {
	name := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || r == '-' || r == '.' {
			return r
		}
		return '-'
	}, strings.ReplaceAll(q.String(), " ", "-"))
	return "proof-" + name + ".zip"
}

// Check names what is wrong with a question.
func (q Question) Check() error {
	switch {
	case q.Job == "" && q.Machine == "":
		return &drift.Problem{Field: "job", Reason: "is missing: name a job, or a machine with the time from and to"}
	case q.Job != "" && (q.Machine != "" || !q.From.IsZero() || !q.To.IsZero()):
		return &drift.Problem{Field: "job", Value: q.Job, Reason: "is asked for alone: its machines and its time are in the splice records"}
	case q.Job != "":
		return nil
	case q.From.IsZero():
		return &drift.Problem{Field: "from", Reason: "is missing: say from which day on"}
	case q.To.IsZero():
		return &drift.Problem{Field: "to", Reason: "is missing: say up to which day"}
	case !q.From.Before(q.To):
		return &drift.Problem{Field: "to", Value: q.To.Format(time.RFC3339), Reason: "must be after from"}
	}
	return nil
}

// Bound reads one end of the time that is asked about: a moment with its offset, or a day
// in the machine's zone, of which from is the beginning and to the end. An empty text is
// no bound.
func Bound(field, text string, zone *time.Location) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	if at, err := time.Parse(time.RFC3339, text); err == nil {
		return at, nil
	}
	day, err := time.ParseInLocation(time.DateOnly, text, zone)
	if err != nil {
		return time.Time{}, &drift.Problem{Field: field, Value: text, Reason: "must be a day like 2026-03-02, or a time with its offset like 2026-03-02T18:00:00Z"}
	}
	if field == "to" {
		return day.AddDate(0, 0, 1).Add(-time.Nanosecond), nil
	}
	return day, nil
}
