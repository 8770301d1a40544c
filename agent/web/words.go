package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// stateWord is what a person reads for a state.
func stateWord(s advise.State) string {
	switch s {
	case advise.Stop:
		return "Stop"
	case advise.CheckFirst:
		return "Check first"
	case advise.ServiceSoon:
		return "Service soon"
	case advise.NoData:
		return "No data"
	default:
		return "Fit"
	}
}

// causeWords names a cause and the cheap test that would settle it.
func causeWords(cause string) (word, test string) {
	switch cause {
	case advise.CauseEnds:
		return "the fibre ends", "Clean, cut both ends afresh, try again; then once with another cleaver."
	case advise.CauseElectrodes:
		return "the electrodes", "Another cleaver makes no difference? Then the bench looks at the pair."
	case advise.CauseAir:
		return "the air", "Wait until the machine has the temperature of the place, shield it from wind, try again."
	default:
		return cause, ""
	}
}

// inTen says a chance as a count, one denominator: ten, or a hundred when rare.
func inTen(p float64) string {
	switch {
	case math.IsNaN(p):
		return "an unknown share"
	case p < 0.005:
		return "fewer than 1 in 100"
	case p < 0.095:
		return fmt.Sprintf("about %d in 100", max(1, int(math.Round(100*p))))
	case p >= 0.95:
		return "more than 9 in 10"
	default:
		return fmt.Sprintf("about %d in 10", int(math.Round(10*p)))
	}
}

// age is the time since then, in the unit a person would use.
func age(then, now time.Time) string {
	d := now.Sub(then)
	switch {
	case d < -time.Minute:
		return "ahead of the clock"
	case d < 2*time.Minute:
		return "just now"
	case d < time.Hour:
		return fmt.Sprintf("%d min ago", int(d.Minutes()))
	case d < 36*time.Hour:
		return plural(int(d.Hours()+0.5), "hour", "hours") + " ago"
	default:
		return plural(int(d.Hours()/24+0.5), "day", "days") + " ago"
	}
}

// ageView is an age with its moment, or never.
type ageView struct {
	Known bool
	At    time.Time
	Text  string
}

func ageOf(last drift.Opt[time.Time], now time.Time) ageView {
	at, ok := last.Get()
	if !ok {
		return ageView{}
	}
	return ageView{Known: true, At: at, Text: age(at, now)}
}

// pct is a signed percentage of nominal power, as exact as a crew can use.
func pct(v drift.Opt[float64]) string {
	x, ok := v.Get()
	if !ok {
		return unknown
	}
	return signed(x, 1) + "\u00a0%"
}

// unknown stands where there is no value: never a zero.
const unknown = "not known"

func signed(x float64, digits int) string {
	s := strconv.FormatFloat(x, 'f', digits, 64)
	switch {
	case strings.Trim(s, "-0.") == "":
		return strings.TrimPrefix(s, "-")
	case x > 0:
		return "+" + s
	default:
		return "\u2212" + s[1:]
	}
}

// size is an unsigned percentage: a spread, a limit.
func size(v drift.Opt[float64]) string {
	x, ok := v.Get()
	if !ok {
		return unknown
	}
	return strconv.FormatFloat(x, 'f', 1, 64) + "\u00a0%"
}

// whole writes a count with its thousands apart.
func whole(n int64) string {
	s := strconv.FormatInt(n, 10)
	sign := ""
	if n < 0 {
		sign, s = "\u2212", s[1:]
	}
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return sign + s
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return whole(int64(n)) + " " + many
}

// joined puts what is not empty side by side.
func joined(parts ...string) string {
	var said []string
	for _, p := range parts {
		if p != "" {
			said = append(said, p)
		}
	}
	return strings.Join(said, " · ")
}
