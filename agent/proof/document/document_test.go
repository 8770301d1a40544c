package document

import (
	"bytes"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/net/html"
)

var at = time.Date(2026, 3, 20, 16, 30, 5, 0, time.UTC)

func sample() *Document {
	d := &Document{Title: "Proof of calibration: job J-114", Subtitle: "9 to 20 March 2026 <two machines>", Foot: "J-114"}
	rows := [][]string{}
	for range 80 {
		rows = append(rows, []string{"K-07", "±0.4 % at 20 °C, made by person-abc, with a long remark that takes more than one line", "12"})
	}
	d.Blocks = []Block{
		Heading{"Summary"}, Paragraph{"12 splices were likely made outside tolerance.", true}, Bullets{[]string{"first thing", "Žilina – Łódź – Αθήνα – Київ"}},
		Facts{[][2]string{{"Store", "ABC"}, {"Site", "札幌"}}},
		Table{Columns: []Column{{"Machine", 1, false}, {"What", 3, false}, {"Splices", 1, true}}, Rows: rows},
		Table{Empty: "No service was recorded."},
		Figure{Drawing{180, 20, []Shape{Line{0, 10, 180, 10, true}, Box{10, 2, 4, 8, false}, Dot{30, 10, 1, true}, Text{40, 10, 3, "3 in 10 & more", Middle}}}, "A drawing."},
	}
	return d
}

// words are the text without its white space: lines are broken differently.
func words(text string) string { return strings.Join(strings.Fields(text), "") }

// Both forms say all of it, and the PDF says which characters it lacks.
func TestBothFormsSayTheSame(t *testing.T) {
	t.Parallel()
	d := sample()
	page, err := d.HTML()
	require.NoError(t, err)
	printed, err := d.PDF(at)
	require.NoError(t, err)
	cmd := exec.Command("pdftotext", "-layout", "-", "-")
	cmd.Stdin = bytes.NewReader(printed)
	out, err := cmd.Output()
	require.NoError(t, err)
	inPDF, inHTML := words(string(out)), words(textOf(t, page))
	for _, text := range []string{"Proof of calibration: job J-114", "<two machines>", "12 splices were likely made outside tolerance.", "first thing", "Žilina", "Łódź", "Αθήνα", "±0.4 % at 20 °C", "No service was recorded.", "3 in 10 & more", "A drawing.", "Machine"} {
		assert.True(t, strings.Contains(inHTML, words(text)), "%s is not in the HTML", text)
		assert.True(t, strings.Contains(inPDF, words(text)), "%s is not in the PDF", text)
	}
	assert.True(t, strings.Contains(inHTML, "札幌"))
	assert.True(t, strings.Contains(inPDF, words("□ stands for a character")))
	assert.True(t, strings.Contains(inPDF, words("Page 2 of 4")))
	assert.Equal(t, strings.Count(inHTML, "person-abc"), strings.Count(inPDF, "person-abc"))
}

func textOf(t *testing.T, page []byte) string {
	t.Helper()
	root, err := html.Parse(bytes.NewReader(page))
	require.NoError(t, err)
	var out strings.Builder
	for n := range root.Descendants() {
		if n.Type == html.TextNode && n.Parent.Data != "style" {
			out.WriteString(n.Data + " ")
		}
	}
	return out.String()
}

func TestTheSameDocumentMakesTheSameBytes(t *testing.T) {
	t.Parallel()
	first, err := sample().PDF(at)
	require.NoError(t, err)
	for range 5 {
		again, err := sample().PDF(at)
		require.NoError(t, err)
		require.True(t, bytes.Equal(first, again))
	}
}

func TestWhatIsDrawableTheFontHas(t *testing.T) {
	t.Parallel()
	for _, ttf := range [][]byte{goregular.TTF, gobold.TTF} {
		font, err := sfnt.Parse(ttf)
		require.NoError(t, err)
		var buffer sfnt.Buffer
		n := 0
		for r := rune(0x20); r < 0x3000; r++ {
			if !drawable(r) {
				continue
			}
			n++
			index, err := font.GlyphIndex(&buffer, r)
			require.NoError(t, err)
			assert.NotZero(t, index, "%q (U+%04X)", r, r)
		}
		assert.Greater(t, n, 400)
	}
}

func TestNothingInATextIsMarkup(t *testing.T) {
	t.Parallel()
	evil := `"><script>alert(1)</script>`
	d := &Document{Title: evil, Subtitle: evil, Foot: evil, Blocks: []Block{
		Heading{evil}, Paragraph{evil, false}, Bullets{[]string{evil}}, Facts{[][2]string{{evil, evil}}},
		Table{Columns: []Column{{evil, 1, false}}, Rows: [][]string{{evil}}}, Figure{Drawing{1, 1, []Shape{Text{0, 0, 1, evil, Start}}}, evil}}}
	page, err := d.HTML()
	require.NoError(t, err)
	assert.NotContains(t, string(page), "<script")
}
