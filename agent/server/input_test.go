package server_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"arcdrift/agent/mqtt"
	"arcdrift/agent/server"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// answersOf are the answers of the command, by machine.
func answersOf(t *testing.T, db string, args ...string) map[string]advise.Assessment {
	t.Helper()
	later := func() time.Time { return agenttest.Now.Add(time.Minute) }
	r := agenttest.Run(t, cli.Env{Now: later}, append([]string{"assess", "--format", "json", "--db", db}, args...)...)
	require.Equal(t, cli.ExitDone, r.Code, r.Err)
	out := map[string]advise.Assessment{}
	for line := range strings.Lines(r.Out) {
		var a advise.Assessment
		require.NoError(t, json.Unmarshal([]byte(line), &a))
		out[a.Machine] = a
	}
	return out
}

// importText imports a file of the given content.
func importText(t *testing.T, db, name, content string) agenttest.Result {
	t.Helper()
	file := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(file, []byte(content), 0o600))
	return agenttest.Run(t, cli.Env{}, "import", "--db", db, file)
}

// twenty machines' sessions of three fails and a pass, all with what says the time.
func twenty(say func(machine, passed string, try int) string) (out []string) {
	for m := range 20 {
		for try, passed := range []string{"false", "false", "false", "true"} {
			out = append(out, say(fmt.Sprintf("K-%02d", m), passed, try+1))
		}
	}
	return out
}

func nobodyFails(t *testing.T, db string) {
	t.Helper()
	all := answersOf(t, db)
	delete(all, "probe")
	require.Len(t, all, 20)
	for name, a := range all {
		assert.NotZero(t, a.Data.Records, name)
		assert.Zero(t, a.Streak.Attempts, "%s stands failing after its pass", name)
		assert.NotEqual(t, advise.Stop, a.State, name)
	}
}

// Tries of one time keep the order in which they came.
func TestTriesOfOneTimeKeepTheirOrder(t *testing.T) {
	const moment = "2026-03-02T07:45:00+01:00"
	t.Run("a file", func(t *testing.T) {
		db := agenttest.DB(t)
		rows := twenty(func(machine, passed string, _ int) string {
			return fmt.Sprintf("calibration;%s;%s;%s;%s", machine, moment, passed, "-4,5")
		})
		r := importText(t, db, "in.csv", "type;machine;time;passed;temperature_c\n"+strings.Join(rows, "\n")+"\n")
		// Three alike fails of one time are one record to an id made of the contents.
		require.Equal(t, cli.ExitDone, r.Code, r.Err)
		nobodyFails(t, db)
	})
	t.Run("a file, newest first", func(t *testing.T) {
		db := agenttest.DB(t)
		rows := twenty(func(machine, passed string, try int) string {
			return fmt.Sprintf("calibration,%s,%s,%s,%d", machine, moment, passed, try)
		})
		slices.Reverse(rows)
		importText(t, db, "in.csv", "type,machine,time,passed,attempt\n"+strings.Join(rows, "\n")+"\n")
		nobodyFails(t, db)
	})
	t.Run("by arc count", func(t *testing.T) {
		db := agenttest.DB(t)
		rows := twenty(func(machine, passed string, try int) string {
			return fmt.Sprintf("calibration,%s,%s,%s,%d", machine, moment, passed, 1800+try)
		})
		slices.Reverse(rows)
		importText(t, db, "in.csv", "type,machine,time,passed,arc_count\n"+strings.Join(rows, "\n")+"\n")
		nobodyFails(t, db)
	})
	t.Run("HTTP lines", func(t *testing.T) {
		db := agenttest.DB(t)
		s, _, stop := agenttest.Start(t, db, nil)
		lines := twenty(func(machine, passed string, try int) string {
			return fmt.Sprintf(`{"type":"calibration","machine":%q,"time":%q,"passed":%s,"meltback_left_um":%d}`, machine, moment, passed, 90+try)
		})
		status, body := agenttest.Post(t, s, strings.Join(lines, "\n"))
		require.Equal(t, http.StatusCreated, status, body)
		stop()
		nobodyFails(t, db)
	})
	t.Run("MQTT without a clock", func(t *testing.T) {
		db := agenttest.DB(t)
		s, _, stop := agenttest.Start(t, db, nil)
		_, port, err := net.SplitHostPort(s.MQTTAddress())
		require.NoError(t, err)
		publishTwenty(t, port)
		stop()
		nobodyFails(t, db)
	})
	t.Run("an outside broker", func(t *testing.T) {
		db := agenttest.DB(t)
		port := agenttest.FreePort(t)
		agenttest.Mosquitto(t, port)
		s, _, stop := agenttest.Start(t, db, func(c *server.Config) {
			c.MQTTListen, c.Broker = "", &mqtt.Join{URL: "tcp://127.0.0.1:" + port, ID: "agent"}
		})
		require.Eventually(t, func() bool { // until it has subscribed
			agenttest.MosquittoPub(t, port, "arcdrift/v1/probe/usage", []byte(`{"arc_count":5,"id":"p"}`))
			_, found, err := s.Store().Find("probe", "p")
			return err == nil && found
		}, time.Minute, 50*time.Millisecond)
		publishTwenty(t, port)
		require.Eventually(t, func() bool {
			names, err := s.Store().Machines()
			if err != nil || len(names) < 20 {
				return false
			}
			last, err := s.Store().History("K-19")
			return err == nil && len(last) == 4
		}, time.Minute, 10*time.Millisecond)
		stop()
		nobodyFails(t, db)
	})
}

