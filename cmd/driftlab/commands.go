package main

import (
	"context"

	"github.com/spf13/cobra"

	"arcdrift/drift/blind"
	"arcdrift/drift/blind/delta"
	"arcdrift/drift/blind/moor"
	"arcdrift/drift/blind/tide"
)

// strangers are the worlds whose authors have not read the model.
func strangers() []world {
	return []world{{"moor", moor.World}, {"delta", delta.World}, {"tide", tide.World}}
}

// costs was measured on a virtual machine with two Xeon processors.
const costs = `Learning takes most of the time: a fleet of 40 machines over 240 days about 25 s
of one processor, one of 30 over 150 days with --step 45 about 5 s.`

func blindCommand(e *env) *cobra.Command {
	var p plan
	known := strangers()
	cmd := &cobra.Command{
		Use:   "blind",
		Short: "Judge forecasts, required power, site checks and calls on fleets by strangers",
		Long: `Judges the answers about fleets whose authors have not read the model, beside the
bars that it is to reach. ` + costs,
		Example: "  driftlab blind --fleets 10 --machines 30 --days 150\n  driftlab blind --programs 3 --check\n  driftlab blind --worlds moor --seed 17 --fleets 1",
		Args:    cobra.NoArgs,
	}
	p.flags(cmd, known)
	p.wishes(cmd)
	cmd.Flags().StringVar(&p.typing, "typing", "drawn", "how sessions are reported: drawn for each machine, each attempt, or the whole in one record")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error { return p.judgeForecasts(cmd.Context(), e, known, bars) }
	return cmd
}

// judgeForecasts is the whole of a command.
func (p *plan) judgeForecasts(ctx context.Context, e *env, known []world, barsOf func(blind.Wish) []bar) error {
	trials, err := p.trials(known)
	if err != nil {
		return err
	}
	bars := barsOf(trials[0].wish)
	if err := p.checkable(bars); err != nil {
		return err
	}
	v, err := p.judge(ctx, e, trials, func(ctx context.Context, t *trial) (*judgement, error) {
		got, err := t.play(ctx, true)
		if err != nil {
			return nil, err
		}
		return judgementOf(got.judge(), got), nil
	})
	if err != nil {
		return err
	}
	v.measures, v.bars = judged(), bars
	return p.write(e, v, v.rivalsText)
}

func messCommand(e *env) *cobra.Command {
	p := plan{typing: "drawn"}
	known := strangers()
	cmd := &cobra.Command{
		Use:   "mess",
		Short: "Count the stops that messy records cause, and those they hide",
		Long: `Reports each fleet twice, cleanly and with what people and devices do to
records on their way, and compares the states at each midnight. A stop is false
where the machine would not fail a session for its electrodes within 14 days.
` + costs + ` Each fleet is reported twice.`,
		Example: "  driftlab mess --fleets 10 --check",
		Args:    cobra.NoArgs,
	}
	p.flags(cmd, known)
	p.wishes(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		return p.compare(cmd.Context(), e, known, stopped(), messBars(), func(ctx context.Context, t *trial) (*judgement, error) {
			messy := *t
			messy.wish.Mess = true
			clean, with, err := playBoth(ctx, t, &messy)
			if err != nil {
				return nil, err
			}
			return judgementOf(compareStops(clean, with), clean, with), nil
		})
	}
	return cmd
}

func typingCommand(e *env) *cobra.Command {
	p := plan{typing: "drawn"}
	known := strangers()
	cmd := &cobra.Command{
		Use:   "typing",
		Short: "Compare sessions reported whole with the same reported attempt by attempt",
		Long: `Reports each fleet twice, with one record for each session, as a person
types it, and with one for each attempt, and compares the skill of forecasts.
` + costs + ` Each fleet is reported twice.`,
		Example: "  driftlab typing --fleets 10 --grade correction --check",
		Args:    cobra.NoArgs,
	}
	p.flags(cmd, known)
	p.wishes(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		return p.compare(cmd.Context(), e, known, typingMeasures(), typingBars(), func(ctx context.Context, t *trial) (*judgement, error) {
			each, whole := *t, *t
			each.wish.Typing, whole.wish.Typing = blind.EachAttempt, blind.WholeSession
			byAttempt, bySession, err := playBoth(ctx, &each, &whole)
			if err != nil {
				return nil, err
			}
			parts, apart := bySession.judge(), byAttempt.judge()
			for _, grade := range grades() {
				parts.of(grade).each = apart.of(grade).outlooks
			}
			return judgementOf(parts, bySession, byAttempt), nil
		})
	}
	return cmd
}

// playBoth plays two trials, without asking what the oracle would
// have called.
func playBoth(ctx context.Context, a, b *trial) (first, second *played, err error) {
	if first, err = a.play(ctx, false); err != nil {
		return nil, nil, err
	}
	second, err = b.play(ctx, false)
	return first, second, err
}

// compare is the whole of a command that compares two tellings.
func (p *plan) compare(ctx context.Context, e *env, known []world, measures []measure, bars []bar, one func(context.Context, *trial) (*judgement, error)) error {
	trials, err := p.trials(known)
	if err != nil {
		return err
	}
	if err := p.checkable(bars); err != nil {
		return err
	}
	v, err := p.judge(ctx, e, trials, one)
	if err != nil {
		return err
	}
	v.measures, v.bars = measures, bars
	return p.write(e, v)
}
