// Package faulttest counts the rounds of fault tests, and says what rounds without a
// failure prove.
package faulttest

import (
	"os"
	"strconv"
	"testing"
)

// Rounds is how many rounds a fault test does: n, times the value of ARCDRIFT_FAULTS if
// that is set.
func Rounds(t testing.TB, n int) int {
	t.Helper()
	v := os.Getenv("ARCDRIFT_FAULTS")
	if v == "" {
		return n
	}
	times, err := strconv.Atoi(v)
	if err != nil {
		t.Fatalf("ARCDRIFT_FAULTS is %q and must be a whole number", v)
	}
	return n * times
}

// Bound logs the upper bound of the chance of a failure, at 95 %, after n rounds without
// one: the rule of three (Hanley and Lippman-Hand, JAMA 249 (1983) 1743).
func Bound(t testing.TB, what string, n int) {
	t.Helper()
	if n == 0 {
		t.Fatalf("%s: nothing was tried", what)
	}
	t.Logf("%s: 0 of %d, below %.2g at 95 %%", what, n, 3/float64(n))
}
