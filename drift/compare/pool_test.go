package compare

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var day = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

// bench makes machines that try with cleavers: each of n machines uses each of k cleavers
// for so many sessions of one or two tries, or, alone, its own only. A try fails with the
// cleaver's chance.
func bench(rng *rand.Rand, machines, sessions int, alone bool, chance ...float64) []Machine {
	out := make([]Machine, machines)
	for i := range out {
		out[i] = Machine{Name: fmt.Sprintf("M-%02d", i), Model: "a", tries: map[triesKey]*tally{}}
		for k, p := range chance {
			if alone && i%len(chance) != k {
				continue
			}
			n := sessions
			if alone {
				n *= len(chance)
			}
			t := &tally{sessions: n}
			for range n {
				t.tries[0]++
				t.chance[0] += 0.005
				if rng.Float64() < p {
					t.failed[0]++
					t.squares++
				}
			}
			out[i].tries[triesKey{fmt.Sprintf("C-%02d", k), "yard"}] = t
		}
	}
	return out
}

func verdicts(t *testing.T, machines []Machine, by By, outcome Outcome) map[string]Group {
	t.Helper()
	r, err := All(machines, day)
	require.NoError(t, err)
	out := map[string]Group{}
	for _, g := range r.Groups {
		if g.By == by && g.Outcome == outcome {
			out[g.Name] = g
		}
	}
	return out
}

func alike(n int, p float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = p
	}
	return out
}

// Twelve cleavers that are alike: with few records at least nine in ten cannot be told,
// with many at least nine in ten are no worse, and at most one in fifty is called worse.
func TestAlikeCleavers(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		sessions int
		most     Verdict
	}{{2, CannotTell}, {100, NoWorse}} {
		counts, all := map[Verdict]int{}, 0
		for seed := range uint64(12) {
			for _, g := range verdicts(t, bench(rand.New(rand.NewPCG(seed, 1)), 8, c.sessions, false, alike(12, 0.05)...), ByCleaver, FailedTries) {
				counts[g.Verdict]++
				all++
			}
		}
		require.Equal(t, 144, all)
		assert.GreaterOrEqual(t, counts[c.most], all*9/10, "%d sessions: %v", c.sessions, counts)
		assert.LessOrEqual(t, counts[Worse], all/50, "%v", counts)
	}
}

// A cleaver that fails four times as often is found among eleven others in nine of ten
// fleets, and its interval holds the truth about eight times in ten (20 fleets: 11 or
// more, which a right one misses once in 300).
func TestABluntCleaverAmongOthers(t *testing.T) {
	t.Parallel()
	found, held, wrong := 0, 0, 0
	for seed := range uint64(20) {
		chance := alike(12, 0.05)
		chance[7] = 0.2
		for name, g := range verdicts(t, bench(rand.New(rand.NewPCG(seed, 2)), 8, 40, false, chance...), ByCleaver, FailedTries) {
			switch {
			case name != "C-07" && g.Verdict == Worse:
				wrong++
			case name == "C-07":
				if g.Verdict == Worse {
					found++
				}
				if g.Low <= 4 && 4 <= g.High {
					held++
				}
				t.Log(g.Words, g.Chance)
				assert.NotEqual(t, NoWorse, g.Verdict)
			}
		}
	}
	assert.GreaterOrEqual(t, found, 18)
	assert.GreaterOrEqual(t, held, 11)
	assert.LessOrEqual(t, wrong, 4, "of 220")
}

// More records narrow the interval; a cleaver that never leaves its machine cannot be
// told from it, so that its interval is wider than with as many records on many machines.
func TestWhatNarrowsAnInterval(t *testing.T) {
	t.Parallel()
	width := func(sessions int, alone bool) float64 {
		sum := 0.0
		chance := alike(6, 0.1)
		chance[0] = 0.3
		for seed := range uint64(5) {
			g := verdicts(t, bench(rand.New(rand.NewPCG(seed, 3)), 6, sessions, alone, chance...), ByCleaver, FailedTries)["C-00"]
			sum += math.Log(g.High / g.Low)
		}
		return sum
	}
	few, many, alone := width(10, false), width(80, false), width(80, true)
	assert.Less(t, many, few)
	assert.Less(t, 1.3*many, alone)
}

// A machine that is bad with every cleaver is the machine's fault: its usual cleaver is
// not blamed where others on it fail as often.
func TestABadMachineIsNotItsCleaver(t *testing.T) {
	t.Parallel()
	wrong, machine := 0, 0
	for seed := range uint64(10) {
		rng := rand.New(rand.NewPCG(seed, 4))
		machines := bench(rng, 8, 25, false, alike(8, 0.05)...)
		// M-00 uses C-00 for half of its sessions, and fails with all four times as often.
		for key, one := range machines[0].tries {
			n := 25
			if key.cleaver == "C-00" {
				n = 200
			}
			*one = tally{sessions: n}
			for range n {
				one.tries[0]++
				one.chance[0] += 0.005
				if rng.Float64() < 0.2 {
					one.failed[0]++
					one.squares++
				}
			}
		}
		r, err := All(machines, day)
		require.NoError(t, err)
		for _, g := range r.Groups {
			if g.By == ByCleaver && g.Verdict == Worse {
				wrong++
			}
			if g.By == ByMachine && g.Name == "M-00" && g.Verdict == Worse {
				machine++
			}
		}
	}
	assert.LessOrEqual(t, wrong, 1, "of 10 fleets")
	assert.GreaterOrEqual(t, machine, 8)
}

