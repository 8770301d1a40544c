package alert_test

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/agent/alert"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// septets is the GSM 7-bit default alphabet as 3GPP TS 23.038, 6.2.1 tables it,
// whole; a character outside it costs two places or the whole alphabet.
const septets = "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?" +
	"¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"

func assertShort(t assert.TestingT, text string) {
	assert.LessOrEqual(t, utf8.RuneCountInString(text), 160, text)
	assert.NotEmpty(t, text)
	for _, r := range text {
		assert.True(t, strings.ContainsRune(septets, r), "%q of %q is outside the 7-bit alphabet", r, text)
	}
}

// worn is a machine of which there is everything to say.
func worn(state advise.State) alert.Machine {
	return alert.Machine{
		Assessment: &advise.Assessment{
			Machine: "K-07", State: state,
			Reasons: []string{"Required power is 4.1 % and rises by 3.3 % per 1000 arcs.", "3 tries in a row failed, most likely the electrodes (7 in 10)."},
			Streak:  advise.Streak{Attempts: 3},
			Electrode: advise.Electrode{
				ToFailure: &advise.Quantiles{P10: 220, P50: 610, P90: 1240}, ArcsPerDay: drift.Some(58.0),
				Action: advise.Replace, ActBy: drift.Some("2026-03-05"),
			},
		},
		Zone: oslo, Spare: "van 4",
	}
}

// alertOf is the message of the alert of one machine.
func alertOf(t assert.TestingT, m alert.Machine) alert.Action {
	p := policy()
	p.Page = "https://drift.example/"
	p.To[alert.Note] = nil
	v := alert.View{Machines: []alert.Machine{m}}
	var s alert.State
	var all []alert.Action
	for _, at := range []time.Duration{5 * hour, 6 * hour, 7 * hour, 8 * hour} {
		var actions []alert.Action
		s, actions, _ = p.Step(s, v, monday.Add(at))
		all = append(all, actions...)
	}
	if !assert.Len(t, all, 1) {
		return alert.Action{}
	}
	return all[0]
}

func TestShortText(t *testing.T) {
	assert.Equal(t,
		"K-07: Replace the electrodes by Thu 5 Mar. 3 failed attempts, plan on 220 arcs. Spare: van 4. Unplug first. Clears after service and a pass. Log the finding.",
		alertOf(t, worn(advise.ServiceSoon)).Short)
	assert.Equal(t,
		"K-07: STOP. Do not use this machine. Replace the electrodes by Thu 5 Mar. 3 failed attempts. Spare: van 4. Unplug first. Clears after service and a pass.",
		alertOf(t, worn(advise.Stop)).Short)
}

// Whoever looks for a machine needs no spare pair.
func TestASilentMachineIsAskedFor(t *testing.T) {
	m := worn(advise.NoData)
	m.Electrode.Action = advise.None
	p, view := policy(), alert.View{Machines: []alert.Machine{m}}
	var s alert.State
	for _, at := range []time.Duration{5 * hour, 6 * hour, 30 * hour} {
		s, _, _ = p.Step(s, view, monday.Add(at))
	}
	shown := p.Show(s, view, monday.Add(31*hour))
	require.Len(t, shown, 1)
	got := shown[0].Message
	assert.Contains(t, got.Short, "Find the machine and log a calibration.")
	assert.NotContains(t, got.Short+got.Body, "van 4")
	assert.NotContains(t, got.Short+got.Body, "arcs left")
}

func TestLongText(t *testing.T) {
	got := alertOf(t, worn(advise.ServiceSoon))
	assert.Equal(t, "K-07: Replace the electrodes by Thu 5 Mar", got.Title)
	assert.Equal(t, strings.Join([]string{
		"Why\n- Required power is 4.1 % and rises by 3.3 % per 1000 arcs.\n- 3 tries in a row failed, most likely the electrodes (7 in 10).",
		"Spare: van 4.",
		"Log the service and pass a calibration to clear this.",
		"After the work, log the service with what you found: worn, dirty, fine, cleaver or other. This closes the case and shows whether the alert was right.",
		"Assessed 2 Mar 2026, 07:00 CET.",
		"https://drift.example/machines/K-07",
		"What it means and what to do: https://drift.example/help/alerts#electrode-service",
		advise.CautionText(),
	}, "\n\n"), got.Body)
}

