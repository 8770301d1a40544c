package health_test

import (
	"fmt"
	"maps"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/health"
)

var monday = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func entry(at time.Time, change func(*drift.Record)) *drift.Entry {
	r := drift.Record{Machine: "K-07", Time: at}
	change(&r)
	return &drift.Entry{Record: r}
}

func try(at time.Time, attempt int64, passed bool, cleaver string) *drift.Entry {
	return entry(at, func(r *drift.Record) {
		r.Type = drift.TypeCalibration
		r.Calibration = &drift.Calibration{Attempt: drift.Some(attempt), Passed: drift.Some(passed), Cleaver: cleaver}
	})
}

// A case counted by hand: on Monday a calibration that passes at its second try, on
// Wednesday a new pair at another site, a whole session of three typed in one record, and
// one that passes at once.
func TestADiaryCountedByHand(t *testing.T) {
	d := health.NewDiary("K-07", "north")
	d.Take(try(monday, 1, false, "C-1"), []advise.Owed{{Rule: advise.StartOfDay, Kept: true}})
	d.Take(try(monday.Add(time.Minute), 2, true, "C-1"), nil)
	d.Take(entry(monday.Add(time.Hour), func(r *drift.Record) { r.Type, r.Site, r.Model = drift.TypeUsage, "Mill Lane", "type-1" }), nil)
	wednesday := monday.AddDate(0, 0, 2)
	d.Take(entry(wednesday, func(r *drift.Record) {
		r.Type, r.Site, r.Service = drift.TypeService, "Tarn Pass", &drift.Service{Action: drift.Replaced, Pair: "lot 118"}
	}), []advise.Owed{{Rule: advise.Moved}, {Rule: advise.ElectrodeWork, Kept: true}, {Rule: advise.Weather}})
	d.Take(entry(wednesday.Add(time.Hour), func(r *drift.Record) {
		r.Type = drift.TypeCalibration
		r.Calibration = &drift.Calibration{Attempts: drift.Some(int64(3)), Passed: drift.Some(true), Cleaver: "C-2"}
	}), nil)
	d.Take(try(wednesday.Add(9*time.Hour), 1, true, "C-2"), nil)
	rows := d.Close(health.DayOf(wednesday) + 1)

	b := health.Book{Machines: []health.Machine{{Name: "K-07", Rows: rows}}}
	q := health.Query{From: health.DayOf(monday), To: health.DayOf(wednesday) + 1}
	whole := b.Count(q)
	require.Len(t, whole, 1)
	g := whole[0]
	assert.Equal(t, health.Counts{
		Pending: 4, Sessions: 3, FirstTry: 1, Tries: 6, Failed: 3, Services: 1, Moves: 1,
		Checks: [3]advise.Tally{{Owed: 1, Kept: 1}, {Owed: 1, Kept: 1}, {Owed: 1}},
	}, g.Total)
	assert.Equal(t, health.Counts{Pending: 1, Sessions: 1, Tries: 2, Failed: 1, Checks: [3]advise.Tally{{Owed: 1, Kept: 1}}}, g.Days[0])
	assert.Equal(t, health.Counts{Pending: 1}, g.Days[1], "Tuesday is a day, too")

	q.By = health.ByPair
	pairs := b.Count(q)
	require.Len(t, pairs, 2)
	assert.Equal(t, "lot 118", pairs[1].Name)
	assert.Equal(t, 4, pairs[1].Total.Tries)
	q.By, q.Only.Cleaver = health.BySite, "C-2"
	sites := b.Count(q)
	require.Len(t, sites, 1)
	assert.Equal(t, "Tarn Pass", sites[0].Name)
	assert.Equal(t, 4, sites[0].Total.Tries)
	assert.Equal(t, map[health.By][]string{health.ByModel: {"type-1"}, health.BySite: {"Mill Lane", "Tarn Pass"}, health.ByDepot: {"north"}, health.ByCleaver: {"C-1", "C-2"}, health.ByPair: {"lot 118"}}, b.Names(nil))
	assert.Empty(t, b.Names(func(string) (health.Day, bool) { return 0, false })[health.BySite])
}

