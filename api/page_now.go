package api

import (
	"net/http"

	"alike/api/pages"

	"github.com/labstack/echo/v4"
)

// nowPage answers: is the line all right?
func (s *server) nowPage(c echo.Context) error {
	return s.show(c, http.StatusOK, "now", pages.View{Title: "Line", Here: "/", Body: struct{}{}})
}
