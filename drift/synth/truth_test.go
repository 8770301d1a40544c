package synth

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

const horizon = 6000

func TestTruthLooksBackExactly(t *testing.T) {
	f := Make(world(t, "unlogged"), 9, 10, monday, 90)
	for _, m := range f.Truth.Machines {
		atBench := map[time.Time]bool{}
		for _, s := range m.Sessions {
			atBench[s.Time] = s.Trigger == "electrode-service"
		}
		for _, a := range m.Attempts {
			before, after := m.At(a.Time.Add(-time.Second)), m.At(a.Time)
			if a.Number != 1 || atBench[a.Time] {
				continue
			}
			require.Equal(t, a.Arcs, before.Arcs+1)
			require.Equal(t, a.SettingPct, before.SettingPct)
			require.Equal(t, a.Pair, before.Pair)
			require.InDelta(t, a.RequiredPct, before.RequiredPct, 0.3, "one arc of wear, or of a new pair")
			require.Greater(t, after.Arcs, before.Arcs)
		}
	}
	m := f.Truth.Machines[0]
	assert.Equal(t, m.At(monday.AddDate(-1, 0, 0)).Arcs, m.At(monday).Arcs, "before the span: its first moment")
	assert.Equal(t, m.At(monday.AddDate(0, 0, 90)), withAir(m, m.At(monday.AddDate(1, 0, 90)), monday.AddDate(0, 0, 90)))
}

// withAir is a condition with the air of another moment.
func withAir(m *Machine, c Condition, at time.Time) Condition {
	c.Air = m.At(at).Air
	return c
}

// Until someone meddles, what would happen is what happens: before the first
// session that would fail with good ends, every look ahead since the last
// service points at it.
func TestArcsToFailureIsWhatHappensUnlessSomeoneMeddles(t *testing.T) {
	w := world(t, "straight")
	w.Ends.BadEnd, w.Ends.BluntBadEnd = 0, 0
	f := Make(w, 4, 30, monday, 150)
	checked := 0
	for _, m := range f.Truth.Machines {
		first := slices.IndexFunc(m.Sessions, func(s Session) bool { return !s.Fit })
		if first < 0 || len(m.Services) > 0 && m.Services[0].Time.Before(m.Sessions[first].Time) {
			continue
		}
		end := m.Sessions[first]
		assert.False(t, end.Passed)
		for _, days := range []int{1, 3, 10, 25} {
			at := end.Time.AddDate(0, 0, -days)
			if at.Before(monday) {
				continue
			}
			left, ends := m.ArcsToFailure(at, 20_000)
			require.True(t, ends)
			require.Equal(t, end.Arcs-m.At(at).Arcs, left)
			checked++
		}
	}
	assert.Greater(t, checked, 40)
}

func TestHorizonCuts(t *testing.T) {
	m := Make(world(t, "straight"), 4, 1, monday, 30).Truth.Machines[0]
	at := monday.AddDate(0, 0, 15)
	left, ends := m.ArcsToFailure(at, 20_000)
	require.True(t, ends)
	cut, ends := m.ArcsToFailure(at, left-1)
	assert.False(t, ends)
	assert.Equal(t, left-1, cut)
	same, ends := m.ArcsToFailure(at, left)
	assert.True(t, ends)
	assert.Equal(t, left, same)
	for _, a := range m.Futures(at, 100, 20, 1) {
		assert.LessOrEqual(t, a, int64(100))
	}
}

// Who knows all but chance is calibrated: the rank of what happens among the
// futures is uniform. One look per machine keeps the ranks independent. The
// bound is Kolmogorov's at a chance of 1 in 1000: 1.95/√n.
func TestPerfectKnowledgeIsCalibrated(t *testing.T) {
	const machines, draws = 200, 40
	rng := rand.New(rand.NewPCG(1, 2))
	for _, name := range append(lawful(), "straight", "dirty", "thin-air", "three-models") {
		f := Make(world(t, name), 21, machines, monday, 60)
		ranks := make([]float64, 0, machines)
		for i, m := range f.Truth.Machines {
			at := monday.AddDate(0, 0, 10+i%45).Add(14 * time.Hour)
			got, _ := m.ArcsToFailure(at, horizon)
			below, equal := 0, 0
			for _, a := range m.Futures(at, horizon, draws, uint64(i)) {
				switch {
				case a < got:
					below++
				case a == got:
					equal++
				}
			}
			ranks = append(ranks, (float64(below)+rng.Float64()*float64(equal+1))/(draws+1))
		}
		assert.Less(t, distanceFromUniform(ranks), 1.95/math.Sqrt(machines), name)
	}
}

// lawful are the names of the worlds with other laws.
func lawful() []string {
	var names []string
	for _, w := range Worlds() {
		if w.OtherLaws() {
			names = append(names, w.Name)
		}
	}
	return names
}

