package cli

import (
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
)

// writeJSON writes one object on one line.
func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

// writeJSONLines writes each object on a line.
func writeJSONLines[T any](w io.Writer, all []T) error {
	for i := range all {
		if err := writeJSON(w, &all[i]); err != nil {
			return err
		}
	}
	return nil
}

// times says how often.
func times(n int) string {
	if n == 1 {
		return "once"
	}
	return phrase.Count(n, "time")
}

// table writes rows of tab-separated cells in columns; numbers stand to the
// left like everything here.
func table(out *strings.Builder, rows func(row func(cells ...string))) {
	t := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	rows(func(cells ...string) { fmt.Fprintln(t, strings.Join(cells, "\t")) })
	_ = t.Flush() // a strings.Builder takes everything
}

func fixed(v drift.Opt[float64], digits int) string {
	if x, ok := v.Get(); ok {
		return phrase.Fixed(x, digits)
	}
	return none
}

func share(v drift.Opt[float64]) string {
	if x, ok := v.Get(); ok {
		return wholePercent(x)
	}
	return none
}

// wholePercent writes a share, from 0 to 1: "63 %".
func wholePercent(share float64) string { return phrase.Unit(phrase.Fixed(100*share, 0), "%") }

func withBand(v, low, high drift.Opt[float64]) string {
	if !v.Known() {
		return none
	}
	return fmt.Sprintf("%s (%.0f to %.0f)", share(v), 100*low.Or(0), 100*high.Or(0))
}

// cautions stand under every answer that may end with hands inside a machine.
func cautions() string {
	return "\nBefore anyone opens, cleans or replaces electrodes:\n- " + strings.Join(advise.Cautions(), "\n- ") + "\n"
}

// z80 is the half width, in standard deviations, that holds 8 times in 10.
const z80 = 1.2816

// none stands in a table of results where there is nothing to give a figure of.
const none = "–"

func percentText(v drift.Opt[float64]) string {
	if x, ok := v.Get(); ok {
		return phrase.SignedPercent(x)
	}
	return phrase.Unknown
}

// sizeText is a percentage without a sign: a limit, a spread.
func sizeText(v drift.Opt[float64]) string {
	if x, ok := v.Get(); ok {
		return phrase.Percent(x)
	}
	return phrase.Unknown
}

// withDoubt is a value with the half width of the range that holds 8 times in 10.
func withDoubt(v, sd drift.Opt[float64]) string {
	x, known := v.Get()
	if s, ok := sd.Get(); known && ok {
		return phrase.PlusMinus(x, z80*s)
	}
	return percentText(v)
}

func countText(v drift.Opt[int64]) string {
	if n, ok := v.Get(); ok {
		return phrase.Integer(n)
	}
	return phrase.Unknown
}

// timeCell is the form of times in CSV: RFC 3339.
const timeCell = "2006-01-02T15:04:05Z07:00"

func cell(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

func optCell[T any](v drift.Opt[T]) string {
	if x, ok := v.Get(); ok {
		return fmt.Sprint(x)
	}
	return ""
}
