package lookback

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// A machine that is checked in the morning and splices until the evening.
func plainPast(t *testing.T, days int, off func(day int) float64) *Past {
	kind := model.Prior()
	kind.Target, kind.Tolerance = drift.Some(260.0), drift.Some(25.0)
	p := &Past{Machine: "K-07", Kind: &kind, Settings: (&drift.Setups{}).For("K-07", "", "")}
	arcs := int64(0)
	add := func(r drift.Record) {
		r.Machine, r.ID = "K-07", fmt.Sprintf("r-%d", len(p.Entries))
		p.Entries = append(p.Entries, drift.Entry{Record: r, Received: r.Time})
	}
	for d := range days {
		morning := firstDay.AddDate(0, 0, d).Add(6 * time.Hour)
		arcs++
		melt := 260 * math.Exp(-2*off(d)/100)
		add(drift.Record{Type: drift.TypeCalibration, Time: morning, ArcCount: drift.Some(arcs), Calibration: &drift.Calibration{
			Passed: drift.Some(math.Abs(melt-260) <= 25), MeltbackLeft: drift.Some(melt), MeltbackRight: drift.Some(melt),
			Target: drift.Some(260.0), Tolerance: drift.Some(25.0), PowerSetting: drift.Some(0.0), PowerCorrection: drift.Some(0.0),
		}})
		arcs += 40
		add(drift.Record{Type: drift.TypeUsage, Time: morning.Add(11 * time.Hour), ArcCount: drift.Some(arcs)})
		add(drift.Record{Type: drift.TypeSplice, Time: morning.Add(11*time.Hour + time.Minute), Splice: &drift.Splice{Count: drift.Some(int64(40)), Job: "J-114"}})
	}
	reader := model.Reader{Settings: p.Settings}
	for i := range p.Entries {
		if ev, ok := reader.Next(&p.Entries[i]); ok {
			p.Events = append(p.Events, ev)
		}
	}
	require.NotEmpty(t, p.Events)
	return p
}

func (p *Past) report(t require.TestingT, from, to time.Time) Report {
	q := Question{Machine: p.Machine, From: drift.Some(from), To: drift.Some(to)}
	r, err := All(1, func(visit func(int, *Past)) error { visit(0, p); return nil }, q, to)
	require.NoError(t, err)
	return r
}

// A machine that was on target for two weeks and far off from one morning on is doubted
// for the day before that morning, less for the one before, and not for the first week.
func TestWhatChangedBetweenTwoChecksIsDoubted(t *testing.T) {
	t.Parallel()
	p := plainPast(t, 24, func(day int) float64 {
		wobble := 0.8 * math.Sin(float64(7*day))
		if day >= 15 {
			return 9 + wobble
		}
		return wobble
	})
	now := firstDay.AddDate(0, 0, 24)
	r := p.report(t, firstDay, now)
	chance := map[string]float64{}
	for _, e := range r.Entries {
		chance[e.Day] = e.Chance
		assert.Equal(t, 40, e.Splices, e.Day)
		assert.True(t, e.Counted, e.Day)
	}
	day := func(d int) float64 { return chance[firstDay.AddDate(0, 0, d).Format(time.DateOnly)] }
	assert.Less(t, day(5), 0.05)
	assert.Less(t, day(12), 0.1)
	assert.Greater(t, day(14), 0.2, "the day on which it changed")
	assert.Greater(t, day(18), 0.8)
	assert.Equal(t, TooWeak, r.Entries[0].Way)

	spans := p.Look(Query{From: firstDay, Now: now}).Spans
	require.NotEmpty(t, spans)
	last := spans[len(spans)-1]
	assert.Contains(t, last.Triggers, CheckFailed)
	assert.Less(t, last.From, firstDay.AddDate(0, 0, 15), "reaches back before the first check that failed")
}

// A question about one day is answered with the splices of that day, though the record
// of the next counts those since the evening.
func TestADayHasItsOwnSplices(t *testing.T) {
	t.Parallel()
	p := plainPast(t, 10, func(day int) float64 { return math.Sin(float64(7 * day)) })
	for d := 1; d < 9; d++ {
		from := firstDay.AddDate(0, 0, d)
		r := p.report(t, from, from.AddDate(0, 0, 1))
		require.Len(t, r.Entries, 1)
		assert.Equal(t, 40, r.Entries[0].Splices)
		assert.Equal(t, from.Format(time.DateOnly), r.Entries[0].Day)
	}
}

// The number of bad splices stated for a job is the sum of its days', and the interval
// is wider than independent splices would make it: those of a day share the machine.
func TestSplicesOfADayAreNotIndependent(t *testing.T) {
	t.Parallel()
	p := plainPast(t, 20, func(day int) float64 { return 4.5 + 2.5*math.Sin(float64(7*day)) })
	now := firstDay.AddDate(0, 0, 20)
	r := p.report(t, firstDay.AddDate(0, 0, 10), now)
	require.Len(t, r.Jobs, 1)
	sum, variance := 0.0, 0.0
	for _, e := range r.Entries {
		sum += e.Chance * float64(e.Splices)
		variance += e.Chance * (1 - e.Chance) * float64(e.Splices)
	}
	j := r.Jobs[0]
	// The mean over 160 draws has a standard error of a twelfth of the spread.
	assert.InDelta(t, sum, j.Out.Mean, 0.05*sum+2)
	independent := 2 * 1.2816 * math.Sqrt(variance)
	assert.Greater(t, float64(j.Out.High-j.Out.Low), 1.2*independent)
	assert.Contains(t, j.Summary, "J-114: 400 splices, ")
}

