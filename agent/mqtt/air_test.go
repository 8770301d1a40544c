package mqtt

import (
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// sensors keeps what the sensors said.
type sensors struct {
	sync.Mutex
	all map[string][]drift.AirReading
}

func (k *sensors) take(machine string, r drift.AirReading) {
	k.Lock()
	defer k.Unlock()
	k.all[machine] = append(k.all[machine], r)
}

func (k *sensors) of(machine string) []drift.AirReading {
	k.Lock()
	defer k.Unlock()
	return k.all[machine]
}

// A sensor's reading comes through a real broker, is no record and no refusal; one that
// cannot be read is refused with its reason, and a retained one without a time is of
// nobody knows when.
func TestAirThroughARealBroker(t *testing.T) {
	m := startMosquitto(t)
	pub(t, m.addr, "arcdrift/v1/K-08/air", `{"temperature_c":30}`, "-r")
	pub(t, m.addr, "arcdrift/v1/K-09/air", `{"temperature_c":31,"time":"2026-03-02T11:56:00Z"}`, "-r")
	handler, records := newHandler()
	air := &sensors{all: map[string][]drift.AirReading{}}
	handler.Air = air.take
	joinBroker(t, m.addr, handler)
	receipts := listen(t, publisher(t, m.addr, "van-3"), "arcdrift/v1/K-07/receipt")
	require.Eventually(t, func() bool {
		pub(t, m.addr, "arcdrift/v1/K-07/air", `{"temperature_c":4,"humidity_pct":81,"pressure_hpa":857}`)
		return len(air.of("K-07")) > 0
	}, 30*time.Second, 50*time.Millisecond)
	assert.Equal(t, drift.AirReading{Temperature: drift.Some(4.0), Humidity: drift.Some(81.0), Pressure: drift.Some(857.0)}, air.of("K-07")[0])
	require.Eventually(t, func() bool { return len(air.of("K-09")) > 0 }, 30*time.Second, 5*time.Millisecond, "retained, with its own time")
	assert.Empty(t, air.of("K-08"), "retained, without a time")
	assert.Zero(t, records.offered())

	pub(t, m.addr, "arcdrift/v1/K-07/air", `{"temperature_c":214}`)
	refused, _ := next(t, receipts)["refused"].(map[string]any)
	assert.Equal(t, "temperature_c", refused["field"])
	assert.Len(t, records.refused, 1)
}

// The embedded broker takes readings too; a device may send those of its machines only.
func TestAirAtTheEmbeddedBroker(t *testing.T) {
	handler, records := newHandler()
	air := &sensors{all: map[string][]drift.AirReading{}}
	handler.Air = air.take
	_, addr := startBroker(t, anyone{}, handler)
	device := publisher(t, addr, "sensor")
	publish(t, device, "arcdrift/v1/K-07/air", `{"temperature_c":4}`)
	assert.Len(t, air.of("K-07"), 1, "it is there when it is acknowledged")
	assert.Zero(t, records.offered())
}
