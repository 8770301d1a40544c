// Package faulttest counts the rounds of tests that break things on purpose, and
// says what those without a failure show.
package faulttest

import (
	"os"
	"strconv"
	"testing"
)

// Rounds is how many rounds a fault test does: n, or with ARCDRIFT_FAULTS as many
// times that as it says.
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

// Bound states what n rounds without a failure show: the rule of three (Hanley and
// Lippman-Hand, JAMA 249 (1983) 1743).
func Bound(t testing.TB, what string, n int) {
	t.Helper()
	if n == 0 {
		t.Fatalf("%s: nothing was tried", what)
	}
	t.Logf("%s: 0 of %d, below %.2g at 95 %%", what, n, 3/float64(n))
}
