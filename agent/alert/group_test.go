package alert_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// dueAt is a machine of a depot that is to be serviced.
func dueAt(depot, name string) alert.Machine {
	m := worn(advise.ServiceSoon)
	m.Machine, m.Depot, m.Zone = name, depot, oslo
	return m
}

// A depot with several machines due gets one message where people read, and one
// each where machines do; cases and ends are each its own.
func TestADepotIsToldOnce(t *testing.T) {
	s := begin(t, dueAt("North", "K-07"), dueAt("North", "K-02"), dueAt("South", "M-01"), dueAt("", "X-1"), dueAt("", "X-2"))
	s.policy.To[alert.Plan] = []string{"bench", "topic"}
	s.policy.Together = []string{"bench"}
	s.policy.Page = "https://drift.example"
	s.step(5 * hour)
	s.step(6 * hour)
	all := s.step(7 * hour)
	assert.Equal(t, []string{
		"alert electrode-service K-07 → topic", "alert electrode-service K-02 → topic",
		"alert electrode-service M-01 → bench,topic",                                             // the only one of its depot
		"alert electrode-service X-1 → bench,topic", "alert electrode-service X-2 → bench,topic", // no depot
		"alert electrode-service  → bench",
	}, keys(all))
	north := all[5]
	assert.Equal(t, "electrode-service/depot North/20260302T060000.000Z/alert", north.Key)
	assert.Equal(t, []string{all[1].Case, all[0].Case}, north.Cases)
	assert.Equal(t, "North", north.Depot)
	assert.Equal(t, "North: 2 machines to service: K-02: Replace the electrodes by Thu 5 Mar; K-07: Replace the electrodes by Thu 5 Mar. Unplug first. Log each service.", north.Short)
	assert.Equal(t, strings.Join([]string{
		"Machines\n" +
			"- K-02: Replace the electrodes by Thu 5 Mar. Required power is 4.1 % and rises by 3.3 % per 1000 arcs. Spare: van 4. https://drift.example/machines/K-02\n" +
			"- K-07: Replace the electrodes by Thu 5 Mar. Required power is 4.1 % and rises by 3.3 % per 1000 arcs. Spare: van 4. https://drift.example/machines/K-07",
		"Log the service and pass a calibration to clear this.",
		"After the work, log the service with what you found: worn, dirty, fine, cleaver or other. This closes the case and shows whether the alert was right.",
		"Assessed 2 Mar 2026, 07:00 CET.",
		advise.CautionText(),
	}, "\n\n"), north.Body)

	assert.Empty(t, s.at(31*hour), "sent once")
	// Moved to another depot meanwhile, the end still finds what was sent.
	s.view.Machines[0].Depot = "South"
	s.view.Machines[0].Service = alert.Service{Time: monday.Add(32 * hour), Action: drift.Replaced, Finding: drift.Worn}
	s.view.Machines[0].State = advise.Fit
	ends := s.step(33 * hour)
	require.Equal(t, []string{"cleared electrode-service K-07 → bench,topic"}, keys(ends))
	assert.Equal(t, "North", ends[0].Depot)
	assert.Equal(t, all[0].Case, ends[0].Case)
}

// What cannot wait is sent one by one, and so is what only machines read.
func TestWhatIsNotToldTogether(t *testing.T) {
	s := begin(t, dueAt("North", "K-07"), dueAt("North", "K-02"))
	s.policy.Together = []string{"bench", "crew"}
	for i := range s.view.Machines {
		s.view.Machines[i].State = advise.Stop
	}
	assert.Equal(t, []string{"alert stop K-07 → crew,bench", "alert stop K-02 → crew,bench"}, s.at(8*hour))

	s = begin(t, dueAt("North", "K-07"), dueAt("North", "K-02"))
	s.step(5 * hour)
	s.step(6 * hour)
	assert.Equal(t, []string{"alert electrode-service K-07 → bench", "alert electrode-service K-02 → bench"}, s.at(7*hour))
}

func TestADepotsShortTextIsOneMessage(t *testing.T) {
	s := begin(t)
	for _, n := range []string{"1", "2", "3", "4", "5", "6", "7", "8", "9"} {
		s.view.Machines = append(s.view.Machines, dueAt("the depot with the long name", "K-10"+n))
	}
	s.policy.Together = []string{"bench"}
	s.step(5 * hour)
	s.step(6 * hour)
	all := s.step(7 * hour)
	require.Len(t, all, 1)
	assertShort(t, all[0].Short)
	assert.Contains(t, all[0].Short, "9 machines to service: K-101: ")
	assert.Contains(t, all[0].Short, "Unplug first.")
}
