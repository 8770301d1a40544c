package web

import (
	"fmt"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

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
	return ageView{Known: true, At: at, Text: phrase.Age(at, now)}
}

// pct is a signed percentage of nominal power, as exact as a crew can use.
func pct(v drift.Opt[float64]) string {
	x, ok := v.Get()
	if !ok {
		return phrase.Unknown
	}
	return phrase.SignedPercent(x)
}

// size is an unsigned percentage: a spread, a limit.
func size(v drift.Opt[float64]) string {
	x, ok := v.Get()
	if !ok {
		return phrase.Unknown
	}
	return phrase.Percent(x)
}

// plusMinus is the half-width of an interval that holds 8 times in 10.
func plusMinus(sd drift.Opt[float64]) string {
	v, ok := sd.Get()
	if !ok {
		return ""
	}
	return fmt.Sprintf("±\u00a0%s, 8 in 10", phrase.Fixed(z80*v, 1))
}

func count(n drift.Opt[int64]) string {
	v, ok := n.Get()
	if !ok {
		return phrase.Unknown
	}
	return phrase.Integer(v)
}
