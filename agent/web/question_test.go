package web

import (
	"net/http"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// One tap on a machine's page answers a question about its records, by a record.
func TestATapAnswersAQuestion(t *testing.T) {
	f := yard()
	at := slices.IndexFunc(f.machines, func(m Machine) bool { return len(m.Questions) > 0 })
	require.GreaterOrEqual(t, at, 0)
	name := f.machines[at].Machine
	body := get(t, f, "/machines/"+name).Body.String()
	assert.Contains(t, body, "Was it one?")
	assert.Contains(t, body, ">Two calibrations</button>")
	assert.Contains(t, get(t, f, "/machines").Body.String(), "1 question about its records")

	tap := func(reply string) int {
		return submit(t, f, "/answer", "machine", name, "kind", "double", "about", name+"-5", "id", "tap", "reply", reply).Code
	}
	assert.Equal(t, http.StatusConflict, tap("7"), "no such answer")
	require.Equal(t, http.StatusCreated, tap("1"))
	require.NotEmpty(t, f.taken)
	r := f.taken[len(f.taken)-1].Record
	assert.Equal(t, "tap-0", r.ID, "a second tap is a repeat")
	require.NotNil(t, r.Correction)
	assert.Equal(t, name+"-5", r.Correction.Corrects)
	assert.Equal(t, "Two calibrations", r.Correction.Reason)
	assert.Equal(t, []any{"counts", true}, []any{r.Correction.Changes[0].Field, r.Correction.Changes[0].Value})

	f.machines[at].Questions = nil
	assert.Equal(t, http.StatusConflict, tap("1"), "somebody has answered it")
}
