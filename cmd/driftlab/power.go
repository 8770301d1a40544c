package main

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"

	"github.com/spf13/cobra"

	"arcdrift/agent/fleet"
	"arcdrift/drift/advise"
	"arcdrift/drift/model"
	"arcdrift/drift/synth"
)

// powerErrors sums squared errors of required power at reference air, in percent.
type powerErrors struct {
	n            int
	model, ideal float64
}

func (p *powerErrors) add(o *powerErrors) {
	p.n += o.n
	p.model += o.model
	p.ideal += o.ideal
}

func powerCommand(e *env) *cobra.Command {
	p := plan{typing: "drawn", grade: string(advise.Full), fleets: 3, machines: 30, days: 200, step: 60}
	known := synthWorlds("straight", "bent", "dirty")
	cmd := &cobra.Command{
		Use:   "power",
		Short: "Compare required power with an ideal observer, machines with full data",
		Long: `Compares the required power of machines with full data, at steps of the days, with the
truth. The model is compared with an ideal observer, who knows all laws, the machine's
own κ and effects of the air and which ends were bad, but not chance: its error
cannot be beaten. A fleet of 30 machines over 200 days takes about 14 s of one
processor.`,
		Example: "  driftlab power --check",
		Args:    cobra.NoArgs,
	}
	p.flags(cmd, known)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		return p.compare(cmd.Context(), e, known, powerMeasures(), powerBars(), followPower)
	}
	return cmd
}

func powerMeasures() []measure {
	rms := func(sum float64, n int) (float64, int) { return math.Sqrt(sum / float64(n)), n }
	return []measure{
		{"model_rms", "required power: rms error of the model", func(t *tally) (float64, int) { return rms(t.power.model, t.power.n) }, more, percent},
		{"ideal_rms", "  of the ideal observer", func(t *tally) (float64, int) { return rms(t.power.ideal, t.power.n) }, nil, percent},
		{"rms_ratio", "  their ratio", func(t *tally) (float64, int) {
			return math.Sqrt(t.power.model / t.power.ideal), t.power.n
		}, more, plain},
	}
}

// powerBars keep what was reached: 1.32 % and 1.46 on seeds 1 to 3, all cases together. A
// ratio below 1 would show an error in the observer.
func powerBars() []bar {
	bars := []bar{atMost("model_rms", string(advise.Full), 1.5), within("rms_ratio", string(advise.Full), 1, 1.65)}
	for i := range bars {
		bars[i].pooled = true
	}
	return bars
}

// followPower judges one fleet.
func followPower(ctx context.Context, t *trial) (*judgement, error) {
	got, b, err := t.takeIn(ctx)
	if err != nil {
		return nil, err
	}
	const learning = 60 // days
	w, _ := synth.WorldNamed(t.world.name)
	parts := tallies{}
	for day := learning; day < t.wish.Days; day += t.every {
		at := t.wish.Start.AddDate(0, 0, day)
		pasts, err := fleet.Pasts(b, at)
		if err != nil {
			return nil, err
		}
		pop := sampleOf(pasts).Learn()
		for i := range pasts {
			own := got.truth[pasts[i].Machine]
			if own == nil || own.Grade != string(synth.Full) || len(pasts[i].Events) == 0 {
				continue
			}
			m := model.NewMachine(own.Name, pop.For(pasts[i].Key))
			for j := range pasts[i].Events {
				m.Update(&pasts[i].Events[j])
			}
			level, _ := m.Level()
			truly := own.Life.(life).Machine
			now := truly.At(at)
			sum := &parts.of(own.Grade).power
			sum.n++
			sum.model += square(model.Pct(level) - now.RequiredPct)
			sum.ideal += square(model.Pct(observe(truly, &w, pasts[i].Events, &now)) - now.RequiredPct)
		}
	}
	parts.total()
	return judgementOf(parts, got), nil
}

func square(x float64) float64 { return x * x }

// particle is a possible pair.
type particle struct{ offset, slope, scale, wander, dirt, dirtScatter float64 }

// observer is a particle filter that knows the laws (Gordon, Salmond & Smith 1993, IEE
// Proc. F 140:107).
type observer struct {
	kind          *synth.Model
	rng           *rand.Rand
	cloud         []particle
	arcs, deposit float64
	dirtRate      float64
	cleanings     int
}

// observe returns the posterior mean of the present level, in log percent, by the ideal
// observer.
func observe(m *synth.Machine, w *synth.World, events []model.Event, now *synth.Condition) float64 {
	badEnd := map[string]bool{}
	for _, a := range m.Attempts {
		badEnd[a.Record] = badEnd[a.Record] || a.BadEnd
	}
	o := newObserver(m, uint64(len(events)))
	for _, s := range w.Sites {
		if s.Name == now.Site {
			o.dirtRate *= s.Dirt
		}
	}
	for i := range events {
		ev := &events[i]
		if ev.Pair != events[len(events)-1].Pair {
			continue
		}
		o.advance(ev.Arcs)
		if ev.Kind == model.Cleaned {
			o.clean()
		}
		u, haveSetting := ev.Setting.Get()
		melt, haveMelt := ev.Melt.Get()
		if haveSetting && haveMelt && !ev.Conditioning && !badEnd[ev.ID] {
			o.update(u - melt/m.Kappa - m.Density*ev.Air[0] - m.Humidity*ev.Air[1] - 10*m.Temperature*ev.Air[2])
		}
	}
	o.advance(float64(now.Arcs))
	sum := 0.0
	for i := range o.cloud {
		sum += o.level(&o.cloud[i])
	}
	return sum / float64(len(o.cloud))
}

func newObserver(m *synth.Machine, seed uint64) *observer {
	const particles = 2000
	o := &observer{kind: m.Model, rng: rand.New(rand.NewPCG(1, seed)), cloud: make([]particle, particles), dirtRate: m.Model.DirtRate}
	for i := range o.cloud {
		o.cloud[i] = particle{
			offset: m.Model.Offset.Mean + m.Model.Offset.SD*o.rng.NormFloat64(),
			slope:  m.Model.Slope.Mean + m.Model.Slope.SD*o.rng.NormFloat64(), scale: math.Exp(m.Model.ScatterSpread * o.rng.NormFloat64()),
		}
	}
	return o
}

func (o *observer) level(p *particle) float64 {
	return p.offset + p.slope*2*math.Pow(o.arcs/2000, o.kind.Bend) + p.wander + p.dirt
}

// around draws log normal numbers, as the steps that dirt makes.
func (o *observer) around(median float64) float64 { return median * math.Exp(0.4*o.rng.NormFloat64()) }

func (o *observer) advance(to float64) {
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

// update weights the particles by an attempt and resamples them, with a little noise.
func (o *observer) update(x float64) {
	grown := 1 + math.Pow(o.deposit/o.kind.ScatterArcs, o.kind.ScatterBend)
	weights, top := make([]float64, len(o.cloud)), math.Inf(-1)
	for i := range o.cloud {
		p := &o.cloud[i]
		scatter := p.scale*o.kind.Scatter*grown + p.dirtScatter
		weights[i] = -math.Log(scatter) - square((x-o.level(p))/scatter)/2
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
