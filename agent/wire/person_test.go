package wire

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestPersonRoundTrip(t *testing.T) {
	for _, want := range []Person{{"person-abcdefgh234567xy", `Åsa "Ö" <Lind>`}, {Pseudonym: "person-abcdefgh234567xy"}} {
		got, err := ReadPerson(AppendPerson(nil, want))
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	for _, bad := range []string{``, `{}`, `{"pseudonym":"Ada"}`, `{"pseudonym":"person-abcdefgh234567xy","name":"person-abcdefgh234567xy"}`,
		`{"pseudonym":"person-abcdefgh234567xy","nam":"Ada"}`, "{\"pseudonym\":\"person-abcdefgh234567xy\",\"name\":\"\xff\"}"} {
		_, err := ReadPerson([]byte(bad))
		assert.Error(t, err, bad)
	}
}
