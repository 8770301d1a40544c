package alerting

import (
	"arcdrift/drift"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestSparePart(t *testing.T) {
	assert.Empty(t, sparePart(&drift.Settings{SparePairs: drift.Some[int64](3)}))
	assert.Equal(t, "ask north", sparePart(&drift.Settings{Depot: "north"}))
	assert.Equal(t, "none at north", sparePart(&drift.Settings{Depot: "north", SparePairs: drift.Some[int64](0)}))
	assert.Equal(t, "3 at north", sparePart(&drift.Settings{Depot: "north", SparePairs: drift.Some[int64](3)}))
}
