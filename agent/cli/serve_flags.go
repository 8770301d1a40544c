package cli

import (
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"arcdrift/agent/alert"
	"arcdrift/agent/alerting"
	"arcdrift/agent/server"
	"arcdrift/agent/setting"
)

// serveFlags are the flags of serve.
type serveFlags struct {
	settings            server.Settings
	logFormat, logLevel choice
}

func newServeFlags() *serveFlags {
	s := server.Defaults()
	return &serveFlags{s, choice{s.LogFormat, []string{formatText, formatJSON}}, choice{s.LogLevel, []string{"debug", "info", "warn", "error"}}}
}

// define gives the command its flags.
func (f *serveFlags) define(cmd *cobra.Command) {
	f.flags(cmd.Flags())
	f.logFormat.complete(cmd, "log-format")
	f.logLevel.complete(cmd, "log-level")
}

// config checks what the flags say.
func (f *serveFlags) config(db string) (server.Config, error) {
	f.settings.LogFormat, f.settings.LogLevel = f.logFormat.value, f.logLevel.value
	return f.settings.Config(db)
}

// flags defines the flags.
func (f *serveFlags) flags(flags *pflag.FlagSet) {
	s := &f.settings
	flags.SortFlags = false
	flags.StringVar(&s.HTTPListen, "http-listen", s.HTTPListen, "`ADDRESS` of the pages and the HTTP API")
	flags.StringVar(&s.MQTTListen, "mqtt-listen", s.MQTTListen, "run the embedded MQTT broker on this `ADDRESS`, like 127.0.0.1:1883")
	flags.StringVar(&s.Broker, "mqtt-broker", s.Broker, "join your own MQTT broker at this `URL`, like tcp://broker:1883 or ssl://broker:8883")
	flags.StringVar(&s.ClientID, "mqtt-client-id", s.ClientID, "client `ID` at that broker; it must stay the same; if missing, it is made from the name of this computer and the path of the store")
	flags.StringVar(&s.User, "mqtt-user", s.User, "user `NAME` at that broker")
	flags.StringVar(&s.PasswordFile, "mqtt-password-file", s.PasswordFile, "`FILE` with the password at that broker")
	flags.StringVar(&s.BrokerCA, "mqtt-ca", s.BrokerCA, "PEM `FILE` with the authority that signed that broker's certificate, instead of the system's authorities")
	flags.StringVar(&s.ForwardTo, "forward-to", s.ForwardTo, "forward every record to the hub at this `URL`, like https://hub.example:8470")
	flags.StringVar(&s.ForwardUser, "forward-user", s.ForwardUser, "user `NAME` at that hub")
	flags.StringVar(&s.ForwardPasswordFile, "forward-password-file", s.ForwardPasswordFile, "`FILE` with the password at that hub")
	flags.StringVar(&s.ForwardCA, "forward-ca", s.ForwardCA, "PEM `FILE` with the authority that signed that hub's certificate, instead of the system's authorities")
	flags.IntVar(&s.KeepCounts, "keep-counts", s.KeepCounts, "keep the last `NUMBER` of arc counts of each machine whole, and of older ones only what the answers need; 0 for all")
	alertFlags(flags, &s.Alerts)
	flags.StringVar(&s.TLSCert, "tls-cert", s.TLSCert, "PEM `FILE` with the certificate of the pages and of the embedded broker")
	flags.StringVar(&s.TLSKey, "tls-key", s.TLSKey, "PEM `FILE` with that certificate's key")
	flags.StringSliceVar(&s.Hosts, "host", s.Hosts, "`NAME` by which the pages are opened, besides localhost and plain addresses; may be repeated")
	flags.StringSliceVar(&s.Proxies, "trusted-proxy", s.Proxies, "`ADDRESS` or network of a proxy in front of the pages, like 127.0.0.1 or 10.0.0.0/8, whose X-Forwarded-For is believed; may be repeated")
	flags.BoolVar(&s.Open, setting.OpenFlag, false, "let other computers in without encryption and, while there are no accounts, without a password; anybody there can then read and write everything")
	flags.BoolVar(&s.Loopback, "loopback-without-account", s.Loopback, "let programs on this computer in without an account, even if there are accounts; a proxy or tunnel on this computer then lets in everybody")
	flags.StringVar(&s.TimeStampServer, "time-stamp-server", s.TimeStampServer, "`URL` of a time-stamp server (RFC 3161) that stamps packs of proof made on the pages")
	flags.StringVar(&s.ProfileListen, "profile-listen", s.ProfileListen, "serve profiles of the Go runtime at this `ADDRESS` of this computer, like 127.0.0.1:6060")
	flags.Var(&f.logFormat, "log-format", "format of the log")
	flags.Var(&f.logLevel, "log-level", "lowest level that is logged")
	flags.String("config", "", "TOML `FILE` with any of these settings, like http_listen = \"127.0.0.1:8470\"")
}

// alertFlags defines the flags of alerts.
func alertFlags(flags *pflag.FlagSet, s *alerting.Settings) {
	flags.StringArrayVar(&s.Channels, "alert-channel", s.Channels, "a channel for messages, `NAME=URL`: https://… for a webhook, mailto:A,B for mail, alertmanager+http://HOST:9093; may be repeated; an agent with MQTT also has the channel mqtt")
	flags.StringArrayVar(&s.Secrets, "alert-secret", s.Secrets, "`NAME=FILE` with the secret that signs the messages of the webhook of that name, whsec_ and base64; may be repeated")
	flags.StringArrayVar(&s.Customers, "alert-customer", s.Customers, "`NAME=CUSTOMER` limits the channel of that name to the machines of a customer; may be repeated")
	flags.StringVar(&s.MailServer, "mail-server", s.MailServer, "`HOST:PORT` of the mail server; it must offer STARTTLS unless it is on this computer; port 465 and smtps://HOST:PORT are encrypted from the start")
	flags.StringVar(&s.MailFrom, "mail-from", s.MailFrom, "`ADDRESS` that mail comes from")
	flags.StringVar(&s.MailUser, "mail-user", s.MailUser, "user `NAME` at the mail server")
	flags.StringVar(&s.MailPasswordFile, "mail-password-file", s.MailPasswordFile, "`FILE` with the password at the mail server")
	for _, to := range []struct {
		severity alert.Severity
		what     string
	}{{alert.Stop, "what cannot wait"}, {alert.Plan, "what is for the next working morning"}, {alert.Note, "the morning list"}} {
		flags.StringSliceVar(s.To[to.severity], "alert-"+string(to.severity), nil, "`CHANNELS` that get "+to.what+"; all if missing; "+alerting.Nobody+" for none")
	}
	flags.StringVar(&s.Zone, "alert-zone", s.Zone, "time `ZONE` of mornings and messages for machines without a zone, like Europe/Oslo")
	flags.StringVar(&s.Morning, "alert-morning", s.Morning, "`TIME` at which a working day starts")
	flags.StringSliceVar(&s.WorkDays, "alert-work-days", s.WorkDays, "the `DAYS` on which people work")
	flags.StringArrayVar(&s.Hold, "alert-hold", s.Hold, "`RULE=DURATION` for which a condition must last before a message, like electrode-service=2h; may be repeated")
	flags.DurationVar(&s.Quiet, "alert-quiet", s.Quiet, "`DURATION` on working days after which a source that brings nothing raises an alert")
	flags.StringVar(&s.Page, "alert-page", s.Page, "`URL` at which people reach these pages, for links in messages")
}
