package cli

import (
	"context"
	"fmt"
	"io"
	"strings"

	"arcdrift/agent/alert"
	"arcdrift/agent/alerting"
	"arcdrift/agent/reach"
	"arcdrift/agent/store"
	"arcdrift/drift/phrase"
)

// reportSent reports how the messages that this agent sent turned out.
func reportSent(ctx context.Context, env Env, at reach.Location, format string) error {
	if format == formatCSV {
		return usagef("report --sent has the formats text and json")
	}
	var s alert.Card
	err := at.ReadCopy(ctx, func(r store.Reader, all reach.Store) (err error) {
		s, err = alerting.Sent(all, r, env.Now())
		return err
	})
	switch {
	case err != nil:
		return err
	case format == formatJSON:
		return writeJSON(env.Stdout, &s)
	}
	return sentText(&env, env.Stdout, &s)
}

// sentText writes it for people.
func sentText(env *Env, w io.Writer, s *alert.Card) error {
	var out strings.Builder
	if s.Since.IsZero() {
		_, err := io.WriteString(w, "No case has been opened yet.\n")
		return err
	}
	fmt.Fprintf(&out, "Since %s: %s about %s", phrase.Date(env.local(s.Since)), phrase.Count(s.Messages, "message"), phrase.Count(s.Machines, "machine"))
	if s.PerMonth.Known() {
		fmt.Fprintf(&out, ", %s for each machine and month", fixed(s.PerMonth, 2))
	}
	out.WriteString(".\n")
	table(&out, func(row func(...string)) {
		row("RULE", "SENT", "RIGHT", "WRONG", "NO FINDING", "RIGHT OF SENT AND LISTED", "TO BE EXPECTED")
		for _, r := range s.Rules {
			sends := "listed only"
			if r.Sends {
				sends = "sent"
			}
			row(string(r.Rule), phrase.Integer(r.Sent), phrase.Integer(r.Right), phrase.Integer(r.Wrong), phrase.Integer(r.Unclear),
				fixed(r.Precision, 2), phrase.Fixed(r.Expected, 2)+", "+sends)
		}
	})
	n := &s.Notice
	if n.Found == 0 {
		out.WriteString("The bench has found no electrodes worn or dirty since.\n")
	} else {
		fmt.Fprintf(&out, "The bench found electrodes worn or dirty %s: %d announced at least 3 days before, %d later, %d not announced.", times(n.Found), n.Ahead, n.Late, n.Missed)
		if n.Days.Known() {
			fmt.Fprintf(&out, " The median notice was %s days.", fixed(n.Days, 1))
		}
		out.WriteString("\n")
	}
	_, err := io.WriteString(w, out.String())
	return err
}
