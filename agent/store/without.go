package store

import (
	"bytes"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// without returns a text, JSON, form or CSV, with something in the place of a name,
// wherever that stands as a word of its own, however it is written there.
func without(text []byte, name, instead string) []byte {
	signs := make([][]string, 0, len(name))
	for _, c := range name {
		signs = append(signs, writings(c))
	}
	var out []byte
	from := 0
	for at := 0; at < len(text); at++ {
		n := written(text[at:], signs)
		if n == 0 || within(text[:at], text[at+n:]) {
			continue
		}
		out = append(append(out, text[from:at]...), instead...)
		from = at + n
		at = from - 1
	}
	return append(out, text[from:]...)
}

// writings are the ways in which JSON (RFC 8259), forms (the URL standard's
// urlencoded) and CSV (RFC 4180) write a character.
func writings(c rune) []string {
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

// written is how many bytes at the beginning of a text write these signs; 0 for none.
func written(text []byte, signs [][]string) int {
	n := 0
next:
	for _, sign := range signs {
		for i, way := range sign {
			end := n + len(way)
			if end > len(text) {
				continue
			}
			// The digits of an escape may be small or not, letters mean what they are.
			if is := text[n:end]; string(is) == way || i > 0 && bytes.EqualFold(is, []byte(way)) {
				n = end
				continue next
			}
		}
		return 0
	}
	return n
}

// within says whether what stands between two texts is a part of a longer word.
func within(before, after []byte) bool {
	next, _ := utf8.DecodeRune(after)
	last, _ := utf8.DecodeLastRune(before)
	letter := func(c rune) bool { return unicode.IsLetter(c) || unicode.IsDigit(c) }
	n := len(before)
	escape := n >= 2 && before[n-2] == '\\' || n >= 6 && before[n-6] == '\\' && before[n-5] == 'u' || n >= 3 && before[n-3] == '%'
	return letter(next) || letter(last) && !escape
}
