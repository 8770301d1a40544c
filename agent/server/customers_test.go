package server_test

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/auth"
	"arcdrift/agent/cli"
	"arcdrift/agent/reach"
	"arcdrift/agent/server"
)

// contractor is one of two customers of a hub. Every free text of its records, and every
// name of its machines and accounts, holds its mark; in no answer to the other one may any
// of its marks be.
type contractor struct {
	mark  string
	marks []string // of which none may reach the other
	look  string   // a machine whose name looks like one of the other
}

var (
	quarzby = contractor{"quarzby", []string{"quarzby", "look-07", "orphan"}, "LOOK-07"}
	// SOLD-1 came from Quarzby, who must not see it any more.
	velmora = contractor{"velmora", []string{"velmora", "look07", "sold-1", "orphan"}, "LOOK07"}
)

func (c contractor) machine(n int) string { return fmt.Sprintf("%s-%d", strings.ToUpper(c.mark), n) }
func (c contractor) customer() string     { return c.mark + " fibre" }

// records are a month of three machines: the first is well, the second fails at the end.
func (c contractor) records() (lines []string) {
	for n := range 30 {
		for i, machine := range []string{c.machine(1), c.machine(2), c.look} {
			lines = append(lines, c.day(machine, n, i != 1 || n < 27)...)
		}
	}
	at := agenttest.Now.AddDate(0, 0, -28).Format(time.RFC3339)
	for i, machine := range []string{c.machine(1), c.machine(2), c.look} {
		lines = append(lines, fmt.Sprintf(`{"type":"setup","scope":"machine","machine":%q,"customer":%q,"depot":"%s-depot","spare_pairs":%d,"id":"%[3]s-setup-%d","time":%q}`, machine, c.customer(), c.mark, i, at),
			fmt.Sprintf(`{"type":"service","machine":%q,"action":"replaced","pair":"pair-9","finding":"worn","arc_count":%d,"operator":"%s-bench","id":"%[3]s-service-%d","time":%q}`, machine, 0, c.mark, i, agenttest.Now.AddDate(0, 0, -29).Format(time.RFC3339)))
	}
	day := agenttest.Now.AddDate(0, 0, -1)
	return append(lines,
		fmt.Sprintf(`{"type":"decision","machine":%q,"verdict":"accept","day":%q,"job":"%s-job","reason":"%[3]s-reason","operator":"%[3]s-judge","id":"%[3]s-decision","time":%q}`, c.machine(2), day.Format(time.DateOnly), c.mark, agenttest.Now.Add(-time.Hour).Format(time.RFC3339)),
		fmt.Sprintf(`{"type":"correction","machine":%q,"corrects":"%s-c-%s-28","reason":"%[2]s-slip","fields":{"cleaver":"%[2]s-other"},"id":"%[2]s-correction","time":%[4]q}`, c.machine(1), c.mark, c.machine(1), agenttest.Now.Add(-time.Hour).Format(time.RFC3339)),
		fmt.Sprintf(`{"type":"calibration","machine":%q,"passed":"%s-nonsense"}`, c.machine(1), c.mark))
}

