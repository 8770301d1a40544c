package lookback

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// drifting is a machine that is on target for two weeks and then off.
func drifting(t *testing.T, days int) *Past {
	return plainPast(t, days, func(day int) float64 {
		if wobble := 0.8 * math.Sin(float64(7*day)); day < 15 {
			return wobble
		}
		return 9
	})
}

func decided(verdict drift.Verdict, day string, chance float64, at time.Time) drift.Entry {
	return drift.Entry{Record: drift.Record{
		Type: drift.TypeDecision, ID: "d-" + day + string(verdict), Machine: "K-07", Time: at, Operator: "Ada",
		Decision: &drift.Decision{Verdict: verdict, Day: day, Job: "J-114", Reason: "measured again", Role: "bench", Chance: drift.Some(chance)},
	}}
}

// An entry waits until somebody decides. The latest decision counts, and one that rested
// on another figure is open again, with both.
func TestADecisionClosesAnEntryUntilTheAnswerChanges(t *testing.T) {
	t.Parallel()
	now := firstDay.AddDate(0, 0, 20)
	entry := func(p *Past) Entry { return p.report(t, firstDay, now).Entries[0] }
	open := entry(drifting(t, 20))
	require.True(t, open.Open)
	require.Nil(t, open.Decision)

	p := drifting(t, 20)
	p.Entries = append(p.Entries, decided(drift.Remeasure, open.Day, open.Chance, now.Add(-2*time.Hour)), decided(drift.Accept, open.Day, open.Chance, now.Add(-time.Hour)))
	closed := entry(p)
	assert.False(t, closed.Open)
	assert.Equal(t, drift.Accept, closed.Decision.Verdict)
	assert.Equal(t, "Ada", closed.Decision.By)
	assert.Equal(t, open.Chance, closed.Chance, "a decision changes no answer")

	p = drifting(t, 20)
	p.Entries = append(p.Entries, decided(drift.Accept, open.Day, open.Chance-Material-0.01, now.Add(-time.Hour)))
	again := entry(p)
	assert.True(t, again.Open)
	assert.Equal(t, &Reopened{Was: open.Chance - Material - 0.01, Is: open.Chance}, again.Reopened)
}

// A task to measure again goes on while its splices are measured, whatever they show; a
// decision to accept does not outlast them.
func TestMeasuringDoesNotEndItsTask(t *testing.T) {
	t.Parallel()
	now := firstDay.AddDate(0, 0, 20)
	open := drifting(t, 20).report(t, firstDay, now).Entries[0]
	made, err := time.Parse(time.DateOnly, open.Day)
	require.NoError(t, err)
	for verdict, opens := range map[drift.Verdict]bool{drift.Remeasure: false, drift.Accept: true} {
		p := drifting(t, 20)
		for i := range 20 {
			p.Entries = append(p.Entries, drift.Entry{Record: drift.Record{Type: drift.TypeSplice, ID: fmt.Sprint("l-", i), Machine: "K-07", Time: made.Add(12 * time.Hour), Splice: &drift.Splice{
				Job: "J-114", Loss: drift.Some(0.02), Method: drift.OTDR, Direction: drift.BothWays,
			}}})
		}
		p.Entries = append(p.Entries, decided(verdict, open.Day, open.Chance, now.Add(-time.Hour)))
		for _, e := range p.report(t, firstDay, now).Entries {
			if e.Day == open.Day {
				require.Less(t, e.Chance, open.Chance-Material)
				assert.Equal(t, opens, e.Open, verdict)
				assert.Equal(t, opens, e.Reopened != nil, verdict)
			}
		}
	}
}

