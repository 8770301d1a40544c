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

// check says why the record cannot be taken, or nil.
func (s *Submission) check() *drift.Problem {
	switch {
	case s.Refusal != nil:
		return &s.Refusal.Problem
	case s.Problem != nil:
		return s.Problem
	}
	if err := s.Record.Check(); err != nil {
		var p *drift.Problem
		if errors.As(err, &p) {
			return p
		}
		return &drift.Problem{Reason: err.Error()}
	}
	switch {
	case s.Machine != "" && s.Record.Machine != s.Machine:
		return &drift.Problem{Field: "machine", Value: s.Record.Machine,
			Reason: "must be " + s.Machine + ": this channel may write for that machine only"}
	case s.Machine != "" && s.Record.About() != s.Machine:
		return &drift.Problem{Field: "scope", Reason: "must be machine: this channel may write for " + s.Machine + " only"}
	case s.By != nil:
		return s.By.Check(&s.Record)
	}
	return nil
}

// refusal is the submission as it is kept when it is refused for p.
func (s *Submission) refusal(p *drift.Problem, now time.Time) drift.Refusal {
	if s.Refusal != nil {
		r := *s.Refusal
		r.Forwarded = true
		return r
	}
	r := drift.Refusal{
		Machine: s.Machine, Via: strings.TrimSpace(s.Via + " " + s.account()), Line: s.Line, Problem: *p,
		Raw: s.Raw, Size: len(s.Raw), Time: now, Last: now, Times: 1,
	}
	if r.Machine == "" && drift.ValidMachine(s.Record.Machine) {
		r.Machine = s.Record.Machine // nothing is filed under a hostile name
	}
	if s.By != nil && r.Machine != "" && !s.By.Sees(r.Machine) {
		r.Machine = ""
	}
	if len(r.Raw) > drift.MaxRaw {
		r.Raw = r.Raw[:drift.MaxRaw]
	}
	return r
}

// account is the account of whoever submits the record and, after a slash, the one
// that the agent which forwards it has stored with it.
func (s *Submission) account() string {
	if s.By == nil || s.By.Account() == "" {
		return s.Account
	}
	return strings.TrimSuffix(s.By.Account()+"/"+s.Account, "/")
}

// The bounds beyond which a time is asked about. A clock that shows a year before
// 2020 has most likely lost its battery.
const (
	oddAhead = 5 * time.Minute
	oddYear  = 2020
)

// questions asks about what is odd in the entry, given the arc count before it.
func questions(e *drift.Entry, before drift.Counter) []string {
	var out []string
	ask := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if c := e.Calibration; c != nil {
		pressure, p := c.Pressure.Get()
		altitude, a := c.Altitude.Get()
		if p && a && air.Disagree(pressure, altitude) {
			ask("A pressure of %.0f hPa is usual at about %s m, and the record says %s m: which is right? Give the station pressure, not the pressure reduced to sea level.",
				pressure, grouped(10*math.Round(air.AltitudeAt(pressure)/10)), grouped(altitude))
		}
	}
	if s := e.Setup; s != nil && s.DailyCheck.Known() && s.DailyCheck.Or(1) == 0 {
		ask("This turns off the check at the start of the day. The check after electrodes were cleaned or replaced stays; it cannot be turned off. Is that what you meant?")
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

// grouped writes a number of up to six digits, rounded to a whole one, with a comma
// between thousands.
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
