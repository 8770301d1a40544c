package server

import (
	"arcdrift/agent/mqtt"
	"arcdrift/drift/advise"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// moment is now in these tests.
var moment = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

// fakeBroker takes messages, or is away.
type fakeBroker struct {
	got  []mqtt.Message
	away error
}

func (f *fakeBroker) String() string { return "fake" }

func (f *fakeBroker) Publish(m mqtt.Message) error {
	if f.away == nil {
		f.got = append(f.got, m)
	}
	return f.away
}

func TestStatesArePublishedWhenTheyDiffer(t *testing.T) {
	board := []*advise.Assessment{
		{Machine: "K-07", AsOf: moment, State: advise.Fit},
		{Machine: "K-08", AsOf: moment, State: advise.Fit},
	}
	broker, published := &fakeBroker{away: fmt.Errorf("no broker")}, map[string][]byte{}
	require.Error(t, publishStates(slices.Values(board), broker, published))
	broker.away = nil
	require.NoError(t, publishStates(slices.Values(board), broker, published))
	require.Len(t, broker.got, 2, "what could not be published is published later")
	assert.Equal(t, "arcdrift/v1/K-07/state", broker.got[0].Topic)
	assert.True(t, broker.got[0].Retain)
	board[0].AsOf = moment.Add(time.Minute)
	board[1].State = advise.Stop
	require.NoError(t, publishStates(slices.Values(board), broker, published))
	require.Len(t, broker.got, 3, "a new moment alone is not published")
	assert.Contains(t, string(broker.got[2].Payload), `"state":"stop"`)
}
