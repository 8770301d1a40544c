package alerting

import (
	"encoding/base64"
	"fmt"
	"maps"
	"net"
	"net/http"
	"net/mail"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"arcdrift/agent/alert"
	"arcdrift/agent/notify"
	"arcdrift/agent/setting"
)

// Config says who gets which messages, when and through which channels.
type Config struct {
	// Channels are the channels by name, besides that of MQTT.
	Channels map[string]channel
	// To are the channels of each severity; Audience limits some to customers.
	To       map[alert.Severity][]string
	Audience alert.Audience
	Hold     map[alert.RuleName]time.Duration
	Zone     *time.Location
	Morning  time.Duration
	WorkDays [7]bool
	// Quiet is how long a source may send nothing; only working days count.
	Quiet time.Duration
	// Page is where people reach the pages, "" for no links.
	Page string
}

// channel makes a channel from what only a running agent has.
type channel func(client *http.Client, now func() time.Time) notify.Channel

// MQTTChannel is the channel of an agent that has MQTT: the alert topic.
const MQTTChannel = "mqtt"

// Nobody means no channel.
const Nobody = "nobody"

// Settings are what flags, environment and file set for alerts; [Defaults] makes them.
type Settings struct {
	// Channels are NAME=URL each; Secrets are NAME=FILE each.
	Channels, Secrets []string
	// Customers are NAME=CUSTOMER each: the channel is informed about these only.
	Customers                                        []string
	MailServer, MailFrom, MailUser, MailPasswordFile string
	// To are the channels of each severity, none for all.
	To map[alert.Severity]*[]string
	// Hold is RULE=DURATION each, WorkDays are mon to sun.
	Hold, WorkDays []string
	// Zone is a name of the time zone database, Morning is hours:minutes, Page a URL.
	Zone, Morning, Page string
	// Quiet is how long a source may send nothing; only working days count.
	Quiet time.Duration
}

// Defaults are the settings of an agent for which none is set.
func Defaults() Settings {
	return Settings{
		To:   map[alert.Severity]*[]string{alert.Stop: {}, alert.Plan: {}, alert.Note: {}},
		Zone: "UTC", Morning: "07:00", WorkDays: []string{"mon", "tue", "wed", "thu", "fri"}, Quiet: 24 * time.Hour,
	}
}

// Config checks the settings together. mqtt is whether the agent has any.
func (r *Settings) Config(mqtt bool) (a Config, err error) {
	if a.Channels, err = r.channels(); err != nil {
		return Config{}, err
	}
	names := slices.Sorted(maps.Keys(a.Channels))
	if mqtt {
		names = append(names, MQTTChannel)
	}
	a.To = map[alert.Severity][]string{}
	for severity, to := range r.To {
		named, err := receivers("alert-"+string(severity), *to, names)
		if err != nil {
			return Config{}, err
		}
		a.To[severity] = parts(named, names)
	}
	if a.Audience, err = r.audience(names); err != nil {
		return Config{}, err
	}
	if a.Hold, err = r.holds(); err != nil {
		return Config{}, err
	}
	if a.Zone, err = time.LoadLocation(r.Zone); err != nil || r.Zone == "" || r.Zone == "Local" {
		return Config{}, setting.Errorf("alert-zone is %q: it must be a time zone that this computer knows, like Europe/Oslo (the package tzdata brings them)", r.Zone)
	}
	morning, err := time.Parse("15:04", r.Morning)
	if err != nil {
		return Config{}, setting.Errorf("alert-morning is %q: it must be a time of day like 07:00", r.Morning)
	}
	a.Morning = time.Duration(morning.Hour())*time.Hour + time.Duration(morning.Minute())*time.Minute
	for _, day := range r.WorkDays {
		n := slices.Index([]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}, day)
		if n < 0 {
			return Config{}, setting.Errorf("alert-work-days has %q: it must be some of mon, tue, wed, thu, fri, sat, sun", day)
		}
		a.WorkDays[n] = true
	}
	if r.Quiet < time.Minute {
		return Config{}, setting.Errorf("alert-quiet is %s: it must be a minute at least", r.Quiet)
	}
	if r.Page != "" {
		if _, err := setting.WebAddress("alert-page", r.Page); err != nil {
			return Config{}, err
		}
	}
	a.Quiet, a.Page = r.Quiet, r.Page
	return a, nil
}

