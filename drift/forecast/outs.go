package forecast

import (
	"runtime"
	"slices"
	"sync"

	"arcdrift/drift/model"
)

// Before a move the chance of being out is stated from the model's, from the same in more
// doubt, and from how often the machine's first attempts failed. The weights are those of
// stacking, as of forecasts, by the first attempts of past sessions in other air: a model
// that was too sure of itself there is no longer believed alone.

// pastMove is one of these: the chances of a fail by the members, and what came.
type pastMove struct {
	grade  model.Grade
	fails  model.OutMembers
	failed bool
}

// outPrior returns the weights before any outcome; they count as much as priorPairs
// moves. A guess.
func outPrior() []float64 { return []float64{0.6, 0.2, 0.1, 0.1} }

const (
	// firstsUsual is the share of first attempts that fail in a fleet without records, a
	// guess; it counts firstsOfFleet sessions, the fleet's share in a kind firstsOfKind.
	firstsUsual                 = 0.15
	firstsOfFleet, firstsOfKind = 10, 20
)

// weighOuts sets Firsts and OutBlend of each kind.
func weighOuts(pop *model.Population, keys []model.Key, sample *model.Sample) {
	var fleet share
	for _, key := range keys {
		fleet.add(firstsOf(sample.Histories(key)))
	}
	usual := fleet.towards(firstsUsual, firstsOfFleet)
	moves := make([][]pastMove, len(keys))
	var all []pastMove
	for i, key := range keys {
		p := pop.For(key)
		kind := firstsOf(sample.Histories(key))
		p.Firsts = kind.towards(usual, firstsOfKind)
		moves[i] = movesOf(p, sample.Histories(key))
		all = append(all, moves[i]...)
	}
	fleetWide := stack(outPrior(), outcomes(all))
	for i, key := range keys {
		p := pop.For(key)
		kind := stack(fleetWide, outcomes(moves[i]))
		for grade := range p.OutBlend {
			own := slices.DeleteFunc(slices.Clone(moves[i]), func(m pastMove) bool { return int(m.grade) != grade })
			p.OutBlend[grade] = stack(kind, outcomes(own))
		}
	}
}

// share counts how many of n were.
type share struct{ were, n float64 }

func (s *share) add(more share) { s.were, s.n = s.were+more.were, s.n+more.n }

// towards is the share, shrunk towards a usual one that counts so many.
func (s share) towards(usual, weight float64) float64 {
	return (s.were + weight*usual) / (s.n + weight)
}

// firstsOf counts sessions, and those whose first attempt failed.
func firstsOf(histories []model.History) (out share) {
	for i := range histories {
		for j := range histories[i].Events {
			ev := &histories[i].Events[j]
			if ev.Kind != model.Attempt || !ev.NewSession || ev.Conditioning {
				continue
			}
			out.n++
			if model.FailedFirst(ev) {
				out.were++
			}
		}
	}
	return out
}

// movesOf returns the moves of the machines of a kind, on all processors.
func movesOf(p *model.Params, histories []model.History) []pastMove {
	found := make([][]pastMove, len(histories))
	var group sync.WaitGroup
	room := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i := range histories {
		group.Go(func() {
			room <- struct{}{}
			found[i] = movesOfOne(p, &histories[i])
			<-room
		})
	}
	group.Wait()
	return slices.Concat(found...)
}

// movesOfOne updates one machine with its events and returns the first attempts in other
// air, on the pair that was fitted before.
func movesOfOne(p *model.Params, h *model.History) (out []pastMove) {
	m := model.NewMachine(h.Machine, p)
	for i := range h.Events {
		ev := &h.Events[i]
		pair, _, _, _ := m.Pair()
		if ev.Kind == model.Attempt && ev.NewSession && !ev.Conditioning && ev.Pair == pair && m.Attempts() > 0 && m.Elsewhere(ev) {
			out = append(out, moveOf(m, ev))
		}
		m.Update(ev)
	}
	return out
}

func moveOf(m *model.Machine, ev *model.Event) pastMove {
	if ev.Program != m.Program() {
		m = m.In(ev.Program)
	}
	out := pastMove{grade: m.Grade(), fails: m.OutMembers(m.PlaceOf(ev), ev.Step), failed: model.FailedFirst(ev)}
	for i, chance := range out.fails {
		out.fails[i] = m.Params().Fails(chance)
	}
	return out
}

// outcomes are the chances that the members gave to what came. None is ever quite sure.
func outcomes(moves []pastMove) []evidence {
	out := make([]evidence, len(moves))
	for i := range moves {
		m := &moves[i]
		e := evidence{chances: make([]float64, len(m.fails)), weight: 1}
		for k, fails := range m.fails {
			if !m.failed {
				fails = 1 - fails
			}
			e.chances[k] = (1-leastChance)*fails + leastChance/2
		}
		out[i] = e
	}
	return out
}
