package main

import (
	"bytes"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
)

// Chances that are right, of machines that go all wrong or all right: the draws say that
// every gap is possible, and a gap as large is nothing odd. With draws that know better,
// the same gap is chance's in no case.
func TestAGapIsHeldAgainstChance(t *testing.T) {
	t.Parallel()
	unsure, sure := make([]lookedBack, 6), make([]lookedBack, 6)
	for i := range unsure {
		day := lookedBack{fleet: "f", machine: fmt.Sprint(i), stated: 0.5, workday: workday{made: 10, out: 10}}
		day.draws = []float32{0, 1}
		unsure[i] = day
		day.draws = []float32{0.5}
		sure[i] = day
	}
	assert.InDelta(t, 0.5, furthest(cells(unsure, outOf)), 1e-9)
	wide, narrow := luck(unsure), luck(sure)
	assert.InDelta(t, 0.5, wide[len(wide)-1], 1e-9, "all six alike, one in 32")
	assert.Less(t, wide[0], 1e-9)
	assert.Less(t, narrow[len(narrow)-1], 1e-9)

	var out bytes.Buffer
	e := env{stdout: &out, stderr: &out}
	assert.InDelta(t, 0.5, calibrated(&e, sure), 1e-9)
	assert.Contains(t, out.String(), "furthest 0.500")
	assert.Contains(t, out.String(), "as far as this in 0.0 %")
}

// Days of one machine share their fate: forty machines of which half are all out, with 1,
// 5 or 25 days each, leave the error of forty, √(0.25/40).
func TestTheErrorOfAGapCountsMachines(t *testing.T) {
	t.Parallel()
	for _, days := range []int{1, 5, 25} {
		var some []lookedBack
		for i := range 40 {
			for range days {
				some = append(some, lookedBack{fleet: "f", machine: fmt.Sprint(i), stated: 0.5, workday: workday{made: 10, out: 10 * (i % 2)}})
			}
		}
		errs := gapErrors(some, cells(some, outOf))
		assert.InDelta(t, 0.079, errs[0], 0.01, "%d days", days)
		for i := range some {
			some[i].fleet = some[i].machine
		}
		assert.InDelta(t, 0.079, gapErrors(some, cells(some, outOf))[0], 0.01, "as many fleets")
	}
}
