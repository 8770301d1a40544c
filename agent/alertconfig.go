package agent

import (
	"encoding/base64"
	"fmt"
	"maps"
	"net"
	"net/http"
	"net/mail"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"arcdrift/agent/alert"
	"arcdrift/agent/notify"
)

// Alerts says who is told what, when and by which ways.
type Alerts struct {
	// Channels are the ways out by name, beside that of MQTT.
	Channels map[string]channel
	// To are the channels of every class.
	To       map[alert.Severity][]string
	Hold     map[alert.RuleName]time.Duration
	Zone     *time.Location
	Morning  time.Duration
	WorkDays [7]bool
	// Quiet is how long a door may bring nothing, in working days' time.
	Quiet time.Duration
	// Page is where people reach the pages, "" for no links.
	Page string
}

// channel makes a way out with what only a running agent has.
type channel func(client *http.Client, now func() time.Time) notify.Channel

// mqttChannel is the channel of an agent that has MQTT: the alert topic.
const mqttChannel = "mqtt"

// nobody stands for no channel at all.
const nobody = "nobody"

// rawAlerts is what flags, environment and file say of alerts.
type rawAlerts struct {
	channels, secrets                             []string
	mailServer, mailFrom, mailUser, mailPasswords string
	to                                            map[alert.Severity]*[]string
	hold, workDays                                []string
	zone, morning, page                           string
	quiet                                         time.Duration
}

// flags defines the settings of alerts.
func (r *rawAlerts) flags(flags *pflag.FlagSet) {
	flags.StringArrayVar(&r.channels, "alert-channel", nil, "a way out for messages, `NAME=URL`: https://… for a webhook, mailto:A,B for mail, alertmanager+http://HOST:9093; may be repeated; with MQTT there is always the channel mqtt")
	flags.StringArrayVar(&r.secrets, "alert-secret", nil, "`NAME=FILE` with the secret that signs for the webhook of that name, whsec_ and base64; may be repeated")
	flags.StringVar(&r.mailServer, "mail-server", "", "`HOST:PORT` of the mail server; it must offer STARTTLS unless it is on this computer; port 465 and smtps://HOST:PORT are encrypted from the start")
	flags.StringVar(&r.mailFrom, "mail-from", "", "`ADDRESS` that mail comes from")
	flags.StringVar(&r.mailUser, "mail-user", "", "user `NAME` at the mail server")
	flags.StringVar(&r.mailPasswords, "mail-password-file", "", "`FILE` with the password at the mail server")
	r.to = map[alert.Severity]*[]string{}
	for _, to := range []struct {
		class alert.Severity
		what  string
	}{{alert.Stop, "what cannot wait"}, {alert.Plan, "what the next working morning is for"}, {alert.Note, "the morning list"}} {
		r.to[to.class] = new([]string)
		flags.StringSliceVar(r.to[to.class], "alert-"+string(to.class), nil, "`CHANNELS` that get "+to.what+"; all if left out, or "+nobody)
	}
	flags.StringVar(&r.zone, "alert-zone", "UTC", "time `ZONE` of mornings and messages where a machine has none, like Europe/Oslo")
	flags.StringVar(&r.morning, "alert-morning", "07:00", "`TIME` at which a working day starts")
	flags.StringSliceVar(&r.workDays, "alert-work-days", []string{"mon", "tue", "wed", "thu", "fri"}, "the `DAYS` on which people work")
	flags.StringArrayVar(&r.hold, "alert-hold", nil, "`MATTER=DURATION` a condition must stand before a message, like electrode-service=2h; may be repeated")
	flags.DurationVar(&r.quiet, "alert-quiet", 24*time.Hour, "`DURATION` on working days after which a door that brings nothing is a matter itself")
	flags.StringVar(&r.page, "alert-page", "", "`URL` at which people reach these pages, for links in messages")
}

