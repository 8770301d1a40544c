package whatif

import (
	"cmp"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// Machine is one machine's days of work, for [Intervals].
type Machine struct {
	Name, Model string
	// Minutes is what a check costs.
	Minutes float64
	Days    []Work
}

// Place is a group of days: of machines of one model, at one site.
type Place struct {
	Model string `json:"model"`
	Site  string `json:"site"`
}

// Row is what one interval comes to in one place, beside how it was.
type Row struct {
	Place
	// Every is the days between two checks; 0 is how it was.
	Every    int `json:"every_days"`
	Machines int `json:"machines"`
	// Days is how many days of work it rests on.
	Days int `json:"work_days"`
	// Checks, Minutes and Splices are per week, of all machines together.
	Checks  float64 `json:"checks_per_week"`
	Minutes float64 `json:"check_minutes_per_week"`
	Splices float64 `json:"splices_per_week"`
	// Out is how many of 1000 splices are made out of tolerance.
	Out Range `json:"out_per_1000"`
	// Saved are minutes a week and Extra splices out of tolerance a week, against how it
	// was; ExtraRate is Extra of 1000 splices.
	Saved     float64 `json:"minutes_saved_per_week"`
	Extra     Range   `json:"extra_out_per_week"`
	ExtraRate Range   `json:"extra_out_per_1000"`
}

// tally is what one machine contributes to a place under one interval.
type tally struct {
	days            int
	checks, minutes float64
	splices         float64
	out             []float64 // by draw
}

// resamples is how often machines are drawn anew for the doubt about which machines a
// place has.
const resamples = 400

// Intervals replays intervals in days on the machines' work and returns, for each place,
// a row for how it was and one for each interval. draws is how many draws the days have.
//
// The doubt joins two kinds: what is not known of each machine's past (its draws), and
// which machines a place happened to have (a bootstrap over machines; Efron 1979, Annals
// of Statistics 7:1).
func Intervals(machines []Machine, every []int, draws int, seed uint64) []Row {
	policies := append([]int{0}, every...)
	tallies := map[Place][]map[int]*tally{} // by machine
	var first, last time.Time
	for i := range machines {
		m := &machines[i]
		mine := map[Place]map[int]*tally{}
		for _, n := range policies {
			m.replay(n, draws, rand.New(rand.NewPCG(seed, uint64(i))), mine)
		}
		for place, t := range mine {
			tallies[place] = append(tallies[place], t)
		}
		for _, d := range m.Days {
			if first.IsZero() || d.Day.Before(first) {
				first = d.Day
			}
			if d.Day.After(last) {
				last = d.Day
			}
		}
	}
	weeks := max(last.Sub(first).Hours()/24+1, 1) / 7
	places := slices.SortedFunc(maps.Keys(tallies), func(a, b Place) int {
		return cmp.Or(cmp.Compare(a.Model, b.Model), cmp.Compare(a.Site, b.Site))
	})
	var out []Row
	for _, place := range places {
		for _, n := range policies {
			row := rowOf(tallies[place], n, weeks, draws, seed)
			row.Place = place
			out = append(out, row)
		}
	}
	return out
}

// replay lets a machine work under an interval; 0 is how it was.
func (m *Machine) replay(every, draws int, rng *rand.Rand, to map[Place]map[int]*tally) {
	setting := make([]float64, draws)
	var checked time.Time
	for at := range m.Days {
		d := &m.Days[at]
		place := Place{m.Model, d.Site}
		if to[place] == nil {
			to[place] = map[int]*tally{}
		}
		t := to[place][every]
		if t == nil {
			t = &tally{out: make([]float64, draws)}
			to[place][every] = t
		}
		kept := at == 0 || d.Forced && d.Checked || daysBetween(checked, d.Day) >= every
		if every == 0 {
			kept = d.Checked
		}
		switch {
		case every == 0 || kept && d.Checked || at == 0:
			copy(setting, d.Setting)
		case kept: // nobody checked that day: as checks of this machine leave it
			m.invent(d, setting, rng)
		}
		if kept {
			checked = d.Day
			t.checks++
			t.minutes += m.Minutes
		}
		t.days++
		t.splices += d.Splices
		for i := range setting {
			t.out[i] += d.Splices * d.Out(i, setting[i])
		}
	}
}

func daysBetween(from, to time.Time) int { return int(math.Round(to.Sub(from).Hours() / 24)) }

// invent sets the machine as one of its other checks left it: as far from the power
// needed as on that day.
func (m *Machine) invent(d *Work, setting []float64, rng *rand.Rand) {
	var checks []*Work
	for i := range m.Days {
		if m.Days[i].Checked {
			checks = append(checks, &m.Days[i])
		}
	}
	for i := range setting {
		setting[i] = d.Need[i]
		if len(checks) > 0 {
			other := checks[rng.IntN(len(checks))]
			setting[i] += other.Setting[i] - other.Need[i]
		}
	}
}

// rowOf sums the machines up.
func rowOf(machines []map[int]*tally, every int, weeks float64, draws int, seed uint64) Row {
	row := Row{Every: every, Machines: len(machines)}
	for _, m := range machines {
		t, was := m[every], m[0]
		row.Days += t.days
		row.Checks += t.checks / weeks
		row.Minutes += t.minutes / weeks
		row.Splices += t.splices / weeks
		row.Saved += (was.minutes - t.minutes) / weeks
	}
	rng := rand.New(rand.NewPCG(seed, uint64(every)+1<<32))
	var rate, extra, extraRate []float64
	for n := range resamples {
		draw := n % draws
		splices, out, was := 0.0, 0.0, 0.0
		for range machines {
			m := machines[rng.IntN(len(machines))]
			splices += m[every].splices
			out += m[every].out[draw]
			was += m[0].out[draw]
		}
		rate = append(rate, 1000*out/splices)
		extra = append(extra, (out-was)/weeks)
		extraRate = append(extraRate, 1000*(out-was)/splices)
	}
	row.Out, row.Extra, row.ExtraRate = rangeOf(rate), rangeOf(extra), rangeOf(extraRate)
	// The means are of the machines as they are, not of those drawn.
	splices, out, was := 0.0, 0.0, 0.0
	for _, m := range machines {
		splices += m[every].splices
		out += mean(m[every].out)
		was += mean(m[0].out)
	}
	row.Out.Mean, row.Extra.Mean, row.ExtraRate.Mean = 1000*out/splices, (out-was)/weeks, 1000*(out-was)/splices
	return row
}

func mean(x []float64) (sum float64) {
	for _, v := range x {
		sum += v / float64(len(x))
	}
	return sum
}

func rangeOf(x []float64) Range {
	sorted := slices.Sorted(slices.Values(x))
	at := func(p float64) float64 { return sorted[int(p*float64(len(sorted)-1)+0.5)] }
	return Range{mean(x), at(0.1), at(0.9)}
}

// What an advice rests on at least. Guesses, on the safe side.
const (
	leastDays     = 60 // of work
	leastMachines = 2
)

// Advice is the longest interval at equal risk in one place.
type Advice struct {
	Place
	// Every is the interval, 0 if none is. Enough is whether the history is long enough
	// to say.
	Every  int  `json:"every_days"`
	Enough bool `json:"enough_history"`
	// Row is what it comes to.
	Row Row `json:"row"`
}

// Advise names, for each place, the longest of the intervals at which, with a chance of
// nine in ten, at most so many more of 1000 splices are made out of tolerance than were.
func Advise(rows []Row, risk float64) []Advice {
	byPlace := map[Place]*Advice{}
	var order []Place
	for _, r := range rows {
		a := byPlace[r.Place]
		if a == nil {
			a = &Advice{Place: r.Place, Row: r}
			byPlace[r.Place] = a
			order = append(order, r.Place)
		}
		a.Enough = r.Days >= leastDays && r.Machines >= leastMachines
		if r.Every > a.Every && a.Enough && r.ExtraRate.High <= risk {
			a.Every, a.Row = r.Every, r
		}
	}
	out := make([]Advice, 0, len(order))
	for _, place := range order {
		out = append(out, *byPlace[place])
	}
	return out
}
