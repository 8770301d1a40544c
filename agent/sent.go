package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"arcdrift/agent/alert"
	"arcdrift/agent/store"
	"arcdrift/drift"
)

// reportSent tells how the messages that this agent sent turned out.
func reportSent(ctx context.Context, env Env, db, format string) error {
	if format == formatCSV {
		return usagef("report --sent is told as text or json")
	}
	s, err := readSent(ctx, env, db)
	switch {
	case err != nil:
		return err
	case format == formatJSON:
		return writeJSON(env.Stdout, &s)
	}
	return sentText(env.Stdout, &s)
}

// readSent counts in a copy of the store.
func readSent(ctx context.Context, env Env, db string) (alert.Card, error) {
	path, err := copyStore(ctx, env, db, os.TempDir())
	if err != nil {
		return alert.Card{}, err
	}
	defer func() { _ = os.Remove(path) }() // it is only a copy
	s, err := store.Open(path, env.Now, store.Options{ReadOnly: true})
	if err != nil {
		return alert.Card{}, err
	}
	out, err := sentOf(newLegible(s, tellOn(env.Stderr)), env.Now())
	return out, errors.Join(err, s.Close())
}

func sentOf(s legible, now time.Time) (alert.Card, error) {
	m, err := recall(s.Store)
	if err != nil {
		return alert.Card{}, err
	}
	machines, err := s.Machines()
	if err != nil {
		return alert.Card{}, err
	}
	var found []alert.Found
	for _, name := range machines {
		history, err := s.History(name)
		if err != nil {
			return alert.Card{}, err
		}
		drift.Order(history)
		for _, e := range drift.Correct(history) {
			if e.Service != nil && (e.Service.Finding == drift.Worn || e.Service.Finding == drift.Dirty) {
				found = append(found, alert.Found{Machine: name, Time: e.When()})
			}
		}
	}
	var policy alert.Policy
	m.judge(&policy)
	return policy.Card(m.state, m.outcomes, found, len(machines), now), nil
}

// sentText writes it for people.
func sentText(w io.Writer, s *alert.Card) error {
	var out strings.Builder
	if s.Since.IsZero() {
		_, err := io.WriteString(w, "No case has been opened yet.\n")
		return err
	}
	fmt.Fprintf(&out, "Since %s: %s about %s", s.Since.UTC().Format("2 Jan 2006"), count(s.Messages, "message"), count(s.Machines, "machine"))
	if s.PerMonth.Known() {
		fmt.Fprintf(&out, ", %s for each machine and month", fixed(s.PerMonth, 2))
	}
	out.WriteString(".\n")
	table(&out, func(row func(...string)) {
		row("RULE", "TOLD", "RIGHT", "WRONG", "NO FINDING", "RIGHT OF TOLD AND LISTED", "TO BE EXPECTED")
		for _, r := range s.Rules {
			sends := "listed only"
			if r.Sends {
				sends = "sent"
			}
			row(string(r.Rule), fmt.Sprint(r.Sent), fmt.Sprint(r.Right), fmt.Sprint(r.Wrong), fmt.Sprint(r.Unclear),
				fixed(r.Precision, 2), fmt.Sprintf("%.2f, %s", r.Expected, sends))
		}
	})
	n := &s.Notice
	if n.Found == 0 {
		out.WriteString("The bench has found no electrodes worn or dirty since.\n")
	} else {
		fmt.Fprintf(&out, "The bench found electrodes worn or dirty %s: %d told at least 3 days before, %d later, %d not told.", times(n.Found), n.Ahead, n.Late, n.Missed)
		if n.Days.Known() {
			fmt.Fprintf(&out, " The middle one of those told came %s days ahead.", fixed(n.Days, 1))
		}
		out.WriteString("\n")
	}
	_, err := io.WriteString(w, out.String())
	return err
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}
