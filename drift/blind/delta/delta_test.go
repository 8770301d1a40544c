package delta

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/drift/blind"
)

// wish is a fleet of a quarter of the usual size.
func wish(seed uint64) blind.Wish {
	return blind.Wish{Seed: seed, Machines: 12, Days: 200, Start: time.Date(2025, 3, 3, 0, 0, 0, 0, time.UTC)}
}

// histories are the machines' own, with what the truth is made of.
func histories(f *blind.Fleet) []*history {
	var out []*history
	for i := range f.Machines {
		out = append(out, f.Machines[i].Life.(*history))
	}
	return out
}

// moments are spread over the history, at various hours.
func moments(w blind.Wish, n int) []time.Time {
	var out []time.Time
	for i := range n {
		out = append(out, w.Start.Add(time.Duration(i*w.Days*24/n+i*5%24)*time.Hour))
	}
	return out
}

func TestSameWishGivesSameBytes(t *testing.T) {
	w := wish(3)
	w.Mess = true
	a, b := World(w), World(w)
	require.Equal(t, a.About, b.About)
	require.Equal(t, a.Lines, b.Lines)
	at := w.Start.AddDate(0, 0, 90)
	require.Equal(t, a.Machines[2].Futures(at, 6000, 50, 9), b.Machines[2].Futures(at, 6000, 50, 9))
}

func TestTellingLeavesTheFleetAsItIs(t *testing.T) {
	plain := World(wish(5))
	for _, change := range []func(*blind.Wish){
		func(w *blind.Wish) { w.Typing = blind.EachAttempt },
		func(w *blind.Wish) { w.Typing = blind.WholeSession },
		func(w *blind.Wish) { w.Grade = "pass-fail" },
		func(w *blind.Wish) { w.Mess = true },
	} {
		w := wish(5)
		change(&w)
		told := World(w)
		require.NotEqual(t, plain.Lines, told.Lines)
		for i, h := range histories(told) {
			was := plain.Machines[i].Life.(*history)
			require.Equal(t, was.sessions, h.sessions)
			require.Equal(t, was.services, h.services)
			require.Equal(t, plain.Machines[i].Moves, told.Machines[i].Moves)
			for _, at := range moments(w, 3) {
				require.Equal(t, was.At(at), h.At(at))
				require.Equal(t, was.Lived(at, 3000), h.Lived(at, 3000))
				require.Equal(t, was.Futures(at, 3000, 4, 1), h.Futures(at, 3000, 4, 1))
			}
		}
	}
}

func TestGradeAndTypingAreAsAsked(t *testing.T) {
	w := wish(5)
	w.Grade, w.Typing = "correction", blind.WholeSession
	for _, m := range World(w).Machines {
		require.Equal(t, "correction", m.Grade)
		require.True(t, m.WholeSessions)
	}
}

func TestLivedAgreesWithHistoryWhenNobodyIntervened(t *testing.T) {
	checked, failed := 0, 0
	for seed := range uint64(6) {
		w := wish(seed + 10)
		for _, h := range histories(World(w)) {
			for _, at := range moments(w, 12) {
				arcs, open, ok := h.witnessed(at)
				if !ok {
					continue
				}
				if open { // no failure: it lived at least so long
					require.GreaterOrEqual(t, h.Lived(at, 1<<20), arcs)
				} else {
					require.Equal(t, arcs, h.Lived(at, 1<<20), "%s at %s", h.name, at)
					failed++
				}
				checked++
			}
		}
	}
	require.Greater(t, checked, 50)
	require.Greater(t, failed, 5)
}

// witnessed is what the history shows of a pair's life from a moment on: the arcs
// until the first failed session, or, when open, until somebody intervened, an end
// was bad or the history ended. It is not ok inside a session.
func (h *history) witnessed(at time.Time) (arcs int64, open, ok bool) {
	second := h.second(at)
	now := h.At(at).Arcs
	stop := int64(math.MaxInt64)
	for _, s := range h.services {
		if s.second > second {
			stop = s.second
			break
		}
	}
	if st, _ := h.at(at); st.attempt > 0 || st.people.awayUntil >= 0 || st.day >= h.leave {
		return 0, false, false
	}
	open = true
	for _, s := range h.sessions {
		last := s.tries[len(s.tries)-1]
		if s.second <= second {
			continue
		}
		if last.second >= stop {
			break
		}
		for _, a := range s.tries {
			if a.bad {
				return arcs, true, true
			}
		}
		arcs = s.arcs - now
		if !last.passed || len(s.tries) > h.model.attempts {
			return arcs, false, true
		}
	}
	return arcs, true, true
}

