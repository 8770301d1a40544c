package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"arcdrift/agent/intake"
	"arcdrift/agent/mqtt"
	"arcdrift/agent/reach"
	"arcdrift/agent/server"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
	"arcdrift/drift/synth"
)

// Once its history is published, a minute of the demo is a second of ours, and where
// nothing happens for longer than a lull it jumps there: a day lasts about two
// minutes. The fleet learns anew each midnight, and that shall be seldom enough
// to leave the computer in peace.
const (
	demoSpeed = 60
	lull      = 5 * time.Minute
)

func demoCommand(env Env, run func(context.Context, Env) error) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Show it all on an invented fleet",
		Long: `Runs an agent with an invented contractor's fleet. Its machines publish five
months of history over MQTT and then go on, a minute of theirs in a second of
ours, hours without work left out. The pages are live on this computer. Nothing
is kept afterwards.`,
		Example: "  arcdrift demo\n  arcdrift demo --seed 7\n  arcdrift demo --answers",
	}
	seed := cmd.Flags().Uint64("seed", 1, "another `NUMBER`, another story")
	pages := cmd.Flags().String("http-listen", "127.0.0.1:8470", "`ADDRESS` of the pages; another port if it is taken")
	broker := cmd.Flags().String("mqtt-listen", "127.0.0.1:1883", "`ADDRESS` of the MQTT broker; another port if it is taken")
	answers := cmd.Flags().Bool("answers", false, "answer the usual questions about that fleet, as the manual shows them, and end")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if *answers {
			return demoAnswers(cmd.Context(), env, run, *seed)
		}
		ctx, stop := context.WithCancel(cmd.Context())
		defer stop()
		reloads := env.reloads()
		env.Stdout, env.Stderr = &lastReader{env.Stdout, stop}, &lastReader{env.Stderr, stop}
		go func() {
			select {
			case <-reloads: // its terminal was closed: it tidies up all the same
				stop()
			case <-ctx.Done():
			}
		}()
		dir, err := os.MkdirTemp("", "arcdrift-demo-")
		if err != nil {
			return fmt.Errorf("the demo needs a place for its store: %w", err)
		}
		d := &demo{env: env, db: filepath.Join(dir, "demo.db"), clock: clock{wall: env.Now}}
		d.env.Now = d.clock.Now
		raw := server.Defaults()
		raw.HTTPListen, raw.MQTTListen = freeAddress(*pages), freeAddress(*broker)
		err = d.run(ctx, raw, *seed)
		return errors.Join(err, os.RemoveAll(dir))
	}
	return cmd
}

// lastReader ends the demo when nobody reads it any more: head has its lines.
type lastReader struct {
	io.Writer
	stop func()
}

func (l *lastReader) Write(b []byte) (int, error) {
	n, err := l.Writer.Write(b)
	if err != nil {
		l.stop()
	}
	return n, err
}

// freeAddress is the address, or with any other port if that one is taken.
func freeAddress(address string) string {
	l, err := net.Listen("tcp", address)
	if err == nil && l.Close() == nil {
		return address
	}
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return address // no address at all: the configuration says why
	}
	return net.JoinHostPort(host, "0")
}

// clock is the time in the demo: ours until it is let run, then faster.
type clock struct {
	wall func() time.Time

	mu    sync.Mutex
	speed time.Duration // 0 until it runs
	base  time.Time     // time in the demo at wall time since
	since time.Time
}

// run lets it run faster.
func (c *clock) run() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.speed, c.since = demoSpeed, c.wall()
	c.base = c.since
}

// skip jumps over the time until a moment but for the last bit, a lull, and says
// how long that lasts for us.
func (c *clock) skip(until time.Time) time.Duration {
	left := until.Sub(c.Now())
	c.mu.Lock()
	defer c.mu.Unlock()
	if left > lull {
		c.base = c.base.Add(left - lull)
		left = lull
	}
	return left / demoSpeed
}

// Now is the time in the demo.
func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.speed == 0 {
		return c.wall()
	}
	return c.base.Add(c.speed * c.wall().Sub(c.since))
}

// demo is an agent and the devices of an invented fleet.
type demo struct {
	env    Env
	clock  clock
	db     string
	server *server.Server
}

func (d *demo) run(ctx context.Context, raw server.Settings, seed uint64) error {
	config, err := raw.Config(d.db)
	if err != nil {
		return err
	}
	config.LogFrom = slog.LevelWarn
	if d.server, err = server.New(config, d.env.server()); err != nil {
		return err
	}
	story := synth.Open(seed, d.env.Now())
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return d.server.Run(ctx) })
	group.Go(func() error {
		err := d.publish(ctx, story)
		if ctx.Err() != nil {
			return nil // it was interrupted, as it is meant to be
		}
		return err
	})
	err = group.Wait()
	fmt.Fprintln(d.env.Stderr, "The demo has ended; nothing was kept.")
	return err
}

