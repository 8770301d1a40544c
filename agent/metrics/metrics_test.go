package metrics_test

import (
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/metrics"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

var build = metrics.Build{Version: "1.2.3", Revision: "abc", Go: "go1.26"}

// worn is a machine of which everything is known.
func worn(machine string, state advise.State) *advise.Assessment {
	model := "type-2"
	return &advise.Assessment{
		Machine: machine, Model: &model, State: state,
		Data: advise.Data{Last: drift.Some(time.Date(2026, 3, 2, 7, 45, 0, 0, time.UTC))},
		Drift: advise.Drift{
			RequiredPower: drift.Some(4.1), SD: drift.Some(0.4), Per1000Arcs: drift.Some(3.3),
			Setting: drift.Some(3.9), Limit: drift.Some(12.0), Scatter: drift.Some(0.9),
		},
		Streak: advise.Streak{Attempts: 3},
		Electrode: advise.Electrode{
			Arcs:      drift.Some[int64](1840),
			ToFailure: &advise.Quantiles{P10: 220, P50: 610, P90: 1240}, BeyondHorizon: drift.Some(0.02),
		},
	}
}

// small is a fleet with one machine of each kind and everything that can be reported.
func small() metrics.Facts {
	moved := worn("K-11", advise.CheckFirst)
	moved.Due = &advise.Due{Reason: advise.Moved}
	return metrics.Facts{
		Read: true, Ready: true, Links: []metrics.Link{{Name: "broker", Up: true}, {Name: "hub"}},
		Forward: &metrics.Forward{Waiting: 12, Oldest: 90, Refused: 1},
		Machines: []metrics.Machine{
			{Assessment: worn("K-07", advise.Stop), Site: "Elm Street", Depot: "north", Service: drift.Cleaned, Serviced: time.Date(2026, 3, 1, 7, 45, 0, 0, time.UTC)},
			{Assessment: moved}, {Assessment: worn("K-02", advise.ServiceSoon)},
			{Assessment: &advise.Assessment{Machine: "K-30", State: advise.NoData}}, {Assessment: worn("K-01", advise.Fit)},
		},
		Records: map[metrics.Arrival]uint64{
			{Type: drift.TypeCalibration, Result: metrics.Taken}:   412,
			{Type: drift.TypeCalibration, Result: metrics.Refused}: 3,
			{Result: metrics.Refused}:                              1,
		},
		Silenced:   map[string]bool{"electrode-service": true, "stop": false},
		Firing:     map[string]int{"stop": 1, "electrode-service": 1, "door-silent": 1, "channel-dead": 1},
		Spares:     []advise.Spares{{Depot: "north", Hold95: 3, Hold99: 5, Held: drift.Some[int64](4)}, {Depot: "south", Hold95: 2, Hold99: 2}},
		Channels:   []metrics.Channel{{Name: "mail", Waiting: 2, Dead: true}, {Name: "hook"}},
		StoreBytes: 4 << 20,
	}
}

func handler(t testing.TB, facts metrics.Facts, o metrics.Options) http.Handler {
	registry := metrics.Registry(func() metrics.Facts { return facts }, build, o)
	return metrics.Handler(registry, log.New(t.Output(), "", 0))
}

// scrape is one answer of the handler.
func scrape(t testing.TB, h http.Handler) string {
	answer := httptest.NewRecorder()
	h.ServeHTTP(answer, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	require.Equal(t, http.StatusOK, answer.Code)
	return answer.Body.String()
}

// Until the machines were read nothing is reported of them: no series says that none must
// stop.
func TestNoMachinesBeforeTheFirstReading(t *testing.T) {
	for series := range samples(t, scrape(t, handler(t, metrics.Facts{}, metrics.DefaultOptions()))) {
		assert.NotRegexp(t, `^arcdrift_(machine|spare|depots|alerts)`, series)
	}
}

func TestValuesInBaseUnits(t *testing.T) {
	registry := metrics.Registry(small, build, metrics.DefaultOptions())
	// 4.1 % is the ratio 0.041; 2026-03-02T07:45:00Z is 1772437500 (date -u +%s).
	want := `
# HELP arcdrift_electrode_arcs_to_failure Arcs to failure of the fitted pair, reached with at most this chance.
# TYPE arcdrift_electrode_arcs_to_failure gauge
`
	for _, m := range []string{"K-01", "K-02", "K-07", "K-11"} {
		for _, q := range []string{`0.1",machine=%q} 220`, `0.5",machine=%q} 610`, `0.9",machine=%q} 1240`} {
			want += fmt.Sprintf("arcdrift_electrode_arcs_to_failure{chance=\"%s\n", fmt.Sprintf(q, m))
		}
	}
	require.NoError(t, testutil.GatherAndCompare(registry, strings.NewReader(want), metrics.ArcsToFailure))

	got := samples(t, scrape(t, handler(t, small(), metrics.DefaultOptions())))
	for series, value := range map[string]float64{
		`arcdrift_machine_state{machine="K-07",state="stop"}`:                                  1,
		`arcdrift_machine_state{machine="K-07",state="fit"}`:                                   0,
		`arcdrift_machine_info{depot="north",machine="K-07",model="type-2",site="Elm Street"}`: 1,
		`arcdrift_machine_info{depot="",machine="K-30",model="",site=""}`:                      1,
		`arcdrift_machine_last_service_timestamp_seconds{action="cleaned",machine="K-07"}`:     1772351100,
		`arcdrift_depot_spare_pairs_needed{chance="0.95",depot="north"}`:                       3,
		`arcdrift_depot_spare_pairs_held{depot="north"}`:                                       4,
		`arcdrift_required_power_ratio{machine="K-07"}`:                                        0.041,
		`arcdrift_required_power_slope_ratio_per_1000_arcs{machine="K-07"}`:                    0.033,
		`arcdrift_power_limit_ratio{machine="K-07"}`:                                           0.12,
		`arcdrift_scatter_ratio{machine="K-07"}`:                                               0.009,
		`arcdrift_electrode_arcs{machine="K-07"}`:                                              1840,
		`arcdrift_electrode_beyond_horizon_ratio{machine="K-07"}`:                              0.02,
		`arcdrift_failed_attempts_streak{machine="K-07"}`:                                      3,
		`arcdrift_last_record_timestamp_seconds{machine="K-07"}`:                               1772437500,
		`arcdrift_machines{state="stop"}`:                                                      1,
		`arcdrift_machines_listed`:                                                             5,
		`arcdrift_spare_pairs_needed{chance="0.95"}`:                                           5,
		`arcdrift_spare_pairs_needed{chance="0.99"}`:                                           7,
		`arcdrift_depots_short{chance="0.95"}`:                                                 0,
		`arcdrift_depots_short{chance="0.99"}`:                                                 1,
		`arcdrift_spare_pairs_held`:                                                            4,
		`arcdrift_records_total{result="taken",type="calibration"}`:                            412,
		`arcdrift_records_total{result="refused",type="unknown"}`:                              1,
		`arcdrift_records_total{result="conflict",type="setup"}`:                               0,
		`arcdrift_alerts_firing{rule="stop"}`:                                                  1,
		`arcdrift_alert_rule_silenced{rule="electrode-service"}`:                               1,
		`arcdrift_alert_rule_silenced{rule="stop"}`:                                            0,
		`arcdrift_check_due{machine="K-11",reason="moved"}`:                                    1,
		`arcdrift_notify_waiting{channel="mail"}`:                                              2,
		`arcdrift_notify_channel_dead{channel="mail"}`:                                         1,
		`arcdrift_build_info{goversion="go1.26",revision="abc",version="1.2.3"}`:               1,
		`arcdrift_store_bytes`:                                                                 4 << 20,
		`arcdrift_ready`:                                                                       1,
		`arcdrift_link_up{link="broker"}`:                                                      1,
		`arcdrift_link_up{link="hub"}`:                                                         0,
		`arcdrift_forward_waiting_records`:                                                     12,
		`arcdrift_forward_oldest_waiting_seconds`:                                              90,
		`arcdrift_forward_refused_total`:                                                       1,
	} {
		require.Contains(t, got, series)
		assert.InDelta(t, value, got[series], 1e-15, series) // one rounding, of percent to ratio
	}
	assert.NotContains(t, got, `arcdrift_check_due{machine="K-01",reason="start-of-day"}`)
	assert.NotContains(t, got, `arcdrift_required_power_ratio{machine="K-30"}`, "what is unknown is not 0")
}

// samples are the series of a scrape with their values.
func samples(t *testing.T, text string) map[string]float64 {
	out := map[string]float64{}
	for line := range strings.Lines(text) {
		if line[0] == '#' {
			continue
		}
		line = strings.TrimSpace(line)
		end := strings.LastIndexByte(line, ' ')
		v, err := strconv.ParseFloat(line[end+1:], 64)
		require.NoError(t, err, line)
		out[line[:end]] = v
	}
	return out
}

func TestLint(t *testing.T) {
	registry := metrics.Registry(small, build, metrics.DefaultOptions())
	problems, err := testutil.GatherAndLint(registry)
	require.NoError(t, err)
	assert.Empty(t, problems)
}

// promtool is the judge that a Prometheus shop would ask.
func TestPromtoolAcceptsMetrics(t *testing.T) {
	promtool := exec.Command("promtool", "check", "metrics")
	promtool.Stdin = strings.NewReader(scrape(t, handler(t, small(), metrics.DefaultOptions())))
	out, err := promtool.CombinedOutput()
	require.NoError(t, err, "promtool (Debian package prometheus): %s", out)
	assert.Empty(t, string(out))
}

// A machine that left leaves nothing behind.
func TestNoStaleMachine(t *testing.T) {
	facts := small()
	registry := metrics.Registry(func() metrics.Facts { return facts }, build, metrics.DefaultOptions())
	h := metrics.Handler(registry, log.New(io.Discard, "", 0))
	series := `arcdrift_machine_info{depot="north",machine="K-07",model="type-2",site="Elm Street"}`
	require.Contains(t, samples(t, scrape(t, h)), series)
	facts.Machines = facts.Machines[1:]
	assert.NotContains(t, samples(t, scrape(t, h)), series)
}

// large is a fleet of n machines, worst first, of which every tenth stops and
// every fifth is silent.
func large(n int) metrics.Facts {
	facts := small()
	facts.Machines = nil
	for i := range n {
		state := advise.Fit
		switch {
		case i < n/10:
			state = advise.Stop
		case i < n/10+n/5:
			state = advise.NoData
		}
		facts.Machines = append(facts.Machines, metrics.Machine{Assessment: worn(fmt.Sprintf("M-%06d", i), state)})
	}
	return facts
}

func TestLargeFleetIsBounded(t *testing.T) {
	const fleet = 100_000
	options := metrics.DefaultOptions()
	got := samples(t, scrape(t, handler(t, large(fleet), options)))

	assert.Equal(t, 10_000.0, got[`arcdrift_machines{state="stop"}`], "totals count everybody")
	assert.Equal(t, 70_000.0, got[`arcdrift_machines{state="fit"}`])
	assert.Equal(t, float64(options.WorstOf), got["arcdrift_machines_listed"])
	assert.Contains(t, got, `arcdrift_machine_info{depot="",machine="M-000000",model="type-2",site=""}`, "the worst is listed")
	assert.Contains(t, got, `arcdrift_machine_info{depot="",machine="M-000499",model="type-2",site=""}`)
	assert.NotContains(t, got, `arcdrift_machine_info{depot="",machine="M-000500",model="type-2",site=""}`)

	// 19 series a machine: 5 states, 3 chances, 11 of one each. The rest of the
	// agent and of the Go runtime is well under 200.
	assert.Less(t, len(got), options.WorstOf*19+200)
}

func TestFitMachinesOfALargeFleetAreNotListed(t *testing.T) {
	facts := large(30) // 3 stop, 6 silent
	for eachUpTo, listed := range map[int]float64{29: 9, 30: 30} {
		got := samples(t, scrape(t, handler(t, facts, metrics.Options{EachUpTo: eachUpTo, WorstOf: 20})))
		assert.Equal(t, listed, got["arcdrift_machines_listed"], "every machine up to %d", eachUpTo)
	}
}

func BenchmarkScrape(b *testing.B) {
	for _, n := range []int{1000, 2000, 10_000, 100_000} {
		for _, each := range []bool{true, false} {
			options := metrics.DefaultOptions()
			if each {
				options.EachUpTo = n
			}
			if n > 10_000 && each {
				continue
			}
			b.Run(fmt.Sprintf("%d/each=%v", n, each), func(b *testing.B) {
				h := handler(b, large(n), options)
				for b.Loop() {
					scrape(b, h)
				}
			})
		}
	}
}
