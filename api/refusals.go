package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"unicode/utf8"

	"alike/internal/curve"

	"github.com/labstack/echo/v4"
)

// A Refusal is a file, or a row of one, that a station could not read as a take.
type Refusal struct {
	Source  string `json:"source"`
	Line    int    `json:"line"` // from 1; 0 for the whole file
	Field   string `json:"field"`
	Reason  string `json:"reason"`
	Remedy  string `json:"remedy"`
	Lot     string `json:"lot"`
	Content []byte `json:"content"` // the file, in base64; may be left out
}

// postRefusal keeps what a station refused in quarantine, so that the record does not
// depend on where a file was found wrong. It answers 201 when it is new and 200 when it
// was there.
func (s *server) postRefusal(c echo.Context) error {
	if err := saidToBeJSON(c.Request()); err != nil {
		return err
	}
	body, err := io.ReadAll(c.Request().Body)
	if err != nil {
		return badBody(err)
	}
	var w Refusal
	d := json.NewDecoder(strings.NewReader(string(body)))
	d.DisallowUnknownFields()
	if err := d.Decode(&w); err != nil {
		return badJSON(err, body, d.InputOffset(), 0)
	}
	if _, err := d.Token(); err != io.EOF {
		return newProblem(http.StatusBadRequest, "there is more after the end of the JSON value", "send one value")
	}
	if err := w.check(); err != nil {
		return err
	}
	r := curve.Refusal{File: w.Source, Line: w.Line, Field: w.Field, Reason: w.Reason, Remedy: w.Remedy}
	added, err := s.Line.Quarantine(c.Request().Context(), by(c), r, w.Lot, w.Content)
	if err != nil {
		return err
	}
	if !added {
		return c.JSON(http.StatusOK, map[string]string{"status": "known"})
	}
	s.metrics.takes.WithLabelValues("refused").Inc()
	return c.JSON(http.StatusCreated, map[string]string{"status": "quarantined"})
}

func (w *Refusal) check() error {
	const most = 2000 // characters
	for _, f := range []struct {
		name, text string
		needed     bool
	}{{"source", w.Source, true}, {"field", w.Field, false}, {"reason", w.Reason, true}, {"remedy", w.Remedy, false}} {
		p := newProblem(http.StatusUnprocessableEntity, "", "")
		p.Field = f.name
		switch {
		case f.needed && f.text == "":
			p.Detail, p.Remedy = "field "+f.name+" is empty", "say it"
		case utf8.RuneCountInString(f.text) > most:
			p.Detail, p.Remedy = fmt.Sprintf("field %s has more than %d characters", f.name, most), "shorten it"
		case strings.ContainsRune(f.text, 0):
			p.Detail, p.Remedy = "field "+f.name+" holds the character U+0000", "leave it out"
		default:
			continue
		}
		return p
	}
	if w.Line < 0 || w.Line > 1<<30 {
		p := newProblem(http.StatusUnprocessableEntity, fmt.Sprintf("line %d is none", w.Line), "count from 1, or send 0 for the whole file")
		p.Field = "line"
		return p
	}
	// The lot is held to the form of an identity, for reports look refusals up by it.
	id, err := curve.Identity{Serial: "1", Channel: "left", Lot: w.Lot}.Normal()
	var f *curve.FieldError
	if errors.As(err, &f) {
		p := newProblem(http.StatusUnprocessableEntity, f.Reason, f.Remedy)
		p.Field = f.Field
		return p
	}
	w.Lot = id.Lot
	return err
}
