package alert

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// LongestSilence bounds a silence: what can wait for longer belongs to
// the bench.
const LongestSilence = 30 * 24 * time.Hour

// Acknowledge marks an open case as being worked on; nothing more is sent of it.
func (s State) Acknowledge(subject string, rule RuleName, by string, now time.Time) (State, error) {
	return s.change(subject, rule, by, func(c *Case) { c.Acknowledged = &Acknowledgement{By: by, At: now} })
}

// Silence mutes an open case until the end given.
func (s State) Silence(subject string, rule RuleName, silence Silence, now time.Time) (State, error) {
	switch {
	case strings.TrimSpace(silence.Reason) == "":
		return s, fmt.Errorf("a reason is missing: say why %s of %s can wait", rule, subject)
	case !silence.Until.After(now):
		return s, fmt.Errorf("the end %s has passed: a silence needs one that is to come", silence.Until.Format(time.RFC3339))
	case silence.Until.Sub(now) > LongestSilence:
		return s, fmt.Errorf("the end %s is too far off: a silence lasts at most %d days", silence.Until.Format(time.RFC3339), int(LongestSilence.Hours()/24))
	}
	return s.change(subject, rule, silence.By, func(c *Case) { c.Silence = &silence })
}

// change returns a state in which one open case is changed.
func (s State) change(subject string, rule RuleName, by string, how func(*Case)) (State, error) {
	if strings.TrimSpace(by) == "" {
		return s, fmt.Errorf("a name is missing: say who answers %s of %s", rule, subject)
	}
	i := slices.IndexFunc(s.Cases, func(c Case) bool {
		return c.Subject == subject && c.Rule == rule && c.Phase == Open
	})
	if i < 0 {
		return s, fmt.Errorf("%s has no open case of %s", subject, rule)
	}
	s.Cases = slices.Clone(s.Cases)
	how(&s.Cases[i])
	return s, nil
}
