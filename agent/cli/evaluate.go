package cli

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
	"arcdrift/drift/forecast"
	"arcdrift/drift/phrase"
)

func evaluateCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "evaluate",
		Short: "Replay the store's own history: the model beside its rivals",
		Long: `Goes through the history as it happened, says at fixed moments what would have
been said then, from what had happened by then, and scores it by what came of it:
arcs to failure, checks after moves, and alerts, of the model and of the simple
rules it must beat. It works on a copy, so that the store is free meanwhile; a
fleet of 60 machines over eight months takes some minutes.

With --invented it replays invented fleets instead, whose truth is known: then
only failures of the electrodes count, and beside the rules stands who knows all
but chance. ` + "`all`" + ` takes every kind of fleet, and half an hour.`,
		Example: "  arcdrift evaluate\n  arcdrift evaluate --format csv > scores.csv\n  arcdrift evaluate --invented sudden-dirt --machines 2 --days 80",
	}
	format := formatFlag(cmd, formatText, formatJSON, formatCSV)
	var invent invention
	cmd.Flags().StringSliceVar(&invent.kinds, "invented", nil, "`KINDS` of invented fleet to replay instead of the store, or "+everyKind)
	cmd.Flags().IntVar(&invent.machines, "machines", 50, "`NUMBER` of machines of an invented fleet")
	cmd.Flags().IntVar(&invent.days, "days", 180, "`NUMBER` of days an invented fleet is followed, up to today")
	cmd.Flags().Uint64Var(&invent.seed, "seed", replaySeed, "another `NUMBER`, another invented fleet")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		replayed, err := invent.replayOr(cmd, env)
		if err != nil {
			return err
		}
		report := replayed.Tables()
		switch format.value {
		case formatJSON:
			return writeJSON(env.Stdout, &report)
		case formatCSV:
			return evaluateCSV(env.Stdout, &report)
		}
		return evaluateText(&env, env.Stdout, &report)
	}
	return cmd
}

// evaluateText writes the tables for people.
func evaluateText(env *Env, w io.Writer, r *backtest.Report) error {
	var out strings.Builder
	fmt.Fprintf(&out, "%s replayed", phrase.Count(r.Machines, "machine"))
	if r.Moments > 0 {
		fmt.Fprintf(&out, " from %s to %s, stopping at %s", phrase.Date(env.local(r.From)), phrase.Date(env.local(r.Until)), phrase.Count(r.Moments, "moment"))
	}
	fmt.Fprintf(&out, " (seed %d, %d paths a forecast).\n", r.Seed, backtest.Paths)
	for _, warning := range r.Warnings {
		fmt.Fprintf(&out, "Note: %s\n", warning)
	}
	if r.Moments > 0 {
		lossText(&out, r)
		movesText(&out, r.Moves)
		chancesText(&out, r.Bins)
		alertsText(&out, r.Alerts)
		blendText(&out, r.Blend)
	}
	_, err := io.WriteString(w, out.String())
	return err
}

func lossText(out *strings.Builder, r *backtest.Report) {
	fmt.Fprintf(out, "\nArcs to failure: losses in arcs, less is better; scored up to %s arcs ahead\n", phrase.Fixed(r.Reach, 0))
	table(out, func(row func(...string)) {
		row("DATA", "FORECAST BY", "N", "CENSORED", "PINBALL", "AT 10 %", "AT 50 %", "AT 90 %", "CRPS", "80 % COVERAGE", "BRIER 14 DAYS")
		for i := range r.Arcs {
			a := &r.Arcs[i]
			row(string(a.Grade), a.Who, phrase.Integer(a.N), phrase.Integer(a.Censored), fixed(a.Pinball, 1), fixed(a.Pinball10, 1),
				fixed(a.Pinball50, 1), fixed(a.Pinball90, 1), fixed(a.CRPS, 1), withBand(a.Coverage, a.CoverageLow, a.CoverageHigh), fixed(a.Brier, 3))
		}
	})
	out.WriteString(`Censored: the pair was serviced before it failed, or the records end; known outcomes
are weighted to stand for the censored ones. 80 % coverage: the share of outcomes in
the 80 % interval, with its 95 % confidence interval. The last 30 points need
meltback and setting; without them the fixed arc count is used.
`)
}

