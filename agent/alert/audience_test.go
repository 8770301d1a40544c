package alert_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/drift/advise"
)

// A channel that is limited to a customer gets no message that names a machine of another.
func TestChannelsOfCustomers(t *testing.T) {
	t.Parallel()
	s := begin(t, machine("F-01", advise.Fit), machine("F-02", advise.Fit), machine("S-01", advise.Fit), machine("N-01", advise.Fit))
	for i, customer := range []string{"Fjord", "Fjord", "Skerry", ""} {
		s.view.Machines[i].Customer, s.view.Machines[i].Depot = customer, "north"
	}
	s.policy.Audience = alert.Audience{"fjord": {"Fjord"}, "skerry": {"Skerry"}}
	all := []string{"fjord", "office", "skerry"}
	s.policy.To = map[alert.Severity][]string{alert.Stop: all, alert.Plan: all, alert.Note: all}
	s.policy.Together = all
	assert.Empty(t, s.at(7*hour))
	for i := range s.view.Machines {
		s.view.Machines[i].State = advise.ServiceSoon
	}
	s.view.Channels = []alert.Channel{{Name: "pager", Dead: true}}
	var actions []alert.Action
	for h := 8 * hour; h < 60*hour; h += hour {
		actions = append(actions, s.step(h)...)
	}
	s.view.Machines[2].State = advise.Stop
	actions = append(actions, s.step(61*hour)...)
	got := map[string]string{}
	for _, a := range actions {
		for _, to := range a.To {
			got[to] += a.Key + a.Subject + a.Title + a.Short + a.Body + strings.Join(a.Cases, " ")
		}
	}
	require.Len(t, got, 3)
	for to, names := range map[string][]string{"fjord": {"F-01", "F-02"}, "skerry": {"S-01"}, "office": {"F-01", "F-02", "S-01", "N-01", "pager"}} {
		for _, name := range []string{"F-01", "F-02", "S-01", "N-01", "pager"} {
			hears := strings.Contains(strings.Join(names, " "), name)
			assert.Equal(t, hears, strings.Contains(got[to], name), "%s of %s", name, to)
		}
	}
	assert.Contains(t, got["fjord"], "Morning list. 2 machines")
	assert.Contains(t, got["office"], "Morning list. 4 machines")

	// A machine that comes to another customer takes its alerts along.
	s.view.Machines[2].Customer = "Fjord"
	s.step(62 * hour)
	s.view.Machines[2].State = advise.Fit
	for h := 63 * hour; h < 90*hour; h += hour {
		for _, a := range s.step(h) {
			assert.False(t, a.Subject == "S-01" && strings.Contains(strings.Join(a.To, " "), "skerry"), "%s → %v", a.Key, a.To)
		}
	}
}
