package alert

import (
	"time"

	"arcdrift/drift"
)

// Card is how the alerts turned out since the first of them.
type Card struct {
	// Since is when the first case opened, zero without one.
	Since    time.Time `json:"since,omitzero"`
	Machines int       `json:"machines"`
	// Messages counts the alerts sent about machines. PerMonth is their rate per
	// machine and month, unknown in the first month: a rate from less says little.
	Messages int                `json:"messages"`
	PerMonth drift.Opt[float64] `json:"per_machine_month"`
	Rules    []CardRule         `json:"rules"`
	// Notice is what the bench found and how long before it had been sent.
	Notice Notice `json:"notice"`
}

// CardRule is how one rule did by what the bench found.
type CardRule struct {
	Score
	Precision drift.Opt[float64] `json:"precision"`
	// Expected is how often it is expected right from now on; Sends whether that
	// is enough to send.
	Expected float64 `json:"expected"`
	Sends    bool    `json:"sends"`
}

// Card makes the report card of a fleet of so many machines, with what the bench
// found.
func (p *Policy) Card(s State, outcomes []Outcome, found []Found, machines int, now time.Time) Card {
	card := Card{Machines: machines}
	note := func(rule RuleName, opened, sent time.Time) {
		if !rule.OfMachine() {
			return
		}
		if card.Since.IsZero() || opened.Before(card.Since) {
			card.Since = opened
		}
		if !sent.IsZero() {
			card.Messages++
		}
	}
	for _, o := range outcomes {
		if o.End != Unannounced {
			note(o.Rule, o.Opened, o.SentAt)
		}
	}
	for _, c := range s.Cases {
		if c.Phase == Open {
			note(c.Rule, c.Opened, c.SentAt)
		}
	}
	for _, score := range Scores(outcomes) {
		right := p.Right[score.Rule]
		card.Rules = append(card.Rules, CardRule{Score: score, Precision: score.Precision(), Expected: right, Sends: right >= RightEnough})
	}
	if !card.Since.IsZero() {
		card.Notice = NoticeOf(outcomes, found, card.Since)
	}
	const month = 30.44 * 24 * float64(time.Hour)
	if months := float64(now.Sub(card.Since)) / month; !card.Since.IsZero() && months >= 1 && machines > 0 {
		card.PerMonth = drift.Some(float64(card.Messages) / (months * float64(machines)))
	}
	return card
}
