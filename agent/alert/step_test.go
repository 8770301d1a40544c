package alert_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// monday is a working day; times of a scenario count from its midnight in Oslo.
var (
	oslo   = zone("Europe/Oslo")
	monday = time.Date(2026, 3, 2, 0, 0, 0, 0, oslo)
)

func zone(name string) *time.Location {
	z, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return z
}

func policy() alert.Policy {
	return alert.Policy{
		Right: map[alert.RuleName]float64{alert.MustStop: 0.9, alert.ElectrodesDue: 0.8},
		To: map[alert.Severity][]string{
			alert.Stop: {"crew", "bench"}, alert.Plan: {"bench"}, alert.Note: {"manager"},
		},
		Morning:  7 * time.Hour,
		WorkDays: [7]bool{time.Monday: true, time.Tuesday: true, time.Wednesday: true, time.Thursday: true, time.Friday: true},
		Zone:     oslo,
	}
}

// story runs a state machine through a scenario. Between any two steps the state
// goes through JSON, as it does through the store, and every step is repeated,
// as after a restart: the repeat must do nothing.
type story struct {
	t        *testing.T
	policy   alert.Policy
	state    alert.State
	view     alert.View
	outcomes []alert.Outcome
}

func (s *story) at(since time.Duration) []string {
	s.t.Helper()
	return keys(s.step(since))
}

func (s *story) step(since time.Duration) []alert.Action {
	s.t.Helper()
	now := monday.Add(since)
	before := mustJSON(s.t, s.state)
	idle := s.idle(now)
	next, actions, outcomes := s.policy.Step(s.state, s.view, now)
	assert.JSONEq(s.t, before, mustJSON(s.t, s.state), "a step leaves the old state alone")
	s.state = alert.State{}
	require.NoError(s.t, json.Unmarshal([]byte(mustJSON(s.t, next)), &s.state))
	if idle && len(s.view.Sources)+len(s.view.Channels) == 0 {
		assert.Empty(s.t, actions, "idle at every machine")
		assert.Empty(s.t, outcomes)
		assert.JSONEq(s.t, before, mustJSON(s.t, next))
	}
	again, repeated, ended := s.policy.Step(s.state, s.view, now)
	assert.True(s.t, s.idle(now), "it was all done")
	assert.Empty(s.t, repeated, "a repeat sends nothing")
	assert.Empty(s.t, ended)
	assert.JSONEq(s.t, mustJSON(s.t, next), mustJSON(s.t, again))
	s.outcomes = append(s.outcomes, outcomes...)
	return actions
}

func mustJSON(t *testing.T, v any) string {
	text, err := json.Marshal(v)
	require.NoError(t, err)
	return string(text)
}

// keys are what was decided, without the moments in the middle.
func keys(actions []alert.Action) []string {
	var out []string
	for _, a := range actions {
		out = append(out, string(a.Kind)+" "+string(a.Rule)+" "+a.Subject+" → "+strings.Join(a.To, ","))
	}
	return out
}

func machine(name string, state advise.State) alert.Machine {
	return alert.Machine{
		Assessment: &advise.Assessment{Machine: name, State: state, Electrode: advise.Electrode{Action: advise.None}},
		Zone:       oslo,
	}
}

func begin(t *testing.T, machines ...alert.Machine) *story {
	s := &story{t: t, policy: policy(), view: alert.View{Machines: machines}}
	s.policy.To[alert.Note] = nil // lists have a test of their own
	return s
}

const hour = time.Hour

func TestStopIsToldAtOnceAndClearedOnce(t *testing.T) {
	s := begin(t, machine("K-07", advise.Fit))
	assert.Empty(t, s.at(3*hour))
	s.view.Machines[0].State = advise.Stop
	assert.Equal(t, []string{"alert stop K-07 → crew,bench"}, s.at(3*hour+time.Minute), "at night too")
	assert.Empty(t, s.at(40*hour), "sent once")
	s.view.Machines[0].State = advise.Fit
	assert.Empty(t, s.at(41*hour), "not yet gone for an hour")
	s.view.Machines[0].State = advise.Stop
	assert.Empty(t, s.at(41*hour+30*time.Minute), "a wavering verdict is one case")
	s.view.Machines[0].State = advise.Fit
	assert.Empty(t, s.at(42*hour))
	assert.Equal(t, []string{"cleared stop K-07 → crew,bench"}, s.at(43*hour))
	assert.Empty(t, s.at(90*hour))
	assert.Empty(t, s.state.Cases)
	require.Len(t, s.outcomes, 1)
	assert.Equal(t, alert.ByItself, s.outcomes[0].End)
}

