package cli

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/wire"
	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
	"arcdrift/drift/phrase"
)

func reportCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "report",
		Short: "How the alerts turned out: right, wrong, missed, days of warning",
		Long: `Goes through the history as it happened and lists the service alerts that the
records gave cause for, with what came of each: right if a session was given up
or the bench found the electrodes worn or dirty within 14 days, and how many of
the failures had been announced. It works on a copy, as evaluate does. With --sent
it reports instead, and at once, how the messages that this agent really sent turned
out by what the bench found; with --rules, by week and by site or model, how
many of the checks were made that are due before the first splice of a day, after
work on the electrodes and after a move.`,
		Example: "  arcdrift report\n  arcdrift report --sent --format json\n  arcdrift report --rules --by model",
	}
	format := formatFlag(cmd, formatText, formatJSON, formatCSV)
	asSent := cmd.Flags().Bool("sent", false, "how the messages that were sent turned out; text or json")
	rules := cmd.Flags().Bool("rules", false, "how the rules of the trade were kept")
	by := choice{advise.BySite, []string{advise.BySite, advise.ByModel}}
	cmd.Flags().Var(&by, "by", "with --rules: what to count by")
	by.complete(cmd, "by")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		switch {
		case *rules && *asSent:
			return usagef("--sent and --rules are two reports: ask for one")
		case cmd.Flag("by").Changed && !*rules:
			return usagef("--by goes with --rules")
		case *rules:
			return reportRules(cmd.Context(), env, env.location(cmd), by.value, format.value)
		case *asSent:
			return reportSent(cmd.Context(), env, env.location(cmd), format.value)
		}
		replayed, err := replay(cmd.Context(), env, env.location(cmd))
		if err != nil {
			return err
		}
		card := replayed.Card()
		switch format.value {
		case formatJSON:
			return writeJSON(env.Stdout, &card)
		case formatCSV:
			return reportCSV(env.Stdout, &card)
		}
		return reportText(&env, env.Stdout, &card)
	}
	return cmd
}

// reportText writes the card for people.
func reportText(env *Env, w io.Writer, c *backtest.Card) error {
	var out strings.Builder
	if c.From.IsZero() {
		out.WriteString("The records are too short to report on.\n")
		_, err := io.WriteString(w, out.String())
		return err
	}
	fmt.Fprintf(&out, "From %s to %s\n", phrase.Date(env.local(c.From)), phrase.Date(env.local(c.Until)))
	fmt.Fprintf(&out, "%s, %s for each machine and month: %s right, %s wrong, %s unclear; right %s of those that can be judged.\n",
		phrase.Count(c.Alerts, "service alert"), fixed(c.PerMonth, 2), phrase.Integer(c.Right), phrase.Integer(c.Wrong), phrase.Integer(c.Unclear), withBand(c.Precision, c.Low, c.High))
	fmt.Fprintf(&out, "%s: %s announced at least 3 days ahead, %s; %s later, %s missed; %s days of warning in the middle.\n",
		phrase.Count(c.Failures, "failure"), phrase.Integer(c.Announced), share(c.Recall), phrase.Integer(c.Late), phrase.Integer(c.Missed), fixed(c.Notice, 1))
	if len(c.List) > 0 {
		out.WriteString("\nAlerts\n")
		table(&out, func(row func(...string)) {
			row("RAISED", "MACHINE", "OUTCOME", "BECAUSE")
			for _, a := range c.List {
				outcome := string(a.Outcome)
				if a.Recent {
					outcome += ", too recent to count"
				}
				row(phrase.Date(env.local(a.Raised)), a.Machine, outcome, a.Because)
			}
		})
	}
	if len(c.Failed) > 0 {
		out.WriteString("\nFailures\n")
		table(&out, func(row func(...string)) {
			row("FAILED", "MACHINE", "DAYS OF WARNING")
			for _, f := range c.Failed {
				row(phrase.Date(env.local(f.Time)), f.Machine, fixed(f.Notice, 1))
			}
		})
	}
	_, err := io.WriteString(w, out.String())
	return err
}

// reportCSV writes alerts and failures, one a line.
func reportCSV(w io.Writer, c *backtest.Card) error {
	out := wire.NewSheet(w)
	rows := [][]string{{"what", "machine", "time", "outcome", "because", "notice_days"}}
	for _, a := range c.List {
		rows = append(rows, []string{"alert", a.Machine, a.Raised.UTC().Format(time.RFC3339), string(a.Outcome), a.Because, ""})
	}
	for _, f := range c.Failed {
		rows = append(rows, []string{"failure", f.Machine, f.Time.UTC().Format(time.RFC3339), "", "", optCell(f.Notice)})
	}
	return errors.Join(out.WriteAll(rows), out.Error())
}
