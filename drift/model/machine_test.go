package model

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/synth"
)

// believed is a kind of machine for worlds made from the filter's own
// assumptions.
func believed() *Params {
	return &Params{
		Kappa: 2, Target: drift.Some(260.0), Tolerance: drift.Some(26.0), GainFail: 0.7,
		LevelSD: 2, Slope: 1.5, SlopeSD: 1, Walk: 0.2, WearExponent: 1.3,
		Air:     [airTerms]float64{0.4, 0.05, 0.2},
		AirCov:  [airTerms][airTerms]float64{{0.02, 0, 0}, {0, 0.002, 0}, {0, 0, 0.05}},
		Scatter: 1.5, ScatterArcs: 2000, ScatterExponent: 3, ScatterScaleSD: 0.3,
		BadEnd: 0.03, BadEndWidth: 5, DirtRate: 0.1, DirtLevel: 1,
		CleanLevel: 0.5, CleanLevelSD: 0.5, CleanScatter: 0.6,
	}
}

// fake is a machine drawn from what is believed of its kind.
type fake struct {
	rng                   *rand.Rand
	p                     *Params
	level, slope, setting float64
	air                   [airTerms]float64
	scale                 int
	arcs                  float64
	at                    time.Time
}

func newFake(p *Params, seed uint64) *fake {
	f := &fake{rng: rand.New(rand.NewPCG(seed, 81)), p: p, at: morning}
	n := f.rng.NormFloat64
	f.level, f.slope = p.Level+p.LevelSD*n(), p.Slope+p.SlopeSD*n()
	f.setting = p.Level + math.Sqrt(sq(p.LevelSD)+settingDoubt)*n()
	for i := range f.air {
		f.air[i] = p.Air[i] + math.Sqrt(p.AirCov[i][i])*n()
	}
	u := f.rng.Float64()
	for _, w := range priorWeights(p.ScatterScaleSD) {
		if u -= w; u < 0 {
			break
		}
		f.scale++
	}
	return f
}

// burn lets the pair make arcs.
func (f *fake) burn(step float64) {
	f.arcs += step
	f.level += f.slope*(f.p.Wear(f.arcs)-f.p.Wear(f.arcs-step))*math.Exp(-f.level/100) + math.Sqrt(f.p.Walk*step/1000)*f.rng.NormFloat64()
	if f.rng.Float64() < f.p.DirtRate*step/1000 {
		if up := 1 + f.rng.IntN(mostSteps); f.scale+up < scatterScales {
			f.level += f.p.DirtStep() * (1 + f.rng.NormFloat64())
			f.scale += up
		}
	}
}

// session gives the events of one session as a machine of that grade reports them.
func (f *fake) session(grade Grade, step float64) []Event {
	n := f.rng.NormFloat64
	air := [airTerms]float64{5 + 5*n(), -3 + 3*n(), -0.5 + n()}
	lo, hi := f.p.Window()
	f.at = f.at.AddDate(0, 0, 1)
	var out []Event
	for try := range 4 {
		burnt := step
		if try > 0 {
			burnt = 1
		}
		f.burn(burnt)
		noise := f.p.ScatterAt(f.arcs) * ScatterScaleAt(f.scale) * n()
		if f.rng.Float64() < f.p.BadEnd {
			noise *= f.p.BadEndWidth
		}
		off := f.level + noise - f.setting
		for i := range air {
			off += f.air[i] * air[i]
		}
		ev := Event{
			Kind: Attempt, Time: f.at, Arcs: f.arcs, Step: burnt, NewSession: try == 0, Ordinal: int64(try + 1), Tries: 1,
			Passed: off >= lo && off <= hi, Air: air,
		}
		moved := f.p.gain(ev.Passed) * off
		switch grade {
		case Full:
			ev.Melt, ev.Setting, ev.Next = drift.Some(-f.p.Kappa*off), drift.Some(f.setting), drift.Some(f.setting+moved)
		case CorrectionOnly:
			ev.Correction = drift.Some(moved)
		}
		f.setting += moved
		if out = append(out, ev); ev.Passed {
			break
		}
	}
	return out
}

