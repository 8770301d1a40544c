package web

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers/gorillamux"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/manual"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// apiDocument is the OpenAPI document as the agent serves it.
func apiDocument(t *testing.T) *openapi3.T {
	t.Helper()
	w := get(t, yard(), "/api/v1/openapi.json")
	require.Equal(t, http.StatusOK, w.Code)
	doc, err := openapi3.NewLoader().LoadFromData(w.Body.Bytes())
	require.NoError(t, err)
	require.NoError(t, doc.Validate(t.Context(), openapi3.IsOpenAPI31OrLater()))
	return doc
}

// The document names every route of the API and no other.
func TestEveryRouteIsDescribed(t *testing.T) {
	var routes, described []string
	for pattern := range serverFor(t, yard()).routes().all {
		if strings.Contains(pattern, " /api/") {
			routes = append(routes, pattern)
		}
	}
	for path, item := range apiDocument(t).Paths.Map() {
		for method := range item.Operations() {
			described = append(described, method+" "+path)
		}
	}
	assert.ElementsMatch(t, routes, described)
}

// Real answers, good ones and refusals, are as the document says.
func TestAnswersAreAsDescribed(t *testing.T) {
	doc := apiDocument(t)
	doc.Servers = nil
	router, err := gorillamux.NewRouter(doc)
	require.NoError(t, err)
	real := think(t, yard())
	open := openServer(t, real.fake)
	open.Fleet = real
	machines := real.Board().Machines()
	machine := machines[3].Machine
	real.before = []advise.Assessment{*machines[3].Assessment}
	open.People = forgetful{}
	seen := map[string]bool{}
	for _, c := range []struct {
		method, path, kind, body string
		status                   int
	}{
		{"GET", "/api/v1/machines", "", "", 200},
		{"GET", "/api/v1/machines?as_of=2026-03-02T12:00:00Z", "", "", 200},
		{"GET", "/api/v1/machines?as_of=yesterday", "", "", 400},
		{"GET", "/api/v1/machines/" + machine, "", "", 200},
		{"GET", "/api/v1/machines/" + machine + "?known_at=yesterday", "", "", 400},
		{"GET", "/api/v1/machines/nobody", "", "", 404},
		{"GET", "/api/v1/machines/K-07/records", "", "", 200},
		{"GET", "/api/v1/machines/nobody/records", "", "", 404},
		{"GET", "/api/v1/site-check?machine=" + machine + "&temperature_c=4&humidity_pct=85&altitude_m=2400", "", "", 200},
		{"GET", "/api/v1/site-check?machine=K-07&temperature_c=400", "", "", 400},
		{"GET", "/api/v1/offline?machine=" + machine, "", "", 200},
		{"GET", "/api/v1/offline", "", "", 400},
		{"GET", "/api/v1/alerts", "", "", 200},
		{"GET", "/api/v1/rules?by=model", "", "", 200},
		{"GET", "/api/v1/rules?by=person", "", "", 400},
		{"GET", "/api/v1/compare", "", "", 200},
		{"GET", "/api/v1/spares", "", "", 200},
		{"GET", "/api/v1/plan", "", "", 200},
		{"GET", "/api/v1/look-back", "", "", 200},
		{"GET", "/api/v1/look-back?machine=K-07&from=yesterday", "", "", 400},
		{"GET", "/api/v1/records?format=csv", "", "", 200},
		{"GET", "/api/v1/records?format=xml", "", "", 400},
		{"GET", "/api/v1/backup", "", "", 200},
		{"GET", "/api/v1/proof?job=J-114", "", "", 200},
		{"GET", "/api/v1/proof?job=J-0", "", "", 400},
		{"GET", "/api/v1/openapi.json", "", "", 200},
		{"POST", "/api/v1/records", "application/json", good, 201},
		{"POST", "/api/v1/records", "application/jsonl", good + "\n{}", 201},
		{"POST", "/api/v1/records", "application/json", `{"type":"calibration","machine":"K-07"}`, 400},
		{"POST", "/api/v1/records", "application/jsonl", "", 400},
		{"POST", "/api/v1/records", "application/jsonl", strings.Repeat("x", 2<<20), 413},
		{"POST", "/api/v1/refused", "application/jsonl", "{}", 422},
		{"POST", "/api/v1/people", "application/jsonl", "", 201},
		{"POST", "/api/v1/people/forget", "application/json", `{"name":"Ines Varga"}`, 200},
		{"POST", "/api/v1/people/forget", "application/json", `{"name":"Nobody"}`, 404},
		{"POST", "/api/v1/people/forget", "application/json", `{}`, 400},
	} {
		r := httptest.NewRequest(c.method, c.path, strings.NewReader(c.body))
		r.Host = "localhost"
		if c.kind != "" {
			r.Header.Set("Content-Type", c.kind)
		}
		w := httptest.NewRecorder()
		open.Handler().ServeHTTP(w, r)
		if !assert.Equal(t, c.status, w.Code, "%s %s: %s", c.method, c.path, w.Body) {
			continue
		}
		route, params, err := router.FindRoute(r)
		require.NoError(t, err, "%s %s", c.method, c.path)
		seen[c.method+" "+route.Path] = true
		err = openapi3filter.ValidateResponse(t.Context(), &openapi3filter.ResponseValidationInput{
			RequestValidationInput: &openapi3filter.RequestValidationInput{Request: r, PathParams: params, Route: route},
			Status:                 w.Code, Header: w.Header(), Body: io.NopCloser(bytes.NewReader(w.Body.Bytes())),
			Options: &openapi3filter.Options{IncludeResponseStatus: true, ExcludeResponseBody: w.Header().Get("Content-Type") != "application/json"},
		})
		assert.NoError(t, err, "%s %s: %d %.300s", c.method, c.path, w.Code, w.Body)
		if c.path == "/api/v1/records" && w.Header().Get("Content-Type") == jsonLines {
			for line := range bytes.Lines(w.Body.Bytes()) {
				var receipt any
				require.NoError(t, json.Unmarshal(line, &receipt))
				assert.NoError(t, doc.Components.Schemas["Receipt"].Value.VisitJSON(receipt, openapi3.EnableJSONSchema2020()), "%s", line)
			}
		}
	}
	for path, item := range doc.Paths.Map() {
		for method := range item.Operations() {
			assert.True(t, seen[method+" "+path], "no answer of %s %s was looked at", method, path)
		}
	}
}

