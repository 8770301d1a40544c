package web

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// entryView is one record as a person reads it, with what was corrected.
type entryView struct {
	What, When, Late, Detail string
	At                       time.Time
	Corrections              []string
	// Correct leads to the form that corrects it; empty for what has no machine.
	Correct string
}

// tail is how many records the page of a machine looks at.
const tail = 4 * mostEntries

// records are those of a machine under all its names, with wrong clocks placed.
func (v *machineView) records(of func(name string) ([]drift.Entry, error)) ([]drift.Entry, error) {
	var out []drift.Entry
	for _, name := range append([]string{v.Machine}, v.Before...) {
		some, err := of(name)
		if err != nil {
			return nil, fmt.Errorf("web: records of %s: %w", name, err)
		}
		out = append(out, some...)
	}
	drift.Clocks(out)
	inZone(out, v.zone)
	return out, nil
}

// addLatest words the latest records without reading a long history.
func (s *Server) addLatest(v *machineView, a *advise.Assessment, now time.Time) error {
	latest, err := v.records(func(name string) ([]drift.Entry, error) { return s.Records.Latest(name, tail) })
	if err != nil {
		return err
	}
	there := map[string]bool{}
	for i := range latest {
		there[latest[i].ID] = true
	}
	for _, e := range latest {
		// A record that was corrected lately is shown, however old it is.
		if c := e.Correction; c != nil && !there[c.Corrects] {
			there[c.Corrects] = true
			of, found, err := s.Records.Find(e.Machine, c.Corrects)
			if err != nil {
				return fmt.Errorf("web: record %s: %w", c.Corrects, err)
			}
			if found {
				one := []drift.Entry{of}
				inZone(one, v.zone)
				latest = append(latest, one[0])
			}
		}
	}
	v.addEntries(latest, now)
	v.Older = max(0, a.Data.Records-len(v.Entries))
	return nil
}

// addEntries words the latest records, newest first, each as it came with its
// corrections below it: the old value stays in sight.
func (v *machineView) addEntries(history []drift.Entry, until time.Time) {
	corrections := map[string][]drift.Entry{}
	var shown []*drift.Entry
	for i := range history {
		e := &history[i]
		if e.When().After(until) {
			continue
		}
		if e.Correction != nil {
			corrections[e.Correction.Corrects] = append(corrections[e.Correction.Corrects], *e)
			continue
		}
		shown = append(shown, e)
	}
	slices.SortStableFunc(shown, func(a, b *drift.Entry) int { return b.When().Compare(a.When()) })
	for i, e := range shown {
		if i >= mostEntries && len(corrections[e.ID]) == 0 {
			v.Older++
			continue
		}
		view := wordEntry(e)
		for _, c := range corrections[e.ID] {
			view.Corrections = append(view.Corrections, wordCorrection(&c, e))
		}
		v.Entries = append(v.Entries, view)
	}
}

// late is how much later than it happened a record may arrive before the page
// says so.
const late = time.Hour

func wordEntry(e *drift.Entry) entryView {
	view := entryView{At: e.When(), When: phrase.Moment(e.When()), What: typeWord(e), Detail: details(e)}
	if e.Machine != "" {
		view.Correct = "/correct?" + url.Values{"machine": {e.Machine}, "corrects": {e.ID}}.Encode()
	}
	switch {
	case e.Time.IsZero():
		view.Late = "no time stated: time of arrival"
	case !e.Placed.IsZero():
		view.Late = "its clock showed " + phrase.Moment(e.Time) + ": time of arrival"
	case e.Received.Sub(e.Time) > late:
		view.Late = "arrived " + phrase.Moment(e.Received)
	}
	if e.PossibleRepeat {
		view.Late = phrase.Beside(view.Late, "possible repeat")
	}
	if e.Account != "" {
		view.Late = phrase.Beside(view.Late, writerWords(e))
	}
	return view
}

// writerWords say under whose account a record came.
func writerWords(e *drift.Entry) string {
	names := strings.Split(e.Account, "/")
	slices.Reverse(names)
	words := "by " + names[0]
	if len(names) > 1 {
		words += ", through " + strings.Join(names[1:], " and ")
	}
	return words
}

