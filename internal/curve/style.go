package curve

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
)

// An Encoding is the encoding of a written text.
type Encoding int

// Encodings that the readers accept.
const (
	UTF8 Encoding = iota
	UTF8Mark
	UTF16LE // with byte order mark
	UTF16BE // with byte order mark
	Windows1252
)

// A Style says how takes are written as text. The zero Style writes UTF-8 with
// commas, decimal points, a head, LF, and every digit that a float64 needs. Every
// level has a decimal sign, so that nothing written is ambiguous.
type Style struct {
	Delimiter byte // ',', ';', '\t' or ' '; 0 means ','
	Decimal   byte // '.' or ','; 0 means '.'
	Quoted    bool // every cell in quotes; needed for commas with decimal commas
	Trailing  bool // a delimiter after the last cell

	Encoding Encoding
	LineEnd  string // "\n", "\r\n" or "\r"; "" means "\n"

	Comments    []string // lines above the head
	CommentSign byte     // '#', '*', ';' or '"'; 0 means '#'
	NoHead      bool     // text only

	Kilohertz    bool // frequencies in kHz; needs a head
	Phase        bool // a phase column, when the curve has phase; text only
	Radians      bool // phase in radians; needs a head
	Falling      bool // from high to low frequency
	UnicodeMinus bool

	HzDigits int // decimals of frequencies; 0 means as many as needed
	DBDigits int // decimals of levels and phases; 0 means as many as needed
}

func (s Style) filled() (Style, error) {
	if s.Delimiter == 0 {
		s.Delimiter = ','
	}
	if s.Decimal == 0 {
		s.Decimal = '.'
	}
	if s.CommentSign == 0 {
		s.CommentSign = '#'
	}
	if s.LineEnd == "" {
		s.LineEnd = "\n"
	}
	switch {
	case !strings.ContainsRune(",;\t ", rune(s.Delimiter)), s.Decimal != '.' && s.Decimal != ',',
		!strings.ContainsRune("#*;\"", rune(s.CommentSign)), s.LineEnd != "\n" && s.LineEnd != "\r\n" && s.LineEnd != "\r",
		s.HzDigits < 0, s.DBDigits < 0, s.Encoding < UTF8 || s.Encoding > Windows1252:
		return s, fmt.Errorf("style %+v has a value that no text is written with; see the fields of Style", s)
	case s.Delimiter == ',' && s.Decimal == ',' && !s.Quoted:
		return s, errors.New("commas would separate cells and decimals; quote the cells or take another delimiter")
	case s.NoHead && (s.Kilohertz || s.Radians):
		return s, errors.New("kHz and radians need a head that says so; write a head or use Hz and degrees")
	case s.Delimiter == ' ' && s.Trailing:
		return s, errors.New("a blank at the end of a line separates nothing; leave Trailing off")
	}
	return s, nil
}

// A printer gathers lines in memory, so that nothing is written when one of them
// cannot be.
type printer struct {
	Style
	buf bytes.Buffer
	err error
}

func (p *printer) comments() {
	for _, c := range p.Comments {
		if strings.ContainsAny(c, "\r\n\"") {
			p.err = fmt.Errorf("comment %s holds a line break or a quote; write it without", show(c))
			return
		}
		p.buf.WriteByte(p.CommentSign)
		p.buf.WriteString(" " + c + p.LineEnd)
	}
}

func (p *printer) row(cells ...string) {
	for i, c := range cells {
		if i > 0 {
			p.buf.WriteByte(p.Delimiter)
		}
		p.buf.WriteString(p.cell(c, i == 0))
	}
	if p.Trailing {
		p.buf.WriteByte(p.Delimiter)
	}
	p.buf.WriteString(p.LineEnd)
}

// cell quotes what a reader would cut, trim or take for a comment.
func (p *printer) cell(c string, first bool) string {
	if strings.ContainsAny(c, "\r\n\x00") {
		p.err = fmt.Errorf("cell %s holds a line break; write it on one line", show(c))
		return ""
	}
	if p.Quoted || strings.ContainsAny(c, string(p.Delimiter)+`"`) || trimBlanks(c, true) != c ||
		first && c != "" && strings.ContainsRune("#*;", rune(c[0])) {
		return `"` + strings.ReplaceAll(c, `"`, `""`) + `"`
	}
	return c
}

// number prints x with the style's signs. Without a count of digits it prints
// what a float64 needs. point forces a decimal sign.
func (p *printer) number(x float64, digits int, point bool) string {
	var s string
	if digits > 0 {
		s = strconv.FormatFloat(x, 'f', digits, 64)
	} else if s = strconv.FormatFloat(x, 'f', -1, 64); len(s) > 24 {
		s = strconv.FormatFloat(x, 'e', -1, 64)
	}
	if point && !strings.Contains(s, ".") {
		whole, exp, cut := strings.Cut(s, "e")
		s = whole + ".0"
		if cut {
			s += "e" + exp
		}
	}
	if p.UnicodeMinus {
		s = strings.ReplaceAll(s, "-", minus)
	}
	return strings.Replace(s, ".", string(p.Decimal), 1)
}

// flush encodes the text and writes it at once.
func (p *printer) flush(w io.Writer) error {
	if p.err != nil {
		return p.err
	}
	text := p.buf.Bytes()
	var enc encoding.Encoding
	switch p.Encoding {
	case UTF8:
	case UTF8Mark:
		text = append([]byte("\xef\xbb\xbf"), text...)
	case UTF16LE:
		enc = unicode.UTF16(unicode.LittleEndian, unicode.UseBOM)
	case UTF16BE:
		enc = unicode.UTF16(unicode.BigEndian, unicode.UseBOM)
	case Windows1252:
		enc = charmap.Windows1252
	}
	if enc != nil {
		var err error
		if text, err = enc.NewEncoder().Bytes(text); err != nil {
			return fmt.Errorf("the text cannot be written in this encoding: %w; use UTF-8", err)
		}
	}
	_, err := w.Write(text)
	return err
}
