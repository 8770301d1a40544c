package whatif

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift/fit"
)

var monday = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

// steady is a machine whose need rises by slope a day, checked every day to the point,
// with a scatter and a tolerance of one.
func steady(days int, slope, splices float64) Machine {
	m := Machine{Name: "K-07", Model: "type-1", Minutes: 5}
	for i := range days {
		need := slope * float64(i)
		m.Days = append(m.Days, Work{
			Day: monday.AddDate(0, 0, i), Site: "yard", Splices: splices, Tried: true, Checked: true, Need: []float64{need}, Setting: []float64{need},
			Out: func(_ int, setting float64) float64 { return out(need - setting) },
		})
	}
	return m
}

// out is the chance that a deviation with a normal scatter of one lies beyond one.
func out(off float64) float64 { return fit.NormalCDF(-1-off) + fit.NormalCDF(off-1) }

// With a need that rises evenly, checks every n days leave deviations of 0, 1, … n−1
// times the slope, each as often: a closed form. It holds but for the first days, as a
// replay that begins between two checks begins with the machine as it stood.
func TestIntervalsOfAnEvenRise(t *testing.T) {
	t.Parallel()
	const slope, splices, days = 0.4, 30.0, 60
	rows := Intervals([]Machine{steady(days, slope, splices)}, []int{1, 2, 3, 5}, 1, 1)
	require.Len(t, rows, 5)
	for _, r := range rows {
		n := max(r.Every, 1)
		want := 0.0
		for k := range n {
			want += 1000 * out(slope*float64(k)) / float64(n)
		}
		begins := 1e-9
		if n > 1 {
			begins = 1000 * out(slope*float64(n-1)) * float64(n) / days
		}
		assert.InDelta(t, want, r.Out.Mean, begins, "every %d days", r.Every)
		assert.InDelta(t, r.Out.Mean-1000*out(0), r.ExtraRate.Mean, 1e-9)
		assert.InDelta(t, 7*splices*r.ExtraRate.Mean/1000, r.Extra.Mean, 1e-9)
		assert.InDelta(t, 7.0/float64(n), r.Checks, 1e-9)
		assert.InDelta(t, 35-35.0/float64(n), r.Saved, 1e-9)
	}
}

// Where nobody checked, a check that a policy adds leaves the machine as its others did.
func TestACheckThatWasNotMadeIsInvented(t *testing.T) {
	t.Parallel()
	m := steady(60, 0.4, 30)
	const left = 0.25
	for i := range m.Days {
		d := &m.Days[i]
		d.Checked = i%5 == 0
		d.Tried = d.Checked
		d.Setting[0] = m.Days[i-i%5].Need[0] + left
	}
	rows := Intervals([]Machine{m}, []int{1}, 1, 1)
	assert.InDelta(t, 1000*out(left), rows[1].Out.Mean, 1e-9)
	assert.Negative(t, rows[1].ExtraRate.Mean)
	assert.Negative(t, rows[1].Saved)
}

// A check that ends without a pass does not set the machine right under another interval
// either: it is made again on the next day, and no interval is better than how it was.
func TestACheckWithoutAPassRepairsNothing(t *testing.T) {
	t.Parallel()
	m := steady(60, 0, 30)
	for i := range m.Days {
		d := &m.Days[i]
		if i >= 30 { // at its limit from then on
			d.Need[0], d.Setting[0], d.Checked = 8, 4, false
			d.Out = func(_ int, setting float64) float64 { return out(8 - setting) }
		}
	}
	rows := Intervals([]Machine{m}, []int{1, 2, 7}, 1, 1)
	for _, r := range rows[1:] {
		assert.GreaterOrEqual(t, r.ExtraRate.Mean, -1e-9, "every %d days", r.Every)
	}
	assert.InDelta(t, rows[0].Checks, rows[1].Checks, 1e-9)
	assert.Greater(t, rows[3].Checks, 7*30.0/60, "each day while none passes")
}

// Work on the electrodes that a failed check led to waits for the next check of the
// interval; planned work does not, nor where a move asks for a check.
func TestWhatACheckHasFoundWaitsForTheNext(t *testing.T) {
	t.Parallel()
	const bad = 3.0
	for found, late := range map[bool]float64{true: 1, false: 0} {
		m := steady(60, 0, 30)
		for i := range m.Days {
			d := &m.Days[i]
			if i%10 == 0 && i > 0 {
				d.Forced, d.Found = true, found
				if found {
					d.Bad = func(int, float64) float64 { return out(bad) }
				}
			}
		}
		rows := Intervals([]Machine{m}, []int{1, 7}, 1, 1)
		assert.InDelta(t, 0, rows[1].ExtraRate.Mean, 1e-9)
		if late > 0 {
			assert.Greater(t, rows[2].ExtraRate.Mean, 50.0)
		} else {
			assert.InDelta(t, 0, rows[2].ExtraRate.Mean, 1e-9)
		}
	}
}

