package cli

import (
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
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

// count says how many there are of something.
func count[N int | uint64](n N, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
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
		return strconv.FormatFloat(x, 'f', digits, 64)
	}
	return unknown
}

func share(v drift.Opt[float64]) string {
	if x, ok := v.Get(); ok {
		return fmt.Sprintf("%.0f %%", 100*x)
	}
	return unknown
}

func withBand(v, low, high drift.Opt[float64]) string {
	if !v.Known() {
		return unknown
	}
	return fmt.Sprintf("%s (%.0f to %.0f)", share(v), 100*low.Or(0), 100*high.Or(0))
}

// cautions stand under every answer that may end with hands inside a machine.
func cautions() string {
	return "\nBefore anyone opens, cleans or replaces electrodes:\n- " + strings.Join(advise.Cautions(), "\n- ") + "\n"
}

// z80 is the half width, in standard deviations, that holds 8 times in 10.
const z80 = 1.2816

// unknown is what stands for a value that is not known.
const unknown = "–"

func percentText(v drift.Opt[float64]) string {
	if x, ok := v.Get(); ok {
		return signed(x) + " %"
	}
	return unknown
}

// signed has a sign unless it is nought as shown.
func signed(x float64) string {
	text := fmt.Sprintf("%+.1f", x)
	if text == "+0.0" || text == "-0.0" {
		return "0.0"
	}
	return text
}

// withDoubt is a value with the half width of the range that holds 8 times in 10.
func withDoubt(v, sd drift.Opt[float64]) string {
	text := percentText(v)
	if s, ok := sd.Get(); ok && text != unknown {
		text = fmt.Sprintf("%s ± %.1f %%", signed(v.Or(0)), z80*s)
	}
	return text
}

func countText(v drift.Opt[int64]) string {
	if n, ok := v.Get(); ok {
		return fmt.Sprint(n)
	}
	return unknown
}

// timeCell is RFC 3339, as everywhere.
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
