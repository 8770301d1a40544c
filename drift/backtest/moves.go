package backtest

import (
	"math"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/model"
	"arcdrift/drift/score"
)

// MoveCase is a calibration after a move or a change of weather: whether the machine was
// found out of tolerance, and which rules would have had it checked.
type MoveCase struct {
	Machine string
	Time    time.Time
	Grade   model.Grade
	// Out is whether the first attempt failed or measured outside the tolerance.
	Out bool
	// Chance of being out that the site check stated; unknown where it could not tell.
	Chance drift.Opt[float64]
	// Checks says which rules would have had a calibration, in the order of [MoveRules].
	Checks                   []bool
	CheckMinutes, OutMinutes float64
}

// The rules for moves, in the order of a case's checks.
const (
	Always    = "always"
	Never     = "never"
	Rule      = "300 m, 10 °C, 20 %"
	Hindsight = "in hindsight"
)

// MoveRules lists them. Hindsight checks what turns out to be out and nothing else: no
// forecast can do as well.
func MoveRules() []string { return []string{Model, Always, Never, Rule, Hindsight} }

// apart says whether the air of two calibrations differs by at least so much in one
// quantity that both report.
func apart(a, b *drift.Calibration, metres, degrees, humidity float64) bool {
	far := func(x, y drift.Opt[float64], by float64) bool {
		return x.Known() && y.Known() && math.Abs(x.Or(0)-y.Or(0)) >= by
	}
	return far(a.Altitude, b.Altitude, metres) || far(a.Temperature, b.Temperature, degrees) || far(a.Humidity, b.Humidity, humidity)
}

// moved says whether a session comes after a move or a change of weather: by its trigger,
// or because its air differs from that of the session before by half of what the usual
// rule asks for.
func moved(from, to *drift.Calibration) bool {
	switch to.Trigger {
	case "moved", "weather":
		return true
	case "electrode-service":
		return false
	}
	return apart(from, to, 150, 5, math.Inf(1))
}

// visit does the site check that the crew would have done before the session that begins
// at event i, if that comes after a move.
func (w *walker) visit(p *Past, i int) {
	from, to := w.last, p.Calibrations[i]
	w.last = to
	ev := &p.Events[i]
	if pair, _, _, _ := w.machine.Pair(); from == nil || pair != ev.Pair || ev.Conditioning || !moved(from, to) {
		return
	}
	site := advise.Site{Known: w.machine, Settings: p.Settings, LastTemperature: from.Temperature, LastAltitude: from.Altitude}
	a := site.Recalibrated(advise.Move{
		Machine: p.Machine, AsOf: ev.Time, Temperature: to.Temperature, Humidity: to.Humidity, Altitude: to.Altitude,
		Pressure: to.Pressure, MachineTemperature: to.MachineTemperature,
	})
	out := foundOut(ev)
	w.moves = append(w.moves, MoveCase{
		Machine: p.Machine, Time: ev.Time, Grade: w.machine.Grade(), Out: out, Chance: a.ProbabilityOut,
		Checks:       []bool{a.Answer != advise.NoNeed, true, false, apart(from, to, 300, 10, 20), out},
		CheckMinutes: p.Settings.CheckMinutes, OutMinutes: p.Settings.OutMinutes,
	})
}

// foundOut says whether the first attempt found the machine out of tolerance.
func foundOut(ev *model.Event) bool {
	if !ev.Passed || ev.Tries > 1 {
		return true
	}
	melt, measured := ev.Melt.Get()
	target, aimed := ev.Target.Get()
	tolerance, told := ev.Tolerance.Get()
	return measured && aimed && told && math.Abs(math.Expm1(melt/100))*target > tolerance
}

// MoveRow has the scores of one rule on the moves of one grade of data.
type MoveRow struct {
	Grade advise.Grade `json:"grade"`
	Rule  string       `json:"rule"`
	N     int          `json:"n"`
	// Out is the share found out, Checked the share the rule would have had
	// checked, Minutes what it costs per move: a check, or being out unchecked.
	Out     float64 `json:"out"`
	Checked float64 `json:"checked"`
	Minutes float64 `json:"minutes_per_move"`
	// Brier is the score of the stated chances, on as many moves as there was one
	// for; a rule without chances says 0 or 1.
	Brier  drift.Opt[float64] `json:"brier"`
	Stated int                `json:"n_stated"`
}

// moveRows scores the rules, overall and by grade of data.
func moveRows(cases []MoveCase) []MoveRow {
	rows := []MoveRow{}
	for _, g := range grades(cases, func(c *MoveCase) model.Grade { return c.Grade }) {
		for who, rule := range MoveRules() {
			row := MoveRow{Grade: g.name, Rule: rule}
			var brier float64
			for _, i := range g.of {
				c := &cases[i]
				row.add(c, c.Checks[who])
				chance := drift.Some(number(c.Checks[who]))
				if rule == Model {
					chance = c.Chance
				}
				if p, ok := chance.Get(); ok {
					row.Stated++
					brier += score.Brier(p, c.Out)
				}
			}
			row.Out, row.Checked, row.Minutes = row.Out/float64(row.N), row.Checked/float64(row.N), row.Minutes/float64(row.N)
			if row.Stated > 0 {
				row.Brier = drift.Some(brier / float64(row.Stated))
			}
			rows = append(rows, row)
		}
	}
	return rows
}

// add sums up one move.
func (r *MoveRow) add(c *MoveCase, checked bool) {
	r.N++
	r.Out += number(c.Out)
	r.Checked += number(checked)
	switch {
	case checked:
		r.Minutes += c.CheckMinutes
	case c.Out:
		r.Minutes += c.OutMinutes
	}
}

func number(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

// Bin is one tenth of the scale of stated chances, with how often they came true.
type Bin struct {
	From float64 `json:"from"`
	To   float64 `json:"to"`
	N    int     `json:"n"`
	// Stated is the mean chance stated, Out the share found out with its exact
	// 95 % band; unknown in an empty bin.
	Stated drift.Opt[float64] `json:"stated"`
	Out    drift.Opt[float64] `json:"out"`
	Low    drift.Opt[float64] `json:"out_low"`
	High   drift.Opt[float64] `json:"out_high"`
}

// reliability sorts the site check's stated chances into ten bins.
func reliability(cases []MoveCase) []Bin {
	const tenths = 10
	bins := make([]Bin, tenths)
	var stated [tenths]float64
	var out [tenths]int
	for i := range cases {
		p, ok := cases[i].Chance.Get()
		if !ok {
			continue
		}
		k := min(int(p*tenths), tenths-1)
		bins[k].N++
		stated[k] += p
		if cases[i].Out {
			out[k]++
		}
	}
	for k := range bins {
		b := &bins[k]
		b.From, b.To = float64(k)/tenths, float64(k+1)/tenths
		if b.N > 0 {
			low, high := score.ClopperPearson(out[k], b.N, 0.95)
			b.Stated, b.Out = drift.Some(stated[k]/float64(b.N)), drift.Some(float64(out[k])/float64(b.N))
			b.Low, b.High = drift.Some(low), drift.Some(high)
		}
	}
	return bins
}
