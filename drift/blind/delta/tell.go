package delta

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"arcdrift/drift/blind"
)

// record is one record on its way to the agent.
type record struct {
	received time.Time
	at       time.Time
	zone     *time.Location
	session  int // of a calibration, by its place in the history; -1 otherwise
	fields   map[string]any
}

// How records are named.
const (
	byID = iota
	byNumber
	byNothing
)

// When records leave the machine or its van.
const (
	atOnce = iota
	inTheEvening
	nowAndThen
)

// voice is how one machine and its people tell. It never touches the world.
type voice struct {
	*machine
	dice
	mess     dice
	grade    string
	whole    bool
	naming   int
	leaving  int
	zone     *time.Location
	shows    shows
	tempOff  float64
	humidOff float64
	fine     [4]float64 // rounding of µm, °C, %, m
	lot      string
	setup    map[string]any

	epoch, seq int
}

// shows are the optional fields that this machine tells.
type shows struct {
	model, program, site, operator, session, spot, limit, aim, count, temp, humidity bool
	altitude, pressure, body, trigger, cleaver, recleaved, setting, change           bool
	usage, splices, finding, lot                                                     bool
}

// drawVoice draws how the i-th machine tells.
func drawVoice(w blind.Wish, f *fleet, m *machine, i int) *voice {
	all := newDice(key(f.key, forVoice))
	full, whole, byModel := all.between(0.4, 0.9), all.between(0.1, 0.6), all.odds(0.5)
	d := newDice(key(f.key, forVoice, uint64(i)))
	v := &voice{machine: m, dice: d, mess: newDice(key(f.key, forMess, uint64(i))), epoch: 1}
	v.grade = [3]string{"full", "correction", "pass-fail"}[d.one(full, (1-full)/2, (1-full)/2)]
	if w.Grade != "" {
		v.grade = w.Grade
	}
	v.whole = d.odds(whole)
	if w.Typing != blind.AsDrawn {
		v.whole = w.Typing == blind.WholeSession
	}
	v.naming, v.leaving = d.one(0.4, 0.35, 0.25), d.one(0.6, 0.28, 0.12)
	v.zone = time.FixedZone("", int(f.land.climate.zone)*3600)
	if d.odds(0.3) {
		v.zone = time.UTC
	}
	v.tempOff, v.humidOff = 0.7*d.NormFloat64(), 3.5*d.NormFloat64()
	v.fine = [4]float64{
		[2]float64{1, 0.1}[d.IntN(2)], [3]float64{0.1, 0.5, 1}[d.IntN(3)], [3]float64{0.1, 1, 5}[d.IntN(3)], [3]float64{1, 10, 50}[d.IntN(3)],
	}
	v.lot = fmt.Sprintf("E%04d", d.IntN(10000))
	v.shows = drawShows(d, len(m.programs) > 1)
	v.drawSetup(d, f, byModel, i)
	return v
}

func drawShows(d dice, programs bool) shows {
	s := shows{
		model: d.odds(0.8), program: d.odds(0.6) || programs && d.odds(0.95), site: d.odds(0.6), operator: d.odds(0.5),
		session: d.odds(0.5), spot: d.odds(0.5), limit: d.odds(0.35), aim: d.odds(0.75), count: d.odds(0.8),
		temp: d.odds(0.9), humidity: d.odds(0.8), body: d.odds(0.2), trigger: d.odds(0.55), cleaver: d.odds(0.35),
		recleaved: d.odds(0.2), setting: true, change: d.odds(0.85), finding: d.odds(0.7), lot: d.odds(0.4),
	}
	way := d.one(0.5, 0.22, 0.13, 0.15)
	s.altitude, s.pressure = way == 0 || way == 2, way == 1 || way == 2
	s.usage = s.count && d.odds(0.5)
	s.splices = d.odds(0.25)
	return s
}

