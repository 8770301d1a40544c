package tide

import "math"

// chance is where luck comes from. A machine's own luck and the weather of the
// region, which all machines share, have a seed each. Another pair of seeds is
// another future under the same laws.
type chance struct{ own, region uint64 }

// subject separates the streams of one seed.
type subject uint64

const (
	ofFleet subject = iota + 1
	ofModel
	ofMachine
	ofPair
	ofWeather
	ofMorning
	ofNoon
	ofCheck
	ofAttempt
	ofWork
	ofEvening
	ofReaction
	ofStyle
	ofTelling
	ofMess
	ofFutures
)

// of is the stream of one event of a machine: the same event gets the same luck
// whatever else happened before it.
func (c chance) of(what subject, day, slot int) stream { return streamOf(c.own, what, day, slot) }

// weather is the stream of one day of the region.
func (c chance) weather(day int) stream { return streamOf(c.region, ofWeather, day, 0) }

func streamOf(seed uint64, what subject, a, b int) stream {
	key := uint64(what)<<56 ^ uint64(uint32(a))<<20 ^ uint64(uint32(b))
	return stream(scramble(seed ^ scramble(key)))
}

// stream yields random numbers. It is the generator SplitMix64 (Steele, Lea and
// Flood 2014), which needs no more than its last number to go on.
type stream uint64

func (s *stream) next() uint64 {
	*s += 0x9e3779b97f4a7c15
	return scramble(uint64(*s))
}

func scramble(z uint64) uint64 {
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// unit is between 0 and 1, neither included.
func (s *stream) unit() float64 { return (float64(s.next()>>11) + 0.5) / (1 << 53) }

func (s *stream) between(low, high float64) float64 { return low + (high-low)*s.unit() }

func (s *stream) whole(low, high int) int { return low + int(s.next()%uint64(high-low+1)) }

func (s *stream) yes(p float64) bool { return s.unit() < p }

// normal has mean 0 and standard deviation 1 (Box and Muller 1958).
func (s *stream) normal() float64 {
	r := math.Sqrt(-2 * math.Log(s.unit()))
	return r * math.Cos(2*math.Pi*s.unit())
}

// about is a positive number around a median; sd is that of its logarithm.
func (s *stream) about(median, sd float64) float64 { return median * math.Exp(sd*s.normal()) }

// pick is an index, drawn by weight.
func (s *stream) pick(weights ...float64) int {
	var sum float64
	for _, w := range weights {
		sum += w
	}
	at := s.unit() * sum
	for i, w := range weights {
		if at < w {
			return i
		}
		at -= w
	}
	return len(weights) - 1
}
