package alert

import (
	"strings"
	"unicode/utf8"
)

// room is that of one message of SMS-like channels in the 7-bit default
// alphabet: 140 bytes of 8 bits are 160 characters of 7 (3GPP TS 23.040, 9.2.3.24).
const room = 160

// alphabet is what one message may hold without being cut in two or sent in an
// alphabet with half the room: the GSM 7-bit default alphabet (3GPP TS 23.038,
// 6.2.1) without its control characters, Greek capitals and currency signs.
const alphabet = "@_ !\"#%&'()*+,-./0123456789:;<=>?" +
	"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz" +
	"ÄÖÑÜäöñüàèéùìòÇØøÅåÆæßÉ"

// spelt gives other spellings for characters that people and our own sentences
// use and the alphabet does not have.
func spelt(r rune) string {
	switch r {
	case '°':
		return "" // "20 °C" reads as "20 C"
	case '–', '—', '−', '‑':
		return "-"
	case '’', '‘', '`', '´':
		return "'"
	case '“', '”', '«', '»':
		return "\""
	case '…':
		return "..."
	case '≥':
		return ">="
	case '≤':
		return "<="
	case '±':
		return "+-"
	case '×':
		return "x"
	case 'µ', 'μ':
		return "u"
	case '\t', '\n', '\r', '\u00a0', '\u202f', '\u2009':
		return " "
	case 'á', 'â', 'ã', 'ą':
		return "a"
	case 'ç', 'ć', 'č':
		return "c"
	case 'ê', 'ë', 'ę', 'ě':
		return "e"
	case 'í', 'î', 'ï':
		return "i"
	case 'ł':
		return "l"
	case 'Ł':
		return "L"
	case 'Ś', 'Š':
		return "S"
	case 'Ź', 'Ż', 'Ž':
		return "Z"
	case 'ń', 'ň':
		return "n"
	case 'ó', 'ô', 'õ', 'ő':
		return "o"
	case 'ř':
		return "r"
	case 'ś', 'š':
		return "s"
	case 'ú', 'û', 'ű', 'ů':
		return "u"
	case 'ý':
		return "y"
	case 'ź', 'ż', 'ž':
		return "z"
	}
	return "?"
}

// plain puts a text into the alphabet, with single spaces.
func plain(text string) string {
	var b strings.Builder
	for _, r := range text {
		if strings.ContainsRune(alphabet, r) {
			b.WriteRune(r)
		} else {
			b.WriteString(spelt(r))
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// cut shortens a text to so many characters, between words where it can.
func cut(text string, most int) string {
	if utf8.RuneCountInString(text) <= most {
		return text
	}
	if most <= 3 {
		return string([]rune(text)[:max(most, 0)])
	}
	short := string([]rune(text)[:most-2])
	if i := strings.LastIndexByte(short, ' '); i > most/2 {
		short = short[:i]
	}
	return strings.TrimRight(short, " ,;:") + ".."
}

// part is a piece of a short message; need orders them by how much they matter,
// 0 most. One that may be cut is.
type part struct {
	text string
	need int
	cuts bool
}

// fit puts the parts together in their order, leaving out those that matter
// least until the rest has room. What may be cut gets the room that is left.
func fit(parts ...part) string {
	texts := make([]string, len(parts))
	left := room
	for need := range len(parts) {
		for i, p := range parts {
			if p.need != need || p.text == "" {
				continue
			}
			text := plain(p.text)
			space := 0
			if left < room {
				space = 1
			}
			if p.cuts {
				// Less than a dozen characters say nothing.
				if left-space < 12 {
					continue
				}
				text = cut(text, left-space)
			}
			if n := utf8.RuneCountInString(text) + space; n <= left {
				texts[i] = text
				left -= n
			}
		}
	}
	return strings.Join(strings.Fields(strings.Join(texts, " ")), " ")
}
