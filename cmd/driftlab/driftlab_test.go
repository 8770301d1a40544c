package main

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"arcdrift/drift/blind"
	"arcdrift/drift/synth"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// lab runs a command line.
func lab(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, talk bytes.Buffer
	e := env{stdout: &out, stderr: &talk}
	code = e.run(t.Context(), args)
	return code, out.String(), talk.String()
}

func line(at time.Time, json string) blind.Line {
	return blind.Line{Received: at, JSON: []byte(json)}
}

func TestLinesComeInByTheOrdinaryDoor(t *testing.T) {
	bare := `{"type":"calibration","machine":"M","passed":true}`
	lines := []blind.Line{
		line(noon, `{"type":"setup","scope":"fleet","attempt_limit":5}`),
		line(noon, `{"type":"calibration","machine":"M","passed":true,"time":"2025-03-03T11:58:00Z"}`),
		line(noon.Add(time.Hour), `{"type":"calibration","machine":"M","passed":true,"time":"2025-03-03T11:58:00Z"}`), // again
		line(noon.Add(2*time.Hour), `{"type":"calibration","machine":"M","pased":true}`),
		line(noon.Add(3*time.Hour), `{"type":"calibration","machine":"M","passed":true,"humidity_pct":140}`),
		line(noon.Add(4*time.Hour), bare), // nothing distinguishes these from repeats
		line(noon.Add(4*time.Hour), bare),
	}
	b, err := take(t.Context(), lines)
	require.NoError(t, err)
	history, err := b.History("M")
	require.NoError(t, err)
	require.Len(t, history, 3)
	assert.Equal(t, noon, history[0].Received, "it arrived when it did")
	assert.Equal(t, noon.Add(4*time.Hour), history[1].When())
	assert.True(t, history[1].PossibleRepeat)
	setups, err := b.Setups()
	require.NoError(t, err)
	assert.Len(t, setups, 1)
	require.Len(t, b.refused, 2)
	assert.Equal(t, "pased", b.refused[0].Problem.Field)
	assert.Equal(t, 5, b.refused[1].Line)

	again, err := take(t.Context(), lines)
	require.NoError(t, err)
	other, err := again.History("M")
	require.NoError(t, err)
	assert.Equal(t, history, other, "ids that are made up are the same in every run")
}

func TestACrewSaysPressureWhereItsMachineDoes(t *testing.T) {
	b, err := take(t.Context(), []blind.Line{
		line(noon, `{"type":"calibration","machine":"M","passed":true,"pressure_hpa":980}`),
		line(noon, `{"type":"calibration","machine":"N","passed":true}`),
	})
	require.NoError(t, err)
	truly := truth{}
	for _, name := range []string{"M", "N"} {
		truly[name] = &blind.Machine{Name: name, Moves: []blind.Move{{At: noon, Air: blind.Air{TemperatureC: -3, HumidityPct: 70, AltitudeM: 300, PressureHPa: 975}}}}
		asked := truly.asked(name, b.barometer(name))
		require.Len(t, asked, 1)
		assert.Equal(t, name == "M", asked[0].Pressure.Known())
		assert.Equal(t, -3.0, asked[0].Temperature.Or(0))
	}
	assert.Empty(t, truly.asked("nobody", false))
}

// A crew asks before the session that a move brings, which changes the setting. The
// half day's arcs are booked between: they move a chance by less than 0.1.
func TestOurCrewsAskBeforeTheyCalibrate(t *testing.T) {
	made := synth.Make(synth.Worlds()[0], 41, 10, noon.Truncate(24*time.Hour), 60)
	moves := 0
	for _, m := range fleetOf(synth.Worlds()[0], blind.Wish{Seed: 41, Machines: 10, Days: 60, Start: noon}).Machines {
		for i, v := range made.Truth.Machine(m.Name).Moves {
			assert.InDelta(t, v.ProbabilityOut, m.ProbabilityOut(m.Moves[i].At, m.Moves[i].Air), 0.1, "%s at %s", m.Name, v.Time)
			moves++
		}
	}
	assert.Greater(t, moves, 20)
}

