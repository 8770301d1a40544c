package delta

import (
	"math"
	"math/rand/v2"
)

// What a stream of chance is for. Each has its own, so that taking one cause away
// leaves the others as they were.
const (
	forFleet uint64 = iota + 1
	forSite
	forModel
	forCrew
	forMachine
	forWeather
	forProject
	forWeek
	forDay
	forWork
	forArc
	forEnds
	forPeople
	forPair
	forService
	forVoice
	forRecord
	forMess
	forFuture
)

// source is the splitmix64 generator (Steele, Lea and Flood 2014): one word of
// state, so that naming a stream costs nothing.
type source struct{ s uint64 }

// Uint64 is the next word.
func (s *source) Uint64() uint64 {
	s.s += 0x9e3779b97f4a7c15
	return stir(s.s)
}

func stir(z uint64) uint64 {
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	return z ^ (z >> 31)
}

// key names a stream by a parent and numbers.
func key(parent uint64, of ...uint64) uint64 {
	for _, o := range of {
		parent = stir(parent ^ stir(o+0x632be59bd9b4e019))
	}
	return parent
}

// dice draws from one stream.
type dice struct {
	*rand.Rand
	src *source
}

func newDice(k uint64) dice {
	s := &source{k}
	return dice{rand.New(s), s}
}

// between is uniform.
func (d dice) between(lo, hi float64) float64 { return lo + (hi-lo)*d.Float64() }

// about is log-uniform, for constants known only by their order of size.
func (d dice) about(lo, hi float64) float64 {
	return math.Exp(d.between(math.Log(lo), math.Log(hi)))
}

// spread is a factor around one.
func (d dice) spread(sd float64) float64 {
	return math.Exp(sd * max(-2.5, min(2.5, d.NormFloat64())))
}

func (d dice) odds(p float64) bool { return d.Float64() < p }

// one picks an index by weight.
func (d dice) one(weights ...float64) int {
	var sum float64
	for _, w := range weights {
		sum += w
	}
	u := d.Float64() * sum
	for i, w := range weights {
		if u -= w; u < 0 {
			return i
		}
	}
	return len(weights) - 1
}

// count is a whole number with this mean, the rest by chance.
func (d dice) count(mean float64) int { return int(mean + d.Float64()) }

// chance is all that is left to chance in one run: the weather is the fleet's, the
// projects are the crew's, the rest is the machine's.
type chance struct {
	sky, projects, self uint64
	dice
}

// on turns to the stream of one purpose at one place of the run.
func (c *chance) on(parent, purpose uint64, day int, n ...int) {
	k := parent ^ purpose*0xd6e8feb86659fd93 ^ uint64(day)*0xa0761d6478bd642f
	for _, i := range n {
		k = stir(k) ^ uint64(i)*0xe7037ed1a0b428db
	}
	c.src.s = stir(k)
}