// forgetful knows one person.
type forgetful struct{}

func (forgetful) Forget(name string) (string, error) {
	if name != "Ines Varga" {
		return "", &drift.Problem{Field: "name", Value: name, Reason: "is not known here"}
	}
	return "person-abcdefgh234567xy", nil
}

func (forgetful) Learn([]wire.Person) error { return nil }

// A document that says something else is found out: the control of the test above.
func TestAWrongAnswerIsFoundOut(t *testing.T) {
	doc := apiDocument(t)
	schema := doc.Components.Schemas["Assessment"].Value
	err := schema.VisitJSON(map[string]any{"machine": "K-07", "state": "well"}, openapi3.EnableJSONSchema2020())
	assert.Error(t, err)
}

// Every sample of a good record fits the schema of records.
func TestGoodRecordsFitTheSchema(t *testing.T) {
	schema := apiDocument(t).Components.Schemas["Record"].Value
	for _, f := range drift.AllFields() {
		assert.Contains(t, schema.Properties, f.Name)
	}
	assert.NoError(t, schema.VisitJSON(map[string]any{"type": "calibration", "machine": "K-07", "passed": true, "temperature_c": 4.5}, openapi3.EnableJSONSchema2020()))
	assert.Error(t, schema.VisitJSON(map[string]any{"type": "calibration", "temperature_c": 400.0}, openapi3.EnableJSONSchema2020()))
	assert.Error(t, schema.VisitJSON(map[string]any{"type": "calibration", "temprature_c": 4.0}, openapi3.EnableJSONSchema2020()))
}

// The manual is on the pages: each topic, for everybody, with links that lead to one.
func TestHelpPages(t *testing.T) {
	m, err := manual.Open()
	require.NoError(t, err)
	index := get(t, yard(), "/help").Body.String()
	links := regexp.MustCompile(`href="(/[^"#]*)`)
	for _, topic := range m.Topics {
		assert.Contains(t, index, `href="/help/`+topic.Name+`"`)
		w := get(t, yard(), "/help/"+topic.Name)
		require.Equal(t, http.StatusOK, w.Code)
		for _, link := range links.FindAllStringSubmatch(topic.HTML, -1) {
			assert.Equal(t, http.StatusOK, get(t, yard(), link[1]).Code, "%s: %s", topic.Name, link[1])
		}
	}
	w := get(t, yard(), "/help/nothing")
	assert.Equal(t, http.StatusNotFound, w.Code)
	assert.Contains(t, w.Body.String(), "The manual has no topic nothing")
}

// Wherever the manual sends somebody to the electrodes, the cautions are near: on the
// page itself, or one link away.
func TestHelpLeadsToTheCautions(t *testing.T) {
	m, err := manual.Open()
	require.NoError(t, err)
	hands := regexp.MustCompile(`(?i)\b(open the machine|opens the machine|clean(s|ing)? (or replace|the electrodes)|look at the electrodes|fit both electrodes)`)
	for _, topic := range m.Topics {
		if hands.MatchString(topic.Text) && topic.Name != "safety" {
			assert.Contains(t, topic.HTML, `href="/help/safety"`, topic.Name)
		}
	}
	safety, _ := m.Topic("safety")
	for _, caution := range advise.Cautions() {
		assert.Contains(t, strings.Join(strings.Fields(safety.Text), " "), caution)
	}
}

// A phone that has seen one page has the manual without a network.
func TestHelpWithoutANetwork(t *testing.T) {
	h := &hole{Handler: serverFor(t, yard()).Handler()}
	b := openOn(t, h)
	b.show("/log?choose=1")
	b.served()
	h.gone.Store(true)
	b.show("/help/alerts")
	b.until(`document.getElementById("electrode-service") !== null`)
	b.show("/help")
	b.until(`document.querySelectorAll("main li a").length > 10`)
}
