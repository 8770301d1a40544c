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
	// KeepsPass and KeepsFail are the parts of a wrong setting that are left by a check that
	// begins within the tolerance, and by one that begins outside; Tolerance is in log
	// percent.
	KeepsPass, KeepsFail, Tolerance float64
	Days                            []Work
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

// tally is what one machine contributes to a place under one interval from one start.
type tally struct {
	days            int
	checks, minutes float64
	splices         float64
	out             []float64 // by draw
}

// resamples is how often machines are drawn anew for the doubt about which machines a
// place has.
const resamples = 400

// mostStarts is from how many days an interval is replayed at most: on which day its first
// check falls is chance, and a row is the median of them.
const mostStarts = 7

// starts are the days that have gone by since the last check where the history begins.
func starts(every int) (out []int) {
	n := min(max(every, 1), mostStarts)
	for i := range n {
		out = append(out, i*every/n)
	}
	return out
}

// Intervals replays intervals in days on the machines' work and returns, for each place,
// a row for how it was and one for each interval. draws is how many draws the days have.
//
// The doubt joins three kinds: what is not known of each machine's past (its draws), on
// which day its first check falls, and which machines a place happened to have (a bootstrap
// over machines; Efron 1979, Annals of Statistics 7:1).
func Intervals(machines []Machine, every []int, draws int, seed uint64) []Row {
	policies := append([]int{0}, every...)
	tallies := map[Place][]map[int][]*tally{} // by machine
	var first, last time.Time
	for i := range machines {
		m := &machines[i]
		mine := map[Place]map[int][]*tally{}
		for _, n := range policies {
			for at, since := range starts(n) {
				m.replay(n, at, since, draws, rand.New(rand.NewPCG(seed, uint64(i))), mine)
			}
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

// replay lets a machine work under an interval, 0 for how it was, whose last check was so
// many days before the first day; start is the place of that among the starts.
//
// A check that the interval keeps leaves the setting that it left, and of what the setting
// was off by before it, as much as this machine leaves. What only a check has found is found
// by the next one that is kept: until then the machine goes on as it was then.
func (m *Machine) replay(every, start, since, draws int, rng *rand.Rand, to map[Place]map[int][]*tally) {
	setting := make([]float64, draws)
	var checked time.Time
	var unfound *Work // the day of a fault that nobody has found yet
	for at := range m.Days {
		d := &m.Days[at]
		if at == 0 {
			checked = d.Day.AddDate(0, 0, -since)
		}
		t := tallyOf(to, Place{m.Model, d.Site}, every, start, draws)
		kept := at == 0 && since == 0 || d.Forced && d.Tried && !d.Found || daysBetween(checked, d.Day) >= every
		if every == 0 {
			kept = d.Tried
		}
		switch {
		case every == 0 || at == 0 || kept && unfound != nil:
			copy(setting, d.Setting)
		case kept && d.Tried:
			m.check(d, &m.Days[at-1], setting)
		case kept: // nobody checked that day: as checks of this machine leave it
			m.invent(d, setting, rng)
		}
		switch {
		case kept:
			unfound = nil
			t.checks++
			t.minutes += m.Minutes
			if d.Checked || !d.Tried { // a check without a pass is made again on the next day
				checked = d.Day
			}
		case d.Bad != nil && unfound == nil:
			unfound = d
		}
		out := d.Out
		if unfound != nil {
			out = unfound.Bad
		}
		t.days++
		t.splices += d.Splices
		for i := range setting {
			t.out[i] += d.Splices * out(i, setting[i])
		}
	}
}

// check is a check that was made, of a machine whose setting is not what it was then.
func (m *Machine) check(d, before *Work, setting []float64) {
	for i := range setting {
		keeps := m.KeepsFail
		if math.Abs(d.Need[i]-setting[i]) <= m.Tolerance {
			keeps = m.KeepsPass
		}
		setting[i] = d.Setting[i] + keeps*(setting[i]-before.Setting[i])
	}
}

// tallyOf is the tally of a place, an interval and a start, made if there is none.
func tallyOf(to map[Place]map[int][]*tally, place Place, every, start, draws int) *tally {
	if to[place] == nil {
		to[place] = map[int][]*tally{}
	}
	for len(to[place][every]) <= start {
		to[place][every] = append(to[place][every], &tally{out: make([]float64, draws)})
	}
	return to[place][every][start]
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

// rowOf sums the machines up: each figure is the median over the starts.
func rowOf(machines []map[int][]*tally, every int, weeks float64, draws int, seed uint64) Row {
	row := Row{Every: every, Machines: len(machines)}
	n := len(starts(every))
	var checks, minutes, saved, means, extras []float64
	for start := range n {
		var checked, took, was, splices, out, outWas float64
		for _, m := range machines {
			t, before := m[every][start], m[0][0]
			checked, took, was = checked+t.checks, took+t.minutes, was+before.minutes
			splices, out, outWas = splices+t.splices, out+mean(t.out), outWas+mean(before.out)
			if start == 0 {
				row.Days += t.days
				row.Splices += t.splices / weeks
			}
		}
		checks, minutes, saved = append(checks, checked/weeks), append(minutes, took/weeks), append(saved, (was-took)/weeks)
		means, extras = append(means, 1000*out/splices), append(extras, (out-outWas)/weeks)
	}
	rng := rand.New(rand.NewPCG(seed, uint64(every)+1<<32))
	var rate, extra, extraRate []float64
	for again := range resamples {
		draw := again % draws
		splices, out, was := 0.0, 0.0, 0.0
		for range machines {
			m := machines[rng.IntN(len(machines))]
			t := m[every][rng.IntN(n)]
			splices += t.splices
			out += t.out[draw]
			was += m[0][0].out[draw]
		}
		rate = append(rate, 1000*out/splices)
		extra = append(extra, (out-was)/weeks)
		extraRate = append(extraRate, 1000*(out-was)/splices)
	}
	row.Checks, row.Minutes, row.Saved = median(checks), median(minutes), median(saved)
	row.Out, row.Extra, row.ExtraRate = rangeOf(rate), rangeOf(extra), rangeOf(extraRate)
	// The middle is that of the machines as they are, not of those drawn.
	row.Out.Mean, row.Extra.Mean = median(means), median(extras)
	row.ExtraRate.Mean = 1000 * row.Extra.Mean / row.Splices
	return row
}

// median is the middle value, of an even number the mean of the two.
func median(x []float64) float64 {
	sorted := slices.Sorted(slices.Values(x))
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
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

// Advise names, for each place, the longest of the intervals at which, in nine of ten
// replays, at most so many more of 1000 splices are made out of tolerance than were.
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
