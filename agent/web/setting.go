package web

import (
	"cmp"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"arcdrift/agent/auth"
	"arcdrift/agent/intake"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
	"arcdrift/drift/plan"
)

const settingsPath = "/settings"

func (s *Server) routeSettings(mux *routes) {
	mux.whole(auth.Settings, "GET "+settingsPath, (*Server).settings)
	mux.whole(auth.Settings, "POST "+settingsPath, (*Server).changeSettings)
}

// mostChanges is how much of the history the page shows.
const mostChanges = 30

type settingsView struct {
	Title   string
	Scope   drift.Scope
	Name    string
	Scopes  []scopeGroup
	Many    bool // machines, too many to offer
	Rows    []settingRow
	Changes []string
	More    int
	By      string
	Saved   bool
	Problem string
}

// scopeGroup are the places of one scope that may be chosen.
type scopeGroup struct {
	Word  string
	Links []scopeLink
}

type scopeLink struct {
	Name, Path string
	Here       bool
}

// settingRow is one setting: what is in force and where that comes from.
type settingRow struct {
	Name, Label, Hint, Unit string
	InForce, From           string
	Typed, Problem          string
	Choices                 []tile
}

// place is what a setup is about.
type place struct {
	scope drift.Scope
	name  string
}

func placeOf(r *drift.Record) place {
	switch r.Setup.Scope {
	case drift.ScopeFleet:
		return place{drift.ScopeFleet, ""}
	case drift.ScopeMachine:
		return place{drift.ScopeMachine, r.Machine}
	}
	return place{r.Setup.Scope, r.Setup.Name}
}

// settings shows what is in force for the fleet, a model, a site or a machine.
func (s *Server) settings(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	s.showSettings(w, r, place{drift.Scope(or(q.Get("scope"), string(drift.ScopeFleet))), q.Get("name")}, nil, nil, http.StatusOK)
}

func (s *Server) showSettings(w http.ResponseWriter, r *http.Request, at place, typed url.Values, p *drift.Problem, status int) {
	entries, err := s.Setups()
	if err != nil {
		s.fail(w, fmt.Errorf("web: setups: %w", err))
		return
	}
	entries = slices.Clone(entries)
	drift.Order(entries)
	b := s.Fleet.Board()
	if at.scope == drift.ScopeFleet {
		at.name = ""
	} else if !slices.Contains([]drift.Scope{drift.ScopeModel, drift.ScopeSite, drift.ScopeMachine}, at.scope) || at.name == "" {
		s.lost(w, http.StatusNotFound, "No such settings", "Settings are those of the fleet, a model, a site or a machine.")
		return
	}
	v := settingsView{Title: "Settings of the fleet", Scope: at.scope, Name: at.name, By: or(typed.Get("operator"), passOf(r).Name), Saved: r.URL.Query().Get("saved") != "", Scopes: scopesOf(entries, b, at), Many: b.rows.Len() > mostOffered}
	if at.name != "" {
		v.Title = "Settings of " + at.name
	}
	if p != nil {
		v.Problem = phrase.Sentence(p.Error()) + "."
	}
	told := statedIn(entries)
	for _, f := range settingFields(at.scope) {
		row := settingRow{Name: f.Name, Label: settingWord(f.Name), Hint: phrase.Sentence(strings.ReplaceAll(f.Means, "`", "")) + ".", Unit: f.Unit, Typed: typed.Get(f.Name)}
		row.InForce, row.From = inForce(told, chain(at, b), f)
		if f.Kind == drift.Flag {
			row.Choices = tiles(row.Typed, "", "No change", "true", "Yes", "false", "No")
		}
		if p != nil && p.Field == f.Name {
			row.Problem = p.Error()
		}
		v.Rows = append(v.Rows, row)
	}
	for _, e := range slices.Backward(entries) {
		if placeOf(&e.Record) != at {
			continue
		}
		if len(v.Changes) < mostChanges {
			v.Changes = append(v.Changes, s.changeWords(&e))
		} else {
			v.More++
		}
	}
	s.render(w, "settings", page{Title: v.Title, Here: settingsPath, Status: status, Body: v})
}

