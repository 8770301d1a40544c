package web

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"
)

// assets are the files that pages fetch: style, scripts, icons. Pages ask for them under
// /static/EDITION/, where the edition is a digest of all of them: such an address never
// changes its contents and is kept for good, also by the scripts that import each other
// from it. Addresses without an edition are asked for again each time.
type assets struct {
	files   fs.FS
	edition string
}

func newAssets(files fs.FS) (*assets, error) {
	sum := sha256.New()
	err := fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		raw, err := fs.ReadFile(files, name)
		fmt.Fprintf(sum, "%s %d\n", name, len(raw))
		sum.Write(raw)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("web: static files: %w", err)
	}
	return &assets{files, hex.EncodeToString(sum.Sum(nil)[:8])}, nil
}

// link is where a page finds the file.
func (a *assets) link(name string) string { return "/static/" + a.edition + "/" + name }

// editionMark stands in sw.js in the place of the edition.
const editionMark = "EDITION"

// ServeHTTP implements http.Handler. A page from before an upgrade, which names another
// edition, gets the present file.
func (a *assets) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	edition, name := path.Split(strings.TrimPrefix(r.URL.Path, "/static/"))
	about, err := fs.Stat(a.files, name)
	if name == "" || err != nil || about.IsDir() || strings.Count(edition, "/") > 1 {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	switch {
	case name == "sw.js":
		// It serves all pages, and must not outlive the binary. With another edition it is
		// another script, so that browsers install it again.
		h.Set("Service-Worker-Allowed", "/")
		h.Set("Cache-Control", "no-cache")
		raw, err := fs.ReadFile(a.files, name)
		if err != nil {
			http.NotFound(w, r)
			return
		}
		http.ServeContent(w, r, name, time.Time{}, strings.NewReader(strings.Replace(string(raw), editionMark, a.edition, 1)))
		return
	case edition == a.edition+"/":
		h.Set("Cache-Control", "max-age=31536000, immutable")
	default:
		h.Set("Cache-Control", "no-cache")
		h.Set("ETag", `"`+a.edition+`"`)
	}
	http.ServeFileFS(w, r, a.files, name)
}
