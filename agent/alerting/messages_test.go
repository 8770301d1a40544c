package alerting

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/agent/fleet"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
	"arcdrift/drift/synth"
)

// BenchmarkMessages lets fleets of every kind live and counts the messages that
// would have been sent about machines, as the rules, the hold times and the working
// mornings make them, against the truth. It measures no speed: run it once, with
// -benchtime 1x. What it reports, of service alerts:
//
//	right      of those that can be judged: a failure of the electrodes, or found worn or
//	           dirty, within 14 days
//	announced  of the failures of electrodes: by a message 3 days before, not taken back
//	stops      of those that can be judged, that were right: the electrodes failed
//	wrong/100  alerts and stops that were wrong, in 100 machine-months
//	most       messages of one case
func BenchmarkMessages(b *testing.B) {
	const machines, days, seed = 50, 160, 21
	for _, w := range synth.Worlds() {
		b.Run(w.Name, func(b *testing.B) {
			start := moment.AddDate(0, 0, -days)
			var t tally
			for b.Loop() {
				t = tally{}
				one := synth.Make(w, seed, machines, start, days)
				t.live(b, fleet.NewRecords(one.Records), one.Truth, start, days)
			}
			b.ReportMetric(float64(t.right)/float64(max(t.right+t.wrong, 1)), "right")
			b.ReportMetric(float64(t.right+t.wrong), "judged")
			b.ReportMetric(float64(t.announced)/float64(max(t.failures, 1)), "announced")
			b.ReportMetric(float64(t.failures), "failures")
			b.ReportMetric(1-float64(t.falseStops)/float64(max(t.stops, 1)), "stops")
			b.ReportMetric(100*float64(t.wrong+t.falseStops)/t.months, "wrong/100")
			b.ReportMetric(float64(t.sent)/t.months, "messages/month")
			b.ReportMetric(float64(t.most), "most")
		})
	}
}

// tally counts what became of the messages.
type tally struct {
	right, wrong, stops, falseStops, sent, most int
	failures, announced                         int
	months                                      float64
}

// live replays a fleet as score does and holds every machine's messages against
// the truth.
func (t *tally) live(b *testing.B, told *fleet.Records, truth *synth.Truth, start time.Time, days int) {
	const learning, every = 60, 14
	end := start.AddDate(0, 0, days)
	whole, err := fleet.Pasts(told, end)
	require.NoError(b, err)
	handled := make([]inbox, len(whole))
	from := start.AddDate(0, 0, learning)
	for at := from; at.Before(end); at = at.AddDate(0, 0, every) {
		past, err := fleet.Pasts(told, at)
		require.NoError(b, err)
		var sample model.Sample
		for i := range past {
			sample.Enrol(past[i].History)
		}
		pop := forecast.Learn(&sample)
		for i := range whole {
			handled[i].lead(&whole[i], model.NewMachine(whole[i].Machine, pop.For(whole[i].Key)), at, at.AddDate(0, 0, every))
		}
	}
	for i := range whole {
		t.count(&whole[i], &handled[i], truth.Machine(whole[i].Machine), from, end)
	}
}

// inbox is what is sent about one machine.
type inbox struct {
	state   alert.State
	earlier []advise.Verdict
	service alert.Service
	latest  advise.Assessment
	now     time.Time
	pair    int
	sent    []letter
}

// letter is one message and, if it was taken back or answered, when.
type letter struct {
	of        string // its case
	rule      alert.RuleName
	sent, end time.Time
}

// lead folds the machine anew and takes it through what came between two moments.
func (d *inbox) lead(p *backtest.Past, m *model.Machine, from, to time.Time) {
	for i := range p.Events {
		ev := &p.Events[i]
		if ev.Time.After(to) {
			return
		}
		m.Update(ev)
		if ev.Time.After(from) {
			d.take(p, m, i)
		}
	}
}