// Every chance is one, every number of splices whole, and splices are never lost: those
// that records count are those in the entries.
func TestSplicesAreNeverLost(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		days := rapid.IntRange(2, 8).Draw(rt, "days")
		shift := rapid.Float64Range(-8, 8).Draw(rt, "shift")
		p := plainPast(t, days, func(day int) float64 { return shift * float64(day%3) })
		now := firstDay.AddDate(0, 0, days)
		r := p.report(t, firstDay, now)
		total := 0
		for _, e := range r.Entries {
			require.GreaterOrEqual(rt, e.Chance, 0.0)
			require.LessOrEqual(rt, e.Chance, 1.0)
			require.LessOrEqual(rt, e.Out.High, e.Splices)
			require.LessOrEqual(rt, e.Out.Low, e.Out.High)
			require.NotEmpty(rt, e.Reason)
			total += e.Splices
		}
		require.Equal(rt, 40*days, total)
	})
}

// Losses measured from both ends move the answer as they should, and the machine's own
// estimate does not.
func TestMeasuredLossesMoveTheAnswer(t *testing.T) {
	t.Parallel()
	now := firstDay.AddDate(0, 0, 16)
	day := firstDay.AddDate(0, 0, 14)
	chance := func(losses ...drift.Splice) Entry {
		p := plainPast(t, 16, func(d int) float64 { return 5 + math.Sin(float64(7*d)) })
		for i := range losses {
			losses[i].Job = "J-114"
			p.Entries = append(p.Entries, drift.Entry{Record: drift.Record{Type: drift.TypeSplice, ID: fmt.Sprintf("l-%d", i), Time: day.Add(12 * time.Hour), Splice: &losses[i]}})
		}
		for _, e := range p.report(t, day, now).Entries {
			if e.Day == day.Format(time.DateOnly) {
				return e
			}
		}
		t.Fatal("no entry")
		return Entry{}
	}
	many := func(db float64, method drift.LossMethod, direction drift.LossDirection) (out []drift.Splice) {
		for i := range 20 {
			out = append(out, drift.Splice{Loss: drift.Some(db), Method: method, Direction: direction, Label: fmt.Sprint(i)})
		}
		return out
	}
	plain := chance()
	low, high := chance(many(0.02, drift.OTDR, drift.BothWays)...), chance(many(0.3, drift.OTDR, drift.BothWays)...)
	assert.Less(t, low.Chance, plain.Chance-0.05)
	assert.Greater(t, high.Chance, plain.Chance+0.05)
	assert.Equal(t, plain.Chance, low.Before.Or(-1), "what it was without them")
	assert.Equal(t, 20, low.Loss.BothWays)
	one := chance(many(0.3, drift.OTDR, drift.AToB)...)
	assert.Less(t, one.Chance, high.Chance, "one direction counts less")
}

// The mean of both directions is free of what the two fibres scatter differently: a
// splice of 0.04 dB between fibres that make 0.07 dB of difference.
func TestBothDirectionsAreAveraged(t *testing.T) {
	t.Parallel()
	at := func(db float64, d drift.LossDirection) *drift.Entry {
		return &drift.Entry{Record: drift.Record{Splice: &drift.Splice{Loss: drift.Some(db), Method: drift.OTDR, Direction: d, Label: "tray 3/7"}}}
	}
	got := measuredOf([]*drift.Entry{at(0.11, drift.AToB), at(-0.03, drift.BToA)})
	require.Len(t, got, 1)
	assert.InDelta(t, 0.04, got[0].db, 1e-12)
	assert.True(t, got[0].bothWays)
}

// Losses drawn from known curves are learnt back: 2,000 splices of which a fifth is out
// give medians to within a tenth.
func TestLossesAreLearnt(t *testing.T) {
	t.Parallel()
	samples := drawnLosses(2000)
	m := LearnLoss(samples)
	assert.InDelta(t, math.Log(0.02), math.Log(m.InMedian), 0.1)
	assert.InDelta(t, math.Log(0.12), math.Log(m.OutMedian), 0.2)
}

// A record whose time cannot be believed is placed at the one before it: its splices were
// made between that and the next, and none is lost.
func TestSplicesOfAWrongClockAreNotLost(t *testing.T) {
	t.Parallel()
	p := plainPast(t, 20, func(day int) float64 { return math.Sin(float64(7 * day)) })
	placed, last := 0, time.Time{}
	for i := range p.Entries {
		e := &p.Entries[i]
		if e.Splice == nil {
			continue
		}
		if d := e.Time.Sub(firstDay).Hours() / 24; d >= 10 && d < 13 {
			e.Time, e.Placed = time.Date(2016, 1, 1, 0, 0, 0, 0, time.UTC), last
			placed++
		}
		last = e.When()
	}
	require.Equal(t, 3, placed)
	now := firstDay.AddDate(0, 0, 20)
	r := p.report(t, firstDay, now)
	sum := 0
	for _, e := range r.Entries {
		sum += e.Splices
	}
	assert.InDelta(t, 20*40, sum, 3, "but for rounding")
	for _, text := range r.Warnings {
		assert.NotContains(t, text, "nothing can be said")
	}
}

// A finding that began before the time that is asked about is told whole: when it was first
// found out, and since when.
func TestAFindingIsTheSameWhateverPartIsAsked(t *testing.T) {
	t.Parallel()
	p := drifting(t, 20)
	now := firstDay.AddDate(0, 0, 20)
	all := p.Look(Query{From: firstDay, Now: now}).Spans
	require.NotEmpty(t, all)
	last := all[len(all)-1]
	require.Contains(t, last.Found, "first on ")
	part := p.Look(Query{From: last.To.AddDate(0, 0, -1), To: now, Now: now})
	found := part.Spans[len(part.Spans)-1]
	assert.Equal(t, last.Found, found.Found)
	assert.Equal(t, last.From, found.From)
	assert.Equal(t, last.Name, found.Name)
}
