package model

import (
	"encoding/binary"
	"errors"
	"maps"
	"math"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/fit"
)

// The state of a reader, a machine and a population can be stored as bytes, so that a
// restart continues from there. The bytes begin with a version; those of another version,
// or cut short, are an error.

// stateVersion is the version of everything below.
const stateVersion = 11

var errState = errors.New("the stored state of the model was written by another version or is cut short")

// AppendState appends the reader's memory, its settings left out.
func (r *Reader) AppendState(b []byte) []byte {
	return encode(b, func(f *codec) { f.reader(r) })
}

// ReaderFromState reads what [Reader.AppendState] appended, and returns what follows
// it.
func ReaderFromState(b []byte, settings drift.Settings) (Reader, []byte, error) {
	r := Reader{Settings: settings}
	rest, err := decode(b, func(f *codec) { f.reader(&r) })
	return r, rest, err
}

// AppendState appends what is known of the machine, its name and the values of its kind
// left out.
func (m *Machine) AppendState(b []byte) []byte {
	return encode(b, func(f *codec) { f.machine(m) })
}

// MachineFromState reads what [Machine.AppendState] appended; p must be the values that it
// was folded with. It returns what follows it.
func MachineFromState(b []byte, name string, p *Params) (*Machine, []byte, error) {
	m := &Machine{Name: name, kind: p, params: p, filter: newFilter()}
	rest, err := decode(b, func(f *codec) { f.machine(m) })
	return m, rest, err
}

// AppendState appends the populations.
func (p *Population) AppendState(b []byte) []byte {
	return encode(b, func(f *codec) { f.population(p) })
}

// PopulationFromState reads what [Population.AppendState] appended.
func PopulationFromState(b []byte) (*Population, error) {
	p := &Population{}
	rest, err := decode(b, func(f *codec) { f.population(p) })
	if err == nil && len(rest) > 0 {
		err = errState
	}
	return p, err
}

// codec writes or reads bytes: one list of fields serves both. Writing does not change
// the value, as others may read it at the same time.
type codec struct {
	bytes   []byte
	reading bool
	short   bool // there was less to be read than asked for
}

func encode(b []byte, fields func(*codec)) []byte {
	f := codec{bytes: append(b, stateVersion)}
	fields(&f)
	return f.bytes
}

func decode(b []byte, fields func(*codec)) (rest []byte, err error) {
	if len(b) == 0 || b[0] != stateVersion {
		return nil, errState
	}
	f := codec{bytes: b[1:], reading: true}
	fields(&f)
	if f.short {
		return nil, errState
	}
	return f.bytes, nil
}

// next takes n bytes off, zeros where there are fewer.
func (f *codec) next(n int) []byte {
	if n > len(f.bytes) {
		f.short = true
		f.bytes = nil
		return make([]byte, min(n, 8))
	}
	out := f.bytes[:n]
	f.bytes = f.bytes[n:]
	return out
}

func (f *codec) word(x *uint64) {
	if f.reading {
		*x = binary.LittleEndian.Uint64(f.next(8))
	} else {
		f.bytes = binary.LittleEndian.AppendUint64(f.bytes, *x)
	}
}

func (f *codec) float(x *float64) {
	bits := math.Float64bits(*x)
	f.word(&bits)
	if f.reading {
		*x = math.Float64frombits(bits)
	}
}

func (f *codec) floats(all ...*float64) {
	for _, x := range all {
		f.float(x)
	}
}

func (f *codec) row(x []float64) {
	for i := range x {
		f.float(&x[i])
	}
}

// float32 is a float of four bytes.
func (f *codec) float32(x *float32) {
	if f.reading {
		*x = math.Float32frombits(binary.LittleEndian.Uint32(f.next(4)))
	} else {
		f.bytes = binary.LittleEndian.AppendUint32(f.bytes, math.Float32bits(*x))
	}
}

func (f *codec) int(x *int) {
	word := uint64(*x)
	f.word(&word)
	if f.reading {
		*x = int(word)
	}
}

func (f *codec) byte(x *uint8) {
	if f.reading {
		*x = f.next(1)[0]
	} else {
		f.bytes = append(f.bytes, *x)
	}
}

func (f *codec) bool(x *bool) {
	var b uint8
	if *x {
		b = 1
	}
	f.byte(&b)
	if f.reading {
		*x = b == 1
	}
}

// length is that of something that follows, each part at least one byte.
func (f *codec) length(n int) int {
	f.int(&n)
	if f.reading && (n < 0 || n > len(f.bytes)) {
		f.short = true
		return 0
	}
	return n
}

