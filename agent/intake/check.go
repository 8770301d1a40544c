package intake

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/air"
)

// check says why the offer cannot be taken, or nil.
func (o *Offer) check() *drift.Problem {
	switch {
	case o.Refusal != nil:
		return &o.Refusal.Problem
	case o.Problem != nil:
		return o.Problem
	}
	if err := o.Record.Check(); err != nil {
		var p *drift.Problem
		if errors.As(err, &p) {
			return p
		}
		return &drift.Problem{Reason: err.Error()}
	}
	switch {
	case o.Machine != "" && o.Record.Machine != o.Machine:
		return &drift.Problem{Field: "machine", Value: o.Record.Machine,
			Reason: "must be " + o.Machine + ", the machine this channel speaks for"}
	case o.Machine != "" && o.Record.About() != o.Machine:
		return &drift.Problem{Field: "scope", Reason: "must be machine: this channel speaks for " + o.Machine + " only"}
	case o.By != nil:
		return o.By.Check(&o.Record)
	}
	return nil
}

// refusal is the offer as it is kept when p stands against it.
func (o *Offer) refusal(p *drift.Problem, now time.Time) drift.Refusal {
	if o.Refusal != nil {
		r := *o.Refusal
		r.Forwarded = true
		return r
	}
	r := drift.Refusal{
		Machine: o.Machine, Via: strings.TrimSpace(o.Via + " " + o.account()), Line: o.Line, Problem: *p,
		Raw: o.Raw, Size: len(o.Raw), Time: now, Last: now, Times: 1,
	}
	if r.Machine == "" {
		r.Machine = plausibleMachine(o.Record.Machine)
	}
	if len(r.Raw) > drift.MaxRaw {
		r.Raw = r.Raw[:drift.MaxRaw]
	}
	return r
}

// account is whose record it is: of whoever offers it and, behind that, of whom
// the offerer tells.
func (o *Offer) account() string {
	if o.By == nil || o.By.Account() == "" {
		return o.Account
	}
	return strings.TrimSuffix(o.By.Account()+"/"+o.Account, "/")
}

// plausibleMachine is the name if it could be one and otherwise "", so that
// nothing is ever filed under a hostile name.
func plausibleMachine(name string) string {
	var r drift.Record
	r.Type = drift.TypeUsage
	if f, ok := drift.FieldNamed("machine"); !ok || name == "" || f.Set(&r, name) != nil {
		return ""
	}
	return name
}

// Bounds of the questions. Weather alone moves station pressure by about
// 20 hPa either way, and a telephone's altitude may be 50 m, 6 hPa, off: common
// practice, no source; twice the weather is asked about. Before 2020 a clock
// has most likely lost its battery.
const (
	oddPressureHPa = 40
	oddAhead       = 5 * time.Minute
	oddYear        = 2020
)

// questions asks about what is odd in the entry, given the counter before it.
func questions(e *drift.Entry, before drift.Counter) []string {
	var out []string
	ask := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if c := e.Calibration; c != nil {
		pressure, p := c.Pressure.Get()
		altitude, a := c.Altitude.Get()
		if p && a && math.Abs(pressure-air.PressureAt(altitude)) > oddPressureHPa {
			ask("%.0f hPa goes with about %s m, and the record says %s m: which is right? Station pressure is wanted, not pressure reduced to sea level.",
				pressure, grouped(10*math.Round(air.AltitudeAt(pressure)/10)), grouped(altitude))
		}
	}
	if s := e.Setup; s != nil && s.DailyCheck.Known() && s.DailyCheck.Or(1) == 0 {
		ask("This turns off the check at the start of the day; the one after electrodes were cleaned or replaced stays, as nothing turns it off. Is that what was meant?")
	}
	if ahead := e.Time.Sub(e.Received); !e.Time.IsZero() && ahead > oddAhead {
		ask("The record's time is %s ahead of the agent's clock: is the sender's clock right?", span(ahead))
	}
	if !e.Time.IsZero() && e.Time.Year() < oddYear {
		ask("The record's time is in the year %d: is the sender's clock right?", e.Time.Year())
	}
	if last, yes := before.Falls(e); yes {
		now, _ := e.ArcCount.Get()
		ask("The arc count fell from %d to %d: were the electrodes replaced? If so, a service record with action replaced is missing.", last, now)
	}
	return out
}

// grouped writes a whole number with a comma between thousands.
func grouped(v float64) string {
	s := fmt.Sprintf("%.0f", v)
	digits := strings.TrimPrefix(s, "-")
	if len(digits) <= 3 {
		return s
	}
	cut := len(s) - 3
	return s[:cut] + "," + s[cut:]
}

// span is a time of minutes at least, as people write it: "1 h 11 min", "3 days".
func span(d time.Duration) string {
	switch minutes := int(d.Round(time.Minute).Minutes()); {
	case minutes < 60:
		return fmt.Sprintf("%d min", minutes)
	case minutes < 48*60:
		return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
	default:
		return fmt.Sprintf("%d days", minutes/(24*60))
	}
}