// The truth lies as far from what the filter believes as it says it does: over
// machines drawn from its own assumptions the squared distance of level, slope
// and air from the mean, in variances, is one on average.
func TestTheFilterIsCalibrated(t *testing.T) {
	const machines, sessions = 300, 40
	for grade, c := range map[Grade]struct {
		name string
		// A mean of 300 squares has standard error 0.08 for normal ones, and more
		// for these mixtures, say 0.12. On top comes what is approximate: numbers
		// fold in almost exactly, outcomes by their moments.
		tolerance float64
		// sure is what the data must have left of the level's doubt.
		sure float64
	}{
		Full:           {"full", 0.36, 0.4},
		CorrectionOnly: {"correction", 0.45, 0.9},
		// Passes and fails alone show of a machine met with a new pair little more than
		// where it is relative to its setting.
		PassFail: {"pass-fail", 0.45, 1.05},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := believed()
			var chi, logs [4]float64
			doubt := 0.0
			for seed := range uint64(machines) {
				f, m := newFake(p, seed), NewMachine("K-07", p)
				for range sessions {
					for _, ev := range f.session(grade, 30) {
						m.Update(&ev)
					}
				}
				var need [states]float64
				need[level], need[setting] = 1, -1
				for i, truth := range []float64{f.level, f.slope, f.air[0], f.level - f.setting} {
					var row [states]float64
					row[[]int{level, slope, airAt, level}[i]] = 1
					if i == 3 {
						row = need
					}
					mean, v := m.filter.mean(row[:])
					chi[i] += sq(truth-mean) / v / machines
					logs[i] += math.Log(v) / machines
				}
				_, sd := m.Level()
				doubt += sd / machines
			}
			t.Logf("level %.2f, slope %.2f, density %.2f, level less setting %.2f; doubt of level %.2f", chi[0], chi[1], chi[2], chi[3], doubt)
			for i, name := range []string{"level", "slope", "density", "level less setting"} {
				assert.InDelta(t, 1, chi[i], c.tolerance, name)
			}
			assert.Less(t, doubt, c.sure*math.Sqrt(sq(p.LevelSD)+sq(p.Wear(1200)*p.SlopeSD)))
		})
	}
}

// led is a machine that has reported so many sessions.
func led(p *Params, seed uint64, grade Grade, sessions int) (*fake, *Machine) {
	f, m := newFake(p, seed), NewMachine("K-07", p)
	for range sessions {
		for _, ev := range f.session(grade, 30) {
			m.Update(&ev)
		}
	}
	return f, m
}

// One wild attempt is a bad end, not wear: it counts as a bad end and moves the
// level by less than a twentieth of its distance, where a plain update of a
// level this sure (0.6) by a scatter of 1.5 would go a seventh of the way.
func TestOneWildAttemptHardlyMovesTheLevel(t *testing.T) {
	for seed := range uint64(20) {
		f, m := led(believed(), seed, Full, 30)
		before, _ := m.Level()
		scale := m.lnScatterScale()
		far := 12 * m.Scatter()
		ev := Event{
			Kind: Attempt, Time: f.at.AddDate(0, 0, 1), Arcs: f.arcs, NewSession: true, Ordinal: 1, Tries: 1,
			Setting: drift.Some(f.setting), Melt: drift.Some(-m.params.Kappa * (before + far - f.setting)), Next: drift.Some(f.setting),
		}
		step := m.Update(&ev)
		after, _ := m.Level()
		assert.Less(t, math.Abs(after-before), far/20)
		assert.Greater(t, step.BadEnd, 0.95)
		// The grid's own step is 0.3: the scatter stays where it was.
		assert.InDelta(t, scale, m.lnScatterScale(), 0.15)
		assert.InDelta(t, before+far, step.Raw, 1e-9)
	}
}

// What an outcome says depends on where the setting lies: a fail pushes the
// level away from a setting it is believed to be above or below, a pass pulls it
// there.
func TestOutcomesMoveTheLevelTheRightWay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := believed()
		m := NewMachine("K-07", p)
		off := rapid.Float64Range(0.5, 6).Draw(t, "off") * float64(rapid.SampledFrom([]int{-1, 1}).Draw(t, "side"))
		ev := Event{Kind: Attempt, Time: morning, Tries: 1, NewSession: true, Setting: drift.Some(off), Correction: drift.Some(0.0)}
		ev.Passed = rapid.Bool().Draw(t, "passed")
		before, _ := m.Level()
		m.Update(&ev)
		after, sd := m.Level()
		if ev.Passed {
			assert.Greater(t, (after-before)*off, 0.0, "towards the setting")
			assert.Less(t, sd, p.LevelSD, "a pass is certain to inform")
		} else {
			assert.Less(t, (after-before)*off, 0.0, "away from the setting")
		}
	})

	// Corrections alone, each up: the level is higher than was thought.
	m := NewMachine("K-07", believed())
	for i := range 4 {
		m.Update(&Event{Kind: Attempt, Time: morning, Tries: 1, NewSession: i == 0, Correction: drift.Some(2.0)})
	}
	up, _ := m.Level()
	assert.Greater(t, up, 0.5)
}