// publishTwenty publishes each machine's session over one connection.
func publishTwenty(t *testing.T, port string) {
	t.Helper()
	lines := twenty(func(_, passed string, _ int) string { return fmt.Sprintf(`{"passed":%s}`, passed) })
	for m := range 20 {
		cmd := exec.Command("mosquitto_pub", "-p", port, "-q", "1", "-l", "-t", fmt.Sprintf("arcdrift/v1/K-%02d/calibration", m))
		cmd.Stdin = bytes.NewReader([]byte(strings.Join(lines[4*m:4*m+4], "\n") + "\n"))
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "mosquitto_pub: %s", out)
	}
}

// lines joins records, one a line.
func linesOf(records ...string) string { return strings.Join(records, "\n") + "\n" }

func calibration(machine, moment string, passed bool, more string) string {
	return fmt.Sprintf(`{"type":"calibration","machine":%q,"time":%q,"passed":%t%s}`, machine, moment, passed, more)
}

// asked is whether a machine's answer asks, as a warning and as a question.
func asked(t *testing.T, a advise.Assessment, kind drift.QuestionKind, says string) drift.Question {
	t.Helper()
	assert.Contains(t, strings.Join(a.Warnings, "\n"), says)
	for _, q := range a.Questions {
		if q.Kind == kind {
			assert.Contains(t, a.Warnings, q.Text)
			return q
		}
	}
	assert.Fail(t, "no such question", "%s among %v", kind, a.Questions)
	return drift.Question{}
}