// publish publishes the history and then, record by record, what follows.
func (d *demo) publish(ctx context.Context, story *synth.Scenario) error {
	fmt.Fprintf(d.env.Stderr, "An invented contractor, Tarnbeck Line Works, publishes %s of five months over MQTT …\n", phrase.Count(len(story.History), "record"))
	devices := map[string]*mqtt.Sender{}
	for machine := range story.Roles() {
		s, err := mqtt.NewSender("tcp://"+d.server.MQTTAddress(), "device-"+machine)
		if err != nil {
			return err
		}
		defer s.Close()
		devices[machine] = s
	}
	began := time.Now()
	if err := d.history(ctx, story.History, devices); err != nil {
		return err
	}
	if err := d.decide(ctx, story.History); err != nil {
		return err
	}
	d.invite(story, time.Since(began))
	d.clock.run()
	for {
		r := story.Next()
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(d.clock.skip(r.Time)):
		}
		device, ok := devices[r.Machine]
		if !ok {
			continue
		}
		err := device.Send(ctx, r.Machine, string(r.Type), r.AppendCanonical(nil))
		if err = errors.Join(err, device.Settle(ctx)); err != nil {
			return err
		}
		at := d.env.local(r.Time)
		fmt.Fprintf(d.env.Stderr, "  %s, %s  %s\n", phrase.Day(at), phrase.Clock(at), happened(&r))
	}
}

// history publishes what has happened so far, each machine from its own device;
// what holds for the whole fleet comes from the office, over HTTP.
func (d *demo) history(ctx context.Context, records []drift.Record, devices map[string]*mqtt.Sender) error {
	var office []intake.Submission
	of := map[string][]*drift.Record{}
	for i, r := range records {
		if devices[r.Machine] == nil {
			office = append(office, intake.Submission{Record: r})
			continue
		}
		of[r.Machine] = append(of[r.Machine], &records[i])
	}
	if _, err := reach.Agent(d.db, d.server.URL()).Take(ctx, office); err != nil {
		return err
	}
	group, ctx := errgroup.WithContext(ctx)
	for machine, own := range of {
		device := devices[machine]
		group.Go(func() error {
			for _, r := range own {
				if err := device.Send(ctx, machine, string(r.Type), r.AppendCanonical(nil)); err != nil {
					return err
				}
			}
			return device.Settle(ctx)
		})
	}
	return group.Wait()
}

// decide sends what the contractor's people decided on findings of the past, over HTTP.
func (d *demo) decide(ctx context.Context, history []drift.Record) error {
	decisions, err := pastDecisions(ctx, history, d.env.Now())
	if err != nil {
		return err
	}
	submissions := make([]intake.Submission, len(decisions))
	for i, r := range decisions {
		submissions[i] = intake.Submission{Record: r}
	}
	_, err = reach.Agent(d.db, d.server.URL()).Take(ctx, submissions)
	return err
}

// happened words a live record.
func happened(r *drift.Record) string {
	text := r.Machine + " " + string(r.Type)
	switch {
	case r.Calibration != nil && r.Calibration.Passed.Or(false):
		text += " passed"
	case r.Calibration != nil:
		text += " failed"
	case r.Service != nil:
		text = r.Machine + " electrodes " + string(r.Service.Action)
	}
	if r.Site != "" {
		text += ", " + r.Site
	}
	return text
}

// invite says where to look and what to try.
func (d *demo) invite(story *synth.Scenario, took time.Duration) {
	var shows []string
	onHill := ""
	for _, m := range story.Truth.Machines {
		role := story.Roles()[m.Name]
		if words, ok := roleWords[role]; ok {
			shows = append(shows, m.Name+" "+words)
		}
		if role == synth.UpTheHill {
			onHill = m.Name
		}
	}
	_, port, _ := net.SplitHostPort(d.server.MQTTAddress()) // a listener's address always splits
	program := d.env.Program
	if strings.Contains(program, "go-build") {
		program = "go run ./cmd/arcdrift"
	}
	home := story.Home()
	fmt.Fprintf(d.env.Stdout, `All of it is kept, after %[1]s s. From now on their work goes on: a minute of theirs
is a second of ours, and hours without work are left out.

Look at  %[2]s/
         %[3]s
Try      %[6]s assess --db %[7]s
         %[4]s back at the quay, recalibrate?
         %[6]s site-check --db %[7]s --machine %[4]s --temperature %[8]g --humidity %[9]g --altitude %[10]g
         curl '%[2]s/api/v1/site-check?machine=%[4]s&temperature_c=%[8]g&humidity_pct=%[9]g&altitude_m=%[10]g'
         a result of your own, and its receipt:
         mosquitto_sub -p %[5]s -v -t 'arcdrift/v1/+/receipt' &
         mosquitto_pub -p %[5]s -q 1 -t arcdrift/v1/%[4]s/calibration -m '{"passed": true, "temperature_c": 4}'
Stop it with Ctrl-C.

`, phrase.Fixed(took.Seconds(), 1), d.server.URL(), strings.Join(shows, ";\n         ")+".", onHill, port, program, d.db,
		home.TemperatureC, home.HumidityPct, home.AltitudeM)
}
