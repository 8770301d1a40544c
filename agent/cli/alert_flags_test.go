package cli

import (
	"arcdrift/agent/alert"
	"arcdrift/agent/alerting"
	"arcdrift/agent/notify"
	"arcdrift/agent/setting"
	"encoding/base64"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// webhookSecret is what a webhook's receiver and the agent share.
const webhookSecret = "a secret of this receiver only"

// secretFile is a file with it.
func secretFile(t *testing.T) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "hook.secret")
	require.NoError(t, os.WriteFile(file, []byte("whsec_"+base64.StdEncoding.EncodeToString([]byte(webhookSecret))+"\n"), 0o600))
	return file
}

// alertsFrom reads a configuration file as serve does.
func alertsFrom(t *testing.T, mqtt bool, file string) (alerting.Config, error) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "arcdrift.toml")
	require.NoError(t, os.WriteFile(path, []byte(file), 0o600))
	f := newServeFlags()
	cmd := &cobra.Command{Use: "serve"}
	f.define(cmd)
	if err := readConfig(path, cmd.Flags()); err != nil {
		return alerting.Config{}, err
	}
	return f.settings.Alerts.Config(mqtt)
}

func TestAlertSettings(t *testing.T) {
	secret := secretFile(t)
	a, err := alertsFrom(t, true, `
alert_channel = ["ops=https://hooks.example/fleet?key=a,b", "bench=mailto:bench@depot.example,lead@depot.example", "am=alertmanager+http://127.0.0.1:9093/"]
alert_secret = ["ops=`+secret+`"]
mail_server = "localhost:25"
mail_from = "arcdrift@depot.example"
alert_plan = ["bench"]
alert_note = ["nobody"]
alert_zone = "Europe/Oslo"
alert_morning = "06:30"
alert_work_days = ["mon", "sat"]
alert_hold = ["stop=10m"]
`)
	require.NoError(t, err)
	assert.Equal(t, []string{"am", "bench", "bench/2", "ops", "mqtt"}, a.To[alert.Stop], "left out is all")
	assert.Equal(t, []string{"bench", "bench/2"}, a.To[alert.Plan], "each mailbox by itself")
	assert.Equal(t, 1, a.Channels["bench/2"](nil, nil).(*notify.Mail).Mailbox)
	assert.Empty(t, a.To[alert.Note])
	assert.Equal(t, "Europe/Oslo", a.Zone.String())
	assert.Equal(t, 6*time.Hour+30*time.Minute, a.Morning)
	assert.Equal(t, [7]bool{time.Monday: true, time.Saturday: true}, a.WorkDays)
	assert.Equal(t, map[alert.RuleName]time.Duration{alert.MustStop: 10 * time.Minute}, a.Hold)
	assert.Equal(t, &notify.Mail{Host: "localhost", Port: 25, From: "arcdrift@depot.example", To: []string{"bench@depot.example", "lead@depot.example"}, Unencrypted: true},
		a.Channels["bench"](nil, nil), "a relay on this computer needs no TLS")
	assert.Equal(t, &notify.Alertmanager{URL: "http://127.0.0.1:9093"}, a.Channels["am"](nil, nil))
	for server, tls := range map[string]bool{"mail.example:465": true, "smtps://mail.example:2465": true, "mail.example:587": false} {
		b, err := alertsFrom(t, false, "mail_server = \""+server+"\"\nmail_from = \"a@depot.example\"\nalert_channel = [\"b=mailto:b@depot.example\"]\n")
		require.NoError(t, err)
		assert.Equal(t, tls, b.Channels["b"](nil, nil).(*notify.Mail).TLS, server)
	}
	hook, ok := a.Channels["ops"](nil, nil).(*notify.Webhook)
	require.True(t, ok)
	assert.Equal(t, "https://hooks.example/fleet?key=a,b", hook.URL)
	assert.Equal(t, webhookSecret, string(hook.Secret))

	a, err = alertsFrom(t, false, "")
	require.NoError(t, err)
	assert.Empty(t, a.To[alert.Stop], "nobody to tell is no error: cases stand on the page")
}

