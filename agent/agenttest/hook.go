package agenttest

import (
	"arcdrift/agent/alert"
	"arcdrift/agent/notify"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// HookSecret is what a receiver and the agent share.
const HookSecret = "a secret of this receiver only"

// Receiver is a real HTTP receiver of webhooks that checks signatures.
type Receiver struct {
	*httptest.Server
	mu  sync.Mutex
	IDs []string
	Got []alert.Action
	// hold, when set, is told of a message instead of its being confirmed.
	hold chan struct{}
}

func NewReceiver(t *testing.T) *Receiver {
	r := &Receiver{}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		body, err := io.ReadAll(req.Body)
		assert.NoError(t, err)
		at, err := strconv.ParseInt(req.Header.Get("webhook-timestamp"), 10, 64)
		assert.NoError(t, err)
		id := req.Header.Get("webhook-id")
		assert.Equal(t, notify.Sign([]byte(HookSecret), id, time.Unix(at, 0), body), req.Header.Get("webhook-signature"))
		var a alert.Action
		assert.NoError(t, json.Unmarshal(body, &a))
		r.mu.Lock()
		r.IDs, r.Got = append(r.IDs, id), append(r.Got, a)
		hold := r.hold
		r.mu.Unlock()
		if hold != nil {
			hold <- struct{}{}
			<-req.Context().Done()
		}
	}))
	t.Cleanup(r.Close)
	return r
}

// Told lists what came: kind, matter and subject.
func (r *Receiver) Told() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := []string{}
	for _, a := range r.Got {
		out = append(out, fmt.Sprintf("%s %s %s", a.Kind, a.Rule, a.Subject))
	}
	return out
}

func (r *Receiver) SetHold(hold chan struct{}) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.hold = hold
}

// SecretFile is a file with the receiver's secret.
func SecretFile(t *testing.T) string {
	file := filepath.Join(t.TempDir(), "hook.secret")
	require.NoError(t, os.WriteFile(file, []byte("whsec_"+base64.StdEncoding.EncodeToString([]byte(HookSecret))+"\n"), 0o600))
	return file
}
