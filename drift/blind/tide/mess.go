package tide

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// mess is what people and devices do to records on their way. Rates are per
// machine and guesses: most machines have one or two of these faults.
func (t *telling) mess() {
	r := t.m.luck.of(ofMess, 0, 0)
	if r.yes(0.2) {
		t.oneStamp()
	}
	if r.yes(0.15) {
		t.wrongClock(&r)
	}
	t.slips(&r)
	t.twice(&r, r.between(0, 0.05))
	t.lateAndAgain(&r, r.between(0, 0.04), r.between(0, 0.03))
}

// oneStamp gives all attempts of a session the time of its last: some devices
// write a session down when it ends.
func (t *telling) oneStamp() {
	end := map[int]time.Time{}
	for _, o := range t.out {
		if o.record.Attempt > 0 {
			end[o.session] = o.when
		}
	}
	for i := range t.out {
		if o := &t.out[i]; o.record.Attempt > 0 {
			o.clock = end[o.session]
		}
	}
}

// wrongClock sets the machine's clock wrong for some weeks: by the hours of a zone,
// by a day, or back by years after its battery was empty.
func (t *telling) wrongClock(r *stream) {
	off := []time.Duration{
		time.Duration(r.whole(1, 9)) * time.Hour, -time.Duration(r.whole(1, 9)) * time.Hour,
		24 * time.Hour, -24 * time.Hour, -time.Duration(r.whole(900, 2500)) * 24 * time.Hour,
	}[r.pick(3, 3, 1, 1, 1)]
	days := float64(t.m.fleet.wish.Days)
	from := t.time(int64(r.unit() * 0.9 * days * float64(aDay)))
	to := from.Add(time.Duration(r.between(3, 30)*24) * time.Hour)
	for i := range t.out {
		if o := &t.out[i]; o.when.After(from) && o.when.Before(to) {
			o.clock = o.clock.Add(off)
		}
	}
}

// slips are single values in another unit. All of them stay within what the contract
// takes.
func (t *telling) slips(r *stream) {
	rate := r.between(0, 0.01)
	for i := range t.out {
		hit, which := r.yes(rate), r.pick(1, 1, 1, 1, 1)
		if rec := &t.out[i].record; hit && rec.Type == "calibration" {
			slip(rec, which)
		}
	}
}

func slip(rec *record, which int) {
	switch {
	case which == 0 && rec.Warmth != nil && *rec.Warmth < 15: // °F
		rec.Warmth = rounded(*rec.Warmth*1.8+32, 1)
	case which == 1 && rec.Altitude != nil && *rec.Altitude > 0 && *rec.Altitude < 1800: // feet
		rec.Altitude = rounded(*rec.Altitude/0.3048, 0)
	case which == 2 && rec.Humidity != nil: // a share
		rec.Humidity = rounded(*rec.Humidity/100, 2)
	case which == 3 && rec.Pressure != nil: // mm of mercury
		rec.Pressure = rounded(*rec.Pressure*0.750062, 0)
	case which == 4 && rec.Setting != nil && rec.Correction != nil: // a share
		rec.Setting, rec.Correction = rounded(*rec.Setting/100, 4), rounded(*rec.Correction/100, 4)
	}
}

// twice has a person type a session that the device has told, or the other way
// round: a record of the whole with a rounded time, without what people do not copy.
func (t *telling) twice(r *stream, rate float64) {
	var typed []told
	for i, o := range t.out {
		last := o.session > 0 && o.record.Type == "calibration" && (i+1 == len(t.out) || t.out[i+1].session != o.session)
		hit, wait := r.yes(rate), r.whole(10, 600)
		if !last || !hit {
			continue
		}
		rec := o.record
		rec.ID, rec.Source, rec.Epoch, rec.Seq = fmt.Sprintf("typed-%s-%d", t.m.name, o.session), "", nil, nil
		rec.Attempts = max(rec.Attempt, rec.Attempts)
		rec.Attempt, rec.Session, rec.Recleaved, rec.Centre = 0, "", nil, nil
		if rec.Correction != nil {
			rec.Correction = ptr(t.corrections(o.session))
		}
		at := o.when.Round(15 * time.Minute)
		got := o.received.Add(time.Duration(wait) * time.Minute)
		typed = append(typed, told{received: got, when: at, clock: at, zone: o.zone, record: rec, session: o.session})
	}
	t.out = append(t.out, typed...)
}

// corrections is the sum of those that were told of a session.
func (t *telling) corrections(session int) float64 {
	var sum float64
	for _, o := range t.out {
		if o.session == session && o.record.Correction != nil {
			sum += *o.record.Correction
		}
	}
	return math.Round(1e4*sum) / 1e4
}

// lateAndAgain holds records back for days, as a phone without a network does, and
// sends some twice.
func (t *telling) lateAndAgain(r *stream, late, again float64) {
	for i := range slices.Clone(t.out) {
		isLate, isAgain, days := r.yes(late), r.yes(again), r.between(0.2, 9)
		wait := time.Duration(days*24) * time.Hour
		if isLate {
			t.out[i].received = t.out[i].received.Add(wait)
		}
		if isAgain {
			o := t.out[i]
			o.received = o.received.Add(wait / 3)
			t.out = append(t.out, o)
		}
	}
}
