package manual_test

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/ast"
	"github.com/yuin/goldmark/extension"
	east "github.com/yuin/goldmark/extension/ast"
	"github.com/yuin/goldmark/parser"
	"github.com/yuin/goldmark/text"
)

// columns is how wide the text for a terminal may be.
const columns = 78

// source is one parsed Markdown file.
type source struct {
	raw []byte
	doc ast.Node
}

func parse(raw []byte) source {
	md := goldmark.New(goldmark.WithExtensions(extension.Table), goldmark.WithParserOptions(parser.WithAutoHeadingID()))
	doc := md.Parser().Parse(text.NewReader(raw))
	// Comments are for those who write: marks around generated tables.
	for n := doc.FirstChild(); n != nil; {
		next := n.NextSibling()
		if n.Kind() == ast.KindHTMLBlock {
			doc.RemoveChild(doc, n)
		}
		n = next
	}
	return source{raw, doc}
}

// title is the text of the first heading.
func (s source) title() string {
	h, ok := s.doc.FirstChild().(*ast.Heading)
	if !ok || h.Level != 1 {
		return ""
	}
	return s.plain(h)
}

// links are the destinations of all links and images.
func (s source) links() (out []string) {
	s.walk(func(n ast.Node) {
		switch n := n.(type) {
		case *ast.Link:
			out = append(out, string(n.Destination))
		case *ast.Image:
			out = append(out, string(n.Destination))
		}
	})
	return out
}

// anchors are the ids of all headings.
func (s source) anchors() (out []string) {
	s.walk(func(n ast.Node) {
		if h, ok := n.(*ast.Heading); ok {
			if id, ok := h.AttributeString("id"); ok {
				out = append(out, string(id.([]byte)))
			}
		}
	})
	return out
}

// block is a fenced block with the words behind its fence.
type block struct{ info, text string }

func (s source) blocks() (out []block) {
	s.walk(func(n ast.Node) {
		if b, ok := n.(*ast.FencedCodeBlock); ok {
			info := ""
			if b.Info != nil {
				info = string(b.Info.Segment.Value(s.raw))
			}
			out = append(out, block{info, s.lines(b)})
		}
	})
	return out
}

// spans are the command lines within sentences.
func (s source) spans() (out []block) {
	s.walk(func(n ast.Node) {
		if c, ok := n.(*ast.CodeSpan); ok && strings.HasPrefix(s.plain(c), "arcdrift ") {
			out = append(out, block{"sh", s.plain(c)})
		}
	})
	return out
}

func (s source) walk(visit func(ast.Node)) {
	_ = ast.Walk(s.doc, func(n ast.Node, entering bool) (ast.WalkStatus, error) {
		if entering {
			visit(n)
		}
		return ast.WalkContinue, nil
	})
}

// html is the page without its title; links to other topics lead to /help.
func (s source) html() string {
	s.walk(func(n ast.Node) {
		if l, ok := n.(*ast.Link); ok {
			l.Destination = []byte(pageOf(string(l.Destination)))
		}
	})
	if h, ok := s.doc.FirstChild().(*ast.Heading); ok && h.Level == 1 {
		s.doc.RemoveChild(s.doc, h)
	}
	var out bytes.Buffer
	if err := goldmark.New(goldmark.WithExtensions(extension.Table)).Renderer().Render(&out, s.raw, s.doc); err != nil {
		return err.Error()
	}
	page := strings.NewReplacer("</table>", "</table></div>", "<th>", `<th scope="col">`).Replace(out.String())
	tables := 0
	return regexp.MustCompile("<table>").ReplaceAllStringFunc(page, func(table string) string {
		tables++ // a screen reader tells them apart
		return fmt.Sprintf(`<div class="scroll" tabindex="0" role="region" aria-label="Table %d">%s`, tables, table)
	})
}

// pageOf is where a link of the sources leads on the pages.
func pageOf(link string) string {
	if strings.Contains(link, "://") || strings.HasPrefix(link, "#") || strings.HasPrefix(link, "/") {
		return link
	}
	name, anchor, _ := strings.Cut(link, "#")
	page := "/help/" + strings.TrimSuffix(name, ".md")
	if name == "index.md" {
		page = "/help"
	}
	if anchor != "" {
		page += "#" + anchor
	}
	return page
}

// terminal is the whole topic as plain text.
func (s source) terminal() string {
	var out strings.Builder
	for n := s.doc.FirstChild(); n != nil; n = n.NextSibling() {
		if out.Len() > 0 {
			out.WriteString("\n")
		}
		out.WriteString(s.block(n, ""))
	}
	return out.String()
}

func (s source) block(n ast.Node, indent string) string {
	switch n := n.(type) {
	case *ast.Heading:
		title := s.plain(n)
		if n.Level > 2 {
			return title + "\n"
		}
		line := map[int]string{1: "=", 2: "-"}[n.Level]
		return title + "\n" + strings.Repeat(line, utf8.RuneCountInString(title)) + "\n"
	case *ast.FencedCodeBlock, *ast.CodeBlock:
		var out strings.Builder
		for line := range strings.Lines(s.lines(n)) {
			out.WriteString(strings.TrimRight(indent+"    "+line, " \n") + "\n")
		}
		return out.String()
	case *ast.List:
		return s.list(n, indent)
	case *east.Table:
		return s.table(n, indent)
	case *ast.Blockquote:
		return s.children(n, indent+"  ")
	}
	return wrap(s.plain(n), indent, indent)
}

