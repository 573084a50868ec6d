// Package api is the HTTP server of alike: JSON under /api/v1, health, readiness
// and metrics, and the first page. Handlers read a request, call one function of
// the line, and answer.
package api

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"regexp"
	"time"

	"alike/internal/line"
	"alike/internal/store"

	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
)

// Limits of a request. A unit of two channels, five seatings and 20 000 points
// is about 6 MB of JSON.
const (
	bodyLimit      = "64M"
	requestTimeout = 60 * time.Second
	headerTimeout  = 10 * time.Second
	idleTimeout    = 120 * time.Second
	stopTimeout    = 20 * time.Second
)

// Options configure a server.
type Options struct {
	Line    *line.Line
	DB      *store.DB
	Token   string // every request under /api must carry it; empty for none
	Listen  string // address the server will listen on, for the check of the Host header
	Version string
	Log     *slog.Logger
}

type server struct {
	Options
	log     *slog.Logger
	metrics *metrics
	openapi []byte
}

// ErrOpenAddress means that the server would be reachable from other machines
// without asking for a token.
var ErrOpenAddress = errors.New("an address that other machines can reach needs a token: set ALIKE_TOKEN, or listen on 127.0.0.1")

// New returns the server's handler. It refuses to serve other machines without a
// token.
func New(o Options) (http.Handler, error) { return build(o) }

// Routes lists what the server answers, as "GET /path", in the form the description
// of the interface has it.
func Routes(o Options) ([]string, error) {
	e, err := build(o)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, r := range e.Routes() {
		if r.Method == echo.RouteNotFound {
			continue
		}
		out = append(out, r.Method+" "+parameter.ReplaceAllString(r.Path, "{$1}"))
	}
	return out, nil
}

var parameter = regexp.MustCompile(`:(\w+)`)

func build(o Options) (*echo.Echo, error) {
	if o.Token == "" && !loopback(o.Listen) {
		return nil, ErrOpenAddress
	}
	doc, err := document()
	if err != nil {
		return nil, err
	}
	s := &server{Options: o, log: o.Log, metrics: newMetrics(), openapi: doc}
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.IPExtractor = echo.ExtractIPDirect() // a header anyone can write does not go into the journal
	e.HTTPErrorHandler = s.answerProblem
	e.Use(middleware.RequestID(), s.metrics.watch, middleware.Recover(), middleware.BodyLimit(bodyLimit),
		middleware.ContextTimeout(requestTimeout), headers, s.sameHost)
	s.routes(e)
	return e, nil
}

// routes lists every address the server answers.
func (s *server) routes(e *echo.Echo) {
	e.GET("/", s.front)
	e.GET("/style.css", s.style)
	e.GET("/healthz", s.health)
	e.GET("/readyz", s.ready)
	e.GET("/metrics", s.metricsPage, s.authorized)
	// The guard stands at each route: on a group it would answer 404 where a route
	// exists with another method.
	e.POST("/api/v1/takes", s.postTakes, s.authorized)
	e.GET("/api/v1/units/:serial", s.getUnit, s.authorized)
	e.GET("/api/v1/lots", s.getLots, s.authorized)
	e.GET("/api/v1/lots/:lot", s.getLot, s.authorized)
	e.GET("/api/v1/lots/:lot/report.xlsx", s.getReport, s.authorized)
	e.GET("/api/v1/lots/:lot/report.json", s.getTwin, s.authorized)
	e.GET("/api/v1/lots/:lot/standing", s.getStanding, s.authorized)
	e.POST("/api/v1/lots/:lot/steps", s.postStep, s.authorized)
	e.POST("/api/v1/lots/:lot/draws", s.postDraw, s.authorized)
	e.POST("/api/v1/units/:serial/overrides", s.postOverride, s.authorized)
	e.GET("/api/v1/journal", s.getJournal, s.authorized)
	e.GET("/api/v1/journal/verification", s.getVerification, s.authorized)
	e.GET("/api/v1/charts", s.getChart, s.authorized)
	e.GET("/api/v1/streams", s.getStreams, s.authorized)
	e.GET("/api/v1/openapi.json", s.getOpenAPI)
}

// loopback reports whether an address is one that only this machine can reach.
func loopback(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return false
	}
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.IsLoopback()
}

// headers sets what every answer carries: nothing here is to be framed, sniffed or
// to load anything from elsewhere.
func headers(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		h := c.Response().Header()
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		return next(c)
	}
}

// sameHost refuses requests under a foreign host name while no token is asked for:
// a web page elsewhere could point its own name at this machine.
func (s *server) sameHost(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if s.Token == "" {
			host := c.Request().Host
			if _, _, err := net.SplitHostPort(host); err != nil {
				host = net.JoinHostPort(host, "80")
			}
			if !loopback(host) {
				return newProblem(http.StatusMisdirectedRequest, fmt.Sprintf("this server does not answer as %q", c.Request().Host), "use 127.0.0.1 or localhost, or set a token")
			}
		}
		return next(c)
	}
}

// Serve answers requests on a listener until ctx ends, then lets running ones
// finish.
func Serve(ctx context.Context, l net.Listener, h http.Handler) error {
	srv := &http.Server{
		Handler: h, ReadHeaderTimeout: headerTimeout, ReadTimeout: requestTimeout, WriteTimeout: 2 * requestTimeout,
		IdleTimeout: idleTimeout,
	}
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(l) }()
	select {
	case err := <-failed:
		return err
	case <-ctx.Done():
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTimeout)
	defer cancel()
	if err := srv.Shutdown(stop); err != nil {
		return fmt.Errorf("some requests did not finish within %v: %w", stopTimeout, err)
	}
	return nil
}
