package bootcheck

import (
	"arcdrift/agent/store"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Time counts that the check computes, as it does where corrupt pages lead it in
// a circle, and not time that it waits for a slow disk.
func TestOnlyComputingIsLimited(t *testing.T) {
	out, err := within(500*time.Millisecond, time.Millisecond, func() (store.Report, error) {
		time.Sleep(time.Second) // a disk, twice as long
		return store.Report{}, nil
	})
	require.NoError(t, err)
	assert.Equal(t, Report{}, out)
	var end atomic.Bool
	defer end.Store(true)
	out, err = within(50*time.Millisecond, time.Millisecond, func() (store.Report, error) {
		for !end.Load() { // on the processor all the time
		}
		return store.Report{}, nil
	})
	require.NoError(t, err)
	assert.True(t, out.Unreadable)
	assert.Contains(t, out.First, "does not come to an end")
}
