package agenttest

import (
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// TestALeakIsFound is the control of that.
func TestALeakIsFound(t *testing.T) {
	end, left := make(chan struct{}), make(chan struct{})
	go func() {
		<-end
		close(left)
	}()
	require.ErrorContains(t, goleak.Find(), "TestALeakIsFound")
	close(end)
	<-left
}
