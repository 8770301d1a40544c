package drift

import (
	"fmt"
	"math"
	"slices"
	"time"

	"arcdrift/drift/phrase"
)

// What makes two reports likely to be of one thing; all are guesses of the right
// order. Somebody types a session minutes after the machine has sent it.
const (
	typedWithin  = 30 * time.Minute
	recounted    = 15 * time.Minute // within which a count of tries may be one off
	sameService  = 24 * time.Hour
	sameSetting  = 0.15 // percent
	sameMeltback = 2.0  // micrometres
	sameArcs     = 5
)

// Counted leaves out, of one machine's ordered and corrected entries, those that
// do not count: what a correction excludes, and of what was likely reported twice
// the poorer report. Both records stay in the store; what was reported twice is asked
// about. The entries given are not changed.
//
// Two sessions are likely one if they came by another way (handler, source, or reported
// try by try and whole), lie within half an hour of each other, ended alike after
// as many tries, and no number contradicts. Two sessions that came the same way
// never are; of two failed ones that were typed in alike it is asked. Two services are
// likely one if nothing was tried between them, the action is the same, less than a day
// lies between, and no number contradicts.
func Counted(ordered []Entry) (counted []Entry, asked []Question) {
	entries := slices.DeleteFunc(slices.Clone(ordered), func(e Entry) bool { return !e.Counts.Or(true) })
	left := map[string]bool{}
	asked = append(doubleSessions(entries, left), doubleServices(entries, left)...)
	if len(left) == 0 {
		return entries, asked
	}
	return slices.DeleteFunc(entries, func(e Entry) bool { return left[e.ID] }), asked
}

// Way is how a calibration came: one way reports a session only once.
func (e *Entry) Way() string {
	whole := ""
	if e.Calibration != nil && e.Calibration.Attempts.Known() {
		whole = "whole"
	}
	return e.Via + "\x00" + e.Source + "\x00" + whole
}

// report is one session as one way reported it.
type report struct {
	way         string
	entries     []*Entry
	first, last time.Time
	tries       int64
	open        bool // the number of tries is not stated
	sure        bool // a person stated that it counts
}

func (r *report) end() *Entry { return r.entries[len(r.entries)-1] }

func (r *report) passed() bool { return r.end().Calibration.Passed.Or(false) }

// whole says whether one record reports the whole session.
func (r *report) whole() bool { return r.end().Calibration.Attempts.Known() }

// cameBy says by which way a session came, other than o.
func (r *report) cameBy(o *report) string {
	if by := r.end().cameBy(); by != o.end().cameBy() {
		return by
	}
	switch {
	case r.whole() != o.whole() && r.whole():
		return "as a whole"
	case r.whole() != o.whole():
		return "attempt by attempt"
	case r.end().Source != "":
		return "by " + r.end().Source
	}
	return "without a source"
}

// until is the session as it was when somebody typed it: tries that came after are
// not in what was typed.
func (r *report) until(typed *report) *report {
	if !typed.whole() || r.whole() {
		return r
	}
	n := 0
	for n < len(r.entries) && !r.entries[n].When().After(typed.last) {
		n++
	}
	if n == 0 || n == len(r.entries) {
		return r
	}
	then := *r
	then.entries, then.last = r.entries[:n], r.entries[n-1].When()
	then.tries = r.tries - int64(len(r.entries)-n)
	return &then
}

// values is how many values the records of the report have.
func (r *report) values() (n int) {
	for _, e := range r.entries {
		for _, f := range fieldsOf[e.Type] {
			if _, ok := f.Value(&e.Record); ok {
				n++
			}
		}
	}
	return n
}

// reports reads the sessions of each way, in order of their ends.
func reports(entries []Entry) []*report {
	ways := map[string]*Sessions{}
	current := map[string]*report{}
	var out []*report
	for i := range entries {
		e := &entries[i]
		if e.Type == TypeService {
			for _, s := range ways {
				s.Next(e)
			}
			continue
		}
		if e.Calibration == nil {
			continue
		}
		way := e.Way()
		if ways[way] == nil {
			ways[way] = &Sessions{}
		}
		place, _ := ways[way].Next(e)
		r := current[way]
		if r == nil || place.New {
			r = &report{way: way, first: e.When()}
			current[way] = r
			out = append(out, r)
		}
		c := e.Calibration
		r.entries, r.last, r.tries = append(r.entries, e), e.When(), max(r.tries+1, c.Attempts.Or(c.Attempt.Or(1)))
		r.open = len(r.entries) == 1 && !c.Attempt.Known() && !c.Attempts.Known()
		r.sure = r.sure || e.Counts.Or(false)
	}
	return out
}

// doubleSessions marks what is left out and asks.
func doubleSessions(entries []Entry, left map[string]bool) (asked []Question) {
	all := reports(entries)
	taken := map[*report]bool{}
	for i, a := range all {
		for _, b := range all[i+1:] {
			if b.first.Sub(a.last) > typedWithin {
				break
			}
			if a.toldTwice(b) {
				asked = append(asked, a.ask(b))
			}
			if taken[a] || taken[b] || !a.until(b).likely(b.until(a)) {
				continue
			}
			taken[a], taken[b] = true, true
			kept, gone := a, b
			if !b.whole() && (a.whole() || b.values() > a.values()) {
				kept, gone = b, a
			}
			var ids []string
			for _, e := range gone.entries {
				left[e.ID] = true
				ids = append(ids, e.ID)
			}
			asked = append(asked, Question{
				Kind: AskDouble, Machine: gone.end().Machine, Records: append(ids, kept.end().ID), At: gone.last,
				Text: fmt.Sprintf("The calibration of %s seems to be recorded twice, %s and %s. It counts once. Was it one calibration?",
					phrase.Moment(kept.last), kept.cameBy(gone), gone.cameBy(kept)),
				Replies: []Reply{{Say: "One, recorded twice", Records: ids, Field: "counts", Value: "false"}, confirm("Two calibrations", ids...)},
			})
		}
	}
	return asked
}