func distanceFromUniform(u []float64) float64 {
	slices.Sort(u)
	d, n := 0.0, float64(len(u))
	for i, x := range u {
		d = max(d, x-float64(i)/n, float64(i+1)/n-x)
	}
	return d
}

func TestBadEndsAreNotTheElectrodes(t *testing.T) {
	w := world(t, "healthy")
	w.Ends = Ends{BadEnd: 0.8, BluntBadEnd: 0.9, BluntEvery: 5, BluntDays: 5}
	without := 0
	for _, m := range Make(w, 3, 10, monday, 30).Truth.Machines {
		for _, s := range m.Sessions {
			if !s.Passed {
				without++
			}
			assert.True(t, s.Fit)
		}
		_, ends := m.ArcsToFailure(monday.AddDate(0, 0, 20), horizon)
		assert.False(t, ends, "with well-prepared ends nothing is wrong")
	}
	assert.Greater(t, without, 10)
}

func TestFuturesRepeatAndDifferBySeed(t *testing.T) {
	m := Make(world(t, "straight"), 4, 1, monday, 30).Truth.Machines[0]
	at := monday.AddDate(0, 0, 15)
	a := m.Futures(at, horizon, 50, 1)
	assert.Equal(t, a, m.Futures(at, horizon, 50, 1))
	assert.NotEqual(t, a, m.Futures(at, horizon, 50, 2))
	assert.True(t, slices.IsSorted(a))
}

// The stated chance is the share of attempts that miss, within 4.5 standard
// errors: over some 600 comparisons chance alone breaks that once in 200 runs.
func TestProbabilityOutIsTheShareThatMisses(t *testing.T) {
	checkShareThatMisses(t, "thin-air", 40)
	for _, name := range lawful() {
		checkShareThatMisses(t, name, 15)
	}
}

func checkShareThatMisses(t *testing.T, name string, machines int) {
	t.Helper()
	const draws = 4000
	f := Make(world(t, name), 6, machines, monday, 30)
	for i, m := range f.Truth.Machines {
		at := monday.AddDate(0, 0, 5+i%20).Add(9 * time.Hour)
		now := m.stateAt(at)
		now.pair.arcs--
		now.pair.deposit--
		for site := range m.nature.world.Sites {
			air := now.weather.at(&m.nature.world.Sites[site], at)
			p := m.ProbabilityOut(at, air)
			missed := 0.0
			for k := range draws {
				s := now
				s.site = site
				s.noise = streamOf(99, uint64(i), uint64(site), uint64(k))
				if !m.nature.session(&s, at, true, nil)[0].passed {
					missed++
				}
			}
			// Melt-back is judged as shown, to 0.1 µm: 0.003 of a chance.
			assert.InDelta(t, missed/draws, p, 0.003+4.5*math.Sqrt(p*(1-p)/draws), name)
		}
	}
}

func TestMovesComeOutAsOftenAsStated(t *testing.T) {
	f := Make(world(t, "thin-air"), 6, 60, monday, 120)
	sum, spread, out, n := 0.0, 0.0, 0.0, 0
	for _, m := range f.Truth.Machines {
		for _, v := range m.Moves {
			p := v.ProbabilityOut
			sum, spread, n = sum+p, spread+p*(1-p), n+1
			if v.Out {
				out++
			}
			assert.NotEqual(t, v.From, v.To)
			assert.InDelta(t, p, m.ProbabilityOut(v.Time.Add(-time.Second), v.Air), 1e-12, "asked on the way")
		}
	}
	require.Greater(t, n, 500)
	assert.InDelta(t, sum, out, 4*math.Sqrt(spread))
}

func TestBadEndsAreFound(t *testing.T) {
	w := world(t, "blunt")
	w.Grades = Mix{Full: 1}
	f := Make(w, 6, 40, monday, 120)
	byID := map[string]*drift.Calibration{}
	for i := range f.Records {
		byID[f.Records[i].ID] = f.Records[i].Calibration
	}
	var good, badEnd, oneSided float64
	for _, m := range f.Truth.Machines {
		for _, a := range m.Attempts {
			c := byID[a.Record]
			tilt := math.Abs(math.Log(c.MeltbackLeft.Or(0) / c.MeltbackRight.Or(0)))
			if a.BadEnd {
				badEnd++
				if tilt > 0.1 {
					oneSided++
				}
			} else {
				good++
				assert.Less(t, tilt, 0.4, "well-prepared ends melt alike")
			}
		}
	}
	assert.InDelta(t, 0.1, badEnd/(good+badEnd), 0.03, "about a tenth, with blunt days of 40 % and sharp ones of 3 %")
	assert.Greater(t, oneSided/badEnd, 0.75)
}
