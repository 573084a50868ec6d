package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"alike/internal/curve"
	"alike/spc/sample"
)

// read returns the content of a file, or of the standard input for -.
func (c *console) read(name string) ([]byte, error) {
	if name == "-" {
		return io.ReadAll(c.in)
	}
	return os.ReadFile(name)
}

// shown is what messages call a file.
func shown(name string) string {
	if name == "-" {
		return "standard input"
	}
	return name
}

// A table is a CSV file with a head.
type table struct {
	name     string
	sep      rune
	headLine int // of the file
	head     []string
	rows     [][]string
	line     []int    // of the file, per row
	notes    []string // on how it was read
	doubtful []string // columns whose numbers may have thousands set apart
	doubt    string   // one of them
}

// readTable reads a CSV table from a file or the standard input. Separators are
// commas, semicolons or tabs; lines that begin with # are left out. Characters are
// decoded as those of a curve.
func (c *console) readTable(name string) (*table, error) {
	data, err := c.read(name)
	if err != nil {
		return nil, err
	}
	t := &table{name: shown(name)}
	if len(data) == 0 {
		return nil, t.empty()
	}
	text, err := t.decode(data)
	if err != nil {
		return nil, err
	}
	t.sep = separator(text)
	r := csv.NewReader(strings.NewReader(text))
	r.Comment, r.TrimLeadingSpace, r.FieldsPerRecord, r.Comma = '#', t.sep != '\t', -1, t.sep
	for {
		row, err := r.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			var fault *csv.ParseError
			if errors.As(err, &fault) {
				return nil, fmt.Errorf("%s:%d: %w; close every quote", t.name, fault.Line, fault.Err)
			}
			return nil, err
		}
		line, _ := r.FieldPos(0)
		if t.head == nil {
			t.headLine = line
			for _, h := range row {
				t.head = append(t.head, strings.TrimSpace(h))
			}
			continue
		}
		if len(row) != len(t.head) {
			return nil, fmt.Errorf("%s:%d: the row has %d cells, the head has %d; give every column a cell", t.name, line, len(row), len(t.head))
		}
		t.rows, t.line = append(t.rows, row), append(t.line, line)
	}
	if t.head == nil {
		return nil, t.empty()
	}
	return t, nil
}

func (t *table) empty() error {
	return fmt.Errorf("%s: the file is empty; give a head and a row per value", t.name)
}

func (t *table) decode(data []byte) (string, error) {
	text, notes, err := curve.Text(t.name, data)
	var fault *curve.Refusal
	if errors.As(err, &fault) {
		fault.Remedy = "export the table again as CSV text"
		return "", fault
	}
	t.notes = notes
	if !strings.Contains(text, "\n") {
		text = strings.ReplaceAll(text, "\r", "\n")
	}
	return text, err
}

// separator looks at the first line that is no comment.
func separator(text string) rune {
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		for _, sep := range "\t;" {
			if strings.ContainsRune(line, sep) {
				return sep
			}
		}
		return ','
	}
	return ','
}

// warnings are the notes on how the table was read, before those of the result.
func (t *table) warnings(of []string) []string {
	out := slices.Clone(t.notes)
	if len(t.doubtful) > 0 {
		out = append(out, t.grouping())
	}
	return append(out, of...)
}

// column returns the place of a column. With no name it is the table's only one.
func (t *table) column(flag, name string) (int, error) {
	if name == "" {
		if len(t.head) == 1 {
			return 0, nil
		}
		return 0, fmt.Errorf("%s has the columns %s; say which with --%s", t.name, strings.Join(t.head, ", "), flag)
	}
	at := slices.Index(t.head, name)
	if at < 0 {
		return 0, fmt.Errorf("%s has no column %q; it has %s", t.name, name, strings.Join(t.head, ", "))
	}
	if again := slices.Index(t.head[at+1:], name); again >= 0 {
		return 0, t.twice(name, at, at+1+again)
	}
	return at, nil
}

// twice refuses a head that names two columns alike.
func (t *table) twice(name string, i, j int) error {
	return fmt.Errorf("%s:%d: column %s stands at %d and at %d; rename one or leave it out", t.name, t.headLine, name, i+1, j+1)
}

// numbers returns a column of finite numbers.
func (t *table) numbers(flag, name string) ([]float64, error) {
	at, err := t.column(flag, name)
	if err != nil {
		return nil, err
	}
	return t.columnNumbers(at)
}

// texts returns a column of texts, none empty.
func (t *table) texts(flag, name string) ([]string, error) {
	at, err := t.column(flag, name)
	if err != nil {
		return nil, err
	}
	out := make([]string, len(t.rows))
	for i, row := range t.rows {
		if out[i] = strings.TrimSpace(row[at]); out[i] == "" {
			return nil, fmt.Errorf("%s:%d: column %s is empty; fill it in or leave the row out", t.name, t.line[i], t.head[at])
		}
	}
	return out, nil
}

// at names the place in the file that an error is about: the row of a sample's value,
// and the column of the values or of the sizes.
func (t *table) at(err error, value, size string) error {
	var e *sample.Error
	if !errors.As(err, &e) {
		if strings.HasPrefix(err.Error(), t.name) {
			return err
		}
		return fmt.Errorf("%s: %w", t.name, err)
	}
	place, column := t.name, value
	if e.Index >= 0 && e.Index < len(t.line) {
		place = fmt.Sprintf("%s:%d", t.name, t.line[e.Index])
	}
	if e.What == "size" {
		column = size
	}
	if column == "" && len(t.head) == 1 {
		column = t.head[0]
	}
	if column == "" {
		return fmt.Errorf("%s: %w", place, err)
	}
	return fmt.Errorf("%s: column %s: %w", place, column, err)
}