func TestPlanWaitsForTheNextWorkingMorning(t *testing.T) {
	for _, c := range []struct {
		name string
		// opens is when the condition has lasted its hour, sent when it is sent,
		// in hours from Monday's midnight in Oslo.
		opens, sent time.Duration
		zone        *time.Location
	}{
		{"before the morning", 5 * hour, 7 * hour, oslo},
		{"on the hour", 7 * hour, 7 * hour, oslo},
		{"after it", 9 * hour, 31 * hour, oslo},
		// It was there before the morning, and has been pending for its hour.
		{"pending over the morning", 7*hour + 50*time.Minute, 7*hour + 50*time.Minute, oslo},
		{"Friday evening", (4*24 + 18) * hour, (7*24 + 7) * hour, oslo},
		{"Saturday", (5*24 + 3) * hour, (7*24 + 7) * hour, oslo},
		// 07:00 in Lisbon is 08:00 in Oslo.
		{"the machine's own zone", 5 * hour, 8 * hour, zone("Europe/Lisbon")},
		// Clocks go forward on Sunday 29 March 2026: that Monday begins an hour
		// early. 28 days of 24 hours are then 01:00.
		{"over the change of clocks", (26*24 + 12) * hour, (28*24 + 6) * hour, oslo},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := begin(t, machine("K-02", advise.ServiceSoon))
			s.view.Machines[0].Zone = c.zone
			assert.Empty(t, s.at(c.opens-hour))
			want := []string{"alert electrode-service K-02 → bench"}
			if c.opens == c.sent {
				assert.Equal(t, want, s.at(c.opens))
				return
			}
			assert.Empty(t, s.at(c.opens))
			assert.Empty(t, s.at(c.sent-time.Second))
			assert.Equal(t, want, s.at(c.sent))
		})
	}
}

// What is to be done on a day before the next working morning is sent at once.
func TestPlanForADayBeforeTheMorning(t *testing.T) {
	for _, c := range []struct {
		actBy string
		// opens and sent are hours from Monday's midnight in Oslo; Friday is the
		// 6th, Monday the 9th.
		opens, sent time.Duration
	}{
		{"2026-03-02", 9 * hour, 9 * hour},
		{"2026-03-03", 9 * hour, 31 * hour},
		{"2026-03-07", (4*24 + 12) * hour, (4*24 + 12) * hour},
		{"2026-03-08", (4*24 + 12) * hour, (4*24 + 12) * hour},
		{"2026-03-09", (4*24 + 12) * hour, (7*24 + 7) * hour},
		{"", (4*24 + 12) * hour, (7*24 + 7) * hour},
	} {
		s := begin(t, machine("K-02", advise.ServiceSoon))
		if c.actBy != "" {
			s.view.Machines[0].Electrode.ActBy = drift.Some(c.actBy)
		}
		assert.Empty(t, s.at(c.opens-hour))
		if c.opens < c.sent {
			assert.Empty(t, s.at(c.opens))
			assert.Empty(t, s.at(c.sent-time.Second))
		}
		assert.Equal(t, []string{"alert electrode-service K-02 → bench"}, s.at(c.sent), "by %q", c.actBy)
	}
}

func TestHoldTime(t *testing.T) {
	s := begin(t, machine("K-02", advise.ServiceSoon))
	assert.Empty(t, s.at(5*hour))
	s.view.Machines[0].State = advise.Fit
	assert.Empty(t, s.at(5*hour+50*time.Minute))
	s.view.Machines[0].State = advise.ServiceSoon
	assert.Empty(t, s.at(6*hour+30*time.Minute))
	assert.Empty(t, s.at(7*hour+15*time.Minute), "has stood for 45 minutes only")
	assert.Equal(t, alert.Pending, s.state.Cases[0].Phase)
}

func TestGoneBeforeMorningIsNeverSent(t *testing.T) {
	s := begin(t, machine("K-02", advise.ServiceSoon))
	s.at(8 * hour)
	s.at(9 * hour) // open, due on Tuesday
	s.view.Machines[0].State = advise.Fit
	assert.Empty(t, s.at(20*hour))
	assert.Empty(t, s.at(31*hour), "gone when its morning comes")
	assert.Empty(t, s.at(80*hour), "nobody received it, so nobody gets the note of its end")
}

