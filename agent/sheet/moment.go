package sheet

import (
	"strconv"
	"strings"
	"time"

	"arcdrift/drift"
)

// layouts are the ways to write a date, and Go's for each. A day or month may have one
// digit.
var layouts = [...]struct{ name, layout string }{
	{"yyyy-mm-dd", isoDate}, {"dd.mm.yyyy", "2.1.2006"}, {"dd/mm/yyyy", "2/1/2006"}, {"mm/dd/yyyy", "1/2/2006"},
	{"dd-mm-yyyy", "2-1-2006"}, {"yyyy/mm/dd", "2006/1/2"},
	{"dd.mm.yy", "2.1.06"}, {"dd/mm/yy", "2/1/06"}, {"mm/dd/yy", "1/2/06"},
}

// isoDate is read whatever the mapping says, for it can mean one day only; dates of a
// workbook come so.
const isoDate = "2006-1-2"

// Dates are the ways in which a table may write dates. Two digits of a year are of this
// century: 26 is 2026.
func Dates() []string {
	out := make([]string, len(layouts))
	for i := range layouts {
		out[i] = layouts[i].name
	}
	return out
}

func layoutOf(name string) string {
	for _, l := range layouts {
		if l.name == name {
			return l.layout
		}
	}
	return ""
}

// dateOf reads a date, at midnight UTC.
func dateOf(text, layout string) (time.Time, bool) {
	if strings.HasSuffix(layout, "06") && !strings.HasSuffix(layout, "2006") {
		at := strings.LastIndexAny(text, "./")
		if len(text)-at != 3 {
			return time.Time{}, false
		}
		text, layout = text[:at+1]+"20"+text[at+1:], layout[:len(layout)-2]+"2006"
	}
	t, err := time.Parse(layout, text)
	return t, err == nil
}

// clockOf reads a time of day: 7:45, 07:45:30, 7:45 PM, 07:45 Uhr, 7.45 h.
func clockOf(text string) (time.Duration, bool) {
	text = strings.ToUpper(strings.Join(strings.Fields(text), " "))
	for _, word := range []string{" UHR", " H"} {
		text = strings.TrimSuffix(text, word)
	}
	for _, layout := range []string{"15:4", "15:4:5", "3:4 PM", "3:4:5 PM", "3:4PM", "3:4:5PM", "15.4"} {
		if t, err := time.Parse(layout, text); err == nil {
			return t.Sub(t.Truncate(24 * time.Hour)), true
		}
	}
	return 0, false
}

// dayAndClock splits the text of one column into its day and its time of day, "" without.
func dayAndClock(text string) (day, clock string) {
	if at := strings.IndexAny(text, "T "); at > 0 {
		return strings.TrimRight(text[:at], ","), strings.TrimSpace(text[at+1:])
	}
	return text, ""
}

// moment reads the time of a row; day and clock are what its cells say. Text with an
// offset needs nothing else.
func (m *Mapping) moment(field, day, clock string) (time.Time, *drift.Problem) {
	if t, err := time.Parse(time.RFC3339, day); err == nil {
		return t, nil
	}
	said := strings.TrimSpace(day + " " + clock)
	bad := func(reason string) (time.Time, *drift.Problem) {
		return time.Time{}, &drift.Problem{Field: field, Value: said, Reason: reason}
	}
	if field == "time" {
		day, clock = dayAndClock(day)
	}
	date, ok := dateOf(day, layoutOf(m.Dates))
	if !ok {
		date, ok = dateOf(day, isoDate)
	}
	if !ok {
		return bad("must be a date written as " + m.Dates)
	}
	at := m.clock
	switch {
	case clock != "":
		if at, ok = clockOf(clock); !ok {
			return bad("must have a time of day like 07:45")
		}
	case m.Clock == "":
		return bad("has no time of day, and the mapping gives none")
	}
	t := time.Date(date.Year(), date.Month(), date.Day(), 0, 0, int(at.Seconds()), 0, m.zone)
	if reason := unsure(t, date.Add(at)); reason != "" {
		return bad(reason + m.Zone + ", because the clocks change then. Write it with its offset from UTC, like 2026-03-29T01:30:00+01:00")
	}
	return t, nil
}

// unsure says why a wall clock of a zone does not tell the moment: when clocks change,
// an hour is left out or comes twice.
func unsure(t, wall time.Time) string {
	if t.Format(time.DateTime) != wall.Format(time.DateTime) {
		return "does not exist in the time zone "
	}
	for _, shift := range []time.Duration{-2 * time.Hour, -time.Hour, -30 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour} {
		if other := t.Add(shift); other.Format(time.DateTime) == t.Format(time.DateTime) {
			return "comes twice in the time zone "
		}
	}
	return ""
}

// fitsDates says whether every value of a column is a date in the layout, with or without a
// time of day.
func fitsDates(values []string, layout string) bool {
	for _, v := range values {
		day, _ := dayAndClock(v)
		if _, err := strconv.Atoi(day); err == nil {
			return false
		}
		if _, ok := dateOf(day, layout); !ok {
			return false
		}
	}
	return len(values) > 0
}
