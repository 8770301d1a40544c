package cli

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/agent/reach"
	"arcdrift/drift/synth"
)

// demoAnswers runs the commands that the manual shows, on the demo's fleet as it is at
// this moment, and writes each with its answer.
func demoAnswers(ctx context.Context, env Env, run func(context.Context, Env) error, seed uint64) (err error) {
	dir, err := os.MkdirTemp("", "arcdrift-demo-")
	if err != nil {
		return fmt.Errorf("the demo needs a place for its store: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	now := env.Now() // all answers are of one moment
	env.Now, env.Environ = func() time.Time { return now }, nil
	story := synth.Open(seed, now)
	db := filepath.Join(dir, "demo.db")
	if err := keepStory(ctx, reach.Location{Path: db, Now: env.Now, Log: env.Stderr}, story); err != nil {
		return err
	}
	for _, line := range demoQuestions(story) {
		fmt.Fprintf(env.Stdout, "$ arcdrift %s\n", line)
		ask := env
		ask.Args = append(strings.Fields(line), "--db", db)
		if err := run(ctx, ask); err != nil {
			return err
		}
		fmt.Fprintln(env.Stdout)
	}
	return nil
}

// keepStory puts the history of a story into a store.
func keepStory(ctx context.Context, at reach.Location, story *synth.Scenario) error {
	l, err := at.Open(ctx, true)
	if err != nil {
		return err
	}
	submissions := make([]intake.Submission, len(story.History))
	for i, r := range story.History {
		submissions[i] = intake.Submission{Record: r, Via: "import"}
	}
	_, err = l.Take(ctx, submissions)
	return errors.Join(err, l.Close())
}

// demoQuestions are the command lines: who needs somebody, the arc or the ends, moved
// and now, how many spares.
func demoQuestions(story *synth.Scenario) []string {
	who := map[synth.Role]string{}
	plain := ""
	for _, m := range slices.Backward(story.Truth.Machines) {
		role := story.Roles()[m.Name]
		who[role] = m.Name
		if _, shown := roleWords[role]; !shown && plain == "" {
			plain = m.Name // the last one: its move is small, and needs no check
		}
	}
	home := story.Home()
	moved := fmt.Sprintf("site-check --machine %s --temperature %g --humidity %g --altitude %g", who[synth.UpTheHill], home.TemperatureC, home.HumidityPct, home.AltitudeM)
	return []string{
		"assess",
		"assess --machine " + who[synth.BluntEnds],
		fmt.Sprintf("%s --machine-temperature %g", moved, home.TemperatureC),
		moved + " --machine-temperature -6",
		fmt.Sprintf("site-check --machine %s --temperature %g --humidity %g --altitude %g", plain, home.TemperatureC, home.HumidityPct, home.AltitudeM),
		"spares",
	}
}

// roleWords say what a role shows, for those worth a look.
var roleWords = map[synth.Role]string{
	synth.WearingOut:  "is wearing out: service soon",
	synth.BluntEnds:   "has a blunt cleaver: check first, another cleaver before the electrodes",
	synth.UpTheHill:   "drove up a mountain",
	synth.Silent:      "has been silent for six days",
	synth.SaysLittle:  "reports pass or fail only",
	synth.JustCleaned: "was soiled and cleaned this week",
}
