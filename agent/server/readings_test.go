package server

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

func TestTheLatestReadingCounts(t *testing.T) {
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	k := readings{now: func() time.Time { return now }, latest: map[string]drift.AirReading{}}
	_, there := k.at("K-07")
	assert.False(t, there)
	read := func(at time.Time, c float64) float64 {
		k.keep("K-07", drift.AirReading{Time: at, Temperature: drift.Some(c)})
		r, _ := k.at("K-07")
		return r.Temperature.Or(0)
	}
	assert.InDelta(t, 4, read(now.Add(-time.Minute), 4), 0)
	assert.InDelta(t, 4, read(now.Add(-time.Hour), 9), 0, "what comes late changes nothing")
	assert.InDelta(t, 5, read(time.Time{}, 5), 0)
	r, _ := k.at("K-07")
	assert.Equal(t, now, r.Time, "without a time it is of now")
	assert.InDelta(t, 6, read(now.Add(time.Hour), 6), 0)
	r, _ = k.at("K-07")
	assert.Equal(t, now, r.Time, "a clock that runs ahead makes nothing fresher")
}

func TestReadingsAreBounded(t *testing.T) {
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	k := readings{now: func() time.Time { return now }, latest: map[string]drift.AirReading{}}
	for i := range mostReadings + 1 {
		k.keep(fmt.Sprint("K-", i), drift.AirReading{Time: now.Add(time.Duration(i-mostReadings-1) * time.Second), Temperature: drift.Some(4.0)})
	}
	assert.Len(t, k.latest, mostReadings)
	_, there := k.at("K-0")
	assert.False(t, there, "the oldest went")
}
