// Package forecast forecasts the arcs to failure of an electrode pair, and its required
// power, from the state of a machine. [Run] simulates many possible futures, session by
// session as the machine runs them, until the first session that ends without a pass; it
// corrects the result by what came of past forecasts and blends it with simple
// forecasts, as [Learn] estimates both. Closed forms of first passage ([FirstPassage])
// check the simulation.
//
// Arcs are counts on the pair, from now; powers are in log percent (see package model)
// unless in percent; quantiles are taken at p from 0 to 1.
package forecast

import (
	"math"
	"math/rand/v2"
	"slices"

	"arcdrift/drift/model"
)

// Life is the forecast of a pair's arcs to failure, without a service.
type Life struct {
	// Arcs has one simulated life each, in rising order; +Inf if it exceeds the horizon.
	Arcs []float64
	// Horizon is the number of arcs ahead that were simulated.
	Horizon float64
}

// Horizon is the usual [Plan.Horizon], in arcs.
const Horizon = 6000

// Plan says how to simulate. Paths, Horizon and AttemptLimit are above 0.
type Plan struct {
	// Paths is the number of simulated lives. With n of them a stated chance p has a
	// standard error of √(p·(1−p)/n). A forecast costs Paths times the sessions within
	// the horizon.
	Paths int
	// Horizon is the number of arcs ahead after which a life is not followed.
	Horizon float64
	// AttemptLimit is the number of attempts after which a session without a pass is
	// given up: the pair has failed.
	AttemptLimit int
	// Seed of the random numbers: the same machine, plan and seed give the same forecast.
	Seed uint64
}

// Run forecasts the arcs to failure of the fitted pair, without a service and with
// well-prepared ends: it simulates, corrects by what came of past forecasts, and blends
// with simple forecasts by their weights. The result has plan.Paths lives. The machine
// stays as it is.
func Run(m *model.Machine, plan Plan) Life {
	life := simulate(m, plan)
	p, grade := m.Params(), m.Grade()
	life.Arcs = recalibrate(life.Arcs, p.Recalibration[grade])
	if weights := p.Blend[grade]; weights != nil && weights[byModel] < 1-leastWeight {
		life.Arcs = mix(life.Arcs, lifetimes{p.Lives, p.Belief}.simple(m, weights), weights)
		for i, arcs := range life.Arcs {
			if arcs > plan.Horizon {
				life.Arcs[i] = math.Inf(1)
			}
		}
	}
	return life
}

// simulate simulates possible futures of the machine.
func simulate(m *model.Machine, plan Plan) Life {
	s := newSimulation(m, plan)
	life := Life{Horizon: plan.Horizon}
	chance := 0.0
	for k, more := range s.p.DirtAhead {
		chance += more
		until := int(math.Round(chance * float64(plan.Paths)))
		life.Arcs = append(life.Arcs, s.lives(s.p.DirtInTime(k), until-len(life.Arcs))...)
	}
	slices.Sort(life.Arcs)
	return life
}

func newSimulation(m *model.Machine, plan Plan) *simulation {
	s := &simulation{
		p: m.Params(), rng: rand.New(rand.NewPCG(plan.Seed, 0x61726364)),
		future: m.Future(), limit: plan.AttemptLimit, horizon: plan.Horizon, sampler: m.Sampler(),
	}
	_, s.arcs, _, _ = m.Pair()
	s.worn = m.ScatterAge()
	s.lo, s.hi = s.p.Window()
	s.bottom, s.top = s.p.Bounds()
	s.tabulate()
	s.programs(m)
	return s
}

// lives simulates n lives with contamination at a rate per 1000 arcs.
func (s *simulation) lives(dirtRate float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = s.path(s.sampler.Draw(s.rng), s.scatter[i%courses], dirtRate)
	}
	return out
}

// Quantile returns the p-quantile of arcs to failure, 0 ≤ p ≤ 1, or the horizon if it
// lies beyond. It is 0 for a life without paths.
func (l Life) Quantile(p float64) float64 {
	if len(l.Arcs) == 0 {
		return 0
	}
	at := p * float64(len(l.Arcs)-1)
	i := int(at)
	v := l.Arcs[i]
	if i+1 < len(l.Arcs) && !math.IsInf(l.Arcs[i+1], 1) {
		v += (at - float64(i)) * (l.Arcs[i+1] - v)
	}
	return min(v, l.Horizon)
}

// Beyond returns the chance that the pair outlives the horizon.
func (l Life) Beyond() float64 {
	if len(l.Arcs) == 0 {
		return 1
	}
	n := len(l.Arcs)
	for n > 0 && math.IsInf(l.Arcs[n-1], 1) {
		n--
	}
	return float64(len(l.Arcs)-n) / float64(len(l.Arcs))
}

// Before returns the chance of a failure within so many arcs.
func (l Life) Before(arcs float64) float64 {
	if len(l.Arcs) == 0 {
		return 0
	}
	i, _ := slices.BinarySearch(l.Arcs, math.Nextafter(arcs, math.Inf(1)))
	return float64(i) / float64(len(l.Arcs))
}

