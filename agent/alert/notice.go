package alert

import (
	"slices"
	"time"

	"arcdrift/drift"
)

// Found is a service at which the bench found the electrodes worn or dirty.
type Found struct {
	Machine string
	Time    time.Time
}

// FoundIn are the findings that outcomes contain.
func FoundIn(outcomes []Outcome) []Found {
	var out []Found
	for _, o := range outcomes {
		f := Found{o.Subject, o.Service}
		if (o.Finding == drift.Worn || o.Finding == drift.Dirty) && !slices.Contains(out, f) {
			out = append(out, f)
		}
	}
	return out
}

// Notice says how many of the bench's findings had been sent, and how long before.
type Notice struct {
	// Found were worn or dirty since the first case; Ahead had been sent at least
	// three days before, which is what it takes to get to the bench in good order,
	// Late less long before, Missed not.
	Found  int `json:"found"`
	Ahead  int `json:"ahead"`
	Late   int `json:"late"`
	Missed int `json:"missed"`
	// Days is the median of those sent.
	Days drift.Opt[float64] `json:"days"`
}

// NoticeOf compares the bench's findings since a moment with what was sent.
func NoticeOf(outcomes []Outcome, found []Found, since time.Time) Notice {
	const enough = 3
	var n Notice
	var days []float64
	for _, f := range found {
		ahead, ended := drift.Opt[float64]{}, false
		for _, o := range outcomes {
			if o.Subject != f.Machine || !o.Service.Equal(f.Time) {
				continue
			}
			ended = true
			if !o.SentAt.IsZero() {
				ahead = drift.Some(max(f.Time.Sub(o.SentAt).Hours()/24, ahead.Or(0)))
			}
		}
		if f.Time.Before(since) && !ended {
			continue
		}
		n.Found++
		d, known := ahead.Get()
		switch {
		case !known:
			n.Missed++
			continue
		case d >= enough:
			n.Ahead++
		default:
			n.Late++
		}
		days = append(days, d)
	}
	if len(days) > 0 {
		slices.Sort(days)
		n.Days = drift.Some((days[(len(days)-1)/2] + days[len(days)/2]) / 2)
	}
	return n
}
