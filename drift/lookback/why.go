package lookback

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"arcdrift/drift/model"
)

// explain says what the doubt comes from. What moved the power needed away from the
// setting is compared with the last check that passed: the level since (wear), the air
// since, and what that check itself left.
func (c *course) explain(e *Entry, l *lot, m sums) {
	at := c.pieces[l.most()].from
	k := c.before(at)
	type part struct {
		why Why
		pct float64
	}
	var parts []part
	sign := math.Copysign(1, m.off)
	if k != nil {
		parts = append(parts, part{Wear, sign * (m.level - k.level)}, part{Air, sign * (m.air - k.air)}, part{LeftOff, sign * k.off})
	} else {
		parts = append(parts, part{Wear, sign * m.level}, part{Air, sign * m.air})
	}
	slices.SortStableFunc(parts, func(a, b part) int { return cmp.Compare(b.pct, a.pct) })
	const counts = 0.25 // of the deviation
	right := m.out < unlikely || m.floor >= 0.6*m.out
	for i, p := range parts {
		if !right && (i == 0 || p.pct >= counts*math.Abs(m.off)) {
			e.Why = append(e.Why, p.why)
		}
	}
	if right && m.out >= unlikely {
		e.Why = append(e.Why, Scatter)
	}
	if work := c.past.work(at); !work.IsZero() && (k == nil || k.at.Before(work)) {
		e.Why = append(e.Why, AfterService)
	}
	if k == nil || c.past.day(k.at) != l.day {
		e.Why = append(e.Why, NoCheck)
	}
	e.Reason = c.sentence(e, k)
}

// unlikely is the chance of being out below which splices are called good.
const unlikely = 0.05

// work is when the electrodes were last worked on before a moment.
func (p *Past) work(t time.Time) (last time.Time) {
	for i := range p.Events {
		ev := &p.Events[i]
		if ev.Time.After(t) {
			break
		}
		if ev.Kind == model.Cleaned || ev.Kind == model.Replaced || ev.Kind == model.Unlogged {
			last = ev.Time
		}
	}
	return last
}

var whyWords = map[Why]string{
	Wear:         "the electrodes changed after the last check that passed",
	Air:          "the air differed from that of the last check that passed",
	LeftOff:      "the last check passed, but left the setting off",
	NoCheck:      "no check passed on that day before these splices",
	AfterService: "the electrodes were worked on and no check passed after that",
	Scatter:      "the setting was right, but single splices on this pair differ too much",
}

func (c *course) sentence(e *Entry, k *check) string {
	how := ""
	switch {
	case e.Chance < unlikely:
		how = "These splices are most likely good."
	case e.Way == TooWeak && slices.Index(e.Why, Scatter) < 0:
		how = fmt.Sprintf("The arc was too weak by about %s %% (tolerance %s %%).", decimal(math.Abs(e.Deviation)), decimal(e.Tolerance))
	case e.Way == TooStrong && slices.Index(e.Why, Scatter) < 0:
		how = fmt.Sprintf("The arc was too strong by about %s %% (tolerance %s %%).", decimal(math.Abs(e.Deviation)), decimal(e.Tolerance))
	}
	var parts []string
	for _, w := range e.Why {
		parts = append(parts, whyWords[w])
	}
	sentences := []string{how}
	if text := strings.Join(parts, "; "); text != "" {
		sentences = append(sentences, strings.ToUpper(text[:1])+text[1:]+".")
	}
	if k != nil {
		sentences = append(sentences, fmt.Sprintf("Last check that passed before: %s.", k.at.In(c.past.zone()).Format("2 Jan 2006 15:04")))
	}
	return strings.Join(slices.DeleteFunc(sentences, func(t string) bool { return t == "" }), " ")
}

func decimal(x float64) string { return fmt.Sprintf("%.1f", x) }