func movesText(out *strings.Builder, moves []backtest.MoveRow) {
	out.WriteString("\nAfter a move or a change of weather: who would have checked, and what it costs\n")
	table(out, func(row func(...string)) {
		row("DATA", "CHECKED BY", "N", "FOUND OUT", "CHECKED", "MINUTES A MOVE", "BRIER", "CHANCES STATED")
		for i := range moves {
			m := &moves[i]
			row(string(m.Grade), m.Rule, phrase.Integer(m.N), share(drift.Some(m.Out)), share(drift.Some(m.Checked)),
				fixed(drift.Some(m.Minutes), 2), fixed(m.Brier, 3), phrase.Integer(m.Stated))
		}
	})
}

func chancesText(out *strings.Builder, bins []backtest.Bin) {
	out.WriteString("\nChance of being out that the site check stated, and how often it came true\n")
	table(out, func(row func(...string)) {
		row("STATED", "N", "MEAN STATED", "FOUND OUT")
		for i := range bins {
			b := &bins[i]
			row(phrase.Fixed(100*b.From, 0)+" to "+wholePercent(b.To), phrase.Integer(b.N), share(b.Stated), withBand(b.Out, b.Low, b.High))
		}
	})
}

func alertsText(out *strings.Builder, alerts []backtest.AlertRow) {
	fmt.Fprintf(out, "\nAlerts: right if the pair failed or the bench found it worn or dirty within %d days,\nor by the session after next of a machine that calibrates more seldom\n", advise.PlanDays)
	best := alerts[len(alerts)-1].Who
	table(out, func(row func(...string)) {
		row("RAISED BY", "ALERTS", "PER MACHINE-MONTH", "RIGHT", "WRONG", "UNCLEAR", "PRECISION", "FAILURES", "ANNOUNCED 3 DAYS AHEAD", "MEDIAN DAYS OF WARNING", "F1", "SHARE")
		for i := range alerts {
			a := &alerts[i]
			row(a.Who, phrase.Integer(a.Alerts), fixed(a.PerMonth, 2), phrase.Integer(a.Right), phrase.Integer(a.Wrong), phrase.Integer(a.Unclear),
				withBand(a.Precision, a.Low, a.High), phrase.Integer(a.Failures), share(a.Recall), fixed(a.Notice, 1), fixed(a.F1, 2), share(a.Share))
		}
	})
	fmt.Fprintf(out, "F1: the harmonic mean of precision and of the share announced. Share: F1 relative to\nthat of the last row.\n%s\n", meant[best])
	if best == backtest.Oracle {
		out.WriteString("In an invented fleet nobody acts on an alert: if a worn pair lasts longer than that,\nthe alert counts as wrong, whoever raised it.\n")
	}
}

// blendText shows the kinds and grades where another forecast than the model's
// counts.
func blendText(out *strings.Builder, rows []backtest.BlendRow) {
	out.WriteString("\nWeights of the forecasts of arcs to failure, by what came of past ones\n")
	names := forecast.Forecasters()
	table(out, func(row func(...string)) {
		heads := []string{"TYPE", "PROGRAM", "DATA"}
		for _, name := range names {
			heads = append(heads, strings.ToUpper(name))
		}
		row(heads...)
		for of := range slices.Chunk(rows, len(names)) {
			cells := []string{cmp.Or(of[0].Model, none), cmp.Or(of[0].Program, none), string(of[0].Grade)}
			for i := range of {
				cells = append(cells, share(drift.Some(of[i].Weight)))
			}
			row(cells...)
		}
	})
	out.WriteString("At first the model has 80 %. The lifetimes of the fleet have 10 %, and so has a Weibull\ndistribution of usual lifetimes, adjusted to the pairs of this fleet. What comes of\nforecasts on this store changes the weights.\n")
}

