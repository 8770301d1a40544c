package alert

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// LongestSnooze bounds a wish for quiet: what nobody wants to hear of for longer
// is a matter for the bench, not for a snooze.
const LongestSnooze = 30 * 24 * time.Hour

// TakeOn marks an open case as taken on by somebody; nothing more is sent of it.
func (s State) TakeOn(subject string, matter Matter, by string, now time.Time) (State, error) {
	return s.change(subject, matter, by, func(c *Case) { c.Taken = &Taken{By: by, At: now} })
}

// Snooze keeps an open case quiet until the end given.
func (s State) Snooze(subject string, matter Matter, quiet Snooze, now time.Time) (State, error) {
	switch {
	case strings.TrimSpace(quiet.Reason) == "":
		return s, fmt.Errorf("a reason is missing: say why %s of %s can wait", matter, subject)
	case !quiet.Until.After(now):
		return s, fmt.Errorf("the end %s has passed: a snooze needs one that is to come", quiet.Until.Format(time.RFC3339))
	case quiet.Until.Sub(now) > LongestSnooze:
		return s, fmt.Errorf("the end %s is too far off: a snooze lasts at most %d days", quiet.Until.Format(time.RFC3339), int(LongestSnooze.Hours()/24))
	}
	return s.change(subject, matter, quiet.By, func(c *Case) { c.Quiet = &quiet })
}

// change returns a state in which one open case is changed.
func (s State) change(subject string, matter Matter, by string, how func(*Case)) (State, error) {
	if strings.TrimSpace(by) == "" {
		return s, fmt.Errorf("a name is missing: say who answers %s of %s", matter, subject)
	}
	i := slices.IndexFunc(s.Cases, func(c Case) bool {
		return c.Subject == subject && c.Matter == matter && c.Phase == Open
	})
	if i < 0 {
		return s, fmt.Errorf("%s has no open case of %s", subject, matter)
	}
	s.Cases = slices.Clone(s.Cases)
	how(&s.Cases[i])
	return s, nil
}