// One session reported by the machine and typed minutes later is one, until somebody
// says that it was two; both records stay.
func TestOneSessionReportedTwiceCountsOnce(t *testing.T) {
	db := agenttest.DB(t)
	s, _, stop := agenttest.Start(t, db, nil)
	_, port, err := net.SplitHostPort(s.MQTTAddress())
	require.NoError(t, err)
	for try := 1; try <= 2; try++ {
		agenttest.MosquittoPub(t, port, "arcdrift/v1/K-07/calibration", fmt.Appendf(nil, `{"time":"2026-03-02T07:4%d:00+01:00","passed":false,"attempt":%d,"arc_count":%d}`, try, try, 1800+try))
	}
	stop()
	importText(t, db, "typed.jsonl", calibration("K-07", "2026-03-02T07:50:00+01:00", false, `,"attempts":2,"operator":"JL"`)+"\n")
	importText(t, db, "sheet.jsonl", linesOf(
		calibration("K-09", "2026-03-02T07:41:00+01:00", false, `,"attempt":1,"session":"a"`),
		calibration("K-09", "2026-03-02T07:43:00+01:00", false, `,"attempt":2,"session":"a"`),
		calibration("K-09", "2026-03-02T07:50:00+01:00", false, `,"attempts":2`),
		// Two real sessions reported alike are two.
		calibration("K-10", "2026-03-02T07:41:00+01:00", false, `,"attempts":2`),
		calibration("K-10", "2026-03-02T07:50:00+01:00", false, `,"attempts":2`),
		// One clean logged twice is one.
		`{"type":"service","machine":"K-11","time":"2026-03-01T12:00:00+01:00","action":"cleaned"}`,
		`{"type":"service","machine":"K-11","time":"2026-03-01T12:20:00+01:00","action":"cleaned","finding":"dirty"}`,
		calibration("K-11", "2026-03-02T07:50:00+01:00", true, ``),
	))
	all := answersOf(t, db)
	assert.Equal(t, 2, all["K-07"].Streak.Attempts)
	asked(t, all["K-07"], drift.AskDouble, "by the machine over MQTT and in a file. It counts once")
	nine := all["K-09"]
	assert.Equal(t, 2, nine.Streak.Attempts)
	assert.Equal(t, 3, nine.Data.Records, "all are kept")
	assert.NotEqual(t, advise.Stop, nine.State)
	q := asked(t, nine, drift.AskDouble, "The calibration of 2 Mar 2026, 07:43 UTC+1 seems to be recorded twice")
	assert.Equal(t, 4, all["K-10"].Streak.Attempts)
	assert.Empty(t, all["K-10"].Questions)
	assert.Equal(t, 1, all["K-11"].Electrode.Cleanings)
	asked(t, all["K-11"], drift.AskService, "recorded twice")

	// The page asks, and one tap says that it was two.
	s, _, _ = agenttest.Start(t, db, nil)
	require.Eventually(t, func() bool { return s.Ready() == nil }, time.Minute, 10*time.Millisecond)
	assert.Contains(t, page(t, s, "/machines/K-09"), "Two calibrations")
	assert.Contains(t, page(t, s, "/machines"), "1 question about its records")
	two := slices.IndexFunc(q.Replies, func(r drift.Reply) bool { return r.Value == "true" })
	tapped, err := http.PostForm(s.URL()+"/answer", url.Values{
		"machine": {"K-09"}, "kind": {string(q.Kind)}, "about": {q.Records[0]}, "id": {"tap"}, "reply": {fmt.Sprint(two)},
	})
	require.NoError(t, err)
	require.NoError(t, tapped.Body.Close())
	require.Equal(t, http.StatusCreated, tapped.StatusCode)
	require.Eventually(t, func() bool {
		a, ok := s.Fleet().Snapshot().Assessment("K-09")
		return ok && a.Streak.Attempts == 4 && len(a.Questions) == 0
	}, time.Minute, 10*time.Millisecond)
}

func page(t *testing.T, s *server.Server, path string) string {
	t.Helper()
	resp, err := http.Get(s.URL() + path)
	require.NoError(t, err)
	var b bytes.Buffer
	_, err = b.ReadFrom(resp.Body)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	return b.String()
}

