package plan

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
)

// monday is the first day of every plan here.
var monday = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

func in(days int) time.Time { return monday.AddDate(0, 0, days) }

func weekdays() [7]bool {
	days, _ := drift.Weekdays(UsualDays)
	return days
}

func benchOf(depot string, perDay int, pairs int64) Bench {
	return Bench{Depot: depot, PerDay: perDay, Days: weekdays(), Pairs: drift.Some(pairs), LeadDays: 10}
}

// fleet draws a bench with few places and the machines that need it.
func fleet(t *rapid.T, most int) (tasks []Task, b Bench) {
	b = benchOf("north", rapid.IntRange(0, 2).Draw(t, "per day"), 2)
	for i := range rapid.IntRange(0, most).Draw(t, "machines") {
		task := Task{Machine: fmt.Sprintf("K-%02d", i), Depot: "north", Replace: rapid.Bool().Draw(t, "replace"), Stop: rapid.IntRange(0, 5).Draw(t, "stop") == 0}
		if due := rapid.IntRange(-3, 20).Draw(t, "due"); due < 19 {
			task.ActBy = in(due)
		}
		if fixed := rapid.IntRange(0, 12).Draw(t, "fixed"); fixed < 3 {
			task.Fixed = in(rapid.IntRange(0, 20).Draw(t, "day"))
		}
		tasks = append(tasks, task)
	}
	return tasks, b
}

// Properties: every machine once, on a day of the bench with a place, unless somebody
// decided otherwise; what somebody decided stands.
func TestPlansKeepToTheBench(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		tasks, b := fleet(rt, 40)
		d := Make(tasks, []Bench{b}, monday)[0]
		seen := map[string]bool{}
		for _, task := range d.Unplaced {
			seen[task.Machine] = true
			require.Zero(rt, task.Fixed)
		}
		before := monday.AddDate(0, 0, -1)
		for _, day := range d.Days {
			require.True(rt, day.Date.After(before))
			before = day.Date
			own := 0
			for _, s := range day.Slots {
				require.False(rt, seen[s.Machine], "%s twice", s.Machine)
				seen[s.Machine] = true
				require.Equal(rt, !s.Fixed.IsZero(), s.Decided)
				if s.Decided {
					require.Equal(rt, s.Fixed, day.Date)
					continue
				}
				own++
				require.True(rt, b.Days[day.Date.Weekday()])
				require.False(rt, s.Over)
				require.False(rt, day.Date.Before(s.from()))
			}
			if own > 0 {
				require.LessOrEqual(rt, len(day.Slots), b.PerDay)
			}
		}
		require.Len(rt, seen, len(tasks))
		for _, late := range d.Unplaced { // no place was left free for it
			for _, day := range d.Days {
				require.False(rt, day.Free > 0 && !day.Date.Before(late.from()), "%s has a place on %s", late.Machine, day.Date)
			}
		}
	})
}

// Of all plans of a small fleet none has a smaller greatest lateness.
func TestNoPlanIsLessLate(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := benchOf("north", rapid.IntRange(1, 2).Draw(rt, "per day"), 0)
		var tasks []Task
		for i := range rapid.IntRange(1, 5).Draw(rt, "machines") {
			tasks = append(tasks, Task{Machine: fmt.Sprint(i), Depot: "north", ActBy: in(rapid.IntRange(-2, 12).Draw(rt, "due"))})
		}
		d := Make(tasks, []Bench{b}, monday)[0]
		require.Empty(rt, d.Unplaced)
		got := 0
		for _, day := range d.Days {
			for _, s := range day.Slots {
				got = max(got, s.Late)
			}
		}
		require.Equal(rt, leastLate(tasks, b, make([]int, 14), 0), got)
	})
}

// leastLate tries every day of two weeks for every machine.
func leastLate(tasks []Task, b Bench, used []int, worst int) int {
	if len(tasks) == 0 {
		return worst
	}
	least := 1 << 30
	for day := range used {
		if used[day] == b.PerDay || !b.Days[in(day).Weekday()] || in(day).Before(tasks[0].from()) {
			continue
		}
		used[day]++
		late := max(0, int(in(day).Sub(tasks[0].ActBy).Hours()/24))
		least = min(least, leastLate(tasks[1:], b, used, max(worst, late)))
		used[day]--
	}
	return least
}

