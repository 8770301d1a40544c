package model

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/drift"
)

func TestWear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Params{WearExponent: rapid.Float64Range(0.4, 4).Draw(t, "bend")}
		arcs := rapid.Float64Range(1, 8000).Draw(t, "arcs")
		times := rapid.Float64Range(1.01, 3).Draw(t, "times")
		// A power of arcs that shows the arcs at 2000.
		assert.InEpsilon(t, 2.0, p.Wear(wearReference), 1e-12)
		assert.InEpsilon(t, math.Pow(times, p.WearExponent), p.Wear(times*arcs)/p.Wear(arcs), 1e-9)
	})
	straight := Params{WearExponent: 1}
	assert.Equal(t, 0.75, straight.Wear(750))
	assert.Zero(t, straight.Wear(0))
	assert.Zero(t, (&Params{WearExponent: 2}).Wear(0))
}

func TestScatterAt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Params{
			Scatter: rapid.Float64Range(0.1, 4).Draw(t, "scatter"), ScatterArcs: rapid.Float64Range(200, 9000).Draw(t, "arcs"),
			ScatterExponent: rapid.Float64Range(0.5, 8).Draw(t, "bend"),
		}
		assert.Equal(t, p.Scatter, p.ScatterAt(0))
		assert.Equal(t, p.Scatter, p.ScatterAt(-5), "a pair is never younger than new")
		assert.InEpsilon(t, 2*p.Scatter, p.ScatterAt(p.ScatterArcs), 1e-12)
		assert.InEpsilon(t, p.Scatter*(1+math.Pow(2, p.ScatterExponent)), p.ScatterAt(2*p.ScatterArcs), 1e-9)
	})
}

// An attempt that melts exactly to the edge of the tolerance lies exactly at the
// edge of the window.
func TestWindowIsTheToleranceTurnedRound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Params{
			Kappa:  rapid.Float64Range(0.5, 5).Draw(t, "kappa"),
			Target: drift.Some(rapid.Float64Range(50, 500).Draw(t, "target")),
		}
		share := rapid.Float64Range(0.01, 0.9).Draw(t, "share")
		p.Tolerance = drift.Some(share * p.Target.Or(0))
		lo, hi := p.Window()
		// meltback/target = exp(κ·(setting − required)/100), and the deviation is
		// required minus setting.
		assert.InEpsilon(t, 1+share, math.Exp(-p.Kappa*lo/100), 1e-12)
		assert.InEpsilon(t, 1-share, math.Exp(-p.Kappa*hi/100), 1e-12)
	})
	tenth := Params{Kappa: 2, Target: drift.Some(300.0), Tolerance: drift.Some(30.0)}
	wantLo, wantHi := tenth.Window()
	for _, p := range []Params{{Kappa: 2}, {Kappa: 2, Target: drift.Some(250.0)}, {Kappa: 2, Tolerance: drift.Some(25.0)}} {
		lo, hi := p.Window()
		assert.InDelta(t, wantLo, lo, 1e-12, "a tenth where it is unknown")
		assert.InDelta(t, wantHi, hi, 1e-12)
	}
	mad := Params{Kappa: 2, Target: drift.Some(100.0), Tolerance: drift.Some(150.0)}
	lo, hi := mad.Window()
	assert.False(t, math.IsInf(lo, 0) || math.IsNaN(lo) || math.IsInf(hi, 0) || math.IsNaN(hi))
}

func TestBounds(t *testing.T) {
	lo, hi := (&Params{}).Bounds()
	assert.InDelta(t, furthest, Pct(hi), 1e-12, "as far as a record may say")
	assert.InDelta(t, -furthest, Pct(lo), 1e-12)
	lo, hi = (&Params{Limit: drift.Some(12.0)}).Bounds()
	assert.InDelta(t, 12, Pct(hi), 1e-12)
	assert.InDelta(t, -12, Pct(lo), 1e-12)
}

func TestLogPercent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.Float64Range(-60, 60).Draw(t, "percent")
		assert.InDelta(t, s, Pct(logPct(s)), 1e-11)
	})
	assert.InDelta(t, 100*math.Ln2, logPct(100), 1e-12)
}