// receivers are the channels that one severity names, or all if it names none.
func receivers(flag string, named, known []string) ([]string, error) {
	switch {
	case len(named) == 0:
		return known, nil
	case slices.Equal(named, []string{Nobody}):
		return nil, nil
	}
	for i, name := range named {
		switch {
		case !slices.Contains(known, name):
			return nil, setting.Errorf("%s names %q, but alert-channel has no channel of that name", flag, name)
		case slices.Contains(named[:i], name):
			return nil, setting.Errorf("%s names %q twice", flag, name)
		}
	}
	return named, nil
}

// audience are the customers that channels are limited to.
func (r *Settings) audience(known []string) (alert.Audience, error) {
	out := alert.Audience{}
	for _, pair := range r.Customers {
		name, customer, _ := strings.Cut(pair, "=")
		all := parts([]string{name}, known)
		switch {
		case customer == "":
			return nil, setting.Errorf("alert-customer has %q: it must be NAME=CUSTOMER, a channel and whose machines it is informed about", pair)
		case len(all) == 0 || name == MQTTChannel:
			return nil, setting.Errorf("alert-customer names %q, but alert-channel has no channel of that name", name)
		}
		for _, part := range all {
			out[part] = append(out[part], customer)
		}
	}
	return out, nil
}

func (r *Settings) holds() (map[alert.RuleName]time.Duration, error) {
	names := []string{}
	for _, rule := range alert.Rules() {
		names = append(names, string(rule.Name))
	}
	out := map[alert.RuleName]time.Duration{}
	for _, pair := range r.Hold {
		name, text, _ := strings.Cut(pair, "=")
		if !slices.Contains(names, name) {
			return nil, setting.Errorf("alert-hold has %q: it must name one of %s", pair, strings.Join(names, ", "))
		}
		hold, err := time.ParseDuration(text)
		if err != nil || hold < 0 {
			return nil, setting.Errorf("alert-hold has %q: after = it must have a duration like 2h or 30m", pair)
		}
		out[alert.RuleName(name)] = hold
	}
	return out, nil
}