func TestElectrodesFollowTheAttemptsWhenEndsWereGood(t *testing.T) {
	failing := 0
	for seed := range uint64(4) {
		for _, h := range histories(World(wish(seed + 30))) {
			require.False(t, h.Electrodes(h.moment(-1)))
			for i, s := range h.sessions {
				bad := false
				for _, a := range s.tries {
					bad = bad || a.bad
				}
				if bad {
					continue
				}
				last := s.tries[len(s.tries)-1]
				want := !last.passed || len(s.tries) > h.model.attempts
				require.Equal(t, want, h.Electrodes(h.moment(s.second)))
				if i+1 == len(h.sessions) || h.sessions[i+1].second > last.second {
					require.Equal(t, want, h.Electrodes(h.moment(last.second)))
				}
				if want {
					failing++
				}
			}
		}
	}
	require.Positive(t, failing)
}

func TestTrueDrawsHoldWhatHappened(t *testing.T) {
	// Moments of one machine share one failure, so few moments and many machines. The
	// standard error of 0.8 over 200 independent cases is 0.03; machines of a fleet
	// share weather, hence 0.1.
	const horizon = 6000
	inside, n := 0, 0
	for seed := range uint64(12) {
		w := wish(seed + 50)
		w.Machines = 20
		for _, h := range histories(World(w)) {
			at := w.Start.AddDate(0, 0, 60).Add(11 * time.Hour)
			q := h.Futures(at, horizon, 99, seed)
			if q[89] == horizon {
				continue // the upper end is not seen
			}
			lived := h.Lived(at, horizon)
			if n++; lived >= q[9] && lived <= q[89] {
				inside++
			}
		}
	}
	require.Greater(t, n, 60)
	require.InDelta(t, 0.8, float64(inside)/float64(n), 0.1, "%d of %d", inside, n)
}

func TestFuturesRiseAndDiffer(t *testing.T) {
	w := wish(6)
	h := histories(World(w))[0]
	at := w.Start.AddDate(0, 0, 30)
	q := h.Futures(at, 6000, 60, 1)
	require.Len(t, q, 60)
	require.IsNonDecreasing(t, q)
	require.NotEqual(t, q, h.Futures(at, 6000, 60, 2))
	require.LessOrEqual(t, q[59], int64(6000))
	require.GreaterOrEqual(t, q[0], int64(0))
}

func TestMovesStandBeforeTheFirstAttemptThere(t *testing.T) {
	moves := 0
	for _, every := range []float64{0, 5} {
		w := wish(7)
		w.EveryDays = every
		for i, m := range World(w).Machines {
			h := m.Life.(*history)
			last, k := -1, 0
			for _, s := range h.sessions {
				for ; k < len(m.Moves) && h.second(m.Moves[k].At) < s.second; k++ {
					last = s.site
					if k+1 == len(m.Moves) || h.second(m.Moves[k+1].At) >= s.second {
						require.Equal(t, h.land.sites[s.site].altitude, m.Moves[k].Air.AltitudeM)
					}
				}
				require.Equal(t, last, s.site, "machine %d", i)
			}
			for _, move := range m.Moves {
				require.Equal(t, move.Air, h.At(move.At).Air)
				moves++
			}
		}
	}
	require.Greater(t, moves, 40)
}

func TestRhythmAndProgramsAreAsAsked(t *testing.T) {
	for _, every := range []float64{0.5, 2, 10} {
		w := wish(8)
		w.Machines, w.EveryDays, w.Programs = 20, every, 3
		days, sessions := 0, 0
		for _, h := range histories(World(w)) {
			require.Len(t, h.programs, 3)
			days += min(w.Days, h.leave) - h.join
			for _, s := range h.sessions {
				if s.why != whyService {
					sessions++
				}
			}
		}
		// Days at the bench have none, hence the width.
		require.InEpsilon(t, every, float64(days)/float64(sessions), 0.2)
	}
}

func TestFleetsDifferAndAreOfTheRightSize(t *testing.T) {
	var events []int
	for seed := range uint64(8) {
		w := wish(seed + 70)
		w.Machines, w.Days = 40, 240
		f := World(w)
		require.GreaterOrEqual(t, len(f.Lines), 3000)
		require.LessOrEqual(t, len(f.Lines), 25000)
		n := 0
		for _, h := range histories(f) {
			n += len(h.services)
			for i, s := range h.sessions {
				if s.failing && (i == 0 || !h.sessions[i-1].failing) {
					n++
				}
			}
		}
		events = append(events, n)
	}
	lo, hi, sum := events[0], events[0], 0
	for _, n := range events {
		lo, hi, sum = min(lo, n), max(hi, n), sum+n
	}
	require.Greater(t, hi, 2*lo, "%v", events)
	require.Greater(t, sum/len(events), 40, "%v", events)
	require.Less(t, sum/len(events), 250, "%v", events)
}
