package drift

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"arcdrift/drift/phrase"
)

// ClockSlack is how far a sender's clock may be ahead of its record's arrival and
// still be believed.
const ClockSlack = 5 * time.Minute

// bunch is the pause between arrivals within which records of one machine came
// together; apart is by how much their times must then differ more than their
// arrivals do to show that they were written down earlier and sent at once.
const (
	bunch   = 10 * time.Minute
	apart   = time.Hour
	archive = 30 * 24 * time.Hour
)

// firstDay is the day before which no clock is believed: those that have lost
// their battery begin at 1970, 1980 or 2000.
var firstDay = time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)

// OddClock says whether the record's time is one that its arrival makes doubtful:
// before 2020, or ahead of it by more than ClockSlack.
func (e *Entry) OddClock() bool {
	return !e.Time.IsZero() && (e.Time.Before(firstDay) || e.Time.After(e.Received.Add(ClockSlack)))
}

// Likely is when the record most likely happened, as far as it alone shows.
func (e *Entry) Likely() time.Time {
	if e.Placed.IsZero() && e.OddClock() {
		return e.Received
	}
	return e.When()
}

// Clocks judges the times of one machine's entries, in place, by their arrivals
// and by their neighbours, and places those that cannot be believed (see
// Entry.Placed). It returns how many are placed. It is a function of the set.
//
// A record is placed at its arrival if its time is before 2020, or ahead of its
// arrival by more than ClockSlack. Records that were sent at once, as files are,
// say by their arrival nothing of when they happened: one among them whose
// neighbours speak against it takes the time of the one before it. Where all of
// them lie ahead they keep their times and do not count before; and an archive of
// more than a month from before 2020, not before 2000, is believed.
func Clocks(entries []Entry) (placed int) {
	if !slices.ContainsFunc(entries, func(e Entry) bool { return e.OddClock() }) {
		return 0
	}
	order := make([]*Entry, len(entries))
	for i := range entries {
		order[i] = &entries[i]
	}
	slices.SortFunc(order, func(a, b *Entry) int {
		return cmp.Or(a.Received.Compare(b.Received), cmp.Compare(a.StoreEpoch, b.StoreEpoch), cmp.Compare(a.StoreSeq, b.StoreSeq), cmp.Compare(a.ID, b.ID))
	})
	var bunches [][]*Entry
	for from := 0; from < len(order); {
		to := from + 1
		for to < len(order) && order[to].Received.Sub(order[to-1].Received) <= bunch && order[to].Via == order[from].Via {
			to++
		}
		bunches = append(bunches, order[from:to])
		from = to
	}
	live := asItHappened(bunches)
	for _, came := range bunches {
		placed += placeBunch(came, live)
	}
	return placed
}

// asItHappened says whether imported records keep the arrival that they had
// elsewhere, as those of an export do: most came within a day, at several times.
func asItHappened(bunches [][]*Entry) bool {
	const several = 3
	at, fresh, all := 0, 0, 0
	for _, came := range bunches {
		if came[0].Via != "import" {
			continue
		}
		before := fresh
		for _, e := range came {
			all++
			if late := e.Received.Sub(e.When()); !e.OddClock() && late < 24*time.Hour {
				fresh++
			}
		}
		if fresh > before {
			at++
		}
	}
	return at >= several && 2*fresh > all
}

// AskAhead asks about entries that keep a time ahead of their arrival, and so do not
// count yet at a moment at which they are there. The entries are judged by Clocks.
func AskAhead(entries []Entry, now time.Time) []Question {
	var first *Entry
	n := 0
	for i := range entries {
		e := &entries[i]
		if !e.OddClock() || !e.When().After(now) || e.Received.After(now) {
			continue
		}
		if n++; first == nil || e.When().Before(first.When()) {
			first = e
		}
	}
	if first == nil {
		return nil
	}
	text := fmt.Sprintf("A record is dated %s, which is in the future. It does not count until then. If the date is wrong, correct it.", phrase.Moment(first.When()))
	if n > 1 {
		text = fmt.Sprintf("%d records are dated in the future, the first on %s. They do not count until then. If the dates are wrong, correct them.", n, phrase.Moment(first.When()))
	}
	return []Question{{Kind: AskClock, Machine: first.Machine, Records: []string{first.ID}, At: first.Received, Text: text, Replies: []Reply{}}}
}

// placeBunch judges what came together from one source, in order of arrival; live is
// whether imports state when they came.
func placeBunch(came []*Entry, live bool) (placed int) {
	if old, all := spanBefore(came); all && old >= archive {
		return 0
	}
	bulk := sentAtOnce(came, live)
	for i, e := range came {
		switch {
		case !e.OddClock():
			continue
		case !bulk:
			e.Placed = e.Received
		case e.Time.Before(firstDay) || contradicted(e, came[i+1:]):
			e.Placed = beside(came, i)
		default:
			continue
		}
		placed++
	}
	return placed
}

// spanBefore is the time that entries from before the first day span, and whether
// all are and none is from before 2000.
func spanBefore(came []*Entry) (span time.Duration, all bool) {
	first, last := came[0].When(), came[0].When()
	for _, e := range came {
		at := e.When()
		if !at.Before(firstDay) || at.Year() < 2000 {
			return 0, false
		}
		if at.Before(first) {
			first = at
		}
		if at.After(last) {
			last = at
		}
	}
	return last.Sub(first), true
}

// sentAtOnce says whether the times lie further apart than the arrivals: in a file
// always, over HTTP by what it looks like. What comes over MQTT comes as it
// happens, or by a clock that nothing is known of.
func sentAtOnce(came []*Entry, live bool) bool {
	switch came[0].Via {
	case "import":
		if !live {
			return true
		}
	case "http":
	default:
		return false
	}
	first, last := came[0].When(), came[0].When()
	for _, e := range came {
		if at := e.When(); at.Before(first) {
			first = at
		} else if at.After(last) {
			last = at
		}
	}
	return last.Sub(first)-came[len(came)-1].Received.Sub(came[0].Received) > apart
}

// contradicted says whether a record that came later, of a time that can be
// believed, is earlier than e.
func contradicted(e *Entry, later []*Entry) bool {
	return slices.ContainsFunc(later, func(l *Entry) bool { return !l.OddClock() && l.When().Before(e.Time) })
}

// beside is the time of the nearest neighbour that can be believed, the one before
// it if there is one; without any, its arrival.
func beside(came []*Entry, i int) time.Time {
	for _, e := range slices.Backward(came[:i]) {
		if !e.OddClock() {
			return e.When()
		}
	}
	for _, e := range came[i+1:] {
		if !e.OddClock() {
			return e.When()
		}
	}
	return came[i].Received
}
