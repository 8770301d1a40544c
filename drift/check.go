package drift

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Problem says what is wrong with one value of one field. It is the reason of
// a refusal and reads as one sentence.
type Problem struct {
	Field, Value, Reason string
}

// Error is the sentence: field, value, reason.
func (p *Problem) Error() string {
	switch {
	case p.Field == "":
		return p.Reason
	case p.Value == "":
		return p.Field + " " + p.Reason
	default:
		return fmt.Sprintf("%s is %s: it %s", p.Field, quoteShort(p.Value), p.Reason)
	}
}

// ProblemOf is the problem in err, or one that says no more than err does; nil
// for none.
func ProblemOf(err error) *Problem {
	var p *Problem
	if err != nil && !errors.As(err, &p) {
		p = &Problem{Reason: err.Error()}
	}
	return p
}

// quoteShort keeps a hostile or huge value from drowning the sentence.
func quoteShort(s string) string {
	const most = 60
	if len(s) > most {
		cut := most
		for cut > 0 && !utf8.RuneStart(s[cut]) {
			cut--
		}
		s = s[:cut] + "…"
	}
	if _, err := strconv.ParseFloat(s, 64); err == nil || errors.Is(err, strconv.ErrRange) {
		return s
	}
	return strconv.Quote(s)
}

// check says whether v is a value this field may hold.
func (f *Field) check(v any) error {
	switch v := v.(type) {
	case float64:
		if f.Kind == Number {
			return f.checkNumber(v)
		}
	case int64:
		if f.Kind == Integer || f.Kind == Days {
			return f.checkInteger(v)
		}
	case bool:
		if f.Kind == Flag {
			return nil
		}
	case time.Time:
		if f.Kind == Moment {
			return f.checkMoment(v)
		}
	case string:
		if f.Kind == Text {
			return f.checkText(v)
		}
	}
	return f.bad(v, "must be "+f.Kind.String())
}

// checkIn says whether what the record holds in this field may stand there.
func (f *Field) checkIn(r *Record) error {
	switch p := f.ref(r).(type) {
	case *string:
		return f.checkText(*p)
	case *Opt[float64]:
		if v, ok := p.Get(); ok {
			return f.checkNumber(v)
		}
	case *Opt[int64]:
		if v, ok := p.Get(); ok {
			return f.checkInteger(v)
		}
	case *time.Time:
		if !p.IsZero() {
			return f.checkMoment(*p)
		}
	}
	return nil
}

func (f *Field) bad(v any, reason string) error {
	return &Problem{Field: f.Name, Value: fmt.Sprint(v), Reason: reason}
}

func (f *Field) checkNumber(v float64) error {
	if !f.inBounds(v) { // nor is NaN
		return f.bad(v, "must be "+f.bounds())
	}
	return nil
}

func (f *Field) checkInteger(v int64) error {
	if !f.inBounds(float64(v)) {
		return f.bad(v, "must be "+f.bounds())
	}
	return nil
}

// checkMoment keeps to the years that RFC 3339 can write, in UTC too.
func (f *Field) checkMoment(v time.Time) error {
	if y := v.UTC().Year(); v.Year() < 1 || v.Year() > 9999 || y < 1 || y > 9999 {
		return f.bad(v.UTC().Format(time.RFC3339), "must be a time in the years 1 to 9999")
	}
	return nil
}

func (f *Field) checkText(v string) error {
	if reason := f.textFault(v); reason != "" {
		return f.bad(v, reason)
	}
	return nil
}

// Holds says whether a number lies within the field's bounds.
func (f *Field) Holds(v float64) bool { return f.inBounds(v) }

func (f *Field) inBounds(v float64) bool {
	return v <= f.Max && (v > f.Min || v == f.Min && !f.OpenMin)
}

// bounds says the allowed range in words.
func (f *Field) bounds() string {
	low := "from " + strconv.FormatFloat(f.Min, 'f', -1, 64)
	if f.OpenMin {
		low = "above " + strconv.FormatFloat(f.Min, 'f', -1, 64) + " and"
	}
	text := low + " to " + strconv.FormatFloat(f.Max, 'f', -1, 64)
	if f.OpenMin {
		text = low + " at most " + strconv.FormatFloat(f.Max, 'f', -1, 64)
	}
	if f.Unit != "" {
		text += " " + f.Unit
	}
	return text
}

func (f *Field) textFault(s string) string {
	longest := MaxText
	switch f.Name {
	case "reason":
		longest = reasonText
	case "closed_days":
		longest = closedText
	}
	switch {
	case !utf8.ValidString(s):
		return "must be UTF-8 text"
	case len(s) > longest:
		return fmt.Sprintf("must be at most %d bytes long, not %d", longest, len(s))
	case strings.ContainsFunc(s, unicode.IsControl):
		return "must not contain control characters"
	case s == "":
		return ""
	case f.Words != nil && !contains(f.Words, s):
		return "must be one of " + strings.Join(f.Words, ", ")
	case (f.Name == "machine" || f.Name == "renamed_to") && !validMachine(s):
		return "must be letters, digits, dot, dash or underscore, starting with a letter or digit"
	}
	return ""
}

