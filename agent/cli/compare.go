package cli

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"arcdrift/agent/wire"
	"arcdrift/drift/compare"
	"arcdrift/drift/phrase"
)

func compareCommand(env Env) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "compare",
		Short: "Which cleaver, lot, model, site or machine does worse",
		Long: `Compares cleavers, lots of electrode pairs, models, sites, machines and places of
service with the rest of the fleet, from the records of the last ` + strconv.Itoa(compare.Days) + ` days: failed
tries that the electrodes do not explain, arcs that a pair lasts or a service holds,
growth of required power, scatter. Each answer has its interval and the number of
records behind it. "Cannot tell" is an answer. People are not compared.

With --by cleaver it also says how many uses each cleaver has left.`,
		Example: "  arcdrift compare\n  arcdrift compare --by lot\n  arcdrift compare --format csv",
	}
	format := formatFlag(cmd, formatText, formatJSON, formatCSV)
	by := cmd.Flags().String("by", "", "only by `GROUP`: cleaver, lot, model, site, machine or service")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		bys := compare.Bys()
		if *by != "" {
			if !slices.Contains(bys, compare.By(*by)) {
				return usagef("--by must be cleaver, lot, model, site, machine or service, not %q", *by)
			}
			bys = []compare.By{compare.By(*by)}
		}
		report, err := env.location(cmd).Compare(cmd.Context())
		if err != nil {
			return err
		}
		switch format.value {
		case formatJSON:
			report.Keep(bys)
			return writeJSONLines(env.Stdout, []compare.Report{report})
		case formatCSV:
			return compareCSV(env.Stdout, &report, bys)
		}
		return compareText(env.Stdout, &report, bys)
	}
	return cmd
}

func compareText(w io.Writer, r *compare.Report, bys []compare.By) error {
	var out strings.Builder
	for _, by := range bys {
		groups := r.Of(by)
		for len(groups) > 0 {
			outcome, n := groups[0].Outcome, 0
			for n < len(groups) && groups[n].Outcome == outcome {
				n++
			}
			fmt.Fprintf(&out, "%s: %s\n", by.Title(), lowerFirst(outcome.Title()))
			table(&out, func(row func(...string)) {
				row("NAME", "ANSWER", "COMPARED WITH THE REST", "CHANCE OF "+strings.ToUpper(outcome.Relevant()), "RESTS ON")
				for i := range groups[:n] {
					g := &groups[i]
					row(g.Name, lowerFirst(g.Verdict.Word()), g.Versus(), phrase.Chance(g.Chance), g.Behind())
				}
			})
			out.WriteString("\n")
			groups = groups[n:]
		}
		if by == compare.ByCleaver {
			for i := range r.Cleavers {
				fmt.Fprintln(&out, r.Cleavers[i].Words)
			}
			if len(r.Cleavers) > 0 {
				out.WriteString("\n")
			}
		}
	}
	if out.Len() == 0 {
		out.WriteString("There are no records that can be compared.\n\n")
	}
	for _, text := range append(r.Rules, r.Limits...) {
		fmt.Fprintln(&out, text)
	}
	_, err := io.WriteString(w, out.String())
	return err
}

func lowerFirst(s string) string { return strings.ToLower(s[:1]) + s[1:] }

// compareCSV writes the groups under the names of their JSON form.
func compareCSV(w io.Writer, r *compare.Report, bys []compare.By) error {
	lines := [][]string{{"by", "outcome", "name", "records", "ended", "machines", "mean", "low", "high", "chance_worse", "verdict"}}
	number := func(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
	for _, by := range bys {
		for _, g := range r.Of(by) {
			lines = append(lines, []string{string(g.By), string(g.Outcome), g.Name, strconv.Itoa(g.Records), strconv.Itoa(g.Ended), strconv.Itoa(g.Machines),
				number(g.Mean), number(g.Low), number(g.High), number(g.Chance), string(g.Verdict)})
		}
	}
	out := wire.NewSheet(w)
	return errors.Join(out.WriteAll(lines), out.Error())
}
