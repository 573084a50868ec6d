package api

import (
	"bytes"
	"encoding/json"
	"io"
	"mime"
	"net/http"

	"github.com/labstack/echo/v4"
)

// readBody decodes a JSON body that has no unknown fields into v.
func readBody(c echo.Context, v any) error {
	r := c.Request()
	if kind, _, err := mime.ParseMediaType(r.Header.Get(echo.HeaderContentType)); err != nil || kind != echo.MIMEApplicationJSON {
		return newProblem(http.StatusUnsupportedMediaType, "the body is not said to be JSON", "send the header Content-Type: application/json")
	}
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return err
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return badJSON(err, body, d.InputOffset())
	}
	if _, err := d.Token(); err != io.EOF {
		return newProblem(http.StatusBadRequest, "there is more after the end of the JSON value", "send one value")
	}
	return nil
}
