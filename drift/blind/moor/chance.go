package moor

import (
	"math"
	"math/rand/v2"
)

// A stream names what a piece of chance is for.
type stream uint64

const (
	ofWeek stream = iota + 1
	ofDay
	ofArcs
	ofMove
	ofSite
	ofProgram
	ofSession
	ofTime
	ofNoise
	ofTail
	ofSpread
	ofSessionNoise
	ofGap
	ofWander
	ofStair
	ofStairSize
	ofDirt
	ofDirtSize
	ofDirtScatter
	ofEnds
	ofEndsSize
	ofEndsSide
	ofBlunt
	ofStubborn
	ofPeople
	ofCrew
	ofPair
	ofMachine
	ofModel
	ofTelling
	ofMess
	ofWeather
	ofForced
	ofCentre
	ofLazy
)

// mix is the finalizer of the SplitMix64 generator (Steele, Lea and Flood, 2014;
// constants from memory).
func mix(x uint64) uint64 {
	x ^= x >> 30
	x *= 0xbf58476d1ce4e5b9
	x ^= x >> 27
	x *= 0x94d049bb133111eb
	return x ^ x>>31
}

// hash is 64 bits of chance for one question.
func hash(seed uint64, s stream, a, b int64) uint64 {
	h := seed + uint64(s)*0x9e3779b97f4a7c15
	h = mix(h + uint64(a)*0xd1342543de82ef95)
	return mix(h + uint64(b)*0xaf251af3b0f025b5)
}

// uniform is in the open interval from 0 to 1.
func uniform(seed uint64, s stream, a, b int64) float64 {
	return (float64(hash(seed, s, a, b)>>11) + 0.5) / (1 << 53)
}

// normal is standard normal.
func normal(seed uint64, s stream, a, b int64) float64 {
	return math.Sqrt2 * math.Erfinv(2*uniform(seed, s, a, b)-1)
}

// bell has mean 0 and variance 1 and is nearly normal: the sum of four uniform
// numbers. It is for what is not asked for its distribution.
func bell(seed uint64, s stream, a, b int64) float64 {
	h := hash(seed, s, a, b)
	n := h&0xffff + h>>16&0xffff + h>>32&0xffff + h>>48
	return (float64(n) - 2*0xffff) * (1.7320508075688772 / (1 << 16))
}

// below is the standard normal distribution function.
func below(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// draw draws constants, in order, from a stream of its own.
type draw struct{ *rand.Rand }

func newDraw(seed uint64, s stream, a int64) draw {
	return draw{rand.New(rand.NewPCG(hash(seed, s, a, 1), hash(seed, s, a, 2)))}
}

func (d draw) between(lo, hi float64) float64 { return lo + (hi-lo)*d.Float64() }

// log is even on the logarithm between two positive bounds.
func (d draw) log(lo, hi float64) float64 { return lo * math.Exp(d.Float64()*math.Log(hi/lo)) }

func (d draw) coin(p float64) bool { return d.Float64() < p }

func (d draw) sign(plus float64) float64 {
	if d.coin(plus) {
		return 1
	}
	return -1
}

// pick is an index drawn by weights.
func (d draw) pick(weights ...float64) int {
	sum := 0.0
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

// chance is the luck of one machine: the one it had, or another one from a moment on.
type chance struct {
	own  uint64 // what it had
	luck uint64 // of attempts, wear and dirt
	plan uint64 // of work, moves and weather after the last day known
	// known is the last day whose plan is the machine's own, weather the last
	// moment whose weather is.
	known   int64
	weather int64
}

func ownChance(seed uint64) chance {
	return chance{own: seed, luck: seed, plan: seed, known: math.MaxInt64, weather: math.MaxInt64}
}

// otherChance keeps the plan up to a moment (seconds since the start), for days
// that begin zone seconds before those of UTC.
func otherChance(own, seed uint64, at, zone int64) chance {
	return chance{own: own, luck: mix(seed ^ 0x5bf0), plan: mix(seed ^ 0xa17e), known: floorDiv(at+zone, daySeconds), weather: at}
}

func (c *chance) planned(s stream, day, b int64) float64 { return uniform(c.planSeed(day), s, day, b) }

func (c *chance) planSeed(day int64) uint64 {
	if day <= c.known {
		return c.own
	}
	return c.plan
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
