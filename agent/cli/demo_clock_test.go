package cli

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

func TestDemoClock(t *testing.T) {
	wall := evening
	c := clock{wall: func() time.Time { return wall }}
	wall = wall.Add(time.Minute)
	assert.Equal(t, wall, c.Now(), "ours, until it runs")
	c.run()
	began := wall
	wall = wall.Add(time.Second)
	assert.Equal(t, began.Add(demoSpeed*time.Second), c.Now())
	assert.Equal(t, time.Second/2, c.skip(c.Now().Add(demoSpeed*time.Second/2)), "soon: no jump")
	night := c.Now().Add(9 * time.Hour)
	assert.Equal(t, lull/demoSpeed, c.skip(night))
	assert.Equal(t, night.Add(-lull), c.Now())
}