// take is one event: the mornings before it come first, and an hour later the hold
// time is over.
func (d *inbox) take(p *backtest.Past, m *model.Machine, i int) {
	ev := &p.Events[i]
	for d.latest.Machine != "" && d.now.Before(ev.Time) {
		next := d.now.Truncate(24 * time.Hour).Add(7 * time.Hour)
		if !next.After(d.now) {
			next = next.AddDate(0, 0, 1)
		}
		d.step(next)
		d.now = next
	}
	switch ev.Kind {
	case model.Cleaned, model.Replaced, model.Inspected:
		d.service = alert.Service{Time: ev.Time, Finding: ev.Finding, Action: map[model.Kind]drift.Action{
			model.Cleaned: drift.Cleaned, model.Replaced: drift.Replaced, model.Inspected: drift.Inspected,
		}[ev.Kind]}
	}
	if ev.Kind == model.Cleaned || ev.Pair != d.pair {
		d.earlier, d.pair = nil, ev.Pair
	}
	if ev.Kind != model.Attempt || i+1 < len(p.Events) && p.Events[i+1].Kind == model.Attempt && !p.Events[i+1].NewSession {
		return
	}
	life := forecast.Run(m, forecast.Plan{Paths: 300, Horizon: advise.VerdictHorizon(m), AttemptLimit: int(p.Settings.AttemptLimit), Seed: uint64(i)})
	d.latest = advise.Assess(&advise.Subject{
		Machine: p.Machine, Records: m.Attempts(), Last: ev.Time, Known: m, Life: life, Settings: p.Settings, Earlier: d.earlier,
	}, ev.Time)
	d.earlier = append(d.earlier, advise.Judge(m, life))
	d.earlier = d.earlier[max(len(d.earlier)-2, 0):]
	d.step(ev.Time)
	d.step(ev.Time.Add(time.Hour))
	d.now = ev.Time
}

func (d *inbox) step(now time.Time) {
	p := alert.Policy{
		To:      map[alert.Severity][]string{alert.Stop: {"bench"}, alert.Plan: {"bench"}},
		Morning: 7 * time.Hour, WorkDays: [7]bool{false, true, true, true, true, true, false}, Zone: time.UTC,
	}
	(&memory{}).judge(&p)
	view := alert.View{Machines: []alert.Machine{{Assessment: &d.latest, Service: d.service}}}
	var actions []alert.Action
	d.state, actions, _ = p.Step(d.state, view, now)
	for _, a := range actions {
		switch a.Kind {
		case alert.Alert:
			d.sent = append(d.sent, letter{of: a.Case, rule: a.Rule, sent: a.At})
		case alert.Cleared:
			for i := range d.sent {
				if d.sent[i].of == a.Case {
					d.sent[i].end = a.At
				}
			}
		}
	}
}

// count judges what was sent about one machine.
func (t *tally) count(p *backtest.Past, d *inbox, m *synth.Machine, from, end time.Time) {
	const month = 30.44 * 24
	t.months += end.Sub(from).Hours() / month
	failed := failures(m)
	cases := map[string]int{}
	for _, l := range d.sent {
		t.sent++
		cases[l.of]++
		t.most = max(t.most, cases[l.of])
		right, judged := became(p, failed, l.sent, end)
		switch {
		case l.rule == alert.MustStop && (judged || down(m, l.sent)):
			t.stops++
			t.falseStops += whether(!right && !down(m, l.sent))
		case !judged:
		default:
			t.right += whether(right)
			t.wrong += whether(!right)
		}
	}
	for _, f := range failed {
		if f.Before(from) {
			continue
		}
		t.failures++
		t.announced += whether(slices.ContainsFunc(d.sent, func(l letter) bool {
			return f.Sub(l.sent) >= 72*time.Hour && (l.end.IsZero() || !l.end.Before(f))
		}))
	}
}

func whether(b bool) int {
	if b {
		return 1
	}
	return 0
}

// failures are the sessions given up for the electrodes, the first of each row.
func failures(m *synth.Machine) (out []time.Time) {
	isDown, pair := false, 0
	for _, s := range m.Sessions {
		isDown = isDown && !s.Passed && s.Pair == pair
		if !isDown && !s.Passed && !s.Fit {
			out = append(out, s.Time)
			isDown, pair = true, s.Pair
		}
	}
	return out
}

// down says whether the last session before a message was given up for the
// electrodes: a stop that says so is no false one.
func down(m *synth.Machine, at time.Time) bool {
	out := false
	for _, s := range m.Sessions {
		if s.Time.After(at) {
			break
		}
		out = !s.Passed && !s.Fit
	}
	return out
}

// became says whether a message was right, and whether that can be told: not yet of
// the last days, when those that were right are known sooner.
func became(p *backtest.Past, failed []time.Time, told, end time.Time) (right, judged bool) {
	due := told.AddDate(0, 0, advise.PlanDays)
	if due.After(end) {
		return false, false
	}
	first := end
	for _, f := range failed {
		if !f.Before(told) && !f.After(due) {
			first, right = f, true
			break
		}
	}
	for i := range p.Events {
		ev := &p.Events[i]
		if !ev.Time.After(told) || ev.Time.After(due) || ev.Time.After(first) {
			continue
		}
		switch ev.Kind {
		case model.Cleaned, model.Replaced, model.Inspected, model.Unlogged:
			worn := ev.Finding == drift.Worn || ev.Finding == drift.Dirty
			return worn, worn || ev.Finding == drift.Fine || ev.Finding == drift.CleaverFault
		}
	}
	return right, true
}