func (f *codec) text(s *string) {
	n := f.length(len(*s))
	if f.reading {
		*s = string(f.next(n))
	} else {
		f.bytes = append(f.bytes, *s...)
	}
}

// time is a moment; of its zone nothing is kept.
func (f *codec) time(t *time.Time) {
	seconds, nanos := uint64(t.Unix()), uint64(t.Nanosecond())
	f.word(&seconds)
	f.word(&nanos)
	if f.reading {
		*t = time.Unix(int64(seconds), int64(nanos)).UTC()
	}
}

func (f *codec) opt(o *drift.Opt[float64]) {
	x, known := o.Get()
	f.bool(&known)
	f.float(&x)
	if f.reading && known {
		*o = drift.Some(x)
	}
}

func (f *codec) reader(r *Reader) {
	s := &r.sessions
	attempt := uint64(s.Attempt)
	f.bool(&s.Open)
	f.bool(&s.Over)
	f.text(&s.Name)
	f.word(&attempt)
	if f.reading {
		s.Attempt = int64(attempt)
	}
	f.time(&s.Last)
	f.int(&r.pair)
	f.floats(&r.arcs, &r.counter, &r.base, &r.pressure, &r.doubted)
	f.time(&r.counted)
	f.bool(&r.fresh)
	f.bool(&r.seen)
	f.row(r.air[:])
	f.airParts(&r.told)
	f.bool(&r.stale)
	f.text(&r.program)
	f.text(&r.site)
}

func (f *codec) machine(m *Machine) {
	f.text(&m.program)
	f.opt(&m.limit)
	f.bool(&m.idle.moved)
	f.int(&m.idle.fails)
	n := f.length(len(m.modes))
	if f.reading && n > 0 {
		m.modes = make([]mode, n)
	}
	for i := range m.modes {
		f.mode(&m.modes[i])
	}
	if f.reading && n > 0 {
		m.derive()
	}
	f.filter(m.filter)
	f.int(&m.pair)
	f.floats(&m.arcs, &m.cleanedAt, &m.scatterAge, &m.assumedArcs)
	f.int(&m.cleanings)
	f.bool(&m.started)
	f.time(&m.last)
	f.row(m.air[:])
	f.floats(&m.badEndSum, &m.badEndN, &m.badEndAll)
	f.float(&m.sideBias.mean)
	f.int(&m.sideBias.n)
	f.streak(&m.streak)
	f.tally(&m.tally)
	f.airParts(&m.neverTold)
	f.floats(&m.firsts.fails, &m.firsts.n)
	f.bool(&m.missing.Meltback)
	f.bool(&m.missing.Setting)
	f.bool(&m.missing.Target)
	f.bool(&m.missing.Learnt)
	f.tape(&m.recent, len(m.modes) > 1)
	f.row(m.points.arcs[:])
	f.row(m.points.need[:])
	f.int(&m.points.n)
	f.floats(&m.logLik)
	f.int(&m.attempts)
	f.int(&m.numbers)
	f.bool(&m.unlogged)
	f.bool(&m.estimated)
}

func (f *codec) airParts(a *AirParts) {
	f.bool(&a.Temperature)
	f.bool(&a.Humidity)
	f.bool(&a.Pressure)
}

func (f *codec) mode(one *mode) {
	f.text(&one.name)
	f.floats(&one.offset, &one.offsetVar, &one.setting, &one.settingVar)
	f.bool(&one.used)
	f.opt(&one.target)
	f.opt(&one.tolerance)
}

func (f *codec) program(q *Program) {
	f.text(&q.Name)
	f.opt(&q.Target)
	f.opt(&q.Tolerance)
	f.floats(&q.Offset, &q.OffsetSD, &q.Gain)
}

// filter leaves out the states to work in, and the offset of a machine that runs one
// program.
func (f *codec) filter(x *filter) {
	f.row(x.weight[:])
	several := x.offsets()
	f.bool(&several)
	n := states
	if !several {
		n = offset // the last one
	}
	for k := range x.state {
		g := &x.state[k]
		f.row(g.Mean[:n])
		for i := range n {
			f.row(g.Cov[i*states : i*states+n])
		}
	}
}

func (f *codec) streak(s *Streak) {
	f.int(&s.Attempts)
	f.int(&s.Sessions)
	f.time(&s.Since)
	f.floats(&s.BadEnd, &s.OutBefore, &s.OutNow)
	f.bool(&s.OtherCleaver)
	f.text(&s.cleaver)
	f.floats(&s.ends, &s.dirt, &s.step, &s.stepVar)
}

func (f *codec) tally(t *tally) {
	f.floats(&t.fails, &t.tries)
	for i := range t.grades {
		f.byte(&t.grades[i])
	}
	f.int(&t.n)
}

