package backtest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift/advise"
)

func TestFateOfAForecast(t *testing.T) {
	moment := dawn.Add(36 * time.Hour) // after the second day
	for words, want := range map[string]Fate{
		"ok ok ok fail":          {Arcs: 200, End: EndFailed},
		"ok ok ok ok":            {Arcs: 200, End: EndOpen},
		"ok ok":                  {End: EndOpen},
		"ok ok ok cleaned fail":  {Arcs: 100, End: EndServiced},
		"ok ok new fail":         {End: EndServiced},
		"ok ok ok fail blunt ok": {Arcs: 400, End: EndOpen}, // it was not the electrodes'
	} {
		now := story(words)
		was := *now
		was.Events = now.Events[:now.upTo(moment)]
		got, ok := FateOf(&was, now, moment)
		assert.True(t, ok, words)
		assert.Equal(t, want.End, got.End, words)
		assert.InDelta(t, want.Arcs, got.Arcs, 1e-9, words)
		assert.Equal(t, want.Arcs == 0, got.Until.IsZero(), words)
	}
	for _, words := range []string{"usage usage ok", "ok fail ok ok"} {
		now := story(words)
		was := *now
		was.Events = now.Events[:now.upTo(moment)]
		_, ok := FateOf(&was, now, moment)
		assert.False(t, ok, "%s: nothing to forecast", words)
	}
}

func TestVerdictOnAForecast(t *testing.T) {
	for _, c := range []struct {
		arcs float64
		end  End
		want Verdict
	}{
		{150, EndFailed, FailedSooner}, {200, EndFailed, Covered}, {600, EndFailed, Covered}, {1000, EndFailed, Covered}, {1001, EndFailed, LastedLonger},
		{150, EndServiced, NotTold}, {600, EndOpen, NotTold}, {1200, EndOpen, LastedLonger}, {1200, EndServiced, LastedLonger},
	} {
		s := PastForecast{Left: advise.Quantiles{P10: 200, P50: 500, P90: 1000}, Horizon: 6000, Fate: Fate{Arcs: c.arcs, End: c.end}}
		assert.Equal(t, c.want, s.Verdict(), "%v", c)
	}
	// An end beyond the horizon is not a number to outlast.
	far := PastForecast{Left: advise.Quantiles{P10: 200, P50: 6000, P90: 6000}, Horizon: 6000, Fate: Fate{Arcs: 6100, End: EndOpen}}
	assert.Equal(t, NotTold, far.Verdict())
}
