package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
)

// read returns the content of a file, or of the standard input for -.
func (c *console) read(name string) ([]byte, error) {
	if name == "-" {
		return io.ReadAll(c.in)
	}
	return os.ReadFile(name)
}

// A table is a CSV file with a head.
type table struct {
	name string
	head []string
	rows [][]string
	line []int // of the file, per row
}

// readTable reads a CSV table from a file or the standard input. Separators are
// commas, semicolons or tabs; lines that begin with # are left out.
func (c *console) readTable(name string) (*table, error) {
	data, err := c.read(name)
	if err != nil {
		return nil, err
	}
	if name == "-" {
		name = "standard input"
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	r := csv.NewReader(bytes.NewReader(data))
	r.Comment, r.TrimLeadingSpace, r.FieldsPerRecord = '#', true, -1
	r.Comma = separator(data)
	t := &table{name: name}
	for {
		row, err := r.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			var fault *csv.ParseError
			if errors.As(err, &fault) {
				return nil, fmt.Errorf("%s:%d: %w; close every quote", name, fault.Line, fault.Err)
			}
			return nil, err
		}
		line, _ := r.FieldPos(0)
		if t.head == nil {
			for _, h := range row {
				t.head = append(t.head, strings.TrimSpace(h))
			}
			continue
		}
		if len(row) != len(t.head) {
			return nil, fmt.Errorf("%s:%d: the row has %d cells, the head has %d; give every column a cell", name, line, len(row), len(t.head))
		}
		t.rows, t.line = append(t.rows, row), append(t.line, line)
	}
	if t.head == nil {
		return nil, fmt.Errorf("%s: the file is empty; give a head and a row per value", name)
	}
	return t, nil
}

// separator looks at the first line that is no comment.
func separator(data []byte) rune {
	for line := range bytes.Lines(data) {
		if bytes.HasPrefix(line, []byte("#")) {
			continue
		}
		for _, sep := range "\t;" {
			if bytes.ContainsRune(line, sep) {
				return sep
			}
		}
		return ','
	}
	return ','
}

// column returns the place of a column. With no name it is the table's only one.
func (t *table) column(flag, name string) (int, error) {
	if name == "" {
		if len(t.head) == 1 {
			return 0, nil
		}
		return 0, fmt.Errorf("%s has the columns %s; say which with --%s", t.name, strings.Join(t.head, ", "), flag)
	}
	for i, h := range t.head {
		if h == name {
			return i, nil
		}
	}
	return 0, fmt.Errorf("%s has no column %q; it has %s", t.name, name, strings.Join(t.head, ", "))
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

func (t *table) columnNumbers(at int) ([]float64, error) {
	out := make([]float64, len(t.rows))
	for i, row := range t.rows {
		cell := strings.TrimSpace(row[at])
		x, err := strconv.ParseFloat(cell, 64)
		if err != nil && strings.Contains(cell, ",") && !strings.Contains(cell, ".") {
			x, err = strconv.ParseFloat(strings.Replace(cell, ",", ".", 1), 64)
		}
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			return nil, fmt.Errorf("%s:%d: column %s: %q is not a finite number; correct it or leave the row out", t.name, t.line[i], t.head[at], cell)
		}
		out[i] = x
	}
	return out, nil
}
