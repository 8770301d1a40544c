package model

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// changing is a machine that changes between programs with offsets of their own,
// in log percent, on one pair that wears straight; each has a setting of its own, or
// all have one.
type changing struct {
	offsets map[string]float64
	own     bool
	grade   Grade
}

// live makes so many sessions and returns the history and the level of the
// reference program, whose offset is 0, at the end.
func (c changing) live(seed uint64, sessions int) (h History, level float64) {
	rng := rand.New(rand.NewPCG(seed, 3))
	h = History{Machine: fmt.Sprintf("K-%02d", seed), Key: Key{"type-1", "a"}, AttemptLimit: 4}
	const kappa, scatter, gain = 2.0, 1.0, 0.8
	names := []string{"a", "b", "c"}
	settings, level, arcs := map[string]float64{}, rng.NormFloat64(), 0.0
	mine := map[string]float64{}
	for name, o := range c.offsets {
		mine[name] = o
	}
	for _, name := range names { // in a fixed order
		if mine[name] != 0 {
			mine[name] += 0.3 * rng.NormFloat64()
		}
	}
	for day := range sessions {
		name := names[rng.IntN(len(c.offsets))]
		key := name
		if !c.own {
			key = ""
		}
		for try := range 4 {
			step := 1.0
			if try == 0 {
				step = 40
			}
			arcs += step
			level += 3 * step / 1000
			off := level + mine[name] + scatter*rng.NormFloat64() - settings[key]
			lo, hi := window(8, 100, kappa)
			ev := Event{
				Kind: Attempt, Time: morning.AddDate(0, 0, day), Arcs: arcs, Step: step, NewSession: try == 0, Ordinal: int64(try + 1), Tries: 1,
				Passed: off > lo && off < hi, Program: name, Target: drift.Some(100.0), Tolerance: drift.Some(8.0), Limit: drift.Some(20.0),
			}
			moved := 0.0
			if !ev.Passed {
				moved = gain * off
			}
			before := settings[key]
			settings[key] += moved
			switch c.grade {
			case Full:
				ev.Melt, ev.Setting, ev.Next = drift.Some(-kappa*off), drift.Some(before), drift.Some(before+moved)
			case CorrectionOnly:
				ev.Correction = drift.Some(Pct(settings[key]) - Pct(before))
			}
			h.Events = append(h.Events, ev)
			if ev.Passed {
				break
			}
		}
	}
	return h, level
}

func window(tolerance, target, kappa float64) (lo, hi float64) {
	p := Params{Kappa: kappa, Tolerance: drift.Some(tolerance), Target: drift.Some(target)}
	return p.Window()
}

// What one program shows counts for all: the wear and the level are followed through
// changes, offsets are learnt, and a program that a machine never ran starts from
// where the others of its kind have it.
func TestProgramsShareOnePair(t *testing.T) {
	for _, own := range []bool{false, true} {
		t.Run(fmt.Sprint("own settings ", own), func(t *testing.T) {
			c := changing{offsets: map[string]float64{"a": 0, "b": 4, "c": -2}, own: own, grade: Full}
			var hs []History
			var levels []float64
			for seed := range uint64(12) {
				h, level := c.live(seed, 90)
				hs, levels = append(hs, h), append(levels, level)
			}
			p := learn(hs).For(Key{"type-1", "b"})
			require.Len(t, p.Programs, 3)
			assert.Equal(t, own, p.OwnSettings)
			between := p.program("b").Offset - p.program("c").Offset
			// Standard error of a mean of 12 offsets that differ by 0.3: 0.12 for a
			// difference; the prior of an offset, 3, pulls by less.
			assert.InDelta(t, 6, between, 0.5)
			squares, n := 0.0, 0.0
			for i, h := range hs {
				m := NewMachine(h.Machine, p)
				for j := range h.Events {
					m.Update(&h.Events[j])
				}
				for _, name := range []string{"a", "b", "c"} {
					level, _ := m.In(name).Level()
					squares += sq(level - levels[i] - c.offsets[name])
					n++
				}
			}
			// Offsets differ by 0.3 between machines; the level of a steady pair is
			// known to some 0.4.
			assert.Less(t, math.Sqrt(squares/n), 0.7)

			// A machine of which only program a is known.
			one := NewMachine("K-99", p)
			only, level := changing{offsets: map[string]float64{"a": 0}, grade: Full}.live(99, 60)
			for j := range only.Events {
				one.Update(&only.Events[j])
			}
			require.False(t, one.Ran("b"))
			b, sd := one.In("b").Level()
			assert.InDelta(t, level+4, b, 1.5)
			_, known := one.Level()
			assert.Greater(t, sd, known, "less sure than of its own")
			_, new := one.In("never seen").Level()
			assert.Greater(t, new, sd, "and least of one never seen")
			assert.Equal(t, "a", one.Program(), "asking changes nothing")
		})
	}
}

// Corrections alone follow the need through changes of program.
func TestCorrectionsFollowThroughPrograms(t *testing.T) {
	for _, own := range []bool{false, true} {
		var full []History
		c := changing{offsets: map[string]float64{"a": 0, "b": 3, "c": -2}, own: own, grade: Full}
		for seed := range uint64(10) {
			h, _ := c.live(seed, 90)
			full = append(full, h)
		}
		p := learn(full).For(Key{"type-1", "a"})
		c.grade = CorrectionOnly
		bias, squares := 0.0, 0.0
		for seed := uint64(20); seed < 40; seed++ {
			h, level := c.live(seed, 90)
			m := NewMachine(h.Machine, p)
			for j := range h.Events {
				m.Update(&h.Events[j])
			}
			got, _ := m.In("a").Level()
			bias, squares = bias+(got-level)/20, squares+sq(got-level)/20
		}
		t.Logf("own settings %v: bias %.2f, rms %.2f", own, bias, math.Sqrt(squares))
		// Without a program's help the level is known to 1 where the machine began.
		assert.Less(t, math.Sqrt(squares), 1.4)
	}
}

// Machines that do not name their program, beside others of their model that do, are in
// one that is not known: it is no program of its own, from which others would count.
func TestAttemptsWithoutAProgramAreOfAnUnknownOne(t *testing.T) {
	c := changing{offsets: map[string]float64{"a": 0, "b": 4}, grade: Full}
	var hs []History
	for seed := range uint64(9) {
		h, _ := c.live(seed, 40)
		for i := range h.Events {
			if seed < 6 {
				h.Events[i].Program = ""
			}
		}
		hs = append(hs, h)
	}
	p := learn(hs).For(Key{"type-1", ""})
	require.Len(t, p.Programs, 2)
	assert.Equal(t, []string{"a", "b"}, []string{p.Programs[0].Name, p.Programs[1].Name})
	unnamed, unseen := p.program(""), p.program("never seen")
	unseen.Name = ""
	assert.Equal(t, unseen, unnamed)
	assert.InDelta(t, 4, p.program("b").Offset-p.program("a").Offset, 0.7)
	// Where no machine names one there is one program, and no doubt of it.
	for i := range hs {
		for j := range hs[i].Events {
			hs[i].Events[j].Program = ""
		}
	}
	p = learn(hs).For(Key{"type-1", ""})
	require.Len(t, p.Programs, 1)
	assert.Zero(t, p.program("").OffsetSD)
}
