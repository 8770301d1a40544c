package cli

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/synth"
)

func TestEveryKindIsAllWorlds(t *testing.T) {
	worlds, err := (&invention{kinds: []string{everyKind}}).worlds()
	require.NoError(t, err)
	assert.Len(t, worlds, len(synth.Worlds()))
}
