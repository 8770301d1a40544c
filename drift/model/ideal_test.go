package model

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/drift/synth"
)

// BenchmarkPower holds the required power at reference air of machines with full
// data, on four days of an invented fleet, against the truth, in percent: the root
// mean square error of the model, and beside it that of an ideal observer, who
// knows all laws, the machine's own κ and effects of the air and which ends were
// spoilt, but not chance. Nobody does better; -benchtime 1x.
func BenchmarkPower(b *testing.B) {
	for _, name := range []string{"straight", "bent", "dirty"} {
		for seed := uint64(41); seed <= 43; seed++ {
			b.Run(fmt.Sprintf("%s/seed=%d", name, seed), func(b *testing.B) {
				w, ok := synth.WorldNamed(name)
				require.True(b, ok)
				var err powerError
				for b.Loop() {
					err = followPower(synth.Make(w, seed, 60, morning, 240))
				}
				b.ReportMetric(0, "ns/op")
				b.ReportMetric(math.Sqrt(err.model/err.n), "model-rms")
				b.ReportMetric(math.Sqrt(err.ideal/err.n), "ideal-rms")
			})
		}
	}
}

// powerError sums squares over n looks.
type powerError struct{ model, ideal, n float64 }

func followPower(fleet synth.Fleet) (sum powerError) {
	all := histories(fleet)
	for _, day := range []int{100, 150, 200, 239} {
		at := morning.AddDate(0, 0, day)
		then := slices.Clone(all)
		for i := range then {
			n, _ := slices.BinarySearchFunc(then[i].Events, at, func(e Event, at time.Time) int {
				if e.Time.After(at) {
					return 1
				}
				return -1
			})
			then[i].Events = then[i].Events[:n]
		}
		pop := learn(then)
		for i := range then {
			truth := fleet.Truth.Machines[i]
			if truth.Grade != synth.Full || len(then[i].Events) == 0 {
				continue
			}
			m := NewMachine(truth.Name, pop.For(then[i].Key))
			for j := range then[i].Events {
				m.Update(&then[i].Events[j])
			}
			level, _ := m.Level()
			now := truth.At(at)
			sum.model += sq(Pct(level) - now.RequiredPct)
			sum.ideal += sq(Pct(observe(truth, &fleet.Truth.World, then[i].Events, &now)) - now.RequiredPct)
			sum.n++
		}
	}
	return sum
}

// particle is a possible pair.
type particle struct{ offset, slope, multiple, wander, dirt, dirtScatter float64 }

// observer is a cloud of particles that knows the laws (Gordon, Salmond & Smith
// 1993, IEE Proc. F 140:107).
type observer struct {
	kind          *synth.Model
	rng           *rand.Rand
	cloud         []particle
	arcs, deposit float64
	dirtRate      float64
	cleanings     int
}

// observe is the mean of what the ideal observer believes of the level now, in log
// percent.
func observe(m *synth.Machine, w *synth.World, events []Event, now *synth.Condition) float64 {
	spoilt := map[string]bool{}
	for _, a := range m.Attempts {
		spoilt[a.Record] = spoilt[a.Record] || a.Spoilt
	}
	o := observer{kind: m.Model, rng: rand.New(rand.NewPCG(1, uint64(len(events)))), cloud: make([]particle, 4000), dirtRate: m.Model.DirtRate}
	for _, s := range w.Sites {
		if s.Name == now.Site {
			o.dirtRate *= s.Dirt
		}
	}
	for i := range o.cloud {
		o.cloud[i] = particle{
			offset: m.Model.Offset.Mean + m.Model.Offset.SD*o.rng.NormFloat64(),
			slope:  m.Model.Slope.Mean + m.Model.Slope.SD*o.rng.NormFloat64(), multiple: math.Exp(m.Model.ScatterSpread * o.rng.NormFloat64()),
		}
	}
	for i := range events {
		ev := &events[i]
		if ev.Pair != events[len(events)-1].Pair {
			continue
		}
		o.burn(ev.Arcs)
		if ev.Kind == Cleaned {
			o.clean()
		}
		u, haveSetting := ev.Setting.Get()
		melt, haveMelt := ev.Melt.Get()
		if haveSetting && haveMelt && !ev.Conditioning && !spoilt[ev.ID] {
			o.see(u - melt/m.Kappa - m.Density*ev.Air[0] - m.Humidity*ev.Air[1] - 10*m.Temperature*ev.Air[2])
		}
	}
	o.burn(float64(now.Arcs))
	sum := 0.0
	for i := range o.cloud {
		sum += o.level(&o.cloud[i])
	}
	return sum / float64(len(o.cloud))
}

func (o *observer) level(p *particle) float64 {
	return p.offset + p.slope*2*math.Pow(o.arcs/2000, o.kind.Bend) + p.wander + p.dirt
}

// around is log normal, as the steps that dirt makes.
func (o *observer) around(median float64) float64 { return median * math.Exp(0.4*o.rng.NormFloat64()) }

func (o *observer) burn(to float64) {
	for o.arcs < to {
		step := min(200, to-o.arcs)
		o.arcs, o.deposit = o.arcs+step, o.deposit+step
		dirty := -math.Expm1(-o.dirtRate * step / 1000)
		for i := range o.cloud {
			p := &o.cloud[i]
			p.wander += o.kind.Wander * math.Sqrt(step/1000) * o.rng.NormFloat64()
			if o.rng.Float64() < dirty {
				up := o.around(o.kind.DirtLevel)
				if o.rng.Float64() < 0.15 {
					up = -up
				}
				p.dirt, p.dirtScatter = p.dirt+up, p.dirtScatter+o.around(o.kind.DirtScatter)
			}
		}
	}
}

func (o *observer) clean() {
	left := 1 - o.kind.CleanTakes*math.Pow(o.kind.CleanFades, float64(o.cleanings))
	o.cleanings++
	o.deposit *= left
	for i := range o.cloud {
		p := &o.cloud[i]
		p.dirt, p.dirtScatter, p.wander = p.dirt*left, p.dirtScatter*left, p.wander+0.3*o.rng.NormFloat64()
	}
}

// see weighs the particles by an attempt and draws them anew, a little apart.
func (o *observer) see(x float64) {
	grown := 1 + math.Pow(o.deposit/o.kind.ScatterArcs, o.kind.ScatterBend)
	weights, top := make([]float64, len(o.cloud)), math.Inf(-1)
	for i := range o.cloud {
		p := &o.cloud[i]
		scatter := p.multiple*o.kind.Scatter*grown + p.dirtScatter
		weights[i] = -math.Log(scatter) - sq((x-o.level(p))/scatter)/2
		top = max(top, weights[i])
	}
	sum := 0.0
	for i := range weights {
		sum += math.Exp(weights[i] - top)
		weights[i] = sum
	}
	was, k := slices.Clone(o.cloud), 0
	first := o.rng.Float64()
	for i := range o.cloud {
		at := (float64(i) + first) / float64(len(o.cloud)) * sum
		for weights[k] < at {
			k++
		}
		o.cloud[i] = was[k]
		o.cloud[i].slope += 0.02 * o.rng.NormFloat64()
		o.cloud[i].offset += 0.03 * o.rng.NormFloat64()
	}
}
