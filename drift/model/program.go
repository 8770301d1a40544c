package model

import (
	"math"
	"slices"

	"arcdrift/drift"
	"arcdrift/drift/fit"
)

// A machine changes between programs, which all use the same pair. A program has its own
// nominal power, so that the same pair needs another setting in percent, its own target
// and tolerance, and a gain of its own. Level, wear, scatter and effects of the air are
// common to all.

// Program has the parameters of one program on machines of one model.
type Program struct {
	Name string
	// Target and Tolerance in micrometres.
	Target, Tolerance drift.Opt[float64]
	// Offset is its required power minus that of the model's most used program, in log
	// percent, OffsetSD the standard deviation of that between machines.
	Offset, OffsetSD float64
	// Gain multiplies the model's gains.
	Gain float64
}

// offsetSD is the prior standard deviation of the offset of a program without records, in
// log percent. A guess.
const offsetSD = 1.5

// program returns the parameters of a program; of one without records, those that follow
// from the others.
func (p *Params) program(name string) Program {
	at, known := slices.BinarySearchFunc(p.Programs, name, func(q Program, name string) int { return compareNames(q.Name, name) })
	if known {
		return p.Programs[at]
	}
	out := Program{Name: name, Gain: 1}
	if len(p.Programs) == 0 {
		return out // without names there is one program
	}
	n, squares := float64(len(p.Programs)), sq(offsetSD)
	for _, q := range p.Programs {
		out.Offset += q.Offset / n
	}
	for _, q := range p.Programs {
		squares += sq(q.Offset-out.Offset) + sq(q.OffsetSD)
	}
	out.OffsetSD = math.Sqrt(squares / (n + 1))
	return out
}