// settingFields are the settings that a scope may state.
func settingFields(scope drift.Scope) []*drift.Field {
	of := map[string]drift.Scope{"retired": drift.ScopeMachine, "renamed_to": drift.ScopeMachine, "customer": drift.ScopeMachine,
		"altitude_m": drift.ScopeSite, "latitude_deg": drift.ScopeSite, "longitude_deg": drift.ScopeSite}
	common := drift.FieldsOf(drift.TypeUsage)
	return slices.DeleteFunc(drift.FieldsOf(drift.TypeSetup), func(f *drift.Field) bool {
		shared := slices.ContainsFunc(common, func(c *drift.Field) bool { return c.Name == f.Name })
		only, bound := of[f.Name]
		return shared || f.Name == "scope" || f.Name == "name" || bound && only != scope
	})
}

// settingWord is what the page calls a setting.
func settingWord(name string) string {
	switch name {
	case "zone":
		return "Time zone"
	case "limit_pct":
		return "Power limit"
	case "out_minutes":
		return "Cost of splicing out of tolerance"
	case "check_minutes":
		return "Cost of a check"
	case "daily_check":
		return "Check at the start of the day"
	case "warm_up_minutes":
		return "Warm-up time"
	case "lead_time_days":
		return "Lead time"
	case "latitude_deg":
		return "Latitude"
	case "longitude_deg":
		return "Longitude"
	case "bench_per_day":
		return "Machines on the bench in a day"
	case "bench_days":
		return "Bench days"
	}
	return phrase.Sentence(fieldWord(name))
}

// statedIn is the latest value of each setting of each place, in words.
func statedIn(entries []drift.Entry) map[place]map[string]string {
	out := map[place]map[string]string{}
	for i := range entries {
		at := placeOf(&entries[i].Record)
		if out[at] == nil {
			out[at] = map[string]string{}
		}
		for _, f := range drift.FieldsOf(drift.TypeSetup) {
			if v, known := f.Value(&entries[i].Record); known {
				out[at][f.Name] = valueWord(v)
			}
		}
	}
	return out
}

// chain are the places whose settings hold for a place, the nearest first: of a machine
// its own, under former names too, its site's, its model's and the fleet's.
func chain(at place, b *Board) []place {
	out := []place{at}
	if m := b.find(at.name); m != nil && at.scope == drift.ScopeMachine {
		for _, before := range m.Before {
			out = append(out, place{drift.ScopeMachine, before})
		}
		out = append(out, place{drift.ScopeSite, m.Site}, place{drift.ScopeModel, label(m.Model)})
	}
	if at.scope != drift.ScopeFleet {
		out = append(out, place{drift.ScopeFleet, ""})
	}
	return out
}

// inForce is the value that holds at the nearest place that states one, and from where.
func inForce(told map[place]map[string]string, chain []place, f *drift.Field) (value, from string) {
	for i, at := range chain {
		if value = told[at][f.Name]; value == "" {
			continue
		}
		switch {
		case i == 0:
			return value, "stated here"
		case at.scope == drift.ScopeFleet:
			return value, "from the fleet"
		}
		return value, "from the " + string(at.scope) + " " + at.name
	}
	usual := map[string]string{"attempt_limit": phrase.Integer(drift.DefaultAttemptLimit), "conditioning_arcs": phrase.Integer(drift.DefaultConditioningArcs),
		"check_minutes": phrase.Integer(drift.DefaultCheckMinutes), "out_minutes": phrase.Integer(drift.DefaultOutMinutes), "daily_check": "yes",
		"bench_per_day": phrase.Integer(plan.UsualPerDay), "bench_days": plan.UsualDays, "closed_days": "none", "zone": "UTC"}
	if value = usual[f.Name]; value != "" {
		return value, "usual value: nobody stated one"
	}
	return "not stated", ""
}

