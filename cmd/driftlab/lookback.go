package main

import (
	"cmp"
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"arcdrift/agent/fleet"
	"arcdrift/drift/blind"
	"arcdrift/drift/lookback"
	"arcdrift/drift/synth"
)

// workday is the truth of the splices of a machine on one day.
type workday struct {
	made, out int
	chance    float64 // the mean true chance
}

// lookedBack is one day of one machine: what was stated, what was true, and which rules
// of today would have had it measured again.
type lookedBack struct {
	fleet, machine, day, grade string
	stated                     float64 // chance that a splice is out
	workday
	sincePass, lastDay, span bool
	// draws are the shares that were out, by joint draw of the machine's course.
	draws []float32
}

// lookBack judges look-backs on one fleet.
func (t *trial) lookBack(ctx context.Context) ([]lookedBack, []audited, error) {
	invented := t.world.make(t.wish)
	b, err := take(ctx, invented.Lines)
	if err != nil {
		return nil, nil, err
	}
	end := t.wish.Start.AddDate(0, 0, t.wish.Days)
	pasts, err := fleet.PastsOf(b, "", end)
	if err != nil {
		return nil, nil, err
	}
	truth := truthOf(invented)
	var out []lookedBack
	var machines []audited
	for i := range pasts {
		p := &pasts[i]
		m := truth[p.Machine]
		if m == nil {
			continue
		}
		days, lots := judgeMachine(p, m, workOf(m, t.wish), t.wish.Start, end)
		for j := range days {
			days[j].fleet = t.name()
		}
		out, machines = append(out, days...), append(machines, audited{m.Grade, days, lots})
	}
	return out, machines, nil
}

// judgeMachine holds a look-back on all days of a machine against the truth.
func judgeMachine(p *lookback.Past, m *blind.Machine, work map[string]workday, start, end time.Time) ([]lookedBack, []lookback.Lot) {
	type day struct {
		chance, splices float64
		draws           []float32
	}
	stated := map[string]*day{}
	lots := p.Look(lookback.Query{From: start.AddDate(0, 0, unjudged), To: end, Now: end}).Lots
	for i := range lots {
		e := &lots[i].Entry
		if stated[e.Day] == nil {
			stated[e.Day] = &day{}
		}
		stated[e.Day].chance += e.Chance * float64(e.Splices)
		stated[e.Day].splices += float64(e.Splices)
		stated[e.Day].draws = added(stated[e.Day].draws, lots[i].Draws())
	}
	sincePass, lastDay, span := p.Doubted(start, end)
	var out []lookedBack
	for name, s := range stated {
		w, worked := work[name]
		if !worked || s.splices == 0 {
			continue
		}
		for i := range s.draws {
			s.draws[i] /= float32(s.splices)
		}
		out = append(out, lookedBack{
			draws: s.draws, machine: m.Name, day: name, grade: m.Grade, stated: s.chance / s.splices, workday: w,
			sincePass: sincePass[name], lastDay: lastDay[name], span: span[name],
		})
	}
	slices.SortFunc(out, func(a, b lookedBack) int { return cmp.Compare(a.day, b.day) })
	return out, lots
}

// added adds numbers to sums.
func added(sums []float32, counts []int) []float32 {
	if sums == nil {
		sums = make([]float32, len(counts))
	}
	for d, n := range counts {
		sums[d] += float32(n)
	}
	return sums
}

// unjudged days at the beginning are for getting to know the machine.
const unjudged = 14

// workOf is the truth of every splice, by day. Strangers' machines give the chance at
// every moment: their splices are drawn by it, hour by hour.
func workOf(m *blind.Machine, wish blind.Wish) map[string]workday {
	out := map[string]workday{}
	if own, ok := m.Life.(life); ok {
		for i := range own.Work {
			w := &own.Work[i]
			day := w.To.UTC().Format(time.DateOnly)
			sum := out[day]
			n := len(w.Deviations)
			sum.chance = (sum.chance*float64(sum.made) + w.Chance*float64(n)) / float64(sum.made+n)
			sum.made, sum.out = sum.made+n, sum.out+w.Out()
			out[day] = sum
		}
		return out
	}
	rng := rand.New(rand.NewPCG(wish.Seed, uint64(len(m.Name))))
	for d := range wish.Days {
		day := wish.Start.AddDate(0, 0, d)
		sum := workday{}
		before := m.At(day.Add(4 * time.Hour)).Arcs
		for h := 5; h <= 21; h++ {
			at := day.Add(time.Duration(h) * time.Hour)
			arcs := m.At(at).Arcs
			if made := int(arcs - before); made > 0 {
				middle := at.Add(-30 * time.Minute)
				q := m.ProbabilityOut(middle, m.At(middle).Air)
				sum.chance = (sum.chance*float64(sum.made) + q*float64(made)) / float64(sum.made+made)
				sum.made += made
				for range made {
					if rng.Float64() < q {
						sum.out++
					}
				}
			}
			before = arcs
		}
		if sum.made > 0 {
			out[day.Format(time.DateOnly)] = sum
		}
	}
	return out
}

// spliceWorlds are our own, in which every machine counts its splices.
func spliceWorlds() []world {
	var out []world
	for _, w := range synth.Worlds() {
		w.Splices = 0.7
		out = append(out, world{w.Name, func(wish blind.Wish) *blind.Fleet { return fleetOf(w, wish) }})
	}
	return out
}

