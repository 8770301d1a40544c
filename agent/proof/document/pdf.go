package document

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// The sheet, in millimetres: A4 with its margins.
const (
	margin    = 15.0
	width     = 210 - 2*margin
	bottom    = 20.0
	lastLine  = 297 - bottom
	textSize  = 10.0 // points
	tableSize = 8.0
	line      = 5.0 // height of a line of text
	rowLine   = 3.9 // of a table
	gap       = 2.0 // between cells
)

// sheet writes one document.
type sheet struct {
	*fpdf.Fpdf
	missed bool // a character was not to be had
}

// PDF is the document as PDF 1.3, dated at; the same document makes the same bytes.
func (d *Document) PDF(at time.Time) ([]byte, error) {
	s := &sheet{Fpdf: fpdf.New("P", "mm", "A4", "")}
	s.SetCatalogSort(true)
	s.SetCreationDate(at.UTC())
	s.SetModificationDate(at.UTC())
	s.SetLang("en")
	s.AddUTF8FontFromBytes("go", "", goregular.TTF)
	s.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	s.SetTitle(d.Title, true)
	s.SetMargins(margin, margin, margin)
	s.SetAutoPageBreak(true, bottom)
	s.SetCellMargin(0)
	s.AliasNbPages("{pages}")
	s.SetFooterFunc(func() {
		s.SetY(-14)
		s.font("", tableSize)
		s.CellFormat(width-30, 4, s.shown(d.Foot), "", 0, "L", false, 0, "")
		s.CellFormat(30, 4, fmt.Sprintf("Page %d of {pages}", s.PageNo()), "", 0, "R", false, 0, "")
	})
	s.AddPage()
	s.font("B", 18)
	s.MultiCell(width, 8, s.shown(d.Title), "", "L", false)
	s.font("", 11)
	s.MultiCell(width, 6, s.shown(d.Subtitle), "", "L", false)
	s.Ln(3)
	for i, b := range d.Blocks {
		if _, heads := b.(Heading); heads && i+1 < len(d.Blocks) {
			s.keep(d.Blocks[i+1])
		}
		s.add(b)
	}
	if s.missed {
		s.add(Paragraph{Text: "□ stands for a character that this form of the document cannot show. The HTML form has it."})
	}
	var out bytes.Buffer
	if err := s.Output(&out); err != nil {
		return nil, fmt.Errorf("the document could not be written as PDF: %w", err)
	}
	return out.Bytes(), nil
}

func (s *sheet) font(style string, size float64) { s.SetFont("go", style, size) }

// shown is the text with what the font has no shape for marked.
func (s *sheet) shown(text string) string {
	return strings.Map(func(r rune) rune {
		if drawable(r) {
			return r
		}
		s.missed = true
		return '□'
	}, text)
}

// drawable says whether the font has a shape for a character: Latin with its marks as far
// as Europe writes them, Greek, Cyrillic and the signs that these documents use. A test
// holds it against the font.
func drawable(r rune) bool {
	switch {
	case r == '\n', r >= 0x20 && r <= 0x7e, r >= 0xa0 && r <= 0x17f, r >= 0x388 && r <= 0x3ce && r != 0x38b && r != 0x38d && r != 0x3a2, r >= 0x401 && r <= 0x45f && r != 0x40d && r != 0x450 && r != 0x45d:
		return true
	}
	return strings.ContainsRune("ΆҐґ–—‘’“”•…€№→□−≤≥≈", r)
}

// room begins a new page unless so much is left of this one.
func (s *sheet) room(height float64) {
	if s.GetY()+height > lastLine {
		s.AddPage()
	}
}

// keep keeps a heading with what comes below it: all of a drawing, some of the rest.
func (s *sheet) keep(below Block) {
	const heading = 12
	need := 25.0
	if f, drawn := below.(Figure); drawn {
		need = heading + figureHeight(f)
	}
	s.room(need)
}

func figureHeight(f Figure) float64 { return f.Drawing.Height*width/f.Drawing.Width + 12 }

func (s *sheet) add(b Block) {
	switch b := b.(type) {
	case Heading:
		s.Ln(3)
		s.font("B", 13)
		s.MultiCell(width, 7, s.shown(b.Text), "", "L", false)
		s.Bookmark(s.shown(b.Text), 0, -1)
		s.Ln(1)
	case Paragraph:
		style := ""
		if b.Strong {
			style = "B"
		}
		s.font(style, textSize)
		s.MultiCell(width, line, s.shown(b.Text), "", "L", false)
		s.Ln(1.5)
	case Bullets:
		s.font("", textSize)
		for _, item := range b.Items {
			s.room(line)
			s.CellFormat(5, line, "•", "", 0, "L", false, 0, "")
			s.SetLeftMargin(margin + 5)
			s.MultiCell(width-5, line, s.shown(item), "", "L", false)
			s.SetLeftMargin(margin)
			s.SetX(margin)
		}
		s.Ln(1.5)
	case Facts:
		t := Table{Columns: []Column{{Share: 0.3}, {Share: 0.7}}}
		for _, row := range b.Rows {
			t.Rows = append(t.Rows, row[:])
		}
		s.table(t, false)
	case Table:
		if len(b.Rows) == 0 {
			s.add(Paragraph{Text: b.Empty})
			return
		}
		s.table(b, true)
	case Figure:
		s.figure(b)
	}
}

