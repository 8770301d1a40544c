package alerting

import (
	"context"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What has nothing to do, as the delivery of messages without any channel, is begun once
// for each time that this process leads, not again and again.
func TestLeadingWithNothingToDo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		asked, begun := 0, 0
		a := &engine{leads: func() bool {
			if asked++; asked == 20 {
				stop()
			}
			return asked != 10 // then it leads again
		}}
		require.NoError(t, a.whileLeading(ctx, func(context.Context) error { begun++; return nil }))
		assert.Equal(t, 2, begun)
	})
}
