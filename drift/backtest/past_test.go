package backtest

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/fit"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

var dawn = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// story writes a history in words, one a day, 100 arcs a day: "ok" and "fail"
// are sessions that pass at once or fail four times, "oops" fails twice and
// passes, "half" is given up after two; "typed" is a failed session in one
// record; the rest are the bench, with what it finds.
func story(words string) *Past {
	p := &Past{
		History:  model.History{Machine: "K-07", Key: model.Key{Model: "type-1"}, AttemptLimit: 4},
		Settings: drift.Settings{AttemptLimit: 4, CheckMinutes: 5, OutMinutes: 60},
	}
	pair, arcs := 0, 0.0
	for day, word := range strings.Fields(words) {
		at := dawn.Add(time.Duration(day) * 24 * time.Hour)
		arcs += 100
		add := func(ev model.Event) {
			ev.Time, ev.Pair, ev.Arcs = at, pair, arcs
			at = at.Add(time.Minute)
			p.Events, p.Calibrations = append(p.Events, ev), append(p.Calibrations, nil)
		}
		session := func(outcomes string) {
			for i, o := range outcomes {
				add(model.Event{Kind: model.Attempt, Tries: 1, NewSession: i == 0, Passed: o == '+'})
			}
		}
		switch word {
		case "ok":
			session("+")
		case "oops":
			session("--+")
		case "half":
			session("--")
		case "fail":
			session("----")
		case "typed":
			add(model.Event{Kind: model.Attempt, Tries: 4, NewSession: true})
		case "usage":
			add(model.Event{Kind: model.Usage})
		case "cleaned":
			add(model.Event{Kind: model.Cleaned, Finding: drift.Dirty})
		case "blunt":
			add(model.Event{Kind: model.Inspected, Finding: drift.CleaverFault})
		case "new":
			pair, arcs = pair+1, 0
			add(model.Event{Kind: model.Replaced, Finding: drift.Worn})
		default:
			panic(word)
		}
	}
	return p
}

func TestFailures(t *testing.T) {
	for words, want := range map[string][]float64{
		"ok ok oops ok":                 nil,
		"ok half ok":                    nil, // given up early: nobody knows
		"ok fail ok":                    {200},
		"ok typed":                      {200},
		"ok fail fail usage fail":       {200}, // it is down, and cannot fail again
		"ok fail ok fail":               {200, 400},
		"ok fail cleaned ok fail":       {200, 500},
		"ok fail new fail":              {200, 100},
		"ok fail blunt ok":              nil, // not the electrodes'
		"ok fail fail blunt ok ok fail": {700},
	} {
		all, down := story(words).failures()
		var arcs []float64
		for _, f := range all {
			arcs = append(arcs, f.Arcs)
		}
		assert.Equal(t, want, arcs, words)
		assert.Equal(t, strings.HasSuffix(words, "fail") || strings.HasSuffix(words, "typed"), down, words)
	}
}

func TestLives(t *testing.T) {
	for words, want := range map[string][]fit.Life{
		"ok ok ok":             {{From: 100, Length: 300}},
		"ok ok fail new ok ok": {{From: 100, Length: 300, Ended: true}, {Length: 200}},
		// A pair that passes again goes on being watched.
		"ok fail ok ok":         {{From: 100, Length: 200, Ended: true}, {From: 300, Length: 400}},
		"ok ok fail cleaned ok": {{From: 100, Length: 300, Ended: true}, {From: 400, Length: 500}},
	} {
		p := story(words)
		lives := forecast.Lives(&p.History)
		assert.Equal(t, want, lives, words)
	}
}

func TestFate(t *testing.T) {
	moment := dawn.Add(36 * time.Hour) // after the second day
	for words, want := range map[string]fate{
		"ok ok ok fail":           {arcs: 200, days: 1.5},
		"ok ok ok ok":             {arcs: 200, days: 1.5, censored: true},
		"ok ok ok cleaned fail":   {arcs: 100, days: 0.5, censored: true},
		"ok ok ok new fail":       {arcs: 100, days: 0.5, censored: true},
		"ok ok ok fail blunt ok":  {arcs: 400, days: 3.5, censored: true},
		"ok ok fail ok fail fail": {arcs: 100, days: 0.5},
	} {
		p := story(words)
		failed, _ := p.failures()
		got, heard := p.fateAfter(moment, failed)
		assert.True(t, heard, words)
		assert.Equal(t, want.censored, got.censored, words)
		assert.InDelta(t, want.arcs, got.arcs, 1e-9, words)
		assert.InDelta(t, want.days, got.days, 0.01, words) // a session takes minutes
	}
	for _, words := range []string{"ok ok", "ok ok new ok"} {
		p := story(words)
		_, heard := p.fateAfter(moment, nil)
		assert.False(t, heard, words)
	}
}

func TestOutcomeOfAnAlert(t *testing.T) {
	raised := dawn.Add(36 * time.Hour)
	ok := func(n int) string { return strings.Repeat("ok ", n) }
	for words, want := range map[string]Outcome{
		ok(5) + "fail":                   Right,
		ok(14) + "fail":                  Right, // on the thirteenth day
		ok(17) + "fail":                  Wrong,
		ok(5):                            Unclear,
		ok(20):                           Wrong,
		ok(5) + "blunt " + ok(14):        Wrong,
		ok(5) + "fail blunt " + ok(14):   Wrong,
		ok(5) + "new " + ok(3) + "fail":  Right,
		ok(5) + "cleaned " + ok(5):       Right,
		ok(2) + "usage usage cleaned ok": Right,
	} {
		p := story(words)
		failed, _ := p.failures()
		got, because := p.outcome(raised, advise.PlanDays, failed)
		assert.Equal(t, want, got, words)
		assert.NotEmpty(t, because, words)
	}
}