// simulation simulates the futures of one machine.
type simulation struct {
	p       *model.Params
	rng     *rand.Rand
	sampler *model.Sampler
	future  model.Future
	limit   int
	horizon float64 // arcs ahead
	arcs    float64 // on the pair now
	worn    float64 // age of the scatter now
	// deviations between lo and hi pass; settings stay between bottom and top.
	lo, hi, bottom, top float64
	// badEnd is the chance that an attempt has a bad end, 0 in a forecast: ends are well
	// prepared, though some of those that the filter takes for bad are the pair's fault.
	badEnd float64
	// modes are the machine's programs; the one in use is the first of a life, and the
	// one that it is in now.
	modes      []running
	first, now int
	// watch, if not nil, is called for every attempt.
	watch func(try int, passed bool, moved, off float64)
	// Tables by arcs from now, in steps of grain, as each entry costs a power: wear, and
	// scatter for some possible curves of it.
	wear    []float64
	scatter [courses][]float64
}

// courses is the number of possible scatter curves that the paths use in turn.
const courses = 16

// grain is the step of the tables, in arcs.
const grain = 10

func (s *simulation) tabulate() {
	n := int(s.horizon/grain) + 2
	s.wear = make([]float64, n)
	start := s.p.Wear(s.arcs)
	for i := range n {
		s.wear[i] = s.p.Wear(s.arcs+float64(i)*grain) - start
	}
	now := s.p.ScatterAt(s.worn)
	for c := range s.scatter {
		// All curves have the present scatter now. They grow too fast and differ too much, and
		// yet slower ones forecast no better: see DEVELOPERS.md, "Where forecasts lose".
		course := s.p.Course(s.rng)
		scale := now / course.ScatterAt(s.worn)
		s.scatter[c] = make([]float64, n)
		for i := range n {
			s.scatter[c][i] = scale * course.ScatterAt(s.worn+float64(i)*grain)
		}
	}
}

// path simulates one life, with contamination at a rate per 1000 arcs, and returns its
// arcs to failure, or +Inf.
func (s *simulation) path(d model.Draw, scatter []float64, dirtRate float64) float64 {
	sessions := len(s.future.Steps)
	next := s.begin(&d)
	done, worn, wander := 0.0, 0.0, 0.0
	dirt := dirtRate / 1000
	for {
		step := s.future.Steps[next]
		done += step
		if done > s.horizon {
			return math.Inf(1)
		}
		at := int(done / grain)
		wander += model.WearAt(d.Level+wander, d.Slope*(s.wear[at]-worn)) + math.Sqrt(s.p.Walk*step/1000)*s.rng.NormFloat64()
		worn = s.wear[at]
		d.Slope += math.Sqrt(s.p.SlopeWalk*step/1000) * s.rng.NormFloat64()
		if s.rng.Float64() < dirt*step {
			wander += s.p.DirtStep() * (1 + s.rng.NormFloat64())
			d.ScatterScale *= math.Exp(0.3 * float64(1+s.rng.IntN(3)))
		}
		d.ScatterScale *= math.Exp(math.Sqrt(s.p.ScatterScaleWalk*step/1000) * s.rng.NormFloat64())
		s.turn(&d, s.future.Programs[next])
		need := d.Level + wander
		for j, a := range s.future.Airs[next] {
			need += d.Air[j] * a
		}
		if !s.session(&d, need, d.ScatterScale*scatter[at]) {
			return done
		}
		if next++; next == sessions {
			next = 0
		}
	}
}

// session simulates one session and says whether it ended with a pass.
func (s *simulation) session(d *model.Draw, need, scatter float64) bool {
	for try := range s.limit {
		deviation := need + s.noise(scatter) - d.Setting
		if try == 0 && s.p.Follow > 0 {
			was := d.Setting
			d.Setting = s.within(d.Setting + s.p.Follow*deviation)
			deviation -= d.Setting - was
		}
		passed := deviation >= s.lo && deviation <= s.hi
		gain := s.p.GainFail
		if passed {
			gain = s.p.GainPass
		}
		before := d.Setting
		answers := passed || s.p.Idle == 0 || s.rng.Float64() >= s.p.Idle
		if gain > 0 && answers && math.Abs(deviation) > s.p.DeadBand {
			// The error is at most about the correction itself.
			moved := s.p.Corrects(gain, deviation, d.Setting)
			moved += min(s.p.CorrectSD, math.Abs(moved)) * s.rng.NormFloat64()
			d.Setting = s.within(d.Setting + moved)
		}
		if s.watch != nil {
			s.watch(try, passed, d.Setting-before, deviation)
		}
		if passed {
			return true
		}
	}
	return false
}

// noise draws the error of one attempt.
func (s *simulation) noise(scatter float64) float64 {
	if s.badEnd > 0 && s.rng.Float64() < s.badEnd {
		scatter *= s.p.BadEndWidth
	}
	return scatter * s.rng.NormFloat64()
}

// within limits a setting to the machine's bounds.
func (s *simulation) within(setting float64) float64 { return min(max(setting, s.bottom), s.top) }
