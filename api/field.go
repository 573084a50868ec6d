package api

import (
	"net/url"
	"strings"
	"time"
)

// A field is one input of a form on a page, with what was wrong with it at its side.
type field struct {
	ID, Name, Label string
	Hint            string // beside the label, in small
	Kind            string // text, lines, decimal, whole, date, moment, rig, choice, tick
	Value           string
	Optional        bool
	Ticked          bool
	Choices         []choiceOf
	Error           string
}

type choiceOf struct{ Value, Words string }

// Mode is the keyboard that a phone shows.
func (f field) Mode() string {
	switch f.Kind {
	case "decimal":
		return "decimal"
	case "whole":
		return "numeric"
	}
	return "text"
}

// A formState is what a page knows of its forms: what was typed, and what was wrong with
// it, by form and, behind a dot, by field.
type formState struct {
	Form  url.Values
	Wrong map[string]string
}

// formWrong sorts a problem to the form and, when the form has its field, to that.
func formWrong(form string, sent url.Values, p *Problem, text string) map[string]string {
	out := map[string]string{form: text}
	if _, there := sent[p.Field]; there && p.Field != "" && form != "release" { // whose serials are ticks in a table
		out[form+"."+p.Field] = text
		out[form] = "Nothing was changed: see the marked field."
	}
	return out
}

// typed is what a form holds: what was sent with it when it was refused, else the usual.
func (s formState) typed(form, name, usual string) string {
	if s.Wrong[form] != "" {
		return s.Form.Get(name)
	}
	return usual
}

// Input makes a field of a form. The kind may begin with a question mark: the field may
// then be left empty.
func (s formState) Input(form, name, label, hint, kind, usual string) field {
	kind, optional := strings.CutPrefix(kind, "?")
	return field{
		ID: form + "-" + name, Name: name, Label: label, Hint: hint, Kind: kind, Optional: optional, Value: s.typed(form, name, usual), Error: s.Wrong[form+"."+name],
	}
}

// Tick makes a checkbox.
func (s formState) Tick(form, name, label string, usual bool) field {
	f := s.Input(form, name, label, "", "tick", "")
	f.Ticked = usual
	if s.Wrong[form] != "" {
		f.Ticked = s.Form.Get(name) != ""
	}
	return f
}

// Choice makes a list to choose from: pairs of value and words.
func (s formState) Choice(form, name, label, hint, usual string, pairs ...string) field {
	f := s.Input(form, name, label, hint, "choice", usual)
	for i := 0; i+1 < len(pairs); i += 2 {
		f.Choices = append(f.Choices, choiceOf{pairs[i], pairs[i+1]})
	}
	return f
}

// Pick makes a list to choose from whose values are their own words.
func (s formState) Pick(form, name, label, hint, usual string, values []string) field {
	f := s.Choice(form, name, label, hint, usual)
	for _, v := range values {
		words := v
		if v == "" {
			words = "the rig without a name"
		}
		f.Choices = append(f.Choices, choiceOf{v, words})
	}
	return f
}

// momentField reads a moment from a form, in the workshop's zone; zero for none.
func momentField(text, name string, zone *time.Location) (time.Time, *Problem) {
	text = strings.TrimSpace(text)
	if text == "" {
		return time.Time{}, nil
	}
	for _, form := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", "2006-01-02 15:04"} {
		if t, err := time.ParseInLocation(form, text, zone); err == nil {
			return t, nil
		}
	}
	p := newProblem(422, "\""+text+"\" is not a time", "write 2006-01-02 15:04, in the workshop's zone")
	p.Field = name
	return time.Time{}, p
}