// Every trigger starts a look-back.
func TestWhatStartsALookBack(t *testing.T) {
	t.Parallel()
	triggers := func(change func(p *Past)) map[Trigger]bool {
		p := plainPast(t, 16, func(day int) float64 { return 0.8 * math.Sin(float64(7*day)) })
		change(p)
		out := map[Trigger]bool{}
		for _, f := range p.Faults() {
			out[f.Trigger] = true
		}
		return out
	}
	assert.Empty(t, triggers(func(*Past) {}))
	assert.True(t, triggers(func(p *Past) { *p = *drifting(t, 20) })[CheckFailed])
	assert.True(t, triggers(func(p *Past) { p.Entries[9].CorrectedBy = []string{"c-1"} })[RecordCorrected])
	assert.True(t, triggers(func(p *Past) {
		p.Entries = append(p.Entries, drift.Entry{Record: drift.Record{Type: drift.TypeService, ID: "s-1", Time: firstDay.AddDate(0, 0, 16), Service: &drift.Service{Action: drift.Inspected, Finding: drift.Worn}}})
	})[PairWorn])
	assert.True(t, triggers(func(p *Past) {
		p.Entries = append(p.Entries, drift.Entry{Record: drift.Record{Type: drift.TypeSplice, ID: "u-1", Time: firstDay.AddDate(0, 0, 17).Add(12 * time.Hour), Splice: &drift.Splice{Count: drift.Some(int64(9))}}})
	})[RuleBroken], "used on a day without its check")
}

// What cannot be answered is stated and not dropped: splices of a machine without a
// calibration, losses that fit nothing, clocks that cannot be right.
func TestWhatCannotBeAnsweredIsStated(t *testing.T) {
	t.Parallel()
	splice := func(s drift.Splice) drift.Entry {
		s.Job = "J-114"
		return drift.Entry{Record: drift.Record{Type: drift.TypeSplice, ID: "s", Time: firstDay.Add(12 * time.Hour), Splice: &s}, Received: firstDay.Add(12 * time.Hour)}
	}
	now := firstDay.AddDate(0, 0, 3)
	stranger := &Past{Machine: "X-99", Kind: drifting(t, 1).Kind, Entries: []drift.Entry{splice(drift.Splice{Count: drift.Some(int64(12))})}}
	r := stranger.report(t, firstDay, now)
	assert.Empty(t, r.Entries)
	assert.Equal(t, []string{"X-99: nothing can be said of 12 splices, because no calibration of this machine is known from before that time. The numbers likely out leave them out."}, r.Warnings)

	p := drifting(t, 3)
	lone := splice(drift.Splice{Loss: drift.Some(0.2), Method: drift.OTDR, Direction: drift.BothWays})
	lone.Splice.Job = "J-115"
	p.Entries = append(p.Entries, lone)
	odd := p.Entries[0]
	p.Entries[0].Received = odd.Time.Add(-time.Hour)
	r = p.report(t, firstDay, now)
	assert.Contains(t, r.Warnings, "K-07: 1 measured loss fits no splices that a record counts on that day for that job. Check machine, time and job of these records.")
	lately, err := All(1, func(visit func(int, *Past)) error { visit(0, p); return nil }, Question{}, now)
	require.NoError(t, err)
	assert.Contains(t, lately.Warnings, "K-07: 1 measured loss fits no splices that a record counts on that day for that job. Check machine, time and job of these records.")
	assert.Contains(t, r.Warnings, "K-07: 1 record has a time that cannot be right and counts where the arrival and the neighbours place it. The days of this machine may be wrong.")
}

// A question is refused in one sentence.
func TestQuestionsAreChecked(t *testing.T) {
	t.Parallel()
	at := drift.Some(firstDay)
	for sentence, q := range map[string]Question{
		"machine is missing: a time is asked about one machine, or give a job":                            {From: at},
		"to is \"2026-01-05T00:00:00Z\": it must be later than from":                                      {Machine: "K-07", From: at, To: at},
		"from is \"2022-01-05T00:00:00Z\": it is more than three years before to: ask for a shorter time": {Machine: "K-07", From: drift.Some(firstDay.AddDate(-4, 0, 0)), To: at},
	} {
		assert.EqualError(t, q.Check(), sentence)
	}
	assert.NoError(t, (&Question{}).Check())
}

