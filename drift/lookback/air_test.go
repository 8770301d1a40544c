package lookback

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// A machine that is checked in the cool of the morning, on every second day also in the
// afternoon, ten degrees warmer. On the days between, the splices were made in air as warm.
func TestSplicesAreMadeInTheWarmthOfTheDay(t *testing.T) {
	t.Parallel()
	kind := model.Prior()
	kind.Target, kind.Tolerance = drift.Some(260.0), drift.Some(25.0)
	kind.Air[0], kind.AirCov = 0.7, [3][3]float64{}
	p := &Past{Machine: "K-07", Kind: &kind, Settings: (&drift.Setups{}).For("K-07", "", "")}
	const cold, warmer = 6.0, 10.0
	effect := kind.Air[0] * (model.Warmer([3]float64{0, 0, (cold - 20) / 10}, warmer)[0])
	arcs := int64(0)
	for d := range 30 {
		for _, hour := range []int{6, 15} {
			if hour == 15 && d%2 == 0 {
				continue
			}
			at := firstDay.AddDate(0, 0, d).Add(time.Duration(hour) * time.Hour)
			temperature, off := cold, 0.0
			if hour == 15 {
				temperature, off = cold+warmer, effect
			}
			arcs += 20
			r := drift.Record{Type: drift.TypeCalibration, Machine: "K-07", ID: fmt.Sprint(len(p.Entries)), Time: at, ArcCount: drift.Some(arcs), Calibration: &drift.Calibration{
				Passed: drift.Some(true), MeltbackLeft: drift.Some(260 - 5.2*off), MeltbackRight: drift.Some(260 - 5.2*off),
				Target: drift.Some(260.0), Tolerance: drift.Some(25.0), PowerSetting: drift.Some(0.0), PowerCorrection: drift.Some(0.0),
				Temperature: drift.Some(temperature), Humidity: drift.Some(60.0), Altitude: drift.Some(100.0),
			}}
			p.Entries = append(p.Entries, drift.Entry{Record: r, Received: at})
		}
	}
	reader := model.Reader{Settings: p.Settings}
	for i := range p.Entries {
		if ev, ok := reader.Next(&p.Entries[i]); ok {
			p.Events = append(p.Events, ev)
		}
	}
	between := firstDay.AddDate(0, 0, 20) // checked in the morning alone
	r := p.report(t, between.Add(11*time.Hour), between.Add(17*time.Hour))
	// The work lasts from the morning's check to the next one: on average it is done in
	// air three quarters as warm.
	assert.InDelta(t, 0.75*effect, r.Entries[0].Deviation, 0.4)
	assert.Greater(t, r.Entries[0].Deviation, 1.0)
}