// table writes the rows, the heads again at the top of each page.
func (s *sheet) table(t Table, heads bool) {
	total := 0.0
	for _, c := range t.Columns {
		total += c.Share
	}
	widths := make([]float64, len(t.Columns))
	names := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		widths[i], names[i] = width*c.Share/total, c.Head
	}
	head := func() {
		if heads {
			s.row(t.Columns, widths, names, "B")
			s.SetLineWidth(0.2)
		}
	}
	s.room(20)
	head()
	for _, row := range t.Rows {
		if s.GetY()+s.height(widths, row, "") > lastLine {
			s.AddPage()
			head()
		}
		s.row(t.Columns, widths, row, "")
	}
	s.Ln(3)
}

// lines are a row's cells, each broken into lines.
func (s *sheet) lines(widths []float64, cells []string, style string) [][]string {
	s.font(style, tableSize)
	out := make([][]string, len(cells))
	for i, cell := range cells {
		for part := range strings.SplitSeq(s.shown(cell), "\n") {
			out[i] = append(out[i], s.SplitText(part, widths[i]-gap)...)
		}
	}
	return out
}

func (s *sheet) height(widths []float64, cells []string, style string) float64 {
	most := 1
	for _, lines := range s.lines(widths, cells, style) {
		most = max(most, len(lines))
	}
	return float64(most)*rowLine + 1.4
}

func (s *sheet) row(columns []Column, widths []float64, cells []string, style string) {
	top, x := s.GetY(), margin
	height := s.height(widths, cells, style)
	for i, lines := range s.lines(widths, cells, style) {
		align := "L"
		if columns[i].Right {
			align = "R"
		}
		for n, text := range lines {
			s.SetXY(x, top+0.7+float64(n)*rowLine)
			s.CellFormat(widths[i]-gap, rowLine, text, "", 0, align, false, 0, "")
		}
		x += widths[i]
	}
	s.SetLineWidth(0.1)
	if style != "" {
		s.SetLineWidth(0.4)
	}
	s.Line(margin, top+height, margin+width, top+height)
	s.SetXY(margin, top+height)
}

// figure draws it as wide as the sheet.
func (s *sheet) figure(f Figure) {
	scale := width / f.Drawing.Width
	s.room(figureHeight(f))
	top := s.GetY()
	x := func(v float64) float64 { return margin + v*scale }
	y := func(v float64) float64 { return top + v*scale }
	for _, shape := range f.Drawing.Shapes {
		s.shape(shape, scale, x, y)
	}
	s.SetDrawColor(0, 0, 0)
	s.SetXY(margin, y(f.Drawing.Height)+1)
	s.font("", tableSize)
	s.MultiCell(width, rowLine, s.shown(f.Caption), "", "L", false)
	s.Ln(2)
}

func (s *sheet) shape(shape Shape, scale float64, x, y func(float64) float64) {
	ink := func(pale bool) int {
		if pale {
			return 187
		}
		return 0
	}
	s.SetLineWidth(0.25 * scale)
	switch p := shape.(type) {
	case Line:
		grey := ink(p.Pale)
		s.SetDrawColor(grey, grey, grey)
		s.Line(x(p.X1), y(p.Y1), x(p.X2), y(p.Y2))
	case Box:
		grey := ink(p.Pale)
		s.SetFillColor(grey, grey, grey)
		s.Rect(x(p.X), y(p.Y), p.W*scale, p.H*scale, "F")
	case Dot:
		s.SetDrawColor(0, 0, 0)
		s.SetFillColor(0, 0, 0)
		if p.Open {
			s.SetFillColor(255, 255, 255)
		}
		s.Circle(x(p.X), y(p.Y), p.R*scale, "FD")
	case Text:
		const pointsPerMillimetre = 72 / 25.4
		s.font("", p.Size*scale*pointsPerMillimetre)
		words := s.shown(p.Words)
		at := x(p.X) - s.GetStringWidth(words)*[...]float64{0, 0.5, 1}[p.Anchor]
		s.Text(at, y(p.Y), words)
	}
}
