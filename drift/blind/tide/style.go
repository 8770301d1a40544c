package tide

import (
	"fmt"
	"time"

	"arcdrift/drift/blind"
)

// style is how a machine and its crew tell what happened.
type style struct {
	grade     string
	whole     bool
	zone      *time.Location
	numbers   numbering
	sends     sending
	session   bool // attempts carry the name of their session
	air       [4]bool
	gaps      float64 // share of readings of air that are missing
	lift      float64 // m: error of the reported altitude
	limit     bool
	counts    bool // calibrations tell the counter
	usage     int  // days between records of use, 0 for none
	splices   bool
	site      bool
	worker    string
	cleaver   string
	trigger   bool
	recleaved bool
	pairs     bool
	findings  float64
}

// numbering is how records can be told apart.
type numbering int

const (
	byID numbering = iota
	bySequence
	byTime
)

// sending is when records leave the machine.
type sending int

const (
	atOnce sending = iota
	inTheEvening
	nextMorning
)

// style draws how a machine tells. The shares are guesses.
func (m *machine) style() style {
	r := m.luck.of(ofStyle, 0, 0)
	t := style{
		grade: []string{"full", "correction", "pass-fail"}[r.pick(m.model.records[:]...)],
		zone:  time.FixedZone("", 3600*r.whole(0, 2)), numbers: numbering(r.pick(0.55, 0.35, 0.1)),
		sends: sending(r.pick(0.6, 0.3, 0.1)), session: r.yes(0.5), gaps: r.between(0, 0.1), lift: 12 * r.normal(),
		limit: r.yes(0.8), counts: r.yes(0.9), usage: []int{0, 1, 7}[r.pick(0.35, 0.45, 0.2)], splices: r.yes(0.4),
		site: r.yes(0.6), trigger: r.yes(0.75), recleaved: r.yes(0.4), pairs: r.yes(0.4), findings: r.between(0.3, 1),
	}
	whole := map[string]float64{"full": 0.3, "correction": 0.45, "pass-fail": 0.6}[t.grade]
	t.whole = r.yes(whole)
	// Temperature, humidity, altitude, pressure:
	t.air = [][4]bool{
		{}, {true, true, true, false}, {true, true, true, true}, {true, false, false, false}, {false, false, true, false}, {true, true, false, true},
	}[r.pick(0.12, 0.35, 0.2, 0.1, 0.11, 0.12)]
	if r.yes(0.5) {
		t.worker = fmt.Sprintf("crew-%d", r.whole(1, 9))
	}
	if r.yes(0.45) {
		t.cleaver = fmt.Sprintf("cleaver-%d", r.whole(1, 30))
	}
	if !t.counts && t.usage == 0 {
		t.usage = 1
	}
	if g := m.fleet.wish.Grade; g != "" {
		t.grade = g
	}
	switch m.fleet.wish.Typing {
	case blind.EachAttempt:
		t.whole = false
	case blind.WholeSession:
		t.whole = true
	}
	return t
}

// telling is a machine that tells its history.
type telling struct {
	m       *machine
	style   style
	moves   []blind.Move
	last    blind.Air // of the last move or session
	out     []told
	session int
	tries   []attempt // of the session that goes on
	splices int64     // since the last record of them
	used    int       // day of the last record of use
	sent    time.Time
	numbers int64
}

// time is a second of the history.
func (t *telling) time(second int64) time.Time {
	return t.m.fleet.wish.Start.Add(time.Duration(second) * time.Second)
}

// send completes a record and puts it on its way. What a machine sends keeps its
// order.
func (t *telling) send(rec record, when time.Time, typed bool) {
	r := t.m.luck.of(ofTelling, len(t.out), 0)
	t.number(&rec)
	rec.Machine, rec.Model = t.m.name, t.m.model.name
	got := when.Add(time.Duration(3+60*r.unit()) * time.Second)
	midnight := when.Truncate(24 * time.Hour)
	switch wait := time.Duration(r.whole(0, 3600)) * time.Second; {
	case typed:
		got = when.Add(4*time.Minute + wait)
	case t.style.sends == inTheEvening:
		got = midnight.Add(19*time.Hour + wait)
	case t.style.sends == nextMorning:
		got = midnight.Add(28*time.Hour + wait)
	}
	if got.Before(t.sent) {
		got = t.sent
	}
	t.sent = got
	one := told{received: got, when: when, clock: when, zone: t.style.zone, record: rec}
	if rec.Type == "calibration" {
		one.session = t.session
	}
	t.out = append(t.out, one)
}

// number makes a record known by what its writer has.
func (t *telling) number(rec *record) {
	t.numbers++
	switch t.style.numbers {
	case byID:
		rec.ID = fmt.Sprintf("%s-%05d", t.m.name, t.numbers)
	case bySequence:
		rec.Source, rec.Epoch, rec.Seq = "log-"+t.m.name, ptr(int64(1)), ptr(t.numbers)
	}
}
