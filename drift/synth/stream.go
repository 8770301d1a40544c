package synth

import (
	"math"
	"math/rand/v2"
)

// stream is a source of chance that can be copied: the copy goes on as the
// original would.
type stream struct{ pcg rand.PCG }

// streamOf is the stream of a seed and a path of keys.
func streamOf(seed uint64, keys ...uint64) stream {
	pcg := rand.NewPCG(seed, uint64(len(keys)))
	for _, k := range keys {
		pcg = rand.NewPCG(pcg.Uint64(), k)
	}
	return stream{pcg: *pcg}
}

func (s *stream) normal() float64              { return rand.New(&s.pcg).NormFloat64() }
func (s *stream) uniform() float64             { return rand.New(&s.pcg).Float64() }
func (s *stream) exponential() float64         { return rand.New(&s.pcg).ExpFloat64() }
func (s *stream) chance(p float64) bool        { return s.uniform() < p }
func (s *stream) from(p Spread) float64        { return p.Mean + p.SD*s.normal() }
func (s *stream) around(m, ln float64) float64 { return m * math.Exp(ln*s.normal()) }

// pick draws an index with chances proportional to the weights.
func (s *stream) pick(weights []float64) int {
	total := 0.0
	for _, w := range weights {
		total += w
	}
	u := s.uniform() * total
	for i, w := range weights {
		if u -= w; u < 0 {
			return i
		}
	}
	return len(weights) - 1
}