// channelName is what a channel may be called: it is a label of metrics, too.
var channelName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,31}$`)

// channels are the channels by name; one of several mailboxes is a channel for each.
func (r *Settings) channels() (map[string]channel, error) {
	secrets, err := r.secretsByName()
	if err != nil {
		return nil, err
	}
	out := map[string]channel{}
	for _, pair := range r.Channels {
		name, address, _ := strings.Cut(pair, "=")
		switch {
		case !channelName.MatchString(name):
			return nil, setting.Errorf("alert-channel has %q: it must be like bench=mailto:bench@depot.example, the name in lower case, digits and -", redacted(pair))
		case name == MQTTChannel || name == Nobody || out[name] != nil:
			return nil, setting.Errorf("alert-channel names %q: that name is in use already", name)
		}
		parts, err := r.open(name, address, secrets[name])
		if err != nil {
			return nil, err
		}
		for i, one := range parts {
			out[part(name, i)] = one
		}
		delete(secrets, name)
	}
	for _, name := range slices.Sorted(maps.Keys(secrets)) {
		return nil, setting.Errorf("alert-secret names %q, but alert-channel has no webhook of that name", name)
	}
	return out, nil
}

// part names a part of a channel: each mailbox has its own, so that one that fails does
// not delay the others.
func part(channel string, i int) string {
	if i == 0 {
		return channel
	}
	return fmt.Sprintf("%s/%d", channel, i+1)
}

// parts are all parts of these channels.
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

// open makes what sends to one address; mail has one for each mailbox.
func (r *Settings) open(name, address string, secret []byte) ([]channel, error) {
	flag := "alert-channel " + name
	scheme, rest, _ := strings.Cut(address, ":")
	if secret != nil && scheme != "http" && scheme != "https" {
		return nil, setting.Errorf("alert-secret names %q, which is no webhook", name)
	}
	switch scheme {
	case "http", "https":
		if _, err := setting.WebAddress(flag, address); err != nil {
			return nil, err
		}
		if secret == nil {
			return nil, setting.Errorf("%s is a webhook: alert-secret must name the file with the secret that signs for it", flag)
		}
		return []channel{func(client *http.Client, now func() time.Time) notify.Channel {
			return &notify.Webhook{URL: address, Secret: secret, Client: client, Now: now}
		}}, nil
	case "alertmanager+http", "alertmanager+https":
		root := strings.TrimRight(strings.TrimPrefix(address, "alertmanager+"), "/")
		if _, err := setting.WebAddress(flag, root); err != nil {
			return nil, err
		}
		return []channel{func(client *http.Client, now func() time.Time) notify.Channel {
			return &notify.Alertmanager{URL: root, Client: client, Page: strings.TrimRight(r.Page, "/"), Now: now}
		}}, nil
	case "mailto":
		return r.mail(flag, rest)
	}
	return nil, setting.Errorf("%s has an address of an unknown kind: it must begin with https:, mailto: or alertmanager+http:", flag)
}

// mail is a channel to addresses separated by commas, with a part for each.
func (r *Settings) mail(flag, addresses string) ([]channel, error) {
	to := strings.Split(addresses, ",")
	for _, address := range append(to, r.MailFrom) {
		if _, err := mail.ParseAddress(address); err != nil {
			return nil, setting.Errorf("%s needs addresses like bench@depot.example behind mailto: and in mail-from; %q is none", flag, address)
		}
	}
	server, implicit := strings.CutPrefix(r.MailServer, "smtps://")
	host, port, err := net.SplitHostPort(server)
	number, bad := strconv.ParseUint(port, 10, 16)
	if err != nil || bad != nil || host == "" {
		return nil, setting.Errorf("%s sends mail, and mail-server is %q: it must be like mail.example:587, mail.example:465 or smtps://mail.example:4650", flag, r.MailServer)
	}
	password, err := setting.Password("mail-password-file", r.MailPasswordFile)
	if err != nil {
		return nil, err
	}
	var out []channel
	for i := range to {
		m := &notify.Mail{
			Host: host, Port: int(number), From: r.MailFrom, To: to, Mailbox: i, User: r.MailUser, Password: password,
			TLS: implicit || number == notify.TLSPort, Unencrypted: setting.Loopback(host),
		}
		out = append(out, func(*http.Client, func() time.Time) notify.Channel { return m })
	}
	return out, nil
}

// secretsByName reads the secrets of webhooks. Their form and length are those
// of Standard Webhooks 1.0.0: 24 to 64 bytes.
func (r *Settings) secretsByName() (map[string][]byte, error) {
	out := map[string][]byte{}
	for _, pair := range r.Secrets {
		name, file, found := strings.Cut(pair, "=")
		if !found || out[name] != nil {
			return nil, setting.Errorf("alert-secret has %q: it must be NAME=FILE, once for each name", pair)
		}
		raw, err := os.ReadFile(file)
		if err != nil {
			return nil, setting.Errorf("alert-secret of %s cannot be read: %w", name, err)
		}
		secret, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(strings.TrimSpace(string(raw)), "whsec_"))
		if err != nil || len(secret) < 24 || len(secret) > 64 {
			return nil, setting.Errorf("alert-secret of %s: the file %s must hold 24 to 64 bytes as base64, like whsec_ and what openssl rand -base64 32 makes", name, file)
		}
		out[name] = secret
	}
	return out, nil
}