func TestServices(t *testing.T) {
	p := believed()
	f, m := led(p, 3, Full, 40)
	level, _ := m.Level()
	arcs, worn := m.arcs, m.ScatterAge()
	assert.InDelta(t, f.arcs, arcs, 1e-9)
	assert.InDelta(t, arcs, worn, 1e-9)

	m.Update(&Event{Kind: Cleaned, Time: f.at, Arcs: arcs})
	after, _ := m.Level()
	assert.InDelta(t, p.CleanLevel, level-after, 1e-9)
	assert.InDelta(t, worn*(1-p.CleanScatter), m.ScatterAge(), 1e-9)
	_, _, since, cleanings := m.Pair()
	assert.Equal(t, [2]float64{0, 1}, [2]float64{since, float64(cleanings)})
	second := m.ScatterAge()
	m.Update(&Event{Kind: Cleaned, Time: f.at, Arcs: arcs})
	assert.InDelta(t, second*(1-p.CleanScatter*CleanFades), m.ScatterAge(), 1e-9, "the next takes off less")

	air := m.filter.air()
	m.Update(&Event{Kind: Replaced, Time: f.at, Pair: 1})
	mean, sd := m.Level()
	assert.InDelta(t, p.Level, mean, 1e-12)
	assert.InDelta(t, p.LevelSD, sd, 1e-12)
	kept := m.filter.air()
	// Weights start anew with the pair, so that the mixture shifts a little.
	assert.InDeltaSlice(t, air.Mean, kept.Mean, 0.05, "what the air does is the machine's, not the pair's")
	assert.False(t, m.Unlogged())
	m.Update(&Event{Kind: Unlogged, Time: f.at, Pair: 2, Arcs: 40, Step: 40})
	assert.True(t, m.Unlogged())
	pair, arcs, _, cleanings := m.Pair()
	assert.Equal(t, [3]float64{2, 40, 0}, [3]float64{float64(pair), arcs, float64(cleanings)})
}

func TestConditioningTellsNothing(t *testing.T) {
	p := believed()
	m := NewMachine("K-07", p)
	m.Update(&Event{Kind: Attempt, Time: morning, Arcs: 0, Tries: 1, Conditioning: true, Melt: drift.Some(-20.0), Setting: drift.Some(1.0), Next: drift.Some(4.0)})
	level, sd := m.Level()
	assert.InDelta(t, p.Level, level, 1e-12)
	assert.InDelta(t, p.LevelSD, sd, 1e-12)
	assert.Zero(t, m.Attempts())
	// A mixture's variance is a difference of squares: its root is known to 1e-7.
	set, doubt := m.Setting()
	assert.InDelta(t, 4, set, 1e-12, "but the machine has corrected itself")
	assert.InDelta(t, 0, doubt, 1e-6)
}

func TestStreak(t *testing.T) {
	m := NewMachine("K-07", believed())
	take := func(ev Event) Streak {
		ev.Kind, ev.Time = Attempt, morning
		m.Update(&ev)
		return m.Streak()
	}
	assert.Zero(t, take(Event{Tries: 1, NewSession: true, Passed: true}))
	s := take(Event{Tries: 1, NewSession: true, Cleaver: "C-1"})
	assert.Equal(t, [2]int{1, 1}, [2]int{s.Attempts, s.Sessions})
	s = take(Event{Tries: 1})
	assert.Equal(t, [2]int{2, 1}, [2]int{s.Attempts, s.Sessions})
	assert.False(t, s.OtherCleaver)
	s = take(Event{Tries: 3, NewSession: true, Cleaver: "C-2"})
	assert.Equal(t, [2]int{5, 2}, [2]int{s.Attempts, s.Sessions})
	assert.True(t, s.OtherCleaver)
	fails, tries := m.FailRate()
	// The memory of 0.995 a record leaves a little less than what was seen.
	assert.InDelta(t, 0, fails, 0.05)
	assert.InDelta(t, 1, tries, 0.05)
	assert.Zero(t, take(Event{Tries: 2, Passed: true}))
	fails, tries = m.FailRate()
	assert.InDelta(t, 6, fails, 0.15)
	assert.InDelta(t, 8, tries, 0.2)

	take(Event{Tries: 1})
	m.Update(&Event{Kind: Inspected, Time: morning, Finding: drift.Worn})
	assert.Equal(t, 1, m.Streak().Attempts, "worn clears nothing")
	m.Update(&Event{Kind: Inspected, Time: morning, Finding: drift.Fine})
	assert.Zero(t, m.Streak())
}

