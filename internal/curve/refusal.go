package curve

import (
	"fmt"
	"strconv"
	"strings"
)

// A Refusal says why a file or a take did not get in, and what to do about it.
type Refusal struct {
	File   string // name as given
	Line   int    // from 1; 0 when the whole file is at fault
	Field  string // frequency, level, phase, head, an identity column; WholeRow or WholeFile
	Reason string
	Remedy string
}

// What is at fault when it is no single field.
const (
	WholeRow  = "whole row"
	WholeFile = "whole file"
)

// Error returns "file:line: field: reason; remedy", without the line when it is not
// known, and without the field when it is the whole row or file.
func (r *Refusal) Error() string {
	var b strings.Builder
	b.WriteString(r.File)
	if r.Line > 0 {
		fmt.Fprintf(&b, ":%d", r.Line)
	}
	if r.Field != "" && r.Field != WholeRow && r.Field != WholeFile {
		b.WriteString(": " + r.Field)
	}
	b.WriteString(": " + r.Reason + "; " + r.Remedy)
	return b.String()
}

// Refusals are several faults of one file, in the order of their lines.
type Refusals []*Refusal

func (rs Refusals) Error() string {
	lines := make([]string, len(rs))
	for i, r := range rs {
		lines[i] = r.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap lets errors.As find the first *Refusal.
func (rs Refusals) Unwrap() []error {
	errs := make([]error, len(rs))
	for i, r := range rs {
		errs[i] = r
	}
	return errs
}

// A FieldError says what is wrong with one field of an Identity.
type FieldError struct {
	Field, Reason, Remedy string
}

func (e *FieldError) Error() string {
	return e.Field + ": " + e.Reason + "; " + e.Remedy
}

func (e *FieldError) at(file string, line int) *Refusal {
	return refuse(file, line, e.Field, e.Reason, e.Remedy)
}

func refuse(file string, line int, field, reason, remedy string) *Refusal {
	if file == "" {
		file = "(no file name)"
	}
	switch {
	case field == "" && line > 0:
		field = WholeRow
	case field == "":
		field = WholeFile
	}
	return &Refusal{file, line, field, reason, remedy}
}

const (
	remedyHalf  = "wait until the file is complete, or export it again"
	remedyCells = "put one row on a line, cells separated by commas, semicolons, tabs or spaces"
)

// half is the refusal of a file that stops in the middle.
func half(file string, line int, field, what string) *Refusal {
	return refuse(file, line, field, "the file seems half written: "+what, remedyHalf)
}

// show quotes a cell for a message, cut to a readable length.
func show(cell string) string {
	const most = 40
	if r := []rune(cell); len(r) > most {
		cell = string(r[:most]) + "…"
	}
	return strconv.Quote(cell)
}
