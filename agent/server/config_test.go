package server

import (
	"arcdrift/agent/mqtt"
	"arcdrift/agent/setting"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestConfig(t *testing.T) {
	raw := func(change func(*Settings)) Settings {
		r := Defaults()
		change(&r)
		return r
	}
	r := raw(func(r *Settings) { r.Broker = "ssl://broker.example:8883" })
	c, err := r.Config("a.db")
	require.NoError(t, err)
	again, err := r.Config("a.db")
	require.NoError(t, err)
	other, err := r.Config("b.db")
	require.NoError(t, err)
	assert.Equal(t, c.Broker.ID, again.Broker.ID, "the client id must stay")
	assert.NotEqual(t, c.Broker.ID, other.Broker.ID, "two stores are two clients")

	secret := filepath.Join(t.TempDir(), "password")
	require.NoError(t, os.WriteFile(secret, []byte("open sesame\n"), 0o600))
	r = raw(func(r *Settings) {
		r.Broker, r.User, r.PasswordFile, r.ClientID = "tcp://b:1883", "ines", secret, "yard"
	})
	c, err = r.Config("a.db")
	require.NoError(t, err)
	assert.Equal(t, mqtt.Join{URL: "tcp://b:1883", ID: "yard", User: "ines", Password: "open sesame"}, *c.Broker)

	for address, open := range map[string]bool{"127.0.0.1:1": false, "[::1]:1": false, "localhost:1": false, "0.0.0.0:1": true, ":1": true, "192.0.2.1:1": true, "yard.example:1": true} {
		r := raw(func(r *Settings) { r.HTTPListen = address })
		_, err := r.Config("a.db")
		assert.Equal(t, open, err != nil, address)
		r.Open = true
		_, err = r.Config("a.db")
		assert.NoError(t, err, address)
	}
	for _, bad := range []func(*Settings){
		func(r *Settings) { r.HTTPListen = "8470" },
		func(r *Settings) { r.Broker = "broker:1883" },
		func(r *Settings) { r.Broker = "tcp://broker" },
		func(r *Settings) { r.Broker = "tcp://ines:pw@broker:1883" },
		func(r *Settings) { r.Broker, r.PasswordFile = "tcp://b:1883", secret+"x" },
		func(r *Settings) { r.ClientID = "yard" },
	} {
		r := raw(bad)
		_, err := r.Config("a.db")
		assert.ErrorAs(t, err, new(*setting.Error))
	}
}
