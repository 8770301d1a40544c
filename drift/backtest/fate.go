package backtest

import (
	"time"

	"arcdrift/drift/advise"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// End says how the time of a pair without a service ended.
type End string

// The ends: a session was given up; the pair was serviced; neither yet.
const (
	EndFailed   End = "failed"
	EndServiced End = "serviced"
	EndOpen     End = "open"
)

// Fate is what became of the pair that was fitted at a moment.
type Fate struct {
	// Arcs from the moment to the failure; else to where the pair was last known without
	// a service.
	Arcs float64
	// Until is when that was; zero if there are no records of the pair after the moment.
	Until time.Time
	End   End
}

// FateOf returns what became of the pair fitted at a moment; was is the machine by its
// records until then, now by those until today. It is false where there was nothing to
// forecast: no attempt yet, or a session given up and the pair still down.
func FateOf(was, now *Past, moment time.Time) (Fate, bool) {
	attempts := false
	for i := range was.Events {
		attempts = attempts || was.Events[i].Kind == model.Attempt
	}
	if _, down := was.failures(); down || !attempts {
		return Fate{}, false
	}
	failed, _ := now.failures()
	return now.after(now.upTo(moment), failed), true
}

// after follows the pair of event n−1 through the events from n on.
func (p *Past) after(n int, failed []forecast.Failure) Fate {
	f := Fate{End: EndOpen}
	if n == 0 {
		return f
	}
	before := &p.Events[n-1]
	for i := n; i < len(p.Events); i++ {
		ev := &p.Events[i]
		if ev.Pair != before.Pair || ev.Kind == model.Cleaned || ev.Kind == model.Replaced || ev.Kind == model.Unlogged {
			f.End = EndServiced
			break
		}
		f.Arcs, f.Until = ev.Arcs-before.Arcs, ev.Time
		for _, x := range failed {
			if x.From == i {
				return Fate{Arcs: x.Arcs - before.Arcs, Until: x.At, End: EndFailed}
			}
		}
	}
	return f
}

// PastForecast is the forecast of arcs to failure that would have been given at a moment,
// from the records until then, beside what came of it.
type PastForecast struct {
	Made time.Time
	// Arcs on the pair then.
	Arcs int64
	// Left is the forecast of arcs to failure; a quantile beyond the horizon is given as
	// the horizon.
	Left    advise.Quantiles
	Horizon int64
	Fate
}

// Verdict says what came of a forecast's interval from its P10 to its P90, which should
// cover 8 lives in 10.
type Verdict string

// The verdicts; a life censored inside the interval says nothing.
const (
	Covered      Verdict = "held"
	FailedSooner Verdict = "failed-sooner"
	LastedLonger Verdict = "lasted-longer"
	NotTold      Verdict = "not-told"
)

// Verdict judges the forecast by what came of it.
func (s *PastForecast) Verdict() Verdict {
	beyond := s.Left.P90 < float64(s.Horizon) && s.Fate.Arcs > s.Left.P90
	switch {
	case beyond:
		return LastedLonger
	case s.End != EndFailed:
		return NotTold
	case s.Fate.Arcs < s.Left.P10:
		return FailedSooner
	}
	return Covered
}
