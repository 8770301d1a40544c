package tide

import (
	"fmt"
	"math"
	"time"

	"arcdrift/drift/blind"
)

// hear takes what happened to the machine, and tells what its people would.
func (t *telling) hear(e event, s *state) {
	switch e.what {
	case arrival:
		t.moved(s)
	case weather:
		if t.last == (blind.Air{}) {
			t.last = s.air
		}
		if s.phase == firstCheck && differs(s.air, t.last) {
			t.moved(s)
		}
	case tried:
		t.tried(e, s)
	case worked:
		t.splices += int64(e.splices)
		if s.phase == evening {
			t.dayUsed(s)
		}
	case served:
		t.served(e.service, s)
	}
}

// differs is whether people would call it other weather.
func differs(a, b blind.Air) bool {
	return math.Abs(a.TemperatureC-b.TemperatureC) > 9 || math.Abs(a.PressureHPa-b.PressureHPa) > 14
}

func (t *telling) moved(s *state) {
	t.moves = append(t.moves, blind.Move{At: t.time(s.second), Air: s.air})
	t.last = s.air
}

// tried tells an attempt, or the whole session at its end.
func (t *telling) tried(e event, s *state) {
	if e.attempt.number == 1 {
		t.session++
		t.tries = t.tries[:0]
	}
	t.last = s.air
	t.tries = append(t.tries, e.attempt)
	switch {
	case !t.style.whole:
		rec := t.calibration(e.attempt, s)
		rec.Attempt = e.attempt.number
		if t.style.session {
			rec.Session = fmt.Sprintf("%s/%d", t.m.name, t.session)
		}
		if t.style.recleaved {
			rec.Recleaved = ptr(e.attempt.fresh)
		}
		t.send(rec, t.time(s.second), false)
	case e.ended:
		t.send(t.sum(s), t.time(s.second), true)
	}
}

// sum is one record for the session that has ended: the last attempt, with the sum
// of corrections.
func (t *telling) sum(s *state) record {
	last := t.tries[len(t.tries)-1]
	var sum float64
	for _, a := range t.tries {
		sum += a.correction
	}
	last.correction = math.Round(100*sum) / 100
	rec := t.calibration(last, s)
	rec.Attempts = len(t.tries)
	return rec
}

// calibration is what the machine's grade of data has of an attempt.
func (t *telling) calibration(a attempt, s *state) record {
	p := &t.m.programs[a.program]
	rec := record{Type: "calibration", Passed: ptr(a.passed), Worker: t.style.worker, Cleaver: t.style.cleaver}
	if len(t.m.programs) > 1 {
		rec.Program = p.name
	}
	if t.style.site {
		rec.Site = t.m.fleet.sites[s.site].name
	}
	if t.style.trigger {
		rec.Trigger = a.trigger
	}
	if t.style.counts {
		rec.ArcCount = ptr(a.counter)
	}
	switch t.style.grade {
	case "full":
		rec.Left, rec.Right = ptr(a.left), ptr(a.right)
		rec.Target, rec.Tolerance = ptr(p.target), ptr(p.tolerance)
		rec.Centre, rec.Setting, rec.Correction = ptr(a.centre), ptr(a.setting), ptr(a.correction)
	case "correction":
		rec.Correction = ptr(a.correction)
	}
	if t.style.limit && t.style.grade != "pass-fail" {
		rec.Limit = ptr(t.m.correct.limit)
	}
	t.readAir(&rec, s)
	return rec
}

// readAir tells of the air what the machine or the crew reads, with its errors.
func (t *telling) readAir(rec *record, s *state) {
	r := t.m.luck.of(ofTelling, len(t.out), 1)
	lost := r.yes(t.style.gaps)
	warm, damp, press := 0.4*r.normal(), 2*r.normal(), 0.6*r.normal()
	if lost {
		return
	}
	has := t.style.air
	if has[0] {
		rec.Warmth = rounded(s.air.TemperatureC+warm, 1)
	}
	if has[1] {
		rec.Humidity = rounded(min(99, max(3, s.air.HumidityPct+damp)), 0)
	}
	if has[2] {
		rec.Altitude = rounded(s.air.AltitudeM+t.style.lift, 0)
	}
	if has[3] {
		rec.Pressure = rounded(s.air.PressureHPa+press, 1)
	}
}

// dayUsed tells of a day's use.
func (t *telling) dayUsed(s *state) {
	when := t.time(s.second)
	if t.style.splices && t.splices > 0 {
		r := t.m.luck.of(ofTelling, len(t.out), 2)
		rec := record{Type: "splice", Count: ptr(t.splices), Job: fmt.Sprintf("job-%d", s.day/12+1)}
		if r.yes(0.5) {
			rec.Loss = rounded(max(0, r.about(0.03, 0.4)), 2)
		}
		t.send(rec, when, false)
	}
	t.splices = 0
	if every := t.style.usage; every > 0 && s.day-t.used >= every {
		t.used = s.day
		t.send(record{Type: "usage", ArcCount: ptr(s.arcs + s.ahead)}, when, false)
	}
}

// served tells what was done to the pair, if anybody wrote it down.
func (t *telling) served(v service, s *state) {
	if v.hidden {
		return
	}
	r := t.m.luck.of(ofTelling, len(t.out), 3)
	rec := record{Type: "service", Action: v.action, ArcCount: ptr(v.before)}
	if !t.style.counts {
		rec.ArcCount = nil
	}
	if r.yes(t.style.findings) {
		rec.Finding = v.finding
	}
	if v.action == "replaced" && t.style.pairs {
		rec.Pair = fmt.Sprintf("lot-%d", 1+s.day/90)
	}
	t.send(rec, t.time(s.second), true)
}

// setups is what somebody wrote down of the fleet and its models before it all.
func (f *fleet) setups() []told {
	r := f.luck.of(ofTelling, 0, 4)
	when := f.wish.Start
	var out []told
	add := func(rec record) {
		rec.Type = "setup"
		rec.ID = fmt.Sprintf("setup-%d", len(out)+1)
		out = append(out, told{received: when, when: when, clock: when, zone: time.UTC, record: rec})
	}
	if f.attempts != 4 || r.yes(0.5) {
		add(record{Scope: "fleet", AttemptLimit: f.attempts})
	}
	for i := range f.models {
		if !r.yes(0.7) {
			continue
		}
		rec := record{Scope: "model", Name: f.models[i].name, LimitPct: ptr(f.models[i].correct.limit)}
		if r.yes(0.5) {
			rec.Conditioning = ptr(int64(20))
		}
		add(rec)
	}
	return out
}
