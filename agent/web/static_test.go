package web

import (
	"net/http"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A file under the present edition is kept for good, every other address is asked for
// again, and no address lists files.
func TestFilesOfPages(t *testing.T) {
	page := get(t, yard(), "/").Body.String()
	found := regexp.MustCompile(`href="(/static/([0-9a-f]{16})/style\.css)"`).FindStringSubmatch(page)
	require.NotNil(t, found, page[:800])
	w := get(t, yard(), found[1])
	assert.Equal(t, http.StatusOK, w.Code)
	assert.Equal(t, "max-age=31536000, immutable", w.Header().Get("Cache-Control"))
	assert.Contains(t, w.Header().Get("Content-Type"), "text/css")
	for _, path := range []string{"/static/style.css", "/static/0123456789abcdef/style.css", "/static/manifest.json"} {
		w := get(t, yard(), path)
		assert.Equal(t, http.StatusOK, w.Code, path)
		assert.Equal(t, "no-cache", w.Header().Get("Cache-Control"), path)
		again := localRequest("GET", path)
		again.Header.Set("If-None-Match", w.Header().Get("ETag"))
		assert.Equal(t, http.StatusNotModified, ask(t, yard(), again).Code, path)
	}
	for _, path := range []string{"/static/", "/static/" + found[2] + "/", "/static/" + found[2], "/static/none.css", "/static/" + found[2] + "/" + found[2] + "/style.css"} {
		w := get(t, yard(), path)
		assert.Equal(t, http.StatusNotFound, w.Code, path)
		assert.NotContains(t, w.Body.String(), "style.css", path)
	}
	worker := get(t, yard(), "/static/sw.js")
	assert.Equal(t, "no-cache", worker.Header().Get("Cache-Control"))
	assert.Contains(t, worker.Body.String(), `"/static/`+found[2]+`/"`)
	assert.NotContains(t, worker.Body.String(), editionMark)
	for name := range strings.FieldsSeq("keep.js keypad.js live.js offline.js queue.js record.js send.js along.js site-check.js phone.js style.css") {
		assert.Equal(t, http.StatusOK, get(t, yard(), "/static/"+found[2]+"/"+name).Code, name)
		assert.Contains(t, worker.Body.String(), `"`+name+`"`, "a phone takes it along")
	}
}

// Another byte in any file is another edition.
func TestEditionsDiffer(t *testing.T) {
	of := func(files fstest.MapFS) string {
		a, err := newAssets(files)
		require.NoError(t, err)
		return a.edition
	}
	one := of(fstest.MapFS{"a.js": {Data: []byte("1")}, "b.js": {Data: []byte("23")}})
	assert.Equal(t, one, of(fstest.MapFS{"a.js": {Data: []byte("1")}, "b.js": {Data: []byte("23")}}))
	assert.NotEqual(t, one, of(fstest.MapFS{"a.js": {Data: []byte("12")}, "b.js": {Data: []byte("3")}}))
	assert.NotEqual(t, one, of(fstest.MapFS{"a.js": {Data: []byte("1")}, "c.js": {Data: []byte("23")}}))
}