// Every world that is judged reports what the ordinary intake takes.
func TestStrangersLinesAreTaken(t *testing.T) {
	for _, w := range strangers() {
		f := w.make(blind.Wish{Seed: 1, Machines: 3, Days: 30, Start: noon.Truncate(24 * time.Hour)})
		b, err := take(t.Context(), f.Lines)
		require.NoError(t, err)
		assert.Empty(t, b.refused, w.name)
		names, err := b.Machines()
		require.NoError(t, err)
		assert.Len(t, names, 3, w.name)
	}
}

// small is a world of drift/synth whose mess is a line in a thousand that no one can
// read.
func small() []world {
	return []world{{"small", func(w blind.Wish) *blind.Fleet {
		f := ours()[0].make(w)
		if w.Mess {
			f.Lines = append(f.Lines, line(f.Lines[len(f.Lines)-1].Received, "{"))
		}
		return f
	}}}
}

func smallPlan() plan {
	return plan{fleets: 2, machines: 5, days: 80, step: 10, jobs: 1, seed: 3, worlds: []string{"small"}, typing: "drawn", format: "csv"}
}

func TestFiguresDoNotDependOnJobs(t *testing.T) {
	run := func(jobs int) string {
		p := smallPlan()
		p.jobs = jobs
		var out bytes.Buffer
		require.NoError(t, p.judgeForecasts(t.Context(), &env{stdout: &out}, small(), bars))
		return out.String()
	}
	one := run(1)
	assert.Contains(t, one, "small 3,all,power_rms,")
	assert.Contains(t, one, "small 4,all,power_rms,")
	assert.Contains(t, one, "pooled,all,refused,0,")
	assert.Equal(t, one, run(3))
}

func TestABarThatIsNotMetEndsWithOne(t *testing.T) {
	p := smallPlan()
	p.fleets = 1
	var out bytes.Buffer
	e := &env{stdout: &out}
	none := func(blind.Wish) []bar { return []bar{atMost("power_rms", allData, 60)} }
	p.check = true
	assert.NoError(t, p.judgeForecasts(t.Context(), e, small(), none))
	never := func(blind.Wish) []bar { return []bar{atMost("power_rms", allData, 0)} }
	err := p.judgeForecasts(t.Context(), e, small(), never)
	require.ErrorContains(t, err, "bars that are not met: 1\n  all, required power: rms error: ")
	p.grade = "full"
	assert.ErrorAs(t, p.judgeForecasts(t.Context(), e, small(), never), new(usageError), "the bar is for all grades together")
	p.grade, p.check, p.format = "", false, "text"
	assert.NoError(t, p.judgeForecasts(t.Context(), e, small(), never), "it is shown all the same")
	assert.Contains(t, out.String(), "not met")
}

func TestRefusedLinesAreCountedAndNamed(t *testing.T) {
	got, err := (&trial{small()[0], blind.Wish{Seed: 1, Machines: 1, Days: 3, Start: noon, Mess: true}, 14}).play(t.Context(), false)
	require.NoError(t, err)
	require.Len(t, got.refused, 1)
	assert.Contains(t, got.refused[0], fmt.Sprintf("small 1, line %d: ", got.lines))
	v := verdict{trials: []trial{{}}, refused: got.refused, lines: got.lines}
	var out strings.Builder
	v.head(&out)
	assert.Contains(t, out.String(), fmt.Sprintf("1 of %d lines were refused.", got.lines))
	assert.Contains(t, out.String(), got.refused[0])
}

func TestUsage(t *testing.T) {
	for _, test := range []struct {
		args string
		says string
	}{
		{"synth --worlds nowhere", `worlds is "nowhere": it must be some of `},
		{"synth --fleets 0", "must be 1 at least"},
		{"synth --format yaml", `format is "yaml"`},
		{"blind --grade best", `grade is "best"`},
		{"blind --typing quickly", `typing is "quickly"`},
		{"blind --programs -1", "must not be below 0"},
		{"blind --no-such-flag", "unknown flag"},
		{"blind 3", "unknown command"},
		{"blind --grade full --programs 3 --check", "no bar is set for such fleets"},
	} {
		code, _, talk := lab(t, strings.Fields(test.args)...)
		assert.Equal(t, exitUsage, code, test.args)
		assert.Contains(t, talk, test.says)
	}
	code, out, _ := lab(t, "blind", "--help")
	assert.Equal(t, exitDone, code)
	assert.Contains(t, out, "of one processor", "says what a run takes")
}