// books draws a fleet with random diaries and states.
func books(t *rapid.T) *health.Book {
	b := &health.Book{}
	label := rapid.SampledFrom([]string{"", "one", "two", "three"})
	for m := range rapid.IntRange(0, 5).Draw(t, "machines") {
		name := fmt.Sprintf("K-%d", m)
		d := health.NewDiary(name, label.Draw(t, "depot"))
		at := monday
		for range rapid.IntRange(0, 20).Draw(t, "entries") {
			at = at.Add(time.Duration(rapid.IntRange(0, 60).Draw(t, "hours")) * time.Hour)
			e := try(at, int64(rapid.IntRange(1, 4).Draw(t, "attempt")), rapid.Bool().Draw(t, "passed"), label.Draw(t, "cleaver"))
			e.Site, e.Model = label.Draw(t, "site"), label.Draw(t, "model")
			if rapid.IntRange(0, 5).Draw(t, "kind") == 0 {
				e.Type, e.Calibration, e.Service = drift.TypeService, nil, &drift.Service{Action: drift.Replaced, Pair: label.Draw(t, "pair")}
			}
			d.Take(e, []advise.Owed{{Rule: rapid.SampledFrom(health.Rules()).Draw(t, "rule"), Kept: rapid.Bool().Draw(t, "kept")}})
		}
		rows := d.Close(health.DayOf(at) + 2)
		for i := range rows {
			if rows[i].State == health.Pending {
				rows[i].State = health.StateOf(rapid.SampledFrom(append(advise.States(), "")).Draw(t, "state"))
			}
		}
		b.Machines = append(b.Machines, health.Machine{Name: name, Rows: rows})
	}
	return b
}

// However it is grouped, the groups sum to the whole, day by day.
func TestGroupsSumToTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := books(t)
		from := health.DayOf(monday) + health.Day(rapid.IntRange(-3, 10).Draw(t, "from"))
		q := health.Query{From: from, To: from + health.Day(rapid.IntRange(0, 40).Draw(t, "days"))}
		for _, m := range b.Machines {
			q.Verdicts = append(q.Verdicts, health.Verdict{Machine: m.Name, Day: from + health.Day(rapid.IntRange(-1, 5).Draw(t, "ended")), Right: rapid.Bool().Draw(t, "right")})
		}
		want := make([]health.Counts, q.To-q.From+1)
		for _, g := range b.Count(q) {
			copy(want, g.Days)
		}
		for _, q.By = range append(health.Groupings(), health.ByMachine) {
			got := make([]health.Counts, len(want))
			for _, g := range b.Count(q) {
				var total health.Counts
				for i := range g.Days {
					got[i].Add(&g.Days[i])
					total.Add(&g.Days[i])
				}
				require.Equal(t, g.Total, total)
			}
			require.Equal(t, want, got, "by %s", q.By)
		}
		// And each machine has one state a day at most.
		q.By = health.ByMachine
		for _, g := range b.Count(q) {
			for _, day := range g.Days {
				require.LessOrEqual(t, day.Machines()+day.Pending, 1)
			}
		}
	})
}

// However rows change, the sums say what going through all rows says.
func TestSumsSayWhatTheRowsSay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var summer health.Summer
		var held []*health.Book
		for range rapid.IntRange(1, 4).Draw(t, "books") {
			b := books(t)
			if len(held) > 0 { // some machines stay as they were, some have left
				was := held[len(held)-1].Machines
				for i := range min(len(was), len(b.Machines)) {
					if rapid.Bool().Draw(t, "stays") {
						b.Machines[i] = was[i]
					}
				}
			}
			b.Sums = summer.Next(b.Machines)
			held = append(held, b)
		}
		label := rapid.SampledFrom([]string{"", "", "one", "two", "nowhere"})
		for _, b := range held { // older ones too: they did not change
			from := health.DayOf(monday) + health.Day(rapid.IntRange(-3, 10).Draw(t, "from"))
			q := health.Query{
				From: from, To: from + health.Day(rapid.IntRange(0, 40).Draw(t, "days")), By: rapid.SampledFrom(append(health.Groupings(), health.Whole)).Draw(t, "by"),
				Only:  health.Labels{Site: label.Draw(t, "site"), Model: label.Draw(t, "model"), Depot: label.Draw(t, "depot")},
				Today: from + health.Day(rapid.IntRange(-1, 41).Draw(t, "today")), Brief: rapid.Bool().Draw(t, "brief"),
				Now: func(yield func(string, advise.State) bool) {
					for i, state := range append(advise.States(), "") {
						if !yield(fmt.Sprintf("K-%d", i), state) {
							return
						}
					}
				},
				Verdicts: []health.Verdict{{Machine: "K-1", Day: from + 2, Right: true}, {Machine: "K-9", Day: from}},
			}
			if rapid.IntRange(0, 9).Draw(t, "one machine") == 0 {
				q.Only.Machine = "K-1"
			}
			rows := *b
			rows.Sums = nil
			whole, groups := b.Overview(q)
			wantWhole, want := rows.Overview(q)
			require.Equal(t, wantWhole, whole)
			require.Equal(t, want, groups)
			require.Equal(t, rows.Names(nil), b.Names(nil))
		}
	})
}

