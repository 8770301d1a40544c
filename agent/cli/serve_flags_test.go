package cli

import (
	"arcdrift/agent/auth"
	"arcdrift/agent/server"
	"arcdrift/agent/setting"
	"crypto/tls"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A setting that changes is in force at once or is said to take a restart.
func TestEverySettingIsTakenOrNamed(t *testing.T) {
	dir := t.TempDir()
	written := func(name, text string) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	_, err := auth.Certify(dir, []string{"127.0.0.1"}, time.Now())
	require.NoError(t, err)
	at := func(name string) string { return filepath.Join(dir, name) }
	before := map[string]string{
		"http-listen": "127.0.0.1:1", "mqtt-listen": "127.0.0.1:2", "mqtt-broker": "ssl://broker:8883", "mqtt-client-id": "yard",
		"mqtt-user": "ines", "mqtt-password-file": written("mqtt-1", "one"),
		"forward-to": "https://hub.example:8470", "forward-user": "ines", "forward-password-file": written("forward-1", "one"),
	}
	after := map[string]string{
		"http-listen": "127.0.0.1:3", "mqtt-listen": "127.0.0.1:4", "mqtt-broker": "ssl://other:8883", "mqtt-ca": at(auth.AuthorityFile), "mqtt-client-id": "van",
		"mqtt-user": "jon", "mqtt-password-file": written("mqtt-2", "two"),
		"forward-to": "https://other.example:8470", "forward-user": "jon", "forward-password-file": written("forward-2", "two"),
		"forward-ca": at(auth.AuthorityFile), "host": "yard.example", setting.OpenFlag: "true", "loopback-without-account": "true", "trusted-proxy": "10.0.0.0/8", "profile-listen": "127.0.0.1:5", "time-stamp-server": "https://stamps.example/tsr", "log-format": "json", "keep-counts": "1000",
	}
	config := func(changed string) server.Config {
		f := newServeFlags()
		flags := pflag.NewFlagSet("serve", pflag.ContinueOnError)
		f.flags(flags)
		for name, value := range before {
			require.NoError(t, flags.Set(name, value))
		}
		if changed != "" {
			require.NoError(t, flags.Set(changed, after[changed]), changed)
		}
		c, err := f.config(at("arcdrift.db"))
		require.NoError(t, err, changed)
		return c
	}
	old, same := config(""), config("")
	require.Empty(t, old.TakesRestart(&same))
	pflags := pflag.NewFlagSet("serve", pflag.ContinueOnError)
	newServeFlags().flags(pflags)
	pflags.VisitAll(func(f *pflag.Flag) {
		live := strings.HasPrefix(f.Name, "alert-") || strings.HasPrefix(f.Name, "mail-") || strings.HasPrefix(f.Name, "tls-") || f.Name == "log-level"
		if _, ok := after[f.Name]; live || f.Name == "config" {
			assert.False(t, ok, f.Name)
			return
		}
		next := config(f.Name)
		assert.Len(t, old.TakesRestart(&next), 1, f.Name)
	})
	encrypted := old
	encrypted.TLS = &tls.Config{}
	assert.Equal(t, []string{"tls-cert"}, old.TakesRestart(&encrypted), "listeners without encryption do not begin to encrypt")
}