func contains(words []string, s string) bool {
	for _, w := range words {
		if w == s {
			return true
		}
	}
	return false
}

// validMachine reports whether s matches [A-Za-z0-9][A-Za-z0-9._-]{0,63}.
func validMachine(s string) bool {
	for i := range len(s) {
		c := s[i]
		alphanumeric := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9'
		if !alphanumeric && (i == 0 || c != '.' && c != '-' && c != '_') {
			return false
		}
	}
	return s != "" && len(s) <= MaxText
}

// Allocate gives the record the body that belongs to its type, empty. It
// returns a *Problem when the type is not one of the seven.
func (r *Record) Allocate() error {
	switch r.Type {
	case TypeCalibration:
		r.Calibration = &Calibration{}
	case TypeService:
		r.Service = &Service{}
	case TypeSplice:
		r.Splice = &Splice{}
	case TypeSetup:
		r.Setup = &Setup{}
	case TypeCorrection:
		r.Correction = &Correction{}
	case TypeDecision:
		r.Decision = &Decision{}
	case TypeUsage:
	case "":
		return &Problem{Field: "type", Reason: "is missing: it says what the record is, one of " + strings.Join(words(Types()), ", ")}
	default:
		return &Problem{Field: "type", Value: string(r.Type), Reason: "must be one of " + strings.Join(words(Types()), ", ")}
	}
	return nil
}

// Check says whether the record is one that may be kept: every value within the
// bounds of its field, what is required there, nothing that contradicts. It
// returns nil or the first *Problem in table order.
func (r *Record) Check() error {
	if err := r.complete(); err != nil {
		return err
	}
	for _, f := range fieldsOf[r.Type] {
		if err := f.checkIn(r); err != nil {
			return err
		}
	}
	switch r.Type {
	case TypeCalibration:
		return r.Calibration.checkTogether()
	case TypeService:
		return missing(r.Service.Action == "", "action", "cleaned, replaced or inspected")
	case TypeUsage:
		return missing(!r.ArcCount.Known(), "arc_count", "the pair's counter")
	case TypeSplice:
		return r.Splice.checkTogether()
	case TypeSetup:
		return r.checkSetup()
	case TypeDecision:
		return r.Decision.check()
	default:
		return r.Correction.check()
	}
}

// complete checks that the body fits the type and that the machine is named.
func (r *Record) complete() error {
	fits := Record{Type: r.Type}
	if err := fits.Allocate(); err != nil {
		return err
	}
	if (r.Calibration != nil) != (fits.Calibration != nil) || (r.Service != nil) != (fits.Service != nil) ||
		(r.Splice != nil) != (fits.Splice != nil) || (r.Setup != nil) != (fits.Setup != nil) ||
		(r.Correction != nil) != (fits.Correction != nil) || (r.Decision != nil) != (fits.Decision != nil) {
		return &Problem{Field: "type", Value: string(r.Type), Reason: "does not match the content of the record"}
	}
	if r.Machine == "" && (r.Type != TypeSetup || r.Setup.Scope == ScopeMachine) {
		return missing(true, "machine", "the name of the splicing machine")
	}
	return nil
}

func missing(is bool, field, what string) error {
	if !is {
		return nil
	}
	return &Problem{Field: field, Reason: "is missing: " + what + " is needed here"}
}

func (c *Calibration) checkTogether() error {
	if err := missing(!c.Passed.Known(), "passed", "what the machine said, true or false,"); err != nil {
		return err
	}
	if c.Attempt.Known() && c.Attempts.Known() {
		return &Problem{Field: "attempts", Reason: "cannot be combined with attempt: give attempt for one attempt, or attempts for a whole session"}
	}
	return nil
}

func (s *Splice) checkTogether() error {
	switch {
	case s.Measured() && !s.Loss.Known():
		return missing(true, "loss_db", "the loss that was measured, in decibels,")
	case s.Measured() && s.Direction == "":
		return &Problem{Field: "loss_direction", Reason: "is missing: a measured loss needs its direction, a-to-b, b-to-a, or both for the mean of the two, because one direction alone can be wrong by more than the loss"}
	case !s.Measured() && s.Direction != "":
		return &Problem{Field: "loss_method", Reason: "is missing: a loss with a direction was measured, so say how, otdr or light-source"}
	case !s.Measured():
		return missing(!s.Count.Known(), "count", "splices made since the last such record")
	}
	return nil
}

