// Package phrase writes numbers, units, chances, dates and durations, and the words of
// closed sets, the one way in which everything people read shows them: pages, messages,
// commands, advice and documents. It knows the standard library only.
//
// Numbers have a decimal point, a comma between thousands and the minus sign U+2212;
// before a unit stands a no-break space, as the SI Brochure (BIPM, 9th edition, 5.4.3)
// asks for. A time of day always names its zone. Text for machines (JSON numbers, CSV,
// logs) does not go through here.
package phrase

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Unknown stands where there is no value: never a zero.
const Unknown = "not known"

const (
	space = "\u00a0"
	minus = "\u2212"
)

// Fixed writes a number with so many decimals: "12,340.5", "−0.8". A zero has no sign.
func Fixed(x float64, decimals int) string {
	s := strconv.FormatFloat(math.Abs(x), 'f', decimals, 64)
	whole, fraction, _ := strings.Cut(s, ".")
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + "," + whole[i:]
	}
	if fraction != "" {
		whole += "." + fraction
	}
	if x < 0 && strings.Trim(s, "0.") != "" {
		whole = minus + whole
	}
	return whole
}

// Number writes a number with one decimal at most: "12", "0.5".
func Number(x float64) string { return strings.TrimSuffix(Fixed(x, 1), ".0") }

// Integer writes a count: "1,240".
func Integer[N ~int | ~int64 | ~uint64](n N) string { return Fixed(float64(n), 0) }

// About writes an estimated count, above a thousand to tens: "462", "1,570".
func About(x float64) string {
	if x >= 1000 {
		x = math.Round(x/10) * 10
	}
	return Fixed(x, 0)
}

// Signed writes a number with its sign and so many decimals: "+4.1", "−0.8", "0.0".
func Signed(x float64, decimals int) string {
	s := Fixed(x, decimals)
	if x > 0 && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

// Quantity writes a number with one decimal at most and its unit: "12 °C", "4.1 %".
func Quantity(x float64, unit string) string { return Unit(Number(x), unit) }

// Unit puts a unit behind a number that is written already; both stay on one line.
func Unit(number, unit string) string { return number + space + unit }

// Percent writes a percentage with one decimal: "4.0 %".
func Percent(x float64) string { return Unit(Fixed(x, 1), "%") }

// SignedPercent writes a change or a setting in percent: "+4.0 %".
func SignedPercent(x float64) string { return Unit(Signed(x, 1), "%") }

// PlusMinus writes a value in percent with the half-width of its interval: "+4.1 ± 0.5 %".
func PlusMinus(x, half float64) string {
	return Unit(Signed(x, 1)+space+"±"+space+Fixed(half, 1), "%")
}

// Count writes a number of things: "1 record", "12 records", "2 tries".
func Count[N ~int | ~int64 | ~uint64](n N, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return Integer(n) + " " + Plural(noun)
}

// Plural is the regular plural of a noun: records, tries, days.
func Plural(noun string) string {
	stem, y := strings.CutSuffix(noun, "y")
	if y && stem != "" && !strings.ContainsRune("aeiou", rune(stem[len(stem)-1])) {
		return stem + "ies"
	}
	return noun + "s"
}

// Chance writes a probability, from 0 to 1, as a count with one denominator: ten, or a
// hundred where it is rare. "about 8 in 10", "about 3 in 100", "fewer than 1 in 100".
func Chance(p float64) string {
	switch {
	case math.IsNaN(p):
		return "an unknown share"
	case p < 0.005:
		return "fewer than 1 in 100"
	case p < 0.095:
		return fmt.Sprintf("about %.0f in 100", math.Round(100*p))
	case p >= 0.95:
		return "more than 9 in 10"
	}
	return fmt.Sprintf("about %.0f in 10", math.Round(10*p))
}

// Sentence begins a text with a capital letter.
func Sentence(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// Join lists several: "a", "a and b", "a, b and c".
func Join(all []string) string {
	switch n := len(all); n {
	case 0:
		return ""
	case 1:
		return all[0]
	default:
		return strings.Join(all[:n-1], ", ") + " and " + all[n-1]
	}
}

// Beside puts what is not empty side by side: "type-1 · Orrin Quay".
func Beside(parts ...string) string {
	var out []string
	for _, p := range parts {
		if p != "" {
			out = append(out, p)
		}
	}
	return strings.Join(out, " · ")
}
