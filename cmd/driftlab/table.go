package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"arcdrift/drift/backtest"
)

// verdict is what came of the fleets.
type verdict struct {
	trials   []trial
	fleets   []tallies
	measures []measure
	grades   []string
	bars     []bar
	lines    int
	refused  []string
	// about is what was drawn for the fleet, of one alone.
	about []string
}

// summaries are in the order of the table.
func (v *verdict) summaries() []summary {
	var out []summary
	for _, grade := range v.grades {
		for _, m := range v.measures {
			out = append(out, summarize(m, grade, v.fleets))
		}
	}
	return out
}

// missed lists the bars that are not met, as sentences.
func (v *verdict) missed() []string {
	var out []string
	for _, s := range v.summaries() {
		if b := barOf(v.bars, &s); b != nil && !b.met(&s) {
			out = append(out, fmt.Sprintf("%s, %s: %s is not %s", s.grade, strings.TrimSpace(s.title), s.shown(b.of(&s)), b))
		}
	}
	return out
}

// shown is a value for people.
func (s *summary) shown(v float64) string {
	if math.IsNaN(v) {
		return "-"
	}
	return s.show(v)
}

// text writes the tables for people.
func (v *verdict) text(w io.Writer) error {
	var out strings.Builder
	v.head(&out)
	t := tabwriter.NewWriter(&out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "DATA\tMEASURE\tMEDIAN\tWORST TENTH\tPOOLED\tFLEETS\tBAR\t")
	for _, s := range v.summaries() {
		bar, met := "", ""
		if b := barOf(v.bars, &s); b != nil {
			bar, met = b.String(), "not met"
			switch {
			case math.IsNaN(b.of(&s)):
				met = "not judged"
			case b.met(&s):
				met = "met"
			}
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%d\t%s\t%s\n", s.grade, s.title, s.shown(s.median), s.shown(s.worst), s.shown(s.pooled), s.fleets, bar, met)
	}
	_ = t.Flush() // a strings.Builder takes everything
	fmt.Fprintf(&out, "Median and worst tenth are over the fleets with at least %d cases each, pooled is of all cases.\nBars are for the median; those of stops, contaminations and the ideal observer for all cases. A bar that could not be judged is not met.\n", leastCases)
	_, err := io.WriteString(w, out.String())
	return err
}

// head says what was judged.
func (v *verdict) head(out *strings.Builder) {
	first, last := &v.trials[0], &v.trials[len(v.trials)-1]
	fmt.Fprintf(out, "%d fleets of %d machines over %d days, seeds %d to %d. %d of %d lines were refused.\n",
		len(v.trials), first.wish.Machines, first.wish.Days, first.wish.Seed, last.wish.Seed, len(v.refused), v.lines)
	const few = 5
	for _, why := range v.refused[:min(few, len(v.refused))] {
		fmt.Fprintln(out, " ", why)
	}
	for _, line := range v.about {
		fmt.Fprintln(out, " ", line)
	}
	out.WriteString("\n")
}

// rivalsText writes the losses of the model beside its rivals'.
func (v *verdict) rivalsText(w io.Writer) error {
	var out strings.Builder
	out.WriteString("\nLoss of forecasts of arcs to failure, pinball at 10, 50 and 90 %: in arcs, all cases; as a share of the loss by fleet lifetimes, median of fleets\n")
	t := tabwriter.NewWriter(&out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "DATA\tFORECAST BY\tARCS\tSHARE\tWORST TENTH\t")
	for _, grade := range v.grades {
		for k, name := range append(backtest.Forecasters(), backtest.Oracle) {
			loss := summarize(measure{of: func(t *tally) (float64, int) {
				const quantiles = 3
				return t.losses[k] / quantiles / float64(t.forecasts), t.forecasts
			}, show: arcs}, grade, v.fleets)
			share := summarize(measure{of: func(t *tally) (float64, int) {
				return t.losses[k] / t.losses[byLives], t.forecasts
			}, bad: more, show: plain}, grade, v.fleets)
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\n", grade, name, loss.shown(loss.pooled), share.shown(share.median), share.shown(share.worst))
		}
	}
	_ = t.Flush()
	v.worstText(&out)
	_, err := io.WriteString(w, out.String())
	return err
}

// worstText names the fleets in which the model did worst.
func (v *verdict) worstText(out *strings.Builder) {
	type fleet struct {
		name  string
		skill float64
	}
	var all []fleet
	for i, parts := range v.fleets {
		if s, n := parts.of(allData).skill(); n >= leastCases {
			all = append(all, fleet{v.trials[i].name(), s})
		}
	}
	slices.SortStableFunc(all, func(a, b fleet) int {
		switch {
		case a.skill < b.skill:
			return -1
		case a.skill > b.skill:
			return 1
		}
		return 0
	})
	const few = 5
	var names []string
	for _, f := range all[:min(few, len(all))] {
		names = append(names, fmt.Sprintf("%s (%.2f)", f.name, f.skill))
	}
	if len(names) == 0 {
		return
	}
	fmt.Fprintf(out, "Least skill: %s. One fleet again: --worlds NAME --seed NUMBER --fleets 1.\n", strings.Join(names, ", "))
}

// csv writes one number a line: of each fleet, and of all.
func (v *verdict) csv(w io.Writer) error {
	c := csv.NewWriter(w)
	err := c.Write([]string{"fleets", "data", "measure", "value", "cases"})
	put := func(fleets, data, measure string, value float64, cases int) {
		if err == nil && !math.IsNaN(value) {
			err = c.Write([]string{fleets, data, measure, strconv.FormatFloat(value, 'g', 6, 64), strconv.Itoa(cases)})
		}
	}
	for i, parts := range v.fleets {
		for _, grade := range v.grades {
			for _, m := range v.measures {
				value, cases := m.value(parts.of(grade))
				put(v.trials[i].name(), grade, m.key, value, cases)
			}
		}
	}
	for _, s := range v.summaries() {
		put("median", s.grade, s.key, s.median, s.fleets)
		put("worst tenth", s.grade, s.key, s.worst, s.fleets)
		put("pooled", s.grade, s.key, s.pooled, s.fleets)
	}
	put("pooled", allData, "refused", float64(len(v.refused)), v.lines)
	c.Flush()
	return errors.Join(err, c.Error())
}