func TestAlertSettingsThatAreWrong(t *testing.T) {
	secret, short := secretFile(t), filepath.Join(t.TempDir(), "short")
	require.NoError(t, os.WriteFile(short, []byte("c2hvcnQ="), 0o600))
	const mail = "mail_server = \"mail.example:587\"\nmail_from = \"a@depot.example\"\n"
	for says, file := range map[string]string{
		"alert-stop names \"ops\", but alert-channel has no channel of that name":       `alert_stop = ["ops"]`,
		"alert-plan names \"mqtt\" twice":                                               `alert_plan = ["mqtt", "mqtt"]`,
		"alert-channel ops is a webhook: alert-secret must name the file":               `alert_channel = ["ops=https://hooks.example/s3cr3t"]`,
		"alert-channel ops must have an address":                                        "alert_channel = [\"ops=https:///s3cr3t\"]\nalert_secret = [\"ops=" + secret + "\"]",
		"alert-channel has \"Ops=…\"":                                                   `alert_channel = ["Ops=https://hooks.example/s3cr3t"]`,
		"alert-channel has \"…\"":                                                       `alert_channel = ["https://hooks.example/s3cr3t"]`,
		"alert-channel names \"mqtt\": that name is in use already":                     `alert_channel = ["mqtt=https://hooks.example/s3cr3t"]`,
		"alert-channel names \"b\": that name is in use already":                        mail + `alert_channel = ["b=mailto:a@depot.example", "b=mailto:a@depot.example"]`,
		"alert-channel b has an address of an unknown kind":                             `alert_channel = ["b=ftp://hooks.example/s3cr3t"]`,
		"alert-secret names \"b\", but alert-channel has no webhook of that name":       `alert_secret = ["b=` + secret + `"]`,
		"alert-secret names \"b\", which is no webhook":                                 mail + "alert_channel = [\"b=mailto:a@depot.example\"]\nalert_secret = [\"b=" + secret + "\"]",
		"alert-secret has \"" + secret + "\": it must be NAME=FILE":                     `alert_secret = ["` + secret + `"]`,
		"alert-secret of b cannot be read":                                              `alert_secret = ["b=/nowhere/at/all"]`,
		"must hold 24 to 64 bytes as base64":                                            `alert_secret = ["b=` + short + `"]`,
		"mail-server is \"\": it must be like mail.example:587":                         "mail_from = \"a@depot.example\"\nalert_channel = [\"b=mailto:a@depot.example\"]",
		"\"nobody\" is none":                                                            mail + `alert_channel = ["b=mailto:nobody"]`,
		"alert-zone is \"Oslo\": it must be a time zone that this computer knows, like": `alert_zone = "Oslo"`,
		"alert-zone is \"Local\"":                                                       `alert_zone = "Local"`,
		"alert-morning is \"7\": it must be a time of day":                              `alert_morning = "7"`,
		"alert-work-days has \"monday\"":                                                `alert_work_days = ["monday"]`,
		"alert-hold has \"arcs=1h\": it must name one of stop, electrode-service":       `alert_hold = ["arcs=1h"]`,
		"alert-hold has \"stop=-1h\": after = it must have a duration":                  `alert_hold = ["stop=-1h"]`,
		"alert-hold has \"stop\": after = it must have a duration":                      `alert_hold = ["stop"]`,
		"alert-quiet is 0s: it must be a minute at least":                               `alert_quiet = "0s"`,
		"alert-page must have an address like https://":                                 `alert_page = "yard.example"`,
		"has alert_pages, which is not a setting":                                       `alert_pages = "x"`,
		"alert_quiet = soon":                                                            `alert_quiet = "soon"`,
	} {
		_, err := alertsFrom(t, true, file)
		require.Error(t, err, file)
		assert.ErrorContains(t, err, says)
		assert.True(t, errors.As(err, new(usageError)) || errors.As(err, new(*setting.Error)), "%s: it is the user's to mend", file)
		assert.NotContains(t, err.Error(), "s3cr3t", "an address may hold a secret")
	}
}
