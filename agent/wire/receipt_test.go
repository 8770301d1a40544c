package wire

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

func TestReceiptInJSON(t *testing.T) {
	wrong := &drift.Problem{Field: "passed", Value: "yes", Reason: "must be true or false"}
	for _, c := range []struct {
		receipt Receipt
		want    string
	}{
		{Receipt{ID: "a1", Epoch: 1, Seq: 42}, `{"id":"a1","epoch":1,"seq":42,"duplicate":false}`},
		{Receipt{Line: 3, ID: "a1", Epoch: 1, Seq: 42, Duplicate: true}, `{"line":3,"id":"a1","epoch":1,"seq":42,"duplicate":true}`},
		{
			Receipt{ID: "a1", Epoch: 1, Seq: 43, Conflict: true, PossibleRepeat: true, Questions: []string{"Is it K-07?"}},
			`{"id":"a1","epoch":1,"seq":43,"duplicate":false,"conflict":true,"possible_repeat":true,"questions":["Is it K-07?"]}`,
		},
		{Receipt{Refused: wrong}, `{"refused":{"field":"passed","reason":"passed is \"yes\": it must be true or false"}}`},
		{Receipt{ID: "a1", Refused: wrong}, `{"id":"a1","refused":{"field":"passed","reason":"passed is \"yes\": it must be true or false"}}`},
		{Receipt{Line: 4, Refused: wrong}, `{"line":4,"field":"passed","reason":"passed is \"yes\": it must be true or false"}`},
		{Receipt{Line: 4, Refused: &drift.Problem{Reason: "the record was cut short"}}, `{"line":4,"field":null,"reason":"the record was cut short"}`},
	} {
		b, err := json.Marshal(c.receipt)
		require.NoError(t, err)
		assert.Equal(t, c.want, string(b))

		var read Receipt
		require.NoError(t, json.Unmarshal(b, &read))
		if c.receipt.Refused != nil { // the sentence is kept, and it says all
			c.receipt.Refused = &drift.Problem{Reason: c.receipt.Refused.Error()}
		}
		assert.Equal(t, c.receipt, read)
	}
	assert.Error(t, json.Unmarshal([]byte(`{"seq":-1}`), &Receipt{}))
}