// A machine that drifts for many days and is then found out is one finding, whose splices
// are added up. Decisions on all its entries close it; work that nobody found fault with
// asks for nothing, however high its chance.
func TestAFindingIsOneSpanOfManyDays(t *testing.T) {
	t.Parallel()
	now := firstDay.AddDate(0, 0, 20)
	lately := func(p *Past, q Question) Report {
		r, err := All(1, func(visit func(int, *Past)) error { visit(0, p); return nil }, q, now)
		require.NoError(t, err)
		return r
	}
	p := drifting(t, 20)
	r := lately(p, Question{})
	waiting := r.Waiting()
	require.Len(t, waiting, 1)
	s := waiting[0]
	open, splices := 0, 0
	for _, e := range r.Entries {
		assert.Equal(t, s.Name, e.Span)
		if e.Open {
			open, splices = open+1, splices+e.Splices
			p.Entries = append(p.Entries, decided(drift.Accept, e.Day, e.Chance, now.Add(-time.Hour)))
		}
	}
	require.Greater(t, open, 1)
	assert.Equal(t, open, s.Waiting.Entries)
	assert.Equal(t, splices, s.Waiting.Splices)
	assert.GreaterOrEqual(t, s.All.Entries, open)
	assert.LessOrEqual(t, float64(s.Waiting.Out.Low), s.Waiting.Out.Mean)
	assert.GreaterOrEqual(t, float64(s.Waiting.Out.High), s.Waiting.Out.Mean)
	assert.Contains(t, s.Summary, "K-07: ")
	assert.Contains(t, s.Summary, "likely out, between")

	settled := lately(p, Question{})
	assert.Empty(t, settled.Waiting())
	n, oldest := settled.OpenSpans()
	assert.Zero(t, n)
	assert.Zero(t, oldest)

	for _, e := range lately(drifting(t, 20), Question{Machine: "K-07", From: drift.Some(firstDay), To: drift.Some(now)}).Entries {
		assert.Equal(t, e.Chance >= OpenFrom && e.Span == s.Name, e.Open, e.Day)
	}
	ordinary := Entry{Chance: 0.9, Open: true}
	ordinary.decide(nil, false)
	assert.False(t, ordinary.Open)
}

// Where one span ends and the next begins on one day, that day is one entry of each job: a
// decision names the day, and closes it.
func TestADayInTwoSpansIsOneEntry(t *testing.T) {
	t.Parallel()
	lot := func(span string, splices, out int, chance float64) Lot {
		return Lot{Entry: Entry{Machine: "K-07", Day: "2026-03-02", Job: "J-114", Span: span, Splices: splices, Counted: true, Chance: chance}, counts: []int{out, out}}
	}
	found := []Found{{
		Spans: []Span{{Name: "a", Machine: "K-07", Triggers: []Trigger{CheckFailed}}, {Name: "b", Machine: "K-07", Triggers: []Trigger{CheckFailed}}},
		Lots:  []Lot{lot("a", 10, 9, 0.9), lot("b", 30, 9, 0.3)},
	}}
	r := Assemble(found, nil, "", firstDay)
	require.Len(t, r.Entries, 1)
	e := r.Entries[0]
	assert.Equal(t, 40, e.Splices)
	assert.InDelta(t, (10*0.9+30*0.3)/40, e.Chance, 1e-9)
	assert.Equal(t, Number{Mean: 18, Low: 18, High: 18}, e.Out)
	assert.Equal(t, "b", e.Span)
	d := decided(drift.Accept, e.Day, e.Chance, firstDay)
	closed := Assemble(found, []Decided{{"K-07", &d}}, "", firstDay)
	assert.Empty(t, closed.Waiting())
}

func TestDaysOfASpanAreWrittenShort(t *testing.T) {
	t.Parallel()
	assert.Equal(t, "14 to 29 Nov", between("2026-11-14", "2026-11-29"))
	assert.Equal(t, "29 Nov", between("2026-11-29", "2026-11-29"))
	assert.Equal(t, "28 Nov to 2 Dec", between("2026-11-28", "2026-12-02"))
	assert.Equal(t, "30 Dec 2026 to 2 Jan 2027", between("2026-12-30", "2027-01-02"))
}
