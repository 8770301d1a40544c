package drift

import (
	"fmt"
	"slices"
	"time"

	"arcdrift/drift/phrase"
)

// Mark is a moment at which the pair of a machine may have become another: a service
// that names the pair, or a counter that went where arcs alone do not take it.
type Mark struct {
	At time.Time
	ID string
	// Pair is what a service calls the pair, From and To the counter before and at
	// the mark, 0 where it is unknown.
	Pair     string
	From, To int64
}

const (
	mostMarks   = 6
	jumpArcs    = 300 // more arcs than a machine makes from one reading to the next
	sameReading = 60  // a reading of one counter on two machines, with some use
	swapWithin  = 7 * 24 * time.Hour
	burntIn     = 50 // arcs on a pair that is not new
	lotOf       = 3  // machines with one name for their pairs: it is a lot's
)

// mark keeps the last moments at which the pair may have become another.
func (s *Slips) mark(e *Entry) {
	if e.Counts.Or(false) {
		return
	}
	m := Mark{At: e.When(), ID: e.ID, From: s.Arcs.Or(0), To: e.ArcCount.Or(0)}
	if e.Service != nil {
		m.Pair = e.Service.Pair
	}
	jumps := e.ArcCount.Known() && s.Arcs.Known() && e.Service == nil &&
		(m.From-m.To > jumpArcs || m.To-m.From > jumpArcs && e.When().Sub(s.Shown) < 72*time.Hour)
	if m.Pair == "" && !jumps {
		return
	}
	s.Marks = append(slices.Clone(s.Marks), m)
	s.Marks = s.Marks[max(0, len(s.Marks)-mostMarks):]
}

// AskSwapped asks whether the pairs of two machines were exchanged, or one moved to
// the other: their counters have crossed, the names of their pairs have, or a pair
// that is not new came to a machine from another. marks are those of all machines.
func AskSwapped(machine string, own []Mark, marks map[string][]Mark) (Question, bool) {
	for _, m := range slices.Backward(own) {
		others := make([]string, 0, len(marks))
		bearers := 0
		for other, theirs := range marks {
			if other == machine {
				continue
			}
			if m.Pair != "" && slices.ContainsFunc(theirs, func(o Mark) bool { return o.Pair == m.Pair }) {
				bearers++
			}
			if crossed(m, own, theirs) {
				others = append(others, other)
			}
		}
		if len(others) == 0 || bearers+1 >= lotOf {
			continue
		}
		slices.Sort(others)
		return Question{
			Kind: AskPair, Machine: machine, Records: []string{m.ID}, At: m.At,
			Text: fmt.Sprintf("Since %s, %s seems to have the electrodes of %s. Were they moved from one machine to the other? If so, log a replacement on both machines, so that each pair keeps its own history.",
				phrase.Moment(m.At), machine, others[0]),
			Replies: []Reply{confirm("They were not moved", m.ID)},
		}, true
	}
	return Question{}, false
}

// crossed says whether a mark of one machine and those of another look like a move.
func crossed(m Mark, own, theirs []Mark) bool {
	near := func(a, b int64) bool { return max(a-b, b-a) <= sameReading }
	soon := func(o Mark) bool { return max(m.At.Sub(o.At), o.At.Sub(m.At)) <= swapWithin }
	for _, o := range theirs {
		switch {
		case m.Pair == "" && o.Pair == "":
			if soon(o) && m.From != 0 && o.From != 0 && near(m.To, o.From) && near(o.To, m.From) {
				return true
			}
		case m.Pair == o.Pair && !o.At.After(m.At) && m.To >= burntIn:
			return true // it came here from there
		case m.Pair != "" && o.Pair != "" && m.Pair != o.Pair && soon(o):
			// Each has the name that the other had before.
			if before(own, m) == o.Pair && before(theirs, o) == m.Pair {
				return true
			}
		}
	}
	return false
}

// before is what a machine's pair was called before a mark.
func before(marks []Mark, m Mark) (pair string) {
	for _, o := range marks {
		if o.At.Before(m.At) && o.Pair != "" {
			pair = o.Pair
		}
	}
	return pair
}