// day is a day of a machine: a calibration, arcs and splices of its own job and of one that
// both contractors work on.
func (c contractor) day(machine string, n int, passed bool) []string {
	at := agenttest.Now.AddDate(0, 0, n-30).Add(-11 * time.Hour)
	attempts, job := 1, c.mark+"-job"
	if !passed {
		attempts = 4
	}
	if n%2 == 0 {
		job = "J-shared"
	}
	return []string{
		fmt.Sprintf(`{"type":"calibration","machine":%q,"model":"type-2","program":"smf","site":"%s-site-%d","operator":"%[2]s-olaf","cleaver":"%[2]s-cleaver","session":"%[2]s-session-%[3]d","source":"%[2]s-counter","id":"%[2]s-c-%[1]s-%[3]d","time":%q,"passed":%t,"attempts":%d,"meltback_left_um":%[7]d,"meltback_right_um":%[7]d,"meltback_target_um":250,"meltback_tolerance_um":15,"power_setting_pct":1,"power_correction_pct":0.4,"power_limit_pct":12,"arc_count":%d,"temperature_c":%d,"humidity_pct":50,"altitude_m":%d,"extra":{"note":"%[2]s-extra"}}`,
			machine, c.mark, n, at.Format(time.RFC3339), passed, attempts, 250-map[bool]int{true: 4, false: 60}[passed], 60*n+10, 5+n%9, 100+n),
		fmt.Sprintf(`{"type":"splice","machine":%q,"count":12,"job":%q,"splice":"%s-label-%d","operator":"%[3]s-olaf","id":"%[3]s-s-%[1]s-%[4]d","time":%q}`, machine, job, c.mark, n, at.Add(4*time.Hour).Format(time.RFC3339)),
		fmt.Sprintf(`{"type":"usage","machine":%q,"arc_count":%d,"id":"%s-u-%[1]s-%[4]d","time":%q}`, machine, 60*n+40, c.mark, n, at.Add(5*time.Hour).Format(time.RFC3339)),
	}
}

// soldRecords are those of a machine that Quarzby had, and then Velmora.
func soldRecords() (lines []string) {
	for n := range 20 {
		lines = append(lines, quarzby.day("SOLD-1", n, n != 18)...)
	}
	for n := 20; n < 30; n++ {
		lines = append(lines, velmora.day("SOLD-1", n, true)...)
	}
	for n, c := range map[int]contractor{1: quarzby, 20: velmora} {
		lines = append(lines, fmt.Sprintf(`{"type":"setup","scope":"machine","machine":"SOLD-1","customer":%q,"depot":"%s-depot","id":"sold-%[2]s","time":%q}`, c.customer(), c.mark, agenttest.Now.AddDate(0, 0, n-30).Add(-12*time.Hour).Format(time.RFC3339)))
	}
	return lines
}

// hub is an agent that serves both, or several processes with one database, with the
// secrets of its accounts. Questions go to the one that is the Server.
type hub struct {
	*server.Server
	processes []*server.Server
	secrets   map[string]string
	asked     map[string]bool
}

// serveBoth starts as many processes, on the store of an engine; one on a file with a nil one.
func serveBoth(t *testing.T, engine reach.Engine, processes int) hub {
	t.Helper()
	db := agenttest.DB(t)
	variant := cli.Variant{Engine: engine}
	lines := append(append(quarzby.records(), velmora.records()...), soldRecords()...)
	lines = append(lines, `{"type":"usage","machine":"ORPHAN-1","arc_count":5,"id":"orphan-1","time":"2026-03-01T08:00:00Z"}`)
	r := agenttest.Run(t, cli.Env{Stdin: strings.NewReader(strings.Join(lines, "\n")), Variant: variant}, "import", "--db", db, "-")
	require.Equal(t, 3, r.Code, "one line of each is refused: %s", r.Err)
	h := hub{secrets: map[string]string{}, asked: map[string]bool{}}
	add := func(name string, args ...string) {
		made := agenttest.Run(t, cli.Env{Variant: variant}, append([]string{args[0], "add", name, "--db", db}, args[1:]...)...)
		require.Zero(t, made.Code, made.Err)
		h.secrets[name] = strings.TrimSpace(made.Out)
	}
	add("boss", "person", "--role", "manager")
	add("orphan-van", "device", "--machines", "ORPHAN-*")
	for _, c := range []contractor{quarzby, velmora} {
		for _, role := range auth.Roles() {
			add(c.mark+"-"+string(role), "person", "--role", string(role), "--customer", c.customer())
		}
		add(c.mark+"-device", "device", "--machines", "*", "--forwards", "--customer", c.customer())
	}
	for n := range processes {
		path := db
		if n > 0 {
			path = fmt.Sprint(db, n)
		}
		s, _, _ := agenttest.StartOn(t, path, engine, func() time.Time { return agenttest.Now }, nil)
		h.processes = append(h.processes, s)
	}
	for _, s := range h.processes {
		h.Server = s
		agenttest.Soon(t, "alerts and look-backs are there", func() bool {
			_, known := h.Fleet().OpenLookBacks()
			return known && len(h.Alerts().Open()) > 0
		})
	}
	for _, one := range h.Alerts().Open() {
		if c := quarzby; one.Rule.OfMachine() {
			if strings.HasPrefix(one.Subject, "VELMORA") {
				c = velmora
			}
			require.NoError(t, h.Alerts().Acknowledge(one.Subject, one.Rule, c.mark+"-boss"))
		}
	}
	return h
}

