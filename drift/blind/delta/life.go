package delta

import (
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"time"

	"arcdrift/drift/blind"
)

// history is what became of one machine, and its truth.
type history struct {
	*machine
	days     []state // as it stood before each day
	sessions []session
	services []service
	uses     []use
	moves    []blind.Move
}

// session is one calibration as it happened.
type session struct {
	second  int64 // since the start
	why     reason
	program int
	site    int
	tries   []attempt
	failing bool // it would have failed with well-prepared ends
	arcs    int64
	pairs   int
}

// attempt is one test arc as it happened.
type attempt struct {
	second          int64
	shot            shot
	setting, change float64
	toldChange      bool
	passed, bad     bool
	counter         int64
	air             blind.Air
	body            float64
}

// service is work on a pair as it happened.
type service struct {
	second          int64
	action, finding string
	why             reason
	counter         int64 // before it
	pairs, site     int
}

// use is a share of a day's work.
type use struct {
	second  int64
	arcs    int
	counter int64
	site    int
}

func (h *history) arrive(st *state, air blind.Air) {
	h.moves = append(h.moves, blind.Move{At: h.moment(int64(st.day)*daySeconds + st.last), Air: air})
}

func (h *history) worked(st *state, n int) {
	h.uses = append(h.uses, use{int64(st.day)*daySeconds + st.last, n, st.counter, st.site})
}

func (h *history) begin(st *state, why reason, failing bool) {
	h.sessions = append(h.sessions, session{
		second: int64(st.day)*daySeconds + st.last, why: why, program: st.program, site: st.site,
		failing: failing, arcs: st.pair.arcs, pairs: st.people.pairs,
	})
}

func (h *history) attempt(_ *state, a attempt) {
	s := &h.sessions[len(h.sessions)-1]
	s.tries = append(s.tries, a)
}

func (h *history) served(st *state, action, finding string, why reason, counter int64) {
	h.services = append(h.services, service{
		int64(st.day)*daySeconds + st.last, action, finding, why, counter, st.people.pairs, st.site,
	})
}

// live runs a machine through its history.
func live(m *machine, days int) *history {
	h := &history{machine: m}
	st := m.first
	r := run{machine: m, chance: m.own(), ledger: h}
	for day := range days {
		h.days = append(h.days, st)
		for st.next() < int64(day+1)*daySeconds {
			r.step(&st)
		}
	}
	h.days = append(h.days, st)
	return h
}

// own is the chance that was this machine's.
func (m *machine) own() *chance {
	return &chance{sky: m.land.key, projects: m.crew.key, self: m.key, dice: newDice(0)}
}

// moment is a second of the history as time.
func (m *machine) moment(second int64) time.Time {
	return time.Unix(m.land.start+second, 0).UTC()
}

// second is the reverse, of the second that a moment lies in.
func (m *machine) second(at time.Time) int64 { return at.Unix() - m.land.start }

// at is the state at a moment, and its second.
func (h *history) at(at time.Time) (state, int64) {
	second := h.second(at)
	day := max(0, min(second/daySeconds, int64(len(h.days)-1)))
	st := h.days[day]
	r := run{machine: h.machine, chance: h.own()}
	for st.next() <= second {
		r.step(&st)
	}
	return st, second
}

// ofDay is the second of the state's day.
func (st *state) ofDay(second int64) int64 { return max(0, second-int64(st.day)*daySeconds) }

// At is how the machine stands. Part of blind.Life.
func (h *history) At(at time.Time) blind.Condition {
	st, second := h.at(at)
	g := &h.programs[st.program]
	return blind.Condition{
		Program:     g.name,
		RequiredPct: required(&h.physics, &st.pair, g),
		SettingPct:  st.setting[h.index(&st)],
		Arcs:        st.pair.arcs,
		Air:         h.air(&st, st.ofDay(second)),
	}
}

// Lived is how many arcs the pair lasts by this machine's own chance.
func (h *history) Lived(at time.Time, horizon int64) int64 {
	st, _ := h.at(at)
	return h.lasts(&st, h.own(), horizon)
}

// lasts runs a state on alone until a session fails, and gives the arcs until that
// session begins. Sixty years without one count as the horizon.
func (m *machine) lasts(st *state, c *chance, horizon int64) int64 {
	r := run{machine: m, chance: c, alone: true}
	from, end := st.pair.arcs, st.day+60*365
	for st.pair.arcs-from < horizon && st.day < end {
		if r.step(st) == sessionFailed {
			return min(horizon, max(0, st.arcsFound-from))
		}
	}
	return horizon
}

// Futures are draws of lasts by other chances. What the crew has planned for the day
// is part of how the machine stands.
func (h *history) Futures(at time.Time, horizon int64, n int, seed uint64) []int64 {
	st, second := h.at(at)
	c := h.own()
	keys := rand.NewPCG(seed, key(h.key, forFuture, uint64(second)))
	out := make([]int64, n)
	for i := range out {
		c.sky, c.projects, c.self = keys.Uint64(), keys.Uint64(), keys.Uint64()
		branch := st
		out[i] = h.lasts(&branch, c, horizon)
	}
	slices.Sort(out)
	return out
}

// ProbabilityOut is for a machine whose body has taken the temperature of the air.
func (h *history) ProbabilityOut(at time.Time, air blind.Air) float64 {
	st, _ := h.at(at)
	ln := st.pair.heat(&h.physics) + h.physics.airHeat(air, air.TemperatureC) +
		h.programs[st.program].off + math.Log1p(st.setting[h.index(&st)]/100)
	return outside(&h.physics, &st.pair, &h.programs[st.program], ln)
}

// Electrodes is false before the first session.
func (h *history) Electrodes(at time.Time) bool {
	second := h.second(at)
	i := sort.Search(len(h.sessions), func(i int) bool { return h.sessions[i].second > second })
	return i > 0 && h.sessions[i-1].failing
}
