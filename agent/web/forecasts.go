package web

import (
	"context"
	"fmt"
	"time"

	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
	"arcdrift/drift/phrase"
)

// earlierView is how earlier forecasts of a machine turned out.
type earlierView struct {
	Summary string
	// Waiting says that they are still being worked out.
	Waiting bool
	Rows    []earlierRow
}

// earlierRow is one forecast; the drawing has a bar from the low to the high end.
type earlierRow struct {
	Made                              time.Time
	When, Arcs, Forecast, Came, Judge string
	Bar, Middle, Sign, Kind           string
}

// Size of the drawing of one forecast.
const earlierWidth, earlierHeight = 300.0, 20.0

// glance is how long a page waits for old forecasts: they may take a minute, and
// few people open the page for them.
const glance = 20 * time.Millisecond

// addEarlier adds how earlier forecasts turned out, and says whether that is there
// yet.
func (s *Server) addEarlier(ctx context.Context, v *machineView, a *advise.Assessment) (there bool, err error) {
	waiting, stop := context.WithTimeout(ctx, s.glance)
	defer stop()
	all, there, err := s.pasts.soon(waiting, a)
	if err != nil {
		return false, err
	}
	past, known := all[a.Machine]
	v.Forecasts = wordEarlier(past)
	v.Forecasts.Waiting = !known
	return there, nil
}

func wordEarlier(all []backtest.PastForecast) *earlierView {
	v := &earlierView{}
	longest := 1.0
	for i := range all {
		longest = max(longest, all[i].Left.P90, all[i].Fate.Arcs)
	}
	x := scale{0, longest, 6, earlierWidth - 12}
	counts := map[backtest.Verdict]int{}
	for i := range all {
		counts[all[i].Verdict()]++
		v.Rows = append(v.Rows, rowOfEarlier(&all[i], x))
	}
	judged := len(all) - counts[backtest.NotTold]
	if judged == 0 {
		v.Summary = "None of them can be judged yet."
		return v
	}
	v.Summary = fmt.Sprintf("%d of %d can be judged: %d right, %d failed sooner, %d lasted longer.",
		judged, len(all), counts[backtest.Covered], counts[backtest.FailedSooner], counts[backtest.LastedLonger])
	return v
}

func rowOfEarlier(s *backtest.PastForecast, x scale) earlierRow {
	row := earlierRow{
		Made: s.Made, When: phrase.Date(s.Made), Arcs: phrase.Integer(s.Arcs), Came: cameOf(s),
		Forecast: fmt.Sprintf("%s to %s more arcs, median %s", left(s.Left.P10, s.Horizon), left(s.Left.P90, s.Horizon), left(s.Left.P50, s.Horizon)),
		Judge: map[backtest.Verdict]string{
			backtest.Covered: "right", backtest.FailedSooner: "failed sooner", backtest.LastedLonger: "lasted longer",
		}[s.Verdict()],
	}
	const middle, half = earlierHeight / 2, 5
	row.Bar = fmt.Sprintf("M%s %dH%sV%dH%sz", coord(x.at(s.Left.P10)), int(middle)-half, coord(x.at(s.Left.P90)), int(middle)+half, coord(x.at(s.Left.P10)))
	row.Middle = fmt.Sprintf("M%s %dv%d", coord(x.at(s.Left.P50)), int(middle)-half, 2*half)
	at := x.at(s.Fate.Arcs)
	row.Kind = "seen"
	switch s.End {
	case backtest.EndFailed:
		row.Kind, row.Sign = "fail", cross(at, middle, 5)
	case backtest.EndServiced: // it was cut short: a bar across
		row.Sign = fmt.Sprintf("M%s %sH%sM%s %sv12", coord(x.a), coord(middle), coord(at), coord(at), coord(middle-6))
	default: // and goes on: an arrow
		row.Sign = fmt.Sprintf("M%s %sH%sm-5-4l5 4l-5 4", coord(x.a), coord(middle), coord(at+5))
	}
	return row
}

// left is a number of arcs of a forecast; beyond the horizon it is none.
func left(arcs float64, horizon int64) string {
	if arcs >= float64(horizon) {
		return "more than " + phrase.Integer(horizon)
	}
	return phrase.About(arcs)
}

func cameOf(s *backtest.PastForecast) string {
	arcs := phrase.About(s.Fate.Arcs) + " arcs"
	switch {
	case s.End == backtest.EndFailed:
		return "Failed after " + arcs + "."
	case s.End == backtest.EndServiced:
		return "Serviced after " + arcs + "."
	case s.Until.IsZero():
		return "No records since."
	default:
		return "Still in use after " + arcs + "."
	}
}
