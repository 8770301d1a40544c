package backtest

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/fit"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

func ended(lengths ...float64) (out []fit.Life) {
	for _, l := range lengths {
		out = append(out, fit.Life{Length: l, Ended: true})
	}
	return out
}

func TestPastLivesGivenTheArcs(t *testing.T) {
	lives := ended(100, 200, 300, 400)
	// By hand: of those beyond 150 each is a third.
	o := fleetLifetimes(lives, 150)
	assert.Equal(t, 50.0, o.At(10))
	assert.Equal(t, 150.0, o.At(50))
	assert.Equal(t, 250.0, o.At(90))
	assert.Equal(t, 0.33, o.Before(149), "33 of 100 quantiles lie below a third")
	// By hand, with one cut short at 250: half the lives reach 200, of the two at
	// risk after 250 each end takes one, of 300 a half.
	o = fleetLifetimes(append(ended(200, 200, 300, 400), fit.Life{Length: 250}), 0)
	assert.Equal(t, 200.0, o.At(30))
	assert.Equal(t, 300.0, o.At(50))
	assert.Equal(t, 400.0, o.At(90))
	// Late entry: the one watched from 150 does not say that more reach 150.
	o = fleetLifetimes([]fit.Life{{Length: 100, Ended: true}, {Length: 200, Ended: true}, {From: 150, Length: 300, Ended: true}}, 0)
	assert.Equal(t, 100.0, o.At(40), "half of the two watched then")
	assert.Equal(t, 200.0, o.At(60), "half of the two watched then: a quarter is left")
	assert.Equal(t, 300.0, o.At(90))
}

// Above the longest life pairs fail at the mean rate: here 4 ends in 1000 arcs.
func TestPastLivesAboveTheLongest(t *testing.T) {
	o := fleetLifetimes(ended(100, 200, 300, 400), 500)
	for i, q := range o {
		p := (float64(i) + 0.5) / members
		assert.InDelta(t, -math.Log(1-p)*250, q, 1e-9)
	}
	o = fleetLifetimes([]fit.Life{{Length: 900}}, 100)
	assert.Equal(t, float64(forecast.Horizon), o.At(10), "nothing ever ended")
	o = fleetLifetimes([]fit.Life{{Length: 400, Ended: true}, {Length: 600}}, 0)
	assert.Equal(t, 400.0, o.At(40))
	assert.InDelta(t, 600+1000*math.Log(0.5/0.25), o[74]/2+o[75]/2, 2, "the half that is left goes on from 600 at one end in 1000 arcs")
}

func TestBestCountIsTheMedian(t *testing.T) {
	assert.Equal(t, 200.0, bestCount(ended(100, 200, 900)))
}

func TestLastPointsLine(t *testing.T) {
	p := model.Prior()
	p.Limit, p.Target, p.Tolerance = drift.Some(10.0), drift.Some(100.0), drift.Some(10.0)
	_, hi := p.Window()
	_, top := p.Bounds()
	var events []model.Event
	add := func(arcs, required float64) {
		const melt = 3.0
		events = append(events, model.Event{Kind: model.Attempt, Arcs: arcs, Setting: drift.Some(required + melt/p.Kappa), Melt: drift.Some(melt)})
	}
	add(0, 90) // the 31st from the end does not count
	for i := range 30 {
		arcs := 10 * float64(i+1)
		add(arcs, arcs/100)
	}
	o, ok := lastPoints(events, &p)
	require.True(t, ok)
	assert.InDelta(t, (top+hi-3)*100, o.At(50), 1e-6)
	assert.Equal(t, o.At(10), o.At(90))

	_, ok = lastPoints(events[:4], &p)
	assert.False(t, ok, "four points are no line")
	events = events[:0]
	for i := range 6 {
		add(10*float64(i), 50)
	}
	o, _ = lastPoints(events, &p)
	assert.Zero(t, o.At(50), "beyond the limit already")
	events = events[:0]
	for i := range 6 {
		add(10*float64(i), 0)
	}
	o, _ = lastPoints(events, &p)
	assert.Equal(t, float64(forecast.Horizon), o.At(50), "a flat line never gets there")
}
