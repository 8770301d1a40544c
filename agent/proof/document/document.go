// Package document turns one description of a document into HTML that prints on A4, and
// into PDF. Both say the same in the same order. It knows nothing of what it says.
package document

// Document is a title and what stands below it, from top to bottom.
type Document struct {
	Title, Subtitle string
	// Foot stands at the end of the HTML and at the foot of each page of the PDF.
	Foot   string
	Blocks []Block
}

// Block is one of the kinds below.
type Block interface{ block() }

// Heading begins a section.
type Heading struct{ Text string }

// Paragraph is running text, in bold where it is what must not be missed.
type Paragraph struct {
	Text   string
	Strong bool
}

// Bullets are short sentences below each other.
type Bullets struct{ Items []string }

// Facts are names with what goes with them.
type Facts struct{ Rows [][2]string }

// Table has a row of heads, repeated on each page. Instead of a table without rows stands
// Empty.
type Table struct {
	Columns []Column
	Rows    [][]string
	Empty   string
}

// Column is the head of a column with its share of the width.
type Column struct {
	Head  string
	Share float64
	Right bool // numbers
}

// Figure is a drawing with what it says in words.
type Figure struct {
	Drawing Drawing
	Caption string
}

func (Heading) block()   {}
func (Paragraph) block() {}
func (Bullets) block()   {}
func (Facts) block()     {}
func (Table) block()     {}
func (Figure) block()    {}

// Drawing is made of shapes on a sheet of so many millimetres, the origin at the top
// left. Ink is black; Pale is a light grey.
type Drawing struct {
	Width, Height float64
	Shapes        []Shape
}

// Shape is a Line, a Box, a Dot or a Text.
type Shape interface{ shape() }

// Line goes from one point to another.
type Line struct {
	X1, Y1, X2, Y2 float64
	Pale           bool
}

// Box is a filled rectangle.
type Box struct {
	X, Y, W, H float64
	Pale       bool
}

// Dot is a circle, filled or open.
type Dot struct {
	X, Y, R float64
	Open    bool
}

// Text is words beside a point: from it to the right, to the left of it, or around it.
type Text struct {
	X, Y, Size float64 // the baseline, the size in millimetres
	Words      string
	Anchor     Anchor
}

// Anchor says where a text lies beside its point.
type Anchor int

// The anchors.
const (
	Start Anchor = iota
	Middle
	End
)

func (Line) shape() {}
func (Box) shape()  {}
func (Dot) shape()  {}
func (Text) shape() {}