// valid checks the settings together. mqtt is whether the agent has any.
func (r *rawAlerts) valid(mqtt bool) (a Alerts, err error) {
	if a.Channels, err = r.ways(); err != nil {
		return Alerts{}, err
	}
	names := slices.Sorted(maps.Keys(a.Channels))
	if mqtt {
		names = append(names, mqttChannel)
	}
	a.To = map[alert.Severity][]string{}
	for class, to := range r.to {
		named, err := receivers("alert-"+string(class), *to, names)
		if err != nil {
			return Alerts{}, err
		}
		a.To[class] = parts(named, names)
	}
	if a.Hold, err = r.holds(); err != nil {
		return Alerts{}, err
	}
	if a.Zone, err = time.LoadLocation(r.zone); err != nil || r.zone == "" || r.zone == "Local" {
		return Alerts{}, usagef("alert-zone is %q: it must be a time zone that this computer knows, like Europe/Oslo (the package tzdata brings them)", r.zone)
	}
	morning, err := time.Parse("15:04", r.morning)
	if err != nil {
		return Alerts{}, usagef("alert-morning is %q: it must be a time of day like 07:00", r.morning)
	}
	a.Morning = time.Duration(morning.Hour())*time.Hour + time.Duration(morning.Minute())*time.Minute
	for _, day := range r.workDays {
		n := slices.Index([]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}, day)
		if n < 0 {
			return Alerts{}, usagef("alert-work-days has %q: it must be some of mon, tue, wed, thu, fri, sat, sun", day)
		}
		a.WorkDays[n] = true
	}
	if r.quiet < time.Minute {
		return Alerts{}, usagef("alert-quiet is %s: it must be a minute at least", r.quiet)
	}
	if r.page != "" {
		if _, err := webAddress("alert-page", r.page); err != nil {
			return Alerts{}, err
		}
	}
	a.Quiet, a.Page = r.quiet, r.page
	return a, nil
}

// receivers are the channels that one class names, all of them when none.
func receivers(setting string, named, known []string) ([]string, error) {
	switch {
	case len(named) == 0:
		return known, nil
	case slices.Equal(named, []string{nobody}):
		return nil, nil
	}
	for i, name := range named {
		switch {
		case !slices.Contains(known, name):
			return nil, usagef("%s names %q, but alert-channel has no channel of that name", setting, name)
		case slices.Contains(named[:i], name):
			return nil, usagef("%s names %q twice", setting, name)
		}
	}
	return named, nil
}

func (r *rawAlerts) holds() (map[alert.RuleName]time.Duration, error) {
	names := []string{}
	for _, rule := range alert.Rules() {
		names = append(names, string(rule.Name))
	}
	out := map[alert.RuleName]time.Duration{}
	for _, pair := range r.hold {
		name, text, _ := strings.Cut(pair, "=")
		if !slices.Contains(names, name) {
			return nil, usagef("alert-hold has %q: it must name one of %s", pair, strings.Join(names, ", "))
		}
		hold, err := time.ParseDuration(text)
		if err != nil || hold < 0 {
			return nil, usagef("alert-hold has %q: behind = must stand a duration like 2h or 30m", pair)
		}
		out[alert.RuleName(name)] = hold
	}
	return out, nil
}