// Records of a clock that cannot be right count at their arrival, and are said.
func TestAWrongClockHidesNoMachine(t *testing.T) {
	db := agenttest.DB(t)
	importText(t, db, "before.jsonl", linesOf(
		calibration("K-07", "2026-02-20T07:41:00+01:00", true, ``), calibration("K-08", "2026-02-20T07:41:00+01:00", true, ``)))
	s, _, stop := agenttest.Start(t, db, nil)
	for _, line := range []string{
		calibration("K-07", "1980-01-06T00:00:10Z", false, `,"attempt":1`),
		calibration("K-08", "2027-03-02T07:41:00+01:00", false, `,"attempt":1`),
		calibration("K-09", "2027-03-02T07:41:00+01:00", true, `,"attempt":1`),
	} {
		status, body := agenttest.Post(t, s, line)
		require.Equal(t, http.StatusCreated, status, body)
		assert.Contains(t, body, "is the sender's clock right?")
	}
	require.Eventually(t, func() bool { return s.Ready() == nil }, time.Minute, 10*time.Millisecond)
	assert.Contains(t, page(t, s, "/machines/K-07"), "its clock showed 6 Jan 1980, 00:00 UTC: time of arrival")
	stop()
	all := answersOf(t, db)
	for _, name := range []string{"K-07", "K-08", "K-09"} {
		a := all[name]
		asked(t, a, drift.AskClock, "Its clock cannot be right, so the record counts at its arrival")
		last, _ := a.Data.Last.Get()
		assert.True(t, last.Equal(agenttest.Now), "%s: %s", name, last)
	}
	assert.Equal(t, 1, all["K-07"].Streak.Attempts, "the newest is the fail")
	// A file that lies ahead as a whole waits, and says so.
	importText(t, db, "ahead.jsonl", linesOf(calibration("K-11", "2026-02-20T07:41:00Z", true, ``),
		calibration("K-11", "2026-05-20T07:41:00Z", false, ``), calibration("K-11", "2026-06-20T07:41:00Z", false, ``)))
	eleven := answersOf(t, db)["K-11"]
	assert.Zero(t, eleven.Streak.Attempts)
	asked(t, eleven, drift.AskClock, "2 records are dated in the future, the first on 20 May 2026, 07:41 UTC. They do not count until then.")
	assert.Equal(t, 2, answersOf(t, db, "--as-of", "2026-07-01T00:00:00Z")["K-11"].Streak.Attempts)
	assert.Equal(t, 1, all["K-08"].Streak.Attempts)
	assert.Equal(t, advise.CheckFirst, all["K-08"].State)
}

// What was refused of a machine is counted, whichever source it came from.
func TestRefusedRecordsOfEverySourceAreCounted(t *testing.T) {
	db := agenttest.DB(t)
	importText(t, db, "in.csv", "type,machine,time,passed,humidity_pct\ncalibration,K-07,2026-03-02T07:41:00Z,true,50\ncalibration,K-07,2026-03-02T07:43:00Z,true,140\n")
	importText(t, db, "in.jsonl", `{"humidity_pct":140,"type":"calibration","machine":"K-07","passed":true}`+"\n")
	s, _, stop := agenttest.Start(t, db, nil)
	status, _ := agenttest.Post(t, s, `{"type":"calibration","machine":"K-07","pased":true}`)
	assert.Equal(t, http.StatusBadRequest, status)
	stop()
	assert.Equal(t, 3, answersOf(t, db)["K-07"].Data.Refused)
}

// 1.240 under a decimal comma is a thousand and some, and 21.500 degrees are not.
func TestDotsThatGroupDigits(t *testing.T) {
	db := agenttest.DB(t)
	r := importText(t, db, "in.csv", "type;machine;time;passed;altitude_m;temperature_c;arc_count;meltback_target_um\ncalibration;K-07;2026-03-02T07:41:00Z;true;1.240;21.500;12.345;251.5\n")
	require.Equal(t, cli.ExitDone, r.Code, r.Err)
	out := agenttest.Run(t, cli.Env{}, "export", "--db", db).Out
	assert.Contains(t, out, `"altitude_m":1240`)
	assert.Contains(t, out, `"temperature_c":21.5,`)
	assert.Contains(t, out, `"arc_count":12345`)
	assert.Contains(t, out, `"meltback_target_um":251.5`)
}

