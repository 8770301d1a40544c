package model

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// lived is a fake machine followed by a smoother, with its true deviation from the
// setting at reference air at every mark: halfway between two sessions.
type lived struct {
	smoother *Smoother
	filtered []float64 // the filter's variance of that, at the mark
	off      []float64
	scale    []int
}

func live(p *Params, grade Grade, seed uint64, sessions int) lived {
	f, m := newFake(p, seed), NewMachine("K-07", p)
	l := lived{smoother: m.Smoother()}
	const half = 15
	for i := range sessions {
		if i > 0 {
			f.burn(half)
			l.smoother.Advance(f.arcs)
			l.smoother.Mark()
			row := [states]float64{level: 1, setting: -1}
			_, v := l.smoother.machine.filter.mean(row[:])
			l.filtered = append(l.filtered, v)
			l.off = append(l.off, f.level-f.setting)
			l.scale = append(l.scale, f.scale)
		}
		for _, ev := range f.session(grade, half) {
			l.smoother.Update(&ev)
		}
	}
	return l
}

// moments of the deviation at a mark over draws.
func moments(draws [][]Draw, mark int) (mean, variance float64) {
	for _, d := range draws {
		off := d[mark].Level - d[mark].Setting
		mean += off / float64(len(draws))
		variance += off * off / float64(len(draws))
	}
	return mean, variance - mean*mean
}

// The truth lies as far from what the smoother draws as the draws lie from each other,
// over machines drawn from the model's own assumptions, and later records make the
// state more certain than the filter was, on average. The chance of being out that it
// states comes true. Allowed is what the filter is allowed (TestTheFilterIsCalibrated),
// and for the chances three standard errors of 3,900 looks that come in runs of about
// three: 3·√(0.1·0.9·3/3900) = 0.025.
func TestTheSmootherIsCalibrated(t *testing.T) {
	t.Parallel()
	for grade, c := range map[Grade]struct {
		name      string
		tolerance float64
	}{Full: {"full", 0.36}, CorrectionOnly: {"correction", 0.45}, PassFail: {"pass-fail", 0.45}} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			p := believed()
			var chi, n, filtered, smoothed, stated, came float64
			for seed := range uint64(100) {
				l := live(p, grade, seed, 40)
				draws := l.smoother.Draws(60, seed)
				rng := rand.New(rand.NewPCG(seed, 7))
				for i, off := range l.off {
					mean, v := moments(draws, i)
					chi += sq(off-mean) / v
					filtered += l.filtered[i]
					smoothed += v
					n++
					stand := &l.smoother.stands[i]
					for _, d := range draws {
						strong, weak, _ := stand.Out(&d[i], [airTerms]float64{}, 0)
						stated += (strong + weak) / float64(len(draws))
					}
					lo, hi := p.Window()
					if z := off + p.ScatterAt(stand.Arcs)*ScatterScaleAt(l.scale[i])*rng.NormFloat64(); z < lo || z > hi {
						came++
					}
				}
			}
			t.Logf("chi² %.2f, variance %.2f after %.2f, out %.3f stated %.3f", chi/n, smoothed/n, filtered/n, came/n, stated/n)
			assert.InDelta(t, 1, chi/n, c.tolerance)
			assert.Less(t, smoothed, filtered)
			assert.InDelta(t, came/n, stated/n, 0.025)
		})
	}
}

// Dirt that came between two sessions is seen by what follows: in the evening before,
// the level is near where it was, in the evening after near where it is now. The
// scatter of a try is 1.5 here; a mean of those on either side is known to within a
// third of it, of which three are allowed.
func TestTheSmootherFindsTheDayOfDirt(t *testing.T) {
	t.Parallel()
	const jump, before, soiled = 5.0, 1.0, 12
	p := believed()
	p.Slope, p.SlopeSD, p.DirtRate, p.DirtLevel = 0, 0.01, 0.5, 3
	m := NewMachine("K-07", p)
	s := m.Smoother()
	rng := rand.New(rand.NewPCG(3, 3))
	for i := range 2 * soiled {
		level, scatter := before, p.Scatter
		if i >= soiled {
			level, scatter = before+jump, p.Scatter*ScatterScaleAt(4)
		}
		off := level + scatter*rng.NormFloat64()
		s.Update(&Event{Kind: Attempt, Time: morning.AddDate(0, 0, i), Arcs: float64(30 * i), Step: 30, NewSession: true, Ordinal: 1, Tries: 1,
			Passed: true, Melt: drift.Some(-p.Kappa * off), Setting: drift.Some(0.0), Next: drift.Some(0.0)})
		s.Advance(float64(30*i + 15))
		s.Mark()
	}
	draws := s.Draws(200, 1)
	evening, _ := moments(draws, soiled-2)
	after, _ := moments(draws, soiled)
	assert.InDelta(t, before, evening, 1.5, "the evening before")
	assert.InDelta(t, before+jump, after, 1.5, "the evening after")
}

// The same seed gives the same draws, and other draws come with another.
func TestDrawsFollowFromTheSeed(t *testing.T) {
	t.Parallel()
	l := live(believed(), Full, 5, 12)
	first := l.smoother.Draws(3, 9)
	require.Equal(t, first, live(believed(), Full, 5, 12).smoother.Draws(3, 9))
	require.NotEqual(t, first, l.smoother.Draws(3, 10))
	require.False(t, math.IsNaN(first[0][0].Level))
}

// Following a machine leaves it as it was and comes to the same state.
func TestASmootherFollowsAsTheMachineDoes(t *testing.T) {
	t.Parallel()
	for _, grade := range []Grade{Full, CorrectionOnly, PassFail} {
		p := believed()
		f, m := newFake(p, 11), NewMachine("K-07", p)
		s := m.Smoother()
		for range 30 {
			for _, ev := range f.session(grade, 30) {
				m.Update(&ev)
				s.Update(&ev)
			}
		}
		mean, sd := m.Level()
		also, doubt := s.machine.Level()
		assert.InDelta(t, mean, also, 1e-9)
		assert.InDelta(t, sd, doubt, 1e-9)
	}
}