// channelName is what a channel may be called: it is a label of metrics, too.
var channelName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,31}$`)

// ways are the channels by name.
func (r *rawAlerts) ways() (map[string]channel, error) {
	secrets, err := r.secretsByName()
	if err != nil {
		return nil, err
	}
	out := map[string]channel{}
	for _, pair := range r.channels {
		name, address, _ := strings.Cut(pair, "=")
		switch {
		case !channelName.MatchString(name):
			return nil, usagef("alert-channel has %q: it must be like bench=mailto:bench@depot.example, the name in lower case, digits and -", redacted(pair))
		case name == mqttChannel || name == nobody || out[name] != nil:
			return nil, usagef("alert-channel names %q: it is taken already", name)
		}
		ways, err := r.way(name, address, secrets[name])
		if err != nil {
			return nil, err
		}
		for i, way := range ways {
			out[part(name, i)] = way
		}
		delete(secrets, name)
	}
	for _, name := range slices.Sorted(maps.Keys(secrets)) {
		return nil, usagef("alert-secret names %q, but alert-channel has no webhook of that name", name)
	}
	return out, nil
}

// part names a way of a channel that has several: each mailbox has its own, so that
// one that takes nothing holds up no other.
func part(channel string, i int) string {
	if i == 0 {
		return channel
	}
	return fmt.Sprintf("%s/%d", channel, i+1)
}

// parts are all ways of the channels.
func parts(channels, known []string) (out []string) {
	for _, name := range known {
		channel, _, _ := strings.Cut(name, "/")
		if slices.Contains(channels, channel) {
			out = append(out, name)
		}
	}
	return out
}

// redacted is a channel as errors may show it: an address may hold a secret.
func redacted(pair string) string {
	name, _, found := strings.Cut(pair, "=")
	if found {
		return name + "=…"
	}
	return "…"
}

func (r *rawAlerts) way(name, address string, secret []byte) ([]channel, error) {
	setting := "alert-channel " + name
	scheme, rest, _ := strings.Cut(address, ":")
	if secret != nil && scheme != "http" && scheme != "https" {
		return nil, usagef("alert-secret names %q, which is no webhook", name)
	}
	switch scheme {
	case "http", "https":
		if _, err := webAddress(setting, address); err != nil {
			return nil, err
		}
		if secret == nil {
			return nil, usagef("%s is a webhook: alert-secret must name the file with the secret that signs for it", setting)
		}
		return []channel{func(client *http.Client, now func() time.Time) notify.Channel {
			return &notify.Webhook{URL: address, Secret: secret, Client: client, Now: now}
		}}, nil
	case "alertmanager+http", "alertmanager+https":
		root := strings.TrimRight(strings.TrimPrefix(address, "alertmanager+"), "/")
		if _, err := webAddress(setting, root); err != nil {
			return nil, err
		}
		return []channel{func(client *http.Client, now func() time.Time) notify.Channel {
			return &notify.Alertmanager{URL: root, Client: client, Page: strings.TrimRight(r.page, "/"), Now: now}
		}}, nil
	case "mailto":
		return r.mail(setting, rest)
	}
	return nil, usagef("%s has no address that is known: it must begin with https:, mailto: or alertmanager+http:", setting)
}

// mail is a channel to addresses separated by commas, a way for each.
func (r *rawAlerts) mail(setting, addresses string) ([]channel, error) {
	to := strings.Split(addresses, ",")
	for _, address := range append(to, r.mailFrom) {
		if _, err := mail.ParseAddress(address); err != nil {
			return nil, usagef("%s needs addresses like bench@depot.example behind mailto: and in mail-from; %q is none", setting, address)
		}
	}
	server, implicit := strings.CutPrefix(r.mailServer, "smtps://")
	host, port, err := net.SplitHostPort(server)
	number, bad := strconv.ParseUint(port, 10, 16)
	if err != nil || bad != nil || host == "" {
		return nil, usagef("%s sends mail, and mail-server is %q: it must be like mail.example:587, mail.example:465 or smtps://mail.example:4650", setting, r.mailServer)
	}
	password, err := passwordFrom("mail-password-file", r.mailPasswords)
	if err != nil {
		return nil, err
	}
	var out []channel
	for i := range to {
		m := &notify.Mail{
			Host: host, Port: int(number), From: r.mailFrom, To: to, Mailbox: i, User: r.mailUser, Password: password,
			TLS: implicit || number == notify.TLSPort, Unencrypted: loopback(host),
		}
		out = append(out, func(*http.Client, func() time.Time) notify.Channel { return m })
	}
	return out, nil
}

// secretsByName reads the secrets of webhooks. Their form and length are those
// of Standard Webhooks 1.0.0: 24 to 64 bytes.
func (r *rawAlerts) secretsByName() (map[string][]byte, error) {
	out := map[string][]byte{}
	for _, pair := range r.secrets {
		name, file, found := strings.Cut(pair, "=")
		if !found || out[name] != nil {
			return nil, usagef("alert-secret has %q: it must be NAME=FILE, once for each name", pair)
		}
		raw, err := os.ReadFile(file)
		if err != nil {
			return nil, usagef("alert-secret of %s cannot be read: %w", name, err)
		}
		secret, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(strings.TrimSpace(string(raw)), "whsec_"))
		if err != nil || len(secret) < 24 || len(secret) > 64 {
			return nil, usagef("alert-secret of %s: the file %s must hold 24 to 64 bytes as base64, like whsec_ and what openssl rand -base64 32 makes", name, file)
		}
		out[name] = secret
	}
	return out, nil
}

// webAddress is an address of the web; it stays out of errors, as it may hold a
// secret.
func webAddress(setting, address string) (*url.URL, error) {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, usagef("%s must have an address like https://yard.example/path", setting)
	}
	return u, nil
}
