package document

import (
	"bytes"
	"fmt"
	"html/template"
	"strings"
)

// page is the form of the HTML. It holds everything it needs: it is opened from a disk,
// years later, without a network.
var page = template.Must(template.New("page").Funcs(template.FuncMap{"kind": kind, "svg": func(d Drawing) template.HTML {
	return template.HTML(d.SVG()) // every text in it was escaped
}}).Parse(`<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{.Title}}</title>
<style>
@page { size: A4; margin: 16mm 15mm 18mm }
:root { color-scheme: light }
body { font: 11pt/1.45 system-ui, "Liberation Sans", sans-serif; color: #000; background: #fff; max-width: 190mm; margin: 0 auto; padding: 6mm 4mm }
h1 { font-size: 20pt; line-height: 1.2; margin: 0 0 2mm }
.sub { font-size: 12pt; margin: 0 0 6mm }
h2 { font-size: 14pt; margin: 8mm 0 2mm; break-after: avoid }
p, ul { margin: 0 0 3mm }
li { margin-bottom: 1mm }
.wide { overflow-x: auto; margin: 0 0 4mm }
table { border-collapse: collapse; width: 100%; font-size: 9pt; line-height: 1.35 }
thead { display: table-header-group }
tr { break-inside: avoid }
th, td { text-align: left; vertical-align: top; padding: 1mm 2mm 1mm 0; border-bottom: .2mm solid #999; overflow-wrap: break-word }
thead th { border-bottom: .5mm solid #000 }
tbody th { font-weight: normal; width: 30% }
.right { text-align: right; font-variant-numeric: tabular-nums }
figure { margin: 0 0 4mm; break-inside: avoid }
figure svg { width: 100%; height: auto }
figcaption { font-size: 9pt }
footer { margin-top: 8mm; border-top: .2mm solid #999; padding-top: 2mm; font-size: 9pt }
@media screen and (max-width: 40em) { .wide table { min-width: 40em } .facts table { min-width: 0 } }
@media print { body { padding: 0; max-width: none } .wide { overflow: visible } }
</style>
</head>
<body>
<main>
<h1>{{.Title}}</h1>
<p class="sub">{{.Subtitle}}</p>
{{range .Blocks}}{{$k := kind .}}
{{- if eq $k "heading"}}<h2>{{.Text}}</h2>
{{else if eq $k "paragraph"}}<p>{{if .Strong}}<strong>{{.Text}}</strong>{{else}}{{.Text}}{{end}}</p>
{{else if eq $k "bullets"}}<ul>{{range .Items}}<li>{{.}}</li>{{end}}</ul>
{{else if eq $k "facts"}}<div class="wide facts"><table><tbody>{{range .Rows}}<tr><th scope="row">{{index . 0}}</th><td>{{index . 1}}</td></tr>
{{end}}</tbody></table></div>
{{else if eq $k "table"}}{{if .Rows}}{{$columns := .Columns}}<div class="wide" tabindex="0"><table><thead><tr>{{range .Columns}}<th scope="col"{{if .Right}} class="right"{{end}}>{{.Head}}</th>{{end}}</tr></thead>
<tbody>{{range .Rows}}<tr>{{range $i, $cell := .}}<td{{if (index $columns $i).Right}} class="right"{{end}}>{{$cell}}</td>{{end}}</tr>
{{end}}</tbody></table></div>
{{else}}<p>{{.Empty}}</p>
{{end}}{{else if eq $k "figure"}}<figure>{{svg .Drawing}}<figcaption>{{.Caption}}</figcaption></figure>
{{end}}{{end}}</main>
<footer>{{.Foot}}</footer>
</body>
</html>
`))

func kind(b Block) string {
	switch b.(type) {
	case Heading:
		return "heading"
	case Paragraph:
		return "paragraph"
	case Bullets:
		return "bullets"
	case Facts:
		return "facts"
	case Table:
		return "table"
	}
	return "figure"
}

// HTML is the document as one file.
func (d *Document) HTML() ([]byte, error) {
	var out bytes.Buffer
	if err := page.Execute(&out, d); err != nil {
		return nil, fmt.Errorf("the document could not be written as HTML: %w", err)
	}
	return out.Bytes(), nil
}

// SVG is the drawing as an SVG 1.1 image.
func (d Drawing) SVG() []byte {
	var out bytes.Buffer
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" width="%gmm" height="%gmm" role="img" font-family="sans-serif" stroke-width="0.25">`, d.Width, d.Height, d.Width, d.Height)
	ink := func(pale bool) string {
		if pale {
			return "#bbb"
		}
		return "#000"
	}
	for _, s := range d.Shapes {
		switch s := s.(type) {
		case Line:
			fmt.Fprintf(&out, `<line x1="%.2f" y1="%.2f" x2="%.2f" y2="%.2f" stroke="%s"/>`, s.X1, s.Y1, s.X2, s.Y2, ink(s.Pale))
		case Box:
			fmt.Fprintf(&out, `<rect x="%.2f" y="%.2f" width="%.2f" height="%.2f" fill="%s"/>`, s.X, s.Y, s.W, s.H, ink(s.Pale))
		case Dot:
			fill := "#000"
			if s.Open {
				fill = "#fff"
			}
			fmt.Fprintf(&out, `<circle cx="%.2f" cy="%.2f" r="%.2f" fill="%s" stroke="#000"/>`, s.X, s.Y, s.R, fill)
		case Text:
			anchor := [...]string{"start", "middle", "end"}[s.Anchor]
			fmt.Fprintf(&out, `<text x="%.2f" y="%.2f" font-size="%.2f" text-anchor="%s">%s</text>`, s.X, s.Y, s.Size, anchor, escaped(s.Words))
		}
	}
	out.WriteString("</svg>\n")
	return out.Bytes()
}

func escaped(text string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;").Replace(text)
}