// Values that nobody would write so are asked about and used as told.
func TestSlipsAreAskedAbout(t *testing.T) {
	db := agenttest.DB(t)
	at := func(day int, more string, machine string) string {
		return calibration(machine, fmt.Sprintf("2026-02-%02dT07:41:00Z", day), true, more)
	}
	importText(t, db, "in.jsonl", linesOf(
		at(20, `,"altitude_m":640,"temperature_c":8,"humidity_pct":60,"arc_count":900`, "K-07"),
		at(21, `,"altitude_m":2100,"temperature_c":48,"humidity_pct":0.6,"arc_count":90900`, "K-07"),
		at(20, `,"altitude_m":640,"temperature_c":8,"humidity_pct":60,"arc_count":900`, "K-08"),
		at(21, `,"altitude_m":1450,"temperature_c":14,"humidity_pct":30,"arc_count":1900`, "K-08"),
		at(22, `,"counts":true,"altitude_m":4757,"temperature_c":48,"humidity_pct":0.6,"arc_count":91900`, "K-08"),
	))
	all := answersOf(t, db)
	a := all["K-07"]
	asked(t, a, drift.AskAltitude, "Was it 2,100\u00a0ft (640\u00a0m)?")
	asked(t, a, drift.AskTemperature, "Was it 48\u00a0°F (8.9\u00a0°C)?")
	asked(t, a, drift.AskHumidity, "Was 60\u00a0% meant?")
	asked(t, a, drift.AskCounter, "Was it misread?")
	assert.Empty(t, all["K-08"].Questions, "a drive up a pass is none, and what somebody stands by neither")
}

// A new name inherits the history, and the old one leaves the board; names that
// look alike are asked about.
func TestNames(t *testing.T) {
	db := agenttest.DB(t)
	importText(t, db, "in.jsonl", linesOf(
		calibration("V-1", "2026-02-20T07:41:00Z", false, ``), calibration("K-09", "2026-02-21T07:41:00Z", false, ``),
		`{"type":"setup","scope":"machine","machine":"V-1","time":"2026-02-21T06:00:00Z","renamed_to":"K-09"}`,
		calibration("K-07", "2026-02-20T07:41:00Z", true, ``), calibration("k07", "2026-02-21T07:41:00Z", true, ``),
		calibration("K_07", "2026-02-22T07:41:00Z", true, ``), calibration("K-17", "2026-02-22T07:41:00Z", true, ``),
		`{"type":"setup","scope":"machine","machine":"K_07","time":"2026-02-23T06:00:00Z","counts":true}`,
	))
	all := answersOf(t, db)
	assert.NotContains(t, all, "V-1")
	assert.Equal(t, 2, all["K-09"].Streak.Attempts)
	assert.Equal(t, 3, all["K-09"].Data.Records)
	assert.Equal(t, "K-09", answersOf(t, db, "--machine", "V-1")["K-09"].Machine, "who asks by the old name gets the new one")
	asked(t, all["K-07"], drift.AskName, "The names K-07 and k07 look like one machine")
	asked(t, all["k07"], drift.AskName, "look like one machine")
	assert.Empty(t, all["K_07"].Questions)
	assert.Empty(t, all["K-17"].Questions)
	s, _, _ := agenttest.Start(t, db, nil)
	require.Eventually(t, func() bool { return s.Ready() == nil }, time.Minute, 10*time.Millisecond)
	assert.Contains(t, page(t, s, "/machines/V-1"), "formerly V-1", "its link leads to the new one")
	assert.Equal(t, 2, strings.Count(page(t, s, "/machines/K-09"), "Calibration failed"), "with the records of both")
	assert.Contains(t, page(t, s, "/api/v1/machines/V-1"), `"machine":"K-09"`)
	before := answersOf(t, db, "--as-of", "2026-02-20T12:00:00Z")
	assert.Contains(t, before, "V-1", "then it had that name")
}

