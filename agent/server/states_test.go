package server

import (
	"arcdrift/agent/mqtt"
	"arcdrift/agent/web"
	"arcdrift/drift/advise"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// moment is now in these tests.
var moment = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

// fakeFace takes messages, or does not.
type fakeFace struct {
	got  []mqtt.Message
	away error
}

func (f *fakeFace) String() string { return "fake" }

func (f *fakeFace) Publish(m mqtt.Message) error {
	if f.away == nil {
		f.got = append(f.got, m)
	}
	return f.away
}

func TestStatesAreToldWhenTheyDiffer(t *testing.T) {
	board := []web.Machine{
		{Assessment: advise.Assessment{Machine: "K-07", AsOf: moment, State: advise.Fit}},
		{Assessment: advise.Assessment{Machine: "K-08", AsOf: moment, State: advise.Fit}},
	}
	face, told := &fakeFace{away: fmt.Errorf("no broker")}, map[string][]byte{}
	require.Error(t, tellStates(board, face, told))
	face.away = nil
	require.NoError(t, tellStates(board, face, told))
	require.Len(t, face.got, 2, "what could not be told is told later")
	assert.Equal(t, "arcdrift/v1/K-07/state", face.got[0].Topic)
	assert.True(t, face.got[0].Retain)
	board[0].AsOf = moment.Add(time.Minute)
	board[1].State = advise.Stop
	require.NoError(t, tellStates(board, face, told))
	require.Len(t, face.got, 3, "only a moment is no news")
	assert.Contains(t, string(face.got[2].Payload), `"state":"stop"`)
}