// ask is a request of a row. Foreign names a machine or an account that is not the asker's,
// which an answer may repeat.
type ask struct {
	path, body, foreign string
	form                bool
	// shows: the answer has the asker's own mark, or the test would not see a leak.
	shows bool
	// slow: only the manager asks, once.
	slow bool
}

// said is an answer, with the contents of archives.
type said struct {
	status int
	text   string
}

func (h hub) ask(t *testing.T, method, account string, a ask, headers map[string]string) said {
	t.Helper()
	req, err := http.NewRequest(method, h.URL()+a.path, strings.NewReader(a.body))
	require.NoError(t, err)
	if a.form {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	req.Header.Set("Accept", "text/html")
	for name, value := range headers {
		req.Header.Set(name, value)
	}
	req.SetBasicAuth(account, h.secrets[account])
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	require.NoError(t, err)
	raw, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	var all bytes.Buffer
	resp.Header.Del("Date")
	require.NoError(t, resp.Header.Write(&all))
	all.Write(raw)
	if archive, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw))); err == nil {
		for _, file := range archive.File {
			f, err := file.Open()
			require.NoError(t, err)
			_, err = io.Copy(&all, f)
			require.NoError(t, err)
		}
	}
	return said{resp.StatusCode, all.String()}
}

// rows are what is asked of every route: about the asker's own machines, the other's and
// one that does not exist. The last two must get the same answer.
func rows(own, other contractor) map[string][]ask {
	machines := []string{own.machine(1), other.machine(1), "NOBODY-1"}
	foreign := []string{"", other.machine(1), "NOBODY-1"}
	of := func(shows bool, format string) (out []ask) {
		for i, m := range machines {
			out = append(out, ask{path: fmt.Sprintf(format, m), foreign: foreign[i], shows: shows && i == 0})
		}
		return out
	}
	form := func(path string, values func(c contractor, machine string) url.Values) (out []ask) {
		for i, c := range []contractor{own, other, {mark: "nobody"}} {
			out = append(out, ask{path: path, body: values(c, c.machine(1)).Encode(), foreign: foreign[i], form: true})
		}
		return out
	}
	post := func(path string, line func(c contractor, machine string) string) (out []ask) {
		for i, c := range []contractor{own, other, {mark: "nobody"}} {
			out = append(out, ask{path: path, body: line(c, c.machine(1)), foreign: foreign[i]})
		}
		return out
	}
	sold := "" // the name of a machine that works for another customer now
	if own.mark == quarzby.mark {
		sold = "SOLD-1"
	}
	page := func(path string, shows bool) []ask { return []ask{{path: path, shows: shows}} }
	var proofs []ask
	for i, job := range []string{own.mark + "-job", other.mark + "-job", "nobody-job"} {
		proofs = append(proofs, ask{path: "/api/v1/proof?job=" + job, shows: i == 0, slow: true})
		if i > 0 {
			proofs[i].foreign = job
		}
	}
	air := "&temperature_c=-8&humidity_pct=60&altitude_m=900"
	day := agenttest.Now.AddDate(0, 0, -1).Format(time.DateOnly)
	all := map[string][]ask{
		"GET /{$}":           append(append(page("/", true), page("/?q=1&page=2", false)...), of(false, "/?q=%s")...),
		"GET /machines/{id}": append(append(of(true, "/machines/%s"), of(true, "/machines/%s?as_of=2026-02-20T12:00:00Z")...), ask{path: "/machines/SOLD-1", foreign: sold}, ask{path: "/machines/" + own.look, shows: true}),
		"GET /moved":         append(of(true, "/moved?machine=%s"), of(false, "/moved?machine=%s"+air)...),
		"GET /log":           append(of(true, "/log?machine=%s"), page("/log?choose=1", true)...),
		"POST /log": form("/log", func(_ contractor, m string) url.Values {
			return url.Values{"machine": {m}, "passed": {"true"}, "id": {"form-new"}}
		}),
		"GET /service": append(of(false, "/service?machine=%s"), page("/service", true)...),
		"POST /service": form("/service", func(c contractor, m string) url.Values {
			return url.Values{"machine": {m}, "action": {"cleaned"}, "operator": {own.mark}}
		}),
		"GET /correct": {{path: "/correct?machine=" + own.machine(1) + "&corrects=" + own.mark + "-c-" + own.machine(1) + "-27", shows: true}, {path: "/correct?machine=" + other.machine(1) + "&corrects=" + other.mark + "-c-" + other.machine(1) + "-27", foreign: other.machine(1)}, {path: "/correct?machine=NOBODY-1&corrects=x", foreign: "NOBODY-1"}},
		"POST /correct": form("/correct", func(c contractor, m string) url.Values {
			return url.Values{"machine": {m}, "corrects": {c.mark + "-c-" + m + "-27"}, "reason": {"other"}, "fields.cleaver": {"c"}}
		}),
		"POST /answer": form("/answer", func(_ contractor, m string) url.Values {
			return url.Values{"machine": {m}, "kind": {"name"}, "reply": {"0"}}
		}),
		"GET /morning":     page("/morning", true),
		"GET /morning.txt": page("/morning.txt", true),
		"GET /rules":       append(page("/rules", true), page("/rules?by=model", false)...),
		"GET /refused":     page("/refused", true),
		"GET /alerts":      page("/alerts", true),
		"POST /alerts": append(form("/alerts", func(_ contractor, m string) url.Values {
			return url.Values{"do": {"acknowledge"}, "subject": {strings.Replace(m, "-1", "-2", 1)}, "rule": {"stop"}, "by": {own.mark}}
		}), form("/alerts", func(_ contractor, m string) url.Values {
			return url.Values{"do": {"silence"}, "subject": {m}, "rule": {"stop"}, "by": {own.mark}, "reason": {"r"}, "hours": {"2"}}
		})...),
		"GET /spares":    page("/spares", true),
		"GET /proof":     append(page("/proof", true), ask{path: "/proof?job=J-shared", shows: true, slow: true}),
		"GET /phone":     page("/phone", false),
		"GET /accounts":  page("/accounts", true),
		"POST /accounts": accountForms(own, other),
		"GET /look-back": append(append(page("/look-back", true), page("/look-back?job=J-shared", true)...), of(false, "/look-back?machine=%s&from=2026-02-20&to=2026-03-02")...),
		"POST /look-back": form("/look-back", func(c contractor, m string) url.Values {
			return url.Values{"entry": {url.Values{"machine": {m}, "day": {day}, "job": {own.mark + "-job"}, "chance_out": {"0.5"}}.Encode()}, "verdict": {"redo"}, "operator": {own.mark}}
		}),
		"GET /api/v1/look-back":             append(append(page("/api/v1/look-back", true), page("/api/v1/look-back?job=J-shared", true)...), of(false, "/api/v1/look-back?machine=%s&from=2026-02-20&to=2026-03-02")...),
		"GET /api/v1/machines":              append(page("/api/v1/machines", true), append(page("/api/v1/machines?as_of=2026-02-20T12:00:00Z", true), ask{path: "/api/v1/machines?known_at=2026-03-02T18:00:00Z", shows: true, slow: true})...),
		"GET /api/v1/machines/{id}":         append(append(of(true, "/api/v1/machines/%s"), of(true, "/api/v1/machines/%s?as_of=2026-02-20T12:00:00Z")...), ask{path: "/api/v1/machines/SOLD-1", foreign: sold}),
		"GET /api/v1/machines/{id}/records": append(of(true, "/api/v1/machines/%s/records"), ask{path: "/api/v1/machines/SOLD-1/records", foreign: sold}),
		"GET /api/v1/site-check":            of(true, "/api/v1/site-check?machine=%s"+air),
		"GET /api/v1/offline":               append(of(true, "/api/v1/offline?machine=%s"), ask{path: "/api/v1/offline?machine=SOLD-1", foreign: sold}),
		"GET /api/v1/alerts":                page("/api/v1/alerts", true),
		"GET /api/v1/rules":                 page("/api/v1/rules?by=site", true),
		"GET /api/v1/spares":                page("/api/v1/spares", true),
		"GET /api/v1/plan":                  page("/api/v1/plan", true),
		"GET /api/v1/records":               append(page("/api/v1/records", true), page("/api/v1/records?format=csv", true)...),
		"GET /api/v1/backup":                page("/api/v1/backup", false),
		"GET /api/v1/proof":                 append(proofs, of(false, "/api/v1/proof?machine=%s&from=2026-02-20&to=2026-02-21")[1:]...),
		"GET /compare":                      append(page("/compare", true), page("/compare?by=site", false)...),
		"GET /api/v1/compare":               page("/api/v1/compare", false),
		"GET /machines":                     append(append(page("/machines", true), page("/machines?view=table", true)...), of(false, "/machines?q=%s")...),
		"GET /machines.csv":                 page("/machines.csv", true),
		"GET /machines/{id}/power.csv":      of(false, "/machines/%s/power.csv"),
		"GET /overview.csv":                 append(page("/overview.csv", false), page("/overview.csv?by=site", false)...),
		"GET /wall":                         page("/wall", true),
		"GET /plan":                         page("/plan", true),
		"POST /plan": form("/plan", func(_ contractor, m string) url.Values {
			return url.Values{"machine": {m}, "id": {"plan-1"}, "day": {"2026-03-05"}, "operator": {own.mark}, "by": {own.mark}, "reason": {"r"}}
		}),
		"GET /settings":  page("/settings", false),
		"POST /settings": page("/settings", false),
		"GET /start":     page("/start", true),
		"POST /start": form("/start", func(_ contractor, m string) url.Values {
			return url.Values{"machine": {m}, "passed": {"true"}, "passed." + m: {"true"}, "id": {"start-1"}, "operator": {own.mark}}
		}),
		"GET /import":  page("/import", false),
		"POST /import": page("/import", false),
		"GET /metrics": page("/metrics", false),
		"POST /api/v1/records": append(post("/api/v1/records", func(_ contractor, m string) string {
			return fmt.Sprintf(`{"type":"usage","machine":%q,"arc_count":9000,"id":"same","time":"2026-03-02T17:00:00Z"}`, m)
		}),
			append(post("/api/v1/records?via=import", func(c contractor, m string) string {
				return fmt.Sprintf("%s\n%s\n", fmt.Sprintf(agenttest.Good, "x"), fmt.Sprintf(`{"type":"calibration","machine":%q,"passed":3}`, m))
			}),
				post("/api/v1/records?via=forward", func(_ contractor, m string) string {
					return fmt.Sprintf(`{"type":"setup","scope":"machine","machine":%q,"renamed_to":"X-1"}`, m)
				})...)...),
		"POST /api/v1/refused": post("/api/v1/refused", func(_ contractor, m string) string {
			return fmt.Sprintf(`{"type":"refused","machine":%q,"via":"http","reason":"r","raw":"e30=","time":"2026-03-02T17:00:00Z"}`, m)
		}),
		"POST /api/v1/people":        {{path: "/api/v1/people", body: `{"pseudonym":"person-0123456789abcdef","name":"` + other.mark + `-olaf"}`}},
		"POST /api/v1/people/forget": {{path: "/api/v1/people/forget", body: `{"name":"` + other.mark + `-olaf"}`, foreign: other.mark + "-olaf"}, {path: "/api/v1/people/forget", body: `{"name":"nobody-olaf"}`, foreign: "nobody-olaf"}},
		"GET /help":                  page("/help", false),
		"GET /help/{topic}":          page("/help/alerts", false),
		"GET /api/v1/openapi.json":   page("/api/v1/openapi.json", false),
		"GET /static/":               page("/static/sw.js", false),
		"GET /healthz":               page("/healthz", false),
		"GET /readyz":                page("/readyz", false),
		"GET /sign-in":               page("/sign-in", false),
		"POST /sign-in":              {{path: "/sign-in", body: "name=x&secret=y", form: true}},
		"POST /sign-out":             page("/sign-out", false),
		"GET /invite/{token}":        page("/invite/x", false),
		"POST /invite/{token}":       page("/invite/x", false),
	}
	return all
}

