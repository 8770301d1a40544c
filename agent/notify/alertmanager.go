package notify

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"arcdrift/agent/alert"
)

// Alertmanager posts to the API v2 of a Prometheus Alertmanager. Morning lists
// have no place there and are passed over.
type Alertmanager struct {
	// URL is its root, like http://127.0.0.1:9093, Page that of the agent's pages, ""
	// by default.
	URL, Page string
	Client    *http.Client
	Now       func() time.Time
}

// An Alertmanager drops an alert whose end has come, so its API expects a repeat
// while one is active. Repeated every StandEvery, it may miss a restart of the agent and
// some of its own before it takes a silent agent's alerts for ended.
const (
	StandEvery = time.Minute
	activeFor  = 15 * time.Minute
)

type managed struct {
	Labels       map[string]string `json:"labels"`
	Annotations  map[string]string `json:"annotations"`
	StartsAt     time.Time         `json:"startsAt"`
	EndsAt       time.Time         `json:"endsAt"`
	GeneratorURL string            `json:"generatorURL,omitempty"`
}

// Send raises the alert of a case or ends it: both have the same labels.
func (m *Alertmanager) Send(ctx context.Context, a alert.Action) error {
	if a.Kind == alert.List {
		return nil
	}
	ends := a.At
	if a.Kind == alert.Alert {
		ends = m.Now().Add(activeFor)
	}
	return m.post(ctx, []managed{m.managed(&a, ends)})
}

// Stand repeats the alerts of cases that are still open.
func (m *Alertmanager) Stand(ctx context.Context, cases []alert.Shown) error {
	ends := m.Now().Add(activeFor)
	var out []managed
	for _, c := range cases {
		a := alert.Action{Severity: c.Severity, Rule: c.Rule, Subject: c.Subject, Depot: c.Depot, Opened: c.Opened, Message: c.Message}
		out = append(out, m.managed(&a, ends))
	}
	if len(out) == 0 {
		return nil
	}
	return m.post(ctx, out)
}

func (m *Alertmanager) post(ctx context.Context, alerts []managed) error {
	body, err := json.Marshal(alerts)
	if err != nil {
		return &Refusal{err}
	}
	return post(ctx, m.Client, m.URL+"/api/v2/alerts", body, http.Header{})
}

// managed is a case as the Alertmanager holds it. Names and labels are those of the
// rules for Prometheus, so that both can be grouped and silenced together; source says
// them apart.
func (m *Alertmanager) managed(a *alert.Action, ends time.Time) managed {
	out := managed{
		Labels:      map[string]string{"alertname": ruleName(a.Rule), "class": string(a.Severity), "source": "agent"},
		Annotations: map[string]string{"summary": a.Title, "description": a.Body},
		StartsAt:    a.Opened, EndsAt: ends, GeneratorURL: m.Page,
	}
	switch a.Rule {
	case alert.SourceSilent:
		out.Labels["door"] = a.Subject
	case alert.ChannelDead:
		out.Labels["channel"] = a.Subject
	default:
		out.Labels["machine"] = a.Subject
		if m.Page != "" {
			out.GeneratorURL = m.Page + "/machines/" + url.PathEscape(a.Subject)
		}
	}
	if out.GeneratorURL != "" {
		out.Annotations["page"] = out.GeneratorURL
	}
	if m.Page != "" {
		out.Annotations["runbook_url"] = m.Page + "/help/alerts#" + string(a.Rule)
	}
	if a.Depot != "" {
		out.Labels["depot"] = a.Depot
	}
	return out
}

// ruleName is the name that the rules for Prometheus give to a rule.
func ruleName(m alert.RuleName) string {
	switch m {
	case alert.MustStop:
		return "ArcdriftMachineMustStop"
	case alert.ElectrodesDue:
		return "ArcdriftElectrodesDue"
	case alert.CheckFirst:
		return "ArcdriftMachineCheckFirst"
	}
	words := strings.Split(string(m), "-")
	for i, w := range words {
		words[i] = strings.ToUpper(w[:1]) + w[1:]
	}
	return strings.Join(slices.Insert(words, 0, "Arcdrift"), "")
}

// Alone is true: it groups by itself, by the label depot if it is configured to.
func (*Alertmanager) Alone() bool { return true }
