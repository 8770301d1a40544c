package forecast_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// A machine that changes between programs fails in the one that leaves the least room,
// whichever is in use when the forecast is made.
func TestRunChangesBetweenPrograms(t *testing.T) {
	for _, own := range []bool{false, true} {
		t.Run(fmt.Sprint("own settings ", own), func(t *testing.T) {
			p := even()
			p.Walk, p.SlopeSD, p.OwnSettings = 0, 1e-9, own
			p.Programs = []model.Program{{Name: "plain", Gain: 1}, {Name: "stiff", Offset: 6, Gain: 1}}
			_, top := p.Bounds()
			for _, last := range []string{"plain", "stiff"} {
				m := model.NewMachine("K-07", p)
				for day := range 24 {
					name := "plain"
					if day%8 < 4 {
						name = "stiff"
					}
					m.Update(calibrated(day, name, p))
				}
				m.Update(calibrated(24, last, p))
				life := forecast.Run(m, forecast.Plan{Paths: 200, Horizon: 20_000, AttemptLimit: 4, Seed: 1})
				// A turn of the other program takes 160 arcs, the window adds 25.
				left := (model.Pct(top-6) - model.Pct(24*0.04*2)) / 2 * 1000
				assert.InDelta(t, left+100, life.Quantile(0.5), 160, last)
			}
			m := model.NewMachine("K-08", p)
			for day := range 25 {
				m.Update(calibrated(day, "plain", p))
			}
			life := forecast.Run(m, forecast.Plan{Paths: 200, Horizon: 20_000, AttemptLimit: 4, Seed: 1})
			assert.Greater(t, life.Quantile(0.1), (top-4)/2*1000, "a program that it never runs does not shorten a pair's life")
		})
	}
}

// calibrated is a session in a program on a pair that wears by 2 % in 1000 arcs, set right.
func calibrated(day int, program string, p *model.Params) *model.Event {
	need := float64(day) * 0.04 * 2
	for _, q := range p.Programs {
		if q.Name == program {
			need += q.Offset
		}
	}
	return &model.Event{
		Kind: model.Attempt, Time: time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC).AddDate(0, 0, day), Arcs: float64(day) * 40, Step: 40,
		NewSession: true, Ordinal: 1, Tries: 1, Passed: true, Program: program,
		Target: p.Target, Tolerance: p.Tolerance, Limit: p.Limit,
		Melt: drift.Some(0.0), Setting: drift.Some(need), Next: drift.Some(need),
	}
}
