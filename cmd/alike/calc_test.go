package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"strings"
	"testing"
	"unicode/utf16"
)

// calc runs alike calc on a text of the standard input.
func calc(stdin []byte, args ...string) (out, errs string, code int) {
	var o, e bytes.Buffer
	code = run(context.Background(), append([]string{"calc"}, args...), bytes.NewReader(stdin), &o, &e)
	return o.String(), e.String(), code
}

func utf16Bytes(order binary.AppendByteOrder, text string) []byte {
	var out []byte
	for _, u := range utf16.Encode([]rune(text)) {
		out = order.AppendUint16(out, u)
	}
	return out
}

// A table answers alike in every character code and with every line end, and says when
// it took one for granted.
func TestTableCharacters(t *testing.T) {
	const table = "größe;v\nä;1,5\nb;2\nc;4\n"
	want, errs, code := calc([]byte(table), "chart", "--kind", "individuals", "--value", "v", "-")
	if code != 0 || !strings.Contains(want, "centre 2.5,") {
		t.Fatal(want, errs)
	}
	for name, tt := range map[string]struct {
		data []byte
		note string
	}{
		"byte order mark":       {[]byte("\xef\xbb\xbf" + table), ""},
		"UTF-16, little, mark":  {utf16Bytes(binary.LittleEndian, "\ufeff"+table), "UTF-16, little endian"},
		"UTF-16, big, mark":     {utf16Bytes(binary.BigEndian, "\ufeff"+table), "UTF-16, big endian"},
		"UTF-16, little":        {utf16Bytes(binary.LittleEndian, table), "UTF-16, little endian"},
		"Windows-1252":          {[]byte(strings.NewReplacer("ö", "\xf6", "ß", "\xdf", "ä", "\xe4").Replace(table)), "Windows-1252"},
		"carriage returns":      {[]byte(strings.ReplaceAll(table, "\n", "\r")), ""},
		"carriage returns, too": {[]byte(strings.ReplaceAll(table, "\n", "\r\n")), ""},
	} {
		got, errs, code := calc(tt.data, "chart", "--kind", "individuals", "--value", "v", "-")
		head, _, _ := strings.Cut(want, "note:")
		if code != 0 || !strings.HasPrefix(got, head) || strings.Contains(got, "was read as") != (tt.note != "") || !strings.Contains(got, tt.note) {
			t.Errorf("%s: %d\n%s%s", name, code, got, errs)
		}
		if got, errs, code := calc(tt.data, "capability", "--value", "größe", "-", "--upper", "9"); code != 1 || !strings.Contains(errs, `standard input:2: column größe: "ä" is not a finite number`) {
			t.Errorf("%s: %d\n%s%s", name, code, got, errs)
		}
	}
}

// What is no text is refused with a remedy for tables.
func TestTableIsText(t *testing.T) {
	for name, tt := range map[string]struct {
		data []byte
		says string
	}{
		"workbook":    {[]byte("PK\x03\x04\x14\x00"), "standard input: is no text file: it looks like a spreadsheet workbook or a ZIP archive; export the table again as CSV text"},
		"zero bytes":  {[]byte("v\n1\n\x002\n3\n"), "standard input:3: the file seems half written: it holds zero bytes"},
		"half UTF-16": {append(utf16Bytes(binary.LittleEndian, "\ufeffv\n1\n2\n"), '3'), "ends inside a character"},
		"blank":       {[]byte(" \n"), "standard input: is empty"},
		"nothing":     {nil, "standard input: the file is empty"},
	} {
		if out, errs, code := calc(tt.data, "change", "-"); code != 1 || !strings.Contains(errs, tt.says) {
			t.Errorf("%s: %d, %s%s, want %q", name, code, out, errs, tt.says)
		}
	}
}
