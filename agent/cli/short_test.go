package cli

import (
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestShortBy(t *testing.T) {
	assert.Equal(t, unknown, shortBy(&advise.Spares{Hold95: 2}))
	assert.Equal(t, "1", shortBy(&advise.Spares{Hold95: 2, Held: drift.Some[int64](1)}))
	assert.Equal(t, "0", shortBy(&advise.Spares{Hold95: 2, Held: drift.Some[int64](9)}))
}
