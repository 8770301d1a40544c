package cli

import (
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestShortBy(t *testing.T) {
	assert.Equal(t, phrase.Unknown, shortBy(&advise.Spares{Hold95: 2}))
	assert.Equal(t, "1", shortBy(&advise.Spares{Hold95: 2, Held: drift.Some[int64](1)}))
	assert.Equal(t, "0", shortBy(&advise.Spares{Hold95: 2, Held: drift.Some[int64](9)}))
}
