package sheet

import (
	"encoding/xml"
	"regexp"
	"strconv"
	"strings"
)

// format is what the number format of a cell says of its number: that it is a day, a time
// of day, or per cent. elapsed counts hours on over a day.
type format struct{ day, clock, elapsed, percent bool }

// builtin are formats that files name by number only (ECMA-376 part 1, 18.8.30). 27 to 36
// and 50 to 58 differ from language to language: such cells stay numbers.
var builtin = map[int]string{
	9: "0%", 10: "0.00%", 14: "d/m/yyyy", 15: "d-mmm-yy", 16: "d-mmm", 17: "mmm-yy", 18: "h:mm AM/PM", 19: "h:mm:ss AM/PM", 20: "h:mm",
	21: "h:mm:ss", 22: "d/m/yyyy h:mm", 45: "mm:ss", 46: "[h]:mm:ss", 47: "mm:ss.0",
}

// aside is what stands in a format for itself: quoted text, one character after a
// backslash, underscore or star, and colours, currencies and conditions in brackets.
var aside = regexp.MustCompile(`"[^"]*"|[\\_*].|\[[^\]]*\]`)

// elapsed is a bracket that counts hours, minutes or seconds.
var elapsed = regexp.MustCompile(`\[(h+|m+|s+)\]`)

// parseFormat reads the code of a format, of which the first section is for positive
// numbers.
func parseFormat(code string) format {
	code = strings.ToLower(code)
	f := format{elapsed: elapsed.MatchString(code)}
	code = aside.ReplaceAllString(elapsed.ReplaceAllString(code, "$1"), "")
	code, _, _ = strings.Cut(code, ";")
	if strings.Contains(code, "general") {
		return format{}
	}
	f.percent = strings.Contains(code, "%")
	half := strings.Contains(code, "am/pm") || strings.Contains(code, "a/p")
	code = strings.NewReplacer("am/pm", "", "a/p", "").Replace(code)
	f.clock = half || f.elapsed || strings.ContainsAny(code, "hs")
	f.day = strings.ContainsAny(code, "yd") || !f.clock && strings.Contains(code, "m")
	return f
}

// inStyles takes the format of each style that a cell can have.
func (b *workbook) inStyles() func(xml.Token) error {
	codes, within := map[string]string{}, false
	return func(t xml.Token) error {
		if e, ok := t.(xml.EndElement); ok && e.Name.Local == "cellXfs" {
			within = false
		}
		e, ok := t.(xml.StartElement)
		if !ok {
			return nil
		}
		switch name := e.Name.Local; {
		case len(codes) > mostStyles || len(b.formats) > mostStyles:
			return errLarge
		case name == "numFmt":
			codes[attribute(e, "numFmtId")] = attribute(e, "formatCode")
		case name == "cellXfs":
			within = true
		case name == "xf" && within:
			id := attribute(e, "numFmtId")
			code, own := codes[id]
			if n, err := strconv.Atoi(id); !own && err == nil {
				code = builtin[n]
			}
			b.formats = append(b.formats, parseFormat(code))
		}
		return nil
	}
}
