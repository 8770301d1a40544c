package synth

import (
	"fmt"
	"time"

	"arcdrift/drift"
)

// log collects what a machine's sender publishes, and the truth.
type log struct {
	records []drift.Record
	truth   *Machine
	// splices is whether the truth of every splice is kept too.
	splices bool
}

// record begins a record of the machine at a time.
func (l *log) record(n *nature, s *state, typ drift.Type, at time.Time) drift.Record {
	s.seq++
	r := drift.Record{
		Type: typ, ID: fmt.Sprintf("%s-%s-%05d", n.name, n.zero.Format("20060102"), s.seq), Machine: n.name,
		Model: n.model.Name, Program: n.model.Program, Site: n.world.Sites[s.site].Name,
		Operator: n.operator, Time: at,
	}
	if n.numbered {
		r.Source, r.Epoch, r.Seq = n.name, drift.Some[int64](1), drift.Some(s.seq)
	}
	return r
}

// evening records the day's totals, for machines that report them.
func (l *log) evening(n *nature, s *state, at time.Time) {
	if n.usage {
		r := l.record(n, s, drift.TypeUsage, at)
		r.ArcCount = drift.Some(s.pair.arcs + s.carried)
		l.records = append(l.records, r)
	}
	if n.splices {
		_, week := at.ISOWeek()
		r := l.record(n, s, drift.TypeSplice, at.Add(time.Minute))
		r.Splice = &drift.Splice{Count: drift.Some(s.today.arcs), Job: fmt.Sprintf("%s week %d", r.Site, week)}
		l.records = append(l.records, r)
	}
}

// service records a service. At a replacement the counter is the one after it.
func (l *log) service(n *nature, s *state, at time.Time, action drift.Action, finding drift.Finding, logged bool) {
	l.truth.Services = append(l.truth.Services, Service{Time: at, Action: action, Arcs: s.pair.arcs, Pair: s.pairs, Logged: logged, Lot: s.pair.lot, Bad: s.pair.bad})
	if !logged {
		return
	}
	r := l.record(n, s, drift.TypeService, at)
	r.ArcCount = drift.Some(s.pair.arcs + s.carried)
	r.Service = &drift.Service{Action: action, Finding: finding, Pair: s.pair.label(n.name, s.pairs+1)}
	l.records = append(l.records, r)
}

// session records the attempts of a session and their truth; before is the state at its
// start.
func (l *log) session(n *nature, before state, s *state, trigger string, prepared bool, tries []try) {
	first, last := tries[0], tries[len(tries)-1]
	air := n.air(&before, first.time)
	whole := Session{Time: first.time, Arcs: before.pair.arcs, Pair: before.pairs, Trigger: trigger, Attempts: len(tries), Passed: last.passed}
	name := ""
	if n.named && !n.typed {
		name = fmt.Sprintf("%s-%s", n.name, first.time.UTC().Format("20060102-1504"))
	}
	for i := range tries {
		t := &tries[i]
		if !n.typed || i == 0 {
			r := l.record(n, s, drift.TypeCalibration, t.time)
			r.Calibration = n.calibration(t, air)
			r.Calibration.Trigger, r.Calibration.Session = trigger, name
			r.Calibration.Cleaver, _ = n.cleaverOn(before.day)
			if prepared {
				r.Calibration.Cleaver = "bench"
			}
			l.records = append(l.records, r)
		}
		r := &l.records[len(l.records)-1]
		r.Time, r.ArcCount = t.time, drift.Some(t.arcs+before.carried)
		r.Calibration.Passed = drift.Some(t.passed)
		if n.typed {
			r.Calibration.Attempts = drift.Some(int64(i + 1))
		} else {
			r.Calibration.Attempt = drift.Some(int64(i + 1))
		}
		if t.badEnd {
			whole.BadEnd++
		}
		l.truth.Attempts = append(l.truth.Attempts, Attempt{
			Record: r.ID, Time: t.time, Pair: before.pairs, Arcs: t.arcs, Number: i + 1,
			RequiredPct: percent(t.level), AirPct: percent(n.effect(air)), ScatterPct: t.scatter, SettingPct: t.setting,
			BadEnd: t.badEnd, Passed: t.passed, Conditioning: t.arcs <= n.model.Conditioning,
		})
	}
	again := n.session(&before, first.time, true, nil)
	whole.Fit = again[len(again)-1].passed
	l.truth.Sessions = append(l.truth.Sessions, whole)
}

// calibration returns what the machine's grade of data reports of an attempt.
func (n *nature) calibration(t *try, a Air) *drift.Calibration {
	c := &drift.Calibration{
		Recleaved:   drift.Some(true),
		Temperature: drift.Some(round(a.TemperatureC, 10)), Humidity: drift.Some(round(a.HumidityPct, 1)), Altitude: drift.Some(a.AltitudeM),
	}
	if n.baro {
		c.Pressure = drift.Some(round(a.PressureHPa, 10))
	}
	switch n.grade {
	case Full:
		c.MeltbackLeft, c.MeltbackRight = drift.Some(t.left), drift.Some(t.right)
		c.Target, c.Tolerance = drift.Some(n.model.Target), drift.Some(n.tolerance)
		c.PowerSetting, c.PowerLimit = drift.Some(t.setting), drift.Some(n.model.Limit)
		c.PowerCorrection = drift.Some(t.correction)
	case Correction:
		c.PowerCorrection = drift.Some(t.correction)
	}
	return c
}

func (l *log) dirt(s *state, at time.Time) {
	l.truth.Dirt = append(l.truth.Dirt, Dirt{Time: at, Pair: s.pairs, Arcs: s.pair.arcs})
}

// move records an arrival, with the chance of being out there and the draw u of it.
func (l *log) move(n *nature, s *state, v visit, u float64) {
	air := n.air(s, v.time)
	p := n.out(s, air)
	l.truth.Moves = append(l.truth.Moves, Move{
		Time: v.time, From: n.world.Sites[v.from].Name, To: n.world.Sites[s.site].Name, Air: air,
		Calibrated: v.session, ProbabilityOut: p, Out: u < p,
	})
}
