package cli

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/fleet"
	"arcdrift/agent/reach"
	"arcdrift/agent/store"
	"arcdrift/drift/phrase"
	"arcdrift/drift/whatif"
)

func whatIfCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "what-if",
		Short: "What another policy would have cost, and let through, in your own history",
		Long: `Replays another policy on the store's own records, beside how it was: checks every so
many days (--every), service at so many arcs since the last one (--clean-at), so many
spare pairs at each depot (--spares). Without any of them it looks at several intervals
between checks and names, by model and site, the longest at equal risk.

Every figure comes with its doubt: in brackets stand the values between which it lies
eight times in ten. Nothing is changed by this command.`,
		Example: "  arcdrift what-if\n  arcdrift what-if --every 2,3,5 --from 2026-01-01T00:00:00Z\n  arcdrift what-if --clean-at 500,800 --spares 2,3",
	}
	format := formatFlag(cmd, formatText, formatJSON)
	every := cmd.Flags().IntSlice("every", nil, "`DAYS` between two checks, like 1,2,3")
	cleanAt := cmd.Flags().Float64Slice("clean-at", nil, "`ARCS` since the last service at which a pair is serviced, like 500,800")
	spares := cmd.Flags().IntSlice("spares", nil, "`PAIRS` held at each depot, like 2,3")
	risk := cmd.Flags().Float64("risk", whatif.DefaultRisk, "how many more of 1000 splices may be out of tolerance at equal risk, a `NUMBER`")
	var from, to moment
	cmd.Flags().Var(&from, "from", "only records from this time on")
	cmd.Flags().Var(&to, "to", "only records up to this time; now")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		q := whatif.Question{From: from.Or(time.Time{}), To: to.Or(env.Now()), Every: *every, CleanAt: *cleanAt, Spares: *spares, Risk: *risk, Lead: whatif.DefaultLead}
		if len(q.Every)+len(q.CleanAt)+len(q.Spares) == 0 {
			q.Every = whatif.DefaultEvery()
		}
		if err := q.Check(); err != nil {
			return usageError{err}
		}
		var report whatif.Report
		err := env.location(cmd).ReadCopy(cmd.Context(), func(s store.Reader, _ reach.Store) (err error) {
			report, err = fleet.WhatIf(cmd.Context(), s, q, env.Now())
			return err
		})
		if err != nil {
			return err
		}
		if format.value == formatJSON {
			return writeJSON(env.Stdout, &report)
		}
		return whatIfText(&env, env.Stdout, &report, &q)
	}
	return cmd
}

func whatIfText(env *Env, w io.Writer, r *whatif.Report, q *whatif.Question) error {
	var out strings.Builder
	fmt.Fprintf(&out, "From the records of %s to %s.\n", phrase.Date(env.local(r.From)), phrase.Date(env.local(r.To)))
	if len(q.Every) > 0 {
		intervalsText(&out, r)
	}
	if len(q.CleanAt) > 0 {
		cleaningText(&out, r)
	}
	if len(q.Spares) > 0 {
		depotsText(&out, r)
	}
	out.WriteString("\nWhat this cannot tell:\n")
	for _, text := range r.Limits {
		fmt.Fprintf(&out, "- %s\n", text)
	}
	_, err := io.WriteString(w, out.String())
	return err
}

func intervalsText(out *strings.Builder, r *whatif.Report) {
	if len(r.Intervals) == 0 {
		out.WriteString("\nNo day of work is on record in this time.\n")
		return
	}
	out.WriteString("\nChecks every so many days:\n")
	table(out, func(row func(...string)) {
		row("MODEL", "SITE", "CHECKS", "CHECKS A WEEK", "MINUTES SAVED A WEEK", "OUT OF 1000 SPLICES", "MORE OUT A WEEK")
		for i := range r.Intervals {
			v := &r.Intervals[i]
			when, saved, extra := "as it was", "", ""
			if v.Every > 0 {
				when = "every " + phrase.Count(v.Every, "day")
				saved, extra = phrase.Fixed(v.Saved, 0), rangeText(v.Extra)
			}
			row(named(v.Model), named(v.Site), when, phrase.Fixed(v.Checks, 1), saved, rangeText(v.Out), extra)
		}
	})
	out.WriteString("\nThe longest interval at equal risk:\n")
	for i := range r.Advice {
		fmt.Fprintln(out, adviceText(&r.Advice[i], r.Risk))
	}
}

// named is a model's or a site's name.
func named(name string) string {
	if name == "" {
		return "(not stated)"
	}
	return name
}

func rangeText(v whatif.Range) string {
	return fmt.Sprintf("%s (%s to %s)", phrase.Fixed(v.Mean, 1), phrase.Fixed(v.Low, 1), phrase.Fixed(v.High, 1))
}

func adviceText(a *whatif.Advice, risk float64) string {
	where := named(a.Model) + " at " + named(a.Site)
	switch {
	case a.Every == 0 && !a.Enough:
		return where + ": the history is too short to say."
	case a.Every == 0 || a.Row.Saved < 0.5:
		return where + ": none that saves time. Keep the checks as they are, or make them more often."
	}
	return fmt.Sprintf("%s: every %s. It saves %s minutes a week; in nine of ten replays at most %s more of 1000 splices were out of tolerance, and in truth it may be two to three times as many. Go there in small steps, and look again.",
		where, phrase.Count(a.Every, "day"), phrase.Fixed(a.Row.Saved, 0), phrase.Number(risk))
}

func cleaningText(out *strings.Builder, r *whatif.Report) {
	if len(r.Cleaning) == 0 {
		out.WriteString("\nNo service is on record, so nothing can be concluded about cleaning.\n")
		return
	}
	out.WriteString("\nService (cleaning or a new pair) at so many arcs since the last one:\n")
	table(out, func(row func(...string)) {
		row("MODEL", "SERVICE", "SERVICES PER 10,000 ARCS", "FAILURES PER 10,000 ARCS", "RESTS ON")
		for i := range r.Cleaning {
			c := &r.Cleaning[i]
			when := "as it was"
			if c.At > 0 {
				when = "at " + phrase.Fixed(c.At, 0) + " arcs"
			}
			basis := fmt.Sprintf("%s, %s", phrase.Count(c.Lives, "period"), phrase.Count(c.Failed, "failure"))
			if c.Beyond {
				basis += "; no pair was left so long"
			}
			row(named(c.Model), when, rangeText(c.Services), rangeText(c.Failures), basis)
		}
	})
	out.WriteString("A failure is a session that was given up. Pairs that were serviced because wear showed would have failed soon: failures at longer intervals are understated.\n")
}

func depotsText(out *strings.Builder, r *whatif.Report) {
	out.WriteString("\nSpare pairs, each ordered again when it is fitted:\n")
	table(out, func(row func(...string)) {
		row("DEPOT", "SPARE PAIRS", "LEAD TIME", "PAIRS FITTED", "WITHOUT A SPARE", "SHELF EMPTY")
		for i := range r.Spares {
			s := &r.Spares[i]
			row(depotName(s.Depot), phrase.Integer(s.Pairs), phrase.Count(int(s.LeadDays+0.5), "day"), phrase.Integer(s.Used), phrase.Integer(s.Short), wholePercent(s.Empty)+" of the time")
		}
	})
}
