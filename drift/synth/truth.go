package synth

import (
	"math"
	"slices"
	"sort"
	"time"

	"arcdrift/drift"
)

// Truth is what the records do not contain.
type Truth struct {
	World    World
	Machines []*Machine
	byName   map[string]*Machine
}

// Machine returns the truth of a machine, nil for a name that is not there.
func (t *Truth) Machine(name string) *Machine { return t.byName[name] }

// Machine is the truth of one machine. Its lists are in time order.
type Machine struct {
	Name  string
	Model *Model
	Grade Grade
	// Typed is whether its records hold a whole session each.
	Typed bool
	// Tolerance is its own, in micrometres.
	Tolerance float64
	// Kappa is d ln(meltback)/d ln(power); Density is a in ln(required power) =
	// -a·ln δ; Humidity is in log-percent per g/m³, Temperature per °C, or as
	// Law.CurvedAir says.
	Kappa, Density, Humidity, Temperature float64
	ArcsPerDay                            float64

	Attempts []Attempt
	Sessions []Session
	Services []Service
	Dirt     []Dirt
	Moves    []Move
	Work     []Work

	nature *nature
	dawns  []state // on the eve of every day, and of the day after the last
}

// Attempt is the truth of one attempt.
type Attempt struct {
	// Record is the id of its record; the attempts of a session that is typed whole share
	// one.
	Record string
	Time   time.Time
	// Pair counts the machine's pairs from 0; Arcs are those on the pair, this
	// one included, whatever the counter shows; Number is from 1.
	Pair   int
	Arcs   int64
	Number int
	// RequiredPct is the required power at reference air without the attempt's scatter,
	// AirPct the effect of the air on it (1.05 times 0.98 is 2.9 %), SettingPct the
	// setting in force, all in percent; ScatterPct is the standard deviation in log
	// percent.
	RequiredPct, AirPct, ScatterPct, SettingPct float64
	BadEnd, Passed, Conditioning                bool
}

// Session is the truth of one session.
type Session struct {
	Time time.Time
	Pair int
	// Arcs on the pair when it began.
	Arcs             int64
	Trigger          string
	Attempts, BadEnd int
	Passed           bool
	// Fit is whether it would have passed with well-prepared ends.
	Fit bool
}

// Service is what was done to the pair. Arcs are those after it.
type Service struct {
	Time   time.Time
	Action drift.Action
	Pair   int
	Arcs   int64
	// Logged is whether it was recorded.
	Logged bool
	// Lot is the pair's, empty where the law has none; Bad is whether it is a bad one.
	Lot string
	Bad bool
}

// Dirt is a contamination; Time is the end of the arcs that caused it.
type Dirt struct {
	Time time.Time
	Pair int
	Arcs int64
}

// Move is an arrival at another site, before any calibration there.
type Move struct {
	Time       time.Time
	From, To   string
	Air        Air
	Calibrated bool
	// ProbabilityOut is the chance that a well-prepared attempt at the setting in
	// force lands outside tolerance; Out is one draw of it.
	ProbabilityOut float64
	Out            bool
}

// Condition is the true condition of a machine at a moment.
type Condition struct {
	Pair, Cleanings int
	Arcs            int64
	// RequiredPct at reference air, SettingPct and LimitPct are in percent;
	// ScatterPct is in log-percent, SlopePct the wear in log-percent per 1000 arcs
	// at these arcs.
	RequiredPct, ScatterPct, SettingPct, LimitPct, SlopePct float64
	// Blunt is whether the cleaver is.
	Blunt bool
	Site  string
	Air   Air
}

// At returns the condition of the machine at a moment, after what happened at that moment.
// A session counts as over from its first attempt on, a visit to the bench from its
// service on; arcs are counted at noon and in the evening. Outside the fleet's span it is
// the first or the last condition.
func (m *Machine) At(at time.Time) Condition {
	s := m.stateAt(at)
	n := m.nature
	return Condition{
		Pair: s.pairs, Cleanings: s.pair.cleanings, Arcs: s.pair.arcs,
		RequiredPct: percent(s.pair.level(n.model)), ScatterPct: s.pair.scatter(n.model),
		SettingPct: s.setting, LimitPct: n.model.Limit, SlopePct: s.pair.slopeNow(n.model),
		Blunt: s.blunt, Site: n.world.Sites[s.site].Name, Air: n.air(&s, at),
	}
}

// ArcsToFailure returns the arcs of the pair fitted at a moment, without a service and
// with well-prepared ends, until the first session that ends without a pass; false, with
// the horizon, if there is none within the horizon of arcs. It uses the machine's own
// random numbers: up to the next service this is what happened.
func (m *Machine) ArcsToFailure(at time.Time, horizon int64) (int64, bool) {
	return m.nature.alone(m.stateAt(at), horizon)
}

// Futures returns n draws of ArcsToFailure with other random numbers, from the state of
// the machine at a moment: the forecast of the oracle. They are in rising order; those
// beyond the horizon are given as the horizon.
func (m *Machine) Futures(at time.Time, horizon int64, n int, seed uint64) []int64 {
	out := make([]int64, n)
	now := m.stateAt(at)
	for i := range out {
		s := now
		key := func(k uint64) stream { return streamOf(seed, futureKey, uint64(i), k) }
		s.sky, s.wear, s.noise = key(skyKey), key(wearKey), key(noiseKey)
		out[i], _ = m.nature.alone(s, horizon)
	}
	slices.Sort(out)
	return out
}

// ProbabilityOut returns the true chance that a well-prepared attempt in this air, at the
// setting in force at a moment, lies outside the tolerance.
func (m *Machine) ProbabilityOut(at time.Time, a Air) float64 {
	s := m.stateAt(at)
	return m.nature.out(&s, a)
}

func (n *nature) out(s *state, a Air) float64 {
	m := n.model
	set, middle, sd := logPercent(s.setting), s.pair.level(m)+n.effect(a), s.pair.scatter(m)
	// An attempt passes if required power lies between these.
	low := set - 100*math.Log1p(n.tolerance/m.Target)/n.kappa
	high := set - 100*math.Log1p(-n.tolerance/m.Target)/n.kappa
	return 1 - (m.Law.Noise.short(high, middle, sd) - m.Law.Noise.short(low, middle, sd))
}

// stateAt simulates the day of a moment again, up to the moment.
func (m *Machine) stateAt(at time.Time) state {
	n := m.nature
	day := sort.Search(len(m.dawns), func(i int) bool { return n.zero.AddDate(0, 0, i).After(at) }) - 1
	s := m.dawns[max(day, 0)]
	unread := &log{truth: &Machine{}}
	for s.day == day && day < len(m.dawns)-1 {
		later := s
		v := n.next(&later)
		if v.happens && v.time.After(at) {
			break
		}
		if v.happens {
			n.attend(&later, v, unread)
		}
		s = later
	}
	return s
}
