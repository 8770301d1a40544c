package fleet

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/drift/backtest"
)

// degradation is a published set of units whose output fades with hours of use
// until they count as failed, told as the lasers are: the machine is the unit,
// its model the stress it is under, arcs are hours, and the required power is the
// loss in percent of what may be lost at most, times 10, the limit.
type degradation struct {
	file string
	// read takes a row and returns unit, stress, hours and loss.
	read func(row map[string]string) (unit, stress string, hours, loss float64)
	most float64
	// until is how many hours are reported.
	until float64
}

// reading is one unit's loss at so many hours, as a share of what it may lose.
type reading struct{ hours, share float64 }

func number(t testing.TB, s string) float64 {
	x, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return x
}

// readings are those of each unit, in order of hours, by "stress/unit".
func (d *degradation) readings(t testing.TB) map[string][]reading {
	f, err := os.Open(filepath.Join("../../testdata/reference", d.file))
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	out := map[string][]reading{}
	for _, cells := range rows[1:] {
		row := map[string]string{}
		for i, name := range rows[0] {
			row[name] = cells[i]
		}
		unit, stress, hours, loss := d.read(row)
		if hours > 0 && hours <= d.until {
			key := stress + "/" + unit
			out[key] = append(out[key], reading{hours, loss / d.most})
		}
	}
	for _, all := range out {
		slices.SortFunc(all, func(a, b reading) int { return int(math.Copysign(1, a.hours-b.hours)) })
	}
	return out
}

// lines are the readings as records, up to each unit's failure: a session of one
// attempt that does not pass.
func (d *degradation) lines(t testing.TB) string {
	var b strings.Builder
	fmt.Fprintf(&b, `{"type":"setup","scope":"fleet","time":%q,"attempt_limit":1}`+"\n", laserStart.Format(time.RFC3339))
	for key, all := range d.readings(t) {
		stress, unit, _ := strings.Cut(key, "/")
		for _, r := range all {
			when := laserStart.Add(time.Duration(r.hours * float64(time.Hour)))
			failed := r.share >= 1
			setting, melt := 10*r.share, 100.0
			if failed {
				setting, melt = 10, 90
			}
			fmt.Fprintf(&b, `{"type":"calibration","machine":"U-%s-%s","model":"stress-%s","time":%q,"passed":%v,`+
				`"meltback_left_um":%g,"meltback_right_um":%g,"meltback_target_um":100,"meltback_tolerance_um":2,`+
				`"power_setting_pct":%.4f,"power_correction_pct":0,"power_limit_pct":10,"arc_count":%.0f}`+"\n",
				stress, unit, stress, when.Format(time.RFC3339), !failed, melt, melt, setting, r.hours)
			if failed {
				break
			}
		}
	}
	return b.String()
}

// replayed scores the forecasts of failure that would have been given at the time.
func (d *degradation) replayed(t testing.TB) backtest.Report {
	end := laserStart
	for _, all := range d.readings(t) {
		if last := laserStart.Add(time.Duration(all[len(all)-1].hours*float64(time.Hour)) + time.Hour); last.After(end) {
			end = last
		}
	}
	book := take(t, d.lines(t), end)
	replay, err := backtest.Run(func(asOf time.Time) ([]backtest.Past, error) { return Pasts(book, asOf) }, end, backtest.Plan{Seed: 1})
	require.NoError(t, err)
	return replay.Tables()
}

// Luminosity of 75 lamps at three temperatures, failed at a loss of 30 %, and the
// power of 34 amplifiers ("Device-B"), failed at 0.5 dB: Meeker & Escobar,
// Statistical Methods for Reliability Data (1998 and 2nd ed. 2022).
func lamps(t testing.TB) *degradation {
	return &degradation{"led_luminosity.csv", func(row map[string]string) (string, string, float64, float64) {
		return row["unit"], row["celsius"], number(t, row["hours"]), 1 - number(t, row["luminosity"])
	}, 0.3, 5040}
}

func amplifiers(t testing.TB) *degradation {
	return &degradation{"deviceb_power_drop.csv", func(row map[string]string) (string, string, float64, float64) {
		return row["device"], row["celsius"], number(t, row["hours"]), -number(t, row["powerdrop"])
	}, 0.5, 4000}
}

// Published degradation through the ordinary intake: replayed without looking ahead,
// no simple rival forecasts failures better than the model. The sender moves the
// setting to the need and never records a correction; a model that believes the
// corrections, and not the settings, takes each unit for one about to fail.
func TestDegradationThroughTheIntake(t *testing.T) {
	for _, d := range []*degradation{lamps(t), amplifiers(t)} {
		r := d.replayed(t)
		crps := map[string]float64{}
		for _, row := range r.Arcs {
			t.Logf("%s, %s, %s: %d forecasts, %d without their truth, CRPS %.1f, held %.2f", d.file, row.Grade, row.Who, row.N, row.Censored, row.CRPS.Or(-1), row.Coverage.Or(-1))
			crps[row.Who] = row.CRPS.Or(-1)
		}
		require.Positive(t, crps[backtest.Model])
		for who, rival := range crps {
			require.LessOrEqual(t, crps[backtest.Model], rival, "%s, %s", d.file, who)
		}
	}
}