// drawSetup draws what is told once about the machine or its model.
func (v *voice) drawSetup(d dice, f *fleet, byModel bool, i int) {
	m := v.model
	told := map[string]any{}
	put := func(p float64, name string, value any) {
		if d.odds(p) {
			told[name] = value
		}
	}
	put(map[bool]float64{true: 0.4, false: 0.9}[m.attempts == 4], "attempt_limit", m.attempts)
	put(0.35, "limit_pct", m.limit)
	put(0.25, "conditioning_arcs", int(math.Ceil(2*m.physics.settleArcs/5))*5)
	if len(m.programs) == 1 {
		put(map[bool]float64{true: 0.3, false: 0.7}[v.shows.aim], "target_um", m.programs[0].target)
		put(map[bool]float64{true: 0.3, false: 0.7}[v.shows.aim], "tolerance_um", m.programs[0].within)
	}
	first := true
	for _, o := range f.machines[:i] {
		first = first && o.model != m
	}
	switch {
	case len(told) == 0 || byModel && !first:
	case byModel:
		told["scope"], told["name"] = "model", m.name
		v.setup = told
	default:
		told["scope"], told["name"], told["machine"] = "machine", v.machine.name, v.machine.name
		v.setup = told
	}
	v.shows.model = v.shows.model || byModel
}

// tell is everything the agent hears of this machine, in order of time.
func (v *voice) tell(h *history) []*record {
	var out []*record
	if v.setup != nil {
		r := v.record("setup", int64(v.machine.dawn()))
		delete(r.fields, "machine")
		for k, x := range v.setup {
			r.fields[k] = x
		}
		out = append(out, r)
	}
	for i := range h.sessions {
		out = append(out, v.session(h, i)...)
	}
	for i := range h.services {
		if r := v.service(&h.services[i], i); r != nil {
			out = append(out, r)
		}
	}
	if v.shows.usage || v.shows.splices {
		out = append(out, v.uses(h)...)
	}
	slices.SortStableFunc(out, func(a, b *record) int { return a.at.Compare(b.at) })
	for i, r := range out {
		v.name(r, i)
		v.send(r)
	}
	return out
}

// dawn is when the first day's work begins.
func (m *machine) dawn() int { return m.crew.dawn*60 - 3600 }

// record starts one of a type at a second of the history.
func (v *voice) record(kind string, second int64) *record {
	return &record{
		at: v.moment(second), zone: v.zone, session: -1,
		fields: map[string]any{"type": kind, "machine": v.machine.name},
	}
}

// name numbers a record, if this machine's are.
func (v *voice) name(r *record, i int) {
	kind := r.fields["type"]
	switch {
	case v.naming == byID, v.naming == byNumber && kind == "service" && v.odds(0.5):
		r.fields["id"] = fmt.Sprintf("%s-%08x", v.machine.name, uint32(key(v.key, forRecord, uint64(i))))
	case v.naming == byNumber && kind != "service" && kind != "setup":
		if v.odds(0.001) {
			v.epoch, v.seq = v.epoch+1, 0
		}
		v.seq++
		r.fields["source"], r.fields["epoch"], r.fields["seq"] = "unit-"+v.machine.name, v.epoch, v.seq
	}
}

// send says when a record reaches the agent, if that is not said yet.
func (v *voice) send(r *record) {
	if !r.received.IsZero() {
		return
	}
	switch v.leaving {
	case atOnce:
		r.received = r.at.Add(time.Duration(1+v.IntN(15)) * time.Second)
	case inTheEvening:
		r.received = nextAt(r.at, v.machine.dawn()+12*3600, 1)
	default:
		r.received = nextAt(r.at, v.machine.dawn()+11*3600, 4)
	}
}

// nextAt is the next time of the day on a day that days divides.
func nextAt(t time.Time, second int, days int64) time.Time {
	day := t.Unix() / daySeconds
	for ; ; day++ {
		at := time.Unix(day*daySeconds+int64(second), 0).UTC()
		if day%days == 0 && at.After(t) {
			return at
		}
	}
}

// lines puts all records in the order of arrival.
func lines(recs []*record) []blind.Line {
	slices.SortStableFunc(recs, func(a, b *record) int { return a.received.Compare(b.received) })
	out := make([]blind.Line, 0, len(recs))
	for _, r := range recs {
		r.fields["time"] = r.at.In(r.zone).Format(time.RFC3339)
		b, err := json.Marshal(r.fields)
		if err != nil {
			panic(err) // a number that is not one: a fault of this package
		}
		out = append(out, blind.Line{Received: r.received, JSON: b})
	}
	return out
}