// A machine's model is a function of the set of its records: in whatever order
// they came, ordered they fold to the same bits.
func TestTheOrderOfArrivalDoesNotMatter(t *testing.T) {
	fleet := synth.Make(synth.Worlds()[0], 5, 6, morning, 60)
	for _, truth := range fleet.Truth.Machines {
		var entries []drift.Entry
		for i, r := range fleet.Records {
			if r.Machine == truth.Name {
				entries = append(entries, drift.Entry{Record: r, Received: r.Time.Add(time.Duration(i%7) * time.Hour), StoreSeq: uint64(i)})
			}
		}
		fold := func() *Machine {
			drift.Order(entries)
			var setups drift.Setups
			r := Reader{Settings: setups.For(truth.Name, "", "")}
			m := NewMachine(truth.Name, believed())
			for i := range entries {
				if ev, ok := r.Next(&entries[i]); ok {
					m.Update(&ev)
				}
			}
			return m
		}
		once := fold()
		require.Positive(t, once.Attempts())
		rng := rand.New(rand.NewPCG(9, 9))
		rng.Shuffle(len(entries), func(i, j int) { entries[i], entries[j] = entries[j], entries[i] })
		require.Equal(t, once, fold())
	}
}

// A machine may be old when the first record of it comes, and rates may be what
// a search tries: whatever the arcs, weights stay a distribution.
func TestAnyArcsLeaveADistribution(t *testing.T) {
	for _, arcs := range []float64{0, 1, 600, 18_000, 250_000} {
		for _, rate := range []float64{1e-3, 0.05, 3} {
			for _, walk := range []float64{1e-4, 0.02, 1} {
				p := *believed()
				p.DirtRate, p.ScatterScaleWalk = rate, walk
				m := NewMachine("K-07", &p)
				m.Update(&Event{Kind: Usage, Arcs: arcs, Step: arcs})
				sum := 0.0
				for _, w := range m.filter.weight {
					require.GreaterOrEqual(t, w, 0.0, "%v arcs, dirt %v, walk %v", arcs, rate, walk)
					sum += w
				}
				assert.InDelta(t, 1, sum, 1e-9, "%v arcs, dirt %v, walk %v", arcs, rate, walk)
				out := m.OutChance([airTerms]float64{}, arcs)
				assert.True(t, out >= 0 && out <= 1, "%v arcs, dirt %v, walk %v: %v", arcs, rate, walk, out)
			}
		}
	}
}

// Whatever a record may say, however little sense it makes, what is believed of
// the machine stays a distribution, and chances stay chances.
func TestAnyRecordsLeaveADistribution(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	bounds := map[string]drift.Field{}
	for _, name := range []string{"power_setting_pct", "power_correction_pct", "power_limit_pct", "meltback_left_um", "meltback_target_um", "meltback_tolerance_um", "temperature_c", "humidity_pct", "altitude_m", "pressure_hpa", "machine_temperature_c"} {
		f, ok := drift.FieldNamed(name)
		require.True(t, ok, name)
		bounds[name] = *f
	}
	// extreme is nothing, or a value near the ends of what the field may hold.
	extreme := func(name string) drift.Opt[float64] {
		f := bounds[name]
		switch rng.IntN(4) {
		case 0:
			return drift.Opt[float64]{}
		case 1:
			return drift.Some(f.Min + (f.Max-f.Min)*1e-12)
		case 2:
			return drift.Some(f.Max)
		}
		return drift.Some(f.Min + (f.Max-f.Min)*(1-rng.Float64()))
	}
	for range 60 {
		// One kind of nonsense comes steadily, then another.
		steady := drift.Calibration{PowerSetting: extreme("power_setting_pct"), PowerCorrection: extreme("power_correction_pct"), MeltbackLeft: extreme("meltback_left_um"), Target: extreme("meltback_target_um")}
		limit, tolerance := extreme("power_limit_pct"), extreme("meltback_tolerance_um")
		r, m := Reader{}, NewMachine("K-07", believed())
		for i := range 60 {
			c := steady
			if rng.IntN(3) == 0 {
				c = drift.Calibration{PowerSetting: extreme("power_setting_pct"), PowerCorrection: extreme("power_correction_pct"), MeltbackLeft: extreme("meltback_left_um"), Target: extreme("meltback_target_um")}
			}
			c.PowerLimit, c.Tolerance, c.Passed = limit, tolerance, drift.Some(rng.IntN(2) == 0)
			c.Temperature, c.Humidity, c.Altitude, c.Pressure, c.MachineTemperature = extreme("temperature_c"), extreme("humidity_pct"), extreme("altitude_m"), extreme("pressure_hpa"), extreme("machine_temperature_c")
			e := calibrated(i, counted(rng.Int64N(10_000_000)))
			e.Calibration = &c
			ev, ok := r.Next(e)
			require.True(t, ok)
			m.Update(&ev)
			sum := 0.0
			for k, w := range m.filter.weight {
				require.GreaterOrEqual(t, w, 0.0, "%+v", ev)
				sum += w
				for j := range states {
					require.Less(t, math.Abs(m.filter.state[k].Mean[j]), 1e6, "%+v", ev)
					require.Less(t, m.filter.state[k].Var(j), 1e12, "%d %+v", j, ev)
				}
			}
			require.InDelta(t, 1, sum, 1e-9, "%+v", ev)
			out := m.OutChance(ev.Air, 100)
			require.True(t, out >= 0 && out <= 1, "%v after %+v", out, ev)
		}
	}
}

