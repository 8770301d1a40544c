package model

import (
	"math"
	"slices"
	"time"

	"arcdrift/drift"
)

// recentSessions has the machine's last sessions: the arcs between them, their air and
// program.
// Forecasts repeat them, so that they have this machine's pace and air.
type recentSessions struct {
	step     [recentLimit]float32
	air      [recentLimit][airTerms]float32
	program  [recentLimit]uint8 // place among the machine's modes; [manyPrograms] for later ones
	n        int
	lastArcs float64
	lastPair int
	first    time.Time
	// arcs and days are those of the last weeks, with weights that fade.
	arcs, days float64
	// sessions and span give the usual time between sessions.
	sessions, span float64
	last           time.Time
}

const (
	recentLimit  = 32
	manyPrograms = math.MaxUint8
)

// paceMemory is the weight of the past at each session: about the last 40 count.
const paceMemory = 0.975

func (t *recentSessions) add(ev *Event, arcs float64, program int) {
	if !ev.NewSession {
		return
	}
	step, samePair := arcs-t.lastArcs, ev.Pair == t.lastPair && !t.first.IsZero()
	if !samePair {
		step = 0
	}
	if t.first.IsZero() {
		t.first = ev.Time
	} else if gap := ev.Time.Sub(t.last).Hours() / 24; gap > 0 {
		t.sessions = t.sessions*paceMemory + 1
		t.span = t.span*paceMemory + gap
		if samePair {
			t.arcs = t.arcs*paceMemory + step
			t.days = t.days*paceMemory + gap
		}
	}
	t.last, t.lastArcs, t.lastPair = ev.Time, arcs, ev.Pair
	i := t.n % recentLimit
	t.step[i] = float32(step)
	t.program[i] = uint8(min(program, manyPrograms))
	for j, a := range ev.Air {
		t.air[i][j] = float32(a)
	}
	t.n++
}

// in says whether one of the sessions was in a program.
func (t *recentSessions) in(program int) bool {
	return program < manyPrograms && slices.Contains(t.program[:min(t.n, recentLimit)], uint8(program))
}

// perDay returns the machine's pace in arcs a day, 0 if unknown.
func (t *recentSessions) perDay() float64 {
	if t.days <= 0 {
		return 0
	}
	return min(t.arcs/t.days, drift.MostArcsPerDay) // clocks may be off
}

// gap returns the usual time between sessions in days, 0 if unknown.
func (t *recentSessions) gap() float64 {
	if t.sessions == 0 {
		return 0
	}
	return t.span / t.sessions
}
