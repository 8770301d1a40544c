package lookback

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"sort"
	"time"

	"arcdrift/drift/model"
)

// lag is how many attempts after a span still have a say in it. At a scatter of 1.5 and
// a walk of the level of 0.15 per 1000 arcs, an attempt 15 sessions of 50 arcs later
// adds less than a fifteenth to what those between have shown.
const lag = 15

// draws of a machine's course. A chance is a mean over as many, so that its standard
// error is at most 0.04, and mostly a third of that.
const draws = 160

// course is what is known, by all records, of a machine during a stretch of work.
type course struct {
	past   *Past
	pieces []piece
	// out, strong and off are by draw and piece: the chance of a splice to be outside,
	// to get too much power, and the power needed minus the setting in log percent.
	out, strong, off [][]float64
	// level and air are what level and air add to the power needed, by draw and piece.
	level, air [][]float64
	// tolerance of each piece, the narrower side, in log percent.
	tolerance []float64
	// floor is the mean chance of being out with the setting right.
	floor  []float64
	checks []check
	stands []model.Stand
}

// check is the end of a session that passed.
type check struct {
	at    time.Time
	first bool // at the first attempt
	// out is the chance that the machine was outside nonetheless, as set then, and off,
	// level and air what the draws say of it, on average.
	out, off, level, air float64
	mark                 int
	ev                   *model.Event
}

// first is the event that a smoother over the pieces begins with.
func first(pieces []piece) int { return max(pieces[0].after, 0) }

// follow draws the machine's course over pieces of work, by all its events. m is the
// machine as it stood before the first of them, and is not changed.
func (p *Past) follow(m *model.Machine, pieces []piece, bend bend) *course {
	c := &course{past: p, pieces: pieces}
	first := first(pieces)
	s := m.Smoother()
	marks := make([]int, len(pieces))
	next, after := 0, 0
	for i := first; i < len(p.Events) && (next < len(pieces) || after < lag); i++ {
		s.Update(&p.Events[i])
		if ev := &p.Events[i]; ev.Kind == model.Attempt {
			if next == len(pieces) {
				after++
			}
			if ev.Passed {
				c.checks = append(c.checks, check{at: ev.Time, first: ev.NewSession && ev.Tries <= 1, mark: s.Mark(), ev: p.Kind.Placed(ev)})
			}
		}
		for ; next < len(pieces) && pieces[next].after == i; next++ {
			s.Advance((pieces[next].start + pieces[next].end) / 2)
			marks[next] = s.Mark()
		}
	}
	c.draw(s, marks[:next], bend)
	return c
}

// seed makes the draws of a machine the same for ever.
func (p *Past) seed() uint64 {
	h := fnv.New64a()
	h.Write([]byte(p.Machine))
	return h.Sum64()
}

func (c *course) draw(s *model.Smoother, marks []int, bend bend) {
	p, stands := c.past, s.Stands()
	drawn := s.Draws(draws, p.seed())
	rng := rand.New(rand.NewPCG(p.seed(), 1))
	weather := p.weather()
	n := len(marks)
	c.pieces = c.pieces[:n]
	rows := func() [][]float64 {
		out, block := make([][]float64, draws), make([]float64, draws*n)
		for i := range out {
			out[i] = block[i*n : (i+1)*n]
		}
		return out
	}
	c.out, c.strong, c.off, c.level, c.air = rows(), rows(), rows(), rows(), rows()
	c.floor, c.tolerance = make([]float64, n), make([]float64, n)
	for j, mark := range marks {
		stand := &stands[mark]
		c.stands = append(c.stands, *stand)
		air, doubt := weather.at(&c.pieces[j])
		lo, hi := stand.Window()
		c.tolerance[j] = min(-lo, hi)
		for d := range drawn {
			x := &drawn[d][mark]
			beside := doubt * rng.NormFloat64()
			strong, weak, off := stand.Out(x, air, beside)
			out := bend.apply(strong + weak)
			c.out[d][j], c.off[d][j], c.level[d][j] = out, off, x.Level
			c.strong[d][j] = out * strong / max(strong+weak, 1e-9)
			for i, a := range air {
				c.air[d][j] += x.Air[i] * a
			}
			right := *x
			right.Setting += off
			strong, weak, _ = stand.Out(&right, air, beside)
			c.floor[j] += bend.apply(strong+weak) / draws
		}
	}
	for i := range c.checks {
		k := &c.checks[i]
		for d := range drawn {
			x := &drawn[d][k.mark]
			strong, weak, off := stands[k.mark].Out(x, k.ev.Air, 0)
			k.out += bend.apply(strong+weak) / draws
			k.off += off / draws
			k.level += x.Level / draws
			for j, a := range k.ev.Air {
				k.air += x.Air[j] * a / draws
			}
		}
	}
}

// before returns the last check before a moment, nil for none.
func (c *course) before(t time.Time) *check {
	i := sort.Search(len(c.checks), func(i int) bool { return c.checks[i].at.After(t) })
	if i == 0 {
		return nil
	}
	return &c.checks[i-1]
}

// binomial draws how many of n come, each with chance p: one by one, or for many by
// the normal distribution.
func binomial(n int, p float64, rng *rand.Rand) int {
	const many = 200
	if n > many {
		sd := math.Sqrt(float64(n) * p * (1 - p))
		return int(min(max(math.Round(float64(n)*p+sd*rng.NormFloat64()), 0), float64(n)))
	}
	came := 0
	for range n {
		if rng.Float64() < p {
			came++
		}
	}
	return came
}