func (r *Record) checkSetup() error {
	s := r.Setup
	switch s.Scope {
	case "":
		return missing(true, "scope", "fleet, model, site or machine")
	case ScopeModel, ScopeSite, ScopeTable:
		if err := missing(s.Name == "", "name", "which "+string(s.Scope)+" it is for"); err != nil {
			return err
		}
	}
	if s.Zone != "" && !plausibleZone(s.Zone) {
		return &Problem{Field: "zone", Value: s.Zone, Reason: "must be a time zone like Europe/Oslo"}
	}
	if s.Customer != "" && s.Scope != ScopeMachine {
		return &Problem{Field: "customer", Value: s.Customer, Reason: "can be stated of one machine only: the scope must be machine"}
	}
	if _, ok := Weekdays(s.BenchDays); !ok {
		return &Problem{Field: "bench_days", Value: s.BenchDays, Reason: "must be weekdays like mon tue wed thu fri"}
	}
	if _, ok := ParseClosed(s.ClosedDays); !ok {
		return &Problem{Field: "closed_days", Value: s.ClosedDays, Reason: "must be days like 2026-12-24, 2026-12-24/2027-01-01 or, for each year, 05-17, with a space between them; none for no day"}
	}
	return s.checkLocation()
}

// Weekdays reads a list of weekdays like "mon tue wed thu fri", by time.Weekday; false if a
// word is none. An empty list has no day.
func Weekdays(list string) (days [7]bool, ok bool) {
	for word := range strings.FieldsSeq(list) {
		at := strings.Index("sun mon tue wed thu fri sat", strings.ToLower(word))
		if len(word) != 3 || at%4 != 0 {
			return days, false
		}
		days[at/4] = true
	}
	return days, true
}

// checkLocation: only a site has a place, and half a position is none.
func (s *Setup) checkLocation() error {
	for _, of := range []struct {
		name  string
		known bool
	}{{"altitude_m", s.Altitude.Known()}, {"latitude_deg", s.Latitude.Known()}, {"longitude_deg", s.Longitude.Known()}} {
		if of.known && s.Scope != ScopeSite {
			return &Problem{Field: of.name, Reason: "holds for a site: the scope must be site"}
		}
	}
	if err := missing(s.Longitude.Known() && !s.Latitude.Known(), "latitude_deg", "the other half of the position"); err != nil {
		return err
	}
	return missing(s.Latitude.Known() && !s.Longitude.Known(), "longitude_deg", "the other half of the position")
}

// plausibleZone checks the form only: the zone database is the agent's.
func plausibleZone(z string) bool {
	return z == "UTC" || strings.Contains(z, "/") && !strings.HasPrefix(z, "/") && !strings.Contains(z, "..")
}

func (d *Decision) check() error {
	if err := missing(d.Verdict == "", "verdict", "accept, re-measure, redo or bench"); err != nil {
		return err
	}
	if err := missing(d.Day == "", "day", "the day on which the splices were made or the machine comes to the bench"); err != nil {
		return err
	}
	if _, err := time.Parse(time.DateOnly, d.Day); err != nil {
		return &Problem{Field: "day", Value: d.Day, Reason: "must be a day like 2026-03-02"}
	}
	if err := missing(d.Verdict == Bench && d.Reason == "", "reason", "why the machine comes on that day"); err != nil {
		return err
	}
	return missing(d.Verdict == Accept && d.Reason == "", "reason", "why the splices can stay as they are")
}

func (c *Correction) check() error {
	if err := missing(c.Corrects == "", "corrects", "the id of the record to correct"); err != nil {
		return err
	}
	if err := missing(c.Reason == "", "reason", "why the record is corrected"); err != nil {
		return err
	}
	if err := missing(len(c.Changes) == 0, "fields", "the new values"); err != nil {
		return err
	}
	for _, change := range c.Changes {
		if err := change.check(); err != nil {
			return err
		}
	}
	return nil
}

func (c *Change) check() error {
	f, ok := FieldNamed(c.Field)
	if !ok {
		return UnknownField(c.Field)
	}
	switch f.Name {
	case "type", "id", "machine", "source", "epoch", "seq", "corrects", "reason":
		return &Problem{Field: "fields", Value: f.Name, Reason: "cannot be corrected: it says which record this is"}
	}
	if c.Value == nil {
		return nil
	}
	return f.check(c.Value)
}

// UnknownField is the problem of a field that the table does not have; it names
// the nearest one.
func UnknownField(name string) *Problem {
	reason := "is not a field of any record; anything of your own goes into extra"
	if name == "loss" {
		return &Problem{Field: name, Reason: "has no unit: give a loss in decibels, as loss_db"}
	}
	switch near := Nearest(name); near {
	case "":
	case name:
		reason = "cannot stand here"
	default:
		reason = "is not a field: did you mean " + near + "? Anything of your own goes into extra"
	}
	if name == "" || len(name) > MaxText || strings.Trim(name, "abcdefghijklmnopqrstuvwxyz_0123456789.") != "" {
		name = quoteShort(name)
	}
	return &Problem{Field: name, Reason: reason}
}
