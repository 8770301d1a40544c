package backtest

import (
	"cmp"
	"slices"
	"time"

	"arcdrift/drift"
)

// Card says how the model's own alerts turned out. Its JSON form is fixed.
type Card struct {
	From  time.Time `json:"from"`
	Until time.Time `json:"until"`
	AlertRow
	// Missed are failures without an alert, Late those with less notice than a bench
	// visit needs.
	Missed int `json:"missed"`
	Late   int `json:"late"`
	// List has the alerts and Failed the failures, in time order.
	List   []Alert     `json:"list"`
	Failed []Announced `json:"failed"`
}

// Announced is a failure and how many days before an alert had been raised,
// null without one.
type Announced struct {
	Machine string             `json:"machine"`
	Time    time.Time          `json:"time"`
	Notice  drift.Opt[float64] `json:"notice_days"`
}

// Card returns the report card of the replay.
func (r *Replay) Card() Card {
	c := Card{Until: r.Until, AlertRow: r.Watch.Rows()[0], List: []Alert{}, Failed: []Announced{}}
	if len(r.Moments) > 0 {
		c.From = r.Moments[0]
	}
	for _, a := range r.Watch.Alerts {
		if a.Who == Model {
			c.List = append(c.List, a)
		}
	}
	for _, f := range r.Watch.Failures {
		c.Failed = append(c.Failed, Announced{f.Machine, f.Time, f.Notice[0]})
		switch d, ok := f.Notice[0].Get(); {
		case !ok:
			c.Missed++
		case d < noticeDays:
			c.Late++
		}
	}
	slices.SortStableFunc(c.List, func(a, b Alert) int {
		return cmp.Or(a.Raised.Compare(b.Raised), cmp.Compare(a.Machine, b.Machine))
	})
	slices.SortStableFunc(c.Failed, func(a, b Announced) int {
		return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Machine, b.Machine))
	})
	return c
}
