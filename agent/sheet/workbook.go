package sheet

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"path"
	"slices"
	"strconv"
	"strings"

	"arcdrift/drift"
)

// An .xlsx workbook is a zip of XML parts (ECMA-376, Office Open XML). A small file can
// unpack to anything, so everything that grows with it has a bound.
const (
	mostUnpacked = 4 * MaxFile // bytes of all parts that are read
	mostToken    = 1 << 20     // bytes without the start of an element
	mostDepth    = 64          // elements within each other
	mostParts    = 10_000
	mostStyles   = 1 << 16
	mostStrings  = 1 << 20 // different texts
	mostLines    = 1 << 20 // as ECMA-376 has it in practice: every program stops there
	mostAcross   = 1 << 14 // columns, likewise
)

var (
	errLarge  = &drift.Problem{Reason: "the workbook is too large: it unpacks to more than 64 MB, or its sheet holds more than 16 MB of text. Split it into several, each with the headings"}
	errBroken = &drift.Problem{Reason: "the workbook is damaged and cannot be read. Open it in the spreadsheet program, save it again as .xlsx, and choose the new file"}
	errNoXLSX = &drift.Problem{Reason: "this is not an .xlsx workbook. In the spreadsheet program, save it as .xlsx without a password, or as CSV, and choose the new file"}
)

// IsWorkbook says whether the file, of which the first four bytes are enough, is a zip, or a
// workbook of the older kind or with a password.
func IsWorkbook(raw []byte) bool {
	return bytes.HasPrefix(raw, []byte("PK\x03\x04")) || bytes.HasPrefix(raw, []byte("\xD0\xCF\x11\xE0"))
}

// workbook is what its parts say before a sheet is read.
type workbook struct {
	parts     map[string]*zip.File
	left      int64 // bytes that may still be unpacked
	sheets    []worksheet
	since1904 bool
	formats   []format // by the style of a cell
	texts     []string // shared ones
}

type worksheet struct {
	name, id string
	hidden   bool
	part     string
}

// readWorkbook reads the sheet of that name, the first visible one if it is "", as text
// that rows splits at cellEnd. The error is a *drift.Problem.
func readWorkbook(raw []byte, name string) (text []byte, sheet string, sheets []string, err error) {
	b, err := openWorkbook(raw)
	if err != nil {
		return nil, "", nil, err
	}
	at := slices.IndexFunc(b.sheets, func(s worksheet) bool { return !s.hidden })
	if name != "" {
		at = slices.IndexFunc(b.sheets, func(s worksheet) bool { return s.name == name })
	}
	for _, s := range b.sheets {
		sheets = append(sheets, s.name)
	}
	switch {
	case at < 0 && name != "":
		return nil, "", nil, &drift.Problem{Field: "sheet", Value: name, Reason: "is not a sheet of this workbook. It has " + strings.Join(sheets[:min(len(sheets), 20)], ", ")}
	case at < 0:
		return nil, "", nil, errBroken
	}
	text, err = b.read(b.sheets[at].part)
	return text, b.sheets[at].name, sheets, err
}

func openWorkbook(raw []byte) (*workbook, error) {
	if !bytes.HasPrefix(raw, []byte("PK")) {
		return nil, errNoXLSX
	}
	if bytes.Count(raw, []byte("PK\x01\x02")) > mostParts {
		return nil, errLarge
	}
	z, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		return nil, errBroken
	}
	b := &workbook{parts: map[string]*zip.File{}, left: mostUnpacked}
	for _, f := range z.File {
		b.parts[f.Name] = f
	}
	if b.parts["xl/workbook.xml"] == nil {
		return nil, errNoXLSX
	}
	if err := b.walk("xl/workbook.xml", b.inBook()); err != nil {
		return nil, err
	}
	return b, b.relate()
}

