package lookback

import (
	"maps"
	"slices"
	"time"

	"arcdrift/drift"
)

// lot is the splices of one day for one job, spread over the pieces of work in which
// they were made.
type lot struct {
	day, job string
	counted  bool
	share    map[int]float64 // splices by index of the piece
	records  []*drift.Entry  // with a loss
}

// pieces are those in which the splices were made, in order: sums and draws go through
// them, and must come out the same each time.
func (l *lot) pieces() []int { return slices.Sorted(maps.Keys(l.share)) }

func (l *lot) splices() (sum float64) {
	for _, j := range l.pieces() {
		sum += l.share[j]
	}
	return sum
}

// most is the piece in which most of the splices were made, the first of equals.
func (l *lot) most() int {
	best := -1
	for j, n := range l.share {
		if best < 0 || n > l.share[best] || n == l.share[best] && j < best {
			best = j
		}
	}
	return best
}

// joined makes one entry of a day on which one span ended and the next began: a decision
// names machine, day and job, and must hold for all of it.
func joined(lots []Lot) []Lot {
	out := make([]Lot, 0, len(lots))
	at := map[[3]string]int{}
	for i := range lots {
		key := lots[i].Entry.key()
		if j, seen := at[key]; seen {
			out[j] = join(&out[j], &lots[i])
			continue
		}
		at[key] = len(out)
		out = append(out, lots[i])
	}
	return out
}

// join adds up two lots of one key. What cannot be added is that of the larger.
func join(a, b *Lot) Lot {
	if b.Entry.Splices > a.Entry.Splices {
		a, b = b, a
	}
	out := *a
	e, x, y := &out.Entry, &a.Entry, &b.Entry
	n, m := float64(x.Splices), float64(y.Splices)
	mean := func(p, q float64) float64 { return rounded((n*p+m*q)/(n+m), 1000) }
	e.Splices, e.Counted = x.Splices+y.Splices, x.Counted && y.Counted
	e.Chance = mean(x.Chance, y.Chance)
	if x.Before.Known() || y.Before.Known() {
		e.Before = drift.Some(mean(x.Before.Or(x.Chance), y.Before.Or(y.Chance)))
	}
	out.measured = slices.Concat(a.measured, b.measured)
	if len(out.measured) > 0 {
		e.Loss = summary(out.measured)
	}
	out.counts = slices.Clone(a.counts)
	for d := range min(len(out.counts), len(b.counts)) {
		out.counts[d] += b.counts[d]
	}
	e.Out = number(out.counts)
	return out
}

// longest is how far back a splice record may reach: "since the last such record" is
// not meant for longer, and the machine may have been silent.
const longest = 7 * 24 * time.Hour

// lots distributes splices over the pieces: those that records count, over the arcs
// burnt since the record before; where no record counts, one for each arc.
func (p *Past) lots(pieces []piece) ([]*lot, unanswered) {
	b := lotBuilder{pieces: pieces, unanswered: unanswered{splices: map[string]int{}, losses: map[string]int{}}, byKey: map[[2]string]*lot{}, covered: make([]bool, len(pieces))}
	p = p.ready()
	b.days, b.daily = p.days, p.countsDaily()
	last, reported := time.Time{}, map[string]bool{}
	for i := range p.Entries {
		e := &p.Entries[i]
		if e.Splice == nil || e.Splice.Made() == 0 {
			continue
		}
		at := e.When()
		from := at.Add(-longest)
		if last.After(from) {
			from = b.after(last, at)
		} else if last.IsZero() {
			local := at.In(p.zone())
			from = time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, p.zone())
		}
		last = at
		if !at.After(from) {
			at = p.nextCount(i, at)
		}
		b.count(e, from, at)
		reported[p.day(at)] = true // what is done later on that day, the next record counts
	}
	for i := range pieces {
		if n := pieces[i].arcs(); !b.covered[i] && !reported[pieces[i].day] && n > 0 {
			b.lot(pieces[i].day, "", false).share[i] += n
		}
	}
	for i := range p.Entries {
		if e := &p.Entries[i]; e.Splice != nil && e.Splice.Loss.Known() {
			if l := b.byKey[[2]string{p.day(e.When()), e.Splice.Job}]; l != nil {
				l.records = append(l.records, e)
			} else if e.Splice.Measured() {
				b.losses[e.Splice.Job]++
			}
		}
	}
	return b.all, b.unanswered
}

// countsDaily says whether splices are counted on almost every day on record, so that a
// count ends the work of its day.
func (p *Past) countsDaily() bool {
	const least, almost = 5, 0.8
	counted := map[string]bool{}
	for i := range p.Entries {
		if e := &p.Entries[i]; e.Splice != nil && e.Splice.Made() > 0 {
			counted[p.day(e.When())] = true
		}
	}
	return len(counted) >= least && float64(len(counted)) >= almost*float64(len(p.days.recorded))
}

// after is when the splices of a count began: after the count before, or on the next day
// where a count ends the work of its day.
func (b *lotBuilder) after(last, at time.Time) time.Time {
	if next := b.days.midnight(last).AddDate(0, 0, 1); b.daily && next.Before(at) {
		return next
	}
	return last
}

// nextCount is when the next splices were counted, for a record that has the time of the
// one before it: its own cannot be believed, and it was placed there.
func (p *Past) nextCount(i int, at time.Time) time.Time {
	for _, e := range p.Entries[i+1:] {
		if e.Splice != nil && e.Splice.Made() > 0 && e.When().After(at) {
			return e.When()
		}
	}
	return at.Add(longest)
}

// unanswered are, by job, splices without an answer, as nothing is known of the
// machine at that time, and measured losses that fit no splices of their day and job.
type unanswered struct{ splices, losses map[string]int }

type lotBuilder struct {
	unanswered
	days    *calendar
	daily   bool
	pieces  []piece
	byKey   map[[2]string]*lot
	covered []bool
	all     []*lot
}

func (b *lotBuilder) lot(day, job string, counted bool) *lot {
	l := b.byKey[[2]string{day, job}]
	if l == nil {
		l = &lot{day: day, job: job, counted: counted, share: map[int]float64{}}
		b.byKey[[2]string{day, job}] = l
		b.all = append(b.all, l)
	}
	l.counted = l.counted && counted
	return l
}

// count spreads the splices of a record over the pieces since the one before.
func (b *lotBuilder) count(e *drift.Entry, from, to time.Time) {
	weights, total := map[int]float64{}, 0.0
	quiet := b.daily && b.days.quiet()
	for i := range b.pieces {
		c := &b.pieces[i]
		begin, end := c.from, c.to
		if from.After(begin) {
			begin = from
		}
		if to.Before(end) {
			end = to
		}
		if !end.After(begin) {
			continue
		}
		b.covered[i] = b.covered[i] || end.Sub(begin) > c.to.Sub(c.from)/2
		const nothing = 1e-6 // where no arc was counted, time decides
		w := (max(c.arcs(), 0) + nothing) * float64(end.Sub(begin)) / float64(c.to.Sub(c.from))
		if quiet && !b.days.recorded[b.days.midnight(c.from)] {
			w *= nothing // somebody would have counted them
		}
		weights[i], total = w, total+w
	}
	if len(weights) == 0 {
		b.splices[e.Splice.Job] += int(e.Splice.Made())
	}
	for _, i := range slices.Sorted(maps.Keys(weights)) {
		w := weights[i]
		l := b.lot(b.pieces[i].day, e.Splice.Job, true)
		l.share[i] += float64(e.Splice.Made()) * w / total
	}
}
