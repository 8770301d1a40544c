package agenttest

import (
	"arcdrift/agent/alert"
	"arcdrift/agent/alerting"
	"arcdrift/agent/server"
	"errors"
	"fmt"
	"io"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Wearing is the life of a machine whose pair wears until two sessions in a row
// are given up, in the hours before now. Each line is a record.
func Wearing(machine string, now time.Time) []string {
	const days = 30
	var lines []string
	add := func(at time.Time, arcs int, more string) {
		lines = append(lines, fmt.Sprintf(`{"type":"calibration","machine":%q,"model":"type-1","time":%q,"arc_count":%d,"power_limit_pct":12,"meltback_target_um":250,"meltback_tolerance_um":10,"temperature_c":12,"humidity_pct":60,"altitude_m":400,%s}`,
			machine, at.Format(time.RFC3339), arcs, more))
	}
	for day := range days {
		at := now.AddDate(0, 0, day-days).Add(-10 * time.Hour)
		setting := 0.35 * float64(day)
		add(at, 60*day, fmt.Sprintf(`"attempt":1,"passed":true,"meltback_left_um":248,"meltback_right_um":247,"power_setting_pct":%.2f,"power_correction_pct":0.35`, setting))
	}
	for session := range 2 {
		for attempt := 1; attempt <= 4; attempt++ {
			at := now.Add(time.Duration(session-3) * time.Hour).Add(time.Duration(attempt) * time.Minute)
			add(at, 60*days+10*session+attempt, fmt.Sprintf(`"attempt":%d,"passed":false,"recleaved":true,"meltback_left_um":205,"meltback_right_um":208,"power_setting_pct":12,"power_correction_pct":0`, attempt))
		}
	}
	return lines
}

// Repaired is the bench's record after a Wearing.
func Repaired(machine string, now time.Time) string {
	return fmt.Sprintf(`{"type":"service","machine":%q,"id":"bench-1","time":%q,"action":"replaced","finding":"worn","arc_count":0}`,
		machine, now.Add(-30*time.Minute).Format(time.RFC3339))
}

// AlertsTo is a configuration of alerts as its settings would give it.
func AlertsTo(t *testing.T, channels ...string) alerting.Config {
	raw := alerting.Defaults()
	raw.Channels = channels
	raw.Secrets = []string{"hook=" + SecretFile(t)}
	*raw.To[alert.Note] = []string{alerting.Nobody}
	c, err := raw.Config(true)
	require.NoError(t, err)
	return c
}

// Scraped is the agent's own metrics.
func Scraped(t *testing.T, s *server.Server) string {
	resp, err := http.Get(s.URL() + "/metrics")
	require.NoError(t, err)
	text, err := io.ReadAll(resp.Body)
	require.NoError(t, errors.Join(err, resp.Body.Close()))
	return string(text)
}
