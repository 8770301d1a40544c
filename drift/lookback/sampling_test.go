package lookback

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
)

// plainView is a lot of which the draws say different things, with a chance in the middle:
// quantiles of a normal distribution in logits, so that no test depends on a draw.
func plainView(chance float64) Lot {
	v := &view{chance: make([]float64, draws)}
	mean := 0.0
	for d := range draws {
		v.chance[d] = logistic(logit(chance) + math.Sqrt2*math.Erfinv(2*(float64(d)+0.5)/draws-1))
		mean += v.chance[d] / draws
	}
	return Lot{Entry: Entry{Splices: 40, Chance: mean, Open: true}, view: v}
}

// Before anything is measured the chance is the one stated; good splices lower it, bad ones
// raise it, and what is seen of one day tells of the others, but less than of its own.
func TestWhatIsMeasuredTellsOfTheOthers(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(0.02, 0.95).Draw(t, "chance")
		lot := plainView(p)
		s := NewSampling([]Lot{lot, plainView(p)})
		assert.InDelta(t, lot.Entry.Chance, s.Chance(0), 0.02, "stretched logits leave the mean")
		was := s.Chance(0)
		good := rapid.Bool().Draw(t, "good")
		n, out := rapid.IntRange(1, 30).Draw(t, "splices"), 0
		if !good {
			out = n
		}
		s.Saw(0, n, out)
		own, other := s.Chance(0), s.Chance(1)
		if good {
			assert.Less(t, own, other)
			assert.Less(t, other, was)
		} else {
			assert.Greater(t, own, other)
			assert.Greater(t, other, was)
		}
	})
	// Of very many the share out is the chance.
	s := NewSampling([]Lot{plainView(0.5)})
	s.Saw(0, 1000, 120)
	assert.InDelta(t, 0.12, s.Chance(0), 0.03)
}

// In two splices, the update is Bayes' rule over all draws and points, done by hand.
func TestSamplingIsBayesByHand(t *testing.T) {
	t.Parallel()
	lot := plainView(0.3)
	s := NewSampling([]Lot{lot})
	s.Saw(0, 2, 1)
	above, below := 0.0, 0.0
	for d := range draws {
		for z := range points {
			q := lot.view.at(d, z)
			above, below = above+q*q*(1-q), below+q*(1-q)
		}
	}
	assert.InDelta(t, above/below, s.Chance(0), 1e-9)
}

// The report says what to measure next and how many good ones settle it: as many do, one
// fewer does not.
func TestAFindingSaysWhatToMeasureNext(t *testing.T) {
	t.Parallel()
	worse, better := plainView(0.5), plainView(0.3)
	worse.Entry.Day, worse.Entry.Job, better.Entry.Day = "2026-03-02", "J-114", "2026-03-01"
	n, chance, db := worse.enough()
	assert.Greater(t, n, 1)
	assert.Less(t, chance, OpenFrom)
	assert.InDelta(t, PriorLoss().InMedian, db, 1e-12)
	text := next([]Lot{better, worse})
	assert.Contains(t, text, "Measure next: 2 Mar 2026, J-114, ")
	assert.Contains(t, text, "of 40 splices from both ends. The chance of each is 50 %. If they lose about 0.03 dB each, that of the others falls to ")

	two := worse
	two.Entry.Splices, two.Entry.Day = 2, "2026-03-03"
	two.Entry.Chance = 0.6
	assert.Equal(t, text, next([]Lot{two, better, worse}), "two splices tell of no others")
	assert.Contains(t, next([]Lot{two}), "3 Mar 2026")

	few := worse
	few.Entry.Splices = n - 1
	assert.Contains(t, next([]Lot{few}), "all ")
	settled := plainView(0.1)
	assert.Contains(t, next([]Lot{settled}), "Enough was measured")
	settled.Entry.Open = false
	assert.Empty(t, next([]Lot{settled}), "nobody has to decide")
	settled.Entry.Decision = &Decision{Verdict: drift.Remeasure}
	assert.NotEmpty(t, next([]Lot{settled}), "a task")
}

// The advice comes true: with as many good losses as it names, it goes on to another day or
// says that it is enough.
func TestMeasuringAsAdvisedSettlesADay(t *testing.T) {
	t.Parallel()
	now := firstDay.AddDate(0, 0, 16)
	day := firstDay.AddDate(0, 0, 14).Format(time.DateOnly)
	p := plainPast(t, 16, func(d int) float64 { return 5 + math.Sin(float64(7*d)) })
	found := p.Look(Query{From: firstDay.AddDate(0, 0, 14), To: now, Now: now})
	i := 0
	for found.Lots[i].Entry.Day != day {
		i++
	}
	lot := found.Lots[i]
	require.GreaterOrEqual(t, lot.Entry.Chance, OpenFrom)
	n, after, db := lot.enough()
	require.Less(t, n, lot.Entry.Splices)
	losses := PriorLoss()
	for range n {
		p.Entries = append(p.Entries, drift.Entry{Record: drift.Record{
			Type: drift.TypeSplice, ID: "l-" + string(rune('a'+len(p.Entries)%26)) + time.Duration(len(p.Entries)).String(), Time: firstDay.AddDate(0, 0, 14).Add(12 * time.Hour),
			Splice: &drift.Splice{Job: "J-114", Loss: drift.Some(db), Method: drift.OTDR, Direction: drift.BothWays},
		}})
	}
	again := p.Look(Query{From: firstDay.AddDate(0, 0, 14), To: now, Now: now, Losses: &losses})
	left, chance := again.Lots[i].rest()
	assert.Equal(t, lot.Entry.Splices-n, left)
	assert.InDelta(t, after, chance, 0.02)
	assert.Less(t, chance, OpenFrom+0.01)
}
