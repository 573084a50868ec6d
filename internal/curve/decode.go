package curve

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
)

// MaxBytes is the largest file that is read.
const MaxBytes = 64 << 20

// Text returns the text of a file as UTF-8 without a byte order mark, and notes on
// what was done to get it, by the rules for characters in the package's comment. An
// error is a *[Refusal]; its remedy speaks of curves.
func Text(file string, data []byte) (text string, notes []string, err error) {
	text, notes, r := decode(file, data)
	if r != nil {
		return "", nil, r
	}
	return text, notes, nil
}

// decode returns the text of a file as UTF-8 without a byte order mark, and
// notes on what was done to get it.
func decode(file string, data []byte) (text string, notes []string, r *Refusal) {
	if len(data) > MaxBytes {
		return "", nil, tooLarge(file, int64(len(data)))
	}
	if kind := looksLike(data); kind != "" {
		return "", nil, refuse(file, 0, "", "is no text file: it looks like "+kind,
			"export the response as text, frequency and level in columns")
	}
	enc, name := encodingOf(data)
	switch {
	case enc == nil:
		text = string(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")))
	case enc != charmap.Windows1252 && len(data)%2 == 1:
		return "", nil, half(file, 0, "", "it is UTF-16 and ends inside a character")
	default:
		out, err := enc.NewDecoder().Bytes(data)
		if err != nil {
			return "", nil, refuse(file, 0, "", "is not readable as "+name, "export the file as UTF-8 text")
		}
		text = strings.TrimPrefix(string(out), "\ufeff")
		notes = append(notes, "The text was read as "+name+".")
	}
	if r := checkText(file, text); r != nil {
		return "", nil, r
	}
	return text, notes, nil
}

func tooLarge(file string, size int64) *Refusal {
	return refuse(file, 0, "", fmt.Sprintf("has %d bytes, more than the %d MiB that are read", size, MaxBytes>>20),
		"export one response per file, with fewer points")
}

// encodingOf returns nil for UTF-8.
func encodingOf(data []byte) (encoding.Encoding, string) {
	little := unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM)
	big := unicode.UTF16(unicode.BigEndian, unicode.IgnoreBOM)
	switch even, odd, pairs := zeroBytes(data); {
	case bytes.HasPrefix(data, []byte("\xff\xfe")), pairs >= 4 && odd*10 >= pairs*7 && even*10 <= pairs:
		return little, "UTF-16, little endian"
	case bytes.HasPrefix(data, []byte("\xfe\xff")), pairs >= 4 && even*10 >= pairs*7 && odd*10 <= pairs:
		return big, "UTF-16, big endian"
	case utf8.Valid(data):
		return nil, ""
	}
	return charmap.Windows1252, "Windows-1252, since it is not UTF-8"
}

// zeroBytes counts the zero bytes at even and odd places near the start. Text
// in UTF-16 is mostly ASCII here, so that every other byte is zero.
func zeroBytes(data []byte) (even, odd, pairs int) {
	const look = 4096
	pairs = min(len(data), look) / 2
	for i := range pairs {
		if data[2*i] == 0 {
			even++
		}
		if data[2*i+1] == 0 {
			odd++
		}
	}
	return even, odd, pairs
}

// looksLike names the kind of a file that is no text, from its first bytes.
func looksLike(data []byte) string {
	for _, k := range []struct{ start, kind string }{
		{"\x89PNG", "a PNG picture"},
		{"\xff\xd8\xff", "a JPEG picture"},
		{"GIF8", "a GIF picture"},
		{"PK\x03\x04", "a spreadsheet workbook or a ZIP archive"},
		{"\xd0\xcf\x11\xe0", "an old spreadsheet workbook"},
		{"\x1f\x8b", "a gzip archive"},
		{"RIFF", "a WAV recording"},
		{"RF64", "a WAV recording"},
		{"fLaC", "a FLAC recording"},
		{"%PDF", "a PDF document"},
		{"\x7fELF", "a program"},
		{"MZ\x90", "a program"},
		{"\xff\xfe\x00\x00", "UTF-32 text"},
		{"\x00\x00\xfe\xff", "UTF-32 text"},
	} {
		if bytes.HasPrefix(data, []byte(k.start)) {
			return k.kind
		}
	}
	switch text := bytes.TrimLeft(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")), " \t\r\n"); {
	case bytes.HasPrefix(text, []byte("<")):
		return "a web page or XML"
	case bytes.HasPrefix(text, []byte("{")):
		return "JSON"
	}
	return ""
}

// checkText refuses a text that is empty or that holds bytes no text has.
func checkText(file, text string) *Refusal {
	if strings.TrimSpace(text) == "" {
		return refuse(file, 0, "", "is empty", remedyHalf)
	}
	zero, controls := -1, 0
	for i := range len(text) {
		switch b := text[i]; {
		case b >= ' ' || b >= '\t' && b <= '\r':
		case b == 0:
			if zero < 0 {
				zero = i
			}
		default:
			controls++
		}
	}
	switch {
	case controls > 0 && (zero >= 0 || controls*50 > len(text)):
		return refuse(file, 0, "", "is no text file: it looks like binary data",
			"export the response as text, frequency and level in columns")
	case zero >= 0:
		return half(file, lineOf(text, zero), "", "it holds zero bytes where text should be")
	}
	return nil
}

// lineOf returns the number of the line that offset is on.
func lineOf(text string, offset int) int {
	l := lines{text: text}
	for l.next() {
		if l.pos > offset {
			return l.number
		}
	}
	return max(l.number, 1)
}