// cameWords say when, by which way and under whose account a record came.
func cameWords(e *drift.Entry) string {
	way := map[string]string{
		"mqtt": "over MQTT", "http": "over HTTP", "form": "from a page of the agent", "log": "by the command log", "import": "from an imported file", "forward": "from another agent",
	}[e.Via]
	if e.Account == "" {
		return phrase.Beside("received "+way, phrase.Moment(e.Received), "no account")
	}
	return phrase.Beside("received "+way, phrase.Moment(e.Received), writerWords(e))
}

func typeWord(e *drift.Entry) string {
	switch e.Type {
	case drift.TypeCalibration:
		result := "failed"
		if e.Calibration.Passed.Or(false) {
			result = "passed"
		}
		switch n := e.Calibration.Attempts.Or(e.Calibration.Attempt.Or(1)); {
		case e.Calibration.Attempts.Known() && n > 1:
			return fmt.Sprintf("Calibration %s, %d attempts", result, n)
		case n > 1:
			return fmt.Sprintf("Calibration, attempt %d: %s", n, result)
		default:
			return "Calibration " + result
		}
	case drift.TypeService:
		return "Electrodes " + string(e.Service.Action)
	case drift.TypeUsage:
		return "Arc count"
	case drift.TypeSplice:
		return "Splices"
	case drift.TypeSetup:
		return "Setup"
	case drift.TypeDecision:
		if e.Decision.Verdict == drift.Bench {
			return "Planned for the bench on " + e.Decision.Day
		}
		return "Decision on splices: " + string(e.Decision.Verdict)
	default:
		return string(e.Type)
	}
}

// details lists every other value of the record in the order of the field table.
func details(e *drift.Entry) string {
	var parts []string
	for _, f := range drift.FieldsOf(e.Type) {
		switch f.Name {
		case "type", "id", "machine", "model", "time", "passed", "attempt", "attempts", "action", "source", "epoch", "seq", "session":
			continue
		}
		if v, ok := f.Value(&e.Record); ok {
			text := valueWord(v)
			if f.Words != nil {
				text = strings.ReplaceAll(text, "-", " ")
			}
			parts = append(parts, fieldWord(f.Name)+" "+text+unitOf(f))
		}
	}
	return phrase.Beside(parts...)
}

// fieldWord makes a field's name readable: its unit goes behind the value.
func fieldWord(name string) string {
	switch name { // as the forms ask for it
	case "recleaved":
		return "fresh ends"
	case "operator":
		return "done by"
	case "trigger":
		return "reason"
	}
	for _, unit := range []string{"_um", "_pct", "_c", "_m", "_hpa", "_db"} {
		name = strings.TrimSuffix(name, unit)
	}
	return strings.ReplaceAll(name, "_", " ")
}

func unitOf(f *drift.Field) string {
	for suffix, unit := range map[string]string{"_um": "µm", "_pct": "%", "_c": "°C", "_m": "m", "_hpa": "hPa", "_db": "dB"} {
		if strings.HasSuffix(f.Name, suffix) {
			return "\u00a0" + unit
		}
	}
	return ""
}

func valueWord(v any) string {
	switch v := v.(type) {
	case nil:
		return phrase.Unknown
	case bool:
		if v {
			return "yes"
		}
		return "no"
	case time.Time:
		return phrase.Moment(v)
	case int64:
		return phrase.Integer(v)
	default:
		return strings.Replace(fmt.Sprint(v), "-", "\u2212", min(1, strings.Count(fmt.Sprintf("%T", v), "float")))
	}
}

// wordCorrection says what was changed from what to what, by which person and why.
func wordCorrection(c, of *drift.Entry) string {
	var parts []string
	for _, change := range c.Correction.Changes {
		f, ok := drift.FieldNamed(change.Field)
		if !ok {
			continue
		}
		var old any
		if v, known := f.Value(&of.Record); known {
			old = v
		}
		parts = append(parts, fmt.Sprintf("%s %s → %s%s", fieldWord(f.Name), valueWord(old), valueWord(change.Value), unitOf(f)))
	}
	text := strings.Join(parts, ", ")
	if c.Operator != "" {
		text += " by " + c.Operator
	}
	return text + ", " + phrase.Moment(c.When()) + ": " + c.Correction.Reason
}
