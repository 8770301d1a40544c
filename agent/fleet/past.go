package fleet

import (
	"time"

	"arcdrift/drift"
	"arcdrift/drift/backtest"
	"arcdrift/drift/model"
)

// Pasts returns all machines as a book told them by a moment, for replaying:
// records, corrections, labels and setups that are later do not count.
func Pasts(book Reader, asOf time.Time) ([]backtest.Past, error) {
	w, err := survey(book, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	out := make([]backtest.Past, 0, len(w.names))
	for _, name := range w.names {
		l, err := w.life(name)
		if err != nil {
			return nil, err
		}
		if len(l.events) > 0 {
			out = append(out, l.past())
		}
	}
	return out, nil
}

// past puts beside each attempt the calibration it was read from.
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
