package store

import (
	"bytes"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// Redact returns a text (JSON, form or CSV) with instead in the place of a name,
// wherever the name is a word of its own, in any encoding.
func Redact(text []byte, name, instead string) []byte {
	signs := make([][]string, 0, len(name))
	for _, c := range name {
		signs = append(signs, encodings(c))
	}
	var out []byte
	from := 0
	for at := 0; at < len(text); at++ {
		n := matchLength(text[at:], signs)
		if n == 0 || insideWord(text[:at], text[at+n:]) {
			continue
		}
		out = append(append(out, text[from:at]...), instead...)
		from = at + n
		at = from - 1
	}
	return append(out, text[from:]...)
}

// encodings are the forms in which JSON (RFC 8259), forms (the URL standard's
// urlencoded) and CSV (RFC 4180) write a character; the plain one comes first.
func encodings(c rune) []string {
	plain := string(c)
	var json, form strings.Builder
	for _, half := range utf16.Encode([]rune{c}) {
		fmt.Fprintf(&json, `\u%04x`, half)
	}
	for _, b := range []byte(plain) {
		fmt.Fprintf(&form, "%%%02x", b)
	}
	out := []string{plain, json.String(), form.String()}
	switch c {
	case ' ':
		out = append(out, "+")
	case '"':
		out = append([]string{`\"`, `""`}, out...)
	case '\\', '/':
		out = append([]string{`\` + plain}, out...)
	}
	return out
}

// matchLength is how many bytes at the beginning of a text are these characters, each
// in one of its encodings; 0 if they are others.
func matchLength(text []byte, signs [][]string) int {
	n := 0
next:
	for _, sign := range signs {
		for i, way := range sign {
			end := n + len(way)
			if end > len(text) {
				continue
			}
			// The digits of an escape may be in upper or lower case, a letter may not.
			if is := text[n:end]; string(is) == way || i > 0 && bytes.EqualFold(is, []byte(way)) {
				n = end
				continue next
			}
		}
		return 0
	}
	return n
}

// insideWord says whether what is between two texts is part of a longer word.
func insideWord(before, after []byte) bool {
	next, _ := utf8.DecodeRune(after)
	last, _ := utf8.DecodeLastRune(before)
	letter := func(c rune) bool { return unicode.IsLetter(c) || unicode.IsDigit(c) }
	n := len(before)
	escape := n >= 2 && before[n-2] == '\\' || n >= 6 && before[n-6] == '\\' && before[n-5] == 'u' || n >= 3 && before[n-3] == '%'
	return letter(next) || letter(last) && !escape
}