func compareNames(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// programs lists the programs of the histories, with the target and tolerance that they
// reported. Offsets count from the most used one. Beside programs with a name, attempts
// without are of one that is not known.
func (p *Params) programs(histories []History) {
	type offsets struct {
		attempts          int
		target, tolerance []float64
	}
	by := map[string]*offsets{}
	for _, h := range histories {
		for i := range h.Events {
			ev := &h.Events[i]
			if ev.Kind != Attempt {
				continue
			}
			t := by[ev.Program]
			if t == nil {
				t = &offsets{}
				by[ev.Program] = t
			}
			t.attempts++
			if x, ok := ev.Target.Get(); ok {
				t.target = append(t.target, x)
			}
			if x, ok := ev.Tolerance.Get(); ok {
				t.tolerance = append(t.tolerance, x)
			}
		}
	}
	if len(by) > 1 {
		delete(by, "")
	}
	p.Programs = nil
	most := 0
	for name, t := range by {
		q := Program{Name: name, OffsetSD: offsetSD, Gain: 1}
		if len(t.target) > 0 {
			q.Target = drift.Some(median(t.target))
		}
		if len(t.tolerance) > 0 {
			q.Tolerance = drift.Some(median(t.tolerance))
		}
		p.Programs = append(p.Programs, q)
		most = max(most, t.attempts)
	}
	slices.SortFunc(p.Programs, func(a, b Program) int { return compareNames(a.Name, b.Name) })
	for i := range p.Programs {
		if q := &p.Programs[i]; by[q.Name].attempts == most {
			q.OffsetSD = 0
			break
		}
	}
}

// programGains estimates the gain of each program relative to the model's, where there are
// enough corrections.
func (p *Params) programGains(answers []answer) {
	for i := range p.Programs {
		q := &p.Programs[i]
		var ratios []float64
		for _, a := range answers {
			if gain := p.gain(a.passed); a.program == q.Name && gain >= smallestGain && math.Abs(a.need) >= p.farFrom() && !p.fullStep(Pct(a.setting+a.moved)-Pct(a.setting)) {
				ratios = append(ratios, a.moved/(gain*a.need))
			}
		}
		const least, most = 0.3, 3
		if q.Gain = 1; len(ratios) >= enough {
			q.Gain = min(max(median(ratios), least), most)
		}
	}
}

// ownSettings estimates whether each program has a setting of its own, from changes of
// program at which that would differ from the setting of the program before.
func (p *Params) ownSettings(histories []History) {
	own, carried := 0, 0
	for _, h := range histories {
		last, program, left := map[string]float64{}, "", drift.Opt[float64]{}
		for i := range h.Events {
			ev := &h.Events[i]
			setting, stated := ev.Setting.Get()
			if ev.Kind != Attempt || !stated {
				continue
			}
			before, carrying := left.Get()
			if mine, was := last[ev.Program]; was && carrying && ev.Program != program && math.Abs(mine-before) > 0.5 {
				if math.Abs(setting-mine) < math.Abs(setting-before) {
					own++
				} else {
					carried++
				}
			}
			program, left = ev.Program, ev.Next
			if next, ok := ev.Next.Get(); ok {
				last[ev.Program] = next
			}
		}
	}
	if own+carried >= 3 {
		p.OwnSettings = own > carried
	}
}

// mode is a program as one machine runs it.
type mode struct {
	name string
	// offset is its offset on this machine, setting the setting that it was left with, in
	// log percent; offsetVar and settingVar are their variances.
	offset, offsetVar, setting, settingVar float64
	// used is whether the machine ever ran it.
	used              bool
	target, tolerance drift.Opt[float64]
}

// mode returns the machine's mode of that name, a new one if there is none.
func (m *Machine) mode(name string) *mode {
	at := m.place(name)
	if at == len(m.modes) {
		q := m.kind.program(name)
		m.modes = append(m.modes, mode{name: name, offset: q.Offset, offsetVar: sq(q.OffsetSD)})
	}
	return &m.modes[at]
}

// place returns where the mode of that name is among the machine's, their number if there
// is none.
func (m *Machine) place(name string) int {
	at := slices.IndexFunc(m.modes, func(one mode) bool { return one.name == name })
	if at < 0 {
		return len(m.modes)
	}
	return at
}

// use changes to a program. The offset and the setting of the one before are kept for its
// return.
func (m *Machine) use(name string) {
	if len(m.modes) > 0 && name == m.program {
		return
	}
	to := *m.mode(name)
	if m.started {
		from := m.mode(m.program)
		from.offset, from.offsetVar = m.marginal(offset)
		from.setting, from.settingVar = m.marginal(setting)
		if m.params.OwnSettings {
			m.exchange(from, &to)
		}
	}
	for k := range m.filter.state {
		g := &m.filter.state[k]
		g.Reset(offset, to.offset, to.offsetVar)
	}
	m.program = name
	m.mode(name).used = true
	m.derive()
}

// exchange replaces the setting of one program by another's. Both moved with the level, so
// the uncertainty is that of their difference.
func (m *Machine) exchange(from, to *mode) {
	by, doubt := m.apart(from, to)
	for k := range m.filter.state {
		g := &m.filter.state[k]
		g.Add(setting, by)
		g.AddVariance(setting, doubt)
	}
	m.filter.within(m.params)
}

// apart returns the mean and variance of the setting of one program minus another's, of
// programs with settings of their own.
func (m *Machine) apart(from, to *mode) (by, doubt float64) {
	lo, hi := m.params.Window()
	if !to.used {
		return to.offset - from.offset, sq(hi-lo) / 12
	}
	return to.setting - from.setting, min(to.settingVar, sq(hi-lo)/12)
}

func (m *Machine) marginal(i int) (mean, variance float64) {
	row := [states]float64{}
	row[i] = 1
	return m.filter.mean(row[:])
}

// derive sets the machine's parameters in the program in use: those of its kind, with the
// values that its own records report. Copies of the machine keep theirs.
func (m *Machine) derive() {
	own, was := m.in(m.mode(m.program)), m.params
	if own.Target == was.Target && own.Tolerance == was.Tolerance && own.Limit == was.Limit && own.GainFail == was.GainFail && own.GainPass == was.GainPass {
		return
	}
	m.params = new(own)
}

// in returns the machine's parameters in a program.
func (m *Machine) in(mine *mode) Params {
	k, q, own := m.kind, m.kind.program(mine.name), *m.kind
	own.Target = mine.target.OrElse(q.Target).OrElse(k.Target)
	own.Tolerance = mine.tolerance.OrElse(q.Tolerance).OrElse(k.Tolerance)
	own.Limit = m.limit.OrElse(k.Limit)
	gain := q.Gain * m.idle.corrects()
	own.GainFail, own.GainPass = k.GainFail*gain, k.GainPass*gain
	return own
}

// Mode is a program as a machine runs it, beside the one that is in use.
type Mode struct {
	// Params are the machine's in that program.
	Params *Params
	// Offset is the program's part of the level ([Draw.Offset]), Setting is the setting
	// that the program has, minus that in force, both in log percent with their standard
	// deviations. Setting is 0 where all programs share one.
	Offset, OffsetSD, Setting, SettingSD float64
}

// Modes returns the machine's programs, and the place of the one in use among them. Those
// that its [Future] leaves out are empty.
func (m *Machine) Modes() (modes []Mode, now int) {
	if len(m.modes) < 2 {
		return []Mode{{Params: m.params}}, 0
	}
	from := *m.mode(m.program)
	from.setting, from.settingVar = m.marginal(setting)
	from.offset, from.offsetVar = m.marginal(offset)
	for i := range m.modes {
		if i != m.place(m.program) && !m.recent.in(i) {
			modes = append(modes, Mode{})
			continue
		}
		to := &m.modes[i]
		one := Mode{Params: new(m.in(to)), Offset: to.offset, OffsetSD: math.Sqrt(to.offsetVar)}
		if m.params.OwnSettings {
			by, doubt := m.apart(&from, to)
			one.Setting, one.SettingSD = by, math.Sqrt(doubt)
		}
		modes = append(modes, one)
	}
	return modes, m.place(m.program)
}

// updateTargets takes target, tolerance and limit from an attempt.
func (m *Machine) updateTargets(target, tolerance, limit drift.Opt[float64]) {
	mine := m.mode(m.program)
	was := [3]drift.Opt[float64]{mine.target, mine.tolerance, m.limit}
	mine.target, mine.tolerance, m.limit = target.OrElse(mine.target), tolerance.OrElse(mine.tolerance), limit.OrElse(m.limit)
	if was != [3]drift.Opt[float64]{mine.target, mine.tolerance, m.limit} {
		m.derive()
	}
}

// Program returns the name of the program in use.
func (m *Machine) Program() string { return m.program }

// In returns a copy of the machine as it would be in another program.
func (m *Machine) In(program string) *Machine {
	c := m.Clone()
	c.use(program)
	return c
}

// Ran says whether the machine has ever run a program.
func (m *Machine) Ran(program string) bool {
	return slices.ContainsFunc(m.modes, func(one mode) bool { return one.name == program && one.used })
}

// offsets adds the machine's evidence on the offsets of its programs, without the prior.
func (e *effects) offsets(m *Machine, p *Params) {
	if len(p.Programs) < 2 || m.numbers < telling {
		return
	}
	for i := range m.modes {
		one := m.modes[i]
		if one.name == m.program {
			one.offset, one.offsetVar = m.marginal(offset)
		}
		q := p.program(one.name)
		if one.used && q.OffsetSD > 0 && one.offsetVar > 0 {
			u := e.offset[one.name]
			if u == nil {
				u = &units{}
				e.offset[one.name] = u
			}
			u.add(one.offset, math.Sqrt(one.offsetVar), q.Offset, q.OffsetSD)
		}
	}
}

// pooledOffsets estimates the offsets of the programs from those of the machines.
func (p *Params) pooledOffsets(e *effects) {
	p.Programs = slices.Clone(p.Programs)
	for i := range p.Programs {
		q := &p.Programs[i]
		u := e.offset[q.Name]
		if u == nil || q.OffsetSD == 0 {
			continue
		}
		// A weak prior of the mean, and a likely spread between machines.
		pooled, err := fit.Pool(u.b, u.v, fit.Prior{MeanVar: sq(2 * offsetSD), Tau: offsetSD / 3})
		if err == nil && len(u.b) > 0 {
			mean, v := pooled.New()
			q.Offset, q.OffsetSD = mean, math.Sqrt(v)
		}
	}
}