// A message does not begin with its title again: in a mailbox both stand together.
func TestTheBodyGoesOnFromTheTitle(t *testing.T) {
	words := func(text string) string {
		return strings.Join(strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return !strings.ContainsRune("abcdefghijklmnopqrstuvwxyz0123456789", r) }), " ")
	}
	goesOn := func(m alert.Message) {
		t.Helper()
		first, _, _ := strings.Cut(m.Body, ".")
		assert.NotContains(t, words(first), words(m.Title))
		assert.NotContains(t, words(m.Title), words(first))
	}
	for _, state := range []advise.State{advise.Stop, advise.ServiceSoon} {
		goesOn(alertOf(t, worn(state)).Message)
	}
	s := begin(t, worn(advise.Stop))
	s.policy.To[alert.Note], s.policy.To[alert.Plan] = []string{"manager"}, []string{"hook"}
	s.view.Sources = []alert.Source{{Name: "mqtt", Last: monday.Add(-48 * hour), Limit: 24 * hour}}
	s.view.Channels = []alert.Channel{{Name: "mail", Dead: true, Waiting: 4, Why: "The mail server refused the connection."}}
	s.step(6 * hour)
	all := s.step(7 * hour)
	s.view.Machines[0].State = advise.Fit
	s.view.Sources[0].Last, s.view.Channels[0].Dead = monday.Add(7*hour), false
	s.step(8 * hour)
	all = append(all, s.step(10*hour)...)
	assert.Len(t, all, 6, "the list, a source and a channel, and the ends of all three")
	for _, a := range all {
		goesOn(a.Message)
	}
}

// What people write is kept where one message can hold it and spelt otherwise
// where it cannot.
func TestSpelling(t *testing.T) {
	for written, sent := range map[string]string{
		"Ålesund, hylle 3":    "Ålesund, hylle 3",
		"van 4 – at −5 °C":    "van 4 - at -5 C",
		"“Łódź” depot":        "\"Lodz\" depot",
		"shelf  {2}\tback":    "shelf ?2? back",
		"5 µm ±1, ≥ 2 pairs…": "5 um +-1, >= 2 pairs...",
	} {
		m := worn(advise.ServiceSoon)
		m.Spare = written
		assert.Contains(t, alertOf(t, m).Short, "Spare: "+sent+".")
	}
}

func TestTimesAreThoseOfThePlace(t *testing.T) {
	m := worn(advise.Stop)
	m.Zone = zone("America/Denver")
	// 05:00 in Oslo on 2 March is 21:00 the evening before in Denver.
	assert.Contains(t, alertOf(t, m).Body, "Assessed 1 Mar 2026, 21:00 MST.")
}

// Whoever is sent to the electrodes reads the cautions, in both lengths; whoever
// is not, is not bothered.
func TestCautions(t *testing.T) {
	for _, action := range []advise.Action{advise.Inspect, advise.Clean, advise.Replace} {
		m := worn(advise.ServiceSoon)
		m.Electrode.Action = action
		got := alertOf(t, m)
		assert.Contains(t, got.Body, advise.CautionText())
		assert.Contains(t, got.Short, "Unplug first.")
	}
	m := worn(advise.Stop)
	m.Electrode.Action = advise.None
	assert.NotContains(t, alertOf(t, m).Body, advise.CautionText())
}

// A list that sends somebody to the electrodes has the cautions too.
func TestCautionsOfTheList(t *testing.T) {
	for action, want := range map[advise.Action]bool{advise.Clean: true, advise.None: false} {
		m := worn(advise.Stop)
		m.Electrode.Action = action
		s := begin(t, m)
		s.policy.To = map[alert.Severity][]string{alert.Note: {"manager"}}
		list := s.step(7 * hour)
		require.Len(t, list, 1)
		assert.Equal(t, want, strings.Contains(list[0].Body, advise.CautionText()))
	}
}

func TestClearedText(t *testing.T) {
	s := begin(t, worn(advise.Stop))
	s.at(8 * hour)
	s.view.Machines[0].Service = alert.Service{Time: monday.Add(9*hour + 20*time.Minute), Action: drift.Cleaned, Finding: drift.Dirty}
	actions := s.step(10 * hour)
	require.Len(t, actions, 1)
	assert.Equal(t, "Cleared: K-07. The bench cleaned the pair on 2 Mar 2026, 09:20 CET, found dirty. Calibrate before the next splice. This ends the alert of 2 Mar 2026, 08:00 CET.", actions[0].Short)
	assert.True(t, strings.HasPrefix(actions[0].Key, "stop/K-07/20260302T070000.000Z/"), actions[0].Key)
}

func TestAgentTexts(t *testing.T) {
	s := begin(t)
	s.policy.To[alert.Plan] = []string{"hook"}
	s.view.Sources = []alert.Source{{Name: "mqtt", Last: monday.Add(-48 * hour), Limit: 24 * hour}}
	s.view.Channels = []alert.Channel{{Name: "mail", Dead: true, Waiting: 4, Why: "The mail server refused the connection."}}
	actions := s.step(7 * hour)
	require.Len(t, actions, 2)
	assert.Contains(t, actions[0].Short, "No data from mqtt since 28 Feb 2026, 00:00 CET.")
	assert.Contains(t, actions[1].Short, "Channel mail delivers nothing, 4 messages waiting. The mail server refused the connection.")
	for _, a := range actions {
		assertShort(t, a.Short)
		assert.Contains(t, a.Short, "Clears when", "every alert says what ends it")
	}
}