// A machine that corrects a part of an error only follows a rise slower if it is checked
// less: with a rise by one between two checks and half left, the setting lags by two after
// a check instead of by one.
func TestAPartOfAnErrorIsLeft(t *testing.T) {
	t.Parallel()
	m := steady(200, 0.5, 30)
	m.KeepsPass, m.KeepsFail, m.Tolerance = 0.5, 0.5, 100
	for i := range m.Days { // checked every day: lags by 0.5·(0.5 + 0.25 + …) = 0.5
		m.Days[i].Setting[0] = m.Days[i].Need[0] - 0.5
	}
	rows := Intervals([]Machine{m}, []int{1, 2}, 1, 1)
	assert.InDelta(t, 1000*out(0.5), rows[1].Out.Mean, 1e-6)
	// Every two days: after a check it lags by 1, on the day after by 1.5.
	assert.InDelta(t, 1000*(out(1)+out(1.5))/2, rows[2].Out.Mean, 15)
}

// On which day the first check falls is chance: a machine that goes wrong on every fourth
// day, and is set right by a check, looks perfect or hopeless from one start alone. The row
// is the median, and its range holds both.
func TestIntervalsAreReplayedFromSeveralDays(t *testing.T) {
	t.Parallel()
	m := steady(80, 0, 30)
	for i := range m.Days {
		d := &m.Days[i]
		need := float64(i / 4 * 4)
		d.Need[0], d.Setting[0] = need, need
		d.Out = func(_ int, setting float64) float64 { return out(need - setting) }
	}
	row := Intervals([]Machine{m}, []int{4}, 1, 1)[1]
	lucky, late := 1000*out(0), 1000*(out(0)+3*out(4))/4
	assert.Less(t, row.Out.Low, lucky+1)
	assert.Greater(t, row.Out.High, 0.9*late)
	assert.Greater(t, row.Out.Mean, lucky+100)
	assert.Less(t, row.Out.Mean, late-100)
	assert.Equal(t, []int{0, 1, 2, 3}, starts(4))
	assert.Equal(t, []int{0, 2, 4, 6, 8, 10, 12}, starts(14))
	assert.Equal(t, []int{0}, starts(0))
}

// As it was is how it was, whatever the days were like; a check another rule asks for is
// in every row.
func TestADayRuleThatWasKeptChangesNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		m := steady(rapid.IntRange(2, 40).Draw(t, "days"), 0, 10)
		work := monday
		for i := range m.Days {
			d := &m.Days[i]
			work = work.AddDate(0, 0, rapid.IntRange(1, 4).Draw(t, "gap"))
			need := rapid.Float64Range(-3, 3).Draw(t, "need")
			d.Day, d.Need[0], d.Setting[0] = work, need, need+rapid.Float64Range(-1, 1).Draw(t, "left")
			d.Forced = rapid.Bool().Draw(t, "forced")
			d.Out = func(_ int, setting float64) float64 { return out(need - setting) }
		}
		rows := Intervals([]Machine{m}, []int{1, 1000}, 1, 1)
		assert.InDelta(t, 0, rows[1].ExtraRate.Mean, 1e-9)
		assert.InDelta(t, 0, rows[1].Saved, 1e-9)
		forced := 1
		for _, d := range m.Days[1:] {
			if d.Forced {
				forced++
			}
		}
		weeks := (m.Days[len(m.Days)-1].Day.Sub(m.Days[0].Day).Hours()/24 + 1) / 7
		first := 1 // the check of the first day is in the replay that begins with one, not in most
		if m.Days[0].Forced {
			first = 0
		}
		assert.InDelta(t, float64(forced-first)/weeks, rows[2].Checks, 1e-9)
	})
}

func TestAdviceIsTheLongestAtEqualRisk(t *testing.T) {
	t.Parallel()
	machines := []Machine{steady(80, 0.01, 30), steady(80, 0.01, 30)}
	rows := Intervals(machines, []int{1, 2, 3, 5, 7, 14}, 1, 1)
	for _, one := range []struct {
		risk  float64
		every int
	}{{0, 1}, {0.2, 5}, {1000, 14}} {
		advice := Advise(rows, one.risk)
		require.Len(t, advice, 1)
		assert.Equal(t, one.every, advice[0].Every, "risk %g", one.risk)
	}
	assert.Zero(t, Advise(Intervals(machines[:1], []int{1, 2}, 1, 1), 1000)[0].Every, "one machine says nothing of a place")
	assert.Zero(t, Advise(Intervals([]Machine{steady(20, 0, 30), steady(20, 0, 30)}, []int{2}, 1, 1), 1000)[0].Every, "twenty days neither")
}

