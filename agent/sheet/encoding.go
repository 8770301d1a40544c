package sheet

import (
	"bytes"
	"encoding/binary"
	"unicode/utf16"
	"unicode/utf8"

	"arcdrift/drift"
)

// The encodings of text files that spreadsheets write.
const (
	UTF8        = "utf-8"
	UTF16       = "utf-16"
	Windows1252 = "windows-1252"
)

// Encodings lists them.
func Encodings() []string { return []string{UTF8, UTF16, Windows1252} }

// toUTF8 returns the text in UTF-8. Without a stated encoding it is found: by the byte
// order mark, by zero bytes, by whether it is valid UTF-8, else Windows-1252.
func toUTF8(raw []byte, encoding string) (text []byte, found string, err error) {
	if encoding == "" {
		encoding = encodingOf(raw)
	}
	switch encoding {
	case UTF8:
		if text = bytes.TrimPrefix(raw, []byte("\uFEFF")); !utf8.Valid(text) {
			return nil, encoding, &drift.Problem{Field: "encoding", Value: encoding, Reason: "does not fit this file: some of its bytes are not UTF-8. Try windows-1252"}
		}
	case UTF16:
		text, err = fromUTF16(raw)
	case Windows1252:
		text = fromWindows1252(raw)
	default:
		err = &drift.Problem{Field: "encoding", Value: encoding, Reason: "must be utf-8, utf-16 or windows-1252"}
	}
	return text, encoding, err
}

func encodingOf(raw []byte) string {
	switch {
	case bytes.HasPrefix(raw, []byte{0xFF, 0xFE}), bytes.HasPrefix(raw, []byte{0xFE, 0xFF}), bytes.IndexByte(raw[:min(len(raw), 4096)], 0) >= 0:
		return UTF16
	case utf8.Valid(raw):
		return UTF8
	}
	return Windows1252
}

// fromUTF16 reads either byte order. Without a mark the order is that in which the zero
// bytes of plain letters make sense; a half character at the end is an error.
func fromUTF16(raw []byte) ([]byte, error) {
	var order binary.ByteOrder = binary.LittleEndian
	switch {
	case bytes.HasPrefix(raw, []byte{0xFF, 0xFE}):
		raw = raw[2:]
	case bytes.HasPrefix(raw, []byte{0xFE, 0xFF}):
		raw, order = raw[2:], binary.BigEndian
	case len(raw) > 1 && raw[0] == 0:
		order = binary.BigEndian
	}
	if len(raw)%2 != 0 {
		return nil, &drift.Problem{Field: "encoding", Value: UTF16, Reason: "does not fit this file: it ends within a character"}
	}
	out := make([]byte, 0, len(raw)/2+len(raw)/16)
	for len(raw) > 0 {
		r := rune(order.Uint16(raw))
		raw = raw[2:]
		if utf16.IsSurrogate(r) && len(raw) > 0 {
			if pair := utf16.DecodeRune(r, rune(order.Uint16(raw))); pair != utf8.RuneError {
				r, raw = pair, raw[2:]
			}
		}
		out = utf8.AppendRune(out, r)
	}
	return out, nil
}

// upper are the characters 0x80 to 0x9F of Windows-1252, from the index of the WHATWG
// Encoding Standard; the others are those of Latin-1. The library with this table
// (golang.org/x/text) would add 0.12 MB to the program.
var upper = [32]rune{
	'€', 0x81, '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', 0x8D, 'Ž', 0x8F,
	0x90, '‘', '’', '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', 0x9D, 'ž', 'Ÿ',
}

func fromWindows1252(raw []byte) []byte {
	out := make([]byte, 0, len(raw)+len(raw)/16)
	for _, b := range raw {
		if r := rune(b); b >= 0x80 && b < 0xA0 {
			out = utf8.AppendRune(out, upper[b-0x80])
		} else {
			out = utf8.AppendRune(out, r)
		}
	}
	return out
}
