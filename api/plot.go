package api

import "github.com/labstack/echo/v4"

// plotRoutes lists the addresses of the drift map and the charts of streams: their
// pages, and what these fetch.
func (s *server) plotRoutes(e *echo.Echo) {
	e.GET("/drift", s.driftPage, s.authorized)
	e.GET("/api/v1/drift", s.getDrift, s.authorized)
	e.GET("/streams", s.streamChoice, s.authorized)
	e.GET("/streams/:product/*", s.streamPage, s.authorized)
	e.GET("/api/v1/stream", s.getStream, s.authorized)
	e.GET("/api/v1/stream/change", s.getStreamChange, s.authorized)
	e.GET("/api/v1/stream.svg", s.getStreamSVG, s.authorized)
	e.GET("/api/v1/stream.csv", s.getStreamCSV, s.authorized)
}
