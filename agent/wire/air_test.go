package wire

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

func TestAir(t *testing.T) {
	r, err := AirFor("K-07", []byte(`{"time":"2026-03-02T11:56:00+01:00","temperature_c":-8.5,"humidity_pct":81,"pressure_hpa":857}`))
	require.NoError(t, err)
	assert.True(t, r.Time.Equal(time.Date(2026, 3, 2, 10, 56, 0, 0, time.UTC)))
	r.Time = time.Time{}
	assert.Equal(t, drift.AirReading{Temperature: drift.Some(-8.5), Humidity: drift.Some(81.0), Pressure: drift.Some(857.0)}, r)
	r, err = AirFor("K-07", []byte(`{"machine":"K-07","temperature_c":4}`))
	require.NoError(t, err)
	assert.True(t, r.Time.IsZero())
	for raw, want := range map[string]string{
		`{"temperature_c":214}`:                "temperature_c is 214: it must be from -40 to 60 degrees Celsius",
		`{"temperature":4}`:                    "temperature is not a field of a reading of the air: did you mean temperature_c?",
		`{"temperature_c":4,"altitude_m":120}`: "altitude_m is not a field of a reading of the air",
		`{"time":"2026-03-02T11:56:00Z"}`:      "temperature_c is missing: a reading needs a temperature, a humidity or a pressure",
		`{"machine":"K-08","temperature_c":4}`: `machine is "K-08": it must be the machine of the topic, K-07`,
		`4 °C`:                                 "",
	} {
		_, err := AirFor("K-07", []byte(raw))
		require.Error(t, err, raw)
		assert.Contains(t, err.Error(), want)
	}
}