// toldTwice says whether two people, or one, may have typed the same failed session:
// two that failed send a machine to the bench, so somebody is asked. It may as well
// have failed twice: both count until then.
func (r *report) toldTwice(o *report) bool {
	// A phone sends what was typed over HTTP; a gateway names itself as the source.
	typed := slices.Contains([]string{"form", "log", "http"}, r.end().Via) && r.end().Source == ""
	return typed && r.way == o.way && r.whole() && !r.passed() && r.tries == o.tries && r.agrees(o)
}

// ask asks whether the session was told twice.
func (r *report) ask(again *report) Question {
	id := again.end().ID
	return Question{
		Kind: AskDouble, Machine: again.end().Machine, Records: []string{id, r.end().ID}, At: again.last,
		Text: fmt.Sprintf("A failed calibration with %s was typed in twice, at %s and at %s. Both count until you answer. Was it one calibration?",
			phrase.Count(int(r.tries), "attempt"), phrase.Moment(r.last), phrase.Moment(again.last)),
		Replies: []Reply{{Say: "One, typed twice", Records: []string{id}, Field: "counts", Value: "false"}, confirm("Two calibrations", id)},
	}
}

// likely says whether two reports are likely of one session.
func (r *report) likely(o *report) bool {
	apart := max(o.first.Sub(r.last), r.first.Sub(o.last), 0)
	off := r.tries - o.tries
	switch {
	case r.way == o.way || !r.agrees(o):
		return false
	case off == 0, r.open, o.open:
	case off*off == 1 && apart <= recounted:
	default:
		return false
	}
	return true
}

// agrees says whether nothing speaks against one session: neither time, result, a
// number nor a person.
func (r *report) agrees(o *report) bool {
	if r.sure || o.sure || max(o.first.Sub(r.last), r.first.Sub(o.last), 0) > typedWithin || r.passed() != o.passed() {
		return false
	}
	a, b := r.end(), o.end()
	x, y := a.Calibration, b.Calibration
	return a.arcsAgree(b, max(r.tries, o.tries)+1) &&
		agree(x.PowerSetting, y.PowerSetting, sameSetting) &&
		agree(x.MeltbackLeft, y.MeltbackLeft, sameMeltback) && agree(x.MeltbackRight, y.MeltbackRight, sameMeltback) &&
		agree(x.Target, y.Target, sameMeltback) && (a.Program == "" || b.Program == "" || a.Program == b.Program)
}

func agree(a, b Opt[float64], within float64) bool {
	x, known := a.Get()
	y, both := b.Get()
	return !known || !both || math.Abs(x-y) <= within
}

func (e *Entry) arcsAgree(o *Entry, within int64) bool {
	x, known := e.ArcCount.Get()
	y, both := o.ArcCount.Get()
	return !known || !both || max(x-y, y-x) <= within
}

// doubleServices marks and asks about services without a try between them.
func doubleServices(entries []Entry, left map[string]bool) (asked []Question) {
	var before *Entry
	for i := range entries {
		e := &entries[i]
		if e.Calibration != nil && !left[e.ID] {
			before = nil
		}
		if e.Service == nil {
			continue
		}
		if before == nil || !before.sameService(e) {
			before = e
			continue
		}
		gone := e
		if e.Service.Finding != "" && before.Service.Finding == "" || e.Service.Pair != "" && before.Service.Pair == "" {
			gone, before = before, e
		}
		left[gone.ID] = true
		asked = append(asked, Question{
			Kind: AskService, Machine: e.Machine, Records: []string{gone.ID, before.ID}, At: e.When(),
			Text: fmt.Sprintf("“Electrodes %s” is recorded twice, on %s (%s) and on %s (%s), with no calibration between them. It counts once. Was it one service?",
				e.Service.Action, phrase.Moment(before.When()), before.cameBy(), phrase.Moment(gone.When()), gone.cameBy()),
			Replies: []Reply{{Say: "One, recorded twice", Records: []string{gone.ID}, Field: "counts", Value: "false"}, confirm("Two services", gone.ID)},
		})
	}
	return asked
}

func (e *Entry) sameService(o *Entry) bool {
	a, b := e.Service, o.Service
	return a.Action == b.Action && a.Action != Inspected && o.When().Sub(e.When()) <= sameService &&
		!e.Counts.Or(false) && !o.Counts.Or(false) && e.arcsAgree(o, sameArcs) && (a.Pair == "" || b.Pair == "" || a.Pair == b.Pair)
}

// cameBy says by which way a record came.
func (e *Entry) cameBy() string {
	switch e.Via {
	case "mqtt":
		return "by the machine over MQTT"
	case "http":
		return "over HTTP"
	case "form", "log":
		return "typed in"
	case "import":
		return "in a file"
	}
	if e.Calibration != nil && e.Calibration.Attempts.Known() {
		return "as a whole"
	}
	if e.Source != "" {
		return "by " + e.Source
	}
	return "attempt by attempt"
}
