package api

import (
	"errors"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"unicode/utf8"

	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
)

const (
	smallBody  = "64K"    // of a form that anybody may send
	formMemory = 32 << 20 // of a form with files; the rest of it lies on disk meanwhile
)

// storable reports whether a text is one that the database can hold.
func storable(s string) bool { return utf8.ValidString(s) && !strings.ContainsRune(s, 0) }

// plainForm refuses forms with fields or names of files that no text in the database can
// have, before any handler reads them.
func plainForm(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := readForm(c.Request()); err != nil {
			return err
		}
		return next(c)
	}
}

func readForm(r *http.Request) error {
	kind, _, err := mime.ParseMediaType(r.Header.Get(echo.HeaderContentType))
	switch {
	case err != nil || r.Method == http.MethodGet || r.Method == http.MethodHead:
		return nil
	case kind == echo.MIMEApplicationForm:
		err = r.ParseForm()
	case kind == echo.MIMEMultipartForm:
		err = r.ParseMultipartForm(formMemory)
	default: // a handler may still ask for what stands in the address
		_, err = url.ParseQuery(r.URL.RawQuery)
	}
	var large *echo.HTTPError // from the limit of the body
	if errors.As(err, &large) {
		return large
	} else if err != nil {
		return newProblem(http.StatusBadRequest, "the form cannot be read", "send it as a browser does, with fields of less than 10 MB")
	}
	for name, values := range r.Form {
		for _, v := range append(values, name) {
			if !storable(v) {
				return badField(name)
			}
		}
	}
	if r.MultipartForm != nil {
		for field, files := range r.MultipartForm.File {
			for _, f := range files {
				if !storable(f.Filename) || !storable(field) {
					return badField(field)
				}
			}
		}
	}
	return nil
}

func badField(name string) *Problem {
	p := newProblem(http.StatusUnprocessableEntity, "a field of the form holds bytes that are no text in UTF-8, or U+0000", "type it anew")
	p.Field = strings.ToValidUTF8(strings.ReplaceAll(name, "\x00", "?"), "?")
	return p
}

// small bounds the body of a form that anybody may send, and reads it.
func small() echo.MiddlewareFunc {
	limit := middleware.BodyLimit(smallBody)
	return func(next echo.HandlerFunc) echo.HandlerFunc { return limit(plainForm(next)) }
}