// A worse verdict leaves the milder cases as they are: no "cleared" for worn
// electrodes because the machine has stopped or gone silent.
func TestWorseStateClearsNothing(t *testing.T) {
	for _, worse := range []advise.State{advise.Stop, advise.NoData, advise.CheckFirst} {
		t.Run(string(worse), func(t *testing.T) {
			s := begin(t, machine("K-02", advise.ServiceSoon))
			s.at(5 * hour)
			s.at(6 * hour)
			require.Equal(t, []string{"alert electrode-service K-02 → bench"}, s.at(7*hour))
			s.view.Machines[0].State = worse
			for day := range 20 {
				for _, a := range s.at(time.Duration(day+1) * 24 * hour) {
					assert.NotContains(t, a, "cleared")
				}
			}
		})
	}
}

func TestServiceClosesTheCase(t *testing.T) {
	for _, c := range []struct {
		action drift.Action
		// again is how long after the service the rule may open anew while its
		// condition continues.
		again time.Duration
	}{
		{drift.Replaced, 0}, {drift.Cleaned, 24 * hour}, {drift.Inspected, 24 * hour},
	} {
		t.Run(string(c.action), func(t *testing.T) {
			s := begin(t, machine("K-07", advise.Stop))
			s.view.Machines[0].Service = alert.Service{Time: monday.Add(-50 * hour), Action: drift.Cleaned}
			require.Len(t, s.at(8*hour), 1)
			s.view.Machines[0].Service = alert.Service{Time: monday.Add(9 * hour), Action: c.action, Finding: drift.Worn}
			got := s.at(10 * hour)
			require.NotEmpty(t, got)
			assert.Equal(t, "cleared stop K-07 → crew,bench", got[0])
			require.Len(t, s.outcomes, 1)
			assert.Equal(t, alert.ByService, s.outcomes[0].End)
			assert.Equal(t, drift.Worn, s.outcomes[0].Finding)
			if c.again == 0 {
				assert.Equal(t, "alert stop K-07 → crew,bench", got[1], "a new pair that must stop is a new case")
				return
			}
			assert.Len(t, got, 1)
			assert.Empty(t, s.at(10*hour+c.again-time.Minute), "the bench has answered")
			assert.Len(t, s.at(10*hour+c.again), 1, "and it goes on")
		})
	}
}

// What the bench finds worn or dirty at a machine without an alert is kept
// once, for the report card.
func TestWhatNobodyHadSaid(t *testing.T) {
	for _, c := range []struct {
		name    string
		state   advise.State
		finding drift.Finding
		fresh   bool
		want    alert.End
	}{
		{"found worn", advise.Fit, drift.Worn, true, alert.Unannounced},
		{"found dirty", advise.CheckFirst, drift.Dirty, true, alert.Unannounced}, // which is for no bench
		{"found fine", advise.Fit, drift.Fine, true, ""},
		{"known before", advise.Fit, drift.Worn, false, ""},
		{"a case was open", advise.Stop, drift.Worn, true, alert.ByService},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := policy()
			v := alert.View{Machines: []alert.Machine{machine("K-07", c.state)}}
			s, _, _ := p.Step(alert.State{}, v, monday.Add(8*hour))
			s, _, _ = p.Step(s, v, monday.Add(9*hour))
			v.Machines[0].Service = alert.Service{Time: monday.Add(9 * hour), Action: drift.Cleaned, Finding: c.finding, Fresh: c.fresh}
			s, _, outcomes := p.Step(s, v, monday.Add(10*hour))
			outcomes = slices.DeleteFunc(outcomes, func(o alert.Outcome) bool { return o.Rule == alert.CheckFirst })
			if c.want == "" {
				assert.Empty(t, outcomes)
				return
			}
			require.Len(t, outcomes, 1)
			assert.Equal(t, c.want, outcomes[0].End)
			assert.Equal(t, c.finding, outcomes[0].Finding)
			// The pair is looked at again while the rule rests.
			v.Machines[0].Service.Time = monday.Add(11 * hour)
			v.Machines[0].State = advise.Stop
			_, _, again := p.Step(s, v, monday.Add(12*hour))
			assert.Equal(t, c.want == alert.Unannounced, len(again) == 1, "a second look after an answer is no surprise")
		})
	}
}

// A service that ends the condition too ends the rest: the next time counts anew.
func TestRestEndsWithTheCondition(t *testing.T) {
	s := begin(t, machine("K-07", advise.Stop))
	s.at(8 * hour)
	s.view.Machines[0].Service = alert.Service{Time: monday.Add(9 * hour), Action: drift.Cleaned}
	s.at(10 * hour)
	s.view.Machines[0].State = advise.Fit
	s.at(11 * hour)
	assert.Empty(t, s.state.Cases)
	s.view.Machines[0].State = advise.Stop
	assert.Len(t, s.at(12*hour), 1)
}

