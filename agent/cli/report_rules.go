package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"arcdrift/agent/reach"
	"arcdrift/agent/web"
	"arcdrift/agent/wire"
	"arcdrift/drift/advise"
)

// reportRules reports how the rules of the trade were kept.
func reportRules(ctx context.Context, env Env, at reach.Location, by, format string) error {
	rows, err := at.Rules(ctx, by)
	switch {
	case err != nil:
		return err
	case format == formatJSON:
		return writeJSONLines(env.Stdout, rows)
	case format == formatCSV:
		return rulesCSV(env.Stdout, by, rows)
	}
	return rulesText(env.Stdout, by, rows)
}

func rulesText(w io.Writer, by string, rows []advise.KeptRow) error {
	if len(rows) == 0 {
		_, err := io.WriteString(w, "No use is on record in these weeks: without records of splices or usage nobody can tell whether a check came first.\n")
		return err
	}
	var out strings.Builder
	fmt.Fprintf(&out, "Checks made of those that the rules asked for, in the last %d weeks.\n", web.RulesWeeks)
	table(&out, func(row func(...string)) {
		row("WEEK", strings.ToUpper(by), "BEFORE THE FIRST SPLICE", "AFTER ELECTRODE WORK", "AFTER A MOVE")
		for i := range rows {
			r := &rows[i]
			row(r.Week, advise.Unnamed(r.Name), r.BeforeFirst.String(), r.AfterService.String(), r.AfterMove.String())
		}
	})
	out.WriteString("Counted when a machine was used, in its own time zone; days without a record of use are not counted.\n")
	_, err := io.WriteString(w, out.String())
	return err
}

// rulesCSV writes the numbers under the names of the JSON form, dotted.
func rulesCSV(w io.Writer, by string, rows []advise.KeptRow) error {
	lines := [][]string{{"week", by, "start_of_day.owed", "start_of_day.kept", "electrode_service.owed", "electrode_service.kept", "moved.owed", "moved.kept"}}
	for i := range rows {
		r := &rows[i]
		line := []string{r.Week, r.Name}
		for _, t := range []advise.Tally{r.BeforeFirst, r.AfterService, r.AfterMove} {
			line = append(line, fmt.Sprint(t.Owed), fmt.Sprint(t.Kept))
		}
		lines = append(lines, line)
	}
	out := wire.NewSheet(w)
	return errors.Join(out.WriteAll(lines), out.Error())
}