func (s source) children(n ast.Node, indent string) string {
	var out strings.Builder
	for c := n.FirstChild(); c != nil; c = c.NextSibling() {
		out.WriteString(s.block(c, indent))
	}
	return out.String()
}

func (s source) list(l *ast.List, indent string) string {
	var out strings.Builder
	number := l.Start
	for item := l.FirstChild(); item != nil; item = item.NextSibling() {
		mark := "- "
		if l.IsOrdered() {
			mark = fmt.Sprintf("%d. ", number)
			number++
		}
		inside := indent + strings.Repeat(" ", len(mark))
		text := s.children(item, inside)
		out.WriteString(indent + mark + strings.TrimPrefix(text, inside))
	}
	return out.String()
}

// table lines the cells up where they fit, and else writes a row as a paragraph:
// its first cell, then the others, each behind its heading.
func (s source) table(t *east.Table, indent string) string {
	var rows [][]string
	for r := t.FirstChild(); r != nil; r = r.NextSibling() {
		var cells []string
		for c := r.FirstChild(); c != nil; c = c.NextSibling() {
			cells = append(cells, s.plain(c))
		}
		rows = append(rows, cells)
	}
	widths := make([]int, len(rows[0]))
	for _, row := range rows {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	total := 2 * (len(widths) - 1)
	for _, w := range widths {
		total += w
	}
	var out strings.Builder
	// A last column that is wide may wrap, if enough room is left for it.
	before := total - widths[len(widths)-1]
	if total <= columns || before <= columns/2 {
		rule := make([]string, len(widths))
		for i, w := range widths {
			rule[i] = strings.Repeat("-", w)
			if i == len(widths)-1 {
				rule[i] = strings.Repeat("-", min(w, columns-before))
			}
		}
		for _, row := range slices.Insert(slices.Clone(rows), 1, rule) {
			var line strings.Builder
			for i, cell := range row[:len(row)-1] {
				line.WriteString(cell + strings.Repeat(" ", widths[i]+2-utf8.RuneCountInString(cell)))
			}
			out.WriteString(wrap(row[len(row)-1], indent+line.String(), indent+strings.Repeat(" ", before)))
		}
		return out.String()
	}
	for _, row := range rows[1:] {
		out.WriteString(wrap(row[0], indent, indent))
		for i, cell := range row[1:] {
			switch heading := rows[0][i+1]; {
			case cell == "":
			case heading == "Meaning": // goes without saying
				out.WriteString(wrap(cell, indent+"    ", indent+"    "))
			default:
				out.WriteString(wrap(heading+": "+cell, indent+"    ", indent+"      "))
			}
		}
	}
	return out.String()
}

// plain is the text of a node on one line. A link to another topic says its name,
// a link to elsewhere its address.
func (s source) plain(n ast.Node) string {
	var out strings.Builder
	for c := n.FirstChild(); c != nil; c = c.NextSibling() {
		switch c := c.(type) {
		case *ast.Text:
			out.Write(c.Segment.Value(s.raw))
			if c.SoftLineBreak() || c.HardLineBreak() {
				out.WriteString(" ")
			}
		case *ast.String:
			out.Write(c.Value)
		case *ast.AutoLink:
			out.Write(c.URL(s.raw))
		case *ast.Link:
			out.WriteString(s.plain(c))
			out.WriteString(whither(string(c.Destination)))
		default:
			out.WriteString(s.plain(c))
		}
	}
	return unescape(out.String())
}

// unescape takes away the backslash that Markdown wants before a bar in a table.
func unescape(text string) string {
	return strings.NewReplacer(`\|`, "|", `\<`, "<", `\_`, "_", `\*`, "*").Replace(text)
}

func whither(link string) string {
	name, _, _ := strings.Cut(link, "#")
	switch {
	case strings.HasPrefix(link, "#"):
		return ""
	case strings.Contains(link, "://") || strings.HasPrefix(link, "/"):
		return " (" + link + ")"
	}
	return " (arcdrift help " + strings.TrimSuffix(name, ".md") + ")"
}

func (s source) lines(n ast.Node) string {
	var out strings.Builder
	for i := range n.Lines().Len() {
		line := n.Lines().At(i)
		out.Write(line.Value(s.raw))
	}
	return out.String()
}

// wrap breaks text into lines, the first behind first, the others behind rest.
func wrap(text, first, rest string) string {
	var out strings.Builder
	line, empty := first, true
	for word := range strings.FieldsSeq(text) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > columns {
			out.WriteString(strings.TrimRight(line, " ") + "\n")
			line, empty = rest, true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	out.WriteString(strings.TrimRight(line, " ") + "\n")
	return out.String()
}
