package backtest

import (
	"arcdrift/drift/fit"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// Outlook is a forecast of arcs to failure: its quantiles at (i + ½)/100, in arcs,
// rising, none beyond the horizon. A forecast of a single number repeats it.
type Outlook [members]float64

// members is the size of an outlook: chances are stated to a hundredth.
const members = 100

// outlookOf takes the quantiles of a forecast.
func outlookOf(quantile func(p float64) float64) (o Outlook) {
	for i := range o {
		o[i] = min(max(quantile((float64(i)+0.5)/members), 0), forecast.Horizon)
	}
	return o
}

// point is the outlook of a single number.
func point(arcs float64) Outlook {
	return outlookOf(func(float64) float64 { return arcs })
}

// At returns the quantile at percent, from 1 to 99, in arcs.
func (o *Outlook) At(percent int) float64 { return (o[percent-1] + o[percent]) / 2 }

// Before returns the chance of a failure within so many arcs.
func (o *Outlook) Before(arcs float64) float64 {
	n := 0
	for n < members && o[n] <= arcs {
		n++
	}
	return float64(n) / members
}

// The forecasters of arcs to failure, in the order of a case's outlooks.
const (
	Model          = "model"
	FleetLifetimes = "fleet lifetimes"
	FixedCount     = "fixed arc count"
	LastPoints     = "last 30 points"
)

// Forecasters lists them.
func Forecasters() []string { return []string{Model, FleetLifetimes, FixedCount, LastPoints} }

// rivals is what the simple forecasters know at a moment.
type rivals struct {
	byModel map[string][]fit.Life
	all     []fit.Life
}

// enoughEnds is how many lives of a kind must have ended before they are used alone;
// until then those of the whole fleet are.
const enoughEnds = 5

func studyLives(pasts []Past) rivals {
	r := rivals{byModel: map[string][]fit.Life{}}
	for i := range pasts {
		lives := forecast.Lives(&pasts[i].History)
		name := pasts[i].Key.Model // whatever the program, it wears the same pairs
		r.byModel[name] = append(r.byModel[name], lives...)
		r.all = append(r.all, lives...)
	}
	return r
}

// of returns the lives to use for a kind of machine.
func (r rivals) of(name string) []fit.Life {
	if ends, _ := forecast.Exposure(r.byModel[name]); ends >= enoughEnds {
		return r.byModel[name]
	}
	return r.all
}

// fleetLifetimes forecasts by the lifetimes that reached beyond the arcs so far: the
// estimate of Kaplan and Meier, see forecast.Lifetimes.
func fleetLifetimes(lives []fit.Life, arcs float64) Outlook {
	return outlookOf(forecast.Lifetimes(lives, arcs))
}

// bestCount is the fixed arc count with the least loss on the past: the pinball loss of a
// single number at 10, 50 and 90 % is proportional to its distance from the truth, which
// is least at the median life.
func bestCount(lives []fit.Life) float64 {
	o := fleetLifetimes(lives, 0)
	return o.At(50)
}

// linePoints is how many points the line goes through at most, lineLeast at
// least.
const (
	linePoints = 30
	lineLeast  = 5
)

// lastPoints forecasts where the line through the required power of the pair's last 30
// attempts, as measured, leaves the machine's bounds; a line that never does gives the
// horizon. It is false with fewer than five points.
func lastPoints(events []model.Event, p *model.Params) (Outlook, bool) {
	last := &events[len(events)-1]
	var xs, ys []float64
	for i := len(events) - 1; i >= 0 && events[i].Pair == last.Pair && len(xs) < linePoints; i-- {
		ev := &events[i]
		setting, told := ev.Setting.Get()
		melt, measured := ev.Melt.Get()
		if ev.Kind == model.Attempt && told && measured && !ev.Conditioning {
			xs, ys = append(xs, ev.Arcs-last.Arcs), append(ys, setting-melt/p.Kappa)
		}
	}
	if len(xs) < lineLeast {
		return Outlook{}, false
	}
	at, slope := line(xs, ys)
	lo, hi := p.Window()
	bottom, top := p.Bounds()
	switch {
	case at > top+hi || at < bottom+lo:
		return point(0), true
	case slope > 0:
		return point((top + hi - at) / slope), true
	case slope < 0:
		return point((bottom + lo - at) / slope), true
	}
	return point(forecast.Horizon), true
}

// line fits y = at + slope·x by least squares.
func line(xs, ys []float64) (at, slope float64) {
	var mx, my, sxy, sxx float64
	n := float64(len(xs))
	for i := range xs {
		mx += xs[i] / n
		my += ys[i] / n
	}
	for i := range xs {
		sxy += (xs[i] - mx) * (ys[i] - my)
		sxx += (xs[i] - mx) * (xs[i] - mx)
	}
	if sxx > 0 {
		slope = sxy / sxx
	}
	return my - slope*mx, slope
}
