package drift_test

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/drifttest"
)

// The id of a record decides for ever what is a repeat of it: these bytes may
// not change.
func TestIdentityIsTheHashOfTheseBytes(t *testing.T) {
	r := calibration(func(r *drift.Record, c *drift.Calibration) {
		r.ID = "left out"
		r.Time = time.Date(2026, 3, 2, 7, 45, 0, 5e8, time.FixedZone("", 3600))
		r.Site = `North <yard> "1"`
		r.Extra = []byte(`{ "b": 1.0, "a": {"y":null, "x":[1 , 2]} }`)
		c.Temperature = drift.Some(-3.5)
		c.PowerCorrection = drift.Some(math.Copysign(0, -1))
	})
	const bytes = `{"type":"calibration","machine":"K-07","site":"North <yard> \"1\"","time":"2026-03-02T06:45:00.5Z",` +
		`"passed":true,"power_correction_pct":0,"temperature_c":-3.5,"extra":{"a":{"x":[1,2],"y":null},"b":1.0}}`
	sum := sha256.Sum256([]byte(bytes))
	assert.Equal(t, hex.EncodeToString(sum[:]), r.Identity())
}

func TestIdentityIsThatOfTheFacts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drifttest.Records().Draw(t, "record")
		id := r.Identity()

		same := r
		same.ID = rapid.StringMatching(`[a-z]{1,8}`).Draw(t, "id")
		if !r.Time.IsZero() {
			same.Time = r.Time.In(time.FixedZone("", 60*rapid.IntRange(-600, 600).Draw(t, "offset")))
		}
		require.Equal(t, id, same.Identity())
		require.True(t, r.SameBody(&same))

		other := r
		other.Site += "x"
		require.NotEqual(t, id, other.Identity())
		require.False(t, r.SameBody(&other))

		other = r
		other.Operator += "x"
		require.Equal(t, id, other.Identity(), "who did it is no part of it")
		require.False(t, r.SameBody(&other), "and is distinguished nevertheless")
	})
}

func TestCanonicalIsJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drifttest.Records().Draw(t, "record")
		require.True(t, json.Valid(r.AppendCanonical(nil)))
	})
}

func TestTraceable(t *testing.T) {
	assert.False(t, (&drift.Record{}).Traceable(false))
	assert.True(t, (&drift.Record{}).Traceable(true))
	assert.True(t, (&drift.Record{ID: "a1"}).Traceable(false))
	assert.True(t, (&drift.Record{Time: time.Unix(1, 0)}).Traceable(false))
	assert.True(t, (&drift.Record{Seq: drift.Some(int64(0))}).Traceable(false))
}