func TestMostUrgentFirst(t *testing.T) {
	d := Make([]Task{
		{Machine: "later", Depot: "north", ActBy: in(9)}, {Machine: "soon", Depot: "north", ActBy: in(1)}, {Machine: "likely", Depot: "north", ActBy: in(1), Chance: drift.Some(0.4)},
		{Machine: "still", Depot: "north", Stop: true}, {Machine: "some day", Depot: "north"}, {Machine: "missed", Depot: "north", ActBy: in(-3)},
	}, []Bench{benchOf("north", 2, 0)}, monday)[0]
	var order []string
	for _, day := range d.Days {
		for _, s := range day.Slots {
			order = append(order, fmt.Sprintf("%s %s +%d", day.Date.Format("Mon 2"), s.Machine, s.Late))
		}
	}
	assert.Equal(t, []string{"Mon 2 still +0", "Mon 2 missed +3", "Tue 3 likely +0", "Tue 3 soon +0", "Wed 4 later +0", "Wed 4 some day +0"}, order)
	assert.Equal(t, 1, d.Late)
}

// A decided day stands, also on a Saturday and beyond what the bench takes, and is shown
// as such.
func TestDecidedDaysStand(t *testing.T) {
	d := Make([]Task{{Machine: "a", Depot: "north", ActBy: in(2), Fixed: in(5)}, {Machine: "b", Depot: "north", Fixed: in(0)}, {Machine: "c", Depot: "north", Fixed: in(0)}, {Machine: "d", Depot: "north", ActBy: in(0)}},
		[]Bench{benchOf("north", 1, 0)}, monday)[0]
	assert.Equal(t, []bool{false, true}, []bool{d.Days[0].Slots[0].Over, d.Days[0].Slots[1].Over})
	assert.Equal(t, "d", d.Days[1].Slots[0].Machine)
	assert.Equal(t, 1, d.Days[1].Slots[0].Late)
	assert.Equal(t, time.Saturday, d.Days[5].Date.Weekday())
	assert.Equal(t, 3, d.Days[5].Slots[0].Late)
	assert.Equal(t, 2, d.Late)
}

func TestPairsToMoveAndToOrder(t *testing.T) {
	replace := func(machine, depot string, due int) Task {
		return Task{Machine: machine, Depot: depot, Replace: true, ActBy: in(due)}
	}
	north, south, east := benchOf("north", 1, 1), benchOf("south", 1, 3), benchOf("east", 1, 0)
	east.Pairs = drift.Opt[int64]{}
	all := Make([]Task{replace("a", "north", 3), replace("b", "north", 4), replace("c", "north", 18), replace("d", "north", 25), replace("e", "south", 3), replace("f", "south", 3), replace("g", "east", 3)},
		[]Bench{north, south, east}, monday)
	require.Len(t, all, 3)
	assert.Equal(t, Supply{Depot: "east", Needed: 1}, all[0].Supply, "nobody said what it holds")
	assert.Equal(t, Supply{Depot: "north", Needed: 4, Held: drift.Some(int64(1)), Move: []Transfer{{"south", 1}}, Order: 2, OrderBy: in(4 - 3 - 3 + 3), Late: false}, withoutDay(all[1].Supply, in(1)))
	assert.Equal(t, Supply{Depot: "south", Needed: 2, Held: drift.Some(int64(3))}, all[2].Supply)
	assert.Equal(t, in(11-10), all[1].Supply.OrderBy, "the third replacement is on the eleventh day")
}

func withoutDay(s Supply, day time.Time) Supply {
	s.OrderBy = day
	return s
}

func TestAMoveHoldsUntilItsDayHasPassed(t *testing.T) {
	var none *Move
	assert.Zero(t, none.Fixed(monday))
	for day, want := range map[string]time.Time{
		monday.Format(time.DateOnly):                   monday,
		monday.AddDate(0, 0, 9).Format(time.DateOnly):  monday.AddDate(0, 0, 9),
		monday.AddDate(0, 0, -1).Format(time.DateOnly): {},
	} {
		assert.Equal(t, want, (&Move{Day: day}).Fixed(monday), day)
	}
	assert.Nil(t, MoveOf(&drift.Entry{Record: drift.Record{Decision: &drift.Decision{Verdict: drift.Redo, Day: "2026-03-02"}}}))
}
