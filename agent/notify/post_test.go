package notify_test

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/agent/notify"
	"arcdrift/drift/advise"
)

// The vector is that of the reference libraries of Standard Webhooks
// (standard-webhooks/standard-webhooks, the tests of libraries/*).
func TestSignIsTheStandardOne(t *testing.T) {
	secret, err := base64.StdEncoding.DecodeString("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	require.NoError(t, err)
	got := notify.Sign(secret, "msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), []byte(`{"test": 2432232314}`))
	assert.Equal(t, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=", got)
}

// stopAlert is a full message.
func stopAlert() alert.Action {
	opened := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	return alert.Action{
		Key: "stop/K-07/20260302T080000.000Z/alert-0", Case: "stop/K-07/20260302T080000.000Z",
		Kind: alert.Alert, Severity: alert.Stop, Rule: alert.MustStop, Subject: "K-07", Opened: opened, At: opened,
		Message: alert.Message{
			Short: "K-07: STOP. Do not use this machine. Bring it to the bench.", Title: "K-07 STOP, do not splice: größer als erlaubt",
			Body: "K-07: STOP. Do not use this machine. Bring it to the bench.\n\nWhy\n- Required power at 20 °C is beyond the limit.\n\n" + advise.CautionText(),
		},
	}
}

func TestWebhook(t *testing.T) {
	secret := []byte("a secret of this receiver only")
	var header http.Header
	var body []byte
	receiver := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		header = r.Header
		body, _ = io.ReadAll(r.Body)
	}))
	defer receiver.Close()
	client := notify.Client()
	defer client.CloseIdleConnections()
	now := time.Date(2026, 3, 2, 8, 0, 1, 0, time.UTC)
	hook := notify.Webhook{URL: receiver.URL, Secret: secret, Client: client, Now: func() time.Time { return now }}
	require.NoError(t, hook.Send(t.Context(), stopAlert()))

	// The receiver's side, as the specification has it check.
	assert.Equal(t, strconv.FormatInt(now.Unix(), 10), header.Get("webhook-timestamp"))
	assert.Equal(t, notify.Sign(secret, header.Get("webhook-id"), now, body), header.Get("webhook-signature"))
	assert.Equal(t, strconv.Quote(header.Get("webhook-id")), header.Get("Idempotency-Key"))
	assert.Equal(t, "application/json", header.Get("Content-Type"))
	var got alert.Action
	require.NoError(t, json.Unmarshal(body, &got))
	assert.Equal(t, stopAlert(), got)

	first := header.Get("webhook-id")
	now = now.Add(time.Hour)
	require.NoError(t, hook.Send(t.Context(), stopAlert()))
	assert.Equal(t, first, header.Get("webhook-id"), "a repeat is known by its id")
	other := stopAlert()
	other.Key += "x"
	require.NoError(t, hook.Send(t.Context(), other))
	assert.NotEqual(t, first, header.Get("webhook-id"))
}

func TestWebhookReceiverInTrouble(t *testing.T) {
	for status, refused := range map[int]bool{
		http.StatusNoContent: false, http.StatusBadRequest: true, http.StatusRequestEntityTooLarge: true,
		http.StatusUnprocessableEntity: true, http.StatusUnauthorized: false, http.StatusNotFound: false,
		http.StatusTooManyRequests: false, http.StatusInternalServerError: false, http.StatusFound: false,
	} {
		t.Run(http.StatusText(status), func(t *testing.T) {
			asked := 0
			receiver := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
				asked++
				w.Header().Set("Location", "/elsewhere")
				w.WriteHeader(status)
			}))
			defer receiver.Close()
			client := notify.Client()
			defer client.CloseIdleConnections()
			err := (&notify.Webhook{URL: receiver.URL, Client: client, Now: time.Now}).Send(t.Context(), stopAlert())
			var refusal *notify.Refusal
			assert.Equal(t, refused, errors.As(err, &refusal))
			assert.Equal(t, status == http.StatusNoContent, err == nil)
			assert.Equal(t, 1, asked, "no redirect is followed")
		})
	}
}

func TestSecretAddressStaysOutOfErrors(t *testing.T) {
	client := notify.Client()
	defer client.CloseIdleConnections()
	for _, url := range []string{"http://" + freeAddress(t) + "/hooks/s3cr3t", "http://\x7f/s3cr3t"} {
		err := (&notify.Webhook{URL: url, Client: client, Now: time.Now}).Send(t.Context(), stopAlert())
		require.Error(t, err)
		assert.NotContains(t, err.Error(), "s3cr3t")
		assert.Contains(t, err.Error(), "cannot be reached")
	}
}