// Where only the target is missing, the answer names it; where the model's other
// machines tell one, it is theirs.
func TestAMissingTargetIsNamedOrLearnt(t *testing.T) {
	const told = `,"meltback_left_um":%d,"meltback_right_um":%d,"power_setting_pct":2.5`
	var in []string
	for day := 1; day <= 12; day++ {
		moment := fmt.Sprintf("2026-02-%02dT07:41:00Z", day)
		for n, machine := range []string{"K-01", "K-02", "K-07"} {
			more := fmt.Sprintf(`,"model":"type-2"`+told, 255+day%5+n, 258-day%3)
			if machine != "K-07" {
				more += `,"meltback_target_um":260,"meltback_tolerance_um":12`
			}
			in = append(in, calibration(machine, moment, true, more))
		}
		in = append(in, calibration("V-1", moment, true, fmt.Sprintf(`,"model":"other"`+told, 103, 105)))
	}
	db := agenttest.DB(t)
	importText(t, db, "in.jsonl", linesOf(in...))
	all := answersOf(t, db, "--as-of", "2026-02-13T06:00:00Z")
	assert.Equal(t, advise.Full, all["K-07"].Data.Grade)
	assert.Contains(t, strings.Join(all["K-07"].Warnings, "\n"), "The target of other machines of this model, 260\u00a0µm, is used.")
	assert.NotEqual(t, advise.Full, all["V-1"].Data.Grade)
	assert.Contains(t, strings.Join(all["V-1"].Warnings, "\n"), "but not the meltback target. Send meltback_target_um")
	importText(t, db, "setup.jsonl", `{"type":"setup","scope":"model","name":"other","time":"2026-02-01T06:00:00Z","target_um":104,"tolerance_um":6}`+"\n")
	all = answersOf(t, db, "--as-of", "2026-02-13T06:00:00Z")
	assert.Equal(t, advise.Full, all["V-1"].Data.Grade)
	assert.NotContains(t, strings.Join(all["V-1"].Warnings, "\n"), "meltback")
}

// Electrodes that went from one machine to another are asked about; pairs of one lot
// are not.
func TestMovedPairsAreAskedAbout(t *testing.T) {
	usage := func(machine string, day, arcs int) string {
		return fmt.Sprintf(`{"type":"usage","machine":%q,"time":"2026-02-%02dT16:00:00Z","arc_count":%d}`, machine, day, arcs)
	}
	service := func(machine string, day int, pair string, arcs int) string {
		return fmt.Sprintf(`{"type":"service","machine":%q,"time":"2026-02-%02dT12:00:00Z","action":"replaced","pair":%q,"arc_count":%d}`, machine, day, pair, arcs)
	}
	db := agenttest.DB(t)
	importText(t, db, "in.jsonl", linesOf(
		// The counters of K-01 and K-02 cross.
		usage("K-01", 10, 5000), usage("K-02", 10, 1200), usage("K-01", 11, 1230), usage("K-02", 11, 5020),
		// K-03 has a worn pair that was K-04's.
		service("K-04", 3, "serial 8", 0), service("K-03", 12, "serial 8", 900),
		// New pairs of one lot.
		service("K-05", 3, "lot 4", 0), service("K-06", 4, "lot 4", 0), service("K-07", 5, "lot 4", 0),
		// Years of splicing, and a counter that was set back.
		usage("K-08", 10, 5000), usage("K-08", 11, 12), usage("K-09", 10, 100), usage("K-09", 11, 180),
	))
	all := answersOf(t, db)
	asked(t, all["K-01"], drift.AskPair, "K-01 seems to have the electrodes of K-02. Were they moved")
	asked(t, all["K-02"], drift.AskPair, "K-02 seems to have the electrodes of K-01")
	asked(t, all["K-03"], drift.AskPair, "K-03 seems to have the electrodes of K-04")
	for _, name := range []string{"K-05", "K-06", "K-07", "K-08", "K-09"} {
		assert.Empty(t, all[name].Questions, name)
	}
	assert.NotEmpty(t, answersOf(t, db, "--machine", "K-01")["K-01"].Questions)
}
