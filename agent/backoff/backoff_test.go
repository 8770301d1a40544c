package backoff_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/agent/backoff"
)

func TestPausesDoubleUpToTheLongest(t *testing.T) {
	t.Parallel()
	p := backoff.Pauses{First: time.Second, Longest: 5 * time.Second, Jitter: 1}
	var got []time.Duration
	for failures := 1; failures <= 5; failures++ {
		got = append(got, p.After(failures, 0))
	}
	assert.Equal(t, []time.Duration{time.Second, 2 * time.Second, 4 * time.Second, 5 * time.Second, 5 * time.Second}, got)
	assert.Equal(t, 5*time.Second, p.After(1<<40, 0))
	assert.Equal(t, 2*time.Second, p.After(3, 0.5), "full jitter")
	p.Jitter = 0.5
	assert.Equal(t, 3*time.Second, p.After(3, 0.5), "equal jitter")
}

func TestPauseIsWithinItsBounds(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := backoff.Pauses{
			First:   time.Duration(rapid.Int64Range(1, int64(time.Hour)).Draw(t, "first")),
			Longest: time.Duration(rapid.Int64Range(int64(time.Hour), int64(24*time.Hour)).Draw(t, "longest")),
			Jitter:  rapid.Float64Range(0, 1).Draw(t, "jitter"),
		}
		failures, chance := rapid.IntRange(1, 1000).Draw(t, "failures"), rapid.Float64Range(0, 1).Draw(t, "chance")
		pause := p.After(failures, chance)
		assert.GreaterOrEqual(t, pause, time.Duration(0))
		assert.LessOrEqual(t, pause, p.Longest)
		assert.LessOrEqual(t, pause, p.After(failures+1, chance)+1, "no failure shortens the pause; 1 ns of rounding")
	})
}
