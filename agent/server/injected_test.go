package server_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/server"
	"arcdrift/drift"
)

// marks are what somebody may put into a text who wants it to run in another's browser:
// each ends what it stands in, and begins an element or an attribute of its own.
var marks = []string{
	`"><img src=x onerror=run(1)>`, `'><svg onload=run(2)>`, `</script><script>run(3)</script>`,
	`" onmouseover="run(4)`, `javascript:run(5)`, `{{run 6}}<run7>`,
}

// foreign are the elements and attributes of a page that are not the agent's own.
func foreign(n *html.Node) (out []string) {
	if n.Type == html.ElementNode {
		for _, a := range n.Attr {
			if strings.HasPrefix(a.Key, "on") || strings.HasPrefix(strings.TrimSpace(strings.ToLower(a.Val)), "javascript:") && (a.Key == "href" || a.Key == "src" || a.Key == "action" || a.Key == "formaction") {
				out = append(out, n.Data+" "+a.Key)
			}
			if a.Key == "src" && !strings.HasPrefix(a.Val, "/static/") {
				out = append(out, n.Data+" src "+a.Val)
			}
		}
		if n.Data == "script" && n.FirstChild != nil || n.Data == "run7" || n.Data == "iframe" {
			out = append(out, n.Data)
		}
	}
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		out = append(out, foreign(c)...)
	}
	return out
}

// The control of that: it sees each of the marks where it stands bare.
func TestForeignIsFound(t *testing.T) {
	for _, page := range []string{`<a title="` + marks[0] + `">`, `<a title='` + marks[1] + `'>`, `<p>` + marks[2], `<a title="` + marks[3] + `">`, `<a href="` + marks[4] + `">x</a>`, marks[5]} {
		n, err := html.Parse(strings.NewReader(page))
		require.NoError(t, err)
		assert.NotEmpty(t, foreign(n), page)
	}
}

// Whatever stands in any text of any record, in what is refused, in a link or in an
// answer to an alert: no page holds an element or attribute that is not the agent's.
func TestTextsStayTexts(t *testing.T) {
	s, _, _ := agenttest.Start(t, agenttest.DB(t), func(*server.Config) {})
	pages := []string{"/", "/morning", "/alerts", "/refused", "/spares", "/log", "/service", "/correct", "/phone", "/machines/K-07", "/moved?machine=K-07&temperature_c=4&humidity_pct=80&altitude_m=0", "/log?machine=K-07", "/service?machine=K-07"}
	now := agenttest.Now.Add(-time.Hour)
	var lines strings.Builder
	for i, mark := range marks {
		for _, kind := range drift.Types() {
			r := map[string]any{"type": kind, "machine": "K-07", "id": fmt.Sprintf("%s%d%s", mark, i, kind)[:min(64, len(mark)+2)], "time": now.Add(time.Duration(i) * time.Minute).Format(time.RFC3339)}
			for _, f := range drift.AllFields() {
				if _, given := r[f.Name]; !given && f.Kind == drift.Text && len(f.Words) == 0 && (f.In == nil || slices.Contains(f.In, kind)) {
					r[f.Name] = mark
				}
			}
			switch kind {
			case drift.TypeCalibration:
				r["passed"], r["attempts"] = i%2 == 0, 4
			case drift.TypeService:
				r["action"] = "cleaned"
			case drift.TypeUsage:
				r["arc_count"] = 10 * i
			case drift.TypeSplice:
				r["count"] = 1
			case drift.TypeSetup:
				r["scope"], r["name"], r["spare_pairs"] = "machine", "K-07", 1
			case drift.TypeCorrection:
				r["fields"] = map[string]any{"site": mark}
			}
			r["extra"] = map[string]any{mark: mark}
			b, err := json.Marshal(r)
			require.NoError(t, err)
			lines.Write(append(b, '\n'))
		}
		lines.WriteString(`{"type":"usage","machine":"K-07","` + strings.ReplaceAll(mark, `"`, `\"`) + `":1}` + "\n" + mark + "\n")
		q := url.QueryEscape(mark)
		pages = append(pages, "/machines/"+url.PathEscape(mark), "/machines?q="+q+"&model="+q+"&site="+q+"&state="+q+"&days="+q, "/log?machine="+q+"&error="+q,
			"/moved?machine="+q+"&temperature_c="+q, "/correct?id="+q, "/service?machine="+q, "/alerts?done="+q, "/nowhere/"+q)
	}
	status, body := agenttest.Post(t, s, lines.String())
	require.Equal(t, http.StatusCreated, status, body)
	taken := strings.Count(body, `"seq"`)
	assert.Greater(t, taken, 4*len(marks), "most are taken: %s", body)
	decidedOn(t, s, "K-07", 1)
	for _, page := range pages {
		_, text := agenttest.Got(t, s.URL()+page)
		n, err := html.Parse(strings.NewReader(text))
		require.NoError(t, err)
		assert.Empty(t, foreign(n), page)
	}
	whole := agenttest.Fetch(t, s.URL()+"/machines/K-07") + agenttest.Fetch(t, s.URL()+"/refused") + agenttest.Fetch(t, s.URL()+"/")
	assert.Contains(t, whole, "run(1)", "the texts are on the pages")
}
