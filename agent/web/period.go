package web

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"time"

	"arcdrift/drift/health"
	"arcdrift/drift/phrase"
)

// period is a time range: the last Days days, or the days From to To.
type period struct {
	Days     int
	From, To time.Time // midnights (UTC), both included; zero unless chosen
}

// periods are the ranges to choose from, in days.
var periods = [...]int{7, 30, 90, 365, 730}

const (
	defaultDays = 90
	longestDays = 10 * 366
)

// periodOf is the range in a link, the default one if there is none. Days that are not
// one of the ranges to choose from, and dates that are none, count as none.
func periodOf(v url.Values) period {
	from, errFrom := time.Parse(time.DateOnly, v.Get("from"))
	to, errTo := time.Parse(time.DateOnly, v.Get("to"))
	if errFrom == nil && errTo == nil && !to.Before(from) && from.Year() > 1970 && to.Sub(from) < longestDays*24*time.Hour {
		return period{From: from, To: to}
	}
	if n, err := strconv.Atoi(v.Get("days")); err == nil && slices.Contains(periods[:], n) {
		return period{Days: n}
	}
	return period{Days: defaultDays}
}

// Custom says whether dates were chosen.
func (p period) Custom() bool { return p.Days == 0 }

// set puts the range into a link, unless it is the default one.
func (p period) set(v url.Values) {
	switch {
	case p.Custom():
		v.Set("from", p.From.Format(time.DateOnly))
		v.Set("to", p.To.Format(time.DateOnly))
	case p.Days != defaultDays:
		v.Set("days", strconv.Itoa(p.Days))
	}
}

// days are the first and the last day of the range.
func (p period) days(now time.Time) (from, to health.Day) {
	today := health.DayOf(now)
	if p.Custom() {
		return health.DayOf(p.From), min(health.DayOf(p.To), max(today, health.DayOf(p.From)))
	}
	return today - health.Day(p.Days) + 1, today
}

// bounds are the moments between which the range is.
func (p period) bounds(now time.Time) (from, to time.Time) {
	if p.Custom() {
		to = p.To.AddDate(0, 0, 1)
		if now.Before(to) {
			to = now
		}
		return p.From, to
	}
	return now.AddDate(0, 0, -p.Days), now
}

// mostBins is how many parts a chart over time has at most.
const mostBins = 106

// bin is how many days a chart over the range puts together: whole weeks if more than
// one.
func (p period) bin(now time.Time) int {
	from, to := p.days(now)
	n := int(to-from) + 1
	if n <= mostBins {
		return 1
	}
	return 7 * ((n + 7*mostBins - 1) / (7 * mostBins))
}

// Period names the range.
func (p period) Period() string {
	if p.Custom() {
		return phrase.Date(p.From) + " to " + phrase.Date(p.To)
	}
	return periodWord(p.Days)
}

func periodWord(days int) string {
	switch days {
	case 365:
		return "1 year"
	case 730:
		return "2 years"
	}
	return phrase.Count(days, "day")
}

// binWord says how many days a value of a chart is over.
func binWord(days int) string {
	switch {
	case days == 1:
		return "each day"
	case days == 7:
		return "each week"
	}
	return fmt.Sprintf("every %d days", days)
}

// choices are the links to the other ranges of a page. link makes one.
func (p period) choices(link func(period) string) []choice {
	var out []choice
	for _, days := range periods {
		out = append(out, choice{periodWord(days), link(period{Days: days}), p.Days == days})
	}
	return out
}
