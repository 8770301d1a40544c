package web

import (
	"flag"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var drawInto = flag.String("draw", "", "draw every page, on a phone and a desktop, light and dark, into this `DIR`")

// pagesOf is browserPages, and a page of every other route of the program that answers
// with one: a new page cannot be forgotten.
func pagesOf(t *testing.T, s *Server) []string {
	t.Helper()
	mux := s.routes()
	seen := map[string]bool{}
	for _, path := range browserPages {
		_, pattern := mux.Handler(httptest.NewRequest(http.MethodGet, path, nil))
		seen[pattern] = true
	}
	pages := slices.Clone(browserPages)
	handler := s.Handler()
	for pattern := range s.Rights() {
		path, reads := strings.CutPrefix(pattern, "GET ")
		if !reads || seen[pattern] || strings.HasPrefix(path, "/api/") || strings.HasPrefix(path, "/static/") {
			continue
		}
		path = strings.NewReplacer("{$}", "", "{id}", "K-07", "{token}", "x", "{topic}", "index", "{file...}", "").Replace(path)
		r := httptest.NewRequest(http.MethodGet, path, nil)
		r.Host, r.RemoteAddr = "localhost", "127.0.0.1:1"
		w := httptest.NewRecorder()
		handler.ServeHTTP(w, r)
		if strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
			pages = append(pages, path)
		}
	}
	slices.Sort(pages[len(browserPages):])
	return pages
}

func TestEveryRouteWithAPageIsDrawn(t *testing.T) {
	pages := pagesOf(t, openServer(t, yard()))
	for _, path := range []string{"/wall", "/machines/K-07", "/compare", "/alerts", "/proof", "/accounts", signIn} {
		assert.Contains(t, pages, path)
	}
	assert.NotContains(t, pages, "/morning.txt", "is no page")
}

// draw keeps a picture of the whole page, if asked to: of a phone 390 px wide in place of
// the narrowest one.
func (b *tab) draw(path, scheme string, width int64) {
	b.t.Helper()
	if *drawInto == "" {
		return
	}
	device := "desktop"
	if width < 640 {
		device = "phone"
		b.do(chromedp.EmulateViewport(390, 844))
		b.show(path)
	}
	picture, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	require.NoError(b.t, err)
	path = regexp.MustCompile(`table=\w+`).ReplaceAllString(path, "table") // a token differs each time
	name := strings.Trim(regexp.MustCompile(`[^A-Za-z0-9]+`).ReplaceAllString(path, "-"), "-")
	if name == "" {
		name = "fleet"
	}
	require.NoError(b.t, os.MkdirAll(*drawInto, 0o755))
	require.NoError(b.t, os.WriteFile(filepath.Join(*drawInto, name+"-"+device+"-"+scheme+".png"), picture, 0o644))
}
