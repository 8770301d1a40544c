package agent

import (
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// rounds is how many rounds a fault test does; ARCDRIFT_FAULTS multiplies them.
func rounds(t *testing.T, n int) int {
	t.Helper()
	times := 1
	if v := os.Getenv("ARCDRIFT_FAULTS"); v != "" {
		var err error
		times, err = strconv.Atoi(v)
		require.NoError(t, err, "ARCDRIFT_FAULTS is a whole number")
	}
	return n * times
}