// accountForms ask for accounts of the other and for some that do not exist.
func accountForms(own, other contractor) (out []ask) {
	for _, do := range []string{"rotate", "remove"} {
		for _, name := range []string{other.mark + "-crew", "nobody-crew"} {
			out = append(out, ask{path: "/accounts", body: url.Values{"do": {do}, "name": {name}}.Encode(), foreign: name, form: true})
		}
	}
	return append(out, ask{path: "/accounts", body: url.Values{"do": {"invite"}, "name": {own.mark + "-guest"}, "role": {"reader"}}.Encode(), form: true, shows: true})
}

// random are the ids of forms, which differ from one answer to the next.
var random = regexp.MustCompile(`[A-Z2-7]{26}|Content-Length: \d+`)

// Every route, asked by every role of each of two contractors of one hub: no byte of the
// other's is in any answer, and a machine of the other's is answered as one that does not
// exist. What is written meanwhile changes nothing at the other's.
func TestTwoContractorsOfOneHubNeverSeeEachOther(t *testing.T) {
	neverSeeEachOther(t, serveBoth(t, nil, 1))
}

func neverSeeEachOther(t *testing.T, h hub) {
	t.Helper()
	h.keepsCachedPagesApart(t)
	before := map[string]string{}
	for _, c := range []contractor{quarzby, velmora} {
		before[c.mark] = h.kept(t, c)
	}
	tries := 0
	for _, sides := range [][2]contractor{{quarzby, velmora}, {velmora, quarzby}} {
		own, other := sides[0], sides[1]
		all := rows(own, other)
		for pattern := range h.Rights() {
			assert.Contains(t, all, pattern, "add a row for this route: what it shows to an account that is limited to a customer")
		}
		walk := func(gets bool, roles ...auth.Role) {
			for pattern, asks := range all {
				if gets != strings.HasPrefix(pattern, "GET") {
					continue
				}
				for _, role := range roles {
					tries += h.askAll(t, own, other, pattern, role, asks)
				}
			}
		}
		for _, h.Server = range h.processes {
			clear(h.asked)
			walk(true, append(auth.Roles(), auth.Device)...)
			walk(false, append(auth.Roles(), auth.Device)...)
			walk(true, auth.Manager) // once more, after everything was posted
		}
		now := h.kept(t, other)
		assert.Equal(t, before[other.mark], now, "%s changed what is %s's", own.mark, other.mark)
		before[own.mark] = h.kept(t, own)
	}
	assert.Greater(t, tries, 1000)
}

