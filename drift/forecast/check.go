package forecast

import (
	"fmt"
	"math"
	"math/rand/v2"

	"arcdrift/drift/model"
	"arcdrift/drift/phrase"
)

// The parameters of a kind are compared with the records that they were estimated from:
// sessions are simulated from the state before each, and compared with what happened. A
// posterior predictive check, after Gelman, Meng & Stern (1996), Stat. Sinica 6:733.

// tally counts sessions, recorded or simulated.
type tally struct {
	// tries and passed count by the place in the session.
	tries, passed     [checkedTries]float64
	sessions, givenUp float64
	after             [2]moves // a fail, a pass
}

// moves sums what followed n deviations: how often the setting changed, by how much in
// log percent, and, of simulated attempts, how far off they were.
type moves struct{ n, changed, moved, off float64 }

const (
	checkedTries = 3
	// At most checkedMost sessions of a kind are used, each simulated checkedDraws times.
	checkedMost, checkedDraws = 600, 4
	// Fewer than fewChecked attempts, sessions or corrections say nothing against the
	// parameters.
	fewChecked = 40
	// Two shares contradict each other if they differ by more than both: so many standard
	// errors, as sessions of a machine are not independent, and so much, as no model is
	// exact.
	surely, clearly = 4.0, 0.15
	// amiss is the ratio by which mean corrections must differ.
	amiss = 2.0
)

func (t *tally) attempt(try int, passed bool) {
	if try >= checkedTries {
		return
	}
	t.tries[try]++
	if passed {
		t.passed[try]++
	}
}

func (t *tally) answer(passed bool, moved, off float64) {
	a := &t.after[0]
	if passed {
		a = &t.after[1]
	}
	a.n++
	a.moved, a.off = a.moved+math.Abs(moved), a.off+math.Abs(off)
	if math.Abs(moved) > 0.05 {
		a.changed++
	}
}

// check compares the parameters of a kind with its records, replaces gains that the
// records contradict, and writes Diagnostics, also of parameters that ended at a bound.
func check(p *model.Params, name string, histories []model.History) {
	seen, said := replayed(p, histories)
	p.Diagnostics = nil
	if correctGains(p, name, &seen, &said) {
		_, said = replayed(p, histories) // with the gains that are used
	}
	find := func(what string, were, ofWere, says, ofSays float64) {
		if ofWere < fewChecked || ofSays < fewChecked {
			return
		}
		a, b := were/ofWere, says/ofSays
		error := math.Sqrt(max(b*(1-b), 0.01) * (1/ofWere + 1/ofSays))
		if math.Abs(a-b) > max(surely*error, clearly) {
			p.Diagnostics = append(p.Diagnostics, fmt.Sprintf("%s: %.0f %% %s, by the model %.0f %%. Take forecasts for this model with care.", of(name), 100*a, what, 100*b))
		}
	}
	find("of first tries pass", seen.passed[0], seen.tries[0], said.passed[0], said.tries[0])
	find("of second tries pass", seen.passed[1], seen.tries[1], said.passed[1], said.tries[1])
	find("of sessions end without a pass", seen.givenUp, seen.sessions, said.givenUp, said.sessions)
	if names := p.AtBounds(); len(names) > 0 && p.Attempts >= fewChecked {
		p.Diagnostics = append(p.Diagnostics, fmt.Sprintf("%s: the records ask for a value at the edge of what is taken for possible: %s. Take forecasts for this model with care.", of(name), phrase.Join(names)))
	}
}

func of(name string) string {
	if name == "" {
		return "Machines of no model"
	}
	return "Model “" + name + "”"
}

