package fleet

import (
	"sync"

	"arcdrift/drift"
)

// swaps are the questions about swapped pairs, by machine: to know that of one machine, the
// marks of all others are looked at. They hold for the marks and customers of a generation.
type swaps struct {
	mu sync.Mutex
	of map[string]swap
}

type swap struct {
	of  *member
	q   drift.Question
	ask bool
}

// swapped is the question whether the machine has the pair of another one.
func (g *generation) swapped(m *member) (q drift.Question, ask bool) {
	g.swaps.mu.Lock()
	defer g.swaps.mu.Unlock()
	s := g.swaps.of[m.name]
	if s.of != m {
		s.of = m
		s.q, s.ask = drift.AskSwapped(m.name, m.marks, g.colleagues(m.name))
		if g.swaps.of == nil {
			g.swaps.of = map[string]swap{}
		}
		g.swaps.of[m.name] = s
	}
	return s.q, s.ask
}

// colleagues are the marks of the machines of the same customer.
func (g *generation) colleagues(machine string) map[string][]drift.Mark {
	if !g.customers.Any() {
		return g.marks
	}
	out := map[string][]drift.Mark{}
	customer := g.customers.Of(machine).Customer
	for name, marks := range g.marks {
		if g.customers.Of(name).Customer == customer {
			out[name] = marks
		}
	}
	return out
}