// askAll asks a row as one account and checks the answers.
func (h hub) askAll(t *testing.T, own, other contractor, pattern string, role auth.Role, asks []ask) (tries int) {
	t.Helper()
	method, _, _ := strings.Cut(pattern, " ")
	account := own.mark + "-" + string(role)
	right := h.Rights()[pattern]
	var foreign []ask
	var answers []said
	for i, a := range asks {
		if a.slow && (role != auth.Manager || h.asked[account+a.path]) {
			continue
		}
		h.asked[account+a.path] = true
		if i > 0 && method == "GET" && role != auth.Reader && role != auth.Manager {
			break // what an account sees depends on its limit alone: one look tells whether it does
		}
		got := h.ask(t, method, account, a, nil)
		if a.shows { // what takes long follows
			agenttest.Soon(t, a.path, func() bool {
				if strings.Contains(got.text, `W/"partial"`) {
					got = h.ask(t, method, account, a, nil)
				}
				return !strings.Contains(got.text, `W/"partial"`)
			})
		}
		tries++
		text := random.ReplaceAllString(got.text, "")
		if a.foreign == "SOLD-1" {
			text = strings.ReplaceAll(text, a.foreign, "ASKED")
			assert.Contains(t, []int{http.StatusNotFound, http.StatusForbidden, http.StatusOK}, got.status, a.path)
		} else if a.foreign != "" {
			text = a.masked(text)
			foreign, answers = append(foreign, a), append(answers, said{got.status, text})
		}
		for _, mark := range other.marks {
			at := strings.Index(strings.ToLower(text), mark)
			if !assert.Less(t, at, 0, "%s shows %s to %s at %s", pattern, mark, account, a.path) {
				t.Log(text[max(0, at-150):min(len(text), at+150)])
			}
		}
		if a.shows && role.May(right) && role != auth.Device && right != "" {
			assert.Contains(t, strings.ToLower(text), own.mark, "%s shows nothing to %s at %s: %d", pattern, account, a.path, got.status)
		}
	}
	for i := 0; i+1 < len(foreign); i += 2 {
		// What an answer says of the account's own machines may change between the two.
		for again := 0; answers[i] != answers[i+1] && again < 20; again++ {
			time.Sleep(100 * time.Millisecond)
			for n := i; n < i+2; n++ {
				got := h.ask(t, method, account, foreign[n], nil)
				answers[n] = said{got.status, foreign[n].masked(random.ReplaceAllString(got.text, ""))}
			}
		}
		assert.Equal(t, answers[i+1], answers[i], "%s tells %s what exists", pattern, account)
	}
	return tries
}

