package wire

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

func TestRefusalsGoThere(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 0, 0, 5, time.UTC)
	want := Refusal{Machine: "K-07", Via: "mqtt", Line: 3, Raw: []byte("{\x00\xff\n"), Size: 9, Time: at, Last: at.Add(time.Hour), Times: 2,
		Problem: drift.Problem{Field: "humidity_pct", Value: "140", Reason: "must be from 0 to 100 percent"}}
	raw, err := json.Marshal(want)
	require.NoError(t, err)
	got, err := ReadRefusal(raw)
	require.NoError(t, err)
	assert.Equal(t, want, got)
}

func TestNoRefusal(t *testing.T) {
	for _, raw := range []string{``, `[]`, `{`, `{}`, `{"times":1,"time":"2026-03-02T08:00:00Z","last":"2026-03-02T08:00:00Z"}`,
		`{"machine":"../etc","times":1,"problem":{"Reason":"x"},"time":"2026-03-02T08:00:00Z","last":"2026-03-02T08:00:00Z"}`,
		`{"problem":{"Reason":"` + strings.Repeat("x", maxReason+1) + `"},"times":1,"time":"2026-03-02T08:00:00Z","last":"2026-03-02T08:00:00Z"}`,
		`{"problem":{"Reason":"x"},"times":1,"raw":"AAAA","size":1,"time":"2026-03-02T08:00:00Z","last":"2026-03-02T08:00:00Z"}`,
	} {
		_, err := ReadRefusal([]byte(raw))
		require.ErrorAs(t, err, new(*drift.Problem), raw)
	}
}