// lives draws n lives, watched up to a limit.
func lives(n int, limit float64, draw func(*rand.Rand) float64) []fit.Life {
	rng := rand.New(rand.NewPCG(3, 4))
	out := make([]fit.Life, n)
	for i := range out {
		length := draw(rng)
		out[i] = fit.Life{Length: min(length, limit), Ended: length < limit}
	}
	return out
}

// A hazard that does not change: service at any age leaves the failures as they are. A
// Weibull life of shape 2 and scale η: F(a) = 1 − exp(−(a/η)²), and the cycle is
// η·√π/2·erf(a/η). 4000 lives leave about 3 % of doubt, of which the interval is told.
func TestCleaningAtSomeArcs(t *testing.T) {
	t.Parallel()
	const scale = 1500.0
	even := lives(4000, 3000, func(r *rand.Rand) float64 { return scale * r.ExpFloat64() })
	worn := lives(4000, 3000, func(r *rand.Rand) float64 { return scale * math.Sqrt(r.ExpFloat64()) })
	for _, at := range []float64{300, 1000, 2500} {
		c, err := CleanAt(even, at, 1)
		require.NoError(t, err)
		assert.InEpsilon(t, per/scale, c.Failures.Mean, 0.06, "at %g", at)
		assert.InEpsilon(t, per/(scale*(1-math.Exp(-at/scale))), c.Services.Mean, 0.03, "at %g", at)

		c, err = CleanAt(worn, at, 1)
		require.NoError(t, err)
		cycle := scale * math.Sqrt(math.Pi) / 2 * math.Erf(at/scale)
		assert.InEpsilon(t, per/cycle, c.Services.Mean, 0.03, "at %g", at)
		assert.InEpsilon(t, per*(1-math.Exp(-at*at/scale/scale))/cycle, c.Failures.Mean, 0.12, "at %g", at)
		assert.Less(t, c.Failures.Low, c.Failures.Mean)
		assert.Less(t, c.Failures.Mean, c.Failures.High)
		assert.False(t, c.Beyond)
	}
	c, err := CleanAt(worn, 4000, 1)
	require.NoError(t, err)
	assert.True(t, c.Beyond, "nobody left a pair so long")
	_, err = CleanAt(nil, 1000, 1)
	require.Error(t, err)
	was := AsItWas([]fit.Life{{Length: 400, Ended: true}, {Length: 600}}, 1)
	assert.InDelta(t, 20, was.Services.Mean, 1e-9)
	assert.InDelta(t, 10, was.Failures.Mean, 1e-9)
	assert.Equal(t, Cleaning{}, AsItWas(nil, 1))
}

// With demand at random a base stock is empty as often as a Poisson number of pairs under
// way reaches it (Palm's theorem; Poisson arrivals see time averages). 20,000 demands
// leave about 0.01 of doubt.
func TestSparesAtRandomDemand(t *testing.T) {
	t.Parallel()
	const rate, lead = 0.25, 8.0 // a day, days
	rng := rand.New(rand.NewPCG(5, 6))
	var demand []time.Time
	days := 0.0
	for range 20000 {
		days += rng.ExpFloat64() / rate
		demand = append(demand, monday.Add(time.Duration(days*24*float64(time.Hour))))
	}
	end := demand[len(demand)-1]
	tail, term := 1.0, math.Exp(-rate*lead)
	for n := range 5 {
		s := SparesOf(demand, n, lead*24*time.Hour, monday, end)
		assert.InDelta(t, tail, s.Empty, 0.012, "%d pairs", n)
		assert.InDelta(t, tail, float64(s.Short)/float64(s.Used), 0.012, "%d pairs", n)
		tail -= term
		term *= rate * lead / float64(n+1)
	}
}

func TestSparesOfAFewPairs(t *testing.T) {
	t.Parallel()
	day := func(n int) time.Time { return monday.AddDate(0, 0, n) }
	s := SparesOf([]time.Time{day(4), day(0), day(2), day(-9)}, 1, 3*24*time.Hour, day(0), day(10))
	assert.Equal(t, Spares{Pairs: 1, LeadDays: 3, Used: 3, Days: 10, Short: 2, Empty: 0.7}, s)
}

func TestQuestionsThatMakeNoSenseAreNamed(t *testing.T) {
	t.Parallel()
	good := Question{From: monday, To: monday.AddDate(0, 1, 0), Every: []int{1, 365}, CleanAt: []float64{1}, Spares: []int{0}}
	require.NoError(t, good.Check())
	for want, change := range map[string]func(*Question){
		"begin before it ends": func(q *Question) { q.To = monday },
		"from 1 to 365":        func(q *Question) { q.Every = []int{0} },
		"the arcs":             func(q *Question) { q.CleanAt = []float64{0} },
		"spare pairs":          func(q *Question) { q.Spares = []int{-1} },
		"the risk":             func(q *Question) { q.Risk = -1 },
	} {
		bad := good
		change(&bad)
		assert.ErrorContains(t, bad.Check(), want)
	}
}