// meant says what the last row knows.
var meant = map[string]string{
	backtest.Hindsight: "In hindsight: by the records of what came, chance included. No forecast can reach it.",
	backtest.Oracle:    "Oracle: by the state of every machine and all laws, but not chance.",
}

// evaluateCSV writes one number a line: which table, which data, who, what.
func evaluateCSV(w io.Writer, r *backtest.Report) error {
	c := wire.NewSheet(w)
	err := c.Write([]string{"table", "data", "who", "measure", "value"})
	put := func(table, data, who, measure string, v drift.Opt[float64]) {
		if err == nil {
			err = c.Write([]string{table, data, who, measure, optCell(v)})
		}
	}
	for i := range r.Arcs {
		arcsCells(&r.Arcs[i], put)
	}
	for i := range r.Moves {
		moveCells(&r.Moves[i], put)
	}
	for i := range r.Bins {
		binCells(&r.Bins[i], put)
	}
	for i := range r.Alerts {
		alertCells(&r.Alerts[i], put)
	}
	for i := range r.Blend {
		b := &r.Blend[i]
		put("blend", strings.Join([]string{b.Model, b.Program, string(b.Grade)}, "/"), b.Who, "weight", drift.Some(b.Weight))
	}
	c.Flush()
	return errors.Join(err, c.Error())
}

// cells takes one number of a table.
type cells func(table, data, who, measure string, v drift.Opt[float64])

// measure is one number with its name.
type measure struct {
	name  string
	value drift.Opt[float64]
}

func (put cells) all(table, data, who string, measures ...measure) {
	for _, m := range measures {
		put(table, data, who, m.name, m.value)
	}
}

func whole(n int) drift.Opt[float64] { return drift.Some(float64(n)) }

func arcsCells(a *backtest.ArcsRow, put cells) {
	put.all("arcs_to_failure", string(a.Grade), a.Who,
		measure{"n", whole(a.N)}, measure{"hidden", whole(a.Censored)}, measure{"pinball", a.Pinball},
		measure{"pinball_p10", a.Pinball10}, measure{"pinball_p50", a.Pinball50}, measure{"pinball_p90", a.Pinball90},
		measure{"crps", a.CRPS}, measure{"interval_held", a.Coverage}, measure{"interval_held_low", a.CoverageLow},
		measure{"interval_held_high", a.CoverageHigh}, measure{"brier_14_days", a.Brier})
}

func moveCells(m *backtest.MoveRow, put cells) {
	put.all("moves", string(m.Grade), m.Rule,
		measure{"n", whole(m.N)}, measure{"out", drift.Some(m.Out)}, measure{"checked", drift.Some(m.Checked)},
		measure{"minutes_per_move", drift.Some(m.Minutes)}, measure{"brier", m.Brier}, measure{"n_stated", whole(m.Stated)})
}

func binCells(b *backtest.Bin, put cells) {
	put.all("stated_chances", "all", fmt.Sprintf("%.1f-%.1f", b.From, b.To),
		measure{"n", whole(b.N)}, measure{"stated", b.Stated}, measure{"out", b.Out}, measure{"out_low", b.Low}, measure{"out_high", b.High})
}

func alertCells(a *backtest.AlertRow, put cells) {
	put.all("alerts", "all", a.Who,
		measure{"alerts", whole(a.Alerts)}, measure{"per_machine_month", a.PerMonth}, measure{"right", whole(a.Right)},
		measure{"wrong", whole(a.Wrong)}, measure{"unclear", whole(a.Unclear)}, measure{"precision", a.Precision},
		measure{"precision_low", a.Low}, measure{"precision_high", a.High}, measure{"failures", whole(a.Failures)},
		measure{"announced", whole(a.Announced)}, measure{"recall", a.Recall}, measure{"notice_days", a.Notice},
		measure{"precision_with_recall", a.F1}, measure{"share_of_best", a.Share})
}