// A filter leaves what the group of that label has, and nobody sees what he may not.
func TestAFilterIsOneOfTheGroups(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := books(t)
		q := health.Query{From: health.DayOf(monday), To: health.DayOf(monday) + 60, By: health.BySite}
		for _, g := range b.Count(q) {
			if g.Name == "" {
				continue
			}
			one := b.Count(health.Query{From: q.From, To: q.To, Only: health.Labels{Site: g.Name}})
			require.Len(t, one, 1)
			require.Equal(t, g.Days, one[0].Days)
		}
		q.Sees = func(string) (health.Day, bool) { return 0, false }
		require.Empty(t, b.Count(q))
		// Who sees machines from a day on sees what is from then on.
		q.By = health.Whole
		late := q
		late.From += 5
		q.Sees = func(string) (health.Day, bool) { return late.From, true }
		var from, all health.Counts
		for _, g := range b.Count(q) {
			from = g.Total
		}
		late.Sees = nil
		for _, g := range b.Count(late) {
			all = g.Total
		}
		require.Equal(t, all, from)
	})
}

// What was written is read again, and nothing else is.
func TestRowsComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		for _, m := range books(t).Machines {
			raw := health.AppendRows(nil, m.Name, m.Rows)
			name, rows, err := health.RowsFrom(raw)
			require.NoError(t, err)
			require.Equal(t, m.Name, name)
			require.Equal(t, len(m.Rows), len(rows))
			for i := range rows {
				require.Equal(t, *m.Rows[i].Labels, *rows[i].Labels)
				was := m.Rows[i]
				was.Labels = rows[i].Labels
				require.Equal(t, was, rows[i])
			}
			if len(rows) > 0 {
				_, _, err = health.RowsFrom(raw[:rapid.IntRange(0, len(raw)-1).Draw(t, "cut")])
				require.Error(t, err)
			}
		}
		_, _, _ = health.RowsFrom(rapid.SliceOf(rapid.Byte()).Draw(t, "noise")) // whatever it says, it does not panic
	})
}

// A number that is full stays full.
func TestARowHoldsItsMaximum(t *testing.T) {
	d := health.NewDiary("K-07", "")
	for i := range 300 {
		d.Take(entry(monday, func(r *drift.Record) {
			r.Type, r.Service = drift.TypeService, &drift.Service{Action: drift.Cleaned}
			r.ID = fmt.Sprint(i)
		}), nil)
	}
	assert.EqualValues(t, math.MaxUint8, d.Close(health.DayOf(monday))[0].Services)
}

// Today's states are the present ones, whatever is computed.
func TestTodayIsNow(t *testing.T) {
	d := health.NewDiary("K-07", "")
	d.Take(try(monday, 1, true, ""), nil)
	today := health.DayOf(monday)
	b := health.Book{Machines: []health.Machine{{Name: "K-07", Rows: d.Close(today)}}}
	g := b.Count(health.Query{From: today, To: today, Today: today, Now: maps.All(map[string]advise.State{"K-07": advise.Stop})})
	assert.Equal(t, [5]int{1}, g[0].Total.States)
	last, ok := g[0].Last()
	assert.True(t, ok)
	assert.Equal(t, 1, last.Machines())
}

func TestDays(t *testing.T) {
	day := health.DayOf(time.Date(2026, 3, 2, 23, 59, 59, 0, time.UTC))
	assert.Equal(t, time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC), day.Start())
	assert.Equal(t, time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC), day.End())
	assert.Equal(t, health.Day(0), health.DayOf(time.Unix(0, 0)))
}

// BenchmarkCount: a quarter and two years of 2,000 machines.
func BenchmarkCount(b *testing.B) {
	book := &health.Book{}
	for m := range 2000 {
		d := health.NewDiary(fmt.Sprintf("K-%04d", m), fmt.Sprintf("depot %d", m%7))
		for day := range 730 {
			d.Take(try(monday.AddDate(0, 0, day), 1, true, fmt.Sprintf("C-%d", m%300)), nil)
		}
		book.Machines = append(book.Machines, health.Machine{Name: fmt.Sprintf("K-%04d", m), Rows: d.Close(health.DayOf(monday) + 730)})
	}
	summed := *book
	summed.Sums = new(health.Summer).Next(book.Machines)
	for name, from := range map[string]*health.Book{"rows": book, "sums": &summed} {
		for _, days := range []int{90, 730} {
			b.Run(fmt.Sprintf("%s/days=%d", name, days), func(b *testing.B) {
				for b.Loop() {
					from.Count(health.Query{From: health.DayOf(monday) + 730 - health.Day(days), To: health.DayOf(monday) + 730, By: health.ByDepot})
				}
			})
		}
	}
	b.Run("next", func(b *testing.B) {
		for b.Loop() {
			new(health.Summer).Next(book.Machines)
		}
	})
	b.Run("names", func(b *testing.B) {
		for b.Loop() {
			book.Names(nil)
		}
	})
}