// lots makes pairs with Weibull lives of shape 3: those of the first lot last the given
// share of the others'. Some are still in use.
func pairs(rng *rand.Rand, lots, each int, share float64) []Machine {
	out := make([]Machine, 10)
	for i := range out {
		out[i] = Machine{Name: fmt.Sprintf("M-%02d", i), Model: "a"}
	}
	for lot := range lots {
		for range each {
			life1 := 3000 * math.Pow(rng.ExpFloat64(), 1.0/3)
			if lot == 0 {
				life1 *= share
			}
			l := life{lot: fmt.Sprintf("L%d", lot), arcs: life1, ended: true}
			if seen := 6000 * rng.Float64(); seen < life1 {
				l.arcs, l.ended = seen, false
			}
			m := &out[rng.IntN(len(out))]
			m.lives = append(m.lives, l)
		}
	}
	return out
}

// A lot that lasts half as long is found in eight of ten fleets of eight lots of 18
// pairs each, its ratio within its interval; of lots that are alike at most one in
// fifty is called worse.
func TestABadLotAmongOthers(t *testing.T) {
	t.Parallel()
	found, held, wrong, all := 0, 0, 0, 0
	for seed := range uint64(20) {
		for name, g := range verdicts(t, pairs(rand.New(rand.NewPCG(seed, 5)), 8, 18, 0.5), ByLot, PairLife) {
			switch {
			case name == "L0":
				t.Log(g.Words, g.Chance, g.Behind())
				if g.Verdict == Worse {
					found++
				}
				if g.Low <= 0.5 && 0.5 <= g.High {
					held++
				}
				assert.Equal(t, 18, g.Records)
				assert.Less(t, g.Ended, 18)
			default:
				all++
				if g.Verdict == Worse {
					wrong++
				}
			}
		}
	}
	assert.GreaterOrEqual(t, found, 16)
	assert.GreaterOrEqual(t, held, 11)
	assert.LessOrEqual(t, wrong, all/50)
}

// The likelihood of a count with a normal effect beside it is its integral.
func TestMixedIsTheIntegral(t *testing.T) {
	t.Parallel()
	tab := table{base: 0.05, excess: 1, explained: [classes]float64{0.02, 0.1}}
	c := cell{}
	c.events, c.exposure = [classes]float64{4, 3}, [classes]float64{60, 20}
	for _, theta := range []float64{-0.5, 0, 0.8} {
		const sd, steps = 0.4, 4000
		sum := 0.0
		for i := range steps {
			z := -8 + 16*(float64(i)+0.5)/steps
			sum += math.Exp(tab.logLik(&c, theta+sd*z)-z*z/2) / math.Sqrt(2*math.Pi) * 16 / steps
		}
		// Five points are exact for polynomials of degree 9; here to a part in 100.
		assert.InDelta(t, math.Log(sum), tab.mixed(&c, theta, sd), 0.01)
	}
	assert.InDelta(t, 4*math.Log(0.07)+3*math.Log(0.15)-60*0.07-20*0.15, tab.logLik(&c, 0), 1e-12)
}

// A label of several pairs is a lot, a serial number is none, and neither is a machine's
// name before a serial number.
func TestLotsAndSerialNumbers(t *testing.T) {
	t.Parallel()
	machines := []Machine{
		{Name: "a", lives: []life{{lot: "L1", arcs: 1}, {lot: "a/1", arcs: 1}, {lot: "a/2", arcs: 1}, {lot: "B7/001", arcs: 1}, {lot: "S1", arcs: 1}}},
		{Name: "b", lives: []life{{lot: "L1", arcs: 1}, {lot: "B7/002", arcs: 1}}},
	}
	lots := lotsOf(machines)
	for label, want := range map[string]string{"L1": "L1", "a/1": "", "B7/001": "B7", "B7/002": "B7", "S1": "", "": ""} {
		assert.Equal(t, want, lots.of(label), label)
	}
}

func TestNothingToCompare(t *testing.T) {
	t.Parallel()
	for _, machines := range [][]Machine{nil, {{Name: "a"}}, {{Name: "a"}, {Name: "b", tries: map[triesKey]*tally{{"C", "s"}: {sessions: 3, tries: [classes]float64{3}}}}}} {
		r, err := All(machines, day)
		require.NoError(t, err)
		assert.Empty(t, r.Groups)
		assert.NotEmpty(t, r.Rules)
		assert.NotEmpty(t, r.Limits)
	}
}
