package advise

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// chance says a probability in counts, with one denominator: ten, or a hundred
// for what is rare.
func chance(p float64) string {
	switch {
	case p < 0.005:
		return "Less than 1 in 100"
	case p < 0.095:
		return fmt.Sprintf("About %.0f in 100", math.Round(p*100))
	case p >= 0.95:
		return "More than 9 in 10"
	default:
		return fmt.Sprintf("About %.0f in 10", math.Round(p*10))
	}
}

// lower puts a chance into the middle of a sentence.
func lower(s string) string { return strings.ToLower(s[:1]) + s[1:] }

func tries(n int) string { return plural(float64(n), "try") }

// lastFailed says how many tries in a row have failed.
func lastFailed(n int) string {
	if n == 1 {
		return "The last try failed"
	}
	return "The last " + tries(n) + " failed"
}

func plural(n float64, word string) string {
	switch {
	case n == 1:
		return "1 " + word
	case strings.HasSuffix(word, "y") && !strings.HasSuffix(word, "ay"):
		return fmt.Sprintf("%.0f %sies", n, strings.TrimSuffix(word, "y"))
	}
	return fmt.Sprintf("%.0f %ss", n, word)
}

// thousands writes a count as people read it: 1,240; above a thousand to tens.
func thousands(n float64) string {
	if n >= 1000 {
		n = math.Round(n/10) * 10
	}
	s := strconv.FormatFloat(math.Round(n), 'f', -1, 64)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// number writes a percentage or temperature with at most one decimal. Adding 0
// takes the sign off a zero.
func number(x float64) string {
	return strconv.FormatFloat(math.Round(x*10)/10+0, 'f', -1, 64)
}
