package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strconv"

	"github.com/labstack/echo/v4"
)

// readBody decodes one JSON value without unknown fields.
func readBody(c echo.Context, into any) error {
	r := c.Request()
	if kind, _, err := mime.ParseMediaType(r.Header.Get(echo.HeaderContentType)); err != nil || kind != "application/json" {
		// This also keeps forms of foreign pages out: a browser asks before it sends JSON.
		return newProblem(http.StatusUnsupportedMediaType, "the body is not said to be JSON", "send the header Content-Type: application/json")
	}
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return err
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		var known *Problem
		if errors.As(err, &known) {
			return known
		}
		return badJSON(err, body, d.InputOffset(), 0)
	}
	if _, err := d.Token(); err != io.EOF {
		return newProblem(http.StatusBadRequest, "there is more after the end of the JSON value", "send one value")
	}
	return nil
}

// pathNumber reads a number from 1 in the address.
func pathNumber(c echo.Context, name string) (int, error) {
	n, err := strconv.Atoi(c.Param(name))
	if err != nil || n < 1 {
		return 0, newProblem(http.StatusNotFound, "there is no "+name+" "+c.Param(name), "use a number from 1")
	}
	return n, nil
}

// queryNumber reads a number of the query; 0 when it is not there.
func queryNumber(c echo.Context, name string) (float64, error) {
	text := c.QueryParam(name)
	if text == "" {
		return 0, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		p := newProblem(http.StatusUnprocessableEntity, name+" "+strconv.Quote(text)+" is not a number", "write digits with at most one decimal point")
		p.Field = name
		return 0, p
	}
	return v, nil
}

// queryPaper reads the paper of a workbook.
func queryPaper(c echo.Context) (string, error) {
	paper := c.QueryParam("paper")
	if paper != "" && paper != "A4" && paper != "Letter" {
		p := newProblem(http.StatusUnprocessableEntity, "there is no paper "+strconv.Quote(paper), "use A4 or Letter")
		p.Field = "paper"
		return "", p
	}
	return paper, nil
}

// workbook answers a spreadsheet under a file name.
func workbook(c echo.Context, name string, write func(io.Writer) error) error {
	var file bytes.Buffer
	if err := write(&file); err != nil {
		return err
	}
	c.Response().Header().Set(echo.HeaderContentDisposition, "attachment; filename*=UTF-8''"+url.PathEscape(name)+".xlsx")
	return c.Blob(http.StatusOK, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", file.Bytes())
}
