package compare

import (
	"math"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// Machine is what the comparison needs of one machine's history.
type Machine struct {
	Name, Model, Depot string

	tries     map[triesKey]*tally
	lives     []life
	stretches []stretch
	uses      []use
}

// triesKey is where tries were made and with which cleaver.
type triesKey struct{ cleaver, site string }

// tally counts the tries of a cleaver at a site, by class of the chance that the
// electrodes alone explain a failed one.
type tally struct {
	sessions      int
	tries, failed [classes]float64
	chance        [classes]float64 // sums of the model's chance
	squares       float64          // Σ (failed tries of a session)²
}

// The classes of the model's chance that a try with well-prepared ends fails.
const classes = 6

func classOf(chance float64) int {
	for i, most := range [classes - 1]float64{0.02, 0.05, 0.1, 0.2, 0.35} {
		if chance < most {
			return i
		}
	}
	return classes - 1
}

// life is a pair's, or that of a service: arcs until it failed, or until it was last seen.
type life struct {
	lot    string
	action drift.Action // of a service; "" for a pair
	from   float64      // arcs from which it was observed
	arcs   float64
	ended  bool
}

// stretch is the time between two services of a pair, with the growth of required power
// in percent per 1000 arcs and the logarithm of the scatter, and their variances.
type stretch struct {
	lot                 string
	arcs                float64 // on the pair, the mean
	growth, growthVar   float64
	scatter, scatterVar float64
}

// use is a run of tries with one cleaver, up to three days long, for the cleaver's life.
type use struct {
	from, at time.Time // of the first and the last of them
	cleaver  string
	tries    int
	// cured counts the failed tries at its end that a change of cleaver cured, or that the
	// bench blamed on it; 0 if the cleaver was not found blunt.
	cured int
}

// Read reduces the history of a machine up to a moment. Its cost is that of folding the
// records into the model once.
func Read(p *Past, asOf time.Time) Machine {
	r := reading{
		Machine: Machine{Name: p.Machine, Model: p.Model, Depot: p.Settings.Depot, tries: map[triesKey]*tally{}},
		known:   model.NewMachine(p.Machine, p.Kind), since: since(asOf),
	}
	if p.From.After(r.since) {
		r.since = p.From
	}
	reader := model.Reader{Settings: p.Settings}
	for i := range p.Entries {
		e := &p.Entries[i]
		if e.Site != "" && e.Decision == nil {
			r.site = e.Site
		}
		if ev, ok := reader.Next(e); ok {
			r.next(e, &ev)
		}
	}
	r.finish()
	return r.Machine
}

// reading is a history while it is read.
type reading struct {
	Machine
	known *model.Machine
	since time.Time
	site  string

	number  int // of the pair
	pair    span
	served  span // since the last service
	points  points
	session session
	cleaver cleaverRun
}

// span is a pair, or what a service holds, while it lasts.
type span struct {
	lot    string
	action drift.Action
	begun  bool // seen from its beginning
	from   float64
	last   float64
	seen   time.Time
}

// session is the session that is open.
type session struct {
	open   bool
	key    triesKey
	failed float64 // tries that count
	counts bool
	passed bool
}

// next takes the next event, with the entry that it is from.
func (r *reading) next(e *drift.Entry, ev *model.Event) {
	if ev.Kind != model.Attempt || ev.NewSession {
		r.endSession()
	}
	if e.Service != nil && e.Service.Finding == drift.CleaverFault {
		r.blame(ev.Time)
	}
	if ev.Pair != r.number {
		r.service(e, ev, drift.Replaced)
		r.number = ev.Pair
	} else if ev.Kind == model.Cleaned {
		r.service(e, ev, drift.Cleaned)
	}
	for _, s := range []*span{&r.pair, &r.served} {
		if s.seen.IsZero() {
			s.from = ev.Arcs
		}
		s.last, s.seen = max(s.last, ev.Arcs), ev.Time
	}
	if ev.Kind == model.Attempt {
		r.attempt(ev)
		return
	}
	r.known.Update(ev)
}

// service ends what the last one held, and the pair if it was replaced.
func (r *reading) service(e *drift.Entry, ev *model.Event, action drift.Action) {
	// A pair failed if the last session before was given up, and the bench did not find
	// another cause, or found it worn. One that still worked would have gone on.
	failed, lot := r.session.open && !r.session.passed, ""
	if e.Service != nil {
		switch e.Service.Finding {
		case drift.Worn:
			failed = true
		case drift.Fine, drift.CleaverFault, drift.OtherFault:
			failed = false
		}
		lot = e.Service.Pair
	}
	r.end(&r.served, failed)
	r.endStretch()
	if action == drift.Replaced {
		r.end(&r.pair, failed)
		r.pair = span{lot: lot, begun: true, seen: ev.Time}
	}
	r.served = span{lot: r.pair.lot, action: action, begun: true, from: ev.Arcs, last: ev.Arcs, seen: ev.Time}
	if action == drift.Replaced {
		r.served.from = 0
	}
	r.session, r.cleaver = session{}, cleaverRun{}
}

// end keeps a span that has ended, or that is still going on at the end of the records.
func (r *reading) end(s *span, failed bool) {
	pair := s.action == ""
	if s.seen.Before(r.since) || s.last <= s.from || !pair && !s.begun {
		return
	}
	l := life{lot: s.lot, action: s.action, from: s.from, arcs: s.last, ended: failed}
	if !pair {
		l.from, l.arcs = 0, s.last-s.from
	}
	r.lives = append(r.lives, l)
}

// finish ends everything: the records end.
func (r *reading) finish() {
	r.endSession()
	r.end(&r.served, false)
	r.end(&r.pair, false)
	r.endStretch()
}

func (r *reading) attempt(ev *model.Event) {
	tries, failed := max(ev.Tries, 1), max(ev.Tries, 1)
	if ev.Passed {
		failed--
	}
	chance, first := r.known.OutChance(r.known.Params().Placed(ev).Air, 0), r.known.Attempts() == 0
	step := r.known.Update(ev)
	lately := !ev.Time.Before(r.since)
	s := &r.session
	s.open, s.passed = true, ev.Passed
	if lately && !first && !ev.Conditioning {
		key := triesKey{ev.Cleaver, r.site}
		if s.counts && s.key != key {
			r.endSession() // what follows is another cleaver's
			s.open, s.passed = true, ev.Passed
		}
		t := r.tally(key)
		class := classOf(chance)
		t.tries[class] += float64(tries)
		t.failed[class] += float64(failed)
		t.chance[class] += float64(tries) * chance
		s.key, s.counts, s.failed = key, true, s.failed+float64(failed)
	}
	r.use(ev, int(tries), int(failed))
	if x := step.Reference; lately && !math.IsNaN(x) && step.BadEnd < 0.5 && !ev.Conditioning {
		r.points.add(ev.Arcs, x)
	}
}

func (r *reading) tally(key triesKey) *tally {
	t := r.tries[key]
	if t == nil {
		t = &tally{}
		r.tries[key] = t
	}
	return t
}

// endSession counts the session that was open. Whether it passed stays known.
func (r *reading) endSession() {
	if s := &r.session; s.counts {
		t := r.tally(s.key)
		t.sessions++
		t.squares += s.failed * s.failed
		s.counts, s.failed = false, 0
	}
}

// endStretch keeps the line through the points since the last service.
func (r *reading) endStretch() {
	if s, ok := r.points.line(); ok {
		s.lot = r.pair.lot
		r.stretches = append(r.stretches, s)
	}
	r.points = points{}
}

// points are required powers at reference air, in log percent, by arcs on the pair.
type points struct{ n, x, y, xx, xy, yy float64 }

func (p *points) add(arcs, power float64) {
	x := arcs / 1000
	p.n, p.x, p.y = p.n+1, p.x+x, p.y+power
	p.xx, p.xy, p.yy = p.xx+x*x, p.xy+x*power, p.yy+power*power
}

// leastPoints are those of a stretch that says something.
const leastPoints = 8

// line is the least-squares line through the points: its slope, the logarithm of the
// standard deviation about it, and their variances (of the latter 1/(2(n−2)), for
// normal errors).
func (p *points) line() (stretch, bool) {
	if p.n < leastPoints {
		return stretch{}, false
	}
	sxx, sxy, syy := p.xx-p.x*p.x/p.n, p.xy-p.x*p.y/p.n, p.yy-p.y*p.y/p.n
	const leastSpread = 1e-4 // thousand arcs, squared: all points at one count have no slope
	if sxx < leastSpread {
		return stretch{}, false
	}
	slope := sxy / sxx
	free := p.n - 2
	variance := max((syy-slope*sxy)/free, 1e-4) // rounding of what machines report
	return stretch{arcs: 1000 * p.x / p.n, growth: slope, growthVar: variance / sxx, scatter: math.Log(variance) / 2, scatterVar: 1 / (2 * free)}, true
}