// correctGains replaces an estimated gain that moves settings by less than half or more
// than twice as much as the records show, and says whether it did.
func correctGains(p *model.Params, name string, seen, said *tally) (mended bool) {
	for i, what := range []struct {
		when string
		gain *float64
	}{{"fail", &p.GainFail}, {"pass", &p.GainPass}} {
		was, is := seen.after[i], said.after[i]
		if was.n < fewChecked || is.n < fewChecked || is.off == 0 {
			continue
		}
		a, b := was.moved/was.n, is.moved/is.n
		// A difference that rounding explains is none.
		const least = 0.2
		if a < amiss*b+least && b < amiss*a+least {
			continue
		}
		*what.gain = min(a/(is.off/is.n), model.MostGain)
		p.Diagnostics = append(p.Diagnostics, fmt.Sprintf("%s: settings change by %.1f %% after a %s; the estimate was %.1f %%. The value in the records is used.", of(name), a, what.when, b))
		mended = true
	}
	return mended
}

// replayed goes through the histories and counts their sessions, recorded and expected.
func replayed(p *model.Params, histories []model.History) (seen, said tally) {
	all := 0
	for i := range histories {
		for j := range histories[i].Events {
			if opens(&histories[i].Events[j]) {
				all++
			}
		}
	}
	every, at := (all+checkedMost-1)/checkedMost, 0
	for i := range histories {
		h := &histories[i]
		m := model.NewMachine(h.Machine, p)
		for j := range h.Events {
			ev := &h.Events[j]
			if opens(ev) {
				if at%every == 0 && m.Attempts() > 0 && ev.Program == m.Program() {
					seen.recorded(p, h, j)
					said.expected(m, ev, h.AttemptLimit, uint64(i)<<32|uint64(j))
				}
				at++
			}
			m.Update(ev)
		}
	}
	return seen, said
}

// opens says whether an event begins a session.
func opens(ev *model.Event) bool {
	return ev.Kind == model.Attempt && ev.NewSession && !ev.Conditioning
}

// whole counts a session that one event tells.
func (t *tally) whole(ev *model.Event, limit int) {
	for try := range int(ev.Tries) {
		t.attempt(try, ev.Passed && try+1 == int(ev.Tries))
	}
	t.sessions++
	if !ev.Passed && int(ev.Tries) >= limit {
		t.givenUp++
	}
}

// recorded counts the recorded session that begins at an event.
func (t *tally) recorded(p *model.Params, h *model.History, from int) {
	if ev := &h.Events[from]; ev.Tries > 1 {
		t.whole(ev, h.AttemptLimit)
		return
	}
	fails := 0
	for i := from; i < len(h.Events); i++ {
		ev := &h.Events[i]
		if ev.Kind != model.Attempt || i > from && ev.NewSession {
			break
		}
		t.attempt(i-from, ev.Passed)
		next, done := ev.Next.Get()
		setting, placed := ev.Setting.Get()
		c, told := ev.Correction.Get()
		switch {
		case ev.Clipped || done && p.AtLimit(next, ev.Limit): // the limit has answered
		case done && placed:
			t.answer(ev.Passed, next-setting, 0)
		case told && c == 0 && !ev.Passed: // perhaps at a limit that was not reported
		case told:
			t.answer(ev.Passed, c, 0)
		}
		if ev.Passed {
			break
		}
		fails++
	}
	t.sessions++
	if fails >= h.AttemptLimit {
		t.givenUp++
	}
}

// expected counts simulated sessions of a machine in the air of an event.
func (t *tally) expected(m *model.Machine, ev *model.Event, limit int, seed uint64) {
	p := m.Params()
	s := simulation{p: p, rng: rand.New(rand.NewPCG(seed, 0x636865636b)), limit: limit, badEnd: p.BadEnd}
	s.lo, s.hi = p.Window()
	s.bottom, s.top = p.Bounds()
	var d model.Draw
	s.watch = func(try int, passed bool, moved, off float64) {
		t.attempt(try, passed)
		if d.Setting > s.bottom && d.Setting < s.top {
			t.answer(passed, moved, off)
		}
	}
	sampler, scatter := m.Sampler(), p.ScatterAt(m.ScatterAge())
	for range checkedDraws {
		d = sampler.Draw(s.rng)
		need := d.Level
		for j, a := range p.Placed(ev).Air {
			need += d.Air[j] * a
		}
		t.sessions++
		if !s.session(&d, need, d.ScatterScale*scatter) {
			t.givenUp++
		}
	}
}
