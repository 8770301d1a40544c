package web

import (
	"cmp"
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestWhoUnpacks(t *testing.T) {
	for accepts, want := range map[string]bool{
		"gzip": true, "deflate, gzip;q=0.5, br": true, "GZIP": true, "br,gzip": true, "gzip; q=1": true,
		"": false, "br": false, "gzip;q=0": false, "gzip;q=0.0, br": false, "x-gzip-like": false, "gzip;q=often": false,
	} {
		assert.Equal(t, want, unpacks(accepts), accepts)
	}
}

// A compressed answer unpacks to the original; what must not be compressed is not.
func TestSmall(t *testing.T) {
	long := strings.Repeat("K-07 fit. ", 500)
	for name, c := range map[string]struct {
		method, asks, kind, text string
		status                   int
		encoded                  string
		packed                   bool
	}{
		"a page":            {kind: "text/html; charset=utf-8", text: long, packed: true},
		"a page not found":  {kind: "text/html", text: long, status: http.StatusNotFound, packed: true},
		"an answer":         {kind: "application/json", text: long, packed: true},
		"records":           {kind: jsonLines, text: long, packed: true},
		"a receipt":         {kind: "application/json", text: `{"id":"a"}`, status: http.StatusCreated},
		"a picture":         {kind: "image/png", text: long},
		"a backup":          {kind: "application/octet-stream", text: long},
		"packed before":     {kind: "text/plain", text: long, encoded: "zstd"},
		"a part":            {kind: "text/css", asks: "bytes=10-", text: long, status: http.StatusPartialContent},
		"only its head":     {kind: "text/css", method: http.MethodHead, status: http.StatusOK},
		"nothing":           {status: http.StatusNoContent},
		"nothing, unsaid":   {},
		"not changed since": {status: http.StatusNotModified},
	} {
		r := httptest.NewRequest(cmp.Or(c.method, http.MethodGet), "/", nil)
		r.Header.Set("Accept-Encoding", "br, gzip")
		if c.asks != "" {
			r.Header.Set("Range", c.asks)
		}
		w := httptest.NewRecorder()
		small(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			if c.kind != "" {
				w.Header().Set("Content-Type", c.kind)
			}
			if c.encoded != "" {
				w.Header().Set("Content-Encoding", c.encoded)
			}
			if c.status != 0 {
				w.WriteHeader(c.status)
			}
			if c.text != "" {
				n, err := io.WriteString(w, c.text)
				assert.NoError(t, err, name)
				assert.Equal(t, len(c.text), n, name)
			}
		})).ServeHTTP(w, r)
		assert.Equal(t, cmp.Or(c.status, http.StatusOK), w.Code, name)
		assert.Equal(t, []string{"Accept-Encoding"}, w.Header().Values("Vary"), name)
		if !c.packed {
			assert.Equal(t, c.encoded, w.Header().Get("Content-Encoding"), name)
			assert.Equal(t, c.text, w.Body.String(), name)
			continue
		}
		require.Equal(t, "gzip", w.Header().Get("Content-Encoding"), name)
		assert.Less(t, w.Body.Len(), len(c.text)/10, name)
		unpack, err := gzip.NewReader(w.Body)
		require.NoError(t, err, name)
		text, err := io.ReadAll(unpack)
		require.NoError(t, err, name)
		assert.Equal(t, c.text, string(text), name)
	}
}

// An answer that breaks off does not look whole.
func TestHalfAnAnswerIsNotPackedWhole(t *testing.T) {
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	r.Header.Set("Accept-Encoding", "gzip")
	w := httptest.NewRecorder()
	assert.Panics(t, func() {
		small(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "text/plain")
			_, _ = io.WriteString(w, strings.Repeat("half ", 1000))
			panic(http.ErrAbortHandler)
		})).ServeHTTP(w, r)
	})
	unpack, err := gzip.NewReader(w.Body)
	if err == nil {
		_, err = io.ReadAll(unpack)
	}
	assert.ErrorIs(t, err, io.ErrUnexpectedEOF)
}
