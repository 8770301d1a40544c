package forward

import (
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// inTurn is a balancer that gives each request to the next of a hub's processes.
type inTurn struct {
	to []string
	n  int
}

func (b *inTurn) RoundTrip(r *http.Request) (*http.Response, error) {
	way := detour{to: b.to[b.n%len(b.to)]}
	b.n++
	return way.RoundTrip(r)
}

// Several processes of a hub answer in turn, each with the number of its own run. Before, a
// van asked whether the hub still had its records after every batch, of the process whose
// turn it was not, and sent the first batches again for ever.
func TestProcessesOfAHubAnswerInTurn(t *testing.T) {
	for n := 2; n <= 3; n++ {
		access := filepath.Join(t.TempDir(), "access")
		van, hub := newStore(t), newAgent(t, filepath.Join(t.TempDir(), "hub.db"))
		way := &inTurn{to: []string{hub.url}}
		for len(way.to) < n {
			another := httptest.NewServer(faceOf(t, hub, access))
			defer another.Close()
			way.to = append(way.to, another.URL)
		}
		f := forwarder(Hub{URL: "http://hub.example", Transport: way}, van)
		defer f.hub.close()
		fill(t, van, 0, 1600)
		steps := 0
		for more := true; more && steps < 30; steps++ {
			var err error
			more, err = f.step(t.Context())
			require.NoError(t, err)
		}
		equal(t, van, hub.store)
		assert.Less(t, steps, 30, "%d processes", n)
	}
}