// scopesOf lists what settings may be about: what the fleet and the setups name.
func scopesOf(entries []drift.Entry, b *Board, here place) []scopeGroup {
	names := map[drift.Scope]map[string]bool{drift.ScopeModel: {}, drift.ScopeSite: {}, drift.ScopeMachine: {}}
	// Of too many machines to offer, those with settings of their own are.
	for scope, known := range map[drift.Scope][]string{drift.ScopeModel: b.columns().models.names, drift.ScopeSite: b.columns().sites.names, drift.ScopeMachine: offered(b.names())} {
		for _, name := range known {
			names[scope][name] = true
		}
	}
	for i := range entries {
		if at := placeOf(&entries[i].Record); names[at.scope] != nil {
			names[at.scope][at.name] = true
		}
	}
	out := []scopeGroup{{"Whole fleet", []scopeLink{{"Fleet", settingsPath, here.scope == drift.ScopeFleet}}}}
	for _, g := range []struct {
		scope drift.Scope
		word  string
	}{{drift.ScopeModel, "Models"}, {drift.ScopeSite, "Sites"}, {drift.ScopeMachine, "Machines"}} {
		group := scopeGroup{Word: g.word}
		for _, name := range slices.SortedFunc(maps.Keys(names[g.scope]), cmp.Compare) {
			if name != "" {
				path := settingsPath + "?" + url.Values{"scope": {string(g.scope)}, "name": {name}}.Encode()
				group.Links = append(group.Links, scopeLink{name, path, here == place{g.scope, name}})
			}
		}
		out = append(out, group)
	}
	return out
}

// changeWords is one change: when, who, what.
func (s *Server) changeWords(e *drift.Entry) string {
	var said []string
	for _, f := range settingFields(e.Setup.Scope) {
		if v, known := f.Value(&e.Record); known {
			said = append(said, settingWord(f.Name)+": "+valueWord(v))
		}
	}
	who := or(e.Operator, e.Account)
	return phrase.Beside(append([]string{s.wall(e.When()), or(who, "nobody named")}, said...)...)
}

// changeSettings keeps what was typed as a new setup; nothing that was stated is changed.
func (s *Server) changeSettings(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	typed := r.PostForm
	at := place{drift.Scope(typed.Get("scope")), typed.Get("name")}
	values := url.Values{"type": {string(drift.TypeSetup)}, "scope": {string(at.scope)}, "time": {s.Now().Format("2006-01-02T15:04:05Z07:00")}, "operator": {typed.Get("operator")}}
	values.Set(map[bool]string{true: "machine", false: "name"}[at.scope == drift.ScopeMachine], at.name)
	changed := false
	for _, f := range settingFields(at.scope) {
		if text := strings.TrimSpace(typed.Get(f.Name)); text != "" {
			values.Set(f.Name, text)
			changed = true
		}
	}
	if !changed {
		s.showSettings(w, r, at, typed, &drift.Problem{Reason: "nothing is filled in: nothing was changed"}, http.StatusBadRequest)
		return
	}
	record, err := wire.Form(values)
	if err != nil {
		s.showSettings(w, r, at, typed, problemOf(err), http.StatusBadRequest)
		return
	}
	receipts, err := s.offer(r, []intake.Submission{{Raw: []byte(values.Encode()), Record: record, Via: "form"}})
	switch {
	case err != nil:
		s.cannotTake(err)
		w.Header().Set("Retry-After", retryAfter)
		s.showSettings(w, r, at, typed, &drift.Problem{Reason: "not saved: the agent cannot save records at present. Press Save again in a moment"}, http.StatusServiceUnavailable)
	case receipts[0].Refused != nil:
		s.showSettings(w, r, at, typed, receipts[0].Refused, http.StatusBadRequest)
	default:
		http.Redirect(w, r, settingsPath+"?"+url.Values{"scope": {string(at.scope)}, "name": {at.name}, "saved": {"true"}}.Encode(), http.StatusSeeOther)
	}
}