// Machines of one kind may have tolerances of their own: what their records
// state goes before what most state.
func TestAMachinesOwnToleranceCounts(t *testing.T) {
	out := func(tolerance float64) float64 {
		p := believed()
		_, m := led(p, 4, Full, 20)
		ev := Event{Kind: Attempt, Passed: true, Time: m.last, Arcs: m.arcs, Tolerance: drift.Some(tolerance), Conditioning: true}
		m.Update(&ev)
		kept, _, err := MachineFromState(m.AppendState(nil), "K-07", p)
		require.NoError(t, err)
		assert.Equal(t, m.OutChance(ev.Air, 0), kept.OutChance(ev.Air, 0))
		assert.Equal(t, drift.Some(26.0), p.Tolerance, "that of its kind stays")
		return m.OutChance(ev.Air, 0)
	}
	same := out(26)
	assert.Greater(t, out(13), same+0.05)
	assert.Less(t, out(52), same)
}

// Sessions between which no arc was burnt take their time, too.
func TestPaceOfManySessionsADay(t *testing.T) {
	var tp recentSessions
	arcs := 0.0
	for i := range 400 {
		if i%4 == 0 {
			arcs += 60 // over night
		}
		tp.add(&Event{NewSession: true, Time: morning.Add(time.Duration(i) * 6 * time.Hour)}, arcs, 0)
	}
	assert.InDelta(t, 60, tp.perDay(), 5)
}

func TestACloneGoesItsOwnWay(t *testing.T) {
	f, m := led(believed(), 4, Full, 10)
	same, other := m.Clone(), m.Clone()
	for _, ev := range f.session(Full, 300) {
		other.Update(&ev)
	}
	other.Clean()
	assert.Equal(t, same.filter.weight, m.filter.weight)
	assert.Equal(t, same.filter.state, m.filter.state)
	assert.Equal(t, same.recent, m.recent)
	assert.NotEqual(t, same.filter.state, other.filter.state)
	assert.NotEqual(t, same.recent, other.recent)
}

// Records must not leave garbage behind that grows with their number, nor any.
func TestTakeDoesNotAllocate(t *testing.T) {
	for _, grade := range []Grade{Full, CorrectionOnly, PassFail} {
		f, m := led(believed(), 7, grade, 5)
		events := f.session(grade, 30)
		i := 0
		assert.Zero(t, testing.AllocsPerRun(200, func() {
			m.Update(&events[i%len(events)])
			i++
		}), "grade %d", grade)
	}
}

func BenchmarkUpdate(b *testing.B) {
	for name, grade := range map[string]Grade{"full": Full, "correction": CorrectionOnly, "pass-fail": PassFail} {
		b.Run(name, func(b *testing.B) {
			f, m := led(believed(), 7, grade, 0)
			var events []Event
			for range 60 {
				events = append(events, f.session(grade, 30)...)
			}
			b.ReportAllocs()
			i := 0
			for b.Loop() {
				if i == len(events) {
					m, i = NewMachine("K-07", m.params), 0
				}
				m.Update(&events[i])
				i++
			}
		})
	}
}