// The longest name leaves room for the step, the caution and the exit rule.
func TestShortTextOfTheLongestName(t *testing.T) {
	m := worn(advise.Stop)
	m.Machine, m.Electrode.Action = strings.Repeat("K", 64), advise.Replace
	assert.Equal(t, m.Machine+": STOP. Replace the electrodes by Thu 5 Mar. Unplug first. Clears after service and a pass.", alertOf(t, m).Short)
	m.Electrode.ActBy = drift.Some("2026-02-05")
	assert.Equal(t, m.Machine+": STOP. Replace the electrodes now (it was due.. Unplug first. Clears after service and a pass.", alertOf(t, m).Short)
}

// Whatever people call things and whatever the reasons say, a short message is
// one message, names the machine, and has its exit rule and its caution.
func TestShortTextAlwaysFits(t *testing.T) {
	name := rapid.StringMatching(`[A-Za-z0-9][A-Za-z0-9._-]{0,63}`)
	rapid.Check(t, func(t *rapid.T) {
		m := worn(rapid.SampledFrom([]advise.State{advise.Stop, advise.ServiceSoon}).Draw(t, "state"))
		m.Machine = name.Draw(t, "machine")
		m.Spare = rapid.StringN(0, 64, -1).Draw(t, "spare")
		m.Reasons = rapid.SliceOfN(rapid.String(), 0, 3).Draw(t, "reasons")
		m.Electrode.Action = rapid.SampledFrom([]advise.Action{advise.None, advise.Inspect, advise.Clean, advise.Replace}).Draw(t, "action")
		if rapid.Bool().Draw(t, "no forecast") {
			m.Electrode.ToFailure, m.Streak.Attempts = nil, 0
		}
		got := alertOf(t, m)
		assertShort(t, got.Short)
		assert.True(t, strings.HasPrefix(got.Short, m.Machine+": "), got.Short)
		assert.Contains(t, got.Short, m.ClearsShort())
		assert.Equal(t, m.Electrode.Action != advise.None, strings.Contains(got.Short, "Unplug first."), got.Short)
		assert.Equal(t, 1, strings.Count(got.Body, m.Clears()), "stated once")
	})
}

// A random life of a small fleet: whatever happens, in any order, with the state
// kept or not, the promises hold.
func TestPromisesHoldInAnyLife(t *testing.T) {
	states := rapid.SampledFrom(advise.States())
	rapid.Check(t, func(t *rapid.T) {
		p := policy()
		names := []string{"A", "B"}
		v := alert.View{}
		for _, n := range names {
			v.Machines = append(v.Machines, machine(n, advise.Fit))
		}
		var s alert.State
		now := monday
		alerts, clears, seen := map[string]int{}, map[string]int{}, map[string]bool{}
		silences := 0
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			now = now.Add(time.Duration(rapid.IntRange(1, 40*60).Draw(t, "minutes")) * time.Minute)
			i := rapid.IntRange(0, 1).Draw(t, "machine")
			switch rapid.IntRange(0, 5).Draw(t, "event") {
			case 0:
				v.Machines[i].Service = alert.Service{Time: now, Action: rapid.SampledFrom([]drift.Action{drift.Cleaned, drift.Replaced, drift.Inspected}).Draw(t, "action")}
			case 1:
				if next, err := s.Silence(names[i], alert.MustStop, alert.Silence{By: "x", Reason: "y", Until: now.Add(30 * hour)}, now); err == nil {
					s = next
					silences++
				}
			default:
				v.Machines[i].State = states.Draw(t, "state")
			}
			next, actions, _ := p.Step(s, v, now)
			_, repeated, _ := p.Step(s, v, now)
			assert.Equal(t, actions, repeated, "the same state gives the same actions with the same keys")
			s = next
			open := map[[2]string]bool{}
			for _, c := range s.Cases {
				at := [2]string{c.Subject, string(c.Rule)}
				assert.False(t, open[at], "one case per machine and rule")
				open[at] = true
			}
			for _, a := range actions {
				assert.False(t, seen[a.Key], "%s twice", a.Key)
				seen[a.Key] = true
				assertShort(t, a.Short)
				switch a.Kind {
				case alert.Alert:
					assert.NotEqual(t, alert.Note, a.Severity, "notes are listed, not sent")
					alerts[a.Case]++
				case alert.Cleared:
					clears[a.Case]++
					assert.Positive(t, alerts[a.Case], "nobody gets the note of an end without the alert")
					assert.LessOrEqual(t, clears[a.Case], 1)
				}
			}
		}
		for id, n := range alerts {
			assert.LessOrEqual(t, n, 1+silences, "%s: sent once, and once per silence", id)
		}
	})
}

// A fleet of 10,000 is stepped every minute.
func BenchmarkStep(b *testing.B) {
	p := policy()
	v := alert.View{}
	for i := range 10_000 {
		v.Machines = append(v.Machines, machine(string(rune('A'+i%26))+time.Duration(i).String(), advise.States()[i%5]))
	}
	s, _, _ := p.Step(alert.State{}, v, monday)
	for b.Loop() {
		s, _, _ = p.Step(s, v, monday.Add(time.Minute))
	}
}