func lookBackCommand(e *env) *cobra.Command {
	p := plan{typing: "drawn"}
	known := append(spliceWorlds(), strangers()...)
	cmd := &cobra.Command{
		Use:   "look-back",
		Short: "Judge the chances that splices were made outside tolerance",
		Long: `Looks back on every day of invented fleets, whose splices are known one by one, and
holds the chances that are stated against what came. Beside it stand the rules in use
today, with what each would measure again and which bad splices it would miss.`,
		Example: "  driftlab look-back --worlds straight,dirty --fleets 4 --machines 30 --days 150 --check",
		Args:    cobra.NoArgs,
	}
	p.flags(cmd, known)
	p.wishes(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error { return p.judgeLookBacks(cmd.Context(), e, known) }
	return cmd
}

func (p *plan) judgeLookBacks(ctx context.Context, e *env, known []world) error {
	trials, err := p.trials(known)
	if err != nil {
		return err
	}
	met := true
	var all []lookedBack
	var machines []audited
	for i := range trials {
		one, its, err := trials[i].lookBack(ctx)
		if err != nil {
			return err
		}
		all, machines = append(all, one...), append(machines, its...)
		fmt.Fprintf(e.stdout, "\n%s\n", trials[i].name())
		lookBackText(e, one, its)
	}
	fmt.Fprintf(e.stdout, "\nall fleets\n")
	met = lookBackText(e, all, machines)
	if p.check && !met {
		return fmt.Errorf("a bar of look-backs is not met")
	}
	return nil
}

// The bars: at equal misses at most half of the re-measuring; stated chances within
// this of what came.
const (
	remeasuringBar = 0.5
	calibrationBar = 0.05
)

func lookBackText(e *env, all []lookedBack, machines []audited) bool {
	met := true
	for _, grade := range grades() {
		some := slices.DeleteFunc(slices.Clone(all), func(l lookedBack) bool { return grade != "" && grade != "all" && l.grade != grade })
		if len(some) == 0 {
			continue
		}
		its := slices.DeleteFunc(slices.Clone(machines), func(a audited) bool { return grade != "" && grade != "all" && a.grade != grade })
		met = lookBackGrade(e, grade, some, its) && met
	}
	return met
}

func lookBackGrade(e *env, grade string, some []lookedBack, machines []audited) bool {
	pass := reviewed(some, func(l *lookedBack) bool { return l.sincePass })
	day := reviewed(some, func(l *lookedBack) bool { return l.lastDay })
	spans := reviewed(some, func(l *lookedBack) bool { return l.span })
	base := float64(pass.bad) / float64(pass.made)
	say := func(name, format string, args ...any) {
		fmt.Fprintf(e.stdout, "%-11s "+format+"\n", append([]any{name}, args...)...)
	}
	say(grade, "%d splices, %.3f out; Brier score: stated %.4f, base rate %.4f, since the last pass %.4f, last day %.4f, nothing %.4f",
		pass.made, base, brier(some, func(l *lookedBack) float64 { return l.stated }), brier(some, func(*lookedBack) float64 { return base }), pass.brier, day.brier, base)
	stated := atEqualMisses(some, pass.missed, func(l *lookedBack) float64 { return l.stated })
	perfect := atEqualMisses(some, pass.missed, func(l *lookedBack) float64 { return l.chance })
	ratio := func(n int) float64 { return float64(n) / float64(max(pass.again, 1)) }
	say("", "measured again: since the last pass %d (misses %d), last day %d (misses %d), look-backs %d (misses %d), nothing 0 (misses %d)",
		pass.again, pass.missed, day.again, day.missed, spans.again, spans.missed, pass.bad)
	one := oneAfterAnother(machines, pass.missed)
	say("", "at the misses of since the last pass: by stated chance %d (%.2f), one after another %d (%.2f), by perfect knowledge of the day %d (%.2f)", stated, ratio(stated), one, ratio(one), perfect, ratio(perfect))
	return calibrated(e, some) <= calibrationBar && ratio(one) <= remeasuringBar
}

// review is what a rule would have measured again, and what it misses.
type review struct {
	made, bad, again, missed int
	brier                    float64
}

func reviewed(some []lookedBack, again func(*lookedBack) bool) (r review) {
	for i := range some {
		l := &some[i]
		r.made, r.bad = r.made+l.made, r.bad+l.out
		if again(l) {
			r.again += l.made
		} else {
			r.missed += l.out
		}
	}
	r.brier = brier(some, func(l *lookedBack) float64 {
		if again(l) {
			return 1
		}
		return 0
	})
	return r
}

// brier is the mean over splices of the squared difference between a chance and what
// came (Brier 1950, Mon. Weather Rev. 78:1).
func brier(some []lookedBack, stated func(*lookedBack) float64) (score float64) {
	n := 0.0
	for i := range some {
		l := &some[i]
		s := stated(l)
		score += float64(l.made)*s*s - 2*s*float64(l.out) + float64(l.out)
		n += float64(l.made)
	}
	return score / n
}

// atEqualMisses is how many splices have to be measured again, days with the highest
// chance first, to miss no more bad ones than so many.
func atEqualMisses(all []lookedBack, missed int, chance func(*lookedBack) float64) (cost int) {
	sorted := slices.Clone(all)
	slices.SortStableFunc(sorted, func(a, b lookedBack) int { return cmp.Compare(chance(&b), chance(&a)) })
	left := 0
	for i := range sorted {
		left += sorted[i].out
	}
	for i := range sorted {
		if left <= missed {
			break
		}
		left -= sorted[i].out
		cost += sorted[i].made
	}
	return cost
}
