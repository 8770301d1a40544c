package fleet

import (
	"sync"
	"time"

	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// Earlier forecasts are those of fixed midnights, the same for all machines, so that
// the populations of each midnight are learnt once.
const (
	saidEvery = 14 * 24 * time.Hour
	saidMost  = 6
)

// hindsight keeps the populations of those midnights until the records have grown by a
// tenth: a few late records change them little, and learning takes long.
type hindsight struct {
	mu      sync.Mutex
	records int
	priors  *priorCache
}

// at keeps them for a snapshot, learnt from the machines that sample picks, nil for all.
func (h *hindsight) at(s *Snapshot, sample func(names []string) []string) *priorCache {
	records := s.records
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.priors == nil || 10*records > 11*h.records {
		h.records, h.priors = records, &priorCache{sample: sample}
	}
	return h.priors
}

// Said returns the latest forecasts of a machine as they would have been given at fixed
// moments, newest first, with what happened then. A forecast uses no record from after
// its moment; a record from before it that arrived late is used.
func (f *Fleet) Said(machine string) ([]backtest.PastForecast, error) {
	now := f.now()
	g, err := f.at(now)
	if err != nil {
		return nil, err
	}
	l, err := g.life(g.setups.Named(machine))
	if err != nil || len(l.events) == 0 {
		return nil, err
	}
	whole, then := l.past(), f.hindsight.at(f.Snapshot(), f.priors.sample)
	var out []backtest.PastForecast
	moment := now.UTC().Truncate(saidEvery)
	for range saidMost {
		if moment.Before(l.events[0].Time) {
			break
		}
		era, err := then.at(f.reader, moment)
		if err != nil {
			return nil, err
		}
		was, err := era.life(machine)
		if err != nil {
			return nil, err
		}
		past := was.past()
		if fate, ok := backtest.FateOf(&past, &whole, moment); ok {
			said := was.say(era.pop)
			said.Made, said.Fate = moment, fate
			out = append(out, said)
		}
		moment = moment.Add(-saidEvery)
	}
	return out, nil
}

// say is the forecast for the pair at the end of the life.
func (l *life) say(pop *model.Population) backtest.PastForecast {
	m := model.NewMachine(l.name, pop.For(l.Key))
	for i := range l.events {
		m.Update(&l.events[i])
	}
	_, arcs, _, _ := m.Pair()
	left := forecast.Run(m, l.plan(m, paths, forecast.Horizon))
	return backtest.PastForecast{
		Arcs: int64(arcs), Horizon: forecast.Horizon,
		Left: advise.Quantiles{P10: left.Quantile(0.1), P50: left.Quantile(0.5), P90: left.Quantile(0.9)},
	}
}
