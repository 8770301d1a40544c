// Package dashboards carries what people look at: the templates, the style and
// the small scripts of the agent's own pages, built into the binary so that they
// work where there is no internet.
package dashboards

import (
	"embed"
	"io/fs"
)

//go:embed web
var files embed.FS

// Pages holds the HTML templates.
func Pages() fs.FS { return under("web/pages") }

// Static holds what a browser fetches: style, scripts, icon.
func Static() fs.FS { return under("web/static") }

func under(dir string) fs.FS {
	sub, err := fs.Sub(files, dir)
	if err != nil {
		panic("dashboards: " + err.Error()) // only for a malformed literal above
	}
	return sub
}