func TestNewPairRestartsTheHold(t *testing.T) {
	s := begin(t, machine("K-02", advise.ServiceSoon))
	s.at(5 * hour)
	s.view.Machines[0].Service = alert.Service{Time: monday.Add(5*hour + time.Minute), Action: drift.Replaced}
	s.at(5*hour + 50*time.Minute)
	s.at(6*hour + 40*time.Minute)
	assert.Equal(t, alert.Pending, s.state.Cases[0].Phase, "the pair that was due is gone")
}

// A rule that is right too seldom on this fleet, or of which it is not known,
// stays on the list; what is simply so does not.
func TestOnlyRulesKnownToBeRightSend(t *testing.T) {
	for _, c := range []struct {
		right map[alert.RuleName]float64
		sent  bool
	}{
		{map[alert.RuleName]float64{alert.MustStop: 0.8}, true},
		{map[alert.RuleName]float64{alert.MustStop: 0.79}, false},
		{nil, false},
	} {
		s := begin(t, machine("K-07", advise.Stop))
		s.policy.Right = c.right
		assert.Equal(t, c.sent, len(s.at(8*hour)) == 1, "%v", c.right)
		assert.Equal(t, alert.Open, s.state.Cases[0].Phase, "it is a case all the same")
	}
}

func TestSnooze(t *testing.T) {
	s := begin(t, machine("K-07", advise.Stop))
	require.Len(t, s.at(8*hour), 1)
	var err error
	s.state, err = s.state.Silence("K-07", alert.MustStop, alert.Silence{By: "bench", Reason: "pair arrives on Thursday", Until: monday.Add(50 * hour)}, monday.Add(9*hour))
	require.NoError(t, err)
	assert.Empty(t, s.at(49*hour))
	actions := s.step(50 * hour)
	require.Len(t, actions, 1, "sent once more at the end")
	assert.True(t, strings.HasSuffix(actions[0].Key, "/alert-1"), "%s is another event than the first", actions[0].Key)
	assert.Empty(t, s.at(80*hour))
	s.view.Machines[0].State = advise.Fit
	s.at(81 * hour)
	assert.Equal(t, []string{"cleared stop K-07 → crew,bench"}, s.at(82*hour), "one note for both")
}

func TestSnoozeThatOutlivesItsCase(t *testing.T) {
	s := begin(t, machine("K-07", advise.Stop))
	s.at(8 * hour)
	var err error
	s.state, err = s.state.Silence("K-07", alert.MustStop, alert.Silence{By: "bench", Reason: "away", Until: monday.Add(50 * hour)}, monday.Add(9*hour))
	require.NoError(t, err)
	s.view.Machines[0].State = advise.Fit
	s.at(10 * hour)
	assert.Len(t, s.at(11*hour), 1, "cleared all the same")
	assert.Empty(t, s.at(51*hour))
}

func TestTakenOnBeforeItsMorning(t *testing.T) {
	s := begin(t, machine("K-02", advise.ServiceSoon))
	s.at(8 * hour)
	s.at(9 * hour)
	var err error
	s.state, err = s.state.Acknowledge("K-02", alert.ElectrodesDue, "Lena", monday.Add(10*hour))
	require.NoError(t, err)
	assert.Empty(t, s.at(31*hour), "somebody already has it")
}

func TestAnswersThatCannotBe(t *testing.T) {
	s := begin(t, machine("K-07", advise.Stop), machine("K-02", advise.ServiceSoon))
	s.at(8 * hour)
	now := monday.Add(9 * hour)
	ok := alert.Silence{By: "bench", Reason: "waiting for a pair", Until: now.Add(hour)}
	change := func(how func(*alert.Silence)) alert.Silence { q := ok; how(&q); return q }
	for _, c := range []struct {
		subject string
		quiet   alert.Silence
		says    string
	}{
		{"K-07", change(func(q *alert.Silence) { q.Reason = " " }), "reason is missing"},
		{"K-07", change(func(q *alert.Silence) { q.By = "" }), "name is missing"},
		{"K-07", change(func(q *alert.Silence) { q.Until = now }), "has passed"},
		{"K-07", change(func(q *alert.Silence) { q.Until = now.Add(31 * 24 * hour) }), "at most 30 days"},
		{"K-99", ok, "no open case"},
		{"K-02", ok, "no open case"}, // pending only
	} {
		after, err := s.state.Silence(c.subject, alert.MustStop, c.quiet, now)
		require.ErrorContains(t, err, c.says)
		assert.Equal(t, s.state, after)
	}
}

