package lookback

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// A machine that works six days a week and is checked on so many mornings of them.
func weekly(checked func(time.Weekday) bool, evenings bool) *Past {
	kind := model.Prior()
	p := &Past{Machine: "K-07", Kind: &kind, Settings: (&drift.Setups{}).For("K-07", "", "")}
	arcs := int64(0)
	for d := range 42 {
		morning := firstDay.AddDate(0, 0, d).Add(7 * time.Hour)
		if morning.Weekday() == time.Sunday {
			continue
		}
		add := func(r drift.Record) {
			r.Machine, r.ID = "K-07", fmt.Sprint(len(p.Entries))
			p.Entries = append(p.Entries, drift.Entry{Record: r, Received: r.Time})
		}
		if checked(morning.Weekday()) {
			add(drift.Record{Type: drift.TypeCalibration, Time: morning, ArcCount: drift.Some(arcs), Calibration: &drift.Calibration{Passed: drift.Some(true)}})
		}
		arcs += 40
		if evenings {
			add(drift.Record{Type: drift.TypeSplice, Time: morning.Add(9 * time.Hour), Splice: &drift.Splice{Count: drift.Some(int64(40)), Job: "J-114"}})
		}
	}
	reader := model.Reader{Settings: p.Settings}
	for i := range p.Entries {
		if ev, ok := reader.Next(&p.Entries[i]); ok {
			p.Events = append(p.Events, ev)
		}
	}
	return p
}

// The counter shows that nothing is done on a day without a record where every other day
// has one, and as much as on others where most days have none.
func TestADayWithoutARecordIsJudgedByTheCounter(t *testing.T) {
	t.Parallel()
	daily := weekly(func(time.Weekday) bool { return true }, true)
	assert.Less(t, daily.calendar().silent, 0.15)
	seldom := weekly(func(d time.Weekday) bool { return d == time.Monday || d == time.Thursday }, false)
	assert.InDelta(t, 1, seldom.calendar().silent, 1e-9)

	splices := map[time.Weekday]int{}
	for _, e := range daily.report(t, firstDay.AddDate(0, 0, 14), firstDay.AddDate(0, 0, 28)).Entries {
		day, _ := time.Parse(time.DateOnly, e.Day)
		splices[day.Weekday()] += e.Splices
	}
	assert.Zero(t, splices[time.Sunday])
	assert.InDelta(t, 80, splices[time.Wednesday], 2)
	assert.InDelta(t, 80, splices[time.Saturday], 2)
	between := 0
	for _, e := range seldom.report(t, firstDay.AddDate(0, 0, 14), firstDay.AddDate(0, 0, 28)).Entries {
		if day, _ := time.Parse(time.DateOnly, e.Day); day.Weekday() == time.Tuesday {
			between += e.Splices
		}
	}
	assert.Greater(t, between, 50)
}

// Where each day's splices are counted when its work ends, a new job begins on the day of
// its first count, and not in the evening before.
func TestACountEndsTheWorkOfItsDay(t *testing.T) {
	t.Parallel()
	p := weekly(func(time.Weekday) bool { return true }, true)
	begins := firstDay.AddDate(0, 0, 17)
	for i := range p.Entries {
		if e := &p.Entries[i]; e.Splice != nil && e.Time.After(begins) {
			e.Splice.Job = "J-115"
		}
	}
	for _, e := range p.report(t, firstDay.AddDate(0, 0, 14), firstDay.AddDate(0, 0, 22)).Entries {
		if e.Job == "J-115" {
			assert.GreaterOrEqual(t, e.Day, begins.Format(time.DateOnly))
		}
		assert.InDelta(t, 40, e.Splices, 1, e.Day)
	}
}

// What somebody decides on a Sunday makes it no working day.
func TestADecisionIsNoWork(t *testing.T) {
	t.Parallel()
	p := weekly(func(time.Weekday) bool { return true }, true)
	before := p.report(t, firstDay.AddDate(0, 0, 14), firstDay.AddDate(0, 0, 28)).Entries
	sunday := firstDay.AddDate(0, 0, 14)
	for sunday.Weekday() != time.Sunday {
		sunday = sunday.AddDate(0, 0, 1)
	}
	p.Entries = append(p.Entries, drift.Entry{Record: drift.Record{
		Type: drift.TypeDecision, ID: "d", Machine: "K-07", Time: sunday.Add(9 * time.Hour),
		Decision: &drift.Decision{Verdict: drift.Accept, Reason: "measured", Day: "2020-01-01", Role: "manager"},
	}})
	assert.Equal(t, before, p.report(t, firstDay.AddDate(0, 0, 14), firstDay.AddDate(0, 0, 28)).Entries)
}
