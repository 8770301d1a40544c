package whatif

import (
	"cmp"
	"errors"
	"maps"
	"slices"
	"time"

	"arcdrift/drift/fit"
	"arcdrift/drift/model"
)

// Question is what is asked of a fleet's history.
type Question struct {
	// From is the first moment that counts, zero for the beginning of the records, To the
	// last.
	From, To time.Time
	// Every are the intervals between checks, in days; CleanAt the arcs since the last
	// service; Spares the pairs at each depot.
	Every   []int
	CleanAt []float64
	Spares  []int
	// Risk is how many more of 1000 splices may be made out of tolerance for an interval
	// to count as of equal risk.
	Risk float64
	// Lead is the lead time of a depot that says none.
	Lead time.Duration
}

// DefaultEvery are the intervals that are looked at when nobody names one, DefaultRisk
// one more splice of a thousand, DefaultLead what the advice on spares takes: proposals.
const (
	DefaultRisk = 1.0
	DefaultLead = 30 * 24 * time.Hour
)

// DefaultEvery: see DefaultRisk.
func DefaultEvery() []int { return []int{1, 2, 3, 5, 7, 10, 14} }

// Report is the answer. Its JSON form is fixed.
type Report struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	Risk float64   `json:"risk_per_1000"`
	// Intervals are rows by place, the first of each how it was; Advice names the longest
	// at equal risk.
	Intervals []Row    `json:"intervals"`
	Advice    []Advice `json:"advice"`
	// Cleaning are rows by model, the first of each how it was.
	Cleaning []ModelCleaning `json:"cleaning"`
	Spares   []Spares        `json:"spares"`
	// Limits are sentences on what history cannot tell.
	Limits []string `json:"limits"`
}

// ModelCleaning is service at so many arcs for machines of one model.
type ModelCleaning struct {
	Model string `json:"model"`
	Cleaning
}

// draws of each machine's past: enough for the ends of an interval of eight in ten.
const draws = 40

// Ask replays the policies of a question on the machines' pasts. each lets the machines
// be worked out in any order, several at a time: it calls do for every index below n.
func Ask(pasts []Past, q Question, each func(n int, do func(i int)) error) (Report, error) {
	if q.From.IsZero() {
		q.From = begin(pasts, q.To)
	}
	out := Report{From: q.From, To: q.To, Risk: q.Risk, Intervals: []Row{}, Advice: []Advice{}, Cleaning: []ModelCleaning{}, Spares: []Spares{}, Limits: Limits()}
	if len(q.Every) > 0 {
		machines := make([]Machine, len(pasts))
		err := each(len(pasts), func(i int) {
			p := &pasts[i]
			machines[i] = p.machine(q.From)
		})
		if err != nil {
			return Report{}, err
		}
		out.Intervals = Intervals(machines, q.Every, draws, 1)
		out.Advice = Advise(out.Intervals, q.Risk)
	}
	if len(q.CleanAt) > 0 {
		rows, err := cleanings(pasts, q.CleanAt)
		if err != nil {
			return Report{}, err
		}
		out.Cleaning = rows
	}
	if len(q.Spares) > 0 {
		out.Spares = depots(pasts, &q)
	}
	return out, nil
}

// machine is the machine with its days of work since a moment.
func (p *Past) machine(from time.Time) Machine {
	low, high := p.Kind.Window()
	return Machine{
		Name: p.Machine, Model: p.Model, Minutes: p.Settings.CheckMinutes, Days: p.Work(from, draws, 1),
		KeepsPass: kept(p.Kind.GainPass), KeepsFail: kept(p.Kind.GainFail) * kept(p.Kind.GainFail), Tolerance: min(-low, high),
	}
}

// kept is what a correction by so much of an error leaves of it.
func kept(gain float64) float64 { return min(max(1-gain, 0), 1) }

// begin is when the records begin.
func begin(pasts []Past, first time.Time) time.Time {
	for i := range pasts {
		if events := pasts[i].Events; len(events) > 0 && events[0].Time.Before(first) {
			first = events[0].Time
		}
	}
	return first
}

// cleanings are rows for each model that has stretches.
func cleanings(pasts []Past, at []float64) ([]ModelCleaning, error) {
	byModel := map[string][]fit.Life{}
	for i := range pasts {
		p := &pasts[i]
		h := model.History{Machine: p.Machine, Events: p.Events, AttemptLimit: int(p.Settings.AttemptLimit)}
		byModel[p.Model] = append(byModel[p.Model], Stretches(&h)...)
	}
	out := []ModelCleaning{}
	for _, name := range slices.Sorted(maps.Keys(byModel)) {
		lives := byModel[name]
		if len(lives) == 0 {
			continue
		}
		out = append(out, ModelCleaning{name, AsItWas(lives, 1)})
		for _, arcs := range at {
			c, err := CleanAt(lives, arcs, 1)
			if err != nil {
				return nil, err
			}
			out = append(out, ModelCleaning{name, c})
		}
	}
	return out, nil
}

// depots replays each depot's demand for pairs.
func depots(pasts []Past, q *Question) []Spares {
	type depot struct {
		demand []time.Time
		lead   time.Duration
	}
	byName := map[string]*depot{}
	for i := range pasts {
		p := &pasts[i]
		d := byName[p.Settings.Depot]
		if d == nil {
			d = &depot{}
			byName[p.Settings.Depot] = d
		}
		if days, known := p.Settings.LeadTime.Get(); known {
			d.lead = max(d.lead, time.Duration(days*24*float64(time.Hour)))
		}
		for j := range p.Events {
			if kind := p.Events[j].Kind; kind == model.Replaced || kind == model.Unlogged {
				d.demand = append(d.demand, p.Events[j].Time)
			}
		}
	}
	out := []Spares{}
	for _, name := range slices.Sorted(maps.Keys(byName)) {
		d := byName[name]
		for _, pairs := range q.Spares {
			s := SparesOf(d.demand, pairs, cmp.Or(d.lead, q.Lead), q.From, q.To)
			s.Depot = name
			out = append(out, s)
		}
	}
	return out
}

// Check names what is wrong with a question.
func (q *Question) Check() error {
	switch {
	case !q.From.Before(q.To):
		return errors.New("the time asked about must begin before it ends")
	case q.Risk < 0:
		return errors.New("the risk must not be below 0")
	}
	for _, n := range q.Every {
		if n < 1 || n > 365 {
			return errors.New("an interval between checks must be from 1 to 365 days")
		}
	}
	for _, n := range q.CleanAt {
		if n < 1 || n > 1e6 {
			return errors.New("the arcs between two services must be from 1 to 1,000,000")
		}
	}
	for _, n := range q.Spares {
		if n < 0 || n > 10000 {
			return errors.New("spare pairs must be from 0 to 10,000")
		}
	}
	return nil
}