func TestMachineThatLeavesTakesItsCasesAlong(t *testing.T) {
	s := begin(t, machine("K-07", advise.Stop))
	s.at(8 * hour)
	s.view.Machines = nil
	assert.Empty(t, s.at(9*hour))
	assert.Empty(t, s.state.Cases)
	require.Len(t, s.outcomes, 1)
	assert.Equal(t, alert.LeftBehind, s.outcomes[0].End)
}

func TestTheAgentsOwnRules(t *testing.T) {
	s := begin(t)
	s.policy.To[alert.Plan] = []string{"mail", "hook"}
	s.view.Sources = []alert.Source{{Name: "mqtt", Last: monday, Limit: 24 * hour}}
	s.view.Channels = []alert.Channel{{Name: "mail", Dead: true, Waiting: 4, Why: "connection refused"}}
	assert.Empty(t, s.at(6*hour))
	assert.Equal(t, []string{"alert channel-dead mail → hook"}, s.at(7*hour), "a dead channel is reported by the others")
	assert.Empty(t, s.at(24*hour), "silent for as long as is usual")
	s.at(24*hour + time.Minute)
	assert.Equal(t, []string{"alert door-silent mqtt → mail,hook"}, s.at(31*hour))
	s.view.Sources[0].Last = monday.Add(31*hour + time.Minute)
	s.at(32 * hour)
	assert.Equal(t, []string{"cleared door-silent mqtt → mail,hook"}, s.at(33*hour))
}

func TestMorningList(t *testing.T) {
	s := begin(t, machine("K-07", advise.Stop), machine("K-11", advise.CheckFirst), machine("K-30", advise.NoData), machine("K-01", advise.Fit))
	s.policy.To[alert.Note] = []string{"manager"}
	s.policy.Right = nil // everything is on the list only
	assert.Empty(t, s.at(6*hour))
	first := s.step(7 * hour)
	require.Len(t, first, 1)
	assert.Equal(t, "list/2026-03-02", first[0].Key)
	assert.Equal(t, []string{"manager"}, first[0].To)
	assert.Equal(t, "4 machines: 1 stop, 1 check first, 1 silent. New: K-07, K-11, K-30.", first[0].Short)
	assert.Equal(t, "Morning list. 4 machines: 1 stop, 1 check first, 1 silent", first[0].Title)
	assert.Equal(t, strings.Join([]string{
		"New",
		"- K-07: STOP. Do not use this machine. Bring it to the bench. Since 2 Mar 2026, 06:00 CET; not sent: this rule is not expected to be right 8 times in 10 here. One good calibration with fresh ends clears this.",
		"- K-11: Calibrate before the next splice. Since 2 Mar 2026, 07:00 CET. One good calibration with fresh ends clears this.",
		"- K-30: No record yet. Since 2 Mar 2026, 06:00 CET. One calibration clears this.",
	}, "\n"), strings.Replace(first[0].Body, "\n\n", "\n", 1))
	assert.Empty(t, s.at(20*hour))
	s.view.Machines[3].State = advise.Stop
	s.at(21 * hour)
	second := s.step(31 * hour)
	require.Len(t, second, 1)
	assert.Equal(t, "4 machines: 2 stop, 1 check first, 1 silent. New: K-01.", second[0].Short)
	late := s.step((2*24 + 13) * hour)
	require.Len(t, late, 1, "an agent that slept over the morning catches up")
	assert.Equal(t, "list/2026-03-04", late[0].Key)
	for i := range s.view.Machines {
		s.view.Machines[i].State = advise.Fit
	}
	s.at((2*24 + 14) * hour)
	s.at((2*24 + 16) * hour)
	assert.Empty(t, s.at((3*24+7)*hour), "nothing open, no list")
}

func TestFiringCountsOpenCases(t *testing.T) {
	s := begin(t, machine("K-07", advise.Stop), machine("K-02", advise.ServiceSoon), machine("K-30", advise.NoData), machine("K-31", advise.NoData))
	s.at(8 * hour)
	assert.Equal(t, map[string]int{
		"stop": 1, "electrode-service": 0 /* pending */, "check-first": 0, "machine-silent": 2, "door-silent": 0, "channel-dead": 0,
	}, s.state.Firing())
}

// The order of what is known does not matter to what is remembered.
func TestStateIsInOrder(t *testing.T) {
	p := policy()
	machines := []alert.Machine{machine("B", advise.Stop), machine("C", advise.NoData), machine("A", advise.Stop)}
	one, _, _ := p.Step(alert.State{}, alert.View{Machines: machines}, monday)
	slices.Reverse(machines)
	two, _, _ := p.Step(alert.State{}, alert.View{Machines: machines}, monday)
	assert.Equal(t, one, two)
}
