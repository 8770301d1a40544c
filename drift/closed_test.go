package drift

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestClosedDays(t *testing.T) {
	c, ok := ParseClosed("05-17 2026-12-24/2027-01-01 2026-03-09 02-29")
	require.True(t, ok)
	for day, want := range map[string]bool{
		"2026-05-17": true, "2031-05-17": true, "2026-05-18": false, "2026-12-23": false, "2026-12-24": true, "2026-12-31": true,
		"2027-01-01": true, "2027-01-02": false, "2026-03-09": true, "2027-03-09": false, "2028-02-29": true,
	} {
		at, err := time.Parse(time.DateOnly, day)
		require.NoError(t, err)
		assert.Equal(t, want, c.On(at), day)
	}
	for _, none := range []string{"", "none"} {
		c, ok := ParseClosed(none)
		assert.True(t, ok)
		assert.False(t, c.On(time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)))
	}
	for _, bad := range []string{"christmas", "2026-02-30", "2027-01-01/2026-12-24", "05-17/05-18", "13-01", "none 05-17", "2026-12-24/"} {
		_, ok := ParseClosed(bad)
		assert.False(t, ok, bad)
	}
}
