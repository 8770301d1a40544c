package phrase

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Date writes the day of a moment in the moment's own zone: "5 Mar 2026".
func Date(t time.Time) string { return t.Format("2 Jan 2006") }

// Day writes the day of a deadline or a plan, which is near: "Thu 5 Mar".
func Day(t time.Time) string { return t.Format("Mon 2 Jan") }

// Moment writes a moment in its own zone, which it names: "5 Mar 2026, 07:00 CET".
func Moment(t time.Time) string { return Date(t) + ", " + Clock(t) }

// Clock writes the time of day with its zone: "07:00 CET".
func Clock(t time.Time) string { return t.Format("15:04 ") + Zone(t) }

// Zone names the zone of a moment; one without letters of its own by its offset:
// "CET", "UTC", "UTC+5:30", "UTC−3".
func Zone(t time.Time) string {
	name, offset := t.Zone()
	if name != "" && !strings.ContainsAny(name[:1], "+-0123456789") {
		return name
	}
	if offset == 0 {
		return "UTC"
	}
	sign := "+"
	if offset < 0 {
		sign, offset = minus, -offset
	}
	hours, minutes := offset/3600, offset%3600/60
	if minutes == 0 {
		return fmt.Sprintf("UTC%s%d", sign, hours)
	}
	return fmt.Sprintf("UTC%s%d:%02d", sign, hours, minutes)
}

// Age writes the time since then, in the unit a person would use: "12 minutes ago".
func Age(then, now time.Time) string {
	switch d := now.Sub(then); {
	case d < -time.Minute:
		return "in the future"
	case d < 2*time.Minute:
		return "just now"
	case d < time.Hour:
		return Count(int(d.Minutes()), "minute") + " ago"
	case d < 36*time.Hour:
		return Count(int(d.Hours()+0.5), "hour") + " ago"
	default:
		return Count(int(d.Hours()/24+0.5), "day") + " ago"
	}
}

// Span writes a duration in the largest unit that fits, rounded down: "7 days",
// "1 hour", "10 minutes".
func Span(d time.Duration) string {
	switch {
	case d >= 24*time.Hour:
		return Count(int(d.Hours()/24), "day")
	case d >= time.Hour:
		return Count(int(d.Hours()), "hour")
	}
	return Count(int(math.Floor(d.Minutes())), "minute")
}