// inBook takes the sheets in their order, and where days are counted from.
func (b *workbook) inBook() func(xml.Token) error {
	return func(t xml.Token) error {
		e, ok := t.(xml.StartElement)
		switch {
		case ok && e.Name.Local == "workbookPr":
			b.since1904, _ = strconv.ParseBool(attribute(e, "date1904"))
		case ok && e.Name.Local == "sheet" && len(b.sheets) == mostParts:
			return errLarge
		case ok && e.Name.Local == "sheet":
			state := attribute(e, "state")
			b.sheets = append(b.sheets, worksheet{name: attribute(e, "name"), id: attribute(e, "id"), hidden: state != "" && state != "visible"})
		}
		return nil
	}
}

// relate finds the parts of the workbook, and reads the formats and the shared texts.
func (b *workbook) relate() error {
	var formats, texts string
	err := b.walk("xl/_rels/workbook.xml.rels", func(t xml.Token) error {
		e, ok := t.(xml.StartElement)
		if !ok || e.Name.Local != "Relationship" {
			return nil
		}
		part := attribute(e, "Target")
		if part = strings.TrimPrefix(part, "/"); part == attribute(e, "Target") {
			part = path.Join("xl", part)
		}
		switch path.Base(attribute(e, "Type")) {
		case "styles":
			formats = part
		case "sharedStrings":
			texts = part
		case "worksheet":
			for i := range b.sheets {
				if b.sheets[i].id == attribute(e, "Id") {
					b.sheets[i].part = part
				}
			}
		}
		return nil
	})
	if err == nil && formats != "" {
		err = b.walk(formats, b.inStyles())
	}
	if err == nil && texts != "" {
		err = b.walk(texts, b.inTexts())
	}
	b.sheets = slices.DeleteFunc(b.sheets, func(s worksheet) bool { return s.part == "" }) // charts
	return err
}

// inTexts takes the texts that cells share. What is beside a text to pronounce it (rPh) is
// not part of it.
func (b *workbook) inTexts() func(xml.Token) error {
	var text []byte
	size, within, aside := 0, false, false
	return func(t xml.Token) error {
		switch t := t.(type) {
		case xml.StartElement:
			switch t.Name.Local {
			case "si":
				text = text[:0]
			case "rPh":
				aside = true
			case "t":
				within = !aside
			}
		case xml.CharData:
			if within {
				text = append(text, t...)
			}
		case xml.EndElement:
			switch t.Name.Local {
			case "rPh":
				aside = false
			case "t":
				within = false
			case "si":
				if size += len(text); size > MaxFile || len(b.texts) == mostStrings {
					return errLarge
				}
				b.texts = append(b.texts, string(text))
			}
		}
		return nil
	}
}

// walk calls each for every token of a part, and reads the part to its end: only then is
// its checksum known to be right.
func (b *workbook) walk(part string, each func(xml.Token) error) error {
	file := b.parts[part]
	if file == nil {
		return errBroken
	}
	in, err := file.Open()
	if err != nil {
		return errBroken
	}
	defer in.Close()
	d := xml.NewDecoder(&bounded{from: in, left: &b.left})
	for depth := 0; ; {
		token, err := d.Token()
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case errors.Is(err, errLarge):
			return errLarge
		case err != nil:
			return errBroken
		}
		switch token.(type) {
		case xml.StartElement:
			depth++
		case xml.EndElement:
			depth--
		}
		if depth > mostDepth {
			return errBroken
		}
		if err := each(token); err != nil {
			return err
		}
	}
}

// bounded fails with errLarge once too much was unpacked, or a single token is too long.
type bounded struct {
	from io.Reader
	left *int64
	long int
}

func (b *bounded) Read(p []byte) (int, error) {
	n, err := b.from.Read(p)
	*b.left -= int64(n)
	if at := bytes.LastIndexByte(p[:n], '<'); at >= 0 {
		b.long = n - at
	} else {
		b.long += n
	}
	if *b.left < 0 || b.long > mostToken {
		return 0, errLarge
	}
	return n, err
}

func attribute(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}
