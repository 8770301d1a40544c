package advise

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/drifttest"
	"arcdrift/drift/forecast"
)

// through is an answer after it was kept as JSON.
func through(t *testing.T, w *PendingAssessment) PendingAssessment {
	raw, err := json.Marshal(w.Kept())
	require.NoError(t, err)
	var k Kept
	require.NoError(t, json.Unmarshal(raw, &k))
	return k.Pending(w.rules, w.zone)
}

func TestKeepingAnAnswerForgetsNothing(t *testing.T) {
	w := PendingAssessment{zone: time.UTC}
	drifttest.Fill(&w, "PendingAssessment.zone")
	assert.Equal(t, w, through(t, &w))
	for _, s := range []*Subject{
		{Machine: "K-07"},
		subject(passing(20), lasting(1, forecast.Horizon+1)),
		subject(failing(passing(20), 5, "c"), lasting(0.9, 100)),
	} {
		w := Prepare(s)
		kept := through(t, &w)
		assert.Equal(t, w.At(today), kept.At(today))
	}
}
