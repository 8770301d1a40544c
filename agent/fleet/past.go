package fleet

import (
	"time"

	"arcdrift/drift"
	"arcdrift/drift/backtest"
	"arcdrift/drift/model"
)

// Pasts returns all machines as they were at a moment, for replaying: later records,
// corrections, labels and setups do not count.
func Pasts(reader Reader, asOf time.Time) ([]backtest.Past, error) {
	g, err := survey(reader, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	out := make([]backtest.Past, 0, len(g.names))
	for _, name := range g.names {
		l, err := g.life(name)
		if err != nil {
			return nil, err
		}
		if len(l.events) > 0 {
			out = append(out, l.past())
		}
	}
	return out, nil
}

// past is the life for replaying: with each attempt, the calibration that it is from.
func (l *life) past() backtest.Past {
	byID := make(map[string]*drift.Calibration, len(l.entries))
	for i := range l.entries {
		byID[l.entries[i].ID] = l.entries[i].Calibration
	}
	p := backtest.Past{
		History:  l.history(),
		Settings: l.Settings, Calibrations: make([]*drift.Calibration, len(l.events)),
	}
	for i := range l.events {
		if l.events[i].Kind == model.Attempt {
			p.Calibrations[i] = byID[l.events[i].ID]
		}
	}
	return p
}
