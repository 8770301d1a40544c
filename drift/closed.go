package drift

import (
	"strings"
	"time"
)

// closedText is the length, in bytes, of the longest list of closed days.
const closedText = 1000

// noClosed takes back a list that a farther scope states.
const noClosed = "none"

// Closed are days on which a bench does not work.
type Closed struct {
	spans  [][2]string     // first and last day, as 2006-01-02
	yearly map[string]bool // as 01-02
}

// ParseClosed reads a list of days: 2026-12-24, from and to 2026-12-24/2027-01-01 (ISO 8601),
// each year 05-17; or the word none. It reports whether every word is such a day.
func ParseClosed(list string) (c Closed, ok bool) {
	if list == noClosed {
		return c, true
	}
	c.yearly = map[string]bool{}
	for word := range strings.FieldsSeq(list) {
		first, last, span := strings.Cut(word, "/")
		if !span {
			last = first
		}
		switch {
		case !span && isDay("2024-"+word): // a leap year
			c.yearly[word] = true
		case isDay(first) && isDay(last) && first <= last:
			c.spans = append(c.spans, [2]string{first, last})
		default:
			return Closed{}, false
		}
	}
	return c, true
}

func isDay(s string) bool {
	_, err := time.Parse(time.DateOnly, s)
	return err == nil
}

// On reports whether the day is one of them.
func (c *Closed) On(day time.Time) bool {
	if c.yearly[day.Format("01-02")] {
		return true
	}
	at := day.Format(time.DateOnly)
	for _, s := range c.spans {
		if s[0] <= at && at <= s[1] {
			return true
		}
	}
	return false
}