// tape leaves out the programs of a machine that has one.
func (f *codec) tape(t *recentSessions, several bool) {
	for i := range t.step {
		f.float32(&t.step[i])
		if several {
			f.byte(&t.program[i])
		}
		for j := range t.air[i] {
			f.float32(&t.air[i][j])
		}
	}
	f.int(&t.n)
	f.float(&t.lastArcs)
	f.int(&t.lastPair)
	f.time(&t.first)
	f.floats(&t.arcs, &t.days, &t.sessions, &t.span)
	f.time(&t.last)
}

func (f *codec) population(p *Population) {
	f.params(&p.all)
	f.sites(&p.all.Sites)
	keys := p.Keys()
	n := f.length(len(keys))
	if f.reading {
		keys, p.byKey = make([]Key, n), make(map[Key]*Params, n)
	}
	for _, k := range keys {
		f.text(&k.Model)
		f.text(&k.Program)
		params := p.byKey[k]
		if f.reading {
			params = &Params{Sites: p.all.Sites}
			p.byKey[k] = params
		}
		f.params(params)
	}
}

func (f *codec) params(p *Params) {
	f.float(&p.Kappa)
	f.opt(&p.Target)
	f.opt(&p.Tolerance)
	f.opt(&p.Limit)
	f.bool(&p.OneTarget)
	f.floats(&p.GainFail, &p.GainPass, &p.DeadBand, &p.CorrectSD, &p.LargestStep, &p.Resets, &p.Idle, &p.Follow)
	f.floats(&p.UsualArcs, &p.Level, &p.LevelSD, &p.Slope, &p.SlopeSD, &p.Walk, &p.SlopeWalk, &p.WearExponent)
	f.row(p.Air[:])
	for i := range p.AirCov {
		f.row(p.AirCov[i][:])
	}
	f.float(&p.PlaceSpread)
	f.floats(&p.Scatter, &p.ScatterArcs, &p.ScatterExponent, &p.ScatterScaleSD, &p.ScatterScaleWalk)
	for i := range p.CurveCov {
		f.row(p.CurveCov[i][:])
	}
	f.floats(&p.BadEnd, &p.BadEndWidth, &p.SideSD, &p.DirtRate, &p.DirtLevel, &p.CleanLevel, &p.CleanLevelSD, &p.CleanScatter)
	f.row(p.DirtAhead[:])
	for i := range p.Recalibration {
		f.curve(&p.Recalibration[i])
	}
	for i := range p.Blend {
		f.curve(&p.Blend[i])
	}
	f.float(&p.Firsts)
	for i := range p.OutBlend {
		f.curve(&p.OutBlend[i])
	}
	n := f.length(len(p.Programs))
	if f.reading && n > 0 {
		p.Programs = make([]Program, n)
	}
	for i := range p.Programs {
		f.program(&p.Programs[i])
	}
	f.bool(&p.OwnSettings)
	f.lives(&p.Lives)
	f.belief(&p.Belief)
	f.texts(&p.Diagnostics)
	f.int(&p.Attempts)
	f.int(&p.Pairs)
}

// lives are those of pairs, all of weight one.
func (f *codec) lives(lives *[]fit.Life) {
	n := f.length(len(*lives))
	if f.reading && n > 0 {
		*lives = make([]fit.Life, n)
	}
	for i := range *lives {
		l := &(*lives)[i]
		f.floats(&l.From, &l.Length)
		f.bool(&l.Ended)
	}
}

func (f *codec) belief(b *fit.LifeBelief) {
	n := f.length(len(*b))
	if f.reading && n > 0 {
		*b = make(fit.LifeBelief, n)
	}
	for i := range *b {
		l := &(*b)[i]
		f.floats(&l.Scale, &l.Shape, &l.Weight)
	}
}

func (f *codec) texts(all *[]string) {
	n := f.length(len(*all))
	if f.reading && n > 0 {
		*all = make([]string, n)
	}
	for i := range *all {
		f.text(&(*all)[i])
	}
}

// sites are those of the whole fleet, in order of name.
func (f *codec) sites(sites *Sites) {
	names := slices.Sorted(maps.Keys(*sites))
	n := f.length(len(names))
	if f.reading && n > 0 {
		names, *sites = make([]string, n), make(Sites, n)
	}
	for _, name := range names {
		f.text(&name)
		thin := (*sites)[name]
		f.float(&thin)
		if f.reading {
			(*sites)[name] = thin
		}
	}
}

// curve is a curve, or none.
func (f *codec) curve(curve *[]float64) {
	n := f.length(len(*curve))
	if f.reading && n > 0 {
		*curve = make([]float64, n)
	}
	f.row(*curve)
}