// masked is an answer without the names that were asked for.
func (a ask) masked(text string) string {
	for _, name := range []string{a.foreign, strings.Replace(a.foreign, "-1", "-2", 1), strings.ToLower(strings.TrimSuffix(a.foreign, "-1")) + "-c-" + a.foreign + "-27"} {
		text = strings.ReplaceAll(text, name, "ASKED")
	}
	return text
}

// kept is all that the hub has of a contractor's machines and accounts.
func (h hub) kept(t *testing.T, c contractor) string {
	t.Helper()
	var all []string
	for _, machine := range []string{c.machine(1), c.machine(2), c.look} {
		entries, err := h.AnyStore().History(machine)
		require.NoError(t, err)
		for i := range entries {
			all = append(all, entries[i].ID)
		}
	}
	refused, err := h.AnyStore().Refusals("", 0)
	require.NoError(t, err)
	for _, r := range refused {
		if strings.HasPrefix(r.Machine, strings.ToUpper(c.mark)) {
			all = append(all, string(r.Raw))
		}
	}
	for _, one := range h.Alerts().Open() {
		if strings.HasPrefix(one.Subject, strings.ToUpper(c.mark)) {
			raw, err := json.Marshal(one.Case)
			require.NoError(t, err)
			all = append(all, string(raw))
		}
	}
	return strings.Join(all, "\n")
}
